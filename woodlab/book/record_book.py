"""The record book: checked tables, what was set aside, what is in doubt."""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd

from woodlab.book import files
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
from woodlab.book.tables import INVENTED, TABLES, would_hold
from woodlab.errors import MissingTableError, RecordError, WoodlabError


@dataclass(frozen=True, eq=False)
class RecordBook:
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
            digest.update(_csv(getattr(self, name)).encode())
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
        raise MissingTableError(
            f"The table {table!r} is needed {purpose}, and this book has none. It would hold: "
            f"{would_hold(table)}; see docs/glossary.md."
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
        pieces = tables["pieces"]
        here, ended = set(pieces["piece"]), ["ended_on", "outcome", "finished_wall_mm"]
        tables["pieces"] = pieces.assign(**pieces[ended].where(pieces["ended_on"] < end))
        for name in ("weighings", "looks", "rims"):
            # a weighing before turning is a doubt; without its piece it would have no meaning
            mask = tables[name]["piece"].isin(here).to_numpy()
            tables[name] = tables[name][mask].reset_index(drop=True)
            if name in rows:
                rows[name] = rows[name][mask]
        return replace(self, **tables, _rows=rows)  # type: ignore[arg-type]

    def save(self, path: str | Path) -> None:
        """Write the book: a folder of CSV files, or a workbook if `path` ends in .xlsx.

        Written beside and swapped in, under the book's lock: a crash leaves the old book or the
        new one. Rows that were set aside are written to `set_aside.csv` (or a sheet of that
        name), so that nothing is lost. Other files in the folder are left alone.

        Raises
        ------
        WoodlabError
            If `path` cannot be written, or has an ending that is not known.
        """
        write_book(self.tables(), Path(path), self.set_aside)

    def tables(self) -> dict[str, pd.DataFrame]:
        """The tables that hold rows, and the two required ones, by name."""
        return {
            name: getattr(self, name)
            for name in TABLES
            if len(getattr(self, name)) or name in ("pieces", "weighings")
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
            frame = empty_table(table)
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


def empty_table(name: str) -> pd.DataFrame:
    """A table without rows, every known column in it."""
    return check_table(RawTable(name, pd.DataFrame())).frame


def _csv(frame: pd.DataFrame) -> str:
    """CSV text of a table: dates as ISO 8601, the time only where there is one."""
    out = frame.copy(deep=False)
    for column in out.columns:
        if pd.api.types.is_datetime64_any_dtype(out[column]):
            out[column] = date_text(out[column])
    return out.to_csv(index=False, lineterminator="\n")


def date_text(dates: pd.Series) -> pd.Series:
    """ISO 8601 text of dates, with the time only where it is not midnight."""
    text = dates.dt.strftime("%Y-%m-%d")
    timed = dates.notna() & (dates != dates.dt.normalize())
    if timed.any():
        text = text.mask(timed, dates.dt.strftime("%Y-%m-%dT%H:%M:%S"))
        fine = timed & (dates != dates.dt.floor("s"))
        if fine.any():
            text = text.mask(fine, dates.dt.strftime("%Y-%m-%dT%H:%M:%S.%f"))
    return text


def _written(frame: pd.DataFrame) -> pd.DataFrame:
    """The columns worth writing: required ones, and those with anything in them."""
    if len(frame) == 0:
        return frame
    return frame.loc[:, [column for column in frame.columns if frame[column].notna().any()]]


def write_book(
    tables: dict[str, pd.DataFrame], path: Path, set_aside: pd.DataFrame | None = None
) -> None:
    """Write tables as a book at `path`, as one step; see `RecordBook.save`."""
    path = Path(path)
    contents = {name: _written(frame) for name, frame in tables.items()}
    if set_aside is not None and len(set_aside):
        contents["set_aside"] = set_aside
    if path.suffix == "" or path.is_dir():
        data = {f"{name}.csv": _csv(frame).encode() for name, frame in contents.items()}
        gone = tuple(f"{name}.csv" for name in TABLES if name not in contents)
        if not path.exists():
            files.write_folder(path, data)
            return
        with files.book_lock(path):
            files.write_folder(path, data, remove=gone)
    elif path.suffix.casefold() == ".xlsx":
        with files.book_lock(path):
            files.write_bytes(path, _xlsx(contents))
    else:
        raise WoodlabError(
            f"A book is written as a folder or as .xlsx, not as {path.suffix!r}. "
            "Choose a name that ends in .xlsx, or one without an ending."
        )


def _xlsx(contents: dict[str, pd.DataFrame]) -> bytes:
    from openpyxl import Workbook

    workbook = Workbook(write_only=True)
    for name, frame in contents.items():
        sheet = workbook.create_sheet(name)
        sheet.append([str(heading) for heading in frame.columns])
        for row in frame.itertuples(index=False, name=None):
            sheet.append([_cell(sheet, value) for value in row])
    buffer = io.BytesIO()
    workbook.save(buffer)
    return buffer.getvalue()


def _cell(sheet: object, value: object) -> object:
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    if value is None or value is pd.NaT or value != value:
        return None
    if isinstance(value, pd.Timestamp):
        cell = WriteOnlyCell(sheet, value.to_pydatetime())
        cell.number_format = "yyyy-mm-dd" if value == value.normalize() else "yyyy-mm-dd hh:mm:ss"
        return cell
    if isinstance(value, str):
        cell = WriteOnlyCell(sheet, ILLEGAL_CHARACTERS_RE.sub("", value))
        cell.data_type = "s"  # a note that begins with = is text, never a formula
        return cell
    return value
