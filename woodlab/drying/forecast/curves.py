"""The curves behind a forecast: moisture day by day, as it was and as it may come, with bands."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from woodlab.drying import kernel
from woodlab.drying.fit.results import DryingFits, checked_fits, day_of
from woodlab.drying.fit.saving import season_fits
from woodlab.drying.forecast.passage import (
    WITHIN_PCT,
    check_count,
    check_request,
    days_since_turning,
    target_draws,
    weighed_moisture,
)
from woodlab.errors import as_list

STEP_DAYS = 3.0
AT_ONCE = 64  # pieces, for the memory of their draws
COLUMNS = ["piece", "on", "part", "moisture_pct", "lower_pct", "upper_pct", "target_moisture_pct"]


def forecast_curves(
    fits: DryingFits,
    pieces: Sequence[str] | str,
    as_of: str | pd.Timestamp | None = None,
    target_moisture_pct: float | None = None,
    level: float = 0.90,
    *,
    days_ahead: int = 240,
    within_pct: float = WITHIN_PCT,
) -> pd.DataFrame:
    """Moisture of some pieces from turning to `days_ahead` days after `as_of`.

    Parameters
    ----------
    fits, as_of, target_moisture_pct, level, within_pct
        As for `forecast_ready`.
    pieces : str or sequence of str
        Pencil marks.
    days_ahead : int

    Returns
    -------
    DataFrame
        `piece`, `on`, `part` (`so far`, `to come`, `weighed`), `moisture_pct` (median),
        `lower_pct`, `upper_pct` (band of the level), `target_moisture_pct`. Rows `weighed` are
        the weighings, as moisture by the median oven-dry mass, without a band.

    Raises
    ------
    WoodlabError
        If a piece is not in the book.

    Examples
    --------
    >>> import woodlab as wl
    >>> book = wl.demo_book().only(pieces=["A1", "A3", "B2"])
    >>> fits = wl.fit_drying(book, law="slab", as_of="2025-06-01")
    >>> curves = forecast_curves(fits, "A1", target_moisture_pct=14, days_ahead=60)
    >>> curves["part"].value_counts().to_dict()
    {'so far': 28, 'to come': 19, 'weighed': 12}
    >>> forecast_curves(fits, ["Z9"])
    Traceback (most recent call last):
        ...
    woodlab.errors.WoodlabError: No piece named 'Z9' in the book. See fits.pieces for the names.
    """
    checked_fits(fits).numbers(pieces)
    check_count("days_ahead", days_ahead, 240)
    check_request(target_moisture_pct, level, within_pct)
    fits = season_fits(fits, as_of=as_of)
    day = day_of(fits, as_of)
    known = set(fits.pieces["piece"])
    wanted = as_list(pieces, "pieces")
    pick = fits.numbers([name for name in wanted if name in known])  # the others: not turned yet
    target = target_draws(fits, day, target_moisture_pct, within_pct).mean(axis=1)
    tail = (1 - level) / 2
    turned = fits.book.pieces["turned_on"].reset_index(drop=True)
    dry = np.median(np.exp(fits.ln_dry(pick)), axis=1) if pick.size else np.empty(0)
    now = days_since_turning(fits, day)[pick]
    grids = [
        np.unique(np.r_[np.arange(0, n, STEP_DAYS), np.arange(n, n + days_ahead, STEP_DAYS)])
        for n in now
    ]
    bands = _bands(fits, grids, pick, (tail, 0.5, 1 - tail))
    parts = []
    for i, p in enumerate(pick):
        grid, (low, middle, high) = grids[i], bands[i]
        weighed_on, moisture = weighed_moisture(fits, p, dry[i])
        nothing = np.full(moisture.size, np.nan)
        part = np.r_[np.where(grid <= now[i], "so far", "to come"), ["weighed"] * moisture.size]
        parts.append(pd.DataFrame({
            "piece": fits.pieces["piece"].iloc[p],
            "on": turned[p] + pd.to_timedelta(np.r_[grid, weighed_on], unit="D"),
            "part": part, "moisture_pct": np.r_[middle, moisture],
            "lower_pct": np.r_[low, nothing], "upper_pct": np.r_[high, nothing],
            "target_moisture_pct": target[p],
        }))  # fmt: skip
    if not parts:
        return pd.DataFrame({name: pd.Series(dtype=object) for name in COLUMNS})
    return pd.concat(parts, ignore_index=True)


def _bands(
    fits: DryingFits, grids: list[np.ndarray], pick: np.ndarray, at: tuple[float, ...]
) -> list[np.ndarray]:
    """Quantiles of the draws on each piece's own days; many pieces at once, since the air of the
    draws is summed up anew by each call."""
    out: list[np.ndarray] = []
    for a in range(0, len(pick), AT_ONCE):
        some = grids[a : a + AT_ONCE]
        most = max(grid.size for grid in some)
        days = np.array([np.pad(grid, (0, most - grid.size), "edge") for grid in some])
        draws = fits.moisture_draws(days, pick[a : a + AT_ONCE], grid=kernel.COARSE)
        found = np.quantile(draws, at, axis=1)
        out += [found[:, i, : grid.size] for i, grid in enumerate(some)]
    return out
