"""One cell of a sheet people really have: a mass with or without its unit, in any hand."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass

import numpy as np

from woodlab.book.tables import EVENTS, TABLES
from woodlab.book.units import scale_to

MOST_G = next(c.most for c in TABLES["weighings"] if c.name == "mass_g") or np.inf

_UNIT_WORDS = {
    "g": "g gr gm gms gram grams gramme grammes gramm",
    "kg": "kg kgs kilo kilos kilogram kilograms kilogramm",
    "lb": "lb lbs pound pounds #",
    "oz": "oz ozs ounce ounces",
}
UNITS = {word: unit for unit, words in _UNIT_WORDS.items() for word in words.split()}

# Blanks that hold groups of thousands apart: space, no-break space, thin spaces, apostrophes.
_GROUP = "[ \u00a0\u2009\u202f'\u2019]"
_FRACTIONS = {"\u00bc": ".25", "\u00bd": ".5", "\u00be": ".75"}
_NUMBER = rf"[+-]?\d{{1,3}}(?:{_GROUP}\d{{3}})+(?:[.,]\d+)?|[+-]?(?:\d+(?:[.,]\d+)*|[.,]\d+)"
_PART = re.compile(
    rf"\s*(?P<number>{_NUMBER})(?:\s+(?P<top>\d)/(?P<bottom>\d+))?\s*(?P<unit>[a-z#]*)\.?", re.I
)
_AFTERWORD = re.compile(rf"\s*(?:\*+|\((?P<note>[^()]*)\)|(?P<event>{'|'.join(EVENTS)}))\s*", re.I)
_EMPTY = re.compile(r"\s*")
_NOTHING_WEIGHED = re.compile(r"[-\u2013\u2014.x?/ ]+|n/?a|nil|none|nan|null", re.I)
_GROUPED_OR_DECIMAL = re.compile(r"[+-]?[1-9]\d{0,2}([.,])\d{3}")


@dataclass(frozen=True)
class Mass:
    """A cell read: its mass [g], or why it is none; `readings` when two are possible."""

    mass_g: float = np.nan
    why: str = ""
    event: str | None = None
    note: str | None = None
    bare: bool = False
    readings: tuple[float, ...] = ()


def is_empty(cell: object) -> bool:
    """Whether nothing stands in the cell.

    Examples
    --------
    >>> is_empty(None), is_empty("  "), is_empty(0)
    (True, True, False)
    """
    return cell is None or (isinstance(cell, str) and _EMPTY.fullmatch(cell) is not None)


def read_mass(cell: object, unit: str = "g", decimal: str | None = None) -> Mass:
    """The mass in a cell.

    Parameters
    ----------
    cell : object
        A number, or text such as `3 lb 4 oz`, `1,48 kg`, `1480 (glued)`.
    unit : {"g", "kg", "lb", "oz"}
        Of a number that stands alone.
    decimal : {".", ","}, optional
        The decimal sign, which only matters where three digits follow a sign (`1,480`).

    Returns
    -------
    Mass
        With `readings` (both, in g) and no mass where `decimal` is needed and not given.

    Examples
    --------
    >>> round(read_mass("3 lb 4 oz").mass_g, 1), read_mass("1,48 kg").mass_g
    (1474.2, 1480.0)
    >>> read_mass("1480 (glued)").event
    'glued'
    >>> read_mass("fell off the shelf").why
    'not a mass'
    """
    if isinstance(cell, bool | dt.date | dt.time | dt.timedelta):
        kind = "true/false" if isinstance(cell, bool) else "a date or time"
        return Mass(why=f"{kind} stands where a mass should")
    if isinstance(cell, int | float | np.number):
        return _bounded(Mass(float(cell) * scale_to("g", unit), bare=True))
    text = str(cell).strip().replace("\u2212", "-")
    if text.startswith("#"):
        return Mass(why="the spreadsheet's own error, not a mass")
    if _NOTHING_WEIGHED.fullmatch(text):
        return Mass(why="a mark for no weight")
    for sign, value in _FRACTIONS.items():
        text = re.sub(rf"(\d)\s*{sign}", rf"\g<1>{value}", text)
    return _from_text(text, unit, decimal)


def _from_text(text: str, unit: str, decimal: str | None) -> Mass:
    parts, position = [], 0
    while (part := _PART.match(text, position)) and part.end() > position:
        word = part["unit"].casefold()
        if word and word not in UNITS:
            if word in EVENTS:  # the number stands alone, and a word says what was done
                parts.append((part, ""))
                position = part.start("unit")
            break
        parts.append((part, UNITS.get(word, "")))
        position = part.end()
    event, note, position = _afterword(text, position)
    if not parts or position != len(text):
        return Mass(why="not a mass")
    units = [found for _, found in parts]
    if len(parts) == 2 and units in (["lb", "oz"], ["lb", ""]):
        units = ["lb", "oz"]
        ounces = max(_values(parts[1][0], decimal), default=0.0)
        if parts[1][0]["number"][0] in "+-" or ounces >= 16:
            return Mass(why="after pounds, ounces run from 0 to 15")
    elif len(parts) != 1:
        return Mass(why="several numbers in one cell")
    factors = [scale_to("g", found or unit) for found in units]
    choices = [_values(part, decimal) for part, _ in parts]
    if not all(choices):
        return Mass(why="not a number")
    readings = [0.0]
    for values, factor in zip(choices, factors, strict=True):
        readings = [so_far + value * factor for so_far in readings for value in values]
    possible = [value for value in readings if 0 < value <= MOST_G]
    if len(possible) > 1:
        return Mass(why="two readings", readings=tuple(possible))
    mass = possible[0] if possible else readings[0]
    return _bounded(Mass(mass, event=event, note=note, bare=not units[0]))


def _afterword(text: str, position: int) -> tuple[str | None, str | None, int]:
    """What stands behind the number: an event, a note in brackets, a star."""
    event = note = None
    while position < len(text) and (word := _AFTERWORD.match(text, position)):
        said = (word["event"] or word["note"] or word[0]).strip()
        if said.casefold() in EVENTS:
            event = said.casefold()
        elif said:
            note = f"{note}; {said}" if note else said
        position = word.end()
    return event, note, position


def _values(part: re.Match[str], decimal: str | None) -> list[float]:
    """What the number of a part may be: one value, or two where its sign can mean both."""
    number = re.sub(_GROUP, "", part["number"])
    more = int(part["top"]) / int(part["bottom"]) if part["top"] and int(part["bottom"]) else 0.0
    signs = [sign for sign in number if sign in ".,"]
    as_decimal = number.replace(",", ".")
    as_whole = re.sub("[.,]", "", number)
    if len(signs) == 0:
        return [float(number) + more]
    if len(signs) > 1:
        return [value + more for value in _grouped(number, signs)]
    grouped = _GROUPED_OR_DECIMAL.fullmatch(number) and number == part["number"]
    if not grouped or decimal == signs[0]:
        return [float(as_decimal) + more]
    if decimal is not None:
        return [float(as_whole) + more]
    return [float(as_decimal) + more, float(as_whole) + more]


def _grouped(number: str, signs: list[str]) -> list[float]:
    """`1.480,5` and `1,480.5` say themselves which sign is which; `1.480.500` groups."""
    last = signs[-1]
    head, tail = number.rsplit(last, 1)
    if last in head:  # all of them group
        ok = re.fullmatch(rf"[+-]?\d{{1,3}}(?:\{last}\d{{3}})+", number)
        return [float(number.replace(last, ""))] if ok else []
    group = signs[0]
    ok = re.fullmatch(rf"[+-]?\d{{1,3}}(?:\{group}\d{{3}})+", head)
    return [float(f"{head.replace(group, '')}.{tail}")] if ok else []


def decimal_sign(cell: object) -> str | None:
    """The decimal sign that a text shows beyond doubt, if it shows one.

    Examples
    --------
    >>> decimal_sign("1,48 kg"), decimal_sign("1480.5"), decimal_sign("1,480")
    (',', '.', None)
    """
    if not isinstance(cell, str):
        return None
    for number in re.findall(rf"{_NUMBER}", cell):
        signs = [sign for sign in number if sign in ".,"]
        if len(signs) == 1 and not _GROUPED_OR_DECIMAL.fullmatch(number):
            return signs[0]
        if len(set(signs)) == 2:
            return signs[-1]
    return None


def _bounded(mass: Mass) -> Mass:
    if not np.isfinite(mass.mass_g):
        return Mass(why="not a finite number")
    if mass.mass_g <= 0:
        return Mass(why="a mass must be above zero")
    if mass.mass_g > MOST_G:
        return Mass(why=f"more than {MOST_G / 1000:g} kg: is the unit right?")
    return mass
