"""How a wall dries in these worlds: finite volumes, backward Euler, driven by vapour pressure.

A plane wall, both faces alike, x = 0 at its middle:

    dm/dt = d/dx (D dm/dx),   D = D15 w(T) exp(rise (min(m, fsp) - 15)) (1 + free s(m))

with m the moisture [% of oven-dry mass], w an Arrhenius factor of the store's temperature, and
s(m) = 1/(1 + exp(-(m - fsp - 5)/4)) for the free water, which moves more easily. At the face

    -D dm/dx = 30 S p(T)/p(20) (a(surface) - a(air))

with a(m) the inverted sorption curve, 1 for wet wood, and p the saturation pressure: the drive is
that of vapour, not a difference of moistures, and there is no sharp cap. None of the kit's laws has
this form. From day `wear_at` of a piece's age S is multiplied by `wear`.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

CELLS = 22
HALF_M, D15, RISE, FSP, FREE, FILM, ENERGY_K, WEAR_AT, WEAR = range(9)  # columns of `rows`
DAY_S = 86400.0


def cell_faces() -> np.ndarray:
    """Faces of the cells over the half thickness, finer towards the surface."""
    return 1.0 - (1.0 - np.linspace(0, 1, CELLS + 1)) ** 1.6


@njit(cache=True)
def _look_up(table, m):
    """a(m) and its slope, from a table of steps of 0.25 %."""
    at = m / 0.25
    if at <= 0.0:
        return table[0], (table[1] - table[0]) / 0.25
    i = int(at)
    if i >= table.size - 1:
        return table[-1], 0.0
    slope = (table[i + 1] - table[i]) / 0.25
    return table[i] + slope * (m - 0.25 * i), slope


@njit(cache=True)
def _diffusivity(m, row, warm):
    fsp = row[FSP]
    free = row[FREE] / (1.0 + math.exp(-(m - fsp - 5.0) / 4.0)) if m > fsp - 20.0 else 0.0
    return row[D15] * warm * math.exp(row[RISE] * (min(m, fsp) - 15.0)) * (1.0 + free)


@njit(cache=True)
def _step(m, old, row, table, air, warm, film, h, face, work):
    """One implicit step of `h` seconds; m holds the cells and, last, the surface."""
    n = old.size
    half = row[HALF_M]
    low, mid, up, right, d = work[0], work[1], work[2], work[3], work[4]
    for _ in range(8):
        for i in range(n):
            d[i] = _diffusivity(m[i], row, warm)
        for i in range(n):
            low[i], mid[i], up[i], right[i] = 0.0, 1.0, 0.0, old[i]
        for i in range(n - 1):
            gap = 0.5 * (face[i + 2] - face[i]) * half
            c = h * 0.5 * (d[i] + d[i + 1]) / gap
            wide, next_wide = (face[i + 1] - face[i]) * half, (face[i + 2] - face[i + 1]) * half
            mid[i] += c / wide
            up[i] -= c / wide
            mid[i + 1] += c / next_wide
            low[i + 1] -= c / next_wide
        last = (face[n] - face[n - 1]) * half
        surface = m[n]
        inner = 0.5 * (d[n - 1] + _diffusivity(surface, row, warm)) / (0.5 * last)
        activity, slope = _look_up(table, surface)
        g = film * slope
        q = film * (activity - air) - g * surface
        mid[n - 1] += h * inner * g / (inner + g) / last
        right[n - 1] -= h * inner * q / (inner + g) / last
        for i in range(1, n):
            f = low[i] / mid[i - 1]
            mid[i] -= f * up[i - 1]
            right[i] -= f * right[i - 1]
        moved = 0.0
        for i in range(n - 1, -1, -1):
            new = right[i] / mid[i] if i == n - 1 else (right[i] - up[i] * m[i + 1]) / mid[i]
            moved = max(moved, abs(new - m[i]))
            m[i] = new
        new = min(max((inner * m[n - 1] - q) / (inner + g), 0.0), 200.0)
        moved = max(moved, abs(new - surface))
        m[n] = new
        if moved < 2e-3:
            break


@njit(cache=True)
def dry(state, rows, of_wood, start, tables, air, temp, first, last, face, out):
    """Carry `state` (rows, cells + 1) through the days first ... last - 1.

    `air` (woods, days) is the activity a of the air for each wood, `temp` (woods, days) the
    temperature [deg C]; a row begins at its day `start`. out[r, day] is the mean moisture at the
    beginning of each day (day = last included).
    """
    n = state.shape[1] - 1
    work = np.empty((5, n))
    old = np.empty(n)
    p20 = math.exp(17.625 * 20.0 / (20.0 + 243.04))
    for r in range(state.shape[0]):
        row, m = rows[r], state[r]
        for day in range(max(first, start[r]), last + 1):
            mean = 0.0
            for i in range(n):
                mean += m[i] * (face[i + 1] - face[i])
            out[r, day] = mean
            if day == last:
                break
            t = temp[of_wood[r], day]
            warm = math.exp(-row[ENERGY_K] * (1.0 / (t + 273.15) - 1.0 / 293.15))
            age = day - start[r]
            film = 30.0 * row[FILM] * math.exp(17.625 * t / (t + 243.04)) / p20
            if age >= row[WEAR_AT]:
                film *= row[WEAR]
            steps = 12 if age < 5 else (4 if age < 60 else 2)
            for _ in range(steps):
                old[:] = m[:n]
                _step(m, old, row, tables[of_wood[r]], air[of_wood[r], day], warm, film,
                      DAY_S / steps, face, work)  # fmt: skip
