"""The penalised likelihood: Jeffreys' prior, its maximum, profile intervals.

The objective is

    l(theta) - theta' R theta / 2 + log det(S(theta)) / 2 + log p(sd),

where l is the log-likelihood (binomial rows, or the pieces of `likelihood.Pieces`, logs integrated
out), R the precisions of columns under a normal prior, S what is left of I + R for the fixed
columns once those are eliminated (Schur complement), and I the expected information of the rows.
Without shared columns the penalty is Jeffreys' prior (Firth 1993, Biometrika 80:27; Heinze and
Schemper 2002, Statistics in Medicine 21:2409): every estimate stays finite where a group has no
cracks at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.linalg import null_space
from scipy.optimize import brentq, minimize
from scipy.special import logsumexp
from scipy.stats import t as student_t

from woodlab.errors import WoodlabError
from woodlab.studies.cracks.likelihood import BinomialRows, Pieces, inverse


@dataclass(frozen=True, eq=False)
class Objective:
    """Penalised log-likelihood of rows and, where logs or missed cracks count, of the pieces.

    Attributes
    ----------
    rows : BinomialRows
        They carry the penalty; and the likelihood, where there is no `pieces`.
    pieces : Pieces, optional
        Takes theta whole: design, course, and last ln(sd between logs), where `sd_scale`.
    sd_scale : float
        Of the prior density sd exp(-sd / scale) of the spread between logs; 0 without logs.
    """

    rows: BinomialRows
    pieces: Pieces | None = None
    sd_scale: float = 0.0

    @property
    def size(self) -> int:
        return self.rows.n_dense + (self.sd_scale > 0)

    def __call__(self, theta: np.ndarray) -> tuple[float, np.ndarray]:
        """Value and slope; minus infinity where the likelihood has none."""
        slope = np.zeros(self.size)
        n = self.rows.n_dense
        try:
            value, own = (self.pieces or self.rows).loglik(theta)
            extra, tilt = self.rows.penalty(theta)
        except np.linalg.LinAlgError:
            return -np.inf, slope
        slope[: len(own)] += own
        slope[:n] += tilt
        value += extra
        if self.sd_scale > 0:
            sd = float(np.exp(theta[n]))
            value += theta[n] - sd / self.sd_scale
            slope[n] += 1 - sd / self.sd_scale
        return (value, slope) if np.isfinite(value) else (-np.inf, slope)


@dataclass(frozen=True, eq=False)
class PenalisedFit:
    """A maximum of the penalised likelihood.

    Attributes
    ----------
    objective : Objective
    theta : array
        Design columns, course, and ln(sd between logs) where there are logs.
    value, loglik : float
        Penalised log-likelihood, and the log-likelihood alone.
    covariance : array
        Inverse of the curvature there.
    converged : bool
    df : float
        Degrees of freedom for intervals and p values; infinite unless a caller sets them.
    """

    objective: Objective
    theta: np.ndarray
    value: float
    loglik: float
    covariance: np.ndarray
    converged: bool
    df: float = np.inf

    @property
    def dense(self) -> np.ndarray:
        return self.theta[: self.objective.rows.n_dense]

    def estimate(self, weights: np.ndarray) -> float:
        """The sum of the parameters times weights."""
        return float(weights @ self.theta[: len(weights)])

    def stderr(self, weights: np.ndarray) -> float:
        """Standard error by the inverse information; a scale, not for intervals."""
        n = len(weights)
        return float(np.sqrt(weights @ self.covariance[:n, :n] @ weights))

    def p_value(self, weights: np.ndarray) -> float:
        """Of the hypothesis that the sum is zero, by the likelihood ratio."""
        root = np.sqrt(max(_Held(self, weights).deviance(0.0), 0.0))
        return float(2 * student_t.sf(root, self.df))

    def profile(self, weights: np.ndarray, level: float = 0.95) -> tuple[float, float]:
        """Profile interval: the values whose root of the deviance stays below Student's quantile.

        Raises
        ------
        WoodlabError
            If a side has no end, which Jeffreys' prior does not let happen in estimable terms.
        """
        held, z = _Held(self, weights), float(student_t.ppf(0.5 + level / 2, self.df))
        scale = self.stderr(weights)
        if not np.isfinite(scale) or scale <= 0:
            raise WoodlabError("the data do not determine this quantity, so it has no interval.")
        return held.end(-scale, z), held.end(scale, z)


class _Held:
    """The maximum with one sum of parameters held: along v, theta = base(v) + N y."""

    def __init__(self, fit: PenalisedFit, weights: np.ndarray):
        self.fit = fit
        self.weights = np.concatenate([weights, np.zeros(len(fit.theta) - len(weights))])
        pull = fit.covariance @ self.weights
        self.pull = pull / float(self.weights @ pull)
        self.basis = null_space(self.weights[None, :])
        curvature = self.basis.T @ np.linalg.solve(fit.covariance, self.basis)
        self.scale = np.linalg.inv((curvature + curvature.T) / 2)
        self.centre = float(self.weights @ fit.theta)
        self.known = {self.centre: np.zeros(self.basis.shape[1])}

    def deviance(self, value: float) -> float:
        """Twice the loss of penalised log-likelihood when the sum is held at `value`."""
        base = self.fit.theta + self.pull * (value - self.centre)
        if not self.basis.shape[1]:
            return 2 * (self.fit.value - self.fit.objective(base)[0])
        near = sorted(self.known, key=lambda v: abs(v - value))[:2]
        start = self.known[near[0]]
        if len(near) == 2:  # the path is nearly straight: carried on from the last two points
            step = (value - near[0]) / (near[0] - near[1])
            start = start + np.clip(step, -2, 2) * (self.known[near[0]] - self.known[near[1]])
        got = _climb(self.fit.objective, base, self.basis, start, self.scale, 1e-4)
        if got.fun > 1e90:
            raise WoodlabError("a value to be tried lies where these records cannot come about.")
        self.known[value] = got.x
        return 2 * (self.fit.value + got.fun)

    def end(self, scale: float, z: float) -> float:
        """Where the root of the deviance, nearly straight in the value, reaches z."""

        @cache
        def excess(value: float) -> float:
            return float(np.sqrt(max(self.deviance(value), 0.0))) - z

        inner, step = self.centre, z * scale
        for _ in range(40):
            outer = inner + step
            if excess(outer) > 0:
                return float(brentq(excess, inner, outer, xtol=3e-5 * abs(scale), rtol=1e-10))
            inner, step = outer, step * 1.5
        raise WoodlabError("the likelihood stays flat on one side, so there is no interval.")


def _climb(  # type: ignore[no-untyped-def]
    objective: Objective, base: np.ndarray, basis: np.ndarray, start: np.ndarray,
    scale: np.ndarray, gtol: float,
):  # fmt: skip
    """BFGS over y, theta = base + basis y, from a known curvature.

    Source: Nocedal and Wright, Numerical Optimization, chapter 6.
    """

    def loss(y: np.ndarray) -> tuple[float, np.ndarray]:
        value, slope = objective(base + basis @ y)
        return (-value if np.isfinite(value) else 1e100), -basis.T @ slope

    options = {"gtol": gtol, "hess_inv0": (scale + scale.T) / 2, "maxiter": 200}
    with np.errstate(all="ignore"):
        return minimize(loss, start, method="BFGS", jac=True, options=options)


def fit_penalised(
    objective: Objective | BinomialRows, start: np.ndarray | None = None
) -> PenalisedFit:
    """Maximise the penalised likelihood.

    Parameters
    ----------
    objective : Objective or BinomialRows
    start : array, optional
        Where to begin.

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
    >>> lower, upper = fit.profile(np.array([0.0, 1.0]))
    >>> bool(-9 < lower < upper < -0.2)
    True
    """
    objective = Objective(objective) if isinstance(objective, BinomialRows) else objective
    rows = objective.rows
    if rows.design.shape[0] != len(rows.events) or not len(rows.events):
        raise WoodlabError("`design` and `events` must have the same number of rows, one at least.")
    if start is None:
        start = np.concatenate(
            [_first_guess(rows), [np.log(0.4)] * (objective.size - rows.n_dense)]
        )
    if not np.isfinite(objective(start)[0]):
        raise WoodlabError(
            "the columns of the design are not independent, or an effect is out of all bounds: "
            "leave out what cannot be told apart."
        )

    at, scale = start, np.eye(objective.size) * 0.5
    for _ in range(3):
        # BFGS stalls where rounding hides the last gain; a fresh curvature gets it going again.
        scale[: rows.n_dense, : rows.n_dense] = inverse(rows.information(at))[0]
        got = _climb(objective, np.zeros_like(at), np.eye(len(at)), at, scale, 1e-7)
        at = got.x
        if np.abs(got.jac).max() < 1e-5:
            break
    covariance = _curvature(objective, at)
    newton = covariance @ objective(at)[1]
    if np.isfinite(newton).all() and objective(at + newton)[0] >= -got.fun:
        at = at + newton
    value, slope = objective(at)
    loglik = (objective.pieces or rows).loglik(at)[0]
    converged = bool(abs(slope @ covariance @ slope) < 1e-6)
    return PenalisedFit(objective, at, value, loglik, covariance, converged)


def _curvature(objective: Objective, at: np.ndarray) -> np.ndarray:
    """Inverse of minus the second derivatives, by differences of the slope.

    The plain binomial model keeps the inverse of its expected information, as published.
    """
    n = objective.rows.n_dense
    expected = inverse(objective.rows.information(at))[0]
    if objective.pieces is None:
        return expected
    hessian = np.empty((objective.size, objective.size))
    for j in range(objective.size):
        step = np.zeros(objective.size)
        step[j] = 1e-4 * max(1.0, abs(at[j]))
        ahead, back = objective(at + step)[1], objective(at - step)[1]
        hessian[:, j] = (back - ahead) / (2 * step[j])
    hessian = (hessian + hessian.T) / 2
    values, vectors = np.linalg.eigh(hessian)
    if values.min() < 1e-6 * values.max():  # a flat direction: as wide as the rows alone say
        hessian[:n, :n] += 1e-3 * np.linalg.inv(expected)
        hessian[n:, n:] += 1e-3
        values, vectors = np.linalg.eigh(hessian)
        values = np.maximum(values, 1e-6 * values.max())
    return (vectors / values) @ vectors.T


def _first_guess(rows: BinomialRows) -> np.ndarray:
    """All effects at zero and, where a column is one throughout, the overall rate in it."""
    dense = np.zeros(rows.n_dense)
    weights = np.ones(len(rows.events)) if rows.weights is None else rows.weights
    offset = np.zeros(len(weights)) if rows.offset is None else rows.offset
    if rows.log_widths is not None:
        offset = offset + logsumexp(rows.log_widths, axis=1)
    rate = np.log(weights @ rows.events + 0.5) - logsumexp(offset, b=weights)
    dense[np.flatnonzero((rows.design == 1).all(axis=0))[:1]] = rate
    return dense
