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
straight line leaves out is put right twice: in a season of few pieces each piece's term is moved
to where its exact curve has its mean (`lean`) and all is drawn again; in a forecast each draw of a
piece is weighed by its exact curve (`exact_weights`).

Source of the method: partially collapsed Gibbs (van Dyk and Park 2008); expectation propagation
(Minka 2001), here of the means alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

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
# In a larger season the lean of a piece is a twentieth of its standard deviation, and the error of
# its estimate, summed over the pieces, would move what they have in common by more than it mends.
FEW_PIECES, LEAN_DRAWS = 8, 1000
BURN = 40


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
    lean: np.ndarray  # (n, 4 + common): what `linear.b` was moved by, see `lean`


def sample(
    data: PoolData, law: PooledLaw, *, draws: int = 300, seed: int = 0,
    priors: Priors | None = None, start: Mode | None = None,
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
    """
    priors = priors or Priors()
    rng = np.random.default_rng(seed)
    mode, layout = find_mode(data, law, priors, rng, start)
    mode = put_right(data, law, layout, mode)
    moisture, residual, raw = evaluate(data, law, layout, mode)
    linear = linearise(data, mode, residual, raw)
    root = noise_root(data, np.exp(mode.ln_dry), mode.slip_g, mode.drift_pct, mode.weight)

    def drawn(moved: np.ndarray, sds: np.ndarray, count: int) -> Posterior:
        sampler = Sampler(data, layout, replace(linear, b=linear.b + moved), priors, rng)
        u, effects, kept = _chain(sampler, data.n, sds, count)
        common = within(law, layout, group_means(layout, effects)[:, 0, 3:])
        params = kernel_params(law, layout, u[:, :, :3], common[None])
        return Posterior(
            law, data, layout, mode, params, u[:, :, 3], effects, kept, root, moisture, linear,
            moved,
        )  # fmt: skip

    none = np.zeros_like(linear.b)
    if data.n > FEW_PIECES:
        return drawn(none, mode.sds, draws)
    first = drawn(none, mode.sds, LEAN_DRAWS)
    return drawn(lean(first), first.sds[-1], draws)


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


def lean(post: Posterior) -> np.ndarray:
    """How far each piece's linear term must move for its mean to be that of its exact curve.

    (n, 4 + common). With the draws of all others as they are, a piece's exact likelihood has the
    weighted mean for the linear one's plain mean; the term moves by the difference, measured in
    the precision of these draws.
    """
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
    weight = exact_weights(post, mean.transpose(1, 0, 2) + post.mode.defect[:, None])
    at = linear_place(post, post.ln_dry)
    out = np.zeros_like(post.linear.b)
    for p in np.flatnonzero(data.counts > 1):
        free = at[p].std(axis=0) > 0  # a parameter that the law holds does not move
        x = at[p][:, free]
        shift = weight[p] @ x - x.mean(axis=0)
        out[p, free] = np.linalg.lstsq(np.cov(x.T), shift, rcond=1e-12)[0]
    return out


def linear_place(post: Posterior, ln_dry: np.ndarray) -> np.ndarray:
    """Draws in the coordinates of the linear model, (n, d, 4 + common)."""
    own = post.params[:, :, [kernels.LN_D, kernels.LN_S, kernels.LN_START]]
    common = post.params[:, :, list(post.layout.common)]
    return np.concatenate([own, ln_dry[:, :, None], common], axis=2)


def exact_weights(post: Posterior, mean: np.ndarray) -> np.ndarray:
    """Weights (n, d) of the draws on their exact curves `mean` (n, d, k) against the linear model
    that they were drawn from, the oven-dry mass integrated out of both.
    """
    data = post.data
    here = np.arange(data.days.shape[1])[None, :] < data.counts[:, None]
    root_t = post.root.transpose(0, 2, 1)
    x = np.where(here[:, None, :], 1 + mean / 100, 0.0) @ root_t
    y = np.einsum("nij,nj->ni", post.root, np.where(here, data.net_g, 0.0))
    xx = (x**2).sum(axis=2)
    xy = np.einsum("ndk,nk->nd", x, y)
    safe = np.maximum(xx, 1e-300)
    exact = (y**2).sum(axis=1)[:, None] - xy**2 / safe
    jac, lean = post.linear.jac, post.lean
    at = linear_place(post, np.zeros_like(post.ln_dry))
    left = post.linear.target[:, None, :] - np.einsum("nkj,ndj->ndk", jac, at)
    col = jac[:, :, 3]
    norm = np.maximum((col**2).sum(axis=1), 1e-300)
    along = np.einsum("ndk,nk->nd", left, col) + lean[:, 3, None]
    linear = (left**2).sum(axis=2) - along**2 / norm[:, None]
    linear -= 2 * np.einsum("nj,ndj->nd", lean, at)
    ln = -0.5 * (exact - linear) - 0.5 * np.log(safe)
    ln = np.where((data.counts > 1)[:, None], ln, 0.0)
    ln -= ln.max(axis=1, keepdims=True)
    weight = np.ones_like(ln) / ln.shape[1]
    for p in range(data.n):
        power = 1.0
        while True:
            w = np.exp(power * ln[p])
            w /= w.sum()
            if 1 / (w**2).sum() >= 0.25 * w.size or power < 0.02:
                break
            power *= 0.7
        weight[p] = w
    return weight
