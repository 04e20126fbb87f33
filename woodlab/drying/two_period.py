"""The `two_period` law: constant rate while the surface is wet, falling rate after (lumped).

    dM/dt = -(min(M, critical) - air)/tau

Symbols: M mean moisture [%], critical the moisture at which the surface falls below fibre
saturation [%] (30 unless given), air equilibrium moisture [%], tau time constant of the falling
rate [days].

While M is above critical the piece loses (critical - air)/tau points a day: a straight line on
the chart, whose slope changes with the air from day to day. Below it the moisture follows the
air as one first-order mode. Rate and moisture are continuous across the change, and the step
over a day of constant air is exact, also on the day of the change.

Range: lumped, so for walls whose surface, not whose inside, holds the water back: sealed pieces.
Source: constant and falling rate periods are the common account of drying in chemical
engineering; fibre saturation about 30 %, Wood Handbook GTR-190 p. 4-2.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from woodlab.drying.modes import Air
from woodlab.drying.slab import as_daily, broadcast

CRITICAL_PCT = 30.0


def two_period_moisture(
    days: ArrayLike,
    start_moisture_pct: ArrayLike,
    tau_days: ArrayLike,
    air: Air,
    critical_pct: ArrayLike = CRITICAL_PCT,
) -> np.ndarray:
    """Mean moisture [%], (n, k); see the module for the equation.

    Parameters
    ----------
    days : array_like, (k,) or (n, k)
        Times since day 0, not decreasing along a row.
    start_moisture_pct, tau_days, critical_pct : array_like, (n,)
        Start moisture [%], time constant [days], critical moisture [%].
    air : float, array_like (n,), or DailyAir
        Equilibrium moisture [%].

    Examples
    --------
    >>> two_period_moisture([0, 10, 20], 60, 20.0, 10.0).round(6).tolist()
    [[60.0, 50.0, 40.0]]
    """
    from woodlab.drying import kernels

    params = {"start": start_moisture_pct, "tau": tau_days, "critical": critical_pct}
    times, _, values = broadcast(days, params, 25.0, air)
    daily = as_daily(air, times)
    courses, which, start = daily.of(len(times), times.max(axis=1, initial=0.0))
    out = np.empty(times.shape)
    kernels.two_period_many(
        times, values["start"], 1.0 / values["tau"], values["critical"], courses, which, start, out
    )
    return out
