"""Single pieces through the public call, as ratios to a loop of `curve_fit`, and how both grow.

By hand: `python tests/bench/bench_fit.py`. The fits alone, without the frames, are timed in
`bench_linear.py`.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.optimize import curve_fit

import woodlab as wl
from woodlab.drying.laws import LAWS

sys.path.insert(0, str(Path(__file__).parent))
from results import result  # noqa: E402

DAYS = np.r_[0:60:2, 60:210:5].astype(float)
START = pd.Timestamp("2026-01-05")


def season(pieces: int, seed: int = 1) -> tuple[wl.RecordBook, np.ndarray]:
    rng = np.random.default_rng(seed)
    params = {"tau_days": 35.0 * np.exp(0.3 * rng.normal(size=pieces)), "start_moisture_pct": 70.0}
    moisture = LAWS["exponential"].moisture(DAYS, params, 25.0, 12.0)
    mass = 900 * (1 + moisture / 100) + rng.normal(size=moisture.shape)
    names = [f"P{i}" for i in range(pieces)]
    book = wl.RecordBook.from_frames(
        pieces=pd.DataFrame({"piece": names, "species": "red oak", "turned_on": START,
                             "wall_mm": 25.0, "seal": "none"}),
        weighings=pd.DataFrame({
            "piece": np.repeat(names, DAYS.size),
            "on": np.tile(START + pd.to_timedelta(DAYS, unit="D"), pieces),
            "mass_g": mass.ravel()}),
    )  # fmt: skip
    return book, mass


def whole_call(book: wl.RecordBook) -> tuple[float, float, wl.DryingFits]:
    """CPU seconds of the call, and with its table of pieces and the draws, made when it is read."""
    began = time.process_time()
    fits = wl.fit_drying(book, "exponential", pool=False)
    spent = time.process_time() - began
    assert len(fits.pieces) == len(book.pieces)
    return spent, time.process_time() - began, fits


def loop(mass: np.ndarray) -> float:
    """CPU seconds a piece of a loop of `curve_fit`."""
    began = time.process_time()
    for y in mass:
        curve_fit(lambda t, end, change, tau: end + change * np.exp(-t / tau), DAYS, y,
                  p0=(y[-1], y[0] - y[-1], 40.0))  # fmt: skip
    return (time.process_time() - began) / len(mass)


def main() -> None:
    whole_call(season(20)[0])
    sizes, times = [1000, 10_000], []
    for pieces in sizes:
        book, mass = season(pieces)
        turns = [(*whole_call(book), loop(mass[:500]) * pieces) for _ in range(3)]
        times.append(min(turn[0] for turn in turns))
    fits, beside = turns[0][2], min(turn[3] for turn in turns)
    good = (fits.pieces["status"] == "ok").mean()
    what = f"exponential, {pieces} pieces of {DAYS.size} weighings"
    result(f"{what}: whole call against curve_fit", beside / times[1],
           f"times faster ({good:.1%} ok)", "at least 5")  # fmt: skip
    result(f"{what}: with the table of pieces read", beside / min(turn[1] for turn in turns),
           "times faster")  # fmt: skip
    slope = np.log(times[1] / times[0]) / np.log(sizes[1] / sizes[0])
    result(f"growth of time from {sizes[0]} to {sizes[1]} pieces", slope, "exponent", "at most 1.1")
    tracemalloc.start()
    whole_call(book)
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    result(f"{pieces} pieces: peak memory", peak, "MB")


if __name__ == "__main__":
    main()
