"""The compiled loop of the slab kernel; what it solves: `woodlab.drying.kernel`.

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
from functools import cache
from typing import Any

import numpy as np

SECONDS = 86400.0
# Columns of a row of parameters. WEAR and the seven behind it: ln S less its first value at ages
# 45, 90, ... days, straight lines between; RATIO: thickness over that of the piece's wall.
LN_D, LN_S, LN_START, RISE, SATURATION, CAP, AIR_SHIFT, WARMTH, RATIO, WEAR = range(10)
KNOTS, KNOT_DAYS = 8, 45.0
WIDE = WEAR + KNOTS
NO_CAP = 1e9
GAMMA = 1.0 - 1.0 / math.sqrt(2.0)


def _runs(first, last, lanes, of, params, pace, half_m, sums, which, start, times, counts, grid,  # type: ignore[no-untyped-def]
          mean, surface, core, most, cells, keep):  # type: ignore[no-untyped-def]  # fmt: skip
    """Rows first to last; see `run` for the arrays. Plain loops: this is what numba compiles.

    Rows go side by side in lanes, each with its own time and steps; a lane whose row has ended
    takes the next one. The elimination along a wall is a chain in which each number waits for the
    one before: the inner loops over lanes give the processor several chains to work on at once.
    """
    n = int(grid[0])
    cell = (n, lanes)
    width, per_width, per_gap = np.empty(n), np.empty(n), np.zeros(n)
    m, y, pot, dif = np.zeros(cell), np.zeros(cell), np.zeros(cell), np.zeros(cell)
    upper, pivot, lower = np.zeros(cell), np.zeros(cell), np.zeros(cell)
    # of the row in each lane
    row, told, i = np.full(lanes, -1), np.zeros(lanes, np.int64), np.zeros(lanes, np.int64)
    rise, inv, saturation, cap = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes), np.zeros(lanes)
    base, plain, wet, p_cap = np.zeros(lanes), np.zeros(lanes), np.ones(lanes), np.zeros(lanes)
    fresh, rate, longest, young = np.zeros(lanes), np.ones(lanes), np.zeros(lanes), np.zeros(lanes)
    # of its step
    now, goal, h, step = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes), np.zeros(lanes)
    air, level, s = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes)
    out, source, before, above = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes), np.zeros(lanes)
    capped, still = np.zeros(lanes, np.bool_), np.zeros(lanes, np.bool_)
    days = sums.shape[2] - 1
    for j in range(n):  # a quarter sine: the outer cell is a hundredth of the wall at n = 16
        width[j] = math.sin((j + 1) * math.pi / (2 * n)) - math.sin(j * math.pi / (2 * n))
        per_width[j] = 1.0 / width[j]
    for j in range(n - 1):
        per_gap[j] = 2.0 / (width[j] + width[j + 1])
    outer = 0.5 * width[n - 1]
    following = first
    while True:
        busy = False
        for lane in range(lanes):
            while True:
                r = row[lane]
                if r >= 0:
                    p = of[r]
                    told[lane] = i[lane]
                    while i[lane] < counts[p] and times[p, i[lane]] <= now[lane] + 1e-9:
                        mean[r, i[lane]], core[r, i[lane]] = level[lane], m[0, lane]
                        if keep:
                            for j in range(n):
                                cells[r, i[lane], j] = m[j, lane]
                        i[lane] += 1
                    if i[lane] < counts[p]:
                        goal[lane] = times[p, i[lane]]
                        break
                    if told[lane] < i[lane]:  # a tiny step more, for the surface at the last time
                        goal[lane] = now[lane] + 1e-6
                        break
                if following == last:  # an idle lane goes on with the numbers of its last row
                    row[lane] = -1
                    break
                r = following
                following += 1
                p = of[r]
                row[lane], i[lane], now[lane], most[r] = r, 0, 0.0, 0.0
                half = half_m[p] * params[r, RATIO]
                rise[lane], saturation[lane], cap[lane] = (
                    params[r, RISE], params[r, SATURATION], params[r, CAP]
                )  # fmt: skip
                base[lane] = math.exp(params[r, LN_D] - 15.0 * rise[lane]) * SECONDS / (half * half)
                linear = abs(rise[lane]) < 1e-9
                inv[lane], plain[lane] = (0.0, base[lane]) if linear else (1.0 / rise[lane], 0.0)
                wet[lane] = base[lane] * math.exp(rise[lane] * saturation[lane])
                low = min(cap[lane], saturation[lane])
                p_cap[lane] = base[lane] * (math.exp(rise[lane] * low) - 1.0) * inv[lane]
                p_cap[lane] += plain[lane] * low + wet[lane] * (cap[lane] - low)
                fresh[lane] = math.exp(params[r, LN_S]) * SECONDS / half
                # Steps follow the pace of the row `pace`, not of the row itself: rows that differ
                # by a small change of a parameter then take the same steps, and their difference
                # is a slope and not the noise of the step control.
                slow = math.exp(-pace[r, LN_S]) + 0.4 * half * math.exp(-pace[r, LN_D])
                longest[lane] = min(max(grid[2] * slow * half / SECONDS, grid[1]), grid[3])
                wettest = min(math.exp(pace[r, LN_START]), 30.0)
                young[lane] = math.exp(-pace[r, LN_D] - pace[r, RISE] * (wettest - 15.0))
                young[lane] *= grid[5] * 0.5 * width[n - 1] ** 2 * half * half / SECONDS
                level[lane] = math.exp(params[r, LN_START])
                s[lane] = level[lane]
                for j in range(n):
                    m[j, lane] = level[lane]
            r = row[lane]
            if r < 0:
                continue
            busy = True
            h[lane] = min(
                goal[lane] - now[lane], max(young[lane], min(grid[4] * now[lane], longest[lane]))
            )
            if goal[lane] - now[lane] < 1.5 * h[lane]:
                h[lane] = goal[lane] - now[lane]
            for c in range(2):  # mean air and warmth of the step, from their running sums
                course = sums[which[r], c]
                total = 0.0
                for end in range(2):
                    at = min(max(start[of[r]] + now[lane] + end * h[lane], 0.0), float(days))
                    day = min(int(at), days - 1)
                    value = course[day] + (at - day) * (course[day + 1] - course[day])
                    total += value if end == 1 else -value
                if c == 0:
                    air[lane] = total / h[lane] + params[r, AIR_SHIFT]
                else:
                    # Warmth speeds both rates alike: a warm day is a longer day and nothing else.
                    step[lane] = h[lane] * math.exp(params[r, WARMTH] * total / h[lane])
            at = min((now[lane] + 0.5 * h[lane]) / KNOT_DAYS, KNOTS - 1e-6)
            day = int(at)
            low = 0.0 if day == 0 else params[r, WEAR + day - 1]
            rate[lane] = fresh[lane] * math.exp(low + (at - day) * (params[r, WEAR + day] - low))
        if not busy:
            break
        for j in range(n):
            for lane in range(lanes):
                y[j, lane] = m[j, lane]
        for stage in range(3):
            # Stage 0 predicts the half step that only supplies coefficients; 1 and 2 are the
            # two stages of the scheme. One loop, so that the code is compiled once.
            share = 0.5 if stage == 0 else GAMMA
            if stage < 2:
                for j in range(n):
                    for lane in range(lanes):
                        bound = min(y[j, lane], saturation[lane])
                        # exp(rise bound) by its series at a 256th: to 1e-9, and it runs for
                        # several lanes at once as the library's does not
                        x = rise[lane] * bound * (1.0 / 256.0)
                        d = x * (1.0 / 24.0 + x * (1.0 / 120.0 + x * (1.0 / 720.0)))
                        d = 1.0 + x * (1.0 + x * (0.5 + x * (1.0 / 6.0 + d)))
                        d = base[lane] * d**256
                        dif[j, lane] = d
                        pot[j, lane] = (d - base[lane]) * inv[lane] + plain[lane] * bound
                        pot[j, lane] += d * (y[j, lane] - bound)
                # The surface s carries the flux through the outer half cell:
                # (P(outer cell) - P(s))/(half cell) = rate (min(s, cap) - air).
                for lane in range(lanes):
                    source[lane] = rate[lane] * (cap[lane] - air[lane])
                    left = pot[n - 1, lane] - outer * source[lane] - p_cap[lane]
                    capped[lane] = cap[lane] < NO_CAP and left >= 0.0
                    s[lane] = cap[lane] + left / wet[lane] if capped[lane] else s[lane]
                    still[lane] = capped[lane]
                for _ in range(50):  # Newton; P is convex, so it cannot run away
                    far = 0
                    for lane in range(lanes):
                        bound = min(s[lane], saturation[lane])
                        x = rise[lane] * bound * (1.0 / 256.0)
                        d = x * (1.0 / 24.0 + x * (1.0 / 120.0 + x * (1.0 / 720.0)))
                        d = 1.0 + x * (1.0 + x * (0.5 + x * (1.0 / 6.0 + d)))
                        d = base[lane] * d**256
                        value = (d - base[lane]) * inv[lane] + plain[lane] * bound
                        value += d * (s[lane] - bound)
                        miss = pot[n - 1, lane] - value - outer * rate[lane] * (s[lane] - air[lane])
                        move = 0.0 if still[lane] else miss / (d + outer * rate[lane])
                        s[lane] += min(max(move, -8.0), 8.0)
                        still[lane] = abs(move) <= 1e-10 * (1.0 + abs(s[lane]))
                        far += 0 if still[lane] else 1
                    if far == 0:
                        break
                for lane in range(lanes):
                    gap = y[n - 1, lane] - air[lane]
                    if capped[lane]:
                        out[lane] = 0.0
                        continue
                    source[lane] = 0.0
                    if abs(gap) > 1e-5:
                        out[lane] = rate[lane] * (s[lane] - air[lane]) / gap
                    else:
                        d = dif[n - 1, lane]
                        out[lane] = rate[lane] * d / (d + outer * rate[lane])
                if stage == 0:
                    for lane in range(lanes):
                        if row[lane] >= 0:
                            for k in range(told[lane], i[lane]):
                                surface[row[lane], k] = s[lane]
                            if now[lane] > 0.0:
                                most[row[lane]] = max(most[row[lane]], m[0, lane] - s[lane])
                for lane in range(lanes):
                    before[lane], above[lane] = 0.0, 0.0
                for j in range(n):  # the tridiagonal 1 + g A, eliminated as it is built
                    for lane in range(lanes):
                        face = out[lane]
                        if j < n - 1:
                            apart = y[j, lane] - y[j + 1, lane]
                            near = abs(apart) <= 1e-5
                            face = (pot[j, lane] - pot[j + 1, lane]) / (1.0 if near else apart)
                            face = 0.5 * (dif[j, lane] + dif[j + 1, lane]) if near else face
                            face *= per_gap[j]
                        g = share * step[lane] * per_width[j]
                        low = -g * before[lane]
                        lower[j, lane] = low
                        pivot[j, lane] = 1.0 / (1.0 - low + g * face - low * above[lane])
                        above[lane] = -g * face * pivot[j, lane]
                        upper[j, lane] = above[lane]
                        before[lane] = face
            more = (1.0 - GAMMA) / GAMMA if stage == 2 else 0.0
            for lane in range(lanes):
                before[lane] = 0.0
            for j in range(n):
                for lane in range(lanes):
                    value = m[j, lane] + more * (y[j, lane] - m[j, lane])
                    if j == n - 1:
                        flux = out[lane] * air[lane] - source[lane]
                        value += share * step[lane] * flux * per_width[j]
                    before[lane] = (value - lower[j, lane] * before[lane]) * pivot[j, lane]
                    y[j, lane] = before[lane]
            for j in range(n - 2, -1, -1):
                for lane in range(lanes):
                    y[j, lane] -= upper[j, lane] * y[j + 1, lane]
        for lane in range(lanes):
            level[lane] = 0.0
            now[lane] = (
                goal[lane] if goal[lane] - now[lane] - h[lane] < 1e-9 else now[lane] + h[lane]
            )
        for j in range(n):
            for lane in range(lanes):
                m[j, lane] = y[j, lane]
                level[lane] += m[j, lane] * width[j]


_SIGNATURE = (
    "void(i8,i8,i8,i8[::1],f8[:,::1],f8[:,::1],f8[::1],f8[:,:,::1],i8[::1],f8[::1],f8[:,::1],"
    "i8[::1],f8[::1],f8[:,::1],f8[:,::1],f8[:,::1],f8[::1],f8[:,:,::1],b1)"
)


@cache
def compiled() -> Callable[..., None]:
    """The loop compiled, and kept where this machine allows it.

    Beside the source, else in the user's cache, else in a folder of the user's own under the
    temporary one (of mode 0700 and owned by the user, or somebody else could put code there),
    else not at all: a read-only installation without a home folder compiles at each start.
    """
    import numba

    beside = os.path.join(os.path.dirname(__file__), "__pycache__")
    found = os.path.isdir(beside) and any("_runs" in name for name in os.listdir(beside))
    if not found and sys.stderr.isatty():
        print("woodlab: preparing the drying model, some seconds, once ...", file=sys.stderr)
    config: Any = numba.config

    def made(keep: bool) -> Callable[..., None]:
        fast = {"contract", "nsz", "arcp"}
        return numba.njit(
            _SIGNATURE, cache=keep, nogil=True, error_model="numpy", fastmath=fast
        )(_runs)  # fmt: skip

    try:
        return made(keep=True)
    except (RuntimeError, OSError):  # source read-only and no home to write in
        pass
    if not config.CACHE_DIR and hasattr(os, "getuid"):
        try:
            folder = os.path.join(tempfile.gettempdir(), f"woodlab-{os.getuid()}")
            os.makedirs(folder, mode=0o700, exist_ok=True)
            info = os.lstat(folder)
            if info.st_uid == os.getuid() and not info.st_mode & 0o022:
                config.CACHE_DIR = folder
                return made(keep=True)
        except (OSError, RuntimeError):
            pass
        finally:
            config.CACHE_DIR = ""
    return made(keep=False)
