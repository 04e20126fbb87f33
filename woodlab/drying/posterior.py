"""A season's posterior: all pieces at once, under one pooled law.

The model. Piece i of species s, log l, seal k has u = (ln diffusivity, ln surface coefficient, ln
start moisture, ln oven-dry mass):

    ln D = mean + species_s + log_l + piece_i      ln S = seal_k + log_l + piece_i
    ln M0 = species_s + log_l + piece_i            ln W flat

    mass_ij = W_i (1 + M(t_ij; D, S, M0, rise, air + shift)/100) + error_ij

Error: the scale's rounding, a slip common to the season, and a departure of the wall from the law
that lasts about a month (`drift`, in points of moisture), so that sixty weighings do not pretend
to tell sixty times as much about a law that is only nearly true.

The fit. First the joint mode (`woodlab.drying.season_mode`). Then a Gibbs sampler on the model
made linear there draws groups, logs, pieces and variance components together
(`woodlab.drying.sampler`), so that the intervals carry the doubt about the components. What a
straight line leaves out is put right twice: all draws of a season are moved together to where its
exact curves have their mean (`find_move`), and in a forecast each draw of a piece is weighed by
its own exact curve (`exact_weights`).

Source of the method: partially collapsed Gibbs (van Dyk and Park 2008); importance sampling with
tempered weights (Neal 2001), here for the means alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import trim_mean

from woodlab.drying import pool_kernels as kernels
from woodlab.drying.pool_model import PoolData, PooledLaw, Priors, in_threads
from woodlab.drying.sampler import Layout, Linear, Sampler, group_means
from woodlab.drying.season_mode import (
    Mode,
    evaluate,
    find_mode,
    kernel_params,
    linearise,
    noise_root,
    put_right,
    within,
)

SMALL_SEASON = 60
BURN = 40
# A season of more pieces has a narrower posterior, which leans less, and more curves to run.
MOST_MOVED, MOVES = 60, 2
LEAST_MOVING, MOST_MOVING, MOVING_RUNS = 250, 500, 8_000  # draws, draws, draws of all pieces
LEAST_SHARE = 0.25  # of the draws that must still count when they are weighed


@dataclass(frozen=True, eq=False)
class Posterior:
    """Draws of one law's posterior; d draws.

    `params` (n, d, N_PARAMS) are the kernel's parameters of each piece, `ln_dry` (n, d) their
    oven-dry masses, `effects` (d, effects), `sds` (d, components), `root` (n, k, k) whitens.
    """

    law: PooledLaw
    data: PoolData
    layout: Layout
    mode: Mode
    params: np.ndarray
    ln_dry: np.ndarray
    effects: np.ndarray
    sds: np.ndarray
    root: np.ndarray
    fitted: np.ndarray  # (n, k) moisture at the mode
    linear: Linear
    moved: np.ndarray  # (n, 4 + common): how far the draws of the linear model were moved


@dataclass(frozen=True, eq=False)
class Move:
    """How far all draws of a season are moved: u (n, 4), the effects, the log components."""

    u: np.ndarray
    effects: np.ndarray
    ln_sds: np.ndarray


def sample(
    data: PoolData, law: PooledLaw, *, draws: int = 300, seed: int = 0,
    priors: Priors | None = None, start: Mode | None = None, exact: bool = True,
) -> Posterior:  # fmt: skip
    """Fit one law to the season and draw from its posterior.

    Parameters
    ----------
    data : PoolData
        From `woodlab.drying.pool_model.pack`.
    law : PooledLaw
    draws, seed : int
        How many draws are kept, and where the random numbers begin.
    start : Mode, optional
        The mode of a fit of the same pieces, to start from.
    exact : bool
        Move the draws to the mean of the exact curves; without it they are those of the model
        made linear at its mode.
    """
    priors = priors or Priors()
    rng = np.random.default_rng(seed)
    mode, layout = find_mode(data, law, priors, rng, start)
    mode = put_right(data, law, layout, mode)
    moisture, residual, raw = evaluate(data, law, layout, mode)
    linear = linearise(data, mode, residual, raw)
    root = noise_root(data, np.exp(mode.ln_dry), mode.slip_g, mode.drift_pct, mode.weight)
    exact = exact and data.n <= MOST_MOVED
    sampler = Sampler(data, layout, linear, priors, rng)
    moving = int(np.clip(MOVING_RUNS // data.n, LEAST_MOVING, MOST_MOVING)) if exact else 0
    u, effects, sds = _chain(sampler, data.n, mode.sds, max(draws, moving))

    def moved(by: Move, count: int) -> Posterior:
        there = effects[:count] + by.effects
        place = u[:, :count] + by.u[:, None]
        common = group_means(layout, there)[:, 0, 3:]
        return Posterior(
            law, data, layout, mode,
            kernel_params(law, layout, place[:, :, :3], within(law, layout, common)[None]),
            place[:, :, 3], there, sds[:count] * np.exp(by.ln_sds), root, moisture, linear,
            np.concatenate([by.u, group_means(layout, by.effects)[:, 3:]], axis=1),
        )  # fmt: skip

    by = Move(np.zeros((data.n, 4)), np.zeros(len(layout.mean)), np.zeros(sds.shape[1]))
    if exact:
        by = find_move(by, moved, sampler, u[:, :moving], effects[:moving], sds[:moving])
    return moved(by, draws)


def find_move(
    still: Move, moved: Callable[[Move, int], Posterior], sampler: Sampler, u: np.ndarray,
    effects: np.ndarray, sds: np.ndarray,
) -> Move:  # fmt: skip
    """The move that brings the draws to where the exact posterior has its mean.

    The draws are weighed by the exact posterior over the linear one, with a power that leaves a
    quarter of them their say, and all are moved by the difference of their weighted and plain
    means; then again, from there. A move after which the draws stand in worse places than before
    is not made.
    """
    count = len(sds)
    plain = sampler.log_prior(u, effects, sds)

    def worth(by: Move) -> tuple[np.ndarray, np.ndarray]:
        post = moved(by, count)
        ratio, dry = log_ratios(post, exact_curves(post))
        prior = sampler.log_prior(u + by.u[:, None], post.effects, post.sds)
        return ratio.sum(axis=0) + prior - plain, dry.mean(axis=1)

    by = still
    log_weight, dry = worth(by)
    for _ in range(MOVES):
        weight, power = tempered(log_weight)
        step = Move(
            np.einsum("d,ndi->ni", weight, u) - u.mean(axis=1),
            weight @ effects - effects.mean(axis=0),
            weight @ np.log(sds) - np.log(sds).mean(axis=0),
        )
        for part in (1.0, 0.5):
            trial = Move(
                by.u + part * step.u, by.effects + part * step.effects,
                by.ln_sds + part * step.ln_sds,
            )  # fmt: skip
            value, dry_there = worth(trial)
            if trim_mean(value, 0.1) > trim_mean(log_weight, 0.1):
                break
        else:
            break
        by, log_weight, dry = trial, value, dry_there
        if power > 0.9:
            break
    # the oven-dry mass follows: given a curve it is known at once
    return replace(by, u=np.column_stack([by.u[:, :3], dry]))


def tempered(log_weight: np.ndarray) -> tuple[np.ndarray, float]:
    """Weights of draws with the highest power, at most one, that leaves `LEAST_SHARE` their say."""
    power = 1.0
    while True:
        weight = np.exp(power * (log_weight - log_weight.max()))
        weight /= weight.sum()
        if 1 / (weight**2).sum() >= LEAST_SHARE * weight.size or power < 0.02:
            return weight, power
        power *= 0.7


def _chain(
    sampler: Sampler, n: int, sds: np.ndarray, count: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Draws of u (n, count, 4), the effects and the variance components."""
    kept_u = np.empty((n, count, 4))
    kept_effects = np.empty((count, len(sampler.layout.mean)))
    kept_sds = np.empty((count, sds.size))
    between = 2 if n > SMALL_SEASON else 5  # steps between draws: small ones cost little
    for d in range(-BURN, count):
        for _ in range(between):
            effects, u = sampler.draw(sds)
            sds = sampler.draw_sds(effects, u, sds)
        if d >= 0:
            kept_u[:, d], kept_effects[d], kept_sds[d] = u, effects, sds
    return kept_u, kept_effects, kept_sds


def exact_curves(post: Posterior) -> np.ndarray:
    """Moisture of each draw at the weighings, (n, d, k), on the fit's own grid put right."""
    data = post.data
    mean = np.empty((post.params.shape[1], *data.days.shape))
    by_draw = np.ascontiguousarray(post.params.transpose(1, 0, 2))

    def run(a: int, b: int) -> None:
        for d in range(a, b):
            kernels.curves(
                data.days, data.counts, by_draw[d], post.law.capped, data.half_m, data.sums,
                data.place, data.start, 0, data.n, mean[d], kernels.FINE,
            )  # fmt: skip

    in_threads(run, len(mean))
    return mean.transpose(1, 0, 2) + post.mode.defect[:, None]


def log_ratios(post: Posterior, mean: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Log likelihood of each piece on its exact curves `mean` (n, d, k) less that of the linear
    model it was drawn from, the oven-dry mass integrated out of both, and how far ln oven-dry mass
    lies apart; both (n, d).
    """
    data = post.data
    here = np.arange(data.days.shape[1])[None, :] < data.counts[:, None]
    root_t = post.root.transpose(0, 2, 1)
    x = np.where(here[:, None, :], 1 + mean / 100, 0.0) @ root_t
    y = np.einsum("nij,nj->ni", post.root, np.where(here, data.net_g, 0.0))
    xx = np.maximum((x**2).sum(axis=2), 1e-300)
    xy = np.einsum("ndk,nk->nd", x, y)
    exact = (y**2).sum(axis=1)[:, None] - xy**2 / xx
    jac = post.linear.jac
    own = post.params[:, :, [kernels.LN_D, kernels.LN_S, kernels.LN_START]]
    common = post.params[:, :, list(post.layout.common)]
    at = np.concatenate([own, np.zeros_like(own[:, :, :1]), common], axis=2)
    at -= post.moved[:, None] * np.array([1.0, 1, 1, 0, *[1] * common.shape[2]])
    left = post.linear.target[:, None, :] - np.einsum("nkj,ndj->ndk", jac, at)
    col = jac[:, :, 3]
    norm = np.maximum((col**2).sum(axis=1), 1e-300)[:, None]
    along = np.einsum("ndk,nk->nd", left, col)
    linear = (left**2).sum(axis=2) - along**2 / norm
    told = (data.counts > 1)[:, None]
    ratio = np.where(told, -0.5 * (exact - linear) - 0.5 * np.log(xx), 0.0)
    return ratio, np.where(told, np.log(np.maximum(xy, 1e-300) / xx) - along / norm, 0.0)


def exact_weights(post: Posterior, mean: np.ndarray) -> np.ndarray:
    """Weights (n, d) of the draws of each piece by its exact curves `mean` (n, d, k)."""
    ratio, _ = log_ratios(post, mean)
    return np.stack([tempered(one)[0] for one in ratio])
