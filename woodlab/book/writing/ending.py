"""Ends of pieces into the table `pieces` of a book: only the cells of those pieces change."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from woodlab.book.cells import as_date
from woodlab.book.record_book import open_book
from woodlab.book.tables import TABLES
from woodlab.book.units import match_heading
from woodlab.book.writing.as_csv import Hand
from woodlab.book.writing.as_xlsx import bytes_of, empty, sheet_of, whole_workbook
from woodlab.book.writing.saving import file_of, put
from woodlab.errors import WoodlabError
from woodlab.safe_write import locked

Cells = dict[tuple[int, int], str | float]  # row and column of a file's cell, what to write


def write_ends(path: Path, ends: pd.DataFrame) -> None:
    """Set the ends of pieces in a folder's `pieces.csv` or a workbook's sheet.

    ends : `piece`, `ended_on`, `outcome`, and `finished_wall_mm` where it was measured.

    Raises
    ------
    WoodlabError
        If a piece is not found in the file, or has ended already.
    """
    ends = ends.dropna(axis=1, how="all")
    with locked(path):
        book = open_book(path, set_aside=True)
        new: bytes | dict[str, bytes | None]
        if path.is_dir():
            new = {"pieces": _csv_with_ends(file_of(path, "pieces").read_bytes(), ends)}
        else:
            new = _workbook_with_ends(path, ends)
        pieces = book.pieces
        for row in ends.assign(ended_on=ends["ended_on"].map(as_date)).to_dict("records"):
            piece = row.pop("piece")
            pieces.loc[pieces["piece"] == piece, list(row)] = list(row.values())
        put(path, new, replace(book, pieces=pieces), exactly=False)


def _csv_with_ends(data: bytes, ends: pd.DataFrame) -> bytes:
    hand = Hand.of(data)
    missing = _missing(hand.headings, ends)
    rows = hand.rows(missing)
    decimal = "." if hand.separator == "," else ","
    for (row, column), value in _changes(rows, ends).items():
        text = value if isinstance(value, str) else f"{value:.10g}".replace(".", decimal)
        rows[row][column] = text
    return hand.encoded(hand.lines(rows))


def _workbook_with_ends(path: Path, ends: pd.DataFrame) -> bytes:
    book = whole_workbook(path)
    sheet = sheet_of(book, "pieces")
    rows = [["" if v is None else str(v) for v in row] for row in sheet.iter_rows(values_only=True)]
    while rows[0] and not rows[0][-1]:
        rows[0].pop()
    rows[0] += _missing(rows[0], ends)
    for column, heading in enumerate(rows[0], 1):
        sheet.cell(1, column, heading)
    for (row, column), value in _changes(rows, ends).items():
        sheet.cell(row + 1, column + 1, value)
    return bytes_of(book)


def _missing(headings: list[str], ends: pd.DataFrame) -> list[str]:
    known = [match.column.name for h in headings if (match := match_heading(h, TABLES["pieces"]))]
    return [name for name in ends if name not in known]


def _changes(rows: list[list[str]], ends: pd.DataFrame) -> Cells:
    """What to write where; the first of the rows holds the headings."""
    places = {}
    for column, heading in enumerate(rows[0]):
        match = match_heading(heading, TABLES["pieces"])
        if match:
            places.setdefault(match.column.name, (column, match))
    at, gone = places["piece"][0], places["outcome"][0]
    found: dict[str, int] = {}
    for number, cells in enumerate(rows[1:], 1):
        found.setdefault(cells[at].strip() if cells else "", number)
    changes: Cells = {}
    for end in ends.to_dict("records"):
        piece = end.pop("piece")
        if piece not in found:
            raise WoodlabError(
                f"The piece {piece!r} was not found as such in the table pieces. Type its end "
                "there: ended_on and outcome."
            )
        row = found[piece]
        if rows[row][gone:] and rows[row][gone].strip():
            raise WoodlabError(f"{piece} has ended already: {rows[row][gone]}.")
        for name, value in end.items():
            column, match = places[name]
            if not empty(value):
                number = isinstance(value, float)
                changes[row, column] = float(np.round(match.written(value), 6)) if number else value
    return changes
