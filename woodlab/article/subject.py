"""What an article begins with: the subject (a seal, a wood, the wall) with the most to say.

Each clear finding has steps: of drying time ln(ratio) / ln(1.25), of cracks the difference in 100
bowls over 10, counted twice, since a cracked bowl is lost and a slow one only late. The steps of
one subject are added, and the subject with the most leads. Nothing likely leads, nor a finding
from one log or from fewer than five bowls a side.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from woodlab.article.facts import Facts

WORTH_TIME = 1.25  # a ratio of times that a maker would notice
WORTH_CRACKS = 0.10  # in shares of the bowls
FEWEST = 5  # bowls a side


@dataclass(frozen=True)
class Subject:
    """A seal, a wood or the wall, beside another: cracked and looked over, and what is clear."""

    kind: str
    name: str
    against: str
    own: tuple[int, int]
    other: tuple[int, int]
    cracks: float = 0.0  # steps; zero unless clear
    time: float = 0.0
    ratio: float = math.nan

    @property
    def steps(self) -> float:
        """How much there is to say of it."""
        return self.cracks + self.time

    @property
    def fewer(self) -> bool:
        """Whether it cracked less than what it is held against."""
        return share(self.own) < share(self.other)

    @property
    def worse_first(self) -> list[tuple[str, tuple[int, int]]]:
        """The two with their counts, the one that cracked more first."""
        sides = [(self.name, self.own), (self.against, self.other)]
        return sides[::-1] if self.fewer else sides


def share(pair: tuple[int, int]) -> float:
    """Of those looked over, how many cracked."""
    return pair[0] / pair[1] if pair[1] else math.nan


def leading(facts: Facts) -> Subject | None:
    """The subject with the most to say; None where nothing is clear."""
    found = [one for one in (*_seals(facts), *_woods(facts), *_wall(facts)) if one.steps]
    if not found:
        return None
    near = 0.9 * max(one.steps for one in found)
    return max((one for one in found if one.steps >= near),
               key=lambda one: (one.cracks > 0 and one.fewer, one.steps))  # fmt: skip


def _gap(own: tuple[int, int], other: tuple[int, int], sure: str) -> float:
    """Steps of a difference in cracks that is clear, at least twofold, and worth a headline."""
    a, b = share(own), share(other)
    if sure != "clear" or min(own[1], other[1]) < FEWEST or abs(a - b) < WORTH_CRACKS:
        return 0.0
    return 0.0 if b / 2 < a < 2 * b else 20 * abs(a - b)


def _seals(facts: Facts) -> Iterator[Subject]:
    table, ref = facts.by_seal, facts.reference
    for seal in table.index.drop(ref) if ref in table.index else ():
        row, crack = facts.effect("drying_time", seal), facts.effect("crack_hazard", seal)
        own, other = facts.pair(seal), facts.pair(ref)
        cracks = _gap(own, other, crack["certainty"]) if crack.get("n_logs", 0) > 1 else 0.0
        ratio, time = float(row.get("ratio", math.nan)), 0.0
        size = max(ratio, 1 / ratio) if ratio > 0 else 0.0
        few = table.loc[[seal, ref], "n_pieces"].min() < FEWEST
        if row.get("certainty") == "clear" and size >= WORTH_TIME and row["n_logs"] > 1 and not few:
            time = math.log(size) / math.log(1.25)
        yield Subject("seal", seal, ref, own, other, cracks, time, ratio)


def _woods(facts: Facts) -> Iterator[Subject]:
    logs = facts.pieces.groupby("species")["log"].nunique()
    for row in facts.crack_effects("species"):
        wood, ref = row["level"], row["reference"]
        own, other = facts.pair(wood, "species"), facts.pair(ref, "species")
        if own[1] and other[1] and logs[wood] > 1:
            yield Subject("wood", wood, ref, own, other, _gap(own, other, row["certainty"]))


def _wall(facts: Facts) -> Iterator[Subject]:
    walls = facts.walls_cracked
    for row in facts.crack_effects("wall")[:1] if len(walls) == 2 else ():
        cracks = _gap(walls[True], walls[False], row["certainty"])
        yield Subject("wall", "thick", "thin", walls[True], walls[False], cracks)
