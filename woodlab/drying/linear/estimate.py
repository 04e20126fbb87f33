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

from dataclasses import dataclass, field, fields, replace

import numpy as np

from woodlab.drying.linear.course import Course
from woodlab.drying.linear.laws import LAWS, LinearLaw
from woodlab.drying.linear.search import (
    Solved,
    Task,
    damped_step,
    descend,
    design,
    first_guesses,
    gather_normal,
    solve,
)  # fmt: skip
from woodlab.errors import WoodlabError

CHUNK, DRIVEN_CHUNK = 800, 100
LEAST_MOISTURE_PCT = 0.1  # start moisture stays above zero
LONGEST_SPANS = 50.0  # a time constant beyond so many lengths of the record is not determined
FIRST_SIGMA = 1e-3  # of the first mass, until the residuals tell
DECREMENT = 1e-6  # converged: the next step is below a thousandth of a standard error
ROUNDS, SETTLED = 20, 1e-6  # turns between sigma, the priors' anchors and u
ALIKE = 1.1
SPIKE, SPIKE_AT_EDGE = 8.0, 16.0


@dataclass(frozen=True)
class PieceRows:
    """The weighings of n pieces as a padded table of k columns, and what is known beforehand.

    Attributes
    ----------
    t, mass_g, weight : ndarray, (n, k)
        Days since day 0, mass [g], and 1 where the weighing is used (0: padding, or left out).
    half_m : ndarray, (n,)
        Half of the wall [m].
    air : ndarray (n,) or Course
        One equilibrium moisture a piece [%], or daily courses.
    start, which : ndarray, (n,)
        With a `Course`: course time [days] of each piece's day 0, and number of its course.
    air_sd_pct : ndarray (n,) or None
        Standard deviation of a lasting offset between `air` and the equilibrium at the piece [% of
        oven-dry mass]. With one level and a large value the end of the curve is free. None: exact.
    events : ndarray (n, m, k) or None
        Further columns of the model, one an event (0 before it, 1 after it for a step in mass).
    ln_dry, ln_dry_sd : ndarray (n,) or None
        Mean and sd of ln oven-dry mass [g] where it is known beforehand; NaN elsewhere.
    ln_start, ln_start_sd : ndarray (n,) or None
        The same for ln start moisture [%], from offcuts or species.
    most_start_pct : float or ndarray (n,)
        The most start moisture that the wood can hold [%].
    floor_g : float or ndarray (n,)
        The least standard deviation of a weighing [g] that is believed, from the scale's step.
    """

    t: np.ndarray
    mass_g: np.ndarray
    weight: np.ndarray
    half_m: np.ndarray
    air: np.ndarray | Course
    start: np.ndarray | None = None
    which: np.ndarray | None = None
    air_sd_pct: np.ndarray | None = None
    events: np.ndarray | None = None
    ln_dry: np.ndarray | None = None
    ln_dry_sd: np.ndarray | None = None
    ln_start: np.ndarray | None = None
    ln_start_sd: np.ndarray | None = None
    most_start_pct: float | np.ndarray = np.inf
    floor_g: float | np.ndarray = 0.03


@dataclass(frozen=True)
class LinearEstimates:
    """Estimates of n pieces under one law.

    Attributes
    ----------
    law : str
    u : ndarray, (n, P)
        Working parameters, named in `LAWS[law].parameters`.
    oven_dry_g, start_moisture_pct : ndarray, (n,)
    covariance : ndarray, (n, P + 2, P + 2)
        Of (u, ln oven_dry_g, start_moisture_pct). NaN for a parameter at a bound, one that the
        weighings do not touch, and where no degree of freedom is left.
    air_offset_pct : ndarray, (n,)
        The equilibrium at the piece less `air`, where `air_sd_pct` left it open, else 0.
    steps_g : ndarray, (n, m)
        Coefficients of the event columns.
    sigma_g, dof : ndarray, (n,)
        Standard deviation of a weighing, and the degrees of freedom that it has left. `dof` need
        not be whole: a prior takes a part of a parameter.
    used : ndarray of bool, (n, k)
        The weighings that count, less those set aside as outliers.
    fitted_g : ndarray, (n, k)
    converged : ndarray of bool, (n,)
        The gradient and the next step are small beside the standard errors, and there is a degree
        of freedom to tell them.
    at_bound : ndarray of bool, (n, P + 2)
        Which of (u, oven-dry mass, start moisture) stopped at a bound.
    anchor : ndarray, (n, 3)
        Where the priors were made linear; `profile` begins there.
    """

    law: str
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
    anchor: np.ndarray = field(repr=False)


def fit_linear(
    law_name: str, rows: PieceRows, *, most_outliers: int = 6, chunk: int = CHUNK
) -> LinearEstimates:
    """Fit one linear law to every piece.

    Parameters
    ----------
    law_name : str
        A name of `LAWS`.
    rows : PieceRows
    most_outliers : int
        How many weighings of a piece may be set aside; see `_stands_alone`.
    chunk : int
        Pieces fitted together: few enough to stay in the processor's cache.

    Returns
    -------
    LinearEstimates

    Raises
    ------
    WoodlabError
        If the law is unknown, holds in constant air only and is given a course, or if a used
        weighing is not finite.

    Examples
    --------
    >>> t = np.arange(0.0, 120.0, 7.0)[None]
    >>> mass = 900 * (1 + (12 + 58 * np.exp(-t / 30)) / 100)
    >>> rows = PieceRows(t, mass, np.ones(t.shape), np.array([0.0125]), np.array([12.0]))
    >>> fits = fit_linear("exponential", rows)
    >>> [round(float(x[0]), 3) for x in (np.exp(fits.u[:, 0]), fits.oven_dry_g)]
    [30.0, 900.0]
    """
    law = checked_law(law_name, rows)
    n = len(rows.t)
    parts = []
    if isinstance(rows.air, Course) and law.sheet:
        chunk = min(chunk, DRIVEN_CHUNK)  # all modes stand side by side there
    for begin in range(0, max(n, 1), chunk):
        parts.append(_fit(law, task_of(law, rows, slice(begin, begin + chunk)), most_outliers))
    names = [f.name for f in fields(LinearEstimates) if f.name != "law"]
    return LinearEstimates(law.name, *(np.concatenate([p[name] for p in parts]) for name in names))


def checked_law(name: str, rows: PieceRows) -> LinearLaw:
    if name not in LAWS:
        raise WoodlabError(f"There is no linear law {name!r}. Choose from: {', '.join(LAWS)}.")
    law = LAWS[name]
    if law.modes is None and isinstance(rows.air, Course):
        raise WoodlabError(
            f"The law {name!r} is no sum of modes and holds in constant air only. Give one "
            "equilibrium moisture a piece, or take two_term or film, which follow the air."
        )
    bad = (rows.weight > 0) & ~(np.isfinite(rows.t) & np.isfinite(rows.mass_g) & (rows.t >= 0))
    if bad.any():
        piece, column = (int(i) for i in np.argwhere(bad)[0])
        raise WoodlabError(
            f"Weighing {column} of piece {piece} is used but is not a finite mass on a day from 0 "
            f"on (day {rows.t[piece, column]:g}, {rows.mass_g[piece, column]:g} g)."
        )
    return law


def task_of(law: LinearLaw, rows: PieceRows, at: slice) -> Task:
    """Rows of a chunk with bounds, priors as (n, 3) and first guesses of what they need."""
    t, weight = np.nan_to_num(rows.t[at]), (rows.weight[at] > 0).astype(float)
    n = len(t)
    y = np.where(weight > 0, rows.mass_g[at], 0.0)

    def of(value: float | np.ndarray | None, default: float = np.nan) -> np.ndarray:
        value = default if value is None else value
        value = np.asarray(value, dtype=float)
        return value[at] if value.ndim else np.full(n, float(value))

    first = y[np.arange(n), (weight > 0).argmax(1)]
    floor = of(rows.floor_g)
    # rows beneath the weighings: ln oven-dry mass, ln (water/oven-dry) at the start, offset
    mean = np.stack([of(rows.ln_dry), of(rows.ln_start) - np.log(100), np.zeros(n)], 1)
    sd = np.stack([of(rows.ln_dry_sd), of(rows.ln_start_sd), of(rows.air_sd_pct, 0.0) / 100], 1)
    sd = np.where(np.isfinite(mean) & (sd > 0), sd, np.inf)
    dry = np.where(np.isfinite(sd[:, 0]), np.exp(np.nan_to_num(mean[:, 0])), first / 1.6)
    ratio = np.where(np.isfinite(sd[:, 1]), np.exp(np.nan_to_num(mean[:, 1])), 0.6)
    # Oven-dry mass: above zero and below the lightest weighing, unless an event changed the mass.
    # Until slips are set aside, the lightest that has a like beside it: a slip bounds nothing.
    ranked = np.sort(np.where(weight > 0, y, np.inf), 1)
    alike = ranked[:, 1:] <= ALIKE * np.where(np.isinf(ranked[:, :-1]), -1, ranked[:, :-1])
    lightest = ranked[np.arange(n), alike.argmax(1) if alike.size else 0]
    events = None if rows.events is None else rows.events[at]
    if events is not None:
        lightest[(events != 0).any((1, 2))] = np.inf
    limits = np.empty((n, 2, 2))
    limits[:, 0, 0], limits[:, 0, 1] = 1e-3 * np.abs(first) + 1e-9, lightest
    limits[:, 1, 0], limits[:, 1, 1] = LEAST_MOISTURE_PCT / 100, of(rows.most_start_pct) / 100
    low, high = (np.tile(np.array(b, float), (n, 1)) for b in (law.lower, law.upper))
    span = np.maximum((t * weight).max(1, initial=0.0), 10.0)
    slowest = law.from_time(np.log(LONGEST_SPANS * span), of(rows.half_m))
    if law.by_diffusivity:
        low[:, 0] = np.maximum(low[:, 0], slowest)
    else:
        high[:, 0] = np.minimum(high[:, 0], slowest)
    course = rows.air if isinstance(rows.air, Course) else None
    level = None if isinstance(rows.air, Course) else rows.air
    return Task(
        t=t, y=y, w=weight, half_m=of(rows.half_m), level=of(level, 0.0),
        course=course,
        start=of(rows.start, 0.0), which=of(rows.which, 0.0).astype(int), events=events,
        mean=mean, sd=sd, open_air=rows.air_sd_pct is not None, floor=floor,
        sigma=np.maximum(FIRST_SIGMA * np.abs(first), floor),
        anchor=np.stack([dry, ratio * dry, 0 * dry], 1), limits=limits, low=low, high=high,
    )  # fmt: skip


def with_weights(d: Task, w: np.ndarray) -> Task:
    """The task with other weighings used, and the oven-dry mass below the lightest of these."""
    limits = d.limits.copy()
    lightest = np.where(w > 0, d.y, np.inf).min(1, initial=np.inf)
    limits[:, 0, 1] = np.where(np.isinf(limits[:, 0, 1]), np.inf, lightest)
    return replace(d, w=w, y=d.y * w, limits=limits)


def _fit(law: LinearLaw, d: Task, most_outliers: int) -> dict[str, np.ndarray]:
    """Search, set outliers aside, settle sigma and priors, then covariance and checks."""
    u, s = _search(law, d)
    u, w = _without_outliers(law, u, d, s, most_outliers)
    plain = with_weights(d, w)
    if (w != d.w).any() or (plain.limits != d.limits).any():
        d = plain
        u, s = descend(law, u, d)
    u, d, s = _settle(law, u, d, s)
    normal, gradient, stuck = gather_normal(s, u, d)
    step = damped_step(normal, gradient, np.zeros(len(u)))
    # Newton's decrement: the squared length of the next step in standard errors. Gradient and
    # step are both in it, and it asks the same of every parameter whatever its unit.
    decrement = (gradient * step).sum(1) / d.sigma**2
    unit, dof = _curvature(d, s, stuck)
    settled = np.abs(_sigma(s, d, dof) / d.sigma - 1) < 1e-3
    converged = (decrement < DECREMENT) & np.isfinite(decrement) & settled
    covariance = _covariance(unit, s, d, stuck)
    none_left = dof < 1 - 1e-6
    covariance[none_left] = np.nan
    converged &= ~none_left
    k = d.t.shape[1]
    own = 2 + d.open_air
    fitted = d.y - s.left[:, :k]
    some = np.flatnonzero((d.w == 0).any(1))
    if some.size:
        x = design(law, u[some], replace(d, w=np.ones(d.w.shape)).take(some))[0][:, :, :k]
        fitted[some] = np.einsum("nm,nmk->nk", s.c[some], x)
    dry = s.c[:, 0]
    return {
        "u": u, "oven_dry_g": dry, "start_moisture_pct": 100 * s.c[:, 1] / dry,
        "covariance": covariance,
        "air_offset_pct": 100 * s.c[:, 2] / dry if d.open_air else 0 * dry,
        "steps_g": s.c[:, own:], "sigma_g": d.sigma, "dof": dof, "used": d.w > 0,
        "fitted_g": fitted, "converged": converged,
        "at_bound": np.concatenate([stuck, s.held], 1), "anchor": d.anchor,
    }  # fmt: skip


def _search(law: LinearLaw, d: Task) -> tuple[np.ndarray, Solved]:
    """The best of one or several descents; several go part of the way, the best to the end."""
    starts = first_guesses(law, d)
    u, least = starts[0], np.full(len(d.t), np.inf)
    for start in starts if law.searches > 1 else ():
        there, s = descend(law, start, d, most=15, tolerance=1e-3)
        u = np.where((s.sse < least)[:, None], there, u)
        least = np.fmin(least, s.sse)
    return descend(law, u, d)


def _sigma(s: Solved, d: Task, dof: np.ndarray) -> np.ndarray:
    own = np.square(s.left[:, : d.t.shape[1]]).sum(1)
    return np.maximum(np.sqrt(own / np.maximum(dof, 1e-3)), d.floor)


def _settle(law: LinearLaw, u: np.ndarray, d: Task, s: Solved) -> tuple[np.ndarray, Task, Solved]:
    """Sigma from the residuals; with priors, whose weight depends on it, by turns with u."""
    if not d.priors.size:
        columns = np.einsum("nmk,nmk->nm", s.basis, s.basis) > 0.5
        held = s.held.sum(1)  # their columns are taken from the basis, but they are parameters
        dof = (d.w > 0).sum(1) - u.shape[1] - columns.sum(1) - held
        return u, replace(d, sigma=_sigma(s, d, dof)), s
    u, sigma, anchor = u.copy(), d.sigma.copy(), d.anchor.copy()
    todo, now, there = np.arange(len(u)), d, s
    for _ in range(ROUNDS):
        stuck = gather_normal(there, u[todo], now)[2]
        new = _sigma(there, now, _curvature(now, there, stuck)[1])
        at = np.zeros((todo.size, 3))
        at[:, : 2 + d.open_air] = there.c[:, : 2 + d.open_air]
        moved = np.abs(at - anchor[todo]).max(1) / there.c[:, 0]
        moved = np.maximum(moved, np.abs(new / sigma[todo] - 1))
        sigma[todo], anchor[todo] = new, at
        todo = todo[moved > SETTLED]
        if not todo.size:
            break
        now = replace(d, sigma=sigma, anchor=anchor).take(todo)
        u[todo], there = descend(law, u[todo], now)
    d = replace(d, sigma=sigma, anchor=anchor)
    return u, d, solve(law, u, d)


def _curvature(
    d: Task, s: Solved, stuck: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Covariance of (u, c) for sigma = 1, (n, P + M, P + M), and degrees of freedom.

    A `stuck` u is left out of the covariance (NaN); it still counts as a parameter.

    The degrees of freedom are weighings less the trace of the hat matrix over the weighings: a
    parameter that a prior holds costs the weighings less than one.
    """
    slopes = s.slopes if stuck is None else np.where(stuck[..., None], 0.0, s.slopes)
    full = np.concatenate([slopes, s.columns], 1)
    normal = np.einsum("npk,nqk->npq", full, full)
    scale = np.sqrt(np.einsum("npp->np", normal))
    there = scale > 0
    scale = np.where(there, scale, 1.0)
    normal /= scale[:, :, None] * scale[:, None]
    # A direction without weight must come out as unknown, which the small ridge makes of it: a
    # pseudo-inverse would call it certain.
    unit = np.linalg.inv(normal + 1e-14 * np.eye(full.shape[1]))
    unit /= scale[:, :, None] * scale[:, None]
    known = full[..., d.t.shape[1] :]
    held_by_priors = np.einsum("nak,nab,nbk->n", known, unit, known)
    p = slopes.shape[1]
    parameters = p + there[:, p:].sum(1)
    dof = (d.w > 0).sum(1) - parameters + held_by_priors
    unit[~there] = np.nan
    unit.transpose(0, 2, 1)[~there] = np.nan
    return unit, dof


def _covariance(unit: np.ndarray, s: Solved, d: Task, stuck: np.ndarray) -> np.ndarray:
    """Of (u, ln oven-dry mass, start moisture), by the slopes of the last two in c."""
    p = stuck.shape[1]
    pick = unit[:, : p + 2, : p + 2] * np.square(d.sigma)[:, None, None]
    dry, water = s.c[:, 0], s.c[:, 1]
    turn = np.zeros(pick.shape)
    turn[:, np.arange(p), np.arange(p)] = 1
    turn[:, p, p] = 1 / dry
    turn[:, p + 1, p], turn[:, p + 1, p + 1] = -100 * water / dry**2, 100 / dry
    none = np.concatenate([stuck, np.zeros((len(dry), 2), bool)], 1)
    none |= np.isnan(np.einsum("npp->np", pick))
    out = turn @ np.nan_to_num(pick) @ turn.transpose(0, 2, 1)
    out[none] = np.nan
    out.transpose(0, 2, 1)[none] = np.nan
    return out


def _without_outliers(
    law: LinearLaw, u: np.ndarray, d: Task, s: Solved, most: int
) -> tuple[np.ndarray, np.ndarray]:
    """u and weights once no weighing stands alone; one at a time is set aside.

    One at a time, because beside a gross error its neighbours look odd, too.
    """
    u, w = u.copy(), d.w.copy()
    todo, left = np.arange(len(u)), s.left
    for _ in range(most):
        odd = _stands_alone(left[:, : w.shape[1]], w[todo], d.floor[todo])
        some = odd.any(1)
        todo = todo[some]
        if not todo.size:
            break
        w[todo] = np.where(odd[some], 0.0, w[todo])
        now = d.take(todo)
        now = replace(now, w=w[todo], y=now.y * w[todo])
        u[todo], there = descend(law, u[todo], now)
        left = there.left
    return u, w


def _stands_alone(left: np.ndarray, w: np.ndarray, floor: np.ndarray) -> np.ndarray:
    """The one weighing of each piece that stands alone, far off the middle of its neighbours.

    Local by intent: a law that does not fit leaves long waves in the residuals, and those are not
    the scale's fault. A weighing goes if it is off the median of its four neighbours by more than
    eight times what is usual in the piece, at the ends of the record sixteen times; a piece of
    fewer than seven weighings keeps all.
    """
    n, k = left.shape
    count = (w > 0).sum(1)
    out = np.zeros((n, k), dtype=bool)
    if k < 7 or not n:
        return out
    place = np.arange(k)
    low = np.clip(place - 2, 0, np.maximum(count - 5, 0)[:, None])
    order, value = np.broadcast_to(place, (n, k)), left
    near = low + np.arange(4)[:, None, None]
    near += near >= place  # the other four of the five
    if (count == k).all():
        a, b, c, e = (left[:, m[0]] for m in near)
    else:
        order = np.argsort(w <= 0, axis=1, kind="stable")  # the used ones, in their order, in front
        value = np.take_along_axis(left, order, 1)
        a, b, c, e = (np.take_along_axis(value, np.minimum(m, k - 1), 1) for m in near)
    least = np.minimum(np.minimum(a, b), np.minimum(c, e))
    largest = np.maximum(np.maximum(a, b), np.maximum(c, e))
    off = np.abs(value - (a + b + c + e - least - largest) / 2)
    edge = (place < 2) | (place >= count[:, None] - 2)
    used = place < count[:, None]
    score = np.where(used, off / np.where(edge, SPIKE_AT_EDGE, SPIKE), 0)
    worst = score.argmax(1)
    most = score[np.arange(n), worst]
    # more than the usual size (1.4826 times the median): more than half are below it, no sort
    below = (used & (off * 1.4826 < most[:, None])).sum(1)
    some = (most > floor) & (below > (count - 1) // 2) & (count >= 7)
    out[some, order[some, worst[some]]] = True
    return out
