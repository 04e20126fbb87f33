"""How much wall to leave, by published shrinkage, and whether the book's own rims agree."""

from __future__ import annotations

import numpy as np

from woodlab.article.facts import Facts, Row
from woodlab.article.parts import Section
from woodlab.article.say import Say

ACROSS = "across the grain, measured/expected"
FINISHED_WALL_MM = 8.0
MOST_WOODS = 6
WORTH = 0.08  # a difference in movement that a maker would notice
FEWEST_RIMS = 3
NO_DOUBT = "Our rims gave no clear reason to doubt the tables"
# Ends of differences, and how people say them.
_MUCH = ((0.13, "a tenth"), (0.19, "a sixth"), (0.225, "a fifth"), (0.29, "a quarter"))


def walls_section(facts: Facts, say: Say) -> Section | None:
    """The wall by wood, what it covers, and the rims."""
    if facts.early:
        return None
    known = facts.walls.dropna(subset=["thinnest_mm"]).sort_values("thinnest_mm")
    missing = [say.wood(w) for w in facts.woods if w not in set(known["species"])]
    text = say.paragraph(
        *([_walls(known.to_dict("records"), say),
           "That is enough for nineteen trees in twenty, before any allowance for knots, uneven "
           "walls or the chuck, and says nothing of cracks"] if len(known) else ()),
        f"The tables have no figure for {say.listed(missing, most=4)}, and a few bowls cannot "
        "replace one" if missing else "",
        _rims(facts, bool(len(known)), say),
    )  # fmt: skip
    return Section("How much wall to leave", (text,)) if text else None


def _walls(known: list[Row], say: Say) -> str:
    by_wall: dict[str, list[Row]] = {}
    for row in known:
        by_wall.setdefault(say.units.length_of(row["thinnest_mm"], up=True), []).append(row)
    each = []
    for rows in by_wall.values():
        key = f"walls.leave.{'.'.join(row['species'] for row in rows)}"
        wall = say.length(rows[-1]["thinnest_mm"], key, up=True)
        each.append((wall, say.listed(say.wood(row["species"]) for row in rows)))
    rim = say.length(float(known[0]["rim_mm"]), "walls.rim_mm")
    finished = say.length(FINISHED_WALL_MM, "walls.finished_mm")
    head = f"For a finished bowl {rim} wide with walls of {finished}, published shrinkage asks for"
    if len(known) > MOST_WOODS:
        (low, least), (high, most) = each[0], each[-1]
        return f"{head} {low} to {high}, least in {least} and most in {most}"
    told = say.listed(f"{wall} for {woods}" for wall, woods in each)
    return f"{head} a rough wall of at least {told}"


def _rims(facts: Facts, tables: bool, say: Say) -> str:
    """Rims against the tables: one verdict a wood, decided by the movement study."""
    if facts.movement is None or facts.movement.why:
        alone = tables and not len(facts.book.rims)
        return "No rims were measured here, so the tables stand alone" if alone else ""
    frame = facts.movement.estimates
    frame = frame[(frame["figure"] == ACROSS) & (frame["n_pieces"] >= FEWEST_RIMS)]
    rows = frame.dropna(subset=["estimate"]).to_dict("records")
    if not rows:
        return ""
    if len(rows) == 1 and rows[0]["n_logs"] == 1 and rows[0]["certainty"] == "open":
        return "Rims of one log moved much as expected, and one log is one tree"
    for sure, more in (("clear", True), ("clear", False), ("likely", True), ("likely", False)):
        own = [r for r in rows if r["certainty"] == sure and (r["estimate"] > 1) == more
               and abs(r["estimate"] - 1) >= WORTH]  # fmt: skip
        if own:
            return _moved(say, own, more)
    return NO_DOUBT


def _moved(say: Say, rows: list[Row], more: bool) -> str:
    woods = say.listed(say.wood(r["species"]) for r in rows)
    middle = float(np.exp(np.mean([np.log(r["estimate"]) for r in rows])))
    much = next((f"about {said}" for end, said in _MUCH if abs(middle - 1) < end), "much")
    told = say.mark(much, f"walls.moved.{'.'.join(str(r['species']) for r in rows)}", middle)
    said = f"moved {told} {'more' if more else 'less'} than they say"
    if rows[0]["certainty"] == "likely":
        return f"{NO_DOUBT}, though {woods} probably {said}"
    return f"{woods} {said}{', so leave more than they ask' if more else ''}"
