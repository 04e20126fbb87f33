"""The penalised likelihood at one point: objective, slope and information.

See `woodlab.studies.firth` for what it is and for its maximum.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from woodlab.studies.firth_kernels import (
    information_matrix,
    lever_parts,
    link_parts,
    row_parts,
)


@dataclass(frozen=True, eq=False)
class _Arrays:
    design: np.ndarray
    events: np.ndarray
    weights: np.ndarray
    offset: np.ndarray
    course: np.ndarray
    log_widths: np.ndarray
    group: np.ndarray


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
    shared : array, shape (p + m,), optional
        True for columns under a normal prior with the precision in `precision`, same shape.
    group : array of int, shape (n,), optional
        Codes 0 .. g-1 of the grouping, with `group_precision` (1 / variance of its effect).
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
    group: np.ndarray | None = None
    group_precision: float = 0.0
    jeffreys: bool = True

    @property
    def n_dense(self) -> int:
        """Parameters other than the grouping's."""
        return self.design.shape[1] + (0 if self.course is None else self.course.shape[2])

    @cached_property
    def n_groups(self) -> int:
        return 0 if self.group is None else int(self.group.max()) + 1

    @cached_property
    def arrays(self) -> _Arrays:
        """The data as the compiled loops take them."""
        n = len(self.events)
        course = np.empty((n, 0, 0)) if self.course is None else self.course
        widths = np.empty((n, 0)) if self.log_widths is None else self.log_widths
        return _Arrays(
            design=np.ascontiguousarray(self.design, dtype=float),
            events=np.ascontiguousarray(self.events, dtype=float),
            weights=np.ones(n) if self.weights is None else np.asarray(self.weights, dtype=float),
            offset=np.zeros(n) if self.offset is None else np.asarray(self.offset, dtype=float),
            course=np.ascontiguousarray(course, dtype=float),
            log_widths=np.ascontiguousarray(widths, dtype=float),
            group=np.zeros(0, dtype=np.int64) if self.group is None else self.group,
        )


@dataclass(frozen=True, eq=False)
class State:
    """Objective, gradient and information at one point."""

    objective: float
    loglik: float = 0.0
    slope: np.ndarray = field(default_factory=lambda: np.empty(0))
    slope_group: np.ndarray = field(default_factory=lambda: np.empty(0))
    inverse: np.ndarray = field(default_factory=lambda: np.empty(0))
    mean: np.ndarray = field(default_factory=lambda: np.empty(0))  # cross / diagonal, by group
    diagonal: np.ndarray = field(default_factory=lambda: np.empty(0))
    log_det_shared: float = 0.0

    def solve(self, slope: np.ndarray, group: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(I + R)^-1 times a vector, the grouping's diagonal block eliminated."""
        if not len(self.diagonal):
            return self.inverse @ slope, group
        dense = self.inverse @ (slope - self.mean.T @ group)
        return dense, group / self.diagonal - self.mean @ dense


NOWHERE = State(-np.inf)


def evaluate(rows: BinomialRows, dense: np.ndarray, effects: np.ndarray) -> State:
    n, p = rows.design.shape
    data = rows.arrays
    columns = np.empty((n, rows.n_dense))
    spread = np.empty((n, rows.n_dense - p, rows.n_dense - p))
    eta = row_parts(data.design, data.course, data.log_widths, data.offset, dense, columns, spread)
    if rows.group is not None:
        eta += effects[rows.group]
    parts = np.empty((3, n))
    loglik = link_parts(rows.link == "logit", eta, data.events, data.weights, parts)
    precision = np.zeros(rows.n_dense) if rows.precision is None else rows.precision
    objective = loglik - 0.5 * float(precision @ dense**2)
    objective -= 0.5 * rows.group_precision * float(effects @ effects)
    count = rows.n_groups
    diagonal, cross = np.zeros(count), np.zeros((count, rows.n_dense))
    matrix = information_matrix(columns, parts[1], data.group, diagonal, cross)
    matrix += np.diag(precision)
    slope = columns.T @ parts[0] - precision * dense
    slope_group = np.empty(0)
    mean = cross
    if rows.group is not None:
        diagonal += rows.group_precision
        mean = cross / diagonal[:, None]
        matrix -= cross.T @ mean
        slope_group = np.bincount(rows.group, parts[0], count) - rows.group_precision * effects
    if not np.isfinite(objective) or not np.isfinite(matrix).all():
        return NOWHERE
    inverse, log_det = inverse_of(matrix)
    if inverse is None:
        return NOWHERE
    kept, log_det_shared = inverse, 0.0
    if rows.shared is not None and rows.shared.any():
        block = np.ix_(rows.shared, rows.shared)
        inverse_shared, log_det_shared = inverse_of(matrix[block])
        if inverse_shared is None:
            return NOWHERE
        kept = inverse.copy()
        kept[block] -= inverse_shared
    if rows.jeffreys:
        objective += 0.5 * (log_det - log_det_shared)
        lever_parts(columns, mean, data.group, kept, parts, spread, p, slope, slope_group)
    if rows.group is not None:
        log_det_shared += float(np.log(diagonal).sum())
    return State(objective, loglik, slope, slope_group, inverse, mean, diagonal, log_det_shared)


def inverse_of(matrix: np.ndarray) -> tuple[np.ndarray | None, float]:
    """Inverse and log determinant of a positive definite matrix; None where it is none."""
    scale = np.sqrt(np.diag(matrix))
    if not (scale > 0).all():
        return None, -np.inf
    try:
        factor = np.linalg.cholesky(matrix / np.outer(scale, scale))
    except np.linalg.LinAlgError:
        return None, -np.inf
    half = np.linalg.inv(factor) / scale
    return half.T @ half, 2 * float(np.log(np.diag(factor)).sum() + np.log(scale).sum())
