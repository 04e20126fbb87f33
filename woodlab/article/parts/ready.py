"""Which pieces are ready, and when the others will be."""

from __future__ import annotations

import pandas as pd

import woodlab as wl
from woodlab.article.findings import Finding, Part, first_sentence
from woodlab.article.forms import Forms
from woodlab.article.plain import short_name
from woodlab.book.record_book import RecordBook

CALL = "wl.forecast_ready(wl.fit_drying(book))"
_SURE = 0.95


def ready_part(book: RecordBook, forms: Forms) -> Part:
    """How many pieces are ready on the day of the last weighing, and the dates of the rest."""
    ready = wl.forecast_ready(wl.fit_drying(book))
    told = ready[ready["p_ready_now"].notna()]
    without = ready[ready["p_ready_now"].isna()]
    findings: list[Finding] = []
    if len(told):
        findings.append(_now(told, forms))
    later = told[(told["p_ready_now"] < _SURE) & told["ready_on"].notna()]
    later = later[later["ready_on"] > later["as_of"]]
    said = [found.sentence for found in findings]
    if len(later):
        said.append(_later(later, forms))
    never = told[told["ready_on"].isna()]
    unknown = [
        *_by_reason(never, "without a date", forms),
        *_by_reason(without, "without a forecast", forms),
    ]
    return Part(
        findings=tuple(findings),
        told=tuple(said),
        unknown=tuple(unknown),
        method=(
            "Dates come from many futures drawn from what is not known: the curve, the law, the "
            "air to come.",
        )
        if findings
        else (),
    )


def _now(told: pd.DataFrame, forms: Forms) -> Finding:
    sure = int((told["p_ready_now"] >= _SURE).sum())
    count = len(told)
    day = forms.date(told["as_of"].iloc[0])
    lowest, highest = told["target_moisture_pct"].min(), told["target_moisture_pct"].max()
    target = forms.number(lowest)
    if forms.number(highest) != target:
        target = forms.interval(lowest, highest)
    share = forms.share(sure, count)
    nan = float("nan")
    return Finding(
        key="ready.now", value=sure / count, ci_lower=nan, ci_upper=nan, unit="share",
        n_pieces=count, call=CALL, where={"p_ready_now": f">= {_SURE}"}, text=share,
        sentence=f"on {day}, {share} pieces were dry enough ({target} % moisture or less, each "
        f"with a chance of at least {forms.number(100 * _SURE)} %)",
        short=f"on {day}, {share} pieces were ready",
    )  # fmt: skip


def _later(later: pd.DataFrame, forms: Forms) -> str:
    first, last = later["earliest_on"].min(), later["latest_on"].max()
    level = forms.number(100 * float(later["level"].iloc[0]))
    end = f"and {forms.date(last)}" if last == last else "and a day beyond the forecast"
    start = forms.date(first) if first == first else forms.date(later["ready_on"].min())
    middle = later["ready_on"].sort_values().iloc[(len(later) - 1) // 2]
    return (
        f"{forms.count(len(later), 'more piece')} should follow between {start} {end} ({level} % "
        f"intervals), half of them by {forms.date(middle)}"
    )


def _by_reason(rows: pd.DataFrame, what: str, forms: Forms) -> list[str]:
    said = []
    for reason, group in rows.groupby(rows["reason"].fillna("").astype(str)):
        names = named(group["piece"], forms)
        why = f": {first_sentence(reason)}" if reason else ""
        said.append(f"{forms.count(len(group), 'piece')} {what} ({names}){why}")
    return said[:4]


def named(pieces: pd.Series, forms: Forms, most: int = 5) -> str:
    """The first few pieces by name, and how many more."""
    names = [short_name(name, 16) for name in pieces[:most]]
    if len(pieces) > most:
        names.append(f"{forms.number(len(pieces) - most)} more")
    return forms.listed(names)
