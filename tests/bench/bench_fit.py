"""Speed of the batch fit, as ratios within one run.

By hand: `python tests/bench/bench_fit.py`, with `million` also a million pieces in chunks.
"""

from __future__ import annotations

import resource
import sys
import time
import tracemalloc
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.optimize import brentq, curve_fit
from woodlab.drying.batch import fit_chunk
from woodlab.drying.setup import prepare

import woodlab as wl
from woodlab.drying.laws import LAWS, law_named
from woodlab.drying.modes import fo_per_day

sys.path.insert(0, str(Path(__file__).parent))
from results import result  # noqa: E402

DAYS = np.r_[0:60:2, 60:210:5].astype(float)
START = pd.Timestamp("2026-01-05")


def season(pieces: int, law: str, seed: int = 1):
    rng = np.random.default_rng(seed)
    spread = np.exp(0.3 * rng.normal(size=pieces))
    if law == "film":
        params = {"diffusivity_m2_s": 6e-11 * spread, "surface_m_s": 1.2e-8 * spread[::-1]}
    else:
        params = {"tau_days": 35.0 * spread}
    moisture = LAWS[law].moisture(DAYS, {**params, "start_moisture_pct": 70.0}, 25.0, 12.0)
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


def textbook_film(fo: np.ndarray, biot: float) -> np.ndarray:
    """E(Fo) as one writes it from the book: thirty roots by bracketing, then the series."""
    roots = np.array([
        brentq(lambda b: b * np.sin(b) - biot * np.cos(b), n * np.pi + 1e-12, (n + 0.5) * np.pi)
        for n in range(30)
    ])  # fmt: skip
    weights = 2 * biot**2 / (roots**2 * (roots**2 + biot**2 + biot))
    return np.exp(-np.outer(fo, roots**2)) @ weights


def loop(mass: np.ndarray, law: str):
    """A loop of curve_fit; returns seconds a piece and the time constants or diffusivities."""
    out = []
    began = time.perf_counter()
    for y in mass:
        if law == "exponential":

            def model(t, end, change, tau):
                return end + change * np.exp(-t / tau)

            p0 = (y[-1], y[0] - y[-1], 40.0)
        else:

            def model(t, end, change, ln_d, ln_s):
                d, s = np.exp(ln_d), np.exp(ln_s)
                return end + change * textbook_film(fo_per_day(d, 25.0) * t, 12.5e-3 * s / d)

            p0 = (y[-1], y[0] - y[-1], np.log(5e-11), np.log(1e-8))
        try:
            out.append(curve_fit(model, DAYS, y, p0=p0, xtol=1e-12, ftol=1e-12)[0])
        except RuntimeError:
            out.append(np.full(len(p0), np.nan))
    return (time.perf_counter() - began) / len(mass), np.array(out)


def compare(law: str, pieces: int, sample: int) -> None:
    book, mass = season(pieces, law)
    wl.fit_drying(season(70, law)[0], law)  # compile first
    setup = prepare(book, law_named(law), "book", {})
    setup.task["profile"] = False
    began = time.perf_counter()
    out = fit_chunk(setup.task)
    bare = (time.perf_counter() - began) / pieces
    began = time.perf_counter()
    fits = wl.fit_drying(book, law, progress=False)
    whole = (time.perf_counter() - began) / pieces
    looped, theirs = loop(mass[:sample], law)
    if law == "exponential":
        gap = np.nanmax(np.abs(np.exp(out["u"][:sample, 0]) / theirs[:, 2] - 1))
        text = f"largest relative difference of tau {gap:.1e}"
    else:
        sse = out["result"][:sample, 0]
        text = f"median SSE {np.median(sse):.6g}"
    fast, call = {"exponential": (10, "at least 5"), "film": (100, "")}[law]
    what = f"{law}, {pieces} pieces of {DAYS.size} weighings"
    result(f"{what}: fit against a loop of curve_fit", looped / bare,
           f"times faster ({text})", f"at least {fast}")  # fmt: skip
    good = (fits.pieces["status"] == "ok").mean()
    result(f"{what}: whole call with intervals against it", looped / whole,
           f"times faster ({good:.1%} ok)", call)  # fmt: skip


def scaling(sizes: list[int]) -> None:
    times = []
    for pieces in sizes:
        book, _ = season(pieces, "exponential")
        wanted = book.weighings[["piece", "on", "mass_g"]].memory_usage(index=False).sum()
        began = time.perf_counter()
        wl.fit_drying(book, progress=False)
        times.append(time.perf_counter() - began)
        if pieces == 10000:
            tracemalloc.start()
            wl.fit_drying(book, progress=False)
            peak = tracemalloc.get_traced_memory()[1]
            tracemalloc.stop()
            result("10,000 pieces: peak memory", peak / wanted,
                   f"times the input arrays ({wanted / 1e6:.0f} MB)", "at most 6")  # fmt: skip
    slope = np.polyfit(np.log(sizes), np.log(times), 1)[0]
    spent = ", ".join(f"{n}: {t:.2f} s" for n, t in zip(sizes, times, strict=True))
    result(f"growth of time from {sizes[0]} to {sizes[-1]} pieces", slope, f"exponent ({spent})",
           "at most 1.05")  # fmt: skip


def million() -> None:
    began = time.perf_counter()
    for chunk in range(20):
        book, _ = season(50000, "exponential", seed=chunk)
        wl.fit_drying(book, progress=False)
    top = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    result("a million pieces in 20 chunks: peak memory", top,
           f"GB ({time.perf_counter() - began:.0f} s, books made included)")  # fmt: skip


if __name__ == "__main__":
    compare("exponential", 10000, 300)
    compare("film", 2000, 20)
    scaling([1000, 10000, 100000])
    if "million" in sys.argv:
        million()
