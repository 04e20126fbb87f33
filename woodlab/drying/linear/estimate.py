"""Batch fit of single pieces under a linear law: every piece at once, NumPy only.

The model of a weighing is linear in c once the law's parameters u are given:

    mass(t) = c0 (1 + forced(t)/100) + c1 E(t) [+ c2 (1 - E(t))] + steps at events

c0 is the oven-dry mass [g], c1 the water at the start [g], c2 the oven-dry mass times an offset of
the equilibrium moisture. So c is solved inside, and only u (one to three numbers a piece) is
searched for: variable projection (Golub and Pereyra 1973, with Kaufman's (1975) simplification of
the Jacobian), by Levenberg and Marquardt in `search`. What is known beforehand enters as rows
beneath the weighings.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from woodlab.drying.laws import Law
from woodlab.drying.linear.pieces import Pieces, prepared
from woodlab.drying.linear.search import (
    Solved,
    columns,
    curves,
    damped_step,
    descend,
    first_guesses,
    free_parts,
    sigma_of,
    spread,
    times,
    turned,
)
from woodlab.errors import WoodlabError

CHUNK = 3400  # pieces that are fitted together: their arrays stay in the processor's cache
DECREMENT = 1e-6  # converged: the next step is below a thousandth of a standard error
ROUGHLY = 1e-3  # as near as the search for outliers needs the curve
SPIKE, SPIKE_AT_EDGE = 8.0, 16.0


@dataclass(frozen=True)
class LinearFits:
    """Estimates of n pieces under one law.

    Attributes
    ----------
    u : (n, P), what the law's `search` looked for
    oven_dry_g, start_moisture_pct : (n,)
    covariance : (n, P + 2, P + 2)
        Of (u, ln oven_dry_g, start_moisture_pct). NaN for a parameter at a bound, one that the
        weighings do not touch, and where no degree of freedom is left.
    air_offset_pct : (n,), the equilibrium at the piece less that of the air, where it was left open
    steps_g : (n, m), coefficients of the event columns
    sigma_g, dof : (n,)
        Standard deviation of a weighing and the degrees of freedom left, not whole numbers: a prior
        takes a part of a parameter.
    used : bool, (n, k), less those set aside as outliers
    fitted_g : (n, k)
    converged : bool, (n,)
        The next step is small beside the standard errors, and a degree of freedom is left.
    at_bound : bool, (n, P + 2), of (u, oven-dry mass, start moisture)
    """

    u: np.ndarray
    oven_dry_g: np.ndarray
    start_moisture_pct: np.ndarray
    covariance: np.ndarray
    air_offset_pct: np.ndarray
    steps_g: np.ndarray
    sigma_g: np.ndarray
    dof: np.ndarray
    used: np.ndarray
    fitted_g: np.ndarray
    converged: np.ndarray
    at_bound: np.ndarray


def fit_linear(law: Law, pieces: Pieces, *, most_outliers: int = 6) -> LinearFits:
    """Fit one linear law to every piece.

    At most `most_outliers` weighings of a piece are set aside; see `_stands_alone`.
    """
    if law.search is None:
        raise WoodlabError(f"The law {law.name!r} is not linear: its pieces are fitted by Season.")
    whole = prepared(law, pieces)
    parts = [
        _fit(law, whole.take(slice(begin, begin + CHUNK)), most_outliers)
        for begin in range(0, max(len(whole.days), 1), CHUNK)
    ]
    names = [f.name for f in fields(LinearFits)]
    return LinearFits(*(np.concatenate([getattr(p, name) for p in parts]) for name in names))


def _fit(law: Law, d: Pieces, most_outliers: int) -> LinearFits:
    """Search, set outliers aside, settle sigma and priors, then covariance and checks."""
    starts = first_guesses(law, d)
    u, least = starts[0], np.full(len(d.days), np.inf)
    for start in starts if len(starts) > 1 else ():  # part of the way; the best to the end
        there, _, s = descend(law, start, d, most=15, close=1e-4)
        miss = s.data + d.sigma**2 * s.penalty
        u = np.where((miss < least)[:, None], there, u)
        least = np.fmin(least, miss)
    u, d, s = descend(law, u, d, close=ROUGHLY)
    u, d, s = descend(law, *_without_outliers(law, u, d, s, most_outliers), settle=True)
    normal, gradient, stuck = free_parts(s, u, d)
    # Newton's decrement: the squared length of the next step in standard errors. Gradient and
    # step are both in it, and it asks the same of every parameter whatever its unit.
    step = damped_step(normal, gradient, np.zeros(len(u)))
    decrement = (gradient.T * step).sum(1) / d.sigma**2
    unit, dof = spread(s, d, stuck)
    settled = np.abs(sigma_of(s, d, dof) / d.sigma - 1) < 1e-3
    some_left = dof >= 1 - 1e-6
    covariance = _covariance(unit, s, d)
    covariance[~some_left] = np.nan
    dry, own = s.c[0], 2 + d.open_air
    return LinearFits(
        u, dry, 100 * s.c[1] / dry, covariance,
        100 * s.c[2] / dry if d.open_air else 0 * dry, s.c[own:].T, d.sigma, dof,
        d.weight > 0, fitted(law, u, replace(d, weight=np.ones(d.weight.shape)), s.c),
        (decrement < DECREMENT) & np.isfinite(decrement) & settled & some_left,
        np.concatenate([stuck, s.held]).T,
    )  # fmt: skip


def fitted(law: Law, u: np.ndarray, d: Pieces, c: np.ndarray) -> np.ndarray:
    """Mass [g] under the model, (n, k)."""
    out = np.zeros(d.days.shape)
    by = np.einsum("mn,mbn->bn", c, columns(d))
    for share, curve in zip(by, curves(law, u, d, slopes=False)[0], strict=True):
        out += share[:, None] * curve
    return out


def _covariance(unit: np.ndarray, s: Solved, d: Pieces) -> np.ndarray:
    """Of (u, ln oven-dry mass, start moisture), by the slopes of the last two in c; (n, ...)."""
    p = s.xj.shape[1]
    pick = unit[: p + 2, : p + 2] * d.sigma**2
    (dry, water), at = s.c[:2], np.arange(p)
    turn = np.zeros(pick.shape)
    turn[at, at], turn[p, p] = 1, 1 / dry
    turn[p + 1, p], turn[p + 1, p + 1] = -100 * water / dry**2, 100 / dry
    none = np.isnan(np.einsum("iin->in", pick))
    out = times(times(turn, np.nan_to_num(pick)), turned(turn))
    return np.where(none[:, None] | none, np.nan, out).transpose(2, 0, 1)


def _without_outliers(
    law: Law, u: np.ndarray, d: Pieces, s: Solved, most: int
) -> tuple[np.ndarray, Pieces]:
    """u and pieces once no weighing stands alone; one at a time is set aside, because beside a
    gross error its neighbours look odd, too."""
    u, weight = u.copy(), d.weight.copy()
    todo, now, c = np.arange(len(u)), d, s.c
    for _ in range(most):
        left = now.mass_g - fitted(law, u[todo], now, c)
        odd = _stands_alone(left, now.weight, now.floor_g)
        some = np.asarray(odd.any(1))
        if not some.any():
            break
        todo, odd = todo[some], odd[some]
        weight[todo] = np.where(odd, 0.0, weight[todo])
        now = now.take(some).using(weight[todo])
        u[todo], now, there = descend(law, u[todo], now, close=ROUGHLY)
        c = there.c
    return u, d.using(weight)


def _stands_alone(left: np.ndarray, w: np.ndarray, floor: np.ndarray) -> np.ndarray:
    """The one weighing of each piece (of seven or more) that is off the median of its four
    neighbours by more than eight times what is usual in the piece, at the ends of the record
    sixteen times. Local by intent: a law that does not fit leaves long waves in the residuals, and
    those are not the scale's fault.
    """
    n, k = left.shape
    count = (w > 0).sum(1)
    out = np.zeros((n, k), dtype=bool)
    if k < 7 or not n:
        return out
    place, full = np.arange(k), bool((count == k).all())
    many = count[: 1 if full else n, None]
    low = np.clip(place - 2, 0, np.maximum(many - 5, 0))
    near = low + np.arange(4)[:, None, None]
    near += near >= place  # the other four of the five
    if full:
        order, value = np.broadcast_to(place, (n, k)), left
        a, b, c, e = (left[:, m[0]] for m in near)
    else:
        order = np.argsort(w <= 0, axis=1, kind="stable")  # the used ones, in their order, in front
        value = np.take_along_axis(left, order, 1)
        a, b, c, e = (np.take_along_axis(value, np.minimum(m, k - 1), 1) for m in near)
    least = np.minimum(np.minimum(a, b), np.minimum(c, e))
    largest = np.maximum(np.maximum(a, b), np.maximum(c, e))
    off = np.abs(value - (a + b + c + e - least - largest) / 2)
    used = place < many
    score = off * (used / np.where((place < 2) | (place >= many - 2), SPIKE_AT_EDGE, SPIKE))
    worst = score.argmax(1)
    most = score[np.arange(n), worst]
    # more than the usual size (1.4826 times the median): more than half are below it, no sort
    below = (used & (off * 1.4826 < most[:, None])).sum(1)
    some = (most > floor) & (below > (count - 1) // 2) & (count >= 7)
    out[some, order[some, worst[some]]] = True
    return out
