"""The maximum of a penalised likelihood, and from its profile every interval and p value of a term.

The objective is

    l(theta) - theta' R theta / 2 + log det(S(theta)) / 2 + log p(sd),

with the log-likelihood l and the penalty of `likelihood`. Without a normal prior the penalty is
Jeffreys' (Firth 1993, Biometrika 80:27; Heinze and Schemper 2002, Statistics in Medicine
21:2409): every estimate stays finite where a group has no cracks at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from scipy.optimize import brentq, minimize
from scipy.stats import f as fisher_f
from scipy.stats import t as student_t

from woodlab.errors import WoodlabError
from woodlab.studies.cracks.likelihood import Pieces, Rows, inverse

MANY = 1e8  # degrees of freedom that are as good as infinite
# Spread of ln rate between logs is held back by a weak prior, sd exp(-sd / scale), with its peak at
# the scale: with few logs the likelihood alone often puts it at zero, and then every interval comes
# out too short.
PRIOR_SD = 0.5


@dataclass(frozen=True, eq=False)
class Objective:
    """Penalised log-likelihood: of the rows or, where logs or missed cracks count, of the pieces.

    The rows carry the penalty. theta is design, course and, with logs, ln of their spread.
    """

    rows: Rows
    pieces: Pieces | None = None

    @property
    def of_logs(self) -> bool:
        return self.pieces is not None and self.pieces.log is not None

    @property
    def size(self) -> int:
        return self.rows.size + self.of_logs

    def __call__(self, theta: np.ndarray) -> tuple[float, np.ndarray]:
        """Value and slope; minus infinity where the likelihood has none."""
        n, slope = self.rows.size, np.zeros(self.size)
        try:
            value, own = (self.pieces or self.rows).loglik(theta)
            extra, tilt = self.rows.penalty(theta)
        except np.linalg.LinAlgError:
            return -np.inf, slope
        slope[: len(own)] += own
        slope[:n] += tilt
        value = value + extra + (theta[n:] - np.exp(theta[n:]) / PRIOR_SD).sum()
        slope[n:] += 1 - np.exp(theta[n:]) / PRIOR_SD
        return (value, slope) if np.isfinite(value) else (-np.inf, slope)

    def climb(self, at: np.ndarray, free: np.ndarray, scale: np.ndarray, gtol: float) -> Any:
        """BFGS (Nocedal and Wright, Numerical Optimization, chapter 6) over the parameters `free`,
        the rest held, from a known inverse curvature."""

        def loss(y: np.ndarray) -> tuple[float, np.ndarray]:
            theta = at.copy()
            theta[free] = y
            value, slope = self(theta)
            return (-value if np.isfinite(value) else 1e100), -slope[free]

        options = {"gtol": gtol, "hess_inv0": (scale + scale.T) / 2, "maxiter": 200}
        with np.errstate(all="ignore"):
            return minimize(loss, at[free], method="BFGS", jac=True, options=options)


@dataclass(frozen=True, eq=False)
class PenalisedFit:
    """A maximum: its penalised log-likelihood `value`, the inverse curvature there (`covariance`),
    and the degrees of freedom `df` for intervals and p values."""

    objective: Objective
    theta: np.ndarray
    value: float
    covariance: np.ndarray
    converged: bool
    df: float = MANY

    def _deviance(self, column: int, value: float, near: np.ndarray, halves: int = 4) -> Any:
        """Twice the loss of penalised log-likelihood with a parameter held, and where; climbed to
        along the path from a near point, which is nearly straight, half way first if it is far."""
        along = self.covariance[:, column] / self.covariance[column, column]
        at, free = near + along * (value - near[column]), np.delete(np.arange(len(near)), column)
        at[column] = value
        if not len(free):
            return 2 * (self.value - self.objective(at)[0]), at
        scale = np.linalg.inv(np.linalg.inv(self.covariance)[np.ix_(free, free)])
        got = self.objective.climb(at, free, scale, 1e-4)
        if got.fun > 1e90 or np.abs(got.jac).max() > 1:
            if not halves:
                raise WoodlabError("a value to be tried lies where these records cannot come about")
            near = self._deviance(column, (near[column] + value) / 2, near, halves - 1)[1]
            return self._deviance(column, value, near, halves - 1)
        at[free] = got.x
        return 2 * (self.value + got.fun), at

    def p_value(self, column: int) -> float:
        """Of the parameter being zero, by the likelihood ratio."""
        return float(fisher_f.sf(self._deviance(column, 0.0, self.theta)[0], 1, self.df))

    def profile(self, column: int) -> tuple[float, float]:
        """95 % interval: where the root of the deviance stays below Student's quantile."""
        z, centre = float(student_t.ppf(0.975, self.df)), float(self.theta[column])
        scale, known = float(np.sqrt(self.covariance[column, column])), {centre: self.theta}

        @cache
        def excess(value: float) -> float:
            near = known[min(known, key=lambda other: abs(other - value))]
            deviance, known[value] = self._deviance(column, value, near)
            return float(np.sqrt(max(deviance, 0.0))) - z

        def end(inner: float, step: float) -> float:
            """Where the root of the deviance, nearly straight in the value, reaches z."""
            for _ in range(40):
                outer = inner + step
                try:
                    beyond = excess(outer) > 0
                except WoodlabError:  # too long a step, where nothing can be climbed from
                    step /= 3
                    continue
                if beyond:
                    return float(brentq(excess, inner, outer, xtol=3e-5 * scale, rtol=1e-10))
                inner, step = outer, step * 1.5
            raise WoodlabError("the likelihood stays flat on one side, so there is no interval.")

        return end(centre, -z * scale), end(centre, z * scale)


def fit_penalised(objective: Objective, start: np.ndarray | None = None) -> PenalisedFit:
    """Maximise the penalised likelihood; columns that determine one another are refused."""
    rows, n = objective.rows, objective.rows.size
    if start is None:  # all effects at zero and the overall rate in the intercept
        rate = np.log(rows.events.sum() + 0.5) - np.log(np.exp(rows.log_widths).sum())
        start = np.r_[rate, np.zeros(n - 1), [np.log(0.4)] * objective.of_logs]
    if not np.isfinite(objective(start)[0]):
        raise WoodlabError(
            "the columns of the design are not independent, or an effect is out of all bounds: "
            "leave out what cannot be told apart."
        )
    at, scale = start, np.eye(objective.size) * 0.5
    for _ in range(3):
        # BFGS stalls where rounding hides the last gain; a fresh curvature gets it going again.
        scale[:n, :n] = inverse(rows.information(at))[0]
        got = objective.climb(at, np.arange(objective.size), scale, 1e-7)
        at = got.x
        if np.abs(got.jac).max() < 1e-5:
            break
    covariance = _covariance(objective, at)
    newton = covariance @ objective(at)[1]
    if np.isfinite(newton).all() and objective(at + newton)[0] >= -got.fun:
        at = at + newton
    value, slope = objective(at)
    return PenalisedFit(objective, at, value, covariance, abs(slope @ covariance @ slope) < 1e-6)


def _covariance(objective: Objective, at: np.ndarray) -> np.ndarray:
    """Inverse of minus the second derivatives, by differences of the slope; the plain binomial
    model keeps the inverse of its expected information, as published."""
    n = objective.rows.size
    expected = objective.rows.information(at)
    if objective.pieces is None:
        return inverse(expected)[0]
    steps = 1e-4 * np.diag(np.maximum(1.0, np.abs(at)))
    hessian = np.stack(
        [(objective(at - step)[1] - objective(at + step)[1]) / (2 * step.sum()) for step in steps]
    )
    values, vectors = np.linalg.eigh((hessian + hessian.T) / 2)
    if values.min() < 1e-6 * values.max():  # a flat direction: as wide as the rows alone say
        hessian[:n, :n] += 1e-3 * expected
        hessian[n:, n:] += 1e-3
        values, vectors = np.linalg.eigh((hessian + hessian.T) / 2)
        values = np.maximum(values, 1e-6 * values.max())
    return (vectors / values) @ vectors.T
