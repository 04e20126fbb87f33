"""Does sealing pay: the study's ratios, grouped by what may be said of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from woodlab.article.asked import Asked
from woodlab.article.findings import Figure, Finding, Part, first_sentence, written
from woodlab.article.forms import Forms
from woodlab.article.parts.season import allotted_at_random, seal_name
from woodlab.article.plain import short_name
from woodlab.article.words import ALIKE, Certainty
from woodlab.book.record_book import RecordBook

CALL = 'wl.seal_study(book, reference="none").effects'
THIS = "this season"
# Decided once, after Holm's correction, by the study; see `words.certainty`.
_CERTAINTY = {
    "clear": Certainty.CLEAR, "likely": Certainty.LIKELY, "open": Certainty.CANNOT_TELL,
    "nothing": Certainty.CANNOT_TELL,
}  # fmt: skip

# How an outcome is spoken of: above 1, below 1, alike, what cannot be told, and its unit.
_WORDS = {
    "drying_time": (
        "drying{} took longer than with bare pieces",
        "drying{} took less time than with bare pieces",
        "drying{} took about as long as with bare pieces",
        "whether drying takes longer than with bare pieces",
        "times as long",
    ),
    "core_to_surface": (
        "the core{} stayed wetter against the surface than in bare pieces",
        "the wall{} stayed more evenly moist than in bare pieces",
        "the wall was{} about as evenly moist as in bare pieces",
        "whether the wall stays more evenly moist than in bare pieces",
        "times the difference of core and surface",
    ),
    "crack_hazard": (
        "cracks were{} more frequent than in bare pieces",
        "cracks were{} rarer than in bare pieces",
        "cracks were{} about as frequent as in bare pieces",
        "whether cracks are rarer than in bare pieces",
        "times the rate",
    ),
}


def sealing_part(asked: Asked, forms: Forms) -> Part:
    """Ratios of sealed to bare pieces: drying time, evenness of moisture, cracks."""
    book, study = asked.book, asked.sealing
    effects = study.effects[
        study.effects["outcome"].isin(_WORDS) & (study.effects["scope"] == THIS)
    ]
    seals = study.by_seal.set_index("seal").to_dict("index")
    findings, told, untold = [], [], []
    for outcome in _WORDS:
        rows = effects[effects["outcome"] == outcome]
        made = [_finding(row, forms, seals) for row in rows.to_dict("records")]
        known = [found for found in made if found is not None]
        findings += known
        told += _told(outcome, known, forms)
        untold += _untold(outcome, known, rows, forms)
    if any(found.where["outcome"] == "drying_time" for found in findings):
        told.insert(
            0,
            f"Drying time runs from turning to {study.target_moisture_pct:.1f} % moisture; "
            "weeks are the average, had all pieces of the season had the one seal",
        )
    return Part(
        findings=tuple(findings),
        told=tuple(told),
        figures=_figure(findings, forms),
        unknown=tuple(_by_reason(untold, forms)),
        to_try=_to_try(book, findings),
        method=(
            "Every draw of the one fit of the season was run under each seal, on the same pieces "
            "in the same air; with several seals a difference counts as clear only if it stays so "
            "after Holm's correction for the number of comparisons.",
        ),
    )


def _finding(
    row: dict[str, Any], forms: Forms, seals: Mapping[str, dict[str, Any]]
) -> Finding | None:
    ratio, lower, upper = (float(row[name]) for name in ("ratio", "ci_lower", "ci_upper"))
    if not (math.isfinite(lower) or math.isfinite(upper)):
        return None
    word = _CERTAINTY[row["certainty"]]
    if word is Certainty.CANNOT_TELL and lower >= ALIKE[0] and upper <= ALIKE[1]:
        word = Certainty.ALIKE
    outcome, seal = str(row["outcome"]), str(row["seal"])
    more, less, alike, whether, unit = _WORDS[outcome]
    if not math.isfinite(ratio) and lower <= 0:
        lower = math.nan  # no bound on that side
    form = written(forms, ratio, lower, upper, no_difference=1.0)
    rises = ratio > 1 if math.isfinite(ratio) else lower > 1
    claim = {
        Certainty.CLEAR: (more if rises else less).format(""),
        Certainty.LIKELY: (more if rises else less).format(" probably"),
        Certainty.ALIKE: alike.format(""),
        Certainty.CANNOT_TELL: whether,
    }[word]
    numbers = _numbers(form, unit, int(row["n_pieces"]), int(row["n_logs"]), forms)
    counts = _counts(row, seals)
    numbers = f"{counts} ({numbers})" if counts else numbers
    name = short_name(seal)
    end = " we cannot tell" if word is Certainty.CANNOT_TELL else ""
    short = ""
    if int(row["n_logs"]) == 1:
        pass  # what one tree shows is told below, with its log, and is no headline
    elif word is Certainty.CLEAR and outcome == "drying_time" and form["text"]:
        short = f"Under {name}, drying took {counts or form['text'] + ' times as long'}"
    elif word is Certainty.CLEAR and outcome == "crack_hazard":
        short = f"Under {name}, {claim} ({counts or _known(form, unit)})"
    return Finding(
        key=f"sealing.{outcome}.{seal}", value=ratio, ci_lower=lower, ci_upper=upper,
        unit="ratio", n_pieces=int(row["n_pieces"]), n_logs=int(row["n_logs"]), call=CALL,
        where={"outcome": outcome, "seal": seal, "scope": THIS}, certainty=word.value, **form,
        sentence=f"{claim} under {name}{end}: {numbers}", short=short,
    )  # fmt: skip


def _counts(row: dict[str, Any], seals: Mapping[str, dict[str, Any]]) -> str:
    """Weeks under the seal and without it, or cracked of looked at: what stands before a ratio."""
    mine, other = seals.get(row["seal"]), seals.get(row["reference"])
    if mine is None or other is None:
        return ""
    if row["outcome"] == "drying_time" and math.isfinite(mine["weeks"]):
        return f"{mine['weeks']:.0f} weeks on average, {other['weeks']:.0f} with bare pieces"
    if row["outcome"] == "crack_hazard" and mine["n_looked"] and other["n_looked"]:
        return (
            f"{mine['n_cracked']:.0f} of {mine['n_looked']:.0f} cracked, "
            f"{other['n_cracked']:.0f} of {other['n_looked']:.0f} bare ones"
        )
    return ""


def _known(form: dict[str, Any], unit: str) -> str:
    known = f"{form['text']} {unit}, {form['span']}"
    return known if form["text"] else f"{form['span']} {unit}"


def _numbers(form: dict[str, Any], unit: str, pieces: int, logs: int, forms: Forms) -> str:
    estimate = _known(form, unit)
    where = f" from {forms.count(logs, 'log')}" if logs else ""
    where += ", and another log may differ" if logs == 1 else ""
    return f"{estimate}; {forms.count(pieces, 'piece')}{where}"


def _told(outcome: str, findings: Sequence[Finding], forms: Forms) -> list[str]:
    """One sentence for the seals of which the same may be said."""
    groups: dict[str, list[str]] = {}
    for found in findings:
        if found.certainty != Certainty.CANNOT_TELL.value:
            claim, _, rest = found.sentence.partition(" under ")
            name = short_name(found.where["seal"])
            groups.setdefault(claim, []).append(f"{name} ({rest.removeprefix(name + ': ')})")
    return [f"{claim} under {forms.listed(names)}" for claim, names in groups.items()]


def _untold(
    outcome: str, known: Sequence[Finding], rows: pd.DataFrame, forms: Forms
) -> list[tuple[str, str, str]]:
    """Comparisons without a number: the question, the seals, the reason."""
    numbered = {found.where["seal"] for found in known}
    silent = rows[~rows["seal"].isin(numbered)]
    said = []
    for reason, group in silent.groupby(silent["reason"].fillna("")):
        names = forms.listed(seal_name(seal) for seal in group["seal"])
        said.append((_WORDS[outcome][3], names, f": {first_sentence(reason)}" if reason else ""))
    return said


def _by_reason(untold: Sequence[tuple[str, str, str]], forms: Forms) -> list[str]:
    """Questions that stay open under the same seals for the same reason share a sentence."""
    questions: dict[tuple[str, str], list[str]] = {}
    for question, names, why in untold:
        questions.setdefault((names, why), []).append(question)
    return [
        f"{forms.listed(asked)} under {names} we cannot tell{why}"
        for (names, why), asked in questions.items()
    ]


def _figure(findings: Sequence[Finding], forms: Forms) -> tuple[Figure, ...]:
    from woodlab.charts.intervals import interval_chart

    rows = [found for found in findings if found.key.startswith("sealing.drying_time.")]
    if not rows:
        return ()
    frame = pd.DataFrame(
        {
            "label": [short_name(found.where["seal"]) for found in rows],
            "estimate": [found.value for found in rows],
            "ci_lower": [found.ci_lower for found in rows],
            "ci_upper": [found.ci_upper for found in rows],
            "text": [f"{found.both}, {forms.count(found.n_pieces, 'piece')}" for found in rows],
        }
    )
    chart = interval_chart(frame, title="Drying time against bare [ratio]", reference=1, log=True)
    caption = (
        "How many times as long as bare pieces the sealed ones took to dry: estimate and 95 % "
        "interval; the dashed line is no difference."
    )
    return (Figure("sealing", chart, caption),)


def _to_try(book: RecordBook, findings: Sequence[Finding]) -> tuple[str, ...]:
    said = []
    open_ones = [
        short_name(found.where["seal"])
        for found in findings
        if found.certainty in (Certainty.CANNOT_TELL.value, Certainty.LIKELY.value)
        and found.where["outcome"] == "crack_hazard"
    ]
    if open_ones:
        said.append(
            "More pieces from more logs, so that the cracks under "
            f"{' and '.join(dict.fromkeys(open_ones[:2]))} can be told from chance; "
            "the plan for next season works out how many."
        )
    if not allotted_at_random(book.pieces):
        said.append(
            "Draw by lot which piece of a log gets which seal (wl.trial_plan does it), so that a "
            "difference can be put down to the seal."
        )
    return tuple(said)
