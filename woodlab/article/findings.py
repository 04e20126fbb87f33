"""What an article is made of: findings (each number once), figures, and what is not known."""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from typing import Any

from woodlab.article.forms import Forms, decimals_for
from woodlab.errors import WoodlabError


@dataclass(frozen=True)
class Finding:
    """One number with its interval, where it comes from, and how it is written.

    Attributes
    ----------
    key : str
        Its name, unique in an article, such as `sealing.drying_time.wax`.
    value, ci_lower, ci_upper : float
        The estimate and its interval at `level`; NaN where there is none.
    unit : str
        "days", "mm", "%", or "ratio".
    n_pieces : int
        How many pieces it rests on; every sentence says so.
    call, where : str, dict
        The call that made it, and what picks its row there.
    certainty : str
        "clear", "likely", "alike", "cannot tell", or "" for a number that compares nothing.
    text, span : str
        Estimate, and interval, in the locale's form: the only forms in which they are printed.
    sentence, short : str
        The finding in words; and shortly, for the summary.
    """

    key: str
    value: float
    ci_lower: float
    ci_upper: float
    unit: str
    n_pieces: int
    call: str
    where: dict[str, Any] = field(default_factory=dict)
    n_logs: int | None = None
    level: float = 0.95
    certainty: str = ""
    text: str = ""
    span: str = ""
    sentence: str = ""
    short: str = ""

    @property
    def both(self) -> str:
        """Estimate and interval: "3.1 (2.6 to 3.7)"."""
        if not self.text:
            return self.span
        return f"{self.text} ({self.span})" if self.span else self.text

    def as_record(self) -> dict[str, Any]:
        """For article.json: infinite and missing numbers as null."""
        record = asdict(self)
        for name in ("value", "ci_lower", "ci_upper"):
            number = float(record[name])
            record[name] = number if math.isfinite(number) else None
        record["where"] = {name: str(value) for name, value in self.where.items()}
        return record


def written(
    forms: Forms,
    value: float,
    ci_lower: float,
    ci_upper: float,
    *,
    no_difference: float | None = None,
) -> dict[str, Any]:
    """`text` and `span` of a finding, to the figures that its interval allows.

    For a ratio give its `no_difference`, 1: no end of the interval is rounded onto it (1.04
    stays apart from 1), and a small ratio keeps a figure (0.03 is not 0).
    """
    if no_difference is not None and _is_wide(ci_lower, ci_upper):
        return _in_figures(forms, value, ci_lower, ci_upper, no_difference)
    decimals = decimals_for(ci_lower, ci_upper, value)
    if no_difference is not None:
        small = [v for v in (value, ci_lower) if math.isfinite(v) and 0 < v < 1]
        needed = [min(2, -math.floor(math.log10(v))) for v in small]
        decimals = max([decimals, *needed])  # 0.03, not 0
        ends = [end for end in (ci_lower, ci_upper) if math.isfinite(end) and end != no_difference]
        while decimals < 4 and any(round(end, decimals) == no_difference for end in ends):
            decimals += 1
    text = forms.number(value, decimals) if math.isfinite(value) else ""
    known = math.isfinite(ci_lower) or math.isfinite(ci_upper)
    return {"text": text, "span": forms.interval(ci_lower, ci_upper, decimals) if known else ""}


_WIDE = 20.0  # from this factor on, the ends of a ratio's interval share no decimal place
_MOST = 100  # a ratio beyond this factor, or below its inverse, is told as a bound


def _is_wide(ci_lower: float, ci_upper: float) -> bool:
    return math.isfinite(ci_upper) and 0 < ci_lower < ci_upper / _WIDE


def _in_figures(
    forms: Forms, value: float, ci_lower: float, ci_upper: float, no_difference: float
) -> dict[str, Any]:
    """A ratio known within a factor of many: two figures of each number, not as many decimals.

    Examples
    --------
    >>> _in_figures(Forms("en"), 10.1, 0.57, 262.1, 1.0)
    {'text': '10', 'span': '0.57 to above 100'}
    >>> _in_figures(Forms("en"), 0.047, 1.9e-5, 3.5, 1.0)["span"]
    'below 0.01 to 3.5'
    """

    def told(ratio: float) -> str:
        if ratio > _MOST:
            return f"above {forms.number(_MOST)}"
        if ratio < 1 / _MOST:
            return f"below {forms.number(1 / _MOST, 2)}"
        decimals = max(0, 1 - math.floor(math.log10(ratio)))
        while decimals < 4 and ratio != no_difference and round(ratio, decimals) == no_difference:
            decimals += 1
        return forms.number(ratio, decimals)

    text = told(value) if math.isfinite(value) else ""
    return {"text": text, "span": f"{told(ci_lower)} to {told(ci_upper)}"}


@dataclass(frozen=True)
class Figure:
    """A chart with its caption; the alt text is the chart's own description."""

    key: str
    chart: Any
    caption: str


@dataclass(frozen=True)
class Part:
    """What one study gives to the article.

    `told` are the sentences in the order in which they are printed; without it they are those
    of the findings.
    """

    findings: tuple[Finding, ...] = ()
    told: tuple[str, ...] = ()
    figures: tuple[Figure, ...] = ()
    unknown: tuple[str, ...] = ()
    to_try: tuple[str, ...] = ()
    method: tuple[str, ...] = ()
    failed: tuple[str, ...] = ()

    @property
    def sentences(self) -> tuple[str, ...]:
        """What the part says under "what we found"."""
        return self.told or tuple(
            found.sentence
            for found in self.findings
            if found.sentence and found.certainty not in ("cannot tell", "open", "nothing")
        )

    def finding(self, key: str) -> Finding | None:
        """The finding of that key, or None."""
        return next((found for found in self.findings if found.key == key), None)


def attempt(what: str, make: Callable[[], Part]) -> Part:
    """A part, or one that says in words why there is none.

    A WoodlabError is an answer (a table is missing, the data are too few) and goes among what
    is not known, as does, marked as a fault of the kit, any other error: an article about a
    season should not be lost to one study, nor should the fault go unsaid.
    """
    try:
        return make()
    except WoodlabError as error:
        return Part(unknown=(f"{what}: {first_sentence(error)}",))
    except Exception as error:  # noqa: BLE001
        fault = f"{type(error).__name__}: {error}"
        warnings.warn(f"the article goes without {what!r}: {fault}", RuntimeWarning, stacklevel=2)
        sentence = f"{what}: a fault in the kit kept this from being worked out ({fault})."
        return Part(unknown=(sentence,), failed=(what,))


def first_sentence(words: object, longest: int = 240) -> str:
    """The first sentence of an error or a reason, to stand within a sentence of ours."""
    text = " ".join(str(words).split())
    text = re.split(r"(?<=[.!?])\s+(?=[A-Z])", text, maxsplit=1)[0]
    if len(text) > longest:
        text = text[:longest].rsplit(" ", 1)[0] + " …"
    return text[:1].lower() + text[1:]
