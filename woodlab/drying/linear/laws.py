"""The linear drying laws: pure functions of working parameters u and time, with their slopes.

A linear law is a sum of first-order modes: with mode j of rate r_j and weight w_j (the weights
sum to one), each following du/dt = r_j (air - u), the moisture in constant air is

    M(t) = air + (start - air) E(t),    E(t) = sum_j w_j exp(-r_j t)

Arrays: u is (pieces n, parameters P); rates and weights are (modes J, n); slopes in u lead with
P. Time is in days, rates are per day, `half_m` is half the wall [m]. The plane sheet has both
faces open; Fo = D t/a^2, Biot number L = a S/D (Crank, The Mathematics of Diffusion, 1975,
pp. 47-60, after Newman).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import erfcx

SECONDS_PER_DAY = 86400.0
SLOWEST = 4 / np.pi**2  # 1 / (squared first root of a sheet with its faces at equilibrium)
SHORT = 0.04  # below this Fo the half-space form holds to 1e-11, above it seven modes do
EXACT_MODES = 8
# Modes beyond the exact ones go in groups, each group one mode (see `tail_nodes`).
GROUP_RATIO, GROUPS = 1.35, 9

Slopes = tuple[np.ndarray, np.ndarray]
Modes = tuple[np.ndarray, np.ndarray, Slopes]
Decay = tuple[np.ndarray, np.ndarray]


def exponential_modes(u: np.ndarray, half_m: np.ndarray, count: int) -> Modes:
    """One mode of rate 1/tau; u = ln tau [days]."""
    one = np.ones((1, len(u)))
    return -u.T, one, (-one[None], np.zeros((1, 1, len(u))))


def exponential_decay(u: np.ndarray, half_m: np.ndarray, t: np.ndarray) -> Decay:
    """E = exp(-t/tau); the slope in ln tau is (t/tau) E."""
    slope = np.exp(-u) * t
    decay = np.exp(-slope)
    slope *= decay
    return decay, slope[None]


def two_term_modes(u: np.ndarray, half_m: np.ndarray, count: int) -> Modes:
    """Two modes; u = ln tau_slow, ln(tau_slow/tau_fast), share of the fast mode."""
    zero, one = np.zeros(len(u)), np.ones(len(u))
    rate = np.stack([u[:, 1] - u[:, 0], -u[:, 0]])
    weight = np.stack([u[:, 2], 1 - u[:, 2]])
    d_rate = np.array([[-one, -one], [one, zero], [zero, zero]])
    d_weight = np.array([[zero, zero], [zero, zero], [one, -one]])
    return rate, weight, (d_rate, d_weight)


def two_term_decay(u: np.ndarray, half_m: np.ndarray, t: np.ndarray) -> Decay:
    """Sum of the two modes of `two_term_modes`."""
    ln_rate, weight, (d_rate, d_weight) = two_term_modes(u, half_m, 2)
    decay, slopes = np.zeros(t.shape), np.zeros((3, *t.shape))
    for j in range(2):
        x = np.exp(ln_rate[j])[:, None] * t
        mode = np.exp(-x)
        decay += weight[j, :, None] * mode
        slopes += d_weight[:, j, :, None] * mode
        slopes -= (weight[j] * d_rate[:, j])[..., None] * (x * mode)
    return decay, slopes


def stretched_decay(u: np.ndarray, half_m: np.ndarray, t: np.ndarray) -> Decay:
    """E = exp(-(t/tau)^shape), constant air only; u = ln tau [days], ln shape.

    Kohlrausch's form. It is no sum of a few modes: a piece in changing air has no state that it
    could carry from day to day.
    """
    shape = np.exp(u[:, 1:])
    ln_x = np.log(np.maximum(t, 1e-12)) - u[:, :1]
    power = np.where(t > 0, np.exp(np.minimum(shape * ln_x, 700.0)), 0.0)
    decay = np.exp(-power)
    slope = power * decay * shape
    return decay, np.stack([slope, -slope * ln_x])


def sheet_roots(biot: np.ndarray, n: np.ndarray) -> tuple[np.ndarray, ...]:
    """Squared roots s = b^2 of b tan b = L, weights, and the slopes of both in L; each (J, pieces).

    w = 2 L^2 / (b^2 (b^2 + L^2 + L)); for L infinite b = (n + 1/2) pi and w = 2/b^2 (Crank 1975,
    eqs 4.18 and 4.50). Newton's method on b - n pi - atan(L/b), whose slope is never below one,
    so that no root is jumped over (tan itself has a pole beside every root). `n` need not be
    whole: the equation then gives the root between two modes, which `tail_nodes` needs.
    """
    n = n[:, None] * np.pi
    if np.isinf(biot).all():
        square = (n + np.pi / 2 + np.zeros(biot.shape)) ** 2
        return square, 2 / square, 0 * square, 0 * square
    b = np.where(n == 0, np.sqrt(biot / (1 + biot * SLOWEST)), n + np.arctan(biot / (n + 0.5)))
    for _ in range(4):
        b -= (b - n - np.arctan2(biot, b)) / (1 + biot / (b * b + biot * biot))
    square = b * b
    total = square + biot * biot + biot
    weight = 2 / (square * (square / biot**2 + 1 + 1 / biot))
    turn = 2 * square / total  # ds/dL, from differentiating b tan b = L
    gain = weight * (2 / biot - 2 / total - (turn + 2 * biot + 1) / total)
    return square, weight, turn, gain


def tail_nodes(exact: int) -> tuple[np.ndarray, np.ndarray]:
    """Mode numbers and how many modes each stands for: `exact` single ones, then the groups.

    Weights fall off as 1/n^2, so the sum over a group from n = a to b is a midpoint rule in 1/n:
    one node at the harmonic mean of a and b, standing for node^2 (1/a - 1/b) modes; the last
    group reaches to infinity. Cutting the series instead leaves up to 0.036 points in the days
    after a change of air (own comparison with a dense sum).
    """
    edge = (exact - 0.5) * GROUP_RATIO ** np.arange(GROUPS)
    low, high = 1 / edge, np.append(1 / edge[1:], 0.0)
    node = 2 / (low + high)
    return np.append(np.arange(exact), node), np.append(np.ones(exact), node**2 * (low - high))


def sheet_modes(fo: np.ndarray, biot: np.ndarray, slopes: Slopes, count: int) -> Modes:
    """Modes of a plane sheet with its tail in groups; `fo` is Fo per day, `slopes` d(fo, L)/du."""
    n, width = tail_nodes(count)
    square, weight, turn, gain = sheet_roots(biot, n)
    weight, gain = weight * width[:, None], gain * width[:, None]
    # the weights sum to one: the midpoint rule of the tail is scaled to what is left over
    rest, tail = 1 - weight[:count].sum(0), weight[count:].sum(0)
    scale = rest / tail
    d_scale = (-gain[:count].sum(0) - scale * gain[count:].sum(0)) / tail
    gain[count:] = scale * gain[count:] + d_scale * weight[count:]
    weight[count:] *= scale
    d_fo, d_biot = slopes
    d_ln = (d_fo / fo)[:, None] + turn / square * d_biot[:, None]
    return np.log(square * fo), weight, (d_ln, gain * d_biot[:, None])


def sheet_decay(fo: np.ndarray, biot: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """E(Fo) of plane sheets, (n, k), and its slopes in Fo and in L.

    Above Fo = `SHORT` the modes. Below it they would have to be many (at Fo = 0 all), and the
    drying fronts of the two faces have not met: the half-space form with a film (Crank 1975, eq.
    3.37, integrated over the wall), E = 1 - (exp(x^2) erfc(x) - 1 + 2 x/sqrt(pi))/L, x = L
    sqrt(Fo); for L infinite E = 1 - 2 sqrt(Fo/pi).
    """
    early = fo < SHORT
    late = np.maximum(fo, SHORT)
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
    series = x * x * (1 - 4 / (3 * np.sqrt(np.pi)) * x + 0.5 * x * x)
    lost = np.where(x < 0.01, series, scaled - 1 + 2 / np.sqrt(np.pi) * x)
    decay[early], by_fo[early] = 1 - lost / b, -b * scaled
    by_biot[early] = (lost - 2 * x * x * scaled) / b**2
    return decay, by_fo, by_biot


def diffusion_numbers(u: np.ndarray, half_m: np.ndarray) -> tuple[np.ndarray, np.ndarray, Slopes]:
    """Fo per day and Biot number (infinite), and their slopes; u = ln D [m2/s]."""
    fo = np.exp(u[:, 0]) * SECONDS_PER_DAY / half_m**2
    return fo, np.full(len(u), np.inf), (fo[None], 0 * fo[None])


def film_numbers(u: np.ndarray, half_m: np.ndarray) -> tuple[np.ndarray, np.ndarray, Slopes]:
    """Fo per day and Biot number; u = ln T [days], ln L with T = a^2/(D b1^2), b1 the first root.

    T is the time constant of the slowest mode, which weighings fix well whatever L is: in (ln D,
    ln S) the valley of the least squares is long and bent, and slow to walk down.
    """
    biot = np.exp(u[:, 1])
    square, _, turn, _ = (row[0] for row in sheet_roots(biot, np.zeros(1)))
    fo = np.exp(-u[:, 0]) / square
    return fo, biot, (np.stack([-fo, -fo * turn * biot / square]), np.stack([0 * biot, biot]))


def diffusion_modes(u: np.ndarray, half_m: np.ndarray, count: int) -> Modes:
    """Modes of a plane sheet with its faces at equilibrium; u = ln D [m2/s]."""
    return sheet_modes(*diffusion_numbers(u, half_m), count)


def film_modes(u: np.ndarray, half_m: np.ndarray, count: int) -> Modes:
    """Modes of a plane sheet behind a film; u as for `film_numbers`."""
    return sheet_modes(*film_numbers(u, half_m), count)


def diffusion_decay(u: np.ndarray, half_m: np.ndarray, t: np.ndarray) -> Decay:
    """E and its slope in ln D."""
    fo, biot, _ = diffusion_numbers(u, half_m)
    reached = fo[:, None] * t
    decay, by_fo, _ = sheet_decay(reached, biot)
    return decay, (reached * by_fo)[None]


def film_decay(u: np.ndarray, half_m: np.ndarray, t: np.ndarray) -> Decay:
    """E and its slopes in ln T and ln L."""
    fo, biot, (d_fo, d_biot) = film_numbers(u, half_m)
    decay, by_fo, by_biot = sheet_decay(fo[:, None] * t, biot)
    by_fo *= t
    slopes = d_fo[:, :, None] * by_fo
    slopes[1] += d_biot[1, :, None] * by_biot
    return decay, slopes


@dataclass(frozen=True)
class LinearLaw:
    """A linear law as the batch fit needs it.

    Attributes
    ----------
    name : str
    parameters : tuple of str
        The working parameters u, in order.
    decay : callable
        `decay(u, half_m, t)` -> E (n, k) and its slopes (P, n, k).
    modes : callable or None
        `modes(u, half_m, count)` -> ln rates, weights (J, n), their slopes (P, J, n). None: the law
        holds in constant air only.
    starts : tuple of tuple of float
        Starting values by parameter; of the first, relative to ln of the record's length.
    lower, upper : tuple of float
        Bounds of u.
    searches : int
        From how many starting values the fit descends (more than one where the least squares have
        several minima).
    sheet : bool
        Whether E has a short-time form, beyond the sum of its modes.
    by_diffusivity : bool
        Whether the first parameter is ln D [m2/s] and not the ln of a time [days].
    """

    name: str
    parameters: tuple[str, ...]
    decay: Callable[[np.ndarray, np.ndarray, np.ndarray], Decay]
    modes: Callable[[np.ndarray, np.ndarray, int], Modes] | None
    starts: tuple[tuple[float, ...], ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    searches: int = 1
    sheet: bool = False
    by_diffusivity: bool = False

    def from_time(self, ln_days: np.ndarray, half_m: np.ndarray) -> np.ndarray:
        """The first parameter at which the slowest mode has a time constant of exp(`ln_days`)."""
        if not self.by_diffusivity:
            return ln_days
        return np.log(half_m**2 * SLOWEST / SECONDS_PER_DAY) - ln_days


_LN_TAU = float(np.log(0.05)), float(np.log(20000.0))  # days
_WIDE = (-3.5, -2.0, -0.5, 1.0)
_MIDDLE = (-3.5, -2.5, -1.5, -0.5, 0.5, 1.5)
LAWS = {
    law.name: law
    for law in (
        LinearLaw("exponential", ("ln_tau_days",), exponential_decay, exponential_modes,
                  (_WIDE,), _LN_TAU[:1], _LN_TAU[1:]),
        LinearLaw("two_term", ("ln_tau_slow_days", "ln_slow_to_fast", "fast_share"),
                  two_term_decay, two_term_modes,
                  ((-2.5, -1.5, -0.5, 0.5), (0.7, 1.8, 3.2), (0.2, 0.5, 0.8)),
                  (_LN_TAU[0], float(np.log(1.2)), 0.0), (_LN_TAU[1], float(np.log(200.0)), 1.0),
                  searches=4),
        LinearLaw("stretched", ("ln_tau_days", "ln_shape"), stretched_decay, None,
                  (_MIDDLE, (-0.5, 0.0, 0.35)),
                  (_LN_TAU[0], float(np.log(0.2))), (_LN_TAU[1], float(np.log(5.0)))),
        LinearLaw("diffusion", ("ln_diffusivity_m2_s",), diffusion_decay, diffusion_modes,
                  (_WIDE,), (float(np.log(1e-13)),), (float(np.log(1e-7)),), sheet=True,
                  by_diffusivity=True),
        LinearLaw("film", ("ln_time_days", "ln_biot"), film_decay, film_modes,
                  (_MIDDLE, (-2.0, 0.5, 3.0)),
                  (_LN_TAU[0], float(np.log(0.01))), (_LN_TAU[1], float(np.log(500.0))),
                  sheet=True),
    )
}  # fmt: skip
