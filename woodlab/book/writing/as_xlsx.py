"""Tables into .xlsx workbooks; all else in a workbook that is there already stays as it was."""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from pathlib import Path
from typing import Any

import pandas as pd

from woodlab.book.cells import empty
from woodlab.book.claims import check_claims
from woodlab.book.tables import TABLES
from woodlab.book.units import match_heading
from woodlab.book.writing.as_csv import Change, places
from woodlab.errors import WoodlabError

# Parts of a workbook that would not survive being written anew.
_LOST_PARTS = {
    "xl/charts/": "charts",
    "xl/media/": "pictures",
    "xl/drawings/drawing": "drawings",
    "xl/pivotTables/": "pivot tables",
    "xl/vbaProject.bin": "macros",
    "xl/externalLinks/": "links to other workbooks",
    "xl/threadedComments/": "conversations",
    "xl/ctrlProps/": "form controls",
    "xl/activeX/": "form controls",
    "xl/embeddings/": "embedded documents",
    "xl/slicers/": "slicers",
}
ASIDE = (
    "Nothing was changed. Keep the records as a folder of CSV files "
    "(open_book(...).save(folder)), or do it in the spreadsheet program."
)
_ESCAPED = re.compile("_(?=x[0-9A-Fa-f]{4}_)")


def new_workbook(contents: dict[str, pd.DataFrame]) -> bytes:
    """The bytes of a workbook with a sheet for each table."""
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell

    book = Workbook(write_only=True)
    for name, frame in contents.items():
        sheet = book.create_sheet(name)
        cells = (fill(WriteOnlyCell(sheet), str(heading)) for heading in frame.columns)
        sheet.append(list(cells))
        for row in frame.itertuples(index=False, name=None):
            sheet.append(
                [None if empty(value) else fill(WriteOnlyCell(sheet), value) for value in row]
            )  # fmt: skip
    return bytes_of(book)


def replaced_sheets(path: Path, contents: dict[str, pd.DataFrame]) -> bytes:
    """The bytes of a workbook with the rows of `contents` in its sheets, and no other records.

    A sheet keeps its lists, checks and widths, and the order of its first columns.
    """
    book = whole_workbook(path)
    emptied = [t for t in TABLES if any(_is(sheet, t) for sheet in book.worksheets)]
    for name, frame in ({table: pd.DataFrame() for table in emptied} | contents).items():
        _replace(sheet_of(book, name), name, frame)
    return bytes_of(book)


def _replace(sheet: Any, table: str, frame: pd.DataFrame) -> None:
    for merged in list(sheet.merged_cells.ranges):
        sheet.unmerge_cells(str(merged))
    order: list[str] = []
    for cell in sheet[1]:
        match = match_heading(cell.value, TABLES.get(table, ()))
        if match is None or match.column.name in order:
            break
        order.append(match.column.name)
        if match.unit != match.column.unit:
            cell.value = match.column.name
    for row in sheet.iter_rows():
        for cell in row:
            if cell.row > 1 or cell.column > len(order):
                cell.value = None
    change_sheet(sheet, table, Change(below=frame))


def changed_workbook(
    path: Path, changes: dict[str, Change], replaced: dict[str, pd.DataFrame]
) -> bytes:
    """The bytes of a workbook with changes in some sheets, and with other sheets replaced.

    Raises WoodlabError if the workbook is not .xlsx, or holds what cannot be carried over: charts,
    macros, formulas in a table (their results would be gone until a program recalculates them).
    """
    if path.suffix.casefold() != ".xlsx":
        raise WoodlabError(
            f"Rows can be added to .xlsx workbooks and to folders, not to {path.suffix}. {ASIDE}"
        )
    book = whole_workbook(path)
    for sheet in book.worksheets:
        for row in sheet.iter_rows() if sheet.title.strip().casefold() in TABLES else ():
            for cell in row:
                if cell.data_type == "f":
                    raise WoodlabError(
                        f"{path.name} has a formula in {sheet.title}!{cell.coordinate}; its result "
                        f"would be lost. Paste it as a value there. {ASIDE}"
                    )
    for table, change in changes.items():
        change_sheet(sheet_of(book, table), table, change)
    for table, frame in replaced.items():
        _replace(sheet_of(book, table), table, frame)
    return bytes_of(book)


def whole_workbook(path: Path) -> Any:
    """A workbook opened for writing, unless it holds what would not survive that."""
    from openpyxl import load_workbook

    try:
        check_claims(path)
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
        for part, what in _LOST_PARTS.items():
            if any(name.startswith(part) for name in names):
                raise WoodlabError(f"{path.name} holds {what}, which would be lost. {ASIDE}")
        with warnings.catch_warnings():
            warnings.simplefilter("error", UserWarning)
            return load_workbook(path)
    except (WoodlabError, MemoryError, OSError):
        raise
    except UserWarning as warning:
        raise WoodlabError(
            f"{path.name} holds something that would be lost ({warning}). {ASIDE}"
        ) from None
    except Exception as error:  # a damaged file can fail its reader in any way
        raise WoodlabError(
            f"{path.name} stands there already and is no workbook that can be kept "
            f"({type(error).__name__}: {error}). Move it away, or choose another name."
        ) from error


def _is(sheet: Any, table: str) -> bool:
    return bool(sheet.title.strip().casefold() == table)


def sheet_of(book: Any, table: str) -> Any:
    found = [sheet for sheet in book.worksheets if _is(sheet, table)]
    return found[0] if found else book.create_sheet(table)


def change_sheet(sheet: Any, table: str, change: Change) -> None:
    """Make a change in a sheet, under its own headings and in their units."""
    headings = ["" if cell.value is None else str(cell.value) for cell in sheet[1]]
    there = places(headings, table, ())
    here = places(headings, table, change.columns)
    for name in here.keys() - there.keys():
        fill(sheet.cell(1, here[name][0] + 1), name)
    filled = (cell.row for row in sheet.iter_rows() for cell in row if cell.value is not None)
    last = max(filled, default=1)
    below = dict(enumerate(change.below.to_dict("records"), start=last + 1))
    for number, values in (change.cells | below).items():
        for name, value in values.items():
            column, match = here[str(name)]
            if not empty(value):
                in_unit = match.written(value) if match and isinstance(value, float) else value
                fill(sheet.cell(number, column + 1), in_unit)


def fill(cell: Any, value: object) -> Any:
    """Put a value into a cell so that the very same one is read again."""
    if isinstance(value, pd.Timestamp):
        cell.value = value.to_pydatetime()
        if not cell.is_date or cell.number_format == "General":
            whole = value == value.normalize()
            cell.number_format = "yyyy-mm-dd" if whole else "yyyy-mm-dd hh:mm:ss"
    elif isinstance(value, str):
        cell.value = _escaped(value)
        cell.data_type = "s"  # a note that begins with = is text, never a formula
    else:
        cell.value = repr(float(value))  # type: ignore[arg-type]
        cell.data_type = "n"  # the library's own way keeps 16 digits, and a number has 17
    return cell


def length(text: str) -> int:
    """How much of a cell's room a text takes."""
    return len(_escaped(text).encode("utf-16-le")) // 2


def _escaped(text: str) -> str:
    # `_x0041_` stands for a letter in these files; the underscore itself is written `_x005F_` then.
    return _ESCAPED.sub("_x005F_", text).replace("\r", "_x000D_")


def bytes_of(book: Any) -> bytes:
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()
