"""`forecast_ready`: which pieces are ready, and when the others will be, with honest width.

A date is the first day on which the mean moisture of the wall is at or below the target. It may
lie in the past: then it is when the piece got there, and `p_ready_now` says whether it is still
there (wood takes water up again in damp air). Draws of everything that is not known, from
`woodlab.drying.season_draws`, are the whole answer; here they are put into dates and words.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from woodlab.book.cells import as_date
from woodlab.drying import pool_kernels as kernels
from woodlab.drying.pool_model import UNKNOWN_GREEN_SD
from woodlab.drying.ready_numbers import quantiles
from woodlab.drying.season_draws import CANDIDATES, SeasonDraws, draw_season
from woodlab.drying.warmth import warmth
from woodlab.errors import WoodlabError
from woodlab.wood.humidity import equilibrium_moisture

if TYPE_CHECKING:
    from woodlab.book.record_book import RecordBook
    from woodlab.drying.results import DryingFits

WITHIN_PCT = 2.0  # the usual target: so many points above the store's yearly mean; common practice
DRIER_AIR_DAYS = 180
COLUMNS = (
    "piece", "moisture_now_pct", "p_ready_now", "ready_on", "earliest_on", "latest_on", "reason",
    "target_moisture_pct", "now_lower_pct", "now_upper_pct", "p_ready_ever", "oven_dry_g",
    "oven_dry_lower_g", "oven_dry_upper_g", "drier_air_rh_pct", "species", "seal", "wall_mm",
    "place", "turned_on", "last_weighed_on", "n_weighings", "basis", "laws", "air", "level",
    "as_of",
)  # fmt: skip


def forecast_ready(
    fits: DryingFits,
    as_of: str | pd.Timestamp | None = None,
    target_moisture_pct: float | None = None,
    level: float = 0.90,
    *,
    within_pct: float = WITHIN_PCT,
    laws: Sequence[str] | None = None,
    monthly_air: pd.DataFrame | None = None,
    draws: int | None = None,
    seed: int = 0,
) -> pd.DataFrame:
    """Moisture now, the chance of being ready, and the dates, for every piece.

    Parameters
    ----------
    fits : DryingFits
        Its book is what counts: the season is pooled here in any case, under several laws,
        since one piece alone says little early on.
    as_of : date, optional
        Nothing after this day is used. The default is the day of the last weighing.
    target_moisture_pct : float, optional
        Ready means mean moisture at or below this [% of oven-dry mass]. The default is
        `within_pct` points above the mean equilibrium moisture of the piece's place over the
        year to come.
    level : float
        Chance that `earliest_on` to `latest_on` holds the true date.
    within_pct : float
        Points of moisture [%], for the default of the target.
    laws : sequence of str, optional
        Laws to weigh against one another by the weighings that they foretold; see
        `woodlab.drying.pool_model`. One name uses that law alone.
    monthly_air : DataFrame, optional
        `month`, `temp_c`, `rh_pct`: monthly means of a place, in place of the course of the year
        that the book's log shows.
    draws, seed : int
        How many futures are drawn (300, and fewer for a season of more than 200 pieces), and
        where the random numbers begin.

    Returns
    -------
    DataFrame
        A row a piece: `piece`, `moisture_now_pct` [%], `p_ready_now`, `ready_on` (median date),
        `earliest_on`, `latest_on`, `reason`, `target_moisture_pct`; the limits of the moisture
        now (`now_lower_pct`, `now_upper_pct`); `p_ready_ever`; `oven_dry_g` with its limits;
        `drier_air_rh_pct` [%], which a piece would need that will not get there; what the piece
        is (`species`, `seal`, `wall_mm`, `place`, `turned_on`); what the answer rests on
        (`last_weighed_on`, `n_weighings`, `basis`, `laws`, `air`); `level`, `as_of`. A date is NaT
        where that share of the futures does not get there within 800 days. A piece that was
        scrapped keeps its row, without chances and dates.

    Raises
    ------
    WoodlabError
        If the date, the target, the level or a law is not usable.

    Notes
    -----
    How futures are drawn, with sources: `woodlab.drying.season_draws` and
    `woodlab.drying.posterior`. The usual target is common practice, no source.

    Examples
    --------
    Two bare pieces of 22 and 31 mm and one waxed all over (A1), at the beginning of June:

    >>> import woodlab as wl
    >>> demo, few = wl.demo_book(), "piece in ['A1', 'A3', 'B2']"
    >>> book = wl.RecordBook.from_frames(pieces=demo.pieces.query(few), air=demo.air,
    ...                                  weighings=demo.weighings.query(few))
    >>> ready = wl.forecast_ready(wl.fit_drying(book), as_of="2025-06-01",
    ...                           target_moisture_pct=14, laws=["slab"], draws=50)
    >>> ready.sort_values("ready_on")["piece"].tolist()
    ['A3', 'B2', 'A1']
    >>> ready.set_index("piece")["p_ready_now"].round().to_dict()
    {'A1': 0.0, 'A3': 1.0, 'B2': 0.0}
    """
    check_request(target_moisture_pct, level, within_pct, draws)
    day = as_of_day(fits.book, as_of)
    if (fits.book.pieces["turned_on"] <= pd.Timestamp(day)).sum() == 0:
        return pd.DataFrame({name: pd.Series(dtype=object) for name in COLUMNS})
    season = draw_season(
        fits.book, day, target_pct=target_moisture_pct, within_pct=within_pct,
        laws=tuple(laws) if laws is not None else CANDIDATES, draws=draws, seed=seed,
        monthly=monthly_air,
    )  # fmt: skip
    return without_scrapped(ready_frame(season, level), fits.book.until(pd.Timestamp(day)))


def scrapped_on(book: RecordBook) -> pd.Series:
    """The day each piece was written off at a look (`scrapped`), by piece."""
    looks = book.looks[book.looks["action"] == "scrapped"]
    return looks.groupby("piece")["on"].min()


def without_scrapped(frame: pd.DataFrame, book: RecordBook) -> pd.DataFrame:
    """The frame of `forecast_ready`, its scrapped pieces kept as rows without a forecast."""
    gone_on = scrapped_on(book)
    gone = frame["piece"].isin(gone_on.index)
    if not gone.any():
        return frame
    frame = frame.copy()
    frame.loc[gone, ["p_ready_now", "p_ready_ever", "drier_air_rh_pct"]] = np.nan
    frame.loc[gone, ["ready_on", "earliest_on", "latest_on"]] = pd.NaT
    frame.loc[gone, "reason"] = [
        f"scrapped at the look of {gone_on[piece]:%Y-%m-%d}: no forecast"
        for piece in frame.loc[gone, "piece"]
    ]
    return frame


def check_request(target: float | None, level: float, within: float, draws: int | None) -> None:
    for name, value in (
        ("target_moisture_pct", target), ("level", level), ("within_pct", within),
        ("draws", draws),
    ):  # fmt: skip
        if value is not None and not isinstance(value, int | float | np.number):
            raise WoodlabError(f"{name} = {value!r} is not a number. Type it without quotes.")
    if target is not None and not 2 <= target <= 60:
        raise WoodlabError(
            f"target_moisture_pct = {target:g} is not usable. Give percent of oven-dry mass, "
            "between 2 and 60, such as 12."
        )
    if not 0.5 <= level < 1:
        raise WoodlabError(f"level = {level:g} is not usable. Give a chance such as 0.90.")
    if not 0.2 <= within <= 20:
        raise WoodlabError(f"within_pct = {within:g} is not usable. Give points, such as 2.")
    if draws is not None and draws < 50:
        raise WoodlabError(f"draws = {draws} is too few for an interval. Give at least 50.")


def as_of_day(book, as_of: str | pd.Timestamp | None) -> np.datetime64:  # type: ignore[no-untyped-def]
    """The day asked for, or that of the last weighing, else look, else turning."""
    if as_of is None:
        days = [table["on"].max() for table in (book.weighings, book.looks) if len(table)]
        days = [last for last in days if pd.notna(last)]
        as_of = days[0] if days else book.pieces["turned_on"].max()
    return np.datetime64(as_date(as_of), "D")


def ready_frame(season: SeasonDraws, level: float) -> pd.DataFrame:
    """The frame of `forecast_ready` from draws."""
    data, weight = season.data, season.weight
    tail = (1 - level) / 2
    low, middle, high = quantiles(season.passage_days, weight, (tail, 0.5, 1 - tail))
    now_low, now, now_high = quantiles(season.moisture_now_pct, weight, (tail, 0.5, 1 - tail))
    ready = (weight * (season.moisture_now_pct <= season.target_pct[:, None])).sum(axis=1)
    ever = (weight * np.isfinite(season.passage_days)).sum(axis=1)
    dry_low, dry, dry_high = np.exp(_dry_quantiles(season, tail))
    turned = data.pieces["turned_on"]
    last = [
        turned.iloc[p] + pd.Timedelta(days=float(data.days[p, data.counts[p] - 1]))
        if data.counts[p] else pd.NaT
        for p in range(data.n)
    ]  # fmt: skip
    frame = pd.DataFrame(
        {
            "piece": data.pieces["piece"],
            "moisture_now_pct": now,
            "p_ready_now": np.clip(ready, 0.0, 1.0),
            "ready_on": _dates(turned, middle, "near"),
            "earliest_on": _dates(turned, low, "down"),
            "latest_on": _dates(turned, high, "up"),
            "reason": "",
            "target_moisture_pct": season.target_pct,
            "now_lower_pct": now_low,
            "now_upper_pct": now_high,
            "p_ready_ever": np.clip(ever, 0.0, 1.0),
            "oven_dry_g": dry,
            "oven_dry_lower_g": dry_low,
            "oven_dry_upper_g": dry_high,
            "drier_air_rh_pct": np.nan,
            "species": data.pieces["species"],
            "seal": data.pieces["seal"],
            "wall_mm": data.pieces["wall_mm"],
            "place": data.pieces["place"],
            "turned_on": turned,
            "last_weighed_on": pd.Series(last, dtype="datetime64[ns]"),
            "n_weighings": data.counts,
            "basis": _basis(data),
            "laws": _law_words(season),
            "air": season.air.rests_on,
            "level": level,
            "as_of": pd.Timestamp(season.as_of),
        }
    )
    short = np.flatnonzero(ever < 0.5)
    if short.size:
        frame.loc[short, "drier_air_rh_pct"] = _drier_air(season, short)
    frame["reason"] = [_reason(row) for row in frame.itertuples()]
    return frame[list(COLUMNS)]


def _dry_quantiles(season: SeasonDraws, tail: float) -> np.ndarray:
    ln = np.concatenate([post.ln_dry for post in season.posteriors], axis=1)
    out = quantiles(ln, season.weight, (tail, 0.5, 1 - tail))
    return np.where(season.data.counts > 0, out, np.nan)


def _dates(turned: pd.Series, days: np.ndarray, way: str) -> pd.Series:
    """Whole dates; the interval is rounded outward, so that rounding cannot make it too narrow."""
    offset = (turned - turned.dt.normalize()) / pd.Timedelta(days=1)
    at = days + offset.to_numpy()
    rounded: dict[str, Callable[..., np.ndarray]]
    rounded = {"near": np.round, "down": np.floor, "up": np.ceil}
    whole = rounded[way](at)
    finite = np.isfinite(whole)
    delta = pd.to_timedelta(np.where(finite, whole, 0), unit="D")
    return (turned.dt.normalize() + delta).where(pd.Series(finite, turned.index))


def _basis(data) -> list[str]:  # type: ignore[no-untyped-def]
    """What the oven-dry mass of each piece rests on, beside its own weighings."""
    own = set(data.own_offcuts[0].tolist())
    logs = set(data.log_offcuts[0].tolist())
    out = []
    for p in range(data.n):
        if p in own:
            out.append("its weighings, its own offcuts and the season")
        elif int(data.of_log[p]) in logs:
            out.append("its weighings, its log's offcuts and the season")
        elif data.counts[p] and data.start_sd[data.of_species[p]] < UNKNOWN_GREEN_SD:
            out.append("its weighings, the species table and the season")
        elif data.counts[p]:
            out.append("its weighings and the season: the species table does not know its wood")
        else:
            out.append("the season only: it has not been weighed")
    return out


def _law_words(season: SeasonDraws) -> str:
    kept = season.law_weights[season.law_weights["weight"] > 0]
    kept = kept.sort_values("weight", ascending=False)
    words = ", ".join(f"{row.law} {row.weight:.2f}" for row in kept.itertuples())
    if not season.data.has_air:
        return words
    energy = np.concatenate([post.params[0, :, kernels.WARMTH] for post in season.posteriors])
    return f"{words}; chance that rates follow the warmth {(energy != 0).mean():.2f}"


def _drier_air(season: SeasonDraws, short: np.ndarray) -> np.ndarray:
    """Relative humidity [%] at 20 C whose constant air brings a piece there in half a year."""
    post = season.posteriors[0]
    data = post.data
    levels = np.arange(1.0, 26.0, 1.0)
    steady = np.stack([levels, np.full(levels.size, warmth(20.0))], axis=1)  # a day of each
    humid = np.arange(5.0, 96.0, 1.0)
    curve = np.asarray(equilibrium_moisture(20.0, humid), dtype=float)
    out = np.full(short.size, np.nan)
    past = data.sums[:, :, : int((season.as_of - data.first_day) / np.timedelta64(1, "D")) + 2]
    for i, p in enumerate(short):
        params = np.median(post.params[p], axis=0)
        level = np.nan
        for at in range(levels.size):
            ahead = steady[at][:, None] * np.arange(1, DRIER_AIR_DAYS + 3)
            here = past[data.place[p]]
            whole = np.concatenate([here, here[:, -1:] + ahead], axis=1)
            now = float(past.shape[2] - 1 - data.start[p])
            passage, _ = kernels.run_coarse(
                np.zeros(1), 0, params, post.law.capped, data.half_m[p], whole, data.start[p],
                now, now + DRIER_AIR_DAYS, float(season.target_pct[p]), np.zeros(1),
                kernels.COARSE, params,
            )  # fmt: skip
            if not np.isfinite(passage):
                break
            level = levels[at]
        if np.isfinite(level):
            under = np.flatnonzero(curve <= level)
            out[i] = humid[under[-1]] if under.size else np.nan
    return out


def _reason(row) -> str:  # type: ignore[no-untyped-def]
    target = f"{row.target_moisture_pct:.1f} %"
    between = f"{row.now_lower_pct:.1f} to {row.now_upper_pct:.1f}"
    now = f"about {row.moisture_now_pct:.1f} % now ({between})"
    seen = {0: "not weighed yet", 1: "one weighing"}.get(
        row.n_weighings, f"{row.n_weighings} weighings"
    )
    rests = f"{now}, from {seen}" if row.n_weighings else f"{now}: {seen}, its group's curve"
    open_end = ""
    if pd.isna(row.latest_on):
        open_end = (
            f"; it may not reach {target} at all in the air it stands in "
            f"(chance of reaching it {row.p_ready_ever:.2f})"
        )
    if row.p_ready_ever < 0.5:
        text = f"will probably not reach {target} in the air it stands in; {rests}"
        if np.isfinite(row.drier_air_rh_pct):
            text += (
                f"; air of at most {row.drier_air_rh_pct:.0f} % relative humidity at 20 C would "
                "bring it there in half a year"
            )
        else:
            text += "; even very dry air would need more than half a year"
        return text
    if row.p_ready_now >= 0.95:
        return f"ready: at or below {target} with a chance of {row.p_ready_now:.2f}; {rests}"
    if pd.notna(row.ready_on) and row.ready_on <= row.as_of and row.p_ready_now < 0.5:
        return f"was at {target} and has probably taken up water since; {rests}"
    if row.p_ready_now >= 0.5:
        return f"probably ready, chance {row.p_ready_now:.2f} for {target}; {rests}{open_end}"
    return f"chance of being ready {row.p_ready_now:.2f}; {rests}{open_end}"
