"""Charts of a season's records: weighings, doubts, the air."""

from __future__ import annotations

from typing import Any

import altair
import pandas as pd

from woodlab.charts.axes import DAY, QUANTITIES, date_axis, series_names, tooltip
from woodlab.charts.theme import (
    INK,
    Size,
    counted,
    panel_px,
    series_encoding,
    themed,
)
from woodlab.errors import WoodlabError

_NO_SERIES = "unknown"


def weighings_overview(
    weighings: pd.DataFrame,
    pieces: pd.DataFrame,
    doubts: pd.DataFrame | None = None,
    *,
    size: Size = "page",
) -> Any:
    """Every weighing of the season, a line a piece; doubted ones ringed; a species to pick.

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
    LayerChart: mass [g], on a logarithmic axis, against the date: points, lines, rings.

    Raises
    ------
    WoodlabError
        When there is no weighing to draw.

    Examples
    --------
    >>> import pandas as pd, woodlab as wl
    >>> book = wl.RecordBook.from_frames(
    ...     pieces=pd.DataFrame({"piece": ["A1"], "species": ["white ash"], "seal": ["none"],
    ...                          "turned_on": ["2026-03-01"], "wall_mm": [22]}),
    ...     weighings=pd.DataFrame({"piece": "A1", "on": ["2026-03-01", "2026-03-08", "2026-03-15"],
    ...                             "mass_g": [1480, 1390, 13100]}))  # a slip: ringed
    >>> chart = weighings_overview(book.weighings, book.pieces, book.doubts)
    >>> chart.description
    'Masses of 1 piece at 3 weighings ..., between 1390 and 13100 g, by seal: none. 1 of them ...'
    >>> chart.layer[2].mark.shape
    'circle'
    """
    if not len(weighings):
        raise WoodlabError("there are no weighings to draw. Add rows to the table `weighings`.")
    frame = _with_piece_facts(weighings[["piece", "on", "mass_g"]], pieces)
    frame["doubted"] = _doubted(frame, doubts)
    seals = series_names(frame["seal"])
    pick = _species_pick(frame)
    base = (
        altair.Chart(frame)
        .encode(
            x=altair.X("on:T", title="Date", axis=date_axis()),
            # a ratio scale: small and large pieces, and slips of the decimal point, all show
            y=altair.Y(
                "mass_g:Q", title=QUANTITIES["mass_g"], scale=altair.Scale(type="log", nice=False)
            ),
            detail="piece:N",
            tooltip=tooltip(frame, "mass_g"),
        )
        .transform_filter(pick)
    )
    lines = base.mark_line(strokeWidth=1, opacity=0.5).encode(
        **series_encoding("seal", "Seal", mark="line", domain=seals, legend=False)
    )
    points = base.mark_point(size=22).encode(
        **series_encoding("seal", "Seal", mark="point", domain=seals, size=size)
    )
    layers = [points, lines]  # the legend is the first layer's
    if frame["doubted"].any():
        rings = base.transform_filter("datum.doubted").mark_point(
            filled=False, size=130, strokeWidth=1.5, color=INK, shape="circle"
        )
        layers.append(rings)
    n_doubted = int(frame["doubted"].sum())
    alt = (
        f"Masses of {counted(frame['piece'].nunique(), 'piece')} at {len(frame)} weighings from "
        f"{_day(frame['on'].min())} to {_day(frame['on'].max())}, between "
        f"{frame['mass_g'].min():.0f} and {frame['mass_g'].max():.0f} g, by seal: "
        f"{', '.join(seals)}. {n_doubted} of them {'is' if n_doubted == 1 else 'are'} "
        "ringed as doubtful."
    )
    return themed(altair.layer(*layers).add_params(pick), alt=alt, size=size)


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
    >>> import pandas as pd
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
    return themed(chart.properties(height=altair.Step(24)), alt=alt, size=size)


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

    Raises
    ------
    WoodlabError
        When the frame has none of the three, or no row.

    Examples
    --------
    >>> import pandas as pd
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
    if not len(air) or not present:
        raise WoodlabError("there is no air to draw. Add rows to the table `air`.")
    places = series_names(air["place"]) if "place" in air and air["place"].notna().any() else []
    frame = air.assign(place=air["place"].fillna("(no place)") if places else "all places")
    if places:
        places = series_names(frame["place"])
    charts = []
    for column in present:
        chart = (
            altair.Chart(frame)
            .mark_line(strokeWidth=1.2)
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
    return themed(altair.vconcat(*charts).resolve_scale(x="shared"), alt=alt, size=size)


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


def _species_pick(frame: pd.DataFrame) -> Any:
    species = series_names(frame["species"])
    select = altair.binding_select(
        options=[None, *species], labels=["all species", *species], name="Species: "
    )
    return altair.selection_point(fields=["species"], bind=select, name="species_pick")


def _day(stamp: pd.Timestamp) -> str:
    return f"{stamp:%Y-%m-%d}"
