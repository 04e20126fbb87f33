"""Numbers that no bowl has in the unit of their column, and what they may be instead.

A whole column may be in another unit, or one row among good ones. The limits are common practice,
no source.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from woodlab.book.units import scale_to

# The least and the most that is usual of a rough bowl.
USUAL = {
    "wall_mm": (4.0, 80.0),
    "rim_mm": (40.0, 1000.0),
    "height_mm": (15.0, 600.0),
    "mass_g": (20.0, 60_000.0),
}
# A weight read in another unit is believed if it lies so near to the piece's other weights.
NEAR = (0.4, 1.4)


def implausible(tables: dict[str, pd.DataFrame]) -> list[list[object]]:
    """Doubts of columns and of single rows: table, row, piece, column, value, doubt.

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
    for name in USUAL:
        table = "weighings" if name == "mass_g" else "pieces"
        if name not in tables[table]:
            continue
        values = tables[table][name].dropna()
        rows += _column_in_another_unit(table, values)
        for row, value in _odd(values).items():
            piece = tables[table].at[row, "piece"]
            if table == "pieces":
                said = _no_length(value, name)
            else:
                of_piece = tables[table].loc[tables[table]["piece"] == piece, name]
                said = _no_mass(value, of_piece.drop(row))
            rows.append([table, row, piece, name, f"{value:g}", said])
    return rows


def _column_in_another_unit(table: str, values: pd.Series) -> list[list[object]]:
    """Half of a column is too small to be in its unit: inches under mm, pounds under g."""
    name, least = str(values.name), USUAL[str(values.name)][0]
    if values.empty or values.median() >= least:
        return []
    stem, unit = name.rsplit("_", 1)
    others, short = {"mm": ("inches", "in"), "g": ("pounds", "lb")}[unit]
    said = (
        f"half of the column is below {least:g} {unit}: are these {others}? "
        f"Then head it {stem}_{short}"
    )
    return [[table, values.index[0], None, name, f"{values.median():g}", said]]


def _no_length(value: float, name: str) -> str:
    fits = [v for v in (value * 10, value / 10) if _usual(v, name)]
    hint = f"is it {fits[0]:g} mm?" if fits else "is it another measure?"
    return f"{value:g} mm is no {name.removesuffix('_mm')} of a rough bowl: {hint}"


def _no_mass(value: float, others: pd.Series) -> str:
    others = others[others >= USUAL["mass_g"][0]]
    fits = [
        f"in {unit} it would be {in_g:.4g} g"
        for unit in ("kg", "lb", "oz")
        if len(others)
        and NEAR[0] < (in_g := value * scale_to("g", unit)) / others.median() < NEAR[1]
    ]
    hint = f", and {fits[0]}: type it in the unit of the heading" if fits else ""
    return f"{value:g} g is no bowl{hint or ': is a digit or the unit missing?'}"


def _usual(value: float, name: str) -> bool:
    least, most = USUAL[name]
    return least <= value <= most


def _odd(known: pd.Series) -> pd.Series:
    """Values outside of what is usual, in a column of which at least half is usual."""
    name = str(known.name)
    odd = known[~known.between(*USUAL[name])]
    half_usual = len(odd) * 2 < len(known) or (len(known) == 1 and name != "mass_g")
    half_usual |= len(known) == 2 and bool(np.isfinite(known).all()) and len(odd) == 1
    return odd if half_usual and (known.median() >= USUAL[name][0]) else odd.iloc[:0]
