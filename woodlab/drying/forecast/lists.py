"""Around the forecast: the steady-weight rule, how many by when, and how past forecasts did."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook, expect_book
from woodlab.drying.fit.fitting import as_of_day
from woodlab.drying.fit.results import DryingFits, checked_fits
from woodlab.drying.forecast.cracks import ended
from woodlab.drying.forecast.passage import (
    WITHIN_PCT,
    check_count,
    check_request,
    passages,
    weighed_moisture,
)
from woodlab.drying.forecast.ready import ready_frame
from woodlab.errors import WoodlabError, as_list

SIZES_MM = [0.0, 200.0, 280.0, np.inf]
SIZES = ["rim under 200 mm", "rim 200 to 280 mm", "rim 280 mm and over"]
TOO_FEW = (pd.NA, float("nan"), 0.0, 0)
PAST = ["as_of", "piece", "ready_on", "earliest_on", "latest_on", "turned_out_on", "error_days",
        "held"]  # fmt: skip


def steady_weight(
    book: RecordBook,
    forecast: pd.DataFrame | None = None,
    as_of: str | pd.Timestamp | None = None,
    weeks: float = 4.0,
    tolerance_pct: float = 0.5,
) -> pd.DataFrame:
    """The other rule that makers use: ready when the weight has been steady for some weeks.

    Common practice, no source. It knows nothing of moisture: a well-sealed piece loses little
    even while it is wet, and a dry piece never rests in changing air.

    Parameters
    ----------
    book : RecordBook
    forecast : DataFrame, optional
        From `forecast_ready`, to see where the two rules disagree, and why.
    as_of : date, optional
        Nothing after this day is used; by default that of the forecast, else the last weighing.
    weeks, tolerance_pct : float
        Steady means: at least three weighings over this long, none further than `tolerance_pct`
        (of the last mass) from another.

    Returns
    -------
    DataFrame
        `piece`, `steady` (True, False, or NA where there are too few weighings, or too far apart
        to say that it still moves), `change_pct`,
        `span_days`, `n_weighings`; with a forecast also `p_ready_now`, `agrees` and `why`.

    Raises
    ------
    WoodlabError
        If `weeks` or `tolerance_pct` is not above zero.

    Examples
    --------
    >>> import pandas as pd, woodlab as wl
    >>> book = wl.RecordBook.from_frames(
    ...     pieces=pd.DataFrame({"piece": ["A"], "species": ["red oak"], "seal": ["none"],
    ...                          "turned_on": ["2026-03-01"], "wall_mm": [25]}),
    ...     weighings=pd.DataFrame({"piece": "A", "on": ["2026-05-01", "2026-05-15", "2026-05-29"],
    ...                             "mass_g": [801, 800, 800]}))
    >>> bool(steady_weight(book)["steady"].item())
    True
    """
    book = expect_book(book, "steady_weight")
    for name, value in (("weeks", weeks), ("tolerance_pct", tolerance_pct)):
        if not isinstance(value, int | float | np.number) or not value > 0:
            raise WoodlabError(f"{name} must be a number above zero (found {value!r}).")
    if forecast is not None and as_of is None and len(forecast):
        as_of = forecast["as_of"].iloc[0]
    known = book.until(pd.Timestamp(as_of_day(book, as_of)))
    turned = known.pieces.set_index("piece")["turned_on"]
    weighed = known.weighings.sort_values("on", kind="stable")
    days = (weighed["on"] - weighed["piece"].map(turned)) / pd.Timedelta(days=1)
    found = {
        piece: _last_weeks(mine["days"].to_numpy(), mine["mass_g"].to_numpy(), weeks, tolerance_pct)
        for piece, mine in weighed.assign(days=days)[days >= 0].groupby("piece")
    }
    frame = pd.DataFrame(
        [(piece, *found.get(piece, TOO_FEW)) for piece in turned.index],
        columns=["piece", "steady", "change_pct", "span_days", "n_weighings"],
    ).astype({"steady": "boolean"})
    if forecast is None:
        return frame
    other = forecast.set_index("piece").reindex(frame["piece"]).reset_index()
    chance = other["p_ready_now"]
    frame["p_ready_now"] = chance
    frame["agrees"] = frame["steady"] == (chance >= 0.5).astype("boolean").mask(chance.isna())
    both = zip(frame["steady"], frame["agrees"], other.itertuples(), strict=True)
    frame["why"] = [_why(*one) for one in both]
    return frame


def _last_weeks(
    days: np.ndarray, mass: np.ndarray, weeks: float, tolerance_pct: float
) -> tuple[object, float, float, int]:
    """Steady or not, change [%], span [days] and number of the shortest run of weighings, from the
    last one back, that lasts long enough."""
    back = np.flatnonzero(days <= days[-1] - 7 * weeks + 1.5)
    if days.size < 3 or not back.size:
        return TOO_FEW
    first = min(int(back[-1]), days.size - 3)
    span, change = float(days[-1] - days[first]), 100 * float(np.ptp(mass[first:]) / mass[-1])
    steady = change <= tolerance_pct
    # it moved some time in a span much longer than was asked for: when, nobody saw
    unseen = not steady and span > 2 * 7 * weeks
    return pd.NA if unseen else steady, change, span, days.size - first


def _why(steady: object, agrees: object, row: Any) -> str:
    if steady is pd.NA:
        return "too few weighings in these weeks for the steady-weight rule"
    if agrees is pd.NA or agrees:
        return ""
    now = f"{row.moisture_now_pct:.1f} %"
    if steady and row.seal not in (None, "none"):
        return f"steady, yet wet at {now}: behind its seal it loses too little in these weeks"
    if steady:
        return f"steady, yet wet at {now}: the air is too damp for it"
    probably = "" if row.p_ready_now >= 0.95 else "probably "
    return f"{probably}dry enough at {now}, but its weight still moves"


def ready_by_week(
    fits: DryingFits,
    as_of: str | pd.Timestamp | None = None,
    target_moisture_pct: float | None = None,
    level: float = 0.90,
    *,
    weeks: int = 52,
    within_pct: float = WITHIN_PCT,
) -> pd.DataFrame:
    """How many pieces will be ready by when: overall, by species and by size.

    Counted in each drawn future, in which all pieces of a place share one course of the air, so
    that the interval is as wide as the weather makes it. A piece counts from the first day on
    which it is at the target; one that has ended does not count. Cracks are not looked at here.

    Parameters
    ----------
    fits, as_of, target_moisture_pct, level, within_pct
        As for `forecast_ready`.
    weeks : int
        How many weeks from `as_of`.

    Returns
    -------
    DataFrame
        `by` (`all`, `species`, `size`), `group`, `week_ending`, `expected`, `lower`, `upper`
        (number of pieces), `n_pieces`.

    Raises
    ------
    WoodlabError
        If `weeks` is below 1, or as for `forecast_ready`.

    Examples
    --------
    >>> import woodlab as wl
    >>> book = wl.demo_book().only(pieces=["A1", "A3", "B2"])
    >>> fits = wl.fit_drying(book, law="slab", as_of="2025-06-01")
    >>> weeks = ready_by_week(fits, target_moisture_pct=14, weeks=40)
    >>> weeks = weeks[weeks["by"] == "all"].set_index("week_ending")
    >>> weeks.loc[["2025-06-01", "2026-03-08"], ["expected", "n_pieces"]].round()
                 expected  n_pieces
    week_ending
    2025-06-01        1.0         3
    2026-03-08        3.0         3
    """
    check_count("weeks", weeks, 26)
    check_request(target_moisture_pct, level, within_pct)
    found = passages(fits, as_of, target_moisture_pct, within_pct)
    pieces = found.fits.book.pieces.reset_index(drop=True)
    since = found.passage_days - found.now[:, None]  # days from the day asked
    ends = 7.0 * np.arange(0, weeks + 1)
    size = pd.cut(pieces["rim_mm"].astype(float), SIZES_MM, right=False, labels=SIZES)
    kinds = {"all": np.full(len(pieces), "all"), "species": pieces["species"].to_numpy(object),
             "size": size.astype(object).fillna("rim not measured").to_numpy()}  # fmt: skip
    book = found.fits.book.until(pd.Timestamp(found.day))
    gone = ended(book.pieces, book.looks).index
    here = ~pieces["piece"].isin(gone).to_numpy()
    groups = [
        (by, str(one), here & (kind == one))
        for by, kind in kinds.items() for one in sorted(set(kind), key=str)
    ]  # fmt: skip
    tail = (1 - level) / 2
    parts = []
    for by, group, mine in groups:
        ready = (since[mine][:, :, None] <= ends[None, None, :] + 0.5).sum(axis=0)
        # whole pieces, rounded outward: a count that hardly varies still holds its own mean
        expected = ready.mean(axis=0)
        low, high = np.quantile(ready, [tail, 1 - tail], axis=0)
        parts.append(pd.DataFrame({
            "by": by, "group": group,
            "week_ending": pd.Timestamp(found.day) + pd.to_timedelta(ends, unit="D"),
            "expected": expected, "lower": np.floor(np.minimum(low, expected)),
            "upper": np.ceil(np.maximum(high, expected)), "n_pieces": int(mine.sum()),
        }))  # fmt: skip
    return pd.concat(parts, ignore_index=True)


def past_forecasts(
    fits: DryingFits,
    dates: Sequence[str | pd.Timestamp] | str | None = None,
    target_moisture_pct: float | None = None,
    level: float = 0.90,
    *,
    within_pct: float = WITHIN_PCT,
) -> pd.DataFrame:
    """How forecasts as of earlier dates turned out, by what was weighed since.

    For each date the book is cut off there, fitted and forecast. What came of it: the day on
    which the weights, between weighings on a straight line, passed the target, with the oven-dry
    mass as the whole book has it. Pieces that had passed by then, or have not yet, are not judged.

    Parameters
    ----------
    fits : DryingFits
        Of the whole record: its book is cut off at each date.
    dates : date or sequence of dates, optional
        By default at two fifths and three fifths of the record.
    target_moisture_pct, level, within_pct
        As for `forecast_ready`.

    Returns
    -------
    DataFrame
        `as_of`, `piece`, `ready_on`, `earliest_on`, `latest_on`, `turned_out_on`, `error_days`
        (forecast less outcome), `held` (the interval held the outcome).

    Raises
    ------
    WoodlabError
        As for `forecast_ready`.

    Examples
    --------
    The forecasts of three pieces, with the weighings since:

    >>> import woodlab as wl
    >>> fits = wl.fit_drying(wl.demo_book().only(pieces=["A1", "A3", "B2"]), law="slab")
    >>> past = past_forecasts(fits, ["2025-06-01"], target_moisture_pct=14)
    >>> past[["as_of", "piece", "held"]]
           as_of piece  held
    0 2025-06-01    A1  True
    1 2025-06-01    A3  True
    2 2025-06-01    B2  True
    """
    check_request(target_moisture_pct, level, within_pct)
    book = checked_fits(fits).book
    empty = pd.DataFrame({name: pd.Series(dtype=object) for name in PAST})
    if len(book.weighings) == 0:
        return empty
    if dates is None:
        first, last = book.weighings["on"].min(), book.weighings["on"].max()
        dates = [(first + share * (last - first)).normalize() for share in (0.4, 0.6)]
    whole = passages(fits, None, target_moisture_pct, within_pct)
    target = pd.Series(whole.target_pct.mean(axis=1), fits.pieces["piece"])
    turned_out = _passed_on(fits, target)
    parts = []
    for date in as_list(dates, "dates"):
        day = as_of_day(book, date)
        known = book.until(pd.Timestamp(day))
        if len(known.pieces) == 0 or len(known.weighings) == 0:
            continue
        wanted = known.pieces["piece"].map(target).to_numpy(dtype=float)
        then = ready_frame(passages(fits, date, None, within_pct, targets=wanted), level)
        out, latest = then["piece"].map(turned_out), then["latest_on"]
        then = then.assign(
            turned_out_on=out, error_days=(then["ready_on"] - out) / pd.Timedelta(days=1),
            held=(then["earliest_on"] <= out) & (latest.isna() | (out <= latest)),
        )  # fmt: skip
        parts.append(then.loc[out > pd.Timestamp(day), PAST])
    return pd.concat(parts, ignore_index=True) if parts else empty


def _passed_on(fits: DryingFits, target: pd.Series) -> dict[str, pd.Timestamp]:
    """The day on which the weights of each piece passed its target; NaT if they have not."""
    turned = fits.book.pieces["turned_on"].to_numpy()
    out = dict.fromkeys(target.index, pd.NaT)
    for p, (piece, goal) in enumerate(target.items()):
        days, moisture = weighed_moisture(fits, p, float(fits.pieces["oven_dry_g"].iloc[p]))
        below = np.flatnonzero(moisture <= goal)
        if below.size and below[0] > 0:
            two = slice(below[0] - 1, below[0] + 1)
            day = np.interp(-goal, -moisture[two], days[two])
            out[piece] = (pd.Timestamp(turned[p]) + pd.Timedelta(days=float(day))).normalize()
    return out
