"""What cracked: shares by seal, and what the hazard model says of walls and species."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from woodlab.article.asked import Asked
from woodlab.article.findings import Figure, Finding, Part, first_sentence, written
from woodlab.article.forms import FEWEST_FOR_PERCENT, Forms
from woodlab.article.parts.season import seal_name, seals_of
from woodlab.article.plain import short_name
from woodlab.article.words import Certainty
from woodlab.book.record_book import RecordBook

RATES = "wl.crack_study(book).rates"
EFFECTS = "wl.crack_study(book).effects"
FEWEST_DRAWN = 5  # a share of fewer is told in the text and the table, not drawn
_CERTAINTY = {
    "clear": Certainty.CLEAR,
    "likely": Certainty.LIKELY,
    "open": Certainty.CANNOT_TELL,
    "nothing": Certainty.CANNOT_TELL,
}


def cracks_part(asked: Asked, forms: Forms) -> Part:
    """Shares cracked, and ratios of the hazard for thicker walls and between species."""
    book, study = asked.book, asked.cracks
    rates = study.rates
    shares = [
        found
        for seal in seals_of(book.pieces)
        for found in _shares(rates, "seal", seal, f"cracks.share.{seal}", forms)
    ]
    whole = _shares(rates, "all", None, "cracks.share", forms)
    effects = study.effects[study.effects["kind"].isin(["wall", "species"])]
    made = [_ratio(row, forms) for row in effects.to_dict("records")]
    ratios = [found for found in made if found is not None]
    silent = _without_number(
        [
            row
            for row, found in zip(effects.to_dict("records"), made, strict=True)
            if found is None and row["reason"]
        ],
        forms,
    )
    silent += _untold_species(ratios, forms)
    ratios = [
        replace(found, sentence="") if _is_untold_species(found) else found for found in ratios
    ]
    told = [
        *(_whole(found, asked.book, forms) for found in whole),
        *_by_seal(shares, forms),
        *(found.sentence for found in ratios if found.certainty != Certainty.CANNOT_TELL.value),
    ]
    return Part(
        findings=(*whole, *shares, *ratios),
        told=tuple(told),
        figures=_figure(shares, forms),
        unknown=tuple(dict.fromkeys(silent)),
        method=(
            "A crack begins some time between two looks, and is counted so; its rate is modelled "
            "by wall, species and seal with the log as a shared effect, penalised so that a "
            "group without cracks gives a bound and not a zero.",
        ),
    )


def _shares(
    rates: pd.DataFrame, by: str, group: str | None, key: str, forms: Forms
) -> list[Finding]:
    """Cracked of those looked at, with Wilson's interval; none where none was looked at."""
    rows = rates[(rates["by"] == by) & ((rates["group"] == group) | (group is None))]
    found = []
    for row in rows.to_dict("records"):
        count, cracked = int(row["n_pieces"]), int(row["n_cracked"])
        if count == 0:
            continue
        span = ""
        if count >= FEWEST_FOR_PERCENT:
            ends = (100 * float(row["ci_lower"]), 100 * float(row["ci_upper"]))
            span = f"{forms.number(100 * cracked / count)}\u00a0%, {forms.interval(*ends)}\u00a0%"
        found.append(
            Finding(
                key=key, value=cracked / count, ci_lower=float(row["ci_lower"]),
                ci_upper=float(row["ci_upper"]), unit="share", n_pieces=count, call=RATES,
                where={"by": by, "group": row["group"]},
                text=f"{forms.number(cracked)} of {forms.number(count)}",
                span=span,
            )
        )  # fmt: skip
    return found


def _whole(found: Finding, book: RecordBook, forms: Forms) -> str:
    """How many cracked; where none did, for how long they were watched."""
    span = f" ({found.span})" if found.span else ""
    if found.value > 0:
        return f"A crack was found in {found.text} pieces{span}"
    turned = book.looks["piece"].map(book.pieces.set_index("piece")["turned_on"])
    days = int((book.looks["on"] - turned).dt.days.max())
    return (
        f"No crack was found in {forms.count(found.n_pieces, 'piece')}{span}; the latest look was "
        f"{forms.count(days, 'day')} after turning"
    )


def _by_seal(shares: Sequence[Finding], forms: Forms) -> list[str]:
    if len(shares) < 2 or not any(found.value for found in shares):
        return []
    named = [f"{seal_name(found.where['group'])} {found.text}" for found in shares]
    return [f"By seal: {forms.listed(named)}"]


def _is_untold_species(found: Finding) -> bool:
    return found.key.startswith("cracks.species.") and (
        found.certainty == Certainty.CANNOT_TELL.value
    )


def _untold_species(ratios: Sequence[Finding], forms: Forms) -> list[str]:
    """One sentence for all species that cannot be told from the one they are held against."""
    untold = [found for found in ratios if _is_untold_species(found)]
    if not untold:
        return []
    named = [
        f"{short_name(found.where['level'])} ({found.text} times the rate, {found.span}; "
        f"{forms.count(found.n_pieces, 'piece')})"
        for found in untold
    ]
    other = short_name(untold[0].where["reference"])
    return [f"whether these crack more or less than {other} we cannot tell: {forms.listed(named)}"]


def _without_number(rows: Sequence[dict[str, Any]], forms: Forms) -> list[str]:
    """What has no number, by the reason; species of one reason share a sentence."""
    alike: dict[tuple, list[dict[str, Any]]] = {}
    for row in rows:
        reason = first_sentence(row["reason"])
        if row["kind"] == "species":
            reason = re.sub(rf"\b{re.escape(str(row['level']))}\b", "it", reason)
        alike.setdefault((row["kind"], row["reference"], reason), []).append(row)
    said = []
    for (kind, _, reason), group in alike.items():
        if kind != "species" or len(group) == 1:
            said += [f"{_about(row)}: {first_sentence(row['reason'])}" for row in group]
            continue
        names = forms.listed(short_name(row["level"]) for row in group)
        said.append(f"which of these cracks more than {_species(group[0])[1]} ({names}): {reason}")
    return said


def _about(row: dict[str, Any]) -> str:
    """What a row of effects compares, in words."""
    if row["kind"] == "wall":
        return "whether thicker walls crack more"
    return f"whether {_species(row)[0]} cracks more than {_species(row)[1]}"


def _species(row: dict[str, Any]) -> tuple[str, str]:
    return short_name(row["level"]), short_name(row["reference"])


def _ratio(row: dict[str, Any], forms: Forms) -> Finding | None:
    ratio, lower, upper = (float(row[name]) for name in ("hazard_ratio", "ci_lower", "ci_upper"))
    if not (math.isfinite(lower) or math.isfinite(upper)):
        return None
    # Decided once, after Holm's correction, by the study; see `words.certainty`.
    word = _CERTAINTY[row["certainty"]]
    if not math.isfinite(ratio) and lower <= 0:
        lower = math.nan
    form = written(forms, ratio, lower, upper, no_difference=1.0)
    more = ratio > 1 if math.isfinite(ratio) else lower > 1
    probably = "probably " if word is Certainty.LIKELY else ""
    count = (
        f"{forms.count(int(row['n_pieces']), 'piece')}, "
        f"{forms.number(int(row['n_cracks']))} of them cracked"
    )
    estimate = f"{form['text']} times the rate" if form["text"] else "the rate"
    if row["kind"] == "wall":
        estimate += " for each 10 mm"
        claim = f"thicker walls {probably}cracked {'more' if more else 'less'} often"
        alike = "thicker walls cracked about as often as thinner ones"
    else:
        one, other = _species(row)
        claim = f"{one} {probably}cracked {'more' if more else 'less'} often than {other}"
        alike = f"{one} cracked about as often as {other}"
    numbers = f"{estimate} ({form['span']}; {count})"
    said = {
        Certainty.CANNOT_TELL: f"{_about(row)} we cannot tell: {numbers}",
        Certainty.ALIKE: f"{alike}: {numbers}",
    }.get(word, f"{claim}: {numbers}")
    key = f"cracks.{row['kind']}" + (f".{row['level']}" if row["kind"] != "wall" else "")
    return Finding(
        key=key, value=ratio, ci_lower=lower, ci_upper=upper, unit="ratio",
        n_pieces=int(row["n_pieces"]), call=EFFECTS,
        where={"term": row["term"], "level": row["level"], "reference": row["reference"]},
        certainty=word.value, sentence=said, **form,
        short=f"{claim} ({estimate}, {form['span']})"
        if word is Certainty.CLEAR and row["kind"] == "wall" else "",
    )  # fmt: skip


def _figure(shares: Sequence[Finding], forms: Forms) -> tuple[Figure, ...]:
    from woodlab.charts.intervals import interval_chart

    every = len(shares)
    shares = [found for found in shares if found.n_pieces >= FEWEST_DRAWN]
    if len(shares) < 2 or not any(found.value for found in shares):
        return ()
    frame = pd.DataFrame(
        {
            "label": [seal_name(found.where["group"]) for found in shares],
            "share_pct": [100 * found.value for found in shares],
            "ci_lower": [100 * found.ci_lower for found in shares],
            "ci_upper": [100 * found.ci_upper for found in shares],
            "text": [found.text for found in shares],
        }
    )
    chart = interval_chart(frame, title="Pieces cracked [%]", estimate="share_pct")
    caption = (
        "Pieces in which a crack was found, by seal: share and 95 % interval (Wilson). It is the "
        "plain count, with walls, species and logs as they happened to fall."
    )
    if len(shares) < every:
        caption += (
            f" Seals of fewer than {forms.number(FEWEST_DRAWN)} pieces stand in the table only."
        )
    return (Figure("cracks", chart, caption),)
