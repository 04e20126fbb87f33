"""The one compiled kernel: drying of a wall as a slab, for fits, simulation and forecasts alike.

    dm/dt = d/dx (D(m) dm/dx),   0 < x < a = wall/2,   no flux at x = 0 (the middle of the wall),
    D(m) = D15 exp(rise (min(m, saturation) - 15)),
    flux at x = a:  S exp(w(age)) (min(surface moisture, cap) - air),
    both rates times exp(E x) on a day of warmth x (see `woodlab.drying.warmth`).

Whoever wants curves builds rows of parameters in NumPy (the slopes of a fit are just more rows)
and calls `run`. The laws `slab`, `film`, `diffusion` and `two_period` are this equation with
something switched off, so that one function with one signature is compiled, once.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from woodlab.drying.kernel_loop import (  # noqa: F401 (the columns are the caller's)
    AIR_SHIFT,
    CAP,
    KNOT_DAYS,
    KNOTS,
    LN_D,
    LN_S,
    LN_START,
    NO_CAP,
    RATIO,
    RISE,
    SATURATION,
    WARMTH,
    WEAR,
    WIDE,
    compiled,
)

# Cells of the half wall; then how a time step grows: least [days], its share of the slowest time
# of the wall, most [days], share of the age, and the first step in units of the outer cell's time.
FINE = (16, 1.0, 0.015, 4.0, 0.15, 1.0)
COARSE = (11, 2.5, 0.03, 5.0, 0.15, 1.0)
FINER = (24, 0.5, 0.01, 2.0, 0.06, 0.5)
FINEST = (40, 0.25, 0.004, 1.0, 0.03, 0.3)
LANES = 32  # rows that the kernel dries side by side


@dataclass(frozen=True)
class SlabCurves:
    """What `run` gives: mean, surface and core moisture (R, k) [%], the largest core-to-surface
    difference up to the last time (R,) [points], cells (R, k, n) where they were asked for."""

    mean: np.ndarray
    surface: np.ndarray
    core: np.ndarray
    largest_difference: np.ndarray
    cells: np.ndarray


def run(
    params: np.ndarray,
    of: np.ndarray,
    times: np.ndarray,
    counts: np.ndarray,
    air: tuple[np.ndarray, np.ndarray, np.ndarray],
    half_m: np.ndarray,
    *,
    pace: np.ndarray | None = None,
    grid: tuple[float, ...] = FINE,
    cells: bool = False,
) -> SlabCurves:
    """Dry rows of parameters.

    Parameters
    ----------
    params : ndarray, (R, WIDE)
        See the columns above.
    of : ndarray, (R,)
        The piece of each row.
    times, counts : ndarray, (n, k), (n,)
        Days since turning of each piece, not decreasing, and how many of them count.
    air : tuple
        Running sums of equilibrium moisture and warmth (courses, 2, days + 1); the course of each
        row (R,); the course time of each piece's day 0 (n,).
    half_m : ndarray, (n,)
        Half of the wall [m].
    pace : ndarray, (R, WIDE), optional
        Rows whose rates set the time steps, where they must be the same for several rows.
    grid : tuple
        FINE, COARSE or FINEST.
    cells : bool
        Keep the moisture of the cells, from the middle of the wall to its surface.
    """
    kernel = compiled()
    rows, (sums, which, start) = len(params), air

    def one_type(array: Any, kind: Any = float) -> np.ndarray:
        # a read-only or strided array is another type to the compiler, and compiled for anew
        return np.require(array, kind, ["C", "W"])

    params = one_type(params)
    shape = (rows, times.shape[1])
    mean, surface, core = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    most = np.empty(rows)
    kept = np.zeros((*shape, int(grid[0]))) if cells else np.zeros((1, 1, 1))
    args = (
        one_type(of, np.int64), params, params if pace is None else one_type(pace),
        one_type(half_m), one_type(sums), one_type(which, np.int64), one_type(start),
        one_type(times), one_type(counts, np.int64), np.array(grid, float), mean, surface, core,
        most, kept, cells,
    )  # fmt: skip
    lanes = min(rows, LANES)
    workers = min(os.cpu_count() or 1, max(rows // 64, 1))
    if workers == 1:
        kernel(0, rows, lanes, *args)
    else:  # the kernel releases the lock, so threads share the work
        shares = int(np.clip(rows // 256, workers, 4 * workers))
        edges = np.linspace(0, rows, shares + 1).astype(int)
        with ThreadPoolExecutor(workers) as pool:
            list(
                pool.map(
                    lambda ends: kernel(ends[0], ends[1], lanes, *args),
                    zip(edges[:-1], edges[1:], strict=True),
                )
            )
    return SlabCurves(mean, surface, core, most, kept)


def running_sums(equilibrium_pct: np.ndarray, warm: np.ndarray) -> np.ndarray:
    """Sums up to the beginning of each day, (..., 2, days + 1), of the equilibrium moisture [%]
    and of the warmth [mol/kJ], both (..., days).
    """
    both = np.stack(np.broadcast_arrays(equilibrium_pct, warm), axis=-2)
    out = np.zeros((*both.shape[:-1], both.shape[-1] + 1))
    np.cumsum(both, axis=-1, out=out[..., 1:])
    return out


def cell_depths(half_m: float, cells: int) -> np.ndarray:
    """Distance of the cells' middles from the surface [mm], from the middle of the wall outward."""
    edges = np.sin(np.linspace(0, np.pi / 2, cells + 1))
    return half_m * 1000 * (1 - (edges[:-1] + edges[1:]) / 2)
