"""A sheet's book into a file, and the grown sheet into that file again.

Beside the book's tables stand `sheet_ledger` (what became of every cell) and `sheet_values`: the
values as the sheet last gave them. They tell a cell that was changed in the sheet from an entry
that was mended in the book.
"""

from __future__ import annotations

from collections.abc import Hashable
from pathlib import Path

import numpy as np
import pandas as pd

from woodlab.book.claims import workbook
from woodlab.book.reading import WORKBOOKS, cells_of_csv, cells_of_sheet, read_raw
from woodlab.book.record_book import RecordBook, open_book
from woodlab.book.tables import TABLES
from woodlab.book.units import match_heading, scale_to
from woodlab.book.writing.saving import below, write_book
from woodlab.errors import WoodlabError

CHANGES = ["what", "table", "piece", "on", "column", "before", "now"]
OF_SHEET = ("pieces", "weighings", "looks")
Key = tuple[str, str, str, int]  # table, piece, day, which of several


def write_new(
    path: Path, book: RecordBook, ledger: pd.DataFrame, units: dict[str, str]
) -> pd.DataFrame:
    """Write the book of a sheet to a new file or folder; every row is `new`."""
    _write(path, book.tables(), ledger, _values(book), units, {})
    rows = [["new", *key[:3], "", "", ""] for key in _rows(book)]
    return pd.DataFrame(rows, columns=CHANGES)


def merge_into(
    path: Path, new: RecordBook, ledger: pd.DataFrame, units: dict[str, str], sheet: str
) -> pd.DataFrame:
    """Merge a sheet's book into the one that stands at `path`; what was mended there stays.

    Raises
    ------
    WoodlabError
        If what stands at `path` is another book, or holds what would be lost.
    """
    raw = read_raw(path)
    others = _other_sheets(path)
    book = open_book(path)
    known = set(book.pieces["piece"]) & set(new.pieces["piece"])
    if len(book.pieces) and 2 * len(known) < len(book.pieces):
        raise WoodlabError(
            f"{path} holds {len(book.pieces)} pieces, and {len(known)} of them are in {sheet}: it "
            "is another book, and is left as it is. Choose a new name."
        )
    if others:
        raise WoodlabError(
            f"{path.name} holds {', '.join(map(repr, others))}, which would be lost. Save the book "
            f"as a folder: wl.open_book({path.name!r}).save('folder'), and merge into that."
        )
    base = _last_values(path)
    tables, changes = merged(book, base, new)
    RecordBook.from_frames(name=book.name, **tables)  # a fault ends it before anything is written
    headings = {name: list(table.frame.columns) for name, table in raw.items()}
    _write(path, tables, ledger, _values(new), units, headings)
    return changes


def merged(
    book: RecordBook, base: dict[tuple[Key, str], str], new: RecordBook
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """The tables of a book with what is new in a sheet, and the list of changes.

    `base` holds the values that the sheet gave the last time. Of a value that differs: the sheet's
    counts if only the sheet has changed it since, the book's in every other case.
    """
    tables, changes = book.tables(), []
    ours, theirs = _rows(book), _rows(new)
    base_rows = {key for key, _ in base}
    added: dict[str, list[pd.Series]] = {name: [] for name in OF_SHEET}
    for key, row in theirs.items():
        table, piece, day, _ = key
        if key not in ours:
            if key in base_rows:  # it was taken out of the book by hand
                changes.append(["kept", table, piece, day, "", "taken out of the book", ""])
            else:
                added[table].append(row)
                changes.append(["new", table, piece, day, "", "", _in_short(row, table)])
            continue
        for column in [c.name for c in TABLES[table]]:
            mine, yours = _text(ours[key].get(column)), _text(row.get(column))
            before = base.get((key, column), "")
            if mine == yours or yours == before:
                continue
            if mine == before and yours:
                frame = tables[table]
                frame.loc[ours[key].name, column] = row[column]
                changes.append(["changed", table, piece, day, column, mine, yours])
            else:
                changes.append(["kept", table, piece, day, column, mine, yours])
    for key in sorted(base_rows - set(theirs)):
        if key in ours:
            changes.append(["gone", *key[:3], "", _in_short(ours[key], key[0]), ""])
    for name, rows in added.items():
        if rows:
            tables[name] = below(tables.get(name), pd.DataFrame(rows))
    return tables, pd.DataFrame(changes, columns=CHANGES)


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
        return str(value.date()) if value == value.normalize() else value.isoformat()
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
    if path.is_dir():
        file = path / "sheet_values.csv"
        frame = cells_of_csv(file) if file.is_file() else None
    else:
        frame = cells_of_sheet(path, "sheet_values")
    if frame is None:
        return {}
    return {
        ((row.table, row.piece, row.on, int(float(row.nth))), row.column): row.value
        for row in frame.fillna("").itertuples(index=False)
    }


def _other_sheets(path: Path) -> list[str]:
    """Sheets of a workbook that are no part of a book, and would not be written again."""
    if path.is_dir() or path.suffix.casefold() not in WORKBOOKS:
        return []
    own = {*TABLES, "set_aside", "sheet_ledger", "sheet_values"}
    with workbook(path) as book:
        return [name for name in book.sheet_names if name.strip().casefold() not in own]


def _write(
    path: Path,
    tables: dict[str, pd.DataFrame],
    ledger: pd.DataFrame,
    values: pd.DataFrame,
    units: dict[str, str],
    headings: dict[str, list[str]],
) -> None:
    shown = {name: _in_units(name, table, units, headings) for name, table in tables.items()}
    write_book(shown | {"sheet_ledger": ledger, "sheet_values": values}, path)


def _in_units(
    table: str, frame: pd.DataFrame, units: dict[str, str], headings: dict[str, list[str]]
) -> pd.DataFrame:
    """A table under the headings and in the units of its file, or of the sheet."""
    frame = frame.copy()
    renamed: dict[Hashable, str] = {}
    for found in headings.get(table, []):
        match = match_heading(found, TABLES[table])
        if match is None:
            continue
        name = match.column.name
        renamed[name] = found
        if match.unit:
            frame[name] = match.written(frame[name]).round(5)
    for column, unit in units.items():
        own = column.rsplit("_", 1)[-1]
        if column in frame and column not in renamed and unit != own:
            frame[column] = (frame[column] / scale_to(own, unit)).round(5)
            renamed[column] = f"{column.rsplit('_', 1)[0]} ({unit})"
    return frame.rename(columns=renamed)
