"""The course of a rate over the days since turning: a smooth curve of few degrees of freedom."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# Time runs as ln(1 + days / 7): straight at first, then slower and slower, so that a line in it
# is a rate that changes as a power of time, and finite at turning.
WEEK_DAYS = 7.0
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(6)


def slow_time(days: np.ndarray | float) -> np.ndarray:
    """ln(1 + days / 7), in which the course is smooth."""
    return np.log1p(np.asarray(days, dtype=float) / WEEK_DAYS)


@dataclass(frozen=True, eq=False)
class Course:
    """A natural cubic spline in ln(1 + days / 7); its level is the design's intercept.

    Attributes
    ----------
    knots : array
        In ln(1 + days / 7): as many as there are degrees of freedom, and one more. Two knots are
        a straight line; none is a constant rate.
    """

    knots: np.ndarray

    @property
    def df(self) -> int:
        return max(len(self.knots) - 1, 0)

    def basis(self, days: np.ndarray) -> np.ndarray:
        """The spline's columns, shape (..., df), of order one over the span of the knots."""
        u = slow_time(days)
        if not self.df:
            return np.empty((*u.shape, 0))
        low, high = self.knots[0], self.knots[-1]
        v = (u - low) / (high - low)
        k = (self.knots - low) / (high - low)
        columns = [v - 0.5]
        # Restricted cubic spline (linear beyond the outer knots), its usual truncated powers.
        last, before = k[-1], k[-2]
        for knot in k[:-2]:
            cube = np.maximum(v - knot, 0) ** 3
            cube = cube - np.maximum(v - before, 0) ** 3 * (last - knot) / (last - before)
            cube = cube + np.maximum(v - last, 0) ** 3 * (before - knot) / (last - before)
            columns.append(cube - v / 4)
        return np.stack(columns, axis=-1)

    def nodes(self, start: np.ndarray, end: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Basis at the nodes of each span (n, q, df), and ln of their weights [days] (n, q).

        Six Gauss-Legendre nodes in the slow time; the integral of a rate over the span is the
        sum of weight times rate.
        """
        a, b = slow_time(start)[:, None], slow_time(end)[:, None]
        u = (a + b) / 2 + (b - a) / 2 * _NODES
        days = WEEK_DAYS * np.expm1(u)
        weights = _WEIGHTS * (b - a) / 2 * WEEK_DAYS * np.exp(u)
        return self.basis(days), np.log(weights)

    def span(self, start: float, end: float) -> Span:
        """Nodes over one span of days, for its integral."""
        cuts = WEEK_DAYS * np.expm1(np.linspace(slow_time(start), slow_time(end), 5))
        basis, log_weights = self.nodes(cuts[:-1], cuts[1:])
        return Span(basis.reshape(-1, self.df), log_weights.ravel())


@dataclass(frozen=True, eq=False)
class Span:
    """Nodes of an integral over the course: basis (q, df) and ln weights [days] (q,)."""

    basis: np.ndarray
    log_weights: np.ndarray

    def log_integral(self, gamma: np.ndarray) -> tuple[float, np.ndarray]:
        """ln of the course's integral, and its slope in `gamma`."""
        inside = self.log_weights + self.basis @ gamma
        top = inside.max()
        parts = np.exp(inside - top)
        total = parts.sum()
        return float(top + np.log(total)), (parts / total) @ self.basis


def choose_course(middles: np.ndarray, last_days: float, df: int | None = None) -> Course:
    """A course fit for the number of cracks: none below 4, then 1, 2 from 12, 3 from 40.

    Parameters
    ----------
    middles : array
        Middle of the interval in which each crack began [days since turning].
    last_days : float
        The last look [days].
    df : int, optional
        Degrees of freedom, instead of those by the number of cracks.
    """
    count = len(middles)
    if df is None:
        df = int(np.searchsorted([4, 12, 40], count, side="right"))
    if df == 0 or count == 0:
        return Course(np.empty(0))
    high = slow_time(max(last_days, 1.0))
    if df == 1:
        return Course(np.array([0.0, high]))
    inner = np.quantile(slow_time(middles), np.linspace(0, 1, df + 1)[1:-1])
    knots = np.concatenate([[0.0], np.clip(inner, 0.15 * high, 0.85 * high), [high]])
    least = 0.05 * high
    for i in range(1, df):
        knots[i] = max(knots[i], knots[i - 1] + least)
    return Course(knots)
