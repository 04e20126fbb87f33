"""The error of a weighing: scale, slip, and a drift of the piece from the law.

The drift lasts about a month; it is a share of the oven-dry mass. Steps of events are constants of
any size, so they are given a very large variance and drop out.
"""

from __future__ import annotations

import numpy as np

from woodlab.drying.estimator.mode import Mode
from woodlab.drying.fit.records import SHAVINGS_SD, Records

WITNESS_PCT = 0.3  # a witness block's wood against the pieces', points of moisture


def whitener(
    d: Records, mode: Mode, pick: np.ndarray, sizes: np.ndarray | None = None
) -> np.ndarray:
    """Inverse lower root of the covariance of the weighings of some pieces, (p, k, k)."""
    slip, drift, memory = (
        (mode.slip_g, mode.drift_pct, mode.memory_days) if sizes is None else sizes
    )
    dry, weight = np.exp(mode.error_dry[pick]), mode.weight
    moist, days, here = d.is_moisture[pick], d.days[pick], d.here[pick]
    plain = (d.scale_g[pick] ** 2 / 12 + slip**2) / weight[pick]
    shaved = (SHAVINGS_SD * np.maximum(d.mass_g[pick], 5.0)) ** 2
    plain = np.where(here, np.where(moist, shaved, plain), 1.0)
    both = here & ~moist
    gap = np.abs(days[:, :, None] - days[:, None, :])
    shared = np.where(both[:, :, None] & both[:, None, :], np.exp(-gap / memory), 0.0)
    cover = (drift / 100 * dry)[:, None, None] ** 2 * shared
    block = pick >= d.n_pieces
    cover[block] += ((WITNESS_PCT / 100 * dry[block]) ** 2)[:, None, None] * (
        both[block][:, :, None] & both[block][:, None, :]
    )
    k = days.shape[1]
    cover[:, np.arange(k), np.arange(k)] += plain
    where = {int(p): i for i, p in enumerate(pick)}
    for p, first, cut, _ in d.steps:
        if p in where:  # an event adds a constant of any size, or what its wood would weigh
            c = d.counts[p]
            shape = np.zeros(c)
            shape[first:] = d.mass_g[p, first:c] / d.mass_g[p, first] if cut else 1.0
            shape[d.is_moisture[p, :c]] = 0.0
            cover[where[p], :c, :c] += 1e8 * np.outer(shape, shape)
    return np.linalg.inv(np.linalg.cholesky(cover))
