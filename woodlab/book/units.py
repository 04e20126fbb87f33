"""Units in headings: `wall_in` for `wall_mm`, `mass_lb` for `mass_g`, `temp_f` for `temp_c`."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial

import numpy as np

from woodlab.book.tables import Column

# Exact by definition: the international inch, foot and avoirdupois pound (1959).
MM_PER_INCH = 25.4
G_PER_POUND = 453.59237

_SCALES: dict[str, dict[str, float]] = {
    "mm": {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH, "ft": 12 * MM_PER_INCH},
    "g": {"g": 1.0, "kg": 1000.0, "oz": G_PER_POUND / 16, "lb": G_PER_POUND},
}


def scale_to(own_unit: str, unit: str) -> float:
    """How many of `own_unit` (`mm` or `g`) one `unit` is.

    Examples
    --------
    >>> scale_to("mm", "in"), scale_to("g", "kg")
    (25.4, 1000.0)
    """
    return _SCALES[own_unit][unit]


def units_of(own_unit: str) -> list[str]:
    """The units that a heading of this quantity may carry."""
    return ["c", "f"] if own_unit == "c" else list(_SCALES.get(own_unit, {own_unit: 1.0}))


def plain_heading(heading: object) -> str:
    """A heading without case, blanks and brackets: `Wall (mm)` -> `wall_mm`."""
    return re.sub(r"[^0-9a-z]+", "_", str(heading).strip().casefold()).strip("_")


def _same(values: np.ndarray) -> np.ndarray:
    return values


def _scaled(factor: float, values: np.ndarray) -> np.ndarray:
    """12 in are 304.8 mm, not 304.79999999999995: a book that is saved is read by people, too."""
    return np.round(np.multiply(values, factor), 9)


def _from_fahrenheit(values: np.ndarray) -> np.ndarray:
    return (values - 32) / 1.8


def match_heading(
    heading: object, columns: tuple[Column, ...]
) -> tuple[Column, Callable[[np.ndarray], np.ndarray]] | None:
    """The known column that a heading means, and the conversion to its own unit.

    Examples
    --------
    >>> from woodlab.book.tables import TABLES
    >>> column, convert = match_heading("Wall (in)", TABLES["pieces"])
    >>> column.name, convert(np.array([1.0])).tolist()
    ('wall_mm', [25.4])
    >>> match_heading("shelf", TABLES["pieces"]) is None
    True
    """
    plain = plain_heading(heading)
    for column in columns:
        if plain == column.name:
            return column, _same
        if column.kind != "number" or "_" not in column.name:
            continue
        stem, own_unit = column.name.rsplit("_", 1)
        if not plain.startswith(stem + "_"):
            continue
        unit = plain[len(stem) + 1 :]
        if own_unit == "c" and unit == "f":
            return column, _from_fahrenheit
        if unit in _SCALES.get(own_unit, {}):
            return column, partial(_scaled, scale_to(own_unit, unit))
    return None
