"""Files to raw tables: cells as they stand, rows numbered as the spreadsheet numbers them."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path

import pandas as pd

from woodlab.book.claims import check_claims
from woodlab.book.files import settled
from woodlab.book.tables import TABLES, would_hold
from woodlab.book.units import match_heading
from woodlab.errors import Fault, RecordError, WoodlabError

WORKBOOKS = (".xlsx", ".ods", ".xlsm", ".xls")


# Some thirty million weighings; more would not fit into the memory of most computers.
MOST_CSV_BYTES = 1_000_000_000


_OWN_SHEET = (
    "If it is a sheet of your own, a row a piece and a column a weighing: `woodlab from-sheet` "
    "makes a book of it."
)


@dataclass(frozen=True)
class RawTable:
    """One table as it stands in its file.

    `frame` has the headings as found, text or numbers in the cells, and the spreadsheet's row
    number as index. `comma_decimals` is true where the file's separator leaves the comma free.
    """

    name: str
    frame: pd.DataFrame
    comma_decimals: bool = False
    faults: tuple[Fault, ...] = ()


def read_raw(path: Path) -> dict[str, RawTable]:
    """The tables that a folder of CSV files or a workbook has.

    Raises
    ------
    WoodlabError
        If nothing stands at `path`, or it is neither a folder nor a workbook, or is damaged.
    """
    if path.is_dir():
        return _read_folder(path)
    if not path.exists():
        raise WoodlabError(
            f"There is no record book at {path}{_seen_from(path)}. Give the folder that holds "
            "pieces.csv and weighings.csv, or the workbook's file name."
        )
    if path.suffix.casefold() not in WORKBOOKS:
        raise WoodlabError(
            f"{path.name} is neither a folder of CSV files nor a workbook "
            f"({', '.join(WORKBOOKS)}). Give the folder itself, not a file in it. {_OWN_SHEET}"
        )
    return _read_workbook(path)


def _read_folder(path: Path) -> dict[str, RawTable]:
    tables: dict[str, RawTable] = {}
    by_name: dict[str, Path] = {}
    for entry in sorted(path.iterdir()):
        name = entry.name.casefold()
        if name in by_name and name.removesuffix(".csv") in TABLES and entry.is_file():
            raise WoodlabError(
                f"{path.name} holds {by_name[name].name} and {entry.name}, which mean the same "
                "table. Rename or remove one of them."
            )
        if entry.is_file():
            by_name[name] = entry
    for name in TABLES:
        file = settled(path, by_name.get(f"{name}.csv", path / f"{name}.csv"))
        if file.is_file():
            tables[name] = read_csv_table(name, file)
    return tables


def _decoded(data: bytes) -> str:
    """The text of a file; what cannot be read in it becomes the replacement mark, a fault later."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace")
    if data[1:2] == b"\x00" or data[:1] == b"\x00":  # UTF-16 that lacks its mark
        return data.decode("utf-16-le" if data[1:2] == b"\x00" else "utf-16-be", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        # UTF-8 with a broken place in it, or the older one-byte letters throughout?
        if re.search(rb"[\xc3-\xf4][\x80-\xbf]", data):
            return data.decode("utf-8-sig", errors="replace")
        return data.decode("cp1252", errors="replace")


def read_csv_table(name: str, file: Path) -> RawTable:
    """One table from a CSV file.

    Raises
    ------
    WoodlabError
        If the file is too large or cannot be read as CSV at all.
    """
    size = file.stat().st_size
    if size > MOST_CSV_BYTES:
        raise WoodlabError(
            f"{file.name} has {size / 1e9:.1f} GB, far more than a record book holds. Is it the "
            "right file? If so, make a book of each season."
        )
    data = file.read_bytes()
    head = data[:4000].split(b"\n", 1)[0].decode("latin-1")
    separator = max(",;\t", key=head.count)
    if data.isspace() or not data:
        return RawTable(name, pd.DataFrame())
    if b"\x00" in data:
        return _read_by_cell(name, file, _decoded(data))
    options = {
        "sep": separator,
        "decimal": "." if separator == "," else ",",
        "keep_default_na": False,
        "na_values": [""],
        "skip_blank_lines": False,
        "index_col": False,
        "dtype": _text_types(head, separator, name),
    }
    try:
        # The short way: pandas reads numbers as numbers. Only a file it stumbles over is read
        # cell by cell, to say which cell is wrong.
        with _long_rows_are_errors():
            frame = pd.read_csv(io.BytesIO(data), **options)  # type: ignore[call-overload]
        headings = len(_headings(head, separator))
        if headings == 0 or len(frame.columns) != headings:
            return _read_by_cell(name, file, _decoded(data))
    except (ValueError, pd.errors.ParserWarning, OverflowError):
        # UnicodeDecodeError and pandas' ParserError are ValueErrors.
        return _read_by_cell(name, file, _decoded(data))
    frame.index = pd.RangeIndex(2, len(frame) + 2)
    return RawTable(name, _without_blank_rows(frame), comma_decimals=separator != ",")


class _long_rows_are_errors:
    """pandas cuts a row that is too long with no more than a warning; make that an error."""

    def __enter__(self) -> None:
        import warnings

        self._catch = warnings.catch_warnings()
        self._catch.__enter__()
        warnings.simplefilter("error", pd.errors.ParserWarning)
        warnings.simplefilter(
            "ignore", pd.errors.DtypeWarning
        )  # the cells are looked at one by one

    def __exit__(self, *error: object) -> None:
        self._catch.__exit__(*error)  # type: ignore[arg-type]


def _headings(head: str, separator: str) -> list[str]:
    """The headings as pandas would name them, unless one stands twice or is empty."""
    line = head.removeprefix("\xef\xbb\xbf").split("\r", 1)[0]
    found = next(csv.reader([line], delimiter=separator), [])
    return [heading for heading in dict.fromkeys(found) if heading]


def _text_types(head: str, separator: str, name: str) -> dict[str, object]:
    types: dict[str, object] = {}
    for heading in _headings(head, separator):
        match = match_heading(heading, TABLES[name])
        if match is None or match[0].name == "note" or name == "pieces":
            types[heading] = object  # few cells alike, and quicker than pandas' str
        elif match[0].kind != "number":
            types[heading] = "category"  # many cells alike: the parser finds the distinct ones
    return types


def _read_by_cell(name: str, file: Path, text: str) -> RawTable:
    csv.field_size_limit(10_000_000)
    separator = max(",;\t", key=text[:4000].split("\n", 1)[0].count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    try:
        rows = list(reader)
    except csv.Error as error:
        raise WoodlabError(
            f"{file.name} cannot be read as CSV at line {reader.line_num} ({error}). Is it the "
            "right file? Open it in a spreadsheet program and save it again as CSV."
        ) from error
    return _from_rows(name, rows, comma_decimals=separator != ",")


def _is_blank(cell: object) -> bool:
    return cell is None or (isinstance(cell, str) and not cell.strip())


def _from_rows(
    name: str, rows: Sequence[Sequence[object]], comma_decimals: bool = False
) -> RawTable:
    """A raw table from rows of cells, the first of them the headings."""
    if not rows:
        return RawTable(name, pd.DataFrame())
    headings = ["" if _is_blank(cell) else str(cell).strip() for cell in rows[0]]
    while headings and not headings[-1]:
        headings.pop()
    width = len(headings)
    faults = [
        Fault(
            name, 1, None, "", f"column {column + 1} has no heading",
            "Type a heading in row 1, or delete the column.",
        )
        for column, heading in enumerate(headings)
        if not heading
    ]  # fmt: skip
    faults += [
        Fault(
            name, 1, heading[:80], "", "the heading stands twice", "Rename one of the two columns."
        )
        for heading in dict.fromkeys(headings)
        if heading and headings.count(heading) > 1
    ]
    filled = []
    for position, row in enumerate(rows[1:], start=2):
        if all(_is_blank(cell) for cell in row):
            continue
        filled.append(position)
        extra = [str(cell) for cell in row[width:] if not _is_blank(cell)]
        if extra:
            faults.append(
                Fault(
                    name, position, None, "; ".join(extra)[:80],
                    f"the row has more cells than the {width} headings",
                    "Put a text that holds the separator in double quotes, or give the extra "
                    "cells a heading in row 1.",
                )
            )  # fmt: skip
    columns: dict[str, pd.Series] = {}
    index = pd.Index(filled, dtype="int64")
    for column, heading in enumerate(headings):
        cells = [
            rows[position - 1][column] if column < len(rows[position - 1]) else None
            for position in filled
        ]
        cells = [None if _is_blank(cell) else cell for cell in cells]
        # A table with two columns of one heading is not used; its cells are kept all the same.
        own = heading if heading not in columns else f"{heading} (column {column + 1})"
        columns[own] = pd.Series(cells, index=index, dtype=object)
    return RawTable(name, pd.DataFrame(columns, index=index), comma_decimals, tuple(faults))


def _without_blank_rows(frame: pd.DataFrame) -> pd.DataFrame:
    if frame.empty or frame.iloc[:, 0].notna().all():
        return frame
    return frame[frame.notna().any(axis=1)]


def _read_workbook(path: Path) -> dict[str, RawTable]:
    from python_calamine import CalamineWorkbook

    try:
        check_claims(path)
        with CalamineWorkbook.from_path(str(path)) as workbook:
            wanted: dict[str, str] = {}
            for sheet in workbook.sheet_names:
                table = sheet.strip().casefold()
                if table in TABLES and table in wanted:
                    raise WoodlabError(
                        f"{path.name} has two sheets that mean the table {table}: "
                        f"{wanted[table]!r} and {sheet!r}. Rename or delete one of them."
                    )
                wanted[table] = sheet
            return {
                name: _from_rows(
                    name, workbook.get_sheet_by_name(wanted[name]).to_python(skip_empty_area=False)
                )
                for name in TABLES
                if name in wanted
            }
    except (WoodlabError, MemoryError):
        raise
    except Exception as error:  # a damaged file can fail its reader in any way
        raise _damaged(path, error) from error
    except BaseException as error:
        # The reader is written in another language; its surprises are no Exceptions here.
        if type(error).__name__ != "PanicException":
            raise
        raise _damaged(path, error) from None


def _damaged(path: Path, error: BaseException) -> WoodlabError:
    return WoodlabError(
        f"{path.name} cannot be read as a workbook ({error}). Open it in a spreadsheet "
        "program and save it again as .xlsx or .ods."
    )


def _without_decimals(cell: object) -> object:
    return str(cell) if isinstance(cell, Decimal) else cell


def raw_from_frames(frames: dict[str, pd.DataFrame]) -> dict[str, RawTable]:
    """Frames that were made in code, treated like tables read from files."""
    unknown = set(frames) - set(TABLES)
    if unknown:
        raise WoodlabError(
            f"{sorted(unknown)} are not tables of a record book. "
            f"The tables are {', '.join(TABLES)}."
        )
    raw = {}
    for name, frame in frames.items():
        if not isinstance(frame, pd.DataFrame):
            raise WoodlabError(
                f"{name} is a {type(frame).__name__}, and a table is given as a pandas DataFrame."
            )
        if frame.columns.nlevels > 1 or frame.columns.has_duplicates:
            raise WoodlabError(
                f"{name} has columns of one name, or names of several levels. Give each column "
                "one name of its own."
            )
        copy = frame.copy()
        for heading in [name for name in copy.columns if copy[name].dtype == object]:
            # a decimal may be one that cannot be hashed; as text it is read or told of
            copy[heading] = copy[heading].map(_without_decimals)
        copy.index = pd.RangeIndex(2, len(copy) + 2)
        raw[name] = RawTable(name, copy)
    return raw


def _seen_from(path: Path) -> str:
    """Where a path that is not absolute was looked for: a notebook looks from its own folder."""
    return "" if path.is_absolute() else f" (looked for in {Path.cwd()})"


def check_required_tables(raw: dict[str, RawTable], path: str) -> None:
    """Raise when `pieces` or `weighings` is not there at all."""
    faults = [
        Fault(
            name, None, None, "", f"{path} has no table {name!r}",
            f"Add a file {name}.csv to the folder, or a sheet {name!r} to the workbook; while "
            f"there is nothing to enter, its headings alone will do: {would_hold(name)}.",
        )
        for name in ("pieces", "weighings")
        if name not in raw
    ]  # fmt: skip
    if not raw:  # not a book that lacks a table, but no book
        last = faults[-1]
        faults[-1] = replace(last, remedy=f"{last.remedy} {_OWN_SHEET}")
    if faults:
        raise RecordError(faults)
