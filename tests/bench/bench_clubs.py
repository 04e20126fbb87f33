"""Many clubs, each its own fit on any executor, joined from their files for one who is new.

    python tests/bench/bench_clubs.py --clubs 40 --pieces 12 [--dask]

Each club has its own air, its own dry or damp store and its own hand with the sealer: the surface
coefficient of each of its seals is the truth of all clubs times a factor of its own (15 %). The
newcomer has turned bowls and weighed them once.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

import woodlab as wl
from woodlab.drying.fit.experience import Experience, as_experience
from woodlab.drying.simulate import Schedule, SeasonTruth, simulate_season
from woodlab.drying.weather import invented_air

sys.path.insert(0, str(Path(__file__).parent))
from results import result  # noqa: E402

WOODS = ("sugar maple", "black cherry", "white ash")
SEALS = ("none", "wax all over", "paint all over")
DIFFERENT = 0.15  # of a seal from club to club, in ln
TRUTH = SeasonTruth()


def season(seed: int, pieces: int, days: int = 150) -> wl.RecordBook:
    """A club's season, weighed each week; `days` after the first turning it is asked."""
    rng = np.random.default_rng(seed)
    start = pd.Timestamp("2026-01-10")
    table = pd.DataFrame({
        "piece": [f"P{i}" for i in range(pieces)],
        "species": rng.choice(WOODS, pieces),
        "turned_on": start + pd.to_timedelta(rng.integers(0, 20, pieces), unit="D"),
        "wall_mm": rng.integers(18, 36, pieces).astype(float),
        "seal": [SEALS[i % 3] for i in range(pieces)],
        "log": [f"L{i // 3}" for i in range(pieces)],
    })  # fmt: skip
    table["species"] = table.groupby("log")["species"].transform("first")
    own = {
        seal: value * np.exp(rng.normal(0, DIFFERENT)) for seal, value in TRUTH.surface_m_s.items()
    }
    air = invented_air(start - pd.Timedelta(days=30), days + 40, seed=seed)
    made = simulate_season(
        table, air, seed=seed, truth=replace(TRUTH, surface_m_s=own),
        schedule=Schedule(weigh_every=7, weigh_until=days, weigh_later=30, last_day=days),
    )  # fmt: skip
    return made.book


def fit_club(seed: int, pieces: int, folder: str) -> str:
    """What each club does by itself: its fits, in a file that it may give away."""
    path = Path(folder) / f"club{seed}.fits"
    wl.fit_drying(season(seed, pieces), "slab").save(path)
    return str(path)


@contextmanager
def workers(dask: bool) -> Iterator[Executor]:
    if not dask:
        with ProcessPoolExecutor(2) as pool:
            yield pool
        return
    from dask.distributed import Client, LocalCluster

    with LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None
    ) as cluster, Client(cluster) as client, client.get_executor() as pool:  # fmt: skip
        yield pool


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clubs", type=int, default=12)
    parser.add_argument("--pieces", type=int, default=12)
    parser.add_argument("--dask", action="store_true")
    args = parser.parse_args()
    seeds = list(range(1, args.clubs + 1))
    with tempfile.TemporaryDirectory() as folder:
        began = time.perf_counter()
        with workers(args.dask) as pool:
            files = list(
                pool.map(fit_club, seeds, [args.pieces] * len(seeds), [folder] * len(seeds))
            )
        spent = time.perf_counter() - began
        by = "a Dask cluster of two" if args.dask else "two processes"
        result(
            f"{args.clubs} clubs of {args.pieces} pieces on {by}", spent / args.clubs, "s a club"
        )
        began = time.perf_counter()
        known = as_experience(files)
        result("their files joined", 1000 * (time.perf_counter() - began) / args.clubs, "ms a file")
        told(known)
        newcomer(known)


def told(known: Experience) -> None:
    """Each seal against the truth that all clubs share."""
    for seal in SEALS:
        mean, sd = known.told["seal, surface_m_s", seal]
        off = mean - np.log(TRUTH.surface_m_s[seal])
        unit = f"in ln, sd {sd:.2f}; clubs differ by {DIFFERENT}"
        result(f"surface coefficient of {seal}: told less truth", off, unit)


def newcomer(known: Experience) -> None:
    """Twelve bowls weighed on the day of turning only: how wide are their dates?"""
    book = season(9001, 12).until("2026-01-30")
    for what, experience in (("nothing", None), ("the clubs' files", known)):
        ready = wl.forecast_ready(wl.fit_drying(book, "slab", experience=experience))
        width = (ready["latest_on"] - ready["earliest_on"]) / pd.Timedelta(days=1)
        result(f"a newcomer who knows {what}: median width of dates", float(width.median()), "days")


if __name__ == "__main__":
    main()
