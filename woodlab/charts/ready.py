"""Charts of readiness: dates with intervals, counts by week, curves with what is yet to come."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from woodlab import words
from woodlab.charts.axes import band, fixed
from woodlab.charts.colours import order_of_seals, role
from woodlab.charts.notebook.listing import SortableList
from woodlab.charts.theme import (
    BAND_OPACITY,
    COLOURS,
    INK,
    MONTHS_OR_DAYS,
    Size,
    counted,
    heading,
    panel_px,
    series_encoding,
    themed,
)

ROW_PX = 15
_DATE = alt.Axis(format="%d %b %y", labelAngle=0, tickCount=6)


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Text columns as plain objects, so that absent values are null in the chart's data."""
    out = frame.copy()
    for name in out.columns:
        if pd.api.types.is_string_dtype(out[name]):
            out[name] = out[name].astype(object).where(out[name].notna(), "not recorded")
    return out


def _nothing(told: str, **how: Any) -> Any:
    """A chart of no rows, which says so."""
    empty = alt.Chart(pd.DataFrame({"says": [told]})).mark_text()
    return themed(empty.encode(text="says:N"), **how)


def ready_dates(forecast: pd.DataFrame, *, most: int = 120, size: Size = "page") -> Any:
    """Dates of readiness with their intervals, one row a piece, the earliest on top.

    Parameters
    ----------
    forecast : DataFrame
        From `forecast_ready`. Pieces without a median date are not drawn; the subtitle and the
        alt text count them.
    most : int
        How many rows; later ones are not drawn and counted, too.
    size : as for `themed`

    Returns
    -------
    LayerChart: a row a piece against the date, its mark at its interval's head; an interval that
    ends in an arrow has no latest day, or one further off.

    Examples
    --------
    >>> forecast = pd.DataFrame({
    ...     "piece": ["A1", "B2", "B3"], "seal": "none", "level": 0.9,
    ...     "as_of": pd.Timestamp("2026-05-01"),
    ...     "ready_on": pd.to_datetime(["2026-05-21", "2026-07-10", "2026-08-01"]),
    ...     "earliest_on": pd.to_datetime(["2026-05-20", "2026-06-15", "2026-06-20"]),
    ...     "latest_on": pd.to_datetime(["2026-06-20", "2026-09-01", None])})
    >>> print(ready_dates(forecast, most=1).description)
    Dates on which 1 piece will be ready, as of 2026-05-01: from 2026-05-21 to 2026-05-21 by the
    median, each with its 90 % interval. 2 pieces are not shown.
    >>> ready_dates(forecast).title.text
    ['1 of 3 bowls is due within four weeks']
    """
    rows = _plain(forecast[forecast["ready_on"].notna()]).sort_values(["ready_on", "piece"])
    as_of = forecast["as_of"].iloc[0] if len(forecast) else pd.Timestamp("2000-01-01")
    due = int((rows["ready_on"] <= as_of + pd.Timedelta(days=28)).sum())
    rows, left_out = rows.head(most), len(forecast) - min(len(rows), most)
    far = max([as_of, *rows["ready_on"]]) + pd.Timedelta(days=120)
    rows["open_end"] = rows["latest_on"].isna() | (rows["latest_on"] > far)
    rows["shown_to"] = rows["latest_on"].where(~rows["open_end"], far)
    seals = order_of_seals(rows["seal"])
    look = series_encoding("seal", "Seal", mark="point", domain=seals, size=size)
    colour = alt.Color("seal:N", scale=look["color"]["scale"], legend=None)
    start = min([as_of, *rows["earliest_on"].dropna()]) - (far - as_of) * 0.08  # room for marks
    scale = fixed(start.isoformat(), far.isoformat(), type="time")
    base = alt.Chart(rows).encode(y=alt.Y("piece:N", sort=list(rows["piece"]), axis=None))
    today = alt.Chart(pd.DataFrame({"as_of": [as_of], "says": ["as of"]}))

    def x(field: str) -> Any:
        return alt.X(f"{field}:T", title=None, axis=_DATE, scale=scale)

    layers = [
        base.mark_point(size=42).encode(x=x("ready_on"), **look),
        base.mark_rule(strokeWidth=2.5).encode(x=x("earliest_on"), x2="shown_to:T", color=colour),
        base.transform_filter("datum.open_end").mark_point(shape="triangle-right", size=45)
        .encode(x=x("shown_to"), color=colour),
        base.mark_text(align="right", dx=-6, fontSize=9, color=INK)
        .encode(x=x("earliest_on"), text="piece:N"),
        today.mark_rule(strokeDash=[4, 3], color=INK).encode(x=x("as_of")),
        # at the foot: above the panel it would lie upon the legend
        today.mark_text(align="left", dx=4, dy=-3, baseline="bottom")
        .encode(x=x("as_of"), y=alt.value("height"), text="says:N"),
    ]  # fmt: skip
    unseen = f"{counted(left_out, 'piece')} {'is' if left_out == 1 else 'are'} not shown"
    says, sub = "No bowl has a date yet", f"{unseen}."
    said = f"No piece has a median date of readiness; {unseen}."
    if len(rows):
        level = f"{100 * forecast['level'].iloc[0]:.0f} %"
        said = (
            f"Dates on which {counted(len(rows), 'piece')} will be ready, as of {as_of.date()}: "
            f"from {rows['ready_on'].min().date()} to {rows['ready_on'].max().date()} by the "
            f"median, each with its {level} interval. {unseen}."
        )
        says = f"{due} of {len(forecast)} bowls {'is' if due == 1 else 'are'} due within four weeks"
        sub = f"First day dry enough: median, and the days that hold it in {level} of chances."
        sub += " Arrow: no latest day, or later." if rows["open_end"].any() else ""
        sub += f" {unseen[:1].upper()}{unseen[1:]}: no date, or later ones." if left_out else ""
    chart = alt.layer(*layers).properties(height=alt.Step(11 if len(rows) > 40 else ROW_PX))
    return themed(chart, alt=said, says=says, sub=sub, size=size)


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
    rows = forecast.assign(chance=forecast["p_ready_now"].round(2)).sort_values(
        ["chance", "ready_on", "piece"], ascending=[False, True, True], ignore_index=True
    )
    caption = ""
    if len(rows):
        target = f"{rows['target_moisture_pct'].min():.1f}"
        most = f"{rows['target_moisture_pct'].max():.1f}"
        target += "" if most == target else f" to {most}"
        chance = f"{100 * rows['level'].iloc[0]:.0f} %"
        caption = (
            f"As of {rows['as_of'].iloc[0]:%Y-%m-%d}. Ready: at or below {target} % moisture. "
            "First ready on: the day it gets, or got, there, as likely earlier as later; between "
            f"earliest and latest with a chance of {chance}. No latest day: it may never get there."
        )
    frame = rows[list(_LIST)].rename(columns=_LIST)
    return SortableList(
        frame, {"Moisture now [%]": "{:.1f}", "Chance it is ready": "{:.2f}"}, caption
    )  # fmt: skip


def ready_counts(weeks: pd.DataFrame, *, size: Size = "column") -> Any:
    """Expected number of ready pieces by week, with its band; one `by` at a time.

    Parameters
    ----------
    weeks : DataFrame
        From `ready_by_week`, the rows of one group or of the groups of one `by`.
    size : as for `themed`

    Returns
    -------
    LayerChart: pieces ready [count] against the week's end, a line and a band a group.

    Examples
    --------
    >>> weeks = pd.DataFrame({"by": "all", "group": "all", "n_pieces": 12,
    ...                       "week_ending": pd.to_datetime(["2026-05-03", "2026-05-10"]),
    ...                       "expected": [3.2, 5.9], "lower": [2, 4], "upper": [5, 8]})
    >>> ready_counts(weeks).description
    'Number of pieces ready by week. all: 6 (4 to 8) of 12 pieces by 2026-05-10.'
    """
    rows = _plain(weeks)
    groups = list(dict.fromkeys(rows["group"]))
    x = alt.X("week_ending:T", title="Week ending", axis=_DATE)
    base = alt.Chart(rows).encode(x=x)

    def look(mark: Any, *, legend: bool) -> dict[str, Any]:
        return series_encoding("group", "Group", mark=mark, domain=groups, legend=legend, size=size)

    line = base.mark_line().encode(y="expected:Q", **look("line", legend=len(groups) > 1))
    area = base.mark_area(opacity=BAND_OPACITY).encode(
        y=alt.Y("lower:Q", title="Pieces ready"), y2="upper:Q", **look("area", legend=False)
    )
    last = rows.groupby("group", sort=False).tail(1)
    said = "; ".join(
        f"{row.group}: {row.expected:.0f} ({row.lower:.0f} to {row.upper:.0f}) of {row.n_pieces} "
        f"pieces by {row.week_ending.date()}"
        for row in last.itertuples()
    )
    some, every = last[["expected", "n_pieces"]].sum()
    until = words.day(last.sort_values("n_pieces").iloc[-1]["week_ending"])
    return themed(
        alt.layer(line, area), alt=f"Number of pieces ready by week. {said}.", size=size,
        says=f"{some:.0f} of {every:.0f} bowls ready by {until}",
        sub="Expected number of bowls dry enough at the end of each week, with its interval.",
    )  # fmt: skip


def ready_curves(curves: pd.DataFrame, *, size: Size = "page") -> Any:
    """Moisture of a few pieces: weighings, the curve so far and to come with its band, the target.

    Parameters
    ----------
    curves : DataFrame
        From `forecast_curves`.
    size : as for `themed`

    Returns
    -------
    HConcatChart: a panel a piece: moisture [% of oven-dry mass] against the date.

    Examples
    --------
    >>> curves = pd.DataFrame({
    ...     "piece": "A1", "on": pd.to_datetime(["2026-03-01", "2026-05-01", "2026-07-01"]),
    ...     "part": ["weighed", "so far", "to come"], "moisture_pct": [60.0, 25.0, 14.0],
    ...     "lower_pct": [None, 24.0, 11.0], "upper_pct": [None, 26.0, 17.0],
    ...     "target_moisture_pct": 14.0})
    >>> ready_curves(curves).description
    'Moisture of single pieces: dots are weighings, ... A1 ends at 14 % (11 to 17) on 2026-07-01.'
    """
    rows = _plain(curves)
    names = list(dict.fromkeys(rows["piece"]))
    top = float(rows["moisture_pct"].max()) if len(rows) else 100.0
    if rows["upper_pct"].notna().any():  # room for the band, but not so much that curves lie flat
        top = max(top, min(float(rows["upper_pct"].max()), 1.5 * top))
    panels = []
    x = alt.X("on:T", title=None, axis=alt.Axis(format=MONTHS_OR_DAYS, labelAngle=0, tickCount=4))
    for i, name in enumerate(names):
        mine = rows[rows["piece"] == name]
        axis: dict[str, Any] = {"title": "Moisture [% of oven-dry mass]" if i == 0 else None}
        part = {
            kind: alt.Chart(mine[mine["part"] == kind]).encode(
                x=x, y=alt.Y("moisture_pct:Q", scale=alt.Scale(domain=[0, top]), **axis)
            )
            for kind in ("so far", "to come", "weighed")
        }
        drawn = alt.Chart(mine[mine["part"] != "weighed"]).encode(x=x)
        goal = alt.Chart(mine.head(1)).mark_rule(strokeDash=[2, 2], color=INK)
        layers = [
            band(drawn, "lower_pct", "upper_pct", clip=True, **axis),
            part["so far"].mark_line(color=COLOURS[0]),
            part["to come"].mark_line(color=COLOURS[0], strokeDash=[6, 3]),
            part["weighed"].mark_point(color=COLOURS[2], shape="circle", filled=True, size=22),
            goal.encode(y=alt.Y("target_moisture_pct:Q", **axis)),
        ]
        width = panel_px(size, len(names), axis_px=46)
        panels.append(
            alt.layer(*layers).properties(width=width, height=210, title=heading(f"Piece {name}"))
        )
    last = rows[rows["part"] == "to come"].groupby("piece", sort=False).tail(1)
    said = "; ".join(
        f"{row.piece} ends at {row.moisture_pct:.0f} % ({row.lower_pct:.0f} to "
        f"{row.upper_pct:.0f}) on {row.on.date()}"
        for row in last.itertuples()
    )
    said = (
        "Moisture of single pieces: dots are weighings, the solid line the curve so far, the "
        f"dashed one what is to come, with its band; dotted: the target. {said}."
    )
    if not panels:
        return _nothing("no piece to show", alt="No piece to show.", size=size)
    goal, until = rows["target_moisture_pct"].median(), rows["on"].max()
    there = int((last["moisture_pct"] <= last["target_moisture_pct"]).sum()) if len(last) else 0
    says = f"{there} of {len(names)} bowls reach {goal:.0f} % by {words.day(until)}"
    sub = (
        "Moisture [% of oven-dry mass]. Dots: weighings; line: so far; dashed: to come, with its "
        "band; dotted: dry enough."
    )
    return themed(alt.hconcat(*panels), alt=said, says=says, sub=sub, size=size)


def past_forecasts_chart(past: pd.DataFrame, *, size: Size = "column") -> Any:
    """Forecast against outcome, a row a piece: how many days later it came than was forecast.

    Parameters
    ----------
    past : DataFrame
        From `past_forecasts`.
    size : as for `themed`

    Returns
    -------
    VConcatChart: a panel a day of forecast, on one axis: days [d] from the outcome to the median
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
    'Forecast against outcome for 2 pieces: the interval held the outcome for 1 of them.'
    """
    rows = _plain(past[past["ready_on"].notna()])
    for name in ("ready_on", "earliest_on", "latest_on"):
        rows[name.replace("_on", "_d")] = (rows[name] - rows["turned_out_on"]).dt.days
    held = rows["held"].astype(bool) if len(rows) else pd.Series(dtype=bool)
    n = int(held.sum())
    said = (
        f"Forecast against outcome for {counted(len(rows), 'piece')}: the interval held the "
        f"outcome for {n} of them."
    )
    says = f"{n} of {len(rows)} bowls came out inside their forecast's interval"
    sub = (
        "Forecast minus outcome [days], a row a bowl: left of the line, it took longer than "
        "forecast. Dot: median; bar: interval; diamond: missed."
    )
    if not len(rows):
        return _nothing("no forecast has come due", alt=said, says=says, size=size)
    most = float(rows[["ready_d", "earliest_d"]].abs().to_numpy().max()) * 1.15 + 3
    rows["to_d"] = rows["latest_d"].fillna(most).clip(upper=most)
    rows["kind"] = ["held" if h else "missed" for h in held]
    least = float(min(rows["earliest_d"].min(), rows["ready_d"].min(), -7)) - 3
    scale = fixed(least, most)

    def by_kind(channel: Any, held: str, missed: str) -> Any:
        look = alt.Scale(domain=["held", "missed"], range=[held, missed])
        return channel("kind:N", legend=None, scale=look)

    colour = by_kind(alt.Color, role("waiting"), role("cracked"))
    shape = by_kind(alt.Shape, "circle", "diamond")
    panels = []
    axis: dict[str, Any] = {"title": "Forecast minus outcome [days]", "scale": scale}
    x = alt.X("ready_d:Q", **axis)
    zero = alt.Chart(pd.DataFrame({"ready_d": [0]})).mark_rule(color=INK, strokeWidth=1.5)
    for day, own in rows.groupby("as_of"):
        own = own.sort_values(["ready_d", "piece"])
        few = len(own) <= 30
        y = alt.Y("piece:N", sort=list(own["piece"]), title=None, axis=alt.Axis(
            labels=few, ticks=False, domain=False, labelFontSize=10, labelOverlap=False,
            minExtent=34, maxExtent=34))  # fmt: skip
        base = alt.Chart(own).encode(y=y, color=colour)
        layers = [
            base.mark_rule(strokeWidth=2.5, opacity=0.6)
            .encode(x=alt.X("earliest_d:Q", **axis), x2="to_d:Q"),
            base.mark_point(size=38).encode(x=x, shape=shape, tooltip=["piece:N", "ready_d:Q"]),
            zero.encode(x=x),
        ]  # fmt: skip
        head = f"Forecast on {words.day(day)}: {int(own['held'].sum())} of {len(own)} inside"
        size_px = {"width": panel_px(size, 1, axis_px=50), "height": (13 if few else 6) * len(own)}
        panels.append(alt.layer(*layers).properties(title=heading(head), **size_px))
    return themed(alt.vconcat(*panels), alt=said, says=says, sub=sub, size=size)
