"""Two likelihoods: of looks, one row a span of days, and of pieces from logs with missed cracks.

Rows carry Jeffreys' penalty. A piece's likelihood is a sum over the spans in which its crack may
have begun, each with the chance that the looks in between overlooked it,

    L_i(u) = sum_j w_j [S(a_j) - S(b_j)],   S(t) = exp(-e^u Lambda(t)),

where u is its ln rate and Lambda the integral of the course. The ln rate of a log is normal with
standard deviation sd, and is integrated out, one dimension a log, by adaptive Gauss-Hermite
quadrature (Liu and Pierce 1994, Biometrika 81:624): the nodes are centred at the mode of each
log's integrand and scaled by its curvature, so that nine of them are exact to about six digits.
Plugging in the mode instead makes the spread between logs about a tenth too small.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np


@dataclass(frozen=True, eq=False)
class Rows:
    """Binomial rows with a complementary log-log link, and the penalty on their parameters.

    The linear predictor is design (n, p) @ beta + log sum_q exp(log_widths + course @ gamma): the
    second term is ln of the integral of the course over the row's span, from its basis (n, q, m)
    and ln of the weights [days] (n, q) at q nodes. `events` is 1 where the crack was found at the
    end of the span. `prior` is the precision of a normal prior; its columns are not under
    Jeffreys' penalty.
    """

    design: np.ndarray
    events: np.ndarray
    course: np.ndarray
    log_widths: np.ndarray
    prior: np.ndarray | None = None

    @property
    def size(self) -> int:
        return self.design.shape[1] + self.course.shape[2]

    def predictor(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """eta (n,), its columns d eta / d theta (n, p + m), and the nodes' shares (n, q)."""
        p = self.design.shape[1]
        inside = self.log_widths + self.course @ theta[p : self.size]
        whole = np.logaddexp.reduce(inside, axis=1)
        share = np.exp(inside - whole[:, None])
        mean = np.matmul(share[:, None, :], self.course)[:, 0, :]
        return self.design @ theta[:p] + whole, np.hstack([self.design, mean]), share

    def link_parts(self, eta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """By row: log-likelihood, its slope, expected information, and the slope of that."""
        y, rate = self.events, np.exp(np.clip(eta, -650.0, 50.0))
        chance = -np.expm1(-rate)
        share = rate / np.expm1(np.minimum(rate, 700.0))
        log, info = np.where(y > 0, np.log(chance), -rate), rate * share
        return log, np.where(y > 0, share, -rate), info, info * (2 - rate / chance)

    def loglik(self, theta: np.ndarray) -> tuple[float, np.ndarray]:
        eta, columns, _ = self.predictor(theta)
        log, slope, _, _ = self.link_parts(eta)
        return float(log.sum()), columns.T @ slope

    def information(self, theta: np.ndarray) -> np.ndarray:
        """Expected information of the rows, and the prior's precision."""
        eta, columns, _ = self.predictor(theta)
        return self._weighed(columns, self.link_parts(eta)[2])

    def _weighed(self, columns: np.ndarray, info: np.ndarray) -> np.ndarray:
        matrix = columns.T @ (info[:, None] * columns)
        return matrix if self.prior is None else matrix + self.prior

    def penalty(self, theta: np.ndarray, *, slope: bool = True) -> tuple[float, np.ndarray]:
        """log det(S) / 2 less theta' R theta / 2, and its slope where asked for.

        R is the prior's precision, S what is left of I + R for the columns without a prior once
        those with one are eliminated (Schur complement). The slope of log det I in eta_i is h_i
        times the slope of the row's information, h_i the leverage x_i' I^-1 x_i; the course's
        columns move with gamma too (their covariance over the row's nodes).
        """
        theta = theta[: self.size]
        eta, columns, share = self.predictor(theta)
        _, _, info, bend = self.link_parts(eta)
        matrix = self._weighed(columns, info)
        kept, log_det = inverse(matrix)
        value, tilt = 0.0, np.zeros(self.size)
        if self.prior is not None:
            value, tilt = -0.5 * float(theta @ self.prior @ theta), -self.prior @ theta
            block = np.ix_(*2 * [np.diag(self.prior) > 0])
            own, shared = inverse(matrix[block])
            kept[block] -= own
            log_det -= shared
        value += 0.5 * log_det
        if not slope:
            return value, tilt
        pulled = columns @ kept
        lever = 0.5 * bend * np.einsum("ij,ij->i", pulled, columns)
        tilt += columns.T @ lever
        p = self.design.shape[1]
        # sum_a pulled_a cov(course_a, course_b) over the nodes of the row
        along = np.matmul(self.course, pulled[:, p:, None])[:, :, 0]
        along -= np.einsum("nq,nq->n", share, along)[:, None]
        weight = (info[:, None] * share * along).ravel()
        tilt[p:] += weight @ self.course.reshape(len(weight), self.course.shape[2])
        return value, tilt


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
_LEAST = 1e-300  # of a likelihood, so that its logarithm is finite


@dataclass(frozen=True, eq=False)
class Pieces:
    """Pieces sorted by log, and their spans sorted by piece.

    Of n pieces `design` (n, p) and, without which there is no spread between logs, `log`: codes 0,
    1, ..., ascending. Of t spans `piece`, ascending, its `weight`, and `start` and `end`, places
    among d cut days of which the first is 0, -1 where the span is open. `course` (d - 1, q, m) and
    `log_widths` (d - 1, q) are at nodes between one cut day and the next.
    """

    design: np.ndarray
    piece: np.ndarray
    start: np.ndarray
    end: np.ndarray
    weight: np.ndarray
    course: np.ndarray
    log_widths: np.ndarray
    log: np.ndarray | None = None

    @cached_property
    def _logs(self) -> np.ndarray:
        return np.arange(len(self.design)) if self.log is None else self.log

    @cached_property
    def _heads(self) -> list[np.ndarray]:
        """Where each piece's spans begin, and each log's pieces."""
        return [np.flatnonzero(np.r_[True, np.diff(x) > 0]) for x in (self.piece, self._logs)]

    def _by_piece(self, spans: np.ndarray) -> np.ndarray:
        return np.add.reduceat(spans, self._heads[0], axis=1)

    def _by_log(self, pieces: np.ndarray) -> np.ndarray:
        return np.add.reduceat(pieces, self._heads[1], axis=1)

    def _steps(self, gamma: np.ndarray) -> np.ndarray:
        """The course at each node times its weight, (k, d - 1, q)."""
        inside = self.log_widths + np.einsum("dqm,km->kdq", self.course, gamma)
        return np.exp(np.clip(inside, -650, 200))

    def _parts(self, u: np.ndarray, lam: np.ndarray) -> tuple[np.ndarray, ...]:
        """Of each span at ln rates u (k, n, q): its value, e^u Lambda at both ends, S at both."""
        rate = np.exp(np.clip(u, -80, 50))[:, self.piece]
        a, b = (np.minimum(rate * lam[:, at, None], 700.0) for at in (self.start, self.end))
        low, high = np.exp(-a), np.exp(-b)
        return self.weight[:, None] * low * -np.expm1(a - b), a, b, low, high

    def _nodes(
        self, u: np.ndarray, lam: np.ndarray, sd: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Nodes z (k, logs, q) of the logs' standardised effects (Newton), and ln weights."""
        z, w = np.zeros((len(u), len(self._heads[1]), 1)), self.weight[:, None]
        if self.log is None:
            return z, z
        s = sd[:, None, None]
        for _ in range(12):
            value, a, b, low, high = self._parts(u[:, :, None] + s * z[:, self.log], lam)
            whole = np.maximum(self._by_piece(value), _LEAST)
            d1 = self._by_piece(w * (b * high - a * low)) / whole
            d2 = self._by_piece(w * (b * (1 - b) * high - a * (1 - a) * low)) / whole - d1**2
            # mixtures over overlooked spans need not be concave
            curve = np.maximum(1 - s**2 * self._by_log(d2), 0.25)
            step = np.clip((s * self._by_log(d1) - z) / curve, -2.0, 2.0)
            z = z + step
            if np.abs(step).max() < 1e-5:
                break
        width = np.sqrt(2 / curve)
        z = z + width * _X
        return z, _LOG_W + np.log(width) - z**2 / 2

    def _integrated(self, theta: np.ndarray) -> tuple[Any, ...]:
        """For theta (k, size): log-likelihoods (k,), and what the slope is made of."""
        p, m = self.design.shape[1], self.course.shape[2]
        u = theta[:, :p] @ self.design.T
        steps = self._steps(theta[:, p : p + m]).sum(axis=2).cumsum(axis=1)
        ends = np.zeros((len(theta), 1))
        lam = np.concatenate([ends, steps, ends + np.inf], axis=1)  # the last for open spans
        sd = np.zeros(len(theta)) if self.log is None else np.exp(theta[:, p + m])
        z, log_weight = self._nodes(u, lam, sd)
        effect = sd[:, None, None] * z[:, self._logs]
        at = u[:, :, None] + effect
        parts = self._parts(at, lam)
        whole = np.maximum(self._by_piece(parts[0]), _LEAST)
        inside = self._by_log(np.log(whole)) + log_weight
        total = np.logaddexp.reduce(inside, axis=2)
        share = np.exp(inside - total[:, :, None])  # the nodes' posterior weights
        return total.sum(axis=1), at, effect, parts, whole, share

    def logliks(self, theta: np.ndarray) -> np.ndarray:
        """The log-likelihood at several points, shape (k,), for theta of shape (k, size)."""
        value: np.ndarray = self._integrated(theta)[0]
        return value

    def loglik(self, theta: np.ndarray) -> tuple[float, np.ndarray]:
        """The log-likelihood and its slope; the integrand's slope averaged over the nodes."""
        value, at, effect, (_, a, b, low, high), whole, share = self._integrated(theta[None])
        p, m = self.design.shape[1], self.course.shape[2]
        scale = share[:, self._logs] / whole
        d1 = self._by_piece(self.weight[:, None] * (b * high - a * low)) * scale
        slope = np.zeros(len(theta))
        slope[:p] = self.design.T @ d1.sum(axis=2)[0]
        if m:
            pull = (np.exp(np.clip(at, -80, 50)) * scale)[:, self.piece] * self.weight[:, None]
            count = len(self.log_widths) + 2
            by_day = np.bincount(self.end % count, (pull * high).sum(axis=2)[0], count)
            by_day -= np.bincount(self.start, (pull * low).sum(axis=2)[0], count)
            moved = np.einsum("dq,dqm->dm", self._steps(theta[None, p : p + m])[0], self.course)
            slope[p : p + m] = by_day[1:-1] @ np.cumsum(moved, axis=0)
        if self.log is not None:
            slope[p + m] = float((d1 * effect).sum())
        return float(value[0]), slope
