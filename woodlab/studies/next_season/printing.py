"""Tables on paper, with room to write. Text from a book is carried as data, never as markup."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from woodlab.errors import WoodlabError, WorkError
from woodlab.safe_write import locked, write_file
from woodlab.words import one_line

# Everything shown comes from `data` as strings: a string is shown as it is, whatever is in it.
_PAGE = """
#let data = json(bytes(sys.inputs.at("data")))
#set document(title: data.title)
#set page(paper: data.paper, margin: (x: 12mm, top: 12mm, bottom: 12mm),
  footer-descent: 3mm, footer: text(size: 7.5pt)[#data.footer #h(1fr)
    #context counter(page).display("1 / 1", both: true)])
#set text(font: "Libertinus Serif", size: 9pt, lang: "en", hyphenate: false)
#text(size: 14pt, weight: "bold", data.title)
#for line in data.above { block(above: 4pt, below: 4pt, line) }
#let side(name) = if name == "right" { right } else { left }
#table(
  columns: data.columns.map(c => c.width * 1fr),
  align: (x, y) => side(data.columns.at(x).align) + horizon,
  inset: (x: 3pt, y: 1.5pt),
  stroke: (x, y) => (bottom: 0.4pt + luma(110), left: if x > 0 { 0.3pt + luma(190) }),
  table.header(..data.columns.map(c => text(size: 8pt, weight: "bold", c.heading))),
  // a row is as high as its text needs, and high enough to write in
  ..data.rows.map(row => row.enumerate().map(((at, cell)) => {
    let mark = data.columns.at(at).heading == "mark"
    let said = text(size: if mark { 11pt } else { data.text_pt * 1pt },
      weight: if mark { "bold" } else { "regular" }, cell)
    let room = box(height: data.row_mm * 1mm - 3pt)
    table.cell(breakable: false, if cell == "" { room } else { said })
  })).flatten(),
)
#for line in data.below { block(above: 5pt, below: 3pt, text(size: 8.5pt, line)) }
"""


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
    try:
        pdf = typst.compile(_PAGE.encode(), sys_inputs={"data": json.dumps(data)})
    except (RuntimeError, typst.TypstError) as error:
        raise WorkError(f"The sheet could not be set: {error}") from error
    with locked(path):
        write_file(path, pdf)
    return path
