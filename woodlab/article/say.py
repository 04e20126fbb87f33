"""Sentences and their numbers: every number printed is marked where it is made.

A marked number carries its place in the ledger through the text, so that `article.json` lists
exactly the numbers that a template printed, each with the call that makes it again. A sentence may
have several wordings: the book's hash picks where to begin, and the first that does not open
like the sentence before it is taken, so that the same book always gives the same text.
"""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

import pandas as pd
from babel import Locale, UnknownLocaleError
from babel.dates import format_date, format_skeleton
from babel.numbers import format_decimal

from woodlab import words
from woodlab.article.plain import Source, as_markdown
from woodlab.errors import WoodlabError
from woodlab.show import listed
from woodlab.words import METRIC, Units

LONGEST_NAME = 40
BRITISH = "en_GB"  # the prose is British, so plain English is, too
Sentence = str | tuple[str, list[str]]  # or a key and the ways to say it; empty: left out
_OPEN, _MIDDLE, _CLOSE = "\ue000", "\ue001", "\ue002"
_MARK = re.compile(f"{_OPEN}(-?[0-9]+){_MIDDLE}([^{_CLOSE}]*){_CLOSE}")
# What makes a number again, by the longest beginning of its key.
_CALLS = {
    "cracks": "wl.crack_study(book).first.used",
    "cracks.glued": "wl.crack_study(book).growth_by_action",
    "cracks.left": "wl.crack_study(book).growth_by_action",
    "cracks.none": "0.9 ** n: the chance that none of n bowls cracks, where one in ten does",
    "cracks.seen": "book.looks",
    "cracks.share": "wl.crack_study(book).rates",
    "cracks.thick_mm": "woodlab.pages.findings.THICK_MM",
    "method.level": "wl.crack_study(book).effects",
    "next": "normal approximation, two shares p and p / 2, 5 % two-sided, power 80 %; p from "
    "wl.crack_study(book).rates",
    "ready": "wl.forecast_ready(fits)",
    "ready.gone": "book.pieces",
    "ready.slow_wall": "book.pieces",
    "sealing": "wl.seal_study(fits).effects",
    "sealing.pairs": "wl.seal_study(fits).pairs",
    "sealing.weeks": "wl.seal_study(fits).by_seal",
    "season": "book.pieces",
    "season.day": "book.weighings",
    "season.looks": "book.looks",
    "season.lost": "book.weighings: first and last mass of each bowl",
    "season.weighings": "book.weighings",
    "walls.finished": "woodlab.article.parts.walls.FINISHED_WALL_MM",
    "walls.leave": "wl.wall_window(species, [rim]), thinnest_mm rounded up",
    "walls.moved": "wl.movement_study(fits).estimates",
    "walls.rim": "book.pieces: median rim_mm",
}


@dataclass(frozen=True)
class Number:
    """A printed number: its name, what it is exactly, how it reads, and what makes it again."""

    key: str
    value: Any
    text: str
    call: str
    ci_lower: float = math.nan
    ci_upper: float = math.nan
    certainty: str = ""
    sentence: str = ""

    def as_record(self) -> dict[str, Any]:
        """For article.json: infinite and missing numbers as null, dates as text."""

        def plain(value: Any) -> Any:
            if isinstance(value, pd.Timestamp):
                return str(value)[:10]
            return float(value) if math.isfinite(value) else None

        own = vars(self)
        return own | {name: plain(own[name]) for name in ("value", "ci_lower", "ci_upper")}


@dataclass
class Say:
    """The voice of one article: its numbers so far, its locale and units, its turns of phrase."""

    seed: str
    locale: Locale = field(default_factory=lambda: locale_of(BRITISH))
    units: Units = METRIC
    woods: Iterable[str] = ()  # of the season: a wood is named as short as they allow
    numbers: list[Number] = field(default_factory=list)
    printed: list[Number] = field(default_factory=list)

    def mark(self, text: str, key: str, value: Any, **more: Any) -> str:
        """The text of a number, marked with its place in the ledger."""
        call = _CALLS[max((head for head in _CALLS if key.startswith(head)), key=len)]
        self.numbers.append(Number(key, value, text, call, **more))
        return f"{_OPEN}{len(self.numbers) - 1}{_MIDDLE}{text}{_CLOSE}"

    def n(self, value: float, key: str, *, figures: bool = False) -> str:
        """A count: one to nine in words, the rest (and beside a unit all) in figures."""
        whole = round(value)
        if 0 <= whole < len(words.NUMBERS) and not figures:
            return self.mark(words.NUMBERS[whole], key, value)
        text = format_decimal(whole, "#,##0", self.locale, numbering_system="latn")
        return self.mark(str(text), key, value)

    def of(self, k: int, n: int, key: str) -> str:
        """'7 of 21', always in figures; 'none of 21'."""
        few = self.n(k, f"{key}.n", figures=True) if k else self.mark("none", f"{key}.n", 0)
        return f"{few} of {self.n(n, f'{key}.of', figures=True)}"

    def length(self, mm: float, key: str, *, up: bool = False) -> str:
        """'18 mm' or '3/4 in'; a wall to leave is rounded up."""
        return self.mark(self.units.length_of(mm, up=up), key, mm)

    def bowls(self, seal: str, n: int | None = None, key: str = "") -> str:
        """'23 painted bowls' with its number marked; without one, 'painted bowls'."""
        noun = words.bowls(self._seal(seal), 1 if n == 1 else None).removeprefix("1 ")
        return noun if n is None else f"{self.n(n, key)} {noun}"

    def ones(self, seal: str) -> str:
        """'bare ones': bowls of a seal, in a sentence that has said "bowls" already."""
        return re.sub(r"\bbowls\b", "ones", self.bowls(seal), count=1)

    def kind(self, seal: str) -> str:
        """'bare', 'with waxed end grain': what its bowls are."""
        return words.sealed(self._seal(seal))

    def noun(self, seal: str) -> str:
        """What was put on: 'paint', 'wax on the end grain', or the name as typed."""
        return words.seal_noun(self._seal(seal))

    def _seal(self, seal: str) -> str:
        return seal if seal in words.SEALS else self.name(seal)

    def wood(self, species: Any) -> str:
        """A wood's short name."""
        return self.name(words.wood(str(species), self.woods))

    def name(self, typed: Any) -> str:
        """A name out of the book: its digits are no numbers of ours."""
        return f"{_OPEN}-1{_MIDDLE}{words.one_line(typed, LONGEST_NAME)}{_CLOSE}"

    def day(self, value: Any, key: str, *, year: bool = False) -> str:
        """'12 January' in the locale's form; with the year where asked."""
        stamp = pd.Timestamp(value)
        long = format_date(stamp.date(), "long", locale=self.locale) if year else format_skeleton(
            "MMMMd", stamp.to_pydatetime(), locale=self.locale)  # fmt: skip
        return self.mark(str(long), key, stamp)

    def ratio(self, row: dict[str, Any], key: str, text: str = "") -> str:
        """'nearly twice as long', or the text given, with its limits on record."""
        more = {name: row[name] for name in ("ci_lower", "ci_upper", "certainty")}
        return self.mark(text or words.longer(row["ratio"]), key, row["ratio"], **more)

    def listed(self, items: Iterable[str], most: int = 12, last: str = "and") -> str:
        """'a, b and c'; a long list ends in 'others'."""
        items = list(items)
        items = items if len(items) <= most else [*items[: most - 1], "others"]
        return f" {last} ".join(listed(items, most=most).rsplit(" and ", 1))

    def pick(self, key: str, *choices: str) -> str:
        """The wording that this book has always had."""
        return choices[self._start(key, len(choices))]

    def paragraph(self, *sentences: Sentence) -> str:
        """Sentences as a paragraph, none opening like its neighbour; one without wording is out."""
        out: list[str] = []
        for given in sentences:
            key, choices = ("", [given]) if isinstance(given, str) else given
            options = [choice for choice in choices if choice]
            if not options:
                continue
            start = self._start(key, len(options))
            turned = [*options[start:], *options[:start]]
            last = _head(out[-1]) if out else ""
            said = capital(next((one for one in turned if _head(one) != last), turned[0]))
            out.append(said if unmarked(said).endswith((".", "!", "?", "…")) else f"{said}.")
        return " ".join(out)

    def _start(self, key: str, n: int) -> int:
        return int(hashlib.sha256(f"{self.seed}/{key}".encode()).hexdigest()[:8], 16) % n

    def as_printed(self, value: Any) -> str:
        """A value as a template prints it: plain characters, its numbers entered as printed."""
        if isinstance(value, Source):
            return value
        for said in re.split(r"(?<=[.!?]) ", str(value)):
            self.printed += [replace(self.numbers[int(at)], sentence=unmarked(said))
                             for at, _ in _MARK.findall(said) if int(at) >= 0]  # fmt: skip
        return as_markdown(unmarked(str(value)))

    def table_row(self, cells: Iterable[Any]) -> Source:
        """Cells as a row of a Markdown pipe table (a template's filter)."""
        return Source("| " + " | ".join(self.as_printed(cell) for cell in cells) + " |")


def locale_of(name: str) -> Locale:
    """The babel locale of a name; plain `en` is British.

    Raises
    ------
    WoodlabError
        If babel does not know it.
    """
    try:
        return Locale.parse((BRITISH if name == "en" else name).replace("-", "_"))
    except (UnknownLocaleError, ValueError, TypeError, AttributeError) as error:
        raise WoodlabError(
            f"{name!r} is not a known locale. Type one such as en_GB, en_US, de or fr."
        ) from error


def unmarked(text: str) -> str:
    """The text as it is printed."""
    return _MARK.sub(lambda found: found[2], text)


def _head(sentence: str) -> str:
    return unmarked(sentence).split(" ", 1)[0].lower()


def capital(text: str) -> str:
    """With a capital, inside a mark where it opens with one."""
    marked = re.match(f"{_OPEN}-?[0-9]+{_MIDDLE}", text)
    at = marked.end() if marked else 0
    return text[:at] + text[at : at + 1].upper() + text[at + 1 :]
