"""The hazard of a first crack: who cracks, when, and what it hangs on.

Between two looks a piece still whole cracks with the chance 1 - exp(-rate), the rate being the
integral over the days between of a smooth course, times what species, wall, seal and log make of
it: a complementary log-log model with the logarithm of the interval's length as its offset and,
the course being integrated inside each interval, right for long intervals too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.optimize import minimize_scalar

from woodlab.studies.course import Course, choose_course, slow_time
from woodlab.studies.crack_design import CrackDesign, independent_columns
from woodlab.studies.firth import BinomialRows, PenalisedFit, fit_penalised, with_group_sd

# Spread of ln rate between logs (and between species, where they are pooled) is held back by a
# weak prior, sd * exp(-sd / scale), with its peak at the scale: with few logs the likelihood
# alone often puts it at nought, and then every interval comes out too short.
PRIOR_SD = 0.5
# Species differ more than logs of one species do, and the prior's peak is farther out: drawn in
# too far, a pooled species would have too short an interval.
PRIOR_SPECIES_SD = 1.0
_SD_RANGE = (0.05, 2.5)

# As many degrees of freedom as cracks, for Student's t in place of the normal law of the signed
# root of the deviance: with few cracks the normal quantile gave intervals that held in 92 %.
LEAST_DF = 4.0

# Clean looks in a row are taken as one interval up to this length in ln(1 + days / 7), which is
# 2 days at first and 2 weeks after a month: the same likelihood, fewer rows.
_MERGE_SLOW = 0.33


@dataclass(frozen=True, eq=False)
class HazardModel:
    """A fitted hazard of first cracks.

    Attributes
    ----------
    fit : PenalisedFit
    design : CrackDesign
    course : Course
    log_sd, species_sd : float
        Spread of ln rate between logs, and between species where pooled; NaN without.
    used : DataFrame
        The pieces, one row each.
    last_days : float
        The last look [days since turning].
    """

    fit: PenalisedFit
    design: CrackDesign
    course: Course
    log_sd: float
    species_sd: float
    used: pd.DataFrame
    last_days: float

    def dense_weights(self, fixed_weights: np.ndarray) -> np.ndarray:
        """Weights on the design's columns, as weights on all dense parameters."""
        inside = self.design.contrast(fixed_weights)
        return np.concatenate([inside, np.zeros(self.course.df)])


def merged_intervals(intervals: pd.DataFrame) -> pd.DataFrame:
    """Neighbouring spans without a crack joined up; exact for the likelihood."""
    piece, _ = pd.factorize(intervals["piece"])
    block = np.floor(slow_time(intervals["to_days"].to_numpy()) / _MERGE_SLOW + 1e-9)
    key = pd.DataFrame({"piece": piece, "block": block, "cracked": intervals["cracked"]})
    number = (key != key.shift()).any(axis=1).cumsum().to_numpy()
    grouped = intervals.groupby(number, sort=False)
    return pd.DataFrame(
        {
            "piece": grouped["piece"].first(),
            "from_days": grouped["from_days"].min(),
            "to_days": grouped["to_days"].max(),
            "cracked": grouped["cracked"].max(),
        }
    ).reset_index(drop=True)


def fit_hazard(
    used: pd.DataFrame,
    intervals: pd.DataFrame,
    design: CrackDesign,
    course: Course | None = None,
) -> HazardModel:
    """Fit the hazard to pieces and their intervals between looks.

    Parameters
    ----------
    used : DataFrame
        `piece`, `species`, `seal`, `wall_mm`, `log` (and the design's extra column).
    intervals : DataFrame
        `piece`, `from_days`, `to_days`, `cracked`.
    design : CrackDesign
        Which columns; `kept` is chosen here.
    course : Course, optional
        Chosen by the number of cracks unless given.
    """
    last_days = float(intervals["to_days"].max())
    if course is None:
        course = choose_course(
            intervals["from_days"].to_numpy(float),
            intervals["to_days"].to_numpy(float),
            intervals["cracked"].to_numpy(bool),
        )
    rows_frame = merged_intervals(intervals)
    design = _chosen(design, used)
    place = pd.Series(np.arange(len(used)), used["piece"])
    at = rows_frame["piece"].map(place).to_numpy()
    basis, log_widths = course.nodes(
        rows_frame["from_days"].to_numpy(float), rows_frame["to_days"].to_numpy(float)
    )
    columns = design.columns(used)
    dense = columns.shape[1] + course.df
    shared = np.zeros(dense, dtype=bool)
    if design.pooled:
        shared[columns.shape[1] - len(design.species) : columns.shape[1]] = True
    groups = _log_codes(used["log"])
    rows = BinomialRows(
        design=columns[at],
        events=rows_frame["cracked"].to_numpy(float),
        course=basis,
        log_widths=log_widths,
        shared=shared,
        precision=np.zeros(dense),
        group=None if groups is None else groups[at],
    )
    rows, fit, log_sd, species_sd = _with_spreads(rows)
    fit = replace(fit, df=max(float(rows_frame["cracked"].sum()), LEAST_DF))
    return HazardModel(fit, design, course, log_sd, species_sd, used, last_days)


def _chosen(design: CrackDesign, used: pd.DataFrame) -> CrackDesign:
    fixed = design.fixed(used)
    if design.pooled:
        fixed = np.delete(fixed, np.r_[design.species_at], axis=1)
    return replace(design, kept=independent_columns(fixed))


def _log_codes(logs: pd.Series) -> np.ndarray | None:
    """Codes of the logs, a piece without one standing alone; None where no log has two pieces."""
    named = logs.dropna()
    if named.nunique() < 2 or named.value_counts().max() < 2:
        return None
    alone = pd.Series([f"piece {i}" for i in range(len(logs))], logs.index)
    names = ("log " + logs.astype("object").astype(str)).where(logs.notna(), alone)
    return pd.factorize(names)[0]


def _with_spreads(rows: BinomialRows) -> tuple[BinomialRows, PenalisedFit, float, float]:
    """Choose the spreads between logs and between species by their marginal likelihood.

    Laplace's approximation integrates all parameters out; Jeffreys' prior cancels the
    determinant of the fixed ones.
    """
    by_log = rows.group is not None
    by_species = rows.shared is not None and bool(rows.shared.any())
    if not by_log and not by_species:
        return rows, fit_penalised(rows), np.nan, np.nan
    known: dict[str, tuple[np.ndarray, np.ndarray]] = {}

    def with_sds(log_sd: float, species_sd: float) -> BinomialRows:
        out = with_group_sd(rows, log_sd) if by_log else rows
        if rows.shared is not None:
            out = replace(out, precision=np.where(rows.shared, 1 / species_sd**2, 0.0))
        return out

    def loss(log_sd: float, species_sd: float) -> float:
        fit = fit_penalised(with_sds(log_sd, species_sd), known.get("start"))
        known["start"] = (fit.dense, fit.effects)
        value = fit.loglik - 0.5 * fit.log_det_shared
        if by_log:
            value -= 0.5 * float(fit.effects @ fit.effects) / log_sd**2
            value += (1 - rows.n_groups) * np.log(log_sd) - log_sd / PRIOR_SD
        if by_species and rows.shared is not None:
            own = fit.dense[rows.shared]
            value -= 0.5 * float(own @ own) / species_sd**2
            value += (1 - len(own)) * np.log(species_sd) - species_sd / PRIOR_SPECIES_SD
        return -value

    sds = {"log_sd": PRIOR_SD, "species_sd": PRIOR_SPECIES_SD}
    which = ["log_sd"] * by_log + ["species_sd"] * by_species
    for _ in range(3 if len(which) > 1 else 1):
        for name in which:

            def along(ln_sd: float, name: str = name) -> float:
                return loss(**(sds | {name: float(np.exp(ln_sd))}))

            best = minimize_scalar(
                along, bounds=np.log(_SD_RANGE), method="bounded", options={"xatol": 0.02}
            )
            sds[name] = float(np.exp(best.x))
    if by_species:
        # The root of the mean of sd^2 over what the records leave open, not the likeliest sd:
        # each pooled species hangs on it, and with the likeliest its intervals are too short.
        grid = np.exp(np.linspace(np.log(0.1), np.log(_SD_RANGE[1]), 10))
        losses = np.array([loss(sds["log_sd"], sd) for sd in grid])
        weights = grid * np.exp(losses.min() - losses)
        sds["species_sd"] = float(np.sqrt(np.average(grid**2, weights=weights)))
    final = with_sds(sds["log_sd"], sds["species_sd"])
    fit = fit_penalised(final, known["start"])
    log_sd = sds["log_sd"] if by_log else np.nan
    return final, fit, log_sd, sds["species_sd"] if by_species else np.nan
