"""The `two_period` law: constant rate while the surface is wet, falling rate after (lumped).

    dM/dt = -(min(M, critical) - air)/tau

Symbols: M mean moisture [%], critical the moisture at which the surface falls below fibre
saturation [%] (30 unless given), air equilibrium moisture [%], tau time constant of the falling
rate [days].

While M is above critical the piece loses (critical - air)/tau points a day: a straight line on the
chart, whose slope changes with the air from day to day. Below it the moisture follows the air as
one first-order mode.

Range: lumped, so for walls whose surface, not whose inside, holds the water back: sealed pieces.
Source: constant and falling rate periods are the common account of drying in chemical engineering;
fibre saturation about 30 %, Wood Handbook GTR-190 p. 4-2.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from woodlab.drying import kernel
from woodlab.drying.laws.law import Law, Parameter, Prior, Scatter, Values
from woodlab.drying.laws.slab import WARMTH, warm_column
from woodlab.drying.modes import SECONDS_PER_DAY, DailyAir

CRITICAL_PCT = 30.0


def _curve(values: Values, half_m: np.ndarray, times: np.ndarray, air: DailyAir) -> np.ndarray:
    """Exact over each stretch of constant air, also on the day of the change, both ways."""
    courses, which, start = air.of(len(times), times.max(axis=1, initial=0.0))
    rate, critical = 1 / values["tau_days"], values["critical_pct"]
    level = np.array(values["start_moisture_pct"], dtype=float)
    out, now = np.empty(times.shape), np.zeros(len(times))
    for k in range(times.shape[1]):
        while (now < times[:, k] - 1e-12).any():
            # to the end of this day of air, or to the time asked, whichever comes first
            day = np.minimum(np.floor(now + start + 1e-9), courses.shape[1] - 1)
            end = np.minimum(times[:, k], day + 1 - start)
            end = np.where(day == courses.shape[1] - 1, times[:, k], end)
            level = _step(level, courses[which, day.astype(int)], critical, rate * (end - now))
            now = np.maximum(end, now)
        out[:, k] = level
    return out


def _step(m: np.ndarray, air: np.ndarray, critical: np.ndarray, h: np.ndarray) -> np.ndarray:
    """Moisture after h time constants of constant air: a line above critical, a curve below."""
    slope = critical - air
    above = m > critical
    with np.errstate(divide="ignore", invalid="ignore"):
        line = np.where(above & (slope > 0), (m - critical) / slope, np.inf)
        rising = np.where(~above & (slope < 0), np.log((m - air) / slope), np.inf)
    spent = np.minimum(np.where(above, line, rising), h)  # until critical is crossed
    on_line = m - slope * spent
    on_curve = air + (m - air) * np.exp(-spent)
    met, rest = np.where(above, on_line, on_curve), h - spent
    after = np.where(above, air + (critical - air) * np.exp(-rest), critical - slope * rest)
    return np.where(rest > 0, after, met)


def _columns(values: Values, half_m: np.ndarray) -> dict[int, ArrayLike]:
    return {
        # the surface coefficient that empties the wall with the time constant
        kernel.LN_S: np.log(half_m / (values["tau_days"] * SECONDS_PER_DAY)),
        kernel.CAP: values["critical_pct"],
        **warm_column(values),
    }


LAW = Law(
    "two_period",
    (
        Parameter(
            "tau_days", "days", 0.05, 20000.0, "time constant of the falling rate",
            prior=Prior(25.0, 1.2, sealed=70.0, species_sd=0.35, log=Scatter(0.10, 0.6, 1.0),
                        piece=Scatter(0.12, 0.6, 1.2), wall_power=1.0),
        ),
        Parameter(
            "critical_pct", "%", 10.0, 200.0, "mean moisture at which the constant rate ends",
            usual=CRITICAL_PCT, prior=Prior(30.0, 3.0), plain=True, step=0.1,
        ),
        WARMTH,
    ),
    curve=_curve,
    kernel_columns=_columns,
)  # fmt: skip
