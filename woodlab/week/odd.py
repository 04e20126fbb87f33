"""Odd weights, a line an event and what to do: two swapped marks are one slip, not four doubts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

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


def odd_weights(facts: Any, units: Units = METRIC) -> list[Odd]:
    """Weights that a curve leaves out, and doubts of weighings that no such weight explains.

    facts : with `book`, `fits` and `day`, such as the front page's.
    """
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
        on, what, do = _day_of(facts.book, r), f"{r.value}: {r.doubt}", "Compare the paper."
        if "before the piece was turned" in r.doubt:
            on = pd.to_datetime(r.value, errors="coerce")
            what, do = "weighed before it was turned", "Wrong date? Correct it."
        elif "twice" in r.doubt:
            what, do = "the same weight stands twice", "Strike one."
        found.append(Odd((str(r.piece),), on, what, do, "used as it is"))
    return sorted(found, key=lambda o: pd.Timestamp(o.on) if pd.notna(o.on) else facts.day)[::-1]


def _left_out(alone: pd.DataFrame, units: Units) -> list[Odd]:
    found, swapped, weight = [], set(), units.weight
    pairs = alone.merge(alone, on="on", suffixes=("", "_of_other"))
    near = (pairs["mass_g"] / pairs["fitted_g_of_other"] - 1).abs() < _NEAR
    near &= (pairs["mass_g_of_other"] / pairs["fitted_g"] - 1).abs() < _NEAR
    for a in pairs[near & (pairs["piece"] < pairs["piece_of_other"])].itertuples():
        both = (a.piece, a.piece_of_other)
        swapped |= {(piece, a.on) for piece in both}
        what = f"{weight(a.mass_g)} and {weight(a.mass_g_of_other)}, each due for the other"
        found.append(Odd(both, a.on, what, "Marks swapped? Change them round.", "left out"))
    for r in alone.itertuples():
        off = r.mass_g / r.fitted_g
        if (r.piece, r.on) in swapped or abs(off - 1) < _LEAST:
            continue
        slip = any(abs(off / k - 1) < 0.06 for k in _SLIPS)
        what = f"{weight(r.mass_g)}, where about {weight(r.fitted_g)} is due"
        do = f"{'Decimal point slipped' if slip else 'Misread scale'}? Compare the paper."
        found.append(Odd((r.piece,), r.on, what, do, "left out"))
    return found


def _day_of(book: RecordBook, doubt: Any) -> pd.Timestamp | None:
    """The day of a doubted weight: of the last of the masses that the doubt names."""
    own = book.weighings[book.weighings["piece"] == doubt.piece]
    last = pd.to_numeric(str(doubt.value).split(" then ")[-1], errors="coerce")
    near = own[(own["mass_g"] - last).abs() < 0.5]
    return near["on"].iloc[-1] if len(near) else None
