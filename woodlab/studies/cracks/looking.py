"""How often to look: how long a crack runs unseen under a given gap between looks."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from woodlab.errors import WoodlabError
from woodlab.studies.cracks.hazard import HazardModel
from woodlab.studies.cracks.risk import limits

EVERY_COLUMNS = [
    "gap_days", "n_looks", "missed", "unseen_days", "ci_lower", "ci_upper", "longest_unseen_days",
    "unseen_days_per_100", "per_100_ci_lower", "per_100_ci_upper",
]  # fmt: skip
GAP_COLUMNS = [
    "week", "from_day", "to_day", "chance", "ci_lower", "ci_upper", "longest_gap_days",
    "even_gap_days", "even_gap_lower_days", "even_gap_upper_days", "reason",
]  # fmt: skip
LONGEST_GAP_DAYS = 60
_GRID = 24


class Typical:
    """The rate of the book's average piece, from an average log, at estimate and draws."""

    def __init__(self, model: HazardModel):
        theta = np.vstack([model.fit.theta, model.draws])
        weights = model.design.contrast(model.design.fixed(model.used).mean(axis=0))
        p, self.course = len(weights), model.course
        self.level = theta[:, :p] @ weights + model.level
        self.gamma = theta[:, p : p + model.course.df]
        # A crack as long as the middle one at first find is overlooked by so many looks.
        self.missed = float(model.misses.chance(model.misses.typical_mm))

    def chance(self, start: float, end: float) -> np.ndarray:
        return -np.expm1(-np.exp(self.level + self.course.log_integral(start, end, self.gamma)))

    def unseen(
        self, start: float, gap: float, first: int | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """Expected days from opening to the look that finds it, and the chance of opening.

        Of the estimate and all draws, or of the `first` few: the estimate is the first.
        To the end of the gap about half of it, and more where the rate is falling fast; then a
        gap more for each look that overlooks it.
        """
        edges = np.linspace(start, start + gap, _GRID + 1)
        middle = (edges[1:] + edges[:-1]) / 2
        level, gamma = self.level[:first, None], self.gamma[:first]
        rate = np.exp(level + gamma @ self.course.basis(middle).T)
        total = np.cumsum(rate * np.diff(edges), axis=1)
        whole = np.exp(-np.hstack([np.zeros((len(rate), 1)), total]))
        opened = whole[:, :-1] - whole[:, 1:]
        chance = opened.sum(axis=1)
        days = (opened @ (edges[-1] - middle)) / np.maximum(chance, 1e-300)
        days = np.where(chance > 0, days, gap / 2)
        return days + gap * self.missed / (1 - self.missed), chance


def _until(model: HazardModel, until_day: float) -> float:
    if not until_day > 0:
        raise WoodlabError(f"until_day must be above 0 (found {until_day!r}). Type 120.")
    return float(min(until_day, model.last_days))


def look_every(model: HazardModel, gaps_days: Sequence[float], until_day: float) -> pd.DataFrame:
    """What looking every so many days would have meant; see `CrackStudy.look_every`."""
    until, typical, rows = _until(model, until_day), Typical(model), []
    for gap in gaps_days:
        if not gap > 0:
            raise WoodlabError(f"a gap between looks must be above 0 days (found {gap!r}).")
        still = np.ones(len(typical.level))
        found, lost = np.zeros_like(still), np.zeros_like(still)
        for start in np.arange(0, until - 1e-9, gap):
            days, chance = typical.unseen(start, min(gap, until - start))
            found += still * chance
            lost += still * chance * days
            still = still * (1 - chance)
        mean = lost / np.maximum(found, 1e-300)
        # The number of looks after which nineteen cracks of twenty have been found.
        looks = max(np.ceil(np.log(0.05) / np.log(max(typical.missed, 1e-6))), 1.0)
        low, high = limits(np.stack([mean[1:], 100 * lost[1:]], axis=1))
        rows.append([float(gap), int(np.ceil(until / gap)), typical.missed, mean[0], low[0],
                     high[0], float(gap * looks), 100 * lost[0], low[1], high[1]])  # fmt: skip
    return pd.DataFrame(rows, columns=EVERY_COLUMNS)


def look_gaps(
    model: HazardModel, unseen_limit_days: float, piece_days: float, until_day: float
) -> pd.DataFrame:
    """The longest gap between looks, week by week; see `CrackStudy.look_gaps`."""
    if not (unseen_limit_days > 0 and piece_days > 0):
        raise WoodlabError("unseen_days and piece_days must be above 0. Type 2 for two days.")
    until, typical, rows = _until(model, until_day), Typical(model), []
    for week, start in enumerate(np.arange(0.0, until, 7.0), start=1):
        end = float(min(start + 7.0, model.last_days))
        if week > 1 and end - start < 3.5:
            break  # the last days are no week
        chances = typical.chance(start, end)
        lower, upper = limits(chances[1:])
        unseen = [
            float(typical.unseen(start, gap, first=1)[0][0])
            for gap in range(1, LONGEST_GAP_DAYS + 1)
        ]
        even = [_longest(unseen, piece_days / (100 * x * 7 / (end - start)))
                for x in (float(chances[0]), float(upper), float(lower))]  # fmt: skip
        rows.append([week, start, end, chances[0], lower, upper,
                     _longest(unseen, unseen_limit_days), *even, ""])  # fmt: skip
    return pd.DataFrame(rows, columns=GAP_COLUMNS)


def _longest(unseen: list[float], limit: float) -> float:
    """The longest gap in whole days, one at least, that keeps the unseen days at the limit."""
    if not np.isfinite(limit):
        return np.nan
    within = [gap for gap, days in enumerate(unseen, start=1) if days <= limit]
    return float(max(within, default=1))
