"""What varies in a season: stated, taken from a past book, or simulated by the drying laws."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.book.record_book import RecordBook, expect_book
from woodlab.studies.season_fits import season_fits

LEAST_FREE = 6  # degrees of freedom below which a scatter is not taken from a book
TIME_TO_PCT = 20.0  # drying time of the scatter: until this moisture


@dataclass(frozen=True)
class Scatter:
    """What varies in a season, on the natural-log scale.

    The defaults are of the size of those in the simulated seasons (`SeasonTruth`): estimates of
    our own, to be replaced by a past book's (`scatter_of`).

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
    crack is that of the pieces under `reference` that were looked at. What the season cannot tell
    keeps its default, and the words say so.

    Parameters
    ----------
    fits_or_book : DryingFits or RecordBook
    reference : str
        The seal that others are compared with.

    Examples
    --------
    >>> import woodlab as wl
    >>> from woodlab.studies.next_season.trial_pool import scatter_of
    >>> scatter, words = scatter_of(wl.demo_book())                    # doctest: +SKIP
    """
    book = expect_book(fits_or_book, "scatter_of")
    scatter, said = Scatter(), []
    fits = season_fits(fits_or_book) if len(book.weighings) else None
    found = None if fits is None else _within_and_between(fits)
    if found is None:
        said.append("The scatter of drying times keeps its default: too few pieces share a log.")
    else:
        within, between, count = found
        scatter = replace(scatter, drying_time_sd=within, between_logs_sd=between)
        said.append(
            f"Scatter of ln drying time: {within:.2f} between pieces of a log, {between:.2f} "
            f"between logs ({count} pieces)."
        )
    surface = np.nan if fits is None else _surface_spread(fits)
    if np.isfinite(surface):
        scatter = replace(scatter, surface_coefficient_sd=surface)
        said.append(f"Scatter of the ln surface coefficient between pieces: {surface:.2f}.")
    else:
        said.append("The scatter of the surface coefficient keeps its default.")
    chance, log_sd, words_said = _crack_figures(book, reference)
    if chance is not None:
        scatter = replace(scatter, crack_chance=chance)
    if log_sd is not None:
        scatter = replace(scatter, crack_log_sd=log_sd)
    said.append(words_said)
    return replace(scatter, source="a past season, defaults where it cannot tell"), tuple(said)


def _within_and_between(fits: Any) -> tuple[float, float, int] | None:
    """Scatter of ln drying time inside and between logs, averaged over the draws as variances."""
    from woodlab.drying.forecast.passage import passages

    pieces = fits.book.pieces.reset_index(drop=True)
    days = passages(fits, target_moisture_pct=TIME_TO_PCT).passage_days
    ok = fits.pieces["status"].isin(["ok", "bounded"]).to_numpy() & pieces["log"].notna().to_numpy()
    ok &= (np.isfinite(days) & (days > 0)).all(axis=1) & pieces["wall_mm"].notna().to_numpy()
    table, y = pieces[ok], np.log(days[ok])
    if len(table) < LEAST_FREE + 2:
        return None
    wall = np.log(table["wall_mm"].to_numpy(dtype=float))
    shared = [wall - wall.mean(), *pd.get_dummies(table["seal"]).to_numpy(dtype=float).T[1:]]
    logs, species = (pd.get_dummies(table[name]).to_numpy(float) for name in ("log", "species"))
    within, free = _residual_variance(np.column_stack([*shared, logs]), y)
    whole, free_whole = _residual_variance(np.column_stack([*shared, species]), y)
    if free < LEAST_FREE or free_whole < LEAST_FREE:
        return None
    return float(np.sqrt(within)), float(np.sqrt(max(whole - within, 0.0))), len(table)


def _residual_variance(x: np.ndarray, y: np.ndarray) -> tuple[float, int]:
    """Of the columns of y about their least squares fits on x, averaged."""
    beta, _, rank, _ = np.linalg.lstsq(x, y, rcond=None)
    free = len(y) - int(rank)
    if free <= 0:
        return np.nan, free
    return float(np.mean(np.sum((y - x @ beta) ** 2, axis=0) / free)), free


def _surface_spread(fits: Any) -> float:
    """Sd of the ln surface coefficient between pieces of a log, by the law of most weight."""
    law = fits.laws.sort_values("weight")["law"].iloc[-1]
    rows = fits.groups[
        (fits.groups["kind"] == "spread") & (fits.groups["group"] == "piece")
        & fits.groups["parameter"].str.startswith("surface") & (fits.groups["law"] == law)
    ]  # fmt: skip
    return float(rows["estimate"].iloc[0]) if len(rows) else np.nan


def _crack_figures(book: RecordBook, reference: str) -> tuple[float | None, float | None, str]:
    from woodlab.studies.cracks import crack_study

    study = crack_study(book)
    rates = study.rates
    own = rates[(rates["by"] == "seal") & (rates["group"] == reference)] if len(rates) else rates
    looked, cracked = (
        (int(own["n_pieces"].iloc[0]), int(own["n_cracked"].iloc[0])) if len(own) else (0, 0)
    )
    if not looked:
        return None, None, (
            f"The chance of a crack keeps its default: no {words.bowls(reference)} were looked "
            "at after turning."
        )  # fmt: skip
    if looked < LEAST_FREE or cracked == 0:
        return None, None, (
            f"The chance of a crack keeps its default: {cracked} of "
            f"{words.bowls(reference, looked)} cracked."
        )  # fmt: skip
    row = own.iloc[0]
    said = (
        f"{cracked} of {words.bowls(reference, looked)} cracked ({row['share']:.0%}, 95 % range "
        f"{row['ci_lower']:.0%} to {row['ci_upper']:.0%})."
    )
    log_sd = np.nan if study.model is None else float(study.model.log_sd)
    return cracked / looked, log_sd if np.isfinite(log_sd) else None, said


def season_pool(
    n_logs: int = 100,
    per_seal: int = 1,
    *,
    seals: tuple[str, str] = ("none", "wax on end grain"),
    truth: object = None,
    wall_mm: tuple[float, float] = (22.0, 32.0),
    target_moisture_pct: float = 20.0,
    seed: int,
) -> pd.DataFrame:
    """Simulated logs with pieces under two seals, and the outcomes that their records show.

    The true course is the drying law of `SeasonTruth` in invented weather, with its effects of
    log and piece, its scale and its cracks; nothing true is used but through weighings, looks and
    the oven-dried offcuts of a log.

    Parameters
    ----------
    n_logs, per_seal : int
    seals : tuple of str
        Reference and the one against it; their surface coefficients are those of `truth`.
    truth : SeasonTruth, optional
    wall_mm : tuple of float
        Walls are drawn evenly between these.
    target_moisture_pct : float
        Drying time is the day on which the moisture computed from the records crosses this; a
        piece that does not within the year counts with the last day (few may).

    Returns
    -------
    DataFrame
        `log`, `sealed` (0, 1), `piece`, `drying_time` [days], `crack_hazard` (1: a crack was
        found at a look, else 0), `reached`.

    Examples
    --------
    >>> pool = season_pool(4, seed=1)
    >>> pool.groupby("sealed").size().tolist()
    [4, 4]
    """
    from woodlab.drying.simulate import SeasonTruth, simulate_season
    from woodlab.drying.weather import invented_air

    truth = SeasonTruth() if truth is None else truth
    rng = np.random.default_rng(seed)
    rows = [
        (f"L{i}-{s}{k}", f"L{i}", s, seals[s])
        for i in range(n_logs)
        for s in (0, 1)
        for k in range(per_seal)
    ]
    pieces = pd.DataFrame(rows, columns=["piece", "log", "sealed", "seal"])
    pieces = pieces.assign(
        species="sugar maple", turned_on=pd.Timestamp("2026-01-10"), rim_mm=240.0,
        wall_mm=rng.uniform(*wall_mm, len(pieces)),
    )  # fmt: skip
    air = invented_air("2026-01-01", 380, seed=seed + 1)
    book = simulate_season(
        pieces.drop(columns="sealed"),
        air,
        seed=seed + 2,
        truth=truth,  # type: ignore[arg-type]
    ).book
    out = pieces[["log", "sealed", "piece"]].copy()
    days, reached = _drying_days(book, target_moisture_pct)
    out["drying_time"], out["reached"] = out["piece"].map(days), out["piece"].map(reached)
    cracked = set(book.looks.loc[book.looks["crack_mm"] > 0, "piece"])
    out["crack_hazard"] = out["piece"].isin(cracked).astype(float)
    return out


def _drying_days(book: RecordBook, target_pct: float) -> tuple[dict, dict]:
    """Days to the target by the records: oven-dry mass from the offcuts of the log."""
    cuts = book.offcuts.groupby("log")[["wet_g", "oven_dry_g"]].sum()
    ratio = cuts["oven_dry_g"] / cuts["wet_g"]
    days, reached = {}, {}
    pieces = book.pieces.set_index("piece")
    for piece, group in book.weighings.sort_values("on").groupby("piece"):
        age = (group["on"] - pieces.at[piece, "turned_on"]).dt.days.to_numpy(dtype=float)
        mass = group["mass_g"].to_numpy(dtype=float)
        moisture = 100 * (mass / (mass[0] * ratio[pieces.at[piece, "log"]]) - 1)
        below = np.flatnonzero(moisture <= target_pct)
        reached[piece] = bool(below.size)
        if not below.size or below[0] == 0:
            days[piece] = age[-1] if not below.size else max(age[0], 1.0)
            continue
        i = below[0]
        part = (moisture[i - 1] - target_pct) / (moisture[i - 1] - moisture[i])
        days[piece] = age[i - 1] + part * (age[i] - age[i - 1])
    return days, reached
