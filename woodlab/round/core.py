"""What the page, the sheet and the way back share: the round, its units, its odd values."""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import pandas as pd

from woodlab import words
from woodlab.book.writing.adding import LEAST_LEFT
from woodlab.drying.forecast.cracks import NONE_SEEN, NOT_LOOKED
from woodlab.words import G_PER_POUND, Units

FORMAT = "woodlab-round-2"
CRACKS = ("none", "still", "new")
ENDS = ("finished", "scrapped", "given away")
ACTIONS = ("none", "glued", "resealed", *ENDS)
UNITS = {"g": 1.0, "kg": 1000.0, "lboz": G_PER_POUND}
G_PER_OZ = G_PER_POUND / 16
LONGEST_CRACK_MM, THICKEST_WALL_MM = 2000, 300
# What stands above the rows of the sheet, beside the cells to fill in.
LABELS = (
    "Weighed on", "Every bowl looked at for cracks?", "weighed by",
    "Yes: an empty crack cell means none, save where one is known. Rows at the end: bowls that are "
    "not on the list. Wall: of a bowl that was finished.",
)  # fmt: skip
SLIPS = (10, 0.1, 100, 0.01, 1000, 0.001)


class Band(NamedTuple):
    """The weights expected of a bowl [g]; infinite where a side is not known."""

    lower_g: float = -math.inf
    upper_g: float = math.inf

    @classmethod
    def of(cls, lower_g: float | None, upper_g: float | None) -> Band:
        return cls(-math.inf if lower_g is None else lower_g,
                   math.inf if upper_g is None else upper_g)  # fmt: skip

    def is_odd(self, grams: float) -> bool:
        return not self.lower_g <= grams <= self.upper_g

    def fits(self, grams: float) -> bool:
        """Inside the band; a bowl with an upper limit only fits nothing for certain."""
        return math.isfinite(self.upper_g - self.lower_g) and not self.is_odd(grams)

    def misses_by_little(self, grams: float) -> bool:
        """Outside by less than half the band's width: more likely the weather than another bowl."""
        half = (self.upper_g - self.lower_g) / 2
        return math.isfinite(half) and self.lower_g - half < grams < self.upper_g + half

    def text(self, unit: str) -> str:
        if not math.isfinite(self.upper_g):
            return "not known"
        high = weight_text(self.upper_g, unit)
        if not math.isfinite(self.lower_g):
            return f"up to {high}"
        low = weight_text(self.lower_g, unit)
        if unit != "lboz":
            return f"{low.removesuffix(f' {unit}')}–{high}"
        if low.split(" lb ")[0] == high.split(" lb ")[0]:  # 4 lb 11.8–14.1 oz
            return f"{low.removesuffix(' oz')}–{high.split(' lb ')[1]}"
        return f"{low}–{high}"


# A line of the round, which is the page's data; `known` is a crack, open or glued.
BOWL = ("mark", "wood", "seal", "place", "do", "note", "last_g", "last_on", "expected_g",
        "lower_g", "upper_g", "known")  # fmt: skip


@dataclass(frozen=True)
class Round:
    """A round to fill in. `id` is of the day, the unit and the marks: the same round made twice is
    the same, and figures that a phone still holds are never taken up under another unit or list."""

    id: str
    on: str
    book: str
    unit: str  # of weights, as in `UNITS`
    length: str  # mm or in
    bowls: tuple[Any, ...]  # each with the fields of `BOWL`


def round_of(tour: Any, most: int | None, units: Units) -> Round:
    """The most urgent bowls of a `ShopRound`, those to weigh first, in shelf order."""
    due = tour.due
    if most is not None:
        weighed = due["do"].str.contains("weigh")
        due = pd.concat([due[weighed], due[~weighed]]).head(most)
    order = {mark: i for i, mark in enumerate(words.in_order(due["piece"]))}
    known = ~due["crack"].isin([NONE_SEEN, NOT_LOOKED])
    # A young curve's band may reach down to nothing; below half of the last weight the book itself
    # takes a figure for a slip, so the question is asked at the scales.
    low = due["lower_g"].clip(lower=LEAST_LEFT * due["last_g"])
    table = due.assign(
        lower_g=low, note=due["crack"].where(known, "").map(units.told), known=known,
        last_on=due["last_on"].dt.strftime("%Y-%m-%d"),
    ).rename(columns={"piece": "mark", "species": "wood"})  # fmt: skip
    table = table[list(BOWL)].round(2).astype(object)
    text = ["wood", "seal", "place", "last_on"]
    table = table.fillna(dict.fromkeys(text, "")).replace({float("nan"): None})
    bowls = sorted(
        table.itertuples(index=False, name="Bowl"), key=lambda b: (b.place, order[b.mark])
    )
    on = f"{tour.on:%Y-%m-%d}"
    kept_in = units.mass if units.length == "mm" else f"{units.mass}, {units.length}"
    marks = "\0".join([tour.book_name or "", on, kept_in, *(b.mark for b in bowls)])
    identity = f"{on}-{hashlib.sha256(marks.encode()).hexdigest()[:8]}"
    name = tour.book_name or "the book"
    return Round(identity, on, name, units.mass, units.length, tuple(bowls))


def grams_of(text: object, unit: str, ounces: object = "") -> float | None:
    """Typed text in grams; None for nothing typed; NaN for what is no weight."""
    typed = [str(part or "").strip() for part in (text, ounces)]
    if not any(typed):
        return None
    parts = [_number(part) if part else 0.0 for part in typed]
    if math.isnan(sum(parts)):
        return math.nan
    total = parts[0] * UNITS[unit] + (parts[1] * G_PER_OZ if unit == "lboz" else 0.0)
    return total if total > 0 else math.nan


def _number(text: str) -> float:
    text = text.replace(",", ".")
    return float(text) if re.fullmatch(r"[0-9]+\.?[0-9]*|\.[0-9]+", text) else math.nan


def weight_text(grams: float | None, unit: str, named: bool = True) -> str:
    """A weight as it is read off the scale: `1480 g`, `1.480 kg`, `4 lb 8.0 oz`."""
    text = "" if grams is None else Units(unit).weight(grams).replace(",", "")
    return text if named else text.removesuffix(f" {unit}")


@dataclass(frozen=True)
class Question:
    """A weight outside its band, and what it may be: `kind` is `swapped`, `slip`, `other`, `odd`,
    or `unknown` of a mark that the book does not have; `other` names the second bowl, or the one
    that the mark is near to; `grams` is the weight without its slip."""

    mark: str
    kind: str
    said: str
    other: str = ""
    grams: float | None = None

    @property
    def can(self) -> list[str]:
        """What may be answered."""
        unknown = self.kind == "unknown"
        mends = self.kind in ("swapped", "slip") or (unknown and self.other)
        return [*(["mend"] if mends else []), *([] if unknown else ["keep"]), "leave"]


def questions(
    bands: Mapping[str, Band], weights: Mapping[str, float], unit: str = "g"
) -> list[Question]:
    """Weights outside their bands, each with what it may be; a swapped pair is told once."""
    asked: list[Question] = []
    odd = [m for m, g in weights.items() if m in bands and bands[m].is_odd(g)]
    while odd:
        mark, *odd = odd
        band, grams = bands[mark], weights[mark]
        said = f"{mark}: {weight_text(grams, unit)}, expected {band.text(unit)}"
        swap = next((o for o in odd if bands[o].fits(grams) and band.fits(weights[o])), None)
        slip = next((grams * f for f in SLIPS if band.fits(grams * f)), None)
        fits = [o for o in bands if o != mark and o not in weights and bands[o].fits(grams)]
        if swap:
            odd.remove(swap)
            has = weight_text(weights[swap], unit)
            said += f"; {swap} has {has}: each fits the other. Swapped?"
            asked.append(Question(mark, "swapped", said, swap))
        elif slip:
            said += f". A slip of the decimal point: {weight_text(slip, unit)}?"
            asked.append(Question(mark, "slip", said, grams=round(slip, 3)))
        elif fits and not band.misses_by_little(grams):
            said += f". It would fit {' or '.join(fits[:2])}, which has none."
            asked.append(Question(mark, "other", said, fits[0]))
        else:
            asked.append(Question(mark, "odd", f"{said}. Wrong bowl, wrong scale, wax fallen off?"))
    return asked
