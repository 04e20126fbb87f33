"""Mass and moisture, by the oven-dry definition."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from woodlab.errors import as_numbers, refuse

# Wood Handbook GTR-190 p. 4-2: about 30 %, species vary by several points.
FIBRE_SATURATION_PCT = 30.0

# Density of the cell wall's substance, water = 1; the 1.54 of the usual saturation formula.
# From memory: it only sets how wide the guard against impossible moistures is.
CELL_WALL_SG = 1.54


def moisture_pct(wet_g: ArrayLike, oven_dry_g: ArrayLike) -> np.ndarray | float:
    """Moisture = 100 (wet - oven-dry)/oven-dry, in percent of oven-dry mass.

    It may exceed 100 %. Source: ASTM D4442 (definition).

    Parameters
    ----------
    wet_g, oven_dry_g : array_like
        Masses [g] without sealer; broadcast against each other.

    Returns
    -------
    float or ndarray
        Moisture [% of oven-dry mass], of the broadcast shape; NaN where an input is NaN.

    Raises
    ------
    WoodlabError
        If an oven-dry mass is zero or negative.

    Examples
    --------
    >>> import woodlab as wl
    >>> wl.moisture_pct(136, 100)
    36.0
    """
    wet = as_numbers(wet_g, "wet_g")
    dry = as_numbers(oven_dry_g, "oven_dry_g")
    refuse(dry, dry <= 0, "oven_dry_g must be above zero",
           "Type the mass after the oven, in grams.")  # fmt: skip
    moisture = 100 * (wet - dry) / dry
    return float(moisture) if moisture.ndim == 0 else moisture


def oven_dry_g(mass_g: ArrayLike, moisture_pct: ArrayLike) -> np.ndarray | float:
    """Oven-dry mass = mass/(1 + moisture/100) of wood that weighs `mass_g` at `moisture_pct`.

    Source: ASTM D4442 (definition of moisture), turned round.

    Parameters
    ----------
    mass_g : array_like
        Mass [g] without sealer; broadcast against `moisture_pct`.
    moisture_pct : array_like
        Moisture [% of oven-dry mass].

    Returns
    -------
    float or ndarray
        Oven-dry mass [g], of the broadcast shape; NaN where an input is NaN.

    Raises
    ------
    WoodlabError
        If a moisture is -100 % or less.

    Examples
    --------
    >>> import woodlab as wl
    >>> round(wl.oven_dry_g(136, 36), 6)
    100.0
    """
    mass = as_numbers(mass_g, "mass_g")
    moisture = as_numbers(moisture_pct, "moisture_pct")
    refuse(moisture, moisture <= -100, "moisture_pct must be above -100",
           "Type the moisture in percent of oven-dry mass.")  # fmt: skip
    dry = mass / (1 + moisture / 100)
    return float(dry) if dry.ndim == 0 else dry


def saturated_moisture_pct(basic_sg: ArrayLike) -> np.ndarray | float:
    """The most water that wood of this specific gravity has room for [% of oven-dry mass].

    All of the space that cell walls leave is filled: 100 (1.54 - G)/(1.54 G). A wide guard only.

    Examples
    --------
    >>> round(saturated_moisture_pct(0.5))
    135
    """
    gravity = np.asarray(basic_sg, dtype=float)
    moisture = 100 * (CELL_WALL_SG - gravity) / (CELL_WALL_SG * gravity)
    return float(moisture) if moisture.ndim == 0 else moisture
