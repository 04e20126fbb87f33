"""From cells to values: one converter a kind, each saying what is wrong and what to type."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from woodlab.book.sheet.cells import read_mass
from woodlab.book.tables import Column
from woodlab.book.units import scale_to
from woodlab.errors import WoodlabError

FIRST_YEAR, LAST_YEAR = 1900, 2100

# problem and remedy of one cell, or None when it is good
Trouble = tuple[str, str] | None


@dataclass(frozen=True)
class Converted:
    """One column's values, and where they are not there.

    `troubles` says by position what is wrong with a cell, `missing` which cells have no value.
    Of a column that was converted by its distinct cells, `names[codes[i]]` is the value of cell
    i, so that nobody has to find the distinct ones again.
    """

    values: pd.Series
    troubles: dict[int, tuple[str, str]]
    missing: np.ndarray
    codes: np.ndarray | None = None
    names: tuple[object, ...] = ()


def convert(
    cells: pd.Series, column: Column, to_own_unit: Callable, comma_decimals: bool
) -> Converted:
    """Values of one column, and the trouble of each cell that has none.

    Empty cells are NaN, NaT or None and no trouble here; whether they may be empty is asked by
    the caller.
    """
    if column.kind == "number":
        return _numbers(cells, column, to_own_unit, comma_decimals)
    if column.kind == "date":
        return _by_unique(cells, lambda cell: _date(cell), "datetime64[us]")
    if column.kind == "choice":
        return _by_unique(cells, lambda cell: _choice(cell, column.choices), "str")
    return _by_unique(cells, _text, "str")


def _by_unique(cells: pd.Series, one: Callable, dtype: str) -> Converted:
    """Convert each distinct cell once: a million weighings have a few hundred dates."""
    if isinstance(cells.dtype, pd.CategoricalDtype):
        codes, uniques = cells.cat.codes.to_numpy(), cells.cat.categories.tolist()
    else:
        try:
            codes, found = pd.factorize(cells)
        except TypeError:  # lists and the like, in frames made in code
            codes, found = pd.factorize(cells.map(repr, na_action="ignore"))
        uniques = found.tolist() if cells.dtype == object else list(found)
    values, troubles = [], {}
    for code, cell in enumerate(uniques):
        value, trouble = one(cell)
        values.append(value)
        if trouble:
            troubles[code] = trouble
    table = pd.Series([*values, None], dtype=dtype).array
    result = pd.Series(table.take(codes), index=cells.index, copy=False)
    without = [code for code, value in enumerate(values) if value is None]
    missing = np.isin(codes, [-1, *without]) if without else codes == -1
    of_cells = {}
    if troubles:
        bad = np.flatnonzero(np.isin(codes, list(troubles)))
        of_cells = {int(i): troubles[int(codes[i])] for i in bad}
    return Converted(result, of_cells, missing, codes, tuple(values))


# Control characters, and the mark that stands for what could not be decoded.
_UNREADABLE = re.compile(
    r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\ud800-\udfff\ufffd-\uffff]"
)


def as_text(cells: pd.Series) -> Converted:
    """Cells of a column that the book does not know, as text."""
    return _by_unique(cells, _text, "str")


def _text(cell: object) -> tuple[str | None, Trouble]:
    if isinstance(cell, float) and cell.is_integer():
        cell = int(cell)  # workbooks hold the piece number 12 as 12.0
    text = str(cell).strip()
    if not text:
        return None, None
    if _UNREADABLE.search(text):
        return None, ("the text holds a character that cannot be read", "Type the text anew.")
    return text, None


def _choice(cell: object, choices: tuple[str, ...]) -> tuple[str | None, Trouble]:
    text, trouble = _text(cell)
    if text is None or trouble:
        return text, trouble
    if text.casefold() in choices:
        return text.casefold(), None
    return None, ("not one of the words that may stand here", f"Type {_or(choices)}.")


def _or(choices: tuple[str, ...]) -> str:
    return f"{', '.join(choices[:-1])} or {choices[-1]}"


def as_date(value: object) -> pd.Timestamp:
    """A date that a user gave, read by the rules of the book's cells.

    Raises
    ------
    WoodlabError
        If it is none.
    """
    stamp, trouble = _date(value)
    if stamp is None:
        problem = trouble[0] if trouble else "it is empty"
        raise WoodlabError(f"{value!r} is not a date ({problem}). {_DATE_REMEDY}")
    return stamp


_ISO_DATE = re.compile(r"\d{4}-\d{2}-\d{2}([ T]\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?)?")
_PROGRAM_DATE = re.compile(r"\d{1,2}[/.-]\d{1,2}[/.-](\d{4}|\d{2})")
_DATE_REMEDY = "Type the date as year-month-day: 2026-03-09."


def _date(cell: object) -> tuple[pd.Timestamp | None, Trouble]:
    if cell is None or cell is pd.NaT:
        return None, None
    if isinstance(cell, dt.datetime):
        stamp = pd.Timestamp(cell)
    elif isinstance(cell, dt.date):
        stamp = pd.Timestamp(cell.year, cell.month, cell.day)
    elif isinstance(cell, bool | int | float | np.number):
        remedy = f"{_DATE_REMEDY} In a workbook, format the column as dates."
        return None, ("a number stands where a date should", remedy)
    else:
        text = str(cell).strip()
        if not text:
            return None, None
        if not _ISO_DATE.fullmatch(text):
            remedy = _DATE_REMEDY
            if _PROGRAM_DATE.fullmatch(text):
                remedy += (
                    " Where a spreadsheet program wrote the file: give the column the date format "
                    "yyyy-mm-dd there, and save it again."
                )
            return None, ("not a date in the form 2026-03-09", remedy)
        try:
            stamp = pd.Timestamp(text)
        except ValueError:
            return None, ("no such day in the calendar", _DATE_REMEDY)
    if stamp.tzinfo is not None:
        return None, ("the time carries a time zone", "Type the local time without a zone.")
    if not FIRST_YEAR <= stamp.year <= LAST_YEAR:
        return None, (f"the year is not between {FIRST_YEAR} and {LAST_YEAR}", _DATE_REMEDY)
    return stamp, None


def _numbers(
    cells: pd.Series, column: Column, to_own_unit: Callable, comma_decimals: bool
) -> Converted:
    troubles: dict[int, tuple[str, str]] = {}
    kind = pd.api.types
    if (
        not kind.is_numeric_dtype(cells)
        or kind.is_bool_dtype(cells)
        or kind.is_complex_dtype(cells)
    ):
        scale = partial(_in_heading_unit, column=column, to_own_unit=to_own_unit)
        found = _by_unique(cells, lambda cell: _number(cell, comma_decimals, scale), "float64")
        values, troubles = found.values.to_numpy(), found.troubles
    else:
        values = cells.to_numpy(dtype=float, na_value=np.nan)
    values = np.asarray(to_own_unit(values), dtype=float)
    unit = column.name.rsplit("_", 1)[-1]
    wrong = np.isinf(values)
    low, high = "", f"at most {column.most:g}" if column.most is not None else ""
    if column.above is not None:
        wrong |= values <= column.above
        low = f"above {column.above:g}"
    if column.least is not None:
        wrong |= values < column.least
        low = f"at least {column.least:g}"
    if column.most is not None:
        wrong |= values > column.most
    if wrong.any():
        allowed = " and ".join(part for part in (low, high) if part) or "a finite number"
        trouble = (
            f"must be {allowed} (in {unit})",
            f"Type a number in the unit of the heading; {column.name} is {column.meaning}.",
        )
        for position in np.flatnonzero(wrong):
            troubles.setdefault(int(position), trouble)
        values = np.where(wrong, np.nan, values)
    if not values.flags.writeable:  # pandas lends its own; a user may write into a book's frame
        values = values.copy()
    series = pd.Series(values, index=cells.index, copy=False)
    return Converted(series, troubles, np.isnan(values))


_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?")
_GROUPED = re.compile(r"[+-]?\d{1,3}([.,])\d{3}")


# `1 1/8`, `7/8"`, `1 3/8 in`, `28 mm`: as rules are read, and only of lengths.
_LENGTH = re.compile(
    r"(?P<number>\d+(?:\.\d*)?|\.\d+)??\s*(?P<part>\d{1,2}/(?:2|4|8|16|32|64))?\s*"
    r"(?P<unit>in|inch|inches|[\"\u2033\u201d]|mm|cm|m|ft)?\.?",
    re.I,
)
_LENGTH_UNITS = {"inch": "in", "inches": "in", '"': "in", "\u2033": "in", "\u201d": "in"}


def _in_heading_unit(text: str, column: Column, to_own_unit: Callable) -> float | None:
    """A length with a fraction or a unit, or a mass with its unit, in the unit of the heading.

    None where it is neither. A cell that names its unit is of that unit, whatever the heading.
    """
    own_unit = column.name.rsplit("_", 1)[-1]
    if own_unit not in ("mm", "g") or len(text) > 40:
        return None
    heading = float(to_own_unit(np.array([1.0]))[0])
    if own_unit == "g":
        mass = read_mass(text)
        said_more = mass.why or mass.bare or mass.note or mass.said.known
        return None if said_more else mass.mass_g / heading
    match = _LENGTH.fullmatch(text)
    if match is None or not (match["number"] or match["part"]):
        return None
    value = float(match["number"] or 0)
    if match["part"]:
        top, bottom = map(int, match["part"].split("/"))
        if top >= bottom or "." in (match["number"] or ""):
            return None
        value += top / bottom
    if match["unit"] is None:
        return value if heading >= scale_to("mm", "in") else None  # nobody's millimetres
    unit = match["unit"].casefold()
    return value * scale_to("mm", _LENGTH_UNITS.get(unit, unit)) / heading


def _number(
    cell: object, comma_decimals: bool, with_unit: Callable[[str], float | None]
) -> tuple[float | None, Trouble]:
    if isinstance(cell, dt.date):
        return None, (
            "a date stands where a number should",
            "Type the number anew; if the spreadsheet program makes a date of a fraction such as "
            "7/8, type 0.875.",
        )
    if isinstance(cell, bool | complex | dt.time | dt.timedelta):
        return None, ("not a number", "Type a number alone.")
    if isinstance(cell, int | float | np.number):
        return float(cell), None
    text = str(cell).strip().replace("\u2212", "-")
    if not text:
        return None, None
    if "," in text or (comma_decimals and _GROUPED.fullmatch(text)):
        if _GROUPED.fullmatch(text) and not (comma_decimals and "," in text):
            return None, (
                "can be read as thousands or as decimals",
                "Type the number without a separator of thousands.",
            )
        text = text.replace(",", ".")
    if _NUMBER.fullmatch(text):
        return float(text), None
    value = with_unit(text)
    if value is not None:
        return value, None
    if "/" in text:
        return None, (
            "not a number",
            "Type a number alone; fractions such as 1 1/8 are read under a heading in inches.",
        )
    return None, ("not a number", "Type a number alone; its unit stands in the heading.")
