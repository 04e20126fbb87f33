"""A maker's own sheet, a row a piece and a column a weighing, to a record book to go on with."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from woodlab.book.doubts import LEAST_USUAL
from woodlab.book.record_book import write_book
from woodlab.book.tables import TABLES
from woodlab.book.units import scale_to
from woodlab.book.wide import WideSheet, chosen_layout, read_wide_sheet
from woodlab.book.wide_cells import read_mass
from woodlab.book.wide_dates import Written, find_date, settle_dates
from woodlab.book.wide_grid import column_letter, read_grids
from woodlab.book.wide_layout import Layout, is_total, label_text, split_unit
from woodlab.errors import WoodlabError

# What makers head the columns of their sheets with, word by word (common practice, no source).
_WORDS = {
    "species": "species wood timber",
    "turned_on": "turned roughed",
    "wall_mm": "wall thickness",
    "seal": "seal sealed sealer sealing coating wax waxed",
    "log": "log tree",
    "rim_mm": "rim dia diam diameter width",
    "height_mm": "height ht depth",
    "foot_mm": "foot tenon",
    "place": "place location shelf",
    "maker": "maker turner",
    "note": "note notes remark remarks comment comments",
}
_COLUMN_OF = {word: column for column, words in _WORDS.items() for word in words.split()}
_LENGTHS = ("mm", "cm", "in")
_UNIT_AT_END = re.compile(r"[\s(\[_]+(mm|cm|in|inch|inches)\W*$|\W*[\"\u2033\u201d]\W*$", re.I)


@dataclass(frozen=True, eq=False)
class SheetBook:
    """What came of a sheet that was made into a book.

    Attributes
    ----------
    path : Path
        The book.
    pieces, weighings : DataFrame
        The two tables as they were written, in the units of the sheet.
    unused : DataFrame
        sheet, cell, value, why: what the book does not have; also in it, as `not_used`.
    notes : tuple of str
        How dates and numbers were read where the sheet left a choice.
    """

    path: Path
    pieces: pd.DataFrame
    weighings: pd.DataFrame
    unused: pd.DataFrame
    notes: tuple[str, ...]


def book_from_sheet(
    path: str | Path,
    out: str | Path,
    mass_unit: str = "g",
    length_unit: str = "mm",
    **choices: Any,
) -> SheetBook:
    """Make a record book of a sheet with a line for each piece and a line for each date.

    The masses become the table `weighings`. What stands beside the marks under a heading such as
    Wood, Turned, Wall, Diameter, Height, Sealed, Log or Remarks becomes the table `pieces`, as it
    stands; dates are written year-month-day. Nothing is made up: what is missing or cannot be read
    is for `woodlab check` to tell, and every cell that was not used is listed in the book.

    Parameters
    ----------
    path : str or Path
        The sheet: .csv, .txt, .xlsx, .xls or .ods.
    out : str or Path
        The new book: a name that ends in .xlsx, or one without an ending for a folder.
    mass_unit : {"g", "kg", "lb", "oz"}
        Of numbers that carry no unit; the book's masses are in it, too.
    length_unit : {"mm", "cm", "in"}
        Of walls, rims and heights whose heading names no unit.
    **choices
        `sheet`, `day_first`, `year`, `decimal`, `dates`: as for `read_wide`.

    Returns
    -------
    SheetBook

    Raises
    ------
    WoodlabError
        If `out` exists, if the sheet can be read in two ways, or if its numbers cannot be in the
        units given; the message says what to give.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import woodlab as wl
    >>> home = pathlib.Path(tempfile.mkdtemp())
    >>> sheet = home / "shed.csv"
    >>> _ = sheet.write_text("No,Wood,Turned,Wall,Sealed,6/14/26,7/1/26\\n"
    ...                      "B1,Cherry,6/14/26,1 1/8,none,3 lb 4 oz,2.9\\n")
    >>> made = book_from_sheet(sheet, home / "book", mass_unit="lb", length_unit="in")
    >>> wl.open_book(made.path).pieces[["piece", "species", "wall_mm"]].values.tolist()
    [['B1', 'Cherry', 28.575]]
    >>> wl.open_book(made.path).weighings["mass_g"].round(1).tolist()
    [1474.2, 1315.4]
    """
    path, out = Path(path), Path(out)
    if length_unit not in _LENGTHS:
        raise WoodlabError(f"length_unit is {length_unit!r}. Give one of {', '.join(_LENGTHS)}.")
    if out.exists():
        raise WoodlabError(f"{out} exists already and is left as it is. Choose a new name.")
    sheet = read_wide_sheet(path, mass_unit, **choices)
    layout = chosen_layout(read_grids(path), path.name, choices.get("sheet"), choices.get("dates"))
    columns, units = _piece_columns(layout, length_unit)
    _check_masses(sheet, mass_unit)
    pieces, used, undated, notes = _pieces(layout, columns, choices)
    _check_lengths(pieces, units)
    pieces = pieces.rename(columns={name: f"{name[:-3]} ({unit})" for name, unit in units.items()})
    weighings = sheet.weighings.rename(columns={"mass_g": f"mass ({mass_unit})"})
    weighings[f"mass ({mass_unit})"] = (sheet.weighings["mass_g"] / scale_to("g", mass_unit)).round(
        5
    )
    unused = sheet.unused[~sheet.unused["cell"].isin(used)][["sheet", "cell", "value", "why"]]
    unused = unused.reset_index(drop=True)
    unused.loc[unused["cell"].isin(undated), "why"] = "not a day of turning that can be read"
    tables = {"pieces": pieces, "weighings": weighings}
    write_book(tables | ({"not_used": unused} if len(unused) else {}), out)
    return SheetBook(out, pieces, weighings, unused, tuple(dict.fromkeys([*sheet.notes, *notes])))


def _piece_columns(layout: Layout, length_unit: str) -> tuple[dict[int, str], dict[str, str]]:
    """The lines of the sheet that say something of pieces: position to column, and its unit."""
    block = layout.blocks[0]
    columns: dict[int, str] = {}
    units: dict[str, str] = {}
    for c, cell in enumerate(layout.grid.cells[block.line]):
        if c in block.dates or c == layout.label_column or not isinstance(cell, str):
            continue
        end = _UNIT_AT_END.search(cell)
        words = re.findall(r"[^\W\d_]+", (cell[: end.start()] if end else cell).casefold())
        name = next((_COLUMN_OF[word] for word in words if word in _COLUMN_OF), None)
        if name is None or name in columns.values():
            continue
        columns[c] = name
        if name.endswith("_mm"):
            named = (end[1] or "in").casefold() if end else length_unit
            units[name] = "in" if named.startswith("in") else named
    return columns, units


def _pieces(
    layout: Layout, columns: dict[int, str], choices: dict[str, Any]
) -> tuple[pd.DataFrame, set[str], set[str], list[str]]:
    """One row a piece, the cells that it is made of, those that are no date, notes on dates."""
    rows: dict[str, dict[str, object]] = {}
    used: set[str] = set()
    undated: set[str] = set()
    turned: dict[str, Written] = {}
    for block in layout.blocks:
        for r in block.pieces:
            cells = layout.grid.cells[r]
            label = label_text(cells[layout.label_column])
            if label is None or is_total(label):
                continue
            label = split_unit(label)[0]
            said = {name: cells[c] for c, name in columns.items() if cells[c] is not None}
            weighed = any(np.isfinite(read_mass(cells[c]).mass_g) for c in block.dates)
            if not weighed and not {"species", "turned_on"} & set(said):
                continue
            row = rows.setdefault(label, {"piece": label})
            for c, name in columns.items():
                if cells[c] is None or name in row:
                    continue
                value: object = cells[c]
                if name == "turned_on":
                    found = find_date(value)
                    if found is None:
                        undated.add(_address(layout, r, c))
                        continue
                    turned[label] = found
                row[name] = value if name.endswith("_mm") else label_text(value)
                used.add(_address(layout, r, c))
            used.add(_address(layout, r, layout.label_column))
    used |= {_address(layout, layout.blocks[0].line, c) for c in columns}
    notes = _settle_turned(layout, rows, turned, choices)
    needed = [column.name for column in TABLES["pieces"] if column.required]
    names = list(dict.fromkeys([*needed, *columns.values()]))
    frame = pd.DataFrame(list(rows.values()), columns=names).astype(object)
    frame = frame.where(frame.notna(), None)
    frame["turned_on"] = pd.to_datetime(frame["turned_on"])
    return frame, used, undated, notes


def _settle_turned(
    layout: Layout,
    rows: dict[str, dict[str, object]],
    turned: dict[str, Written],
    choices: dict[str, Any],
) -> list[str]:
    """Days of turning, read in the order of day and month that the whole sheet shows."""
    above = [date for block in layout.blocks for date in block.dates.values()]
    stamps, notes = settle_dates(
        [*above, *turned.values()], choices.get("day_first"), choices.get("year")
    )
    for label, stamp in zip(turned, stamps[len(above) :], strict=True):
        rows[label]["turned_on"] = stamp
    return notes


def _address(layout: Layout, r: int, c: int) -> str:
    return f"{column_letter(r)}{c + 1}" if layout.turned else f"{column_letter(c)}{r + 1}"


def _check_masses(sheet: WideSheet, mass_unit: str) -> None:
    middle = sheet.weighings["mass_g"].median()
    if middle < LEAST_USUAL["mass_g"]:
        raise WoodlabError(
            f"Half of the masses are below {LEAST_USUAL['mass_g']:g} g when numbers without a unit "
            f"are read as {mass_unit}. Say what they are: mass_unit='lb' (at the command: "
            "--mass-unit lb)."
        )


def _check_lengths(pieces: pd.DataFrame, units: dict[str, str]) -> None:
    for name, unit in units.items():
        cells = pieces[name].dropna()
        numbers = pd.to_numeric(cells, errors="coerce").dropna() * scale_to("mm", unit)
        fractions = cells.map(lambda cell: isinstance(cell, str) and "/" in cell).any()
        small = len(numbers) and numbers.median() < LEAST_USUAL.get(name, 0.0)
        if unit != "in" and (fractions or small):
            raise WoodlabError(
                f"{name[:-3]} cannot be in {unit}: {', '.join(map(str, cells[:3]))}. If these are "
                "inches, give length_unit='in' (at the command: --length-unit in)."
            )
