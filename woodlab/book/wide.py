"""Sheets with pieces down and dates across, or the reverse, as makers have them: to weighings.

Every cell that holds anything is used, or is listed with why not.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from woodlab.book.tables import TABLES
from woodlab.book.units import plain_heading, scale_to
from woodlab.book.wide_cells import Mass, decimal_sign, read_mass
from woodlab.book.wide_dates import settle_dates
from woodlab.book.wide_grid import Grid, column_letter, read_grids
from woodlab.book.wide_layout import (
    Block,
    Layout,
    find_layout,
    heading_unit,
    is_total,
    label_text,
    split_unit,
)
from woodlab.errors import WoodlabError

COLUMNS = ["piece", "on", "mass_g", "event", "note"]
UNUSED_COLUMNS = ["sheet", "cell", "row", "column", "value", "why"]


@dataclass(frozen=True, eq=False)
class WideSheet:
    """What came of a sheet.

    Attributes
    ----------
    weighings : DataFrame
        piece, on, mass_g, event, note; in the order of the sheet's pieces, then of its dates.
    unused : DataFrame
        One row for each filled cell that is no mass, date or mark in use: sheet, cell (`C7`),
        row (as the spreadsheet numbers it), column (its letter), value, why.
    cells : dict
        How many cells were `filled`, and were used as `masses`, `dates`, `pieces`, or `unused`;
        the four add up to the first.
    notes : tuple of str
        How dates and numbers were read where the sheet left a choice.
    """

    weighings: pd.DataFrame
    unused: pd.DataFrame
    cells: dict[str, int]
    notes: tuple[str, ...]


def read_wide(
    path: str | Path,
    mass_unit: str = "g",
    *,
    sheet: str | None = None,
    day_first: bool | None = None,
    year: int | None = None,
    decimal: str | None = None,
    dates: str | None = None,
) -> pd.DataFrame:
    """The weighings of a sheet with a line for each piece and a line for each date.

    Parameters
    ----------
    path : str or Path
        A .csv or .txt file (any usual separator and encoding), .xlsx, .xls or .ods.
    mass_unit : {"g", "kg", "lb", "oz"}
        Of numbers that carry no unit, neither in the cell nor in its heading.
    sheet : str, optional
        Which sheet of a workbook; needed when several hold weighings.
    day_first : bool, optional
        How dates such as 9/3/26 read; needed where no date of the sheet proves it.
    year : int, optional
        Of the first date, where dates have none.
    decimal : {".", ","}, optional
        The decimal sign; needed where numbers such as 1,480 read both ways.
    dates : {"across", "down"}, optional
        Which way the dates run; found out by itself nearly always.

    Returns
    -------
    DataFrame
        `piece`, `on`, `mass_g`, `event`, `note`: weighings, ready for `wl.add_weighings` or
        `RecordBook.from_frames`. Its `.attrs` hold `unused` (a list of records: sheet, cell,
        row, column, value, why), `cells` (counts that add up) and `notes`. `read_wide_sheet`
        gives the same as a `WideSheet`.

    Raises
    ------
    WoodlabError
        If dates or numbers can be read in two ways, or no weighings are found; the message says
        what to type.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> file = pathlib.Path(tempfile.mkdtemp()) / "shed.csv"
    >>> _ = file.write_text("Shed sheet\\nbowl;9/3/26;23/3/26\\nA1;3 lb 4 oz;1,31 kg\\nTotal;;1\\n")
    >>> weights = read_wide(file)
    >>> weights[["piece", "on", "mass_g"]].round({"mass_g": 1})
      piece         on  mass_g
    0    A1 2026-03-09  1474.2
    1    A1 2026-03-23  1310.0
    >>> [cell["why"] for cell in weights.attrs["unused"]][-1]
    'a total, not a weighing of a piece'
    """
    result = read_wide_sheet(
        path, mass_unit, sheet=sheet, day_first=day_first, year=year, decimal=decimal, dates=dates
    )
    weighings = result.weighings.copy()
    weighings.attrs = {
        "unused": result.unused.to_dict("records"),
        "cells": dict(result.cells),
        "notes": list(result.notes),
    }
    return weighings


def read_wide_sheet(
    path: str | Path,
    mass_unit: str = "g",
    *,
    sheet: str | None = None,
    day_first: bool | None = None,
    year: int | None = None,
    decimal: str | None = None,
    dates: str | None = None,
) -> WideSheet:
    """As `read_wide`, with the weighings and the cells not used side by side."""
    _check_choices(mass_unit, decimal, dates)
    grids = read_grids(Path(path))
    layout = chosen_layout(grids, Path(path).name, sheet, dates)
    reader = _Reader(layout, mass_unit, decimal)
    reader.read(day_first, year)
    others = [grid for grid in grids if grid.name != layout.grid.name]
    return reader.result(others)


def _check_choices(mass_unit: str, decimal: str | None, dates: str | None) -> None:
    for name, value, choices in (
        ("mass_unit", mass_unit, ("g", "kg", "lb", "oz")),
        ("decimal", decimal, (None, ".", ",")),
        ("dates", dates, (None, "across", "down")),
    ):
        if value not in choices:
            words = ", ".join(repr(choice) for choice in choices if choice is not None)
            raise WoodlabError(f"{name} is {value!r}. Give one of {words}.")


def chosen_layout(grids: list[Grid], name: str, sheet: str | None, dates: str | None) -> Layout:
    """The layout of the one sheet that holds weighings."""
    if sheet is not None:
        wanted = [grid for grid in grids if grid.name.casefold() == sheet.casefold()]
        if not wanted:
            names = ", ".join(repr(grid.name) for grid in grids)
            raise WoodlabError(f"{name} has no filled sheet {sheet!r}. It has: {names or 'none'}.")
        grids = wanted
    for grid in grids:
        _not_long(grid, name)
    found = [layout for grid in grids if (layout := find_layout(grid, dates))]
    if len(found) > 1:
        names = ", ".join(repr(layout.grid.name) for layout in found)
        raise WoodlabError(
            f"Several sheets of {name} hold weighings: {names}. Read them one by one: "
            f"read_wide(..., sheet={found[0].grid.name!r})."
        )
    if not found:
        raise WoodlabError(
            f"No weighings were found in {name}: it needs a line of dates (such as 2026-03-09), a "
            "line of piece marks, and masses where they cross. Type the dates above the masses."
        )
    return found[0]


def _not_long(grid: Grid, name: str) -> None:
    """A sheet with a row for each weighing is a table of the book, and is not to be misread."""
    for row in grid.cells[:20]:
        headings = {plain_heading(cell) for cell in row if isinstance(cell, str)}
        mass = any(heading.startswith("mass") for heading in headings)
        if {"piece", "on"} <= headings and mass:
            raise WoodlabError(
                f"{name} has a row for each weighing (columns piece, on, mass). That is the table "
                "`weighings` itself: put it into a record book and use open_book or add_weighings."
            )


class _Reader:
    """Walks the lines of a layout once; remembers what became of every cell."""

    def __init__(self, layout: Layout, mass_unit: str, decimal: str | None):
        self.layout, self.grid, self.mass_unit = layout, layout.grid, mass_unit
        self.decimal = decimal or self._decimal_shown()
        self.rows: list[tuple] = []
        self.used: dict[tuple[int, int], str] = {}
        self.why: dict[tuple[int, int], str] = {}
        self.notes: list[str] = list(self.grid.notes)
        self.seen: dict[str, tuple[int, dict[pd.Timestamp, float]]] = {}
        self.bare: list[float] = []

    def _decimal_shown(self) -> str | None:
        signs = {
            sign
            for block in self.layout.blocks
            for r in block.pieces
            for c in block.dates
            if (sign := decimal_sign(self.grid.cells[r][c]))
        }
        if len(signs) == 1:
            return signs.pop()
        return "." if not signs and self.grid.separator == "," else None

    def read(self, day_first: bool | None, year: int | None) -> None:
        blocks = self.layout.blocks
        written = [date for block in blocks for date in block.dates.values()]
        stamps, notes = settle_dates(written, day_first, year)
        self.notes += notes
        position = 0
        for block in blocks:
            count = len(block.dates)
            on = dict(zip(block.dates, stamps[position : position + count], strict=True))
            position += count
            self._read_block(block, on)
        if self.bare:
            low, high = min(self.bare), max(self.bare)
            self.notes.append(
                f"{len(self.bare)} numbers without a unit, {low:g} to {high:g}, were read as "
                f"{self.mass_unit}."
            )

    def _read_block(self, block: Block, on: dict[int, pd.Timestamp | None]) -> None:
        units = {}
        for c, stamp in on.items():
            unit, other = heading_unit(self.grid, block, c)
            if other:
                why = f"its heading {other!r} is not of masses"
            elif stamp is None:
                why = "no such day in the calendar stands over it"
            else:
                units[c] = unit
                continue
            for r in [block.line, *block.pieces]:
                self.why[r, c] = why
        days = Counter(stamp for c, stamp in on.items() if c in units)
        for stamp, times in days.items():
            if times > 1 and stamp is not None:
                self.notes.append(f"{stamp.date()} stands over {times} lines; all were read.")
        for r in block.pieces:
            self._read_line(block, r, {c: on[c] for c in units}, units)

    def _read_line(
        self, block: Block, r: int, on: dict[int, pd.Timestamp | None], units: dict[int, str | None]
    ) -> None:
        cells, label_at = self.grid.cells[r], (r, self.layout.label_column)
        label = label_text(cells[label_at[1]])
        filled = [c for c in on if cells[c] is not None and (r, c) not in self.grid.copied]
        if label is None:
            for c in filled:
                self.why[r, c] = (
                    "no piece is named in this line (of merged cells, only .xlsx and .xls files "
                    "tell how far they reach)"
                )
            return
        if is_total(label):
            for c in range(len(cells)):
                self.why[r, c] = "a total, not a weighing of a piece"
            return
        label, own_unit = split_unit(label)
        masses = {c: self._mass(r, c, units[c] or own_unit or self.mass_unit) for c in filled}
        good = {c: mass for c, mass in masses.items() if not mass.why}
        for c, mass in masses.items():
            if mass.why:
                self.why[r, c] = mass.why
        if not good:
            self.why.setdefault(label_at, "a mark without a mass beside it")
            return
        if self._stands_already(label, r, {c: on[c] for c in good}, good):
            return
        self._use_label(*label_at)
        for c, mass in good.items():
            self.used[r, c] = "masses"
            self._use_date(block.line, c)
            self.rows.append((label, on[c], mass.mass_g, mass.event, mass.note))

    def _use_date(self, line: int, c: int) -> None:
        while (line, c) in self.grid.copied and c > 0:  # a merge: it stands in the first of them
            c -= 1
        self.used[line, c] = "dates"

    def _use_label(self, r: int, c: int) -> None:
        while (r, c) in self.grid.copied and r > 0:
            r -= 1
        self.used[r, c] = "pieces"

    def _mass(self, r: int, c: int, unit: str) -> Mass:
        cell = self.grid.cells[r][c]
        mass = read_mass(cell, unit, self.decimal)
        if mass.readings:
            low, high = sorted(mass.readings)[:2]
            raise WoodlabError(
                f"{cell!r} in {self._address(r, c)} can be read as {low:g} g or as {high:g} g. "
                "Give decimal='.' if the point is the decimal sign, decimal=',' if the comma is: "
                "read_wide(..., decimal='.')."
            )
        if mass.bare and not mass.why:
            self.bare.append(mass.mass_g / scale_to("g", unit))
        return mass

    def _stands_already(
        self, label: str, r: int, on: dict[int, pd.Timestamp | None], masses: dict[int, Mass]
    ) -> bool:
        """One mark in two lines: a continued line is joined, a contradicting one left out."""
        at = {stamp: masses[c].mass_g for c, stamp in on.items() if stamp is not None}
        if label not in self.seen:
            self.seen[label] = (r, at)
            return False
        first, before = self.seen[label]
        clash = [stamp for stamp, mass in at.items() if stamp in before]
        if clash:
            line = column_letter(first) if self.layout.turned else str(first + 1)
            kind = "column" if self.layout.turned else "row"
            same = all(at[stamp] == before[stamp] for stamp in at if stamp in before)
            why = f"the mark {label!r} stands already in {kind} {line} with " + (
                "the same masses" if same and len(clash) == len(at)
                else "masses of the same days: is it another piece? Give it a mark of its own"
            )  # fmt: skip
            for c in masses:
                self.why[r, c] = why
            self.why[r, self.layout.label_column] = why
            return True
        before.update(at)
        return False

    def _address(self, r: int, c: int) -> str:
        if self.layout.turned:
            r, c = c, r
        return f"{column_letter(c)}{r + 1}"

    def _reason(self, r: int, c: int) -> str:
        """Why a cell that no rule has touched was not used."""
        first = self.layout.blocks[0]
        if r < first.line:
            return "stands before the line of dates"
        if any(r == block.line for block in self.layout.blocks):
            dates = next(block for block in self.layout.blocks if block.line == r).dates
            return "a date without a mass" if c in dates else "a heading"
        if all(c not in block.dates for block in self.layout.blocks):
            heading = self.grid.cells[first.line][c]
            known = plain_heading(heading) if heading is not None else ""
            if any(known == column.name for column in TABLES["pieces"]):
                return f"{known} belongs into the table pieces"
            return "no date stands over this line"
        if c == self.layout.label_column:
            return "a mark without a mass beside it"
        return "no date of its block stands over it"

    def result(self, others: list[Grid]) -> WideSheet:
        counts = Counter(use for at, use in self.used.items() if at not in self.grid.copied)
        unused: list[list] = []
        for r, c in self.grid.filled:
            if (r, c) not in self.used:
                why = self.why.get((r, c)) or self._reason(r, c)
                row, column = (c, r) if self.layout.turned else (r, c)
                unused.append(
                    [self.grid.name, self._address(r, c), row + 1, column_letter(column),
                     str(self.grid.cells[r][c])[:80], why]
                )  # fmt: skip
        unused.sort(key=lambda record: int(record[2]))
        elsewhere = 0
        for grid in others:
            for r, c in grid.filled:
                elsewhere += 1
                unused.append(
                    [grid.name, f"{column_letter(c)}{r + 1}", r + 1, column_letter(c),
                     str(grid.cells[r][c])[:80], "stands in another sheet"]
                )  # fmt: skip
        weighings = pd.DataFrame(self.rows, columns=COLUMNS)
        weighings = weighings.astype(
            {"piece": "str", "mass_g": float, "event": "str", "note": "str"}
        )
        weighings["on"] = pd.to_datetime(weighings["on"]).astype("datetime64[us]")
        cells = {
            "filled": len(self.grid.filled) + elsewhere,
            "masses": counts["masses"],
            "dates": counts["dates"],
            "pieces": counts["pieces"],
            "unused": len(unused),
        }
        if not np.isfinite(weighings["mass_g"]).all():  # pragma: no cover - a slip of ours
            raise AssertionError("a weighing without a mass")
        frame = pd.DataFrame(unused, columns=UNUSED_COLUMNS)
        return WideSheet(weighings, frame, cells, tuple(self.notes))
