"""Weighted quantiles of draws, infinity included."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def quantiles(values: np.ndarray, weight: np.ndarray, shares: Sequence[float]) -> np.ndarray:
    """Quantiles of each row, (shares, n), halfway between draws where it falls between two.

    Parameters
    ----------
    values, weight : ndarray, (n, d)
        Draws, which may be infinite, and their weights; a row's weights sum to one.

    Examples
    --------
    >>> draws = np.array([[4.0, 1.0, 2.0, np.inf]])
    >>> quantiles(draws, np.full((1, 4), 0.25), [0.5, 0.95]).tolist()
    [[3.0], [inf]]
    """
    order = np.argsort(values, axis=1)
    ordered = np.take_along_axis(values, order, axis=1)
    heavy = np.take_along_axis(weight, order, axis=1)
    share = np.cumsum(heavy, axis=1) - heavy / 2
    out = np.empty((len(shares), len(values)))
    for i in range(len(values)):
        row = ordered[i]
        finite = np.isfinite(row)
        for j, q in enumerate(shares):
            at = int(np.searchsorted(share[i], q))
            if at == 0:
                out[j, i] = row[0]
            elif at >= row.size:
                out[j, i] = row[-1]
            elif not finite[at]:
                out[j, i] = np.inf
            else:
                part = (q - share[i, at - 1]) / (share[i, at] - share[i, at - 1])
                out[j, i] = row[at - 1] + part * (row[at] - row[at - 1])
    return out
