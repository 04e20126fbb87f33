"""Profile-likelihood limits of what `fit_linear` estimated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from woodlab.drying.linear.estimate import (
    CHUNK,
    LinearEstimates,
    PieceRows,
    checked_law,
    task_of,
    with_weights,
)
from woodlab.drying.linear.laws import LinearLaw
from woodlab.drying.linear.search import Task, descend

TOLERANCE = 1e-3  # of the quantile


def profile(
    rows: PieceRows, fits: LinearEstimates, quantile: float | np.ndarray, *, rounds: int = 24
) -> np.ndarray:
    """Limits where the profile likelihood has fallen by `quantile` standard deviations.

    At a limit, least squares with that one value held and all others free again exceed the least
    sum of squares by quantile^2 sigma^2: sigma, and what is set aside, stay as fitted.

    Parameters
    ----------
    rows : PieceRows
        As given to `fit_linear`.
    fits : LinearEstimates
        What it returned.
    quantile : float or ndarray (n,)
        Of the normal or t distribution: 1.96 for 95 %.
    rounds : int
        Trials a limit.

    Returns
    -------
    ndarray, (n, P + 2, 2)
        Lower and upper limit of u, oven-dry mass [g] and start moisture [%]. Where a bound comes
        first it is infinite for u, and the bound itself for the other two; NaN where the search did
        not end or the fit has no sigma.

    Examples
    --------
    >>> from woodlab.drying.linear import fit_linear
    >>> t = np.arange(0.0, 120.0, 7.0)[None]
    >>> mass = (900 * (1 + (12 + 58 * np.exp(-t / 30)) / 100)).round()
    >>> rows = PieceRows(t, mass, np.ones(t.shape), np.array([0.0125]), np.array([12.0]))
    >>> limits = profile(rows, fit_linear("exponential", rows), 1.96)
    >>> np.exp(limits[0, 0]).round(1).tolist()
    [30.0, 30.1]
    """
    law = checked_law(fits.law, rows)
    n, p = fits.u.shape
    wanted = np.broadcast_to(np.asarray(quantile, dtype=float), (n,))
    out = np.empty((n, p + 2, 2))
    for begin in range(0, n, CHUNK):
        at = slice(begin, begin + CHUNK)
        d, w = task_of(law, rows, at), fits.used[at].astype(float)
        d = replace(with_weights(d, w), sigma=fits.sigma_g[at], anchor=fits.anchor[at])
        with np.errstate(invalid="ignore"):
            sd = np.sqrt(np.einsum("npp->np", fits.covariance[at]))
        dry = fits.oven_dry_g[at]
        centre = np.column_stack([fits.u[at], dry, fits.start_moisture_pct[at] / 100])
        sd = np.clip(np.nan_to_num(sd, nan=0.5), 1e-6, 2.0)
        sd[:, p] *= dry
        sd[:, p + 1] = np.sqrt(np.nan_to_num(fits.covariance[at, -1, -1], nan=100.0)) / 100
        for a in range(p + 2):
            for side, sign in enumerate((-1, 1)):
                step = sign * wanted[at] * sd[:, a]
                out[at, a, side] = _limit(law, d, fits.u[at], a, centre[:, a], step,
                                          wanted[at], rounds)  # fmt: skip
    out[:, p + 1] *= 100
    out[~np.isfinite(fits.sigma_g)] = np.nan
    return out


def _at(
    law: LinearLaw, d: Task, u: np.ndarray, a: int, value: np.ndarray
) -> tuple[np.ndarray, np.ndarray, Task]:
    """Least squares with one quantity held at `value`: u, SSE, and the task with new anchors."""
    p = u.shape[1]
    if a < p:
        u = u.copy()
        u[:, a] = value
        u, s = descend(law, u, d, held=a, most=20, tolerance=1e-5)
    else:  # a limit from both sides holds it inside the linear part
        limits = d.limits.copy()
        limits[:, a - p] = value[:, None]
        u, s = descend(law, u, replace(d, limits=limits), most=20, tolerance=1e-5)
    if d.priors.size:
        extra = s.c[:, 2] if d.open_air else 0 * s.c[:, 0]
        d = replace(d, anchor=np.column_stack([s.c[:, :2], extra]))
    return u, s.sse, d


def _limit(
    law: LinearLaw, d: Task, u: np.ndarray, a: int, centre: np.ndarray, step: np.ndarray,
    wanted: np.ndarray, rounds: int,
) -> np.ndarray:  # fmt: skip
    """One side of one quantity for all pieces.

    On the signed root of the rise in SSE, z, which is all but straight: outwards in proportion
    until a value too far is found, then the chord between the last too near and the first too far.
    """
    p = u.shape[1]
    low, high = (d.low[:, a], d.high[:, a]) if a < p else d.limits[:, a - p].T
    out = np.full(len(u), np.nan)
    least = _at(law, d, u, a, centre)[1]
    at, now, here = np.arange(len(u)), d, centre + step
    near, z_near = centre.copy(), np.zeros(len(u))
    far, z_far = np.full(len(u), np.nan), np.full(len(u), np.nan)
    for turn in range(rounds):
        here = np.clip(here, low[at], high[at])
        u, sse, now = _at(law, now, u, a, here)
        q = wanted[at]
        z = np.sqrt(np.maximum(sse - least[at], 0)) / now.sigma
        short = z < q
        near[at], z_near[at] = np.where(short, here, near[at]), np.where(short, z, z_near[at])
        far[at], z_far[at] = np.where(short, far[at], here), np.where(short, z_far[at], z)
        edge = short & np.where(step[at] < 0, here <= low[at], here >= high[at])
        # where z jumps over the quantile (another minimum takes over), the bracket closes on it
        done = np.abs(z - q) < TOLERANCE * q
        done |= np.abs(far[at] - near[at]) < TOLERANCE * np.abs(here - centre[at])
        beyond = np.sign(step[at]) * np.inf if a < p else here
        out[at] = np.where(edge & ~done, beyond, np.where(done, here, np.nan))
        go = ~(edge | done)
        if not go.any():
            break
        at, now, u, here, z, q = at[go], now.take(go), u[go], here[go], z[go], q[go]
        way = here - centre[at]
        onward = centre[at] + way * np.clip(q / np.maximum(z, 1e-12), 1.1, 3.0)
        chord = np.clip((q - z_near[at]) / (z_far[at] - z_near[at]), 0.03, 0.97)
        chord = np.where(turn % 3 == 2, 0.5, chord)
        inward = near[at] + (far[at] - near[at]) * chord
        here = np.where(np.isnan(far[at]), onward, inward)
    return out
