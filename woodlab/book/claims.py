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
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

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
            found: list[tuple[int, int]] = []
            text = 0
            if entry.filename.casefold() == "content.xml":
                found, text, tabs = _claims_of_ods(_pieces(archive, entry))
                if tabs:  # the reader would leave it out, and A<tab>1 would be A1
                    raise WoodlabError(
                        f"A cell of the sheet {tabs!r} of {path.name} holds a tab, which "
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


def _claims_of_ods(pieces: Iterator[bytes]) -> tuple[list[tuple[int, int]], int, str]:
    """The last row and column of each table of an .ods file, repeats multiplied out; how much text
    its cells hold; and the table of the book in which a cell holds a tab."""
    parser: Any = ElementTree.XMLPullParser(("start", "end"))
    path: list[ElementTree.Element] = []
    corners: list[tuple[int, int]] = []
    text_bytes, tabs, name = 0, "", ""
    rows = last_row = last_column = 0
    for piece in chain(pieces, [b""]):
        try:
            parser.feed(piece)
            if not piece:
                parser.close()
            events = parser.read_events()
        except ElementTree.ParseError as error:
            raise zipfile.BadZipFile(f"its content is damaged: {error}") from error
        for event, element in events:
            kind = element.tag.rpartition("}")[2]
            if event == "start":
                path.append(element)
                if kind == "table":
                    rows = last_row = last_column = 0
                    name = _attribute(element, "}name")
                continue
            path.pop()
            if kind == "tab" and name.strip().casefold() in TABLES:
                tabs = name
            elif kind == "table":
                corners.append((last_row, last_column))
            elif kind == "table-row":
                column = filled = size = 0
                for cell in element:
                    again = _repeats(cell, "number-columns-repeated")
                    column += again
                    text = "".join(cell.itertext())
                    if text.strip() or _attribute(cell, "value-type"):
                        filled = column
                        size += again * len(text + _attribute(cell, "string-value"))
                again = _repeats(element, "number-rows-repeated")
                rows += again
                text_bytes += size * again
                if filled:
                    last_row, last_column = rows, max(last_column, filled)
                if path:
                    path[-1].remove(element)  # a row that was counted takes no more room
    return corners, text_bytes, tabs


def _attribute(element: ElementTree.Element, ending: str) -> str:
    return next((value for key, value in element.attrib.items() if key.endswith(ending)), "")


def _repeats(element: ElementTree.Element, ending: str) -> int:
    digits = _attribute(element, ending).strip()
    return _count(digits) if digits.isdecimal() else 1
