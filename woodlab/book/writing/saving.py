"""A book into a folder of CSV files or a workbook: the same book when it is opened again.

What is written is first read back from elsewhere and compared. Only then does it take the place of
what is there, in which all that is not the book's own stays.
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from woodlab.book.cells import UNREADABLE
from woodlab.book.claims import LAST_COLUMN, LAST_ROW
from woodlab.book.reading import cells_of, file_of
from woodlab.book.record_book import RecordBook, open_book
from woodlab.book.tables import TABLES
from woodlab.book.writing import as_ods, as_xlsx
from woodlab.book.writing.as_csv import (
    Change,
    changed_csv,
    csv_text,
    own_columns,
    plain,
    worth_writing,
)
from woodlab.errors import WoodlabError
from woodlab.safe_write import NOTE, behind, locked, whole_folder, write_file, write_files

LONGEST_TEXT = 32_767  # of an .xlsx cell, in Microsoft's "Excel specifications and limits"
# Before 1 March 1900 the spreadsheet programs' day numbers differ by one.
_FIRST_DAY = pd.Timestamp("1900-03-01")
_ASIDE = "set_aside"


def write_book(
    tables: Mapping[str, pd.DataFrame],
    path: Path,
    set_aside: pd.DataFrame | None = None,
    wanted: RecordBook | None = None,
) -> None:
    """Write tables as a book at `path`, as one step; see `RecordBook.save`.

    `wanted` is the book that is to be read back.
    """
    path = behind(path)
    contents = {name: worth_writing(name, frame) for name, frame in tables.items()}
    if set_aside is not None and len(set_aside):
        contents[_ASIDE] = set_aside.map(_readable)
    if path.is_dir():
        with locked(path):
            if _ASIDE in contents:
                contents[_ASIDE] = _merged(cells_of(path, _ASIDE), contents[_ASIDE])
            gone = [t for t in TABLES if t not in contents and file_of(path, t).is_file()]
            _put(path, {**_as_csv(contents), **dict.fromkeys(gone)}, wanted)
    elif path.suffix.casefold() in (".xlsx", ".ods"):
        with locked(path):
            _put(path, _as_workbook(path, contents), wanted)
    elif path.suffix == "" and not path.exists():
        with whole_folder(path, NOTE) as folder:
            _put(folder, _as_csv(contents), wanted)
    else:
        raise WoodlabError(
            f"A book is written as a folder, as .xlsx or as .ods, not as {path.name}. Choose a "
            "name that ends in .xlsx or .ods, or a new one without an ending."
        )


def change_book(
    path: Path,
    book: RecordBook,
    changes: dict[str, Change],
    replaced: Mapping[str, pd.DataFrame] | None = None,
) -> None:
    """Change cells of a book's tables and add rows to them, as one step; its lock is held.

    What stood in the file stays as it was typed. `book` is what was read from `path`; `replaced`
    are tables that are not the book's own, which are written anew.
    """
    wanted = {}
    for table, change in changes.items():
        frame = getattr(book, table)
        at = {row: position for position, row in enumerate(book._rows[table].tolist())}
        for row, cells in change.cells.items():
            for name, value in cells.items():
                frame.loc[at[row], name] = value
        wanted[table] = below(frame, change.below) if len(change.below) else frame
    new: bytes | Mapping[str, bytes | None]
    if path.is_dir():
        files = _as_csv(dict(replaced or {}))
        for table, change in changes.items():
            there = file_of(path, table)
            data = there.read_bytes() if there.is_file() else b""
            files[table] = (
                changed_csv(data, table, change)
                if data.strip()
                else csv_text(change.below).encode()
            )
        new = files
    else:
        new = as_xlsx.changed_workbook(path, changes, dict(replaced or {}))
    _put(path, new, replace(book, **wanted), exactly=False)


def _put(
    path: Path,
    new: bytes | Mapping[str, bytes | None],
    wanted: RecordBook | None,
    exactly: bool = True,
) -> None:
    """Open from elsewhere what is to stand at `path`; it is put there if it is the book `wanted`.

    `new` is a workbook, or what changes in a folder by table (None: taken away). Numbers that
    changed their unit may differ in the last digit, unless `exactly`. Raises WoodlabError, naming
    the cell.
    """
    if wanted is not None:
        with tempfile.TemporaryDirectory() as trial:
            there = Path(trial) / f"book{path.suffix if isinstance(new, bytes) else ''}"
            if isinstance(new, bytes):
                there.write_bytes(new)
            else:
                there.mkdir()
                for table in TABLES:
                    stands = file_of(path, table)
                    data = new[table] if table in new else stands.is_file() and stands.read_bytes()
                    if data:
                        (there / f"{table}.csv").write_bytes(data)
            _compare(there, wanted, exactly)
    if isinstance(new, bytes):
        write_file(path, new)
    else:
        write_files(path, {file_of(path, table).name: data for table, data in new.items()})


def below(start: pd.DataFrame, more: pd.DataFrame) -> pd.DataFrame:
    """Rows below those of a table, in its columns and of their kinds."""
    more = more.reindex(columns=start.columns)
    if start.empty:
        return more.reset_index(drop=True)
    return pd.concat([start, more.astype(start.dtypes.to_dict())], ignore_index=True)


def _as_csv(contents: dict[str, pd.DataFrame]) -> dict[str, bytes]:
    return {name: csv_text(frame).encode() for name, frame in contents.items()}


def _as_workbook(path: Path, contents: dict[str, pd.DataFrame]) -> bytes:
    kind = as_ods if path.suffix.casefold() == ".ods" else as_xlsx
    there = path.exists() and path.stat().st_size > 0
    if _ASIDE in contents and there:
        contents[_ASIDE] = _merged(cells_of(path, _ASIDE), contents[_ASIDE])
    sheets = {name: _for_sheet(name, frame) for name, frame in contents.items()}
    if kind is as_xlsx:
        for name, frame in sheets.items():
            _refuse_long_texts(name, frame)
    return kind.replaced_sheets(path, sheets) if there else kind.new_workbook(sheets)


def _merged(earlier: pd.DataFrame | None, new: pd.DataFrame) -> pd.DataFrame:
    """The rows that were set aside before, then those that are not among them."""
    if earlier is None:
        return new
    text = new.astype(object).where(new.notna(), "").astype(str)
    return pd.concat([earlier.fillna(""), text]).fillna("").drop_duplicates(ignore_index=True)


def _for_sheet(table: str, frame: pd.DataFrame) -> pd.DataFrame:
    """The table as a sheet can hold it to the letter: what is text, or too fine, as text."""
    if len(frame) >= LAST_ROW or len(frame.columns) > LAST_COLUMN:
        raise WoodlabError(
            f"{table} has {len(frame):,} rows of {len(frame.columns):,} columns, more than a sheet "
            "holds. Save the book as a folder: a name without an ending."
        )
    own = own_columns(table, frame)
    out = frame.copy(deep=False)
    for column in own:
        text = plain(frame[[column]])[column].astype(object)
        out[column] = text.where(text.isna(), text.map(str))
    for column in frame.columns:
        if pd.api.types.is_datetime64_any_dtype(frame[column]) and column not in own:
            dates = frame[column]
            odd = (dates < _FIRST_DAY) | (dates.notna() & (dates != dates.dt.floor("s")))
            if odd.any():
                out[column] = dates.astype(object).mask(odd, plain(frame[[column]])[column])
    return out


def _refuse_long_texts(table: str, frame: pd.DataFrame) -> None:
    for column in [c for c in frame.columns if not pd.api.types.is_numeric_dtype(frame[c])]:
        for position, value in enumerate(frame[column].tolist()):
            if isinstance(value, str) and as_xlsx.length(value) > LONGEST_TEXT:
                raise WoodlabError(
                    f"{table}, row {position + 2}, column {column}: the text has {len(value):,} "
                    f"letters, and a cell of .xlsx holds {LONGEST_TEXT:,} (found "
                    f"{value[:40]!r}...). Shorten it, or save the book as a folder of CSV files. "
                    "Nothing was changed."
                )


def _readable(value: object) -> object:
    """A cell of a row that was set aside, with what no file can hold written out."""
    if not isinstance(value, str):
        return value
    return UNREADABLE.sub(lambda found: f"\\x{ord(found[0]):02x}", value)


def _compare(path: Path, wanted: RecordBook, exactly: bool) -> None:
    got = open_book(path, set_aside=True)
    if exactly and got.hash == wanted.hash:
        return
    if len(got.set_aside) != (0 if exactly else len(wanted.set_aside)):
        row = got.set_aside.iloc[-1]
        where, value = f"{row['table']}, row {row['row']}, column {row['column']}", row["value"]
        raise _not_kept(where, f"{row['reason']} (found {str(value)[:80]!r})")
    for name in TABLES:
        one, other = (plain(getattr(book, name)).astype(object) for book in (wanted, got))
        if list(one.columns) != list(other.columns) or len(one) != len(other):
            found = f"{len(other)} rows of {list(other.columns)}"
            raise _not_kept(name, f"{len(one)} rows of {list(one.columns)} come back as {found}")
        for column in one.columns:
            before, after = one[column], other[column]
            differ = (before.notna() | after.notna()) & (before.map(str) != after.map(str))
            if not exactly and pd.api.types.is_float_dtype(getattr(got, name)[column]):
                numbers = before.astype(float), after.astype(float)
                near = np.isclose(*numbers, rtol=1e-12, atol=1e-9, equal_nan=True)
                differ &= ~near
            if differ.any():
                at = differ.idxmax()
                raise _not_kept(
                    f"{name}, row {at + 2}, column {column}",
                    f"{str(before[at])[:80]!r} comes back as {str(after[at])[:80]!r}",
                )
    if exactly:
        raise _not_kept(wanted.name, "the book comes back with other contents")


def _not_kept(where: str, why: str) -> WoodlabError:
    return WoodlabError(
        f"{where}: this cannot be kept there: {why}. Nothing was changed. Change the entry, or "
        "save the book in another form (a folder of CSV files, .xlsx or .ods)."
    )
