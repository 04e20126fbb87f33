"""From a book's air table to the equilibrium moisture of each day, place by place.

A reading may come hourly, daily or now and then. The equilibrium moisture is computed for each
reading and averaged over the day, because wood follows the moisture, not the mean humidity. Days
without a reading are filled, in this order:

- a gap of at most `SHORT_GAP_DAYS` days, on a straight line between its ends;
- by a yearly wave fitted to the log (it must cover at least `SEASON_DAYS` different days of the
  year), joined to the nearest readings over a fortnight;
- by the mean of the nearest `NEARBY_DAYS` days with readings, where the log is shorter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from woodlab.errors import WoodlabError
from woodlab.wood.humidity import equilibrium_moisture

SHORT_GAP_DAYS = 7
SEASON_DAYS = 240
NEARBY_DAYS = 30
EVERYWHERE = ""
_DAY = np.timedelta64(1, "D")
_YEAR_DAYS = 365.25


@dataclass(frozen=True)
class AirCourse:
    """Equilibrium moisture by day and place, over any days that are asked.

    Attributes
    ----------
    places : tuple of str
        Places with a log; the first, `""`, is the mean of all of them and serves pieces whose
        place has no log of its own.
    logged : DataFrame
        `on` (day), `place`, `equilibrium_pct` [%], `temp_c`, `rh_pct`: daily means of the log.
    """

    places: tuple[str, ...]
    logged: pd.DataFrame

    def days(
        self, first: pd.Timestamp, last: pd.Timestamp, column: str = "equilibrium_pct"
    ) -> tuple[np.ndarray, np.ndarray]:
        """A column of `logged`, and which days were guessed: no reading within a week.

        Both (places, days), from the day of `first` to the day of `last`, both included.
        """
        start = np.datetime64(pd.Timestamp(first), "D")
        count = int((np.datetime64(pd.Timestamp(last), "D") - start) / _DAY) + 1
        both = []
        for place in self.places:
            rows = self.logged[self.logged["place"] == place]
            on = ((rows["on"].to_numpy().astype("datetime64[D]") - start) / _DAY).astype(int)
            both.append(_filled(on, rows[column].to_numpy(dtype=float), start, count))
        values, guessed = zip(*both, strict=True)
        return np.stack(values), np.stack(guessed)


def air_course(air: pd.DataFrame) -> AirCourse | None:
    """The daily course of a book's air table; None when the table is empty.

    Parameters
    ----------
    air : DataFrame
        `on`, `temp_c` [deg C], `rh_pct` [%], `place` (may be absent or empty), in any order.
    """
    if len(air) == 0:
        return None
    rows = air[["on", "temp_c", "rh_pct"]].copy()
    rows["place"] = air["place"].astype(object) if "place" in air else None
    rows["place"] = rows["place"].where(rows["place"].notna(), EVERYWHERE)
    rows = rows.dropna(subset=["on", "temp_c", "rh_pct"])
    if len(rows) == 0:
        raise WoodlabError(
            "The air table has no row with a date, a temperature and a humidity. "
            "Fill in temp_c and rh_pct, or leave the table out."
        )
    rows["equilibrium_pct"] = equilibrium_moisture(rows["temp_c"], rows["rh_pct"])
    rows["on"] = rows["on"].dt.floor("D")
    means = ["equilibrium_pct", "temp_c", "rh_pct"]
    by_place = rows.groupby(["place", "on"], as_index=False)[means].mean()
    everywhere = by_place.groupby("on", as_index=False)[means].mean()
    everywhere["place"] = EVERYWHERE
    named = sorted(place for place in by_place["place"].unique() if place != EVERYWHERE)
    by_place = by_place[by_place["place"] != EVERYWHERE]
    logged = pd.concat([everywhere, by_place], ignore_index=True) if named else everywhere
    return AirCourse((EVERYWHERE, *named), logged[["on", "place", *means]])


def _filled(
    on: np.ndarray, values: np.ndarray, start: np.datetime64, count: int
) -> tuple[np.ndarray, np.ndarray]:
    """One place's values over `count` days, and which are guessed; `on` may lie outside of them."""
    order = np.argsort(on)
    on, values = on[order], values[order]
    days = np.arange(count)
    after = np.minimum(np.searchsorted(on, days, side="left"), on.size - 1)
    before = np.maximum(np.searchsorted(on, days, side="right") - 1, 0)
    gap = on[after] - on[before] - 1  # -1 on a day with a reading
    outside = (days < on[0]) | (days > on[-1])
    guessed = outside | (gap > SHORT_GAP_DAYS)
    out = np.interp(days, on, values)
    if guessed.any():
        day_of_2000 = (start - np.datetime64("2000-01-01")) / _DAY + on
        if np.unique((day_of_2000 / _YEAR_DAYS % 1 * 365).astype(int)).size >= SEASON_DAYS:
            out[guessed] = _joined(days[guessed], on, values, start)
        else:
            nearest = np.abs(days[guessed][:, None] - on[None, :])
            take = np.argsort(nearest, axis=1, kind="stable")[:, :NEARBY_DAYS]
            out[guessed] = values[take].mean(axis=1)
    return out, guessed


def _year(days: np.ndarray, start: np.datetime64) -> np.ndarray:
    """Mean, cosine and sine of the year, (days, 3)."""
    angle = 2 * np.pi * ((start - np.datetime64("2000-01-01")) / _DAY + days) / _YEAR_DAYS
    return np.column_stack([np.ones(days.size), np.cos(angle), np.sin(angle)])


def _joined(
    days: np.ndarray, on: np.ndarray, values: np.ndarray, start: np.datetime64
) -> np.ndarray:
    """A wave fitted to the log, with the nearest week's departure from it dying away over a
    fortnight."""
    wave = np.linalg.lstsq(_year(on, start), values, rcond=None)[0]
    rest = pd.Series(values - _year(on, start) @ wave)
    out = _year(days, start) @ wave
    left = np.searchsorted(on, days) - 1
    before = rest.rolling(7, min_periods=1).mean().to_numpy()
    after = rest[::-1].rolling(7, min_periods=1).mean().to_numpy()[::-1]
    for week, at in ((before, left), (after, left + 1)):
        near = np.clip(at, 0, on.size - 1)
        fading = week[near] * np.exp(-np.abs(days - on[near]) / 14.0)
        out = out + np.where(near == at, fading, 0.0)
    return np.clip(out, values.min(), values.max())
