"""The record book: checked tables, what was set aside, what is in doubt."""

from __future__ import annotations

import datetime as dt
import difflib
import hashlib
import os
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from woodlab.book.cells import as_day
from woodlab.book.checking import (
    SET_ASIDE_COLUMNS,
    check_between_tables,
    check_table,
    kept_and_set_aside,
)
from woodlab.book.doubts import DOUBT_COLUMNS, doubts_of_several, find_doubts
from woodlab.book.reading import RawTable, check_required_tables, raw_from_frames, read_raw
from woodlab.book.tables import INVENTED, REQUIRED_TABLES, TABLES, would_hold
from woodlab.book.units import units_in
from woodlab.book.writing.as_csv import csv_text, own_columns
from woodlab.errors import MissingTableError, RecordError, WoodlabError, as_list, as_path, kind_of
from woodlab.show import Card, Shown
from woodlab.words import METRIC, Units, in_order

Names = str | Iterable[str] | None


@dataclass(frozen=True, eq=False, repr=False)
class RecordBook(Shown):
    """A season's records, checked. Made by `open_book` or `from_frames`; never altered.

    Attributes
    ----------
    pieces, weighings, looks, air, offcuts, rims, witnesses : DataFrame
        The seven tables, every known column present and in its own unit (see `docs/glossary.md`),
        unknown columns behind them. A table that the book does not have is empty.
    set_aside : DataFrame
        One row for each row that has a fault: `table`, `row` (as the spreadsheet numbers it),
        `column`, `value`, `reason`, `cells` (the row as found, JSON).
    counts : DataFrame
        `table`, `rows_in`, `rows_kept`, `rows_set_aside`.
    name : str
        The folder's or the workbook's name.
    units : Units
        In which it is kept, and answered.

    Examples
    --------
    >>> import pandas as pd, woodlab as wl
    >>> book = wl.RecordBook.from_frames(
    ...     pieces=pd.DataFrame({"piece": ["A1"], "species": ["white ash"], "seal": ["none"],
    ...                          "turned_on": ["2026-03-01"], "wall_mm": [22]}),
    ...     weighings=pd.DataFrame({"piece": "A1", "on": ["2026-03-01", "2026-03-08", "2026-03-15"],
    ...                             "mass_g": [1480, 1390, 13100]}))
    >>> book.counts[["table", "rows_in", "rows_kept"]].values.tolist()
    [['pieces', 1, 1], ['weighings', 3, 3]]
    >>> book.doubts[["row", "value", "doubt"]].values.tolist()
    [[4, '1390 then 13100', 'ten times or a tenth of the weighing before: ...']]
    >>> len(book.until("2026-03-10").weighings)
    2
    """

    pieces: pd.DataFrame
    weighings: pd.DataFrame
    looks: pd.DataFrame
    air: pd.DataFrame
    offcuts: pd.DataFrame
    rims: pd.DataFrame
    witnesses: pd.DataFrame = field(default_factory=lambda: empty_table("witnesses"))
    set_aside: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=SET_ASIDE_COLUMNS))
    counts: pd.DataFrame = field(default_factory=pd.DataFrame)
    name: str = "book"
    units: Units = METRIC
    _rows: dict[str, np.ndarray] = field(default_factory=dict, repr=False)
    _remarks: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(columns=DOUBT_COLUMNS), repr=False
    )

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if isinstance(value, pd.DataFrame):
                object.__setattr__(self, name, value.copy(deep=False))

    def __getattribute__(self, name: str) -> Any:
        # Frames are lent as copies (which cost nothing until they are written to), so that no
        # one alters the book, its doubts or its hash behind its back.
        value = object.__getattribute__(self, name)
        return value.copy(deep=False) if isinstance(value, pd.DataFrame) else value

    def card(self) -> Card:
        """What the book holds; see `book_overview`."""
        from woodlab.book.overview import book_overview

        return book_overview(self).card()

    @classmethod
    def from_frames(
        cls, *, set_aside: bool = False, name: str = "book", **tables: pd.DataFrame
    ) -> RecordBook:
        """A book from frames made in code, checked like one that is read from files.

        `tables` are `pieces` and `weighings`, and any of the others, by name, with units as in
        files; `set_aside` is that of `open_book`, `name` what the book is to be called.

        Raises
        ------
        RecordError
            Listing every fault, unless `set_aside`.
        """
        return _checked(raw_from_frames(tables), name, set_aside)

    @cached_property
    def doubts(self) -> pd.DataFrame:
        """Entries that are possible but odd: table, row, piece, column, value, doubt.

        They are kept; a fit leaves out a weight that stands alone. Joined books have a `book`.
        """
        found = (doubts_of_several if self.joined else find_doubts)(self._frames)
        found = _with_rows(found, self)
        parts = [part for part in (self._remarks, found) if len(part)] or [found]
        doubts = pd.concat(parts, ignore_index=True)
        return doubts.sort_values(["table", "row"], kind="stable", ignore_index=True)

    @property
    def _frames(self) -> dict[str, pd.DataFrame]:
        return {name: getattr(self, name) for name in TABLES}

    @cached_property
    def hash(self) -> str:
        """SHA-256 of what the tables hold: the same records give the same hash."""
        texts = (
            name + csv_text(frame.dropna(axis=1, how="all"))  # a column to come changes nothing
            for name, frame in self._frames.items()
        )
        return hashlib.sha256("".join(texts).encode()).hexdigest()

    @property
    def joined(self) -> bool:
        """Whether several books were opened as one, by `open_books`."""
        return "book" in self.set_aside.columns

    @property
    def invented(self) -> bool:
        """Whether the book says of itself that it is made up: each place ends in "(invented)"."""
        places = self.pieces["place"]
        return bool(len(places)) and bool(places.str.endswith(INVENTED).fillna(False).all())

    def need(self, table: str, purpose: str) -> pd.DataFrame:
        """The table, or MissingTableError saying what it is needed for and what it would hold."""
        frame = getattr(self, table)
        if len(frame):
            return frame
        raise MissingTableError(
            f"The table {table!r} is needed {purpose}, and this book has none. It would hold: "
            f"{would_hold(table)}; see docs/glossary.md."
        )

    def until(self, date: str | dt.date | None) -> RecordBook:
        """The book as it stood at the end of a day: nothing later is in it; None is all of it.

        An end of a piece that came later, or on a day that is not given, is left out, too.

        Raises
        ------
        WoodlabError
            If `date` is no date.
        """
        if date is None:
            return self
        end = as_day(date, "date").normalize() + pd.Timedelta(days=1)
        kept = {}
        for name, frame in self._frames.items():
            day = frame["turned_on" if name == "pieces" else "on"]
            kept[name] = ((day < end) | day.isna()).to_numpy()
        book = self._cut(kept)
        ends, pieces = ["ended_on", "outcome", "finished_wall_mm"], book.pieces
        return replace(book, pieces=pieces.assign(**pieces[ends].where(pieces["ended_on"] < end)))

    def only(
        self,
        pieces: Names = None,
        *,
        species: Names = None,
        seal: Names = None,
        log: Names = None,
        maker: Names = None,
        place: Names = None,
    ) -> RecordBook:
        """The book of some pieces: those that meet every condition given.

        Parameters
        ----------
        pieces, species, seal, log, maker, place : str or iterable of str, optional
            Names to keep, as they are in the table `pieces`.

        Returns
        -------
        RecordBook
            Weighings, looks, rims and offcuts of these pieces, and offcuts of their logs that
            name no piece. The air and the witness blocks stay whole.

        Raises
        ------
        WoodlabError
            If a name is not in the book.

        Examples
        --------
        >>> import woodlab as wl
        >>> few = wl.demo_book().only(seal="none", species=["sugar maple", "white ash"])
        >>> few.pieces["seal"].unique().tolist()
        ['none']
        """
        asked = {
            "piece": pieces, "species": species, "seal": seal, "log": log, "maker": maker,
            "place": place,
        }  # fmt: skip
        table = self.pieces
        wanted = np.ones(len(table), dtype=bool)
        for column, given in asked.items():
            if given is not None:
                names = [str(name) for name in as_list(given, column)]
                _expect_names(names, table[column], column)
                wanted &= table[column].isin(names).to_numpy()
        kept = {name: np.ones(len(frame), dtype=bool) for name, frame in self._frames.items()}
        cuts, logs = self.offcuts, table["log"][wanted].dropna()
        of_log = cuts["piece"].isna() & cuts["log"].isin(logs)
        kept["pieces"] = wanted
        kept["offcuts"] = (of_log | cuts["piece"].isin(table["piece"][wanted])).to_numpy()
        return self._cut(kept)

    def _cut(self, kept: dict[str, np.ndarray]) -> RecordBook:
        """The rows that are kept, less those of pieces that are not."""
        here = self.pieces["piece"][kept["pieces"]]
        every = len(here) == len(self.pieces)
        tables, rows = {}, {}
        for name, frame in self._frames.items():
            mask = kept[name]
            if name in ("weighings", "looks", "rims") and not every:
                # a weighing before turning is a doubt; without its piece it would mean nothing
                mask = mask & frame["piece"].isin(here).to_numpy()
            tables[name] = frame if mask.all() else frame[mask].reset_index(drop=True)
            if name in self._rows:
                rows[name] = self._rows[name][mask]
        return replace(self, **tables, _rows=rows)  # type: ignore[arg-type]

    def save(self, path: str | Path) -> None:
        """Write the book: a folder of CSV files, or a workbook if `path` ends in .xlsx or .ods.

        The book is written beside and read back, and takes its place only if it is the same;
        a crash leaves the old book or the new one. What is not the book's own is kept: other
        files of a folder, other sheets of a workbook, rows of an earlier `set_aside`, to which
        those of this book are added.

        Raises
        ------
        WoodlabError
            If `path` has an ending that is not known or holds what could not be kept, or the
            format cannot hold a cell (named with its row); nothing is changed then.
        WorkError
            If `path` cannot be written.
        """
        from woodlab.book.writing.saving import write_book  # which knows this class

        write_book(self.tables(), as_path(path, "save"), self.set_aside, self)

    def tables(self) -> dict[str, pd.DataFrame]:
        """The required tables, and those that hold rows or columns of the maker's own."""
        return {
            name: frame
            for name, frame in self._frames.items()
            if len(frame) or name in REQUIRED_TABLES or own_columns(name, frame)
        }


def _with_rows(found: pd.DataFrame, book: RecordBook) -> pd.DataFrame:
    """Doubts with the rows of the file for positions; of joined books with the book's name."""
    rows, books = np.empty(len(found), dtype=np.int64), np.empty(len(found), dtype=object)
    for name in found["table"].unique():
        here = (found["table"] == name).to_numpy()
        at = found["row"].to_numpy()[here].astype(np.int64)
        rows[here] = book._rows[name][at] if name in book._rows else at + 2
        if book.joined:
            books[here] = getattr(book, name)["book"].to_numpy()[at]
    return found.assign(row=rows, **({"book": books} if book.joined else {}))


def _expect_names(names: list[str], there: pd.Series, column: str) -> None:
    known = in_order(there.dropna().unique())
    if names and not known:
        raise WoodlabError(f"The book says of no piece what its {column} is.")
    for name in [name for name in names if name not in known]:
        near = difflib.get_close_matches(name, known, n=1)
        hint = f" Is it {near[0]!r}?" if near else ""
        there_are = ", ".join(known[:10]) + (", ..." if len(known) > 10 else "")
        raise WoodlabError(f"The book has no {column} {name!r}.{hint} It has {there_are}.")


def expect_book(value: Any, where: str) -> RecordBook:
    """The record book that a function was given, or that of the fits that it was given."""
    for book in (value, getattr(value, "book", None)):
        if isinstance(book, RecordBook):
            return book
    opened = repr(str(value)) if isinstance(value, str | os.PathLike) and str(value) else "PATH"
    raise WoodlabError(
        f"{where} needs a record book and was given {kind_of(value)}. Open it first: "
        f"{where}(wl.open_book({opened}))."
    )


def open_book(path: str | Path, set_aside: bool = False) -> RecordBook:
    """Open a record book: a folder of CSV files, or a workbook (.xlsx, .ods).

    Parameters
    ----------
    path : str or Path
        The folder or the file.
    set_aside : bool
        Keep going when rows have faults, and put them into `book.set_aside` with the reason.

    Returns
    -------
    RecordBook
        Rows in = rows kept + rows set aside, always; see `book.counts`.

    Raises
    ------
    RecordError
        Listing every fault at once (unless `set_aside`), and always when a required table or
        column is missing.
    WoodlabError
        If there is no book at `path`, or the file is damaged.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import woodlab as wl
    >>> shed = pathlib.Path(tempfile.mkdtemp())
    >>> _ = (shed / "pieces.csv").write_text(
    ...     "piece,species,turned_on,wall_in,seal\\nA1,white ash,2026-03-01,1 1/8,none\\n")
    >>> _ = (shed / "weighings.csv").write_text(
    ...     "piece,on,mass_lb\\nA1,2026-03-01,3.5\\nA1,2026-03-32,3.1\\n")
    >>> wl.open_book(shed)
    Traceback (most recent call last):
        ...
    woodlab.errors.RecordError: 1 fault in the records:
    weighings, row 3, column on: no such day in the calendar (found '2026-03-32'). Type the date
    as year-month-day: 2026-03-09.
    >>> book = wl.open_book(shed, set_aside=True)
    >>> book.weighings["mass_g"].round(1).tolist(), len(book.set_aside)
    ([1587.6], 1)
    """
    path = as_path(path, "open_book")
    return _checked(read_raw(path), path.name, set_aside)


def _checked(raw: dict[str, RawTable], name: str, set_aside: bool) -> RecordBook:
    check_required_tables(raw, name)
    checked = {table: check_table(found) for table, found in raw.items()}
    faults = [fault for table in checked.values() for fault in table.faults]
    needed = [checked[table] for table in ("pieces", "weighings")]
    if not any(table.spoiled for table in needed):
        faults += check_between_tables(checked)
    elif set_aside:
        raise RecordError(fault for table in needed for fault in table.faults)
    if faults and not set_aside:
        raise RecordError(faults)
    # without rows there is nothing to set aside: the fault would be dropped in silence
    rowless = [table for table in checked.values() if table.faults and not len(table.frame)]
    if rowless:
        raise RecordError(fault for table in rowless for fault in table.faults)
    kept, aside = kept_and_set_aside(checked, faults)
    tables, rows, counts = {}, {}, []
    for table in TABLES:
        frame = kept[table] if table in kept else empty_table(table)
        if table in checked:
            rows_in = len(checked[table].frame)
            counts.append([table, rows_in, len(frame), int((aside["table"] == table).sum())])
        rows[table], tables[table] = frame.index.to_numpy(), frame.reset_index(drop=True)
    remarks = [remark for table in checked.values() for remark in table.remarks]
    return RecordBook(
        **tables, set_aside=aside, name=name,
        counts=pd.DataFrame(counts, columns=["table", "rows_in", "rows_kept", "rows_set_aside"]),
        units=units_in({table: found.frame.columns for table, found in raw.items()}),
        _rows=rows, _remarks=pd.DataFrame(remarks, columns=DOUBT_COLUMNS),
    )  # fmt: skip


def empty_table(name: str) -> pd.DataFrame:
    """A table without rows, every known column in it."""
    return check_table(RawTable(name, pd.DataFrame())).frame
