"""The equilibrium moisture of wood in air."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from woodlab.errors import as_numbers, refuse

LEAST_C, MOST_C = -60.0, 120.0


def equilibrium_moisture(temp_c: ArrayLike, rh_pct: ArrayLike) -> np.ndarray | float:
    """Moisture at which wood neither gains nor loses water in air of this kind.

    M = 1800/W (K h/(1 - K h) + (K1 K h + 2 K1 K2 K^2 h^2)/(1 + K1 K h + K1 K2 K^2 h^2)) with
    h = rh_pct/100 and W, K, K1, K2 quadratic in the temperature.

    Parameters
    ----------
    temp_c : array_like
        Temperature of the air [deg C].
    rh_pct : array_like
        Relative humidity [%], 0 to 100; broadcast against `temp_c`.

    Returns
    -------
    float or ndarray
        Equilibrium moisture [% of oven-dry mass]; NaN where an input is NaN.

    Raises
    ------
    WoodlabError
        If a humidity is outside 0 to 100 % or a temperature outside -60 to 120 deg C.

    Notes
    -----
    The relation was fitted to the Wood Handbook's table (-1 to 54 deg C, 5 to 95 % humidity);
    below freezing and near saturation it extrapolates. One curve serves all species and both
    gaining and losing water, which differ by a point or two.

    Source: USDA Forest Products Laboratory, Wood Handbook, FPL-GTR-282 (2021), eq. 4-5, after
    Simpson (1998).

    Examples
    --------
    >>> import woodlab as wl
    >>> round(wl.equilibrium_moisture(20, 65), 1)
    12.0
    """
    temp = as_numbers(temp_c, "temp_c")
    humidity = as_numbers(rh_pct, "rh_pct")
    refuse(
        humidity, (humidity < 0) | (humidity > 100), "rh_pct must be between 0 and 100",
        "Type the relative humidity in percent: 65, not 0.65.",
    )  # fmt: skip
    refuse(
        temp, (temp < LEAST_C) | (temp > MOST_C),
        f"temp_c must be between {LEAST_C:g} and {MOST_C:g}",
        "Type the temperature in degrees Celsius.",
    )  # fmt: skip
    h = humidity / 100
    weight = 349 + 1.29 * temp + 0.0135 * temp**2
    k = 0.805 + 0.000736 * temp - 0.00000273 * temp**2
    k1 = 6.27 - 0.00938 * temp - 0.000303 * temp**2
    k2 = 1.91 + 0.0407 * temp - 0.000293 * temp**2
    kh = k * h
    bound = kh / (1 - kh)
    layered = (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2)
    moisture = 1800 / weight * (bound + layered)
    return float(moisture) if moisture.ndim == 0 else moisture
