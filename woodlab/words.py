"""Wording that every result shares: certainty, counts, dates, names of seals, units."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

# Exact by definition: the international inch and avoirdupois pound (1959).
MM_PER_INCH = 25.4
G_PER_POUND = 453.59237
# Before the noun, behind it: "23 painted bowls", "27 bowls waxed all over"; from open to closed.
SEALS = {
    "none": ("bare", ""),
    "wax on end grain": ("", "with waxed end grain"),
    "paint all over": ("painted", ""),
    "wax all over": ("", "waxed all over"),
    "sealed": ("sealed", ""),
    "not said": ("", "with the seal not noted"),
}
NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
# Upper ends of ratios, and how people say them.
_LONGER = (
    (0.30, "a quarter as long or less"), (0.45, "about a third as long"),
    (0.60, "about half as long"), (0.70, "about a third less time"),
    (0.80, "about a quarter less time"), (0.90, "a little less time"), (1.10, "about as long"),
    (1.20, "a little longer"), (1.30, "about a quarter longer"), (1.41, "about a third longer"),
    (1.61, "about half as long again"), (1.75, "well over half as long again"),
    (1.95, "nearly twice as long"), (2.11, "twice as long"), (2.41, "more than twice as long"),
    (2.65, "about two and a half times as long"), (2.95, "nearly three times as long"),
)  # fmt: skip
# What a seal did to drying time, in a headline.
_SLOWED = (
    (0.80, "sped up drying"), (1.25, "hardly changed drying time"), (1.75, "slowed drying"),
    (1.95, "nearly doubled drying time"), (2.11, "doubled drying time"),
    (2.65, "more than doubled drying time"), (2.95, "nearly tripled drying time"),
    (3.30, "tripled drying time"),
)  # fmt: skip
_RATES = (
    (0.03, "almost none"), (0.075, "a twentieth"), (0.15, "a tenth"), (0.22, "a fifth"),
    (0.29, "a quarter"), (0.41, "a third"), (0.59, "half"), (0.71, "two thirds"),
    (0.85, "three quarters"), (1.15, "the whole"), (1.7, "half as much again as"),
    (2.5, "twice"), (3.5, "three times"),
)  # fmt: skip


def certainty(p_holm: float, events: float = np.inf) -> str:
    """How sure a comparison is: `clear`, `likely`, `open` or `nothing`.

    p_holm : p after Holm within its family; events : cracks in the comparison, where events are
    counted. Every word that depends on certainty asks here and nowhere else.

    Examples
    --------
    >>> certainty(0.01), certainty(0.1), certainty(0.1, events=3), certainty(float("nan"))
    ('clear', 'likely', 'open', 'nothing')
    """
    if not np.isfinite(p_holm):
        return "nothing"
    if p_holm < 0.05:
        return "clear"
    return "likely" if p_holm < 0.20 and events >= 5 else "open"


def holm(p: Iterable[float]) -> np.ndarray:
    """Holm's correction; a missing p stays missing and counts for nothing.

    Source: Holm (1979), Scandinavian Journal of Statistics 6, 65-70.
    """
    p = np.asarray(list(p), float)
    out, order = np.full(p.size, np.nan), np.argsort(p)[: np.isfinite(p).sum()]
    steps = p[order] * np.arange(order.size, 0, -1)
    out[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return out


def judged(effects: pd.DataFrame, events: Iterable[float] | None = None) -> pd.DataFrame:
    """The frame with `p_holm`, corrected within each `family` from `p_value`, and `certainty`.

    events : a number a row, where events are counted; see `certainty`.
    """
    p_value = effects["p_value"].astype(float)
    p_holm = p_value.groupby(effects["family"]).transform(lambda p: holm(p))
    seen = [np.inf] * len(effects) if events is None else events
    sure = [certainty(p, n) for p, n in zip(p_holm, seen, strict=True)]
    return effects.assign(p_holm=p_holm.astype(float), certainty=sure)


def order_of_seals(names: Iterable[object]) -> list[str]:
    """The one order of seals in every list, chart and legend: from open to closed, others last."""
    rank = {seal: place for place, seal in enumerate(SEALS)}
    return sorted(
        dict.fromkeys(str(name) for name in names), key=lambda n: (rank.get(n, len(rank)), n)
    )


def bowls(seal: str, n: int | None = None) -> str:
    """'23 painted bowls', 'bowls waxed all over', '12 bowls under Gran's mix'."""
    before, behind = SEALS.get(seal, ("", f"under {seal}"))
    noun = "bowl" if n == 1 else "bowls"
    return " ".join(
        part for part in ("" if n is None else f"{int(n)}", before, noun, behind) if part
    )


def sealed(seal: str) -> str:
    """'bare', 'waxed all over', 'under Gran's mix': what a bowl of this seal is."""
    return " ".join(SEALS.get(seal, ("", f"under {seal}"))).strip()


def part_of(k: float, n: float, seal: str) -> str:
    """'none of the 23 painted bowls', '2 of the 27 bowls waxed all over'."""
    return f"{int(k) or 'none'} of the {bowls(seal, int(n))}"


def of_all(k: int, n: int, did: str, noun: str = "bowls") -> str:
    """'Three of the 40 bowls cracked', 'Of the 92 bowls, 19 were ready'; never figures first."""
    if k == n == 1:
        was = {"were": "was", "are": "is", "have": "has"}
        verb, _, rest = did.partition(" ")
        one = re.sub(r"s\b", "", noun, count=1)
        return f"The only {one} {was.get(verb, verb)} {rest}".rstrip()
    if k == n > 1:
        return f"All {NUMBERS[n] if n < 10 else n} {noun} {did}"
    if k == 0:
        return f"None of the {n} {noun} {did}"
    few = f"{opened(NUMBERS[k])} of the {n} {noun} {did}" if k < 10 else ""
    return few or f"Of the {n} {noun}, {k} {did}"


def _below(value: float, ends: Iterable[tuple[float, str]], else_: str) -> str:
    return next((said for end, said in ends if value < end), else_)


def longer(ratio: float) -> str:
    """How people say a ratio of times: 1.8 is 'nearly twice as long'."""
    return _below(ratio, _LONGER, f"about {ratio:.0f} times as long")


def slowed(ratio: float) -> str:
    """What a seal did to drying, in a headline: 1.8 'nearly doubled drying time'."""
    return _below(ratio, _SLOWED, "more than tripled drying time")


def rate(times: float) -> str:
    """A share of another rate, as the end of a range: 'almost none', 'half', 'twice'."""
    return _below(times, _RATES, "many times")


def seal_noun(seal: str) -> str:
    """What was put on: 'paint', 'wax all over', 'wax on the end grain', or the name as typed."""
    return {"paint all over": "paint", "wax on end grain": "wax on the end grain"}.get(seal, seal)


def wood(species: str, among: Iterable[str] = ()) -> str:
    """'maple' of 'sugar maple', where no other wood of the book shares its last word."""
    last = species.split()[-1:] or [species]
    shared = [other for other in set(among) if other.split()[-1:] == last]
    return species if len(shared) > 1 else last[0]


def count(n: int, noun: str = "bowl") -> str:
    """'one bowl', '12 bowls'."""
    n = int(n)
    return f"{NUMBERS[n] if n < len(NUMBERS) else f'{n:,}'} {noun}{'' if n == 1 else 's'}"


def tally(n: int, noun: str = "piece") -> str:
    """'1 piece', '12 pieces': in figures, beside other figures."""
    return f"{n} {noun}{'' if n == 1 else 's'}"


def percent(share: float) -> str:
    """'12 %', '0.4 %': whole percents from one on."""
    return f"{100 * share:.0f} %" if not 0 < share < 0.01 else f"{100 * share:.1f} %"


def alike(lower: float, upper: float) -> bool:
    """Whether the whole range of a ratio lies within a tenth of no difference."""
    return bool(lower >= 0.9 and upper <= 1.1)


def chance(p: float) -> str:
    """'over 99 %', '62 %', 'under 1 %', or nothing: an estimated chance is never none or all."""
    if pd.isna(p):
        return ""
    return "over 99 %" if p > 0.99 else "under 1 %" if p < 0.01 else f"{100 * p:.0f} %"


def target(pct: float) -> str:
    """The moisture that is dry enough, with one rounding everywhere: whole, or a half as typed."""
    return f"{pct:.0f} %" if abs(pct % 1 - 0.5) > 1e-9 else f"{pct:.1f} %"


def opened(sentence: str) -> str:
    """The sentence with a capital, a small number at its head in words."""
    head, _, rest = sentence.partition(" ")
    if head.isdigit() and int(head) < 10:
        head = NUMBERS[int(head)]
    return f"{head[:1].upper()}{head[1:]} {rest}" if rest else head[:1].upper() + head[1:]


# Control characters, those that turn the reading order of what follows, those that XML has no
# place for, and three that the article marks its numbers by.
_LEFT_OUT = re.compile(
    "[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufeff\ufdd0-\ufdef\ud800-\udfff\ue000-\ue002"
    + "".join(chr(plane * 0x10000 + last) for plane in range(17) for last in (0xFFFE, 0xFFFF)) + "]"
)  # fmt: skip
_SPACES = re.compile(r"[^\S\u00a0\u202f]+")  # non-breaking ones hold a number to its unit


def one_line(value: Any, longest: int | None = None) -> str:
    """Text on one line of paper: nothing unprintable, cut with an ellipsis when too long.

    Examples
    --------
    >>> one_line("oak" + chr(10) + "  and" + chr(0) + " ash"), one_line("wax, twice, oil", 12)
    ('oak and ash', 'wax, twice,…')
    """
    text = _LEFT_OUT.sub("", _SPACES.sub(" ", str(value)))
    text = _SPACES.sub(" ", text).strip(" ")
    return text[: longest - 1].rstrip() + "…" if longest and len(text) > longest else text


def two(value: float) -> str:
    """Two figures at most: 0.098, 1.9, 12, 140."""
    if not np.isfinite(value):
        return ""
    if value == 0:
        return "0"
    value = float(f"{value:.2g}")
    return f"{value:.{max(0, 1 - int(np.floor(np.log10(abs(value)))))}f}"


def between(lower: float, upper: float) -> str:
    """'1.8 to 2.0', 'at most 0.39', or nothing."""
    if np.isfinite(lower) and lower > 0 and np.isfinite(upper):
        return f"{two(lower)} to {two(upper)}"
    return f"at most {two(upper)}" if np.isfinite(upper) else ""


def day(value: Any, beside: Any = None) -> str:
    """'17 June', with the year unless it is that of `beside`."""
    if pd.isna(value):
        return ""
    value = pd.Timestamp(value)
    same = beside is not None and pd.Timestamp(beside).year == value.year
    return f"{value.day} {value:%B}" + ("" if same else f" {value.year}")


def dates(earliest: Any, latest: Any, beside: Any) -> str:
    """A range of days: '3 to 17 June', 'not before 3 June'."""
    if pd.isna(earliest):
        return ""
    if pd.isna(latest):
        return f"not before {day(earliest, beside)}"
    one, other = pd.Timestamp(earliest), pd.Timestamp(latest)
    if one.normalize() == other.normalize():
        return day(other, beside)
    head = f"{one.day}" if (one.year, one.month) == (other.year, other.month) else day(one, other)
    return f"{head} to {day(other, beside)}"


def in_order(marks: Iterable[object]) -> list[str]:
    """A1, A2, A10: as a maker reads the shelf."""

    def key(mark: object) -> list[tuple[int, int, str]]:
        parts = re.findall(r"[0-9]+|[^0-9]+", str(mark))
        return [(0, int(x), "") if x[0] in "0123456789" else (1, 0, x) for x in parts]

    return [str(m) for m in sorted(marks, key=key)]


@dataclass(frozen=True)
class Units:
    """Units in which answers are given; what is kept stays in grams and millimetres.

    mass : "g", "kg" or "lboz"; length : "mm" or "in".

    Examples
    --------
    >>> METRIC.weight(1480.0), METRIC.length_of(5.0)
    ('1,480 g', '5 mm')
    >>> SHOWN_UNITS["lb-in"].weight(1480.0), SHOWN_UNITS["lb-in"].length_of(300.0)
    ('3 lb 4.2 oz', '11 13/16 in')
    """

    mass: str = "g"
    length: str = "mm"

    def weight(self, grams: float) -> str:
        """A mass as the scale shows it, or nothing where there is none."""
        if not np.isfinite(grams):
            return ""
        if self.mass == "lboz":
            ounces = round(grams / (G_PER_POUND / 16), 1)
            if ounces < 16:
                return f"{ounces or grams / (G_PER_POUND / 16):.{1 if ounces else 2}f} oz"
            return f"{int(ounces // 16)} lb {ounces % 16:.1f} oz"
        if self.mass == "kg":
            return f"{grams / 1000:.3f} kg"
        return f"{grams:,.{0 if grams >= 100 else 1}f} g"

    def length_of(self, mm: float, *, up: bool = False) -> str:
        """A length by the rule: to a millimetre, or to a sixteenth of an inch; `up` never less."""
        if not np.isfinite(mm):
            return ""
        if mm < 0:
            return f"-{self.length_of(-mm)}"
        steps = mm if self.length == "mm" else 16 * mm / MM_PER_INCH
        steps = math.ceil(round(steps, 6)) if up else round(steps)
        if self.length == "mm":
            return f"{steps} mm"
        whole, part = divmod(steps, 16)
        if not whole and not part:
            return "under 1/16 in" if mm > 0 else "0 in"
        step = np.gcd(part, 16)
        fraction = f"{part // step}/{16 // step}" if part else ""
        return f"{' '.join(filter(None, (str(whole) if whole else '', fraction)))} in"

    def between(self, low: float, high: float, *, up: bool = False) -> str:
        """'16 to 19 mm', or the one length that both ends are."""
        one, other = (self.length_of(mm, up=up) for mm in (low, high))
        return one if one == other else f"{one.removesuffix(f' {self.length}')} to {other}"

    def told(self, text: str) -> str:
        """Words with their millimetres and grams in these units; a wall to leave is rounded up.

        Examples
        --------
        >>> SHOWN_UNITS["lb-in"].told("open, 13 mm on 14 June; 1480 g, leave 18 to 21 mm")
        'open, 1/2 in on 14 June; 3 lb 4.2 oz, leave 3/4 to 7/8 in'
        >>> SHOWN_UNITS["lb-in"].told("wall: per 10 mm thicker")
        'wall: per 10 mm (about 3/8 in) thicker'
        """
        return _QUANTITIES.sub(self._quantity, text)

    def _quantity(self, found: re.Match[str]) -> str:
        lead, low, link, high, unit = found.groups("")
        if (self.length if unit == "mm" else self.mass) == unit:
            return found[0]
        if lead == "per ":  # a step of a scale stays: what is said of it is of just that step
            return found[0] if unit == "g" else f"{found[0]} (about {self.length_of(float(high))})"
        numbers = [float(n.replace(",", "")) for n in (low, high) if n]
        if unit == "g":
            return lead + link.join(map(self.weight, numbers))
        if link == " to under ":
            return link.join(map(self.length_of, numbers))
        return lead + self.between(numbers[0], numbers[-1], up=bool(lead))

    def told_of(self, column: str, text: str) -> str:
        """What stands in a cell of a column, by the unit in its name: '1480' of `mass_g`.

        Examples
        --------
        >>> METRIC.told_of("mass_g", "841 then 327"), METRIC.told_of("seal", "wax")
        ('841 g then 327 g', 'wax')
        """
        unit = column.rpartition("_")[2]
        if unit in ("mm", "g"):
            text = re.sub(r"(?<![\w.])\d+(?:\.\d+)?(?![\w.]| mm| g)", rf"\g<0> {unit}", text)
        return self.told(text)

    def size(self, mm: float) -> float:
        """The length [mm] nearest to this one that people say: 250 mm, or 10 in."""
        step = 10 if self.length == "mm" else MM_PER_INCH / (2 if mm < 12 * MM_PER_INCH else 1)
        return step * round(mm / step)

    def of_axis(self, unit: str, *, fine: bool = False) -> tuple[float, str]:
        """How many `mm` or `g` one unit of an axis is, and its name; `fine` for small masses."""
        if unit == "mm" and self.length == "in":
            return MM_PER_INCH, "in"
        if unit != "g" or self.mass == "g" or (fine and self.mass == "kg"):
            return 1.0, unit
        if self.mass == "kg":
            return 1000.0, "kg"
        return (G_PER_POUND / 16, "oz") if fine else (G_PER_POUND, "lb")


_QUANTITIES = re.compile(
    r"(?<![\d.,])((?:at least|[Ll]eave|per) )?(?:(\d[\d,]*(?:\.\d+)?)( to | to under ))?"
    r"(\d[\d,]*(?:\.\d+)?) (mm|g)\b(?! \(about)"
)
METRIC = Units()
SHOWN_UNITS = {"g-mm": METRIC, "kg-mm": Units("kg"), "lb-in": Units("lboz", "in")}
