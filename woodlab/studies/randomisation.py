"""The randomisation test inside blocks: what if the lot had fallen otherwise?

Under the hypothesis that the treatment changes nothing, every way in which the lots could have
fallen inside the blocks was as likely as the one that fell. The test counts those that part the
two groups at least as far as they were parted. Fisher, R. A. (1935), The Design of Experiments,
section 21.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from woodlab.errors import WoodlabError

MOST_LISTED = 1_000_000
DRAWS = 20_000


@dataclass(frozen=True)
class RandomisationTest:
    """Outcome of a randomisation test.

    Attributes
    ----------
    difference : float
        Treated less untreated inside the blocks, blocks weighted by n1 n0 / n.
    p_value : float
        Two-sided: share of the arrangements that part the groups at least as far.
    at_or_above : int
        Arrangements whose signed difference is at least as large as the one observed.
    arrangements : int
        How many were looked at: all of them when `exact`.
    exact : bool
    p_stderr : float
        Monte Carlo standard error of `p_value`; 0 when exact.
    n_blocks : int
        Blocks that hold both groups; the others say nothing.
    """

    difference: float
    p_value: float
    at_or_above: int
    arrangements: int
    exact: bool
    p_stderr: float
    n_blocks: int


def randomisation_test(
    values: ArrayLike, treated: ArrayLike, block: ArrayLike, *, seed: int = 1, draws: int = DRAWS
) -> RandomisationTest:
    """Test that the treatment changes nothing, by the lots inside the blocks.

    Parameters
    ----------
    values : array_like, shape (n,)
    treated : array_like of bool, shape (n,)
    block : array_like, shape (n,)
        Treated and untreated are exchanged only inside a block.
    seed, draws : int
        For the arrangements drawn where there are more than `MOST_LISTED` to list.

    Raises
    ------
    WoodlabError
        If no block holds both groups.

    Examples
    --------
    >>> got = randomisation_test([5, 3, 6, 2], [True, False, True, False], [1, 1, 2, 2])
    >>> got.difference, got.p_value, got.arrangements
    (3.0, 0.5, 4)
    """
    y, label = np.asarray(values, dtype=float), np.asarray(treated, dtype=bool)
    groups = []
    for name in dict.fromkeys(np.asarray(block).tolist()):
        here = np.asarray(block) == name
        count, ones = int(here.sum()), int(label[here].sum())
        if 0 < ones < count:
            groups.append((y[here] - y[here].mean(), label[here], ones * (count - ones) / count))
    if not groups:
        raise WoodlabError(
            "no block holds both groups, so nothing could have fallen otherwise inside a block."
        )
    # The sum of the treated, centred values is the weighted difference times the weights' sum.
    observed = sum(float(centred[ones].sum()) for centred, ones, _ in groups)
    weight = sum(share for _, _, share in groups)
    total = math.prod(math.comb(len(centred), int(ones.sum())) for centred, ones, _ in groups)
    exact = total <= MOST_LISTED
    sums = _all_sums(groups) if exact else _drawn_sums(groups, seed, draws)
    slack = 1e-9 * max(abs(observed), float(np.abs(y).max()), 1e-300)
    above = int((sums >= observed - slack).sum())
    both = int((np.abs(sums) >= abs(observed) - slack).sum())
    if exact:
        p, error = both / total, 0.0
    else:  # the arrangement that fell is one of them
        p = (both + 1) / (draws + 1)
        error = math.sqrt(p * (1 - p) / draws)
    return RandomisationTest(
        observed / weight, p, above, total if exact else draws, exact, error, len(groups)
    )


def _all_sums(groups: list[tuple[np.ndarray, np.ndarray, float]]) -> np.ndarray:
    sums = np.zeros(1)
    for centred, ones, _ in groups:
        picks = itertools.combinations(range(len(centred)), int(ones.sum()))
        own = np.array([centred[list(pick)].sum() for pick in picks])
        sums = (sums[:, None] + own[None, :]).ravel()
    return sums


def _drawn_sums(
    groups: list[tuple[np.ndarray, np.ndarray, float]], seed: int, draws: int
) -> np.ndarray:
    rng = np.random.default_rng(seed)
    sums = np.zeros(draws)
    for centred, ones, _ in groups:
        # The first k places of a random order are a random choice of k.
        order = rng.random((draws, len(centred))).argsort(axis=1)[:, : int(ones.sum())]
        sums += centred[order].sum(axis=1)
    return sums
