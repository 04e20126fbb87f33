"""The front page and the page of pictures: facts to words to HTML, without script or network."""

from __future__ import annotations

from functools import partial
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
from jinja2 import Environment, PackageLoader, select_autoescape

from woodlab import words
from woodlab.charts import colours
from woodlab.pages.facts import Facts
from woodlab.pages.findings import Finding, findings
from woodlab.pages.pictures import Figure, draw
from woodlab.week.bowls import PROBABLY, READY, by_shelf, odd_weights, this_week
from woodlab.words import Units

if TYPE_CHECKING:
    from woodlab.book.record_book import RecordBook

NEXT, ODD, MONTHS = 7, 5, 6
FEW = 6  # of more bowls that are probably dry, the chances are left to the ready list
PAGES = {
    "1_open_and_check.html": "The check of the records",
    "2_drying_curves.html": "How each bowl dries",
    "3_ready.html": "Ready: every bowl, every date",
    "4_sealing.html": "Sealing",
    "5_cracks.html": "Cracks",
    "6_movement.html": "Movement and walls",
    "7_next_season.html": "Next season, and this week",
    "8_article.html": "The article and its numbers",
}
ARTICLE = {
    "html": "to read here", "pdf": "to print", "docx": "for a newsletter", "md": "plain text",
    "json": "its numbers",
}  # fmt: skip
CAUTION = (
    "Cracked wood can fly apart on the lathe. A glued crack is not a sound bowl: look over each "
    "blank, and leave one that you doubt off the lathe."
)


def write_pages(facts: Facts, folder: Path, figures: dict[str, Figure] | None = None) -> None:
    """Write index.html and evidence.html, and their pictures unless those are drawn already; links
    lead only to what is in `folder`."""
    figures = draw(facts, folder / "pictures") if figures is None else figures
    page = content(facts)
    page |= {"figures": figures, **_beside(folder)}
    env = environment()
    for name in ("index.html", "evidence.html"):
        (folder / name).write_text(env.get_template(f"{name}.j2").render(**page), encoding="utf-8")


def write_plain(book: RecordBook, folder: Path, why: str, club: str | None = None) -> None:
    """A front page of links for a book that no curve can be fitted to yet, saying why."""
    template = environment().get_template("plain.html.j2")
    page = template.render(club=club or book.name, why=why, n=len(book.pieces), **_beside(folder))
    (folder / "index.html").write_text(page, encoding="utf-8")


def _beside(folder: Path) -> dict[str, Any]:
    """The pages and forms of the article that are there to be linked to."""
    forms = [(f"article/article.{form}", said) for form, said in ARTICLE.items()]
    return {
        "pages": {name: said for name, said in PAGES.items() if (folder / name).exists()},
        "articles": [(name, said) for name, said in forms if (folder / name).exists()],
    }


def environment() -> Environment:
    """The templates, with the style sheet and the small pictures that they call."""
    env = Environment(
        loader=PackageLoader("woodlab.pages", "templates"),
        autoescape=select_autoescape(["html", "j2"]),
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    env.globals.update(css=_css(env), squares=squares)
    return env


def content(facts: Facts) -> dict[str, Any]:
    """What the templates print: counts add up to the number of bowls, lists in reading order."""
    bowls, day = facts.bowls, facts.day
    of = {name: bowls[bowls["group"] == name] for name in bowls["group"].unique()}
    none = bowls.head(0)
    ready, probably = of.get("ready", none), of.get("probably", none)
    waiting = of.get("waiting", none).sort_values("ready_on", na_position="last")
    cracked = of.get("cracked", none)
    cracked = cracked.assign(open=cracked["state"] == "open").sort_values(
        ["open", "last_mm"], ascending=False
    )
    near = partial(words.day, beside=day)
    said = findings(facts)
    coming = waiting[waiting["ready_on"].notna()]
    units = facts.book.units
    odd = odd_weights(facts, units)
    shelves = words.in_order(bowls["shelf"].unique())
    return {
        "club": facts.club, "day": words.day(day), "n": len(bowls), "near": near,
        "invented": _invented(facts), "target": words.target(bowls["target_moisture_pct"].median()),
        "ages": _ages(facts), "shelves": shelves,
        "place_of": bowls.set_index("piece")["shelf"].to_dict(),
        "ready": by_shelf(ready["piece"], bowls), "n_ready": len(ready),
        "oldest_look": _oldest_look(ready, day),
        "probably": [(r.piece, _in_ten(r.p_ready_now), r.shelf)
                     for r in probably.sort_values("p_ready_now", ascending=False).itertuples()],
        "probably_by": by_shelf(probably["piece"], bowls), "few": FEW,
        "n_probably": len(probably), "n_waiting": len(waiting), "n_gone": len(of.get("gone", none)),
        "cracked": [_crack_row(r, near, units) for r in cracked.itertuples()],
        "n_cracked": len(cracked),
        "next": [(r.piece, near(r.ready_on), words.dates(max(r.earliest_on, day), r.latest_on, day))
                 for r in coming.head(NEXT).itertuples()],
        "months": _months(waiting, day), "odd": odd[:ODD], "n_odd": len(odd),
        "n_older": f"{len(odd) - ODD} more",
        "week": _week(facts), "findings": said,
        "answer": _answer(said), "caution": CAUTION, "dense": _dense(bowls, cracked, ready),
        "finished": units.length_of(8),
    }  # fmt: skip


def _answer(said: list[Finding]) -> list[tuple[str, str]]:
    """The findings' part of the first sentences: words and where they lead."""
    anchor = {"seals": "evidence.html#seals", "walls": "evidence.html#walls"}
    return [(words.opened(f.short), anchor[f.key]) for f in said if f.short]


def _week(facts: Facts) -> dict[str, Any]:
    """This week's work; open cracks are looked at first, due by their age or not."""
    work = this_week(facts.bowls, facts.round, facts.day)
    out: dict[str, Any] = {
        "until": words.dates(facts.day, facts.day + pd.Timedelta(days=6), facts.day)
    }
    for what in ("weigh", "look"):
        first, rest = work[f"{what}_first"], work[what]
        out[f"{what}_first"] = first
        out[what] = by_shelf(rest, facts.bowls)
        out[f"n_{what}"] = len(first) + len(rest)
    return out


def _in_ten(p: float) -> str:
    return f"{min(9, max(1, round(10 * p)))} chances in 10"


def _oldest_look(ready: pd.DataFrame, day: pd.Timestamp) -> str:
    if not len(ready):
        return ""
    never = int(ready["last_look_on"].isna().sum())
    if never:
        return f"{words.count(never)} never looked at"
    return f"up to {int((day - ready['last_look_on']).dt.days.max())} days ago"


def _ages(facts: Facts) -> list[tuple[str, str, str]]:
    """How old the records are: the newest, and the bowl that has waited longest."""
    out = []
    here = facts.bowls.loc[facts.bowls["group"] != "gone", "piece"]
    for what, table in (("Weighed", facts.book.weighings), ("Looked at", facts.book.looks)):
        last = table[table["piece"].isin(here)].groupby("piece")["on"].max().dt.normalize()
        if not len(last):
            out.append((what, "never", ""))
            continue
        who = words.in_order(last[last == last.min()].index)
        days = int((facts.day.normalize() - last.min()).days)
        oldest = f"bowl {who[0]}{' and others' if len(who) > 1 else ''}, {_ago(days)}"
        out.append(
            (what, _ago((facts.day.normalize() - last.max()).days), f"longest ago: {oldest}")
        )
    air = facts.air["on"]
    out.append(("Air", _ago((facts.day.normalize() - air.max()).days) if len(air) else "no log",
                f"{len(air)} days read" if len(air) else ""))  # fmt: skip
    return out


def _ago(days: int) -> str:
    return {0: "today", 1: "yesterday"}.get(int(days), f"{int(days)} days ago")


def _crack_row(r: Any, near: Any, units: Units) -> dict[str, Any]:
    now = "closed" if r.last_mm == 0 else units.length_of(r.last_mm) or "not measured"
    was = units.length_of(r.base_mm)
    longer = r.grew or (was and r.last_mm > r.base_mm)  # a little longer: told, but not bold
    how = f"was {was}" if longer else "not grown" if was else ""
    dry = "probably" if r.p_ready_now >= PROBABLY else near(r.ready_on) or "no date"
    dry = "yes" if r.p_ready_now >= READY else dry
    return {"piece": r.piece, "now": now, "how": how, "grew": r.grew, "open": r.open,
            "glued": near(r.glued_on) or "no", "dry": dry, "shelf": r.shelf}  # fmt: skip


def _months(waiting: pd.DataFrame, day: pd.Timestamp) -> list[tuple[str, int]]:
    """How many by month for half a year, then later, then without a date."""
    month = waiting["ready_on"].dt.to_period("M").clip(lower=day.to_period("M"))
    first = day.to_period("M")
    out = [(f"{first + k:%B}", int((month == first + k).sum())) for k in range(MONTHS)]
    out += [
        ("later", int((month > first + MONTHS - 1).sum())),
        ("no date", int(month.isna().sum())),
    ]
    last = max((k for k, (_, n) in enumerate(out[:MONTHS]) if n), default=-1)
    return [pair for k, pair in enumerate(out) if pair[1] or k < last]


def _invented(facts: Facts) -> bool:
    places = facts.book.pieces["place"].dropna().astype(str)
    return bool(len(places)) and bool(places.str.endswith("(invented)").all())


def _dense(bowls: pd.DataFrame, cracked: pd.DataFrame, ready: pd.DataFrame) -> bool:
    return bowls["shelf"].nunique() > 1 or len(cracked) > 12 or len(ready) > 40


def squares(k: int, n: int, label: str) -> str:
    """One square a bowl, as SVG: a cracked one dark and split."""
    per, size = 24, 12
    parts = []
    for i in range(n):
        x, y = (i % per) * size, (i // per) * size
        parts.append(
            f'<path class="hit" d="M{x + 1} {y + 1}h4l-1.600 4 2.400 1.400-1.400 3.600h-3.400z '
            f'M{x + 6.6} {y + 1}h3.400v9h-4.200l1.600-4-2.600-1.400z"/>'
            if i < k
            else f'<rect class="miss" x="{x + 1.5}" y="{y + 1.5}" width="8" height="8"/>'
        )
    box = f"0 0 {per * size} {-(-n // per) * size}"
    told = escape(f"{label}: {k} of {n} cracked")
    drawn = "".join(parts)
    return f'<svg class="units" viewBox="{box}" role="img" aria-label="{told}">{drawn}</svg>'


def _css(env: Environment) -> str:
    def one(k: int) -> str:
        return "".join(f"--{name}:{pair[k]};" for name, pair in colours.ROLES.items()) + (
            f"--on:{colours.ON_FILL[k]};"
        )

    text = env.get_template("page.css").render(light=one(0), dark=one(1))
    return text
