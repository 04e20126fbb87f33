"""What came of a sheet: the book, what became of every cell, and the way into a file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.book.sheet.merging import merge_into, write_new
from woodlab.errors import as_path
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
            says.append(f"Look at these again: {'; '.join(odd[:6])}{'; ...' if odd[6:] else ''}.")
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
