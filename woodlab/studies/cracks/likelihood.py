"""Two likelihoods: of binomial rows, and of pieces from logs whose looks may overlook cracks.

A piece's likelihood is a sum over the spans in which its crack may have begun, each with the
chance that the looks in between overlooked it,

    L_i(u) = sum_j w_j [S(a_j) - S(b_j)],   S(t) = exp(-e^u Lambda(t)),

where u is its ln rate and Lambda the integral of the course. The ln rate of a log is normal with
standard deviation sd. It is integrated out, one dimension a log, by adaptive Gauss-Hermite
quadrature (Liu and Pierce 1994, Biometrika 81:624): the nodes are centred at the mode of each
log's integrand and scaled by its curvature, so that nine of them are exact to about six digits.
Plugging in the mode instead makes the spread between logs about a tenth too small.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, log_expit


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
        return self._weighed(columns, self.link_parts(eta)[2])

    def _weighed(self, columns: np.ndarray, info: np.ndarray) -> np.ndarray:
        matrix = columns.T @ (info[:, None] * columns)
        return matrix if self.precision is None else matrix + np.diag(self.precision)

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
        matrix = self._weighed(columns, info)
        kept, log_det = inverse(matrix)
        if self.shared is not None and self.shared.any():
            block = np.ix_(self.shared, self.shared)
            own, log_det_shared = inverse(matrix[block])
            kept[block] -= own
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


def inverse(matrix: np.ndarray) -> tuple[np.ndarray, float]:
    """Inverse and log determinant of a positive definite matrix, scaled against overflow."""
    scale = np.sqrt(np.diag(matrix))
    if not (scale > 0).all():
        raise np.linalg.LinAlgError
    factor = np.linalg.cholesky(matrix / np.outer(scale, scale))
    half = np.linalg.inv(factor) / scale
    return half.T @ half, 2 * float(np.log(np.diag(factor)).sum() + np.log(scale).sum())


_X, _W = np.polynomial.hermite.hermgauss(9)
_LOG_W = np.log(_W) + _X**2 - 0.5 * np.log(2 * np.pi)


@dataclass(frozen=True, eq=False)
class Pieces:
    """Pieces sorted by log, and their spans sorted by piece.

    Attributes
    ----------
    design : array, shape (n, p)
    piece : array of int, shape (t,)
        The piece of each span, ascending.
    start, end : arrays of int, shape (t,)
        Places among the cut days; `end` is -1 where the span is open.
    weight : array, shape (t,)
    course, log_widths : arrays, shapes (d - 1, q, m) and (d - 1, q)
        Nodes between one cut day and the next; day 0 is the first of them.
    log : array of int, shape (n,), optional
        Codes 0, 1, ..., ascending; without it there is no spread between logs.
    """

    design: np.ndarray
    piece: np.ndarray
    start: np.ndarray
    end: np.ndarray
    weight: np.ndarray
    course: np.ndarray
    log_widths: np.ndarray
    log: np.ndarray | None = None

    @property
    def _first(self) -> np.ndarray:
        """Where each piece's spans begin."""
        return np.flatnonzero(np.r_[True, np.diff(self.piece) > 0])

    @property
    def _first_piece(self) -> np.ndarray:
        """Where each log's pieces begin."""
        assert self.log is not None
        return np.flatnonzero(np.r_[True, np.diff(self.log) > 0])

    def cumulative(self, gamma: np.ndarray) -> np.ndarray:
        """Lambda at the cut days, shape (k, d), for gamma of shape (k, m)."""
        inside = self.log_widths[None] + np.einsum("dqm,km->kdq", self.course, gamma)
        steps = np.exp(np.clip(inside, -650, 200)).sum(axis=2)
        return np.concatenate([np.zeros((len(gamma), 1)), np.cumsum(steps, axis=1)], axis=1)

    def _parts(self, rate: np.ndarray, lam: np.ndarray) -> tuple[np.ndarray, ...]:
        """Spans' value and its two derivatives in u; rate (k, t, q), lam (k, d)."""
        is_open = (self.end < 0)[None, :, None]
        a = rate * lam[:, self.start, None]
        b = rate * lam[:, self.end, None]
        low = np.exp(-a)
        high = np.where(is_open, 0.0, np.exp(-np.minimum(b, 1e6)))
        b = np.where(is_open, 0.0, b)
        w = self.weight[None, :, None]
        value = w * np.where(is_open, low, low * -np.expm1(-np.maximum(b - a, 0.0)))
        return (
            value,
            w * (b * high - a * low),
            w * (b * (1 - b) * high - a * (1 - a) * low),
            low,
            high,
        )

    def _modes(
        self, u: np.ndarray, lam: np.ndarray, sd: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Mode and width of each log's standardised effect, by Newton; shapes (k, logs)."""
        assert self.log is not None
        z = np.zeros((len(u), int(self.log[-1]) + 1))
        s = sd[:, None]
        curve = np.ones_like(z)
        for _ in range(12):
            rate = np.exp(np.clip(u + s * z[:, self.log], -80, 50))[:, self.piece, None]
            value, first, second, _, _ = self._parts(rate, lam)
            whole = np.maximum(np.add.reduceat(value, self._first, axis=1), 1e-300)
            d1 = np.add.reduceat(first, self._first, axis=1) / whole
            d2 = np.add.reduceat(second, self._first, axis=1) / whole - d1**2
            slope = s * np.add.reduceat(d1[:, :, 0], self._first_piece, axis=1) - z
            curve = 1 - s**2 * np.add.reduceat(d2[:, :, 0], self._first_piece, axis=1)
            curve = np.maximum(curve, 0.25)  # mixtures over overlooked spans need not be concave
            step = np.clip(slope / curve, -2.0, 2.0)
            z = z + step
            if np.abs(step).max() < 1e-5:
                break
        return z, 1 / np.sqrt(curve)

    def _split(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        p, m = self.design.shape[1], self.course.shape[2]
        sd = np.exp(theta[:, p + m]) if self.log is not None else np.zeros(len(theta))
        return theta[:, :p] @ self.design.T, self.cumulative(theta[:, p : p + m]), sd

    def _nodes(
        self, u: np.ndarray, lam: np.ndarray, sd: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Nodes z (k, logs, q) and ln of their weights."""
        mode, width = self._modes(u, lam, sd)
        z = mode[:, :, None] + np.sqrt(2) * width[:, :, None] * _X
        return z, _LOG_W + np.log(np.sqrt(2) * width)[:, :, None] - z**2 / 2

    def logliks(self, theta: np.ndarray) -> np.ndarray:
        """The log-likelihood at several points, shape (k,), for theta of shape (k, size)."""
        u, lam, sd = self._split(theta)
        if self.log is None:
            value = self._parts(np.exp(np.clip(u, -80, 50))[:, self.piece, None], lam)[0]
            whole = np.add.reduceat(value, self._first, axis=1)
            return np.log(np.maximum(whole, 1e-300)).sum(axis=(1, 2))
        z, log_weight = self._nodes(u, lam, sd)
        at = u[:, :, None] + sd[:, None, None] * z[:, self.log, :]
        value = self._parts(np.exp(np.clip(at, -80, 50))[:, self.piece, :], lam)[0]
        whole = np.log(np.maximum(np.add.reduceat(value, self._first, axis=1), 1e-300))
        inside = np.add.reduceat(whole, self._first_piece, axis=1) + log_weight
        top = inside.max(axis=2)
        return (top + np.log(np.exp(inside - top[:, :, None]).sum(axis=2))).sum(axis=1)

    def loglik(self, theta: np.ndarray) -> tuple[float, np.ndarray]:
        """The log-likelihood and its slope; the integrand's slope averaged over the nodes."""
        one = theta[None, :]
        u, lam, sd = self._split(one)
        p, m = self.design.shape[1], self.course.shape[2]
        n = len(self.design)
        if self.log is None:
            z, log_weight = np.zeros((1, n, 1)), np.zeros((1, n, 1))
            log, first_piece = np.arange(n), np.arange(n)
        else:
            z, log_weight = self._nodes(u, lam, sd)
            log, first_piece = self.log, self._first_piece
        at = u[:, :, None] + sd[:, None, None] * z[:, log, :]
        rate = np.exp(np.clip(at, -80, 50))[:, self.piece, :]
        value, first, _, low, high = self._parts(rate, lam)
        whole = np.maximum(np.add.reduceat(value, self._first, axis=1), 1e-300)
        inside = np.add.reduceat(np.log(whole), first_piece, axis=1) + log_weight
        top = inside.max(axis=2, keepdims=True)
        total = np.exp(inside - top).sum(axis=2, keepdims=True)
        share = np.exp(inside - top) / total  # the nodes' posterior weights (1, logs, q)
        d1 = np.add.reduceat(first, self._first, axis=1) / whole * share[:, log, :]
        slope = np.zeros(len(theta))
        slope[:p] = self.design.T @ d1.sum(axis=2)[0]
        if m:
            pull = self.weight[None, :, None] * rate / whole[:, self.piece, :]
            pull = pull * share[:, log, :][:, self.piece, :]
            days = len(lam[0])
            by_day = np.bincount(self.start, -(pull * low).sum(axis=2)[0], days)
            by_day += np.bincount(
                np.where(self.end < 0, 0, self.end), (pull * high).sum(axis=2)[0], days
            )
            inside_course = np.exp(
                np.clip(self.log_widths + self.course @ theta[p : p + m], -650, 200)
            )
            steps = np.einsum("dq,dqm->dm", inside_course, self.course)
            slope[p : p + m] = by_day[1:] @ np.cumsum(steps, axis=0)
        if self.log is not None:
            slope[p + m] = float((d1 * sd[0] * z[:, log, :]).sum())
        return float((top[:, :, 0] + np.log(total[:, :, 0])).sum()), slope
