"""From cells to values: one reader a kind, each saying what is wrong and what to type.

Every cell is read as it is written: text stays text until the rule of its column makes a number
or a date of it, so that `1.1` and `1.10` are two marks and one length.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from woodlab.book.tables import Column
from woodlab.book.units import Trouble, Unread, in_own_unit, read_quantity
from woodlab.errors import WoodlabError

FIRST_YEAR, LAST_YEAR = 1900, 2100
EXACT_INTEGERS = 2**53  # beyond it a spreadsheet's number has lost digits of what was typed


def empty(cell: object) -> bool:
    """Whether a cell of a frame holds nothing at all."""
    if cell is None or cell is pd.NaT or cell is pd.NA:
        return True
    return isinstance(cell, float) and cell != cell  # a signalling decimal raises when compared


def is_blank(cell: object) -> bool:
    """Whether nothing can be seen in a cell: it is empty, or holds blanks."""
    return empty(cell) or (isinstance(cell, str) and not cell.strip())


# Of one cell: its value, what is wrong with it, and a remark such as the unit that it names.
Read = tuple[object, Trouble | None, str]


@dataclass(frozen=True)
class Converted:
    """One column's values, and where they are not there.

    `troubles` says by position what is wrong with a cell, `missing` which cells have no value,
    `remarks` at which positions something was remarked.
    """

    values: pd.Series
    troubles: dict[int, Trouble]
    missing: np.ndarray
    remarks: dict[str, np.ndarray]


def convert(
    cells: pd.Series, column: Column | None, unit: str = "", comma_decimals: bool = False
) -> Converted:
    """Values of one column, and the trouble of each cell that has none.

    `unit` is that of the heading; a column that the book does not know is text. Empty cells are
    NaN, NaT or None and no trouble here; whether they may be empty is asked by the caller.
    """
    if column is None or column.kind == "text":
        return _by_unique(cells, _text, "str")
    if column.kind == "number":
        return _numbers(cells, column, unit, comma_decimals)
    if column.kind == "date":
        return _by_unique(cells, _date, "datetime64[us]")
    return _by_unique(cells, lambda cell: _choice(cell, column.choices), "str")


def _by_unique(cells: pd.Series, one: Callable[[object], Read], dtype: str) -> Converted:
    """Convert each distinct cell once: a million weighings have a few hundred dates."""
    odd: dict[object, object] = {}
    if isinstance(cells.dtype, pd.CategoricalDtype):
        codes, distinct = cells.cat.codes.to_numpy(), cells.cat.categories
    else:
        if cells.dtype == object and pd.api.types.infer_dtype(cells, skipna=True) != "string":
            cells = cells.map(lambda cell: _stand_in(cell, odd))
        codes, distinct = pd.factorize(cells)
    read = [one(odd.get(cell, cell)) for cell in distinct.tolist()]
    values = pd.Series([*(value for value, _, _ in read), None], dtype=dtype).array
    missing = np.array([*(value is None for value, _, _ in read), True])[codes]
    bad = {code: trouble for code, (_, trouble, _) in enumerate(read) if trouble}
    at = np.flatnonzero(np.isin(codes, list(bad))) if bad else np.empty(0, dtype=int)
    remarked: dict[str, list[int]] = {}
    for code, (_, _, remark) in enumerate(read):
        if remark:
            remarked.setdefault(remark, []).append(code)
    remarks = {remark: np.flatnonzero(np.isin(codes, of)) for remark, of in remarked.items()}
    return Converted(
        pd.Series(values.take(codes), index=cells.index, copy=False),
        {int(i): bad[int(codes[i])] for i in at},
        missing,
        {remark: at for remark, at in remarks.items() if len(at)},
    )


def _stand_in(cell: object, odd: dict[object, object]) -> object:
    """A key for a cell that is equal to one of another meaning: True to 1, 9:00Z to 10:00+1.

    Without it the one that comes first would speak for the other. Lists cannot be compared at all.
    """
    zoned = isinstance(cell, dt.datetime) and cell.tzinfo is not None
    plain = cell is None or isinstance(cell, str | int | float | np.integer | dt.date)
    if plain and not zoned and not isinstance(cell, bool | np.bool_):
        return cell
    if cell is pd.NA or cell is pd.NaT:
        return None
    key = (type(cell).__name__, repr(cell))
    odd[key] = cell
    return key


# Control characters, and the mark that stands for what could not be decoded.
UNREADABLE = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\ud800-\udfff\ufffd-\uffff]")


def _text(cell: object) -> Read:
    remark = ""
    if isinstance(cell, float | np.floating):
        whole = float(cell).is_integer()
        if not whole or abs(float(cell)) >= EXACT_INTEGERS:
            remark = "number"
        cell = int(cell) if whole else float(cell)  # workbooks hold the piece number 12 as 12.0
    elif isinstance(cell, bool | np.bool_):
        remark, cell = "truth", str(bool(cell)).upper()  # as the spreadsheet shows it
    elif isinstance(cell, dt.date | dt.time | dt.timedelta):
        remark = "date"
        if isinstance(cell, dt.datetime) and cell.time() == dt.time():
            cell = cell.date()
    text = str(cell).strip()
    if not text:
        return None, None, ""
    if UNREADABLE.search(text):
        return None, ("the text holds a character that cannot be read", "Type the text anew."), ""
    return text, None, remark


def _choice(cell: object, choices: tuple[str, ...]) -> Read:
    text, trouble, _ = _text(cell)
    if text is None or trouble:
        return text, trouble, ""
    if str(text).casefold() in choices:
        return str(text).casefold(), None, ""
    words = " or ".join(filter(None, (", ".join(choices[:-1]), choices[-1])))
    return None, ("not one of the words of this column", f"Type {words}."), ""


def as_day(value: object, where: str) -> pd.Timestamp:
    """A day that a user gave as text, a date or a time stamp, read by the rules of the book.

    Raises WoodlabError if it is none."""
    if isinstance(value, np.datetime64):
        value = pd.Timestamp(value)
    stamp, trouble, _ = _date(value)
    if not isinstance(stamp, pd.Timestamp):
        problem = trouble[0] if trouble else "it is empty"
        raise WoodlabError(f"{where}: {value!r} is not a date ({problem}). {_DATE_REMEDY}")
    return stamp


_ISO_DATE = re.compile(
    r"(?P<local>\d{4}-\d{2}-\d{2}([ T]\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?)?)"
    r"(?P<zone>\s?(Z|UTC|[+-]\d{2}(:?\d{2})?))?",
    re.ASCII | re.I,
)
_PROGRAM_DATE = re.compile(r"\d{1,2}[/.-]\d{1,2}[/.-](\d{4}|\d{2})")
_DATE_REMEDY = "Type the date as year-month-day: 2026-03-09."


def _date(cell: object) -> Read:
    remark = ""
    if cell is None or cell is pd.NaT:
        return None, None, ""
    if isinstance(cell, dt.datetime):
        stamp = pd.Timestamp(cell)
    elif isinstance(cell, dt.date):
        stamp = pd.Timestamp(cell.year, cell.month, cell.day)
    elif isinstance(cell, bool | int | float | np.number | np.bool_):
        remedy = f"{_DATE_REMEDY} In a workbook, format the column as dates."
        return None, ("a number where a date belongs", remedy), ""
    else:
        text = str(cell).strip()
        if not text:
            return None, None, ""
        match = _ISO_DATE.fullmatch(text)
        # A zone needs a time: `2026-03-09-05` is no date.
        if match is None or (match["zone"] and len(match["local"]) == 10):
            remedy = _DATE_REMEDY
            if _PROGRAM_DATE.fullmatch(text):
                remedy += (
                    " If a spreadsheet program wrote the file, give the column the date format "
                    "yyyy-mm-dd there and save it again."
                )
            return None, ("not a date in the form 2026-03-09", remedy), ""
        try:
            stamp = pd.Timestamp(match["local"])
        except ValueError:
            return None, ("no such day in the calendar", _DATE_REMEDY), ""
        zone = (match["zone"] or "").strip().upper()
        if zone in ("Z", "UTC") or (zone and not zone.strip("+-0:")):
            remark = "utc"
    if stamp.tzinfo is not None:  # the clock on the wall where it was written
        stamp = stamp.tz_localize(None)
    if not FIRST_YEAR <= stamp.year <= LAST_YEAR:
        return None, (f"the year is not between {FIRST_YEAR} and {LAST_YEAR}", _DATE_REMEDY), ""
    return stamp, None, remark


def _numbers(cells: pd.Series, column: Column, unit: str, comma_decimals: bool) -> Converted:
    kind = pd.api.types
    if kind.is_numeric_dtype(cells) and not (
        kind.is_bool_dtype(cells) or kind.is_complex_dtype(cells)
    ):
        values = cells.to_numpy(dtype=float, na_value=np.nan)
        values = np.asarray(in_own_unit(column.unit, unit, values), dtype=float)
        troubles, remarks = {}, {}
    else:
        found = _by_unique(
            cells, lambda cell: _number(cell, column.unit, unit, comma_decimals), "float64"
        )
        values, troubles, remarks = found.values.to_numpy(), found.troubles, found.remarks
    wrong = np.isinf(values)
    if column.above is not None:
        wrong |= values <= column.above
    if column.least is not None:
        wrong |= values < column.least
    if column.most is not None:
        wrong |= values > column.most
    allowed = " and ".join(column.limits) or "a finite number"
    trouble = (
        f"must be {allowed} (in {column.unit})",
        f"Type a number in the unit of the heading; {column.name} is {column.meaning}.",
    )
    troubles = dict.fromkeys(np.flatnonzero(wrong).tolist(), trouble) | troubles
    values = np.where(wrong, np.nan, values)
    return Converted(pd.Series(values, index=cells.index), troubles, np.isnan(values), remarks)


_DECIMAL = re.compile(r"[0-9]+(\.[0-9]+)?")


def _number(cell: object, own_unit: str, unit: str, comma_decimals: bool) -> Read:
    if isinstance(cell, dt.date):
        remedy = (
            "Type the number anew; if the spreadsheet program makes a date of a fraction such as "
            "7/8, type 0.875."
        )
        return None, ("a date where a number belongs", remedy), ""
    if isinstance(cell, bool | np.bool_ | complex | dt.time | dt.timedelta):
        return None, ("not a number", "Type a number alone."), ""
    if isinstance(cell, int | float | np.number):
        try:
            return float(in_own_unit(own_unit, unit, float(cell))), None, ""
        except OverflowError:  # of very many digits
            return math.inf, None, ""
    text = str(cell).strip()
    if not text:
        return None, None, ""
    if not comma_decimals and _DECIMAL.fullmatch(text):  # nearly all cells, and nothing to ask
        return float(in_own_unit(own_unit, unit, float(text))), None, ""
    try:
        value, named = read_quantity(text, own_unit, unit, comma_decimals)
    except Unread as error:
        return None, error.trouble, ""
    return value, None, named
