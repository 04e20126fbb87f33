"""Variable projection for many pieces at once: the model, its linear part, and the descent.

The weighings enter only through the dot products of a few curves a piece: 1, E, what the air has
brought, the slopes of both in u, steps at events, and the masses. All else is algebra on small
matrices, one a piece.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import NamedTuple

import numpy as np

from woodlab.drying.laws import Law
from woodlab.drying.laws.law import Values
from woodlab.drying.linear.pieces import Pieces

MOST_STEP, STEADY = 2.0, 1e-4  # of u; of sigma
STARTS_SEE, FIRST_STEPS = 8, 1  # weighings that the starting grid looks at, and steps on them
CLOSE = 1e-10  # of the variance: the squared next step, in standard errors, that is no step


class Solved(NamedTuple):
    """At some u, with the linear part solved; small matrices have the pieces behind.

    c (M, n), the inverse of its normal matrix (M, M, n), which of oven-dry mass and water to
    oven-dry mass are held at a limit (2, n); squares of the masses, of the residuals and of what
    the priors miss by, in standard deviations (n,); gradient (P, n) and normal matrix in u; and the
    parts of the whole normal matrix: columns x, slopes j, the priors.
    """

    c: np.ndarray
    inverse: np.ndarray
    held: np.ndarray
    squares: np.ndarray
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


def products(every: list[np.ndarray]) -> np.ndarray:
    """Dot products over the weighings of any two of the curves, (C, C, n)."""
    out = np.empty((len(every), len(every), len(every[0])))
    for a, left in enumerate(every):
        for b, right in enumerate(every[a:], a):
            out[a, b] = out[b, a] = np.einsum("nk,nk->n", left, right)
    return out


def columns(d: Pieces) -> np.ndarray:
    """Columns of the model in the curves, (M, B, n): of oven-dry mass, water, offset, events.

    mass = c0 (1 + forced/100) + c1 E [+ c2 (1 - E)] + steps,   forced = level (1 - E) or daily
    """
    n, m, driven = len(d.days), d.events.shape[1], d.courses is not None
    own = 2 + d.open_air
    out = np.zeros((own + m, 2 + driven + m, n))
    out[0, 0] = out[1, 1] = 1
    if driven:
        out[0, 2] = 0.01
    else:
        out[0, 0], out[0, 1] = 1 + d.level / 100, -d.level / 100
    if d.open_air:
        out[2, 0], out[2, 1] = 1, -1
    out[own + np.arange(m), 2 + driven + np.arange(m)] = 1
    return out


def priors(d: Pieces, m: int) -> tuple[np.ndarray, np.ndarray]:
    """Rows (3, M, n) beneath the weighings, and what they should be, (3, n).

    (mean - g(c)) sigma/sd with g = ln c0, ln (c1/c0) or c2/c0, made linear at the anchor. Once the
    anchor is the solution, value and gradient are those of the prior itself, so that the fixed
    point is the mode of the posterior and not an approximation.
    """
    dry, water, extra = d.anchor.T
    rows = np.zeros((3, m, len(dry)))
    by = d.sigma / d.sd.T
    by[2] *= 100
    rows[0, 0] = by[0] / dry
    rows[1, 0], rows[1, 1] = -by[1] / dry, by[1] / water
    if d.open_air:
        rows[2, 0], rows[2, 2] = -by[2] * extra / dry**2, by[2] / dry
    wanted = np.stack([
        d.mean[:, 0] - np.log(dry) + 1, d.mean[:, 1] - np.log(100 * water / dry),
        d.mean[:, 2] / 100 - extra / dry,
    ])  # fmt: skip
    return rows, wanted * by


def times(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Products of small matrices, or of matrix and vector, one a piece: the pieces are behind."""
    return np.einsum("ijn,jn->in" if right.ndim == 2 else "ijn,jkn->ikn", left, right)


def turned(matrix: np.ndarray) -> np.ndarray:
    return matrix.transpose(1, 0, 2)


def invert(matrix: np.ndarray) -> np.ndarray:
    """Inverses of symmetric matrices, (m, m, n), by Gauss and Jordan; rows of zeros stay so. A
    direction without weight is made unknown by a small ridge: a pseudo-inverse calls it certain."""
    at = np.arange(len(matrix))
    size = np.sqrt(np.maximum(matrix[at, at], 0))
    there = size > 0
    scale = there / np.where(there, size, 1)
    both = scale[:, None] * scale
    out = matrix * both
    out[at, at] += np.where(there, 1e-14, 1)
    for i in at:
        pivot = out[:, i].copy()
        row = out[i] / pivot[i]
        row[i] = 1 / pivot[i]
        pivot[i], out[:, i] = 0, 0
        out -= pivot[:, None] * row
        out[i] = row
    return out * both


def bounded(
    normal: np.ndarray, right: np.ndarray, limits: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Least squares c with oven-dry mass and water/oven-dry mass inside their limits; the inverse
    of the normal matrix along what is free, and which of the two are held, (2, n).

    Least squares is convex: where its free point lies outside of the four-sided region, the best
    is on a side that it violates, and there the side's own least squares, moved to the corner if
    that lies beyond.
    """
    inverse = invert(normal)
    c = times(inverse, right)
    held = np.zeros((2, c.shape[1]), dtype=bool)
    dry, water = c[:2]
    most = limits[:, 1, 1]
    top = np.where(np.isfinite(most), np.where(np.isfinite(most), most, 0) * dry, np.inf)
    low = [dry < limits[:, 0, 0], water < limits[:, 1, 0] * dry]
    high = [dry > limits[:, 0, 1], water > top]
    least = np.full(c.shape[1], np.inf)
    for kind in range(2):
        at = np.flatnonzero(low[kind] | high[kind])
        if not at.size:
            continue
        value = np.full((2, at.size), np.nan)
        value[kind] = np.where(low[kind][at], *limits[at, kind].T)
        side = _with_held(normal[..., at], right[:, at], value)
        other = side[0][1] / side[0][0] if kind == 0 else side[0][0]
        inside = np.clip(other, *limits[at, 1 - kind].T)
        if (beyond := inside != other).any():
            value[1 - kind, beyond] = inside[beyond]
            side = _with_held(normal[..., at], right[:, at], value)
        miss = (side[0] * (times(normal[..., at], side[0]) - 2 * right[:, at])).sum(0)
        better = miss < least[at]
        to = at[better]
        least[to], held[:, to] = miss[better], ~np.isnan(value[:, better])
        c[:, to], inverse[..., to] = side[0][:, better], side[1][..., better]
    return c, inverse, held


def _with_held(
    normal: np.ndarray, right: np.ndarray, value: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """c and inverse with c0 and c1/c0 held at `value` (2, n), NaN where free: c = turn z + at."""
    own, tied = ~np.isnan(value)
    turn = np.repeat(np.eye(len(normal))[..., None], normal.shape[2], axis=2)
    at = np.zeros(right.shape)
    at[0, own], turn[0, 0, own] = value[0, own], 0
    at[1, tied] = value[1, tied] * at[0, tied]
    turn[1, 0, tied], turn[1, 1, tied] = value[1, tied] * turn[0, 0, tied], 0
    inverse = times(times(turn, invert(times(times(turned(turn), normal), turn))), turned(turn))
    return at + times(inverse, right - times(normal, at)), inverse


def solved(law: Law, u: np.ndarray, d: Pieces, *, slopes: bool = True) -> Solved:
    """Everything at u with the linear part solved."""
    base, turns = curves(law, u, d, slopes=slopes)
    dots, b = products([*base, *turns, d.mass_g]), len(base)
    ss, sy, squares = dots[b:-1, b:-1], dots[b:-1, -1], dots[-1, -1]
    turn = columns(d)
    xx, xy = times(times(turn, dots[:b, :b]), turned(turn)), times(turn, dots[:b, -1])
    normal, right, penalty, known = xx, xy, np.zeros(xy.shape[1]), 0 * xx[:0]
    if d.told:
        rows, wanted = priors(d, len(xx))
        known = times(turned(rows), rows)
        normal, right = xx + known, xy + times(turned(rows), wanted)
    c, inverse, held = bounded(normal, right, d.limits)
    data = squares + (c * (times(xx, c) - 2 * xy)).sum(0)
    if d.told:
        dry, water = np.maximum(c[:2], 1e-300)
        offset = 100 * c[2] / dry if d.open_air else 0 * dry
        at = np.stack([np.log(dry), np.log(100 * water / dry), offset])
        penalty = (((d.mean.T - at) / d.sd.T) ** 2).sum(0)
    # slopes of the model in u: those of E and of what the air has brought, by c
    by = c[1] - (c[2] if d.open_air else 0)
    xs, p = times(turn, dots[:b, b:-1]), len(sy) // (1 if d.courses is None else 2)
    if d.courses is None:
        by = by - c[0] * d.level / 100
    xj, jj, jy = by * xs[:, :p], by**2 * ss[:p, :p], by * sy[:p]
    if d.courses is not None:
        more, across = c[0] / 100, ss[:p, p:]
        xj, jy = xj + more * xs[:, p:], jy + more * sy[p:]
        jj = jj + more**2 * ss[p:, p:] + by * more * (across + turned(across))
    # The slopes less their part in the linear columns are Kaufman's Jacobian; with it the gradient
    # of the projected squares is exact, and only the curvature leaves out a term that the residuals
    # make small.
    gradient = jy - times(turned(xj), c)
    kaufman = jj - times(turned(xj), times(inverse, xj))
    return Solved(
        c, inverse, held, squares, np.maximum(data, 0), penalty, gradient, kaufman, xx, xj, jj,
        known,
    )  # fmt: skip


def free_parts(s: Solved, u: np.ndarray, d: Pieces) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Normal matrix and gradient in the u that are free, and which are pressed against a bound,
    (P, n)."""
    stuck = ((u <= d.low).T & (s.gradient < 0)) | ((u >= d.high).T & (s.gradient > 0))
    return *_freed(s.normal, s.gradient, stuck), stuck


def _freed(
    normal: np.ndarray, gradient: np.ndarray, stuck: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    if not stuck.any():
        return normal, gradient
    return np.where(stuck[:, None] | stuck, 0.0, normal), np.where(stuck, 0.0, gradient)


def damped_step(normal: np.ndarray, gradient: np.ndarray, damping: np.ndarray) -> np.ndarray:
    """Levenberg and Marquardt's step, (n, P); zero along a u that changes nothing."""
    lifted, at = normal.copy(), np.arange(len(normal))
    lifted[at, at] *= 1 + damping
    return times(invert(lifted), gradient).T


def spread(s: Solved, d: Pieces, stuck: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Covariance of (u, c) for sigma = 1, (P + M, P + M, n), NaN for what is `stuck` or touches no
    weighing; and degrees of freedom: weighings less the trace of the hat matrix over them, so that
    a parameter that a prior holds costs less than one."""
    p, m = s.xj.shape[1], len(s.c)
    jj, xj = np.where(stuck[:, None] | stuck, 0.0, s.jj), np.where(stuck, 0.0, s.xj)
    whole = np.empty((p + m, p + m, xj.shape[2]))
    whole[:p, :p], whole[p:, :p], whole[:p, p:] = jj, xj, turned(xj)
    whole[p:, p:] = s.xx + s.known if d.told else s.xx
    unit = invert(whole)
    there = np.einsum("iin->in", whole) > 0
    told = (unit[p:, p:] * s.known).sum((0, 1)) if d.told else 0.0
    dof = d.weight.sum(1) - p - there[p:].sum(0) + told
    unit[np.broadcast_to(~there[:, None] | ~there, unit.shape)] = np.nan
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
    here = solved(law, u, d)
    at, damping = np.arange(len(u)), np.full(len(u), 1e-4)
    found, sigma, anchor = u.copy(), d.sigma.copy(), d.anchor.copy()
    whole = here
    for turn in range(most + 1):
        steady = np.ones(len(u), dtype=bool)
        aim = np.zeros((len(u), 3))
        aim[:, : 2 + d.open_air] = here.c[: 2 + d.open_air].T
        if settle:
            new = sigma_of(here, now, spread(here, now, free_parts(here, u, now)[2])[1])
            moved = np.abs(aim - now.anchor).max(1) / here.c[0]
            steady = (np.abs(new / now.sigma - 1) < STEADY) & (moved < STEADY)
            now = replace(now, sigma=new, anchor=aim)
        elif d.told:
            now = replace(now, anchor=aim)
        normal, gradient, _ = free_parts(here, u, now)
        next_step = damped_step(normal, gradient, np.zeros(len(u)))
        size = here.data / np.maximum(now.weight.sum(1), 1) + now.floor_g**2
        over = ((gradient.T * next_step).sum(1) < close * size) & steady | (damping > 1e8)
        if over.all() or turn == most:
            break
        if over.mean() > 0.3:
            found[at], sigma[at], anchor[at] = u, now.sigma, now.anchor
            whole = _put(whole, here, at)
            go = ~over
            at, now, u, damping = at[go], now.take(go), u[go], damping[go]
            here = Solved(*(a[..., go] for a in here))
            normal, gradient = normal[..., go], gradient[:, go]
        step = damped_step(normal, gradient, damping)
        # at a bound, yet drawn across it by its correlation with the others: those go on alone
        out = ((u <= now.low) & (step < 0)) | ((u >= now.high) & (step > 0))
        if out.any():
            step = damped_step(*_freed(normal, gradient, out.T), damping)
        # shortened as a whole: cut component by component it would leave a slanting valley
        step *= np.minimum(1, MOST_STEP / np.maximum(np.abs(step).max(1), 1e-300))[:, None]
        trial = np.clip(u + step, now.low, now.high)
        there = solved(law, trial, now)
        gained = here.data - there.data + now.sigma**2 * (here.penalty - there.penalty)
        good = gained > -1e-13 * here.squares  # the rounding of the dot products
        damping = np.clip(np.where(good, damping * 0.05, damping * 10), 1e-7, 1e9)
        u = np.where(good[:, None], trial, u)
        if good.all():
            here = there
        else:
            here = Solved(*(np.where(good, a, b) for a, b in zip(there, here, strict=True)))
    found[at], sigma[at], anchor[at] = u, now.sigma, now.anchor
    return found, replace(d, sigma=sigma, anchor=anchor), _put(whole, here, at)


def _put(whole: Solved, part: Solved, at: np.ndarray) -> Solved:
    """`whole` with the rows `at` replaced, in place unless they are all of it."""
    if at.size == whole.c.shape[1]:
        return part
    for old, new in zip(whole, part, strict=True):
        old[..., at] = new
    return whole


def first_guesses(law: Law, d: Pieces) -> np.ndarray:
    """Starting values (several, n, P): the best over the first parameter, and of these the best
    few: several searches begin in different valleys, not at neighbours."""
    assert law.search is not None
    n, (scales, *others) = len(d.days), law.search.starts
    few = np.unique(np.linspace(0, max(d.days.shape[1] - 1, 0), STARTS_SEE).astype(int))
    seen = replace(d, days=d.days[:, few], mass_g=d.mass_g[:, few], weight=d.weight[:, few],
                   events=d.events[..., few])  # fmt: skip
    span = np.log(np.maximum(d.days.max(1, initial=0.0), 1.0))
    valleys = []
    for rest in product(*others):
        least, best = np.full(n, np.inf), np.zeros((n, 1 + len(rest)))
        for scale in scales:
            u = np.column_stack([span + scale, *(np.full(n, value) for value in rest)])
            u = np.clip(u, d.low, d.high)
            s = solved(law, u, seen, slopes=False)
            miss = s.data + d.sigma**2 * s.penalty
            best = np.where((miss < least)[:, None], u, best)
            least = np.fmin(least, miss)
        valleys.append((least, best))
    order = np.argsort([least for least, _ in valleys], axis=0)[: law.search.several]
    found = np.stack([best for _, best in valleys])[order, np.arange(n)]
    # steps on the few weighings cost less than on all
    return np.stack([descend(law, u, seen, most=FIRST_STEPS, close=1e-2)[0] for u in found])
