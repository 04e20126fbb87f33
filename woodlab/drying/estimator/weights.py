"""Which drying laws, and how much of each: weights by predictive accuracy (stacking).

Each candidate is fitted to what was known some weeks before and scored on the weighings since: the
log density of each piece's held-back weighings, given its earlier ones. The weights are those of
the mixture that predicts best. Source: Yao, Vehtari, Simpson and Gelman, Bayesian Analysis 13
(2018) 917-1007.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from woodlab.drying.estimator.mode import Mode
from woodlab.drying.estimator.posterior import draw
from woodlab.drying.estimator.season import Season
from woodlab.drying.estimator.weighing_error import whitener
from woodlab.drying.fit.records import Records
from woodlab.drying.laws import LAWS, Law

LEAST_WEIGHT = 0.08  # below it a law is left out: its draws would be too few to tell of it
LENT_PIECES = 0.5
MOST_JUDGES = 120  # pieces that decide between the laws: more cost time and change little
_DAY = np.timedelta64(1, "D")


@dataclass(frozen=True, eq=False)
class Weighed:
    """`frame`: law, weight, score (log density held back), error_pct, n_held. `modes`: the fits
    that were scored, by law, with the season that each belongs to."""

    frame: pd.DataFrame
    modes: dict[str, tuple[Season, Mode]]


def candidates() -> list[str]:
    """The laws that a season weighs against one another unless told otherwise."""
    return [law.name for law in LAWS.values() if law.candidate]


def stack(log_density: np.ndarray) -> np.ndarray:
    """Weights of the mixture that predicts best; `log_density` (laws, pieces).

    Each law is lent half a piece, so that a handful of pieces does not settle for one of them.
    """
    density = np.exp(log_density - log_density.max(axis=0))
    weight = np.full(len(density), 1 / len(density))
    for _ in range(300):
        share = weight[:, None] * density
        weight = (share / share.sum(axis=0)).sum(axis=1) + LENT_PIECES
        weight /= weight.sum()
    return weight


def weigh_laws(
    records: Records, laws: Sequence[Law], as_of: np.datetime64, options: Mapping[str, Any]
) -> Weighed:
    """Stacking weights of laws by the weighings of the last weeks before `as_of`."""
    if len(laws) == 1:
        return Weighed(unweighed(laws[0]), {})
    some = _judges(records)
    held = later_than(some, held_back_day(records, as_of)) & ~some.is_moisture
    scores, errors, modes = [], [], {}
    for law in laws:
        season = Season(some, law, held_back=held, **options)
        mode = season.fit()
        modes[law.name] = season, mode
        score, error = _held_back(season, mode, held & ~some.suspect)
        scores.append(score)
        errors.append(error)
    count = (held & ~some.suspect).sum(axis=1)
    if count.sum() == 0:  # nothing to judge by: all laws alike
        weight = np.full(len(laws), 1 / len(laws))
        total = np.full(len(laws), np.nan)
    else:
        weight = stack(np.array(scores)[:, count > 0])
        total = np.array(scores)[:, count > 0].sum(axis=1)
    kept = weight >= LEAST_WEIGHT
    frame = pd.DataFrame(
        {
            "law": [law.name for law in laws],
            "weight": np.where(kept, weight, 0.0) / weight[kept].sum(),
            "score": total, "error_pct": errors, "n_held": int(count.sum()),
        }
    )  # fmt: skip
    return Weighed(frame, modes)


def unweighed(law: Law) -> pd.DataFrame:
    """The frame of one law, that nothing was weighed against."""
    one = {"law": [law.name], "weight": 1.0, "score": np.nan, "error_pct": np.nan, "n_held": 0}
    return pd.DataFrame(one)


def later_than(records: Records, day: np.datetime64) -> np.ndarray:
    """Which rows are after a day, (n, k)."""
    since = (day + _DAY - records.shelf.first_day) / _DAY
    return records.here & (records.shelf.start[:, None] + records.days >= since)


def held_back_day(records: Records, as_of: np.datetime64) -> np.datetime64:
    """The day up to which a law may look when it is scored: a quarter of the season before."""
    age = (as_of.astype("datetime64[D]") - records.shelf.first_day) / _DAY
    return as_of.astype("datetime64[D]") - int(np.clip(0.25 * age, 14, 42)) * _DAY


def _judges(records: Records) -> Records:
    """All pieces, or of a large season as many as decide, spread over species, seals and logs."""
    n = records.n_pieces
    if n <= MOST_JUDGES:
        return records
    order = np.lexsort(
        (np.arange(n), records.of_log[:n], records.of_seal[:n], records.of_species[:n])
    )
    at = np.linspace(0, n - 1, MOST_JUDGES).round().astype(int)
    return records.take(np.sort(order[at]))


def _held_back(
    season: Season, mode: Mode, held: np.ndarray, draws: int = 80
) -> tuple[np.ndarray, float]:
    """Log density of each piece's held-back weighings; their mean absolute error [points]."""
    d = season.d
    post = draw(season, mode, draws)
    asked = np.flatnonzero(held.any(axis=1))
    curves = np.zeros((d.n, post.count, d.days.shape[1]))
    curves[asked] = post.curves(d.days[asked], post.past_sums(), pick=asked)
    gain, zero = np.stack([season.scales(k) for k in np.moveaxis(post.kappa(), 1, 0)], axis=2)
    mass = np.exp(post.ln_dry)[:, :, None] * (1 + curves / 100) * gain + zero
    residual = np.where((d.here & ~d.is_moisture)[:, None], d.mass_g[:, None] - mass, 0.0)
    weight = np.where(held, 1.0, mode.weight)
    white = np.empty(residual.shape)
    ln_root = np.empty(held.shape)
    for pick in season.chunks():
        # the root is lower triangular: a whitened residual is what earlier weighings do not say
        root = whitener(d, replace(mode, weight=weight), pick)
        white[pick] = residual[pick] @ root.transpose(0, 2, 1)
        ln_root[pick] = np.log(np.diagonal(root, axis1=1, axis2=2))
    ln = -0.5 * np.einsum("ndk,nk->nd", np.minimum(white**2, 60.0), held)
    ln += (ln_root * held).sum(axis=1)[:, None]
    top = ln.max(axis=1)
    score = top + np.log(np.exp(ln - top[:, None]).mean(axis=1))
    off = np.abs(residual.mean(axis=1)) / np.exp(post.ln_dry.mean(axis=1))[:, None] * 100
    return score, float(off[held].mean()) if held.any() else float("nan")
