"""The `stretched` law: an exponential with a shape. It describes and explains nothing.

    M = air + (M0 - air) exp(-(t/tau)^shape)

Range: constant air only, since it is no sum of modes. Source: Kohlrausch's stretched exponential,
as it is used for relaxation curves. Limits: no wall, wood or seal in it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from woodlab.drying.laws.law import Law, Parameter, Params, broadcast, constant_air, lumped_moisture
from woodlab.drying.modes import Air, DailyAir
from woodlab.errors import WoodlabError


def _response(
    days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air
) -> tuple[np.ndarray, np.ndarray]:
    if isinstance(air, DailyAir):
        raise WoodlabError(
            "The stretched law is no sum of modes and holds in constant air only. Give one "
            "equilibrium moisture, or take two_term or film, which follow the air."
        )
    times, _, values = broadcast(days, LAW.filled(params), wall_mm, air)
    share = (times / values["tau_days"][:, None]) ** values["shape"][:, None]
    return constant_air(air, np.exp(-share))


LAW: Law = Law(
    "stretched",
    (
        Parameter("tau_days", "days", 0.05, 20000.0, "time in which 63 % of the change is made"),
        Parameter("shape", "1", 0.2, 5.0, "exponent: below 1 a long tail"),
    ),
    lumped_moisture(lambda: LAW),
    describes_only=True,
    changing_air=False,
    response=_response,
)
