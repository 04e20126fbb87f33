"""The compiled loop of the `slab` law; equation, units and sources stand in `slab`.

State: moisture [%] of each cell, from the middle of the wall outward. Fluxes are differences of
the potential P(m) = integral of the diffusivity, so that a diffusivity that changes manyfold
across one cell is still integrated exactly. Time steps are those of a two-stage Rosenbrock
method (L-stable, second order): one tridiagonal matrix a step, no iteration, and the same smooth
function of the parameters at each call. What leaves through the surface is summed with the same
numbers as the cells lose, so that mass is kept to rounding.
"""

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
def _rates(
    m, width, gap, surface_rate, air, base, rise, saturation, wet, cap, guess, rate, d
):  # fmt: skip
    """Rate of change of each cell into `rate`, diffusivities into `d`; flux, slope, surface."""
    n = m.size
    before = 0.0
    p_here = 0.0
    for i in range(n):
        d[i] = diffusivity(m[i], base, rise, saturation, wet)
        p = potential(m[i], d[i], base, rise, saturation)
        if i > 0:
            flux = (p_here - p) / gap[i - 1]
            rate[i - 1] = (before - flux) / width[i - 1]
            before = flux
        p_here = p
    out, slope, s = surface(
        m[n - 1], d[n - 1], 0.5 * width[n - 1], surface_rate, air,
        base, rise, saturation, wet, cap, guess,
    )  # fmt: skip
    rate[n - 1] = (before - out) / width[n - 1]
    return out, slope, s


@njit(cache=True, nogil=True)
def _solve(lower, diagonal, upper, right, work):
    """Tridiagonal solve, `right` replaced by the solution."""
    n = diagonal.size
    pivot = diagonal[0]
    right[0] /= pivot
    for i in range(1, n):
        work[i] = upper[i - 1] / pivot
        pivot = diagonal[i] - lower[i] * work[i]
        right[i] = (right[i] - lower[i] * right[i - 1]) / pivot
    for i in range(n - 2, -1, -1):
        right[i] -= work[i + 1] * right[i + 1]


@njit(cache=True, nogil=True)
def run_one(
    days, start_moisture, base, surface_rate, rise, saturation, cap, course, start,
    width, steps_per_day, mean, difference, profile, keep_profile,
):  # fmt: skip
    """One piece; returns the largest core-to-surface difference and the sum that left.

    `base` [half-thickness^2/day] is the diffusivity at moisture 0, `surface_rate` [half-thicknesses/day], `width` of the
    cells as shares of the half-thickness. A day is cut into `steps_per_day`, the
    first days into steps that grow.
    """
    n = width.size
    wet = base * math.exp(rise * saturation)
    growth = min(0.25, 0.5 / steps_per_day)
    gap = np.empty(n - 1)
    for i in range(n - 1):
        gap[i] = 0.5 * (width[i] + width[i + 1])
    m = np.full(n, start_moisture)
    trial, k1, k2 = np.empty(n), np.empty(n), np.empty(n)
    d, d2 = np.empty(n), np.empty(n)
    lower, diagonal, upper, work = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
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
            pieces = max(1.0, math.ceil((end - now) * steps_per_day - 1e-9))
            h = (end - now) / pieces
            h = min(h, max(young, growth * age))
            flux, slope, s = _rates(
                m, width, gap, surface_rate, air, base, rise, saturation, wet, cap, s, k1, d
            )
            if age > 0.0 and m[0] - s > most:
                most = m[0] - s
            for j in range(n):
                diagonal[j] = 1.0
            for j in range(n - 1):
                share = GAMMA * h / gap[j]
                diagonal[j] += share * d[j] / width[j]
                upper[j] = -share * d[j + 1] / width[j]
                diagonal[j + 1] += share * d[j + 1] / width[j + 1]
                lower[j + 1] = -share * d[j] / width[j + 1]
            diagonal[n - 1] += GAMMA * h * slope / width[n - 1]
            _solve(lower, diagonal, upper, k1, work)
            for j in range(n):
                trial[j] = m[j] + h * k1[j]
            out1 = flux + GAMMA * h * slope * k1[n - 1]
            flux2, _, s = _rates(
                trial, width, gap, surface_rate, air, base, rise, saturation, wet, cap, s, k2, d2
            )  # fmt: skip
            for j in range(n):
                k2[j] -= 2.0 * k1[j]
            _solve(lower, diagonal, upper, k2, work)
            out2 = flux2 - 2.0 * out1 + GAMMA * h * slope * k2[n - 1]
            for j in range(n):
                m[j] += h * (1.5 * k1[j] + 0.5 * k2[j])
            left_sum += h * (1.5 * out1 + 0.5 * out2)
            now += h
            if end - now < 1e-12:
                now = end
        total = 0.0
        for j in range(n):
            total += m[j] * width[j]
        mean[i] = total
        if days[i] > 0.0:
            dm = diffusivity(m[n - 1], base, rise, saturation, wet)
            air = course[min(max(int(math.ceil(now)) - 1, 0), last)]
            _, _, at_surface = surface(
                m[n - 1], dm, 0.5 * width[n - 1], surface_rate, air,
                base, rise, saturation, wet, cap, s,
            )  # fmt: skip
            difference[i] = m[0] - at_surface
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
