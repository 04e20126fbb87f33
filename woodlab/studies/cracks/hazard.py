"""The hazard of a first crack: who cracks, when, and what it depends on.

Between two looks a piece still whole cracks with the chance 1 - exp(-rate), the rate being the
integral over the days between of a smooth course, times what species, wall, seal and log make of
it (complementary log-log). Logs are integrated out and looks may overlook cracks (`likelihood`);
the fixed effects are under Jeffreys' prior (`penalised`). All figures about a risk are functions of
draws from the posterior.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import minimize_scalar
from scipy.stats import chi2, norm, qmc
from scipy.stats import t as student_t

from woodlab import words
from woodlab.errors import WoodlabError
from woodlab.studies.columns import log_names
from woodlab.studies.confounding import untellable
from woodlab.studies.cracks.design import Course, Design, Term, choose_course, slow_time
from woodlab.studies.cracks.intervals import NO_MISSES, FirstCracks, Misses, spans_of
from woodlab.studies.cracks.likelihood import Pieces, Rows
from woodlab.studies.cracks.penalised import PRIOR_SD, Objective, PenalisedFit, fit_penalised

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
# of few degrees of freedom, chosen by the data, and its misfit is in no posterior (docs/cracks.md).
WIDEN = 1.1
# How much of the way back to its unpenalised maximum the intercept goes, for risks: at none of it
# risks of many cracks came out 5 % high, at all of it those of few cracks 20 % low.
LEVEL_SHARE = 0.5
_MOST_MOVED = 5.0

METHOD = "cloglog hazard of the first crack, Jeffreys' penalty, profile likelihood"
NUMBERS = ["hazard_ratio", "ci_lower", "ci_upper", "p_value"]
EFFECT_COLUMNS = [
    "term", *NUMBERS, "p_holm", "family", "certainty", "n_pieces", "n_cracks", "method", "reason",
    "kind", "level", "reference",
]  # fmt: skip


@dataclass(frozen=True, eq=False)
class HazardModel:
    """A fitted hazard of first cracks.

    `theta` (1 + k, size) is the estimate, then equally likely draws from the posterior. What is
    made of them keeps their order; `told` makes an estimate and limits of it. `level` is added to
    ln rate for risks: Jeffreys' prior draws rare events up, and the intercept alone goes half of
    the way back to its unpenalised maximum (after Puhr and others 2017, Statistics in Medicine
    36:2302, who go all of it).
    """

    first: FirstCracks
    fit: PenalisedFit
    design: Design
    course: Course
    misses: Misses
    theta: np.ndarray
    level: float

    @cached_property
    def used(self) -> pd.DataFrame:
        """The pieces, one row each."""
        return self.first.used

    @property
    def log_sd(self) -> float:
        """Spread of ln rate between logs; NaN without."""
        return float(np.exp(self.fit.theta[-1])) if self.fit.objective.of_logs else np.nan

    @property
    def last_days(self) -> float:
        """The last look [days since turning]."""
        return float(self.first.intervals["to_days"].max())

    @cached_property
    def typical(self) -> np.ndarray:
        """ln rate of the book's average piece from an average log, shape (1 + k, 1)."""
        return self.log_rate(self.design.columns(self.used).mean(axis=0, keepdims=True))

    @property
    def gamma(self) -> np.ndarray:
        """The course's parameters, estimate and draws."""
        p = len(self.design.kept)
        return self.theta[:, p : p + self.course.df]

    def log_rate(self, columns: np.ndarray) -> np.ndarray:
        """ln rate but for the course, of rows of `design.columns` (n, p): shape (1 + k, n)."""
        return self.theta[:, : columns.shape[1]] @ columns.T + self.level

    def risk(
        self, frame: pd.DataFrame, start_days: np.ndarray | float, end_days: np.ndarray | float
    ) -> np.ndarray:
        """Chance of a first crack in a span of days, of pieces of logs not yet known; estimate and
        draws by piece, shape (1 + k, n)."""
        spans = np.empty((len(frame), 2))
        spans[:, 0], spans[:, 1] = start_days, end_days
        unique, back = np.unique(spans, axis=0, return_inverse=True)
        course = [self.course.log_integral(a, b, self.gamma) for a, b in unique]
        log_rate = self.log_rate(self.design.columns(frame)) + np.array(course).T[:, back.ravel()]
        sd = np.exp(self.theta[:, -1]) if self.fit.objective.of_logs else 0.0
        return chance_over_logs(log_rate, sd)


def told(values: np.ndarray) -> tuple[Any, Any, Any]:
    """Estimate and 95 % limits of what was made of `HazardModel.theta`, along the first axis."""
    low, high = np.quantile(values[1:], [0.025, 0.975], axis=0)
    return values[0], low, high


_Z, _W = np.polynomial.hermite_e.hermegauss(15)
_W = _W / _W.sum()


def chance_over_logs(log_rate: np.ndarray, sd: np.ndarray | float) -> np.ndarray:
    """Chance of a crack at ln cumulative rate (k, n), averaged over logs of spread sd (k,)."""
    sd = np.broadcast_to(np.asarray(sd, dtype=float), (len(log_rate),))
    out = np.zeros_like(log_rate)
    for z, w in zip(_Z, _W, strict=True):
        out -= w * np.expm1(-np.exp(np.minimum(log_rate + sd[:, None] * z, 50.0)))
    return out


def merged_intervals(intervals: pd.DataFrame) -> pd.DataFrame:
    """Neighbouring spans without a crack joined up; exact for the likelihood."""
    block = np.floor(slow_time(intervals["to_days"].to_numpy()) / _MERGE_SLOW + 1e-9)
    key = intervals[["piece", "cracked"]].assign(block=block)
    number = (key != key.shift()).any(axis=1).cumsum().to_numpy()
    return intervals.groupby(number, sort=False, as_index=False).agg(
        piece=("piece", "first"), from_days=("from_days", "min"), to_days=("to_days", "max"),
        cracked=("cracked", "max"),
    )  # fmt: skip


def fit_hazard(
    first: FirstCracks, design: Design, misses: Misses = NO_MISSES, *,
    course: Course | None = None, draws: int = DRAWS,
) -> HazardModel:  # fmt: skip
    """Fit the hazard: of the design, the columns that can be told apart; the course by the number
    of cracks unless given."""
    used = first.used
    course = choose_course(first.intervals) if course is None else course
    design = design.for_pieces(used)
    columns = design.columns(used)
    # A row for each (joined) span between looks of a piece still whole.
    frame = merged_intervals(first.intervals)
    own = columns[pd.Index(used["piece"]).get_indexer(frame["piece"])]
    spans = [frame[name].to_numpy(float) for name in ("from_days", "to_days")]
    shown = np.hstack([own, course.nodes(*spans)[0].mean(axis=1)])
    if np.linalg.matrix_rank(shown) < shown.shape[1]:  # so few rows tell no course beside the rest
        course = Course(np.empty(0))
    rows = Rows(own, frame["cracked"].to_numpy(float), *course.nodes(*spans))
    objective = Objective(rows, pieces_of(used, spans_of(first, misses), columns, course))
    if design.pooled.any():
        objective = _with_species_sd(objective, design)
    df = max(float(used["cracked"].sum()), LEAST_DF)
    fit = replace(fit_penalised(objective), df=df)
    drawn = posterior_draws(fit, draws)
    middle = np.median(drawn, axis=0)
    # Spread about their middle, as Student's quantile is wider than the normal one.
    drawn = middle + WIDEN * student_t.ppf(0.975, df) / norm.ppf(0.975) * (drawn - middle)
    theta = np.vstack([fit.theta, drawn])
    return HazardModel(first, fit, design, course, misses, theta, LEVEL_SHARE * _level(fit))


def pieces_of(
    used: pd.DataFrame, spans: pd.DataFrame, columns: np.ndarray, course: Course
) -> Pieces:
    """The frame of pieces and their spans as the likelihood takes them."""
    codes = pd.factorize(log_names(used))[0]
    shared = used["log"].nunique() > 1 and used["log"].value_counts().max() > 1
    order = np.argsort(codes, kind="stable")
    at = pd.Index(used["piece"].to_numpy()[order]).get_indexer(spans["piece"])
    by_piece = np.argsort(at, kind="stable")
    start, end = (spans[name].to_numpy(float)[by_piece] for name in ("from_days", "to_days"))
    days = np.unique(np.r_[0.0, start, end[np.isfinite(end)]])
    basis, log_widths = course.nodes(days[:-1], days[1:])
    return Pieces(
        design=columns[order], piece=at[by_piece], start=np.searchsorted(days, start),
        end=np.where(np.isfinite(end), np.searchsorted(days, end), -1),
        weight=spans["weight"].to_numpy(float)[by_piece], course=basis, log_widths=log_widths,
        log=np.unique(codes[order], return_inverse=True)[1] if shared else None,
    )  # fmt: skip


def _with_species_sd(objective: Objective, design: Design) -> Objective:
    """With the spread between pooled species: the root of the mean of sd^2 over its posterior (the
    rest integrated out by Laplace's approximation), as the likeliest makes intervals too short."""

    def with_sd(sd: float) -> Objective:
        prior = design.prior(sd, objective.rows.course.shape[2])
        return replace(objective, rows=replace(objective.rows, prior=prior))

    losses, start = [], None
    for sd in _SPECIES_GRID:
        fit = fit_penalised(with_sd(sd), start)
        start = fit.theta
        spread = np.linalg.slogdet(fit.covariance)[1]
        losses.append(fit.value + 0.5 * spread + (1 - design.pooled.sum()) * np.log(sd)
                      - sd / PRIOR_SPECIES_SD)  # fmt: skip
    weights = _SPECIES_GRID * np.exp(np.array(losses) - max(losses))
    return with_sd(float(np.sqrt(np.average(_SPECIES_GRID**2, weights=weights))))


def posterior_draws(fit: PenalisedFit, count: int) -> np.ndarray:
    """Equally likely draws of theta, by importance sampling around the maximum.

    The proposal is Student's t with the curvature of the maximum, from a scrambled Sobol
    sequence; draws are kept as often as their weight says (systematic resampling).
    """
    size = len(fit.theta)
    uniform = qmc.Sobol(size + 1, rng=np.random.default_rng(1)).random(count)
    uniform = np.clip(uniform, 1e-9, 1 - 1e-9)
    stretch = np.sqrt(_PROPOSAL_DF / chi2.ppf(uniform[:, size:], _PROPOSAL_DF))
    z = norm.ppf(uniform[:, :size]) * stretch
    theta = fit.theta + z @ np.linalg.cholesky(fit.covariance).T
    log_proposal = -0.5 * (_PROPOSAL_DF + size) * np.log1p((z**2).sum(axis=1) / _PROPOSAL_DF)
    weight = _log_posterior(fit.objective, theta) - log_proposal
    weight = np.exp(weight - weight.max())
    # One draw far out in the tail must not stand for many (Ionides 2008, J. Comput. Graph.
    # Stat. 17:295): weights are cut off at the root of the count times their mean.
    weight = np.minimum(weight, weight.mean() * np.sqrt(count))
    edges = np.cumsum(weight) / weight.sum()
    kept = np.searchsorted(edges, (np.arange(count) + 0.5) / count)
    return theta[np.minimum(kept, count - 1)]


def _log_posterior(objective: Objective, theta: np.ndarray) -> np.ndarray:
    """Ln posterior at many points; the spread between logs is drawn as its logarithm."""
    assert objective.pieces is not None
    out, ln_sd = np.empty(len(theta)), theta[:, objective.rows.size :]
    with np.errstate(all="ignore"):
        for low in range(0, len(theta), 32):
            out[low : low + 32] = objective.pieces.logliks(theta[low : low + 32])
        for k in range(len(theta)):
            try:
                out[k] += objective.rows.penalty(theta[k], slope=False)[0]
            except np.linalg.LinAlgError:
                out[k] = -np.inf
    out += (2 * ln_sd - np.exp(ln_sd) / PRIOR_SD).sum(axis=1)
    return np.where(np.isfinite(out), out, -np.inf)


def _level(fit: PenalisedFit) -> float:
    """How far the intercept alone moves to its unpenalised maximum, all else held."""
    pieces, step = fit.objective.pieces, np.eye(1, len(fit.theta))
    assert pieces is not None
    found = minimize_scalar(
        lambda moved: -pieces.logliks(fit.theta + moved * step)[0],
        bounds=(-_MOST_MOVED, _MOST_MOVED), method="bounded", options={"xatol": 1e-6},
    )  # fmt: skip
    return float(found.x)


def effects_table(used: pd.DataFrame, design: Design, model: HazardModel | None) -> pd.DataFrame:
    """A row a term: hazard ratio, interval, p value, or NaN and the reason in words; without a
    model no crack was found. A `family` is the terms that answer one question (all seals; all
    species; the wall); `certainty` is decided here, from `p_holm` and the number of cracks."""
    rows = []
    for at, term in design.effects():
        mine = used
        if term.level:
            mine = used[used[term.column].astype(str).isin([term.level, term.reference])]
        row = dict.fromkeys(EFFECT_COLUMNS, np.nan) | term.words() | {
            "family": term.kind, "n_pieces": len(mine), "n_cracks": int(mine["cracked"].sum()),
            "method": METHOD if model else "none", "reason": untellable(used, design, at),
        }  # fmt: skip
        if not row["reason"]:
            none = f"no crack was found in {len(used)} pieces, so nothing compares"
            row |= _ratio(model, at) if model is not None else {"reason": none}
            row["reason"] = row["reason"] or _notes(mine, term)
        rows.append(row)
    table = pd.DataFrame(rows, columns=EFFECT_COLUMNS)
    return words.judged(table.astype(dict.fromkeys(NUMBERS, float)), table["n_cracks"])


def _ratio(model: HazardModel, at: int) -> dict[str, Any]:
    """Ratio, limits and p by profile likelihood; or why there is none."""
    fit, column = model.fit, model.design.kept.index(at)
    try:
        if not fit.converged:
            cracks, asked = int(model.used["cracked"].sum()), len(model.design.kept) - 1
            raise WoodlabError(
                f"{words.tally(cracks, 'crack')} for {asked} comparisons at once: too few"
            )
        ratios = np.exp([fit.theta[column], *fit.profile(column)])
        return dict(zip(NUMBERS, [*ratios, fit.p_value(column)], strict=True))
    except WoodlabError as error:
        return {"reason": f"no interval could be found ({str(error).rstrip('.')})"}


def _notes(mine: pd.DataFrame, term: Term) -> str:
    """What a reader should know of a number that stands."""
    notes = []
    for name in (term.level, term.reference) if term.level else ():
        group = mine[mine[term.column].astype(str) == name]
        side = "upper" if name == term.level else "lower"
        if not group["cracked"].any():
            notes.append(f"none of the {len(group)} pieces of {name} cracked: go by the {side} "
                         "end of the interval")  # fmt: skip
        if term.kind == "species" and group["log"].nunique() == 1 and group["log"].notna().all():
            notes.append(f"{name} comes from one log only, so its log may be what shows here")
    return "; ".join(notes)
