"""The air that each piece is in, day by day: as logged, as assumed, and as it may have been.

The log is not the equilibrium at the pieces. It differs by the bias of the hygrometer (in percent
relative humidity, turned into moisture by the slope of the sorption curve on each day), by an
offset of the wood against the published curve, and, where no log speaks for a place, by much more.
All of these are estimated with everything else; here are the courses that they move.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying.air_course import EVERYWHERE, air_course
from woodlab.drying.kernel import running_sums
from woodlab.drying.warmth import warmth
from woodlab.drying.witness_air import store_air
from woodlab.wood.humidity import equilibrium_moisture

UNKNOWN_AIR_PCT = 12.0  # where there is no log: a store indoors, its air known to a few points
_DAY = np.timedelta64(1, "D")


@dataclass(frozen=True, eq=False)
class Shelf:
    """Air by day, for the places of a season.

    Attributes
    ----------
    first_day : datetime64
        The day of the first column.
    places : tuple of str
        `""` is the mean of all logs.
    equilibrium_pct, slope, warm : ndarray, (places, days)
        Equilibrium moisture by the log [%], its slope [points per %RH], warmth [mol/kJ].
    place_of : ndarray, (histories, days)
        The place of each day; a piece that is moved has a history of its own.
    history, start : ndarray, (n,)
        History of each piece, and the day of its turning as a column number.
    unlogged : ndarray of bool, (n,)
        Pieces in a place that has no log while others have one.
    has_air : bool
    unread : float
        Share of the pieces' days with no reading near.
    log_end : datetime64
        The last day with a reading.
    checked : frozenset of str
        Places whose hygrometer was checked over salt.
    witnessed : frozenset of str
        Places whose air is known by witness blocks and not by a log.
    """

    first_day: np.datetime64
    places: tuple[str, ...]
    equilibrium_pct: np.ndarray
    slope: np.ndarray
    warm: np.ndarray
    place_of: np.ndarray
    history: np.ndarray
    start: np.ndarray
    unlogged: np.ndarray
    has_air: bool
    unread: float
    log_end: np.datetime64
    checked: frozenset[str] = frozenset()
    witnessed: frozenset[str] = frozenset()

    def take(self, pick: np.ndarray) -> Shelf:
        """The shelf of some pieces."""
        return replace(
            self, history=self.history[pick], start=self.start[pick], unlogged=self.unlogged[pick]
        )

    def sums(self, bias_pct_rh: np.ndarray | float = 0.0) -> np.ndarray:
        """Running sums of the air of each history, less what the hygrometer reads too high."""
        level = self.equilibrium_pct - np.reshape(bias_pct_rh, (-1, 1)) * self.slope
        return self.histories(level, self.warm)

    def histories(self, level: np.ndarray, warm: np.ndarray) -> np.ndarray:
        """Running sums of (..., places, days) along each history: (..., histories, 2, days + 1)."""
        days = level.shape[-1]
        of = self.place_of[:, :days]
        if of.shape[1] < days:  # beyond the records a piece is where it was last
            of = np.pad(of, ((0, 0), (0, days - of.shape[1])), mode="edge")
        at = np.arange(days)
        return running_sums(level[..., of, at], np.broadcast_to(warm, level.shape)[..., of, at])


def curve_slope(temp_c: np.ndarray, rh_pct: np.ndarray) -> np.ndarray:
    """Slope of the equilibrium moisture against the relative humidity [points per %RH]."""
    low, high = np.clip(rh_pct - 1.5, 1, 97), np.clip(rh_pct + 1.5, 4, 99)
    rise = np.asarray(equilibrium_moisture(temp_c, high)) - equilibrium_moisture(temp_c, low)
    return rise / (high - low)


def read_shelf(
    book: RecordBook, turned_on: pd.Series, places: Sequence[object], until: object = None
) -> Shelf:
    """The air of pieces turned on these days, in these places."""
    turned = turned_on.to_numpy().astype("datetime64[us]")
    first = np.datetime64(turned.min(), "D")
    ends = [turned.max()]
    ends += [t["on"].max() for t in (book.weighings, book.offcuts, book.witnesses) if len(t)]
    ends += [] if until is None else [pd.Timestamp(until)]
    end = max(np.datetime64(pd.Timestamp(day), "D") for day in ends if pd.notna(day))
    start = (turned - first.astype("datetime64[us]")) / _DAY
    air = store_air(book)
    course = air_course(air) if len(air) else None
    span = pd.Timestamp(first), pd.Timestamp(end) + pd.Timedelta(days=1)
    length = int((np.datetime64(span[1], "D") - first) / _DAY) + 1
    place_names = pd.Series(places, dtype=object).fillna(EVERYWHERE).astype(str).tolist()
    if course is None:
        level = np.full((1, length), UNKNOWN_AIR_PCT)
        nothing = np.zeros((1, length))
        return Shelf(
            first, (EVERYWHERE,), level, nothing, nothing, np.zeros((1, length), int),
            np.zeros(len(turned), int), start, np.zeros(len(turned), bool), False, 1.0, first,
        )  # fmt: skip
    level, guessed = course.days(*span)
    temp, humid = (course.days(*span, column)[0] for column in ("temp_c", "rh_pct"))
    number = {place: i for i, place in enumerate(course.places)}
    history, histories = _histories(book, place_names, number, first, length)
    # a log without a place speaks for every place; named logs speak for their own
    silent = {p for p in place_names if p not in number} if len(number) > 1 else set()
    last = min(end.astype("datetime64[D]"), first + np.timedelta64(length - 1, "D"))
    day = int((last - first) / _DAY) + 1
    until_day = np.pad(guessed[histories, np.arange(length)].cumsum(axis=1), ((0, 0), (1, 0)))
    begin = start.astype(int)
    finish = np.minimum(np.maximum(day, begin + 1), length)
    unread = (until_day[history, finish] - until_day[history, begin]) / (finish - begin)
    return Shelf(
        first, course.places, level, curve_slope(temp, humid), warmth(temp), histories, history,
        start, np.array([p in silent for p in place_names]), True, float(np.mean(unread)),
        np.datetime64(course.logged["on"].max(), "D"), _places(air, "checked"),
        _places(air, "by"),
    )  # fmt: skip


def _places(air: pd.DataFrame, column: str) -> frozenset[str]:
    """The places whose readings have something in a column."""
    if column not in air:
        return frozenset()
    named = air["place"].fillna(EVERYWHERE) if "place" in air else pd.Series(EVERYWHERE, air.index)
    return frozenset(named[air[column].notna()].astype(str))


def _histories(
    book: RecordBook, places: list[str], number: dict[str, int], first: np.datetime64, length: int
) -> tuple[np.ndarray, np.ndarray]:
    """History of each piece and the course number of each history's days."""
    base = np.array([number.get(place, 0) for place in places])
    used, which = np.unique(base, return_inverse=True)
    rows = [np.full(length, place) for place in used]
    moves = book.weighings.dropna(subset=["place"]) if "place" in book.weighings else None
    if moves is not None and len(moves):
        marks = {mark: p for p, mark in enumerate(book.pieces["piece"])}
        for mark, mine in moves.sort_values("on").groupby("piece", sort=False):
            days = rows[which[marks[mark]]].copy()
            for on, place in zip(mine["on"], mine["place"], strict=True):
                at = int((np.datetime64(on, "D") - first) / _DAY)
                days[max(at, 0) :] = number.get(str(place), 0)
            which[marks[mark]] = len(rows)
            rows.append(days)
    return which, np.array(rows, dtype=int)
