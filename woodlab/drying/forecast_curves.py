"""The curves behind a forecast: moisture day by day, as it was and as it may come, with bands."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from woodlab.drying import pool_kernels as kernels
from woodlab.drying.forecast import WITHIN_PCT, as_of_day, check_request
from woodlab.drying.predict import wrong_pieces
from woodlab.drying.ready_numbers import quantiles
from woodlab.drying.season_draws import CANDIDATES, draw_season, whole_course

if TYPE_CHECKING:
    from woodlab.drying.results import DryingFits

STEP_DAYS = 3.0
COLUMNS = ["piece", "on", "part", "moisture_pct", "lower_pct", "upper_pct", "target_moisture_pct"]


def forecast_curves(
    fits: DryingFits,
    pieces: Sequence[str],
    as_of: str | pd.Timestamp | None = None,
    target_moisture_pct: float | None = None,
    level: float = 0.90,
    *,
    days_ahead: int = 240,
    within_pct: float = WITHIN_PCT,
    draws: int | None = None,
    seed: int = 0,
) -> pd.DataFrame:
    """Moisture of some pieces from turning to `days_ahead` days after `as_of`.

    Parameters
    ----------
    fits, as_of, target_moisture_pct, level, within_pct, draws, seed
        As for `forecast_ready`.
    pieces : sequence of str
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
    >>> demo, few = wl.demo_book(), "piece in ['A1', 'A3', 'B2']"
    >>> book = wl.RecordBook.from_frames(pieces=demo.pieces.query(few), air=demo.air,
    ...                                  weighings=demo.weighings.query(few))
    >>> curves = forecast_curves(wl.fit_drying(book), ["A1"], as_of="2025-06-01",
    ...                          target_moisture_pct=14, days_ahead=60, draws=50)
    >>> curves["part"].value_counts().to_dict()
    {'so far': 28, 'to come': 19, 'weighed': 12}
    >>> forecast_curves(wl.fit_drying(book), ["Z9"])
    Traceback (most recent call last):
        ...
    woodlab.errors.WoodlabError: No piece named 'Z9' in the book. See fits.pieces for the names.
    """
    wrong_pieces(fits, pieces)
    check_request(target_moisture_pct, level, within_pct, draws)
    day = as_of_day(fits.book, as_of)
    season = draw_season(
        fits.book, day, target_pct=target_moisture_pct, within_pct=within_pct, laws=CANDIDATES,
        draws=draws, seed=seed,
    )  # fmt: skip
    data = season.data
    one_day = np.timedelta64(1, "D")
    after = min(day, data.log_end) if data.has_air else day
    sums = whole_course(data, after, season.air)
    tail = (1 - level) / 2
    names = data.pieces["piece"].to_numpy()
    ln_dry = np.concatenate([post.ln_dry for post in season.posteriors], axis=1)
    parts = []
    for name in pieces:
        found = np.flatnonzero(names == name)
        if not found.size:
            continue  # not turned yet on that day
        p = int(found[0])
        now = max(float((day + one_day - data.first_day) / one_day) - data.start[p] - 0.5, 0.0)
        grid = np.unique(np.concatenate([np.arange(0, now, STEP_DAYS), [now],
                                         np.arange(now, now + days_ahead, STEP_DAYS)]))  # fmt: skip
        rows = []
        at = 0
        for post in season.posteriors:
            for d in range(post.params.shape[1]):
                mean = np.zeros(grid.size)
                kernels.run_coarse(
                    grid, grid.size, post.params[p, d], post.law.capped, data.half_m[p],
                    sums[at, data.place[p]], data.start[p], -1.0, -1.0, -1.0, mean,
                    kernels.COARSE, post.params[p, d],
                )  # fmt: skip
                rows.append(mean)
                at += 1
        curves = np.array(rows).T
        weight = np.broadcast_to(season.weight[p], curves.shape)
        low, middle, high = quantiles(curves, weight, (tail, 0.5, 1 - tail))
        turned = data.pieces["turned_on"].iloc[p]
        parts.append(
            pd.DataFrame(
                {
                    "piece": name,
                    "on": turned + pd.to_timedelta(grid, unit="D"),
                    "part": np.where(grid <= now, "so far", "to come"),
                    "moisture_pct": middle,
                    "lower_pct": low,
                    "upper_pct": high,
                    "target_moisture_pct": season.target_pct[p],
                }
            )
        )
        k = int(data.counts[p])
        good = np.flatnonzero(~data.suspect[p, :k])
        if k and good.size:
            dry = float(np.exp(quantiles(ln_dry[[p]], season.weight[[p]], (0.5,)).item()))
            parts.append(
                pd.DataFrame(
                    {
                        "piece": name,
                        "on": turned + pd.to_timedelta(data.days[p, good], unit="D"),
                        "part": "weighed",
                        "moisture_pct": 100 * (data.net_g[p, good] / dry - 1),
                        "lower_pct": np.nan,
                        "upper_pct": np.nan,
                        "target_moisture_pct": season.target_pct[p],
                    }
                )
            )
    if not parts:
        return pd.DataFrame({name: pd.Series(dtype=object) for name in COLUMNS})
    return pd.concat(parts, ignore_index=True)[COLUMNS]
