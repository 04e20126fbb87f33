"""Which pieces are ready, and when the others will be."""

from __future__ import annotations

import math

import pandas as pd

from woodlab.article.asked import Asked
from woodlab.article.findings import Finding, Part, first_sentence
from woodlab.article.forms import Forms
from woodlab.article.plain import short_name

CALL = "wl.forecast_ready(wl.fit_drying(book))"
_SURE = 0.95


def ready_part(asked: Asked, forms: Forms) -> Part:
    """How many pieces have reached the target by the last weighing, and the dates of the rest."""
    ready = asked.ready
    told = ready[ready["p_ready_now"].notna()]
    without = ready[ready["p_ready_now"].isna()]
    findings: list[Finding] = []
    said: list[str] = []
    if len(told):
        reached, now = _reached(told, forms), _now(told, forms)
        findings = [reached, now]
        said = [f"{reached.sentence}; {now.sentence}"]
    later = told[told["ready_on"] > told["as_of"]]
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


def _target(told: pd.DataFrame, forms: Forms) -> str:
    lowest, highest = told["target_moisture_pct"].min(), told["target_moisture_pct"].max()
    if forms.number(lowest) == forms.number(highest):
        return f"{forms.number(lowest)} %"
    return f"{forms.interval(lowest, highest)} %"


def _reached(told: pd.DataFrame, forms: Forms) -> Finding:
    there = int((told["ready_on"] <= told["as_of"]).sum())
    day = forms.date(told["as_of"].iloc[0])
    share = forms.share(there, len(told))
    return Finding(
        key="ready.reached", value=there / len(told), ci_lower=math.nan, ci_upper=math.nan,
        unit="share", n_pieces=len(told), call=CALL, where={"ready_on": "<= as_of"}, text=share,
        sentence=f"by {day}, {share} pieces had once dried to {_target(told, forms)} moisture",
        short=f"by {day}, {share} pieces had dried to {_target(told, forms)} moisture"
        if there and len(told) >= 5 else "",
    )  # fmt: skip


def _now(told: pd.DataFrame, forms: Forms) -> Finding:
    sure = int((told["p_ready_now"] >= _SURE).sum())
    share = forms.share(sure, len(told))
    chance = forms.number(100 * _SURE)
    damp = (told["ready_on"] <= told["as_of"]) & (told["p_ready_now"] < 0.5)
    since = (
        f", since {forms.number(int(damp.sum()))} have probably taken up water again in damp air "
        "and want a drier place before they are turned"
        if damp.any()
        else ""
    )
    return Finding(
        key="ready.now", value=sure / len(told), ci_lower=math.nan, ci_upper=math.nan,
        unit="share", n_pieces=len(told), call=CALL, where={"p_ready_now": f">= {_SURE}"},
        text=share,
        sentence=f"on that day {share} were that dry, each with a chance of at least {chance} %"
        f"{since}",
    )  # fmt: skip


def _later(later: pd.DataFrame, forms: Forms) -> str:
    as_of, last = later["as_of"].iloc[0], later["latest_on"].max()
    level = forms.number(100 * float(later["level"].iloc[0]))
    first = later["earliest_on"].fillna(later["ready_on"]).clip(lower=as_of).min()
    end = (
        f"and {forms.date(last)}"
        if later["latest_on"].notna().all()
        else "and a day that cannot be foretold"
    )
    start = forms.date(first)
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
