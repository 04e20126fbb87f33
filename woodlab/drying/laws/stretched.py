"""The `stretched` law: an exponential with a shape. It describes and explains nothing.

    M = air + (M0 - air) exp(-(t/tau)^shape)

Range: constant air only, since it is no sum of modes. Source: Kohlrausch's stretched exponential,
as it is used for relaxation curves. Limits: no wall, wood or seal in it.
"""

from __future__ import annotations

import numpy as np

from woodlab.drying.laws.exponential import LN_TAU
from woodlab.drying.laws.law import Law, Parameter, Search, Values


def _remaining(values: Values, days: np.ndarray) -> np.ndarray:
    return np.exp(-((days / values["tau_days"][:, None]) ** values["shape"][:, None]))


def _values(u: np.ndarray, half_m: np.ndarray) -> Values:
    return {"tau_days": np.exp(u[..., 0]), "shape": np.exp(u[..., 1])}


LAW = Law(
    "stretched",
    (
        Parameter("tau_days", "days", 0.05, 20000.0, "time in which 63 % of the change is made"),
        Parameter("shape", "1", 0.2, 5.0, "exponent: below 1 a long tail"),
    ),
    remaining=_remaining,
    search=Search(
        _values, ((-3.5, -2.5, -1.5, -0.5, 0.5, 1.5), (-0.5, 0.0, 0.35)),
        (LN_TAU[0], float(np.log(0.2))), (LN_TAU[1], float(np.log(5.0))),
    ),
    describes_only=True,
)  # fmt: skip
