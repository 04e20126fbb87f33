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
from woodlab.drying.laws.film import sheet_response
from woodlab.drying.laws.law import Law, Params, lumped_moisture
from woodlab.drying.laws.slab import DIFFUSIVITY, WARMTH, warm_column
from woodlab.drying.modes import Air


def _response(
    days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air
) -> tuple[np.ndarray, np.ndarray]:
    return sheet_response(LAW, days, params, wall_mm, air)


def _columns(values: dict[str, np.ndarray], half_m: np.ndarray) -> dict[int, ArrayLike]:
    return {kernel.LN_D: np.log(values["diffusivity_m2_s"]), **warm_column(values)}


LAW: Law = Law(
    "diffusion",
    (DIFFUSIVITY, WARMTH),
    lumped_moisture(lambda: LAW),
    kernel_columns=_columns,
    response=_response,
)
