"""The one compiled kernel: drying of a wall as a slab, for fits, simulation and forecasts alike.

    dm/dt = d/dx (D(m) dm/dx),   0 < x < a = wall/2,   no flux at x = 0 (the middle of the wall),
    D(m) = D15 exp(rise (min(m, saturation) - 15)),
    flux at x = a:  S exp(w(age)) (min(surface moisture, cap) - air),
    both rates times exp(E x) on a day of warmth x (see `woodlab.drying.warmth`).

Whoever wants curves builds rows of parameters in NumPy (the slopes of a fit are just more rows)
and calls `run`. The laws `slab`, `film`, `diffusion` and `two_period` are this equation with
something switched off, so that one function with one signature is compiled, once.

Scheme: finite volumes, finer toward the surface, on the potential P(m) = integral of D dm, so that
the flux between two cells is exactly (P_i - P_j)/distance even where D changes tenfold within a
cell. In time the two-stage L-stable Rosenbrock-like DIRK of order two (gamma = 1 - 1/sqrt 2), whose
coefficients are frozen at the start of each stage; L-stable because the thin outer cells are stiff
and must not ring in the first hours. Source of the equation: Crank, The Mathematics of Diffusion
(1975); of the scheme: Alexander, SIAM J. Numer. Anal. 14 (1977) 1006-1021.
"""

from __future__ import annotations

import math
import os
import sys
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

SECONDS = 86400.0
# Columns of a row of parameters. WEAR and the seven behind it: ln S less its first value at ages
# 45, 90, ... days, straight lines between; RATIO: thickness over that of the piece's wall.
LN_D, LN_S, LN_START, RISE, SATURATION, CAP, AIR_SHIFT, WARMTH, RATIO, WEAR = range(10)
KNOTS, KNOT_DAYS = 8, 45.0
WIDE = WEAR + KNOTS
NO_CAP = 1e9
# Cells of the half wall; then how a time step grows: least [days], its share of the slowest time
# of the wall, most [days], share of the age, and the first step in units of the outer cell's time.
FINE = (16, 1.0, 0.015, 4.0, 0.15, 1.0)
COARSE = (11, 2.5, 0.03, 5.0, 0.15, 1.0)
FINER = (24, 0.5, 0.01, 2.0, 0.06, 0.5)
FINEST = (40, 0.25, 0.004, 1.0, 0.03, 0.3)
GAMMA = 1.0 - 1.0 / math.sqrt(2.0)


def _runs(first, last, of, params, pace, half_m, sums, which, start, times, counts, grid,
          mean, surface, core, most, cells, keep):  # type: ignore[no-untyped-def]  # fmt: skip
    """Rows first to last; see `run` for the arrays. Plain loops: this is what numba compiles."""
    n = int(grid[0])
    width, m, y, right = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    pot, dif, upper, pivot, lower = np.empty(n), np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    days = sums.shape[2] - 1
    mean_air = np.zeros(2)
    for j in range(n):  # a quarter sine: the outer cell is a hundredth of the wall at n = 16
        width[j] = math.sin((j + 1) * math.pi / (2 * n)) - math.sin(j * math.pi / (2 * n))
    outer = 0.5 * width[n - 1]
    for r in range(first, last):
        p = of[r]
        half, zero = half_m[p] * params[r, RATIO], start[p]
        course = sums[which[r]]
        rise, saturation, energy = params[r, RISE], params[r, SATURATION], params[r, WARMTH]
        cap = params[r, CAP]
        base = math.exp(params[r, LN_D] - 15.0 * rise) * SECONDS / (half * half)
        wet = base * math.exp(rise * saturation)
        fresh = math.exp(params[r, LN_S]) * SECONDS / half
        rate = fresh
        worn = False
        for j in range(KNOTS):
            worn = worn or params[r, WEAR + j] != 0.0
        # Steps follow the pace of the row `pace`, not of the row itself: rows that differ by a
        # small change of a parameter then take the same steps, and their difference is a slope
        # and not the noise of the step control.
        slow = half / SECONDS * (math.exp(-pace[r, LN_S]) + 0.4 * half * math.exp(-pace[r, LN_D]))
        longest = min(max(grid[2] * slow, grid[1]), grid[3])
        young = grid[5] * 0.5 * width[n - 1] ** 2 * half * half / SECONDS
        young /= math.exp(
            pace[r, LN_D] + pace[r, RISE] * (min(math.exp(pace[r, LN_START]), 30.0) - 15.0)
        )
        linear = abs(rise) < 1e-9
        inv = 0.0 if linear else 1.0 / rise
        level = math.exp(params[r, LN_START])
        s = level
        for j in range(n):
            m[j] = level
        now, i = 0.0, 0
        most[r] = 0.0
        while True:
            told = i
            while i < counts[p] and times[p, i] <= now + 1e-9:
                mean[r, i], core[r, i] = level, m[0]
                if keep:
                    for j in range(n):
                        cells[r, i, j] = m[j]
                i += 1
            if i < counts[p]:
                goal = times[p, i]
            elif told < i:
                goal = now + 1e-6  # one more tiny step, for the surface moisture at the last time
            else:
                break
            h = min(goal - now, max(young, min(grid[4] * now, longest)))
            if goal - now < 1.5 * h:
                h = goal - now
            for c in range(2):  # mean air and warmth of the step, from their running sums
                total = 0.0
                for end in range(2):
                    at = min(max(zero + now + end * h, 0.0), float(days))
                    day = min(int(at), days - 1)
                    value = course[c, day] + (at - day) * (course[c, day + 1] - course[c, day])
                    total += value if end == 1 else -value
                mean_air[c] = total / h
            air = mean_air[0] + params[r, AIR_SHIFT]
            if worn:
                at = min((now + 0.5 * h) / KNOT_DAYS, KNOTS - 1e-6)
                day = int(at)
                low = 0.0 if day == 0 else params[r, WEAR + day - 1]
                rate = fresh * math.exp(low + (at - day) * (params[r, WEAR + day] - low))
            # Warmth speeds both rates alike, so a warm day is a longer day and nothing else.
            step = h * math.exp(energy * mean_air[1])
            out, source = 0.0, 0.0
            for j in range(n):
                y[j] = m[j]
            for stage in range(3):
                # Stage 0 predicts the half step that only supplies coefficients; 1 and 2 are the
                # two stages of the scheme. One loop, so that the code is compiled once.
                g = 0.5 * step if stage == 0 else GAMMA * step
                if stage < 2:
                    for j in range(n):
                        d = base * math.exp(rise * min(y[j], saturation))
                        dif[j] = d
                        pot[j] = base * y[j] if linear else (d - base) * inv
                        if y[j] > saturation and not linear:
                            pot[j] += d * (y[j] - saturation)
                    # The surface s carries the flux through the outer half cell:
                    # (P(outer cell) - P(s))/(half cell) = rate (min(s, cap) - air).
                    flux, slope = 0.0, 1.0
                    if cap < NO_CAP:
                        low_cap = min(cap, saturation)
                        p_cap = base * cap if linear else (
                            base * (math.exp(rise * low_cap) - 1.0) * inv
                        )  # fmt: skip
                        if cap > saturation and not linear:
                            p_cap += wet * (cap - saturation)
                        left = pot[n - 1] - outer * rate * (cap - air) - p_cap
                        if left >= 0.0:
                            flux, slope = rate * (cap - air), 0.0
                            s = cap + left / wet
                    if slope > 0.0:
                        for _ in range(50):  # Newton; P is convex, so it cannot run away
                            d = base * math.exp(rise * min(s, saturation))
                            value = base * s if linear else (d - base) * inv
                            if s > saturation and not linear:
                                value += d * (s - saturation)
                            miss = pot[n - 1] - value - outer * rate * (s - air)
                            move = miss / (d + outer * rate)
                            s += min(max(move, -8.0), 8.0)
                            if abs(move) < 1e-11 * (1.0 + abs(s)):
                                break
                        gap = y[n - 1] - air
                        out = rate * (s - air) / gap if abs(gap) > 1e-5 else (
                            rate * dif[n - 1] / (dif[n - 1] + outer * rate)
                        )  # fmt: skip
                        source = 0.0
                    else:
                        out, source = 0.0, flux
                    if stage == 0:
                        for k in range(told, i):
                            surface[r, k] = s
                        if now > 0.0:
                            most[r] = max(most[r], m[0] - s)
                    before = 0.0
                    for j in range(n):  # the tridiagonal 1 + g A, eliminated as it is built
                        face = out
                        if j < n - 1:
                            apart = y[j] - y[j + 1]
                            face = (pot[j] - pot[j + 1]) / apart if abs(apart) > 1e-5 else (
                                0.5 * (dif[j] + dif[j + 1])
                            )  # fmt: skip
                            face /= 0.5 * (width[j] + width[j + 1])
                        lower[j] = -g * before / width[j]
                        diagonal = 1.0 - lower[j] + g * face / width[j]
                        if j > 0:
                            diagonal -= lower[j] * upper[j - 1]
                        pivot[j] = 1.0 / diagonal
                        upper[j] = -g * face / width[j] * pivot[j]
                        before = face
                for j in range(n):
                    right[j] = m[j]
                    if stage == 2:
                        right[j] += (1.0 - GAMMA) / GAMMA * (y[j] - m[j])
                right[n - 1] += g * (out * air - source) / width[n - 1]
                right[0] *= pivot[0]
                for j in range(1, n):
                    right[j] = (right[j] - lower[j] * right[j - 1]) * pivot[j]
                y[n - 1] = right[n - 1]
                for j in range(n - 2, -1, -1):
                    right[j] -= upper[j] * right[j + 1]
                    y[j] = right[j]
            level = 0.0
            for j in range(n):
                m[j] = y[j]
                level += m[j] * width[j]
            now = goal if goal - now - h < 1e-9 else now + h


_SIGNATURE = (
    "void(i8,i8,i8[::1],f8[:,::1],f8[:,::1],f8[::1],f8[:,:,::1],i8[::1],f8[::1],f8[:,::1],"
    "i8[::1],f8[::1],f8[:,::1],f8[:,::1],f8[:,::1],f8[::1],f8[:,:,::1],b1)"
)
_KERNEL: Callable[..., None] | None = None


def compiled(function: Callable[..., None], signature: str, name: str) -> Callable[..., None]:
    """The function compiled, and cached where this machine allows it.

    Beside the source, else in the user's cache, else in a folder of the user's own under the
    temporary one (of mode 0700 and owned by the user, or somebody else could put code there),
    else not at all: a read-only installation without a home folder compiles at each start.
    """
    import numba

    options: dict[str, Any] = {
        "nogil": True, "error_model": "numpy", "fastmath": {"contract", "nsz", "arcp"}
    }  # fmt: skip
    try:
        return numba.njit(signature, cache=True, **options)(function)
    except (RuntimeError, OSError):  # source read-only and no home to write in
        pass
    if not numba.config.CACHE_DIR and hasattr(os, "getuid"):
        try:
            folder = os.path.join(tempfile.gettempdir(), f"{name}-{os.getuid()}")
            os.makedirs(folder, mode=0o700, exist_ok=True)
            info = os.lstat(folder)
            if info.st_uid == os.getuid() and not info.st_mode & 0o022:
                numba.config.CACHE_DIR = folder
                return numba.njit(signature, cache=True, **options)(function)
        except (OSError, RuntimeError):
            pass
        finally:
            numba.config.CACHE_DIR = ""
    return numba.njit(signature, **options)(function)


def _kernel() -> Callable[..., None]:
    global _KERNEL
    if _KERNEL is None:
        cached = os.path.join(os.path.dirname(__file__), "__pycache__")
        found = os.path.isdir(cached) and any("_runs" in f for f in os.listdir(cached))
        if not found and sys.stderr.isatty():
            print("woodlab: preparing the drying model, some seconds, once ...", file=sys.stderr)
        _KERNEL = compiled(_runs, _SIGNATURE, "woodlab")
    return _KERNEL


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
    kernel = _kernel()
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
    workers = min(os.cpu_count() or 1, max(rows // 64, 1))
    if workers == 1:
        kernel(0, rows, *args)
    else:  # the kernel releases the lock, so threads share the work
        edges = np.linspace(0, rows, 4 * workers + 1).astype(int)
        with ThreadPoolExecutor(workers) as pool:
            list(
                pool.map(
                    lambda ends: kernel(ends[0], ends[1], *args),
                    zip(edges[:-1], edges[1:], strict=True),
                )
            )
    return SlabCurves(mean, surface, core, most, kept)


def running_sums(equilibrium_pct: np.ndarray, warm: np.ndarray) -> np.ndarray:
    """Sums up to the beginning of each day, (..., 2, days + 1), of the equilibrium moisture [%]
    and of the warmth [mol/kJ], both (..., days).

    Examples
    --------
    >>> running_sums(np.array([12.0, 10.0]), np.zeros(2)).tolist()
    [[0.0, 12.0, 22.0], [0.0, 0.0, 0.0]]
    """
    both = np.stack(np.broadcast_arrays(equilibrium_pct, warm), axis=-2)
    out = np.zeros((*both.shape[:-1], both.shape[-1] + 1))
    np.cumsum(both, axis=-1, out=out[..., 1:])
    return out


def cell_depths(half_m: float, cells: int) -> np.ndarray:
    """Distance of the cells' middles from the surface [mm], from the middle of the wall outward.

    Examples
    --------
    >>> cell_depths(0.0125, 4).round(1).tolist()
    [10.1, 5.7, 2.3, 0.5]
    """
    edges = np.sin(np.linspace(0, np.pi / 2, cells + 1))
    return half_m * 1000 * (1 - (edges[:-1] + edges[1:]) / 2)
