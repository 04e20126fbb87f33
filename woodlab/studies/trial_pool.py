"""What varies in a season: stated, taken from a past book, or simulated by the drying laws."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.errors import WoodlabError

LEAST_FREE = 6  # degrees of freedom below which a scatter is not taken from a book


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


def scatter_of(book: RecordBook, reference: str = "none") -> tuple[Scatter, tuple[str, ...]]:
    """The scatter of a past book, and in words where each figure comes from.

    ln time constant of an exponential fit stands for ln drying time; what species, seal and ln
    wall explain is taken off, then what logs share. The chance of a crack is that of the pieces
    under `reference` that were looked at. What the book cannot tell keeps its default, said so.

    Examples
    --------
    >>> import woodlab as wl
    >>> from woodlab.studies.trial_pool import scatter_of
    >>> scatter, words = scatter_of(wl.demo_book())                    # doctest: +SKIP
    """
    from woodlab.drying.fit import fit_drying

    scatter, said = Scatter(), []
    fits = fit_drying(book, intervals=False, progress=False) if len(book.weighings) else None
    found = None if fits is None else _within_and_between(book, fits.pieces)
    if found is None:
        said.append("The scatter of drying times keeps its default: too few pieces share a log.")
    else:
        within, between, count = found
        scatter = replace(scatter, drying_time_sd=within, between_logs_sd=between)
        said.append(
            f"Scatter of ln drying time: {within:.2f} between pieces of a log, {between:.2f} "
            f"between logs ({count} pieces with a curve)."
        )
    said.append("The scatter of the surface coefficient keeps its default.")
    chance, log_sd, words = _crack_figures(book, reference)
    if chance is not None:
        scatter = replace(scatter, crack_chance=chance)
    if log_sd is not None:
        scatter = replace(scatter, crack_log_sd=log_sd)
    said.append(words)
    return replace(scatter, source="a past book, defaults where it cannot tell"), tuple(said)


def _within_and_between(book: RecordBook, fits: pd.DataFrame) -> tuple[float, float, int] | None:
    table = book.pieces.merge(fits[["piece", "status", "tau_days"]], on="piece")
    table = table[(table["status"] == "ok") & (table["tau_days"] > 0) & table["log"].notna()]
    if len(table) < LEAST_FREE + 2:
        return None
    y = np.log(table["tau_days"].to_numpy(dtype=float))
    wall = np.log(table["wall_mm"].to_numpy(dtype=float))
    shared = [
        np.ones_like(y), wall - wall.mean(),
        *pd.get_dummies(table["seal"]).to_numpy(dtype=float).T[1:],
    ]  # fmt: skip
    logs = pd.get_dummies(table["log"]).to_numpy(dtype=float)
    within, free = _residual_variance(np.column_stack([*shared[1:], logs]), y)
    species = pd.get_dummies(table["species"]).to_numpy(dtype=float)
    whole, free_whole = _residual_variance(np.column_stack([*shared[1:], species]), y)
    if free < LEAST_FREE or free_whole < LEAST_FREE:
        return None
    return float(np.sqrt(within)), float(np.sqrt(max(whole - within, 0.0))), len(table)


def _residual_variance(x: np.ndarray, y: np.ndarray) -> tuple[float, int]:
    beta, _, rank, _ = np.linalg.lstsq(x, y, rcond=None)
    free = y.size - int(rank)
    return (float(np.sum((y - x @ beta) ** 2) / free) if free > 0 else np.nan), free


def _crack_figures(book: RecordBook, reference: str) -> tuple[float | None, float | None, str]:
    from woodlab.studies.cracks import crack_study
    from woodlab.studies.cracks.counts import wilson_interval

    own = book.pieces.loc[book.pieces["seal"] == reference, "piece"]
    looks = book.looks[book.looks["piece"].isin(own)]
    looked = looks["piece"].nunique()
    cracked = looks.loc[looks["crack_mm"] > 0, "piece"].nunique()
    if looked < LEAST_FREE or cracked == 0:
        return None, None, (
            f"The chance of a crack keeps its default: {cracked} of {looked} pieces under "
            f"{reference} were found cracked."
        )  # fmt: skip
    low, high = wilson_interval(cracked, looked)
    words = (
        f"{cracked} of {looked} pieces under {reference} cracked ({cracked / looked:.0%}, 95 % "
        f"interval {low:.0%} to {high:.0%})."
    )
    try:
        model = crack_study(book).model
    except WoodlabError:
        model = None
    log_sd = None if model is None or not np.isfinite(model.log_sd) else float(model.log_sd)
    return cracked / looked, log_sd, words


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
        Drying time is the day on which the moisture reckoned from the records crosses this; a
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
