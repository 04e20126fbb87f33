"""Draws of a season's future: laws weighed by what they foretold, parameters, air, all together.

1. Each candidate law is fitted to what was known some weeks before, and scored on the weighings
   since (log density of each piece's held-back weighings). The laws' weights are those that make
   the mixture foretell best (stacking; Yao et al. 2018).
2. The laws that keep a weight are fitted to everything, and drawn from in proportion.
3. Each draw runs every piece from its turning on, through the air as logged and one course of the
   air to come, which is the same for all pieces of a place.
4. A piece's draws are weighed by the likelihood of its own weighings on its exact curve over that
   of the linear model that they were drawn from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying import pool_kernels as kernels
from woodlab.drying.air_to_come import AirToCome, air_to_come
from woodlab.drying.pool_model import (
    POOLED_LAWS,
    PoolData,
    PooledLaw,
    Priors,
    in_threads,
    pack,
    running_sums,
)
from woodlab.drying.posterior import Posterior, exact_weights, sample
from woodlab.drying.sampler import group_means, lay_out
from woodlab.drying.season_mode import Mode, kernel_params, noise_root
from woodlab.drying.warmth import warmth
from woodlab.errors import WoodlabError

CANDIDATES = ("slab", "open_slab", "film")
HORIZON_DAYS = 800
LEAST_WEIGHT = 0.08
LENT_PIECES = 0.5
MOST_DRAWS, LEAST_DRAWS, MOST_RUNS = 300, 100, 60_000
MOST_JUDGES = 120  # pieces that decide between the laws: more cost time and change little
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


def stack(log_density: np.ndarray) -> np.ndarray:
    """Weights of the mixture that foretells best; `log_density` (laws, pieces).

    Each law is lent half a piece, so that a handful of pieces does not settle for one of them.

    Examples
    --------
    >>> stack(np.array([[0.0, 0.0, -9.0], [-9.0, -9.0, 0.0]])).round(2).tolist()
    [0.63, 0.37]
    """
    density = np.exp(log_density - log_density.max(axis=0))
    weight = np.full(len(density), 1 / len(density))
    for _ in range(300):
        share = weight[:, None] * density
        weight = (share / share.sum(axis=0)).sum(axis=1) + LENT_PIECES
        weight /= weight.sum()
    return weight


def candidate(name: str, data: PoolData) -> PooledLaw:
    """The law as a forecast fits it: where the temperature is logged its rates may follow it."""
    return replace(POOLED_LAWS[name], warm=data.has_air)


def held_back_day(data: PoolData, as_of: np.datetime64) -> np.datetime64:
    """The day up to which a law may look when it is scored: a quarter of the season before."""
    age = (as_of - data.first_day) / _DAY
    back = int(np.clip(0.25 * age, 14, 42))
    return as_of - back * _DAY


def draw_curves(post: Posterior, data: PoolData, params: np.ndarray) -> np.ndarray:
    """Moisture at the weighings for draws, (n, d, k); no horizon and no target."""
    n, draws = params.shape[:2]
    mean = np.zeros((n, draws, data.days.shape[1]))
    none = np.full(n, -1.0)
    sums = np.ascontiguousarray(np.broadcast_to(data.sums, (draws, *data.sums.shape)))
    passage, at_now = np.empty((n, draws)), np.empty((n, draws))
    target = np.full((n, draws), -1.0)
    in_threads(
        lambda a, b: kernels.passages(
            data.days, data.counts, params, post.law.capped, data.half_m, sums, data.place,
            data.start, none, none, target, a, b, mean, passage, at_now,
        ),
        n,
    )  # fmt: skip
    return mean


def white_residuals(
    data: PoolData, mean: np.ndarray, ln_dry: np.ndarray, root: np.ndarray
) -> np.ndarray:
    """Whitened residuals of draws, (n, d, k); zero behind a piece's last weighing."""
    here = np.arange(data.days.shape[1])[None, :] < data.counts[:, None]
    left = data.net_g[:, None, :] - np.exp(ln_dry)[:, :, None] * (1 + mean / 100)
    return np.where(here[:, None, :], left, 0.0) @ root.transpose(0, 2, 1)


def held_back_scores(
    book: RecordBook, full: PoolData, law: str, day: np.datetime64, seed: int, draws: int = 60
) -> tuple[np.ndarray, np.ndarray, Posterior]:
    """Log density of each piece's weighings after `day`, how many, and the fit up to it."""
    known = pack(book.until(pd.Timestamp(day)), day)
    post = sample(known, candidate(law, known), draws=draws, seed=seed, exact=False)
    names = pd.Series(np.arange(full.n), full.pieces["piece"].to_numpy())
    at = names.loc[known.pieces["piece"]].to_numpy()
    scores, counts = np.zeros(full.n), np.zeros(full.n, dtype=int)
    later = _of_pieces(full, at)
    mean = draw_curves(post, later, post.params)
    weight = np.where(later.suspect, 1e-8, 1.0)
    weight[:, : known.days.shape[1]] = np.minimum(
        weight[:, : known.days.shape[1]],
        post.mode.weight[:, : weight.shape[1]],
    )
    dry = np.exp(post.mode.ln_dry)
    root = noise_root(later, dry, post.mode.slip_g, post.mode.drift_pct, weight)
    white = white_residuals(later, mean, post.ln_dry, root)
    k = later.days.shape[1]
    here = np.arange(k)[None, :] < later.counts[:, None]
    held = here & (np.arange(k)[None, :] >= known.counts[:, None]) & ~later.suspect
    before = here & ~held
    # the factor is lower triangular: a whitened residual is what the weighings before do not tell
    ln_past = -0.5 * np.einsum("ndk,nk->nd", white**2, before)
    ln_held = -0.5 * np.einsum("ndk,nk->nd", np.minimum(white**2, 60.0), held)
    ln_held += (np.log(np.diagonal(root, axis1=1, axis2=2)) * held).sum(axis=1)[:, None]
    past = np.exp(0.5 * (ln_past - ln_past.max(axis=1, keepdims=True)))
    past /= past.sum(axis=1, keepdims=True)
    top = ln_held.max(axis=1)
    scores[at] = top + np.log((past * np.exp(ln_held - top[:, None])).sum(axis=1))
    counts[at] = held.sum(axis=1)
    return np.where(counts > 0, scores, 0.0), counts, post


def _of_pieces(data: PoolData, at: np.ndarray) -> PoolData:
    where = {int(p): i for i, p in enumerate(at)}
    return replace(
        data, half_m=data.half_m[at], days=data.days[at], net_g=data.net_g[at],
        counts=data.counts[at], scale_g=data.scale_g[at], suspect=data.suspect[at],
        place=data.place[at], start=data.start[at],
        steps=tuple((where[p], j, shape) for p, j, shape in data.steps if p in where),
    )  # fmt: skip


def judges(book: RecordBook, most: int = MOST_JUDGES) -> RecordBook:
    """The book itself, or, where it has more than `most` pieces, one of that many spread evenly
    over species, seals and logs.

    Examples
    --------
    >>> from woodlab.demo import demo_book
    >>> some = judges(demo_book(), most=10)
    >>> len(some.pieces), some.pieces["seal"].nunique() == demo_book().pieces["seal"].nunique()
    (10, True)
    """
    if len(book.pieces) <= most:
        return book
    order = book.pieces.sort_values(["species", "seal", "log", "piece"]).index
    at = np.linspace(0, len(order) - 1, most).round().astype(int)
    pieces = book.pieces.loc[np.sort(order[at])].reset_index(drop=True)
    names = set(pieces["piece"])
    weighings = book.weighings[book.weighings["piece"].isin(names)].reset_index(drop=True)
    # an offcut belongs to a piece or to a log; those of other pieces have nobody left to tell of
    cuts = book.offcuts[
        book.offcuts["piece"].isin(names) | book.offcuts["log"].isin(set(pieces["log"].dropna()))
    ].reset_index(drop=True)
    return RecordBook(pieces, weighings, book.looks.iloc[:0], book.air, cuts, book.rims.iloc[:0])


def weigh_laws(
    book: RecordBook, data: PoolData, as_of: np.datetime64, laws: Sequence[str], seed: int
) -> tuple[pd.DataFrame, dict[str, Posterior]]:
    """Stacking weights of the laws by their held-back scores, and the fits that were scored."""
    if len(laws) == 1:
        frame = pd.DataFrame({"law": list(laws), "weight": 1.0, "score": np.nan, "n_held": 0})
        return frame, {}
    day = held_back_day(data, as_of)
    scores, posts, counts = [], {}, np.zeros(data.n, dtype=int)
    young = int((data.pieces["turned_on"] <= pd.Timestamp(day)).sum())
    if young >= 1:
        for law in laws:
            score, counts, posts[law] = held_back_scores(book, data, law, day, seed)
            scores.append(score)
    if counts.sum() == 0:
        # nothing to judge by: the law with the usual physics, and the others beside it
        weight = np.full(len(laws), 1 / len(laws))
        total = np.full(len(laws), np.nan)
    else:
        weight = stack(np.array(scores)[:, counts > 0])
        total = np.array(scores).sum(axis=1)
    frame = pd.DataFrame(
        {"law": list(laws), "weight": weight, "score": total, "n_held": int(counts.sum())}
    )
    kept = weight >= LEAST_WEIGHT
    frame["weight"] = np.where(kept, weight, 0.0) / weight[kept].sum()
    return frame, posts


def carried_over(post: Posterior, data: PoolData) -> Mode:
    """The mode of an earlier fit, or of one of fewer pieces, as the start of another: groups, logs
    and pieces by their names, the others where their group is."""
    layout = lay_out(data, post.law, Priors())
    old = dict(zip(post.layout.names, post.mode.effects, strict=True))
    effects = np.array(
        [old.get(name, mean) for name, mean in zip(layout.names, layout.mean, strict=True)]
    )
    u = group_means(layout, effects)[:, :3]
    weight = np.where(data.suspect, 1e-8, 1.0)
    heaviest = np.where(data.suspect, 0.0, data.net_g).max(axis=1)
    ln_dry = np.log(np.maximum(heaviest, 1.0) / (1 + np.exp(u[:, 2]) / 100))
    at = pd.Series(np.arange(data.n), data.pieces["piece"].to_numpy())
    at = at.loc[post.data.pieces["piece"]].to_numpy()
    u[at], ln_dry[at] = post.mode.u, post.mode.ln_dry
    defect = np.zeros(data.days.shape)
    return replace(
        post.mode, u=u, ln_dry=ln_dry, effects=effects, weight=weight, defect=defect
    )  # fmt: skip


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
        start = carried_over(earlier[law], data) if law in earlier else None
        post = sample(data, candidate(law, data), draws=count, seed=seed + 2, start=start)
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
