"""The ready list as a page to print or to hand out: one file, no script, no network."""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import quote

from woodlab import words
from woodlab.pages.page import environment
from woodlab.safe_write import write_file
from woodlab.week.ready import ReadyList

_EDGES = {"turn": ("turn", "full"), "cracked": ("cracked", "split"), "wait": ("wait", "empty")}
Members = list[tuple[str, str, str]]  # a name, its line, its page


def write_ready(ready: ReadyList, path: Path, members: Members | None = None) -> Path:
    """Write the list as one page; `members` are linked to from it."""
    who = f"{ready.who}: " if ready.who else ""
    text = environment().get_template("ready.html.j2").render(
        title=f"{who}{ready.name}, {words.day(ready.day)}",
        says=" ".join([ready.card().says[0], *ready.stale()]),
        sections=ready.sections(), edges=_EDGES, members=members or [],
        several=ready.bowls["shelf"].nunique() > 1, invented=ready.fits.book.invented,
    )  # fmt: skip
    write_file(path, text.encode())
    return path


def write_by_maker(ready: ReadyList, folder: Path) -> Members:
    """A page a member and `index.html` that leads to them; returns the members' lines."""
    folder.mkdir(parents=True, exist_ok=True)
    members: Members = []
    taken = {"index"}
    for maker in ready.makers:
        own, name = ready.of(maker), _file_name(maker, taken)
        write_ready(own, folder / f"{name}.html")
        members.append((maker, own.line(), f"{quote(name)}.html"))
    write_ready(ready, folder / "index.html", members)
    return members


def _file_name(maker: str, taken: set[str]) -> str:
    """A name that every file system takes, different for each member."""
    plain = re.sub(r"[^\w]+", "-", maker).strip("-").lower()[:60] or "member"
    name, k = plain, 2
    while name in taken:
        name, k = f"{plain}-{k}", k + 1
    taken.add(name)
    return name
