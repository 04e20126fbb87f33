"""How often to look: how long a crack runs unseen under a given gap between looks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from woodlab.errors import WoodlabError
from woodlab.studies.course import Course
from woodlab.studies.crack_risk import LEVEL, log_rate
from woodlab.studies.firth import Constraint
from woodlab.studies.hazard import HazardModel

EVERY_COLUMNS = [
    "gap_days", "n_looks", "unseen_days", "ci_lower", "ci_upper", "longest_unseen_days",
    "unseen_days_per_100", "per_100_ci_lower", "per_100_ci_upper",
]  # fmt: skip
GAP_COLUMNS = [
    "week", "from_day", "to_day", "chance", "ci_lower", "ci_upper", "longest_gap_days",
    "even_gap_days", "even_gap_lower_days", "even_gap_upper_days", "reason",
]  # fmt: skip

LONGEST_GAP_DAYS = 60
_GRID = 24


def typical_piece(model: HazardModel) -> np.ndarray:
    """Weights on the fixed columns of the average piece of the book, from an average log."""
    return model.design.fixed(model.used).mean(axis=0)


@dataclass(frozen=True, eq=False)
class _Course:
    """The rate of a typical piece: ln level and the course's parameters."""

    course: Course
    level: float
    gamma: np.ndarray

    @classmethod
    def of(cls, model: HazardModel, dense: np.ndarray | None = None) -> _Course:
        dense = model.fit.dense if dense is None else dense
        weights = model.dense_weights(typical_piece(model))
        p = len(weights) - model.course.df
        return cls(model.course, float(weights[:p] @ dense[:p]), dense[p:])

    def unseen(self, start_day: float, gap_days: float) -> tuple[float, float]:
        """Expected unseen days of a crack that opens in a gap, and the chance of one opening.

        The days are the mean of (end of the gap - opening), the opening following the rate within
        the gap: about half of the gap, and more where the rate is falling fast.
        """
        edges = np.linspace(start_day, start_day + gap_days, _GRID + 1)
        middle = (edges[1:] + edges[:-1]) / 2
        rate = np.exp(self.level + self.course.basis(middle) @ self.gamma) * np.diff(edges)
        whole = np.exp(-np.concatenate([[0.0], np.cumsum(rate)]))
        opened = whole[:-1] - whole[1:]
        chance = float(opened.sum())
        if chance <= 0:
            return gap_days / 2, 0.0
        return float(opened @ (edges[-1] - middle)) / chance, chance


def look_every(model: HazardModel, gaps_days: Sequence[float], until_day: float) -> pd.DataFrame:
    """What looking every so many days would have meant; see `CrackStudy.look_every`."""
    until = _until(model, until_day)
    rows = []
    for gap in gaps_days:
        if not gap > 0:
            raise WoodlabError(f"a gap between looks must be above 0 days (found {gap!r}).")

        def unseen(dense: np.ndarray, gap: float = gap) -> tuple[float, float]:
            """Mean over the cracks of the season, and unseen days per 100 pieces."""
            typical = _Course.of(model, dense)
            still, found, lost = 1.0, 0.0, 0.0
            for start in np.arange(0, until - 1e-9, gap):
                days, chance = typical.unseen(start, min(gap, until - start))
                found += still * chance
                lost += still * chance * days
                still *= 1 - chance
            return lost / found if found > 0 else gap / 2, 100 * lost

        mean, total = unseen(model.fit.dense)
        mean_sd, total_sd = _log_sd(model, unseen)
        z = 1.959964
        rows.append(
            [float(gap), int(np.ceil(until / gap)), mean, mean * np.exp(-z * mean_sd),
             min(mean * np.exp(z * mean_sd), gap), float(gap), total,
             total * np.exp(-z * total_sd), total * np.exp(z * total_sd)]
        )  # fmt: skip
    return pd.DataFrame(rows, columns=EVERY_COLUMNS)


def _log_sd(model: HazardModel, figures: Callable[[np.ndarray], tuple[float, float]]) -> np.ndarray:
    """Standard errors of the logarithms of figures, by the delta method."""
    dense = model.fit.dense
    slopes = []
    for j in range(len(dense)):
        step = np.zeros_like(dense)
        step[j] = 1e-4
        up, down = np.array(figures(dense + step)), np.array(figures(dense - step))
        slopes.append((np.log(up) - np.log(down)) / 2e-4)
    slope = np.stack(slopes, axis=1)
    variance = np.einsum("kj,jl,kl->k", slope, model.fit.covariance, slope)
    return np.minimum(np.sqrt(np.maximum(variance, 0.0)), 50.0)


def _until(model: HazardModel, until_day: float) -> float:
    if not until_day > 0:
        raise WoodlabError(f"until_day must be above 0 (found {until_day!r}). Type 120.")
    return float(min(until_day, model.last_days))


def look_gaps(
    model: HazardModel, unseen_limit_days: float, piece_days: float, until_day: float
) -> pd.DataFrame:
    """The longest gap between looks, week by week; see `CrackStudy.look_gaps`."""
    if not (unseen_limit_days > 0 and piece_days > 0):
        raise WoodlabError("unseen_days and piece_days must be above 0. Type 2 for two days.")
    until = _until(model, until_day)
    weights = model.dense_weights(typical_piece(model))
    typical = _Course.of(model)
    rows = []
    for week, start in enumerate(np.arange(0.0, until, 7.0), start=1):
        end = float(min(start + 7.0, model.last_days))
        if week > 1 and end - start < 3.5:
            break  # the last days are no week
        chance, lower, upper, reason = _week_chance(
            model, log_rate(model.course, weights, start, end)
        )
        unseen = [typical.unseen(start, gap)[0] for gap in range(1, LONGEST_GAP_DAYS + 1)]
        even = [
            _longest(unseen, piece_days / (100 * x * 7 / (end - start)))
            for x in (chance, upper, lower)
        ]
        rows.append(
            [week, start, end, chance, lower, upper, _longest(unseen, unseen_limit_days), *even,
             reason]
        )  # fmt: skip
    return pd.DataFrame(rows, columns=GAP_COLUMNS)


def _week_chance(model: HazardModel, held: Constraint) -> tuple[float, float, float, str]:
    def chance(log_rate: float) -> float:
        return float(-np.expm1(-np.exp(log_rate)))

    centre = held.value(model.fit.dense)
    try:
        lower, upper = model.fit.profile(held, LEVEL)
    except WoodlabError as error:
        return chance(centre), np.nan, np.nan, str(error)
    return chance(centre), chance(lower), chance(upper), ""


def _longest(unseen: list[float], limit: float) -> float:
    """The longest gap in whole days, one at least, that keeps the unseen days at the limit."""
    if not np.isfinite(limit):
        return np.nan
    within = [gap for gap, days in enumerate(unseen, start=1) if days <= limit]
    return float(max(within, default=1))
