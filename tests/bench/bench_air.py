"""How well the future air is predicted: its mean over weeks, against what came.

Run by hand: `python tests/bench/bench_air.py --climates 60`. Climates of `season_truths`, a log of
a year and some months, and the means of the equilibrium moisture over three stretches of the days
after it. "Climate known" draws its futures from the true climate and the state of the last day.
The spread of (error / our standard deviation) is one where the draws are as wide as they should be.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
import pandas as pd

from woodlab.drying.future_air import future_air
from woodlab.wood.humidity import equilibrium_moisture

sys.path.insert(0, str(Path(__file__).parent))
from results import result  # noqa: E402
from season_truths import Weather  # noqa: E402

STRETCHES = ((0, 30), (30, 90), (90, 180))


def level(table):
    return np.asarray(equilibrium_moisture(table["temp_c"], table["rh_pct"]), dtype=float)


def one(seed, spells):
    """Error of ours and of one who knows the climate, and our standard deviation, by stretch."""
    rng = np.random.default_rng(seed)
    known = 365 + int(rng.integers(70, 140))
    first = pd.Timestamp("2024-01-05") + pd.Timedelta(days=int(rng.integers(0, 60)))
    weather = Weather.drawn(rng, known + 200, first, spells)
    table = weather.table()
    came = level(table)[known:]
    after = np.datetime64(first, "D") + np.timedelta64(known - 1, "D")
    log = table.head(known).assign(place=None)
    ours = future_air(log, after, 200, draws=300, seed=seed).equilibrium_pct[:, 0]
    best = np.array([level(weather.again(rng, known).table())[known:] for _ in range(60)])
    rows = []
    for a, b in STRETCHES:
        mean = ours[:, a:b].mean(axis=1)
        true = came[a:b].mean()
        rows.append((mean.mean() - true, best[:, a:b].mean() - true, mean.std()))
    return rows


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--climates", type=int, default=60)
    parser.add_argument("--first-seed", type=int, default=9000)
    args = parser.parse_args()
    for spells, name in ((1.0, "years differ"), (0.0, "every year alike")):
        seeds = range(args.first_seed, args.first_seed + args.climates)
        rows = np.array([one(seed, spells) for seed in seeds])
        for j, (a, b) in enumerate(STRETCHES):
            ours, best, sd = rows[:, j].T
            result(
                f"{name}, mean of days {a} to {b}: error", np.sqrt((ours**2).mean()),
                f"points (climate known {np.sqrt((best**2).mean()):.2f}; spread of error / sd "
                f"{np.sqrt(((ours / sd) ** 2).mean()):.2f})",
            )  # fmt: skip


if __name__ == "__main__":
    main()
