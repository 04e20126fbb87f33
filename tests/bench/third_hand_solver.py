"""How a wall dries in the third simulator: finite volumes and an implicit step of two stages.

A plane wall, both faces alike, from its middle (x = 0) to a surface (x = half its thickness):

    dm/dt = d/dx (D(m) dm/dx),    no flux at the middle,    -D dm/dx = q(surface, air) outside

with m the moisture [% of oven-dry mass] and q the flux over the dry density [% m/s]. `pace` and
`flux` say how D and q depend on moisture in the three worlds. Cells are finer towards the surface;
the moisture of the surface itself, half a cell outside the last centre, is solved for with them.
A step is diagonally implicit in two stages (second order, L-stable), each stage made linear in the
surface flux and repeated until nothing moves by more than 1e-4 points. Each day's air holds from
one midnight to the next.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

FILM, SLAB, PLATEAUS = 1, 2, 3
EXPONENTIAL, STRAIGHT, SQUARE = 0, 1, 2
CELLS = 32
DAY_S = 86400.0
STAGE = 1.0 - 1.0 / np.sqrt(2.0)  # share of the step at which the first stage stands


class Form(NamedTuple):
    """How diffusivity and flux depend on moisture. A world reads only what it names.

    Film: nothing. Slab: `shape` and `rise`, the diffusivity at 30 % over that at 6 %, up to
    `stops_pct`. Two plateaus: `rise`, the upper plateau over the lower, the `middle_pct` and
    `width_pct` of the passage between them, `shut`, the surface coefficient of bone-dry wood over
    that of wet wood, and `rounding_pct`, over how many points the cap at `cap_pct` is rounded.
    """

    world: int
    cap_pct: float
    shape: int = EXPONENTIAL
    rise: float = 1.0
    stops_pct: float = 0.0
    middle_pct: float = 0.0
    width_pct: float = 1.0
    shut: float = 1.0
    rounding_pct: float = 1.0


class Wall(NamedTuple):
    """Cell widths and distances of centres [m], half the thickness [m], the diffusivity at pace 1
    [m2/s], the surface coefficient of wet wood [m/s], and the form."""

    width_m: np.ndarray
    gap_m: np.ndarray
    half_m: float
    m2_s: float
    film_m_s: float
    form: Form


def make_wall(wall_mm: float, m2_s: float, film_m_s: float, form: Form, cells: int = CELLS) -> Wall:
    """A wall in cells whose faces stand at 1 - (1 - i/cells)^1.7 of the half thickness."""
    half = wall_mm / 2000.0
    face = 1.0 - (1.0 - np.linspace(0, 1, cells + 1)) ** 1.7
    width = (face[1:] - face[:-1]) * half
    gap = 0.5 * (width[:-1] + width[1:])
    return Wall(width, gap, half, m2_s, film_m_s, form)


@njit
def pace(m, form):
    """Diffusivity over its reference: that at 20 % in a slab, the lower plateau with two.

    Film: 1. Slab, with x = m between 0 and `stops_pct` and r = `rise`: r^((x - 20)/24), or
    1 + (r - 1)(x - 6)/24, or 1 + (r - 1)(x^2 - 36)/864, the last two no less than 0.05 and over
    their value at 20 %. Two plateaus: 1 + (r - 1)/(1 + exp(-(m - middle)/width)).
    """
    if form.world == FILM:
        return 1.0
    r = form.rise
    if form.world == PLATEAUS:
        return 1.0 + (r - 1.0) / (1.0 + np.exp(-(m - form.middle_pct) / form.width_pct))
    x = min(max(m, 0.0), form.stops_pct)
    if form.shape == EXPONENTIAL:
        return np.exp(np.log(r) * (x - 20.0) / 24.0)
    if form.shape == STRAIGHT:
        s = (r - 1.0) / 24.0
        return max(0.05, 1.0 + s * (x - 6.0)) / (1.0 + s * 14.0)
    s = (r - 1.0) / (30.0**2 - 6.0**2)
    return max(0.05, 1.0 + s * (x * x - 36.0)) / (1.0 + s * (400.0 - 36.0))


@njit
def _capped(m, form):
    """min(m, cap) with its corner rounded."""
    z = (m - form.cap_pct) / form.rounding_pct
    if z > 30.0:
        return form.cap_pct
    return m - form.rounding_pct * np.log1p(np.exp(z))


@njit
def flux(surface, air, film, form):
    """Flux out of a surface [% m/s] and its slope in the surface's moisture [m/s].

    Film: S (m - air). Slab: S (min(m, cap) - air). Two plateaus: S k (c(m) - c(air)) with c the
    rounded cap and k = shut + (1 - shut) min(m, cap)/cap.
    """
    if form.world == FILM:
        return film * (surface - air), film
    cap = form.cap_pct
    if form.world == SLAB:
        if surface < cap:
            return film * (surface - air), film
        return film * (cap - air), 0.0
    drive = _capped(surface, form) - _capped(air, form)
    z = (surface - cap) / form.rounding_pct
    drive_slope = 1.0 / (1.0 + np.exp(z)) if z < 30.0 else 0.0
    open_film = film
    open_slope = 0.0
    if surface < cap:
        open_film = film * (form.shut + (1.0 - form.shut) * surface / cap)
        open_slope = film * (1.0 - form.shut) / cap
    return open_film * drive, open_slope * drive + open_film * drive_slope


@njit
def _stage(base, surface, h, air, wall, work, m):
    """Solve m = base + h (what flows into each cell at m); `m` holds the first guess, then the
    answer. Gives the flux out [% m/s] and the moisture of the surface."""
    n = base.size
    low, mid, up, right, d = work[0], work[1], work[2], work[3], work[4]
    out = 0.0
    for _ in range(25):
        for i in range(n):
            d[i] = wall.m2_s * pace(m[i], wall.form)
            low[i] = 0.0
            mid[i] = 1.0
            up[i] = 0.0
            right[i] = base[i]
        for i in range(n - 1):
            c = h * 0.5 * (d[i] + d[i + 1]) / wall.gap_m[i]
            mid[i] += c / wall.width_m[i]
            up[i] -= c / wall.width_m[i]
            mid[i + 1] += c / wall.width_m[i + 1]
            low[i + 1] -= c / wall.width_m[i + 1]
        # what reaches the surface leaves it: inner (m[n-1] - s) = q + slope (s - surface), so that
        # the flux is share * m[n-1] + rest once the new surface moisture s is eliminated
        q, slope = flux(surface, air, wall.film_m_s, wall.form)
        d_surface = wall.m2_s * pace(surface, wall.form)
        inner = 0.5 * (d[n - 1] + d_surface) / (0.5 * wall.width_m[n - 1])
        share = inner * slope / (inner + slope)
        rest = inner * (q - slope * surface) / (inner + slope)
        mid[n - 1] += h * share / wall.width_m[n - 1]
        right[n - 1] -= h * rest / wall.width_m[n - 1]
        for i in range(1, n):
            f = low[i] / mid[i - 1]
            mid[i] -= f * up[i - 1]
            right[i] -= f * right[i - 1]
        new = right[n - 1] / mid[n - 1]
        moved = abs(new - m[n - 1])
        m[n - 1] = new
        for i in range(n - 2, -1, -1):
            new = (right[i] - up[i] * m[i + 1]) / mid[i]
            moved = max(moved, abs(new - m[i]))
            m[i] = new
        out = share * m[n - 1] + rest
        new = (inner * m[n - 1] - q + slope * surface) / (inner + slope)
        moved = max(moved, abs(new - surface))
        surface = new
        if wall.form.world == FILM or moved < 1e-4:
            break
    return out, surface


@njit
def dry(start_pct, air_pct, wall, steps_a_day=8, first_day_steps=48):
    """Mean moisture at the end of each day of `air_pct` [%], from an even wall at `start_pct`, and
    what has left through the surface by the end [% of the wall's oven-dry mass]."""
    n = wall.width_m.size
    m = np.full(n, start_pct)
    first = np.empty(n)
    base = np.empty(n)
    work = np.empty((5, n))
    mean = np.empty(air_pct.size)
    surface = start_pct
    left = 0.0
    for day in range(air_pct.size):
        steps = first_day_steps if day == 0 else steps_a_day
        h = DAY_S / steps
        air = air_pct[day]
        for _ in range(steps):
            first[:] = m
            q1, surface = _stage(m, surface, STAGE * h, air, wall, work, first)
            for i in range(n):
                base[i] = m[i] + (1.0 - STAGE) / STAGE * (first[i] - m[i])
            m[:] = first
            q2, surface = _stage(base, surface, STAGE * h, air, wall, work, m)
            left += h * ((1.0 - STAGE) * q1 + STAGE * q2) / wall.half_m
        total = 0.0
        for i in range(n):
            total += m[i] * wall.width_m[i]
        mean[day] = total / wall.half_m
    return mean, left
