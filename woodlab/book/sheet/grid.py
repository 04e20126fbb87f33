"""A sheet as a grid of cells, from any kind of file that a spreadsheet program writes."""

from __future__ import annotations

import csv
import io
import re
import warnings
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import NamedTuple

from openpyxl.utils import get_column_letter

from woodlab.book.cells import is_blank
from woodlab.book.claims import LAST_COLUMN, workbook
from woodlab.book.reading import WORKBOOKS, decoded
from woodlab.errors import WoodlabError

Place = tuple[int, int]  # row and column, from 0
SEPARATORS = ("\t", ";", ",", "|")
_ERRORS = ("#REF!", "#DIV/0!", "#VALUE!", "#NAME?", "#N/A", "#NUM!", "#NULL!", "#SPILL!")
_SHOWN = re.compile(r"(0+)(\.0+)?")  # the formats of a number that show zeros it does not need


class Odd(NamedTuple):
    """What is out of the ordinary about a cell."""

    copied: bool = False  # filled in from a merge
    lost: str = ""  # why it has no value: an error, or a formula without a stored one
    hidden: bool = False  # in a hidden row or column
    shown: str = ""  # how a number is shown where its format says more (`01`, `1.10`)


@dataclass(frozen=True)
class Grid:
    """Cells by row and column as they stand in the file, `None` where empty.

    `turned` says that rows and columns were swapped for reading, `tabs` which sheets stand below
    one another, and since which row.
    """

    name: str
    cells: list[list[object]]
    separator: str | None = None
    odd: dict[Place, Odd] = field(default_factory=dict)
    turned: bool = False
    tabs: tuple[tuple[str, int], ...] = ()

    def of(self, at: Place) -> Odd:
        """What is odd about a cell."""
        return self.odd.get(at, Odd())

    def tab(self, r: int) -> tuple[str, int]:
        """The sheet that a row comes from, and the row there."""
        name, start = next((t for t in reversed(self.tabs) if t[1] <= r), (self.name, 0))
        return name, r - start

    @property
    def filled(self) -> list[Place]:
        """Where something was typed, in reading order."""
        return [
            (r, c)
            for r, row in enumerate(self.cells)
            for c, cell in enumerate(row)
            if cell is not None and not self.of((r, c)).copied
        ]

    def turn(self) -> Grid:
        """Rows for columns and columns for rows."""
        cells = [list(column) for column in zip(*self.cells, strict=True)]
        odd = {(c, r): one for (r, c), one in self.odd.items()}
        return replace(self, cells=cells, odd=odd, turned=not self.turned)

    def address(self, r: int, c: int) -> str:
        """How the spreadsheet names a cell: `C7`."""
        row, column = (c, r) if self.turned else (self.tab(r)[1], c)
        return f"{get_column_letter(column + 1)}{row + 1}"

    def origin(self, r: int, c: int) -> tuple[int, int]:
        """Where the text of a merged cell stands."""
        while self.of((r, c)).copied and c > 0 and self.cells[r][c - 1] == self.cells[r][c]:
            c -= 1
        while self.of((r, c)).copied and r > 0:
            r -= 1
        return r, c

    def line(self, r: int) -> str:
        """How the spreadsheet names a line: `row 7`, or `column C` of a turned one."""
        return f"column {get_column_letter(r + 1)}" if self.turned else f"row {r + 1}"

    def text(self, r: int, c: int) -> str | None:
        """A cell as a mark or a word: 12.0 is `12`, true is `TRUE`, a number as it is shown."""
        cell = self.cells[r][c]
        if cell is None:
            return None
        if isinstance(cell, bool):
            return str(cell).upper()
        if shown := self.of((r, c)).shown:
            return shown
        if isinstance(cell, float) and cell.is_integer():
            cell = int(cell)
        return str(cell).strip()


def stacked(grids: Sequence[Grid], width: int) -> Grid:
    """Sheets below one another; the column `width` says in every row from which sheet it comes."""
    cells: list[list[object]] = []
    tabs: list[tuple[str, int]] = []
    odd: dict[Place, Odd] = {}
    for grid in grids:
        start = len(cells)
        tabs.append((grid.name, start))
        odd |= {(r + start, c): one for (r, c), one in grid.odd.items()}
        cells += [[*row, *[None] * (width - len(row)), grid.name.strip()] for row in grid.cells]
    odd |= {(r, width): Odd(copied=True) for r in range(len(cells))}
    return Grid("", cells, odd=odd, tabs=tuple(tabs))


def read_grids(path: Path) -> list[Grid]:
    """Every sheet of a workbook that holds anything, or the one sheet of a text file.

    Raises WoodlabError if there is no file, or it cannot be read.
    """
    if not path.is_file():
        raise WoodlabError(
            f"There is no file at {path}. Give a .csv, .txt, .xlsx, .xls or .ods file."
        )
    if path.suffix.casefold() in WORKBOOKS or _looks_like_workbook(path):
        return _workbook(path)
    return [_text(path)]


def _looks_like_workbook(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(4) == b"PK\x03\x04"


def _clean(rows: Sequence[Sequence[object]]) -> list[list[object]]:
    width = max((len(row) for row in rows), default=0)
    return [
        [None if is_blank(cell) else cell for cell in row] + [None] * (width - len(row))
        for row in rows
    ]


def _workbook(path: Path) -> list[Grid]:
    grids = []
    with workbook(path) as book:
        for name in book.sheet_names:
            sheet = book.get_sheet_by_name(name)
            cells = _clean(sheet.to_python(skip_empty_area=False))
            odd = _fill_merged(cells, sheet.merged_cell_ranges or [])
            grids.append(Grid(name, cells, odd=odd))
        if zipfile.is_zipfile(path) and path.suffix.casefold() in (".xlsx", ".xlsm", ""):
            grids = _with_the_unseen(path, grids)
    return [g for g in grids if any(cell is not None for row in g.cells for cell in row)]


def _with_the_unseen(path: Path, grids: list[Grid]) -> list[Grid]:
    """Errors, formulas without a stored value, hidden cells, and numbers as they are shown."""
    from openpyxl import load_workbook

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of parts that are of no use here
            formulas, values = load_workbook(path), load_workbook(path, data_only=True)
    except Exception:  # the values were read; what else stands in the file is not to be had
        return grids
    found = []
    for grid in grids:
        if grid.name not in formulas.sheetnames or not hasattr(formulas[grid.name], "iter_rows"):
            found.append(grid)
            continue
        sheet, stored = formulas[grid.name], values[grid.name]
        cells, odd = [list(row) for row in grid.cells], dict(grid.odd)
        gone = {
            column
            for kind in sheet.column_dimensions.values()
            if kind.hidden
            for column in range(kind.min, kind.max + 1)
        }
        for cell in (cell for row in sheet.iter_rows() for cell in row if cell.value is not None):
            r, c = cell.row - 1, cell.column - 1
            value = stored.cell(cell.row, cell.column).value
            lost = shown = ""
            if cell.data_type == "e" or str(value) in _ERRORS:
                lost = "the spreadsheet's own error, not a value"
            elif cell.data_type == "f" and value is None:
                lost = (
                    "a formula without a stored value: open the sheet in the spreadsheet program "
                    "and save it again"
                )
            elif cell.data_type == "n" and (form := _SHOWN.fullmatch(cell.number_format)):
                decimals = max(len(form[2] or "") - 1, 0)
                width = len(form[1]) + decimals + (1 if decimals else 0)
                shown = f"{float(cell.value):0{width}.{decimals}f}"
            hidden = bool(sheet.row_dimensions[cell.row].hidden) or cell.column in gone
            if lost or shown or hidden:
                odd[r, c] = Odd(grid.of((r, c)).copied, lost, hidden, shown)
            if lost:
                cells += [[] for _ in range(r + 1 - len(cells))]
                cells[r] += [None] * (c + 1 - len(cells[r]))
                cells[r][c] = str(value if value is not None else cell.value)
        found.append(replace(grid, cells=_clean(cells), odd=odd))
    return found


def _fill_merged(cells: list[list[object]], ranges: list) -> dict[Place, Odd]:
    """Write the text of a merged cell into all the places it covers."""
    copied = {}
    for (top, left), (bottom, right) in ranges:
        for r in range(top, min(bottom + 1, len(cells))):
            for c in range(left, min(right + 1, len(cells[r]))):
                if (r, c) != (top, left) and cells[r][c] is None and cells[top][left] is not None:
                    cells[r][c] = cells[top][left]
                    copied[r, c] = Odd(copied=True)
    return copied


def _text(path: Path) -> Grid:
    text = decoded(path.read_bytes()).replace("\r\n", "\n").replace("\r", "\n").replace("\0", "")
    head, _, rest = text.partition("\n")
    if head.casefold().startswith("sep=") and len(head) == 5:  # a spreadsheet's own first line
        separator, text = head[4], "\n" + rest
    else:
        separator = _separator(text)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    except csv.Error as error:
        raise WoodlabError(f"{path.name} cannot be read as a table ({error}).") from error
    if (columns := max(map(len, rows), default=0)) > LAST_COLUMN:
        raise WoodlabError(
            f"{path.name} has {columns:,} columns, more than a sheet. Is it the one?"
        )
    return Grid(path.name, _clean([list[object](row) for row in rows]), separator)


def _separator(text: str) -> str:
    """The separator that most lines have; a comma may also be a decimal sign, so it comes last."""
    lines = [line for line in text.split("\n")[:400] if line.strip()]
    counts = {separator: sum(separator in line for line in lines) for separator in SEPARATORS}
    most = max(counts, key=lambda separator: counts[separator]) if any(counts.values()) else ","
    return next((one for one in SEPARATORS if 2 * counts[one] > len(lines)), most)
