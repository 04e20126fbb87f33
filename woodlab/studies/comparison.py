"""Comparing two groups of numbers, paired or unpaired (Holm's correction: `woodlab.words`).

Every comparison gives the same frozen `Comparison`. The studies call these on logarithms, where
a difference is a ratio; the tests call them on published data as they stand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from woodlab.errors import WoodlabError


@dataclass(frozen=True)
class Comparison:
    """One estimated difference.

    Attributes
    ----------
    estimate, stderr : float
        In the unit of what was compared (a difference of logarithms in the studies).
    df : float
        Degrees of freedom of Student's t; inf for the normal.
    ci_lower, ci_upper : float
        Interval at `level`.
    statistic, p_value : float
        Estimate over standard error, and its two-sided p value.
    method : str
        Its name, as it stands in a table of effects.
    """

    estimate: float
    stderr: float
    df: float
    ci_lower: float
    ci_upper: float
    statistic: float
    p_value: float
    method: str
    level: float = 0.95


def from_t(
    estimate: float, stderr: float, df: float, method: str, level: float = 0.95
) -> Comparison:
    """A comparison from an estimate, its standard error and its degrees of freedom.

    Raises
    ------
    WoodlabError
        If the standard error or the degrees of freedom are not above zero.

    Examples
    --------
    >>> round(from_t(1.0, 0.4, 5, "t").ci_lower, 3)
    -0.028
    """
    if not (stderr > 0 and df > 0):
        raise WoodlabError(
            f"an interval needs a standard error and degrees of freedom above zero (found "
            f"{stderr:g} and {df:g}): there are too few numbers, or they are all alike."
        )
    reach = float(stats.t.ppf(0.5 + level / 2, df)) * stderr
    statistic = estimate / stderr
    return Comparison(
        float(estimate), float(stderr), float(df), float(estimate - reach),
        float(estimate + reach), float(statistic), float(2 * stats.t.sf(abs(statistic), df)),
        method, level,
    )  # fmt: skip


def paired(first: ArrayLike, second: ArrayLike, level: float = 0.95) -> Comparison:
    """Mean difference of pairs, first less second: Student's paired t.

    Parameters
    ----------
    first, second : array_like, shape (n,)
        One number of each pair, in the same order.

    Raises
    ------
    WoodlabError
        If the lengths differ, there are fewer than two pairs, or all differences are equal.

    Examples
    --------
    >>> got = paired([3.0, 4.0, 6.0], [2.0, 2.0, 3.0])
    >>> got.estimate, got.df, round(got.p_value, 4)
    (2.0, 2.0, 0.0742)
    """
    one, two = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if one.shape != two.shape or one.ndim != 1 or one.size < 2:
        raise WoodlabError(
            f"a paired comparison needs two lists of the same length, at least 2 (found "
            f"{one.size} and {two.size})."
        )
    gain = one - two
    stderr = float(gain.std(ddof=1)) / np.sqrt(gain.size)
    return from_t(float(gain.mean()), stderr, gain.size - 1, "paired t", level)


def welch(first: ArrayLike, second: ArrayLike, level: float = 0.95) -> Comparison:
    """Difference of two means, first less second, with unequal variances: Welch's t.

    Raises
    ------
    WoodlabError
        If a group has fewer than two numbers, or neither varies.

    Examples
    --------
    >>> got = welch([3.0, 4.0, 6.0, 5.0], [2.0, 2.0, 3.0])
    >>> round(got.estimate, 3), round(got.df, 2)
    (2.167, 4.35)
    """
    one, two = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if one.size < 2 or two.size < 2:
        raise WoodlabError(
            f"comparing two means needs at least 2 numbers in each group (found {one.size} and "
            f"{two.size})."
        )
    total = one.var(ddof=1) / one.size + two.var(ddof=1) / two.size
    df = float(stats.ttest_ind(one, two, equal_var=False).df) if total > 0 else np.nan
    return from_t(float(one.mean() - two.mean()), float(np.sqrt(total)), df, "Welch t", level)


def together(parts: Sequence[Comparison], method: str) -> Comparison:
    """The comparison of several filled-in sets, each analysed as if whole.

    Rubin, D. B. (1987), Multiple Imputation for Nonresponse in Surveys. The degrees of freedom
    are Satterthwaite's for the sum of the two variances, and never more than those of whole data.

    Examples
    --------
    >>> got = together([from_t(1.0, 0.2, 9, "t"), from_t(1.2, 0.2, 9, "t")], "t, 2 sets")
    >>> round(got.estimate, 2), round(got.stderr, 3)
    (1.1, 0.265)
    """
    m = len(parts)
    if m == 1:
        return replace(parts[0], method=method)
    estimates = np.array([part.estimate for part in parts])
    within = float(np.mean([part.stderr**2 for part in parts]))
    between = float(estimates.var(ddof=1)) * (1 + 1 / m)
    total = within + between
    share = between / total
    whole = float(np.mean([part.df for part in parts]))
    df = min(whole, 1 / ((1 - share) ** 2 / whole + share**2 / (m - 1)))
    return from_t(float(estimates.mean()), float(np.sqrt(total)), df, method, parts[0].level)
