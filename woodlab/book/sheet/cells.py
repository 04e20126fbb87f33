"""One cell among the weights, and whether all of them can be in the unit that is said.

A cell holds a mass in any hand, with words beside it or in its place.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass, replace

import numpy as np

from woodlab.book.doubts import USUAL
from woodlab.book.sheet.questions import Asked
from woodlab.book.sheet.words import Said, folded, read_words, vocabulary
from woodlab.book.tables import TABLES
from woodlab.book.units import MASS_WORDS, Unread, read_quantity, scale_to, spelled

MOST_G = next(c.most for c in TABLES["weighings"] if c.name == "mass_g") or np.inf

# Blanks that hold groups of thousands apart: space, no-break space, thin spaces, apostrophes.
_GROUP = "[ \u00a0\u2009\u202f'\u2019]"
_NUMBER = rf"[+-]?\d{{1,3}}(?:{_GROUP}\d{{3}})+(?:[.,]\d+)?|[+-]?(?:\d+(?:[.,]\d+)*|[.,]\d+)"
_PART = re.compile(rf"\s*(?:{_NUMBER})(?:\s+\d/\d+)?\s*(?P<unit>[^\W\d_]*|#)\.?", re.I)
# `12 mm crack`, `2 cracks`: the number is a size or a count, and no weight.
_COUNTED = re.compile(
    r"\D*\d*[.,]?\d*\s*(?:mm|cm|in|inch|inches|\")(?!\w)"
    r"|\d{1,2}\s+(?:cracks|splits|risse|fentes|fissures)\b"
)
_NOTHING_WEIGHED = re.compile(r"[-\u2013\u2014.x?/ ]+|n/?a|nil|none|nan|null", re.I)
_GROUPED_OR_DECIMAL = re.compile(r"[+-]?[1-9]\d{0,2}([.,])\d{3}")


@dataclass(frozen=True)
class Mass:
    """A cell read: its mass [g], or why it is none; `readings` when two are possible.

    `said` is what the words of the cell say, `note` the words themselves, `unit` the one it names.
    """

    mass_g: float = np.nan
    why: str = ""
    said: Said = Said()
    note: str | None = None
    bare: bool = False
    readings: tuple[float, ...] = ()
    unit: str = ""


def read_mass(cell: object, unit: str = "g", decimal: str | None = None) -> Mass:
    """The mass in a cell: a number in `unit`, or text such as `3 lb 4 oz` or `1480 (glued)`.

    `decimal` is the decimal sign; without it `1,480` has two `readings` (in g) and no mass.

    Examples
    --------
    >>> round(read_mass("3 lb 4 oz").mass_g, 1), read_mass("1,48 kg").mass_g
    (1474.2, 1480.0)
    >>> read_mass("1380 gerissen").said.crack, read_mass("sold").said.outcome
    ('yes', 'given away')
    """
    if isinstance(cell, bool | dt.date | dt.time | dt.timedelta):
        kind = "true/false" if isinstance(cell, bool) else "a date or time"
        return Mass(why=f"{kind} stands where a weight should")
    if isinstance(cell, int | float | np.number):
        return _bounded(Mass(float(cell) * scale_to("g", unit), bare=True))
    text = spelled(str(cell)).strip().replace("\u2212", "-")
    if text.startswith("#"):
        return Mass(why="the spreadsheet's own error, not a weight")
    if _NOTHING_WEIGHED.fullmatch(text):
        return Mass(why="a mark for no weight")
    first, rest = re.match(r"([~\u2248]|[^\s\d]*)\s*(.*)", text, re.S).groups()  # type: ignore[union-attr]
    if rest[:1].isdigit() and folded(first) in vocabulary("about"):
        about = _from_text(rest, unit, decimal)
        return replace(about, note=text) if np.isfinite(about.mass_g) else about
    mass = _from_text(text, unit, decimal)
    if not np.isfinite(mass.mass_g) and not mass.readings and (said := read_words(text)).known:
        return _behind_words(text, unit, decimal, Mass(said=said, note=text))
    return mass


def _behind_words(text: str, unit: str, decimal: str | None, words: Mass) -> Mass:
    """`cracked, 1380 g`: a mass after the words counts where it names its unit."""
    numbers = list(re.finditer(rf"(?:{_NUMBER})\s*(?P<unit>[a-z]+)", text, re.I))
    named = [one for one in numbers if folded(one["unit"]) in MASS_WORDS]
    if len(named) != 1:
        return words
    mass = _from_text(named[0][0], unit, decimal)
    return Mass(mass.mass_g, said=words.said, note=text) if np.isfinite(mass.mass_g) else words


def _from_text(text: str, unit: str, decimal: str | None) -> Mass:
    position = parts = 0
    while (part := _PART.match(text, position)) and part.end() > position:
        parts += 1
        position = part.end()
        if folded(part["unit"]) not in ("", *MASS_WORDS):  # the number is bare, and words follow
            position = part.start("unit")
            break
    said, note = Said(), None
    if rest := text[position:].strip():
        said, note = read_words(rest), re.sub(r"^[\s*,;:(\[-]+|[\s)\]*]+$", "", rest) or None
        apart = re.match(r"[*,;:(\[]|-\s", rest)
        if (not said.known and not apart) or _COUNTED.match(folded(text)):
            parts = 0
    if not parts:
        return Mass(why="not a weight, nor words that are known")
    readings, named = [], ""
    for plain in _plain(text[:position], decimal):
        try:
            value, named = read_quantity(plain, "g", unit)
        except Unread as error:
            remedy = error.trouble[1].rstrip(".")
            several = "several numbers in one cell" if parts > 1 else "not a number"
            return Mass(why=remedy if remedy.startswith("After") else several)
        readings.append(value)
    possible = [value for value in readings if 0 < value <= MOST_G]
    usual = [value for value in possible if value >= USUAL["mass_g"][0]]
    if named and len(usual) == 1:  # `1.240 g`: in grams, 1.24 is no bowl
        possible = usual
    if len(possible) > 1:
        return Mass(why="two readings", readings=tuple(possible))
    if not readings:
        return Mass(why="not a number")
    mass = possible[0] if possible else readings[0]
    return _bounded(Mass(mass, said=said, note=note, bare=not named, unit=named))


def _plain(text: str, decimal: str | None) -> list[str]:
    """A text with its numbers written plainly: one way, two where a sign can mean both, or none."""
    ways, at = [""], 0
    for number in re.finditer(_NUMBER, text):
        between = text[at : number.start()]
        ways = [way + between + one for way in ways for one in _forms(number[0], decimal)]
        at = number.end()
    return [way + text[at:] for way in ways]


def _forms(written: str, decimal: str | None) -> list[str]:
    number = re.sub(_GROUP, "", written)
    signs = re.findall("[.,]", number)
    if len(signs) > 1:  # `1.480,5` and `1,480.5` say which sign is which; `1.480.500` groups
        head, tail = (number, "") if len(set(signs)) == 1 else number.rsplit(signs[-1], 1)
        if not re.fullmatch(rf"[+-]?\d{{1,3}}(?:\{signs[0]}\d{{3}})+", head):
            return []
        return [f"{head.replace(signs[0], '')}.{tail or 0}"]
    point, whole = number.replace(",", "."), re.sub("[.,]", "", number)
    if not _GROUPED_OR_DECIMAL.fullmatch(number) or number != written or decimal in signs:
        return [point]
    return [point, whole] if decimal is None else [whole]


def decimal_sign(cell: object) -> str | None:
    """The decimal sign that a text shows beyond doubt: none in `1,480`."""
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
        return Mass(why="a weight must be above zero")
    if mass.mass_g > MOST_G:
        return Mass(why=f"more than {MOST_G / 1000:g} kg: is the unit right?")
    return mass


_SINGLE = re.compile(r"\d+(?:[.,]\d+)?")
INCHES = re.compile(r"\d\s*/\s*\d|[\"\u2033\u201d]|\bin\b")


def ask_masses(
    asked: Asked, bare: list[tuple[float, str]], unit: str, n_weights: int
) -> str | None:
    """Ask when half of the weights without a unit are too small, or too large, for a bowl.

    `bare` has each number with the cell that it stands in; single rows are doubts of the book.
    """
    if not bare or n_weights > 2 * len(bare):
        return None
    least, most = USUAL["mass_g"]
    middle = float(np.median([number for number, _ in bare]))
    if least <= middle * scale_to("g", unit) <= most:
        return None
    number, at = min(bare, key=lambda one: abs(one[0] - middle))
    fits = _fits(middle, "g", unit, ("g", "kg", "lb", "oz"), (5 * least, most))
    what = f"Half of the weights cannot be in {unit}: {number:g} in {at}"
    return _ask(asked, "mass_unit", what, fits, number)


def ask_lengths(
    asked: Asked, pieces: dict[str, dict[str, object]], units: dict[str, str], mass_unit: str
) -> dict[str, str]:
    """Ask when half of a column of lengths cannot be in its unit; cm is offered before inches.

    `units` are those of the columns whose heading names none. Returns the columns in which each
    cell names its unit, and most of them inches.
    """
    in_inches = {}
    for name, unit in units.items():
        cells = [str(row[name]).strip() for row in pieces.values() if row.get(name) is not None]
        numbers = [float(m[0].replace(",", ".")) for m in map(_SINGLE.fullmatch, cells) if m]
        inches = sum(INCHES.search(cell) is not None for cell in cells)
        if 2 * inches > len(cells) and not any(cell[-1:].isdigit() for cell in cells):
            in_inches[name] = "in"
        named = all(re.search(r"[a-z\"\u2033]", cell) for cell in cells)
        if named or not (numbers or inches):
            continue
        middle = float(np.median(numbers)) if numbers else 1.0
        least, most = USUAL.get(name, (0.0, np.inf))
        if least <= middle * scale_to("mm", unit) <= most and (not inches or unit == "in"):
            continue
        order = ("in", "cm", "mm") if mass_unit in ("lb", "oz") else ("cm", "in", "mm")
        fits = _fits(middle, "mm", unit, order, (least, most))
        if inches:
            fits = ["in"] if unit != "in" else []
        what = f"{name[:-3].replace('_', ' ')} cannot be in {unit}: {', '.join(cells[:3])}"
        _ask(asked, "length_unit", what, fits, middle)
    return in_inches


def _fits(
    middle: float, own: str, unit: str, others: tuple[str, ...], usual: tuple[float, float]
) -> list[str]:
    scaled = {other: middle * scale_to(own, other) for other in others if other != unit}
    return [other for other, value in scaled.items() if usual[0] <= value <= usual[1]]


def _ask(asked: Asked, option: str, what: str, fits: list[str], number: float) -> str | None:
    """Ask for the unit, with what the number would be in each."""
    own = "g" if option == "mass_unit" else "mm"
    makes = [f"{number:g} {o} are {number * scale_to(own, o):.0f} {own}" for o in fits]
    return asked.ask(option, f"{what}; {', '.join(makes)}.", *fits) if fits else None
