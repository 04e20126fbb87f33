"""Weather from published station years, and what a shed or a heated loft makes of it.

A station's days are split into a course of the year (a mean and two waves) and the departures from
it. A simulated year is the course, a level of its own, and the departures of a real year moved by
up to a month: damp spells and frosts keep their real length and size, and no year repeats another.
The levels' spreads, the move, and the rooms are our own choices, without a source. Sources of the
station years: `data/README.md`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

DATA = Path(__file__).parent / "data"
STATIONS = {  # file, days by which the dates are moved (half a year south of the equator)
    "New York": ("new_york_2013", 0),
    "Chicago": ("chicago_2016_2017", 0),
    "Auckland": ("auckland_2016_2017", 182),
    "Greensboro": ("greensboro_typical", 0),
    "Sand Point": ("sand_point_typical", 0),
}
LEVEL_SD = (0.6, 1.5)  # one year's mean against another's: deg C, %RH
MOVED_DAYS = 30
BLEND = np.array([0.8, 0.6, 0.4, 0.2])  # how much of today's departure is left in the next days


def saturation_pa(temp_c: np.ndarray) -> np.ndarray:
    """Saturation vapour pressure over water [Pa], Magnus form (coefficients from memory)."""
    return 610.94 * np.exp(17.625 * temp_c / (temp_c + 243.04))


@cache
def station(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients of the yearly course (5, 2) and the departures (years, 365, 2): deg C, %RH."""
    file, moved = STATIONS[name]
    table = pd.read_csv(DATA / f"{file}.csv", parse_dates=["on"])
    values = table[["temp_c", "rh_pct"]].to_numpy(dtype=float)
    day = (table["on"].dt.day_of_year.to_numpy() + moved) % 365
    waves = _waves(day)
    course, *_ = np.linalg.lstsq(waves, values, rcond=None)
    gone = values - waves @ course
    years = len(table) // 364
    out = np.zeros((years, 365, 2))
    for year in range(years):
        part = slice(365 * year, min(365 * (year + 1), len(table)))
        out[year, day[part] % 365] = gone[part]
    return course, out


def _waves(day: np.ndarray) -> np.ndarray:
    w = 2 * np.pi * day / 365.0
    return np.stack([np.ones_like(w), np.cos(w), np.sin(w), np.cos(2 * w), np.sin(2 * w)], axis=-1)


@dataclass(frozen=True, eq=False)
class Room:
    """How a store changes the air: warmer than outdoors by `warmer_c`, never colder than
    `least_c`, its heat and vapour following those outdoors with a lag."""

    name: str
    warmer_c: float
    least_c: float
    lag_days: float

    @classmethod
    def drawn(cls, rng: np.random.Generator, place: str) -> Room:
        """A shed in six of ten, but where the year is colder than 8 deg C always a loft."""
        mild = station(place)[0][0, 0] > 8.0
        if rng.random() < 0.6 and mild:
            return cls("shed", rng.uniform(1.0, 3.0), -40.0, rng.uniform(0.7, 2.0))
        return cls("loft", rng.uniform(3.0, 5.0), rng.uniform(7.0, 12.0), rng.uniform(1.0, 3.0))

    def air(self, outdoor: np.ndarray) -> np.ndarray:
        """Temperature [deg C] and relative humidity [%] in the store, (..., days, 2)."""
        temp, rh = outdoor[..., 0], outdoor[..., 1]
        vapour = rh / 100 * saturation_pa(temp)
        share = 1 - np.exp(-1 / self.lag_days)
        slow = np.stack([temp, vapour], axis=-1)
        for i in range(1, slow.shape[-2]):
            before = slow[..., i - 1, :]
            slow[..., i, :] = before + share * (slow[..., i, :] - before)
        inside = np.maximum(slow[..., 0] + self.warmer_c, self.least_c)
        humid = 100 * slow[..., 1] / saturation_pa(inside)
        return np.stack([inside, np.clip(humid, 15.0, 96.0)], axis=-1)


@dataclass(frozen=True, eq=False)
class Weather:
    """The outdoor days from `first` on, as course and departures; `again` draws another future."""

    place: str
    first: pd.Timestamp
    gone: np.ndarray  # (days, 2)

    @classmethod
    def drawn(cls, rng: np.random.Generator, place: str, first: pd.Timestamp, days: int) -> Weather:
        return cls(place, first, _departures(rng, place, first, days))

    def again(self, rng: np.random.Generator, known_days: int) -> Weather:
        """The same up to `known_days`, then other real departures, started from today's."""
        gone = self.gone.copy()
        new = _departures(rng, self.place, self.first, len(gone))[known_days:]
        left = BLEND[: len(new)]
        new[: left.size] = (
            left[:, None] * gone[known_days - 1] + np.sqrt(1 - left**2)[:, None] * new[: left.size]
        )
        gone[known_days:] = new
        return replace(self, gone=gone)

    def outdoor(self) -> np.ndarray:
        """Temperature [deg C] and relative humidity [%] outdoors, (days, 2)."""
        course, _ = station(self.place)
        out = _waves(_days_of_year(self.first, len(self.gone))) @ course + self.gone
        out[:, 1] = np.clip(out[:, 1], 12.0, 100.0)
        return out


def _days_of_year(first: pd.Timestamp, days: int) -> np.ndarray:
    return pd.date_range(first, periods=days, freq="D").day_of_year.to_numpy() % 365


def _departures(rng: np.random.Generator, place: str, first: pd.Timestamp, days: int) -> np.ndarray:
    _, pool = station(place)
    on = pd.date_range(first, periods=days, freq="D")
    day, year = on.day_of_year.to_numpy() % 365, on.year.to_numpy()
    out = np.empty((days, 2))
    for one in np.unique(year):
        mine = year == one
        source = pool[rng.integers(0, len(pool))]
        move = int(rng.integers(-MOVED_DAYS, MOVED_DAYS + 1))
        out[mine] = source[(day[mine] + move) % 365] + rng.normal(0, LEVEL_SD)
    return out
