"""Penalised likelihood for cracked or not: Jeffreys' prior, shared effects, profile intervals.

The likelihood is binomial with a logit or complementary log-log link. Jeffreys' prior (Firth
1993, Biometrika 80:27; Heinze and Schemper 2002, Statistics in Medicine 21:2409) keeps every
estimate finite where a group has no cracks at all. Two kinds of shared effects may stand beside
the fixed ones: columns under a normal prior, and one grouping (the logs). The chance in a row
may hold an integral over the row's own span of days of a smooth course of the rate; its
parameters are fixed effects like the others.

With I the expected information of all parameters and R the precisions of the priors, the
objective is

    l(theta) - theta' R theta / 2 + log det(S) / 2,

S being what is left of I + R for the fixed effects once the shared ones are eliminated (the
Schur complement). Without shared effects that is Firth's likelihood.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.optimize import brentq
from scipy.special import logsumexp
from scipy.stats import t as student_t

from woodlab.errors import WoodlabError
from woodlab.studies.penalised import BinomialRows, State, evaluate

_MOST_ITERATIONS = 100
_MOST_STEP = 5.0


@dataclass(frozen=True)
class Constraint:
    """A function of the parameters to be held at a value: its value and its gradient."""

    value: Callable[[np.ndarray], float]
    gradient: Callable[[np.ndarray], np.ndarray]

    @classmethod
    def linear(cls, weights: np.ndarray) -> Constraint:
        """The sum of the parameters times `weights`."""
        return cls(lambda dense: float(weights @ dense), lambda dense: weights)


@dataclass(frozen=True, eq=False)
class PenalisedFit:
    """A maximum of the penalised likelihood.

    Attributes
    ----------
    rows : BinomialRows
    dense, effects : arrays
        Parameters (design columns, then course), and the grouping's effects.
    objective : float
        The penalised log-likelihood.
    loglik : float
        The log-likelihood alone.
    covariance : array
        Inverse information of `dense`, the grouping's effects eliminated.
    log_det_shared : float
        log det of the shared effects' block of I + R, for the choice of their variances.
    converged : bool
    df : float
        Degrees of freedom for intervals and p values; infinite unless a caller sets them.
    """

    rows: BinomialRows
    dense: np.ndarray
    effects: np.ndarray
    objective: float
    loglik: float
    covariance: np.ndarray
    log_det_shared: float
    converged: bool
    df: float = np.inf

    def stderr(self, constraint: Constraint) -> float:
        """Standard error by the inverse information; a scale, not for intervals."""
        slope = constraint.gradient(self.dense)
        return float(np.sqrt(slope @ self.covariance @ slope))

    def deviance_at(self, constraint: Constraint, value: float, tolerance: float = 1e-12) -> float:
        """Twice the loss of penalised log-likelihood when the constraint is held at `value`."""
        held = _climb(self.rows, self._start(), constraint, value, tolerance)
        return 2 * (self.objective - held.objective)

    def p_value(self, constraint: Constraint, value: float = 0.0) -> float:
        """Of the hypothesis that the constraint has that value, by the likelihood ratio."""
        root = np.sqrt(max(self.deviance_at(constraint, value), 0.0))
        return float(2 * student_t.sf(root, self.df))

    def critical(self, level: float) -> float:
        """How far the signed root of the deviance may go: Student's quantile with `df`."""
        return float(student_t.ppf(0.5 + level / 2, self.df))

    def profile(self, constraint: Constraint, level: float = 0.95) -> tuple[float, float]:
        """Profile interval: the values whose deviance stays below `critical(level)` squared.

        Without `df` that is the chi-squared quantile.

        Raises
        ------
        WoodlabError
            If a side has no end, which Jeffreys' prior does not let happen in estimable terms.
        """
        z = self.critical(level)
        centre, scale = constraint.value(self.dense), self.stderr(constraint)
        if not np.isfinite(scale) or scale <= 0:
            raise WoodlabError("the data do not determine this quantity, so it has no interval.")
        return (
            self._profile_end(constraint, centre, -scale, z),
            self._profile_end(constraint, centre, scale, z),
        )

    def _start(self) -> tuple[np.ndarray, np.ndarray]:
        return self.dense, self.effects

    def _profile_end(self, constraint: Constraint, centre: float, scale: float, z: float) -> float:
        # The signed root of the deviance is nearly straight in the value, so few steps suffice.
        starts = {centre: self._start()}

        def excess(value: float) -> float:
            if value == centre:
                return -z
            nearest = min(starts, key=lambda known: abs(known - value))
            held = _climb(self.rows, starts[nearest], constraint, value, 1e-7)
            if not held.converged:
                raise WoodlabError("the likelihood could not be followed far enough for an end.")
            starts[value] = (held.dense, held.effects)
            return float(np.sqrt(max(2 * (self.objective - held.objective), 0.0))) - z

        inner, step = centre, z * scale
        for _ in range(40):
            outer = inner + step
            if excess(outer) > 0:
                root = brentq(excess, inner, outer, xtol=1e-4 * abs(scale), rtol=1e-10)
                return float(root)
            inner, step = outer, step * 1.5
        raise WoodlabError("the likelihood stays flat on one side, so there is no interval.")


def fit_penalised(
    rows: BinomialRows, start: tuple[np.ndarray, np.ndarray] | None = None
) -> PenalisedFit:
    """Maximise the penalised likelihood by Fisher scoring with step halving.

    Parameters
    ----------
    rows : BinomialRows
    start : pair of arrays, optional
        `dense` and `effects` to begin with.

    Raises
    ------
    WoodlabError
        If the design's columns are not independent of each other: no estimate is unique then.

    Examples
    --------
    Of 10 bare pieces 4 cracked, of 10 waxed ones none; Jeffreys' prior adds half a piece to each
    cell of the table: ln((0.5 / 10.5) / (4.5 / 6.5)).

    >>> rows = BinomialRows(np.array([[1.0, 0], [1, 1]]), np.array([0.4, 0.0]),
    ...                     weights=np.array([10.0, 10.0]), link="logit")
    >>> fit = fit_penalised(rows)
    >>> round(float(fit.dense[1]), 4)
    -2.6768
    >>> lower, upper = fit.profile(Constraint.linear(np.array([0.0, 1.0])))
    >>> bool(-9 < lower < upper < -0.2)
    True
    """
    if rows.design.shape[0] != len(rows.events) or not len(rows.events):
        raise WoodlabError("`design` and `events` must have the same number of rows, one at least.")
    if start is None:
        start = (_first_guess(rows), np.zeros(rows.n_groups))
    return _climb(rows, start)


def _first_guess(rows: BinomialRows) -> np.ndarray:
    """All effects at nought and, where a column is constant, the overall share in it."""
    dense = np.zeros(rows.n_dense)
    constant = np.flatnonzero(np.ptp(rows.design, axis=0) == 0)
    if len(constant) and rows.design[0, constant[0]]:
        weights = np.ones(len(rows.events)) if rows.weights is None else rows.weights
        total = float(weights @ rows.events)
        offset = np.zeros(len(weights)) if rows.offset is None else rows.offset.copy()
        if rows.log_widths is not None:
            offset = offset + logsumexp(rows.log_widths, axis=1)
        if rows.link == "logit":
            share = (total + 0.5) / (weights.sum() + 1)
            guess = np.log(share / (1 - share)) - np.average(offset, weights=weights)
        else:
            guess = np.log(total + 0.5) - logsumexp(offset, b=weights)
        dense[constant[0]] = guess / rows.design[0, constant[0]]
    return dense


def _climb(
    rows: BinomialRows,
    start: tuple[np.ndarray, np.ndarray],
    constraint: Constraint | None = None,
    value: float = 0.0,
    tolerance: float = 1e-12,
) -> PenalisedFit:
    """Fisher scoring to the maximum, along the surface where the constraint has its value."""
    dense, effects = start
    state = evaluate(rows, dense, effects)
    if not np.isfinite(state.objective):
        raise WoodlabError(
            "the columns of the design are not independent, or an effect is out of all bounds: "
            "leave out what cannot be told apart."
        )
    if constraint is not None:
        dense, effects, state = _onto(rows, constraint, value, dense, effects, state)
    converged = False
    past = _Past()
    for _ in range(_MOST_ITERATIONS):
        step, step_group = state.solve(state.slope, state.slope_group)
        if constraint is not None:
            step, step_group = _along(state, constraint, dense, step, step_group)
        gain = float(state.slope @ step + state.slope_group @ step_group)
        if gain < tolerance:
            converged = True
            break
        at = np.concatenate([dense, effects])
        plain = np.concatenate([step, step_group])
        slope = np.concatenate([state.slope, state.slope_group])
        tries = [past.hastened(at, plain, slope), plain] if past.at else [plain]
        past.add(at, plain, slope)
        found = None
        for move in tries:
            found = _line_search(rows, (dense, effects), move, state, constraint, value)
            if found is not None:
                break
        if found is None:
            # No step gains any more: the maximum to rounding, unless much was promised.
            converged = gain < 1e-5
            break
        dense, effects, state = found
    return PenalisedFit(
        rows, dense, effects, state.objective, state.loglik, state.inverse,
        state.log_det_shared, converged,
    )  # fmt: skip


def _line_search(
    rows: BinomialRows, start: tuple[np.ndarray, np.ndarray], move: np.ndarray, state: State,
    constraint: Constraint | None, value: float,
) -> tuple[np.ndarray, np.ndarray, State] | None:  # fmt: skip
    """The first of ever shorter steps that gains; None where none does."""
    p = rows.n_dense
    size = min(1.0, _MOST_STEP / max(float(np.abs(move).max()), 1e-300))
    for _ in range(16):
        dense, effects = start[0] + size * move[:p], start[1] + size * move[p:]
        if constraint is not None:
            dense, effects = _corrected(constraint, value, dense, effects, state)
        new = evaluate(rows, dense, effects)
        if new.objective > state.objective:
            return dense, effects, new
        size /= 2
    return None


@dataclass
class _Past:
    """Earlier points and steps, to hasten the scoring (Anderson 1965, J. ACM 12:547).

    Expected and observed information differ, so plain scoring creeps along a few directions;
    their share in the past steps is extrapolated away.
    """

    at: list[np.ndarray] = field(default_factory=list)
    steps: list[np.ndarray] = field(default_factory=list)
    slopes: list[np.ndarray] = field(default_factory=list)

    def add(self, at: np.ndarray, step: np.ndarray, slope: np.ndarray) -> None:
        for kept, new in ((self.at, at), (self.steps, step), (self.slopes, slope)):
            kept.append(new)
            del kept[:-5]

    def hastened(self, at: np.ndarray, step: np.ndarray, slope: np.ndarray) -> np.ndarray:
        moved = np.stack([at - old for old in self.at], 1)
        turned = np.stack([step - old for old in self.steps], 1)
        bent = np.stack([slope - old for old in self.slopes], 1)
        shares, *_ = np.linalg.lstsq(bent.T @ turned, bent.T @ step, rcond=1e-10)
        out = step - (moved + turned) @ shares
        return out if np.isfinite(out).all() else step


def _along(
    state: State,
    constraint: Constraint,
    dense: np.ndarray,
    step: np.ndarray,
    step_group: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """The part of a step that leaves the constraint's value as it is, to first order."""
    slope = constraint.gradient(dense)
    pull, pull_group = state.solve(slope, np.zeros_like(step_group))
    along = float(slope @ step) / float(slope @ pull)
    return step - along * pull, step_group - along * pull_group


def _corrected(
    constraint: Constraint, value: float, dense: np.ndarray, effects: np.ndarray, state: State
) -> tuple[np.ndarray, np.ndarray]:
    """Move back onto the surface, in the metric of the information."""
    for _ in range(20):
        miss = value - constraint.value(dense)
        if abs(miss) < 1e-11:
            break
        slope = constraint.gradient(dense)
        pull, pull_group = state.solve(slope, np.zeros_like(effects))
        by = miss / float(slope @ pull)
        dense, effects = dense + by * pull, effects + by * pull_group
    return dense, effects


def _onto(
    rows: BinomialRows, constraint: Constraint, value: float,
    dense: np.ndarray, effects: np.ndarray, state: State,
) -> tuple[np.ndarray, np.ndarray, State]:  # fmt: skip
    """Walk to the surface in steps short enough to stay where the likelihood is finite."""
    for _ in range(60):
        miss = value - constraint.value(dense)
        if abs(miss) < 1e-11:
            return dense, effects, state
        part = 1.0
        for _ in range(40):
            aim = constraint.value(dense) + part * miss
            trial, trial_group = _corrected(constraint, aim, dense, effects, state)
            new = evaluate(rows, trial, trial_group)
            if np.isfinite(new.objective):
                break
            part /= 2
        else:
            break
        dense, effects, state = trial, trial_group, new
    if abs(value - constraint.value(dense)) > 1e-8:
        raise WoodlabError("a value to be tried lies where these records cannot come about.")
    return dense, effects, state


def with_group_sd(rows: BinomialRows, sd: float) -> BinomialRows:
    """The same rows with another standard deviation of the grouping's effect."""
    return replace(rows, group_precision=1 / sd**2)
