"""Dates in the headings of a sheet: real ones, written ones, serial numbers; never guessed."""

from __future__ import annotations

import calendar
import datetime as dt
import re
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from woodlab.book.cells import FIRST_YEAR, LAST_YEAR
from woodlab.book.sheet.questions import Asked
from woodlab.book.sheet.words import folded, vocabulary

# Spreadsheets count days from here (their day 60, 29 February 1900, never was; later days agree).
SERIAL_ORIGIN = pd.Timestamp("1899-12-30")
LEAST_SERIAL, MOST_SERIAL = 25569, 73050  # 1970 to 2099

_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[ T](\d{1,2}):(\d{2})(?::(\d{2}))?)?")
_MONTHS = "|".join(sorted(vocabulary("month"), key=len, reverse=True))
_WITH_NAME = re.compile(
    r"(?:\b(?P<before>\d{1,2})(?:st|nd|rd|th|er)?[. -]*(?:of )?)?"
    rf"(?<![^\W\d_])(?P<month>{_MONTHS})\b[. -]*"
    r"(?:(?P<after>\d{1,2})(?:st|nd|rd|th)?(?![\d:]))?"
    r"(?:,?[ '\u2019-]*(?P<year>\d{4}|\d{2})\b(?!:))?"
)
_NUMERIC = re.compile(
    r"(?<![\w/.-])(\d{1,2})\s?([/.-])\s?(\d{1,2})(?:\s?\2\s?(\d{4}|\d{2})|\.?)(?![\d/-])"
)


class Week(int):
    """A number under or beside a heading of weeks; `word` is that heading."""

    word: str = ""


@dataclass(frozen=True)
class Written:
    """A date as it stands: a stamp, or two numbers whose order the whole sheet has to tell."""

    cell: object
    stamp: pd.Timestamp | None = None
    first: int = 0
    second: int = 0
    year: int | None = None
    month: int = 0
    day: int = 0
    serial: bool = False
    week: int | None = None
    calendar: bool = False  # a word such as KW says that it is a week of the calendar

    @property
    def numeric(self) -> bool:
        """Whether day and month stand as two numbers."""
        return self.first > 0


def find_date(cell: object) -> Written | None:
    """What date a cell holds, if it holds one.

    Examples
    --------
    >>> find_date("week 3 (2026-03-09)").stamp, find_date("A12")
    (Timestamp('2026-03-09 00:00:00'), None)"""
    if isinstance(cell, dt.datetime):
        return Written(cell, pd.Timestamp(cell).tz_localize(None))
    if isinstance(cell, dt.date):
        return Written(cell, pd.Timestamp(cell.year, cell.month, cell.day))
    if isinstance(cell, bool) or cell is None or isinstance(cell, dt.time | dt.timedelta):
        return None
    if isinstance(cell, Week):
        return _in_text(f"{cell.word} {cell}")
    if isinstance(cell, int | float | np.number):
        return _serial(cell, float(cell))
    return _in_text(str(cell))


@lru_cache(maxsize=100_000)
def _in_text(cell: str) -> Written | None:
    text = cell.strip()
    if re.fullmatch(r"\d{5}([.,]0+)?", text):
        return _serial(cell, float(text.replace(",", ".")))
    if len(text) > 60:
        return None
    for pattern, read in ((_ISO, _iso), (_WITH_NAME, _with_name), (_NUMERIC, _numeric)):
        for match in pattern.finditer(folded(text) if pattern is _WITH_NAME else text):
            if found := read(cell, match):
                return found
    return _week(cell)


def _week(cell: str) -> Written | None:
    """`week 3`, `Wk. 3 (g)`, `weight KW 12/2026`."""
    words = vocabulary("week")
    named = "|".join(sorted(words, key=len, reverse=True))
    week = rf"(?<!\w)({named})\.? ?(?:n[or]\.? ?)?(\d{{1,2}})(?!\w)(?:\W+(\d{{4}}))?"
    match = re.search(week, folded(cell)) if len(cell) <= 25 else None
    if match is None or int(match[2]) > 60:
        return None
    calendar_week = words[match[1]] == "calendar" or bool(match[3])
    return Written(cell, year=_full_year(match[3]), week=int(match[2]), calendar=calendar_week)


def _serial(cell: object, number: float) -> Written | None:
    if number.is_integer() and LEAST_SERIAL <= number <= MOST_SERIAL:
        return Written(cell, SERIAL_ORIGIN + pd.Timedelta(days=number), serial=True)
    return None


def _iso(cell: str, match: re.Match[str]) -> Written | None:
    year, month, day, *clock = [int(part or 0) for part in match.groups()]
    stamp = _stamp(year, month, day)
    if stamp is None or clock[0] > 23 or max(clock) > 59:
        return None
    hours, minutes, seconds = clock
    return Written(cell, stamp + pd.Timedelta(hours=hours, minutes=minutes, seconds=seconds))


def _with_name(cell: str, match: re.Match[str]) -> Written | None:
    before, after, year = match["before"], match["after"], match["year"]
    if before and after and year is None:  # `9 March 26`: behind the month is the year then
        after, year = None, after
    if (before is None) == (after is None) or not 1 <= int(before or after) <= 31:
        return None
    month = int(vocabulary("month")[match["month"]])
    return Written(cell, year=_full_year(year), month=month, day=int(before or after))


def _numeric(cell: str, match: re.Match[str]) -> Written | None:
    left, sign, right, year = match.groups()
    # without a year 12.5 is a number, and A 3-4 a name or a range
    bare = year is None and (sign == "-" or (sign == "." and not match[0].endswith(".")))
    if bare or not (1 <= int(left) <= 31 and 1 <= int(right) <= 31):
        return None
    return Written(cell, first=int(left), second=int(right), year=_full_year(year))


def _full_year(text: str | None) -> int | None:
    """Two figures mean this century, as on every maker's pencil mark."""
    if text is None:
        return None
    return int(text) + 2000 if len(text) == 2 else int(text)


def _stamp(year: int, month: int, day: int, week: int | None = None) -> pd.Timestamp | None:
    try:
        if week is not None:
            return pd.Timestamp(dt.date.fromisocalendar(year, week, 1))
        return pd.Timestamp(year=year, month=month, day=day)
    except ValueError:
        return None


def settle_dates(
    found: list[Written], asked: Asked
) -> tuple[list[pd.Timestamp | pd.Timedelta | None], list[str]]:
    """Stamps of a sheet's dates in their order, None where there is no such day, and notes.

    A number above 12 in one of the dates shows which stands first, day or month; weeks are Mondays
    of the calendar, or the time since turning. What is not shown is asked.
    """
    day_first, notes = _day_first(found, asked)
    from_turning = _from_turning(found, asked, notes)
    year = asked.answers.get("year")
    stamps: list[pd.Timestamp | pd.Timedelta | None] = []
    running, last_month = year, 0
    for one in found:
        if one.stamp is not None:
            stamps.append(_in_range(one.stamp))
            continue
        if one.week is not None and from_turning:
            stamps.append(pd.Timedelta(weeks=one.week))
            continue
        day, month = one.day, one.month
        if one.week is not None:
            month = one.week * 12 // 53 + 1
        if one.numeric:
            day, month = (one.first, one.second) if day_first else (one.second, one.first)
        of_year = one.year
        if of_year is None:
            if running is None:
                running = asked.ask(
                    "year", f"The date {one.cell!r} has no year.", _year_of(found),
                    then="It is the year of the first date without one; later ones follow on "
                    "from it.",
                )  # fmt: skip
            if month < last_month - 6:  # December is followed by January of the next year
                running += 1
            last_month, of_year = month, running
        stamps.append(_in_range(_stamp(of_year, month, day, one.week)))
    if any(one.stamp is None and one.year is None for one in found) and running != year:
        notes.append(f"Dates without a year run from {year} into {running}.")
    if any(one.serial for one in found):
        notes.append("Numbers in place of dates were read as days counted from 1899-12-30.")
    return stamps, notes


def _from_turning(found: list[Written], asked: Asked, notes: list[str]) -> bool:
    """Whether weeks are counted from turning; asked where the sheet does not show it."""
    numbered = [one for one in found if one.week is not None]
    if not numbered:
        return False
    weeks = asked.answers.get("weeks")
    shown = [one for one in numbered if one.calendar]
    none = [one for one in numbered if one.week == 0 or (one.week or 0) > 53]
    if shown and none:
        asked.fault(f"{none[0].cell!r} is no week of the calendar, as {shown[0].cell!r} is.")
    elif weeks is None and not shown and not none:
        text = f"{numbered[0].cell!r} can be a week of the calendar, or be counted from the day of "
        weeks = asked.ask("weeks", f"{text}turning.", "calendar", "turning")
    elif (weeks == "turning" and shown) or (weeks == "calendar" and none):
        text = f"weeks={weeks!r} does not fit {(shown or none)[0].cell!r}."
        weeks = asked.ask("weeks", text, "calendar" if shown else "turning")
    from_turning = weeks == "turning" or bool(none)
    how = "counted from the day of turning" if from_turning else "weeks of the calendar: Mondays"
    notes.append(f"Weeks such as {str(numbered[0].cell)!r} were read as {how}.")
    return from_turning


def _year_of(found: list[Written]) -> int:
    """A year to offer: the first that stands in the sheet, else the present one."""
    years = [one.stamp.year if one.stamp is not None else one.year for one in found]
    return next((year for year in years if year), dt.date.today().year)


def _in_range(stamp: pd.Timestamp | None) -> pd.Timestamp | None:
    return stamp if stamp is not None and FIRST_YEAR <= stamp.year <= LAST_YEAR else None


def _day_first(found: list[Written], asked: Asked) -> tuple[bool, list[str]]:
    """True when the day stands first in the numeric dates of the sheet."""
    order = asked.answers.get("dates")
    numeric = [one for one in found if one.numeric]
    day_shown = [one for one in numeric if one.first > 12 and one.second <= 12]
    month_shown = [one for one in numeric if one.second > 12 and one.first <= 12]
    against = {"month-first": day_shown, "day-first": month_shown}.get(order or "", [])
    unsure = next((one for one in numeric if one.first != one.second), None)
    if day_shown and month_shown:
        asked.fault(
            f"Some dates have the day first ({day_shown[0].cell!r}), some the month "
            f"({month_shown[0].cell!r}). Type them all as year-month-day, such as 2026-03-09."
        )
    elif against:
        other = "day-first" if order == "month-first" else "month-first"
        text = f"{order} does not fit the date {against[0].cell!r}. Mend that date, or:"
        order = asked.ask("dates", text, other)
    elif order is None and unsure is not None and not day_shown and not month_shown:
        text = (
            f"The date {unsure.cell!r} can be read as {_as_words(unsure, True)} or as "
            f"{_as_words(unsure, False)}, and no other date of the sheet tells which."
        )
        order = asked.ask("dates", text, "day-first", "month-first")
    day_first = order == "day-first" if order is not None else not month_shown
    if not numeric:
        return day_first, []
    shown = "day before month" if day_first else "month before day"
    proof = next(iter(day_shown or month_shown), None)
    because = ", as told" if order else f", as {proof.cell!r} shows" if proof else ""
    return day_first, [f"Dates such as {numeric[0].cell!r} were read {shown}{because}."]


def _as_words(one: Written, day_first: bool) -> str:
    day, month = (one.first, one.second) if day_first else (one.second, one.first)
    return f"{day} {calendar.month_name[month] if 1 <= month <= 12 else f'month {month}'}"
