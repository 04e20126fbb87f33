"""A round to carry: a workbook or a page to fill in, or paper."""

from __future__ import annotations

import base64
import hashlib
import io
from dataclasses import asdict
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import BaseLoader, Environment
from openpyxl import Workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.formatting.rule import FormulaRule
from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side
from openpyxl.utils import get_column_letter as letter
from openpyxl.worksheet.datavalidation import DataValidation

from woodlab.errors import WoodlabError, as_path, kind_of
from woodlab.round import core
from woodlab.round.core import (
    ACTIONS,
    CRACKS,
    FORMAT,
    LABELS,
    UNITS,
    Band,
    Round,
    round_of,
    weight_text,
)
from woodlab.safe_write import locked, write_file
from woodlab.week.shop_round import ShopRound
from woodlab.words import MM_PER_INCH, Units


def write_round(
    tour: ShopRound, path: str | Path, *, most: int | None = None, unit: Units | str | None = None
) -> Path:
    """Write a round to fill in.

    Parameters
    ----------
    tour : ShopRound
        From `shop_round`.
    path : path
        Ends in .xlsx (a sheet to fill in, taken back by `add_round`), .html (a page to type into
        at the scales, without a network; its export is taken back likewise) or .pdf (paper).
    most : int, optional
        At most so many bowls, those to weigh first.
    unit : {"g", "kg", "lboz"} or Units, optional
        Of what is to be typed: grams, kilograms, pounds and ounces with inches; as the book is
        kept unless given.

    Returns
    -------
    Path

    Raises
    ------
    WoodlabError
        If nothing is due, or the path or the unit is not one of these.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import woodlab as wl
    >>> book = wl.demo_book().only(pieces=["A1", "A3"]).until("2025-04-09")
    >>> tour = wl.shop_round(wl.fit_drying(book, law="exponential"), on="2025-04-10")
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> wl.write_round(tour, folder / "round.html", most=40).name
    'round.html'
    """
    if not hasattr(tour, "due"):
        raise WoodlabError(
            f"write_round needs a round and was given {kind_of(tour)}. Make one first: "
            "wl.shop_round(fits, on='2026-06-20')."
        )
    path = as_path(path, "write_round")
    kind = path.suffix.casefold()
    units = tour.units if unit is None else unit
    if not isinstance(units, Units):
        if units not in UNITS:
            raise WoodlabError(f"unit = {unit!r} is not known. Choose from: {', '.join(UNITS)}.")
        units = Units(units, "in" if units == "lboz" else "mm")
    if most is not None and most < 1:
        raise WoodlabError(f"most must be 1 or more (found {most!r}).")
    if not len(tour):
        raise WoodlabError("Nothing is due this week, so there is no round to write.")
    if kind == ".pdf":
        return tour.sheet(path, units=units)
    made = round_of(tour, most, units)
    if kind not in (".xlsx", ".html", ".htm"):
        raise WoodlabError(f"A round is written to .xlsx, .html or .pdf, not to {path.name!r}.")
    with locked(path):
        write_file(path, workbook(made) if kind == ".xlsx" else page(made).encode())
    return path


def page(made: Round) -> str:
    """The page to type into at the scales, as HTML: one file, no network.

    Its content security policy lets no script but its own run, and nothing leave the device.
    """
    here = files("woodlab.round")
    style, script, form = (
        here.joinpath(f"round.{end}").read_text("utf-8") for end in ("css", "js", "html.j2")
    )
    data = asdict(made) | {"bowls": [bowl._asdict() for bowl in made.bowls], "format": FORMAT,
                           "cracks": CRACKS, "actions": ACTIONS}  # fmt: skip
    template = Environment(loader=BaseLoader(), autoescape=True).from_string(form)
    return template.render(made=made, data=data, style=style, script=script, hash=_hash)


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


HEAD = 4  # the row of headings
SPARE = 4  # rows for bowls that are not on the list
THIN = Side(style="thin", color="777777")
GRID = Border(left=THIN, right=THIN, top=THIN, bottom=THIN)
GIVEN = PatternFill("solid", fgColor="ECECE6")
ODD = PatternFill("solid", bgColor="FFE08A")
WRAPPED = ("wood; seal", "expect", "remark", "look again")


def workbook(made: Round) -> bytes:
    """The bytes of round.xlsx."""
    book = Workbook()
    sheet: Any = book.active
    sheet.title = "round"
    crack, wall = f"crack {made.length}", f"wall {made.length}"
    entry = {"lb": 8, "oz": 8} if made.unit == "lboz" else {f"today {made.unit}": 13}
    widths = {
        "mark": 11, "wood; seal": 25, "was": 14, "expect": 17, **entry, "crack": 10, crack: 9,
        "done": 13, wall: 8, "remark": 24, "look again": 23, "low": 9, "high": 9, "key": 9,
    }  # fmt: skip
    at = {head: column for column, head in enumerate(widths, 1)}
    first, last = HEAD + 1, HEAD + len(made.bowls)
    end = last + SPARE

    _put(sheet, 1, 1, f"Round of {made.on}", 20, bold=True)
    _put(sheet, 1, at["remark"], f"round {made.id}", 10)
    _put(sheet, 2, 1, LABELS[0], 11)
    _entry(sheet.cell(2, 2, made.on), 14)
    _put(sheet, 2, 3, LABELS[1], 13)
    looked = sheet.cell(2, at["crack"])
    _entry(looked, 14)
    _put(sheet, 2, at["done"], LABELS[2], 11)
    _entry(sheet.cell(2, at["remark"]), 14)
    _put(sheet, 3, 1, LABELS[3], 10)
    for head, column in at.items():
        cell = _put(sheet, HEAD, column, head, 12, bold=True)
        cell.border, cell.fill = GRID, GIVEN
        cell.alignment = Alignment(wrap_text=True, vertical="center")
        sheet.column_dimensions[letter(column)].width = widths[head]
        sheet.column_dimensions[letter(column)].hidden = head in ("low", "high", "key")
    sheet.row_dimensions[HEAD].height = 32
    for row, bowl in enumerate([*made.bowls, *[None] * SPARE], first):
        _row(sheet, row, bowl, made.unit, at)

    def rule(head: str, kind: str, error: str, **more: Any) -> None:
        check = DataValidation(kind, allow_blank=True, showErrorMessage=True, error=error, **more)
        check.errorTitle = "Not one of these"
        check.add(f"{letter(at[head])}{first}:{letter(at[head])}{end}")
        sheet.add_data_validation(check)

    between: dict[str, Any] = {"operator": "between", "formula1": "0"}
    for head, choices in (("crack", CRACKS), ("done", ACTIONS)):
        rule(head, "list", "Choose from the list.", formula1=f'"{",".join(choices)}"')
    for head, mm in ((crack, core.LONGEST_CRACK_MM), (wall, core.THICKEST_WALL_MM)):
        most = f"{mm if made.length == 'mm' else mm / MM_PER_INCH:.0f}"
        said = f"A number in {made.length}, 0 to {most}."
        rule(head, "decimal", said, **between, formula2=most)
    for head in entry:
        rule(head, "decimal", "Figures only.", **between, formula2="200000")
    _ask_about_weights(sheet, at, list(entry), range(first, last + 1), made.unit)
    yes = DataValidation("list", formula1='"yes,no"', allow_blank=True, showErrorMessage=True)
    yes.add(looked.coordinate)
    sheet.add_data_validation(yes)

    sheet.freeze_panes = sheet.cell(first, 2)
    sheet.protection.sheet = True  # without a password: against slips, no secret
    sheet.protection.selectLockedCells = True  # Tab then stops at the cells to fill in only
    sheet.protection.formatColumns = False
    sheet.print_area = f"A1:{letter(at['remark'])}{end}"
    sheet.print_title_rows = f"{HEAD}:{HEAD}"
    sheet.page_setup.paperSize, sheet.page_setup.orientation = sheet.PAPERSIZE_A4, "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.page_margins.left = sheet.page_margins.right = 0.4
    sheet.page_margins.top = sheet.page_margins.bottom = 0.45
    sheet.oddFooter.center.text = f"round {made.id}, page &P of &N"
    hidden = book.create_sheet("about")
    hidden.sheet_state, hidden.protection.sheet = "hidden", True
    facts = {"format": FORMAT, "round_id": made.id, "on": made.on, "unit": made.unit}
    for fact in (facts | {"length": made.length}).items():
        hidden.append(fact)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def _row(sheet: Any, row: int, bowl: Any, unit: str, at: dict[str, int]) -> None:
    given: dict[str, Any] = dict.fromkeys(("mark", "wood; seal", "was", "expect"), "")
    if bowl:
        crack = f"; crack {bowl.note}" if bowl.known else ""
        given = {
            "mark": bowl.mark, "wood; seal": f"{bowl.wood}; {bowl.seal}{crack}",
            "was": weight_text(bowl.last_g, unit),
            "expect": Band.of(bowl.lower_g, bowl.upper_g).text(unit),
            "low": bowl.lower_g, "high": bowl.upper_g, "key": bowl.mark,
        }  # fmt: skip
    for head, column in at.items():
        if head in ("low", "high", "key") and bowl is None:
            continue
        large = head in ("mark", "lb", "oz") or head.startswith("today")
        small = head == "wood; seal" or (head == "expect" and unit == "lboz")
        long = bowl is not None and head == "mark" and len(bowl.mark) > 6
        size = 10 if long else 18 if large else 11 if small else 13
        cell = _put(sheet, row, column, given.get(head), size, bold=head == "mark")
        cell.border = GRID
        cell.alignment = Alignment(vertical="center", wrap_text=head in WRAPPED)
        if head in given and (bowl or head != "mark"):
            cell.fill = GIVEN
        elif head != "look again":
            _entry(cell, size)
        if head.endswith(" in"):
            cell.number_format = "# ??/??"  # 1/2 is typed, and no day is made of it
    sheet.row_dimensions[row].height = 26


def _ask_about_weights(
    sheet: Any, at: dict[str, int], entry: list[str], rows: range, unit: str
) -> None:
    """Beside each weight what it may be, where it is outside its band."""
    scales = [UNITS["lboz"], core.G_PER_OZ] if unit == "lboz" else [UNITS[unit]]
    typed, said = [letter(at[head]) for head in entry], letter(at["look again"])
    for row in rows:
        parts = zip(typed, scales, strict=True)
        g = f"({'+'.join(f'N(${column}{row})*{scale:.10g}' for column, scale in parts)})"
        low, high = (f"${letter(at[key])}{row}" for key in ("low", "high"))
        slips = ",".join(f"AND({g}*{f}>={low},{g}*{f}<={high})" for f in (10, 0.1, 1000, 0.001))
        sheet[f"{said}{row}"] = (
            f'=IF(OR({g}=0,AND({g}>=N({low}),OR({high}="",{g}<={high}))),"",'
            f'IF(AND({low}<>"",{high}<>"",OR({slips})),"slip of ten?","right bowl?"))'
        )
        sheet[f"{said}{row}"].font = Font(size=12, bold=True)
    area = f"{typed[0]}{rows[0]}:{typed[-1]}{rows[-1]}"
    rule = FormulaRule(formula=[f'${said}{rows[0]}<>""'], fill=ODD)
    sheet.conditional_formatting.add(area, rule)


def _put(sheet: Any, row: int, column: int, value: Any, size: float, bold: bool = False) -> Any:
    cell = sheet.cell(row, column)
    if isinstance(value, str):
        cell.value = ILLEGAL_CHARACTERS_RE.sub(" ", value) or None
        if value:
            cell.data_type = "s"  # a mark that begins with = is text, never a formula
    else:
        cell.value = value
    cell.font = Font(size=size, bold=bold)
    return cell


def _entry(cell: Any, size: float) -> None:
    cell.protection = Protection(locked=False)
    cell.font, cell.border = Font(size=size), GRID
