"""The air of every draw: as logged, less what the hygrometer reads too high, then as drawn.

The future air is drawn as the log would show it, and moved by the same draw's bias along the slope
of the sorption curve, so that a relative target ("points above the store's own equilibrium") moves
with the draw: weather and bias then cancel between moisture and target.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from woodlab.drying.fit.shelf import Shelf
from woodlab.drying.warmth import warmth

if TYPE_CHECKING:
    from woodlab.drying.estimator.posterior import Posterior
    from woodlab.drying.fit.results import DryingFits

_DAY = np.timedelta64(1, "D")
LEAST_PCT, MOST_PCT = 1.5, 29.0


def slope_at(shelf: Shelf, equilibrium_pct: np.ndarray) -> np.ndarray:
    """Slope of the sorption curve [points per %RH] at a moisture: a quadratic through the log's
    own days, since the temperature hardly matters.

    Its bends have a prior of zero that weighs as much as one day, a point of moisture away from the
    mean: a log of nearly steady air says nothing of them, and its slope is then the mean one.
    """
    if not shelf.has_air:
        return np.zeros(equilibrium_pct.shape)
    x, y = shelf.equilibrium_pct.ravel(), shelf.slope.ravel()
    middle = x.mean()
    design = np.vstack([np.vander(x - middle, 3), [[1, 0, 0], [0, 1, 0]]])
    bends = np.linalg.lstsq(design, np.append(y, [0.0, 0.0]), rcond=None)[0]
    value = np.polyval(bends, np.clip(equilibrium_pct, x.min(), x.max()) - middle)
    return np.maximum(value, 0.0)


def drawn_levels(fits: DryingFits, part: Posterior) -> tuple[np.ndarray, np.ndarray]:
    """Equilibrium moisture at the pieces by place, and warmth, (draws, places, days), from the
    first day of the records on; of one part of the fits."""
    air, which = fits.air, dict(fits.slices)[part]
    shelf = part.season.d.shelf
    past = int((air.first_day - shelf.first_day) / _DAY)
    bias = part.bias()[..., None]
    level = shelf.equilibrium_pct[None, :, :past] - bias * shelf.slope[None, :, :past]
    warm = np.broadcast_to(shelf.warm[None, :, :past], level.shape)
    ahead = air.equilibrium_pct[which]
    ahead = ahead - bias * slope_at(shelf, ahead)
    whole = np.clip(np.concatenate([level, ahead], axis=2), LEAST_PCT, MOST_PCT)
    if not shelf.has_air:
        return whole, np.zeros(whole.shape)
    return whole, np.concatenate([warm, warmth(air.temp_c[which])], axis=2)


def courses_to(fits: DryingFits, last: np.datetime64) -> list[np.ndarray]:
    """Running sums of the air of each draw up to the day `last`, for each part of the fits:
    (draws, histories, 2, days + 1)."""
    shelf, out = fits.records.shelf, []
    days = max(int((last - shelf.first_day) / _DAY) + 1, 1)
    for part in fits.parts:
        level, warm = drawn_levels(fits, part)
        out.append(shelf.histories(level[..., :days], warm[..., :days]))
    return out


def yearly_level(fits: DryingFits, after: np.datetime64) -> np.ndarray:
    """Mean equilibrium moisture at each piece over the year from a day on, (n, draws) [%]."""
    shelf, out = fits.records.shelf, []
    first = max(int((after - shelf.first_day) / _DAY), 0)
    place = shelf.place_of[shelf.history, -1]
    for part in fits.parts:
        mean = drawn_levels(fits, part)[0][:, :, first : first + 365].mean(axis=2)
        out.append((mean[:, place].T + part.shift_pct())[: fits.records.n_pieces])
    return np.concatenate(out, axis=1)
