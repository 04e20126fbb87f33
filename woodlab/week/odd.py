"""Odd weights, a line an event and what to do: two swapped marks are one slip, not four doubts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.words import METRIC, Units

_NEAR = 0.03  # of the mass: as heavy as the other should be
_LEAST = 0.01  # of the mass: a weight that is off by less is left out without a word
_SLIPS = (10.0, 0.1, 100.0, 0.01)


@dataclass(frozen=True)
class Odd:
    """One event: whose, when, what is odd, what to do, and what the kit did meanwhile."""

    pieces: tuple[str, ...]
    on: pd.Timestamp | None
    what: str
    do: str
    used: str


class Asked(Protocol):
    """What is needed of the front page's facts, or of the ready list."""

    @property
    def book(self) -> RecordBook: ...
    @property
    def fits(self) -> Any: ...
    @property
    def day(self) -> pd.Timestamp: ...


def odd_weights(facts: Asked, units: Units = METRIC) -> list[Odd]:
    """Weights that a curve leaves out, and doubts of weighings that no such weight explains."""
    weights = facts.fits.residuals
    alone = weights[~weights["used"].astype(bool) & weights["fitted_g"].notna()]
    found = _left_out(alone, units)
    told = {piece for odd in found if len(odd.pieces) > 1 for piece in odd.pieces}
    masses = {(r.piece, f"{r.mass_g:.0f}") for r in alone.itertuples()}
    doubts = facts.book.doubts
    for r in doubts[doubts["table"] == "weighings"].itertuples():
        steps = {(r.piece, part.split(".")[0]) for part in str(r.value).split(" then ")}
        if r.piece in told or steps & masses:
            continue  # the step to a slip and back is that slip, told above
        before, double = "before the piece was turned" in r.doubt, "twice" in r.doubt
        do = "Wrong date? Correct it." if before else "Strike one." if double else ""
        what = "weighed before it was turned" if before else f"{r.value}: {r.doubt}"
        what = "the same weight stands twice" if double else what
        on = pd.to_datetime(r.value, errors="coerce") if before else _day_of(facts, r)
        found.append(Odd((str(r.piece),), on, what, do or "Compare the paper.", "used as it is"))
    return sorted(found, key=lambda o: pd.Timestamp(o.on) if pd.notna(o.on) else facts.day)[::-1]


def _left_out(alone: pd.DataFrame, units: Units) -> list[Odd]:
    found, swapped = [], set()
    rows, weight = alone.to_dict("records"), units.weight
    for a in rows:
        for b in rows:
            if a["piece"] < b["piece"] and a["on"] == b["on"] and _swapped(a, b):
                swapped |= {(a["piece"], a["on"]), (b["piece"], b["on"])}
                what = f"{weight(a['mass_g'])} and {weight(b['mass_g'])}, each due for the other"
                found.append(Odd((a["piece"], b["piece"]), a["on"], what,
                                 "Marks swapped? Change them round.", "left out"))  # fmt: skip
    for r in rows:
        if (r["piece"], r["on"]) in swapped:
            continue
        if abs(r["mass_g"] / r["fitted_g"] - 1) < _LEAST:
            continue
        slip = any(abs(r["mass_g"] / r["fitted_g"] / k - 1) < 0.06 for k in _SLIPS)
        what = f"{weight(r['mass_g'])}, where about {weight(r['fitted_g'])} is due"
        do = f"{'Decimal point slipped' if slip else 'Misread scale'}? Compare the paper."
        found.append(Odd((r["piece"],), r["on"], what, do, "left out"))
    return found


def _swapped(a: dict[str, Any], b: dict[str, Any]) -> bool:
    return all(
        abs(x["mass_g"] - y["fitted_g"]) < _NEAR * y["fitted_g"] for x, y in ((a, b), (b, a))
    )


def _day_of(facts: Asked, doubt: Any) -> pd.Timestamp | None:
    """The day of a doubted weight: of the last of the masses that the doubt names."""
    own = facts.book.weighings[facts.book.weighings["piece"] == doubt.piece]
    last = pd.to_numeric(str(doubt.value).split(" then ")[-1], errors="coerce")
    near = own[(own["mass_g"] - last).abs() < 0.5]
    return near["on"].iloc[-1] if len(near) else None
