"""New weighings and looks into a book: checked on the way in, appended as one step.

The file's own headings, units, separator, encoding and column order are kept: what stood in it
stays as it was typed, and the new rows come below. The new file is written beside, read back and
compared before it is swapped in; a lock keeps two writers apart.
"""

from __future__ import annotations

import csv
import io
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TypeAlias

import numpy as np
import pandas as pd

from woodlab.book import files
from woodlab.book.adding_workbook import appended_workbook
from woodlab.book.checking import check_between_tables, check_table
from woodlab.book.doubts import find_doubts
from woodlab.book.reading import RawTable
from woodlab.book.record_book import RecordBook, _csv, date_text, open_book
from woodlab.book.sheet.grid import decoded
from woodlab.book.tables import TABLES, column_names
from woodlab.book.units import match_heading
from woodlab.errors import Fault, RecordError, WoodlabError

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
    >>> import pathlib, tempfile
    >>> import pandas as pd
    >>> import woodlab as wl
    >>> pieces = pd.DataFrame({"piece": ["A1"], "species": ["white ash"], "seal": ["none"],
    ...                        "turned_on": ["2026-03-01"], "wall_mm": [22]})
    >>> book = wl.blank_book(pathlib.Path(tempfile.mkdtemp()) / "book", pieces=pieces)
    >>> added = add_weighings(book, [{"piece": "A1", "on": "2026-03-01", "mass_g": 1480}])
    >>> added = add_weighings(book, [{"piece": "A1", "on": "2026-03-08", "mass_lb": 3.1}])
    >>> wl.open_book(book).weighings["mass_g"].round(1).tolist()
    [1480.0, 1406.1]
    """
    return _add(_path_of(path), "weighings", rows, sure)


def add_looks(path: str | Path, rows: Rows, *, sure: bool = False) -> pd.DataFrame:
    """Append looks for cracks to a record book.

    Parameters
    ----------
    path
        As for `add_weighings`.
    rows : DataFrame or iterable of mappings
        `piece`, `on`, `crack_mm` [mm] (0: looked and found none), and `where`, `action`, `note`
        if there are any.
    sure : bool
        Take entries that look like slips as well: a second look of one piece on one day, a date
        before turning, a look more than 400 days on, a crack longer than the rim goes round.

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
    >>> import pathlib, tempfile
    >>> import pandas as pd
    >>> import woodlab as wl
    >>> pieces = pd.DataFrame({"piece": ["A1"], "species": ["white ash"], "seal": ["none"],
    ...                        "turned_on": ["2026-03-01"], "wall_mm": [22]})
    >>> book = wl.blank_book(pathlib.Path(tempfile.mkdtemp()) / "book", pieces=pieces)
    >>> added = add_looks(book, [{"piece": "A1", "on": "2026-03-05", "crack_mm": 0}])
    >>> added = add_looks(book, [{"piece": "A1", "on": "2026-03-09", "crack_in": 0.5}])
    >>> wl.open_book(book).looks["crack_mm"].tolist()
    [0.0, 12.7]
    >>> add_looks(book, [{"piece": "A1", "on": "2026-03-09", "crack_mm": 13}])
    Traceback (most recent call last):
        ...
    woodlab.errors.RecordError: 1 fault in the records:
    looks, row 2, column on: looked at already at this time ...
    """
    return _add(_path_of(path), "looks", rows, sure)


def _path_of(book: object) -> Path:
    if isinstance(book, RecordBook):
        raise WoodlabError(
            f"Rows are added to a file, and this is the book {book.name} as it was opened. Give "
            "its path, and open it again afterwards."
        )
    return Path(book)  # type: ignore[arg-type]


def _add(path: Path, table: str, rows: Rows, sure: bool) -> pd.DataFrame:
    frame = rows if isinstance(rows, pd.DataFrame) else pd.DataFrame(list(rows))
    if len(frame) == 0:
        raise WoodlabError(f"There are no rows to add to {table}. Give at least one.")
    if not path.exists():
        open_book(path)  # says what is missing
    with files.book_lock(path):
        if path.is_dir():
            files.finish_journal(path)
        book = open_book(path, set_aside=True)
        added = _checked(book, table, frame, sure)
        if path.is_dir():
            _append_to_folder(path, table, added, book)
        else:
            _append_to_workbook(path, table, added, book)
    return added.reset_index(drop=True)


def _checked(book: RecordBook, table: str, frame: pd.DataFrame, sure: bool) -> pd.DataFrame:
    """The new rows as the book would read them, or every fault of them."""
    copy = frame.astype({column: object for column in frame if frame[column].dtype == "str"})
    copy.index = pd.RangeIndex(2, len(copy) + 2)
    new = check_table(RawTable(table, copy))
    pieces = book.pieces.set_axis(pd.RangeIndex(2, len(book.pieces) + 2), axis=0)
    faults = list(new.faults)
    if not new.spoiled:
        known = check_table(RawTable("pieces", pieces))
        faults += check_between_tables({"pieces": known, table: new})
    unknown = [str(c) for c in new.frame if c not in column_names(table)]
    for column in unknown:
        if column not in getattr(book, table).columns:
            faults.append(
                Fault(table, 1, column, "", "is no column of this table",
                      f"The columns are {', '.join(column_names(table))}.")
            )  # fmt: skip
    if not faults and not sure:
        faults = _slips(book, table, new.frame)
    if faults:
        raise RecordError(faults)
    return new.frame


def _slips(book: RecordBook, table: str, new: pd.DataFrame) -> list[Fault]:
    """Entries that are possible but look like slips, seen against what the book holds."""
    old = getattr(book, table)
    numbered = old.set_axis(range(-len(old), 0), axis=0)
    before = _refused(book, table, numbered)
    after = _refused(book, table, pd.concat([numbered, new]) if len(old) else new)
    found = [tuple(one) for one in after[after["row"] >= 2][_SLIP].to_numpy()]
    # A weighing typed late can also make the one after it look wrong: that is told of the new one.
    earlier = after[after["row"] < 0].merge(before[["row", "doubt"]], how="left", indicator=True)
    for one in earlier[earlier["_merge"] == "left_only"].to_dict("records"):
        row = new.index[(new["piece"] == one["piece"]).to_numpy()][0]
        found.append((row, one["column"], one["value"], f"the weighing after it: {one['doubt']}"))
    found += _far_on(book, new)
    if table == "looks":
        found += _odd_looks(book, old, new)
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
    if not doubt.startswith("heavier"):
        return False
    before, after = str(value).split(" then ")
    return float(after) > MOST_GAIN * float(before)


def _far_on(book: RecordBook, new: pd.DataFrame) -> list[tuple]:
    latest = max(
        (day for frame in (book.pieces["turned_on"], book.weighings["on"], book.looks["on"])
         if not pd.isna(day := frame.max())), default=None,
    )  # fmt: skip
    if latest is None:
        return []
    far = new[new["on"] > latest + pd.Timedelta(days=LONGEST_PAUSE_DAYS)]
    return [
        (row, "on", str(on.date()), f"more than {LONGEST_PAUSE_DAYS} days after all in the book")
        for row, on in far["on"].items()
    ]


def _odd_looks(book: RecordBook, old: pd.DataFrame, new: pd.DataFrame) -> list[tuple]:
    found: list[tuple] = []
    keys = pd.concat([old, new])[["piece", "on"]]
    again = keys.duplicated().to_numpy()[len(old) :]
    for row in new.index[again]:
        found.append((row, "on", str(new.at[row, "on"].date()), "looked at already at this time"))
    rim = new["piece"].map(book.pieces.set_index("piece")["rim_mm"])
    for row in new.index[new["crack_mm"] > np.pi * rim]:
        found.append((row, "crack_mm", f"{new.at[row, 'crack_mm']:g}", "longer than the rim is"))
    return found


def _append_to_folder(path: Path, table: str, added: pd.DataFrame, book: RecordBook) -> None:
    file = next(
        (entry for entry in path.iterdir() if entry.name.casefold() == f"{table}.csv"),
        path / f"{table}.csv",
    )
    if file.is_file() and file.read_bytes().strip():
        data = appended_csv(file.read_bytes(), table, added)
    else:
        data = _csv(_worth_writing(added)).encode()
    with tempfile.TemporaryDirectory() as folder:
        for name in {"pieces", "weighings"} - {table}:
            source = next(e for e in path.iterdir() if e.name.casefold() == f"{name}.csv")
            (Path(folder) / f"{name}.csv").write_bytes(source.read_bytes())
        (Path(folder) / f"{table}.csv").write_bytes(data)
        _compare(open_book(folder, set_aside=True), table, added, book)
    files.write_bytes(file, data)


def _append_to_workbook(path: Path, table: str, added: pd.DataFrame, book: RecordBook) -> None:
    data = appended_workbook(path, table, _worth_writing(added))
    with tempfile.TemporaryDirectory() as folder:
        trial = Path(folder) / "book.xlsx"
        trial.write_bytes(data)
        got = open_book(trial, set_aside=True)
    _compare(got, table, added, book)
    for name in TABLES:
        if name != table and not getattr(got, name).equals(getattr(book, name)):
            raise WoodlabError(f"The table {name} of {path.name} would not stay whole. " + _MOVE)
    files.write_bytes(path, data)


_MOVE = "Nothing was changed. Save the book as a folder of CSV files: open_book(...).save(folder)."


def _compare(got: RecordBook, table: str, added: pd.DataFrame, book: RecordBook) -> None:
    """Read back: the old rows as they were, the new ones below them."""
    before, after = getattr(book, table), getattr(got, table)
    new = after.iloc[len(before) :]
    read = [name for name in TABLES if name in set(got.counts["table"])]
    whole = (
        len(new) == len(added)
        and all(_same(after[name].iloc[: len(before)], before[name]) for name in before)
        and all(_same(new[name], added[name]) for name in _worth_writing(added))
        and len(got.set_aside) == int(book.set_aside["table"].isin(read).sum())
    )
    if not whole:
        raise WoodlabError(f"The new rows of {table} do not read back as given. {_MOVE}")


def _same(one: pd.Series, other: pd.Series) -> bool:
    if pd.api.types.is_numeric_dtype(one) and pd.api.types.is_numeric_dtype(other):
        return bool(np.allclose(one, other, rtol=1e-12, atol=1e-9, equal_nan=True))
    left, right = one.astype(object).to_numpy(), other.astype(object).to_numpy()
    return bool(((left == right) | (pd.isna(left) & pd.isna(right))).all())


def _worth_writing(frame: pd.DataFrame) -> pd.DataFrame:
    known = [c for c in frame.columns if frame[c].notna().any()]
    return frame[known]


def appended_csv(data: bytes, table: str, added: pd.DataFrame) -> bytes:
    """A CSV file's bytes with rows below, in the file's own columns, units and hand.

    Examples
    --------
    >>> import pandas as pd
    >>> new = pd.DataFrame({"piece": ["A1"], "on": pd.to_datetime(["2026-03-08"]),
    ...                     "mass_g": [453.59237]})
    >>> print(appended_csv(b"on;piece;mass_lb\\n2026-03-01;A1;1,1\\n", "weighings", new).decode())
    on;piece;mass_lb
    2026-03-01;A1;1,1
    2026-03-08;A1;1,0
    <BLANKLINE>
    """
    text, encoding = decoded(data), _encoding(data)
    newline = "\r\n" if "\r\n" in text else "\n"
    first = text.split("\n", 1)[0]
    separator = max(",;\t", key=first.count)
    headings = next(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    while headings and not headings[-1].strip():
        headings.pop()
    decimal = "." if separator == "," else ","
    cells, missing = _cells_for(headings, table, _worth_writing(added), decimal)
    if missing:
        text = _with_columns(text, separator, newline, len(headings), missing)
    if not text.endswith("\n"):
        text += newline
    buffer = io.StringIO(newline="")
    csv.writer(buffer, delimiter=separator, lineterminator=newline).writerows(cells)
    text += buffer.getvalue()
    try:
        return text.encode(encoding)
    except UnicodeEncodeError:  # a name that the old encoding has no letters for
        return text.encode("utf-8-sig")


def _encoding(data: bytes) -> str:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "utf-16"
    if data[:3] == b"\xef\xbb\xbf":
        return "utf-8-sig"
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def _cells_for(
    headings: list[str], table: str, added: pd.DataFrame, decimal: str
) -> tuple[list[list[str]], list[str]]:
    """Cells in the order of the headings, and the columns for which there is no heading."""
    made: dict[str, list[str]] = {}
    names = []
    for heading in headings:
        match = match_heading(heading, TABLES[table])
        name = match[0].name if match else heading
        names.append(name)
        if name in added and match is not None and match[0].kind == "number":
            zero, one = match[1](np.array([0.0, 1.0]))
            values = (added[name].to_numpy(dtype=float) - zero) / (one - zero)
            made[name] = [
                "" if np.isnan(v) else repr(float(v)).replace(".", decimal) for v in values
            ]
    for name in added.columns:
        if pd.api.types.is_datetime64_any_dtype(added[name]):
            made[name] = date_text(added[name]).fillna("").tolist()
        elif name not in made and pd.api.types.is_float_dtype(added[name]):
            made[name] = [
                "" if np.isnan(v) else repr(float(v)).replace(".", decimal) for v in added[name]
            ]
        elif name not in made:
            made[name] = added[name].fillna("").astype(str).tolist()
    missing = [name for name in added.columns if name not in names]
    blank = [""] * len(added)
    columns = [made.get(name, blank) for name in [*names, *missing]]
    return [list(row) for row in zip(*columns, strict=True)], missing


def _with_columns(text: str, separator: str, newline: str, width: int, missing: list[str]) -> str:
    """The file with further headings; only its lines' ends change."""
    rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, delimiter=separator, lineterminator=newline)
    for number, row in enumerate(rows):
        cells = [*row[:width], *[""] * (width - len(row))]
        if number == 0:
            writer.writerow([*cells, *missing])
        else:
            writer.writerow([*cells, *[""] * len(missing), *row[width:]] if row else row)
    return buffer.getvalue()
