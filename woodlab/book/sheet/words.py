"""What makers write over their columns and among their weights, in English, German and French.

The words stand in `words.csv`, one row a meaning and language; `*` there stands for any ending.
Case, accents and `ß` do not matter. Common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from importlib.resources import files

import pandas as pd

from woodlab.book.tables import TABLES
from woodlab.book.units import MASS_WORDS, Unread, match_heading, read_quantity, spelled

# `check` is a crack, and also what is done with a scale: only with a place or a size behind it.
_CHECKS = r"checks?(?=\W+(?:\d|at\b|in\b|near\b|along\b|rim\b|end\b))"
_LENGTH_UNIT = re.compile(
    r"(?:[\s_]+in)?[\s(\[_,/-]*\b(mm|cm|in|inch|inches|zoll|pouces?)\b\W*$|[\s(\[]*[\"\u2033\u201d]\W*$",
    re.I,
)
_MASS_UNIT = re.compile(r"[\s(\[_,/]+(?:in |en )?\(?([a-z#]+)\.?\s*[)\]]?\s*$", re.I)
_SIZE = re.compile(
    r"(?<![\d/.,])((?:\d+\s+)?\d+/\d+|\d+(?:[.,]\d+)?)\s*"
    r"((?:mm|cm|in|inch|inches|zoll|pouces?)(?!\w)|[\"\u2033\u201d])",
    re.I,
)


def folded(text: object) -> str:
    """Without case and accents: `Wandstärke` is `wandstarke`, `Fuß` is `fuss`."""
    letters = unicodedata.normalize("NFKD", str(text).casefold())
    return " ".join("".join(c for c in letters if not unicodedata.combining(c)).split())


@cache
def vocabulary(kind: str) -> dict[str, str]:
    """Folded word to meaning, of one kind of words."""
    with files("woodlab.book.sheet").joinpath("words.csv").open(encoding="utf-8") as handle:
        frame = pd.read_csv(handle, dtype=str, keep_default_na=False)
    found: dict[str, str] = {}
    for row in frame[frame["kind"] == kind].itertuples(index=False):
        for word in row.words.split(";"):
            found.setdefault(word, row.meaning)
    return found


@cache
def _pattern(kind: str) -> tuple[tuple[re.Pattern[str], str], ...]:
    """One pattern a meaning, in the order of the file."""
    words: dict[str, list[str]] = {}
    for word, meaning in vocabulary(kind).items():
        words.setdefault(meaning, []).append(re.escape(word).replace(r"\*", r"\w*"))
    if kind == "crack":
        words["yes"].append(_CHECKS)
    return tuple(
        (re.compile(rf"(?<!\w)(?:{'|'.join(sorted(alike, key=len, reverse=True))})(?!\w)"), meaning)
        for meaning, alike in words.items()
    )


@dataclass(frozen=True)
class Heading:
    """What a heading means: a column of the book, `mass`, `crack`, ... or nothing known.

    `near` is the word that an unknown one is most like, `read` the word by which a misspelt one
    was understood.
    """

    meaning: str = ""
    unit: str | None = None
    near: str = ""
    read: str = ""


@cache
def heading(text: str) -> Heading:
    """The meaning of a heading, with its unit.

    Examples
    --------
    >>> heading("Wandstärke (cm)").meaning, heading("Poids en kg").unit, heading("Woodkind").near
    ('wall_mm', 'kg', 'wood')
    """
    own = match_heading(text, TABLES["pieces"])
    if own is not None and own.column.name != "piece":
        return Heading(own.column.name, own.unit or None)
    unit, rest = heading_unit(text)
    words = vocabulary("heading")
    plain = re.sub(r"[^\w#%]+", " ", folded(rest)).strip()
    if plain in words:
        return Heading(words[plain], unit)
    if unit in ("g", "kg", "lb", "oz") and folded(text).strip(" ().[]") in MASS_WORDS:
        return Heading("mass", unit)
    parts = plain.split()
    meanings = [words[part] for part in parts if part in words]
    if {"seal", "mass"} <= set(meanings):
        return Heading("seal_g", unit)
    # `crack mm`, `loss of weight`, `diameter of bowl`: what is measured counts, not of what
    rank = {"crack": 0, "other": 1, "piece": 3, "on": 4, "number": 5}
    if meanings:
        return Heading(min(meanings, key=lambda m: rank.get(m, 2)), unit)
    for part in sorted(parts, key=len, reverse=True):
        if len(part) > 3 and (near := _alike(part, 4, 0.8)):
            return Heading(words[near], unit, read=near)
    near = next(filter(None, (_alike(part, 3, 0.6) for part in parts if len(part) > 2)), "")
    return Heading(unit=unit, near=near)


def _alike(part: str, least: int, cutoff: float) -> str:
    """The known word that a part of a heading is most like."""
    known = [word for word in vocabulary("heading") if len(word) >= least]
    return next(iter(get_close_matches(part, known, 1, cutoff=cutoff)), "")


def heading_unit(text: str) -> tuple[str | None, str]:
    """The unit at the end of a heading or of a mark, `A1 (lbs)`, and the text without it."""
    end = _LENGTH_UNIT.search(text)
    if end and end.start() > 0:
        unit = (end[1] or "in").casefold()
        return ("in" if unit[0] in "izp" else unit), text[: end.start()].strip()
    end = _MASS_UNIT.search(text)
    if end and end.start() > 0 and folded(end[1]) in MASS_WORDS:
        return MASS_WORDS[folded(end[1])], text[: end.start()].strip()
    return MASS_WORDS.get(folded(text).strip(" ().[]")), text


@dataclass(frozen=True)
class Said:
    """What words say of a bowl on a day; empty strings where they say nothing of it.

    `ended` is true where the bowl is gone; `outcome` says how, if the words do.
    """

    crack: str = ""
    crack_mm: float | None = None
    where: str = ""
    event: str = ""
    ended: bool = False
    outcome: str = ""

    @property
    def known(self) -> bool:
        return bool(self.crack or self.event or self.ended)


def read_words(text: str) -> Said:
    """Cracks, ends and events in a maker's words: `Riss am Rand, 12 mm`, `cracked, firewood`."""
    plain = folded(text)
    crack, length = "", None
    ((cracks, _),) = _pattern("crack")
    for match in cracks.finditer(plain):
        before = " ".join(plain[: match.start()].split()[-3:])
        denied = any(pattern.search(before) for pattern, _ in _pattern("negation"))
        crack = crack if crack == "yes" else "no" if denied else "yes"
    if crack == "yes" and (size := _SIZE.search(spelled(text))):
        length = read_length(size[0])
    said = {kind: [meaning for pattern, meaning in _pattern(kind) if pattern.search(plain)]
            for kind in ("event", "where", "end")}  # fmt: skip
    # `gone` alone is an end; in `bark gone` it is not
    alone = any(pattern.fullmatch(plain.strip(" .!,;-")) for pattern, m in _pattern("end") if not m)
    outcome = next(filter(None, said["end"]), "")
    where = said["where"][0] if crack and said["where"] else ""
    event = said["event"][-1] if said["event"] else ""
    return Said(crack, length, where, event, bool(outcome) or alone, outcome)


def read_length(text: str, unit: str = "mm") -> float | None:
    """A length [mm] that stands alone (`1/2"`, `0,8 cm`, `3`); None for anything else."""
    try:
        length = read_quantity(text, "mm", unit, comma_decimals="." not in text)[0]
    except Unread:
        return None
    return length if length >= 0 else None


def is_total(label: str) -> bool:
    """Whether a row's name says that it sums up the others."""
    ((pattern, _),) = _pattern("total")
    return pattern.match(folded(label).lstrip(" *-=:.(")) is not None


def yes_or_no(cell: object) -> str:
    """`yes`, `no`, or nothing where the cell is neither word."""
    plain = folded(cell).strip(" .!")
    return vocabulary("yes").get(plain) or vocabulary("no").get(plain) or ""
