"""The round as a workbook to fill in, on paper or on a screen."""

from __future__ import annotations

import io
from typing import Any

from openpyxl import Workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.formatting.rule import FormulaRule
from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side
from openpyxl.utils import get_column_letter as letter
from openpyxl.workbook.defined_name import DefinedName
from openpyxl.worksheet.datavalidation import DataValidation

from woodlab.round.core import ACTIONS, CRACKS, FORMAT, G_PER_OZ, UNITS, Bowl, Round, weight_text

HEAD = 4  # the row of headings
SPARE = 4  # rows for bowls that are not on the list
THIN = Side(style="thin", color="777777")
GRID = Border(left=THIN, right=THIN, top=THIN, bottom=THIN)
GIVEN = PatternFill("solid", fgColor="ECECE6")
ODD = PatternFill("solid", bgColor="FFE08A")


def workbook(made: Round) -> bytes:
    """The bytes of round.xlsx."""
    book = Workbook()
    sheet: Any = book.active
    sheet.title = "round"
    ounces = made.unit == "lboz"
    entry = ["lb", "oz"] if ounces else [f"today {made.unit}"]
    heads = [
        "mark",
        "wood; seal",
        "was",
        "expect",
        *entry,
        "crack",
        "crack mm",
        "done",
        "remark",
        "look again",
    ]
    widths = [11, 25, 14, 17, *([8, 8] if ounces else [13]), 10, 9, 13, 24, 23]
    place = {head: at for at, head in enumerate(heads, 1)}
    keys = {key: len(heads) + n for n, key in enumerate(("low", "high", "key"), 1)}

    _put(sheet, 1, 1, f"Round of {made.on}", size=20, bold=True)
    _put(sheet, 1, place["remark"], f"round {made.id}", size=10)
    _put(sheet, 2, 1, "Weighed on", size=11)
    _entry(sheet.cell(2, 2, made.on), size=14)
    _put(sheet, 2, 3, "Every bowl looked at for cracks?", size=13)
    looked = sheet.cell(2, place["crack"], None)
    _entry(looked, size=14)
    _put(
        sheet,
        3,
        1,
        "Yes: an empty crack cell means none, save where one is known. "
        "Rows at the end: bowls that are not on the list.",
        size=10,
    )
    for at, head in enumerate(heads, 1):
        cell = _put(sheet, HEAD, at, head, size=12, bold=True)
        cell.border, cell.fill = GRID, GIVEN
        cell.alignment = Alignment(wrap_text=True, vertical="center")
        sheet.column_dimensions[letter(at)].width = widths[at - 1]
    for key, at in keys.items():
        _put(sheet, HEAD, at, key, size=9)
        sheet.column_dimensions[letter(at)].hidden = True

    sheet.row_dimensions[HEAD].height = 32
    first, last = HEAD + 1, HEAD + len(made.bowls)
    end = last + SPARE
    for row in range(first, end + 1):
        bowl = made.bowls[row - first] if row <= last else None
        _row(sheet, row, bowl, made, place, keys)
    _rules(sheet, place, keys, first, last, end, entry)
    lists = [
        (
            DataValidation("list", formula1=f'"{",".join(CRACKS)}"', allow_blank=True),
            place["crack"],
        ),
        (
            DataValidation("list", formula1=f'"{",".join(ACTIONS)}"', allow_blank=True),
            place["done"],
        ),
        (
            DataValidation(
                "decimal", formula1="0", formula2="2000", operator="between", allow_blank=True
            ),
            place["crack mm"],
        ),
    ]
    for rule, at in lists:
        rule.showErrorMessage, rule.errorTitle = True, "Not one of these"
        rule.error = (
            "Length in mm, 0 to 2000." if rule.type == "decimal" else "Choose from the list."
        )
        rule.add(f"{letter(at)}{first}:{letter(at)}{end}")
        sheet.add_data_validation(rule)
    yes = DataValidation("list", formula1='"yes,no"', allow_blank=True, showErrorMessage=True)
    yes.add(looked.coordinate)
    sheet.add_data_validation(yes)

    sheet.freeze_panes = sheet.cell(first, 2)
    sheet.protection.sheet = True  # without a password: against slips, no secret
    sheet.protection.selectLockedCells = True  # Tab then stops at the cells to fill in only
    sheet.protection.formatColumns = False
    sheet.print_area = f"A1:{letter(place['remark'])}{end}"
    sheet.print_title_rows = f"{HEAD}:{HEAD}"
    sheet.page_setup.paperSize, sheet.page_setup.orientation = sheet.PAPERSIZE_A4, "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.page_margins.left = sheet.page_margins.right = 0.4
    sheet.page_margins.top = sheet.page_margins.bottom = 0.45
    sheet.oddFooter.center.text = f"round {made.id}, page &P of &N"
    facts = {"format": FORMAT, "round_id": made.id, "on": made.on, "unit": made.unit}
    hidden = book.create_sheet("about")
    hidden.sheet_state, hidden.protection.sheet = "hidden", True
    for at, (name, value) in enumerate(facts.items(), 1):
        hidden.cell(at, 1, name), hidden.cell(at, 2, value)
    book.defined_names["looked"] = DefinedName("looked", attr_text=f"round!{_absolute(looked)}")
    book.defined_names["weighed_on"] = DefinedName("weighed_on", attr_text="round!$B$2")
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def _row(sheet: Any, row: int, bowl: Bowl | None, made: Round, place: dict, keys: dict) -> None:
    given = {"mark": "", "wood; seal": "", "was": "", "expect": ""}
    if bowl:
        given = {"mark": bowl.mark, "wood; seal": f"{bowl.wood}; {bowl.seal}",
                 "was": weight_text(bowl.last_g, made.unit),
                 "expect": bowl.band.text(made.unit)}  # fmt: skip
        if bowl.known:
            given["wood; seal"] += f"; crack {bowl.note}"
    for head, at in place.items():
        cell = _put(sheet, row, at, given.get(head), size=18 if head == "mark" else 13)
        cell.border = GRID
        cell.alignment = Alignment(
            vertical="center", wrap_text=head in ("wood; seal", "expect", "remark", "look again")
        )
        if head in given:
            cell.fill = GIVEN
            if head == "wood; seal" or head == "expect" and made.unit == "lboz":
                cell.font = Font(size=11)
            if head == "mark" and bowl:
                cell.font = Font(size=18 if len(bowl.mark) <= 6 else 10, bold=True)
        elif head != "look again":
            _entry(cell, size=18 if head in ("today g", "today kg", "lb", "oz") else 13)
        if bowl is None and head == "mark":
            _entry(cell, size=18)
    sheet.row_dimensions[row].height = 26
    if bowl is None:
        return
    for key, value in {"low": bowl.lower_g, "high": bowl.upper_g, "key": bowl.mark}.items():
        _put(sheet, row, keys[key], value, size=9)


def _rules(
    sheet: Any, place: dict, keys: dict, first: int, last: int, end: int, entry: list[str]
) -> None:
    """Weights: positive numbers; outside the band a question that may be answered with yes."""
    low, high = (f"${letter(keys[k])}{first}" for k in ("low", "high"))
    at = [f"${letter(place[unit])}{{row}}" for unit in entry]
    scale = (
        [UNITS["lboz"], G_PER_OZ] if len(entry) == 2 else [UNITS[entry[0].removeprefix("today ")]]
    )

    def typed_g(row: int) -> str:
        return (
            "("
            + "+".join(f"N({a.format(row=row)})*{s:.10g}" for a, s in zip(at, scale, strict=True))
            + ")"
        )

    # With two cells for one weight the last of them is where the band can be asked about.
    band = DataValidation("custom", errorStyle="warning", allow_blank=True, showErrorMessage=True)
    grams = typed_g(first)
    band.formula1 = (
        f'AND(ISNUMBER({at[-1].format(row=first)}),OR({low}="",{grams}>={low}),'
        f'OR({high}="",{grams}<={high}))'
    )
    band.errorTitle = "Right bowl? Right figure?"
    band.error = "This is outside the weight expected. Yes keeps it, No lets you type it again."
    band.add(f"{letter(place[entry[-1]])}{first}:{letter(place[entry[-1]])}{last}")
    sheet.add_data_validation(band)
    number = DataValidation(
        "decimal",
        formula1="0",
        formula2="200000",
        operator="between",
        allow_blank=True,
        showErrorMessage=True,
    )
    number.error = "Figures only."
    number.add(f"{letter(place[entry[-1]])}{last + 1}:{letter(place[entry[-1]])}{end}")
    if len(entry) == 2:
        number.add(f"{letter(place['lb'])}{first}:{letter(place['lb'])}{end}")
    sheet.add_data_validation(number)
    said = letter(place["look again"])
    for row in range(first, last + 1):
        lo, hi, g = f"${letter(keys['low'])}{row}", f"${letter(keys['high'])}{row}", typed_g(row)
        ten = (
            "OR("
            + ",".join(f"AND({g}*{f}>={lo},{g}*{f}<={hi})" for f in (10, 0.1, 1000, 0.001))
            + ")"
        )
        cell = sheet[f"{said}{row}"]
        cell.value = (
            f'=IF({g}=0,"",IF(OR({hi}="",AND({g}>=N({lo}),{g}<={hi})),"",'
            f'IF({lo}="","heavier than it was",IF({ten},"slip of ten?",'
            f'IF({g}<{lo},"too light: right bowl?","too heavy: right bowl?")))))'
        )
        cell.font = Font(size=12, bold=True)
    area = f"{letter(place[entry[0]])}{first}:{letter(place[entry[-1]])}{last}"
    sheet.conditional_formatting.add(area, FormulaRule(formula=[f'${said}{first}<>""'], fill=ODD))


def _put(sheet: Any, row: int, column: int, value: Any, size: float, bold: bool = False) -> Any:
    cell = sheet.cell(row, column)
    if isinstance(value, str):
        value = ILLEGAL_CHARACTERS_RE.sub(" ", value)
        cell.value = value or None
        if value:
            cell.data_type = "s"  # a mark that begins with = is text, never a formula
    else:
        cell.value = value
    cell.font = Font(size=size, bold=bold)
    return cell


def _entry(cell: Any, size: float) -> None:
    cell.protection = Protection(locked=False)
    cell.font, cell.border = Font(size=size), GRID


def _absolute(cell: Any) -> str:
    return f"${letter(cell.column)}${cell.row}"
