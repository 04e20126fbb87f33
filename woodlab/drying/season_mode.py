"""The joint mode of a pooled season: its errors, its slopes, and the way to it.

Gauss-Newton on all of the pieces' parameters and the common effects (the pieces' own parameters
are eliminated: the system that is solved has one row for each group, log and common parameter),
the variance components updated on the way. The model stands in `woodlab.drying.posterior`.

Source of the method: empirical Bayes by a Gaussian approximation at the mode (Lindstrom and Bates
1990).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from woodlab.drying import pool_kernels as kernels
from woodlab.drying.pool_model import PoolData, PooledLaw, Priors, in_threads
from woodlab.drying.sampler import (
    OWN_OFFCUT_SD,
    Layout,
    Linear,
    Sampler,
    group_means,
    lay_out,
)

FREE_INNER = np.log(1e-6)  # a diffusivity [m2/s] with no resistance left
FREE_SURFACE = np.log(1e-4)  # a surface coefficient [m/s] with none
MOST_STEPS, MOST_STEPS_ON = 10, 6  # from nothing, and from the mode of a near fit
STEP_G = 1e4  # prior scale of a step in mass whose size is not known
FLAT_SD = 1.5  # of ln oven-dry mass
SLIPS_G = np.array([0.1, 0.3, 0.6, 1.0, 1.6, 2.5, 4.0, 8.0])
DRIFTS_PCT = np.array([0.02, 0.05, 0.1, 0.2, 0.35, 0.6, 1.0])


@dataclass(frozen=True, eq=False)
class Mode:
    """The mode, and the state from which another fit of the season may start."""

    u: np.ndarray  # (n, 3)
    ln_dry: np.ndarray  # (n,)
    common: np.ndarray
    effects: np.ndarray
    sds: np.ndarray  # variance components, as standard deviations
    slip_g: float
    drift_pct: float
    weight: np.ndarray  # (n, k): variance of an error is divided by it
    iterations: int
    converged: bool
    defect: np.ndarray  # (n, k) moisture: what the grid of the fit leaves out, see `grid_defect`


def kernel_params(law: PooledLaw, layout: Layout, u: np.ndarray, common: np.ndarray) -> np.ndarray:
    """Rows for the kernel from u (..., 3) and the common parameters (..., n_common)."""
    shape = u.shape[:-1]
    out = np.empty((*shape, kernels.N_PARAMS))
    out[..., kernels.LN_D] = u[..., 0] if law.inner else FREE_INNER
    out[..., kernels.LN_S] = u[..., 1] if law.surface else FREE_SURFACE
    out[..., kernels.LN_START] = np.minimum(u[..., 2], np.log(400.0))
    out[..., kernels.RISE] = 0.0
    out[..., kernels.SATURATION] = 30.0
    out[..., kernels.WARMTH] = 0.0
    for j, at in enumerate(layout.common):
        out[..., at] = common[..., j]
    return np.ascontiguousarray(out)


def noise_root(
    data: PoolData, dry_g: np.ndarray, slip_g: float, drift_pct: float, weight: np.ndarray
) -> np.ndarray:
    """Inverse Cholesky factors of the errors' covariance, (n, k, k): root @ residual is white."""
    k = data.days.shape[1]
    here = np.arange(k)[None, :] < data.counts[:, None]
    cover = (drift_pct / 100 * dry_g)[:, None, None] ** 2 * data.memory
    plain = (data.scale_g**2 / 12 + slip_g**2) / weight
    cover[:, np.arange(k), np.arange(k)] += np.where(here, plain, 1.0)
    for piece, _, shape in data.steps:
        m = data.counts[piece]
        cover[piece, :m, :m] += STEP_G**2 * np.outer(shape, shape)
    root = np.empty_like(cover)

    def invert(a: int, b: int) -> None:
        root[a:b] = np.linalg.inv(np.linalg.cholesky(cover[a:b]))

    in_threads(invert, data.n)
    return root


def run_slopes(
    data: PoolData, law: PooledLaw, layout: Layout, params: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Moisture (n, k) and its slopes (n, 3 + common, k), the held ones zero."""
    local = [i for i, on in ((0, law.inner), (1, law.surface), (2, True)) if on]
    free = np.array([*local, *layout.common])
    steps = np.array([*[1e-3] * len(local), *layout.steps])
    moisture = np.zeros(data.days.shape)
    jac = np.zeros((data.n, free.size, data.days.shape[1]))
    in_threads(
        lambda a, b: kernels.slopes(
            data.days, data.counts, params, law.capped, data.half_m, data.sums, data.place,
            data.start, free, steps, a, b, moisture, jac,
        ),
        data.n,
    )  # fmt: skip
    out = np.zeros((data.n, 3 + len(layout.common), data.days.shape[1]))
    out[:, [*local, *range(3, 3 + len(layout.common))]] = jac
    return moisture, out


def run_curves(
    data: PoolData, law: PooledLaw, params: np.ndarray, cells: int = kernels.FINE
) -> np.ndarray:
    moisture = np.zeros(data.days.shape)
    in_threads(
        lambda a, b: kernels.curves(
            data.days, data.counts, params, law.capped, data.half_m, data.sums, data.place,
            data.start, a, b, moisture, cells,
        ),
        data.n,
    )  # fmt: skip
    return moisture


def grid_defect(data: PoolData, law: PooledLaw, params: np.ndarray) -> np.ndarray:
    """Moisture on twice the cells and a third of the step less that of the fit's grid, (n, k).

    One or two hundredths of a point, but alike in all pieces: a hundred of them, whose own errors
    average out, would take it for a shift of the air of three tenths.
    """
    fine = run_curves(data, law, params)
    return run_curves(data, law, params, kernels.FINEST) - fine


def solve_dry(
    data: PoolData, moisture: np.ndarray, root: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """ln oven-dry mass by generalised least squares, and the whitened residual (n, k)."""
    here = np.arange(data.days.shape[1])[None, :] < data.counts[:, None]
    x = np.einsum("nij,nj->ni", root, np.where(here, 1 + moisture / 100, 0.0))
    y = np.einsum("nij,nj->ni", root, np.where(here, data.net_g, 0.0))
    weight = np.einsum("ni,ni->n", x, x)
    dry = np.einsum("ni,ni->n", x, y) / np.maximum(weight, 1e-300)
    dry = np.where((dry > 1e-3) & (weight > 1e-12), dry, np.maximum(data.net_g.max(axis=1), 1) / 2)
    return np.log(dry), y - dry[:, None] * x


def _first_guess(data: PoolData, law: PooledLaw, layout: Layout, priors: Priors) -> Mode:
    """Each piece's best among a few diffusivities and surface coefficients, drawn to the prior."""
    effects = layout.mean.copy()
    for log, ln in zip(*data.log_offcuts, strict=True):
        at = _find(layout, data.logs[log], "log, ln start moisture")
        effects[at] = 0.6 * (ln - data.start_ln[data.own_species[log]])
    u = group_means(layout, effects)[:, :3]
    for piece, ln in zip(*data.own_offcuts, strict=True):
        u[piece, 2] = ln
    common = group_means(layout, effects)[0, 3:]
    weight = np.where(data.suspect, 1e-8, 1.0)
    dry = np.maximum(np.where(data.suspect, 0, data.net_g).max(axis=1), 1.0) / (
        1 + np.exp(u[:, 2]) / 100
    )
    root = noise_root(data, dry, 2.0, 1.0, weight)
    best = np.full(data.n, np.inf)
    found = u.copy()
    for d in (-0.7, 0.0, 0.7) if law.inner else (0.0,):
        for s in (-1.5, -0.8, 0.0, 0.8, 1.5) if law.surface else (0.0,):
            trial = u + np.array([d, s, 0.0])
            moisture = run_curves(
                data, law, kernel_params(law, layout, trial, np.tile(common, (data.n, 1)))
            )
            _, white = solve_dry(data, moisture, root)
            cost = (white**2).sum(axis=1) + (d / 0.5) ** 2 + (s / 1.2) ** 2
            better = cost < best
            best[better], found[better] = cost[better], trial[better]
    sds = np.array([median for _, median, _ in priors.components])
    return Mode(found, np.log(dry), common, effects, sds, 2.0, 0.35, weight, 0, False,
                np.zeros(data.days.shape))  # fmt: skip


def _find(layout: Layout, label: str, what: str) -> int:
    return layout.names.index((label, what))


def params_at(data: PoolData, law: PooledLaw, layout: Layout, mode: Mode) -> np.ndarray:
    """The kernel's rows at a mode, one a piece."""
    return kernel_params(law, layout, mode.u, np.tile(mode.common, (data.n, 1)))


def put_right(data: PoolData, law: PooledLaw, layout: Layout, mode: Mode) -> Mode:
    """The mode with what its grid leaves out, see `grid_defect`."""
    defect = grid_defect(data, law, params_at(data, law, layout, mode))
    return replace(mode, defect=defect)


def evaluate(
    data: PoolData, law: PooledLaw, layout: Layout, mode: Mode
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Moisture (n, k), plain residual [g] and plain jacobian (n, k, 4 + common) at a mode."""
    moisture, slope = run_slopes(data, law, layout, params_at(data, law, layout, mode))
    moisture = moisture + mode.defect
    here = np.arange(data.days.shape[1])[None, :] < data.counts[:, None]
    dry = np.exp(mode.ln_dry)
    model = np.where(here, dry[:, None] * (1 + moisture / 100), 0.0)
    raw = np.empty((data.n, data.days.shape[1], 4 + len(layout.common)))
    raw[:, :, :3] = (slope[:, :3] * dry[:, None, None] / 100).transpose(0, 2, 1)
    raw[:, :, 3] = model
    raw[:, :, 4:] = (slope[:, 3:] * dry[:, None, None] / 100).transpose(0, 2, 1)
    return moisture, np.where(here, data.net_g - model, 0.0), raw * here[:, :, None]


def linearise(data: PoolData, mode: Mode, residual: np.ndarray, raw: np.ndarray) -> Linear:
    """The linear model at a mode, from what `evaluate` gives."""
    root = noise_root(data, np.exp(mode.ln_dry), mode.slip_g, mode.drift_pct, mode.weight)
    jac = root @ raw
    at = np.column_stack([mode.u, mode.ln_dry, np.tile(mode.common, (data.n, 1))])
    target = np.einsum("nij,nj->ni", root, residual) + np.einsum("nkj,nj->nk", jac, at)
    a = jac.transpose(0, 2, 1) @ jac
    b = np.einsum("nki,nk->ni", jac, target)
    # the oven-dry mass is flat for all that a maker will see
    a[:, 3, 3] += 1 / FLAT_SD**2
    b[:, 3] += mode.ln_dry / FLAT_SD**2
    for piece, ln in zip(*data.own_offcuts, strict=True):
        a[piece, 2, 2] += 1 / OWN_OFFCUT_SD**2
        b[piece, 2] += ln / OWN_OFFCUT_SD**2
    return Linear(a, b, jac, target)


def errors(
    data: PoolData, mode: Mode, residual: np.ndarray, raw: np.ndarray, most: int = 60
) -> tuple[float, float, np.ndarray]:
    """Slip [g], drift [points] by marginal likelihood on a grid, and weights of the weighings."""
    pick = np.argsort(-data.counts, kind="stable")[:most]
    some = take(data, pick)
    dry = np.exp(mode.ln_dry[pick])
    prior = np.diag([*(1 / mode.sds[[1, 3, 5]] ** 2), 1 / FLAT_SD**2])

    @cache  # the second round asks for most of the first one's again
    def value(slip: float, drift: float) -> float:
        root = noise_root(some, dry, slip, drift, mode.weight[pick])
        r = np.einsum("nij,nj->ni", root, residual[pick])
        j = root @ raw[pick][:, :, :4]
        a = j.transpose(0, 2, 1) @ j + prior
        b = np.einsum("nki,nk->ni", j, r)
        gain = np.einsum("ni,ni->n", b, np.linalg.solve(a, b[:, :, None])[:, :, 0])
        return float(
            np.log(np.diagonal(root, axis1=1, axis2=2)).sum()
            - 0.5 * np.linalg.slogdet(a)[1].sum()
            - 0.5 * ((r**2).sum() - gain.sum())
            - 0.5 * (np.log(slip / 0.8) / 0.8) ** 2
            - 0.5 * (np.log(drift / 0.1) / 0.8) ** 2
        )

    slip, drift = mode.slip_g, mode.drift_pct
    for _ in range(2):  # one at a time, twice: the ridge between them is not long
        slip = float(max(SLIPS_G, key=lambda one: value(one, drift)))
        drift = float(max(DRIFTS_PCT, key=lambda one: value(slip, one)))
    variance = data.scale_g**2 / 12 + slip**2 + (drift / 100 * np.exp(mode.ln_dry))[:, None] ** 2
    odd = residual**2 / variance
    weight = np.where(odd > 12.0, 6.0 / (5.0 + odd), 1.0)
    # where many of a piece's weighings are odd it is the piece that differs: they are not wrong
    here = np.arange(weight.shape[1])[None, :] < data.counts[:, None]
    many = (here & (weight < 0.9)).sum(axis=1) > np.maximum(data.counts / 4, 1)
    weight[(many | (data.counts < 4))[:, None] & (odd < 400.0)] = 1.0
    return slip, drift, np.where(data.suspect, 1e-8, np.maximum(weight**2, 1e-8))


def take(data: PoolData, pick: np.ndarray) -> PoolData:
    """The arrays of some of the pieces that `noise_root` needs."""
    where = {int(p): i for i, p in enumerate(pick)}
    return replace(
        data, half_m=data.half_m[pick], days=data.days[pick], net_g=data.net_g[pick],
        counts=data.counts[pick], scale_g=data.scale_g[pick],
        steps=tuple((where[p], j, shape) for p, j, shape in data.steps if p in where),
    )  # fmt: skip


def find_mode(
    data: PoolData, law: PooledLaw, priors: Priors, rng: np.random.Generator,
    start: Mode | None = None,
) -> tuple[Mode, Layout]:  # fmt: skip
    """Gauss-Newton to the joint mode, errors and variance components estimated on the way."""
    most = MOST_STEPS if start is None else MOST_STEPS_ON
    layout = lay_out(data, law, priors)
    mode = start or _first_guess(data, law, layout, priors)
    sds = mode.sds
    for it in range(most):
        if it == 3 or (start and it == 0):
            mode = put_right(data, law, layout, mode)
        _, residual, raw = evaluate(data, law, layout, mode)
        if it in (2, 4, 6) or (start and it == 0):
            slip, drift, weight = errors(data, mode, residual, raw)
            mode = replace(mode, slip_g=slip, drift_pct=drift, weight=weight)
        sampler = Sampler(data, layout, linearise(data, mode, residual, raw), priors, rng)
        if it < (2 if start else most - 4):  # the last steps settle with the components held
            kept = []
            for _ in range(12):
                effects, u = sampler.draw(sds)
                sds = sampler.draw_sds(effects, u, sds)
                kept.append(np.log(sds))
            sds = np.exp(0.5 * np.log(mode.sds) + 0.5 * np.mean(kept[4:], axis=0))
        effects, u = sampler.draw(sds, noise=False)
        step = np.clip(u[:, :3] - mode.u, -0.6, 0.6)
        common = within(law, layout, group_means(layout, effects)[0, 3:])
        moved = mode.u + step
        params = kernel_params(law, layout, moved, np.tile(common, (data.n, 1)))
        root = noise_root(data, np.exp(mode.ln_dry), mode.slip_g, mode.drift_pct, mode.weight)
        ln_dry, _ = solve_dry(data, run_curves(data, law, params) + mode.defect, root)
        # a fifth of what the piece leaves open: the draws are wider by far
        small = np.maximum(0.02, 0.2 * np.sqrt(np.diagonal(sampler.c, axis1=1, axis2=2)[:, :3]))
        converged = bool((np.abs(step) < small).all())
        mode = replace(
            mode, u=moved, ln_dry=ln_dry, common=common, effects=effects, sds=sds,
            iterations=it + 1, converged=converged,
        )  # fmt: skip
        if it >= (2 if start else 5) and converged:
            break
    return mode, layout


def within(law: PooledLaw, layout: Layout, common: np.ndarray) -> np.ndarray:
    """Common parameters kept to where the kernel is safe."""
    out = common.copy()
    for j, at in enumerate(layout.common):
        if at == kernels.RISE:
            out[..., j] = np.clip(out[..., j], -0.02, 0.4)
        elif at == kernels.SATURATION:
            out[..., j] = np.clip(out[..., j], 22.0, 40.0)
        elif at == kernels.WARMTH:
            out[..., j] = np.clip(out[..., j], -20.0, 80.0)
    return out
