"""Invented weather for invented seasons: a course of the year, damp spells, day-to-day scatter."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class Climate:
    """The air of an unheated shed in a temperate place. All figures are estimates of our own.

    `mean_*` and `swing_*` give the course of the year (warmest and driest in late July),
    `day_sd_*` and `day_memory` the scatter from day to day (first-order autoregressive),
    `spell_sd_rh_pct` and `spell_days` a slow departure: a damp month, a dry spring.
    """

    mean_c: float = 10.0
    swing_c: float = 9.0
    mean_rh_pct: float = 71.0
    swing_rh_pct: float = 9.0
    day_sd_c: float = 2.8
    day_sd_rh_pct: float = 6.5
    day_memory: float = 0.72
    spell_sd_rh_pct: float = 3.0
    spell_days: float = 45.0


def _autoregressive(rng: np.random.Generator, days: int, sd: float, memory: float) -> np.ndarray:
    steps = rng.normal(size=days) * sd * np.sqrt(1 - memory**2)
    first = rng.normal() * sd
    return np.array([*accumulate(steps, lambda day, step: memory * day + step, initial=first)][1:])


def invented_air(
    start: str | pd.Timestamp,
    days: int,
    *,
    seed: int,
    place: str | None = None,
    climate: Climate | None = None,
) -> pd.DataFrame:
    """A daily air log that looks like weather.

    Parameters
    ----------
    start : date
        The first day.
    days : int
        How many days.
    seed : int
        The same seed gives the same weather.

    Returns
    -------
    DataFrame
        `on`, `temp_c` [deg C, to 0.1], `rh_pct` [%, whole], and `place` if given.

    Examples
    --------
    >>> air = invented_air("2026-01-01", 365, seed=1)
    >>> len(air), bool(air["rh_pct"].between(25, 99).all())
    (365, True)
    """
    climate = climate or Climate()
    rng = np.random.default_rng(seed)
    on = pd.date_range(pd.Timestamp(start).normalize(), periods=days, unit="us")
    season = np.cos(2 * np.pi * (on.day_of_year.to_numpy() - 205) / 365.25)
    temp = climate.mean_c + climate.swing_c * season
    temp = temp + _autoregressive(rng, days, climate.day_sd_c, climate.day_memory)
    spell_memory = float(np.exp(-1 / climate.spell_days))
    rh = (
        climate.mean_rh_pct
        - climate.swing_rh_pct * season
        + _autoregressive(rng, days, climate.day_sd_rh_pct, climate.day_memory)
        + _autoregressive(rng, days, climate.spell_sd_rh_pct, spell_memory)
    )
    # Real air rarely stays near saturation in a shed: the last points are squeezed, not cut.
    rh = np.where(rh > 85, 85 + 13 * np.tanh((rh - 85) / 13), rh)
    air = pd.DataFrame({"on": on, "temp_c": temp.round(1), "rh_pct": np.clip(rh, 25, 98).round()})
    if place is not None:
        air["place"] = place
    return air
