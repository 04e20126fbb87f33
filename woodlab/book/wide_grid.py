"""A sheet as a grid of cells, from any kind of file that a spreadsheet program writes."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from woodlab.book.claims import check_claims
from woodlab.book.reading import WORKBOOKS
from woodlab.book.wide_cells import is_empty
from woodlab.errors import WoodlabError

SEPARATORS = ("\t", ";", ",", "|")


@dataclass(frozen=True)
class Grid:
    """Cells by row and column, `None` where empty; `copied` ones were filled in from a merge."""

    name: str
    cells: list[list[object]]
    separator: str | None = None
    copied: frozenset[tuple[int, int]] = frozenset()
    notes: list[str] = field(default_factory=list)

    @property
    def filled(self) -> list[tuple[int, int]]:
        """Where something was typed, in reading order."""
        return [
            (r, c)
            for r, row in enumerate(self.cells)
            for c, cell in enumerate(row)
            if cell is not None and (r, c) not in self.copied
        ]

    def turned(self) -> Grid:
        """Rows for columns and columns for rows."""
        return Grid(
            self.name,
            [list(column) for column in zip(*self.cells, strict=True)],
            self.separator,
            frozenset((c, r) for r, c in self.copied),
            self.notes,
        )


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

    Raises
    ------
    WoodlabError
        If there is no file, or it cannot be read.
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
        [None if is_empty(cell) else cell for cell in row] + [None] * (width - len(row))
        for row in rows
    ]


def _workbook(path: Path) -> list[Grid]:
    from python_calamine import CalamineWorkbook

    grids = []
    try:
        check_claims(path)
        with CalamineWorkbook.from_path(str(path)) as workbook:
            for name in workbook.sheet_names:
                sheet = workbook.get_sheet_by_name(name)
                cells = _clean(sheet.to_python(skip_empty_area=False))
                copied = _fill_merged(cells, sheet.merged_cell_ranges or [])
                if any(cell is not None for row in cells for cell in row):
                    grids.append(Grid(name, cells, copied=copied))
    except (WoodlabError, MemoryError):
        raise
    except Exception as error:  # a damaged file can fail its reader in any way
        raise _damaged(path, error) from error
    except BaseException as error:
        # The reader is written in another language; its surprises are no Exceptions here.
        if type(error).__name__ != "PanicException":
            raise
        raise _damaged(path, error) from None
    return grids


def _damaged(path: Path, error: BaseException) -> WoodlabError:
    return WoodlabError(
        f"{path.name} cannot be read as a workbook ({error}). Open it in a spreadsheet program "
        "and save it again as .xlsx, .ods or .csv."
    )


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


def decoded(data: bytes) -> str:
    """The text of a file: UTF-8 or UTF-16, with or without its mark, else Windows-1252.

    Examples
    --------
    >>> decoded("Stück;1,5".encode("cp1252")) == decoded("Stück;1,5".encode("utf-16"))
    True
    """
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace")
    head = data[:4000]
    if head.count(0) > len(head) // 4:  # every second byte of Latin text in UTF-16 is zero
        order = "utf-16-le" if head[1::2].count(0) >= head[::2].count(0) else "utf-16-be"
        return data.decode(order, errors="replace")
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    return data.decode("latin-1")


def _text(path: Path) -> Grid:
    text = decoded(path.read_bytes()).replace("\r\n", "\n").replace("\r", "\n").replace("\0", "")
    head, _, rest = text.partition("\n")
    if head.casefold().startswith("sep=") and len(head) == 5:  # a spreadsheet's own first line
        separator, text = head[4], "\n" + rest
    else:
        separator = _separator(text)
    csv.field_size_limit(10_000_000)
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
