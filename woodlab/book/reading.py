"""Files to raw tables: cells as they stand, rows numbered as the spreadsheet numbers them."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from woodlab.book.claims import check_claims
from woodlab.book.files import settled
from woodlab.book.tables import TABLES
from woodlab.errors import Fault, RecordError, WoodlabError

WORKBOOKS = (".xlsx", ".ods", ".xlsm", ".xls")


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
            f"There is no record book at {path}. Give the folder that holds pieces.csv and "
            "weighings.csv, or the workbook's file name."
        )
    if path.suffix.casefold() not in WORKBOOKS:
        raise WoodlabError(
            f"{path.name} is neither a folder of CSV files nor a workbook "
            f"({', '.join(WORKBOOKS)}). Give the folder itself, not a file in it."
        )
    return _read_workbook(path)


def _read_folder(path: Path) -> dict[str, RawTable]:
    tables = {}
    by_name = {entry.name.casefold(): entry for entry in path.iterdir() if entry.is_file()}
    for name in TABLES:
        file = settled(path, by_name.get(f"{name}.csv", path / f"{name}.csv"))
        if file.is_file():
            tables[name] = _read_csv(name, file)
    return tables


def _decode(name: str, data: bytes) -> str:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace")
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    return data.decode("latin-1")


def _read_csv(name: str, file: Path) -> RawTable:
    data = file.read_bytes()
    utf8 = data[:2] not in (b"\xff\xfe", b"\xfe\xff")
    head = data[:4000].split(b"\n", 1)[0].decode("latin-1")
    separator = max(",;\t", key=head.count)
    if not data.strip():
        return RawTable(name, pd.DataFrame())
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
        source = io.BytesIO(data) if utf8 else io.StringIO(_decode(name, data))
        with _long_rows_are_errors():
            frame = pd.read_csv(source, **options)  # type: ignore[call-overload]
        if frame.columns.duplicated().any() or b"\x00" in data:
            return _read_by_cell(name, _decode(name, data), separator)
    except (ValueError, pd.errors.ParserWarning, OverflowError):
        # UnicodeDecodeError and pandas' ParserError are ValueErrors.
        return _read_by_cell(name, _decode(name, data), separator)
    frame.index = pd.RangeIndex(2, len(frame) + 2)
    return RawTable(name, _without_blank_rows(frame), comma_decimals=separator != ",")


class _long_rows_are_errors:
    """pandas cuts a row that is too long with no more than a warning; make that an error."""

    def __enter__(self) -> None:
        import warnings

        self._catch = warnings.catch_warnings()
        self._catch.__enter__()
        warnings.simplefilter("error", pd.errors.ParserWarning)

    def __exit__(self, *error: object) -> None:
        self._catch.__exit__(*error)  # type: ignore[arg-type]


def _text_types(head: str, separator: str, name: str) -> dict[str, object]:
    from woodlab.book.units import match_heading

    types: dict[str, object] = {}
    for heading in head.lstrip("\ufeff").removeprefix("ï»¿").strip("\r\n").split(separator):
        heading = heading.strip('"')
        match = match_heading(heading, TABLES[name])
        if match is None or match[0].name == "note" or name == "pieces":
            types[heading] = object  # few cells alike, and quicker than pandas' str
        elif match[0].kind != "number":
            types[heading] = "category"  # many cells alike: the parser finds the distinct ones
    return types


def _read_by_cell(name: str, text: str, separator: str) -> RawTable:
    csv.field_size_limit(10_000_000)
    rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    return _from_rows(name, rows, comma_decimals=separator != ",")


def _from_rows(
    name: str, rows: Sequence[Sequence[object]], comma_decimals: bool = False
) -> RawTable:
    """A raw table from rows of cells, the first of them the headings."""
    if not rows:
        return RawTable(name, pd.DataFrame())
    headings = [str(cell).strip() for cell in rows[0]]
    while headings and not headings[-1]:
        headings.pop()
    width = len(headings)
    faults = []
    for column, heading in enumerate(headings):
        if not heading:
            faults.append(
                Fault(
                    name, 1, None, "", f"column {column + 1} has no heading",
                    "Type a heading in row 1, or delete the column.",
                )
            )  # fmt: skip
    for position, row in enumerate(rows[1:], start=2):
        extra = [str(cell) for cell in row[width:] if str(cell).strip()]
        if extra:
            faults.append(
                Fault(
                    name, position, None, "; ".join(extra)[:80],
                    f"the row has more cells than the {width} headings",
                    "Put a text that holds the separator in double quotes, or give the extra "
                    "cells a heading.",
                )
            )  # fmt: skip
    cells = [[*row[:width], *[""] * (width - len(row))] for row in rows[1:]]
    frame = pd.DataFrame(cells, columns=headings, dtype=object)
    frame = frame.where(frame.map(lambda cell: str(cell).strip() != ""), None)
    frame.index = pd.RangeIndex(2, len(frame) + 2)
    repeated = frame.columns[frame.columns.duplicated()].unique()
    for heading in repeated:
        faults.append(
            Fault(
                name, 1, str(heading), "", "the heading stands twice",
                "Rename one of the two columns.",
            )
        )  # fmt: skip
    frame = frame.loc[:, ~frame.columns.duplicated()]
    return RawTable(name, _without_blank_rows(frame), comma_decimals, tuple(faults))


def _without_blank_rows(frame: pd.DataFrame) -> pd.DataFrame:
    if frame.empty or frame.iloc[:, 0].notna().all():
        return frame
    return frame[frame.notna().any(axis=1)]


def _read_workbook(path: Path) -> dict[str, RawTable]:
    from python_calamine import CalamineError, CalamineWorkbook

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
    except (CalamineError, zipfile.BadZipFile, OSError, NotImplementedError) as error:
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
        copy = frame.copy()
        copy.index = pd.RangeIndex(2, len(copy) + 2)
        raw[name] = RawTable(name, copy)
    return raw


def check_required_tables(raw: dict[str, RawTable], path: str) -> None:
    """Raise when `pieces` or `weighings` is not there at all."""
    faults = [
        Fault(
            name, None, None, "", f"{path} has no table {name!r}",
            f"Add a file {name}.csv to the folder, or a sheet {name!r} to the workbook.",
        )
        for name in ("pieces", "weighings")
        if name not in raw
    ]  # fmt: skip
    if faults:
        raise RecordError(faults)
