"""The `two_term` law: a fast and a slow mode side by side. It describes and explains nothing.

    M = fast_share u_fast + (1 - fast_share) u_slow,   du/dt = (air - u)/tau of each

Range: curves with a fast beginning and a long tail, such as a thin rim and a thick foot. Source:
sums of exponentials, the common description of multi-phase relaxation. Limits: three numbers of a
single curve, which trade off against one another; no wall, wood or seal in them.
"""

from __future__ import annotations

import numpy as np

from woodlab.drying.laws.exponential import LN_TAU
from woodlab.drying.laws.law import Law, Parameter, Search, Values


def _modes(values: Values, half_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    rates = 1 / np.stack([values["tau_fast_days"], values["tau_slow_days"]])
    return rates, np.stack([values["fast_share"], 1 - values["fast_share"]])


def _values(u: np.ndarray, half_m: np.ndarray) -> Values:
    """From ln tau_slow, ln(tau_slow/tau_fast), share of the fast mode."""
    slow = np.exp(u[..., 0])
    return {
        "tau_fast_days": slow * np.exp(-u[..., 1]), "tau_slow_days": slow, "fast_share": u[..., 2],
    }  # fmt: skip


LAW = Law(
    "two_term",
    (
        Parameter("tau_fast_days", "days", 0.05, 20000.0, "time constant of the fast mode"),
        Parameter("tau_slow_days", "days", 0.05, 20000.0, "time constant of the slow mode"),
        Parameter("fast_share", "1", 0.0, 1.0, "share of the change in the fast mode", plain=True),
    ),
    modes=_modes,
    search=Search(
        _values, ((-2.5, -1.5, -0.5, 0.5), (0.7, 1.8, 3.2), (0.2, 0.5, 0.8)),
        (LN_TAU[0], float(np.log(1.2)), 0.0), (LN_TAU[1], float(np.log(200.0)), 1.0), several=4,
    ),
    describes_only=True,
)  # fmt: skip
