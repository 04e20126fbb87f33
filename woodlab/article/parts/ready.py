"""Which pieces are ready, and when the others will be."""

from __future__ import annotations

import math

import pandas as pd

from woodlab.article.asked import Asked
from woodlab.article.findings import Finding, Part, first_sentence
from woodlab.article.forms import Forms
from woodlab.article.plain import short_name
from woodlab.book.record_book import RecordBook

CALL = "wl.forecast_ready(wl.fit_drying(book))"
_SURE = 0.95


def ready_part(asked: Asked, forms: Forms) -> Part:
    """How many pieces have reached the target by the last weighing, and the dates of the rest."""
    ready = asked.ready
    weighed = ready["n_weighings"] > 0
    told = ready[ready["p_ready_now"].notna() & weighed]
    without = ready[ready["p_ready_now"].isna() & weighed]
    findings: list[Finding] = []
    said: list[str] = []
    if len(told):
        reached, now = _reached(told, forms), _now(told, forms)
        findings = [reached, now]
        said = ["; ".join(text for text in (reached.sentence, now.sentence) if text)]
    later = told[told["ready_on"] > told["as_of"]]
    if len(later):
        said.append(_later(later, bool((told["ready_on"] <= told["as_of"]).any()), forms))
    if len(told):
        said.append(_rests_on(asked.book, told))
    never = told[told["ready_on"].isna()]
    unknown = [
        *_unweighed(ready[~weighed], forms),
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


def _rests_on(book: RecordBook, told: pd.DataFrame) -> str:
    """What the moistures and dates are reckoned from, so that a reader can weigh them."""
    dry = (
        "what pieces weigh dry comes from offcuts dried in an oven, and where there was none from "
        "the species table and the way they lost weight"
        if len(book.offcuts)
        else "nothing was dried in an oven, so what a piece weighs dry is reckoned from the "
        "species table and the way it lost weight"
    )
    air = "" if len(book.air) else ", and the air, which was not measured, is taken as that indoors"
    few = (
        "; with one or two weighings a piece they tell more of wood in general than of these pieces"
        if told["n_weighings"].max() <= 2
        else ""
    )
    return f"these moistures and dates are reckoned, not measured: {dry}{air}{few}"


def _unweighed(rows: pd.DataFrame, forms: Forms) -> list[str]:
    if not len(rows):
        return []
    were = "was" if len(rows) == 1 else "were"
    return [
        f"when {forms.count(len(rows), 'piece')} will be ready ({named(rows['piece'], forms)}): "
        f"{'it' if len(rows) == 1 else 'they'} {were} not weighed"
    ]


def _target(told: pd.DataFrame, forms: Forms) -> str:
    lowest, highest = told["target_moisture_pct"].min(), told["target_moisture_pct"].max()
    if forms.number(lowest) == forms.number(highest):
        return f"{forms.number(lowest)} %"
    return f"{forms.interval(lowest, highest)} %"


def _reached(told: pd.DataFrame, forms: Forms) -> Finding:
    """Who has been at the target once: those of whom it is sure, and those of whom it is likely.

    `latest_on` is the end of a two-sided interval, so that a piece whose latest day is past was
    there with a chance of 95 % at the usual level.
    """
    was = told["ready_on"] <= told["as_of"]
    sure = int((told["latest_on"] <= told["as_of"]).sum())
    likely = int(was.sum()) - sure
    count, day, target = len(told), forms.date(told["as_of"].iloc[0]), _target(told, forms)
    share = forms.share(sure, count)
    if count == 1:
        how = "" if sure else "probably " if likely else "not yet "
        said = f"by {day} the one piece had {how}dried to {target} moisture"
    elif not sure and not likely:
        said = f"by {day} none of the {forms.number(count)} pieces had dried to {target} moisture"
    elif not sure:
        said = (
            f"by {day}, {forms.share(likely, count)} pieces had probably dried to {target} "
            "moisture, none of them for certain"
        )
    else:
        more = f", and {forms.number(likely)} more probably had" if likely else ""
        said = f"by {day}, {share} pieces had once dried to {target} moisture{more}"
    return Finding(
        key="ready.reached", value=sure / count, ci_lower=math.nan, ci_upper=math.nan,
        unit="share", n_pieces=count, call=CALL, where={"latest_on": "<= as_of"}, text=share,
        sentence=said,
        short=said.replace(" once", "") if sure + likely and count >= 5 else "",
    )  # fmt: skip


def _now(told: pd.DataFrame, forms: Forms) -> Finding:
    """Who is at the target on the day itself; nothing is said where none has been there yet."""
    chances = told["p_ready_now"]
    sure = int((chances >= _SURE).sum())
    likely = int(((chances >= 0.5) & (chances < _SURE)).sum())
    share, chance = forms.share(sure, len(told)), forms.number(100 * _SURE)
    was = told["ready_on"] <= told["as_of"]
    damp = was & (chances < 0.5)
    since = (
        f", since {forms.number(int(damp.sum()))} have probably taken up water again in damp air "
        "and want a drier place before they are turned"
        if damp.any()
        else ""
    )
    if not sure and not was.any():
        said = ""
    elif len(told) == 1:
        said = f"on that day its chance of being that dry was {_percent(chances.iloc[0], forms)}"
    elif not sure:
        said = (
            f"on that day none was that dry with a chance of {chance} % or more; the likeliest "
            f"had {_percent(chances.max(), forms)}"
        )
    else:
        more = f", {forms.number(likely)} more with a chance better than even" if likely else ""
        said = f"on that day {share} were that dry, each with a chance of at least {chance} %{more}"
    return Finding(
        key="ready.now", value=sure / len(told), ci_lower=math.nan, ci_upper=math.nan,
        unit="share", n_pieces=len(told), call=CALL, where={"p_ready_now": f">= {_SURE}"},
        text=share, sentence=f"{said}{since}" if said else "",
    )  # fmt: skip


def _percent(chance: float, forms: Forms) -> str:
    """A chance that rounding makes neither certain nor one that counts as sure."""
    rounded = math.floor(100 * chance)
    return f"{forms.number(rounded)} %"


def _later(later: pd.DataFrame, after_others: bool, forms: Forms) -> str:
    as_of, last = later["as_of"].iloc[0], later["latest_on"].max()
    level = forms.number(100 * float(later["level"].iloc[0]))
    first = later["earliest_on"].fillna(later["ready_on"]).clip(lower=as_of).min()
    open_ended = int(later["latest_on"].isna().sum())
    start = forms.date(first)
    middle = forms.date(later["ready_on"].sort_values().iloc[(len(later) - 1) // 2])
    if len(later) == 1:
        end = "no latest day can be told" if open_ended else f"the latest day is {forms.date(last)}"
        return (
            f"{'one more' if after_others else 'it'} should follow, probably about {middle}: not "
            f"before {start}, and {end} ({level} % interval)"
        )
    count = forms.count(len(later), "more piece") if after_others else "they"
    if not open_ended:
        return (
            f"{count} should follow between {start} and {forms.date(last)} ({level} % intervals), "
            f"half of them by {middle}"
        )
    whom = "any" if open_ended == len(later) else forms.number(open_ended)
    return (
        f"{count} may follow from {start} on, half of them probably by {middle}; for {whom} of "
        f"them no latest day can be told ({level} % intervals), since it is not known whether the "
        "air will bring them there at all"
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
