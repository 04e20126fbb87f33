"""What varies in a season: stated, or read from the fits of a past one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.book.record_book import RecordBook, expect_book
from woodlab.drying.fit.saving import season_fits

LEAST_FREE = 6  # degrees of freedom below which a scatter is not taken from a book
TIME_TO_PCT = 20.0  # drying time of the scatter: until this moisture


@dataclass(frozen=True)
class Scatter:
    """What varies in a season, on the natural-log scale.

    The defaults are estimates of our own, to be replaced by a past book's (`scatter_of`).

    Attributes
    ----------
    drying_time_sd, surface_coefficient_sd : float
        Between pieces of one log under one seal (records' noise included).
    between_logs_sd : float
        Between logs, shared by the pieces of a log; drops out inside logs.
    seal_by_log_sd : float
        How far a seal's effect itself differs from log to log.
    crack_chance : float
        Chance of a crack in a season of a piece under the reference.
    crack_log_sd : float
        Of ln crack rate, between logs.
    source : str
    """

    drying_time_sd: float = 0.15
    surface_coefficient_sd: float = 0.20
    between_logs_sd: float = 0.25
    seal_by_log_sd: float = 0.0
    crack_chance: float = 0.20
    crack_log_sd: float = 0.4
    source: str = "stated defaults, estimates of our own"


def scatter_of(fits_or_book: Any, reference: str = "none") -> tuple[Scatter, tuple[str, ...]]:
    """The scatter of a past season, and in words where each figure comes from.

    Drying time is the time to 20 % moisture in each draw of the fits; what species, seal and ln
    wall explain is taken off its logarithm, then what logs share, and the variances are averaged
    over the draws (a draw scatters as pieces do; means over draws would scatter too little). The
    spread of the surface coefficient between pieces is one of the fits' own. The chance of a
    crack is that of the pieces under `reference` (the seal that others are compared with) that
    were looked at. What the season cannot tell keeps its default, and the words say so.
    """
    book = expect_book(fits_or_book, "scatter_of")
    known: dict[str, float] = {}
    said = ["The scatter of drying times keeps its default: too few pieces share a log.",
            "The scatter of the surface coefficient keeps its default."]  # fmt: skip
    if len(book.weighings):
        fits = season_fits(fits_or_book)
        within, between, count = _within_and_between(fits)
        if np.isfinite(within):
            known |= {"drying_time_sd": within, "between_logs_sd": between}
            said[0] = (
                f"Scatter of ln drying time: {within:.2f} between pieces of a log, {between:.2f} "
                f"between logs ({count} pieces)."
            )
        law = fits.laws.sort_values("weight")["law"].iloc[-1]  # of most weight
        surface = fits.groups[
            (fits.groups["kind"] == "spread") & (fits.groups["group"] == "piece")
            & fits.groups["parameter"].str.startswith("surface") & (fits.groups["law"] == law)
        ]["estimate"]  # fmt: skip
        if len(surface) and np.isfinite(spread := float(surface.iloc[0])):
            known["surface_coefficient_sd"] = spread
            said[1] = f"Scatter of the ln surface coefficient between pieces: {spread:.2f}."
    cracks, words_said = _crack_figures(book, reference)
    scatter = Scatter(**known | cracks, source="a past season, defaults where it cannot tell")
    return scatter, (*said, words_said)


def _within_and_between(fits: Any) -> tuple[float, float, int]:
    """Scatter of ln drying time inside and between logs, averaged over the draws as variances;
    NaN where too few pieces share a log."""
    from woodlab.drying.forecast.passage import passages

    pieces = fits.book.pieces.reset_index(drop=True)
    days = passages(fits, target_moisture_pct=TIME_TO_PCT).passage_days
    ok = fits.pieces["status"].isin(["ok", "bounded"]).to_numpy()
    ok = ok & pieces[["log", "wall_mm"]].notna().all(axis=1).to_numpy()
    ok = ok & (np.isfinite(days) & (days > 0)).all(axis=1)
    table, y = pieces[ok], np.log(days[ok])
    shared = [np.log(table["wall_mm"].astype(float)), pd.get_dummies(table["seal"]).iloc[:, 1:]]
    variance = []
    for name in ("log", "species"):
        x = np.column_stack([*shared, pd.get_dummies(table[name])]).astype(float)
        free = len(x) - (np.linalg.matrix_rank(x) if len(x) else 0)
        if free < LEAST_FREE:
            return np.nan, np.nan, len(table)
        off = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
        variance.append(float((off**2).sum(axis=0).mean() / free))
    within, whole = variance
    return float(np.sqrt(within)), float(np.sqrt(max(whole - within, 0.0))), len(table)


def _crack_figures(book: RecordBook, reference: str) -> tuple[dict[str, float], str]:
    """Chance of a crack and spread between logs of the pieces under a seal, and what is said."""
    from woodlab.studies.cracks import crack_study

    study, default = crack_study(book), "The chance of a crack keeps its default: "
    own = study.rates
    if len(own):
        own = own.query("by == 'seal' and group == @reference and n_pieces > 0")
    if not len(own):
        return {}, f"{default}no {words.bowls(reference)} were looked at after turning."
    row = own.iloc[0]
    looked, cracked = int(row["n_pieces"]), int(row["n_cracked"])
    did = f"{cracked} of {words.bowls(reference, looked)} cracked"
    if looked < LEAST_FREE or cracked == 0:
        return {}, f"{default}{did}."
    found = {"crack_chance": cracked / looked}
    if study.model is not None and np.isfinite(study.model.log_sd):
        found["crack_log_sd"] = float(study.model.log_sd)
    limits = f"{row['ci_lower']:.0%} to {row['ci_upper']:.0%}"
    return found, f"{did} ({row['share']:.0%}, 95 % range {limits})."
