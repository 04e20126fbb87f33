"""Variable projection for many pieces at once: the model, its linear part, and the descent."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np

from woodlab.drying.linear.course import Course, driven
from woodlab.drying.linear.laws import LinearLaw

STEP_TOLERANCE = 1e-7  # in u
MOST_STEP = 2.0
FIRST_STEPS = 1
STARTS_SEE = 8  # weighings that the starting grid looks at


@dataclass(frozen=True)
class Task:
    """A chunk of pieces as the search needs it; arrays lead with the piece.

    `y` is the mass with 0 where `w` is 0. `mean` and `sd` (n, 3) are the priors of ln oven-dry
    mass, ln (water/oven-dry mass) at the start and the air's offset/100 (sd infinite: unknown);
    `anchor` (n, 3) is the c at which they are made linear. `limits` (n, 2, 2) are least and most
    oven-dry mass [g] and water/oven-dry mass; `low` and `high` (n, P) are those of u.
    """

    t: np.ndarray
    y: np.ndarray
    w: np.ndarray
    half_m: np.ndarray
    level: np.ndarray
    course: Course | None
    start: np.ndarray
    which: np.ndarray
    events: np.ndarray | None
    mean: np.ndarray
    sd: np.ndarray
    open_air: bool
    floor: np.ndarray
    sigma: np.ndarray
    anchor: np.ndarray
    limits: np.ndarray
    low: np.ndarray
    high: np.ndarray

    def take(self, at: np.ndarray | slice) -> Task:
        """The task of some of the pieces."""
        arrays: dict[str, Any] = {
            k: v[at] for k, v in vars(self).items() if isinstance(v, np.ndarray)
        }
        return replace(self, **arrays)

    @property
    def priors(self) -> np.ndarray:
        """Which of the three kinds of prior any piece has."""
        return np.flatnonzero(np.isfinite(self.sd).any(0))


class Solved(NamedTuple):
    """At some u: SSE, columns of the linear part and their orthonormal basis (n, M, K), residual
    (n, K), c (n, M), slopes of the model in u (n, P, K), and which of oven-dry mass and water to
    oven-dry mass are held at a limit (n, 2)."""

    sse: np.ndarray
    columns: np.ndarray
    basis: np.ndarray
    left: np.ndarray
    c: np.ndarray
    slopes: np.ndarray
    held: np.ndarray


def design(
    law: LinearLaw, u: np.ndarray, d: Task
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray | None]:
    """Columns of the model with the priors' rows (n, M, K), right side (n, K), and the slopes of
    E and of `forced` in u (P, n, k) (None: constant air, where it is -level times that of E)."""
    n, k = d.t.shape
    kinds, own = d.priors, 2 + d.open_air
    x = np.empty((n, own + (0 if d.events is None else d.events.shape[1]), k + kinds.size))
    x[..., k:] = 0
    decay, d_decay = law.decay(u, d.half_m, d.t)
    np.multiply(decay, d.w, out=x[:, 1, :k])
    if d.course is None:
        d_forced, share = None, d.level[:, None] / 100
        np.subtract((1 + share) * d.w, share * x[:, 1, :k], out=x[:, 0, :k])
    else:
        air = d.course, d.which, d.start
        forced, d_forced = driven(law, u, d.half_m, d.t, air, (decay, d_decay))
        x[:, 0, :k] = (1 + forced / 100) * d.w
    if d.open_air:
        x[:, 2, :k] = d.w - x[:, 1, :k]
    if d.events is not None:
        x[:, own:, :k] = d.events * d.w[:, None]
    if not kinds.size:
        return x, d.y, d_decay, d_forced
    y = np.concatenate([d.y, np.zeros((n, kinds.size))], 1)
    dry, water, extra = d.anchor.T
    for row, kind in enumerate(kinds, k):
        # (prior mean - g(c))/sd with g = ln c0, ln (c1/c0) or c2/c0, made linear at the anchor.
        # Once the anchor stands at the solution, value and gradient are those of the prior
        # itself, so that the fixed point is the posterior's mode and not an approximation.
        by = d.sigma / d.sd[:, kind]
        if kind == 0:
            x[:, 0, row], y[:, row] = by / dry, by * (d.mean[:, 0] - np.log(dry) + 1)
        elif kind == 1:
            x[:, 0, row], x[:, 1, row] = -by / dry, by / water
            y[:, row] = by * (d.mean[:, 1] - np.log(water / dry))
        else:
            x[:, 0, row], x[:, 2, row] = -by * extra / dry**2, by / dry
            y[:, row] = by * (d.mean[:, 2] - extra / dry)
        # mean is NaN where nothing is known, and the weight there is zero
        y[:, row] = np.where(by > 0, y[:, row], 0.0)
    return x, y, d_decay, d_forced


def project(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Orthonormal basis of the columns (n, M, K), y less its part in them, coefficients c.

    Modified Gram-Schmidt; a column that loses most of its length to the earlier ones (E beside 1
    where the record is short beside tau) is projected twice, or its rest is rounding noise.
    """
    q = x.copy()
    n, m, k = x.shape
    part_of = np.empty((n, k))  # large arrays made anew cost more than the sums in them
    r = np.zeros((n, m, m))
    for a in range(m):
        length = np.sqrt(np.einsum("nk,nk->n", q[:, a], q[:, a]))
        for _ in range(2 if a else 0):
            for b in range(a):
                dot = np.einsum("nk,nk->n", q[:, b], q[:, a])
                q[:, a] -= np.multiply(dot[:, None], q[:, b], out=part_of)
                r[:, b, a] += dot
            after = np.sqrt(np.einsum("nk,nk->n", q[:, a], q[:, a]))
            twice, length = (after < 0.1 * length).any(), after
            if not twice:
                break
        r[:, a, a] = length + 1e-300
        q[:, a] /= r[:, a, a, None]
    part = np.einsum("nmk,nk->nm", q, y)
    left = np.einsum("nm,nmk->nk", part, q, out=part_of)
    np.subtract(y, left, out=left)
    c = part.copy()
    for a in range(m - 1, -1, -1):
        for b in range(a + 1, m):
            c[:, a] -= r[:, a, b] * c[:, b]
        c[:, a] /= r[:, a, a]
    return q, left, c


def within_limits(
    x: np.ndarray, y: np.ndarray, limits: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """`project` with oven-dry mass and water/oven-dry mass inside their limits, and which are held.

    The limits cut a four-sided region out of the plane of (c0, c1). Least squares is convex, so
    where its free point lies outside, the best point is on a side that the free point violates;
    along a side it is the side's own least squares, moved to the corner if that lies beyond.
    """
    q, left, c = project(x, y)
    dry, water, most = c[:, 0], c[:, 1], limits[:, 1, 1]
    bounded = np.isfinite(most)
    violated = {
        (0, 0): dry < limits[:, 0, 0],
        (0, 1): dry > limits[:, 0, 1],
        (1, 0): water < limits[:, 1, 0] * dry,
        (1, 1): bounded & (water > np.where(bounded, most, 0) * dry),
    }
    held = np.zeros((len(x), 2), dtype=bool)
    least = np.full(len(x), np.inf)
    for (kind, end), wrong in violated.items():
        at = np.flatnonzero(wrong)
        if not at.size:
            continue
        value = np.full((at.size, 2), np.nan)
        value[:, kind] = limits[at, kind, end]
        side = [*_project_held(x[at], y[at], value), value]
        now = side[2][:, 0] if kind else side[2][:, 1] / side[2][:, 0]
        inside = np.clip(now, *limits[at, 1 - kind].T)
        corner = np.flatnonzero(inside != now)
        if corner.size:
            value[corner, 1 - kind] = inside[corner]
            there = _project_held(x[at[corner]], y[at[corner]], value[corner])
            for old, new in zip(side, there, strict=False):
                old[corner] = new
        sse = np.einsum("nk,nk->n", side[1], side[1])
        better = sse < least[at]
        to = at[better]
        least[to] = sse[better]
        for whole, part in zip((q, left, c), side, strict=False):
            whole[to] = part[better]
        held[to] = ~np.isnan(value[better])
    return q, left, c, held


def _project_held(
    x: np.ndarray, y: np.ndarray, value: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """`project` with c0 and c1/c0 held at `value` (n, 2), NaN where free.

    c1 = ratio c0 puts ratio times column 1 into column 0; c0 = dry takes dry times its column from
    y. A column that is gone is zero and adds nothing to the basis.
    """
    x, y = x.copy(), y.copy()
    own, tied = ~np.isnan(value.T)
    x[tied, 0] += value[tied, 1, None] * x[tied, 1]
    x[tied, 1] = 0
    y[own] -= value[own, 0, None] * x[own, 0]
    x[own, 0] = 0
    q, left, c = project(x, y)
    c[own, 0] = value[own, 0]
    c[tied, 1] = value[tied, 1] * c[tied, 0]
    return q, left, c


def solve(law: LinearLaw, u: np.ndarray, d: Task) -> Solved:
    """Everything at u with the linear part solved."""
    x, y, d_decay, d_forced = design(law, u, d)
    q, left, c, held = within_limits(x, y, d.limits)
    by_decay = c[:, 1] - c[:, 2] if d.open_air else c[:, 1]
    k = d.t.shape[1]
    slopes = np.empty((len(u), u.shape[1], y.shape[1]))
    slopes[..., k:] = 0
    for a in range(u.shape[1]):
        if d_forced is None:
            own = (by_decay - c[:, 0] * d.level / 100)[:, None] * d.w
            np.multiply(own, d_decay[a], out=slopes[:, a, :k])
        else:
            both = by_decay[:, None] * d_decay[a] + c[:, :1] / 100 * d_forced[a]
            slopes[:, a, :k] = both * d.w
    return Solved(np.einsum("nk,nk->n", left, left), x, q, left, c, slopes, held)


def gather_normal(
    s: Solved, u: np.ndarray, d: Task, held: int = -1
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Normal matrix and gradient in u, and which u stay: held, or pressed against a bound.

    The slopes less their part in the linear columns are Kaufman's Jacobian; with it the gradient
    of the projected SSE is exact, and only the curvature leaves out a term that the residuals make
    small.
    """
    j, part_of = s.slopes.copy(), np.empty(s.slopes.shape)
    for a in range(s.basis.shape[1]):
        dot = np.einsum("npk,nk->np", j, s.basis[:, a])
        j -= np.multiply(dot[..., None], s.basis[:, a, None], out=part_of)
    gradient = np.einsum("npk,nk->np", j, s.left)
    normal = np.einsum("npk,nqk->npq", j, j)
    stuck = ((u <= d.low) & (gradient < 0)) | ((u >= d.high) & (gradient > 0))
    stuck[:, held] |= held >= 0
    normal = np.where(stuck[:, :, None] | stuck[:, None], 0.0, normal)
    return normal, np.where(stuck, 0.0, gradient), stuck


def damped_step(normal: np.ndarray, gradient: np.ndarray, damping: np.ndarray) -> np.ndarray:
    """Levenberg and Marquardt's step; zero along a u that changes nothing."""
    p = gradient.shape[1]
    diagonal = np.einsum("npp->np", normal)
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


def descend(
    law: LinearLaw, u: np.ndarray, d: Task, *, held: int = -1, most: int = 60,
    tolerance: float = STEP_TOLERANCE,
) -> tuple[np.ndarray, Solved]:  # fmt: skip
    """From u (n, P) downhill, each piece with its own damping; best u and all that stands there.

    Finished pieces leave the arrays, so that a few slow ones do not cost the whole chunk.
    """
    best, whole = u.copy(), solve(law, u, d)
    at, now, here = np.arange(len(u)), d, whole
    damping, before = np.full(len(u), 1e-4), np.zeros(len(u))
    for _ in range(most):
        normal, gradient, _ = gather_normal(here, u, now, held)
        step = damped_step(normal, gradient, damping)
        # at a bound, yet drawn across it by its correlation with the others: those go on alone
        out = ((u <= now.low) & (step < 0)) | ((u >= now.high) & (step > 0))
        if out.any():
            normal = np.where(out[:, :, None] | out[:, None], 0.0, normal)
            step = damped_step(normal, np.where(out, 0.0, gradient), damping)
        # shortened as a whole: cut component by component it would leave a slanting valley
        step *= np.minimum(1, MOST_STEP / np.maximum(np.abs(step).max(1), 1e-300))[:, None]
        trial = np.clip(u + step, now.low, now.high)
        if held >= 0:
            trial[:, held] = u[:, held]
        there = solve(law, trial, now)
        good = there.sse <= here.sse
        moved = np.abs(trial - u).max(1)
        gained = here.sse - there.sse
        # A short step says something only while damping does not shorten it. Where steps shrink,
        # the next would be about moved^2/before, and that is what is asked to be small.
        full = damping < 0.1
        over = full & good & (moved * np.minimum(moved / np.maximum(before, 1e-300), 1) < tolerance)
        over |= full & (np.abs(gained) <= 1e-13 * here.sse) & (moved < 10 * tolerance)
        over |= (full & (moved < tolerance)) | (damping > 1e8)
        before = np.where(good & full, moved, 0.0)
        damping = np.clip(np.where(good, damping * 0.05, damping * 10), 1e-7, 1e9)
        u = np.where(good[:, None], trial, u)
        if good.all():
            here = there
        else:
            here = Solved(*(np.where(good.reshape(-1, *[1] * (a.ndim - 1)), a, b)
                            for a, b in zip(there, here, strict=True)))  # fmt: skip
        if over.all():
            break
        if over.mean() > 0.3:
            best[at], whole = u, _put(whole, here, at)
            go = ~over
            at, now, u, damping, before = at[go], now.take(go), u[go], damping[go], before[go]
            here = Solved(*(a[go] for a in here))
    best[at] = u
    return best, _put(whole, here, at)


def _put(whole: Solved, part: Solved, at: np.ndarray) -> Solved:
    """`whole` with the rows `at` replaced, in place unless they are all of it."""
    if at.size == len(whole.sse):
        return part
    for old, new in zip(whole, part, strict=True):
        old[at] = new
    return whole


def first_guesses(law: LinearLaw, d: Task) -> np.ndarray:
    """Starting values (searches, n, P): the best of the grid, over the first parameter first.

    For each value of the other parameters the best time scale; of these the best few, so that
    several searches begin in different valleys and not at neighbours on the grid.
    """
    n = len(d.t)
    few = np.unique(np.linspace(0, max(d.t.shape[1] - 1, 0), STARTS_SEE).astype(int))
    span = np.log(np.maximum((d.t * d.w).max(1, initial=0.0), 1.0))
    seen = replace(d, t=d.t[:, few], y=d.y[:, few], w=d.w[:, few],
                   events=None if d.events is None else d.events[..., few])  # fmt: skip
    others = np.array(np.meshgrid(*law.starts[1:], indexing="ij"), dtype=float)
    others = others.reshape(len(law.starts) - 1, -1).T if len(law.starts) > 1 else np.empty((1, 0))
    scales = np.array(law.starts[0])
    # every start of every piece as a row of its own: (others, scales, pieces)
    shape = len(others), scales.size, n
    row = np.broadcast_to(np.arange(n), shape).ravel()
    u = np.empty((*shape, len(law.starts)))
    u[..., 0] = law.from_time(span + scales[:, None], d.half_m)
    u[..., 1:] = others[:, None, None]
    u = np.clip(u.reshape(-1, len(law.starts)), d.low[row], d.high[row])
    all_rows = seen.take(row)
    left = within_limits(*design(law, u, all_rows)[:2], all_rows.limits)[1]
    sse = np.einsum("nk,nk->n", left, left).reshape(shape)
    u = u.reshape(*shape, len(law.starts))
    best = np.nan_to_num(sse, nan=np.inf).argmin(1)[:, None]
    found = np.take_along_axis(u, best[..., None], 1)[:, 0]
    order = np.argsort(np.take_along_axis(sse, best, 1)[:, 0], axis=0)[: law.searches]
    found = np.take_along_axis(found, order[:, :, None], 0)
    # a few steps on the few weighings cost a fifth of one on all
    return np.stack([descend(law, start, seen, most=FIRST_STEPS, tolerance=1e-2)[0]
                     for start in found])  # fmt: skip
