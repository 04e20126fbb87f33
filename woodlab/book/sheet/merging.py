"""A sheet's book into a file, and the grown sheet into that file again.

Beside the book's tables stand `sheet_ledger` (what became of every cell) and `sheet_values`: the
values as the sheet last gave them. They tell a cell that was changed in the sheet from an entry
that was mended in the book.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from woodlab.book.reading import cells_of
from woodlab.book.record_book import RecordBook, open_book
from woodlab.book.tables import TABLES
from woodlab.book.units import scale_to
from woodlab.book.writing.as_csv import Change, iso
from woodlab.book.writing.saving import change_book, write_book
from woodlab.errors import WoodlabError
from woodlab.safe_write import behind, locked

CHANGES = ["what", "table", "piece", "on", "column", "before", "now"]
OF_SHEET = ("pieces", "weighings", "looks")
Key = tuple[str, str, str, int]  # table, piece, day, which of several


def write_new(
    path: Path, book: RecordBook, ledger: pd.DataFrame, units: dict[str, str]
) -> pd.DataFrame:
    """Write the book of a sheet to a new file or folder, in the sheet's units; all rows are new."""
    tables = {name: frame.copy() for name, frame in book.tables().items()}
    for name, frame in tables.items():
        for column in [column for column in frame if column in units]:
            stem, _, own = column.rpartition("_")
            if units[column] != own:
                frame[column] = (frame[column] / scale_to(own, units[column])).round(5)
                frame = frame.rename(columns={column: f"{stem} ({units[column]})"})
        tables[name] = frame
    write_book(tables | {"sheet_ledger": ledger, "sheet_values": _values(book)}, path)
    rows = [["new", *key[:3], "", "", ""] for key in _rows(book)]
    return pd.DataFrame(rows, columns=CHANGES)


def merge_into(path: Path, new: RecordBook, ledger: pd.DataFrame, sheet: str) -> pd.DataFrame:
    """Merge a sheet's book into the one that stands at `path`; what was mended there stays.

    Raises WoodlabError if what stands at `path` is another book, or holds what would be lost.
    """
    path = behind(path)
    with locked(path):
        book = open_book(path)
        known = set(book.pieces["piece"]) & set(new.pieces["piece"])
        if len(book.pieces) and 2 * len(known) < len(book.pieces):
            raise WoodlabError(
                f"{path} holds {len(book.pieces)} pieces, and {len(known)} of them are in {sheet}: "
                "it is another book, and is left as it is. Choose a new name."
            )
        changes, told = merged(book, _last_values(path), new)
        beside = {"sheet_ledger": ledger, "sheet_values": _values(new)}
        change_book(path, book, changes, beside)
    return told


def merged(
    book: RecordBook, base: dict[tuple[Key, str], str], new: RecordBook
) -> tuple[dict[str, Change], pd.DataFrame]:
    """What changes in a book by a sheet, and the list of it.

    `base` holds the values that the sheet gave the last time. Of a value that differs: the sheet's
    counts if only the sheet has changed it since, the book's in every other case.
    """
    told = []
    ours, theirs = _rows(book), _rows(new)
    base_rows = {key for key, _ in base}
    cells: dict[str, dict[int, dict[str, object]]] = {name: {} for name in OF_SHEET}
    added: dict[str, list[pd.Series]] = {name: [] for name in OF_SHEET}
    for key, row in theirs.items():
        table, piece, day, _ = key
        if key not in ours:
            if key in base_rows:  # it was taken out of the book by hand
                told.append(["kept", table, piece, day, "", "taken out of the book", ""])
            else:
                added[table].append(row)
                told.append(["new", table, piece, day, "", "", _in_short(row, table)])
            continue
        for column in [c.name for c in TABLES[table]]:
            mine, yours = _text(ours[key].get(column)), _text(row.get(column))
            before = base.get((key, column), "")
            if mine == yours or yours == before:
                continue
            taken = mine == before and bool(yours)
            if taken:
                at = int(book._rows[table][ours[key].name])
                cells[table].setdefault(at, {})[column] = row[column]
            what = "changed" if taken else "kept"
            told.append([what, table, piece, day, column, mine, yours])
    for key in sorted(base_rows - set(theirs)):
        if key in ours:
            told.append(["gone", *key[:3], "", _in_short(ours[key], key[0]), ""])
    changes = {
        name: Change(cells[name], pd.DataFrame(added[name]).dropna(axis=1, how="all"))
        for name in OF_SHEET
        if cells[name] or added[name]
    }
    return changes, pd.DataFrame(told, columns=CHANGES)


def _rows(book: RecordBook) -> dict[Key, pd.Series]:
    found: dict[Key, pd.Series] = {}
    for table in OF_SHEET:
        for _, row in getattr(book, table).iterrows():
            day = "" if table == "pieces" else _text(row["on"])
            nth = 0
            while (key := (table, str(row["piece"]), day, nth)) in found:
                nth += 1
            found[key] = row
    return found


def _text(value: object) -> str:
    """A value as text that compares: numbers to a hundredth, days without an empty time."""
    if value is None or value is pd.NaT or value != value:
        return ""
    if isinstance(value, pd.Timestamp):
        return iso(value)
    if isinstance(value, float | int | np.number):
        return f"{float(value):.2f}"
    return str(value)


def _in_short(row: pd.Series, table: str) -> str:
    if table == "weighings":
        return f"{row['mass_g']:.6g} g"
    return str(row.get("crack" if table == "looks" else "species") or "")


def _values(book: RecordBook) -> pd.DataFrame:
    rows = [
        [*key, column, text]
        for key, row in _rows(book).items()
        for column in (c.name for c in TABLES[key[0]])
        if (text := _text(row.get(column)))
    ]
    return pd.DataFrame(rows, columns=["table", "piece", "on", "nth", "column", "value"])


def _last_values(path: Path) -> dict[tuple[Key, str], str]:
    """What the sheet gave the last time; empty where the book does not have it any more."""
    frame = cells_of(path, "sheet_values")
    if frame is None:
        return {}
    return {
        ((row.table, row.piece, row.on, int(float(row.nth))), row.column): row.value
        for row in frame.fillna("").itertuples(index=False)
    }
