"""Speed of pooling and forecasting against all parameters at once by `least_squares`.

Run by hand: `python tests/bench/bench_pool.py --pieces 500`. The general
optimiser is not run to its end but reckoned from one run of the season: its dense
differences cost (number of parameters) x (one run of the season), so its time is a lower bound.
"""

from __future__ import annotations

import argparse
import time
from types import SimpleNamespace

import numpy as np
import pandas as pd

from woodlab.drying.forecast import forecast_ready
from woodlab.drying.pool_model import POOLED_LAWS, Priors, pack
from woodlab.drying.posterior import find_mode, kernel_params, run_curves
from woodlab.drying.simulate import Schedule, SeasonTruth, simulate_season
from woodlab.drying.weather import invented_air


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


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pieces", type=int, default=500)
    parser.add_argument("--draws", type=int, help="as the public call has it, if not given")
    args = parser.parse_args()
    forecast_ready(SimpleNamespace(book=season(6)), draws=50)  # compile
    book = season(args.pieces)
    per_piece = len(book.weighings) / len(book.pieces)
    clock, cpu = time.perf_counter(), time.process_time()
    data = pack(book)
    law, priors = POOLED_LAWS["slab"], Priors()
    mode, layout = find_mode(data, law, priors, np.random.default_rng(0))
    pooled = time.perf_counter() - clock, time.process_time() - cpu
    clock, cpu = time.perf_counter(), time.process_time()
    forecast_ready(SimpleNamespace(book=book), draws=args.draws)
    whole = time.perf_counter() - clock, time.process_time() - cpu
    params = kernel_params(law, layout, mode.u, np.tile(mode.common, (data.n, 1)))
    clock, cpu = time.perf_counter(), time.process_time()
    run_curves(data, law, params)
    once = time.perf_counter() - clock, time.process_time() - cpu
    parameters = 4 * data.n + len(layout.mean)
    jacobians = mode.iterations * parameters
    print(f"{data.n} pieces, {per_piece:.0f} weighings each")
    print(f"pooling (one law, to its mode): {pooled[0]:.1f} s, {pooled[1]:.1f} s CPU")
    print(f"pooling, weighing laws and forecasting: {whole[0]:.1f} s, {whole[1]:.1f} s CPU")
    print(f"one run of the season: {once[0] * 1000:.0f} ms, {once[1] * 1000:.0f} ms CPU")
    print(
        f"all {parameters} parameters at once by dense differences, as many iterations "
        f"({mode.iterations}): at least {jacobians * once[1]:.0f} s CPU, "
        f"{jacobians * once[1] / pooled[1]:.0f} times the pooling"
    )


if __name__ == "__main__":
    main()
