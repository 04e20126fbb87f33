"""Ends of pieces into the table `pieces` of a book: only the cells of those pieces change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from woodlab.book.cells import as_date
from woodlab.book.record_book import open_book
from woodlab.book.tables import TABLES
from woodlab.book.units import match_heading
from woodlab.book.writing.as_csv import Hand
from woodlab.book.writing.as_xlsx import bytes_of, sheet_of, whole_workbook
from woodlab.book.writing.saving import file_of, put
from woodlab.errors import WoodlabError
from woodlab.safe_write import locked

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
        book = open_book(path, set_aside=True)
        new: bytes | dict[str, bytes | None]
        if path.is_dir():
            new = {"pieces": _csv_with_ends(file_of(path, "pieces").read_bytes(), ends)}
        else:
            new = _workbook_with_ends(path, ends)
        pieces = book.pieces
        for piece, end in ends.items():
            pieces.loc[pieces["piece"] == piece, list(COLUMNS)] = [as_date(end[0]), end[1]]
        put(path, new, replace(book, pieces=pieces), exactly=False)


def _csv_with_ends(data: bytes, ends: Ends) -> bytes:
    hand = Hand.of(data)
    names = [_name(heading) for heading in hand.headings]
    missing = [name for name in COLUMNS if name not in names]
    rows = hand.rows(missing)
    _set([row for row in rows[1:] if row], [*names, *missing], ends)
    return hand.encoded(hand.lines(rows))


def _workbook_with_ends(path: Path, ends: Ends) -> bytes:
    book = whole_workbook(path)
    sheet = sheet_of(book, "pieces")
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
    return bytes_of(book)


def _name(heading: object) -> str:
    match = match_heading(str(heading or ""), TABLES["pieces"])
    return match.column.name if match else str(heading or "").strip()


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
