"""The ready list as a result that shows itself: cracked bowls first, then what to turn now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.drying.fit.results import DryingFits
from woodlab.drying.forecast.cracks import crack_states, ended
from woodlab.drying.forecast.passage import WITHIN_PCT
from woodlab.drying.forecast.ready import forecast_ready
from woodlab.show import Card, Column, Shown, card, listed

READY, PROBABLY = 0.95, 0.5  # chance of being dry enough: turn now; weigh once more first
# In the order of the list; exactly one for each piece: gone before cracked before the rest.
STATES = ("cracked", "turn now", "weigh first", "waiting", "no date", "gone")
MOST = 400


@dataclass(frozen=True, eq=False, repr=False)
class ReadyList(Shown):
    """Which may go back on the lathe, and when the others. Made by `ready_list`.

    Attributes
    ----------
    frame : DataFrame
        As `forecast_ready` gives it, with `state`: `cracked` (to be looked at before anything
        else, dry or not), `turn now` (dry enough with a chance of 95 in 100), `weigh first`
        (more likely dry than not), `waiting`, `no date` (it may not get there in its air), `gone`
        (finished, scrapped or given away); in that order.
    fits : DryingFits
        What it was read from.
    as_of : Timestamp
    """

    frame: pd.DataFrame
    fits: DryingFits
    as_of: pd.Timestamp

    def pieces(self, state: str) -> list[str]:
        """Marks of one state, as they stand on a shelf."""
        return words.in_order(self.frame.loc[self.frame["state"] == state, "piece"])

    def card(self) -> Card:
        """The counts, the marks to turn now, and a row a bowl."""
        f, day = self.frame, words.day(self.as_of)
        n = len(f)
        if not n:
            return Card(("There is no bowl in the book yet.",))
        now, cracked = self.pieces("turn now"), f[f["state"] == "cracked"]
        dry = int((cracked["p_ready_now"] >= READY).sum())
        says = [
            words.of_all(len(now), n, f"can be turned on {day}: dry enough and no crack seen")
            + "." if now else f"None of the {words.count(n)} can be turned on {day}."
        ]  # fmt: skip
        if len(cracked):
            says.append(
                f"Cracked, so look before anything else ({dry} of {len(cracked)} dry enough): "
                f"{listed(words.in_order(cracked['piece']), 40)}."
            )
        if now:
            says.append(f"Turn now: {listed(now, 100)}.")
        first = self.pieces("weigh first")
        if first:
            says.append(f"Probably dry; weigh once more first: {listed(first, 100)}.")
        coming = f[(f["state"] == "waiting") & f["ready_on"].notna()]
        if len(coming):
            row = coming.iloc[0]
            when = words.dates(max(row.earliest_on, self.as_of), row.latest_on, self.as_of)
            says.append(f"Next: {row.piece}, {when}.")
        target = f["target_moisture_pct"].median()
        says.append(
            f"Dry enough means {target:.1f} % moisture or less on average through the wall, with a "
            "chance of at least 95 in 100."
        )
        if not len(self.fits.book.looks):
            says.append("No look for cracks is on record: look every bowl over before mounting it.")
        if self.fits.book.invented:
            says.append("These records are invented.")
        columns = [
            Column("bowl", lambda r: r.piece, False),
            Column("moisture now", _moisture),
            Column("chance it is dry", _chance),
            Column("dry on", self._when, False),
            Column("9 chances in 10", self._range, False),
            Column("state", _state, False),
            Column("wood", lambda r: str(r.species), False),
            Column("seal", lambda r: str(r.seal), False),
            Column("wall [mm]", lambda r: "" if pd.isna(r.wall_mm) else f"{r.wall_mm:.0f}"),
        ]
        return card(
            says, f, columns, caption=f"Ready list of {day}, cracked bowls first", most=MOST,
            more=("ready.frame", "ready.waiting", "ready.pieces('turn now')"),
        )  # fmt: skip

    @property
    def waiting(self) -> pd.DataFrame:
        """The rows that are still to wait for, the earliest first."""
        return self.frame[self.frame["state"].isin(["weigh first", "waiting", "no date"])]

    def _when(self, row: Any) -> str:
        if row.state == "gone" or pd.isna(row.moisture_now_pct):
            return ""
        if row.p_ready_now >= READY or row.ready_on <= self.as_of:
            return "now" if row.p_ready_now >= PROBABLY else "damp again"
        return words.day(row.ready_on, self.as_of) or "no date"

    def _range(self, row: Any) -> str:
        if row.state == "gone" or row.p_ready_now >= READY:
            return ""
        earliest = row.earliest_on if pd.isna(row.earliest_on) else max(row.earliest_on, self.as_of)
        if pd.notna(row.latest_on) and row.latest_on <= self.as_of:
            return ""
        return words.dates(earliest, row.latest_on, self.as_of)


def ready_list(
    fits: DryingFits,
    as_of: str | pd.Timestamp | None = None,
    target_moisture_pct: float | None = None,
    level: float = 0.90,
    *,
    within_pct: float = WITHIN_PCT,
) -> ReadyList:
    """The ready list, to be read: who is cracked, who can be turned, when the rest will be dry.

    Parameters
    ----------
    fits : DryingFits
    as_of, target_moisture_pct, level, within_pct
        As for `forecast_ready`.

    Returns
    -------
    ReadyList
        Shows itself; `frame` is that of `forecast_ready`, in the order of the list.

    Examples
    --------
    Two bare pieces, the thicker of them cracked, and one waxed all over (A1):

    >>> import woodlab as wl
    >>> book = wl.demo_book().only(pieces=["A1", "A3", "C1"])
    >>> fits = wl.fit_drying(book, law="slab", as_of="2025-06-01")
    >>> wl.ready_list(fits, target_moisture_pct=14).frame[["piece", "state"]]
      piece     state
    0    C1   cracked
    1    A3  turn now
    2    A1   waiting
    """
    frame = forecast_ready(fits, as_of, target_moisture_pct, level, within_pct=within_pct)
    day = frame["as_of"].iloc[0] if len(frame) else fits.as_of
    book = fits.book.until(day)
    crack = crack_states(book).set_index("piece")["state"].reindex(frame["piece"]).to_numpy()
    chance = frame["p_ready_now"]
    state = np.select(
        [
            frame["piece"].isin(ended(book).index),
            np.isin(crack, ["open", "glued"]),
            chance >= READY,
            chance >= PROBABLY,
            frame["ready_on"].notna(),
        ],
        ["gone", "cracked", "turn now", "weigh first", "waiting"],
        "no date",
    )
    frame = frame.assign(state=state)
    place = {mark: at for at, mark in enumerate(words.in_order(frame["piece"]))}
    order = frame.assign(
        _state=[STATES.index(name) for name in state],
        _on=frame["ready_on"].where(frame["state"] == "waiting"),
        _mark=frame["piece"].map(place),
    ).sort_values(["_state", "_on", "_mark"], kind="stable").index  # fmt: skip
    return ReadyList(frame.loc[order].reset_index(drop=True), fits, pd.Timestamp(day))


def _moisture(row: Any) -> str:
    return "" if pd.isna(row.moisture_now_pct) else f"{row.moisture_now_pct:.1f} %"


def _chance(row: Any) -> str:
    p = row.p_ready_now
    if pd.isna(p):
        return ""
    return "over 99 %" if p > 0.99 else "under 1 %" if p < 0.01 else f"{100 * p:.0f} %"


def _state(row: Any) -> str:
    """Cracks first: what is known of one stands where the state stands."""
    if row.state == "cracked":
        return f"cracked: {row.crack}"
    never = row.crack == "not looked at" and row.state in ("turn now", "weigh first")
    return row.state + (", but never looked at" if never else "")
