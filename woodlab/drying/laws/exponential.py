"""The `exponential` law: one time constant, no inside of the wall.

    dM/dt = (air - M)/tau

Range: a first look, and the tail of any curve. Source: first-order relaxation, the plainest linear
law. Limits: a sealed green piece loses the same weight every week at first, and an exponential
reads an end into that line that is not there.
"""

from __future__ import annotations

import numpy as np

from woodlab.drying.laws.law import Law, Parameter, Prior, Scatter, Search, Values

LN_TAU = float(np.log(0.05)), float(np.log(20000.0))  # ln days, the bounds of all linear laws


def _modes(values: Values, half_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    rates = 1 / values["tau_days"][None]
    return rates, np.ones(rates.shape)


def _values(u: np.ndarray, half_m: np.ndarray) -> Values:
    return {"tau_days": np.exp(u[..., 0])}


LAW = Law(
    "exponential",
    (
        Parameter(
            "tau_days", "days", 0.05, 20000.0, "time in which 63 % of the change is made",
            # between surface (wall to the power 1) and inside (2), nearer the first
            prior=Prior(25.0, 1.2, sealed=70.0, species_sd=0.35, log=Scatter(0.10, 0.6, 1.0),
                        piece=Scatter(0.12, 0.6, 1.2), wall_power=1.3),
        ),
    ),
    modes=_modes,
    search=Search(_values, ((-3.5, -2.0, -0.5, 1.0),), LN_TAU[:1], LN_TAU[1:]),
)  # fmt: skip
