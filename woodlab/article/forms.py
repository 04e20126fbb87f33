"""Numbers and dates in the form of a locale."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pandas as pd
from babel import Locale, UnknownLocaleError
from babel.dates import format_date, format_skeleton
from babel.numbers import format_decimal

from woodlab.errors import WoodlabError

BRITISH = "en_GB"  # the prose is British, so plain English is, too


@dataclass(frozen=True)
class Forms:
    """How one locale writes numbers and dates (by the Unicode locale data that babel carries).

    Examples
    --------
    >>> Forms("de").number(1234.5, 1), Forms("en").number(1234.5, 1)
    ('1.234,5', '1,234.5')
    >>> Forms("en").date("2026-01-12"), Forms("de").date("2026-01-12", year=False)
    ('12 January 2026', '12. Januar')
    """

    name: str = BRITISH

    def __post_init__(self) -> None:
        self.locale  # noqa: B018  refused here, not in the middle of an article

    @cached_property
    def locale(self) -> Locale:
        """The babel locale; WoodlabError for a name that babel does not know."""
        name = BRITISH if self.name == "en" else self.name
        try:
            return Locale.parse(name.replace("-", "_"))
        except (UnknownLocaleError, ValueError, TypeError, AttributeError) as error:
            raise WoodlabError(
                f"{self.name!r} is not a known locale. Type one such as en_GB, en_US, de or fr."
            ) from error

    def number(self, value: float, decimals: int = 0) -> str:
        """`value` with so many decimals; "not known" when it is none."""
        if value is None or not math.isfinite(value):
            return "not known"
        pattern = "#,##0" + (f".{'0' * decimals}" if decimals else "")
        text = format_decimal(
            round(value, decimals) + 0.0, format=pattern, locale=self.locale,
            numbering_system="latn",
        )  # fmt: skip
        return str(text)

    def date(self, day: Any, *, year: bool = True) -> str:
        """A date: "12 January 2026" (en_GB), "12. Januar" (de, without its year)."""
        stamp = pd.Timestamp(day)
        if year:
            return str(format_date(stamp.date(), "long", locale=self.locale))
        return str(format_skeleton("MMMMd", stamp.to_pydatetime(), locale=self.locale))
