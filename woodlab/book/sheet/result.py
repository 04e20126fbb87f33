"""What came of a sheet: the book, what became of every cell, and the way into a file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from woodlab.book.reading import cells_of
from woodlab.book.record_book import RecordBook, open_book
from woodlab.book.tables import TABLES
from woodlab.book.units import scale_to
from woodlab.book.writing.as_csv import Change, iso
from woodlab.book.writing.saving import change_book, write_book
from woodlab.errors import WoodlabError, as_path
from woodlab.safe_write import behind, locked
from woodlab.show import Card, Column, Shown, card, listed
from woodlab.words import count, opened

LEDGER_COLUMNS = ["sheet", "cell", "value", "use", "piece", "on", "read_as", "why", "hidden"]
_LAYOUTS = {
    "pieces-down": "a row a piece, the dates across",
    "dates-down": "a column a piece, the dates down",
    "log": "a row a weighing",
}
MOST_WORDS = 12


@dataclass(frozen=True, eq=False, repr=False)
class SheetReading(Shown):
    """What came of a sheet. Made by `wl.read_sheet`.

    Attributes
    ----------
    book : RecordBook
        The records of the sheet, checked.
    ledger : DataFrame
        One row for each filled cell: sheet, cell (`C7`), value, use (`weight`, `look`, `end`,
        `date`, `mark`, `heading`, a column of the table pieces, or `not used`), piece, on,
        read_as, why (not), hidden (in a hidden row or column).
    layout : {"pieces-down", "dates-down", "log"}
        How the sheet is laid out.
    why : str
        What showed it.
    notes : tuple of str
        How dates and numbers were read where the sheet left a choice, and what is missing.
    words : tuple of str
        Each word among the weights and remarks that became a look or an end.
    path : Path
        The sheet.
    units : dict
        The units that the sheet is kept in, by column; the saved book is kept in them, too.
    """

    book: RecordBook
    ledger: pd.DataFrame
    layout: str
    why: str
    notes: tuple[str, ...]
    words: tuple[str, ...]
    path: Path
    units: dict[str, str]

    def save(self, path: str | Path) -> pd.DataFrame:
        """Write the book; or merge the sheet, grown since, into the book that was made of it.

        What is new in the sheet is added, what was changed in it is changed. What was mended in
        the book stays, and so does what has gone from the sheet; both are listed.

        Parameters
        ----------
        path : str or Path
            A name that ends in .xlsx, or one without an ending for a folder.

        Returns
        -------
        DataFrame
            what (`new`, `changed`, `kept`, `gone`), table, piece, on, column, before, now.

        Raises
        ------
        WoodlabError
            If another book stands there, or the book cannot be written.
        """
        path = as_path(path, "save")
        if path.exists():
            return merge_into(path, self.book, self.ledger, self.path.name)
        return write_new(path, self.book, self.ledger, self.units)

    def card(self) -> Card:
        book, unused = self.book, self.ledger[self.ledger["use"] == "not used"]
        looks = f" and {count(len(book.looks), 'look')}" if len(book.looks) else ""
        pieces, weights = count(len(book.pieces), "piece"), count(len(book.weighings), "weight")
        says = [
            opened(f"{pieces}, {weights}{looks} were read from {self.path.name}."),
            f"Layout: {_LAYOUTS[self.layout]}, since {self.why}.",
            *self.notes,
        ]
        if self.words:
            more = f" (and {len(self.words) - MOST_WORDS} more)" if self.words[MOST_WORDS:] else ""
            says.append(
                f"Words that became looks or ends: {'; '.join(self.words[:MOST_WORDS])}{more}."
            )
        odd = [
            f"{doubt.piece or doubt.table}: {doubt.value}: {doubt.doubt}"
            for doubt in book.doubts.itertuples()
            if doubt.column.endswith(("_g", "_mm"))
        ]
        if odd:
            says.append(f"Look at these again: {'; '.join(odd[:6])}{'; ...' if odd[6:] else ''}")
        says.append(
            f"{len(self.ledger)} cells are filled; {len(unused)} of them "
            f"{'is' if len(unused) == 1 else 'are'} not used."
            if len(unused) else f"All {len(self.ledger)} filled cells are used."
        )  # fmt: skip
        table = [
            {"why": why, "cells": len(cells), "where": listed(cells["cell"], 6)}
            for why, cells in unused.groupby("why", sort=False)
        ]
        columns = [
            Column("Not used, since", lambda row: row.why, number=False),
            Column("Cells", lambda row: str(row.cells)),
            Column("Where", lambda row: row.where, number=False),
        ]
        return card(
            says, pd.DataFrame(table), columns, caption="Cells that are not in the book",
            more=["book", "ledger", "save(path)"],
        )  # fmt: skip


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
