"""Numbers, dates and lists in the form of a locale."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import pandas as pd
from babel import Locale, UnknownLocaleError
from babel.dates import format_date
from babel.lists import format_list
from babel.numbers import format_decimal

from woodlab.errors import WoodlabError

# No percentages of few: below this many pieces a share is told as "3 of 8".
FEWEST_FOR_PERCENT = 20


@dataclass(frozen=True)
class Forms:
    """How one locale writes numbers and dates (by the Unicode locale data that babel carries).

    Examples
    --------
    >>> Forms("de").number(1234.5, 1), Forms("en").number(1234.5, 1)
    ('1.234,5', '1,234.5')
    """

    name: str = "en"

    def __post_init__(self) -> None:
        self.locale  # noqa: B018  refused here, not in the middle of an article

    @cached_property
    def locale(self) -> Locale:
        """The babel locale; WoodlabError for a name that babel does not know."""
        try:
            return Locale.parse(self.name.replace("-", "_"))
        except (UnknownLocaleError, ValueError, TypeError, AttributeError) as error:
            raise WoodlabError(
                f"{self.name!r} is not a known locale. Type one such as en, en_GB, de or fr."
            ) from error

    def number(self, value: float, decimals: int = 0) -> str:
        """`value` with so many decimals; "not known" when it is none."""
        if value is None or not math.isfinite(value):
            return "not known"
        zeros = "0" * decimals
        pattern = "#,##0" + (f".{zeros}" if decimals else "")
        text = format_decimal(
            round(value, decimals) + 0.0,
            format=pattern,
            locale=self.locale,
            numbering_system="latn",
        )
        return str(text)

    def interval(self, lower: float, upper: float, decimals: int = 0) -> str:
        """An interval: "2.6 to 3.7"; an open end as "above" or "below"."""
        if math.isfinite(lower) and math.isfinite(upper):
            return f"{self.number(lower, decimals)} to {self.number(upper, decimals)}"
        if math.isfinite(lower):
            return f"above {self.number(lower, decimals)}"
        if math.isfinite(upper):
            return f"below {self.number(upper, decimals)}"
        return "not known"

    def date(self, day: Any, width: str = "long") -> str:
        """A date: "March 9, 2026" (en), "9. März 2026" (de), "9 mars 2026" (fr)."""
        stamp = pd.Timestamp(day)
        if stamp is pd.NaT:
            return "not known"
        return str(format_date(stamp.date(), format=width, locale=self.locale))  # type: ignore[arg-type]

    def count(self, number: int, one: str, many: str | None = None) -> str:
        """A counted noun: "1 piece", "12 pieces"."""
        return f"{self.number(number)} {one if number == 1 else many or one + 's'}"

    def share(self, part: int, whole: int) -> str:
        """ "3 of 8", and only for 20 or more the percentage beside it: "12 of 40 (30 %)".

        Examples
        --------
        >>> Forms("en").share(3, 8), Forms("en").share(12, 40)
        ('3 of 8', '12 of 40 (30 %)')
        """
        text = f"{self.number(part)} of {self.number(whole)}"
        if whole >= FEWEST_FOR_PERCENT:
            text += f" ({self.number(100 * part / whole)} %)"
        return text

    def listed(self, items: Iterable[str]) -> str:
        """ "a, b and c". The joining word stays English, as the article's text is."""
        names = list(items)
        return str(format_list(names, locale="en_GB")) if names else ""


def decimals_for(*values: float) -> int:
    """Decimals that the interval's half width asks for, one figure of it; between 0 and 4.

    Examples
    --------
    >>> decimals_for(2.61, 3.72), decimals_for(41.0, 73.0), decimals_for(0.91, 1.05)
    (1, 0, 2)
    """
    finite = [value for value in values if math.isfinite(value)]
    width = max(finite) - min(finite) if len(finite) > 1 else 0.0
    if width <= 0:
        width = max((abs(value) for value in finite), default=1.0) / 2 or 1.0
    return max(0, min(4, -math.floor(math.log10(width / 2))))
