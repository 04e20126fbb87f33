"""Future air: daily equilibrium moisture and temperature beyond the log, as draws shared by
all pieces.

The logarithm of the equilibrium moisture, and likewise a fiftieth of the temperature, is a level,
a yearly wave, a slow departure (a damp month, a dry summer) and a day-to-day scatter with memory,
all Gaussian, so that what a log of any length tells about each of them follows from conditioning:
after a month the wave is mostly its prior and the draws are wide, after a year it is mostly the
log's own. The sizes of slow and daily departures and the memory of the slow one are drawn from
their likelihood on a grid.

The weather is common to all pieces of a place, and the same random numbers serve all places, so
that the errors of a season's forecasts move together as they do in the world.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from woodlab.drying.air_course import air_course
from woodlab.drying.fit.shelf import UNKNOWN_AIR_PCT
from woodlab.drying.warmth import REFERENCE_C

_DAY = np.timedelta64(1, "D")
_YEAR = 365.25
# Priors of the logarithm, estimates of our own: a shed in a temperate place has a wave of about
# a tenth of its level; a heated room has one of the other sign.
LEVEL_SD = 0.4
WAVE_SD = 0.12
# An unheated store (its temperature follows the year) is damp in winter and dry in summer, and
# warmer in summer by eight degrees: the wave in the warm season, of ln moisture, of degrees/50.
UNHEATED_DRY, UNHEATED_WARM, UNHEATED_WAVE_SD = -0.10, 0.16, 0.07
DEGREES = 50.0  # so that the sizes below fit the temperature too
WARMEST_DAY = 205.0  # of the year, north of the equator
LEAST_SWING_C = 5.0
SECOND_WAVE_SD = 0.03
YEAR_SD = 0.02  # one year's level against another's
YEAR_DAYS = 300.0
_SLOW_SDS = np.array([0.008, 0.015, 0.03, 0.05, 0.08])
_SLOW_DAYS = np.array([20.0, 45.0, 90.0])
# The memory of the daily departure makes the scatter of a month's mean: its steps are small.
_FAST_SDS = np.array([0.05, 0.07, 0.09, 0.115, 0.15, 0.2, 0.27, 0.36])
_FAST_DAYS = np.array([1.0, 1.8, 2.8, 4.0])
_SIZES = np.stack(
    np.meshgrid(_SLOW_SDS, _SLOW_DAYS, _FAST_SDS, _FAST_DAYS, indexing="ij"), axis=-1
).reshape(-1, 4)
_MOST_LOGGED = 800
LIMITS_PCT, LIMITS_C = (2.0, 28.0), (-30.0, 50.0)
_STATES = 8
_NUGGET = 1e-5
RESTS_ON = (
    "the yearly course of the book's own air log",
    "the book's air log, too short to show a year: the course of the year is mostly assumed",
    "no air log: a store indoors is assumed, its air known to a few points only",
    "witness blocks in place of an air log",
)


@dataclass(frozen=True, eq=False)
class FutureAir:
    """Draws of the air after a day.

    Attributes
    ----------
    first_day : datetime64
        The day of the first column.
    equilibrium_pct, temp_c : ndarray, (draws, places, days)
    rests_on : str
    """

    first_day: np.datetime64
    equilibrium_pct: np.ndarray
    temp_c: np.ndarray
    rests_on: str


def future_air(
    air: pd.DataFrame,
    after: np.datetime64,
    days: int,
    *,
    draws: int,
    seed: int,
) -> FutureAir:
    """Draw the air of `days` days from the day after `after`.

    Parameters
    ----------
    air : DataFrame
        The book's table; nothing after `after` is used.
    after : datetime64
        The last day that is known.
    """
    rng = np.random.default_rng(seed)
    known = air[air["on"] < after + _DAY] if len(air) else air
    course = air_course(known) if len(known) else None
    base = float((after - np.datetime64("2000-01-01")) / _DAY) + 1
    chances = rng.standard_normal((_STATES, draws, days)), rng.random(draws)
    if course is None:
        nothing = np.empty(0, dtype=int), np.empty(0)
        drawn = np.exp(_drawn(chances, base, *nothing, np.log(UNKNOWN_AIR_PCT)))[:, None]
        # without a log no law asks for the temperature
        steady = np.full(drawn.shape, REFERENCE_C)
        return FutureAir(after + _DAY, np.clip(drawn, *LIMITS_PCT), steady, RESTS_ON[2])
    # the temperature has chances of its own: what binds it to the humidity from day to day is left
    # out, since the laws feel its course over weeks
    other = rng.standard_normal((_STATES, draws, days)), rng.random(draws)
    assumed = "by" in known and bool(known["by"].notna().all())  # of blocks: no word on the warmth
    moist, warm, longest = [], [], 0
    for place in course.places:
        rows = course.logged[course.logged["place"] == place]
        on = ((rows["on"].to_numpy().astype("datetime64[D]") - after) / _DAY).astype(int) - 1
        ln = np.log(np.maximum(rows["equilibrium_pct"].to_numpy(dtype=float), 1.0))
        temp = rows["temp_c"].to_numpy(dtype=float)
        longest = max(longest, int(on.max() - on.min()) + 1)
        side = 0 if assumed else _unheated(on, temp, base)
        moist.append(np.exp(_drawn(chances, base, on, ln, ln.mean(), UNHEATED_DRY * side)))
        part = temp / DEGREES
        warm.append(DEGREES * _drawn(other, base, on, part, part.mean(), UNHEATED_WARM * side))
    rests_on = RESTS_ON[0 if longest >= 300 else 1]
    if assumed:
        rests_on = RESTS_ON[3] + ("" if longest >= 300 else ": the course of the year is assumed")
    return FutureAir(
        after + _DAY, np.clip(np.stack(moist, axis=1), *LIMITS_PCT),
        np.clip(np.stack(warm, axis=1), *LIMITS_C), rests_on,
    )  # fmt: skip


def _drawn(
    chances: tuple[np.ndarray, np.ndarray], base: float, on: np.ndarray, value: np.ndarray,
    level: float, wave: float = 0.0,
) -> np.ndarray:  # fmt: skip
    """Draws of one place, (draws, days), from the same chances for all: normal (states, draws,
    days) and which sizes of the departures (draws,). `base` is the first day to come, in days of
    2000; `on` counts from it: negative."""
    normal, chosen = chances
    days = normal.shape[2]
    order = np.argsort(on)[-_MOST_LOGGED:]
    state, cover, fit = _filter(on[order], (value - level)[order], base, wave)
    weight = np.exp(fit - fit.max())
    which = np.searchsorted(np.cumsum(weight / weight.sum()), chosen * (1 - 1e-9))
    # more than enough draws of the states at the end of the log, then each runs on by itself
    root = np.linalg.cholesky(cover + 1e-12 * np.eye(_STATES))
    now = state[which] + np.einsum("dij,dj->di", root[which], normal[:, :, 0].T)
    out: np.ndarray = now[:, :5] @ _waves(base + np.arange(days))
    for j, (sd, memory) in enumerate(_memories(_SIZES[which])):
        steps = normal[j] * (sd * np.sqrt(1 - memory**2))[:, None]
        course = now[:, 5 + j].copy()
        for day in range(days):
            course = memory * course + (steps[:, day] if day else 0.0)
            out[:, day] += course
    return out + level


def _waves(day: np.ndarray) -> np.ndarray:
    """Level and two waves of the year on days of 2000, (5, days)."""
    turn = 2 * np.pi * day / _YEAR
    return np.stack([turn**0, np.cos(turn), np.sin(turn), np.cos(2 * turn), np.sin(2 * turn)])


def _unheated(on: np.ndarray, temp_c: np.ndarray, base: float) -> int:
    """1 where the temperature follows the northern year, -1 the southern one, 0 neither."""
    if on.size < 30:
        return 0
    weeks = pd.Series(temp_c).groupby(on // 7).mean()
    season = np.cos(2 * np.pi * (base + 7 * weeks.index.to_numpy() + 3 - WARMEST_DAY) / _YEAR)
    if np.ptp(weeks) < LEAST_SWING_C or np.ptp(season) < 0.2:
        return 0
    together = float(np.corrcoef(weeks, season)[0, 1])
    return 0 if abs(together) < 0.6 else int(np.sign(together))


def _memories(sizes: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """Standard deviation and one-day memory of the slow, the yearly and the daily departure."""
    slow_sd, slow_days, fast_sd, fast_days = sizes.T
    return [
        (slow_sd, np.exp(-1 / slow_days)),
        (np.full(len(sizes), YEAR_SD), np.full(len(sizes), np.exp(-1 / YEAR_DAYS))),
        (fast_sd, np.exp(-1 / fast_days)),
    ]


def _filter(
    on: np.ndarray, rest: np.ndarray, base: float, wave: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Kalman filter of the log up to day 0, for all sizes at once.

    `wave` is what is expected of the warm season. State: level, two waves (cosine, sine each),
    slow, yearly and daily departure. Returns the state and its covariance on day 0, and the log
    posterior of the sizes.
    """
    count, at = len(_SIZES), np.arange(_STATES)
    sds, state, grown = np.zeros((3, count, _STATES))
    memory = np.ones((count, _STATES))
    sds[:, :5] = [LEVEL_SD, WAVE_SD, WAVE_SD, SECOND_WAVE_SD, SECOND_WAVE_SD]
    for j, (sd, kept) in enumerate(_memories(_SIZES)):
        sds[:, 5 + j], memory[:, 5 + j] = sd, kept
        grown[:, 5 + j] = sd**2 * (1 - kept**2)
    if wave:
        sds[:, 1:3] = UNHEATED_WAVE_SD
        state[:, 1:3] = wave * _waves(np.array([WARMEST_DAY]))[1:3, 0]
    cover = np.zeros((count, _STATES, _STATES))
    cover[:, at, at] = sds**2
    # priors of the sizes of the slow and the daily departure, estimates of our own
    value = -0.5 * (np.log(_SIZES[:, 0] / 0.025) / 0.8) ** 2
    value -= 0.5 * (np.log(_SIZES[:, 2] / 0.09) / 0.7) ** 2
    readings = dict(zip(on.tolist(), rest.tolist(), strict=True))
    first = min(readings, default=0)
    for day in range(first, 1):
        if day > first:
            state = state * memory
            cover = cover * memory[:, :, None] * memory[:, None, :]
            cover[:, at, at] += grown
        if day not in readings:
            continue
        look = np.append(_waves(base + np.array([day]))[:, 0], [1, 1, 1])
        seen = cover @ look
        variance = seen @ look + _NUGGET
        miss = readings[day] - state @ look
        state = state + seen * (miss / variance)[:, None]
        cover = cover - seen[:, :, None] * (seen / variance[:, None])[:, None, :]
        value -= 0.5 * (np.log(variance) + miss**2 / variance)
    return state, 0.5 * (cover + cover.transpose(0, 2, 1)), value
