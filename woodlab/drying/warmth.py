"""Warmth: how much faster wood dries on a warm day than on a cold one, in air of the same dryness.

Both the way through the wood and the way off its surface are passages of single molecules over a
barrier, and grow with the temperature T [K] as

    rate(T) / rate(T0) = exp(E x),      x = (1/T0 - 1/T)/R      [mol/kJ]

with one activation energy E [kJ/mol] for both. x is called the warmth of a day; it is zero at
`REFERENCE_C`. Since both rates grow alike, a warm day is a longer day, and nothing else changes.

Range: sheds, -10 to 40 deg C. Source: form, Arrhenius. Size: where water moves as vapour, E is the
latent heat less what the sorption curve gives back (Hunter, On the activation energy of diffusion
of water in wood, Wood Science and Technology; abstract seen), at most the 44 kJ/mol of free water;
a rule for red oak that is used in seasoning (Simpson and Tschernitz 1979, seen in works that quote
it) amounts to about 10 between 5 and 20 deg C. Hence the wide prior in
`woodlab.drying.laws.slab`: a season says what its own wood does.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

GAS_KJ_MOL_K = 8.314462618e-3  # exact, by the definition of the units (SI, 2019)
FREEZING_K = 273.15
REFERENCE_C = 12.0


def warmth(temp_c: ArrayLike) -> np.ndarray:
    """Warmth x of air [mol/kJ] at a temperature [deg C]; any shape.

    Examples
    --------
    At 40 kJ/mol a shed at 20 deg C dries wood 2.4 times as fast as one at 5:

    >>> round(float(np.exp(40 * (warmth(20.0) - warmth(5.0)))), 1)
    2.4
    """
    kelvin = np.asarray(temp_c, dtype=float) + FREEZING_K
    return (1 / (REFERENCE_C + FREEZING_K) - 1 / kelvin) / GAS_KJ_MOL_K
