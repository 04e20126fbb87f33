"""What a workbook claims to hold, asked before it is read: its reader makes room for the claim.

A workbook is a zip file of XML. A few bytes in it can claim a cell at the far corner of a sheet,
a row that stands a billion times, a gigabyte of blanks, or a long text in a million cells; the
reader would take the memory first and ask later. So the claims are read from the packed file, in
small pieces, and compared with what a record book can hold. Any part of the file may be a sheet,
whatever it is called.
"""

from __future__ import annotations

import re
import zipfile
from array import array
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING
from xml.parsers import expat

from woodlab.book.tables import TABLES
from woodlab.errors import WoodlabError

if TYPE_CHECKING:
    from python_calamine import CalamineWorkbook

MOST_UNPACKED_BYTES = 500_000_000
MOST_TEXT_BYTES = 500_000_000  # of all cells together
MOST_CELLS = 20_000_000  # of all sheets together
MOST_SHARED_TEXTS = 4_000_000
# The sheet of every program ends here; a cell beyond is damage or malice.
LAST_ROW, LAST_COLUMN = 1_048_576, 16_384
_PIECE_BYTES = 1 << 20


def check_claims(path: Path) -> None:
    """Refuse a workbook that would not fit into memory; BadZipFile if it is damaged."""
    if not zipfile.is_zipfile(path):
        return  # the older workbooks are no zip files, and their sheets are small
    with zipfile.ZipFile(path) as archive:
        size = sum(entry.file_size for entry in archive.infolist())
        if size > MOST_UNPACKED_BYTES:
            raise _too_much(path, f"unpacks to {size / 1e9:.1f} GB")
        cells, shared = 0, _SharedTexts()
        for entry in archive.infolist():
            found, text = [], 0
            if entry.filename.casefold() == "content.xml":
                corners = _corners_of_ods(_pieces(archive, entry))
                found, text = corners.corners, corners.text_bytes
                if corners.tabs:  # the reader would leave it out, and A<tab>1 would be A1
                    raise WoodlabError(
                        f"A cell of the sheet {corners.tabs!r} of {path.name} holds a tab, which "
                        "cannot be read. Put a blank for it, or save the tables as CSV files."
                    )
            else:
                found = [_far_corner(_pieces(archive, entry), shared)]
            for rows, columns in found:
                cells += rows * columns
                if rows > LAST_ROW or columns > LAST_COLUMN or cells > MOST_CELLS:
                    raise _too_much(path, f"claims {rows:,} rows of {columns:,} columns in a sheet")
            if text > MOST_TEXT_BYTES:
                raise _too_much(path, f"claims {text / 1e9:.1f} GB of text in its cells")
            if len(shared.lengths) > MOST_SHARED_TEXTS or shared.claimed > MOST_CELLS:
                raise _too_much(path, f"claims more than {MOST_SHARED_TEXTS:,} different texts")
        if shared.bytes_claimed() > MOST_TEXT_BYTES:
            raise _too_much(path, "claims more text in its cells than fits into memory")


@contextmanager
def workbook(path: Path) -> Iterator[CalamineWorkbook]:
    """A workbook to read from; a damaged one is said to be, wherever its reader stumbles."""
    from python_calamine import CalamineWorkbook

    try:
        check_claims(path)
        with CalamineWorkbook.from_path(str(path)) as book:
            yield book
    except (WoodlabError, MemoryError):
        raise
    except BaseException as error:
        # The reader is written in another language; its surprises are no Exceptions here.
        if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
            raise
        raise WoodlabError(
            f"{path.name} cannot be read as a workbook ({error}). Open it in a spreadsheet "
            "program and save it again as .xlsx or .ods."
        ) from (error if isinstance(error, Exception) else None)


def _too_much(path: Path, what: str) -> WoodlabError:
    return WoodlabError(
        f"{path.name} {what}, far more than a record book holds. Delete the rows, columns and "
        "sheets that are no records in a spreadsheet program, or save the tables as CSV files."
    )


class _SharedTexts:
    """Lengths of the texts that cells share, and how often a cell names each of them."""

    def __init__(self) -> None:
        self.lengths = array("q")
        self.named: Counter[int] = Counter()
        self.references = 0
        self.claimed = 0  # the reader makes room for them before it reads one

    def bytes_claimed(self) -> int:
        """At most: a reference that was not understood counts as one to the longest text."""
        longest = max(self.lengths, default=0)
        if self.references * longest <= MOST_TEXT_BYTES:
            return self.references * longest
        unknown = max(0, self.references - self.named.total()) * longest
        there = len(self.lengths)
        return unknown + sum(n * self.lengths[at] for at, n in self.named.items() if at < there)


def _pieces(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> Iterator[bytes]:
    # Python's reader stops at the size that the file states and compares its check sum, so a
    # file that states too little is found damaged here.
    with archive.open(entry) as file:
        while piece := file.read(_PIECE_BYTES):
            yield piece


_COLUMN_LETTERS = re.compile(rb"""\br\s*=\s*["']([A-Za-z]+)\d""")
_ROW_DIGITS = re.compile(rb"""\br\s*=\s*["'][A-Za-z]*(\d+)["']""")


_SHARED_TEXT = re.compile(rb"<(?:[\w.-]+:)?si[\s/>]")
_COUNTED = re.compile(rb"""\b(?:uniqueC|c)ount\s*=\s*["']\s*\+?(\d+)""")  # room is made for so many
_REFERENCE = re.compile(rb"""\bt\s*=\s*["']s["']""")
_NAMED = re.compile(rb"""\bt\s*=\s*["']s["'][^<>]*>\s*<(?:[\w.-]+:)?v>(\d{1,9})</""")


def _far_corner(pieces: Iterator[bytes], shared: _SharedTexts) -> tuple[int, int]:
    """The last row and column that the cells in a part name; its texts go into `shared`."""
    letters: set[bytes] = set()
    rows, tail, within = 0, b"", False
    for piece in chain(pieces, [b"<"]):
        text = tail + piece
        cut = max(text.rfind(b"<"), len(text) - _PIECE_BYTES, 0)  # no tag is cut in two
        text, tail = text[:cut], text[cut:]
        before, *lengths = map(len, _SHARED_TEXT.split(text))
        if within:
            shared.lengths[-1] += before
        shared.lengths.extend(lengths)
        within = within or bool(lengths)
        if len(shared.lengths) > MOST_SHARED_TEXTS:
            break
        letters.update(_COLUMN_LETTERS.findall(text))
        rows = max([rows, *(_count(one) for one in set(_ROW_DIGITS.findall(text)))])
        claimed = max((_count(one) for one in _COUNTED.findall(text)), default=0)
        shared.claimed = max(shared.claimed, claimed)
        shared.references += len(_REFERENCE.findall(text))
        shared.named.update(map(int, _NAMED.findall(text)))
    return rows, max([0, *(_column_number(one) for one in letters)])


def _count(digits: bytes | str) -> int:
    return int(digits) if len(digits) < 12 else 10**12


def _column_number(letters: bytes) -> int:
    return sum((letter - 64) * 26**at for at, letter in enumerate(reversed(letters.upper()[:8])))


class _Corners:
    """Counts the rows and columns of each table of an .ods file, repeats multiplied out."""

    def __init__(self) -> None:
        self.corners: list[tuple[int, int]] = []
        self.text_bytes = self._cell_bytes = self._row_bytes = 0
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
            self._column = self._last_column = self._row_bytes = 0
        elif local in ("table-cell", "covered-table-cell"):
            self._cell_repeats = _repeats(attributes, "number-columns-repeated")
            self._filled = any(key.endswith("value-type") for key in attributes)
            self._cell_bytes = sum(
                len(value) for key, value in attributes.items() if key.endswith("string-value")
            )

    def text(self, data: str) -> None:
        self._cell_bytes += len(data)
        self._filled = self._filled or bool(data.strip())

    def end(self, name: str) -> None:
        local = name.rpartition(":")[2]
        if local in ("table-cell", "covered-table-cell"):
            self._column += self._cell_repeats
            if self._filled:
                self._row_bytes += self._cell_bytes * self._cell_repeats
                self._last_column = self._column
            self._filled = False
        elif local == "table-row":
            self._row += self._repeats
            self.text_bytes += self._row_bytes * self._repeats
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
