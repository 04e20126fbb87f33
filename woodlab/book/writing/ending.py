"""Ends of pieces into the table `pieces` of a book: only the cells of those pieces change."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from pathlib import Path

from woodlab.book.reading import decoded, separator_of
from woodlab.book.tables import TABLES
from woodlab.book.units import match_heading
from woodlab.book.writing.adding import _encoding, _lines, _with_columns
from woodlab.book.writing.as_xlsx import _bytes_of, _sheet_of, _whole_workbook
from woodlab.book.writing.saving import file_of
from woodlab.errors import WoodlabError
from woodlab.safe_write import locked, write_file

COLUMNS = ("ended_on", "outcome")
Ends = Mapping[str, tuple[str, str]]  # piece -> the day, what became of it


def write_ends(path: Path, ends: Ends) -> None:
    """Set `ended_on` and `outcome` of pieces in a folder's `pieces.csv` or a workbook's sheet.

    Raises
    ------
    WoodlabError
        If a piece is not found in the file, or has ended already.
    """
    with locked(path):
        if path.is_dir():
            file = file_of(path, "pieces")
            write_file(file, _csv_with_ends(file.read_bytes(), ends))
        else:
            write_file(path, _workbook_with_ends(path, ends))


def _csv_with_ends(data: bytes, ends: Ends) -> bytes:
    text, encoding = decoded(data), _encoding(data)
    newline = "\r\n" if "\r\n" in text else "\n"
    separator = separator_of(text.split("\n", 1)[0])
    headings = next(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    while headings and not headings[-1].strip():
        headings.pop()
    names = [_name(heading) for heading in headings]
    missing = [name for name in COLUMNS if name not in names]
    if missing:
        text = _with_columns(text, separator, newline, len(headings), missing)
    rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    _set([row for row in rows[1:] if row], [*names, *missing], ends)
    whole = _lines(rows, separator, newline)
    return whole.encode("utf-16" if encoding.startswith("utf-16") else encoding)


def _workbook_with_ends(path: Path, ends: Ends) -> bytes:
    book = _whole_workbook(path)
    sheet = _sheet_of(book, "pieces")
    names = [_name(cell.value) for cell in sheet[1]]
    while names and not names[-1]:
        names.pop()
    for name in [name for name in COLUMNS if name not in names]:
        names.append(name)
        sheet.cell(1, len(names), name)
    rows = [
        ["" if cell.value is None else str(cell.value) for cell in row]
        for row in sheet.iter_rows(min_row=2, max_col=len(names))
    ]
    for at, changed in _set(rows, names, ends).items():
        for name, value in changed.items():
            sheet.cell(at + 2, names.index(name) + 1, value)
    return _bytes_of(book)


def _name(heading: object) -> str:
    match = match_heading(str(heading or ""), TABLES["pieces"])
    return match[0].name if match else str(heading or "").strip()


def _set(rows: list[list[str]], names: list[str], ends: Ends) -> dict[int, dict[str, str]]:
    """Put the ends into the rows; what was changed, by row."""
    at = {name: names.index(name) for name in ("piece", *COLUMNS)}
    found: dict[str, int] = {}
    for i, row in enumerate(rows):
        row.extend([""] * (len(names) - len(row)))
        found.setdefault(row[at["piece"]].strip(), i)
    changes = {}
    for piece, values in ends.items():
        if piece not in found:
            raise WoodlabError(
                f"The piece {piece!r} was not found as such in the table pieces. Type its end "
                "there: ended_on and outcome."
            )
        row = rows[found[piece]]
        if row[at["outcome"]].strip():
            raise WoodlabError(f"{piece} has ended already: {row[at['outcome']]}.")
        change = dict(zip(COLUMNS, values, strict=True))
        for name, value in change.items():
            row[at[name]] = value
        changes[found[piece]] = change
    return changes
