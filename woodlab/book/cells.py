"""From cells to values: one reader a kind, each saying what is wrong and what to type.

Every cell is read as it is written: text stays text until the rule of its column makes a number
or a date of it, so that `1.1` and `1.10` are two marks and one length.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal

import numpy as np
import pandas as pd

from woodlab.book.tables import Column
from woodlab.book.units import Trouble, Unread, in_own_unit, read_quantity
from woodlab.errors import WoodlabError

FIRST_YEAR, LAST_YEAR = 1900, 2100
EXACT_INTEGERS = 2**53  # beyond it a spreadsheet's number has lost digits of what was typed

# Of one cell: its value, what is wrong with it, and a remark such as the unit that it names.
Read = tuple[object, Trouble | None, str]


@dataclass(frozen=True)
class Remark:
    """What was remarked in some cells of a column: how many, the first position, some cells."""

    count: int
    first: int
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Converted:
    """One column's values, and where they are not there.

    `troubles` says by position what is wrong with a cell, `missing` which cells have no value.
    `names[codes[i]]` is the value of cell i, so that nobody has to find the distinct ones again;
    a column that came as numbers has no codes.
    """

    values: pd.Series
    troubles: dict[int, Trouble]
    missing: np.ndarray
    codes: np.ndarray | None = None
    names: tuple[object, ...] = ()
    remarks: dict[str, Remark] = field(default_factory=dict)


def convert(cells: pd.Series, column: Column, unit: str, comma_decimals: bool) -> Converted:
    """Values of one column, and the trouble of each cell that has none.

    `unit` is that of the heading. Empty cells are NaN, NaT or None and no trouble here; whether
    they may be empty is asked by the caller.
    """
    if column.kind == "number":
        return _numbers(cells, column, unit, comma_decimals)
    if column.kind == "date":
        return _by_unique(cells, _date, "datetime64[us]")
    if column.kind == "choice":
        return _by_unique(cells, lambda cell: _choice(cell, column.choices), "str")
    return _by_unique(cells, _text, "str")


def _by_unique(cells: pd.Series, one: Callable[[object], Read], dtype: str) -> Converted:
    """Convert each distinct cell once: a million weighings have a few hundred dates."""
    codes, found = _distinct(cells)
    values: list[object] = []
    troubles: dict[int, Trouble] = {}
    remarked: dict[str, list[int]] = {}
    for code, cell in enumerate(found):
        value, trouble, remark = one(cell)
        values.append(value)
        if trouble:
            troubles[code] = trouble
        if remark:
            remarked.setdefault(remark, []).append(code)
    table = pd.Series([*values, None], dtype=dtype).array
    result = pd.Series(table.take(codes), index=cells.index, copy=False)
    without = [code for code, value in enumerate(values) if value is None]
    missing = np.isin(codes, [-1, *without]) if without else codes == -1
    of_cells = {}
    if troubles:
        bad = np.flatnonzero(np.isin(codes, list(troubles)))
        of_cells = {int(i): troubles[int(codes[i])] for i in bad}
    remarks = {}
    for remark, at in remarked.items():
        here = np.flatnonzero(np.isin(codes, at))
        shown = tuple(str(values[code]) for code in at[:3])
        remarks[remark] = Remark(len(here), int(here[0]), shown)
    return Converted(result, of_cells, missing, codes, tuple(values), remarks)


def _distinct(cells: pd.Series) -> tuple[np.ndarray, list[object]]:
    """The distinct cells and which of them each cell is; -1 is an empty one."""
    if isinstance(cells.dtype, pd.CategoricalDtype):
        of, found = _distinct(pd.Series(cells.cat.categories))
        return np.append(of, -1)[cells.cat.codes.to_numpy()], found
    if cells.dtype != object:
        codes, uniques = pd.factorize(cells)
        return codes, list(uniques)
    odd: dict[object, object] = {}
    if pd.api.types.infer_dtype(cells, skipna=True) != "string":
        cells = cells.map(lambda cell: _by_type(cell, odd))
    try:
        codes, uniques = pd.factorize(cells)
    except TypeError:  # lists and the like, in frames made in code
        codes, uniques = pd.factorize(cells.map(repr, na_action="ignore"))
    return codes, [odd.get(cell, cell) for cell in uniques.tolist()]


def _by_type(cell: object, odd: dict[object, object]) -> object:
    """A stand-in for a cell that is equal to one of another meaning: True to 1, 9:00Z to 10:00+1.

    Without it the one that comes first would speak for the other.
    """
    if isinstance(cell, Decimal):  # 1.10 is 1.1 then, and some cannot be hashed
        return str(cell)
    zoned = isinstance(cell, dt.datetime) and cell.tzinfo is not None
    if not zoned and not isinstance(cell, bool | np.bool_ | complex):
        return cell
    key = (type(cell).__name__, repr(cell))
    odd[key] = cell
    return key


# Control characters, and the mark that stands for what could not be decoded.
_UNREADABLE = re.compile(
    r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\ud800-\udfff\ufffd-\uffff]"
)


def as_text(cells: pd.Series) -> Converted:
    """Cells of a column that the book does not know, as text."""
    return _by_unique(cells, _text, "str")


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
    if _UNREADABLE.search(text):
        return None, ("the text holds a character that cannot be read", "Type the text anew."), ""
    return text, None, remark


def _choice(cell: object, choices: tuple[str, ...]) -> Read:
    text, trouble, _ = _text(cell)
    if text is None or trouble:
        return text, trouble, ""
    if str(text).casefold() in choices:
        return str(text).casefold(), None, ""
    words = f"{', '.join(choices[:-1])} or {choices[-1]}"
    return None, ("not one of the words of this column", f"Type {words}."), ""


def as_date(value: object) -> pd.Timestamp:
    """A date that a user gave, read by the rules of the book's cells.

    Raises
    ------
    WoodlabError
        If it is none.
    """
    stamp, trouble, _ = _date(value)
    if not isinstance(stamp, pd.Timestamp):
        problem = trouble[0] if trouble else "it is empty"
        raise WoodlabError(f"{value!r} is not a date ({problem}). {_DATE_REMEDY}")
    return stamp


def as_day(value: object, where: str) -> pd.Timestamp:
    """A day that a user gave, as text, a date or a time stamp.

    Raises
    ------
    WoodlabError
        If it is none.

    Examples
    --------
    >>> as_day("2026-06-20", "on")
    Timestamp('2026-06-20 00:00:00')
    """
    if isinstance(value, np.datetime64):
        value = pd.Timestamp(value)
    try:
        return as_date(value)
    except WoodlabError as error:
        raise WoodlabError(f"{where}: {error}") from None


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
    own_unit = column.unit
    kind = pd.api.types
    plain = kind.is_numeric_dtype(cells) and not (
        kind.is_bool_dtype(cells) or kind.is_complex_dtype(cells)
    )
    if plain:
        values = cells.to_numpy(dtype=float, na_value=np.nan)
        values = np.asarray(in_own_unit(own_unit, unit, values), dtype=float)
        found = Converted(cells, {}, np.isnan(values))
    else:
        found = _by_unique(
            cells,
            lambda cell: _number(cell, own_unit, unit, comma_decimals),
            "float64",
        )
        values = found.values.to_numpy()
    troubles = found.troubles
    wrong = np.isinf(values)
    if column.above is not None:
        wrong |= values <= column.above
    if column.least is not None:
        wrong |= values < column.least
    if column.most is not None:
        wrong |= values > column.most
    if wrong.any():
        allowed = " and ".join(column.limits) or "a finite number"
        trouble = (
            f"must be {allowed} (in {own_unit})",
            f"Type a number in the unit of the heading; {column.name} is {column.meaning}.",
        )
        for position in np.flatnonzero(wrong):
            troubles.setdefault(int(position), trouble)
        values = np.where(wrong, np.nan, values)
    if not values.flags.writeable:  # pandas lends its own
        values = values.copy()
    series = pd.Series(values, index=cells.index, copy=False)
    return Converted(series, troubles, np.isnan(values), found.codes, (), found.remarks)


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
    try:
        value, named = read_quantity(text, own_unit, unit, comma_decimals)
    except Unread as error:
        return None, error.trouble, ""
    return value, None, named
