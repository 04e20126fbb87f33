"""Units in headings (`wall_in` for `wall_mm`, `temp_f` for `temp_c`) and in cells (`3 lb 4 oz`)."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

import numpy as np

from woodlab.book.tables import Column
from woodlab.words import G_PER_POUND, MM_PER_INCH, Units

_SCALES: dict[str, dict[str, float]] = {
    "mm": {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": MM_PER_INCH, "ft": 12 * MM_PER_INCH},
    "g": {"g": 1.0, "kg": 1000.0, "oz": G_PER_POUND / 16, "lb": G_PER_POUND},
    "c": {"c": 1.0, "f": 5 / 9},
}
# Units as people write them in a cell.
_WORDS = {
    "mm": "mm", "cm": "cm", "m": "m", "ft": "ft foot feet",
    "in": 'in inch inches zoll pouce pouces " \u2033 \u201d',
    "g": "g gr gm gms gram grams gramme grammes gramm",
    "kg": "kg kgs kilo kilos kilogram kilograms kilogramm kilogramme kilogrammes",
    "lb": "lb lbs pound pounds #", "oz": "oz ozs ounce ounces",
    "c": "c \u00b0c", "f": "f \u00b0f", "pct": "% pct percent",
}  # fmt: skip
_UNIT_OF = {word: unit for unit, words in _WORDS.items() for word in words.split()}
MASS_WORDS = {word: unit for word, unit in _UNIT_OF.items() if unit in _SCALES["g"]}
_IN_FRACTIONS = ("in", "ft", "lb", "oz")  # nobody writes fractions of the others


def scale_to(own_unit: str, unit: str) -> float:
    """How many of `own_unit` (`mm` or `g`) one `unit` is."""
    return _SCALES[own_unit][unit]


def units_of(own_unit: str) -> list[str]:
    """The units that a heading or a cell of this quantity may carry."""
    return list(_SCALES.get(own_unit, {own_unit: 1.0}))


def plain_heading(heading: object) -> str:
    """A heading without case, blanks and brackets: `Wall (mm)` -> `wall_mm`."""
    return re.sub(r"[^0-9a-z]+", "_", str(heading).strip().casefold()).strip("_")


def in_own_unit(own_unit: str, unit: str, values: Any) -> Any:
    """Values of one unit in the unit of the column: 12 in are 304.8 mm."""
    if unit == own_unit:
        return values
    if own_unit == "c":
        return (values - 32) / 1.8
    # 12 in are 304.8 mm, not 304.79999999999995: a book that is saved is read by people, too.
    return np.round(np.multiply(values, scale_to(own_unit, unit)), 9)


class Match(NamedTuple):
    """The known column that a heading means, and the unit that the heading carries."""

    column: Column
    unit: str

    def written(self, values: Any) -> Any:
        """Values of the column in the unit of the heading."""
        zero, one = in_own_unit(self.column.unit, self.unit, np.array([0.0, 1.0]))
        # 3.225 lb, not 3.2249999999999996: people read the file, too
        return np.round((values - zero) / (one - zero), 13)


def match_heading(heading: object, columns: tuple[Column, ...]) -> Match | None:
    """What a heading means, if it means a known column: `Wall (in)` is `wall_mm`, in inches."""
    plain = plain_heading(heading)
    for column in columns:
        if plain == column.name:
            return Match(column, column.unit)
        stem, _, unit = plain.rpartition("_")
        if column.unit and f"{stem}_{column.unit}" == column.name and unit in units_of(column.unit):
            return Match(column, unit)
    return None


def units_in(headings: Mapping[str, Iterable[object]]) -> Units:
    """The units to answer in: those of the headings under which weights and walls are kept."""

    def unit(table: str, stem: str) -> str:
        plain = (plain_heading(head) for head in headings.get(table, ()))
        return next((name.rpartition("_")[2] for name in plain if name.startswith(f"{stem}_")), "")

    return Units({"kg": "kg", "lb": "lboz", "oz": "lboz"}.get(unit("weighings", "mass"), "g"),
                 "in" if unit("pieces", "wall") in ("in", "ft") else "mm")  # fmt: skip


def spelled(text: str) -> str:
    """Fraction signs as figures: `1\u00bd in` is `1 1/2 in`."""
    return re.sub("[\u00bc-\u00be\u2150-\u215e]", _as_figures, text)


def _as_figures(sign: re.Match[str]) -> str:
    return " " + unicodedata.normalize("NFKD", sign[0]).replace("\u2044", "/")


Trouble = tuple[str, str]  # what is wrong with a cell, and what to type instead


class Unread(Exception):
    """A cell that is no number; `trouble` says why and what to type."""

    def __init__(self, problem: str, remedy: str):
        super().__init__(problem)
        self.trouble: Trouble = (problem, remedy)


_PLAIN = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?")
_GROUPED = re.compile(r"[+-]?\d{1,3}([.,])\d{3}")
# A number, a fraction behind it or alone, a unit: `1 1/8 in`, `1 480 g`, `-3,5 C`.
_PART = re.compile(
    r"(?P<number>[+-]?(?:\d{1,3}(?:[ \u00a0\u2009\u202f'\u2019]\d{3})+(?:[.,]\d+)?(?![\d/])"
    r"|\d+(?:[.,]\d*)?|[.,]\d+)(?!\d*/))?"
    r"(?P<gap>\s+)?(?P<fraction>\d+/(?:2|4|8|16|32|64)(?!\d))?"
    r"\s*(?P<unit>[^\d\s.,;:/+()-]*)\.?\s*"
)
_SMALLER = {"lb": ("oz", 16), "ft": ("in", 12)}
_NOT_A_NUMBER = ("not a number", "Type a number alone; its unit is in the heading.")
_GLUED = (
    "a fraction of more than one: does a whole number stick to it?",
    "Put a space between the whole number and the fraction, as in 1 1/8, or type 1.125.",
)
_NO_FRACTIONS = (
    "not a number",
    "Type a number alone; fractions such as 1 1/8 are read under a heading in inches.",
)
_TWO_READINGS = (
    "can be read as thousands or as decimals",
    "Type the number without a separator of thousands.",
)


def read_number(text: str, comma_decimals: bool) -> float:
    """The value of a number without a unit; Unread if it is none, or two can be meant."""
    if "," in text or comma_decimals:
        grouped = _GROUPED.fullmatch(text)
        if grouped and not (comma_decimals and grouped[1] == ","):
            raise Unread(*_TWO_READINGS)
        text = text.replace(",", ".")
    if not _PLAIN.fullmatch(text):
        raise Unread(*_NOT_A_NUMBER)
    return float(text)


def read_quantity(
    text: str, own_unit: str, unit: str, comma_decimals: bool = False
) -> tuple[float, str]:
    """The value of a cell in the column's own unit, and the unit that the cell itself names.

    A unit in the cell wins over that of the heading, `unit`. Fractions are read of inches, feet,
    pounds and ounces. Unread is raised if it is no number, or two numbers can be meant.

    Examples
    --------
    >>> read_quantity("1 3/8", "mm", "in"), read_quantity("3 lb 4 oz", "g", "g")
    ((34.925, ''), (1474.1752025, 'lb'))"""
    text = spelled(text).strip().replace("\u2212", "-")
    if _PLAIN.fullmatch(text) or "," in text[:-1] and text.replace(",", "").isdecimal():
        return float(in_own_unit(own_unit, unit, read_number(text, comma_decimals))), ""
    parts = _parts(text)
    words = [part["unit"].casefold() for part in parts]
    named = [_UNIT_OF.get(word, word) for word in words]
    if any(name and name not in units_of(own_unit) for name in named) or not parts:
        raise Unread(*(_NO_FRACTIONS if "/" in text else _NOT_A_NUMBER))
    values = [_value(parts[0], named[0] or unit, comma_decimals)]
    total = float(in_own_unit(own_unit, named[0] or unit, values[0]))
    if len(parts) > 1:  # `3 lb 4 oz`
        smaller, most = _SMALLER.get(named[0], ("", 0))
        if len(parts) > 2 or not smaller or named[1] not in ("", smaller):
            raise Unread(*(_NO_FRACTIONS if "/" in text else _NOT_A_NUMBER))
        rest = _value(parts[1], smaller, comma_decimals)
        if not 0 <= rest < most:
            after = f"After {named[0]}, {smaller} run from 0 to {most - 1}."
            raise Unread("not a number", after)
        total += float(in_own_unit(own_unit, smaller, rest))
    elif not named[0] and re.search(r"\d\s\d{3}", text):  # `1 100`: one number or two?
        raise Unread(*_NOT_A_NUMBER)
    return round(total, 9), named[0]


def _parts(text: str) -> list[re.Match[str]]:
    """Numbers with their fractions and units; none where anything else is in the text."""
    parts, at = [], 0
    while at < len(text) <= 40 and (match := _PART.match(text, at)) and match.end() > at:
        parts.append(match)
        at = match.end()
    return parts if at == len(text) else []


def _value(part: re.Match[str], unit: str, comma_decimals: bool) -> float:
    """A number and the fraction behind it, in their unit."""
    number, fraction = part["number"], part["fraction"]
    if number is None and (fraction is None or part["gap"]):
        raise Unread(*_NOT_A_NUMBER)
    whole = 0.0
    if number is not None:
        whole = read_number(re.sub(r"[^\d.,+-]", "", number), comma_decimals)
        if fraction is None:
            return whole
    top, bottom = map(int, fraction.split("/"))
    if unit not in _IN_FRACTIONS or not whole.is_integer() or whole < 0:
        raise Unread(*_NO_FRACTIONS)
    if top >= bottom:
        raise Unread(*_GLUED)
    return whole + top / bottom
