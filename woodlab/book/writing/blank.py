"""An empty record book to fill in: a workbook with lists and checks, or a folder of CSV files."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pandas as pd

from woodlab.book.tables import A_ROW, TABLES, Column
from woodlab.book.writing.as_csv import Change, csv_text
from woodlab.book.writing.as_xlsx import bytes_of, change_sheet
from woodlab.errors import WoodlabError, as_list, as_path
from woodlab.safe_write import NOTE, locked, whole_folder, write_file
from woodlab.wood.species import species as species_table

ROWS_CHECKED = 2000  # rows below the headings that have lists and checks
SEALS = ("none", "wax on end grain", "wax all over", "paint all over", "bag of shavings")

_NEEDED_FILL, _FREE_FILL = "DCE6EC", "F2F2EF"


def readable_heading(column: Column) -> str:
    """The heading of a column for people, which reads back as the column's name.

    Examples
    --------
    >>> readable_heading(TABLES["pieces"][3])
    'wall (mm)'
    """
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
    lines = [
        "How to fill in this record book",
        "",
        "A sheet (or file) for each table. Row 1 holds the headings: leave them, but for the unit.",
        "Columns shaded blue are needed, the others are not. Columns of your own may follow.",
        "Dates: year-month-day, such as 2026-03-09. The unit of a number stands in its heading;",
        "pounds, ounces or inches go in when the heading says so: mass (lb), wall (in).",
        "Write what you see. A look that finds no crack is worth as much as one that does: type 0.",
        "A weight that changed for another reason than drying wants its event.",
        "If a coin, dice or a plan of the kit chose the seal, type `random` under allotted.",
        "Open it with the notebooks, or `woodlab check`: each mistake is told with its row.",
        "",
    ]
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
    from openpyxl import Workbook

    book = Workbook()
    _how_to_sheet(book.active, lists)
    for name, columns in TABLES.items():
        sheet = book.create_sheet(name)
        _table_sheet(sheet, columns)
        _checks(sheet, name, columns, lists)
    _lists_sheet(book.create_sheet("lists"), lists)
    if pieces is not None:
        change_sheet(book["pieces"], "pieces", Change(below=pieces))
    book.active = 0
    return bytes_of(book)


def _how_to_sheet(sheet: Any, lists: dict[str, list[str]]) -> None:
    from openpyxl.styles import Alignment, Font

    sheet.title = "how to"
    sheet.column_dimensions["A"].width = 100
    for row, line in enumerate(how_to(lists), start=1):
        cell = sheet.cell(row, 1, line or None)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
        if row == 1:
            cell.font = Font(bold=True, size=14)
        elif line and line.split(" ")[0] in TABLES:
            cell.font = Font(bold=True)
    sheet.page_setup.orientation = "portrait"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True


def _table_sheet(sheet: Any, columns: tuple[Column, ...]) -> None:
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
    from openpyxl.utils import get_column_letter

    for number, column in enumerate(columns, start=1):
        cell = sheet.cell(1, number, readable_heading(column))
        cell.font = Font(bold=column.required)
        fill = _NEEDED_FILL if column.required else _FREE_FILL
        cell.fill = PatternFill("solid", start_color=fill, end_color=fill)
        cell.border = Border(bottom=Side("thin"))
        cell.alignment = Alignment(wrap_text=True, vertical="center")
        cell.comment = Comment(f"{column.meaning}{_bounds(column)}", "woodlab", 60, 260)
        dimension = sheet.column_dimensions[get_column_letter(number)]
        dimension.width = {"text": 18, "date": 13}.get(column.kind, 12)
        dimension.number_format = {"date": "yyyy-mm-dd", "text": "@"}.get(column.kind, "General")
    sheet.freeze_panes = "B2"
    sheet.print_title_rows = "1:1"
    sheet.print_options.gridLines = True
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True


def _bounds(column: Column) -> str:
    parts = [*(["needed"] if column.required else []), *column.limits]
    if column.choices:
        parts.append("one of " + ", ".join(column.choices))
    return f" ({'; '.join(parts)})" if parts else ""


def _checks(
    sheet: Any, table: str, columns: tuple[Column, ...], lists: dict[str, list[str]]
) -> None:
    """Lists and checks that a spreadsheet program holds the typist to."""
    from openpyxl.utils import get_column_letter

    for number, column in enumerate(columns, start=1):
        check = _check_of(table, column, lists)
        if check is None:
            continue
        letter = get_column_letter(number)
        check.add(f"{letter}2:{letter}{ROWS_CHECKED + 1}")
        check.promptTitle = readable_heading(column)[:32]
        check.prompt = f"{column.meaning}{_bounds(column)}"[:255]
        check.showInputMessage = check.showErrorMessage = True
        sheet.add_data_validation(check)


def _check_of(table: str, column: Column, lists: dict[str, list[str]]) -> Any:
    from openpyxl.worksheet.datavalidation import DataValidation

    if column.choices:
        words = ",".join(column.choices)
        check = DataValidation(type="list", formula1=f'"{words}"', allow_blank=True)
        check.error = f"Choose one of: {', '.join(column.choices)}."
    elif column.name in ("species", "seal"):
        letter = "AB"[["species", "seal"].index(column.name)]
        last = len(lists[column.name]) + 1
        check = DataValidation(
            type="list", formula1=f"lists!${letter}$2:${letter}${last}", allow_blank=True
        )
        check.errorStyle = "warning"  # another name may be right
        check.error = "This name is not in the list. Keep it if it is meant so."
    elif column.name == "piece" and table == "pieces":
        check = DataValidation(type="custom", formula1="COUNTIF($A$2:$A$2001,A2)=1")
        check.error = "This mark stands already in the table. Give each piece its own."
    elif column.name == "piece":
        check = DataValidation(type="list", formula1=f"pieces!$A$2:$A${ROWS_CHECKED + 1}")
        check.error = "Type a mark that stands in the table pieces."
    elif column.kind == "date":
        check = DataValidation(
            type="date", operator="between", formula1="DATE(1990,1,1)", formula2="DATE(2099,12,31)"
        )
        check.error = "Type a date, such as 2026-03-09."
    elif column.kind == "number":
        low = column.above if column.above is not None else column.least
        check = DataValidation(
            type="decimal",
            operator="between",
            formula1=f"{low or 0:g}",
            formula2=f"{column.most:g}",
        )
        check.error = f"Type a number{_bounds(column)}, without its unit."
    else:
        return None
    check.errorTitle = "Please check"
    return check


def _lists_sheet(sheet: Any, lists: dict[str, list[str]]) -> None:
    from openpyxl.styles import Font

    for number, (name, words) in enumerate(lists.items(), start=1):
        sheet.cell(1, number, name).font = Font(bold=True)
        sheet.column_dimensions["AB"[number - 1]].width = 30
        for row, word in enumerate(words, start=2):
            cell = sheet.cell(row, number, word)
            cell.data_type = "s"
