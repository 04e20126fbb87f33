"""Two counts compared: the risk ratio with an exact interval.

The interval inverts two one-sided tests that order the tables by the score statistic of Miettinen
and Nurminen (1985, Statistics in Medicine 4, 213-226) and take the worst case over the unknown
risk, after Chan, I. S. F., and Zhang, Z. (1999), Test-based exact confidence intervals for the
difference of two binomial proportions, Biometrics 55, 1202-1209. It covers at least as often as it
says, for any true risks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from woodlab.errors import WoodlabError

# Above this many tables the worst case is no longer searched: the score interval alone is used.
MOST_TABLES = 4000
_GRID = 80
_FAR = 12.0  # ln of the widest ratio looked at


@dataclass(frozen=True)
class RiskRatio:
    """Risk in the first group over risk in the second.

    Attributes
    ----------
    ratio : float
        NaN where either count is zero: such a ratio has a bound on one side only.
    ci_lower, ci_upper : float
        0 and inf where the data set no bound.
    p_value : float
        Two-sided, of a ratio of 1: twice the smaller one-sided p value.
    """

    ratio: float
    ci_lower: float
    ci_upper: float
    p_value: float
    method: str


def risk_ratio(hits: tuple[int, int], totals: tuple[int, int], level: float = 0.95) -> RiskRatio:
    """The ratio of two risks, first over second.

    Parameters
    ----------
    hits, totals : pair of int
        How many of how many, in the first group and in the second.

    Raises
    ------
    WoodlabError
        If a group is empty or has more hits than members.

    Examples
    --------
    >>> got = risk_ratio((0, 6), (6, 12))
    >>> got.ratio, round(got.ci_upper, 2) > 0.5, got.ci_lower
    (nan, True, 0.0)
    """
    (x1, x0), (n1, n0) = hits, totals
    if min(n1, n0) < 1 or not (0 <= x1 <= n1 and 0 <= x0 <= n0):
        raise WoodlabError(
            f"a risk ratio needs two groups with at most all of them hit (found {x1} of {n1} and "
            f"{x0} of {n0})."
        )
    method = "exact risk ratio" if (n1 + 1) * (n0 + 1) <= MOST_TABLES else "risk ratio, score"
    if x1 == 0 and x0 == 0:
        return RiskRatio(np.nan, 0.0, np.inf, 1.0, method)
    ratio = np.nan if 0 in (x1, x0) else (x1 / n1) / (x0 / n0)
    tail = (1 - level) / 2
    lower = 0.0 if x1 == 0 else np.exp(_edge(x1, x0, n1, n0, tail, upper=False))
    top = np.inf if x0 == 0 else np.exp(_edge(x1, x0, n1, n0, tail, upper=True))
    above = _tail(1.0, x1, x0, n1, n0, upper=False)
    below = _tail(1.0, x1, x0, n1, n0, upper=True)
    return RiskRatio(ratio, float(lower), float(top), min(1.0, 2 * min(above, below)), method)


def _score(ratio: float, x1: np.ndarray, x0: np.ndarray, n1: int, n0: int) -> np.ndarray:
    """Score statistic of a true ratio; its variance at the best risks under that ratio."""
    total = n1 + n0
    b = -(n1 * ratio + x1 + n0 + x0 * ratio)
    c = x1 + x0
    root = np.sqrt(np.maximum(b**2 - 4 * total * ratio * c, 0))
    p0 = np.clip((-b - root) / (2 * total * ratio), 0, min(1.0, 1 / ratio))
    p1 = np.clip(ratio * p0, 0, 1)
    variance = p1 * (1 - p1) / n1 + ratio**2 * p0 * (1 - p0) / n0
    gap = x1 / n1 - ratio * x0 / n0
    with np.errstate(divide="ignore", invalid="ignore"):
        z = gap / np.sqrt(variance)
    return np.where(np.abs(gap) < 1e-12, 0.0, np.where(variance > 1e-15, z, np.sign(gap) * 1e6))


def _tail(ratio: float, x1: int, x0: int, n1: int, n0: int, *, upper: bool) -> float:
    """Largest chance, over the unknown risk, of a table as far out as the one seen."""
    side = -1.0 if upper else 1.0
    seen = side * float(_score(ratio, np.array(x1), np.array(x0), n1, n0))
    if (n1 + 1) * (n0 + 1) > MOST_TABLES:
        return float(stats.norm.sf(seen))
    a, b = np.arange(n1 + 1), np.arange(n0 + 1)
    far = side * _score(ratio, a[:, None], b[None, :], n1, n0) >= seen - 1e-9
    p0 = np.linspace(0, min(1.0, 1 / ratio), _GRID + 2)[1:-1]
    first = stats.binom.pmf(a[None, :], n1, np.minimum(ratio * p0, 1.0)[:, None])
    second = stats.binom.pmf(b[None, :], n0, p0[:, None])
    return float(np.einsum("ga,ab,gb->g", first, far, second).max())


def _edge(x1: int, x0: int, n1: int, n0: int, tail: float, *, upper: bool) -> float:
    """ln of the outermost ratio whose one-sided p value is above `tail`.

    The worst case is not quite monotone in the ratio: the grid is walked from outside in.
    """
    middle = np.log(max(x1, 0.5) / n1) - np.log(max(x0, 0.5) / n0)
    side = 1.0 if upper else -1.0

    def kept(at: float) -> bool:
        return _tail(float(np.exp(at)), x1, x0, n1, n0, upper=upper) > tail

    steps = np.concatenate([np.arange(0, 3, 0.05), np.arange(3, _FAR, 0.25)])
    inside, outside = 0.0, 0.05
    for far, near in zip(steps[::-1], steps[-2::-1], strict=False):
        if kept(middle + side * near):
            inside, outside = near, far
            break
    for _ in range(24):
        half = (inside + outside) / 2
        inside, outside = (half, outside) if kept(middle + side * half) else (inside, half)
    return middle + side * outside
