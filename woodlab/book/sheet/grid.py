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

from woodlab.book.cells import is_blank
from woodlab.book.claims import workbook
from woodlab.book.reading import WORKBOOKS, decoded
from woodlab.errors import WoodlabError

SEPARATORS = ("\t", ";", ",", "|")
_ERRORS = ("#REF!", "#DIV/0!", "#VALUE!", "#NAME?", "#N/A", "#NUM!", "#NULL!", "#SPILL!")
_SHOWN = re.compile(r"(0+)(\.0+)?")  # the formats of a number that show zeros it does not need


@dataclass(frozen=True)
class Grid:
    """Cells by row and column as they stand in the file, `None` where empty.

    `copied` cells were filled in from a merge; `lost` ones hold an error or a formula without a
    stored value, `hidden` ones stand in hidden rows or columns; `shown` is how a number is shown
    where its format says more than its value (`01`, `1.10`). `turned` says that rows and columns
    were swapped for reading.
    """

    name: str
    cells: list[list[object]]
    separator: str | None = None
    copied: frozenset[tuple[int, int]] = frozenset()
    lost: dict[tuple[int, int], str] = field(default_factory=dict)
    hidden: frozenset[tuple[int, int]] = frozenset()
    shown: dict[tuple[int, int], str] = field(default_factory=dict)
    turned: bool = False
    tabs: tuple[tuple[str, int], ...] = ()  # sheets that stand below one another, and since where

    def tab(self, r: int) -> tuple[str, int]:
        """The sheet that a row comes from, and the row there."""
        name, start = next((t for t in reversed(self.tabs) if t[1] <= r), (self.name, 0))
        return name, r - start

    @property
    def filled(self) -> list[tuple[int, int]]:
        """Where something was typed, in reading order."""
        return [
            (r, c)
            for r, row in enumerate(self.cells)
            for c, cell in enumerate(row)
            if cell is not None and (r, c) not in self.copied
        ]

    def turn(self) -> Grid:
        """Rows for columns and columns for rows."""
        return replace(
            self,
            cells=[list(column) for column in zip(*self.cells, strict=True)],
            copied=frozenset((c, r) for r, c in self.copied),
            lost={(c, r): why for (r, c), why in self.lost.items()},
            hidden=frozenset((c, r) for r, c in self.hidden),
            shown={(c, r): text for (r, c), text in self.shown.items()},
            turned=not self.turned,
        )

    def address(self, r: int, c: int) -> str:
        """How the spreadsheet names a cell: `C7`."""
        row = self.tab(r)[1]
        return f"{column_letter(r)}{c + 1}" if self.turned else f"{column_letter(c)}{row + 1}"

    def origin(self, r: int, c: int) -> tuple[int, int]:
        """Where the text of a merged cell stands."""
        while (r, c) in self.copied and c > 0 and self.cells[r][c - 1] == self.cells[r][c]:
            c -= 1
        while (r, c) in self.copied and r > 0:
            r -= 1
        return r, c

    def line(self, r: int) -> str:
        """How the spreadsheet names a line: `row 7`, or `column C` of a turned one."""
        return f"column {column_letter(r)}" if self.turned else f"row {r + 1}"

    def text(self, r: int, c: int) -> str | None:
        """A cell as a mark or a word: 12.0 is `12`, true is `TRUE`, a number as it is shown."""
        cell = self.cells[r][c]
        if cell is None:
            return None
        if isinstance(cell, bool):
            return str(cell).upper()
        if (r, c) in self.shown:
            return self.shown[r, c]
        if isinstance(cell, float) and cell.is_integer():
            cell = int(cell)
        return str(cell).strip()


def stacked(grids: Sequence[Grid], width: int) -> Grid:
    """Sheets below one another; the column `width` says in every row from which sheet it comes."""
    cells: list[list[object]] = []
    tabs: list[tuple[str, int]] = []
    moved: dict[str, dict] = {name: {} for name in ("copied", "lost", "hidden", "shown")}
    for grid in grids:
        start = len(cells)
        tabs.append((grid.name, start))
        cells += [[*row, *[None] * (width - len(row)), grid.name.strip()] for row in grid.cells]
        for name, to in moved.items():
            places = getattr(grid, name)
            of = places if isinstance(places, dict) else dict.fromkeys(places)
            to |= {(r + start, c): value for (r, c), value in of.items()}
    copied = frozenset(moved["copied"]) | {(r, width) for r in range(len(cells))}
    return Grid(
        "", cells, None, copied, moved["lost"], frozenset(moved["hidden"]), moved["shown"],
        tabs=tuple(tabs),
    )  # fmt: skip


def column_letter(column: int) -> str:
    """How a spreadsheet names a column, counted from 0.

    Examples
    --------
    >>> column_letter(0), column_letter(27)
    ('A', 'AB')
    """
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


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
            copied = _fill_merged(cells, sheet.merged_cell_ranges or [])
            grids.append(Grid(name, cells, copied=copied))
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
        cells = [list(row) for row in grid.cells]
        lost, shown, hidden = {}, {}, set()
        gone = {
            column
            for kind in sheet.column_dimensions.values()
            if kind.hidden
            for column in range(kind.min, kind.max + 1)
        }
        for row in sheet.iter_rows():
            for cell in row:
                if cell.value is None:
                    continue
                r, c = cell.row - 1, cell.column - 1
                if sheet.row_dimensions[cell.row].hidden or cell.column in gone:
                    hidden.add((r, c))
                value = stored.cell(cell.row, cell.column).value
                if cell.data_type == "e" or str(value) in _ERRORS:
                    lost[r, c] = "the spreadsheet's own error, not a value"
                elif cell.data_type == "f" and value is None:
                    lost[r, c] = (
                        "a formula without a stored value: open the sheet in the spreadsheet "
                        "program and save it again"
                    )
                elif cell.data_type == "n" and (form := _SHOWN.fullmatch(cell.number_format)):
                    whole, decimals = len(form[1]), len(form[2] or "") and len(form[2]) - 1
                    width = whole + decimals + (1 if decimals else 0)
                    shown[r, c] = f"{float(cell.value):0{width}.{decimals}f}"
                if (r, c) in lost:
                    while len(cells) <= r:
                        cells.append([])
                    for line in cells:
                        line += [None] * (c + 1 - len(line))
                    cells[r][c] = str(value if value is not None else cell.value)
        width = max((len(line) for line in cells), default=0)
        cells = [line + [None] * (width - len(line)) for line in cells]
        found.append(replace(grid, cells=cells, lost=lost, hidden=frozenset(hidden), shown=shown))
    return found


def _fill_merged(cells: list[list[object]], ranges: list) -> frozenset[tuple[int, int]]:
    """Write the text of a merged cell into all the places it covers."""
    copied = set()
    for (top, left), (bottom, right) in ranges:
        for r in range(top, min(bottom + 1, len(cells))):
            for c in range(left, min(right + 1, len(cells[r]))):
                if (r, c) != (top, left) and cells[r][c] is None and cells[top][left] is not None:
                    cells[r][c] = cells[top][left]
                    copied.add((r, c))
    return frozenset(copied)


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
    return Grid(path.name, _clean([list[object](row) for row in rows]), separator)


def _separator(text: str) -> str:
    """The separator that most lines have; a comma may also be a decimal sign, so it comes last."""
    lines = [line for line in text.split("\n")[:400] if line.strip()]
    for separator in SEPARATORS:
        if 2 * sum(separator in line for line in lines) > len(lines):
            return separator
    counts = {separator: sum(separator in line for line in lines) for separator in SEPARATORS}
    return max(SEPARATORS, key=lambda separator: counts[separator]) if any(counts.values()) else ","
