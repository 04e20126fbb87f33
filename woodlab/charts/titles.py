"""The rule for chart titles: a finding of at most ten words, worded as surely as the data allow.

The subtitle names the measure and its unit. How sure a comparison is comes from
`woodlab.words.certainty` alone; each wording of a claim is written out, since an adverb that a
program slots in reads like one. Names out of a book may be long: `fitting` takes the first of
several wordings that fits, the last of which names nothing.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.errors import WoodlabError

MOST_WORDS = 10


@dataclass(frozen=True)
class Claim:
    """The wordings of one comparison. `open` names the question; `alike` may be left out."""

    more: str
    less: str
    likely_more: str
    likely_less: str
    open: str
    alike: str = ""

    def said(self, ratio: float, sure: str, lower: float = np.nan, upper: float = np.nan) -> str:
        """The wording for a ratio of this certainty.

        Examples
        --------
        >>> wax = Claim("Waxed bowls dried slower", "Waxed bowls dried faster",
        ...             "Waxed bowls probably dried slower", "Waxed bowls probably dried faster",
        ...             "Does wax slow drying? Too few bowls to tell")
        >>> wax.said(2.9, "clear"), wax.said(1.3, "likely"), wax.said(1.1, "open")
        ('Waxed bowls dried slower', 'Waxed bowls probably dried slower', 'Does wax slow ... tell')
        """
        if self.alike and words.alike(lower, upper):
            return fitting(self.alike)
        if sure not in ("clear", "likely"):
            return fitting(self.open)
        middle = ratio if np.isfinite(ratio) else upper if lower <= 0 else lower
        if sure == "clear":
            return fitting(self.more if middle > 1 else self.less)
        return fitting(self.likely_more if middle > 1 else self.likely_less)

    def of(self, row: pd.Series | None, ratio: str = "ratio") -> str:
        """The wording for a row of a study's effects with how `sure` it is; without one, `open`."""
        if row is None:
            return fitting(self.open)
        return self.said(row[ratio], row["sure"], row["ci_lower"], row["ci_upper"])


def surest(effects: pd.DataFrame) -> pd.Series | None:
    """The row that says most: a clear one before a likely one, then the smallest p; how `sure`."""
    if not len(effects):
        return None
    rows = effects.assign(sure=certainties(effects))
    rank = rows["sure"].map({"clear": 0, "likely": 1}).fillna(2)
    return rows.assign(rank=rank).sort_values(["rank", "p_value"], kind="stable").iloc[0]


def slower(effects: pd.DataFrame | None, seals: Iterable[str]) -> str:
    """What the slowest of these seals cost in time this season; nothing where no study tells."""
    if effects is None:
        return ""
    rows = this_season(effects)
    rows = rows[(rows["outcome"] == "drying_time") & rows["ratio"].notna()]
    rows = rows.assign(sure=certainties(rows))
    rows = rows[rows["seal"].isin(list(seals))].sort_values("ratio")
    if not len(rows):
        return ""
    row = rows.iloc[-1]
    claim = Claim(
        more=fitting(
            f"{words.seal_noun(row['seal'])} {words.slowed(row['ratio'])}",
            "Sealed bowls dry slower than bare ones",
        ),
        less="Sealed bowls dry sooner than bare ones",
        likely_more="Sealed bowls probably dry slower than bare ones",
        likely_less="Sealed bowls probably dry sooner than bare ones",
        alike="Bare and sealed bowls dry equally fast",
        open="Do sealed bowls dry slower? Too few to tell",
    )
    return claim.of(row)


def certainties(effects: pd.DataFrame) -> pd.Series:
    """The certainty of each row of a study's `effects`: its own column, or made from `p_value`."""
    if "certainty" not in effects:
        events = effects["n_cracked"].fillna(np.inf) if "n_cracked" in effects else None
        effects = words.judged(effects.assign(family=effects.get("outcome", "all")), events)
    return effects["certainty"].fillna("nothing").astype(str)


def this_season(effects: pd.DataFrame) -> pd.DataFrame:
    """The rows about the season's own pieces; those of a season to come are left out."""
    return effects[effects["scope"] == "this season"] if "scope" in effects else effects


def fitting(*choices: str) -> str:
    """The first wording of at most ten words, with a capital.

    Raises
    ------
    WoodlabError
        When none fits: a title is never cut, since a cut one says something else.

    Examples
    --------
    >>> fitting("one two three four five six seven eight nine ten eleven", "too long to be told")
    'Too long to be told'
    """
    for text in choices:
        if text and word_count(text) <= MOST_WORDS:
            return text[:1].upper() + text[1:]
    raise WoodlabError(f"a title has at most {MOST_WORDS} words; found {choices[-1]!r}. Say less.")


def word_count(text: str) -> int:
    """Words with a letter or a digit in them."""
    return len([word for word in text.split() if re.search(r"\w", word)])


def wrapped(text: str, width_px: float, font_px: float, em: float = 0.5) -> list[str]:
    """Lines of a width; an average letter is `em` of its size wide."""
    return textwrap.wrap(text, max(16, int(width_px / (font_px * em)))) or [""]
