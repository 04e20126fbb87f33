"""Makes pool_emcee.json: the posterior of a small pooled season by emcee, a general sampler.

Run by hand with emcee from the package registry: python make_pool_emcee.py. Five pieces under the
law `film`. The log posterior is that of `woodlab.drying.posterior`, with the exact curves where
woodlab's own sampler has them made linear at the mode, and with the effects of groups and logs
integrated out through the dense covariance of the pieces, which is coded here anew. Shared with
woodlab: the curve kernel, the priors, and the size of the errors, which both hold at the mode's.

The oven-dry mass of a piece is integrated out by Laplace's method; its spread is about a percent,
so that this errs by about one part in ten thousand. Groups are drawn again afterwards from their
normal distribution given the pieces.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
from woodlab.drying.pool_model import POOLED_LAWS, PoolData, Priors, pack
from woodlab.drying.sampler import LEAST_SD, MOST_SD, Layout
from woodlab.drying.season_mode import (
    FLAT_SD,
    Mode,
    find_mode,
    kernel_params,
    noise_root,
)

from woodlab.drying import pool_kernels as kernels
from woodlab.drying.simulate import Schedule, SeasonTruth, simulate_season
from woodlab.drying.weather import invented_air

LAW, SEASON_SEED, MODE_SEED, EMCEE_SEED = "film", 4, 0, 11
DAYS, WALKERS = 150, 120
GRID_STEP = 0.1
GRID = (np.arange(-28.0, -18.0, GRID_STEP), np.arange(-23.0, -13.0, GRID_STEP))


def small_season() -> PoolData:
    """Five pieces, two species, two seals, three logs; an invented season."""
    start = pd.Timestamp("2026-01-10")
    pieces = pd.DataFrame(
        {
            "piece": [f"P{i}" for i in range(5)],
            "species": ["black cherry"] * 2 + ["sugar maple"] * 3,
            "turned_on": start + pd.to_timedelta([0, 4, 4, 9, 12], unit="D"),
            "wall_mm": [22.0, 28.0, 25.0, 32.0, 26.0],
            "seal": ["none", "wax all over", "none", "wax all over", "none"],
            "log": ["A", "A", "B", "B", "C"],
        }
    )
    truth = SeasonTruth(
        law=LAW, diffusivity_m2_s={"sugar maple": 4e-11, "black cherry": 6e-11}, slip_g=0.5
    )
    air = invented_air(start, DAYS, seed=SEASON_SEED)
    book = simulate_season(
        pieces, air, seed=SEASON_SEED, truth=truth, schedule=Schedule(weigh_every=10)
    ).book
    return pack(book)


class Target:
    """Log posterior of (u of each piece, air shift, ln standard deviations), many at a time."""

    def __init__(self, data: PoolData, mode: Mode, layout: Layout, priors: Priors) -> None:
        self.data, self.layout, self.priors = data, layout, priors
        self.n, self.ln_dry0 = data.n, mode.ln_dry
        self.root = noise_root(data, np.exp(mode.ln_dry), mode.slip_g, mode.drift_pct, mode.weight)
        self.here = np.arange(data.days.shape[1])[None, :] < data.counts[:, None]
        self.white_y = np.einsum("nij,nj->ni", self.root, np.where(self.here, data.net_g, 0.0))
        log_of, self.offcut_ln = data.log_offcuts

        def same(a: np.ndarray, b: np.ndarray) -> np.ndarray:
            return (a[:, None] == b[None, :]).astype(float)

        # pieces, then (start moisture only) the offcuts as further members of their logs
        member_log = np.concatenate([data.of_log, log_of])
        member_species = np.concatenate([data.of_species, data.own_species[log_of]])
        p, kinds = priors, np.arange(len(data.species))
        bare = np.array([s == "none" for s in data.seals])
        level = np.where(bare, p.ln_surface_bare, p.ln_surface_sealed)
        self.log_same = [same(data.of_log, data.of_log)] * 2 + [same(member_log, member_log)]
        self.fixed = [
            p.ln_diffusivity_sd**2 + p.species_sd**2 * same(data.of_species, data.of_species),
            p.ln_surface_sd**2 * same(data.of_seal, data.of_seal),
            same(member_species, member_species) * (data.start_sd**2)[member_species],
        ]
        self.mean = [
            np.full(data.n, p.ln_diffusivity), level[data.of_seal], data.start_ln[member_species],
        ]  # fmt: skip
        # groups: prior means, prior covariance, covariance with the members
        self.group_mean = [np.full(kinds.size, p.ln_diffusivity), level, data.start_ln]
        seals = np.arange(len(data.seals))
        self.group_cov = [
            p.ln_diffusivity_sd**2 + p.species_sd**2 * np.eye(kinds.size),
            p.ln_surface_sd**2 * np.eye(seals.size),
            np.diag(data.start_sd**2),
        ]
        self.with_members = [
            p.ln_diffusivity_sd**2 + p.species_sd**2 * same(kinds, data.of_species),
            p.ln_surface_sd**2 * same(seals, data.of_seal),
            same(kinds, member_species) * (data.start_sd**2)[:, None],
        ]
        self.shift_sd = p.air_shift_sd_pct
        self.tabulate()

    def parts(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        n = self.n
        return theta[:, : 3 * n].reshape(-1, n, 3), theta[:, 3 * n], theta[:, 3 * n + 1 :]

    def members(self, u: np.ndarray, c: int) -> np.ndarray:
        if c < 2:
            return u[:, :, c]
        return np.hstack([u[:, :, 2], np.tile(self.offcut_ln, (len(u), 1))])

    def covariance(self, sds: np.ndarray, c: int) -> np.ndarray:
        own = np.repeat(sds[:, 2 * c + 1, None] ** 2, self.n, axis=1)
        if c == 2:
            own = np.hstack([own, np.repeat(sds[:, 6, None] ** 2, self.offcut_ln.size, axis=1)])
        cover = self.fixed[c] + sds[:, 2 * c, None, None] ** 2 * self.log_same[c]
        at = np.arange(own.shape[1])
        cover[:, at, at] += own
        return cover

    def kernel_curves(self, u: np.ndarray, shift: np.ndarray) -> np.ndarray:
        """Moisture by woodlab's kernel, (m, n, k), of u (m, n, 3) and shift (m,)."""
        data, many = self.data, len(u)
        law, rows = POOLED_LAWS[LAW], len(u) * self.n
        common = np.repeat(shift, self.n)[:, None]
        params = kernel_params(law, self.layout, u.reshape(-1, 3), common)
        given = [
            np.ascontiguousarray(np.tile(a, (many,) + (1,) * (a.ndim - 1)))
            for a in (data.days, data.counts, data.half_m, data.place, data.start)
        ]
        days, counts, half_m, place, start = given
        moisture = np.zeros((rows, data.days.shape[1]))
        kernels.curves(
            days, counts, params, law.capped, half_m, data.sums, place, start, 0, rows, moisture
        )
        return moisture.reshape(many, self.n, -1)

    def tabulate(self) -> None:
        """The kernel on a grid of (ln D, ln S); the curve is linear in start moisture and air."""
        d, s = (a.ravel() for a in np.meshgrid(*GRID, indexing="ij"))
        plain = np.zeros(d.size)

        def run(start_pct: float) -> np.ndarray:
            one = np.column_stack([d, s, np.full(d.size, np.log(start_pct))])
            return self.kernel_curves(np.repeat(one[:, None], self.n, axis=1), plain)

        dry_start, wet_start = run(20.0), run(120.0)
        left = (wet_start - dry_start) / 100.0  # share of the start moisture that is left
        shape = (GRID[0].size, GRID[1].size, self.n, -1)
        table = np.concatenate([left, dry_start - 20.0 * left], axis=2)
        self.table = table.reshape(shape)

    def curves(self, u: np.ndarray, shift: np.ndarray) -> np.ndarray:
        """Moisture (m, n, k) by cubic interpolation in the table."""
        weights, first = [], []
        for c in (0, 1):
            at = (u[:, :, c] - GRID[c][0]) / GRID_STEP
            base = np.clip(np.floor(at).astype(int) - 1, 0, GRID[c].size - 4)
            x = at - base
            weights.append(
                np.stack(
                    [
                        -(x - 1) * (x - 2) * (x - 3) / 6, x * (x - 2) * (x - 3) / 2,
                        -x * (x - 1) * (x - 3) / 2, x * (x - 1) * (x - 2) / 6,
                    ],
                    axis=-1,
                )
            )  # fmt: skip
            first.append(base[:, :, None] + np.arange(4))
        near = self.table[
            first[0][:, :, :, None], first[1][:, :, None, :],
            np.arange(self.n)[None, :, None, None],
        ]  # fmt: skip
        product = weights[0][:, :, :, None] * weights[1][:, :, None, :]
        both = np.einsum("wnij,wnijk->wnk", product, near, optimize=True)
        left, air = np.split(both, 2, axis=2)
        return left * np.exp(u[:, :, 2, None]) + air + shift[:, None, None] * (1 - left)

    def dry(self, u: np.ndarray, shift: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Oven-dry mass by least squares, its precision, and the sum of squares left."""
        moisture = np.where(self.here, 1 + self.curves(u, shift) / 100, 0.0)
        x = (self.root[None] @ moisture[..., None])[..., 0]
        precision = (x**2).sum(axis=2)
        dry = (x * self.white_y).sum(axis=2) / precision
        left = ((self.white_y - dry[:, :, None] * x) ** 2).sum(axis=2)
        return dry, precision, left

    def __call__(self, theta: np.ndarray) -> np.ndarray:
        u, shift, ln_sds = self.parts(theta)
        low, high = np.log(LEAST_SD), np.log(np.array(MOST_SD))
        good = ((ln_sds > low) & (ln_sds < high)).all(axis=1)
        for c in (0, 1):  # the table's bounds, many standard deviations away
            good &= ((u[:, :, c] > GRID[c][0]) & (u[:, :, c] < GRID[c][-1])).all(axis=1)
        good &= (u[:, :, 2] < np.log(400.0)).all(axis=1)
        out = np.full(len(theta), -np.inf)
        if not good.any():
            return out
        u, shift, ln_sds = u[good], shift[good], ln_sds[good]
        sds = np.exp(ln_sds)
        value = -0.5 * (shift / self.shift_sd) ** 2
        for j, (_, median, spread) in enumerate(self.priors.components):
            value -= 0.5 * ((ln_sds[:, j] - np.log(median)) / spread) ** 2
        for c in range(3):
            gone = self.members(u, c) - self.mean[c]
            lower = np.linalg.cholesky(self.covariance(sds, c))
            z = np.linalg.solve(lower, gone[:, :, None])[:, :, 0]
            value -= np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
            value -= 0.5 * (z**2).sum(axis=1)
        dry, precision, left = self.dry(u, shift)
        ln_dry = np.log(np.maximum(dry, 1e-9))
        value -= (
            0.5 * left + ln_dry + 0.5 * np.log(precision)
            + 0.5 * ((ln_dry - self.ln_dry0) / FLAT_SD) ** 2
        ).sum(axis=1)  # fmt: skip
        out[good] = np.where((dry > 1).all(axis=1), value, -np.inf)
        return out

    def draws(self, theta: np.ndarray, rng: np.random.Generator) -> dict[str, np.ndarray]:
        """Draws of all that is compared, by name."""
        u, shift, ln_sds = self.parts(theta)
        sds, out = np.exp(ln_sds), {}
        labels = [
            [f"ln diffusivity, {s}" for s in self.data.species],
            [f"ln surface, {s}" for s in self.data.seals],
            [f"ln start moisture, {s}" for s in self.data.species],
        ]
        for c in range(3):
            gain = self.with_members[c] @ np.linalg.inv(self.covariance(sds, c))
            gone = (self.members(u, c) - self.mean[c])[:, :, None]
            middle = self.group_mean[c] + (gain @ gone)[:, :, 0]
            cover = self.group_cov[c] - gain @ self.with_members[c].T
            noise = rng.standard_normal(middle.shape)[:, :, None]
            group = middle + (np.linalg.cholesky(cover) @ noise)[:, :, 0]
            out.update({name: group[:, i] for i, name in enumerate(labels[c])})
        out["air shift"] = shift
        for j, (name, _, _) in enumerate(self.priors.components):
            out[f"ln sd of {name}"] = ln_sds[:, j]
        dry, precision, _ = self.dry(u, shift)
        dry = dry + rng.standard_normal(dry.shape) / np.sqrt(precision)
        for i in range(self.n):
            name = self.data.pieces["piece"].iloc[i]
            for c, what in enumerate(("ln diffusivity", "ln surface", "ln start moisture")):
                out[f"{what}, {name}"] = u[:, i, c]
            out[f"ln oven-dry mass, {name}"] = np.log(dry[:, i])
        return out


def prepared() -> tuple[Target, Mode]:
    """The target, at the mode that `posterior.sample` finds with MODE_SEED."""
    data, priors = small_season(), Priors(air_shift_sd_pct=0.2)
    mode, layout = find_mode(data, POOLED_LAWS[LAW], priors, np.random.default_rng(MODE_SEED))
    return Target(data, mode, layout, priors), mode


def main(steps: int) -> None:
    import emcee  # only the run needs it: the test takes the season from this file

    target, mode = prepared()
    rng = np.random.default_rng(EMCEE_SEED)
    at = np.concatenate([mode.u.ravel(), mode.common, np.log(mode.sds)])
    np.random.seed(EMCEE_SEED)  # noqa: NPY002 (emcee takes its numbers from here)
    start = at + 0.02 * rng.standard_normal((WALKERS, at.size))
    moves = [(emcee.moves.DEMove(), 0.7), (emcee.moves.DESnookerMove(), 0.1),
             (emcee.moves.StretchMove(), 0.2)]  # fmt: skip
    sampler = emcee.EnsembleSampler(WALKERS, at.size, target, moves=moves, vectorize=True)
    began = time.time()
    sampler.run_mcmc(start, steps)
    times = sampler.get_autocorr_time(tol=0)
    burn, thin = steps // 5, max(int(times.max() / 10), 1)
    theta = sampler.get_chain(discard=burn, thin=thin, flat=True)
    halves = np.array_split(theta, 2)
    drawn = target.draws(theta, rng)
    split = np.abs(halves[0].mean(axis=0) - halves[1].mean(axis=0)) / theta.std(axis=0)
    # the table against the kernel itself, at draws of the posterior
    some = theta[rng.integers(0, len(theta), 200)]
    u, shift, _ = target.parts(some)
    off = np.abs((target.curves(u, shift) - target.kernel_curves(u, shift)) * target.here).max()
    result = {
        "library": "emcee", "version": emcee.__version__, "script": Path(__file__).name,
        "call": "EnsembleSampler(walkers, 23, target, moves=[DEMove 0.7, DESnookerMove 0.1, "
                "StretchMove 0.2], vectorize=True).run_mcmc(start, steps)",
        "law": LAW, "season_seed": SEASON_SEED, "mode_seed": MODE_SEED, "emcee_seed": EMCEE_SEED,
        "walkers": WALKERS, "steps": steps, "burn": burn, "thin": thin,
        "autocorrelation_steps": [round(float(x), 1) for x in times],
        "independent_draws_at_least": round(WALKERS * (steps - burn) / float(times.max())),
        "acceptance": round(float(sampler.acceptance_fraction.mean()), 3),
        "halves_differ_sd_at_most": round(float(split.max()), 4),
        "table_off_pct_at_most": float(off),
        "slip_g": mode.slip_g, "drift_pct": mode.drift_pct,
        "posterior": {
            name: {"mean": float(x.mean()), "sd": float(x.std())} for name, x in drawn.items()
        },
    }  # fmt: skip
    Path(__file__).with_name("pool_emcee.json").write_text(json.dumps(result, indent=1) + "\n")
    print({k: v for k, v in result.items() if k != "posterior"}, round(time.time() - began), "s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20000)
