"""Compiled search over the nonlinear parameters: starts, descent, covariance, profiles."""

# mypy: ignore-errors
# (numba infers the types of its functions; annotations there would not be checked)

from __future__ import annotations

import math

import numpy as np
from numba import njit

from woodlab.drying.fit_kernels import (
    RATIO_SD,
    START,
    STEP,
    columns,
    linear_fit,
    prior_row,
)


@njit(cache=True, nogil=True)
def evaluate(
    law, design, u, option, t, y, w, course, start, driven, steps, shape, sigma, bounded,
    x, c, resid, q, r, order, work,
):  # fmt: skip
    """SSE of u with the linear part solved; fills x (weighted), c, resid, q, r, order."""
    n = t.size
    rows = n + 1
    count = columns(law, design, u, option, t, course, start, driven, steps, shape, x, work)
    target = prior_row(design, option, sigma, u, x, count, n)
    sse, pin = linear_fit(
        design, x, count, y, w, n, rows, target, option, bounded, c, resid, q, r, order
    )
    return sse, pin, count


@njit(cache=True, nogil=True)
def jacobian(
    law, design, u, option, t, w, course, start, driven, steps, shape, sigma, pin, count,
    c, q, j, coords, x, x2, work,
):  # fmt: skip
    """Columns of d(model)/du with the linear part projected out into j (k, rows).

    `coords[k]` keeps the projected part, in the coordinates of q, for the covariance.
    """
    n = t.size
    m = count - 1 if pin != 0 else count
    for k in range(u.size):
        kept = u[k]
        u[k] = kept + STEP
        columns(law, design, u, option, t, course, start, driven, steps, shape, x2, work)
        u[k] = kept
        for i in range(n):
            total = 0.0
            for a in range(count):
                total += (x2[a, i] - x[a, i]) * c[a]
            j[k, i] = total / STEP * w[i]
        j[k, n] = 0.0
        if design == START and k == u.size - 1 and option[RATIO_SD] > 0.0:
            j[k, n] = sigma / option[RATIO_SD]
        for a in range(m):
            dot = 0.0
            for i in range(n + 1):
                dot += q[a, i] * j[k, i]
            coords[k, a] = dot
            for i in range(n + 1):
                j[k, i] -= dot * q[a, i]


@njit(cache=True, nogil=True)
def solve_small(a, b):
    """Solve a x = b for up to three unknowns, by elimination; zero where singular."""
    k = b.size
    for p in range(k):
        best = p
        for i in range(p + 1, k):
            if abs(a[i, p]) > abs(a[best, p]):
                best = i
        if abs(a[best, p]) < 1e-300:
            b[p] = 0.0
            continue
        if best != p:
            for i in range(k):
                a[p, i], a[best, i] = a[best, i], a[p, i]
            b[p], b[best] = b[best], b[p]
        for i in range(p + 1, k):
            f = a[i, p] / a[p, p]
            for jj in range(p, k):
                a[i, jj] -= f * a[p, jj]
            b[i] -= f * b[p]
    for p in range(k - 1, -1, -1):
        total = b[p]
        for i in range(p + 1, k):
            total -= a[p, i] * b[i]
        b[p] = total / a[p, p] if abs(a[p, p]) > 1e-300 else 0.0


@njit(cache=True, nogil=True)
def descend(
    law, design, u, lower, upper, held, most_steps, tol, option, t, y, w, course, start, driven,
    steps, shape, sigma, bounded, x, x2, c, resid, q, r, order, work, j, coords,
):  # fmt: skip
    """Levenberg-Marquardt from u, in place; `held` (or -1) is a parameter that stays.

    Returns SSE, pin, converged, count. The arrays stand at the best u on return.
    """
    k = u.size
    sse, pin, count = evaluate(
        law, design, u, option, t, y, w, course, start, driven, steps, shape, sigma, bounded,
        x, c, resid, q, r, order, work,
    )  # fmt: skip
    damping = 1e-4
    converged = False
    best = np.empty(k)
    copy_to(u, best)
    rows = t.size + 1
    fresh = True
    normal, system = np.empty((k, k)), np.empty((k, k))
    gradient, step = np.empty(k), np.empty(k)
    for _ in range(most_steps):
        jacobian(
            law, design, u, option, t, w, course, start, driven, steps, shape, sigma, pin, count,
            c, q, j, coords, x, x2, work,
        )  # fmt: skip
        for a in range(k):
            for b in range(a, k):
                total = 0.0
                for i in range(rows):
                    total += j[a, i] * j[b, i]
                normal[a, b] = total
                normal[b, a] = total
            total = 0.0
            for i in range(rows):
                total += j[a, i] * resid[i]
            gradient[a] = total
        for a in range(k):
            at_edge = (u[a] <= lower[a] and gradient[a] < 0) or (
                u[a] >= upper[a] and gradient[a] > 0
            )
            if a == held or at_edge:
                for b in range(k):
                    normal[a, b] = 0.0
                    normal[b, a] = 0.0
                normal[a, a] = 1.0
                gradient[a] = 0.0
        improved = False
        for _try in range(12):
            for a in range(k):
                step[a] = gradient[a]
                for b in range(k):
                    system[a, b] = normal[a, b]
                system[a, a] = normal[a, a] * (1.0 + damping) + 1e-300
            solve_small(system, step)
            largest = 0.0
            for a in range(k):
                move = min(max(step[a], -2.0), 2.0)
                u[a] = min(max(best[a] + move, lower[a]), upper[a])
                largest = max(largest, abs(u[a] - best[a]))
            if largest < tol:
                copy_to(best, u)
                converged = True
                break
            trial, pin, count = evaluate(
                law, design, u, option, t, y, w, course, start, driven, steps, shape, sigma,
                bounded, x, c, resid, q, r, order, work,
            )  # fmt: skip
            if trial <= sse:
                improved = True
                fresh = True
                converged = sse - trial <= 1e-13 * sse and largest < 1e-6
                sse = trial
                copy_to(u, best)
                damping = max(damping * 0.1, 1e-12)
                break
            fresh = False
            damping = max(damping * 10.0, 1e-6)
        if converged or not improved:
            converged = True
            break
    copy_to(best, u)
    if not fresh:
        sse, pin, count = evaluate(
            law, design, u, option, t, y, w, course, start, driven, steps, shape, sigma, bounded,
            x, c, resid, q, r, order, work,
        )  # fmt: skip
    return sse, pin, converged, count


@njit(cache=True, nogil=True)
def copy_to(source, target):
    for i in range(source.size):
        target[i] = source[i]


@njit(cache=True, nogil=True)
def _middle(values, work):
    """Median by a plain sort (numpy's takes far longer to compile); `work` is overwritten."""
    m = values.size
    for i in range(m):
        x = values[i]
        j = i
        while j > 0 and work[j - 1] > x:
            work[j] = work[j - 1]
            j -= 1
        work[j] = x
    return 0.5 * (work[(m - 1) // 2] + work[m // 2])


@njit(cache=True, nogil=True)
def spikes(resid, w, n, floor, kept):
    """Set aside (w = 0) weighings that stand alone far from both neighbours; how many.

    Local by intent: a law that does not fit leaves long waves, and those are not the scale's
    fault. A weighing goes only if it stands off the middle of its four neighbours by eight times
    what is usual, at the ends of the record sixteen times.
    """
    m = 0
    for i in range(n):
        if w[i] > 0.0:
            kept[m] = i
            m += 1
    if m < 7:
        return 0
    off, size = np.empty(m), np.empty(m)
    for a in range(m):
        low = min(max(a - 2, 0), m - 5)
        total, least, greatest = 0.0, math.inf, -math.inf
        for s in range(low, low + 5):
            if s != a:
                value = resid[kept[s]]
                total += value
                least = min(least, value)
                greatest = max(greatest, value)
        off[a] = resid[kept[a]] - 0.5 * (total - least - greatest)  # median of the four
        size[a] = abs(off[a])
    usual = max(1.4826 * _middle(size, off), floor)
    worst = -1
    for a in range(m):
        limit = 8.0 if 2 <= a < m - 2 else 16.0
        if size[a] > limit * usual and (worst < 0 or size[a] > size[worst]):
            worst = a
    if worst < 0:
        return 0
    # One at a time: beside a gross error its neighbours look odd, too.
    w[kept[worst]] = 0.0
    return 1
