"""Curves of fitted pieces on any day, with bands by linear propagation of what is not known."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from woodlab.drying.batch import student
from woodlab.errors import WoodlabError

if TYPE_CHECKING:
    from woodlab.drying.results import DryingFits

_STEP = 1e-4


def predict_frame(
    fits: DryingFits,
    days: Sequence[float] | np.ndarray | None,
    on: Sequence[str] | pd.DatetimeIndex | pd.Series | None,
    pieces: Sequence[str] | None,
    level: float,
) -> pd.DataFrame:
    """See `DryingFits.predict`."""
    if (days is None) == (on is None):
        raise WoodlabError("Give either days since turning or dates: days=[0, 30] or on=[...].")
    if not 0 < level < 1:
        raise WoodlabError(f"level must be between 0 and 1 (found {level:g}).")
    table = fits.book.pieces
    part = np.arange(len(table))
    if pieces is not None:
        wrong_pieces(fits, pieces)
        part = np.flatnonzero(table["piece"].isin(list(pieces)).to_numpy())
    turned = table["turned_on"].to_numpy()[part]
    if days is not None:
        asked = np.asarray(days, dtype=float)
        if asked.ndim != 1 or not np.isfinite(asked).all() or (asked < 0).any():
            raise WoodlabError("days must be a list of days since turning, 0 or more.")
        grid = np.broadcast_to(asked, (part.size, asked.size)).astype(float)
    else:
        dates = pd.DatetimeIndex(pd.to_datetime(list(on or [])))
        grid = (dates.to_numpy()[None, :] - turned[:, None]) / np.timedelta64(1, "D")
        grid = grid.astype(float)
    keep = grid >= 0
    order = np.argsort(np.where(keep, grid, 0.0), axis=1, kind="stable")
    days_sorted = np.take_along_axis(np.where(keep, grid, 0.0), order, axis=1)
    values = _banded(fits, part, days_sorted, level)
    back = np.argsort(order, axis=1, kind="stable")
    flat = {name: np.take_along_axis(value, back, axis=1)[keep] for name, value in values.items()}
    which = np.broadcast_to(np.arange(part.size)[:, None], grid.shape)[keep]
    since = grid[keep]
    stamps = turned[which] + (since * 86_400_000_000).round().astype("timedelta64[us]")
    return pd.DataFrame(
        {
            "piece": table["piece"].to_numpy(dtype=object)[part][which],
            "on": stamps,
            "days": since,
            **flat,
        }
    )


def _banded(
    fits: DryingFits, part: np.ndarray, days: np.ndarray, level: float
) -> dict[str, np.ndarray]:
    """Mass and moisture with bands, (pieces, times); NaN for pieces without a fit."""
    shape = days.shape
    names = ["mass_g", "moisture_pct"]
    out = {name: np.full(shape, np.nan) for name in names}
    for kind in ("ci", "pi"):
        for name in names:
            out[f"{kind}_lower_{name}"] = np.full(shape, np.nan)
            out[f"{kind}_upper_{name}"] = np.full(shape, np.nan)
    ok = fits.fitted[part]
    if not ok.any() or shape[1] == 0:
        return out
    good, at = part[ok], days[ok]
    mean, cov = fits.mean[good], fits.cov[good]
    air = fits.air_of(good, at.max(axis=1))
    mass, moisture = fits._curve(good, at, mean, air)
    slopes = np.empty((2, *mass.shape, mean.shape[1]))
    for i in range(mean.shape[1]):
        if (cov[:, i, i] == 0).all():
            slopes[..., i] = 0.0
            continue
        step = _STEP * (1.0 if i < mean.shape[1] - 2 else 10.0)
        moved = mean.copy()
        moved[:, i] += step
        mass_up, moisture_up = fits._curve(good, at, moved, air)
        moved[:, i] -= 2 * step
        mass_down, moisture_down = fits._curve(good, at, moved, air)
        slopes[0, ..., i] = (mass_up - mass_down) / (2 * step)
        slopes[1, ..., i] = (moisture_up - moisture_down) / (2 * step)
    variance = np.einsum("qnki,nij,qnkj->qnk", slopes, cov, slopes)
    sd = np.sqrt(np.maximum(variance, 0))
    owner = np.repeat(good, at.shape[1])
    added = fits._added(owner, None, at.ravel(), mass.ravel()).reshape(mass.shape)
    quantile = student(fits.dof[good], level)[:, None]
    noise = fits.sigma_g[good][:, None]
    dry = np.exp(mean[:, len(fits.names) - 3])[:, None]
    for name, centre, spread, one in (
        ("mass_g", mass + added, sd[0], noise),
        ("moisture_pct", moisture, sd[1], 100 * noise / dry),
    ):
        least = 0.0
        out[name][ok] = centre
        for kind, width in (("ci", spread), ("pi", np.hypot(spread, one))):
            out[f"{kind}_lower_{name}"][ok] = np.maximum(centre - quantile * width, least)
            out[f"{kind}_upper_{name}"][ok] = centre + quantile * width
    return out


def wrong_pieces(fits: DryingFits, pieces: Sequence[str]) -> None:
    """Raise WoodlabError if a name is not in the book."""
    unknown = [name for name in pieces if name not in set(fits.pieces["piece"])]
    if unknown:
        raise WoodlabError(
            f"No piece named {', '.join(map(repr, unknown[:5]))} in the book. "
            "See fits.pieces for the names."
        )
