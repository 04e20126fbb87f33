"""Numbers of which only a bound is known, in a blocked comparison.

A piece that has not reached its target has taken at least so long. Its unknown time is drawn, many
times over, from what the model and the other pieces say of it given that bound (data augmentation;
Tanner, M. A., and Wong, W. H. (1987), Journal of the American Statistical Association 82,
528-540). Each filled-in set is analysed as if whole, and the results are put together by the rules
of Rubin, D. B. (1987), Multiple Imputation for Nonresponse in Surveys, with the degrees of freedom
of Barnard, J., and Rubin, D. B. (1999), Biometrika 86, 948-955.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import log_ndtr, ndtri_exp

from woodlab.errors import WoodlabError
from woodlab.studies.comparison import Comparison, from_t
from woodlab.studies.mixed import blocked_fit

SETS = 20
_WARM_UP = 150
_APART = 12


def censored_contrasts(
    bounds: tuple[ArrayLike, ArrayLike],
    x: ArrayLike,
    block: ArrayLike,
    contrasts: ArrayLike,
    *,
    seed: int = 1,
    sets: int = SETS,
) -> list[Comparison]:
    """Contrasts of the fixed effects of a blocked model, with values known by bounds.

    Parameters
    ----------
    bounds : pair of array_like, shape (n,)
        Lower and upper; equal where the value is known, inf where there is no bound.
    x, block : array_like, shape (n, p) and (n,)
        As for `blocked_fit`.
    contrasts : array_like, shape (k, p)
    seed, sets : int
        How many filled-in sets are drawn, and from which seed.

    Raises
    ------
    WoodlabError
        If fewer than p + 1 values are known.

    Examples
    --------
    >>> x = [[1, 0], [1, 1]] * 4
    >>> low = [1.0, 2.1, 2.0, 3.2, 0.5, 1.4, 1.2, 2.0]
    >>> high = low[:-1] + [float("inf")]  # the last took at least so long
    >>> got = censored_contrasts((low, high), x, list("aabbccdd"), [[0, 1]], seed=3)[0]
    >>> got.estimate > 1.0
    True
    """
    low, high = (np.asarray(side, dtype=float) for side in bounds)
    x = np.asarray(x, dtype=float)
    lines = np.atleast_2d(np.asarray(contrasts, dtype=float))
    known = low == high
    if known.sum() <= x.shape[1]:
        raise WoodlabError(
            f"only {int(known.sum())} values are known and {int((~known).sum())} are bounds; "
            f"that does not show {x.shape[1]} effects and a scatter."
        )
    if known.all():
        fit = blocked_fit(low, x, block)
        return [fit.contrast(line) for line in lines]
    filled = _filled_sets(low, high, x, np.asarray(block), seed, sets)
    fits = [blocked_fit(values, x, block, by="profile") for values in filled]
    method = f"{max((fit.method for fit in fits), key=len)}, {int((~known).sum())} times censored"
    return [_together([fit.contrast(line) for fit in fits], method) for line in lines]


def _together(parts: list[Comparison], method: str) -> Comparison:
    """Rubin's rules."""
    m = len(parts)
    estimates = np.array([part.estimate for part in parts])
    within = float(np.mean([part.stderr**2 for part in parts]))
    between = float(estimates.var(ddof=1)) * (1 + 1 / m)
    total = within + between
    share = between / total
    whole = float(np.mean([part.df for part in parts]))
    observed = (whole + 1) / (whole + 3) * whole * (1 - share)
    drawn = (m - 1) / share**2 if share > 0 else np.inf
    df = 1 / (1 / observed + 1 / drawn)
    return from_t(float(estimates.mean()), float(np.sqrt(total)), df, method)


def _filled_sets(
    low: np.ndarray, high: np.ndarray, x: np.ndarray, block: np.ndarray, seed: int, sets: int
) -> np.ndarray:
    """Draws of the whole data by Gibbs sampling of the blocked model; (sets, n)."""
    rng = np.random.default_rng(seed)
    codes = np.unique(block, return_inverse=True)[1]
    n, p = x.shape
    q = int(codes.max()) + 1
    blocked = 2 < q < n
    counts = np.bincount(codes, minlength=q)
    known = low == high
    finite_low, finite_high = np.isfinite(low), np.isfinite(high)
    y = np.where(known, low, np.where(finite_low, low, high))
    both = ~known & finite_low & finite_high
    y[both] = (low[both] + high[both]) / 2
    root = np.linalg.cholesky(np.linalg.inv(x.T @ x))
    project = np.linalg.pinv(x)
    residual = float(np.var(y[known] - x[known] @ np.linalg.lstsq(x[known], y[known])[0])) + 1e-12
    effect, tau2 = np.zeros(q), 0.5 * residual
    floor = 1e-3 * residual
    out = np.empty((sets, n))
    for turn in range(_WARM_UP + sets * _APART):
        own = effect[codes]
        beta = project @ (y - own) + np.sqrt(residual) * root @ rng.normal(size=p)
        fitted = x @ beta
        if blocked:
            weight = 1 / (counts / residual + 1 / tau2)
            sums = np.bincount(codes, y - fitted, minlength=q)
            effect = weight * sums / residual + np.sqrt(weight) * rng.normal(size=q)
            tau2 = max(float((effect @ effect) / rng.chisquare(q - 1)), floor)
            own = effect[codes]
        rest = y - fitted - own
        residual = max(float(rest @ rest) / rng.chisquare(max(n - p, 1)), 1e-12)
        mean, sd = (fitted + own)[~known], np.sqrt(residual)
        y[~known] = mean + sd * _between(
            (low[~known] - mean) / sd, (high[~known] - mean) / sd, rng
        )
        if turn >= _WARM_UP and (turn - _WARM_UP) % _APART == _APART - 1:
            out[(turn - _WARM_UP) // _APART] = y
    return out


def _between(low: np.ndarray, high: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Standard normal numbers between bounds, drawn in the tail where the logarithm is safe."""
    flip = low > -high  # work in the lower tail
    a, b = np.where(flip, -high, low), np.where(flip, -low, high)
    log_a, log_b = log_ndtr(a), log_ndtr(b)
    share = rng.uniform(size=low.shape)
    # ln(F(a) + share (F(b) - F(a)))
    inside = log_b + np.log1p(-(1 - share) * -np.expm1(log_a - log_b))
    drawn = ndtri_exp(inside)
    return np.where(flip, -drawn, drawn)
