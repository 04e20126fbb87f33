"""Speed of the linear batch fit beside a loop of `curve_fit`, as ratios of CPU seconds in one run.

By hand: `python tests/bench/bench_linear.py`. Ours and the loop take turns, and the least time of
each counts, so that both see the same machine.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
from scipy.optimize import brentq, curve_fit

from woodlab.drying.laws import law_named
from woodlab.drying.linear import Pieces, fit_linear
from woodlab.drying.modes import DailyAir

sys.path.insert(0, str(Path(__file__).parent))
from results import result  # noqa: E402

DAYS = np.r_[0:60:2, 60:210:5].astype(float)
HALF_M = 0.0125


def rows(law: str, pieces: int, moving: bool = False, seed: int = 1) -> Pieces:
    """Pieces of 60 weighings with an error of 1 g, from 70 % towards 12 % or a daily course."""
    rng = np.random.default_rng(seed)
    middle = {"exponential": [np.log(35.0)], "film": [np.log(35.0), np.log(2.5)]}[law]
    u = np.array(middle) + 0.3 * rng.normal(size=(pieces, len(middle)))
    t, half = np.tile(DAYS, (pieces, 1)), np.full(pieces, HALF_M)
    params = {**law_named(law).search.values(u, half), "start_moisture_pct": 70.0}
    air, more = 12.0, {}
    if moving:
        more = {"courses": 12 + 2 * rng.normal(size=(3, 260)), "start": rng.uniform(0, 40, pieces),
                "which": rng.integers(0, 3, pieces)}  # fmt: skip
        air = DailyAir(more["courses"], more["start"], more["which"])
    mass = 900 * (1 + law_named(law).moisture(t, params, 2000 * half, air) / 100)
    return Pieces(
        t, mass + rng.normal(size=t.shape), np.ones(t.shape), half, np.full(pieces, 12.0),
        np.zeros((pieces, 3)), np.full((pieces, 3), np.inf), np.zeros((pieces, 0, DAYS.size)),
        np.full(pieces, 0.03), **more,
    )  # fmt: skip


def textbook_film(fo: np.ndarray, biot: float) -> np.ndarray:
    """E(Fo) as one writes it from the book: thirty roots by bracketing, then the series."""
    roots = np.array([
        brentq(lambda b: b * np.sin(b) - biot * np.cos(b), n * np.pi + 1e-12, (n + 0.5) * np.pi)
        for n in range(30)
    ])  # fmt: skip
    weights = 2 * biot**2 / (roots**2 * (roots**2 + biot**2 + biot))
    return np.exp(-np.outer(fo, roots**2)) @ weights


def loop(law: str, masses: np.ndarray) -> np.ndarray:
    """A loop of curve_fit over pieces; its estimates."""
    out = []
    for y in masses:
        if law == "exponential":

            def model(t, end, change, tau):
                return end + change * np.exp(-t / tau)

            p0 = (y[-1], y[0] - y[-1], 40.0)
        else:

            def model(t, end, change, ln_d, ln_s):
                d, s = np.exp(ln_d), np.exp(ln_s)
                return end + change * textbook_film(d * 86400 / HALF_M**2 * t, HALF_M * s / d)

            p0 = (y[-1], y[0] - y[-1], np.log(5e-11), np.log(1e-8))
        try:
            out.append(curve_fit(model, DAYS, y, p0=p0, xtol=1e-12, ftol=1e-12)[0])
        except RuntimeError:
            out.append(np.full(len(p0), np.nan))
    return np.array(out)


def seconds(work) -> tuple[float, object]:
    began = time.process_time()
    got = work()
    return time.process_time() - began, got


def compare(law: str, pieces: int, sample: int, times: int, target: str) -> None:
    table = rows(law, pieces)
    ours, theirs = [], []
    for _ in range(times):
        taken, fits = seconds(lambda: fit_linear(law_named(law), table))
        ours.append(taken / pieces)
        taken, looped = seconds(lambda: loop(law, table.mass_g[:sample]))
        theirs.append(taken / sample)
    if law == "exponential":
        gap = np.nanmax(np.abs(np.exp(fits.u[:sample, 0]) / looped[:, 2] - 1))
        text = f"largest relative difference of tau {gap:.1e}"
    else:
        text = f"{min(ours) * 1e6:.0f} microseconds a piece"
    text += f", {fits.converged.mean():.1%} converged"
    what = f"linear fit, {law}, {pieces} pieces of {DAYS.size} weighings"
    result(f"{what}: against a loop of curve_fit", min(theirs) / min(ours),
           f"times faster ({text})", target)  # fmt: skip


def moving(law: str, pieces: int) -> None:
    table = rows(law, pieces, moving=True)
    taken, fits = seconds(lambda: fit_linear(law_named(law), table))
    result(f"linear fit, {law} in daily air, {pieces} pieces", taken / pieces * 1e6,
           f"microseconds a piece ({fits.converged.mean():.1%} converged)")  # fmt: skip


if __name__ == "__main__":
    compare("exponential", 10000, 1000, 7, "at least 10")
    compare("film", 2000, 40, 3, "at least 100")
    moving("exponential", 2000)
    moving("film", 2000)
