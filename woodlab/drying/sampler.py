"""The common effects of a pooled season, and the Gibbs sampler that draws them.

`lay_out` says which effects a law has and where each stands in their vector; `Sampler` draws them
on the model made linear at its mode, with the pieces and the variance components. The model and
the way to the mode stand in `woodlab.drying.posterior` and `season_mode`.

Source of the method: partially collapsed Gibbs (van Dyk and Park 2008).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

from woodlab.drying import pool_kernels as kernels
from woodlab.drying.pool_model import PoolData, PooledLaw, Priors

LEAST_SD = 0.008
OWN_OFFCUT_SD = 0.04  # of ln start moisture, between a piece and an offcut of its own
MOST_SD = (1.2, 1.2, 0.6, 1.2, 0.5, 0.25, 0.3)  # a law that does not fit must not buy itself room


@dataclass(frozen=True, eq=False)
class Layout:
    """Where each effect stands in the vector of common effects."""

    names: tuple[tuple[str, str], ...]
    mean: np.ndarray
    sd: np.ndarray  # NaN: set by a variance component
    component: np.ndarray  # which, or -1
    columns: np.ndarray  # (n, 7 + n_common)
    of_column: np.ndarray  # (7 + n_common,): coordinate that it adds to
    common: np.ndarray  # kernel positions of the common parameters
    steps: np.ndarray


def lay_out(data: PoolData, law: PooledLaw, priors: Priors) -> Layout:
    names: list[tuple[str, str]] = [("all", "ln diffusivity")]
    mean, sd, component = [priors.ln_diffusivity], [priors.ln_diffusivity_sd], [-1]

    def add(labels, what, means, sds, comp=-1):  # type: ignore[no-untyped-def]
        first = len(names)
        count = len(labels)
        names.extend((str(label), what) for label in labels)
        mean.extend(np.broadcast_to(means, count))
        sd.extend(np.broadcast_to(sds, count))
        component.extend([comp] * count)
        return first

    s_d = add(data.species, "species, ln diffusivity", 0.0, priors.species_sd)
    bare = np.array([seal == "none" for seal in data.seals])
    level = np.where(bare, priors.ln_surface_bare, priors.ln_surface_sealed)
    k_s = add(data.seals, "seal, ln surface", level, priors.ln_surface_sd)
    s_m = add(data.species, "species, ln start moisture", data.start_ln, data.start_sd)
    l_d = add(data.logs, "log, ln diffusivity", 0.0, np.nan, 0)
    l_s = add(data.logs, "log, ln surface", 0.0, np.nan, 2)
    l_m = add(data.logs, "log, ln start moisture", 0.0, np.nan, 4)
    common, steps = [kernels.AIR_SHIFT], [0.05]
    # days without a reading are filled in, and their air is known as little as without a log
    shift_sd = float(np.hypot(priors.air_shift_sd_pct, data.air_unread * priors.unknown_air_sd_pct))
    columns = [
        np.zeros(data.n, dtype=int), s_d + data.of_species, l_d + data.of_log,
        k_s + data.of_seal, l_s + data.of_log, s_m + data.of_species, l_m + data.of_log,
        np.full(data.n, add(["all"], "air shift", 0.0, shift_sd)),
    ]  # fmt: skip
    if law.rise:
        at = add(["all"], "rise", priors.rise_per_pct, priors.rise_sd_per_pct)
        columns.append(np.full(data.n, at))
        common, steps = [*common, kernels.RISE], [*steps, 1e-4]
    if law.capped or law.rise:
        at = add(["all"], "saturation", priors.saturation_pct, priors.saturation_sd_pct)
        columns.append(np.full(data.n, at))
        common, steps = [*common, kernels.SATURATION], [*steps, 0.02]
    if law.warm:
        at = add(["all"], "warmth", priors.warmth_kj_mol, priors.warmth_sd_kj_mol)
        columns.append(np.full(data.n, at))
        common, steps = [*common, kernels.WARMTH], [*steps, 0.5]
    of_column = np.array([0, 0, 0, 1, 1, 2, 2, *range(3, 3 + len(common))])
    return Layout(
        tuple(names), np.array(mean, dtype=float), np.array(sd, dtype=float),
        np.array(component), np.column_stack(columns), of_column, np.array(common),
        np.array(steps),
    )  # fmt: skip


def group_means(layout: Layout, effects: np.ndarray) -> np.ndarray:
    """Group means of u and the common parameters, (..., n, 3 + common)."""
    picked = effects[..., layout.columns]
    out = np.zeros((*picked.shape[:-1], int(layout.of_column[-1]) + 1))
    for j, coordinate in enumerate(layout.of_column):
        out[..., coordinate] += picked[..., j]
    return out


@dataclass(frozen=True, eq=False)
class Linear:
    """The model made linear at a mode: quadratic forms of each piece, in (u, common)."""

    a: np.ndarray  # (n, 4 + c, 4 + c)
    b: np.ndarray  # (n, 4 + c)
    jac: np.ndarray
    target: np.ndarray


class Sampler:
    """Gibbs on the linear model: common effects (pieces integrated out), pieces, components."""

    def __init__(
        self,
        data: PoolData,
        layout: Layout,
        linear: Linear,
        priors: Priors,
        rng: np.random.Generator,
    ) -> None:
        self.data, self.layout, self.linear, self.rng = data, layout, linear, rng
        self.size = len(layout.mean)
        columns = layout.columns
        self.flat = (columns[:, :, None] * self.size + columns[:, None, :]).ravel()
        self.components = priors.components
        self.grids = [np.linspace(np.log(LEAST_SD), np.log(most), 90) for most in MOST_SD]
        logs, ln = data.log_offcuts
        if logs.size:
            names = {pair: i for i, pair in enumerate(layout.names)}
            self.offcut_at = np.array(
                [
                    [
                        names[data.species[data.own_species[log]], "species, ln start moisture"],
                        names[data.logs[log], "log, ln start moisture"],
                    ]
                    for log in logs
                ]
            )
        self.offcut_ln = ln

    def groups(self, sds: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Precision and linear term of the common effects, the pieces integrated out."""
        lay, lin = self.layout, self.linear
        psi = 1 / sds[[1, 3, 5]] ** 2
        p = lin.a[:, :4, :4].copy()
        p[:, [0, 1, 2], [0, 1, 2]] += psi
        c = np.linalg.inv(p)
        a_ug, a_gg = lin.a[:, :4, 4:], lin.a[:, 4:, 4:]
        cv = np.einsum("nij,nj->ni", c, lin.b[:, :4])
        n, common = self.data.n, a_gg.shape[1]
        q = np.empty((n, 3 + common, 3 + common))
        q[:, :3, :3] = np.diag(psi) - psi[None, :, None] * c[:, :3, :3] * psi[None, None, :]
        c_ug = c @ a_ug
        q[:, :3, 3:] = psi[None, :, None] * c_ug[:, :3]
        q[:, 3:, :3] = q[:, :3, 3:].transpose(0, 2, 1)
        q[:, 3:, 3:] = a_gg - a_ug.transpose(0, 2, 1) @ c_ug
        h = np.empty((n, 3 + common))
        h[:, :3] = psi * cv[:, :3]
        h[:, 3:] = lin.b[:, 4:] - np.einsum("nij,ni->nj", a_ug, cv)
        wide = q[:, lay.of_column][:, :, lay.of_column]
        matrix: np.ndarray = np.bincount(self.flat, wide.ravel(), self.size**2)
        matrix = matrix.reshape(self.size, self.size)
        right = np.bincount(lay.columns.ravel(), h[:, lay.of_column].ravel(), self.size)
        sd = np.where(lay.component >= 0, sds[np.maximum(lay.component, 0)], lay.sd)
        matrix[np.arange(self.size), np.arange(self.size)] += 1 / sd**2
        right += lay.mean / sd**2
        if self.offcut_ln.size:
            weight = 1 / sds[6] ** 2
            for i in (0, 1):
                np.add.at(right, self.offcut_at[:, i], self.offcut_ln * weight)
                for j in (0, 1):
                    np.add.at(matrix, (self.offcut_at[:, i], self.offcut_at[:, j]), weight)
        self.c = c
        return matrix, right

    def draw(self, sds: np.ndarray, noise: bool = True) -> tuple[np.ndarray, np.ndarray]:
        """Common effects and u (n, 4): a draw, or the mean."""
        matrix, right = self.groups(sds)
        lower = np.linalg.cholesky(matrix)
        z = solve_triangular(lower, right, lower=True, check_finite=False)
        if noise:
            z = z + self.rng.standard_normal(self.size)
        effects = solve_triangular(lower, z, lower=True, trans=1, check_finite=False)
        mean = group_means(self.layout, effects)
        psi = 1 / sds[[1, 3, 5]] ** 2
        v = self.linear.b[:, :4] - np.einsum("nij,nj->ni", self.linear.a[:, :4, 4:], mean[:, 3:])
        v[:, :3] += psi * mean[:, :3]
        u = np.einsum("nij,nj->ni", self.c, v)
        if noise:
            root = np.linalg.cholesky(self.c)
            u += np.einsum("nij,nj->ni", root, self.rng.standard_normal(u.shape))
        return effects, u

    def log_prior(self, u: np.ndarray, effects: np.ndarray, sds: np.ndarray) -> np.ndarray:
        """Log density (d,) of all but the weighings, up to a constant; u (n, d, 4), effects and
        variance components (d, ...)."""
        lay, data = self.layout, self.data
        ln = np.log(sds)
        gone = u[:, :, :3].transpose(1, 0, 2) - group_means(lay, effects)[:, :, :3]
        own = sds[:, [1, 3, 5]]
        out = -0.5 * ((gone / own[:, None]) ** 2).sum(axis=(1, 2))
        out -= data.n * ln[:, [1, 3, 5]].sum(axis=1)
        free = lay.component >= 0
        sd = np.where(free, sds[:, np.maximum(lay.component, 0)], lay.sd)
        out -= 0.5 * (((effects - lay.mean) / sd) ** 2).sum(axis=1)
        out -= np.log(sd[:, free]).sum(axis=1)
        if self.offcut_ln.size:
            apart = self.offcut_ln - effects[:, self.offcut_at].sum(axis=2)
            out -= 0.5 * ((apart / sds[:, 6:]) ** 2).sum(axis=1) + self.offcut_ln.size * ln[:, 6]
        for piece, measured in zip(*data.own_offcuts, strict=True):
            out -= 0.5 * ((u[piece, :, 2] - measured) / OWN_OFFCUT_SD) ** 2
        for j, (_, median, spread) in enumerate(self.components):
            out -= 0.5 * ((ln[:, j] - np.log(median)) / spread) ** 2
        return out

    def draw_sds(self, effects: np.ndarray, u: np.ndarray, sds: np.ndarray) -> np.ndarray:
        """Variance components given the effects, each from its own density on a grid."""
        mean = group_means(self.layout, effects)
        out = sds.copy()
        for j, (_, median, spread) in enumerate(self.components):
            if j in (1, 3, 5):
                gone = u[:, j // 2] - mean[:, j // 2]
            elif j == 6:
                if not self.offcut_ln.size:
                    continue
                gone = self.offcut_ln - effects[self.offcut_at].sum(axis=1)
            else:
                gone = effects[self.layout.component == j]
            grid = self.grids[j]
            log_density = (
                -gone.size * grid
                - 0.5 * (gone @ gone) * np.exp(-2 * grid)
                - 0.5 * ((grid - np.log(median)) / spread) ** 2
            )
            density = np.exp(log_density - log_density.max()).cumsum()
            at = np.searchsorted(density, self.rng.random() * density[-1])
            out[j] = np.exp(grid[min(at, grid.size - 1)])
        return out
