"""Curves of fitted pieces on any day, with bands from the draws."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from woodlab.drying.fit.frames import weighing_sd_g
from woodlab.drying.fit.records import days_between
from woodlab.errors import WoodlabError

if TYPE_CHECKING:
    from woodlab.drying.fit.results import DryingFits


def predict_frame(
    fits: DryingFits,
    days: Iterable[float] | float | None,
    on: Iterable[Any] | str | pd.Timestamp | None,
    pieces: Sequence[str] | str | None,
    level: float,
) -> pd.DataFrame:
    """See `DryingFits.predict`."""
    if (days is None) == (on is None):
        raise WoodlabError("Give either days since turning or dates: days=[0, 30] or on=[...].")
    if not isinstance(level, int | float | np.number) or not 0 < level < 1:
        raise WoodlabError(f"level must be between 0 and 1, such as 0.95 (found {level!r}).")
    pick = fits.numbers(pieces)
    turned = fits.book.pieces["turned_on"].reset_index(drop=True).iloc[pick]
    start = turned.to_numpy().astype("datetime64[us]")[:, None]
    if days is not None:
        grid = np.tile(_numbers_of_days(days), (len(pick), 1))
        dates, keep = start + (grid * 86400e6).round().astype("timedelta64[us]"), grid >= 0
    else:
        when = _dates(on)
        grid = days_between(start, when.to_numpy()[None, :])
        dates = np.broadcast_to(when.to_numpy().astype("datetime64[us]"), grid.shape)
        keep = grid >= -0.5  # on the day of turning noon may lie before the hour of turning
    order = np.argsort(grid, axis=1, kind="stable")
    sorted_days = np.maximum(np.take_along_axis(grid, order, axis=1), 0.0)
    back = np.argsort(order, axis=1)[:, None, :]
    moisture = np.take_along_axis(fits.moisture_draws(sorted_days, pick), back, axis=2)
    dry = np.exp(fits.ln_dry(pick))[:, :, None]
    mass = dry * (1 + moisture / 100) + _sealer_and_steps(fits, pick, grid)[:, None, :]
    noise = np.sqrt(
        sum(part.count * weighing_sd_g(part, pick) ** 2 for part in fits.parts) / fits.n_draws
    )[:, None, None]
    # opposite pairs of standard normals: one more weighing is the draw and its own error
    count = fits.n_draws
    z = np.random.default_rng(7).standard_normal((count + 1) // 2)
    again = noise * np.ravel(np.column_stack([z, -z]))[:count, None]
    out = {
        "piece": np.repeat(fits.pieces["piece"].to_numpy(dtype=object)[pick], grid.shape[1]),
        "on": dates.ravel(), "days": grid.ravel(),
        "mass_g": np.median(mass, axis=1).ravel(),
        "moisture_pct": np.median(moisture, axis=1).ravel(),
    }  # fmt: skip
    tail = (1 - level) / 2
    for kind, name, values in (
        ("ci", "mass_g", mass), ("ci", "moisture_pct", moisture),
        ("pi", "mass_g", mass + again), ("pi", "moisture_pct", moisture + 100 * again / dry),
    ):  # fmt: skip
        low, high = np.quantile(values, [tail, 1 - tail], axis=1)
        out[f"{kind}_lower_{name}"], out[f"{kind}_upper_{name}"] = low.ravel(), high.ravel()
    return pd.DataFrame(out)[keep.ravel()].reset_index(drop=True)


def _numbers_of_days(days: Any) -> np.ndarray:
    asked = "days must be numbers of days since turning, such as [0, 30, 60]."
    many = isinstance(days, Iterable) and not isinstance(days, str)
    try:
        out = np.atleast_1d(np.asarray(list(days) if many else days, dtype=float))
    except (ValueError, TypeError) as error:
        raise WoodlabError(f"{asked[:-1]} (found {days!r:.60}).") from error
    if out.ndim != 1 or not np.isfinite(out).all():
        raise WoodlabError(asked)
    if (out < 0).any():
        raise WoodlabError(
            f"days must not be negative (found {out.min():g}): 0 is the day of turning."
        )
    return out


def _dates(on: Any) -> pd.Series:
    listed = not isinstance(on, str | pd.Timestamp) and isinstance(on, Iterable)
    wanted = list(on) if listed else [on]
    try:
        when = pd.to_datetime(pd.Series(wanted))
    except (ValueError, TypeError) as error:
        raise WoodlabError(
            f"on = {wanted[0]!r} is not a date. Type dates such as '2026-06-20'."
        ) from error
    if when.isna().any():
        raise WoodlabError("on has an empty date. Type dates such as '2026-06-20'.")
    return when.dt.tz_localize(None) if when.dt.tz is not None else when


def _sealer_and_steps(fits: DryingFits, pick: np.ndarray, grid: np.ndarray) -> np.ndarray:
    """Known sealer and the steps of events [g] by each day, (p, k)."""
    d = fits.records
    out = np.zeros(grid.shape)
    for i, p in enumerate(pick):
        c = int(d.counts[p])
        if c and d.sealer_g[p, :c].any():
            at = np.maximum(np.searchsorted(d.days[p, :c], grid[i], side="right") - 1, 0)
            out[i] = d.sealer_g[p, at]
    where = {int(p): i for i, p in enumerate(pick)}
    for (p, first, _, _), step in zip(d.steps, fits.steps["step_g"], strict=True):
        if p in where:
            out[where[p]] += np.where(grid[where[p]] >= d.days[p, first] - 1e-9, step, 0.0)
    return out
