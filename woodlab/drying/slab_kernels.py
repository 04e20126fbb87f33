"""The compiled loop of the `slab` law; equation, units and sources stand in `slab`.

State: moisture [%] of each cell, from the middle of the wall outward. Fluxes are differences of
the potential P(m) = integral of the diffusivity, so that a diffusivity that changes manyfold
across one cell is still integrated exactly. A time step takes its coefficients from the middle of
the step (half an implicit Euler step ahead) and then a two-stage diagonally implicit step that is
L-stable and of second order: three tridiagonal solves, no iteration, no step that depends on a
tolerance, so that the answer is a smooth function of the parameters. What leaves through the
surface is summed with the same numbers as the cells lose: mass is kept to rounding.
"""

# mypy: ignore-errors
# (numba infers the types of its functions; annotations there would not be checked)

from __future__ import annotations

import math

import numpy as np
from numba import njit

GAMMA = 1.0 - 1.0 / math.sqrt(2.0)


@njit(cache=True, nogil=True)
def diffusivity(m, base, rise, saturation, wet):
    """`base` is the diffusivity at moisture 0, `wet` that at saturation and above."""
    if m >= saturation:
        return wet
    return base * math.exp(rise * m)


@njit(cache=True, nogil=True)
def potential(m, d, base, rise, saturation):
    """Integral of the diffusivity from 0 to m; `d` is the diffusivity at m."""
    if abs(rise) < 1e-9:
        return base * m
    if m <= saturation:
        return (d - base) / rise
    return (d - base) / rise + d * (m - saturation)


@njit(cache=True, nogil=True)
def surface(m, d, half_cell, surface_rate, air, base, rise, saturation, wet, cap, guess):
    """Flux out [% x wall half-thicknesses a day], its slope in m, and the surface moisture.

    Solves 2-point flux in the outer half cell = surface_rate (min(surface moisture, cap) - air).
    """
    if math.isinf(surface_rate):
        d_air = diffusivity(air, base, rise, saturation, wet)
        gap = potential(m, d, base, rise, saturation) - potential(
            air, d_air, base, rise, saturation
        )
        return gap / half_cell, d / half_cell, air
    p = potential(m, d, base, rise, saturation)
    if math.isfinite(cap):
        capped = surface_rate * (cap - air)
        d_cap = diffusivity(cap, base, rise, saturation, wet)
        p_cap = potential(cap, d_cap, base, rise, saturation)
        p_surface = p - half_cell * capped
        if p_surface >= p_cap:
            # above saturation the diffusivity no longer changes: invert the potential directly
            return capped, 0.0, cap + (p_surface - p_cap) / d_cap
    s = guess
    d_s = diffusivity(s, base, rise, saturation, wet)
    for _ in range(50):
        miss = p - potential(s, d_s, base, rise, saturation)
        miss -= half_cell * surface_rate * (s - air)
        step = miss / (d_s + half_cell * surface_rate)
        # the potential is steep upward: a long step down would overshoot
        s += min(max(step, -8.0), 8.0)
        d_s = diffusivity(s, base, rise, saturation, wet)
        if abs(step) < 1e-13 * (1.0 + abs(s)):
            break
    slope = surface_rate * d / (d_s + half_cell * surface_rate)
    return surface_rate * (s - air), slope, s


@njit(cache=True, nogil=True)
def _coefficients(
    m, width, gap, surface_rate, air, base, rise, saturation, wet, cap, guess, between
):  # fmt: skip
    """Conductances of the faces into `between`; conductance, source, moisture of the surface.

    Mean diffusivities between two moistures, so that no jump of the air overshoots. While the
    flux is capped it is a source, and the conductance of the surface zero.
    """
    n = m.size
    d_before = diffusivity(m[0], base, rise, saturation, wet)
    p_before = potential(m[0], d_before, base, rise, saturation)
    for i in range(1, n):
        d = diffusivity(m[i], base, rise, saturation, wet)
        p = potential(m[i], d, base, rise, saturation)
        step = m[i - 1] - m[i]
        if abs(step) > 1e-5:
            between[i - 1] = (p_before - p) / step / gap[i - 1]
        else:
            between[i - 1] = 0.5 * (d_before + d) / gap[i - 1]
        d_before = d
        p_before = p
    flux, slope, s = surface(
        m[n - 1], d_before, 0.5 * width[n - 1], surface_rate, air,
        base, rise, saturation, wet, cap, guess,
    )  # fmt: skip
    if slope == 0.0:
        return 0.0, flux, s
    if abs(m[n - 1] - air) > 1e-5:
        slope = flux / (m[n - 1] - air)
    return slope, 0.0, s


@njit(cache=True, nogil=True)
def _factor(h, width, between, out, upper, pivot, lower):
    """Elimination of 1 + h A, kept for several right sides."""
    n = width.size
    for i in range(n):
        diagonal = 1.0
        lower[i] = 0.0
        if i > 0:
            lower[i] = -h * between[i - 1] / width[i]
            diagonal -= lower[i]
        if i < n - 1:
            diagonal += h * between[i] / width[i]
        else:
            diagonal += h * out / width[i]
        if i > 0:
            diagonal -= lower[i] * upper[i - 1]
        pivot[i] = 1.0 / diagonal
        if i < n - 1:
            upper[i] = -h * between[i] / width[i] * pivot[i]


@njit(cache=True, nogil=True)
def _solve(right, lower, pivot, upper):
    n = right.size
    right[0] *= pivot[0]
    for i in range(1, n):
        right[i] = (right[i] - lower[i] * right[i - 1]) * pivot[i]
    for i in range(n - 2, -1, -1):
        right[i] -= upper[i] * right[i + 1]


@njit(cache=True, nogil=True)
def run_one(
    days, start_moisture, base, surface_rate, rise, saturation, cap, course, start,
    width, steps_per_day, mean, difference, profile, keep_profile,
):  # fmt: skip
    """One piece; returns the largest core-to-surface difference and the sum that left.

    `base` [half-thickness^2/day] is the diffusivity at moisture 0, `surface_rate`
    [half-thicknesses/day], `width` of the cells as shares of the half-thickness. A day is cut
    into `steps_per_day`, the first days into steps that grow.
    """
    n = width.size
    wet = base * math.exp(rise * saturation)
    growth = min(0.25, 0.5 / steps_per_day)
    gap = np.empty(n - 1)
    for i in range(n - 1):
        gap[i] = 0.5 * (width[i] + width[i + 1])
    m = np.full(n, start_moisture)
    y1, y2, between = np.empty(n), np.empty(n), np.empty(n)
    upper, pivot, lower = np.empty(n), np.empty(n), np.empty(n)
    last = course.size - 1
    now = start
    left_sum = 0.0
    most = 0.0
    s = start_moisture
    # A fresh profile is sharp: the first step is the time that the outer cell needs to feel its
    # neighbour, and steps may grow with age, until those of the day are reached.
    young = 0.5 * width[n - 1] ** 2 / diffusivity(start_moisture, base, rise, saturation, wet)
    for i in range(days.size):
        goal = start + days[i]
        while now < goal - 1e-12:
            age = now - start
            edge = math.floor(now + 1e-9) + 1.0
            air = course[min(max(int(math.floor(now + 1e-9)), 0), last)]
            end = min(edge, goal)
            parts = max(1.0, math.ceil((end - now) * steps_per_day - 1e-9))
            h = min((end - now) / parts, max(young, growth * age))
            out, source, s = _coefficients(
                m, width, gap, surface_rate, air, base, rise, saturation, wet, cap, s, between
            )
            if age > 0.0 and m[0] - s > most:
                most = m[0] - s
            for j in range(n):
                y1[j] = m[j]
            y1[n - 1] += 0.5 * h * (out * air - source) / width[n - 1]
            _factor(0.5 * h, width, between, out, upper, pivot, lower)
            _solve(y1, lower, pivot, upper)
            out, source, s = _coefficients(
                y1, width, gap, surface_rate, air, base, rise, saturation, wet, cap, s, between
            )
            gh = GAMMA * h
            _factor(gh, width, between, out, upper, pivot, lower)
            for j in range(n):
                y1[j] = m[j]
            y1[n - 1] += gh * (out * air - source) / width[n - 1]
            _solve(y1, lower, pivot, upper)
            ahead = (1.0 - GAMMA) / GAMMA
            for j in range(n):
                y2[j] = m[j] + ahead * (y1[j] - m[j])
            y2[n - 1] += gh * (out * air - source) / width[n - 1]
            _solve(y2, lower, pivot, upper)
            left_sum += h * source
            left_sum += h * out * (
                (1.0 - GAMMA) * (y1[n - 1] - air) + GAMMA * (y2[n - 1] - air)
            )  # fmt: skip
            for j in range(n):
                m[j] = y2[j]
            now += h
            if end - now < 1e-12:
                now = end
        total = 0.0
        for j in range(n):
            total += m[j] * width[j]
        mean[i] = total
        if days[i] > 0.0:
            d_outer = diffusivity(m[n - 1], base, rise, saturation, wet)
            air = course[min(max(int(math.ceil(now)) - 1, 0), last)]
            _, _, at_surface = surface(
                m[n - 1], d_outer, 0.5 * width[n - 1], surface_rate, air,
                base, rise, saturation, wet, cap, s,
            )  # fmt: skip
            difference[i] = m[0] - at_surface
            if difference[i] > most:
                most = difference[i]
        else:
            difference[i] = 0.0
        if keep_profile:
            for j in range(n):
                profile[i, j] = m[j]
    return most, left_sum


@njit(cache=True, nogil=True)
def run_many(
    days, start_moisture, base, surface_rate, rise, saturation, cap, courses, which,
    start, width, steps_per_day, mean, difference, profile, keep_profile, most, left,
):  # fmt: skip
    for p in range(days.shape[0]):
        most[p], left[p] = run_one(
            days[p], start_moisture[p], base[p], surface_rate[p], rise[p], saturation[p],
            cap[p], courses[which[p]], start[p], width, steps_per_day, mean[p], difference[p],
            profile[p], keep_profile,
        )  # fmt: skip
