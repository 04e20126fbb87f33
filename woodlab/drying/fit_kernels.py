"""Compiled separable least squares: one piece, one law, one call; `fit_many` loops over pieces.

The model of a weighing is linear in the oven-dry mass and the water at the start, given one to
three nonlinear parameters u. Those are found by Gauss-Newton with Levenberg's damping on the
residual after the linear part is projected out (variable projection: Golub and Pereyra 1973, with
Kaufman's simplification). Designs:

    AIR   columns 1 + forced/100 and decay: the oven-dry mass and the water at the start
    FREE  columns 1 and decay: the mass at the end, wherever it is, and what is still to go
    START column 1 + moisture/100: laws not linear in the start moisture, which is the last u
    RISE  column 1 - decay: a gain from nothing (certified test problems are of this form)

Behind them one column for each step in mass. u by law: ln tau; ln tau_slow, ln(tau_slow/tau_fast),
fast share; ln tau, ln shape; ln D; ln T, ln Biot with T = a^2/D (1/Biot + 4/pi^2), close to the
time constant of the slowest mode (`film`, `slab`); and ln start moisture at the end for `START`.
"""

# mypy: ignore-errors
# (numba infers the types of its functions; annotations there would not be checked)

from __future__ import annotations

import math

import numpy as np
from numba import njit

from woodlab.drying.kernels import (
    MOST_MODES,
    drive_one,
    fill_sheet_modes,
    sheet_remaining,
    two_period_one,
)
from woodlab.drying.slab_kernels import run_one

EXPONENTIAL, TWO_TERM, STRETCHED, DIFFUSION, FILM, TWO_PERIOD, SLAB = range(7)
AIR, FREE, START, RISE = range(4)
SECONDS = 86400.0
SLOWEST = 4.0 / math.pi**2
STEP = 1e-6  # of the numeric derivative, in u
MOST_U, MOST_C = 3, 8
# Positions in the row of options of a piece
HALF_M, LEAST_DRY, MOST_DRY, RATIO, RATIO_SD, FLOOR, CRITICAL, RISE_PCT, SATURATION = range(9)
OPTIONS = 9
# Positions in the row of results of a piece
SSE, SIGMA, DOF, CONVERGED, PINNED, N_USED = range(6)
RESULTS = 6


@njit(cache=True, nogil=True)
def sheet_numbers(u, half_m):
    """Diffusivity [m2/s] and Biot number from ln T [days] and ln Biot."""
    biot = math.exp(u[1])
    return half_m * half_m / SECONDS * (1.0 / biot + SLOWEST) / math.exp(u[0]), biot


@njit(cache=True, nogil=True)
def curve(law, u, option, t, course, start, driven, forced, decay):
    """forced and decay of a linear law, or the moisture of another into `forced`."""
    n = t.size
    half = option[HALF_M]
    if law <= STRETCHED:
        if not driven:
            tau = math.exp(u[0])
            shape = math.exp(u[1]) if law == STRETCHED else 1.0
            for i in range(n):
                if law == EXPONENTIAL:
                    decay[i] = math.exp(-t[i] / tau)
                elif law == STRETCHED:
                    decay[i] = math.exp(-((t[i] / tau) ** shape))
                else:
                    fast = math.exp(-t[i] / tau * math.exp(u[1]))
                    decay[i] = u[2] * fast + (1.0 - u[2]) * math.exp(-t[i] / tau)
                forced[i] = course[0] * (1.0 - decay[i])
            return
        if law == EXPONENTIAL:
            _drive_single(t, math.exp(-u[0]), course, start, decay, forced)
            return
    rates, weights = np.empty(MOST_MODES), np.empty(MOST_MODES)
    if law == TWO_TERM:
        rates[0], rates[1] = math.exp(u[1] - u[0]), math.exp(-u[0])
        weights[0], weights[1] = u[2], 1.0 - u[2]
    biot, fo, count = math.inf, 0.0, 2
    if law in (DIFFUSION, FILM):
        diffusivity = math.exp(u[0])
        if law == FILM:
            diffusivity, biot = sheet_numbers(u, half)
        fo = diffusivity * SECONDS / (half * half)
        if not driven:
            _sheet_curve(t, fo, biot, decay)
            for i in range(n):
                forced[i] = course[0] * (1.0 - decay[i])
            return
        count = fill_sheet_modes(fo, biot, rates, weights)
    if law < TWO_PERIOD:
        sheet = law != TWO_TERM
        drive_one(t, rates, weights, count, course, start, sheet, fo, biot, decay, forced)
        return
    if law == TWO_PERIOD:
        two_period_one(t, math.exp(u[1]), math.exp(-u[0]), option[CRITICAL], course, start, forced)
        return
    diffusivity, biot = sheet_numbers(u, half)
    rise, saturation = option[RISE_PCT], option[SATURATION]
    base = diffusivity * SECONDS / (half * half) * math.exp(-rise * 15.0)
    surface_rate = biot * diffusivity * SECONDS / (half * half)
    cells = 16
    width = np.empty(cells)
    for j in range(cells):
        width[j] = math.sin((j + 1) * math.pi / (2 * cells)) - math.sin(j * math.pi / (2 * cells))
    difference = np.empty(n)
    run_one(
        t, math.exp(u[2]), base, surface_rate, rise, saturation, saturation, course, start,
        width, 1.0, forced, difference, np.empty((1, 1)), False,
    )  # fmt: skip


@njit(cache=True, nogil=True)
def _drive_single(t, rate, course, start, decay, forced):
    """One mode in daily air: `drive_one` for the commonest case, without its bookkeeping."""
    whole = math.exp(-rate)
    state = 0.0
    now = start
    last = course.size - 1
    for i in range(t.size):
        goal = start + t[i]
        while now < goal:
            day = int(math.floor(now))
            air = course[min(max(day, 0), last)]
            if goal >= day + 1.0 and now == day:
                state = air + (state - air) * whole
                now = day + 1.0
            else:
                end = min(day + 1.0, goal)
                state = air + (state - air) * math.exp(-rate * (end - now))
                now = end
        decay[i] = math.exp(-rate * t[i])
        forced[i] = state


@njit(cache=True, nogil=True)
def _sheet_curve(t, fo, biot, decay):
    """E at many times: the roots once, as many as the earliest time beyond 0.04 needs."""
    count = 0
    rates = np.empty(10)
    weights = np.empty(10)
    for i in range(t.size):
        f = fo * t[i]
        if f < 0.04 or math.isinf(biot):
            decay[i] = sheet_remaining(f, biot)
            continue
        if count == 0:
            count = _few_modes(biot, rates, weights)
        total = 0.0
        for j in range(count):
            x = rates[j] * f
            if x > 34.0:
                break
            total += weights[j] * math.exp(-x)
        decay[i] = total


@njit(cache=True, nogil=True)
def _few_modes(biot, rates, weights):
    count = fill_sheet_modes(1.0, biot, rates, weights)
    return min(count, rates.size)


@njit(cache=True, nogil=True)
def columns(law, design, u, option, t, course, start, driven, steps, shape, x, work):
    """Design matrix by columns into x (columns, rows); returns how many."""
    n = t.size
    forced, decay = work[0], work[1]
    curve(law, u, option, t, course, start, driven, forced, decay)
    count = 1 if design in (START, RISE) else 2
    for i in range(n):
        if design == FREE:
            x[0, i] = 1.0
            x[1, i] = decay[i]
        elif design == AIR:
            x[0, i] = 1.0 + forced[i] / 100.0
            x[1, i] = decay[i]
        elif design == START:
            x[0, i] = 1.0 + forced[i] / 100.0
        else:
            x[0, i] = 1.0 - decay[i]
    for s in range(steps.shape[0]):
        trimmed = steps[s, 1] == 1
        for i in range(n):
            if i < steps[s, 0]:
                x[count + s, i] = 0.0
            else:
                x[count + s, i] = shape[s, i] if trimmed else 1.0
    return count + steps.shape[0]


@njit(cache=True, nogil=True)
def prior_row(design, option, sigma, u, x, count, n):
    """The row of what is known of the start; returns its right side and whether there is one."""
    for c in range(count):
        x[c, n] = 0.0
    if not option[RATIO_SD] > 0.0 or design == RISE:
        return 0.0
    if design == START:
        return sigma * (math.log(option[RATIO]) - u[-1]) / option[RATIO_SD]
    weight = sigma / option[RATIO_SD]
    x[0, n] = -option[RATIO] * weight
    x[1, n] = weight
    return 0.0


@njit(cache=True, nogil=True)
def _project(x, order, m, rows, q, r, v):
    """Orthonormal q of the columns x[order] by modified Gram-Schmidt, twice; v loses its part.

    Fills the triangle r and the coordinates of v behind it; a column that adds nothing is zero.
    """
    for a in range(m):
        source = x[order[a]]
        norm0 = 0.0
        for i in range(rows):
            q[a, i] = source[i]
            norm0 += source[i] * source[i]
        for b in range(a):
            r[b, a] = 0.0
        norm = norm0
        for _ in range(2):
            before = norm
            for b in range(a):
                dot = 0.0
                for i in range(rows):
                    dot += q[b, i] * q[a, i]
                r[b, a] += dot
                for i in range(rows):
                    q[a, i] -= dot * q[b, i]
            norm = 0.0
            for i in range(rows):
                norm += q[a, i] * q[a, i]
            if norm > 0.25 * before:
                break  # little was taken away, so little was lost to rounding
        if norm <= 1e-24 * norm0 or norm == 0.0:
            r[a, a] = 0.0
            for i in range(rows):
                q[a, i] = 0.0
        else:
            norm = math.sqrt(norm)
            r[a, a] = norm
            for i in range(rows):
                q[a, i] /= norm
    for a in range(m):
        dot = 0.0
        for i in range(rows):
            dot += q[a, i] * v[i]
        r[a, m] = dot
        for i in range(rows):
            v[i] -= dot * q[a, i]


@njit(cache=True, nogil=True)
def _back(r, m, out):
    for a in range(m - 1, -1, -1):
        total = r[a, m]
        for b in range(a + 1, m):
            total -= r[a, b] * out[b]
        out[a] = total / r[a, a] if r[a, a] > 0.0 else 0.0


@njit(cache=True, nogil=True)
def linear_fit(design, x, count, y, w, n, rows, target, option, bounded, c, resid, q, r, order):
    """Weighted linear least squares with the bounds of the oven-dry mass; SSE and its pin.

    Pin: 0 free, -1 at the least oven-dry mass, 1 at the most. Columns of x are scaled by w.
    """
    for k in range(count):
        for i in range(n):
            x[k, i] *= w[i]
        order[k] = k
    for i in range(n):
        resid[i] = y[i] * w[i]
    if rows > n:
        resid[n] = target
    _project(x, order, count, rows, q, r, resid)
    _back(r, count, c)
    pin = 0
    if bounded:
        if c[0] < option[LEAST_DRY]:
            pin = -1
        elif c[0] > option[MOST_DRY]:
            pin = 1
    if pin != 0:
        held = option[LEAST_DRY] if pin < 0 else option[MOST_DRY]
        for i in range(n):
            resid[i] = y[i] * w[i] - held * x[0, i]
        if rows > n:
            resid[n] = target - held * x[0, n]
        for k in range(1, count):
            order[k - 1] = k
        _project(x, order, count - 1, rows, q, r, resid)
        rest = np.zeros(count)
        _back(r, count - 1, rest)
        c[0] = held
        for k in range(1, count):
            c[k] = rest[k - 1]
    sse = 0.0
    for i in range(rows):
        sse += resid[i] * resid[i]
    return sse, pin
