"""What a book holds, and what each of its tables can tell: the first page of a season."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from woodlab import words
from woodlab.book.record_book import RecordBook, expect_book
from woodlab.book.tables import TELLS
from woodlab.show import Card, Column, Shown, card


@dataclass(frozen=True, eq=False, repr=False)
class Overview(Shown):
    """What a book holds. Made by `book_overview`.

    Attributes
    ----------
    frame : DataFrame
        A row a table: `table`, `rows`, `set_aside`, `first_on`, `last_on`, `tells`.
    n_doubts : int
        Entries that are possible but odd.
    air : str
        On how many days of the drying the air was read; empty without a log.
    invented : bool
    """

    frame: pd.DataFrame
    n_doubts: int
    air: str
    invented: bool

    def card(self) -> Card:
        """How many of each, what is in doubt, what is missing."""
        rows = self.frame.set_index("table")["rows"]
        aside = int(self.frame["set_aside"].sum())
        doubts = words.count(self.n_doubts, "entry").replace("entrys", "entries")
        is_are = "is" if self.n_doubts == 1 else "are"
        says = [
            f"{words.opened(words.count(rows['pieces']))}, "
            f"{words.count(rows['weighings'], 'weighing')}, {words.count(rows['looks'], 'look')} "
            "for cracks.",
            f"{words.opened(doubts)} {is_are} possible but odd; listed below."
            if self.n_doubts else "No entry looks odd.",
            f"{words.opened(words.count(aside, 'row'))} set aside." if aside else "",
            self.air,
            "These records are invented." if self.invented else "",
        ]  # fmt: skip
        columns = [
            Column("table", lambda r: r.table, False),
            Column("rows", lambda r: f"{r.rows}"),
            Column("from", lambda r: words.day(r.first_on), False),
            Column("to", lambda r: words.day(r.last_on), False),
            Column("tells", lambda r: ("" if r.rows else "would tell ") + r.tells, False),
        ]
        return card(
            says, self.frame, columns, caption="Tables of the book",
            more=("book.doubts", "book.set_aside", "book.pieces", "book.weighings"),
        )  # fmt: skip


def book_overview(book: RecordBook) -> Overview:
    """How many rows each table has, from when to when, and what they can tell.

    Parameters
    ----------
    book : RecordBook

    Returns
    -------
    Overview
        Shows itself; `frame` has a row a table.

    Examples
    --------
    >>> import woodlab as wl
    >>> found = wl.book_overview(wl.demo_book())
    >>> found.frame.set_index("table")["rows"].head(2).to_dict()
    {'pieces': 92, 'weighings': 2208}
    >>> found.summary().splitlines()[0]
    '92 bowls, 2,208 weighings, 4,984 looks for cracks.'
    """
    book = expect_book(book, "book_overview")
    counts = book.counts.set_index("table")
    rows = []
    for name, tells in TELLS.items():
        frame = getattr(book, name)
        days = frame["turned_on" if name == "pieces" else "on"]
        aside = int(counts["rows_set_aside"].get(name, 0))
        rows.append((name, len(frame), aside, days.min(), days.max(), tells))
    frame = pd.DataFrame(
        rows, columns=["table", "rows", "set_aside", "first_on", "last_on", "tells"]
    )  # fmt: skip
    return Overview(frame, len(book.doubts), _air(book), book.invented)


def _air(book: RecordBook) -> str:
    """Days with a reading among those between the first turning and the last weighing."""
    if not len(book.air):
        return "The book has no air log: a reading of temperature and humidity a day is enough."
    start, end = book.pieces["turned_on"].min(), book.weighings["on"].max()
    if pd.isna(start) or pd.isna(end):
        return ""
    start, end = start.normalize(), end.normalize()
    days = book.air["on"].dt.normalize()
    read = days[days.between(start, end)].nunique()
    span, of = "between the first turning and the last weighing", (end - start).days + 1
    if read == of:
        return f"The air was read on every day {span}."
    return (
        f"The air was read on {read} of the {of} days {span}; the others are filled in from these."
    )
