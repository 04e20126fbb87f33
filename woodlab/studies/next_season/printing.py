"""Tables on paper, with room to write. Text from a book is carried as data, never as markup."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from importlib.resources import files
from pathlib import Path

from woodlab.errors import WoodlabError, WorkError
from woodlab.safe_write import locked, write_file
from woodlab.words import one_line


@dataclass(frozen=True)
class SheetColumn:
    """A column of a printed sheet: heading, share of the width, side, most characters."""

    heading: str
    width: float
    align: str = "left"
    longest: int = 40


@dataclass(frozen=True)
class Sheet:
    """A table to print: lines above and below it, cells as text; empty cells to write in."""

    title: str
    columns: Sequence[SheetColumn]
    rows: Sequence[Sequence[str]]
    above: Sequence[str] = ()
    below: Sequence[str] = ()
    footer: str = ""
    row_mm: float = 8.0
    text_pt: float = 8.5
    paper: str = "a4"


def print_sheet(path: str | Path, sheet: Sheet) -> Path:
    """Write a sheet as PDF.

    Raises
    ------
    WoodlabError
        If `path` does not end in .pdf or cannot be written.
    WorkError
        If the page could not be set.
    """
    import typst

    path = Path(path)
    if path.suffix.casefold() != ".pdf":
        raise WoodlabError(f"A sheet is printed to a .pdf file, not to {path.name!r}.")
    rows = [
        [one_line(cell, column.longest) for cell, column in zip(row, sheet.columns, strict=True)]
        for row in sheet.rows
    ]
    lines = {name: [one_line(line, 600) for line in getattr(sheet, name)]
             for name in ("above", "below")}  # fmt: skip
    data = {**asdict(sheet), **lines, "rows": rows, "title": one_line(sheet.title, 120),
            "footer": one_line(sheet.footer, 160)}  # fmt: skip
    page = files("woodlab.studies.next_season").joinpath("sheet.typ").read_bytes()
    try:
        pdf = typst.compile(page, sys_inputs={"data": json.dumps(data)})
    except (RuntimeError, typst.TypstError) as error:
        raise WorkError(f"The sheet could not be set: {error}") from error
    with locked(path):
        write_file(path, pdf)
    return path
