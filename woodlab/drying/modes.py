"""Sums of first-order modes: the one mechanism behind the linear drying laws.

Conventions of this room
------------------------
- Time is `days` since the piece's day 0 (the day it was turned). Rates are per day.
- Moisture is percent of oven-dry mass, mean over the wall unless a profile is meant.
- Air is a constant equilibrium moisture, or a `DailyAir`: one equilibrium moisture a day, held
  for the whole of that day. A piece's day 0 stands at `start` on the clock of the course.
- A mode is a pair (rate, weight); the weights of a piece sum to one. Each mode follows
  du/dt = rate (air - u), u(0) = start moisture, and the moisture is the weighted sum of the
  modes. With constant air this is

      M(t) = air + (start - air) E(t),    E(t) = sum_j weight_j exp(-rate_j t),

  and with changing air M(t) = start * decay(t) + forced(t): linear in the start moisture, and,
  times the oven-dry mass, linear in both. The batch fit depends on that.
- The plane sheet: half-thickness a = wall/2, both faces open, Fo = D t/a^2, Biot number
  L = a S/D, roots b tan b = L, rate b^2 D/a^2, weight 2 L^2/(b^2 (b^2 + L^2 + L)).
  Source: Newman, and Crank, The Mathematics of Diffusion (1975), pp. 47-60.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import erfcx

from woodlab.errors import WoodlabError

SECONDS_PER_DAY = 86400.0


@dataclass(frozen=True)
class DailyAir:
    """Equilibrium moisture by day, one course or several, and where each piece begins in it.

    Attributes
    ----------
    equilibrium_pct : ndarray, (n_days,) or (n_courses, n_days)
        Equilibrium moisture [% of oven-dry mass], each held from its day's beginning to its end.
    start : float or ndarray (n_pieces,)
        Course time [days] of each piece's day 0; 0 is the beginning of the course.
    course : int or ndarray (n_pieces,)
        Which course each piece stands in.
    """

    equilibrium_pct: np.ndarray
    start: ArrayLike = 0.0
    course: ArrayLike = field(default=0)

    def __post_init__(self) -> None:
        courses = np.atleast_2d(np.asarray(self.equilibrium_pct, dtype=float))
        if courses.shape[1] == 0 or not np.isfinite(courses).all():
            raise WoodlabError(
                "A course of air needs a finite equilibrium moisture for every day. "
                "Fill the gaps first: see woodlab.drying.air_course."
            )
        object.__setattr__(self, "equilibrium_pct", courses)

    def of(
        self, pieces: int, last_day: ArrayLike = 0.0
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Courses, and each piece's course number and start; checks that the course reaches."""
        start = np.ascontiguousarray(np.broadcast_to(np.asarray(self.start, float), (pieces,)))
        which = np.ascontiguousarray(np.broadcast_to(np.asarray(self.course, int), (pieces,)))
        n_courses, n_days = self.equilibrium_pct.shape
        end = start + last_day
        if pieces and (start.min() < 0 or end.max() > n_days):
            raise WoodlabError(
                f"The course of air holds {n_days} days; times from {start.min():g} to "
                f"{end.max():g} were asked. Extend the course."
            )
        if pieces and (which.min() < 0 or which.max() >= n_courses):
            raise WoodlabError(f"There are {n_courses} courses of air; number {which.max()} is not")
        return np.ascontiguousarray(self.equilibrium_pct), which, start


Air = float | np.ndarray | DailyAir


def plane_sheet_roots(biot: ArrayLike, count: int) -> np.ndarray:
    """The first roots of b tan b = biot, for many Biot numbers at once.

    Newton's method on b - n pi - atan(biot/b), whose slope is never below one: right to 1e-12
    for Biot numbers from 1e-4 to 1e5.

    Parameters
    ----------
    biot : array_like, (n,)
        Biot numbers, above zero.
    count : int
        How many roots.

    Returns
    -------
    ndarray, (n, count)

    Raises
    ------
    WoodlabError
        If a Biot number is not above zero.

    Examples
    --------
    >>> plane_sheet_roots([1.0], 2).round(4).tolist()
    [[0.8603, 3.4256]]
    """
    number = np.atleast_1d(np.asarray(biot, dtype=float))[:, None]
    if not (number > 0).all():
        raise WoodlabError(f"A Biot number must be above zero (found {number.min():g}).")
    floor = np.pi * np.arange(count)[None, :]
    with np.errstate(divide="ignore"):
        first = np.sqrt(number / (1 + number * 4 / np.pi**2))
        root = np.where(floor == 0, first, floor + np.arctan(number / (floor + 0.5)))
    for _ in range(8):
        miss = root - floor - np.arctan2(number, root)
        root = root - miss / (1 + number / (root**2 + number**2))
    return root


def plane_sheet_modes(
    fo_per_day: ArrayLike, biot: ArrayLike, count: int
) -> tuple[np.ndarray, np.ndarray]:
    """Rates [1/day] and weights of the first modes of plane sheets; each (n, count).

    A Biot number of infinity gives surfaces at equilibrium: roots (n + 1/2) pi.

    Examples
    --------
    >>> rates, weights = plane_sheet_modes(0.01, np.inf, 200)
    >>> float(weights.sum().round(3))
    0.999
    """
    fo, number = np.broadcast_arrays(np.atleast_1d(fo_per_day), np.atleast_1d(biot))
    number = number.astype(float)[:, None]
    open_faces = np.isinf(number)
    finite = np.where(open_faces, 1.0, number)
    roots = np.where(
        open_faces, (np.arange(count) + 0.5) * np.pi, plane_sheet_roots(finite[:, 0], count)
    )
    weights = np.where(
        open_faces,
        2 / roots**2,
        2 / (roots**2 * ((roots / finite) ** 2 + 1 + 1 / finite)),
    )
    return roots**2 * fo[:, None], weights


SHORT_FO = 0.04  # below it the half-space form: 40 modes would not do, and it errs below 1e-11
MODES = 40  # above it: the 40th has fallen below 1e-200


def sheet_remaining(fo: ArrayLike, biot: ArrayLike = np.inf) -> np.ndarray:
    """E(Fo): the share of the change still to come, mean over the wall, in constant air.

    The half-space form below Fo = 0.04 (its error there is below 1e-11), the modes above.

    Parameters
    ----------
    fo : array_like
        Fourier number D t/a^2, a the half-thickness.
    biot : array_like
        a S/D, infinity for surfaces at equilibrium; broadcast against `fo`.

    Examples
    --------
    >>> round(float(1 - sheet_remaining(0.125)), 6)
    0.398928
    """
    number, biots = np.broadcast_arrays(np.asarray(fo, float), np.asarray(biot, float))
    flat_fo, flat_biot = number.ravel(), biots.ravel()
    out = np.empty(flat_fo.size)
    early = flat_fo < SHORT_FO
    out[early] = _half_space(flat_fo[early], flat_biot[early])
    # many rows share a Biot number (the times of one piece): its roots are found once
    different, of = np.unique(flat_biot[~early], return_inverse=True)
    if different.size:
        rates, weights = plane_sheet_modes(1.0, different, MODES)
        late, at = np.flatnonzero(~early), 0
        for part in np.array_split(late, late.size // 20000 + 1):
            mine = of[at : at + part.size]
            at += part.size
            out[part] = (weights[mine] * np.exp(-rates[mine] * flat_fo[part, None])).sum(axis=1)
    return out.reshape(number.shape)


def _half_space(fo: np.ndarray, biot: np.ndarray) -> np.ndarray:
    """E while the change has not reached the middle: what a half-space with a film has lost.

    1 - E = (exp(x^2) erfc(x) - 1 + 2 x/sqrt(pi))/biot with x = biot sqrt(Fo) (Crank 1975, p. 36);
    its Taylor series where x is small, since the three terms cancel to x^2 there.
    """
    root = np.sqrt(fo)
    out = 1 - 2 * root / np.sqrt(np.pi)
    film = np.isfinite(biot)
    x, b = biot[film] * root[film], biot[film]
    series = x**2 * (
        1 - 4 / (3 * np.sqrt(np.pi)) * x + 0.5 * x**2 - 8 / (15 * np.sqrt(np.pi)) * x**3
    )
    lost = np.where(x < 0.003, series, erfcx(x) - 1 + 2 / np.sqrt(np.pi) * x)
    out[film] = 1 - lost / b
    return out


def drive_modes(
    days: np.ndarray, rates: np.ndarray, weights: np.ndarray, air: DailyAir
) -> tuple[np.ndarray, np.ndarray]:
    """decay(t) and forced(t) of given modes in daily air: M = start * decay + forced.

    Over a stretch of constant air a mode makes the exact step u -> E + (u - E) exp(-rate h), so
    the days are walked once, all pieces and modes together.

    Parameters
    ----------
    days : ndarray, (n, k)
        Times, not decreasing along a row.
    rates, weights : ndarray, (n, modes)
        Rates [1/day] and weights; the weights of a piece sum to one.
    air : DailyAir

    Returns
    -------
    decay, forced : ndarray, (n, k)
        Shares of the start moisture [1], and what the air has brought [%].
    """
    courses, which, start = air.of(len(days), days.max(axis=1, initial=0.0))
    decay = np.einsum("nj,njk->nk", weights, np.exp(-rates[:, :, None] * days[:, None, :]))
    forced = np.zeros(days.shape)
    at = start[:, None] + days
    day_of = np.minimum(np.floor(at).astype(int), courses.shape[1] - 1)
    order = np.argsort(day_of, axis=None, kind="stable")
    due = np.searchsorted(day_of.ravel()[order], np.arange(courses.shape[1] + 1))
    whole = np.exp(-rates)
    u = np.zeros(rates.shape)
    first, last = int(start.min(initial=0)), int(day_of.max(initial=0))
    for day in range(first, last + 1):
        level = courses[which, day][:, None]
        cells = order[due[day] : due[day + 1]]
        if cells.size:
            row, column = np.divmod(cells, days.shape[1])
            h = at[row, column] - np.maximum(float(day), start[row])
            ahead = level[row] + (u[row] - level[row]) * np.exp(-rates[row] * h[:, None])
            forced[row, column] = (weights[row] * ahead).sum(axis=1)
        inside = start < day + 1
        part = np.where((start > day) & inside, day + 1 - start, 1.0)[:, None]
        step = np.where(part == 1.0, whole, np.exp(-rates * part))
        u = np.where(inside[:, None], level + (u - level) * step, u)
    return decay, forced


def drive_sheet(
    days: np.ndarray, fo_per_day: np.ndarray, biot: np.ndarray, air: DailyAir
) -> tuple[np.ndarray, np.ndarray]:
    """decay(t) and forced(t) of plane sheets in daily air; see `drive_modes`.

    By superposition (Duhamel): each change of the air from one day to the next begins a response
    1 - E of its own. Exact at all times, where a sum of modes would need hundreds of them early on.
    """
    courses, which, start = air.of(len(days), days.max(axis=1, initial=0.0))
    fo, number = np.asarray(fo_per_day, float), np.asarray(biot, float)
    decay = sheet_remaining(fo[:, None] * days, number[:, None])
    forced = np.empty(days.shape)
    for row in range(len(days)):
        first, last = int(start[row]), int(start[row] + days[row].max(initial=0.0))
        level = courses[which[row], first : last + 1]
        since = days[row][:, None] + start[row] - np.arange(first + 1, last + 1)
        gone = 1 - sheet_remaining(fo[row] * np.maximum(since, 0.0), number[row])
        forced[row] = level[0] * (1 - decay[row]) + gone @ np.diff(level)
    return decay, forced


def fo_per_day(diffusivity_m2_s: ArrayLike, wall_mm: ArrayLike) -> np.ndarray:
    """Fourier number gained in a day: D 86400/a^2 with a = wall/2.

    Examples
    --------
    >>> float(fo_per_day(1e-10, 25.0).round(6))
    0.055296
    """
    half_m = np.asarray(wall_mm, dtype=float) / 2000.0
    return np.asarray(diffusivity_m2_s, dtype=float) * SECONDS_PER_DAY / half_m**2


def biot_number(
    surface_m_s: ArrayLike, diffusivity_m2_s: ArrayLike, wall_mm: ArrayLike
) -> np.ndarray:
    """Biot number L = a S/D: how much the inside of the wall holds back against its surface.

    Examples
    --------
    >>> float(biot_number(1e-8, 1e-10, 25.0).round(6))
    1.25
    """
    half_m = np.asarray(wall_mm, dtype=float) / 2000.0
    return np.asarray(surface_m_s, float) * half_m / np.asarray(diffusivity_m2_s, float)
