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
        return Span(basis.reshape(log_weights.size, self.df), log_weights.ravel())


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


# Share of a course column's scatter that the intervals must show beside the other columns.
_LEAST_SHOWN = 0.15


def choose_course(
    from_days: np.ndarray, to_days: np.ndarray, cracked: np.ndarray, df: int | None = None
) -> Course:
    """A course fit for the number of cracks: constant below 4, then df 1, 2 from 12, 3 from 40.

    Fewer where the looks do not tell early from late: when all pieces were looked at once, on
    about the same day, the course stays constant.

    Parameters
    ----------
    from_days, to_days : array
        The intervals between looks of pieces still whole [days since turning].
    cracked : array of bool
        Whether the piece cracked in the interval.
    df : int, optional
        Degrees of freedom to try, instead of those by the number of cracks.
    """
    if df is None:
        df = int(np.searchsorted([4, 12, 40], int(cracked.sum()), side="right"))
    middles = slow_time((from_days + to_days)[cracked] / 2)
    high = float(slow_time(max(float(to_days.max()), 1.0)))
    for tried in range(df, 0, -1):
        course = Course(_knots(middles, high, tried))
        if _is_shown(course, from_days, to_days):
            return course
    return Course(np.empty(0))


def _knots(middles: np.ndarray, high: float, df: int) -> np.ndarray:
    """Nought, quantiles of the cracks' middles, and the last look."""
    inner = np.quantile(middles, np.linspace(0, 1, df + 1)[1:-1])
    knots = np.concatenate([[0.0], np.clip(inner, 0.15 * high, 0.85 * high), [high]])
    for i in range(1, df):
        knots[i] = max(knots[i], knots[i - 1] + 0.05 * high)
    return knots


def _is_shown(course: Course, from_days: np.ndarray, to_days: np.ndarray) -> bool:
    """Whether the intervals differ enough in time to tell the course from its level."""
    basis, log_widths = course.nodes(from_days, to_days)
    weights = np.exp(log_widths)
    means = np.einsum("nq,nqm->nm", weights / weights.sum(axis=1, keepdims=True), basis)
    whole = course.basis(WEEK_DAYS * np.expm1(np.linspace(0, course.knots[-1], 50)))
    centred = means - means.mean(axis=0)
    for j in range(course.df):
        others = np.delete(centred, j, axis=1)
        rest = centred[:, j] - others @ (np.linalg.pinv(others) @ centred[:, j])
        grid = whole - whole.mean(axis=0)
        grid_others = np.delete(grid, j, axis=1)
        grid_rest = grid[:, j] - grid_others @ (np.linalg.pinv(grid_others) @ grid[:, j])
        if rest.std() < _LEAST_SHOWN * grid_rest.std():
            return False
    return True
