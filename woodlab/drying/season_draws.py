"""Draws of a season's future: laws weighed by what they foretold, parameters, air, all together.

1. The candidate laws are weighed by the weighings that they foretold (`law_weights`).
2. The laws that keep a weight are fitted to everything, and drawn from in proportion.
3. Each draw runs every piece from its turning on, through the air as logged and one course of the
   air to come, which is the same for all pieces of a place.
4. A piece's draws are weighed by the likelihood of its own weighings on its exact curve over that
   of the linear model that they were drawn from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying import pool_kernels as kernels
from woodlab.drying.air_to_come import AirToCome, air_to_come
from woodlab.drying.law_weights import (
    CANDIDATES,
    LEAST_CHAIN,
    candidate,
    carried_over,
    draw_curves,
    judges,
    some_without_warmth,
    weigh_laws,
)
from woodlab.drying.pool_model import (
    POOLED_LAWS,
    PoolData,
    in_threads,
    pack,
    running_sums,
)
from woodlab.drying.posterior import Posterior, exact_weights, sample
from woodlab.drying.season_mode import kernel_params
from woodlab.drying.warmth import warmth
from woodlab.errors import WoodlabError

HORIZON_DAYS = 800
MOST_DRAWS, LEAST_DRAWS, MOST_RUNS = 300, 100, 60_000
_DAY = np.timedelta64(1, "D")


@dataclass(frozen=True, eq=False)
class SeasonDraws:
    """n pieces, d draws.

    Attributes
    ----------
    data : PoolData
    as_of : datetime64
    passage_days : ndarray, (n, d)
        Days from turning to the first day at or below the target; infinity beyond the horizon.
    moisture_now_pct, weight : ndarray, (n, d)
        The weights of a piece sum to one.
    target_pct : ndarray, (n,)
    law_weights : DataFrame
        `law`, `weight`, `score` (log density of the weighings held back), `n_held`.
    posteriors : tuple of Posterior
        Those of the laws that kept a weight.
    air : AirToCome
    """

    data: PoolData
    as_of: np.datetime64
    passage_days: np.ndarray
    moisture_now_pct: np.ndarray
    weight: np.ndarray
    target_pct: np.ndarray
    law_weights: pd.DataFrame
    posteriors: tuple[Posterior, ...]
    air: AirToCome


def draw_season(
    book: RecordBook,
    as_of: np.datetime64,
    *,
    target_pct: float | None,
    within_pct: float = 2.0,
    laws: Sequence[str] = CANDIDATES,
    draws: int | None = None,
    seed: int = 0,
    monthly: pd.DataFrame | None = None,
    horizon_days: int = HORIZON_DAYS,
    target_by_piece: Mapping[str, float] | None = None,
) -> SeasonDraws:
    """Everything that is known of the season at the end of `as_of`, run on into the future.

    The last few answers are kept: the ready list, the counts by week and the chart of a season
    ask for the same draws.
    """
    unknown = [law for law in laws if law not in POOLED_LAWS]
    if unknown or not laws:
        raise WoodlabError(
            f"There is no pooled law {unknown[0] if unknown else ''!r}. Choose from: "
            f"{', '.join(POOLED_LAWS)}."
        )
    key = (
        book.hash, as_of, target_pct, within_pct, tuple(laws), draws, seed, horizon_days,
        None if monthly is None else monthly.to_csv(),
        None if target_by_piece is None else tuple(sorted(target_by_piece.items())),
    )  # fmt: skip
    if key in _KEPT:
        return _KEPT[key]
    known = book.until(pd.Timestamp(as_of))
    data = pack(known, as_of)
    if draws is None:
        draws = int(np.clip(MOST_RUNS // data.n, LEAST_DRAWS, MOST_DRAWS))
    few = judges(known)
    frame, earlier = weigh_laws(few, data if few is known else pack(few, as_of), as_of, laws, seed)
    kept = frame[frame["weight"] > 0]
    share = _shares(kept["weight"].to_numpy(), draws)
    after = min(as_of, data.log_end) if data.has_air else as_of
    days = horizon_days + int((as_of - after) / _DAY) + 2
    air = air_to_come(known.air, after, days, draws=draws, seed=seed + 1, monthly=monthly)
    place = data.place if air.equilibrium_pct.shape[1] > 1 else np.zeros(data.n, dtype=int)
    if target_by_piece is not None:
        target = data.pieces["piece"].map(target_by_piece).to_numpy(dtype=float)
    elif target_pct is None:
        target = air.yearly_mean_pct[place] + within_pct
    else:
        target = np.full(data.n, float(target_pct))
    sums = whole_course(data, after, air)
    parts, posts, at = [], [], 0
    for law, count in zip(kept["law"], share, strict=True):
        able = candidate(law, data)
        start = carried_over(earlier[law], data, able) if law in earlier else None
        post = sample(data, able, draws=max(count, LEAST_CHAIN), seed=seed + 2, start=start)
        post = some_without_warmth(post, count)
        posts.append(post)
        parts.append(_run(post, target, sums[at : at + count], as_of, horizon_days))
        at += count
    passage, now, weight = (np.concatenate(part, axis=1) for part in zip(*parts, strict=True))
    # the shares of the laws hold for every piece
    season = SeasonDraws(
        data, as_of, passage, now, weight / weight.sum(axis=1, keepdims=True), target, frame,
        tuple(posts), air,
    )  # fmt: skip
    while len(_KEPT) >= MOST_KEPT:
        _KEPT.pop(next(iter(_KEPT)), None)
    _KEPT[key] = season
    return season


MOST_KEPT = 3
_KEPT: dict[tuple[object, ...], SeasonDraws] = {}


def _shares(weight: np.ndarray, draws: int) -> np.ndarray:
    share = np.maximum((weight * draws).astype(int), 1)
    share[np.argmax(weight)] += draws - share.sum()
    return share


def whole_course(data: PoolData, after: np.datetime64, air: AirToCome) -> np.ndarray:
    """Running sums of the air for each draw, (draws, places, 2, days + 1): as logged up to `after`,
    then as drawn."""
    past = max(int((after - data.first_day) / _DAY) + 1, 0)
    logged = np.diff(data.sums, axis=2)
    draws, places, _ = air.equilibrium_pct.shape
    # without a log the air of the past is that of any other day
    logged = logged[:, :, :past] if data.has_air else np.repeat(logged[:, :, :1], past, axis=2)
    before = np.broadcast_to(logged, (draws, places, 2, past))
    whole = np.concatenate([before[:, :, 0], air.equilibrium_pct], axis=2)
    return running_sums(whole, np.concatenate([before[:, :, 1], warmth(air.temp_c)], axis=2))


def _run(
    post: Posterior, target: np.ndarray, sums: np.ndarray, as_of: np.datetime64, horizon: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    data = post.data
    n, draws = post.params.shape[:2]
    now_at = (as_of + _DAY - data.first_day) / _DAY - data.start - 0.5  # noon of the day
    now_at = np.maximum(now_at, 0.0)
    last = now_at + horizon
    mean = np.zeros((n, draws, data.days.shape[1]))
    passage, at_now = np.empty((n, draws)), np.empty((n, draws))
    goal = np.ascontiguousarray(np.broadcast_to(target[:, None], (n, draws)))
    in_threads(
        lambda a, b: kernels.passages(
            data.days, data.counts, post.params, post.law.capped, data.half_m, sums, data.place,
            data.start, now_at, last, goal, a, b, mean, passage, at_now,
        ),
        n,
    )  # fmt: skip
    # the coarse run at the mode against the fine one: what the grid does to this piece's curve
    at_mode = kernel_params(
        post.law, post.layout, post.mode.u, np.tile(post.mode.common, (n, 1))
    )[:, None]  # fmt: skip
    mean += (post.fitted - draw_curves(post, data, at_mode)[:, 0])[:, None, :]
    return passage, at_now, exact_weights(post, mean) * draws
