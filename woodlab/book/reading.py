"""Files to raw tables: cells as they stand, rows numbered as the spreadsheet numbers them."""

from __future__ import annotations

import csv
import io
import os
import re
import warnings
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from woodlab.book.claims import LAST_COLUMN, workbook
from woodlab.book.tables import TABLES, would_hold
from woodlab.book.units import match_heading
from woodlab.errors import Fault, RecordError, WoodlabError
from woodlab.safe_write import steady

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
    number as index. `comma_decimals` is true where the file's separator leaves the comma free,
    `quoted` where texts end at a quote, so that a lost one swallows rows.
    """

    name: str
    frame: pd.DataFrame
    comma_decimals: bool = False
    faults: tuple[Fault, ...] = ()
    quoted: bool = False


def read_raw(path: Path) -> dict[str, RawTable]:
    """The tables that a folder of CSV files or a workbook has.

    Raises
    ------
    WoodlabError
        If nothing stands at `path`, or it is neither a folder nor a workbook, or is damaged.
    """
    if path.is_dir():
        found = steady(path, lambda moved: _contents(path, moved))
        return {name: csv_table(name, f"{name}.csv", data) for name, data in found.items()}
    if not path.exists():  # a notebook looks from its own folder
        seen_from = "" if path.is_absolute() else f" (looked for in {Path.cwd()})"
        raise WoodlabError(
            f"There is no record book at {path}{seen_from}. Give the folder that holds "
            "pieces.csv and weighings.csv, or the workbook's file name."
        )
    if path.suffix.casefold() not in WORKBOOKS:
        raise WoodlabError(
            f"{path.name} is neither a folder of CSV files nor a workbook "
            f"({', '.join(WORKBOOKS)}). Give the folder itself, not a file in it. {_OWN_SHEET}"
        )
    return _read_workbook(path)


def _contents(path: Path, moved: dict[str, Path | None]) -> dict[str, bytes | RawTable]:
    """What is in each table's file; `moved` says where those lie that are being saved."""
    by_name: dict[str, Path] = {}
    for entry in sorted(path.iterdir()):
        name = entry.name.casefold()
        if name in by_name and name.removesuffix(".csv") in TABLES:
            raise WoodlabError(
                f"{path.name} holds {by_name[name].name} and {entry.name}, which mean the same "
                "table. Rename or remove one of them."
            )
        by_name[name] = entry
    found = {}
    for name in TABLES:
        place = by_name.get(f"{name}.csv", path / f"{name}.csv")
        file = moved.get(place.name, place)
        if file is not None and os.path.lexists(file):
            found[name] = _contents_of(name, file)
    return found


def _contents_of(name: str, file: Path) -> bytes | RawTable:
    """What is in a table's file; a table of no rows and one fault where it cannot be read.

    Raises
    ------
    WoodlabError
        If it is too large.
    """
    why = ""
    if file.is_symlink() and not file.exists():
        why = f"{file.name} is a link to a file that is not there"
    elif not file.is_file():
        why = f"{file.name} is {'a folder' if file.is_dir() else 'no file of records'}"
    else:
        try:
            size = file.stat().st_size
            if size > MOST_CSV_BYTES:
                raise WoodlabError(
                    f"{file.name} has {size / 1e9:.1f} GB, far more than a record book holds. Is "
                    "it the right file? If so, make a book of each season."
                )
            return file.read_bytes()
        except OSError as error:
            why = f"{file.name} cannot be read: {error.strerror or error}"
    remedy = "Put the file itself there, or rename what is there if it is no table of the book."
    return RawTable(name, pd.DataFrame(), faults=(Fault(name, None, None, "", why, remedy),))


def encoding_of(data: bytes) -> str:
    """How the text of a file is written: UTF-8 or UTF-16, with or without its mark, or cp1252."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "utf-16"
    if data[1:2] == b"\x00" or data[:1] == b"\x00":  # UTF-16 that lacks its mark
        return "utf-16-le" if data[1:2] == b"\x00" else "utf-16-be"
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        # UTF-8 with a broken place in it, or the older one-byte letters throughout?
        broken = data.decode("utf-8", errors="replace").count("\ufffd")
        if len(re.findall(rb"[\xc3-\xf4][\x80-\xbf]+", data)) < broken:
            return "cp1252"
    return "utf-8-sig"


def decoded(data: bytes) -> str:
    """The text of a file; what cannot be read in it becomes the replacement mark, a fault later.

    Examples
    --------
    >>> decoded("Stück;1,5".encode("cp1252")) == decoded("Stück;1,5".encode("utf-16"))
    True
    """
    return data.decode(encoding_of(data), errors="replace")


def read_csv_table(name: str, file: Path) -> RawTable:
    """One table from a CSV file, every cell as text.

    A file that is there and cannot be read gives a table of one fault.

    Raises
    ------
    WoodlabError
        If the file is too large or cannot be read as CSV at all.
    """
    return csv_table(name, file.name, _contents_of(name, file))


def csv_table(name: str, file: str, data: bytes | RawTable) -> RawTable:
    """One table from the contents of a CSV file of that name.

    Raises
    ------
    WoodlabError
        If it has more columns than a sheet, or cannot be read as CSV at all.
    """
    if isinstance(data, RawTable):
        return data
    if data.isspace() or not data:
        return RawTable(name, pd.DataFrame())
    end = re.search(rb"[\r\n]", data)
    head = data[: end.start() if end else None].decode("utf-8-sig", errors="ignore")
    separator = separator_of(head)
    if (columns := head.count(separator) + 1) > LAST_COLUMN:
        raise WoodlabError(
            f"{file} has {columns:,} columns in row 1, and a table has at most {LAST_COLUMN:,}. "
            "Is it the right file, with a row for each record?"
        )
    headings = next(csv.reader([head], delimiter=separator), [])
    if b"\x00" not in data and headings and len(set(headings) - {""}) == len(headings):
        # The short way. Only a file it stumbles over is read cell by cell, to say which cell
        # is wrong. UnicodeDecodeError and pandas' ParserError are ValueErrors.
        with suppress(ValueError, pd.errors.ParserWarning, OverflowError):
            frame = _read_at_once(name, data, headings, separator)
            if frame is not None:
                return RawTable(name, _without_blank_rows(frame), separator != ",", quoted=True)
    return _read_by_cell(name, file, decoded(data))


_TEXT = "\x1e"  # in no record; a cell that no parser can take for a number or a truth


def _read_at_once(
    name: str, data: bytes, headings: list[str], separator: str
) -> pd.DataFrame | None:
    """The cells of columns of numbers as numbers where all are, every other cell as text.

    Many cells are alike, so the parser looks for the distinct ones. Of these it makes numbers
    where it can, and 1.10 would be read as 1.1: a first row of our own keeps it from that. None
    if the parser made anything else of the text.
    """
    line = re.search(rb"\r\n|\r|\n", data)
    if line is None or _TEXT.encode() in data:
        return None
    kinds = {heading: _kind(name, heading) for heading in headings}
    ours = ["0" if kind is None else _TEXT for kind in kinds.values()]
    first = separator.join(ours).encode() + line[0]
    with warnings.catch_warnings():
        # pandas cuts a row that is too long with no more than a warning
        warnings.simplefilter("error", pd.errors.ParserWarning)
        warnings.simplefilter("ignore", pd.errors.DtypeWarning)  # each cell is looked at
        frame = pd.read_csv(
            io.BytesIO(data[: line.end()] + first + data[line.end() :]), sep=separator,
            decimal="." if separator == "," else ",", keep_default_na=False, na_values=[""],
            skip_blank_lines=False, index_col=False,
            dtype={heading: kind for heading, kind in kinds.items() if kind is not None},
        )  # fmt: skip
    if frame.columns.tolist() != headings or [str(cell)[0] for cell in frame.iloc[0]] != ours:
        return None
    frame = frame.iloc[1:]
    frame.columns = frame.columns.str.strip()
    frame.index = pd.RangeIndex(2, len(frame) + 2)
    return frame.apply(
        lambda cells: cells.cat.remove_categories([_TEXT]) if cells.dtype == "category" else cells
    )


def _kind(table: str, heading: str) -> object:
    match = match_heading(heading, TABLES[table])
    if match and match.unit and table != "pieces":
        return None
    few = match is None or match.column.name == "note" or table == "pieces"
    return object if few else "category"  # few cells alike


def separator_of(head: str) -> str:
    """The sign that parts the headings, looked for outside quotes."""
    return max(",;\t", key=re.sub('"[^"]*("|$)', "", head).count)


def _read_by_cell(name: str, file: str, text: str) -> RawTable:
    csv.field_size_limit(10_000_000)
    separator = separator_of(re.split(r"[\r\n]", text, maxsplit=1)[0])
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    try:
        rows = list(reader)
    except csv.Error as error:
        raise WoodlabError(
            f"{file} cannot be read as CSV at line {reader.line_num} ({error}). Is it the "
            "right file? Open it in a spreadsheet program and save it again as CSV."
        ) from error
    return replace(_from_rows(name, rows), comma_decimals=separator != ",", quoted=True)


def is_blank(cell: object) -> bool:
    """Whether nothing stands in a cell.

    Examples
    --------
    >>> is_blank(None), is_blank("  "), is_blank(0)
    (True, True, False)
    """
    return cell is None or (isinstance(cell, str) and not cell.strip())


def _from_rows(name: str, rows: Sequence[Sequence[object]]) -> RawTable:
    """A raw table from rows of cells, the first of them the headings."""
    headings = ["" if is_blank(cell) else str(cell).strip() for cell in (rows[0] if rows else ())]
    while headings and not headings[-1]:
        headings.pop()
    faults: list[Fault] = []
    for column, heading in enumerate(headings, start=1):
        if not heading:
            remedy = "Type a heading in row 1, or delete the column."
            faults.append(Fault(name, 1, None, "", f"column {column} has no heading", remedy))
        elif heading in headings[: column - 1]:
            remedy = "Rename one of the two columns."
            faults.append(Fault(name, 1, heading[:80], "", "the heading stands twice", remedy))
    filled = {
        number: row for number, row in enumerate(rows[1:], start=2) if not all(map(is_blank, row))
    }
    width = len(headings)
    problem = f"the row has more cells than the {width} headings"
    remedy = (
        "Put a text that holds the separator in double quotes, or give the extra cells a heading "
        "in row 1."
    )
    for number, row in filled.items():
        if extra := [str(cell) for cell in row[width:] if not is_blank(cell)]:
            faults.append(Fault(name, number, None, "; ".join(extra)[:80], problem, remedy))
    columns: dict[str, pd.Series] = {}
    index = pd.Index(filled, dtype="int64")
    for column, heading in enumerate(headings):
        found = (row[column] if column < len(row) else None for row in filled.values())
        cells = [None if is_blank(cell) else cell for cell in found]
        # A table with two columns of one heading is not used; its cells are kept all the same.
        own = heading if heading not in columns else f"{heading} (column {column + 1})"
        columns[own] = pd.Series(cells, index=index, dtype=object)
    return RawTable(name, pd.DataFrame(columns, index=index), faults=tuple(faults))


def _without_blank_rows(frame: pd.DataFrame) -> pd.DataFrame:
    """Without the rows in which every cell is empty or holds blanks only."""
    if frame.empty:
        return frame
    first = frame.iloc[:, 0]
    none = [cell for cell in first.unique() if cell != cell or is_blank(cell)]
    doubtful = frame[first.isin(none)].astype(object) if none else frame.iloc[:0]
    blank = [all(cell != cell or is_blank(cell) for cell in row) for row in doubtful.to_numpy()]
    return frame.drop(index=doubtful.index[blank]) if any(blank) else frame


def _read_workbook(path: Path, names: Sequence[str] = tuple(TABLES)) -> dict[str, RawTable]:
    with workbook(path) as book:
        wanted: dict[str, str] = {}
        for sheet in book.sheet_names:
            table = sheet.strip().casefold()
            if table in names and table in wanted:
                raise WoodlabError(
                    f"{path.name} has two sheets that mean the table {table}: "
                    f"{wanted[table]!r} and {sheet!r}. Rename or delete one of them."
                )
            wanted[table] = sheet
        return {
            name: _from_rows(
                name, book.get_sheet_by_name(wanted[name]).to_python(skip_empty_area=False)
            )
            for name in names
            if name in wanted
        }


def cells_of_csv(file: Path) -> pd.DataFrame:
    """The cells of a CSV file as text, None where empty.

    Raises
    ------
    RecordError
        If its rows do not fit its headings.
    """
    return _sound(_read_by_cell(file.stem, file.name, decoded(file.read_bytes())))


def cells_of_sheet(path: Path, sheet: str) -> pd.DataFrame | None:
    """The cells of a workbook's sheet as text; None if there is no sheet of that name."""
    found = _read_workbook(path, (sheet,))
    return _sound(found[sheet]).map(str, na_action="ignore") if sheet in found else None


def _sound(raw: RawTable) -> pd.DataFrame:
    if raw.faults:
        raise RecordError(raw.faults)
    return raw.frame


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
        named = frame.columns.map(lambda heading: str(heading).strip())
        if frame.columns.nlevels > 1 or named.has_duplicates:
            raise WoodlabError(
                f"{name} has columns of one name, or names of several levels. Give each column "
                "one name of its own."
            )
        rows = pd.RangeIndex(2, len(frame) + 2)
        raw[name] = RawTable(
            name, frame.set_axis(named, axis="columns").set_axis(rows, axis="index")
        )
    return raw


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
