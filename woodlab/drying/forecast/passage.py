"""Every draw of a season run on into the future: moisture now, and the day of passing the target.

A draw has its own parameters, its own past air (the log less its bias) and its own future air,
which is the same for all pieces of a place. A relative target moves with the draw.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from woodlab.drying import kernel
from woodlab.drying.asked import asked_once
from woodlab.drying.estimator.courses import courses_to, yearly_level
from woodlab.drying.fit.fitting import HORIZON_DAYS
from woodlab.drying.fit.records import days_between
from woodlab.drying.fit.results import DryingFits, checked_fits, day_of
from woodlab.drying.fit.saving import season_fits
from woodlab.errors import WoodlabError

WITHIN_PCT = 2.0  # the usual target: so many points above the store's yearly mean; common practice
SOON_DAYS = 150.0
_DAY = np.timedelta64(1, "D")


@dataclass(frozen=True, eq=False)
class Passages:
    """Of n pieces, by d draws: moisture on `day`, target, and days from turning to the first day at
    or below it, infinity beyond the horizon; all (n, d). `fits` are as of `day` or before it."""

    fits: DryingFits
    day: np.datetime64
    moisture_now_pct: np.ndarray
    target_pct: np.ndarray
    passage_days: np.ndarray

    @property
    def now(self) -> np.ndarray:
        """Days since turning, (n,)."""
        return days_since_turning(self.fits, self.day)


def days_since_turning(fits: DryingFits, day: np.datetime64) -> np.ndarray:
    """Days since turning of each piece on a day, 0 before it was turned."""
    turned = fits.book.pieces["turned_on"].to_numpy()
    return np.maximum(days_between(turned, np.full(len(turned), day)), 0.0)


def weighed_moisture(fits: DryingFits, p: int, dry_g: float) -> tuple[np.ndarray, np.ndarray]:
    """Days since turning and moisture [%] of a piece at its weighings, by its oven-dry mass."""
    d = fits.records
    good = d.here[p] & ~d.suspect[p] & ~d.is_moisture[p]
    return d.days[p, good], 100 * (d.mass_g[p, good] / dry_g - 1)


def target_draws(
    fits: DryingFits, day: np.datetime64, target_moisture_pct: float | None, within_pct: float
) -> np.ndarray:
    """The target of each piece in each draw [%], (n, d): one for all, or points above the air."""
    if target_moisture_pct is None:
        return yearly_level(fits, day + _DAY) + within_pct
    return np.full((fits.records.n_pieces, fits.n_draws), float(target_moisture_pct))


def passages(
    fits: DryingFits, as_of: Any = None, target_moisture_pct: float | None = None,
    within_pct: float = WITHIN_PCT, targets: np.ndarray | None = None,
) -> Passages:  # fmt: skip
    """Run every draw from turning on until it is at its target, or to the horizon."""
    fits = season_fits(checked_fits(fits), as_of=as_of)
    day = day_of(fits, as_of)
    if targets is not None:
        target = np.repeat(targets[:, None], fits.n_draws, axis=1)
    else:
        target = target_draws(fits, day, target_moisture_pct, within_pct)
    at_now, passage = _run(fits, day, target)
    return Passages(fits, day, at_now, target, passage)


@asked_once
def _run(fits: DryingFits, day: np.datetime64, target: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Moisture now and days of passing, (n, d)."""
    n, d = target.shape
    now = days_since_turning(fits, day)
    passage = np.full((n, d), np.inf)
    sums = courses_to(fits, day + (HORIZON_DAYS + 1) * _DAY)
    at_now = np.empty((n, d))
    spans = [np.zeros(1), np.arange(3.0, SOON_DAYS, 3.0),
             np.arange(SOON_DAYS, HORIZON_DAYS + 1.0, 10.0)]  # fmt: skip
    for (part, mine), air in zip(fits.slices, sums, strict=True):
        for stage in range(3):
            # most pieces of most draws pass within months: only the others go on to the horizon
            pick = np.flatnonzero(np.isinf(passage[:, mine]).any(axis=1))
            if not pick.size:
                break
            past = np.linspace(0, 1, 25)[None, :] * now[pick, None]
            ahead = now[pick, None] + np.concatenate(spans[1 : stage + 1] or [np.empty(0)])
            days = past if stage == 0 else np.concatenate([now[pick, None], ahead], axis=1)
            level = part.curves(days, air, pick=pick, grid=kernel.COARSE)
            if stage == 0:
                at_now[:, mine] = level[:, :, -1]
            found = first_below(days, level, target[pick, mine])
            part_of = passage[pick, mine]
            passage[pick, mine] = np.where(np.isinf(part_of), found, part_of)
    return at_now, passage


def first_below(days: np.ndarray, level: np.ndarray, target: np.ndarray) -> np.ndarray:
    """The first day on which each draw is at or below its target, (p, d); infinity: none of them.

    `days` (p, k), `level` (p, d, k); between days on a straight line.
    """
    below = level <= target[:, :, None]
    at = below.argmax(axis=2)
    before = np.maximum(at - 1, 0)
    high = np.take_along_axis(level, before[:, :, None], axis=2)[..., 0]
    low = np.take_along_axis(level, at[:, :, None], axis=2)[..., 0]
    row = np.arange(len(days))[:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(high > low, (high - target) / (high - low), 1.0)
    found = days[row, before] + np.clip(share, 0, 1) * (days[row, at] - days[row, before])
    found = np.where(at == 0, days[row, 0], found)
    return np.where(below.any(axis=2), found, np.inf)


USABLE = {
    "target_moisture_pct": (2, 60, "percent of oven-dry mass, between 2 and 60, such as 12"),
    "level": (0.5, 0.9999, "a chance such as 0.90"),
    "within_pct": (0.2, 20, "points, such as 2"),
}


def check_request(target: Any, level: Any, within: Any) -> None:
    """Refuse what cannot be answered, in the words of the call."""
    for (name, (least, most, give)), value in zip(
        USABLE.items(), (target, level, within), strict=True
    ):
        if value is None and name == "target_moisture_pct":
            continue
        if isinstance(value, bool) or not isinstance(value, int | float | np.number):
            raise WoodlabError(f"{name} = {value!r} is not a number. Type it without quotes.")
        if not least <= value <= most:
            raise WoodlabError(f"{name} = {value:g} is not usable. Give {give}.")


def check_count(name: str, value: Any, example: int) -> None:
    """Refuse what is no whole number of at least 1."""
    whole = isinstance(value, int | np.integer) and not isinstance(value, bool)
    if not whole or value < 1:
        raise WoodlabError(
            f"{name} must be a whole number of at least 1, such as {example} (found {value!r})."
        )


def calendar(turned: pd.Series, days: np.ndarray, way: str) -> pd.Series:
    """Whole dates of days since turning; an interval is rounded outward (`down`, `up`), so that
    rounding cannot make it too narrow. NaT where a day is infinite."""
    offset = ((turned - turned.dt.normalize()) / pd.Timedelta(days=1)).to_numpy()
    round_: Any = {"near": np.round, "down": np.floor, "up": np.ceil}[way]
    whole = round_(days + offset)
    finite = np.isfinite(whole)
    delta = pd.to_timedelta(np.where(finite, whole, 0), unit="D")
    return (turned.dt.normalize() + delta).where(pd.Series(finite, turned.index))
