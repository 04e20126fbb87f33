"""Sentences and their numbers: every number printed is marked where it is made.

A marked number carries its place in the ledger through the text, so that `article.json` lists
exactly the numbers that were printed, each with the call that makes it again, and a number that
nobody recorded is warned of (`Say.settled`). A sentence is one of several wordings: the book's hash picks
where to begin, and the first that does not open like the sentence before it is taken, so that the
same book always gives the same text.
"""

from __future__ import annotations

import hashlib
import math
import re
import warnings
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from woodlab import words
from woodlab.article.forms import Forms
from woodlab.article.plain import short_name
from woodlab.show import listed

_OPEN, _MIDDLE, _CLOSE = "\ue000", "\ue001", "\ue002"
_MARK = re.compile(f"{_OPEN}(-?[0-9]+){_MIDDLE}([^{_CLOSE}]*){_CLOSE}")


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

    def as_record(self) -> dict[str, Any]:
        """For article.json: infinite and missing numbers as null, dates as text."""

        def plain(value: Any) -> Any:
            if isinstance(value, (pd.Timestamp, str)):
                return str(value)[:10] if isinstance(value, pd.Timestamp) else value
            return float(value) if math.isfinite(value) else None

        return {
            "key": self.key, "value": plain(self.value), "text": self.text, "call": self.call,
            "ci_lower": plain(self.ci_lower), "ci_upper": plain(self.ci_upper),
            "certainty": self.certainty,
        }  # fmt: skip


@dataclass
class Say:
    """The voice of one article: its numbers so far, and which wording comes next."""

    seed: str
    forms: Forms
    numbers: list[Number] = field(default_factory=list)
    used: set[str] = field(default_factory=set)

    def mark(self, text: str, key: str, value: Any, call: str, **more: Any) -> str:
        """The text of a number, marked with its place in the ledger."""
        self.numbers.append(Number(key, value, text, call, **more))
        return f"{_OPEN}{len(self.numbers) - 1}{_MIDDLE}{text}{_CLOSE}"

    def n(self, value: float, key: str, call: str, *, figures: bool = False, **more: Any) -> str:
        """A count: one to nine in words, the rest (and beside a unit all) in figures."""
        whole = int(round(value))
        small = 0 <= whole < len(words.NUMBERS) and not figures
        text = words.NUMBERS[whole] if small else self.forms.number(whole)
        return self.mark(text, key, value, call, **more)

    def of(self, k: int, n: int, key: str, call: str) -> str:
        """'7 of 21', always in figures; 'none of 21'."""
        few = self.mark("none", f"{key}.n", 0, call) if k == 0 else ""
        pair = (
            few or self.n(k, f"{key}.n", call, figures=True),
            self.n(n, f"{key}.of", call, figures=True),
        )
        return f"{pair[0]} of {pair[1]}"

    def bowls(self, seal: str, n: int | None = None, key: str = "", call: str = "") -> str:
        """'23 painted bowls' with its number marked; without one, 'painted bowls'."""
        noun = words.bowls(self.seal(seal), None)
        if n == 1:
            noun = re.sub(r"\bbowls\b", "bowl", noun, count=1)
        return noun if n is None else f"{self.n(n, key, call)} {noun}"

    def ones(self, seal: str) -> str:
        """'bare ones': bowls of a seal, in a sentence that has said "bowls" already."""
        return re.sub(r"\bbowls\b", "ones", self.bowls(seal), count=1)

    def listing(self, items: Iterable[str]) -> str:
        """'a, b or c'."""
        return " or ".join(self.listed(items).rsplit(" and ", 1))

    def seal(self, seal: str) -> str:
        """A seal's name as typed, made fit to print and marked as a name."""
        return seal if seal in words.SEALS else self.name(seal)

    def name(self, typed: Any) -> str:
        """A name out of the book: its digits are no numbers of ours."""
        return f"{_OPEN}-1{_MIDDLE}{short_name(typed)}{_CLOSE}"

    def day(
        self, value: Any, key: str, call: str, *, year: bool = False, month: bool = False
    ) -> str:
        """'12 January', 'early March'; with the year where asked."""
        stamp = pd.Timestamp(value)
        if month:
            third = ("early ", "mid-", "late ")[min((stamp.day - 1) // 10, 2)]
            text = f"{third}{stamp:%B}" + (f" {stamp.year}" if year else "")
        else:
            text = self.forms.date(stamp, year=year)
        return self.mark(text, key, stamp, call)

    def ratio(self, row: dict[str, Any], key: str, call: str) -> str:
        """'nearly twice as long', a number in words with its limits on record."""
        more = {k: row[k] for k in ("ci_lower", "ci_upper", "certainty")}
        return self.mark(words.longer(row["ratio"]), key, row["ratio"], call, **more)

    def span(self, row: dict[str, Any], key: str, call: str) -> str:
        """'1.7 to 1.9': the one range a sentence may have."""
        more = {k: row[k] for k in ("ci_lower", "ci_upper", "certainty")}
        low, high = words.two(row["ci_lower"]), words.two(row["ci_upper"])
        return self.mark(f"{low} to {high}", f"{key}.range", row["ratio"], call, **more)

    def listed(self, items: Iterable[str], most: int = 12) -> str:
        """'a, b and c'; a long list ends in 'others'."""
        items = list(items)
        return listed(items if len(items) <= most else [*items[: most - 1], "others"], most=most)

    def pick(self, key: str, *choices: str) -> str:
        """The wording that this book has always had."""
        return choices[self._start(key, len(choices))]

    def paragraph(self, *sentences: tuple[str, Sequence[str] | str]) -> str:
        """Sentences (a key and its wordings) as a paragraph, none opening like its neighbour."""
        out: list[str] = []
        for key, choices in sentences:
            options = [choices] if isinstance(choices, str) else [c for c in choices if c]
            options = [option for option in options if option]
            if not options:
                continue
            start = self._start(key, len(options))
            turned = [*options[start:], *options[:start]]
            last = _head(out[-1]) if out else ""
            said = next((option for option in turned if _head(option) != last), turned[0])
            out.append(_sentence(said))
        return " ".join(out)

    def _start(self, key: str, n: int) -> int:
        return int(hashlib.sha256(f"{self.seed}/{key}".encode()).hexdigest()[:8], 16) % n

    def settled(self, text: str) -> tuple[str, list[Number]]:
        """The text without marks, and the numbers in it.

        A number in the text that nobody recorded is a fault of the kit, and is warned of.
        """
        loose = re.search(r"[0-9]+", _MARK.sub("", text))
        if loose:
            warnings.warn(
                f"the article has a number without a source, {loose[0]}, in "
                f"{unmarked(text)[:160]!r}. Please report it with this text.",
                RuntimeWarning,
                stacklevel=2,
            )
        found = [self.numbers[int(i)] for i, _ in _MARK.findall(text) if int(i) >= 0]
        return unmarked(text), found


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


def _sentence(text: str) -> str:
    text = capital(text)
    return text if unmarked(text).endswith((".", "!", "?", "…")) else text + "."
