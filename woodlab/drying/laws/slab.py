"""The `slab` law: diffusivity that rises with moisture, and a surface flux with a cap.

    dm/dt = d/dx (D(m) dm/dx),   0 < x < a = wall/2,   no flux at x = 0 (the middle),
    D(m) = D15 exp(rise (min(m, saturation) - 15)),
    flux at x = a:  S (min(m_surface, cap) - air)

Symbols: m moisture [%], D15 diffusivity at 15 % moisture [m2/s], rise [1/%], S surface coefficient
[m/s] (a seal makes it small), cap the moisture above which a wetter surface gives off no more [%]
(fibre saturation unless given), air equilibrium moisture [%], daily. Both rates grow with the
warmth of the day (`woodlab.drying.warmth`) where an activation energy is given.
Range: walls of 5 to 100 mm; S from 1e-11 m/s to infinity. Free water above saturation moves as if
by diffusion at the saturated diffusivity, which is a convenience, not physics.
Sources: the form of the equation, Crank, The Mathematics of Diffusion (1975). Rise 0.134 per point:
the diffusivity of aspen is eightfold from 2.5 to 18 % (Simpson, abstract; ln 8/15.5). Saturation
about 30 %: Wood Handbook GTR-190 p. 4-2. The size of S: estimates of our own.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from woodlab.drying import kernel
from woodlab.drying.laws.law import Law, Parameter, Prior, Scatter, Values

RISE_PER_PCT = float(np.log(8) / 15.5)
SATURATION_PCT = 30.0

DIFFUSIVITY = Parameter(
    "diffusivity_m2_s", "m2/s", 1e-13, 1e-7, "moisture diffusivity across the wall, at 15 %",
    prior=Prior(3e-11, 1.0, species_sd=0.35, log=Scatter(0.12, 0.6, 1.2),
                piece=Scatter(0.10, 0.6, 1.2)),
)  # fmt: skip
SURFACE = Parameter(
    "surface_m_s",
    "m/s",
    1e-12,
    1e-4,
    "surface coefficient: flux per difference of moisture",
    prior=Prior(3e-8, 1.2, sealed=8e-9, log=Scatter(0.05, 0.7, 0.6), piece=Scatter(0.12, 0.6, 1.2)),
)
WARMTH = Parameter(
    "activation_kj_mol", "kJ/mol", 0.0, 80.0, "activation energy of both rates", usual=0.0,
    prior=Prior(25.0, 15.0, source="between the 10 of a rule for red oak and the 44 of free water, "
                "see woodlab.drying.warmth"),
    plain=True, step=0.5,
)  # fmt: skip


def warm_column(values: Values) -> dict[int, ArrayLike]:
    return {kernel.WARMTH: values["activation_kj_mol"]}


def _columns(values: Values, half_m: np.ndarray) -> dict[int, ArrayLike]:
    saturation = values["fibre_saturation_pct"]
    cap = values["flux_cap_pct"]
    return {
        kernel.LN_D: np.log(values["diffusivity_m2_s"]),
        kernel.LN_S: np.log(np.minimum(values["surface_m_s"], 1e-4)),
        kernel.RISE: values["rise_per_pct"],
        kernel.SATURATION: saturation,
        kernel.CAP: np.where(np.isnan(cap), saturation, cap),
        **warm_column(values),
    }


LAW = Law(
    "slab",
    (
        DIFFUSIVITY,
        SURFACE,
        Parameter(
            "rise_per_pct", "1/%", 0.0, 0.5, "growth of ln diffusivity per point of moisture",
            usual=RISE_PER_PCT,
            prior=Prior(0.09, 0.06, source="half of aspen's 0.134 (Simpson) to all of it; "
                        "estimate of our own"),
            plain=True, step=1e-3,
        ),
        Parameter(
            "fibre_saturation_pct", "%", 20.0, 45.0, "moisture where the diffusivity stops rising",
            usual=SATURATION_PCT,
            prior=Prior(30.0, 3.0, source="about 30 %: Wood Handbook GTR-190 p. 4-2; sd ours"),
            plain=True, step=0.1,
        ),
        Parameter(
            "flux_cap_pct", "%", 10.0, 1e9, "surface moisture above which the flux rises no more",
            usual=float("nan"),
            prior=Prior(28.0, 5.0, source="Wood Handbook GTR-190 p. 4-2; sd ours"),
            plain=True, step=0.1,
        ),
        WARMTH,
    ),
    kernel_columns=_columns,
    candidate=True,
)  # fmt: skip
