"""Penalised likelihood for cracked or not: Jeffreys' prior, its maximum, profile intervals.

The objective is

    l(theta) - theta' R theta / 2 + log det(S(theta)) / 2 + log p(sd),

where l is the log-likelihood (binomial rows, or the pieces of `frailty.Pieces`, logs integrated
out), R the precisions of columns under a normal prior, S what is left of I + R for the fixed
columns once those are eliminated (Schur complement), and I the expected information of the rows.
Without shared columns the penalty is Jeffreys' prior (Firth 1993, Biometrika 80:27; Heinze and
Schemper 2002, Statistics in Medicine 21:2409): every estimate stays finite where a group has no
cracks at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.linalg import null_space
from scipy.optimize import brentq, minimize
from scipy.special import expit, log_expit, logsumexp
from scipy.stats import t as student_t

from woodlab.errors import WoodlabError


class Likelihood(Protocol):
    """A log-likelihood with its slope, at one point theta."""

    def loglik(self, theta: np.ndarray) -> tuple[float, np.ndarray]: ...


@dataclass(frozen=True, eq=False)
class BinomialRows:
    """The data of a penalised binomial model.

    Attributes
    ----------
    design : array, shape (n, p)
        Columns of the linear part, the intercept's included.
    events : array, shape (n,)
        Share of the row that had the event: 0 or 1, or a fraction with `weights`.
    weights : array, shape (n,), optional
        How many alike each row stands for; 1 unless given.
    offset : array, shape (n,), optional
    link : {"cloglog", "logit"}
    course : array, shape (n, q, m), optional
        Basis of the course of the rate at q nodes within each row's span; `log_widths` (n, q)
        are the logarithms of the nodes' weights [days]. Adds
        log sum_q exp(log_widths + course @ gamma) to the linear predictor.
    shared : array of bool, shape (p + m,), optional
        Columns under a normal prior with the precision in `precision`, same shape.
    jeffreys : bool
        False leaves the likelihood unpenalised by Jeffreys' prior.
    """

    design: np.ndarray
    events: np.ndarray
    weights: np.ndarray | None = None
    offset: np.ndarray | None = None
    link: str = "cloglog"
    course: np.ndarray | None = None
    log_widths: np.ndarray | None = None
    shared: np.ndarray | None = None
    precision: np.ndarray | None = None
    jeffreys: bool = True

    @property
    def n_dense(self) -> int:
        return self.design.shape[1] + (0 if self.course is None else self.course.shape[2])

    def predictor(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """eta (n,), its columns d eta / d theta (n, p + m), and the nodes' shares (n, q)."""
        p = self.design.shape[1]
        eta = self.design @ theta[:p]
        if self.offset is not None:
            eta = eta + self.offset
        if self.course is None or self.log_widths is None:
            return eta, self.design, np.empty((len(eta), 0))
        inside = self.log_widths + self.course @ theta[p : self.n_dense]
        top = inside.max(axis=1, keepdims=True)
        share = np.exp(inside - top)
        total = share.sum(axis=1, keepdims=True)
        share, whole = share / total, (top + np.log(total))[:, 0]
        mean = np.matmul(share[:, None, :], self.course)[:, 0, :]
        return eta + whole, np.hstack([self.design, mean]), share

    def link_parts(self, eta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """By row: log-likelihood, its slope, expected information, and the slope of that."""
        y, w = self.events, np.ones(len(eta)) if self.weights is None else self.weights
        if self.link == "logit":
            mean = expit(eta)
            info = mean * (1 - mean)
            log = w * (y * log_expit(eta) + (1 - y) * log_expit(-eta))
            return log, w * (y - mean), w * info, w * info * (1 - 2 * mean)
        rate = np.exp(np.clip(eta, -650.0, 50.0))
        chance = -np.expm1(-rate)
        share = rate / np.expm1(np.minimum(rate, 700.0))
        log = w * (np.where(y > 0, y * np.log(chance), 0.0) - (1 - y) * rate)
        info = rate * share
        slope = w * (y * share - (1 - y) * rate)
        return log, slope, w * info, w * info * (2 - rate / chance)

    def loglik(self, theta: np.ndarray) -> tuple[float, np.ndarray]:
        eta, columns, _ = self.predictor(theta)
        log, slope, _, _ = self.link_parts(eta)
        return float(log.sum()), columns.T @ slope

    def information(self, theta: np.ndarray) -> np.ndarray:
        """Expected information of the rows, and the priors' precisions."""
        eta, columns, _ = self.predictor(theta)
        info = columns.T @ (self.link_parts(eta)[2][:, None] * columns)
        return info if self.precision is None else info + np.diag(self.precision)

    def penalty(self, theta: np.ndarray, *, slope: bool = True) -> tuple[float, np.ndarray]:
        """log det(S) / 2 less theta' R theta / 2, and its slope where asked for.

        The slope of log det I in eta_i is h_i times the slope of the row's information, h_i the
        leverage x_i' I^-1 x_i; the course's columns move with gamma too (their covariance over
        the row's nodes).
        """
        eta, columns, share = self.predictor(theta)
        _, _, info, bend = self.link_parts(eta)
        value, tilt = 0.0, np.zeros(self.n_dense)
        if self.precision is not None:
            value -= 0.5 * float(self.precision @ theta[: self.n_dense] ** 2)
            tilt -= self.precision * theta[: self.n_dense]
        if not self.jeffreys:
            return value, tilt
        matrix = columns.T @ (info[:, None] * columns)
        if self.precision is not None:
            matrix = matrix + np.diag(self.precision)
        kept, log_det = _inverse(matrix)
        if self.shared is not None and self.shared.any():
            block = np.ix_(self.shared, self.shared)
            inverse, log_det_shared = _inverse(matrix[block])
            kept[block] -= inverse
            log_det -= log_det_shared
        if not slope:
            return value + 0.5 * log_det, tilt
        pulled = columns @ kept
        lever = 0.5 * bend * np.einsum("ij,ij->i", pulled, columns)
        tilt += columns.T @ lever
        if share.size and self.course is not None:
            p = self.design.shape[1]
            # sum_a pulled_a cov(course_a, course_b) over the nodes of the row
            along = np.matmul(self.course, pulled[:, p:, None])[:, :, 0]
            along -= np.einsum("nq,nq->n", share, along)[:, None]
            weight = (info[:, None] * share * along).ravel()
            tilt[p:] += weight @ self.course.reshape(len(weight), -1)
        return value + 0.5 * log_det, tilt


def _inverse(matrix: np.ndarray) -> tuple[np.ndarray, float]:
    """Inverse and log determinant of a positive definite matrix, scaled against overflow."""
    scale = np.sqrt(np.diag(matrix))
    if not (scale > 0).all():
        raise np.linalg.LinAlgError
    factor = np.linalg.cholesky(matrix / np.outer(scale, scale))
    half = np.linalg.inv(factor) / scale
    return half.T @ half, 2 * float(np.log(np.diag(factor)).sum() + np.log(scale).sum())


@dataclass(frozen=True, eq=False)
class Objective:
    """Penalised log-likelihood of rows and, where logs or missed cracks count, of the pieces.

    Attributes
    ----------
    rows : BinomialRows
        They carry the penalty; and the likelihood, where there is no `pieces`.
    pieces : Likelihood, optional
        Takes theta whole: design, course, and last ln(sd between logs), where `sd_scale`.
    sd_scale : float
        Of the prior density sd exp(-sd / scale) of the spread between logs; 0 without logs.
    """

    rows: BinomialRows
    pieces: Likelihood | None = None
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

    def critical(self, level: float) -> float:
        """How far the root of the deviance may go: Student's quantile with `df`."""
        return float(student_t.ppf(0.5 + level / 2, self.df))

    def p_value(self, weights: np.ndarray, value: float = 0.0) -> float:
        """Of the hypothesis that the sum has that value, by the likelihood ratio."""
        root = np.sqrt(max(_Held(self, weights).deviance(value), 0.0))
        return float(2 * student_t.sf(root, self.df))

    def profile(self, weights: np.ndarray, level: float = 0.95) -> tuple[float, float]:
        """Profile interval: the values whose deviance stays below `critical(level)` squared.

        Raises
        ------
        WoodlabError
            If a side has no end, which Jeffreys' prior does not let happen in estimable terms.
        """
        held, z = _Held(self, weights), self.critical(level)
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

        def loss(y: np.ndarray) -> tuple[float, np.ndarray]:
            found, slope = self.fit.objective(base + self.basis @ y)
            return _finite(-found), -self.basis.T @ slope

        got = _descend(loss, start, self.scale, 1e-4)
        if got.fun > 1e90:
            raise WoodlabError("a value to be tried lies where these records cannot come about.")
        self.known[value] = got.x
        return 2 * (self.fit.value + got.fun)

    def end(self, scale: float, z: float) -> float:
        """Where the root of the deviance, nearly straight in the value, reaches z."""

        known = {self.centre: -z}  # a value asked for twice keeps its answer

        def excess(value: float) -> float:
            if value not in known:
                known[value] = float(np.sqrt(max(self.deviance(value), 0.0))) - z
            return known[value]

        inner, step = self.centre, z * scale
        for _ in range(40):
            outer = inner + step
            if excess(outer) > 0:
                return float(brentq(excess, inner, outer, xtol=3e-5 * abs(scale), rtol=1e-10))
            inner, step = outer, step * 1.5
        raise WoodlabError("the likelihood stays flat on one side, so there is no interval.")


def _finite(value: float) -> float:
    return value if np.isfinite(value) else 1e100


def _descend(loss, start: np.ndarray, scale: np.ndarray, gtol: float):  # type: ignore[no-untyped-def]
    """BFGS from a known curvature (Nocedal and Wright, Numerical Optimization, chapter 6)."""
    with np.errstate(all="ignore"):
        return minimize(
            loss, start, method="BFGS", jac=True,
            options={"gtol": gtol, "hess_inv0": (scale + scale.T) / 2, "maxiter": 200},
        )  # fmt: skip


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
    if isinstance(objective, BinomialRows):
        objective = Objective(objective)
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

    def loss(theta: np.ndarray) -> tuple[float, np.ndarray]:
        value, slope = objective(theta)
        return _finite(-value), -slope

    at, scale = start, np.eye(objective.size) * 0.5
    for _ in range(3):
        # BFGS stalls where rounding hides the last gain; a fresh curvature gets it going again.
        scale[: rows.n_dense, : rows.n_dense] = _inverse(rows.information(at))[0]
        got = _descend(loss, at, scale, 1e-7)
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
    expected = _inverse(objective.rows.information(at))[0]
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
    """All effects at zero and, where a column is constant, the overall share in it."""
    dense = np.zeros(rows.n_dense)
    constant = np.flatnonzero(np.ptp(rows.design, axis=0) == 0)
    if not len(constant) or not rows.design[0, constant[0]]:
        return dense
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
