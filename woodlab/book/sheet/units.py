"""Numbers that cannot be in their unit: asked about, with what each other unit would make of them.

What is usual of a rough bowl stands in `book/plausible.py`, which asks about single rows.
"""

from __future__ import annotations

import re

import numpy as np

from woodlab.book.plausible import USUAL
from woodlab.book.sheet.grid import Grid
from woodlab.book.sheet.words import give
from woodlab.book.units import scale_to
from woodlab.errors import WoodlabError

_SINGLE = re.compile(r"\s*(\d+(?:[.,]\d+)?)\s*")
_INCHES = re.compile(r"\d\s*/\s*\d|[\"\u2033\u201d]|\bin\b")


def ask_masses(
    bare: list[tuple[float, tuple[int, int]]], unit: str, grid: Grid, n_weights: int
) -> None:
    """Raise when half of the weights without a unit are too small, or too large, for a bowl."""
    if not bare:
        return
    numbers = np.array([number for number, _ in bare])
    middle = float(np.median(numbers))
    least, most = USUAL["mass_g"]
    if least <= middle * scale_to("g", unit) <= most or n_weights > 2 * len(bare):
        return
    fits = [
        other for other in ("g", "kg", "lb", "oz")
        if other != unit and 5 * least <= middle * scale_to("g", other) <= most
    ]  # fmt: skip
    if not fits:
        return
    number, at = min(bare, key=lambda one: abs(one[0] - middle))
    makes = ", ".join(f"in {o} it is {number * scale_to('g', o):.0f} g" for o in fits)
    raise WoodlabError(
        f"Half of the weights cannot be in {unit}: {number:g} in {grid.address(*at)}; {makes}. "
        f"{give('mass_unit', *fits)}"
    )


def ask_lengths(
    pieces: dict[str, dict[str, object]], units: dict[str, str], mass_unit: str
) -> None:
    """Raise when half of a column of lengths cannot be in its unit; cm is offered before inches.

    `units` are those of the columns whose heading names none.
    """
    for name, unit in units.items():
        cells = [row[name] for row in pieces.values() if row.get(name) is not None]
        numbers = np.array([value for cell in cells if (value := _number(cell)) is not None])
        inches = any(isinstance(cell, str) and _INCHES.search(cell) for cell in cells)
        named = all(isinstance(cell, str) and re.search(r"[a-z\"\u2033]", cell) for cell in cells)
        if named or not (len(numbers) or inches):
            continue
        middle = float(np.median(numbers)) if len(numbers) else 1.0
        least, most = USUAL.get(name, (0.0, np.inf))
        fits_now = least <= middle * scale_to("mm", unit) <= most
        if fits_now and not (inches and unit != "in"):
            continue
        order = ["in", "cm", "mm"] if inches or mass_unit in ("lb", "oz") else ["cm", "in", "mm"]
        fits = [
            other for other in order
            if other != unit and least <= middle * scale_to("mm", other) <= most
        ]  # fmt: skip
        if inches:
            fits = ["in"] if unit != "in" else []
        if not fits:
            continue
        makes = ", ".join(f"in {o} {middle:g} is {middle * scale_to('mm', o):.0f} mm" for o in fits)
        raise WoodlabError(
            f"{name[:-3]} cannot be in {unit}: {', '.join(map(str, cells[:3]))}; {makes}. "
            f"{give('length_unit', *fits)}"
        )


def _number(cell: object) -> float | None:
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        return float(cell)
    match = _SINGLE.fullmatch(str(cell))
    return float(match[1].replace(",", ".")) if match else None
