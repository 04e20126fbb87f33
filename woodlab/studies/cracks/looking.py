"""How often to look: how long a crack runs unseen under a given gap between looks.

Everything is of the book's average piece, from an average log, at the model's estimate and draws.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from woodlab.errors import WoodlabError, as_list, as_number
from woodlab.studies.cracks.hazard import HazardModel, told

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


def _unseen(
    model: HazardModel, start: float, gap: float, first: int | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Expected days from opening to the look that finds it, and the chance of opening.

    Of the estimate and all draws, or of the `first` few: the estimate is the first. To the end of
    the gap about half of it, and more where the rate is falling fast; then a gap more for each look
    that overlooks it.
    """
    edges = np.linspace(start, start + gap, _GRID + 1)
    middle = (edges[1:] + edges[:-1]) / 2
    rate = model.typical[:first] + model.gamma[:first] @ model.course.basis(middle).T
    total = np.cumsum(np.exp(rate) * np.diff(edges), axis=1)
    opened = -np.diff(np.exp(-total), axis=1, prepend=1.0)
    chance = opened.sum(axis=1)
    days = (opened @ (edges[-1] - middle)) / np.maximum(chance, 1e-300)
    missed = model.misses.typical
    return np.where(chance > 0, days, gap / 2) + gap * missed / (1 - missed), chance


def _until(model: HazardModel, until_day: float) -> float:
    if not as_number(until_day, "until_day") > 0:
        raise WoodlabError(f"until_day must be above 0 (found {until_day!r}). Type 120.")
    return float(min(until_day, model.last_days))


def look_every(model: HazardModel, gaps_days: Sequence[float], until_day: float) -> pd.DataFrame:
    """What looking every so many days would have meant; see `CrackStudy.look_every`."""
    until, missed, rows = _until(model, until_day), model.misses.typical, []
    for gap in as_list(gaps_days, "gaps_days"):
        if not as_number(gap, "gaps_days") > 0:
            raise WoodlabError(f"a gap between looks must be above 0 days (found {gap!r}).")
        still, found, lost = (np.array(x) for x in (1.0, 0.0, 0.0))
        for start in np.arange(0, until - 1e-9, gap):
            days, chance = _unseen(model, start, min(gap, until - start))
            found, lost = found + still * chance, lost + still * chance * days
            still = still * (1 - chance)
        # The number of looks after which nineteen cracks of twenty have been found.
        looks = max(np.ceil(np.log(0.05) / np.log(max(missed, 1e-6))), 1.0)
        rows.append([float(gap), int(np.ceil(until / gap)), missed,
                     *told(lost / np.maximum(found, 1e-300)), float(gap * looks),
                     *told(100 * lost)])  # fmt: skip
    return pd.DataFrame(rows, columns=EVERY_COLUMNS)


def look_gaps(
    model: HazardModel, unseen_limit_days: float, piece_days: float, until_day: float
) -> pd.DataFrame:
    """The longest gap between looks, week by week; see `CrackStudy.look_gaps`."""
    limits = (unseen_limit_days, "unseen_days"), (piece_days, "piece_days")
    if not all(as_number(*limit) > 0 for limit in limits):
        raise WoodlabError("unseen_days and piece_days must be above 0. Type 2 for two days.")
    until, rows = _until(model, until_day), []
    gaps = range(1, LONGEST_GAP_DAYS + 1)
    for week, start in enumerate(np.arange(0.0, until, 7.0), start=1):
        end = float(min(start + 7.0, model.last_days))
        if week > 1 and end - start < 3.5:
            break  # the last days are no week
        total = model.typical[:, 0] + model.course.log_integral(start, end, model.gamma)
        chance, lower, upper = told(-np.expm1(-np.exp(total)))
        unseen = [float(_unseen(model, start, gap, first=1)[0][0]) for gap in gaps]
        even = [_longest(unseen, piece_days / (100 * x * 7 / (end - start)))
                for x in (chance, upper, lower)]  # fmt: skip
        rows.append([week, start, end, chance, lower, upper, _longest(unseen, unseen_limit_days),
                     *even, ""])  # fmt: skip
    return pd.DataFrame(rows, columns=GAP_COLUMNS)


def _longest(unseen: list[float], limit: float) -> float:
    """The longest gap in whole days, one at least, that keeps the unseen days at the limit."""
    within = [gap for gap, days in enumerate(unseen, start=1) if days <= limit]
    return float(max(within, default=1))
