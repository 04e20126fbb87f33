"""The `two_term` law: a fast and a slow mode side by side. It describes and explains nothing.

    M = fast_share u_fast + (1 - fast_share) u_slow,   du/dt = (air - u)/tau of each

Range: curves with a fast beginning and a long tail, such as a thin rim and a thick foot. Source:
sums of exponentials, the common description of multi-phase relaxation. Limits: three numbers of a
single curve, which trade off against one another; no wall, wood or seal in them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from woodlab.drying.laws.law import Law, Parameter, Params, broadcast, constant_air, lumped_moisture
from woodlab.drying.modes import Air, DailyAir, drive_modes


def _response(
    days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air
) -> tuple[np.ndarray, np.ndarray]:
    times, _, values = broadcast(days, LAW.filled(params), wall_mm, air)
    rates = 1 / np.stack([values["tau_fast_days"], values["tau_slow_days"]], axis=1)
    weights = np.stack([values["fast_share"], 1 - values["fast_share"]], axis=1)
    if isinstance(air, DailyAir):
        return drive_modes(times, rates, weights, air)
    return constant_air(
        air, np.einsum("nj,njk->nk", weights, np.exp(-rates[:, :, None] * times[:, None]))
    )


LAW: Law = Law(
    "two_term",
    (
        Parameter("tau_fast_days", "days", 0.05, 20000.0, "time constant of the fast mode"),
        Parameter("tau_slow_days", "days", 0.05, 20000.0, "time constant of the slow mode"),
        Parameter("fast_share", "1", 0.0, 1.0, "share of the change in the fast mode", plain=True),
    ),
    lumped_moisture(lambda: LAW),
    describes_only=True,
    response=_response,
)
