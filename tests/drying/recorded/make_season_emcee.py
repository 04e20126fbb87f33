"""Makes season_emcee.json: the posterior of a small season by emcee, a general sampler.

Run by hand with emcee from the package registry: python make_season_emcee.py. Four bare pieces of
two logs under the law `slab`, its own parameters held. Coded here anew: the dense covariance of
pieces and offcuts with effects and logs integrated out, and the covariance of the weighings.
Shared with woodlab: the kernel's curves, on their exact way (woodlab's draws are of the model made
linear at its mode), the priors, and slip and drift, which both hold at their estimates. The
oven-dry mass of a piece is integrated out by Laplace's method; it is known to about a percent.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

import woodlab as wl
from woodlab.drying.estimator.effects import LEAST_SD
from woodlab.drying.estimator.model import MEMORY_DAYS as DRIFT_DAYS
from woodlab.drying.fit.results import DryingFits
from woodlab.drying.simulate import Schedule, SeasonTruth, simulate_season
from woodlab.drying.weather import invented_air

SEED, AS_OF, DRAWS, WALKERS = 4, "2026-05-05", 300, 64
FIXED = {"rise_per_pct": 0.134, "fibre_saturation_pct": 30.0, "flux_cap_pct": 30.0,
         "activation_kj_mol": 0.0}  # fmt: skip


def small_season() -> DryingFits:
    """woodlab's fit of four pieces of one invented season."""
    start = pd.Timestamp("2026-01-10")
    pieces = pd.DataFrame(
        {
            "piece": [f"P{i}" for i in range(4)], "species": "sugar maple",
            "turned_on": start + pd.to_timedelta([0, 4, 9, 12], unit="D"),
            "wall_mm": [22.0, 28.0, 25.0, 32.0], "seal": "none", "log": ["A", "A", "B", "B"],
        }
    )  # fmt: skip
    air = invented_air(start, 150, seed=SEED)
    made = simulate_season(
        pieces, air, seed=SEED, truth=SeasonTruth(slip_g=0.5), schedule=Schedule(weigh_every=10)
    )
    return wl.fit_drying(made.book, "slab", as_of=AS_OF, fixed=FIXED, draws=DRAWS)


class Target:
    """Ln posterior of (u of each piece, offset of the air, bias of the hygrometer, ln sds)."""

    def __init__(self, fits: DryingFits) -> None:
        season, mode = fits.parts[0].season, fits.parts[0].mode
        self.season, self.mode, d, s = season, mode, season.d, season.system
        self.n, self.q = d.n, s.q
        names = [what for what, _ in season.effects]
        self.shared = [names.index("air offset"), names.index("hygrometer")]
        x = s.x[:, : s.q]
        self.offcut_log, self.offcut_ln = s.log_offcuts
        first = [int(np.flatnonzero(s.of_log == log)[0]) for log in self.offcut_log]
        logs = [s.of_log, s.of_log, np.r_[s.of_log, self.offcut_log]]
        designs = [x[:, 0], x[:, 1], np.vstack([x[:, 2], x[first, 2]])]
        self.mean, self.fixed, self.same = [], [], []
        for j in range(3):
            mid = np.r_[s.mid[:, j], np.zeros(len(designs[j]) - self.n)]
            self.mean.append(mid + designs[j] @ s.mean)
            self.fixed.append((designs[j] * s.sd**2) @ designs[j].T)
            self.same.append((logs[j][:, None] == logs[j]).astype(float))
        self.components = s.components.all[:7]
        self.here = d.here
        dry = np.exp(mode.error_dry)
        self.root = np.zeros((self.n, d.days.shape[1], d.days.shape[1]))
        for i in range(self.n):
            k = d.counts[i]
            t = d.days[i, :k]
            cover = (mode.drift_pct / 100 * dry[i]) ** 2 * np.exp(
                -np.abs(t[:, None] - t) / DRIFT_DAYS
            )
            size = d.scale_g[i, :k] ** 2 / 12 + mode.slip_g**2
            cover[np.arange(k), np.arange(k)] += size / mode.weight[i, :k]
            self.root[i, :k, :k] = np.linalg.inv(np.linalg.cholesky(cover))
        self.white_y = np.einsum("nij,nj->ni", self.root, np.where(self.here, d.mass_g, 0.0))

    def start(self) -> np.ndarray:
        return np.r_[self.mode.u.ravel(), self.mode.beta[self.shared], np.log(self.mode.sds[:7])]

    def parts(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        m = self.n * 3
        return theta[:, :m].reshape(-1, self.n, 3), theta[:, m : m + 2], theta[:, m + 2 :]

    def curves(self, u: np.ndarray, shared: np.ndarray) -> np.ndarray:
        """Moisture by woodlab's kernel, (m, n, k)."""
        season, d, many = self.season, self.season.d, len(u)
        beta = np.tile(self.mode.beta, (many, 1))
        beta[:, self.shared] = shared
        kappa = season.kappa(beta)  # (m, n, c)
        level = d.shelf.equilibrium_pct - season.bias(kappa[:, 0])[..., None] * d.shelf.slope
        sums = d.shelf.histories(level, d.shelf.warm)  # (m, histories, ...)
        count = sums.shape[1]
        which = np.arange(many)[None, :] * count + d.shelf.history[:, None]
        rows = season.rows(
            np.moveaxis(u, 0, 1), np.moveaxis(kappa, 0, 1), sums.reshape(-1, *sums.shape[2:]), which
        )
        found = season.law.curves(rows).reshape(self.n, many, -1)
        return np.moveaxis(found, 1, 0) + self.mode.defect

    def dry(self, u: np.ndarray, shared: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Oven-dry mass by least squares, its precision, and the sum of squares left."""
        x = np.where(self.here, 1 + self.curves(u, shared) / 100, 0.0)
        x = np.einsum("nij,mnj->mni", self.root, x)
        precision = (x**2).sum(axis=2)
        dry = (x * self.white_y).sum(axis=2) / precision
        return dry, precision, ((self.white_y - dry[:, :, None] * x) ** 2).sum(axis=2)

    def __call__(self, theta: np.ndarray) -> np.ndarray:
        u, shared, ln_sds = self.parts(theta)
        high = np.log([c.most for c in self.components])
        good = ((ln_sds > np.log(LEAST_SD)) & (ln_sds < high)).all(axis=1)
        good &= (np.abs(u - self.mode.u) < 4).all(axis=(1, 2))
        out = np.full(len(theta), -np.inf)
        if not good.any():
            return out
        u, shared, ln_sds = u[good], shared[good], ln_sds[good]
        sds, s = np.exp(ln_sds), self.season.system
        value = -0.5 * (((shared - s.mean[self.shared]) / s.sd[self.shared]) ** 2).sum(axis=1)
        for j, c in enumerate(self.components):
            value -= 0.5 * ((ln_sds[:, j] - np.log(c.median)) / c.spread) ** 2
        for j in range(3):
            members, own = u[:, :, j], np.repeat(sds[:, 3 + j, None] ** 2, self.n, axis=1)
            if j == 2:
                ln = np.tile(self.offcut_ln, (len(u), 1))
                members = np.hstack([members, ln])
                own = np.hstack([own, np.repeat(sds[:, 6, None] ** 2, ln.shape[1], axis=1)])
            cover = self.fixed[j] + sds[:, j, None, None] ** 2 * self.same[j]
            at = np.arange(own.shape[1])
            cover[:, at, at] += own
            lower = np.linalg.cholesky(cover)
            z = np.linalg.solve(lower, (members - self.mean[j])[:, :, None])[:, :, 0]
            value -= np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
            value -= 0.5 * (z**2).sum(axis=1)
        dry, precision, left = self.dry(u, shared)
        value -= (0.5 * left + np.log(np.maximum(dry, 1e-9)) + 0.5 * np.log(precision)).sum(axis=1)
        out[good] = value
        return out


def compared(u: np.ndarray, ln_dry: np.ndarray, shared: np.ndarray, now: np.ndarray) -> dict:
    """Draws of what is compared, by name: (draws, n, 3), (draws, n), (draws, 2), (draws, n)."""
    out = {"air offset": shared[:, 0], "hygrometer": shared[:, 1]}
    for i in range(u.shape[1]):
        for j, what in enumerate(("ln diffusivity", "ln surface", "ln start moisture")):
            out[f"{what}, P{i}"] = u[:, i, j]
        out[f"ln oven-dry mass, P{i}"] = ln_dry[:, i]
        out[f"moisture at the last weighing, P{i}"] = now[:, i]
    return out


def last(moisture: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """Of (draws, n, k) the value at each piece's last weighing."""
    return moisture[:, np.arange(counts.size), counts - 1]


def main(steps: int) -> None:
    import emcee  # only the run needs it: the test takes the season from this file

    target = Target(small_season())
    rng = np.random.default_rng(SEED)
    np.random.seed(SEED)  # noqa: NPY002 (emcee takes its numbers from here)
    at = target.start()
    start = at + 0.02 * rng.standard_normal((WALKERS, at.size))
    moves = [(emcee.moves.DEMove(), 0.7), (emcee.moves.DESnookerMove(), 0.1),
             (emcee.moves.StretchMove(), 0.2)]  # fmt: skip
    sampler = emcee.EnsembleSampler(WALKERS, at.size, target, moves=moves, vectorize=True)
    began = time.time()
    sampler.run_mcmc(start, steps)
    times = sampler.get_autocorr_time(tol=0)
    burn = steps // 4
    theta = sampler.get_chain(discard=burn, thin=max(int(times.max() / 10), 1), flat=True)
    halves = np.array_split(theta, 2)
    split = np.abs(halves[0].mean(axis=0) - halves[1].mean(axis=0)) / theta.std(axis=0)
    u, shared, _ = target.parts(theta)
    dry, precision, _ = target.dry(u, shared)
    dry = dry + rng.standard_normal(dry.shape) / np.sqrt(precision)
    now = last(target.curves(u, shared), target.season.d.counts)
    result = {
        "library": "emcee", "version": emcee.__version__, "script": Path(__file__).name,
        "call": f"EnsembleSampler({WALKERS}, {at.size}, target, moves=[DEMove 0.7, DESnookerMove "
                "0.1, StretchMove 0.2], vectorize=True).run_mcmc(start, steps)",
        "seed": SEED, "steps": steps, "burn": burn,
        "independent_draws_about": round(WALKERS * (steps - burn) / float(times.max())),
        "acceptance": round(float(sampler.acceptance_fraction.mean()), 3),
        "halves_differ_sd_at_most": round(float(split.max()), 3),
        "slip_g": target.mode.slip_g, "drift_pct": target.mode.drift_pct,
        "posterior": {
            name: {"mean": float(x.mean()), "sd": float(x.std())}
            for name, x in compared(u, np.log(dry), shared, now).items()
        },
    }  # fmt: skip
    Path(__file__).with_name("season_emcee.json").write_text(json.dumps(result, indent=1) + "\n")
    print({k: v for k, v in result.items() if k != "posterior"}, round(time.time() - began), "s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 4000)
