"""Speed of pooling and forecasting against all parameters at once by `least_squares`.

Run by hand: `python tests/bench/bench_pool.py --pieces 500`. `least_squares` of SciPy is timed on a
season of 100 pieces, from the same first guess to the same mode. On the large season it is
reckoned from one run of the season: its dense differences cost (number of parameters) x (one run),
for as many iterations as ours takes, so that its time there is a lower bound.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
from scipy.optimize import least_squares
from woodlab.drying.pool_model import POOLED_LAWS, Priors, pack
from woodlab.drying.sampler import group_means, lay_out
from woodlab.drying.season_mode import (
    _first_guess,
    find_mode,
    kernel_params,
    noise_root,
    run_curves,
    solve_dry,
)

from woodlab.drying.forecast import forecast_ready
from woodlab.drying.simulate import Schedule, SeasonTruth, simulate_season
from woodlab.drying.weather import invented_air

sys.path.insert(0, str(Path(__file__).parent))
from results import result  # noqa: E402


def season(pieces):
    rng = np.random.default_rng(1)
    start = pd.Timestamp("2026-01-10")
    table = pd.DataFrame(
        {
            "piece": [f"P{i}" for i in range(pieces)],
            "species": rng.choice(["sugar maple", "black cherry", "white ash"], pieces),
            "turned_on": start + pd.to_timedelta(rng.integers(0, 60, pieces), unit="D"),
            "wall_mm": rng.integers(18, 41, pieces).astype(float),
            "seal": rng.choice(["none", "wax all over", "paint all over"], pieces),
            "log": [f"L{i // 4}" for i in range(pieces)],
        }
    )
    table["species"] = table.groupby("log")["species"].transform("first")
    every = Schedule(weigh_every=3, weigh_until=171, weigh_later=30, last_day=200)
    air = invented_air(start, 262, seed=1)
    return simulate_season(table, air, seed=1, truth=SeasonTruth(), schedule=every).book


def all_at_once(data, law, mode):
    """Seconds that `least_squares` takes for every parameter, the errors and components held."""
    layout = lay_out(data, law, Priors())
    sd = np.where(layout.component >= 0, mode.sds[np.maximum(layout.component, 0)], layout.sd)
    root = noise_root(data, np.exp(mode.ln_dry), mode.slip_g, mode.drift_pct, mode.weight)

    def residuals(x):
        u, effects = x[: 3 * data.n].reshape(-1, 3), x[3 * data.n :]
        means = group_means(layout, effects)
        moisture = run_curves(data, law, kernel_params(law, layout, u, means[:, 3:]))
        white = solve_dry(data, moisture, root)[1]
        apart = (u - means[:, :3]) / mode.sds[[1, 3, 5]]
        return np.concatenate([white.ravel(), apart.ravel(), (effects - layout.mean) / sd])

    first = _first_guess(data, law, layout, Priors())
    clock = time.perf_counter()
    found = least_squares(residuals, np.concatenate([first.u.ravel(), first.effects]))
    spent = time.perf_counter() - clock
    gap = np.abs(found.x[: 3 * data.n].reshape(-1, 3) - mode.u).max()
    return spent, found.x.size, gap


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pieces", type=int, default=500)
    parser.add_argument("--draws", type=int, help="as the public call has it, if not given")
    args = parser.parse_args()
    forecast_ready(SimpleNamespace(book=season(6)), draws=50)  # compile
    law, priors = POOLED_LAWS["slab"], Priors()
    small = pack(season(100))
    clock = time.perf_counter()
    mode, _ = find_mode(small, law, priors, np.random.default_rng(0))
    ours = time.perf_counter() - clock
    theirs, parameters, gap = all_at_once(small, law, mode)
    result(
        "pooling 100 pieces against least_squares on all parameters", theirs / ours,
        f"times faster ({parameters} parameters, modes {gap:.2f} apart)", "at least 20",
    )  # fmt: skip
    book = season(args.pieces)
    per_piece = len(book.weighings) / len(book.pieces)
    clock, cpu = time.perf_counter(), time.process_time()
    data = pack(book)
    mode, layout = find_mode(data, law, priors, np.random.default_rng(0))
    pooled = time.perf_counter() - clock, time.process_time() - cpu
    clock, cpu = time.perf_counter(), time.process_time()
    forecast_ready(SimpleNamespace(book=book), draws=args.draws)
    whole = time.perf_counter() - clock, time.process_time() - cpu
    params = kernel_params(law, layout, mode.u, np.tile(mode.common, (data.n, 1)))
    clock, cpu = time.perf_counter(), time.process_time()
    run_curves(data, law, params)
    once = time.process_time() - cpu
    parameters = 4 * data.n + len(layout.mean)
    what = f"{data.n} pieces of {per_piece:.0f} weighings"
    result(f"{what}: pooled to the mode of one law", pooled[0], f"s ({pooled[1]:.1f} s of CPU)")
    result(
        f"{what}: laws weighed, pooled, forecast", whole[0], f"s ({whole[1]:.1f} s of CPU)",
        "under 30 s on two cores",
    )  # fmt: skip
    result(
        f"{what}: least_squares on all {parameters} parameters, reckoned",
        mode.iterations * parameters * once / pooled[1], "times the pooling at least",
        "at least 20",
    )  # fmt: skip


if __name__ == "__main__":
    main()
