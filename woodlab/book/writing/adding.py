"""New weighings, looks and ends into a book: checked on the way in, as one step."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TypeAlias

import numpy as np
import pandas as pd

from woodlab.book.cells import as_day
from woodlab.book.checking import check_between_tables, check_table
from woodlab.book.doubts import find_doubts, shown
from woodlab.book.reading import RawTable
from woodlab.book.record_book import RecordBook, open_book
from woodlab.book.tables import TABLES, column_names
from woodlab.book.writing.as_csv import Change
from woodlab.book.writing.saving import change_book
from woodlab.errors import Fault, RecordError, WoodlabError, as_path, kind_of
from woodlab.safe_write import behind, locked

# More than a piece takes up from damp air, or loses between two visits. Common practice, no source.
MOST_GAIN = 1.10
LEAST_LEFT = 0.50
LONGEST_PAUSE_DAYS = 400  # a date further on than this is a slip of the year
_REFUSED = (
    "the same weight stands twice for this day",
    "two different weights stand for the same time",
    "ten times or a tenth of the weighing before: a slip of the decimal point?",
    "less than half of the weighing before, with no event that says why",
)
_GIVE_ROWS = (
    "Give a DataFrame, or a list of rows such as [{'piece': 'A1', 'on': '2026-03-09', ...}]."
)

Rows: TypeAlias = pd.DataFrame | Iterable[Mapping[str, object]]


def add_weighings(path: str | Path, rows: Rows, *, sure: bool = False) -> pd.DataFrame:
    """Append weighings to a record book.

    Parameters
    ----------
    path : str or Path
        The book: a folder of CSV files, or an .xlsx workbook.
    rows : DataFrame or iterable of mappings
        `piece`, `on`, `mass_g` (or `mass_lb`, ...), and `event`, `scale_g`, `note` if there are
        any.
    sure : bool
        Take entries that look like slips as well: a step of ten, a gain of more than 10 % or a
        loss of more than half with no event, a second weight for one time, a date before turning
        or more than 400 days on. The limits are common practice, no source.

    Returns
    -------
    DataFrame
        The rows added, checked, in the book's own units.

    Raises
    ------
    RecordError
        Listing every fault of the new rows; nothing is written then. `row` counts the new rows
        as a sheet of their own: the first is 2.
    WoodlabError
        If the file cannot be written or could not be kept whole.

    Examples
    --------
    >>> import pathlib, tempfile, woodlab as wl
    >>> folder = pathlib.Path(tempfile.mkdtemp()) / "season"
    >>> wl.demo_book().only(pieces=["A1"]).until("2025-04-09").save(folder)
    >>> added = add_weighings(folder, [{"piece": "A1", "on": "2025-04-16", "mass_lb": 3.1}])
    >>> float(wl.open_book(folder).weighings["mass_g"].round(1).iloc[-1])
    1406.1
    """
    return _add(_path_of(path, "add_weighings"), "weighings", rows, sure)


def add_looks(path: str | Path, rows: Rows, *, sure: bool = False) -> pd.DataFrame:
    """Append looks for cracks to a record book.

    Parameters
    ----------
    path, sure
        As for `add_weighings`; a slip is a second look of one piece on one day, a date before
        turning, a look more than 400 days on, a crack longer than the rim goes round.
    rows : DataFrame or iterable of mappings
        `piece`, `on`, `crack_mm` [mm] (0: looked and found none), and `where`, `action`, `note`
        if there are any.

    Returns
    -------
    DataFrame
        The rows added, checked, in the book's own units.

    Raises
    ------
    RecordError, WoodlabError
        As `add_weighings` does.

    Examples
    --------
    >>> import pathlib, tempfile, woodlab as wl
    >>> folder = pathlib.Path(tempfile.mkdtemp()) / "season"
    >>> wl.demo_book().only(pieces=["A1"]).until("2025-04-09").save(folder)
    >>> added = add_looks(folder, [{"piece": "A1", "on": "2025-04-16", "crack_in": 0.5}])
    >>> wl.open_book(folder).looks["crack_mm"].tolist()[-1]
    12.7
    >>> add_looks(folder, [{"piece": "A1", "on": "2025-04-16", "crack_mm": 13}])
    Traceback (most recent call last):
        ...
    woodlab.errors.RecordError: 1 fault in the records:
    looks, row 2, column on: looked at already at this time ...
    """
    return _add(_path_of(path, "add_looks"), "looks", rows, sure)


def _path_of(book: object, where: str) -> Path:
    if isinstance(book, RecordBook):
        raise WoodlabError(
            f"Rows are added to a file, and this is the book {book.name} as it was opened. Give "
            "its path, and open it again afterwards."
        )
    return behind(as_path(book, where))


def _add(path: Path, table: str, rows: Rows, sure: bool) -> pd.DataFrame:
    frame = _frame(table, rows)
    if not path.exists():
        open_book(path)  # says what is missing
    with locked(path):
        return put_rows(path, {table: frame}, sure=sure)[table]


def put_rows(
    path: Path,
    rows: Mapping[str, pd.DataFrame],
    ends: pd.DataFrame | None = None,
    replaced: Mapping[str, pd.DataFrame] | None = None,
    *,
    sure: bool,
) -> dict[str, pd.DataFrame]:
    """Rows of several tables and ends of pieces into a book whose lock is held, as one step.

    `ends` has `piece`, `ended_on`, `outcome`, `finished_wall_mm`; `replaced` are tables that are
    not the book's own. Returns the rows as the book has them. Raises as `add_weighings` does, and
    if a piece is not in the book or has ended already."""
    book = open_book(path, set_aside=True)
    added = {table: _checked(book, table, frame, sure) for table, frame in rows.items()}
    changes = {
        table: Change(below=new[[name for name in new if new[name].notna().any()]])
        for table, new in added.items()
    }
    cells: dict[int, dict[str, object]] = {}
    pieces = book.pieces.assign(row=book._rows["pieces"]).set_index("piece")
    for end in [] if ends is None else ends.to_dict("records"):
        piece = end.pop("piece")
        if piece not in pieces.index:
            raise WoodlabError(
                f"The piece {piece!r} was not found as such in the table pieces. Type its end "
                "there: ended_on and outcome."
            )
        if pd.notna(before := pieces.at[piece, "outcome"]):
            raise WoodlabError(f"{piece} has ended already: {before}.")
        end["ended_on"] = as_day(end["ended_on"], "ended_on")
        known = {name: value for name, value in end.items() if pd.notna(value)}
        cells[int(pieces.at[piece, "row"])] = known
    if cells:
        changes["pieces"] = Change(cells)
    change_book(path, book, changes, replaced)
    return {table: new.reset_index(drop=True) for table, new in added.items()}


def _frame(table: str, rows: Rows) -> pd.DataFrame:
    """The rows to add as a frame, whatever they were given as."""
    if not isinstance(rows, pd.DataFrame):
        given = [rows] if isinstance(rows, Mapping) else rows
        if isinstance(given, str) or not isinstance(given, Iterable):
            raise WoodlabError(f"The rows to add to {table} are {kind_of(rows)}. {_GIVE_ROWS}")
        given = list(given)
        for row in given:
            if not isinstance(row, Mapping | pd.Series):
                raise WoodlabError(f"A row to add to {table} is {kind_of(row)}. {_GIVE_ROWS}")
        rows = pd.DataFrame(given)
    if len(rows) == 0:
        raise WoodlabError(f"There are no rows to add to {table}. Give at least one.")
    return rows


def _checked(book: RecordBook, table: str, frame: pd.DataFrame, sure: bool) -> pd.DataFrame:
    """The new rows as the book would read them, or every fault of them."""
    rows = frame.astype({column: object for column in frame if frame[column].dtype == "str"})
    new = check_table(RawTable(table, rows.set_axis(pd.RangeIndex(2, len(rows) + 2))))
    faults = list(new.faults)
    if not new.spoiled:
        known = check_table(RawTable("pieces", book.pieces))
        faults += check_between_tables({"pieces": known, table: new})
    names = column_names(table)
    for column in [c for c in new.frame if c not in names and c not in getattr(book, table)]:
        remedy = f"The columns are {', '.join(names)}."
        faults.append(Fault(table, 1, str(column), "", "is no column of this table", remedy))
    if not faults and not sure:
        faults = _slips(book, table, new.frame)
    if faults:
        raise RecordError(faults)
    return new.frame


def _slips(book: RecordBook, table: str, new: pd.DataFrame) -> list[Fault]:
    """Entries that are possible but look like slips, seen against what the book holds."""
    old = getattr(book, table)
    numbered = old.set_axis(range(-len(old), 0), axis=0)
    after = _refused(book, table, pd.concat([numbered, new]) if len(old) else new)
    found = [tuple(one) for one in after.loc[after["row"] >= 2, _SLIP].to_numpy()]
    # A weighing typed late can also make the one after it look wrong: that is told of the new one.
    known = set(
        _refused(book, table, numbered)[["row", "doubt"]].itertuples(index=False, name=None)
    )
    for one in after[after["row"] < 0].itertuples():
        if (one.row, one.doubt) not in known:
            row = new.index[new["piece"] == one.piece][0]
            found.append((row, one.column, one.value, f"the weighing after it: {one.doubt}"))
    days = pd.concat([book.pieces["turned_on"], book.weighings["on"], book.looks["on"]])
    far = new["on"] > days.max() + pd.Timedelta(days=LONGEST_PAUSE_DAYS)
    rules = [(far, "on", f"more than {LONGEST_PAUSE_DAYS} days after all in the book")]
    if table == "looks":
        again = pd.concat([old, new])[["piece", "on"]].duplicated().to_numpy()[len(old) :]
        rim = new["piece"].map(book.pieces.set_index("piece")["rim_mm"])
        rules.append((again, "on", "looked at already at this time"))
        rules.append((new["crack_mm"] > np.pi * rim, "crack_mm", "longer than the rim is"))
    for odd, column, said in rules:
        found += [(row, column, shown(one), said) for row, one in new.loc[odd, column].items()]
    remedy = "Look again and mend it, or add it with sure=True (--sure) if it is right."
    return [Fault(table, int(r), c, str(v), doubt, remedy) for r, c, v, doubt in found]


_SLIP = ["row", "column", "value", "doubt"]


def _refused(book: RecordBook, table: str, frame: pd.DataFrame) -> pd.DataFrame:
    """The doubts of a table that are taken for slips."""
    doubts = find_doubts({name: getattr(book, name) for name in TABLES} | {table: frame})
    doubts = doubts[doubts["table"] == table]
    slips = [
        said in _REFUSED or said.startswith("before the piece") or _big_gain(value, said)
        for value, said in zip(doubts["value"], doubts["doubt"], strict=True)
    ]
    return doubts[np.array(slips, dtype=bool)]


def _big_gain(value: object, doubt: str) -> bool:
    before, _, after = str(value).partition(" then ")
    return doubt.startswith("heavier") and float(after) > MOST_GAIN * float(before)
