"""Files to raw tables: cells as they stand, rows numbered as the spreadsheet numbers them."""

from __future__ import annotations

import csv
import io
import os
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from woodlab.book.cells import is_blank
from woodlab.book.claims import LAST_COLUMN, workbook
from woodlab.book.tables import TABLES, would_hold
from woodlab.book.units import match_heading
from woodlab.errors import Fault, RecordError, WoodlabError
from woodlab.safe_write import steady

WORKBOOKS = (".xlsx", ".ods", ".xlsm", ".xls")
# Some thirty million weighings; more would not fit into the memory of most computers.
MOST_CSV_BYTES = 1_000_000_000
csv.field_size_limit(MOST_CSV_BYTES)
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

    Raises WoodlabError if nothing stands at `path`, or it is no book or damaged.
    """
    if path.is_dir():
        found = steady(path, lambda moved: _contents(path, moved))
        return {name: _csv_table(name, f"{name}.csv", data) for name, data in found.items()}
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


def _contents(path: Path, moved: dict[str, Path | None]) -> dict[str, bytes | Fault]:
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


def _contents_of(name: str, file: Path) -> bytes | Fault:
    """What is in a table's file, or why it cannot be read.

    Raises WoodlabError if it is too large.
    """
    if file.is_symlink() and not file.exists():
        why = f"{file.name} is a link to a file that is not there"
    elif not file.is_file():
        why = f"{file.name} is {'a folder' if file.is_dir() else 'no file of records'}"
    elif (size := file.stat().st_size) > MOST_CSV_BYTES:
        raise WoodlabError(
            f"{file.name} has {size / 1e9:.1f} GB, far more than a record book holds. Is it the "
            "right file? If so, make a book of each season."
        )
    else:
        try:
            return file.read_bytes()
        except OSError as error:
            why = f"{file.name} cannot be read: {error.strerror or error}"
    remedy = "Put the file itself there, or rename what is there if it is no table of the book."
    return Fault(name, None, None, "", why, remedy)


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
    """The text of a file; what cannot be read in it becomes the replacement mark, a fault later."""
    return data.decode(encoding_of(data), errors="replace")


def read_csv_table(name: str, file: Path) -> RawTable:
    """One table from a CSV file, every cell as text; one that cannot be read is one fault.

    Raises WoodlabError if the file is too large or cannot be read as CSV at all."""
    return _csv_table(name, file.name, _contents_of(name, file))


def _csv_table(name: str, file: str, data: bytes | Fault) -> RawTable:
    """One table from the contents of a CSV file of that name."""
    if isinstance(data, Fault):
        return RawTable(name, pd.DataFrame(), faults=(data,))
    text = decoded(data).replace("\0", "\ufffd")  # the parser would end there
    if not text or text.isspace():
        return RawTable(name, pd.DataFrame())
    separator = separator_of(text)
    columns = re.split(r"[\r\n]", text, maxsplit=1)[0].count(separator) + 1
    how = {"comma_decimals": separator != ",", "quoted": '"' in text}
    plain = text.encode(errors="replace")
    while True:
        if columns > LAST_COLUMN:
            raise WoodlabError(
                f"{file} has {columns:,} columns, and a table has at most {LAST_COLUMN:,}. Is it "
                "the right file, with a row for each record?"
            )
        try:
            with warnings.catch_warnings():
                # pandas cuts a row that is too long with no more than a warning
                warnings.simplefilter("error", pd.errors.ParserWarning)
                rows = pd.read_csv(
                    io.BytesIO(plain), sep=separator, header=None, names=range(columns),
                    index_col=False, dtype=_kinds(name, text, separator, columns),
                    keep_default_na=False, na_values=[""],
                    skip_blank_lines=False,
                )  # fmt: skip
            return _raw_table(name, rows, **how)
        except (pd.errors.ParserError, pd.errors.ParserWarning) as error:
            if "EOF inside string" in str(error):
                plain += b'"'  # a quote that is never closed: the rule for swallowed rows tells it
                continue
            longest = max(map(len, csv.reader(io.StringIO(text, newline=""), delimiter=separator)))
            if longest <= columns:
                raise WoodlabError(
                    f"{file} cannot be read as CSV ({error}). Is it the right file? Open it in a "
                    "spreadsheet program and save it again as CSV."
                ) from error
            columns = longest


def _kinds(table: str, text: str, separator: str, columns: int) -> dict[int, object]:
    """Text for every column. Where many cells are alike the parser finds the distinct ones; that
    it makes no numbers of these (1.1 of 1.10) is owed to the heading, which is read among them."""
    known = TABLES.get(table, ()) if table != "pieces" else ()
    start = io.StringIO(text[:1_000_000], newline="")
    heads = next(csv.reader(start, delimiter=separator), [])
    matches = [match_heading(heading, known) for heading in heads[:columns]]
    many = [at for at, match in enumerate(matches) if match and match.column.name != "note"]
    return {at: "category" if at in many else object for at in range(columns)}


def separator_of(text: str) -> str:
    """The sign that parts the headings, looked for outside quotes."""
    head = re.split(r"[\r\n]", text, maxsplit=1)[0]
    return max(",;\t", key=re.sub('"[^"]*("|$)', "", head).count)


def _raw_table(name: str, rows: pd.DataFrame, **how: bool) -> RawTable:
    """A raw table from rows of cells, the first of them the headings."""
    rows = _without_blank_rows(rows.set_axis(range(1, len(rows) + 1), axis="index"))
    first = rows.loc[1].tolist() if 1 in rows.index else []
    headings = ["" if is_blank(cell) else str(cell).strip() for cell in first]
    while headings and not headings[-1]:
        headings.pop()
    faults: list[Fault] = []
    own: list[str] = []
    for column, heading in enumerate(headings, start=1):
        if not heading:
            remedy = "Type a heading in row 1, or delete the column."
            faults.append(Fault(name, 1, None, "", f"column {column} has no heading", remedy))
        elif heading in own:
            remedy = "Rename one of the two columns."
            faults.append(Fault(name, 1, heading[:80], "", "the heading stands twice", remedy))
        # A table with two columns of one heading is not used; its cells are kept all the same.
        own.append(heading if heading not in own else f"{heading} (column {column})")
    frame = rows.drop(index=[1], errors="ignore")
    problem = f"the row has more cells than the {len(headings)} headings"
    remedy = (
        "Put a text that holds the separator in double quotes, or give the extra cells a heading "
        "in row 1."
    )
    beyond = frame.iloc[:, len(headings) :].dropna(how="all")
    for row, cells in zip(beyond.index, beyond.to_numpy().tolist(), strict=True):
        if extra := [str(cell) for cell in cells if not is_blank(cell)]:
            faults.append(Fault(name, row, None, "; ".join(extra)[:80], problem, remedy))
    frame = frame.iloc[:, : len(headings)].set_axis(own, axis="columns")
    return RawTable(name, frame, faults=tuple(faults), **how)


def _without_blank_rows(frame: pd.DataFrame) -> pd.DataFrame:
    """Without the rows in which every cell is empty or holds blanks only."""
    if frame.empty:
        return frame
    first = frame.iloc[:, 0]
    doubtful = frame[first.isna() | first.isin([c for c in first.unique() if is_blank(c)])]
    blank = [all(map(is_blank, row)) for row in doubtful.to_numpy()]
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
        found = {}
        for name in names:
            if name in wanted:
                rows = book.get_sheet_by_name(wanted[name]).to_python(skip_empty_area=False)
                cells = pd.DataFrame(rows, dtype=object)
                found[name] = _raw_table(name, cells.mask(cells == ""))
        return found


def file_of(folder: Path, table: str) -> Path:
    """The file of a table in a folder, however its name is written."""
    usual = folder / f"{table}.csv"
    if usual.exists():
        return usual
    return next((f for f in folder.iterdir() if f.name.casefold() == usual.name), usual)


def cells_of(path: Path, table: str) -> pd.DataFrame | None:
    """The cells of any table of a book as text, None where empty; None if there is no such table.

    Raises RecordError if its rows do not fit its headings.
    """
    if path.is_dir():
        file = file_of(path, table)
        raw = read_csv_table(table, file) if os.path.lexists(file) else None
    else:
        raw = _read_workbook(path, (table,)).get(table)
    if raw is None:
        return None
    if raw.faults:
        raise RecordError(raw.faults)
    return raw.frame.astype(object).map(str, na_action="ignore")


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
