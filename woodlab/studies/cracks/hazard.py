"""The hazard of a first crack: who cracks, when, and what it depends on.

Between two looks a piece still whole cracks with the chance 1 - exp(-rate), the rate being the
integral over the days between of a smooth course, times what species, wall, seal and log make of
it: a complementary log-log model, right for long intervals too since the course is integrated
inside each of them. Logs are integrated out and looks may overlook cracks (`likelihood`); the fixed
effects are under Jeffreys' prior (`penalised`). All figures about a risk are functions of draws
from the posterior, so that what is not known of the spread between logs is in their intervals.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.stats import chi2, norm, qmc
from scipy.stats import t as student_t

from woodlab.studies.columns import log_names
from woodlab.studies.cracks.design import Course, Design, choose_course, slow_time
from woodlab.studies.cracks.intervals import NO_MISSES, FirstCracks, Misses, spans_of
from woodlab.studies.cracks.likelihood import BinomialRows, Pieces
from woodlab.studies.cracks.penalised import Objective, PenalisedFit, fit_penalised

# Spread of ln rate between logs (and between species, where they are pooled) is held back by a
# weak prior, sd * exp(-sd / scale), with its peak at the scale: with few logs the likelihood
# alone often puts it at zero, and then every interval comes out too short.
PRIOR_SD = 0.5
# Species differ more than logs of one species do, and the prior's peak is farther out: drawn in
# too far, a pooled species would have too short an interval.
PRIOR_SPECIES_SD = 1.0
_SPECIES_GRID = np.exp(np.linspace(np.log(0.1), np.log(2.5), 10))

# As many degrees of freedom as cracks, for Student's t in place of the normal law of the signed
# root of the deviance: with few cracks the normal quantile gave intervals that held in 92 %.
LEAST_DF = 4.0

# Clean looks in a row are taken as one row up to this length in ln(1 + days / 7), which is 6 days
# at first and five weeks after a month: the rows carry the penalty only.
_MERGE_SLOW = 0.66

DRAWS = 1024
_PROPOSAL_DF = 5.0
# Draws are spread by so much more than Student's quantile asks: the course of the rate is one curve
# of few degrees of freedom, chosen by the data, and its misfit is in no posterior. Without it risk
# bands hold in 94 % of simulated seasons, with it in 96 to 98 % (docs/cracks.md).
WIDEN = 1.1
# How much of the way back to its unpenalised maximum the intercept goes, for risks: at none of it
# risks of many cracks came out 5 % high, at all of it those of few cracks 20 % low.
LEVEL_SHARE = 0.5


@dataclass(frozen=True, eq=False)
class HazardModel:
    """A fitted hazard of first cracks.

    Attributes
    ----------
    fit : PenalisedFit
    design : Design
    course : Course
    log_sd, species_sd : float
        Spread of ln rate between logs, and between species where pooled; NaN without.
    used : DataFrame
        The pieces, one row each.
    last_days : float
        The last look [days since turning].
    misses : Misses
    draws : array, shape (k, size)
        Of the posterior, equally likely.
    level : float
        What is added to ln rate for risks: Jeffreys' prior draws rare events up, and the
        intercept alone goes half of the way back to its unpenalised maximum (after Puhr and
        others 2017, Statistics in Medicine 36:2302, who go all of it).
    """

    fit: PenalisedFit
    design: Design
    course: Course
    log_sd: float
    species_sd: float
    used: pd.DataFrame
    last_days: float
    misses: Misses
    draws: np.ndarray
    level: float

    def risk(
        self, columns: np.ndarray, start_days: np.ndarray, end_days: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Chance of a first crack in a span, by piece: the estimate (n,) and its draws (k, n).

        Over logs not yet known. `columns` are those of `design.columns`.
        """
        theta = np.vstack([self.fit.theta, self.draws])
        p, m = len(self.design.kept) + self.design.shared.sum(), self.course.df  # type: ignore[arg-type]
        eta = theta[:, :p] @ columns.T + self.level
        lam = self._between(theta[:, p : p + m], start_days, end_days)
        sd = np.exp(theta[:, p + m]) if theta.shape[1] > p + m else np.zeros(len(theta))
        out = chance_over_logs(eta + np.log(np.maximum(lam, 1e-300)), sd)
        return out[0], out[1:]

    def _between(self, gamma: np.ndarray, start: np.ndarray, end: np.ndarray) -> np.ndarray:
        """The course's integral over each span, shape (k, n); each different span once."""
        spans, back = np.unique(np.stack([start, end], 1), axis=0, return_inverse=True)
        out = np.empty((len(gamma), len(spans)))
        for i, (a, b) in enumerate(spans):
            out[:, i] = np.exp(self.course.log_integral(float(a), float(b), gamma))
        return out[:, back.ravel()]


_Z, _W = np.polynomial.hermite_e.hermegauss(15)
_W = _W / _W.sum()


def chance_over_logs(log_rate: np.ndarray, sd: np.ndarray | float) -> np.ndarray:
    """Chance of a crack at ln cumulative rate (k, n), averaged over logs of spread sd (k,).

    Examples
    --------
    >>> chance_over_logs(np.log([[0.2]]), 0.0).round(4).tolist()
    [[0.1813]]
    """
    sd = np.broadcast_to(np.asarray(sd, dtype=float), (len(log_rate),))
    out = np.zeros_like(log_rate)
    for z, w in zip(_Z, _W, strict=True):
        out -= w * np.expm1(-np.exp(np.minimum(log_rate + sd[:, None] * z, 50.0)))
    return out


def merged_intervals(intervals: pd.DataFrame) -> pd.DataFrame:
    """Neighbouring spans without a crack joined up; exact for the likelihood."""
    piece, _ = pd.factorize(intervals["piece"])
    block = np.floor(slow_time(intervals["to_days"].to_numpy()) / _MERGE_SLOW + 1e-9)
    key = pd.DataFrame({"piece": piece, "block": block, "cracked": intervals["cracked"]})
    number = (key != key.shift()).any(axis=1).cumsum().to_numpy()
    return intervals.groupby(number, sort=False, as_index=False).agg(
        piece=("piece", "first"), from_days=("from_days", "min"), to_days=("to_days", "max"),
        cracked=("cracked", "max"),
    )  # fmt: skip


def fit_hazard(
    first: FirstCracks,
    design: Design,
    course: Course | None = None,
    misses: Misses = NO_MISSES,
    *,
    seed: int = 1,
    draws: int = DRAWS,
) -> HazardModel:
    """Fit the hazard to pieces and their intervals between looks.

    Parameters
    ----------
    first : FirstCracks
        Its `used` pieces, with the design's columns.
    design : Design
        Which columns; those that can be told apart are chosen here.
    course : Course, optional
        Chosen by the number of cracks unless given.
    misses : Misses
        How often a look overlooks a crack.
    """
    used, intervals = first.used, first.intervals
    if course is None:
        course = choose_course(
            intervals["from_days"].to_numpy(float),
            intervals["to_days"].to_numpy(float),
            intervals["cracked"].to_numpy(bool),
        )
    design = design.for_pieces(used)
    columns = design.columns(used)
    rows = _rows(used, intervals, design, columns, course)
    pieces = pieces_of(used, spans_of(first, misses), columns, course)
    objective = Objective(rows, pieces, PRIOR_SD if pieces.log is not None else 0.0)
    species_sd = np.nan
    if design.pooled:
        objective, species_sd = _with_species_sd(objective)
    fit = fit_penalised(objective)
    fit = replace(fit, df=max(float(used["cracked"].sum()), LEAST_DF))
    log_sd = float(np.exp(fit.theta[-1])) if objective.sd_scale else np.nan
    return HazardModel(
        fit, design, course, log_sd, species_sd, used, float(intervals["to_days"].max()), misses,
        _spread(posterior_draws(fit, draws, seed), fit.df), LEVEL_SHARE * _level(fit),
    )  # fmt: skip


def _rows(
    used: pd.DataFrame, intervals: pd.DataFrame, design: Design, columns: np.ndarray,
    course: Course,
) -> BinomialRows:  # fmt: skip
    """A row for each (joined) span between looks of a piece still whole."""
    frame = merged_intervals(intervals)
    at = frame["piece"].map(pd.Series(np.arange(len(used)), used["piece"])).to_numpy()
    basis, log_widths = course.nodes(
        frame["from_days"].to_numpy(float), frame["to_days"].to_numpy(float)
    )
    shared = np.r_[design.shared, np.zeros(course.df, bool)]
    return BinomialRows(
        columns[at], frame["cracked"].to_numpy(float), course=basis, log_widths=log_widths,
        shared=shared, precision=np.where(shared, 1 / PRIOR_SPECIES_SD**2, 0.0),
    )  # fmt: skip


def pieces_of(
    used: pd.DataFrame, spans: pd.DataFrame, columns: np.ndarray, course: Course
) -> Pieces:
    """The frame of pieces and their spans as the likelihood takes them."""
    codes = log_codes(used)
    order = np.arange(len(used)) if codes is None else np.argsort(codes, kind="stable")
    place = pd.Series(np.argsort(order), used["piece"])
    at = spans["piece"].map(place).to_numpy()
    by_piece = np.argsort(at, kind="stable")
    spans = spans.iloc[by_piece]
    start, end = spans["from_days"].to_numpy(float), spans["to_days"].to_numpy(float)
    days = np.unique(np.r_[0.0, start, end[np.isfinite(end)]])
    if len(days) < 2:
        days = np.r_[days, days[-1] + 1.0]
    basis, log_widths = course.nodes(days[:-1], days[1:])
    return Pieces(
        design=columns[order], piece=at[by_piece], start=np.searchsorted(days, start),
        end=np.where(np.isfinite(end), np.searchsorted(days, np.minimum(end, days[-1])), -1),
        weight=spans["weight"].to_numpy(float), course=basis, log_widths=log_widths,
        log=None if codes is None else np.cumsum(np.r_[0, np.diff(codes[order]) > 0]),
    )  # fmt: skip


def log_codes(used: pd.DataFrame) -> np.ndarray | None:
    """Codes of the logs, a piece without one standing alone; None where no log has two pieces."""
    named = used["log"].dropna()
    if named.nunique() < 2 or named.value_counts().max() < 2:
        return None
    return pd.factorize(log_names(used))[0]


def _with_species_sd(objective: Objective) -> tuple[Objective, float]:
    """The spread between pooled species: the root of the mean of sd^2 over its posterior.

    Not its likeliest value: each pooled species depends on it, and with the likeliest its
    intervals are too short. Laplace's approximation integrates the other parameters out.
    """
    losses, start = [], None
    shared = objective.rows.shared
    assert shared is not None

    def with_sd(sd: float) -> Objective:
        rows = replace(objective.rows, precision=np.where(shared, 1 / sd**2, 0.0))
        return replace(objective, rows=rows)

    for sd in _SPECIES_GRID:
        fit = fit_penalised(with_sd(sd), start)
        start = fit.theta
        spread = np.linalg.slogdet(fit.covariance)[1]
        losses.append(fit.value + 0.5 * spread + (1 - shared.sum()) * np.log(sd)
                      - sd / PRIOR_SPECIES_SD)  # fmt: skip
    weights = _SPECIES_GRID * np.exp(np.array(losses) - max(losses))
    sd = float(np.sqrt(np.average(_SPECIES_GRID**2, weights=weights)))
    return with_sd(sd), sd


def posterior_draws(fit: PenalisedFit, count: int, seed: int) -> np.ndarray:
    """Equally likely draws of theta, by importance sampling around the maximum.

    The proposal is Student's t with the curvature of the maximum, from a scrambled Sobol
    sequence; draws are kept as often as their weight says (systematic resampling).
    """
    size = len(fit.theta)
    uniform = qmc.Sobol(size + 1, rng=np.random.default_rng(seed)).random(count)
    uniform = np.clip(uniform, 1e-9, 1 - 1e-9)
    z = norm.ppf(uniform[:, :size])
    stretch = np.sqrt(_PROPOSAL_DF / chi2.ppf(uniform[:, size], _PROPOSAL_DF))
    half = np.linalg.cholesky(_positive(fit.covariance))
    theta = fit.theta + (z * stretch[:, None]) @ half.T
    square = (z**2).sum(axis=1) * stretch**2
    log_proposal = -0.5 * (_PROPOSAL_DF + size) * np.log1p(square / _PROPOSAL_DF)
    weight = _log_posterior(fit, theta) - log_proposal
    weight = np.exp(weight - weight.max())
    # One draw far out in the tail must not stand for many (Ionides 2008, J. Comput. Graph.
    # Stat. 17:295): weights are cut off at the root of the count times their mean.
    weight = np.minimum(weight, weight.mean() * np.sqrt(count))
    edges = np.cumsum(weight) / weight.sum()
    kept = np.searchsorted(edges, (np.arange(count) + 0.5) / count)
    return theta[np.minimum(kept, count - 1)]


def _spread(draws: np.ndarray, df: float) -> np.ndarray:
    """Draws spread about their middle, as Student's quantile is wider than the normal one."""
    middle = np.median(draws, axis=0)
    by = WIDEN * student_t.ppf(0.975, df) / norm.ppf(0.975)
    return middle + by * (draws - middle)


def _positive(matrix: np.ndarray) -> np.ndarray:
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    values = np.clip(values, 1e-10 * max(values.max(), 1e-10), None)
    return (vectors * values) @ vectors.T


def _log_posterior(fit: PenalisedFit, theta: np.ndarray) -> np.ndarray:
    """Ln posterior at many points; the spread between logs is drawn as its logarithm."""
    objective = fit.objective
    n = objective.rows.n_dense
    out = np.full(len(theta), -np.inf)
    assert objective.pieces is not None
    with np.errstate(all="ignore"):
        for low in range(0, len(theta), 32):
            out[low : low + 32] = objective.pieces.logliks(theta[low : low + 32])
        for k in range(len(theta)):
            try:
                out[k] += objective.rows.penalty(theta[k], slope=False)[0]
            except np.linalg.LinAlgError:
                out[k] = -np.inf
    if objective.sd_scale > 0:
        ln_sd = theta[:, n]
        out += 2 * ln_sd - np.exp(ln_sd) / objective.sd_scale
    return np.where(np.isfinite(out), out, -np.inf)


def _level(fit: PenalisedFit) -> float:
    """How far the intercept alone moves to its unpenalised maximum, all else held."""
    objective = fit.objective
    pieces = objective.pieces
    assert pieces is not None
    at, constant = fit.theta.copy(), np.zeros(len(fit.theta))
    constant[: pieces.design.shape[1]] = np.linalg.lstsq(
        pieces.design, np.ones(len(pieces.design)), rcond=None
    )[0]
    moved = 0.0
    for _ in range(20):
        slope = float(pieces.loglik(at)[1] @ constant)
        ahead = float(pieces.loglik(at + 1e-4 * constant)[1] @ constant)
        curve = (slope - ahead) / 1e-4
        if not curve > 0:
            break
        step = float(np.clip(slope / curve, -0.5, 0.5))
        at, moved = at + step * constant, moved + step
        if abs(step) < 1e-6:
            break
    return moved
