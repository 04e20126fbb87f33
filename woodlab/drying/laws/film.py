"""The `film` law: constant diffusivity inside, a surface coefficient at the face.

    dm/dt = D d2m/dx2,   flux at the face  S (m_surface - air)
    E(Fo) = sum 2 L^2 exp(-b^2 Fo)/(b^2 (b^2 + L^2 + L)),   b tan b = L,   L = a S/D

Range: L from 0.01 to 500 can be told apart; beyond, only the surface or only the inside is felt.
Source: Newman; Crank, The Mathematics of Diffusion (1975), pp. 47-60. Limits: a flux that goes on
rising above fibre saturation, where that of real wood does not: see `slab`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from woodlab.drying import kernel
from woodlab.drying.laws.law import Law, Params, broadcast, constant_air, lumped_moisture
from woodlab.drying.laws.slab import DIFFUSIVITY, SURFACE, WARMTH, warm_column
from woodlab.drying.modes import (
    Air,
    DailyAir,
    biot_number,
    drive_sheet,
    fo_per_day,
    sheet_remaining,
)


def sheet_response(
    law: Law, days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air
) -> tuple[np.ndarray, np.ndarray]:
    """decay and forced of a plane sheet; without `surface_m_s` its faces are at equilibrium."""
    times, walls, values = broadcast(days, law.filled(params), wall_mm, air)
    fo = fo_per_day(values["diffusivity_m2_s"], walls)
    surface = values.get("surface_m_s", np.full(fo.shape, np.inf))
    biot = biot_number(surface, values["diffusivity_m2_s"], walls)
    if isinstance(air, DailyAir):
        return drive_sheet(times, fo, biot, air)
    return constant_air(air, sheet_remaining(fo[:, None] * times, biot[:, None]))


def _response(
    days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air
) -> tuple[np.ndarray, np.ndarray]:
    return sheet_response(LAW, days, params, wall_mm, air)


def _columns(values: dict[str, np.ndarray], half_m: np.ndarray) -> dict[int, ArrayLike]:
    return {
        kernel.LN_D: np.log(values["diffusivity_m2_s"]),
        kernel.LN_S: np.log(np.minimum(values["surface_m_s"], 1e-4)),
        **warm_column(values),
    }


LAW: Law = Law(
    "film",
    (DIFFUSIVITY, SURFACE, WARMTH),
    lumped_moisture(lambda: LAW),
    kernel_columns=_columns,
    candidate=True,
    response=_response,
)
