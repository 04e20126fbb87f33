"""The compiled loops of pooling and forecasts: the equation of `slab`, stepped as coarsely as a
piece allows, many times over.

The scheme is that of `slab_kernels` (its coefficients and its elimination are used here); the
steps grow to a share of the piece's own time constant, each in the mean air of its span. Compared
with daily steps and four times the cells the moisture of a fit differs by 0.01 to 0.02 points,
which a scale that reads 1 g on 2 kg can just see: a coarser fit would be wrong by days. The tests
hold it to that. The runs of draws are coarser, and are put right at the mode by the difference.
"""

# mypy: ignore-errors
# (numba infers the types of its functions; annotations there would not be checked)

from __future__ import annotations

import math

import numpy as np
from numba import njit

from woodlab.drying.slab_kernels import GAMMA, _coefficients, _factor, _solve

# Cells over the half-thickness: fits, the many runs of draws, and the run that puts a fit right
FINE, COARSE, FINEST = 16, 11, 40
SECONDS = 86400.0
# Positions in a row of parameters
LN_D, LN_S, LN_START, RISE, SATURATION, AIR_SHIFT, WARMTH = range(7)
N_PARAMS = 7
# Rows of a course's running sums
MOIST, WARM = range(2)


@njit(cache=True, nogil=True)
def _air_sum(sums, at):
    """Integral of the air from course time 0 to `at`; `sums[d]` is that to the end of day d - 1."""
    last = sums.size - 1
    if at <= 0.0:
        return at * sums[1]
    day = int(math.floor(at))
    if day >= last:
        return sums[last] + (at - last) * (sums[last] - sums[last - 1])
    return sums[day] + (at - day) * (sums[day + 1] - sums[day])


@njit(cache=True, nogil=True)
def run_coarse(
    times, n_times, params, capped, half_m, sums, start, now_at, horizon, target, mean, cells,
    pace,
):  # fmt: skip
    """Mean moisture at `times[:n_times]` into `mean`; day of first passage below `target`, and
    the moisture at `now_at`. Times in days since turning; infinity where it is not reached.

    `pace` is the row of parameters that sets the steps: that of the piece itself, or, for a
    derivative, that of the point it is taken at, so that the grid of times does not move with it.
    With `horizon` not above the last time and `target` below zero it is a plain run.

    `sums` (2, days + 1) are the running sums of the air's equilibrium moisture and of its warmth
    (see `warmth`). Both rates grow with exp(`WARMTH` x warmth): a warm day is a longer step.
    """
    moist, warm = sums[MOIST], sums[WARM]
    energy = params[WARMTH]
    width = np.empty(cells)
    for j in range(cells):
        width[j] = math.sin((j + 1) * math.pi / (2 * cells)) - math.sin(j * math.pi / (2 * cells))
    gap = np.empty(cells - 1)
    for j in range(cells - 1):
        gap[j] = 0.5 * (width[j] + width[j + 1])
    rise, saturation, shift = params[RISE], params[SATURATION], params[AIR_SHIFT]
    d15 = math.exp(params[LN_D]) * SECONDS / (half_m * half_m)
    base = d15 * math.exp(-15.0 * rise)
    wet = base * math.exp(rise * saturation)
    rate = math.exp(params[LN_S]) * SECONDS / half_m
    cap = saturation if capped else math.inf
    slowest = half_m / math.exp(pace[LN_S]) / SECONDS
    slowest += 0.4 * half_m * half_m / math.exp(pace[LN_D]) / SECONDS
    longest = min(max(0.015 * slowest, 1.0), 4.0)
    if cells < FINE:  # put right at the mode: what is left differs by 0.004 points
        longest = min(max(0.03 * slowest, 2.5), 5.0)
    growth = 0.15
    if cells > FINE:
        longest, growth = min(max(0.004 * slowest, 0.25), 1.0), 0.03
    n = cells
    m = np.full(n, math.exp(params[LN_START]))
    y1, y2, between = np.empty(n), np.empty(n), np.empty(n)
    upper, pivot, lower = np.empty(n), np.empty(n), np.empty(n)
    s = m[0]
    young = 0.5 * width[n - 1] ** 2 * half_m * half_m / SECONDS
    young /= math.exp(pace[LN_D] + pace[RISE] * (min(math.exp(pace[LN_START]), 30.0) - 15.0))
    if cells > FINE:
        young *= 0.3
    ahead = (1.0 - GAMMA) / GAMMA
    now = 0.0
    level = m[0]
    passage = 0.0 if level <= target else math.inf
    at_now = level if now_at <= 0.0 else math.nan
    i = 0
    while True:
        while i < n_times and times[i] <= now + 1e-9:
            mean[i] = level
            i += 1
        goal = horizon
        if i < n_times and times[i] < goal or (i < n_times and horizon <= now):
            goal = times[i]
        if now < now_at - 1e-9 and now_at < goal:
            goal = now_at
        if i >= n_times and now >= now_at - 1e-9 and (now >= horizon - 1e-9 or passage < math.inf):
            break
        if goal <= now + 1e-9:
            break
        if cells < FINE and now >= now_at:  # what is to come is known to less
            longest = min(max(0.03 * slowest, 1.0), 6.0 if now < now_at + 365.0 else 14.0)
        h = min(goal - now, max(young, min(growth * now, longest)))
        if goal - now < 1.5 * h:
            h = goal - now
        air = (_air_sum(moist, start + now + h) - _air_sum(moist, start + now)) / h + shift
        step = h
        if energy != 0.0:
            warmer = (_air_sum(warm, start + now + h) - _air_sum(warm, start + now)) / h
            step *= math.exp(energy * warmer)
        out, source, s = _coefficients(
            m, width, gap, rate, air, base, rise, saturation, wet, cap, s, between
        )
        for j in range(n):
            y1[j] = m[j]
        y1[n - 1] += 0.5 * step * (out * air - source) / width[n - 1]
        _factor(0.5 * step, width, between, out, upper, pivot, lower)
        _solve(y1, lower, pivot, upper)
        out, source, s = _coefficients(
            y1, width, gap, rate, air, base, rise, saturation, wet, cap, s, between
        )
        gh = GAMMA * step
        _factor(gh, width, between, out, upper, pivot, lower)
        for j in range(n):
            y1[j] = m[j]
        y1[n - 1] += gh * (out * air - source) / width[n - 1]
        _solve(y1, lower, pivot, upper)
        for j in range(n):
            y2[j] = m[j] + ahead * (y1[j] - m[j])
        y2[n - 1] += gh * (out * air - source) / width[n - 1]
        _solve(y2, lower, pivot, upper)
        total = 0.0
        for j in range(n):
            m[j] = y2[j]
            total += m[j] * width[j]
        if passage == math.inf and total <= target:
            share = (level - target) / (level - total) if level > total else 1.0
            passage = now + h * min(max(share, 0.0), 1.0)
        now = goal if goal - now - h < 1e-9 else now + h
        level = total
        if abs(now - now_at) < 1e-9:
            at_now = level
    return passage, at_now


@njit(cache=True, nogil=True)
def curves(times, counts, params, capped, half_m, sums, which, start, first, last, out, cells=FINE):
    """Moisture of pieces `first` to `last` at their own times: one row of `params` a piece."""
    for p in range(first, last):
        if counts[p] == 0:
            continue
        run_coarse(
            times[p], counts[p], params[p], capped, half_m[p], sums[which[p]], start[p],
            -1.0, -1.0, -1.0, out[p], cells, params[p],
        )  # fmt: skip


@njit(cache=True, nogil=True)
def slopes(times, counts, params, capped, half_m, sums, which, start, free, steps, first, last,
           out, jac):  # fmt: skip
    """Moisture, and its derivative in each of the `free` parameters by one-sided differences."""
    near = np.empty(times.shape[1])
    for p in range(first, last):
        k = counts[p]
        if k == 0:
            continue
        run_coarse(
            times[p], k, params[p], capped, half_m[p], sums[which[p]], start[p],
            -1.0, -1.0, -1.0, out[p], FINE, params[p],
        )  # fmt: skip
        # differences of coarse runs on one grid: a tenth of a percent of a slope does no harm
        run_coarse(
            times[p], k, params[p], capped, half_m[p], sums[which[p]], start[p],
            -1.0, -1.0, -1.0, near, COARSE, params[p],
        )  # fmt: skip
        row = params[p].copy()
        for f in range(free.size):
            kept = row[free[f]]
            row[free[f]] = kept + steps[f]
            run_coarse(
                times[p], k, row, capped, half_m[p], sums[which[p]], start[p],
                -1.0, -1.0, -1.0, jac[p, f], COARSE, params[p],
            )  # fmt: skip
            row[free[f]] = kept
            for i in range(k):
                jac[p, f, i] = (jac[p, f, i] - near[i]) / steps[f]


@njit(cache=True, nogil=True)
def passages(times, counts, params, capped, half_m, sums, which, start, now_at, horizon, target,
             first, last, mean, passage, at_now):  # fmt: skip
    """First passage and moisture now of pieces by draws.

    `params` (pieces, draws, N_PARAMS), `sums` (draws, places, 2, days + 1), `target` (pieces,
    draws), `mean` (pieces, draws, times).
    """
    for p in range(first, last):
        for d in range(params.shape[1]):
            passage[p, d], at_now[p, d] = run_coarse(
                times[p], counts[p], params[p, d], capped, half_m[p], sums[d, which[p]], start[p],
                now_at[p], horizon[p], target[p, d], mean[p, d], COARSE,
                params[p, d],
            )  # fmt: skip
