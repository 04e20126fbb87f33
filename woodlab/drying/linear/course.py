"""Daily air, and what modes of any rate make of it."""

from __future__ import annotations

import numpy as np

from woodlab.drying.linear.laws import EXACT_MODES, LinearLaw
from woodlab.errors import WoodlabError

_LN_LOW, _LN_HIGH, _GAP = np.log(1e-6), np.log(300.0), 0.1


class Course:
    """Equilibrium moisture by day, one course or several, tabled for modes of any rate.

    A mode of rate r that began at 0 on course time 0 stands on day d at

        G(r, d) = integral over 0..d of r exp(-r (d - s)) air(s) ds

    tabled here once over (day, course, ln r) with its slope, exact over each day of constant air.
    A fit reads it between rates by Hermite's cubic (4e-6 points off at most) and so never steps
    through days. After the last day its air is held.

    Parameters
    ----------
    daily_pct : array_like, (days,) or (courses, days)
        Equilibrium moisture [% of oven-dry mass] of each day from its beginning to its end.
    """

    def __init__(self, daily_pct: np.ndarray) -> None:
        self.air = np.atleast_2d(np.asarray(daily_pct, dtype=float))
        if not self.air.size or not np.isfinite(self.air).all():
            raise WoodlabError("A course of air needs a finite equilibrium moisture for every day.")
        ln_rate = np.arange(_LN_LOW, _LN_HIGH + _GAP, _GAP)
        rate, keep = np.exp(ln_rate), np.exp(-np.exp(ln_rate))
        level, slope = np.zeros((2, self.air.shape[1] + 1, len(self.air), ln_rate.size))
        for d, air in enumerate(self.air.T[:, :, None]):
            level[d + 1] = air + (level[d] - air) * keep
            slope[d + 1] = slope[d] * keep - (level[d] - air) * keep * rate
        self.table = np.stack([level, slope * _GAP], 3)

    def at(self, which: np.ndarray, start: np.ndarray) -> np.ndarray:
        """Air of the day in which each piece begins, (n,)."""
        return self.air[which, np.clip(start.astype(int), 0, self.air.shape[1] - 1)]

    def forced(
        self, ln_rate: np.ndarray, which: np.ndarray, start: np.ndarray, t: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """What the air has brought to modes that began at 0 on `start`, (J, n, k), and its slope.

        From G by linearity: the mode that began at course time 0, less what of its state at
        `start` is left after t. `ln_rate` is (J, n), `which` and `start` are (n,), `t` is (n, k);
        the slope is in ln rate.
        """
        place = (ln_rate - _LN_LOW) / _GAP
        low = np.clip(place.astype(int), 0, self.table.shape[2] - 2)[..., None]
        x, which = place[..., None] - low, which[:, None]
        # Hermite's cubics on (0, 1) for value and slope at both ends, and their derivatives
        cubic = (1 + 2 * x) * (1 - x) ** 2, x * (1 - x) ** 2, x * x * (3 - 2 * x), x * x * (x - 1)
        turn = 6 * x * (x - 1), (1 - x) * (1 - 3 * x), 6 * x * (1 - x), x * (3 * x - 2)
        rate = np.exp(ln_rate)[..., None]

        def state(when: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            day = np.clip(when.astype(int), 0, self.air.shape[1] - 1)
            below, above = self.table[day, which, low], self.table[day, which, low + 1]
            ends = below[..., 0], below[..., 1], above[..., 0], above[..., 1]
            air, late = self.air[which, day], rate * (when - day)
            gone = sum(c * e for c, e in zip(cubic, ends, strict=True)) - air
            slope = sum(c * e for c, e in zip(turn, ends, strict=True)) / _GAP
            keep = np.exp(-late)
            return air + gone * keep, (slope - gone * late) * keep

        (end, d_end), (first, d_first) = state(start[:, None] + t), state(start[:, None])
        x = rate * t
        keep = np.exp(-x)
        return end - keep * first, d_end - keep * (d_first - x * first)


def driven(
    law: LinearLaw, u: np.ndarray, half_m: np.ndarray, t: np.ndarray,
    air: tuple[Course, np.ndarray, np.ndarray], decay: tuple[np.ndarray, np.ndarray],
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """What a daily course has brought, (n, k) [%], and its slopes in u (P, n, k).

    `air` is the course, which of its courses, and the start of each piece in it; `decay` is what
    `law.decay` gave. For a sheet the modes stand for a series without end, cut into groups. The
    groups answer a change of air well, but the step from nothing to the first day's air is ten
    times larger than any change: that step is taken from E itself, level (1 - E), so that the
    first day is exact and the groups see only the differences from the first day's air.
    """
    course, which, start = air
    assert law.modes is not None
    ln_rate, weight, (d_rate, d_weight) = law.modes(u, half_m, EXACT_MODES)
    d_rate = np.where((ln_rate > _LN_HIGH) | (ln_rate < _LN_LOW), 0.0, d_rate)
    ln_rate = np.clip(ln_rate, _LN_LOW, _LN_HIGH)
    level, slope = course.forced(ln_rate, which, start, t)
    total, slopes = 0.0, 0.0
    if law.sheet:
        first = course.at(which, start)[:, None]
        x = np.exp(ln_rate)[..., None] * t
        mode = np.exp(-x)
        level += first * mode
        slope -= first * (x * mode)
        total, slopes = -first * decay[0], -first * decay[1]
    total = total + np.einsum("jn,jnk->nk", weight, level)
    slopes = slopes + np.einsum("pjn,jnk->pnk", d_weight, level)
    return total, slopes + np.einsum("pjn,jnk->pnk", weight * d_rate, slope)
