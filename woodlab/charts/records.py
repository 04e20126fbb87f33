"""Charts of a season's records: weighings, doubts, the air."""

from __future__ import annotations

from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab import words
from woodlab.charts.axes import DAY, date_axis, need, series_names, tooltip
from woodlab.charts.colours import order_of_seals, role, seal_colours
from woodlab.charts.theme import Size, counted, heading, panel_px, series_encoding, themed

_NO_SERIES = "unknown"
_TOP_PCT = 130.0  # slips of the decimal point are drawn at the top, not to scale


def weighings_overview(
    weighings: pd.DataFrame,
    pieces: pd.DataFrame,
    doubts: pd.DataFrame | None = None,
    *,
    size: Size = "page",
) -> Any:
    """Every weighing of the season, a line a piece, a panel a seal; doubted ones ringed and named.

    Parameters
    ----------
    weighings : DataFrame
        `piece`, `on`, `mass_g` [g]: the book's table.
    pieces : DataFrame
        `piece`, `species`, `seal`: the book's table.
    doubts : DataFrame, optional
        `book.doubts`; those of the weighings are ringed (by piece and mass).
    size : as for `themed`

    Returns
    -------
    ConcatChart: weight [% of each piece's first] against the date, the panels on the same axes.

    Examples
    --------
    >>> import woodlab as wl
    >>> book = wl.RecordBook.from_frames(
    ...     pieces=pd.DataFrame({"piece": ["A1"], "species": ["white ash"], "seal": ["none"],
    ...                          "turned_on": ["2026-03-01"], "wall_mm": [22]}),
    ...     weighings=pd.DataFrame({"piece": "A1", "on": ["2026-03-01", "2026-03-08", "2026-03-15"],
    ...                             "mass_g": [1480, 1390, 13100]}))  # a slip: ringed
    >>> chart = weighings_overview(book.weighings, book.pieces, book.doubts)
    >>> chart.description
    'Masses of 1 piece at 3 weighings ..., between 1390 and 13100 g, by seal: none. 1 of them ...'
    >>> chart.title.text
    ['1 of 3 weights looks odd']
    """
    need(weighings, why="there are no weighings to draw. Add rows to the table `weighings`.")
    frame = _with_piece_facts(weighings[["piece", "on", "mass_g"]], pieces).sort_values("on")
    frame["odd"] = _doubted(frame, doubts)
    frame["part_pct"] = 100 * frame["mass_g"] / _first_good(frame)
    top = min(max(105.0, float(frame["part_pct"].max())), _TOP_PCT)
    low = max(0.0, 10 * float(np.floor(frame["part_pct"].clip(upper=top).min() / 10)))
    frame["shown_pct"] = frame["part_pct"].clip(upper=top)
    y = altair.Y("shown_pct:Q", title="Weight [% of the first]",
                 scale=altair.Scale(domain=[low, top], nice=False))  # fmt: skip
    seals = order_of_seals(frame["seal"])
    columns = min(2, len(seals)) if size == "page" else 1
    x = altair.X("on:T", title="Date", axis=date_axis(4 if columns > 1 else 7))
    panels = []
    for seal, colour in zip(seals, seal_colours(seals), strict=True):
        own = frame[frame["seal"] == seal]
        base = altair.Chart(own).encode(x=x, y=y, tooltip=tooltip(own, "mass_g"))
        odd = altair.Chart(own[own["odd"]]).encode(x=x, y=y)
        layers = [
            base.mark_line(strokeWidth=1, color=colour, opacity=0.7).encode(detail="piece:N"),
            base.mark_point(size=9, color=colour),
        ]
        if own["odd"].any():
            how: dict[str, Any] = {
                "align": "left",
                "dx": 9,
                "fontWeight": "bold",
                "color": role("cracked"),
            }
            layers += [
                odd.mark_point(filled=False, size=120, strokeWidth=2, color=role("cracked"),
                               shape="circle", tooltip=True),
                odd.mark_text(**how).encode(text="piece:N"),
            ]  # fmt: skip
        n = own["piece"].nunique()
        head = (
            words.opened(words.bowls(seal, n))
            if seal != _NO_SERIES
            else f"{n} without a seal noted"
        )
        panels.append(
            altair.layer(*layers).properties(
                width=panel_px(size, columns, axis_px=52), height=170, title=heading(head)
            )
        )
    n, total = int(frame["odd"].sum()), len(frame)
    alt = (
        f"Masses of {counted(frame['piece'].nunique(), 'piece')} at {total} weighings from "
        f"{_day(frame['on'].min())} to {_day(frame['on'].max())}, between "
        f"{frame['mass_g'].min():.0f} and {frame['mass_g'].max():.0f} g, by seal: "
        f"{', '.join(seals)}. {n} of them {'is' if n == 1 else 'are'} ringed as doubtful."
    )
    says = f"{n} of {total:,} weights {'looks' if n == 1 else 'look'} odd"
    sub = (
        "Weight [% of each bowl's first] against the date, a line a bowl. Ringed and named: "
        "compare with the paper."
    )
    if float(frame["part_pct"].max()) > top:
        sub += " Weights beyond the top are drawn at it."
    chart = altair.concat(*panels, columns=columns)
    return themed(chart, alt=alt, says=says if n else f"None of {total:,} weights looks odd",
                  sub=sub, size=size)  # fmt: skip


def _first_good(frame: pd.DataFrame) -> pd.Series:
    """Each row's first weight of its bowl that is not in doubt, or the first of all."""
    good = frame[~frame["odd"]].groupby("piece")["mass_g"].first()
    return frame["piece"].map(good).fillna(frame.groupby("piece")["mass_g"].transform("first"))


def doubts_chart(doubts: pd.DataFrame, *, size: Size = "column") -> Any:
    """How many entries are in doubt, by table and column.

    Parameters
    ----------
    doubts : DataFrame
        `book.doubts`, of which `table` and `column` are read; it may be empty.
    size : as for `themed`

    Returns
    -------
    LayerChart: a bar a column of the book, as long as its number of doubts.

    Examples
    --------
    >>> doubts = pd.DataFrame({"table": ["weighings", "weighings", "pieces"],
    ...                        "column": ["mass_g", "mass_g", "wall_mm"]})
    >>> doubts_chart(doubts).description
    'Entries in doubt by table and column: pieces: wall_mm 1, weighings: mass_g 2.'
    """
    frame = doubts.assign(place=doubts["table"].astype(str) + ": " + doubts["column"].astype(str))
    if not len(frame):
        frame = pd.DataFrame({"place": ["no entry in doubt"], "count": [0]})
    else:
        frame = frame.groupby("place").size().rename("count").reset_index()
    base = altair.Chart(frame).encode(
        y=altair.Y("place:N", title=None, sort="-x"),
        x=altair.X("count:Q", title="Entries in doubt [count]", axis=altair.Axis(tickMinStep=1)),
        tooltip=[altair.Tooltip("place:N", title="table: column"), "count:Q"],
    )
    chart = base.mark_bar(height=14) + base.mark_text(dx=5, align="left").encode(text="count:Q")
    listed = ", ".join(f"{row.place} {row.count}" for row in frame.itertuples(index=False))
    alt = (
        f"Entries in doubt by table and column: {listed}." if len(doubts) else "No entry in doubt."
    )
    n = len(doubts)
    says = (
        f"{n} {'entry' if n == 1 else 'entries'} to compare with the paper"
        if n
        else "No entry looks odd"
    )
    sub = "Entries in doubt, by table and column [count]."
    return themed(chart.properties(height=altair.Step(24)), alt=alt, says=says, sub=sub, size=size)


def season_air(air: pd.DataFrame, *, size: Size = "page") -> Any:
    """The air of the season in panels: temperature, humidity, and the moisture it leads to.

    Parameters
    ----------
    air : DataFrame
        `on`, with one or more of `temp_c` [degrees C], `rh_pct` [%] and `moisture_pct`
        (equilibrium moisture [% of oven-dry mass]); `place` if there are several.
    size : as for `themed`

    Returns
    -------
    VConcatChart: a panel a quantity against the date.

    Examples
    --------
    >>> air = pd.DataFrame({"on": pd.to_datetime(["2026-01-10", "2026-07-10"]),
    ...                     "temp_c": [2.0, 21.0], "rh_pct": [84.0, 58.0]})
    >>> chart = season_air(air)
    >>> [panel["encoding"]["y"]["title"] for panel in chart.to_dict()["vconcat"]]
    ['Temperature [°C]', 'Relative humidity [%]']
    >>> chart.description
    'The air from ...: Temperature [°C] 2 to 21; Relative humidity [%] 58 to 84.'
    """
    panels = {
        "temp_c": "Temperature [°C]",
        "rh_pct": "Relative humidity [%]",
        "moisture_pct": "Equilibrium moisture [%]",
    }
    present = [column for column in panels if column in air and air[column].notna().any()]
    need(
        air if present else air.head(0), why="there is no air to draw. Add rows to the table `air`."
    )
    places = series_names(air["place"]) if "place" in air and air["place"].notna().any() else []
    frame = air.assign(place=air["place"].fillna("(no place)") if places else "all places")
    if places:
        places = series_names(frame["place"])
    charts = []
    for column in present:
        chart = (
            altair.Chart(frame)
            .mark_line(strokeWidth=1.6)
            .encode(
                x=altair.X("on:T", title="Date" if column == present[-1] else None,
                           axis=date_axis()),
                y=altair.Y(f"{column}:Q", title=panels[column], scale=altair.Scale(zero=False)),
                tooltip=[altair.Tooltip("on:T", title="date", format=DAY),
                         altair.Tooltip(f"{column}:Q", title=panels[column], format=".1f")],
            )
            .properties(width=panel_px(size), height=110)
        )  # fmt: skip
        if len(places) > 1:
            chart = chart.encode(
                **series_encoding("place", "Place", mark="line", domain=places, size=size)
            )
        charts.append(chart)
    ranges = "; ".join(
        f"{panels[column]} {frame[column].min():.0f} to {frame[column].max():.0f}"
        for column in present
    )
    alt = f"The air from {_day(frame['on'].min())} to {_day(frame['on'].max())}: {ranges}."
    if "moisture_pct" in present:
        ends = frame["moisture_pct"].min(), frame["moisture_pct"].max()
        says = f"The air would bring wood to {ends[0]:.0f} to {ends[1]:.0f} %"
    else:
        ends = frame[present[0]].min(), frame[present[0]].max()
        unit = "°C" if present[0] == "temp_c" else "% humidity"
        says = f"The air ran from {ends[0]:.0f} to {ends[1]:.0f} {unit}"
    sub = f"{'; '.join(panels[column] for column in present)}, against the date."
    chart = altair.vconcat(*charts).resolve_scale(x="shared")
    return themed(chart, alt=alt, says=says, sub=sub, size=size)


def _with_piece_facts(frame: pd.DataFrame, pieces: pd.DataFrame) -> pd.DataFrame:
    facts = pieces[["piece", "species", "seal"]]
    joined = frame.merge(facts, on="piece", how="left")
    return joined.fillna({"species": _NO_SERIES, "seal": _NO_SERIES})


def _doubted(frame: pd.DataFrame, doubts: pd.DataFrame | None) -> pd.Series:
    if doubts is None or not len(doubts):
        return pd.Series(False, index=frame.index)
    ours = doubts[(doubts["table"] == "weighings") & (doubts["column"] == "mass_g")]
    # A doubt says `before then now`, as short as numbers are shown: `now` is ringed.
    last = ours["value"].astype(str).str.split(" then ").str[-1]
    masses = pd.to_numeric(last, errors="coerce").map("{:g}".format)
    marked = set(zip(ours["piece"], masses, strict=True))
    shown = frame["mass_g"].map("{:g}".format)
    return pd.Series(
        [pair in marked for pair in zip(frame["piece"], shown, strict=True)], index=frame.index
    )


def _day(stamp: pd.Timestamp) -> str:
    return f"{stamp:%Y-%m-%d}"
