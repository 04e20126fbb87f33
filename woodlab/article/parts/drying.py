"""How fast the pieces dried: from the fitted curves, by seal."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.stats import norm
from scipy.stats import t as student_t

from woodlab.article.asked import Asked
from woodlab.article.findings import Figure, Finding, Part, first_sentence, written
from woodlab.article.forms import Forms
from woodlab.article.parts.ready import named
from woodlab.article.parts.season import seal_name, seals_of
from woodlab.article.plain import short_name
from woodlab.book.record_book import RecordBook

if TYPE_CHECKING:
    from woodlab.drying.results import DryingFits

CALL = 'wl.fit_drying(book, law="exponential").params'
_MOST_CURVES = 4


def drying_part(asked: Asked, forms: Forms) -> Part:
    """Days until half of the water that can leave has left, by seal; curves; pieces without."""
    book, fits = asked.book, asked.fits
    taus = fits.params[fits.params["parameter"] == "tau_days"]
    taus = taus.merge(book.pieces[["piece", "seal"]], on="piece", how="left")
    ends = taus[["estimate", "ci_lower", "ci_upper"]].to_numpy(dtype=float)
    # where another parameter stands at its bound, the time is not the weighings' own
    sound = taus["piece"].isin(fits.pieces.loc[fits.pieces["status"] == "ok", "piece"])
    told = taus[np.isfinite(ends).all(axis=1) & sound]
    findings = tuple(
        _half_time(seal, told[told["seal"] == seal], forms)
        for seal in seals_of(book.pieces)
        if (told["seal"] == seal).any()
    )
    return Part(
        findings=findings,
        figures=_curves(book, fits, told),
        unknown=_without(fits, told, forms),
        method=(
            "A first-order curve was fitted to the weights of each piece; the times by seal are "
            "geometric means over the pieces, with the interval of Student's t on the logarithms.",
        ),
    )


def _half_time(seal: str, taus: pd.DataFrame, forms: Forms) -> Finding:
    """Half-time of a first-order curve: ln 2 times its time constant."""
    halves = math.log(2) * taus["estimate"].to_numpy(dtype=float)
    count = len(halves)
    if count == 1:
        value = halves[0]
        lower, upper = (math.log(2) * taus[end].iloc[0] for end in ("ci_lower", "ci_upper"))
    else:
        logs = np.log(halves)
        scatter = max(logs.std(ddof=1), _own_error(taus))
        reach = student_t.ppf(0.975, count - 1) * scatter / math.sqrt(count)
        value = math.exp(logs.mean())
        lower, upper = value * math.exp(-reach), value * math.exp(reach)
    form = written(forms, value, lower, upper)
    name = seal_name(seal)
    if count == 1:  # its interval is its own curve's, and says nothing of other pieces
        pieces = "one bare piece" if name == "bare" else f"one piece sealed with {name}"
        numbers = f"{form['text']} days ({form['span']}, by its own curve)"
    else:
        pieces = f"{name} pieces" if name == "bare" else f"pieces sealed with {name}"
        numbers = f"{form['text']} days ({form['span']}; {forms.count(count, 'piece')})"
    return Finding(
        key=f"drying.half.{seal}", value=value, ci_lower=lower, ci_upper=upper, unit="days",
        n_pieces=count, call=CALL, where={"parameter": "tau_days", "seal": seal}, **form,
        sentence=f"{pieces} lost half of the water that could leave within {numbers}",
        short=f"{pieces} lost half of the water that could leave within {form['text']} days "
        f"({form['span']})"
        if count > 2 else "",
    )  # fmt: skip


def _own_error(taus: pd.DataFrame) -> float:
    """Usual error of ln of a piece's own time constant, from its interval.

    Pieces that came out alike by chance, or that are few, do not make their mean surer than this.
    """
    width = np.log(taus["ci_upper"].to_numpy(float) / taus["ci_lower"].to_numpy(float))
    return float(np.sqrt(np.mean((width / (2 * norm.ppf(0.975))) ** 2)))


def _curves(book: RecordBook, fits: DryingFits, told: pd.DataFrame) -> tuple[Figure, ...]:
    """The curve of a typical piece of each seal: the one nearest its group's median."""
    from woodlab.charts.drying import drying_curves

    chosen = []
    for seal in seals_of(book.pieces)[:_MOST_CURVES]:
        group = told[told["seal"] == seal]
        if len(group):
            far = (group["estimate"] - group["estimate"].median()).abs()
            chosen.append((str(group["piece"].iloc[int(far.to_numpy().argmin())]), seal))
    if not chosen:
        return ()
    pieces = [piece for piece, _ in chosen]
    weighed = book.weighings[book.weighings["piece"].isin(pieces)]
    turned = book.pieces.set_index("piece")["turned_on"]
    days = (weighed["on"] - weighed["piece"].map(turned)).dt.total_seconds() / 86400
    weighed = weighed.assign(days=days)
    grid = np.linspace(0.0, float(days.max()), 60)
    predicted = fits.predict(days=grid, pieces=pieces)
    predicted = predicted.set_index("piece").loc[pieces].reset_index()  # in the seals' order
    # bowls of different weights share one axis as moisture, by the oven-dry mass of the fit
    first = predicted.groupby("piece")[["mass_g", "moisture_pct"]].first()
    dry_g = weighed["piece"].map(first["mass_g"] / (1 + first["moisture_pct"] / 100))
    weighed["moisture_pct"] = 100 * (weighed["mass_g"] / dry_g - 1)
    labels = {piece: f"{short_name(piece, 16)}: {seal_name(seal)}" for piece, seal in chosen}
    frames = [frame.assign(piece=frame["piece"].map(labels)) for frame in (predicted, weighed)]
    left_out = [seal_name(seal) for seal in seals_of(book.pieces)[_MOST_CURVES:]]
    caption = (
        "A typical piece of each seal: weighings, fitted curve, and the 95 % bands of the curve "
        "(dark) and of a single weighing (light)."
    )
    if left_out:
        caption += f" Not drawn: {', '.join(left_out)}."
    columns = 2 if len(chosen) == 4 else len(chosen)
    chart = drying_curves(*frames, quantity="moisture_pct", columns=columns)
    return (Figure("curves", chart, caption),)


def _without(fits: DryingFits, told: pd.DataFrame, forms: Forms) -> tuple[str, ...]:
    """Pieces without a time of their own, counted by the reason."""
    missing = fits.pieces[~fits.pieces["piece"].isin(told["piece"])]
    said = []
    for reason, group in missing.groupby(missing["reason"].fillna("no reason given")):
        names = named(group["piece"], forms)
        count = forms.count(len(group), "piece")
        said.append(f"{count} without a drying time ({names}): {first_sentence(reason)}")
    return tuple(said)
