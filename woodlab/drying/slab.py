"""The `slab` law: finite volumes, diffusivity rising with moisture, flux capped at saturation.

    dm/dt = d/dx (D(m) dm/dx),   0 < x < a = wall/2,   no flux at x = 0 (the middle),
    D(m) = D15 exp(rise (min(m, saturation) - 15)),
    flux at x = a:  S (min(m_surface, cap) - air),   cap = saturation unless switched off.

Symbols: m moisture [%], D15 diffusivity at 15 % moisture [m2/s], rise [1/%], S surface
coefficient [m/s] (a seal makes it small), air equilibrium moisture [%], daily.

Range: walls of 5 to 100 mm; S from 1e-11 m/s to infinity. Free water above saturation moves as
if by diffusion at the saturated diffusivity, which is a convenience, not physics.

Sources: the form of the equation, Crank, The Mathematics of Diffusion (1975). Rise 0.134 per
point: the diffusivity of aspen is eightfold from 2.5 to 18 % (Simpson, abstract; ln 8/15.5).
Saturation about 30 %: Wood Handbook GTR-190 p. 4-2. The size of S: estimates of our own.

It is the reference for the other laws: with rise 0 and the cap off it is `film`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from woodlab.drying.modes import SECONDS_PER_DAY, Air, DailyAir
from woodlab.errors import WoodlabError

REFERENCE_PCT = 15.0
RISE_PER_PCT = float(np.log(8) / 15.5)
SATURATION_PCT = 30.0
CELLS = 16
STEPS_PER_DAY = 1


@dataclass(frozen=True)
class SlabRun:
    """What `run_slab` gives.

    Attributes
    ----------
    moisture_pct : ndarray, (n, k)
        Mean moisture of the wall [%].
    difference_pct : ndarray, (n, k)
        Core less surface moisture [% points].
    largest_difference_pct : ndarray, (n,)
        Its largest value up to the last day asked.
    left_pct : ndarray, (n,)
        Moisture that left through the surface up to the last day asked, summed from the flux.
    profile_pct : ndarray, (n, k, cells), or None
        Moisture of the cells, from the middle of the wall to its surface.
    depth_mm : ndarray, (n, cells), or None
        Distance of the cells' middles from the surface.
    """

    moisture_pct: np.ndarray
    difference_pct: np.ndarray
    largest_difference_pct: np.ndarray
    left_pct: np.ndarray
    profile_pct: np.ndarray | None = None
    depth_mm: np.ndarray | None = None


def cell_widths(cells: int) -> np.ndarray:
    """Widths of the cells as shares of the half-thickness, finer toward the surface.

    Examples
    --------
    >>> cell_widths(4).round(3).tolist()
    [0.383, 0.324, 0.217, 0.076]
    """
    return np.diff(np.sin(np.linspace(0, np.pi / 2, cells + 1)))


def run_slab(
    days: ArrayLike,
    params: Mapping[str, ArrayLike],
    wall_mm: ArrayLike,
    air: Air,
    *,
    cells: int = CELLS,
    steps_per_day: int = STEPS_PER_DAY,
    profile: bool = False,
    cap: bool = True,
) -> SlabRun:
    """Dry many slabs at once, each in its own air.

    Parameters
    ----------
    days : array_like, (k,) or (n, k)
        Times since day 0, not decreasing along a row.
    params : mapping
        `start_moisture_pct`, `diffusivity_m2_s` (at 15 % moisture), `surface_m_s` (infinity for a
        surface at equilibrium); `rise_per_pct` and `fibre_saturation_pct` if other than 0.134 and
        30. Each a number or one per piece.
    wall_mm : array_like, (n,)
        Thickness of the wall [mm], both faces open.
    air : float, array_like (n,), or DailyAir
        Equilibrium moisture [%].
    cells, steps_per_day : int
        Cells over the half-thickness, and time steps a day (the first days
        have more, in the same proportion).
    profile : bool
        Keep the profile at the days asked.
    cap : bool
        Cap the surface flux at fibre saturation.

    Returns
    -------
    SlabRun

    Examples
    --------
    >>> wet = {"start_moisture_pct": 60, "diffusivity_m2_s": 5e-11, "surface_m_s": 1e-8}
    >>> run = run_slab([0, 30, 365], wet, 25.0, 12.0)
    >>> run.moisture_pct[0].round(0).tolist()[::2]
    [60.0, 12.0]
    """
    from woodlab.drying import slab_kernels

    times, walls, values = broadcast(days, params, wall_mm, air)
    pieces, count = times.shape
    half_m = walls / 2000.0
    rise = _per_piece(values.get("rise_per_pct", RISE_PER_PCT), pieces)
    saturation = _per_piece(values.get("fibre_saturation_pct", SATURATION_PCT), pieces)
    base = values["diffusivity_m2_s"] * SECONDS_PER_DAY / half_m**2 * np.exp(-rise * REFERENCE_PCT)
    surface = values["surface_m_s"] * SECONDS_PER_DAY / half_m
    daily = as_daily(air, times)
    courses, which, start = daily.of(pieces, times.max(axis=1, initial=0.0))
    width = cell_widths(cells)
    mean, difference = np.empty((pieces, count)), np.empty((pieces, count))
    shape = (pieces, count, cells) if profile else (pieces, 1, 1)
    shaped, most, left = np.empty(shape), np.empty(pieces), np.empty(pieces)
    slab_kernels.run_many(
        times, values["start_moisture_pct"], base, surface, rise, saturation,
        saturation if cap else np.full(pieces, np.inf), courses, which, start, width,
        float(steps_per_day), mean, difference, shaped, profile, most, left,
    )  # fmt: skip
    if not profile:
        return SlabRun(mean, difference, most, left)
    centres = np.cumsum(width) - width / 2
    depth = half_m[:, None] * 1000 * (1 - centres)[None, :]
    return SlabRun(mean, difference, most, left, shaped, depth)


def _per_piece(value: ArrayLike, pieces: int) -> np.ndarray:
    return np.ascontiguousarray(np.broadcast_to(np.asarray(value, dtype=float), (pieces,)))


def broadcast(
    days: ArrayLike, params: Mapping[str, ArrayLike], wall_mm: ArrayLike, air: Air
) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Times (n, k), walls (n,) and parameters (n,) of one common number of pieces."""
    times = np.atleast_2d(np.asarray(days, dtype=float))
    parts = [np.asarray(value, dtype=float) for value in params.values()]
    parts.append(np.asarray(wall_mm, dtype=float))
    if isinstance(air, DailyAir):
        parts += [np.asarray(air.start, dtype=float), np.asarray(air.course, dtype=float)]
    else:
        parts.append(np.asarray(air, dtype=float))
    try:
        (pieces,) = np.broadcast_shapes((times.shape[0],), *(np.atleast_1d(p).shape for p in parts))
    except ValueError as error:
        raise WoodlabError(
            "days, parameters, wall_mm and air must have one row or one value a piece, "
            f"found {[p.shape for p in (times, *parts)]}."
        ) from error
    times = np.ascontiguousarray(np.broadcast_to(times, (pieces, times.shape[1])))
    if times.size and (not np.isfinite(times).all() or times.min() < 0):
        raise WoodlabError("days must be finite and not negative: 0 is the day of turning.")
    if (np.diff(times, axis=1) < 0).any():
        raise WoodlabError("days must not decrease along a row. Sort them first.")
    values = {name: _per_piece(value, pieces) for name, value in params.items()}
    return times, _per_piece(wall_mm, pieces), values


def as_daily(air: Air, times: np.ndarray) -> DailyAir:
    """Air as daily courses; constant air becomes as many courses as there are values."""
    if isinstance(air, DailyAir):
        return air
    level = np.asarray(air, dtype=float)
    length = int(np.ceil(times.max(initial=0.0))) + 1
    if level.ndim == 0:
        return DailyAir(np.full((1, length), float(level)))
    different, which = np.unique(level, return_inverse=True)
    return DailyAir(np.repeat(different[:, None], length, axis=1), 0.0, which)
