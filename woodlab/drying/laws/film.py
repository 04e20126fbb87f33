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
from woodlab.drying.laws.exponential import LN_TAU
from woodlab.drying.laws.law import Law, Search, Values
from woodlab.drying.laws.slab import DIFFUSIVITY, SURFACE, WARMTH, warm_column
from woodlab.drying.modes import SECONDS_PER_DAY, biot_number, fo_per_day, sheet_roots


def _sheet(values: Values, half_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    diffusivity = values["diffusivity_m2_s"]
    return (
        fo_per_day(diffusivity, half_m),
        biot_number(values["surface_m_s"], diffusivity, half_m),
    )


def _values(u: np.ndarray, half_m: np.ndarray) -> Values:
    """From ln T [days] and ln L, T = a^2/(D b1^2) the time constant of the slowest mode.

    Weighings fix T well whatever L is: in (ln D, ln S) the valley of the least squares is long and
    bent, and slow to walk down.
    """
    biot = np.exp(u[..., 1])
    fo = np.exp(-u[..., 0]) / sheet_roots(biot, np.zeros(1))[0][0]
    diffusivity = fo * half_m**2 / SECONDS_PER_DAY
    return {"diffusivity_m2_s": diffusivity, "surface_m_s": biot * diffusivity / half_m}


def _columns(values: Values, half_m: np.ndarray) -> dict[int, ArrayLike]:
    return {
        kernel.LN_D: np.log(values["diffusivity_m2_s"]),
        kernel.LN_S: np.log(np.minimum(values["surface_m_s"], 1e-4)),
        **warm_column(values),
    }


LAW = Law(
    "film",
    (DIFFUSIVITY, SURFACE, WARMTH),
    sheet=_sheet,
    kernel_columns=_columns,
    search=Search(
        _values, ((-3.5, -2.5, -1.5, -0.5, 0.5, 1.5), (-2.0, 0.5, 3.0)),
        (LN_TAU[0], float(np.log(0.01))), (LN_TAU[1], float(np.log(500.0))),
    ),
    candidate=True,
)  # fmt: skip
