"""What a workbook claims to hold, asked before it is read: its reader makes room for the claim.

A workbook is a zip file of XML. A few bytes in it can claim a cell at the far corner of a sheet,
a row that stands a billion times, or a gigabyte of blanks; the reader would take the memory first
and ask later. So the claims are read from the packed file, in small pieces, and compared with what
a record book can hold.
"""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterator
from pathlib import Path
from xml.parsers import expat

from woodlab.book.tables import TABLES
from woodlab.errors import WoodlabError

MOST_UNPACKED_BYTES = 500_000_000
MOST_CELLS = 20_000_000
# The sheet of every program ends here; a cell beyond is damage or malice.
LAST_ROW, LAST_COLUMN = 1_048_576, 16_384
_PIECE_BYTES = 1 << 20
_LONGEST_REFERENCE = 64


def check_claims(path: Path) -> None:
    """Refuse a workbook that would not fit into memory.

    Raises
    ------
    WoodlabError
        If the file unpacks to more than half a gigabyte, or a sheet claims more than twenty
        million cells, or cells beyond the last that a sheet has.
    zipfile.BadZipFile
        If the file is damaged.
    """
    if not zipfile.is_zipfile(path):
        return  # the older workbooks are no zip files, and their sheets are small
    with zipfile.ZipFile(path) as archive:
        size = sum(entry.file_size for entry in archive.infolist())
        if size > MOST_UNPACKED_BYTES:
            raise WoodlabError(
                f"{path.name} unpacks to {size / 1e9:.1f} GB, far more than a record book holds. "
                "Open it in a spreadsheet program and save the tables as CSV files."
            )
        for entry in archive.infolist():
            name = entry.filename.casefold()
            if "worksheets/" in name and name.endswith(".xml"):
                _check(path, *_far_corner(_pieces(archive, entry)))
            elif name == "content.xml":
                corners = _corners_of_ods(_pieces(archive, entry))
                for corner in corners.corners:
                    _check(path, *corner)
                if corners.tabs:  # the reader would leave it out, and A<tab>1 would be A1
                    raise WoodlabError(
                        f"A cell of the sheet {corners.tabs!r} of {path.name} holds a tab, which "
                        "cannot be read. Put a blank for it, or save the tables as CSV files."
                    )


def _check(path: Path, rows: int, columns: int) -> None:
    beyond = rows > LAST_ROW or columns > LAST_COLUMN
    if beyond or rows * columns > MOST_CELLS:
        raise WoodlabError(
            f"A sheet of {path.name} claims {rows:,} rows of {columns:,} columns, far more than a "
            "record book holds. Delete the rows and columns after the records, or save the "
            "tables as CSV files."
        )


def _pieces(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> Iterator[bytes]:
    # Python's reader stops at the size that the file states and compares its check sum, so a
    # file that states too little is found damaged here.
    with archive.open(entry) as file:
        while piece := file.read(_PIECE_BYTES):
            yield piece


_COLUMN_LETTERS = re.compile(rb"""\br\s*=\s*["']([A-Za-z]+)\d""")
_ROW_DIGITS = re.compile(rb"""\br\s*=\s*["'][A-Za-z]*(\d+)["']""")


def _far_corner(pieces: Iterator[bytes]) -> tuple[int, int]:
    """The last row and column that the cells of an .xlsx sheet name."""
    letters: set[bytes] = set()
    rows, tail = 0, b""
    for piece in pieces:
        text = tail + piece
        letters.update(_COLUMN_LETTERS.findall(text))
        digits = set(_ROW_DIGITS.findall(text))
        rows = max([rows, *(_count(one) for one in digits)])
        tail = text[-_LONGEST_REFERENCE:]
    return rows, max([0, *(_column_number(one) for one in letters)])


def _count(digits: bytes | str) -> int:
    return int(digits) if len(digits) < 12 else 10**12


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters.upper()[:8]:
        number = 26 * number + letter - 64
    return number


class _Corners:
    """Counts the rows and columns of each table of an .ods file, repeats multiplied out."""

    def __init__(self) -> None:
        self.corners: list[tuple[int, int]] = []
        self.tabs = self._name = ""
        self._row = self._rows = self._columns = 0
        self._column = self._last_column = self._repeats = 0
        self._cell_repeats, self._filled = 1, False

    def start(self, name: str, attributes: dict[str, str]) -> None:
        local = name.rpartition(":")[2]
        if local == "table":
            self._row = self._rows = self._columns = 0
            named = (value for key, value in attributes.items() if key.endswith(":name"))
            self._name = next(named, "")
        elif local == "tab" and self._name.strip().casefold() in TABLES:
            self.tabs = self._name
        elif local == "table-row":
            self._repeats = _repeats(attributes, "number-rows-repeated")
            self._column = self._last_column = 0
        elif local in ("table-cell", "covered-table-cell"):
            self._cell_repeats = _repeats(attributes, "number-columns-repeated")
            self._filled = any(key.endswith("value-type") for key in attributes)

    def text(self, data: str) -> None:
        self._filled = self._filled or bool(data.strip())

    def end(self, name: str) -> None:
        local = name.rpartition(":")[2]
        if local in ("table-cell", "covered-table-cell"):
            self._column += self._cell_repeats
            if self._filled:
                self._last_column = self._column
            self._filled = False
        elif local == "table-row":
            self._row += self._repeats
            if self._last_column:
                self._rows = self._row
                self._columns = max(self._columns, self._last_column)
        elif local == "table":
            self.corners.append((self._rows, self._columns))


def _repeats(attributes: dict[str, str], wanted: str) -> int:
    for key, value in attributes.items():
        if key.endswith(wanted) and value.strip().isdecimal():
            return _count(value.strip())
    return 1


def _corners_of_ods(pieces: Iterator[bytes]) -> _Corners:
    corners = _Corners()
    parser = expat.ParserCreate()
    parser.StartElementHandler = corners.start
    parser.EndElementHandler = corners.end
    parser.CharacterDataHandler = corners.text
    parser.buffer_text = True
    try:
        for piece in pieces:
            parser.Parse(piece, False)
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise zipfile.BadZipFile(f"its content is damaged: {error}") from error
    return corners
