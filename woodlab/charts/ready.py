"""Charts of readiness: the list, dates with intervals, counts by week, forecasts that came due."""

from __future__ import annotations

from functools import partial
from typing import Any

import altair
import pandas as pd

from woodlab import words
from woodlab.charts.blocks import across, each, lines, need, panels, rows, upward
from woodlab.charts.colours import role
from woodlab.charts.lists import SortableList
from woodlab.charts.theme import INK, series_encoding, themed
from woodlab.charts.units import drawing
from woodlab.show import listed


def ready_dates(forecast: pd.DataFrame, *, most: int = 120) -> Any:
    """Dates of readiness with their intervals, one row a piece, the earliest on top.

    Parameters
    ----------
    forecast : DataFrame
        From `forecast_ready`. Pieces without a median date are counted and not drawn.
    most : int
        How many rows; later ones are counted and not drawn.

    Returns
    -------
    LayerChart: a row a piece against the date; an arrow: no latest day, or one further off.

    Examples
    --------
    >>> forecast = pd.DataFrame({
    ...     "piece": ["A1", "B2", "B3"], "seal": "none", "level": 0.9,
    ...     "as_of": pd.Timestamp("2026-05-01"),
    ...     "ready_on": pd.to_datetime(["2026-05-21", "2026-07-10", "2026-08-01"]),
    ...     "earliest_on": pd.to_datetime(["2026-05-20", "2026-06-15", "2026-06-20"]),
    ...     "latest_on": pd.to_datetime(["2026-06-20", "2026-09-01", None])})
    >>> print(ready_dates(forecast, most=1).description)
    1 of 3 bowls is due within four weeks. As of 1 May 2026, 1 piece, by the median 21 May,
    each with its 90 % interval. 2 pieces are not shown.
    """
    dated = forecast[forecast["ready_on"].notna()].sort_values(["ready_on", "piece"])
    need(dated, why="no bowl is waiting with a date, so there are no dates to draw.")
    frame, as_of = dated.head(most), forecast["as_of"].iloc[0]
    left_out = len(forecast) - len(frame)
    far = max([as_of, *frame["ready_on"]]) + pd.Timedelta(days=120)
    far = min(far, max(as_of, frame["latest_on"].fillna(far).max()) + pd.Timedelta(days=7))
    open_end = frame["latest_on"].isna() | (frame["latest_on"] > far)
    frame = frame.assign(open_end=open_end, shown_to=frame["latest_on"].where(~open_end, far))
    frame = frame[["piece", "seal", "ready_on", "earliest_on", "shown_to", "open_end"]]
    start = min([as_of, *frame["earliest_on"].dropna()])
    x = partial(across, ends=(start - (far - start) * 0.08, far), tickCount=6)  # room for marks
    look = series_encoding("seal", "Seal", mark="point", domain=words.order_of_seals(frame["seal"]),
                           size="page")  # fmt: skip
    today = drawing(pd.DataFrame({"as_of": [as_of]})).encode(x=x("as_of:T"))
    layers = [
        *rows(frame, x, "earliest_on:T", "ready_on:T", "shown_to:T", **look),
        today.mark_rule(strokeDash=[4, 3], color=INK),
    ]
    level = f"{100 * forecast['level'].iloc[0]:.0f} %"
    due = int((dated["ready_on"] <= as_of + pd.Timedelta(days=28)).sum())
    when = words.dates(frame["ready_on"].min(), frame["ready_on"].max(), as_of)
    unseen = f"{words.tally(left_out)} {'is' if left_out == 1 else 'are'} not shown"
    # named here: in the panel its words would lie upon a row, above it upon the legend
    sub = f"First day dry enough: median, and the days that hold it in {level} of chances."
    sub += f" Dashed: {words.day(as_of)}."
    sub += " Arrow: no latest day, or later." if open_end.any() else ""
    sub += f" {unseen}: no date, or later ones." if left_out else ""
    step = 12 if len(frame) > 40 else 15
    return themed(
        altair.layer(*layers).properties(height=altair.Step(step)),
        says=f"{due} of {len(forecast)} bowls {'is' if due == 1 else 'are'} due within four weeks",
        sub=sub, size="page",
        alt=f"As of {words.day(as_of)}, {words.tally(len(frame))}, by the median {when}, each "
        f"with its {level} interval.{f' {unseen}.' if left_out else ''}",
    )  # fmt: skip


# What a maker reads of a forecast, as headings.
_LIST = {
    "piece": "Piece", "species": "Species", "seal": "Seal", "place": "Place",
    "moisture_now_pct": "Moisture now [%]", "p_ready_now": "Chance it is ready",
    "ready_on": "First ready on", "earliest_on": "Earliest", "latest_on": "Latest",
    "reason": "In words",
}  # fmt: skip


def ready_list(forecast: pd.DataFrame) -> SortableList:
    """The ready list: a row a piece, the likeliest first; a click on a heading sorts it.

    Parameters
    ----------
    forecast : DataFrame
        From `forecast_ready`.

    Returns
    -------
    SortableList
        Shows itself in a notebook and in an exported page, without a network.

    Examples
    --------
    >>> day = pd.Timestamp("2026-06-20")
    >>> forecast = pd.DataFrame({
    ...     "piece": ["A1", "B2"], "species": "red oak", "seal": ["wax", "none"], "place": "loft",
    ...     "moisture_now_pct": [21.04, 11.5], "p_ready_now": [0.0, 0.97], "as_of": day,
    ...     "ready_on": [day + pd.Timedelta(days=90), day], "earliest_on": day, "latest_on": pd.NaT,
    ...     "reason": "", "target_moisture_pct": 12.0, "level": 0.9})
    >>> ready_list(forecast).frame[["Piece", "Chance it is ready"]].values.tolist()
    [['B2', 0.97], ['A1', 0.0]]
    """
    frame = forecast.assign(p_ready_now=forecast["p_ready_now"].round(2)).sort_values(
        ["p_ready_now", "ready_on", "piece"], ascending=[False, True, True], ignore_index=True
    )
    caption = ""
    if len(frame):
        ends = frame["target_moisture_pct"].agg(["min", "max"]).map(words.target).unique()
        caption = (
            f"As of {words.day(frame['as_of'].iloc[0])}. Ready: at or below {' to '.join(ends)} "
            "moisture. First ready on: the day it gets, or got, there, as likely earlier as later; "
            f"between earliest and latest with a chance of {100 * frame['level'].iloc[0]:.0f} %. "
            "No latest day: it may never get there."
        )
    formats = {"Moisture now [%]": "{:.1f}", "Chance it is ready": "{:.2f}"}
    return SortableList(frame[list(_LIST)].rename(columns=_LIST), formats, caption)


def ready_counts(weeks: pd.DataFrame) -> Any:
    """Expected number of ready pieces by week, with its band; one `by` at a time.

    Parameters
    ----------
    weeks : DataFrame
        From `ready_by_week`, the rows of one group or of the groups of one `by`.

    Returns
    -------
    LayerChart: pieces ready [count] against the week's end, a line and a band a group.

    Examples
    --------
    >>> weeks = pd.DataFrame({"by": "all", "group": "all", "n_pieces": 12,
    ...                       "week_ending": pd.to_datetime(["2026-05-03", "2026-05-10"]),
    ...                       "expected": [3.2, 5.9], "lower": [2, 4], "upper": [5, 8]})
    >>> ready_counts(weeks).description
    '6 of 12 bowls ready by 10 May 2026. all: 6 (4 to 8) of 12 by 10 May 2026.'
    """
    need(weeks, "group", "expected", "lower", "upper")
    names = list(dict.fromkeys(weeks["group"]))
    first, until = weeks["week_ending"].min(), weeks["week_ending"].max()
    room = 0.25 if len(names) > 1 else 0.0  # for the names at the lines' ends
    x = across("week_ending:T", "Week ending", (first, until + room * (until - first)), tickCount=5)
    y = partial(upward, title="Bowls ready")
    area = drawing(weeks).mark_area(opacity=0.18)
    colour = series_encoding("group", "", mark="area", domain=names, legend=False)
    layers = [
        area.encode(x=x, y=y("lower:Q"), y2="upper:Q", **colour),
        *lines(weeks, x, y("expected:Q"), "group", names=names),
    ]
    last = weeks.groupby("group", sort=False).tail(1)
    last = last.assign(until=last["week_ending"].map(words.day))
    count = "{expected:.0f} ({lower:.0f} to {upper:.0f}) of {n_pieces}"
    told = each(last, f"{{group}}: {count} by {{until}}")
    some, every = last[["expected", "n_pieces"]].sum()
    return themed(
        altair.layer(*layers), alt=f"{'; '.join(told)}.",
        says=f"{some:.0f} of {every:.0f} bowls ready by {words.day(until)}",
        sub="Expected number of bowls dry enough at the end of each week, with its interval.",
    )  # fmt: skip


def past_forecasts_chart(past: pd.DataFrame) -> Any:
    """Forecast against outcome, a row a piece: how many days later it came than was forecast.

    Parameters
    ----------
    past : DataFrame
        From `past_forecasts`.

    Returns
    -------
    ConcatChart: a panel a day of forecast, on one axis: days [d] from the outcome to the median
    of the forecast, with its interval; the upright line is the outcome.

    Examples
    --------
    >>> past = pd.DataFrame({
    ...     "as_of": pd.Timestamp("2026-05-01"), "piece": ["A1", "B2"], "held": [True, False],
    ...     "ready_on": pd.to_datetime(["2026-06-01", "2026-07-01"]),
    ...     "earliest_on": pd.to_datetime(["2026-05-20", "2026-06-20"]),
    ...     "latest_on": pd.to_datetime(["2026-06-20", "2026-07-10"]),
    ...     "turned_out_on": pd.to_datetime(["2026-06-08", "2026-08-01"])})
    >>> past_forecasts_chart(past).description
    "1 of 2 bowls came out inside their forecast's interval. Outside: B2."
    """
    need(past, why="no forecast has come due, so there is nothing to compare.")
    frame = past[past["ready_on"].notna()].copy()
    need(frame, why="no forecast has come due with a date, so there is nothing to compare.")
    for name in ("ready", "earliest", "latest"):
        frame[f"{name}_d"] = (frame[f"{name}_on"] - frame["turned_out_on"]).dt.days
    frame["kind"] = frame["held"].astype(bool).map({True: "held", False: "missed"})
    most = float(frame[["ready_d", "earliest_d"]].abs().to_numpy().max()) * 1.15 + 3
    frame["open_end"] = ~(frame["latest_d"] <= most)
    frame["to_d"] = frame["latest_d"].where(~frame["open_end"], most)
    least = float(min(frame[["earliest_d", "ready_d"]].min().min(), -7))
    ends = (least - 0.12 * (most - least), most)  # room for the marks
    x = partial(across, title="Forecast minus outcome [days]", ends=ends)
    zero = drawing(pd.DataFrame({"ready_d": [0]})).mark_rule(color=INK, strokeWidth=1.5)
    kinds = {"held": (role("waiting"), "circle"), "missed": (role("cracked"), "diamond")}
    look = {
        name: channel("kind:N", legend=None, scale=altair.Scale(
            domain=list(kinds), range=[kind[k] for kind in kinds.values()]))
        for k, (name, channel) in enumerate((("color", altair.Color), ("shape", altair.Shape)))
    }  # fmt: skip
    layers, columns = {}, ["piece", "earliest_d", "ready_d", "to_d", "kind", "open_end"]
    for made_on, own in frame.groupby("as_of"):
        own = own.sort_values(["ready_d", "piece"])
        inside = int((own["kind"] == "held").sum())
        layers[f"Forecast on {words.day(made_on)}: {inside} of {len(own)} inside"] = [
            zero.encode(x=x("ready_d:Q")),
            *rows(own[columns], x, "earliest_d:Q", "ready_d:Q", "to_d:Q", **look),
        ]
    missed = frame.loc[frame["kind"] == "missed", "piece"]
    return themed(
        panels(layers, columns=1, height=altair.Step(13), size="column", axis_px=12), size="column",
        says=f"{len(frame) - len(missed)} of {len(frame)} bowls came out inside their forecast's "
        "interval",
        sub="Forecast minus outcome [days], a row a bowl: left of the line, it took longer than "
        "forecast. Dot: median; bar: interval, open where it ends in an arrow; diamond: missed.",
        alt=f"Outside: {listed(missed)}." if len(missed) else "None was outside.",
    )  # fmt: skip
