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

_DAY = pd.Timedelta(days=1)


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
    grid, dates, keep = _grid(days, on, turned)
    order = np.argsort(grid, axis=1, kind="stable")
    inside = np.take_along_axis(grid, order, axis=1)
    sorted_curves = fits.moisture_draws(np.maximum(inside, 0.0), pick)
    back = np.argsort(order, axis=1)
    moisture = np.take_along_axis(sorted_curves, back[:, None, :], axis=2)
    dry = np.exp(fits.ln_dry(pick))[:, :, None]
    extra = _sealer_and_steps(fits, pick, grid)
    mass = dry * (1 + moisture / 100) + extra[:, None, :]
    noise = np.sqrt(
        sum(
            part.count * weighing_sd_g(part, pick) ** 2 for part in fits.parts
        ) / fits.n_draws
    )[:, None]  # fmt: skip
    tail = (1 - level) / 2
    # opposite pairs of standard normals: one more weighing is the draw and its own error
    count = fits.n_draws
    z = np.random.default_rng(7).standard_normal((count + 1) // 2)
    z = np.ravel(np.column_stack([z, -z]))[:count]
    again = mass + noise[:, :, None] * z[None, :, None]
    out = {
        "piece": np.repeat(fits.pieces["piece"].to_numpy(dtype=object)[pick], grid.shape[1]),
        "on": dates.ravel(),
        "days": grid.ravel(),
    }
    named = {"mass_g": mass, "moisture_pct": moisture}
    more = {"mass_g": again, "moisture_pct": moisture + noise[:, :, None] * 100 * z[:, None] / dry}
    for name, values in named.items():
        out[name] = np.median(values, axis=1).ravel()
    for kind, values_of in (("ci", named), ("pi", more)):
        for name, values in values_of.items():
            low, high = np.quantile(values, [tail, 1 - tail], axis=1)
            out[f"{kind}_lower_{name}"], out[f"{kind}_upper_{name}"] = low.ravel(), high.ravel()
    return pd.DataFrame(out)[keep.ravel()].reset_index(drop=True)


def _grid(
    days: Iterable[float] | float | None,
    on: Iterable[Any] | str | pd.Timestamp | None,
    turned: pd.Series,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Days since turning (p, k), dates (p, k), and which are not before turning."""
    start = turned.to_numpy().astype("datetime64[us]")
    if days is not None:
        asked = "days must be numbers of days since turning, such as [0, 30, 60]."
        many = isinstance(days, Iterable) and not isinstance(days, str)
        try:
            given: Any = list(days) if many else days  # type: ignore[arg-type]
            one = np.atleast_1d(np.asarray(given, dtype=float))
        except (ValueError, TypeError) as error:
            raise WoodlabError(f"{asked[:-1]} (found {days!r:.60}).") from error
        if one.ndim != 1 or not np.isfinite(one).all():
            raise WoodlabError(asked)
        if (one < 0).any():
            raise WoodlabError(
                f"days must not be negative (found {one.min():g}): 0 is the day of turning."
            )
        grid = np.broadcast_to(one, (len(start), one.size))
        dates = start[:, None] + np.round(grid * 86400e6).astype("timedelta64[us]")
        return grid, dates, np.ones(grid.shape, dtype=bool)
    listed = not isinstance(on, str | pd.Timestamp) and isinstance(on, Iterable)
    wanted: list[Any] = list(on) if listed else [on]  # type: ignore[arg-type]
    try:
        when = pd.to_datetime(pd.Series(wanted))
    except (ValueError, TypeError) as error:
        raise WoodlabError(
            f"on = {wanted[0]!r} is not a date. Type dates such as '2026-06-20'."
        ) from error
    if when.isna().any():
        raise WoodlabError("on has an empty date. Type dates such as '2026-06-20'.")
    if when.dt.tz is not None:
        when = when.dt.tz_localize(None)
    grid = days_between(start[:, None], when.to_numpy()[None, :])
    shown = np.broadcast_to(when.to_numpy().astype("datetime64[us]")[None, :], grid.shape)
    # on the day of turning itself noon may lie before the hour of turning
    return grid, shown, grid >= -0.5


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
