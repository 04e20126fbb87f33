"""One fit of a whole season and its ready list: how time and memory grow with the pieces.

Run by hand: `python tests/bench/bench_pool.py --pieces 500 2000`.
"""

from __future__ import annotations

import argparse
import sys
import time
import tracemalloc
from pathlib import Path

import numpy as np
import pandas as pd

import woodlab as wl
from woodlab.drying.simulate import Schedule, SeasonTruth, simulate_season
from woodlab.drying.weather import invented_air

sys.path.insert(0, str(Path(__file__).parent))
from results import result  # noqa: E402


def season(pieces: int) -> wl.RecordBook:
    """Pieces of 60 weighings; three woods, three seals, logs of four."""
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


def once(book: wl.RecordBook) -> tuple[float, float, float]:
    """CPU seconds of the fit and of the ready list, and the wall's of both."""
    wall, began = time.perf_counter(), time.process_time()
    fits = wl.fit_drying(book)
    fitted = time.process_time()
    wl.forecast_ready(fits)
    return fitted - began, time.process_time() - fitted, time.perf_counter() - wall


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pieces", type=int, nargs="+", default=[500, 2000])
    sizes = sorted(parser.parse_args().pieces)
    once(season(6))  # compile
    spent, peaks = {}, {}
    for pieces in sizes:
        book = season(pieces)
        fit, ready, wall = once(book)
        spent[pieces] = fit + ready
        asked = {500: "under 20 s", 2000: "under 90 s"}.get(pieces, "")
        result(f"{pieces} pieces: both, by the clock", wall, "s, as quiet as the load says", asked)
        result(f"{pieces} pieces: laws weighted, season fitted", fit, "s of CPU")
        result(f"{pieces} pieces: ready list of it", ready, "s of CPU")
        tracemalloc.start()
        wl.fit_drying(book, "slab")
        peaks[pieces] = tracemalloc.get_traced_memory()[1] / 1e6
        tracemalloc.stop()
        result(f"{pieces} pieces: peak memory of a fit of one law", peaks[pieces], "MB")
    if len(sizes) > 1:
        few, many = sizes[0], sizes[-1]
        more = many / few
        for what, of in (("time", spent), ("memory", peaks)):
            result(f"growth of {what} from {few} to {many} pieces", of[many] / of[few],
                   f"times, for {more:g} times the pieces", f"about {more:g}")  # fmt: skip


if __name__ == "__main__":
    main()
