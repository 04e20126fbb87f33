"""How much wall to leave, by published shrinkage, and whether the book's own rims agree."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from woodlab import words
from woodlab.article.facts import ACROSS, FINISHED_WALL_MM, Facts
from woodlab.article.parts.section import Section
from woodlab.article.say import Say

MOVED = "wl.movement_study(fits).estimates"
WALLS = "wl.wall_window(species, [rim]), thinnest_mm rounded up"
MOST_WOODS = 6
WORTH = 0.1  # a difference in movement that a maker would notice
FEWEST_RIMS = 3


def walls_section(facts: Facts, say: Say) -> Section | None:
    """The wall by wood, what it covers, and the rims."""
    if not len(facts.book.pieces) or facts.early:
        return None
    text = say.paragraph(
        ("walls", _walls(facts, say)), ("covers", _covers(facts)), ("none", _unknown(facts, say)),
        ("rims", _rims(facts, say)),
    )  # fmt: skip
    return Section("walls", "How much wall to leave", (text,)) if text else None


def _known(facts: Facts) -> Any:
    walls = facts.walls
    return walls.dropna(subset=["thinnest_mm"]) if len(walls) else walls


def _walls(facts: Facts, say: Say) -> str:
    known = _known(facts)
    if not len(known):
        return ""
    among = facts.book.pieces["species"].unique()
    by_mm: dict[int, list[str]] = {}
    for row in known.to_dict("records"):
        by_mm.setdefault(math.ceil(row["thinnest_mm"]), []).append(str(row["species"]))

    def mm(value: int) -> str:
        return say.n(value, f"walls.leave.{'.'.join(by_mm[value])}", WALLS, figures=True)

    def woods(value: int) -> str:
        return say.listed(say.name(words.wood(name, among)) for name in by_mm[value])

    rim = say.n(float(known["rim_mm"].iloc[0]), "walls.rim_mm", "book.pieces: median rim_mm",
                figures=True)  # fmt: skip
    wall = say.n(FINISHED_WALL_MM, "walls.finished_mm", "woodlab.article.facts.FINISHED_WALL_MM",
                 figures=True)  # fmt: skip
    head = (
        f"For a finished bowl {rim} mm wide with walls of {wall} mm, published shrinkage asks for"
    )
    low, high = min(by_mm), max(by_mm)
    if len(known) > MOST_WOODS:
        return f"{head} {mm(low)} to {mm(high)} mm, least in {woods(low)} and most in {woods(high)}"
    told = [f"{mm(v)}{' mm' if v == low else ''} in {woods(v)}" for v in sorted(by_mm)]
    return f"{head} a rough wall of at least {say.listed(told)}"


def _covers(facts: Facts) -> str:
    return (
        "That serves nineteen trees in twenty, before any allowance for knots, uneven walls or the "
        "chuck, and says nothing of cracks"
        if len(_known(facts))
        else ""
    )


def _unknown(facts: Facts, say: Say) -> str:
    among = list(facts.book.pieces["species"].dropna().unique())
    told = set(_known(facts)["species"]) if len(_known(facts)) else set()
    missing = [say.name(words.wood(str(name), among)) for name in among if name not in told]
    if not missing:
        return ""
    return f"The tables have no figure for {say.listed(missing, most=4)}, and a few bowls cannot " \
           "replace one"  # fmt: skip


def _rims(facts: Facts, say: Say) -> str:
    """Rims against the tables: one verdict a wood, decided by the movement study."""
    known = len(_known(facts)) > 0
    if facts.movement is None or facts.movement.why:
        return "No rims were measured here, so the tables stand alone" if known and not len(
            facts.book.rims) else ""  # fmt: skip
    rows = facts.movement.estimates
    rows = rows[(rows["figure"] == ACROSS) & rows["estimate"].notna()]
    rows = rows[rows["n_pieces"] >= FEWEST_RIMS].to_dict("records")
    if not rows:
        return ""
    if len(rows) == 1 and rows[0]["n_logs"] == 1 and rows[0]["certainty"] == "open":
        return "Rims of one log moved much as expected, and one log is one tree"
    said = []
    for sure, probably in (("clear", ""), ("likely", "probably ")):
        for more in (True, False):
            own = [r for r in rows if r["certainty"] == sure and (r["estimate"] > 1) == more
                   and abs(r["estimate"] - 1) >= 0.8 * WORTH]  # fmt: skip
            if own:
                said.append(_moved(facts, say, own, probably, more))
    if not said:
        return "Our rims gave no clear reason to doubt the tables"
    if all("probably" in one for one in said):
        return f"Our rims gave no clear reason to doubt the tables, though {said[0]}"
    return words.opened(said[0])


def _moved(facts: Facts, say: Say, rows: list[dict[str, Any]], probably: str, more: bool) -> str:
    among = facts.book.pieces["species"].unique()
    woods = say.listed(say.name(words.wood(str(r["species"]), among)) for r in rows)
    middle = float(np.exp(np.mean([np.log(r["estimate"]) for r in rows])))
    size = abs(middle - 1)
    much = "about a tenth" if size < 0.13 else "about a sixth" if size < 0.19 else \
        "about a fifth" if size < 0.225 else "about a quarter" if size < 0.29 else "much"  # fmt: skip
    told = say.mark(much, f"walls.moved.{'.'.join(str(r['species']) for r in rows)}", middle, MOVED)
    leave = ", so leave more than they ask" if more and not probably else ""
    return f"{woods} {probably}moved {told} {'more' if more else 'less'} than they say{leave}"
