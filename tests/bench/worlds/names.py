"""The worlds by name, what breaks in each, and the two lists of seeds.

A world is a `+` list of breaks and extras, in any order: `plain`, `hygrometer+scale`,
`plain+witness+offcuts`. Breaks: `BREAKS`. Extras are what a maker may add: `EXTRAS`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

BREAKS = {
    "hygrometer": "hygrometer 4 %RH high, and wood that follows another published curve",
    "scale": "a second scale, 0.6 % high, takes over on day 40 of the season",
    "wax": "seals let twice as much through from day 60 of a piece's age",
    "walls": "a foot 1.4 to 1.8 times as thick as the wall, a fifth to a third of the wood",
    "drift": "the hygrometer reads true at first and then 4 %RH more for each year",
    "curve": "the wood follows another published curve with 1 to 3 points of hysteresis",
}
EXTRAS = {
    "witness": "a block of known oven-dry mass, weighed weekly to 0.1 g",
    "offcuts": "an offcut of its own for each piece, within 3 % of its start moisture",
    "named": "each weighing names its scale",
    "nolog": "no air log",
    "foot": "the thickness of each foot, to a millimetre",
}
FIVE = ("hygrometer", "scale", "wax", "walls", "drift")
SINGLES = ("plain", *BREAKS)
PAIRS = tuple("+".join(pair) for pair in combinations(FIVE, 2))
HELPED = (
    "plain+witness+offcuts", "hygrometer+witness+offcuts", "plain+witness+nolog", "scale+named",
)  # fmt: skip
SETS = {"singles": SINGLES, "pairs": PAIRS, "helped": HELPED, "all": (*SINGLES, *PAIRS, *HELPED)}

# `tune` may be looked at as often as one likes; `judge` is run once, at the very end.
# The first list of judging seeds is used up (docs/calibration.md); `second` is as it was.
SEEDS = {
    "tune": tuple(range(1100, 1124)), "judge": tuple(range(7700, 7724)),
    "second": tuple(range(7800, 7824)),
}  # fmt: skip


@dataclass(frozen=True)
class World:
    """What breaks in a world, and what helps."""

    name: str
    breaks: frozenset[str]
    extras: frozenset[str]

    @classmethod
    def named(cls, name: str) -> World:
        parts = [part for part in name.split("+") if part != "plain"]
        unknown = [part for part in parts if part not in BREAKS and part not in EXTRAS]
        if unknown or not name:
            known = ", ".join(["plain", *BREAKS, *EXTRAS])
            raise ValueError(f"unknown world {name!r}: write a + list of {known}")
        return cls(name, frozenset(parts) & BREAKS.keys(), frozenset(parts) & EXTRAS.keys())


def worlds_named(text: str) -> list[World]:
    """Worlds of a comma list of names and sets (`singles`, `pairs`, `helped`, `all`)."""
    names: list[str] = []
    for one in text.split(","):
        names.extend(SETS.get(one.strip(), (one.strip(),)))
    return [World.named(name) for name in dict.fromkeys(names)]
