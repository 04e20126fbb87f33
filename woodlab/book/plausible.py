"""Row by row: numbers that no bowl has in the unit of their column, and what they may be instead.

A whole column in another unit is doubted in `doubts.py`; here it is one row among good ones. The
limits are common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

# The least and the most that is usual of a rough bowl.
USUAL = {
    "wall_mm": (4.0, 80.0),
    "rim_mm": (40.0, 1000.0),
    "height_mm": (15.0, 600.0),
    "mass_g": (20.0, 60_000.0),
}
_OTHER_UNITS = {"kg": 1000.0, "lb": 453.59237, "oz": 28.349523125}
_NAMES = {"wall_mm": "wall", "rim_mm": "rim", "height_mm": "height"}
# A weight read in another unit is believed if it lies so near to the piece's other weights.
NEAR = (0.4, 1.4)


def implausible(tables: dict[str, pd.DataFrame]) -> list[list[object]]:
    """Doubts of single rows: table, row, piece, column, value, doubt.

    Examples
    --------
    >>> weighings = pd.DataFrame({"piece": "A1", "mass_g": [2480.0, 2.31]}, index=[2, 3])
    >>> pieces = pd.DataFrame({"piece": ["A1"], "wall_mm": [250.0]}, index=[2])
    >>> for doubt in implausible({"pieces": pieces, "weighings": weighings}):
    ...     print(doubt[-1])
    250 mm is no wall of a rough bowl: is it 25 mm?
    2.31 g is no bowl, and in kg it would be 2310 g: type it in the unit of the heading
    """
    rows: list[list[object]] = []
    for name, noun in _NAMES.items():
        if name not in tables["pieces"]:
            continue
        values = tables["pieces"][name]
        for row, value in _odd(values, name).items():
            fits = [v for v in (value * 10, value / 10) if _usual(v, name)]
            hint = f": is it {fits[0]:g} mm?" if fits else ": is it another measure?"
            said = f"{value:g} mm is no {noun} of a rough bowl{hint}"
            piece = tables["pieces"].at[row, "piece"]
            rows.append(["pieces", row, piece, name, f"{value:g}", said])
    weighings = tables["weighings"]
    for row, value in _odd(weighings["mass_g"], "mass_g").items():
        piece = weighings.at[row, "piece"]
        others = weighings.loc[(weighings["piece"] == piece), "mass_g"].drop(row)
        others = others[others >= USUAL["mass_g"][0]]
        fits = [
            f"in {unit} it would be {value * factor:.4g} g"
            for unit, factor in _OTHER_UNITS.items()
            if len(others) and NEAR[0] < value * factor / others.median() < NEAR[1]
        ]
        hint = f", and {fits[0]}: type it in the unit of the heading" if fits else ""
        said = f"{value:g} g is no bowl{hint or ': is a digit or the unit missing?'}"
        rows.append(["weighings", row, piece, "mass_g", f"{value:g}", said])
    return rows


def _usual(value: float, name: str) -> bool:
    least, most = USUAL[name]
    return least <= value <= most


def _odd(values: pd.Series, name: str) -> pd.Series:
    """Values outside of what is usual, in a column of which at least half is usual."""
    known = values.dropna()
    odd = known[~known.between(*USUAL[name])]
    half_usual = len(odd) * 2 < len(known) or (len(known) == 1 and name != "mass_g")
    half_usual |= len(known) == 2 and bool(np.isfinite(known).all()) and len(odd) == 1
    return odd if half_usual and (known.median() >= USUAL[name][0]) else odd.iloc[:0]
