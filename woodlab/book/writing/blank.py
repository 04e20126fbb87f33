"""An empty record book to fill in: a workbook with lists and checks, or a folder of CSV files."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pandas as pd
from openpyxl import Workbook
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation

from woodlab.book.tables import A_ROW, TABLES, Column
from woodlab.book.writing.as_csv import Change, csv_text
from woodlab.book.writing.as_xlsx import bytes_of, change_sheet
from woodlab.errors import WoodlabError, as_list, as_path
from woodlab.safe_write import NOTE, locked, whole_folder, write_file
from woodlab.wood.species import species as species_table

ROWS_CHECKED = 2000  # rows below the headings that have lists and checks
SEALS = ("none", "wax on end grain", "wax all over", "paint all over", "bag of shavings")
_NEEDED, _FREE = "DCE6EC", "F2F2EF"
_HOW_TO = """How to fill in this record book

A sheet (or file) for each table. Row 1 holds the headings: leave them, but for the unit.
Columns shaded blue are needed, the others are not. Columns of your own may follow.
Dates: year-month-day, such as 2026-03-09. The unit of a number stands in its heading;
pounds, ounces or inches go in when the heading says so: mass (lb), wall (in).
Write what you see. A look that finds no crack is worth as much as one that does: type 0.
A weight that changed for another reason than drying wants its event.
If a coin, dice or a plan of the kit chose the seal, type `random` under allotted.
Open it with the notebooks, or `woodlab check`: each mistake is told with its row.
"""


def readable_heading(column: Column) -> str:
    """The heading of a column for people, `wall (mm)`, which reads back as the column's name."""
    words = column.name.removesuffix(column.unit).replace("_", " ").strip()
    return f"{words} ({'C' if column.unit == 'c' else column.unit})" if column.unit else words


def blank_book(
    path: str | Path,
    species: Iterable[str] | None = None,
    seals: Iterable[str] | None = None,
    pieces: pd.DataFrame | None = None,
) -> Path:
    """Write a record book to fill in.

    Parameters
    ----------
    path : str or Path
        A new file that ends in .xlsx, or a name without an ending for a folder of CSV files.
    species, seals : iterable of str, optional
        What the lists offer first; other names may still be typed. The species default to
        those of `wl.species()`, the seals to a few common ones.
    pieces : DataFrame, optional
        Rows for the table `pieces`, such as `TrialPlan.pieces(turned_on=...)`.

    Returns
    -------
    Path
        The file or folder written.

    Raises
    ------
    WoodlabError
        If something stands at `path` already, or the ending is not known.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import woodlab as wl
    >>> file = wl.blank_book(pathlib.Path(tempfile.mkdtemp()) / "2027.xlsx", seals=["none", "wax"])
    >>> len(wl.open_book(file).pieces)
    0
    """
    path = as_path(path, "blank_book")
    if pieces is not None and not isinstance(pieces, pd.DataFrame):
        raise WoodlabError(
            "pieces is a table (DataFrame), such as TrialPlan.pieces(turned_on=...)."
        )
    lists = {
        "species": _names(species_table()["species"] if species is None else species, "species"),
        "seal": _names(SEALS if seals is None else seals, "seals"),
    }
    if path.exists() and not (path.is_dir() and not any(path.iterdir())):
        raise WoodlabError(
            f"{path} exists already and is left as it is. Choose a new name for the blank book."
        )
    if path.suffix.casefold() == ".xlsx":
        with locked(path):
            write_file(path, _workbook(lists, pieces))
    elif path.suffix == "":
        with whole_folder(path, NOTE) as folder:
            for name, data in _folder(lists, pieces).items():
                write_file(folder / name, data)
    else:
        raise WoodlabError(
            f"A blank book is a workbook (.xlsx) or a folder, not {path.suffix!r}. Choose a name "
            "that ends in .xlsx, or one without an ending."
        )
    return path


def _names(names: Iterable[str], what: str) -> list[str]:
    unique = list(dict.fromkeys(str(name).strip() for name in as_list(names, what)))
    if not all(unique):
        raise WoodlabError(f"A name in {what} is empty. Leave it out.")
    return unique


def how_to(lists: dict[str, list[str]]) -> list[str]:
    """The page of how-to, line by line."""
    lines = _HOW_TO.split("\n")
    for name, columns in TABLES.items():
        needed = "needed" if name in ("pieces", "weighings") else "if you can"
        lines += [f"{name} ({needed}): a row is {A_ROW[name]}", ""]
        for column in columns:
            star = " (needed)" if column.required else ""
            words = f": {', '.join(column.choices)}" if column.choices else ""
            lines.append(f"    {readable_heading(column)}{star}: {column.meaning}{words}")
        lines.append("")
    lines += [
        "Names of woods that the kit has figures for: " + ", ".join(lists["species"]) + ".",
        "Seals offered by the list: " + ", ".join(lists["seal"]) + ". Other names may be typed;",
        "spell one seal one way.",
    ]
    return lines


def _folder(lists: dict[str, list[str]], pieces: pd.DataFrame | None) -> dict[str, bytes]:
    files = {}
    for name, columns in TABLES.items():
        frame = pd.DataFrame(columns=[column.name for column in columns])
        if name == "pieces" and pieces is not None:
            own = [column for column in pieces.columns if column not in frame]
            frame = pieces.reindex(columns=[*frame.columns, *own])
        files[f"{name}.csv"] = csv_text(frame).encode()
    files["how_to.txt"] = ("\n".join(how_to(lists)) + "\n").encode()
    return files


def _workbook(lists: dict[str, list[str]], pieces: pd.DataFrame | None) -> bytes:
    book = Workbook()
    page = book.active
    page.title, page.column_dimensions["A"].width = "how to", 100
    for row, line in enumerate(how_to(lists), start=1):
        cell = page.cell(row, 1, line or None)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
        heading = row == 1 or line.split(" ")[0] in TABLES
        cell.font = Font(bold=heading, size=14 if row == 1 else 11)
    _print_on_one_page_across(page, "portrait")
    for name, columns in TABLES.items():
        _table_sheet(book.create_sheet(name), name, columns, lists)
    offered = book.create_sheet("lists")
    for number, (name, words) in enumerate(lists.items(), start=1):
        offered.cell(1, number, name).font = Font(bold=True)
        offered.column_dimensions[get_column_letter(number)].width = 30
        for row, word in enumerate(words, start=2):
            offered.cell(row, number, word).data_type = "s"
    if pieces is not None:
        change_sheet(book["pieces"], "pieces", Change(below=pieces))
    return bytes_of(book)


def _print_on_one_page_across(sheet: Any, orientation: str) -> None:
    sheet.page_setup.orientation = orientation
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True


def _table_sheet(
    sheet: Any, table: str, columns: tuple[Column, ...], lists: dict[str, list[str]]
) -> None:
    """Headings, and the checks that a spreadsheet program makes, with what a column means."""
    for number, column in enumerate(columns, start=1):
        letter = get_column_letter(number)
        cell = sheet.cell(1, number, readable_heading(column))
        cell.font = Font(bold=column.required)
        cell.fill = PatternFill("solid", start_color=_NEEDED if column.required else _FREE)
        cell.border = Border(bottom=Side("thin"))
        cell.alignment = Alignment(wrap_text=True, vertical="center")
        dimension = sheet.column_dimensions[letter]
        dimension.width = {"text": 18, "date": 13}.get(column.kind, 12)
        dimension.number_format = {"date": "yyyy-mm-dd", "text": "@"}.get(column.kind, "General")
        check = DataValidation(
            promptTitle=readable_heading(column)[:32], showInputMessage=True,
            prompt=f"{column.meaning}{_bounds(column)}"[:255], errorTitle="Please check",
            showErrorMessage=True, **_rule(table, column, lists),
        )  # fmt: skip
        check.add(f"{letter}2:{letter}{ROWS_CHECKED + 1}")
        sheet.add_data_validation(check)
    sheet.freeze_panes = "B2"
    sheet.print_title_rows = "1:1"
    sheet.print_options.gridLines = True
    _print_on_one_page_across(sheet, "landscape")


def _bounds(column: Column) -> str:
    parts = [*(["needed"] if column.required else []), *column.limits]
    if column.choices:
        parts.append("one of " + ", ".join(column.choices))
    return f" ({'; '.join(parts)})" if parts else ""


def _rule(table: str, column: Column, lists: dict[str, list[str]]) -> dict[str, Any]:
    """What the cells of a column may hold, and what is said of others."""

    def one_of(cells: str, error: str, **more: Any) -> dict[str, Any]:
        return {"type": "list", "formula1": cells, "error": error, **more}

    last = ROWS_CHECKED + 1
    if column.choices:
        words = ",".join(column.choices)
        return one_of(f'"{words}"', f"Choose one of: {words}.", allow_blank=True)
    if column.name in lists:
        at = get_column_letter([*lists].index(column.name) + 1)
        error = "This name is not in the list. Keep it if it is meant so."
        cells = f"lists!${at}$2:${at}${len(lists[column.name]) + 1}"
        return one_of(cells, error, allow_blank=True, errorStyle="warning")
    if column.name == "piece" and table == "pieces":
        error = "This mark stands already in the table. Give each piece its own."
        return {"type": "custom", "formula1": f"COUNTIF($A$2:$A${last},A2)=1", "error": error}
    if column.name == "piece":
        return one_of(f"pieces!$A$2:$A${last}", "Type a mark that stands in the table pieces.")
    between = {"operator": "between", "formula1": "DATE(1990,1,1)", "formula2": "DATE(2099,12,31)"}
    if column.kind == "date":
        return between | {"type": "date", "error": "Type a date, such as 2026-03-09."}
    if column.kind == "number":
        low = column.above if column.above is not None else column.least
        between |= {"formula1": f"{low or 0:g}", "formula2": f"{column.most:g}"}
        error = f"Type a number{_bounds(column)}, without its unit."
        return between | {"type": "decimal", "error": error}
    return {}
