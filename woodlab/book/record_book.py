"""The record book: six checked tables, what was set aside, what is in doubt."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd

from woodlab.book.cells import as_date
from woodlab.book.checking import (
    SET_ASIDE_COLUMNS,
    CheckedTable,
    check_between_tables,
    check_table,
    kept_and_set_aside,
)
from woodlab.book.doubts import find_doubts
from woodlab.book.reading import RawTable, check_required_tables, raw_from_frames, read_raw
from woodlab.book.tables import INVENTED, REQUIRED_TABLES, TABLES
from woodlab.book.writing.as_csv import csv_text, own_columns
from woodlab.book.writing.saving import write_book
from woodlab.errors import MissingTableError, RecordError


@dataclass(frozen=True, eq=False)
class RecordBook:
    """A season's records, checked. Made by `open_book` or `from_frames`; never altered.

    Attributes
    ----------
    pieces, weighings, looks, air, offcuts, rims : DataFrame
        The six tables, every known column present and in its own unit (see `docs/glossary.md`),
        unknown columns behind them. A table that the book does not have is empty.
    set_aside : DataFrame
        One row for each row that has a fault: `table`, `row` (as the spreadsheet numbers it),
        `column`, `value`, `reason`, `cells` (the row as found, JSON).
    counts : DataFrame
        `table`, `rows_in`, `rows_kept`, `rows_set_aside`.
    name : str
        The folder's or the workbook's name.

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
    set_aside: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=SET_ASIDE_COLUMNS))
    counts: pd.DataFrame = field(default_factory=pd.DataFrame)
    name: str = "book"
    _rows: dict[str, np.ndarray] = field(default_factory=dict, repr=False)

    @classmethod
    def from_frames(
        cls, *, set_aside: bool = False, name: str = "book", **tables: pd.DataFrame
    ) -> RecordBook:
        """A book from frames made in code, checked like one that is read from files.

        Parameters
        ----------
        set_aside, name
            As for `open_book`, and what the book is to be called.
        **tables : DataFrame
            `pieces` and `weighings`, and any of the other tables, by name; units as in files.

        Returns
        -------
        RecordBook

        Raises
        ------
        RecordError
            Listing every fault, unless `set_aside`.

        Examples
        --------
        >>> import pandas as pd
        >>> pieces = pd.DataFrame({"piece": ["A1"], "species": ["sugar maple"], "seal": ["none"],
        ...                        "turned_on": ["2026-03-01"], "wall_in": [1.0]})
        >>> weighings = pd.DataFrame({"piece": ["A1"], "on": ["2026-03-01"], "mass_g": [1480]})
        >>> RecordBook.from_frames(pieces=pieces, weighings=weighings).pieces["wall_mm"].item()
        25.4
        """
        return _checked(raw_from_frames(tables), name, set_aside)

    @cached_property
    def doubts(self) -> pd.DataFrame:
        """Entries that are possible but odd: table, row, piece, column, value, doubt.

        They are kept; a fit leaves out a weight that stands alone. Notebook 1 shows them.
        """
        tables = {}
        for name in TABLES:
            frame = getattr(self, name)
            rows = self._rows.get(name)
            tables[name] = frame if rows is None else frame.set_axis(rows, axis=0)
        return find_doubts(tables)

    @cached_property
    def hash(self) -> str:
        """SHA-256 of the tables' contents: the same records give the same hash."""
        digest = hashlib.sha256()
        for name in TABLES:
            digest.update(name.encode())
            digest.update(csv_text(getattr(self, name)).encode())
        return digest.hexdigest()

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
        columns = ", ".join(column.name for column in TABLES[table] if column.required)
        raise MissingTableError(
            f"The table {table!r} is needed {purpose}, and this book has none. It would hold: "
            f"{columns}; see docs/glossary.md."
        )

    def until(self, date: str | pd.Timestamp) -> RecordBook:
        """The book as it stood at the end of a day: nothing later is in it.

        Raises
        ------
        WoodlabError
            If `date` is no date.
        """
        end = as_date(date).normalize() + pd.Timedelta(days=1)
        tables, rows = {}, {}
        for name in TABLES:
            frame = getattr(self, name)
            day = frame["turned_on" if name == "pieces" else "on"]
            mask = ((day < end) | day.isna()).to_numpy()
            tables[name] = frame[mask].reset_index(drop=True)
            if name in self._rows:
                rows[name] = self._rows[name][mask]
        here = set(tables["pieces"]["piece"])
        for name in ("weighings", "looks", "rims"):
            # a weighing before turning is a doubt; without its piece it would have no meaning
            mask = tables[name]["piece"].isin(here).to_numpy()
            tables[name] = tables[name][mask].reset_index(drop=True)
            if name in rows:
                rows[name] = rows[name][mask]
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
        write_book(self.tables(), Path(path), self.set_aside, self)

    def tables(self) -> dict[str, pd.DataFrame]:
        """The required tables, and those that hold rows or columns of the maker's own."""
        frames = {name: getattr(self, name) for name in TABLES}
        return {
            name: frame
            for name, frame in frames.items()
            if len(frame) or name in REQUIRED_TABLES or own_columns(name, frame)
        }


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
    path = Path(path)
    raw = read_raw(path)
    check_required_tables(raw, path.name)
    return _checked(raw, path.name, set_aside)


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
    return _assembled(checked, faults, name)


def _assembled(checked: dict[str, CheckedTable], faults: list, name: str) -> RecordBook:
    kept, aside = kept_and_set_aside(checked, faults)
    tables, rows, counts = {}, {}, []
    for table in TABLES:
        frame = kept.get(table)
        if frame is None:
            frame = check_table(RawTable(table, pd.DataFrame())).frame
        elif table in checked:
            rows_in = len(checked[table].frame)
            counts.append([table, rows_in, len(frame), int((aside["table"] == table).sum())])
        rows[table] = frame.index.to_numpy()
        tables[table] = frame.set_axis(pd.RangeIndex(len(frame)), axis=0)
    columns = ["table", "rows_in", "rows_kept", "rows_set_aside"]
    return RecordBook(
        **tables, set_aside=aside, counts=pd.DataFrame(counts, columns=columns), name=name,
        _rows=rows,
    )  # fmt: skip
