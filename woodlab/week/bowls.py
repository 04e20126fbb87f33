"""A row a bowl in exactly one group, and this week's work: the front page and the ready list share
what is decided here."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.book.record_book import RecordBook
from woodlab.drying.forecast.cracks import crack_states, ended
from woodlab.words import METRIC, Units

READY, PROBABLY = 0.95, 0.5  # chance of being dry enough: turn now; weigh once more first
GROUPS = ("gone", "cracked", "ready", "probably", "waiting")
SOON_DAYS = 7


def last_day(book: RecordBook) -> str | None:
    """The last day on record, of a weight or a look; None where there is neither."""
    days = [table["on"].max() for table in (book.weighings, book.looks) if len(table)]
    return f"{max(days):%Y-%m-%d}" if days else None


def bowls_of(ready: pd.DataFrame, book: RecordBook, day: pd.Timestamp) -> pd.DataFrame:
    """A row a bowl, in exactly one group: gone before cracked before ready before probably.

    `ready` is from `forecast_ready`, `book` as it stood on `day`. Added are `group` (one of
    `GROUPS`), `state` of its crack (`none`, `open`, `glued`, `unknown`), `crack_on`, `first_mm`,
    `last_mm`, `glued_on`, `glued_mm`, `last_look_on`, and `shelf`: where its last weighing or its
    own row puts it.
    """
    frame = ready.reset_index(drop=True)
    known = last_known(book).reindex(frame["piece"]).reset_index(drop=True)
    frame["shelf"] = known["shelf"].astype(object).fillna(frame["place"]).map(shelf_name)
    for name in ("seal", "species"):
        if name in frame:  # a book may leave them out
            frame[name] = frame[name].astype(object).fillna("not noted")
    frame[["state", "last_look_on"]] = known[["state", "last_look_on"]]
    frame["crack_on"] = known["since"]
    looks = book.looks.sort_values("on", kind="stable")
    seen = looks[(looks["crack_mm"] > 0) | looks["crack"].eq("yes").fillna(False).astype(bool)]
    glued = looks[looks["action"] == "glued"].groupby("piece")
    found = {
        "last_mm": looks.dropna(subset=["crack_mm"]).groupby("piece")["crack_mm"].last(),
        "first_mm": seen.groupby("piece")["crack_mm"].first(), "glued_on": glued["on"].max(),
        "glued_mm": glued["crack_mm"].last(),
    }  # fmt: skip
    for name, column in found.items():
        frame[name] = column.reindex(frame["piece"]).to_numpy()
    then = book.until(day)
    frame["group"] = np.select(
        [
            frame["piece"].isin(ended(then.pieces, then.looks).index),
            frame["crack_on"].notna(),
            frame["p_ready_now"] >= READY,
            frame["p_ready_now"] >= PROBABLY,
        ],
        ["gone", "cracked", "ready", "probably"],
        "waiting",
    )
    return frame


def last_known(book: RecordBook) -> pd.DataFrame:
    """What was last seen of each piece (the index): its crack in words, `state`, `since`, the last
    look and weighing, and the `shelf` that its weighings name."""
    weighed = book.weighings.sort_values("on", kind="stable")
    looks = book.looks.sort_values("on", kind="stable")
    last = weighed.groupby("piece").tail(1).set_index("piece")[["on", "mass_g", "scale_g"]]
    look = looks.groupby("piece").tail(1).set_index("piece")[["on", "crack_mm"]]
    out = crack_states(book).set_index("piece")
    out = out.join(look.set_axis(["last_look_on", "last_crack_mm"], axis=1))
    out = out.join(last.set_axis(["last_on", "last_g", "scale_g"], axis=1))
    return out.assign(shelf=weighed.dropna(subset=["place"]).groupby("piece")["place"].last())


def shelf_name(place: Any) -> str:
    return place.removesuffix(" (invented)") if isinstance(place, str) else "no place noted"


def club_of(book: RecordBook) -> str:
    """Whose book it is: the one place of all its pieces, else its own name."""
    places = book.pieces["place"].dropna().unique()
    return shelf_name(places[0]) if len(places) == 1 else book.name


def by_shelf(pieces: Iterable[str], bowls: pd.DataFrame) -> list[tuple[str, list[str]]]:
    """Marks by place, both in reading order."""
    marks = words.in_order(pieces)
    shelf = bowls.set_index("piece")["shelf"].reindex(marks)
    return [(str(place), list(own.index)) for place, own in shelf.groupby(shelf)]


def this_week(bowls: pd.DataFrame, due: pd.DataFrame, day: pd.Timestamp) -> dict[str, list[str]]:
    """Marks to `weigh_first` (may be dry), `look_first` (cracked open), `weigh` and `look` at.

    `bowls` is from `bowls_of`, `due` (`piece`, `do`) what falls due by age, from `due_by_age`.
    """
    group = bowls["group"]
    soon = (group == "waiting") & (bowls["ready_on"] <= day + pd.Timedelta(days=SOON_DAYS))
    first = {
        "weigh": bowls.loc[(group == "probably") | soon, "piece"],
        "look": bowls.loc[(group == "cracked") & (bowls["state"] == "open"), "piece"],
    }
    here = bowls.loc[group != "gone", "piece"]
    out: dict[str, list[str]] = {}
    for what, urgent in first.items():
        asked = due.loc[due["do"].astype(str).str.contains(what), "piece"]
        rest = asked[asked.isin(here) & ~asked.isin(urgent)]
        out |= {f"{what}_first": words.in_order(urgent), what: words.in_order(rest)}
    return out


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
    if facts.fits.scale_step:
        on, do = facts.fits.records.step_on, "Another scale? Name both in the column scale."
        found.append(Odd(("all",), pd.Timestamp(on), facts.fits.scale_step, do,
                         "read as two scales"))  # fmt: skip
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
