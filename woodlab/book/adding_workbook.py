"""Rows below the last one of a workbook's sheet, with all else in the workbook as it was."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from woodlab.book.tables import TABLES
from woodlab.book.units import match_heading
from woodlab.errors import WoodlabError

# Parts of a workbook that would not survive being written anew.
_LOST_PARTS = {
    "xl/charts/": "charts",
    "xl/media/": "pictures",
    "xl/pivotTables/": "pivot tables",
    "xl/vbaProject.bin": "macros",
    "xl/externalLinks/": "links to other workbooks",
}
_ASIDE = (
    "Add the rows in the spreadsheet program, or keep the records as a folder of CSV files "
    "(open_book(...).save(folder))."
)


def appended_workbook(path: Path, table: str, added: pd.DataFrame) -> bytes:
    """The bytes of a workbook with rows below those of the sheet `table`.

    Raises
    ------
    WoodlabError
        If the workbook is not .xlsx, or holds what cannot be carried over: formulas (their
        results would be gone until a spreadsheet program reckons them), charts, macros.
    """
    from openpyxl import load_workbook

    if path.suffix.casefold() != ".xlsx":
        raise WoodlabError(
            f"Rows can be added to .xlsx workbooks and to folders, not to {path.suffix}. {_ASIDE}"
        )
    with zipfile.ZipFile(path) as archive:
        names = archive.namelist()
    for part, what in _LOST_PARTS.items():
        if any(name.startswith(part) for name in names):
            raise WoodlabError(f"{path.name} holds {what}, which would be lost. {_ASIDE}")
    book = load_workbook(path)
    for sheet in book.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    raise WoodlabError(
                        f"{path.name} has a formula in {sheet.title}!{cell.coordinate}; its result "
                        f"would be lost. Paste it as a value there. {_ASIDE}"
                    )
    _append(_sheet_of(book, table), table, added)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def _sheet_of(book: Any, table: str) -> Any:
    for sheet in book.worksheets:
        if sheet.title.strip().casefold() == table:
            return sheet
    return book.create_sheet(table)


def _append(sheet: Any, table: str, added: pd.DataFrame) -> None:
    places: dict[str, tuple[int, tuple[float, float]]] = {}
    width = 0
    for cell in sheet[1]:
        if cell.value is None or not str(cell.value).strip():
            continue
        width = max(width, cell.column)
        match = match_heading(cell.value, TABLES[table])
        if match is None:
            places[str(cell.value).strip()] = (cell.column, (0.0, 1.0))
        else:
            zero, one = match[1](np.array([0.0, 1.0]))
            places.setdefault(match[0].name, (cell.column, (zero, one)))
    for name in added.columns:
        if name not in places:
            width += 1
            sheet.cell(1, width, name)
            places[name] = (width, (0.0, 1.0))
    last = max(
        (cell.row for row in sheet.iter_rows() for cell in row if cell.value is not None),
        default=1,
    )
    for offset, values in enumerate(added.itertuples(index=False, name=None), start=1):
        for name, value in zip(added.columns, values, strict=True):
            if value is None or value is pd.NaT or value != value:
                continue
            column, (zero, one) = places[name]
            _write(sheet.cell(last + offset, column), value, zero, one)


def _write(cell: Any, value: Any, zero: float, one: float) -> None:
    if isinstance(value, pd.Timestamp):
        cell.value = value.to_pydatetime()
        whole = value == value.normalize()
        cell.number_format = "yyyy-mm-dd" if whole else "yyyy-mm-dd hh:mm:ss"
    elif isinstance(value, str):
        cell.value = value
        cell.data_type = "s"  # a note that begins with = is text, never a formula
    else:
        cell.value = (float(value) - zero) / (one - zero)
