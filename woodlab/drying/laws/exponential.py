"""The `exponential` law: one time constant, no inside of the wall.

    dM/dt = (air - M)/tau

Range: a first look, and the tail of any curve. Source: first-order relaxation, the plainest linear
law. Limits: a sealed green piece loses the same weight every week at first, and an exponential
reads an end into that line that is not there.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from woodlab.drying.laws.law import (
    Law,
    Parameter,
    Params,
    Prior,
    Scatter,
    broadcast,
    constant_air,
    lumped_moisture,
)
from woodlab.drying.modes import Air, DailyAir, drive_modes


def _response(
    days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air
) -> tuple[np.ndarray, np.ndarray]:
    times, _, values = broadcast(days, LAW.filled(params), wall_mm, air)
    rates = 1 / values["tau_days"][:, None]
    if isinstance(air, DailyAir):
        return drive_modes(times, rates, np.ones(rates.shape), air)
    return constant_air(air, np.exp(-rates * times))


LAW: Law = Law(
    "exponential",
    (
        Parameter(
            "tau_days", "days", 0.05, 20000.0, "time in which 63 % of the change is made",
            # between surface (wall to the power 1) and inside (2), nearer the first
            prior=Prior(25.0, 1.2, sealed=70.0, species_sd=0.35, log=Scatter(0.10, 0.6, 1.0),
                        piece=Scatter(0.12, 0.6, 1.2), wall_power=1.3),
        ),
    ),
    lumped_moisture(lambda: LAW),
    response=_response,
)  # fmt: skip
