"""How much wetter the middle of the wall was than its surface: the quantity that cracks wood."""

from __future__ import annotations

import numpy as np
import pandas as pd

from woodlab.drying.laws import law_named
from woodlab.drying.modes import DailyAir, biot_number, fo_per_day
from woodlab.drying.results import DryingFits
from woodlab.drying.slab import as_daily, run_slab
from woodlab.errors import WoodlabError


def core_to_surface(
    fits: DryingFits,
    *,
    days: float | None = None,
    level: float = 0.95,
    draws: int = 40,
    seed: int = 1,
) -> pd.DataFrame:
    """Largest difference of core and surface moisture of each piece, with an interval.

    A seal works by keeping this small: the surface shrinks only as fast as the core follows.

    Parameters
    ----------
    fits : DryingFits
        Of the law `film` or `slab`; the other laws know no inside of the wall.
    days : float
        Up to this many days after turning; by default to the last weighing of each piece.
    level : float
        Of the interval.
    draws, seed : int
        How many draws of what is known of each piece make the interval, and their seed.

    Returns
    -------
    DataFrame
        `piece`, `difference_pct` (points of moisture), `ci_lower`, `ci_upper`, `reason`. NaN with
        its reason where there is no fit.

    Raises
    ------
    WoodlabError
        If the law has no profile.

    Notes
    -----
    The profile is that of the law (docs/laws/film.md, docs/laws/slab.md, where their sources
    stand). That it is this difference which cracks wood is common practice, no source.

    Examples
    --------
    A piece waxed all over (A1) hardly has a difference; in the two bare ones it is large:

    >>> import woodlab as wl
    >>> demo, few = wl.demo_book(), "piece in ['A1', 'A3', 'B2']"
    >>> book = wl.RecordBook.from_frames(pieces=demo.pieces.query(few), air=demo.air,
    ...                                  weighings=demo.weighings.query(few))
    >>> found = wl.core_to_surface(wl.fit_drying(book, "film", intervals=False))
    >>> found[["piece", "difference_pct"]].round(-1)
      piece  difference_pct
    0    A1             0.0
    1    A3            40.0
    2    B2            50.0
    """
    if fits.law not in ("film", "slab"):
        raise WoodlabError(
            f"The law {fits.law!r} knows no inside of the wall. "
            "Fit with law='film' or law='slab' first."
        )
    count = len(fits.pieces)
    out = np.full((3, count), np.nan)
    part = np.flatnonzero(fits.fitted)
    if part.size:
        rows = fits.rows
        last = np.full(part.size, float(days)) if days is not None else (
            rows.days[rows.ptr[1:][part] - 1]
        )  # fmt: skip
        last = np.maximum(last, 1.0)
        air = fits.air_of(part, last)
        out[0, part] = _largest(fits, part, fits.mean[part], last, air)
        values = np.empty((draws, part.size))
        many = fits.draw(draws, seed)
        for d in range(draws):
            values[d] = _largest(fits, part, many[part, d], last, air)
        tail = (1 - level) / 2
        out[1, part], out[2, part] = np.quantile(values, [tail, 1 - tail], axis=0)
        out[1, part] = np.minimum(out[1, part], out[0, part])
        out[2, part] = np.maximum(out[2, part], out[0, part])
    return pd.DataFrame(
        {
            "piece": fits.pieces["piece"].to_numpy(),
            "difference_pct": out[0],
            "ci_lower": out[1],
            "ci_upper": out[2],
            "reason": fits.pieces["reason"].to_numpy(),
        }
    )


def _largest(
    fits: DryingFits,
    part: np.ndarray,
    working: np.ndarray,
    last: np.ndarray,
    air: DailyAir | np.ndarray,
) -> np.ndarray:
    """Largest difference [points] up to `last` days, (n,)."""
    from woodlab.drying import kernels

    law = law_named(fits.law)
    values = fits.parameters(working)
    for parameter in law.parameters:
        if parameter.name in values:
            values[parameter.name] = np.clip(
                values[parameter.name], parameter.lower, parameter.upper
            )
    values["start_moisture_pct"] = np.clip(values["start_moisture_pct"], 1.0, 400.0)
    walls = fits.book.pieces["wall_mm"].to_numpy(dtype=float)[part]
    days = last[:, None]
    level = air if isinstance(air, DailyAir) else working[:, len(fits.names) - 1]
    if fits.law == "slab":
        return run_slab(days, values, walls, level).largest_difference_pct
    daily = as_daily(level, days)
    courses, which, start = daily.of(part.size, last)
    out, largest = np.empty(days.shape), np.empty(part.size)
    kernels.difference_modes(
        np.ascontiguousarray(days), fo_per_day(values["diffusivity_m2_s"], walls),
        biot_number(values["surface_m_s"], values["diffusivity_m2_s"], walls),
        np.ascontiguousarray(values["start_moisture_pct"]), courses, which, start, out, largest,
    )  # fmt: skip
    return largest
