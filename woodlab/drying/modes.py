"""Sums of first-order modes: the one mechanism behind the linear drying laws.

- Time is `days` since the piece's day 0 (the day it was turned). Rates are per day.
- Moisture is percent of oven-dry mass, mean over the wall.
- Air is a constant equilibrium moisture, or a `DailyAir`: one equilibrium moisture a day, held
  for the whole of that day. A piece's day 0 stands at `start` on the clock of the course.
- A mode is a pair (rate, weight); the weights of a piece sum to one. Each mode follows
  du/dt = rate (air - u), u(0) = start moisture, and the moisture is the weighted sum of the
  modes. With constant air this is

      M(t) = air + (start - air) E(t),    E(t) = sum_j weight_j exp(-rate_j t),

  and with changing air M(t) = start * E(t) + forced(t): linear in the start moisture, and,
  times the oven-dry mass, linear in both. The batch fit depends on that.
- The plane sheet: half-thickness a = wall/2, both faces open, Fo = D t/a^2, Biot number
  L = a S/D, roots b tan b = L, rate b^2 D/a^2, weight 2 L^2/(b^2 (b^2 + L^2 + L)).
  Source: Newman, and Crank, The Mathematics of Diffusion (1975), pp. 47-60.

Arrays: days are (pieces n, times k), `modes` are rates and weights (2, modes J, n). Slopes lead
with the P unknowns that they are in, `d_modes` is (P, 2, J, n); P may be zero.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import erfcx

from woodlab.errors import WoodlabError

SECONDS_PER_DAY = 86400.0
SLOWEST = 4 / np.pi**2  # 1 / (squared first root of a sheet with its faces at equilibrium)
SHORT_FO = 0.04  # below it the half-space form holds to 1e-11, above it seven modes do
EXACT_MODES = 8
# Modes beyond the exact ones go in groups, each group one mode (see `sheet_modes`).
GROUP_RATIO, GROUPS = 1.35, 9
_MOST_CELLS = 2_000_000  # days x modes x pieces that are stepped through together
Courses = tuple[np.ndarray, np.ndarray, np.ndarray]  # what `DailyAir.of` gives


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

    def of(self, pieces: int, last_day: ArrayLike = 0.0) -> Courses:
        """Courses, and each piece's course number and start; checks that the course reaches."""
        start = np.full(pieces, self.start, dtype=float)
        which = np.full(pieces, self.course, dtype=int)
        n_days, end = self.equilibrium_pct.shape[1], start + last_day
        if pieces and (start.min() < 0 or end.max() > n_days):
            raise WoodlabError(
                f"The course of air holds {n_days} days; times from {start.min():g} to "
                f"{end.max():g} were asked. Extend the course."
            )
        return np.ascontiguousarray(self.equilibrium_pct), which, start


Air = float | np.ndarray | DailyAir


def as_daily(air: Air, times: np.ndarray) -> DailyAir:
    """Air as daily courses; constant air becomes as many courses as there are values."""
    if isinstance(air, DailyAir):
        return air
    different, which = np.unique(np.asarray(air, dtype=float), return_inverse=True)
    length = int(np.ceil(times.max(initial=0.0))) + 1
    return DailyAir(np.repeat(different[:, None], length, axis=1), 0.0, which)


def mode_decay(
    days: np.ndarray, modes: np.ndarray, d_modes: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """E (n, k) of a sum of modes, and its slopes (P, n, k)."""
    decay, slopes = np.zeros(days.shape), np.zeros((len(d_modes), *days.shape))
    for j, (rate, weight) in enumerate(modes.transpose(1, 0, 2)[..., None]):
        mode = np.exp(-rate * days)
        decay += mode if (weight == 1).all() else weight * mode
        for slope, (d_rate, d_weight) in zip(slopes, d_modes[:, :, j, :, None], strict=True):
            if d_weight.any():
                slope += d_weight * mode
            slope -= (weight * d_rate) * (days * mode)
    return decay, slopes


def mode_forced(
    days: np.ndarray, modes: np.ndarray, d_modes: np.ndarray, air: Courses, *, past_first: bool
) -> tuple[np.ndarray, np.ndarray]:
    """What daily air brings to modes that began at zero, (n, k) [%], and its slopes (P, n, k).

    Over a stretch of constant air a mode makes the exact step u -> air + (u - air) exp(-rate h):
    the days since each piece's day 0 are walked once, all pieces and modes together. With
    `past_first` only the differences from the air of each piece's first day.
    """
    out, slopes = np.empty(days.shape), np.empty((len(d_modes), *days.shape))
    courses, which, start = air
    last = int(np.ceil(days.max(initial=0.0))) + 1
    size = max(1, _MOST_CELLS // (last * modes.shape[1]))
    for begin in range(0, len(days), size):
        at = slice(begin, begin + size)
        some = courses, which[at], start[at]
        out[at], slopes[:, at] = _walked(
            days[at], modes[..., at], d_modes[..., at], some, last, past_first
        )
    return out, slopes


def _walked(
    days: np.ndarray, modes: np.ndarray, d_modes: np.ndarray, air: Courses, last: int,
    past_first: bool,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """`mode_forced` of some pieces, over their first `last` days."""
    (rate, weight), (courses, which, start) = modes, air
    first, late = start.astype(int), start % 1
    zero = courses[which, first] if past_first else np.zeros(len(days))
    state = np.zeros((last + 1, *rate.shape))
    turn = np.zeros(state.shape)  # the state's slope in the rate
    keep = np.exp(-rate)
    for day in range(last):
        level = courses[which, np.minimum(first + day, courses.shape[1] - 1)] - zero
        gap = state[day] - level
        h = 1 - late if day == 0 else 1.0
        share = np.exp(-rate * h) if day == 0 else keep
        state[day + 1] = level + gap * share
        if len(d_modes):
            turn[day + 1] = (turn[day] - gap * h) * share
    day = np.minimum((late[:, None] + days).astype(int), last)
    row = np.arange(len(days))[:, None]
    h = np.where(day == 0, days, late[:, None] + days - day)
    now = courses[which[:, None], np.minimum(first[:, None] + day, courses.shape[1] - 1)]
    now = now - zero[:, None]
    out, slopes = np.zeros(days.shape), np.zeros((len(d_modes), *days.shape))
    for j in range(len(rate)):
        keep = np.exp(-rate[j, :, None] * h)
        gap = state[day, j, row] - now
        value = now + gap * keep
        out += weight[j, :, None] * value
        if len(d_modes):
            bend = weight[j, :, None] * ((turn[day, j, row] - gap * h) * keep)
            slopes += d_modes[:, 1, j, :, None] * value + d_modes[:, 0, j, :, None] * bend
    return out, slopes


def sheet_roots(biot: np.ndarray, n: np.ndarray) -> tuple[np.ndarray, ...]:
    """Squared roots s = b^2 of b tan b = L, weights, and the slopes of both in L; each (J, ...).

    w = 2 L^2 / (b^2 (b^2 + L^2 + L)); for L infinite b = (n + 1/2) pi and w = 2/b^2 (Crank 1975,
    eqs 4.18 and 4.50). Newton's method on b - n pi - atan(L/b), whose slope is never below one,
    so that no root is jumped over (tan itself has a pole beside every root). `n` need not be
    whole: the equation then gives the root between two modes, which `sheet_modes` needs.
    """
    n = np.reshape(n, (-1, *[1] * np.ndim(biot))) * np.pi
    if np.isinf(biot).all():
        square = (n + np.pi / 2 + np.zeros(np.shape(biot))) ** 2
        return square, 2 / square, 0 * square, 0 * square
    b = np.where(n == 0, np.sqrt(biot / (1 + biot * SLOWEST)), n + np.arctan(biot / (n + 0.5)))
    for _ in range(5):
        b -= (b - n - np.arctan2(biot, b)) / (1 + biot / (b * b + biot * biot))
    square = b * b
    total = square + biot * biot + biot
    weight = 2 / (square * (square / biot**2 + 1 + 1 / biot))
    turn = 2 * square / total  # ds/dL, from differentiating b tan b = L
    gain = weight * (2 / biot - 2 / total - (turn + 2 * biot + 1) / total)
    return square, weight, turn, gain


def sheet_modes(fo: np.ndarray, biot: np.ndarray) -> np.ndarray:
    """Modes of plane sheets with the tail of the series in groups; `fo` is Fo per day, (n,).

    Weights fall off as 1/n^2, so the sum over a group from n = a to b is a midpoint rule in 1/n:
    one node at the harmonic mean of a and b, standing for node^2 (1/a - 1/b) modes; the last
    group reaches to infinity, and all are scaled so that the weights sum to one. Cutting the series
    instead leaves up to 0.036 points in the days after a change of air (own comparison with a
    dense sum), this 0.001.
    """
    edge = (EXACT_MODES - 0.5) * GROUP_RATIO ** np.arange(GROUPS)
    low, high = 1 / edge, np.append(1 / edge[1:], 0.0)
    node = 2 / (low + high)
    square, weight, *_ = sheet_roots(biot, np.append(np.arange(EXACT_MODES), node))
    tail = weight[EXACT_MODES:] * (node**2 * (low - high))[:, None]
    tail *= (1 - weight[:EXACT_MODES].sum(0)) / tail.sum(0)
    return np.stack([square * fo, np.concatenate([weight[:EXACT_MODES], tail])])


def sheet_decay(fo: np.ndarray, biot: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """E(Fo) of plane sheets, (n, k), and its slopes in Fo and in L (n,).

    Above Fo = `SHORT_FO` the modes. Below it they would have to be many (at Fo = 0 all), and the
    drying fronts of the two faces have not met: the half-space form with a film (Crank 1975, eq.
    3.37, integrated over the wall), E = 1 - (exp(x^2) erfc(x) - 1 + 2 x/sqrt(pi))/L, x = L
    sqrt(Fo); for L infinite E = 1 - 2 sqrt(Fo/pi).
    """
    early = fo < SHORT_FO
    late = np.maximum(fo, SHORT_FO)
    first = late.min(0, initial=np.inf)
    decay, by_fo, by_biot = np.zeros((3, *fo.shape))
    film = not np.isinf(biot).all()
    for s, w, ds, dw in zip(*sheet_roots(biot, np.arange(7.0)), strict=True):
        # a fast mode is over in all but the first columns; exp(-36) is below rounding
        some = np.flatnonzero(s.min(initial=np.inf) * first < 36)
        if not some.size:
            break
        k = slice(0, some[-1] + 1)
        mode = np.exp(-s[:, None] * late[:, k])
        decay[:, k] += w[:, None] * mode
        by_fo[:, k] -= (w * s)[:, None] * mode
        if film:
            by_biot[:, k] += (dw[:, None] - (w * ds)[:, None] * late[:, k]) * mode
    if not early.any():
        return decay, by_fo, by_biot
    root = np.sqrt(fo[early])
    if not film:
        decay[early] = 1 - 2 / np.sqrt(np.pi) * root
        by_fo[early] = -1 / np.sqrt(np.pi) / np.maximum(root, 1e-9)
        return decay, by_fo, by_biot
    b = np.broadcast_to(biot[:, None], fo.shape)[early]
    x = b * root
    scaled = erfcx(x)
    # for small x the difference loses its digits: the series of erfcx in their place
    series = x * x * (1 + x * (-4 / (3 * np.sqrt(np.pi)) + x * (0.5 - x * 8 / 15 / np.sqrt(np.pi))))
    lost = np.where(x < 0.003, series, scaled - 1 + 2 / np.sqrt(np.pi) * x)
    decay[early], by_fo[early] = 1 - lost / b, -b * scaled
    by_biot[early] = (lost - 2 * x * x * scaled) / b**2
    return decay, by_fo, by_biot


def fo_per_day(diffusivity_m2_s: ArrayLike, half_m: ArrayLike) -> np.ndarray:
    """Fourier number gained in a day: D 86400/a^2, a half of the wall."""
    return np.asarray(diffusivity_m2_s, float) * SECONDS_PER_DAY / np.asarray(half_m, float) ** 2


def biot_number(
    surface_m_s: ArrayLike, diffusivity_m2_s: ArrayLike, half_m: ArrayLike
) -> np.ndarray:
    """Biot number L = a S/D: how much the inside of the wall holds back against its surface."""
    surface, half = np.asarray(surface_m_s, float), np.asarray(half_m, float)
    return surface * half / np.asarray(diffusivity_m2_s, float)
