"""Which laws a forecast draws from, and how many draws of each: by what they foretold.

Each candidate law is fitted to what was known some weeks before, and scored on the weighings since
(log density of each piece's held-back weighings). The laws' weights are those that make the mixture
foretell best (stacking; Yao et al. 2018). Within a law, the chance that its rates do not follow the
warmth is read off the fit that lets them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying import pool_kernels as kernels
from woodlab.drying.pool_model import POOLED_LAWS, PoolData, PooledLaw, Priors, in_threads, pack
from woodlab.drying.posterior import Posterior, sample
from woodlab.drying.sampler import group_means, lay_out
from woodlab.drying.season_mode import Mode, noise_root, within

CANDIDATES = ("slab", "open_slab", "film")
LEAST_WEIGHT = 0.08
LENT_PIECES = 0.5
LEAST_CHAIN = 100  # draws of a law from which is read how all else hangs on its warmth
MOST_JUDGES = 120  # pieces that decide between the laws: more cost time and change little
_DAY = np.timedelta64(1, "D")


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


def chance_of_no_warmth(post: Posterior) -> float:
    """The chance that the rates do not follow the warmth at all, from draws that let them.

    Before the weighings it is a half; they change it by the ratio of the posterior and the prior
    density of the activation energy at nought (Savage's ratio; Dickey 1971).
    """
    if not post.law.warm:
        return 1.0
    priors = Priors()
    found = post.params[0, :, kernels.WARMTH]
    spread = max(float(found.std()), 0.5)
    ln_after = -0.5 * (float(found.mean()) / spread) ** 2 - np.log(spread)
    ln_before = -0.5 * (priors.warmth_kj_mol / priors.warmth_sd_kj_mol) ** 2
    ln_before -= np.log(priors.warmth_sd_kj_mol)
    return float(1 / (1 + np.exp(-np.clip(ln_after - ln_before, -50, 50))))


def some_without_warmth(post: Posterior, keep: int) -> Posterior:
    """`keep` of the draws, with the activation energy nought in as many as its chance says.

    In those all else is moved to where it belongs given that: along its regression on the energy
    over all draws, which for the linear model that they come from is the conditional distribution.
    """
    kept = np.linspace(0, post.params.shape[1] - 1, keep).round().astype(int)
    still = int(round(chance_of_no_warmth(post) * keep)) if post.law.warm else 0
    here = np.zeros(keep, dtype=bool)
    here[np.linspace(0, keep - 1, still).round().astype(int)] = True
    energy = post.params[0, :, kernels.WARMTH]
    gone = energy - energy.mean()
    spread = max(float(gone @ gone), 1e-12)
    away = np.where(here, energy[kept], 0.0)

    def given_none(values: np.ndarray) -> np.ndarray:
        """The kept of `values` (draws, ...), those of the draws without warmth moved."""
        slope = np.tensordot(gone, values - values.mean(axis=0), axes=1) / spread
        return values[kept] - away.reshape(-1, *[1] * slope.ndim) * slope

    params = given_none(post.params.transpose(1, 0, 2)).transpose(1, 0, 2)
    common = list(post.layout.common)
    params[:, :, common] = within(post.law, post.layout, params[:, :, common])
    params[:, here, kernels.WARMTH] = 0.0
    return replace(
        post, params=np.ascontiguousarray(params), ln_dry=given_none(post.ln_dry.T).T,
        effects=given_none(post.effects), sds=np.exp(given_none(np.log(post.sds))),
    )  # fmt: skip


def carried_over(post: Posterior, data: PoolData, law: PooledLaw) -> Mode:
    """The mode of an earlier fit, or of one of fewer pieces, as the start of another: groups, logs
    and pieces by their names, the others where their group is."""
    layout = lay_out(data, law, Priors())
    old = dict(zip(post.layout.names, post.mode.effects, strict=True))
    effects = np.array(
        [old.get(name, mean) for name, mean in zip(layout.names, layout.mean, strict=True)]
    )
    means = group_means(layout, effects)
    u, common = means[:, :3], means[0, 3:]
    weight = np.where(data.suspect, 1e-8, 1.0)
    heaviest = np.where(data.suspect, 0.0, data.net_g).max(axis=1)
    ln_dry = np.log(np.maximum(heaviest, 1.0) / (1 + np.exp(u[:, 2]) / 100))
    at = pd.Series(np.arange(data.n), data.pieces["piece"].to_numpy())
    at = at.loc[post.data.pieces["piece"]].to_numpy()
    u[at], ln_dry[at] = post.mode.u, post.mode.ln_dry
    defect = np.zeros(data.days.shape)
    return replace(
        post.mode, u=u, ln_dry=ln_dry, common=common, effects=effects, weight=weight,
        defect=defect,
    )  # fmt: skip
