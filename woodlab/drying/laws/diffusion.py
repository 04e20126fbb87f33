"""The `diffusion` law: constant diffusivity, the face always at the equilibrium of the air.

    dm/dt = D d2m/dx2,   m = air at both faces
    E(Fo) = sum 2 exp(-b^2 Fo)/b^2,   b = (j + 1/2) pi

Range: bare wood in moving air. Source: Crank, The Mathematics of Diffusion (1975), pp. 47-49.
Limits: no seal and no resistance of the surface; on bare green wood the flux of the first days is
too high.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from woodlab.drying import kernel
from woodlab.drying.laws.exponential import LN_TAU
from woodlab.drying.laws.law import Law, Search, Values
from woodlab.drying.laws.slab import DIFFUSIVITY, WARMTH, warm_column
from woodlab.drying.modes import SECONDS_PER_DAY, SLOWEST, fo_per_day


def _sheet(values: Values, half_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    fo = fo_per_day(values["diffusivity_m2_s"], half_m)
    return fo, np.full(fo.shape, np.inf)


def _values(u: np.ndarray, half_m: np.ndarray) -> Values:
    """From ln of the time constant of the slowest mode, a^2/(D b1^2) [days]."""
    return {"diffusivity_m2_s": half_m**2 * SLOWEST / SECONDS_PER_DAY * np.exp(-u[..., 0])}


def _columns(values: Values, half_m: np.ndarray) -> dict[int, ArrayLike]:
    return {kernel.LN_D: np.log(values["diffusivity_m2_s"]), **warm_column(values)}


LAW = Law(
    "diffusion",
    (DIFFUSIVITY, WARMTH),
    sheet=_sheet,
    kernel_columns=_columns,
    search=Search(_values, ((-3.5, -2.0, -0.5, 1.0),), LN_TAU[:1], LN_TAU[1:]),
)
