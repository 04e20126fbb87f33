"""Compiled fit of one piece from start to intervals, and the loop over many."""

# mypy: ignore-errors
# (numba infers the types of its functions; annotations there would not be checked)

from __future__ import annotations

import math

import numpy as np
from numba import njit

from woodlab.drying.fit_kernels import (
    AIR,
    CONVERGED,
    DIFFUSION,
    DOF,
    FILM,
    FLOOR,
    FREE,
    HALF_M,
    LEAST_DRY,
    MOST_C,
    MOST_DRY,
    N_USED,
    PINNED,
    RATIO_SD,
    RISE,
    SECONDS,
    SIGMA,
    SLAB,
    SLOWEST,
    SSE,
    START,
    sheet_numbers,
)
from woodlab.drying.search_kernels import (
    copy_to,
    descend,
    evaluate,
    jacobian,
    solve_small,
    spikes,
)

# Rows of the derived intervals of a piece
Q_DRY, Q_START, Q_D, Q_S = range(4)
DERIVED = 4


@njit(cache=True, nogil=True)
def _derived(law, design, u, c, half, out):
    """Oven-dry mass or mass at the end; start moisture or mass; ln D; ln S."""
    out[Q_DRY] = c[0]
    if design == AIR:
        out[Q_START] = 100.0 * c[1] / c[0] if c[0] != 0.0 else math.nan
    elif design == FREE:
        out[Q_START] = c[0] + c[1]
    elif design == START:
        out[Q_START] = math.exp(u[-1])
    else:
        out[Q_START] = 0.0
    out[Q_D] = math.nan
    out[Q_S] = math.nan
    if law == DIFFUSION:
        out[Q_D] = u[0]
    if law in (FILM, SLAB):
        diffusivity, biot = sheet_numbers(u, half)
        out[Q_D] = math.log(diffusivity)
        out[Q_S] = math.log(diffusivity * biot / half)


@njit(cache=True, nogil=True)
def fit_one(
    law, design, grid, from_span, lower, upper, option, t, y, course, start, driven, steps,
    most_spikes, want_profile, quantiles, u, c, cov, result, w, ends, derived,
):  # fmt: skip
    """Fill the results of one piece; see `fit_many` for their shapes."""
    n = t.size
    k = u.size
    m = steps.shape[0]
    rows = n + 1
    x, x2, q = np.empty((MOST_C, rows)), np.empty((MOST_C, rows)), np.empty((MOST_C, rows))
    r = np.zeros((MOST_C, MOST_C + 1))
    order, kept = np.zeros(MOST_C, dtype=np.int64), np.empty(n, dtype=np.int64)
    resid, work, shape = np.empty(rows), np.empty((2, n)), np.ones((m, n))
    j, coords = np.empty((k, rows)), np.zeros((k, MOST_C))
    has_prior = option[RATIO_SD] > 0.0 and design != RISE
    linear = (1 if design in (START, RISE) else 2) + m
    for i in range(n):
        w[i] = 1.0
    sigma = max(option[FLOOR], 1e-3 * abs(y[0]))
    span = max(t[n - 1] - t[0], 1.0)
    least_usual = max(option[FLOOR], 1e-3 * abs(y[0]))

    # numba compiles a function anew for each literal among its arguments: name them instead
    unbounded, no_one, many_steps, few_steps = n < 0, np.int64(-1), np.int64(60), np.int64(10)

    # 1. Start: the best of the grid.
    best_sse = math.inf
    best_g = 0
    trial, tried = np.empty(k), np.empty(grid.shape[0])
    for g in range(grid.shape[0]):
        copy_to(grid[g], trial)
        if from_span:
            if law == DIFFUSION:
                trial[0] = (
                    math.log(option[HALF_M] ** 2 * SLOWEST / SECONDS) - math.log(span) - grid[g, 0]
                )
            else:
                trial[0] = grid[g, 0] + math.log(span)
        for a in range(k):
            trial[a] = min(max(trial[a], lower[a]), upper[a])
        sse, _, _ = evaluate(
            law, design, trial, option, t, y, w, course, start, driven, steps, shape, sigma,
            unbounded, x, c, resid, q, r, order, work,
        )  # fmt: skip
        tried[g] = sse
        if sse < best_sse:
            best_sse = sse
            best_g = g
            copy_to(trial, u)
    if k == 1 and 0 < best_g < grid.shape[0] - 1:
        # the foot of the parabola through the best and its neighbours: fewer steps to go
        left, right = tried[best_g - 1] - best_sse, tried[best_g + 1] - best_sse
        if left + right > 0.0:
            shift = 0.5 * (left - right) / (left + right)
            shift *= grid[best_g + 1, 0] - grid[best_g, 0]
            u[0] += -shift if law == DIFFUSION else shift

    # 2. Descend; set gross errors aside one by one; let known start, steps and bounds settle.
    bounded = unbounded
    taken = 0
    sse, pin, converged, count = 0.0, 0, False, 0
    for turn in range(8 + most_spikes):
        sse, pin, converged, count = descend(
            law, design, u, lower, upper, no_one, many_steps, 1e-10, option, t, y, w, course,
            start, driven, steps, shape, sigma, bounded, x, x2, c, resid, q, r, order, work, j,
            coords,
        )  # fmt: skip
        if taken < most_spikes and spikes(resid, w, n, least_usual, kept) > 0:
            taken += 1
            continue
        used = 0.0
        for i in range(n):
            used += w[i]
        dof = used + (1.0 if has_prior else 0.0) - k - linear
        new_sigma = math.sqrt(sse / max(dof, 1.0))
        if dof < 4:
            new_sigma = max(new_sigma, 1e-3 * abs(y[0]))
        new_sigma = max(new_sigma, option[FLOOR])
        again = False
        if has_prior and abs(new_sigma - sigma) > 0.02 * sigma and turn < 7 + taken:
            again = True
        sigma = new_sigma
        if not bounded and (c[0] < option[LEAST_DRY] or c[0] > option[MOST_DRY]):
            bounded = True
            again = True
        if m > 0 and _reshape(design, steps, x, c, shape, w, n, linear - m):
            again = turn < 4 + taken or again
        if not again:
            break
    result[N_USED] = used
    result[DOF] = dof
    result[SIGMA] = sigma
    result[CONVERGED] = 1.0 if converged else 0.0
    result[PINNED] = pin
    total = 0.0
    for i in range(n):
        total += resid[i] * resid[i]
    result[SSE] = total

    # 3. Covariance of u and the linear part, and the intervals.
    _covariance(
        law, design, u, option, t, w, course, start, driven, steps, shape, sigma, pin, count,
        c, q, r, order, j, coords, x, x2, work, cov,
    )  # fmt: skip
    _derived(law, design, u, c, option[HALF_M], derived[0])
    for a in range(DERIVED):
        derived[1, a] = derived[0, a]
        derived[2, a] = derived[0, a]
    for a in range(k):
        ends[a, 0] = -math.inf
        ends[a, 1] = math.inf
        ends[a, 2] = 0.0
    if want_profile:
        tq = quantiles[min(max(int(dof), 1), quantiles.size - 1)]
        crit = (tq * sigma) ** 2
        at = np.empty(k)
        # a second set, so that the optimum's own arrays stay
        c2, resid2, q2 = np.empty(MOST_C), np.empty(rows), np.empty((MOST_C, rows))
        x3 = np.empty((MOST_C, rows))
        here = np.empty(DERIVED)
        for a in range(k):
            se = math.sqrt(cov[a, a]) if cov[a, a] > 0.0 else 0.5
            for side in range(2):
                sign = -1.0 if side == 0 else 1.0
                edge = lower[a] if side == 0 else upper[a]
                room = abs(edge - u[a])
                step = min(tq * se, 1.5)
                low, low_value = 0.0, 0.0
                high = -1.0
                high_value = 0.0
                found = math.nan
                copy_to(u, at)
                for tries in range(14):
                    step = min(step, room)
                    at[a] = u[a] + sign * step
                    if k > 1:
                        f, _, _, _ = descend(
                            law, design, at, lower, upper, a, few_steps, 1e-5, option, t, y, w,
                            course, start, driven, steps, shape, sigma, bounded, x3, x2, c2,
                            resid2, q2, r, order, work, j, coords,
                        )  # fmt: skip
                    else:
                        f, _, _ = evaluate(
                            law, design, at, option, t, y, w, course, start, driven, steps, shape,
                            sigma, bounded, x3, c2, resid2, q2, r, order, work,
                        )  # fmt: skip
                    value = math.sqrt(max(f - sse, 0.0) / crit) if crit > 0 else math.inf
                    _derived(law, design, at, c2, option[HALF_M], here)
                    near = tries == 0 and 0.8 < value < 1.25 and step < room
                    if near or value <= 1.02:
                        for b in range(DERIVED):
                            if not math.isnan(here[b]):
                                reach = here[b] - derived[0, b]
                                if near:
                                    reach /= value
                                derived[1, b] = min(derived[1, b], derived[0, b] + reach)
                                derived[2, b] = max(derived[2, b], derived[0, b] + reach)
                    if near:
                        found = step / value
                        break
                    ends[a, 2] = 1.0
                    if abs(value - 1.0) < 0.02:
                        found = step
                        break
                    if value < 1.0:
                        low, low_value = step, value
                        if step >= room:
                            break  # open: the bound is reached first
                        if high < 0.0:
                            step = step * min(max(1.1 / max(value, 0.1), 1.3), 4.0)
                            continue
                    else:
                        high, high_value = step, value
                    share = (1.0 - low_value) / (high_value - low_value)
                    share = min(max(share, 0.1), 0.9)
                    step = low + share * (high - low)
                if math.isnan(found) and high > 0.0:
                    found = 0.5 * (low + high)
                if not math.isnan(found):
                    ends[a, side] = u[a] + sign * found


@njit(cache=True, nogil=True)
def _reshape(design, steps, x, c, shape, w, n, linear):
    """Let the step of a trimmed piece shrink as the wood that was cut off would have dried."""
    changed = False
    for s in range(steps.shape[0]):
        if steps[s, 1] != 1:
            continue
        first = steps[s, 0]
        at_step = 0.0
        for a in range(linear):
            at_step += c[a] * x[a, first]
        if not at_step > 0.0:
            continue
        for i in range(first, n):
            if w[i] == 0.0:
                continue
            wood = 0.0
            for a in range(linear):
                wood += c[a] * x[a, i]
            new = wood / at_step
            if abs(new - shape[s, i]) > 1e-9:
                changed = True
            shape[s, i] = new
    return changed


@njit(cache=True, nogil=True)
def _covariance(
    law, design, u, option, t, w, course, start, driven, steps, shape, sigma, pin, count,
    c, q, r, order, j, coords, x, x2, work, cov,
):  # fmt: skip
    """sigma^2 times the inverse of J'J over u and the linear part; cov is (k + MOST_C) square."""
    k = u.size
    rows = t.size + 1
    jacobian(
        law, design, u, option, t, w, course, start, driven, steps, shape, sigma, pin, count,
        c, q, j, coords, x, x2, work,
    )  # fmt: skip
    normal = np.zeros((k, k))
    for a in range(k):
        for b in range(k):
            for i in range(rows):
                normal[a, b] += j[a, i] * j[b, i]
    scale = np.empty(k)
    for a in range(k):
        scale[a] = math.sqrt(normal[a, a]) if normal[a, a] > 0.0 else 1.0
    for a in range(k):
        for b in range(k):
            normal[a, b] /= scale[a] * scale[b]
        # a direction that the data do not see gets a large, finite variance
        normal[a, a] = normal[a, a] * (1.0 + 1e-12) + 1e-14
    inverse = _inverse(normal)
    for a in range(k):
        for b in range(k):
            cov[a, b] = inverse[a, b] / (scale[a] * scale[b])
    m = count - 1 if pin != 0 else count
    if m > 0:
        tri = np.zeros((m, m))
        for a in range(m):
            for b in range(a, m):
                tri[a, b] = r[a, b]
            if tri[a, a] == 0.0:
                tri[a, a] = 1e-150
        back = np.zeros((m, m))
        for b in range(m):
            back[b, b] = 1.0 / tri[b, b]
            for a in range(b - 1, -1, -1):
                total = 0.0
                for i in range(a + 1, b + 1):
                    total -= tri[a, i] * back[i, b]
                back[a, b] = total / tri[a, a]
        own = np.zeros((m, m))
        for a in range(m):
            for b in range(m):
                for i in range(m):
                    own[a, b] += back[a, i] * back[b, i]
        slope = np.zeros((m, k))
        for a in range(m):
            for b in range(k):
                for i in range(m):
                    slope[a, b] += back[a, i] * coords[b, i]
        for a in range(m):
            for b in range(m):
                total = own[a, b]
                for i in range(k):
                    for jj in range(k):
                        total += slope[a, i] * cov[i, jj] * slope[b, jj]
                cov[k + order[a], k + order[b]] = total
            for b in range(k):
                total = 0.0
                for i in range(k):
                    total -= slope[a, i] * cov[i, b]
                cov[k + order[a], b] = total
                cov[b, k + order[a]] = total
    for a in range(k + MOST_C):
        for b in range(k + MOST_C):
            cov[a, b] *= sigma * sigma


@njit(cache=True, nogil=True)
def _inverse(a):
    """Inverse of a small symmetric matrix that is scaled to a unit diagonal."""
    k = a.shape[0]
    out = np.zeros((k, k))
    for b in range(k):
        right = np.zeros(k)
        right[b] = 1.0
        work = np.empty((k, k))
        for i in range(k):
            for j in range(k):
                work[i, j] = a[i, j]
        solve_small(work, right)
        for i in range(k):
            out[i, b] = right[i]
    return out


@njit(cache=True, nogil=True)
def fit_many(
    law, design, grid, from_span, lower, upper, options, ptr, t, y, courses, which, start, driven,
    step_ptr, steps, most_spikes, want_profile, quantiles, u, c, cov, result, w, ends, derived,
):  # fmt: skip
    """All pieces: ragged rows ptr[p]:ptr[p + 1] of t [days] and y [g].

    Fills u (n, k), c (n, MOST_C), cov (n, k + MOST_C, k + MOST_C), result (n, RESULTS),
    w (rows,), ends (n, k, 3: lower, upper, 1 if not quadratic), derived (n, 3: value, lower,
    upper; DERIVED).
    """
    for p in range(ptr.size - 1):
        a, b = ptr[p], ptr[p + 1]
        fit_one(
            law, design, grid, from_span, lower, upper[p], options[p], t[a:b], y[a:b],
            courses[which[p]], start[p], driven, steps[step_ptr[p] : step_ptr[p + 1]],
            most_spikes, want_profile, quantiles, u[p], c[p], cov[p], result[p], w[a:b], ends[p],
            derived[p],
        )  # fmt: skip
