"""Variable projection for many pieces at once: the model, its linear part, and the descent.

The weighings enter only through the dot products of a few curves a piece: 1, E, what the air has
brought, the slopes of both in u, steps at events, and the masses. All else is algebra on small
matrices, one a piece.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from woodlab.drying.laws import Law
from woodlab.drying.laws.law import Values
from woodlab.drying.linear.pieces import Pieces

MOST_STEP = 2.0
STARTS_SEE = 8  # weighings that the starting grid looks at
CLOSE = 1e-10  # of the variance: the squared next step, in standard errors, that is no step
STEADY = 1e-4  # of sigma


class Products(NamedTuple):
    """Dot products over the weighings of curves (B), their slopes in u (Q) and the masses y."""

    bb: np.ndarray
    bs: np.ndarray
    ss: np.ndarray
    by: np.ndarray
    sy: np.ndarray
    yy: np.ndarray


class Solved(NamedTuple):
    """At some u, with the linear part solved.

    c (n, M), the inverse of its normal matrix (n, M, M), which of oven-dry mass and water to
    oven-dry mass are held at a limit (n, 2); squares of the weighings' residuals and of what the
    priors miss by, in standard deviations (n,); gradient and normal matrix in u; and the parts of
    the whole normal matrix: columns x, slopes j, rows of the priors.
    """

    c: np.ndarray
    inverse: np.ndarray
    held: np.ndarray
    data: np.ndarray
    penalty: np.ndarray
    gradient: np.ndarray
    normal: np.ndarray
    xx: np.ndarray
    xj: np.ndarray
    jj: np.ndarray
    known: np.ndarray


def curves(
    law: Law, u: np.ndarray, d: Pieces, *, slopes: bool = True
) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """1, E, (what daily air has brought,) events, each (n, k) and 0 where no weighing is used;
    and the slopes of E (and of what the air has brought) in u."""
    search = law.search
    assert search is not None
    fixed = search.values(u, d.half_m)

    def of(x: np.ndarray) -> Values:
        return search.values(x, d.half_m) if slopes else fixed

    x = u if slopes else np.empty((len(u), 0))
    decay = law.decay(of, x, d.half_m, d.days)
    base, turns = [d.weight, decay[0]], [*decay[1]]
    if d.courses is not None:
        forced = law.forced(of, x, d.half_m, d.days, d.air, decay)
        base, turns = [*base, forced[0]], [*turns, *forced[1]]
    if not d.weight.all():
        base = [base[0], *(b * d.weight for b in base[1:])]
        turns = [t * d.weight for t in turns]
    return [*base, *(d.events[:, j] * d.weight for j in range(d.events.shape[1]))], turns


def products(base: list[np.ndarray], slopes: list[np.ndarray], y: np.ndarray) -> Products:
    every = [*base, *slopes, y]
    out = np.empty((len(y), len(every), len(every)))
    for a, left in enumerate(every):
        for b, right in enumerate(every[a:], a):
            out[:, a, b] = out[:, b, a] = np.einsum("nk,nk->n", left, right)
    b = len(base)
    return Products(
        out[:, :b, :b], out[:, :b, b:-1], out[:, b:-1, b:-1], out[:, :b, -1], out[:, b:-1, -1],
        out[:, -1, -1],
    )  # fmt: skip


def columns(d: Pieces) -> np.ndarray:
    """Columns of the model in the curves, (n, M, B): of oven-dry mass, water, offset, events.

    mass = c0 (1 + forced/100) + c1 E [+ c2 (1 - E)] + steps,   forced = level (1 - E) or daily
    """
    n, m, driven = len(d.days), d.events.shape[1], d.courses is not None
    own = 2 + d.open_air
    out = np.zeros((n, own + m, 2 + driven + m))
    out[:, 0, 0] = out[:, 1, 1] = 1
    if driven:
        out[:, 0, 2] = 0.01
    else:
        out[:, 0, 0], out[:, 0, 1] = 1 + d.level / 100, -d.level / 100
    if d.open_air:
        out[:, 2, :2] = 1, -1
    out[:, own + np.arange(m), 2 + driven + np.arange(m)] = 1
    return out


def priors(d: Pieces, m: int) -> tuple[np.ndarray, np.ndarray]:
    """Rows (n, 3, M) beneath the weighings, and what they should be, (n, 3).

    (mean - g(c)) sigma/sd with g = ln c0, ln (c1/c0) or c2/c0, made linear at the anchor. Once the
    anchor is the solution, value and gradient are those of the prior itself, so that the fixed
    point is the mode of the posterior and not an approximation.
    """
    dry, water, extra = d.anchor.T
    rows, right = np.zeros((len(dry), 3, m)), np.zeros((len(dry), 3))
    by = d.sigma[:, None] / d.sd
    by[:, 2] *= 100
    rows[:, 0, 0] = by[:, 0] / dry
    right[:, 0] = d.mean[:, 0] - np.log(dry) + 1
    rows[:, 1, 0], rows[:, 1, 1] = -by[:, 1] / dry, by[:, 1] / water
    right[:, 1] = d.mean[:, 1] - np.log(100 * water / dry)
    if d.open_air:
        rows[:, 2, 0], rows[:, 2, 2] = -by[:, 2] * extra / dry**2, by[:, 2] / dry
        right[:, 2] = d.mean[:, 2] / 100 - extra / dry
    return rows, right * by


def invert(matrix: np.ndarray) -> np.ndarray:
    """Inverses of symmetric matrices, (n, m, m); rows of zeros stay so.

    A direction without weight comes out as unknown, which a small ridge makes of it: a
    pseudo-inverse would call it certain.
    """
    size = np.sqrt(np.maximum(np.einsum("nii->ni", matrix), 0))
    there = size > 0
    scale = np.where(there, 1 / np.where(there, size, 1), 0)
    both = scale[:, :, None] * scale[:, None]
    unit = matrix * both
    np.einsum("nii->ni", unit)[...] += np.where(there, 1e-14, 1)
    return np.linalg.inv(unit) * both


def bounded(
    normal: np.ndarray, right: np.ndarray, limits: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Least squares c with oven-dry mass and water/oven-dry mass inside their limits; the inverse
    of the normal matrix along what is free, and which of the two are held, (n, 2).

    The limits cut a four-sided region out of the plane of (c0, c1). Least squares is convex, so
    where its free point lies outside, the best point is on a side that the free point violates;
    along a side it is the side's own least squares, moved to the corner if that lies beyond.
    """
    inverse = invert(normal)
    c = np.einsum("nij,nj->ni", inverse, right)
    held = np.zeros((len(c), 2), dtype=bool)
    dry, water = c[:, 0], c[:, 1]
    most = limits[:, 1, 1]
    top = np.where(np.isfinite(most), np.where(np.isfinite(most), most, 0) * dry, np.inf)
    low = [dry < limits[:, 0, 0], water < limits[:, 1, 0] * dry]
    high = [dry > limits[:, 0, 1], water > top]
    least = np.full(len(c), np.inf)
    for kind in range(2):
        at = np.flatnonzero(low[kind] | high[kind])
        if not at.size:
            continue
        value = np.full((at.size, 2), np.nan)
        value[:, kind] = np.where(low[kind][at], *limits[at, kind].T)
        side = _with_held(normal[at], right[at], value)
        other = side[0][:, 1] / side[0][:, 0] if kind == 0 else side[0][:, 0]
        inside = np.clip(other, *limits[at, 1 - kind].T)
        if (beyond := inside != other).any():
            value[beyond, 1 - kind] = inside[beyond]
            side = _with_held(normal[at], right[at], value)
        miss = np.einsum("ni,nij,nj->n", side[0], normal[at], side[0])
        miss -= 2 * np.einsum("ni,ni->n", side[0], right[at])
        better = miss < least[at]
        to = at[better]
        least[to], held[to] = miss[better], ~np.isnan(value[better])
        c[to], inverse[to] = side[0][better], side[1][better]
    return c, inverse, held


def _with_held(
    normal: np.ndarray, right: np.ndarray, value: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """c and inverse with c0 and c1/c0 held at `value` (n, 2), NaN where free: c = turn z + at."""
    own, tied = ~np.isnan(value.T)
    turn = np.tile(np.eye(normal.shape[1]), (len(normal), 1, 1))
    at = np.zeros(right.shape)
    at[own, 0], turn[own, 0, 0] = value[own, 0], 0
    at[tied, 1] = value[tied, 1] * at[tied, 0]
    turn[tied, 1, 0], turn[tied, 1, 1] = value[tied, 1] * turn[tied, 0, 0], 0
    back = turn.transpose(0, 2, 1)
    inverse = turn @ invert(back @ normal @ turn) @ back
    rest = right - np.einsum("nij,nj->ni", normal, at)
    return at + np.einsum("nij,nj->ni", inverse, rest), inverse


def solved(law: Law, u: np.ndarray, d: Pieces, *, slopes: bool = True) -> tuple[Solved, Products]:
    """Everything at u with the linear part solved."""
    dots = products(*curves(law, u, d, slopes=slopes), d.mass_g)
    return linear_part(dots, d), dots


def linear_part(dots: Products, d: Pieces) -> Solved:
    turn = columns(d)
    xx, xy = turn @ dots.bb @ turn.transpose(0, 2, 1), np.einsum("nmb,nb->nm", turn, dots.by)
    normal, right = xx, xy
    known, wanted = np.zeros((len(xx), 0, xx.shape[1])), None
    if np.isfinite(d.sd).any():
        known, wanted = priors(d, xx.shape[1])
        normal = xx + known.transpose(0, 2, 1) @ known
        right = xy + np.einsum("nrm,nr->nm", known, wanted)
    c, inverse, held = bounded(normal, right, d.limits)
    data = dots.yy - 2 * np.einsum("nm,nm->n", c, xy) + np.einsum("ni,nij,nj->n", c, xx, c)
    penalty = 0 * data
    if wanted is not None:
        dry, water = np.maximum(c[:, 0], 1e-300), np.maximum(c[:, 1], 1e-300)
        offset = 100 * c[:, 2] / dry if d.open_air else 0 * dry
        at = np.stack([np.log(dry), np.log(100 * water / dry), offset], 1)
        penalty = (((d.mean - at) / d.sd) ** 2).sum(1)
    # slopes of the model in u: those of E and of what the air has brought, by c
    by_decay = c[:, 1] - (c[:, 2] if d.open_air else 0)
    xs, p = turn @ dots.bs, dots.sy.shape[1] // (1 if d.courses is None else 2)
    if d.courses is None:
        by_decay = by_decay - c[:, 0] * d.level / 100
    by = by_decay[:, None, None]
    xj, jj, jy = by * xs[..., :p], by**2 * dots.ss[:, :p, :p], by[..., 0] * dots.sy[:, :p]
    if d.courses is not None:
        more = c[:, 0, None, None] / 100
        xj, jy = xj + more * xs[..., p:], jy + more[..., 0] * dots.sy[:, p:]
        across = dots.ss[:, :p, p:]
        jj = jj + more**2 * dots.ss[:, p:, p:] + by * more * (across + across.transpose(0, 2, 1))
    # The slopes less their part in the linear columns are Kaufman's Jacobian; with it the gradient
    # of the projected squares is exact, and only the curvature leaves out a term that the residuals
    # make small.
    return Solved(
        c, inverse, held, np.maximum(data, 0), penalty, jy - np.einsum("nm,nmp->np", c, xj),
        jj - xj.transpose(0, 2, 1) @ inverse @ xj, xx, xj, jj, known,
    )  # fmt: skip


def free_parts(s: Solved, u: np.ndarray, d: Pieces) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Normal matrix and gradient in the u that are free, and which are pressed against a bound."""
    stuck = ((u <= d.low) & (s.gradient < 0)) | ((u >= d.high) & (s.gradient > 0))
    if not stuck.any():
        return s.normal, s.gradient, stuck
    normal = np.where(stuck[:, :, None] | stuck[:, None], 0.0, s.normal)
    return normal, np.where(stuck, 0.0, s.gradient), stuck


def damped_step(normal: np.ndarray, gradient: np.ndarray, damping: np.ndarray) -> np.ndarray:
    """Levenberg and Marquardt's step; zero along a u that changes nothing."""
    p = gradient.shape[1]
    diagonal = np.maximum(np.einsum("npp->np", normal), 0)
    lifted = diagonal * (1 + damping[:, None]) + (diagonal == 0)
    if p == 1:
        return gradient / lifted
    system = normal.copy()
    np.einsum("npp->np", system)[...] = lifted
    # to unit diagonal, so that no piece's matrix is singular to the solver
    scale = 1 / np.sqrt(lifted)
    system *= scale[:, :, None] * scale[:, None]
    system += 1e-14 * np.eye(p)
    return scale * np.linalg.solve(system, (scale * gradient)[..., None])[..., 0]


def spread(s: Solved, d: Pieces, stuck: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Covariance of (u, c) for sigma = 1, (n, P + M, P + M), and degrees of freedom.

    What is `stuck` or touches no weighing is NaN; it counts as a parameter all the same. The
    degrees of freedom are weighings less the trace of the hat matrix over the weighings: a
    parameter that a prior holds costs the weighings less than one.
    """
    p = stuck.shape[1]
    xj = np.where(stuck[:, None], 0.0, s.xj)
    whole = np.empty((len(xj), p + xj.shape[1], p + xj.shape[1]))
    whole[:, :p, :p] = np.where(stuck[:, :, None] | stuck[:, None], 0.0, s.jj)
    whole[:, p:, :p], whole[:, :p, p:] = xj, xj.transpose(0, 2, 1)
    whole[:, p:, p:] = s.xx + s.known.transpose(0, 2, 1) @ s.known
    unit = invert(whole)
    there = np.einsum("nii->ni", whole) > 0
    told = ((s.known @ unit[:, p:, p:]) * s.known).sum((1, 2))
    dof = d.weight.sum(1) - p - there[:, p:].sum(1) + told
    unit[~there] = np.nan
    unit.transpose(0, 2, 1)[~there] = np.nan
    return unit, dof


def sigma_of(s: Solved, d: Pieces, dof: np.ndarray) -> np.ndarray:
    """Standard deviation of a weighing [g], from the residuals."""
    return np.maximum(np.sqrt(s.data / np.maximum(dof, 1e-3)), d.floor_g)


def descend(
    law: Law, u: np.ndarray, d: Pieces, *, most: int = 60, close: float = CLOSE,
    settle: bool = False,
) -> tuple[np.ndarray, Pieces, Solved]:  # fmt: skip
    """From u (n, P) downhill, each piece with its own damping; what is found, and all of it there.

    With `settle` sigma follows the residuals, and with it the weight of the priors. Finished
    pieces leave the arrays, so that a few slow ones do not cost the whole chunk.
    """
    u, now = u.copy(), d
    here, dots = solved(law, u, d)
    at, damping = np.arange(len(u)), np.full(len(u), 1e-4)
    found, sigma, anchor = u.copy(), d.sigma.copy(), d.anchor.copy()
    whole = here
    for turn in range(most + 1):
        steady = np.ones(len(u), dtype=bool)
        aim = np.zeros(now.anchor.shape)
        aim[:, : 2 + d.open_air] = here.c[:, : 2 + d.open_air]
        if settle:
            new = sigma_of(here, now, spread(here, now, free_parts(here, u, now)[2])[1])
            moved = np.abs(aim - now.anchor).max(1) / here.c[:, 0]
            steady = (np.abs(new / now.sigma - 1) < STEADY) & (moved < STEADY)
            now = replace(now, sigma=new, anchor=aim)
            here = linear_part(dots, now)
        else:
            now = replace(now, anchor=aim)
        normal, gradient, _ = free_parts(here, u, now)
        next_step = damped_step(normal, gradient, np.zeros(len(u)))
        size = here.data / np.maximum(now.weight.sum(1), 1) + now.floor_g**2
        over = ((gradient * next_step).sum(1) < close * size) & steady | (damping > 1e8)
        if over.all() or turn == most:
            break
        if over.mean() > 0.3:
            found[at], sigma[at], anchor[at] = u, now.sigma, now.anchor
            whole = _put(whole, here, at)
            go = ~over
            at, now, u, damping = at[go], now.take(go), u[go], damping[go]
            here, dots = Solved(*(a[go] for a in here)), Products(*(a[go] for a in dots))
            normal, gradient = normal[go], gradient[go]
        step = damped_step(normal, gradient, damping)
        # at a bound, yet drawn across it by its correlation with the others: those go on alone
        out = ((u <= now.low) & (step < 0)) | ((u >= now.high) & (step > 0))
        if out.any():
            normal = np.where(out[:, :, None] | out[:, None], 0.0, normal)
            step = damped_step(normal, np.where(out, 0.0, gradient), damping)
        # shortened as a whole: cut component by component it would leave a slanting valley
        step *= np.minimum(1, MOST_STEP / np.maximum(np.abs(step).max(1), 1e-300))[:, None]
        trial = np.clip(u + step, now.low, now.high)
        there, new_dots = solved(law, trial, now)
        gained = here.data - there.data + now.sigma**2 * (here.penalty - there.penalty)
        good = gained > -1e-13 * dots.yy  # the rounding of the dot products
        damping = np.clip(np.where(good, damping * 0.05, damping * 10), 1e-7, 1e9)
        if good.all():
            u, here, dots = trial, there, new_dots
        else:
            u = np.where(good[:, None], trial, u)
            here = Solved(*_chosen(good, there, here))
            dots = Products(*_chosen(good, new_dots, dots))
    found[at], sigma[at], anchor[at] = u, now.sigma, now.anchor
    return found, replace(d, sigma=sigma, anchor=anchor), _put(whole, here, at)


def _chosen(good: np.ndarray, a: tuple[np.ndarray, ...], b: tuple[np.ndarray, ...]) -> list:
    """The rows of `a` where they are good, else those of `b`."""
    each = zip(a, b, strict=True)
    return [np.where(good.reshape(-1, *[1] * (x.ndim - 1)), x, y) for x, y in each]


def _put(whole: Solved, part: Solved, at: np.ndarray) -> Solved:
    """`whole` with the rows `at` replaced, in place unless they are all of it."""
    if at.size == len(whole.c):
        return part
    for old, new in zip(whole, part, strict=True):
        old[at] = new
    return whole


def first_guesses(law: Law, d: Pieces) -> np.ndarray:
    """Starting values (several, n, P): the best of the grid, over the first parameter first.

    For each value of the other parameters the best time scale; of these the best few, so that
    several searches begin in different valleys and not at neighbours on the grid.
    """
    assert law.search is not None
    n, starts = len(d.days), law.search.starts
    few = np.unique(np.linspace(0, max(d.days.shape[1] - 1, 0), STARTS_SEE).astype(int))
    span = np.log(np.maximum(d.days.max(1, initial=0.0), 1.0))
    seen = replace(d, days=d.days[:, few], mass_g=d.mass_g[:, few], weight=d.weight[:, few],
                   events=d.events[..., few])  # fmt: skip
    grid = np.array(np.meshgrid(*starts, indexing="ij")).reshape(len(starts), len(starts[0]), -1)
    # every start of every piece as a row of its own: (others, scales, pieces)
    u = np.broadcast_to(grid.transpose(2, 1, 0)[:, :, None], (*grid.shape[:0:-1], n, len(starts)))
    u = u + np.stack([span, *[0 * span] * (len(starts) - 1)], 1)
    row = np.broadcast_to(np.arange(n), u.shape[:3]).ravel()
    u = np.clip(u.reshape(-1, len(starts)), d.low[row], d.high[row])
    s = solved(law, u, seen.take(row), slopes=False)[0]
    miss = (s.data + d.sigma[row] ** 2 * s.penalty).reshape(*grid.shape[:0:-1], n)
    u = u.reshape(*miss.shape, len(starts))
    best = np.nan_to_num(miss, nan=np.inf).argmin(1)[:, None]
    found = np.take_along_axis(u, best[..., None], 1)[:, 0]
    order = np.argsort(np.take_along_axis(miss, best, 1)[:, 0], axis=0)[: law.search.several]
    found = np.take_along_axis(found, order[:, :, None], 0)
    # a step on the few weighings costs a fifth of one on all
    return np.stack([descend(law, start, seen, most=1)[0] for start in found])
