"""Charts of a season's records and of its drying curves: frame in, chart out."""

from __future__ import annotations

from typing import Any

import altair
import pandas as pd

from woodlab.charts.theme import (
    BAND_OPACITY,
    COLOURS,
    FAINT_INK,
    INK,
    MONTHS_OR_DAYS,
    Size,
    counted,
    panel_px,
    series_encoding,
    themed,
)
from woodlab.errors import WoodlabError

QUANTITIES = {"mass_g": "Mass [g]", "moisture_pct": "Moisture [% of oven-dry mass]"}
_DAY = "%d %b %Y"
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
    seals = _names(frame["seal"])
    pick = _species_pick(frame)
    base = (
        altair.Chart(frame)
        .encode(
            x=altair.X("on:T", title="Date", axis=_date_axis()),
            # a ratio scale: small and large pieces, and slips of the decimal point, all show
            y=altair.Y(
                "mass_g:Q", title=QUANTITIES["mass_g"], scale=altair.Scale(type="log", nice=False)
            ),
            detail="piece:N",
            tooltip=_tooltip(frame, "mass_g"),
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
        f"{', '.join(seals)}. {n_doubted} of them are ringed as doubtful."
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
    alt = f"Entries in doubt by table and column: {listed}."
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
    places = _names(air["place"]) if "place" in air and air["place"].notna().any() else []
    frame = air.assign(place=air["place"].fillna("(no place)") if places else "all places")
    if places:
        places = _names(frame["place"])
    charts = []
    for column in present:
        chart = (
            altair.Chart(frame)
            .mark_line(strokeWidth=1.2)
            .encode(
                x=altair.X("on:T", title="Date" if column == present[-1] else None,
                           axis=_date_axis()),
                y=altair.Y(f"{column}:Q", title=panels[column], scale=altair.Scale(zero=False)),
                tooltip=[altair.Tooltip("on:T", title="date", format=_DAY),
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


def drying_curves(
    predicted: pd.DataFrame,
    weighed: pd.DataFrame | None = None,
    *,
    quantity: str = "mass_g",
    columns: int = 3,
    size: Size = "page",
) -> Any:
    """Fitted curves with their bands and the weighings, a panel a piece.

    The inner band is the 95 % confidence interval of the curve, the outer one the 95 %
    prediction interval of a single weighing.

    Parameters
    ----------
    predicted : DataFrame
        From `fits.predict`: `piece`, `on` (or `days`), `mass_g` [g] or `moisture_pct` [%], and
        the bands `ci_lower_*`, `ci_upper_*`, `pi_lower_*`, `pi_upper_*` as far as there are any.
    weighed : DataFrame, optional
        `piece`, `on` (or `days`) and the same quantity: drawn as points.
    quantity : {"mass_g", "moisture_pct"}
        What is drawn upward.
    columns : int
        Panels in a row; the pieces follow as they do in `predicted`.
    size : as for `themed`

    Returns
    -------
    FacetChart: bands, curve and weighings against the date or days since turning [d].

    Raises
    ------
    WoodlabError
        When a column is missing or there is no curve.

    Examples
    --------
    >>> import pandas as pd
    >>> curve = pd.DataFrame({"piece": "A1", "days": [0, 60], "moisture_pct": [60.0, 21.0],
    ...                       "ci_lower_moisture_pct": [57.0, 19.0],
    ...                       "ci_upper_moisture_pct": [63.0, 23.0]})
    >>> drying_curves(curve, quantity="moisture_pct").description
    'Fitted drying curves, with the 95 % confidence bands, ...: A1 from 60 to 21 % in 60 days.'
    """
    if quantity not in QUANTITIES:
        raise WoodlabError(f"quantity is one of {', '.join(QUANTITIES)}; found {quantity!r}.")
    when = _time_column(predicted, weighed)
    if quantity not in predicted or not len(predicted):
        raise WoodlabError(f"there is no curve of {quantity} to draw. Use a frame of fits.predict.")
    bands = {
        "prediction": (f"pi_lower_{quantity}", f"pi_upper_{quantity}"),
        "confidence": (f"ci_lower_{quantity}", f"ci_upper_{quantity}"),
    }
    bands = {name: pair for name, pair in bands.items() if set(pair) <= set(predicted)}
    frame = predicted.assign(kind="curve")
    if weighed is not None and quantity in weighed:
        points = weighed[weighed["piece"].isin(predicted["piece"])].assign(kind="weighing")
        frame = pd.concat([frame, points], ignore_index=True)
    keep = ["piece", when, quantity, "kind", *(c for pair in bands.values() for c in pair)]
    frame = frame[[column for column in keep if column in frame]]
    x = (
        altair.X("on:T", title="Date", axis=_date_axis(4))
        if when == "on"
        else altair.X("days:Q", title="Days since turning [d]", axis=altair.Axis(tickCount=5))
    )
    y = altair.Y(f"{quantity}:Q", title=QUANTITIES[quantity], scale=altair.Scale(zero=False))
    base = altair.Chart(frame).encode(x=x)
    curve = base.transform_filter("datum.kind == 'curve'")
    layers = [
        curve.mark_area(color=COLOURS[4], opacity=BAND_OPACITY).encode(
            y=altair.Y(f"{low}:Q", title=QUANTITIES[quantity], scale=altair.Scale(zero=False)),
            y2=f"{high}:Q",
        )
        for low, high in bands.values()
    ]
    layers.append(curve.mark_line(color=COLOURS[0]).encode(y=y))
    layers.append(
        base.transform_filter("datum.kind == 'weighing'")
        .mark_point(color=COLOURS[2], size=26)
        .encode(y=y, tooltip=_tooltip(frame, quantity))
    )
    pieces = [str(name) for name in predicted["piece"].unique()]
    columns = min(columns, len(pieces))
    chart = (
        altair.layer(*layers)
        .properties(width=panel_px(size, columns, axis_px=48), height=150)
        .facet(facet=altair.Facet("piece:N", title=None, sort=pieces), columns=columns)
        .resolve_scale(x="independent", y="independent")
    )
    named = f", with the 95 % {' and '.join(reversed(bands))} bands" if bands else ""
    alt = (
        f"Fitted drying curves{named}, of {counted(len(pieces), 'piece')}: "
        + "; ".join(
            _curve_words(part, when, quantity) for _, part in predicted.groupby("piece", sort=False)
        )
        + "."
    )
    return themed(chart, alt=alt, size=size)


def residuals(frame: pd.DataFrame, *, by: str | None = None, size: Size = "page") -> Any:
    """Weighed minus fitted mass against time: a good law leaves no pattern about zero.

    Parameters
    ----------
    frame : DataFrame
        `piece`, `days` (since turning) or `on`, `residual_g` [g]; of `fits.residuals`.
    by : str, optional
        A column to make panels of, such as `law` or `seal`.
    size : as for `themed`

    Returns
    -------
    LayerChart or FacetChart: points about a rule at zero [g].

    Raises
    ------
    WoodlabError
        When there is no `residual_g`, no row, or neither `days` nor `on`.

    Examples
    --------
    >>> import pandas as pd
    >>> left = pd.DataFrame({"piece": "A1", "days": [0, 30, 60, 0, 30, 60],
    ...                      "law": ["film"] * 3 + ["exponential"] * 3,
    ...                      "residual_g": [-1.0, 1.0, -1.0, -9.0, 12.0, -9.0]})
    >>> residuals(left[left["law"] == "film"]).description
    'Residuals of 3 weighings of 1 piece against time; 95 % of them lie within 1.0 g of the curves.'
    >>> residuals(left, by="law").description
    'Residuals of 6 weighings ... in panels by law: exponential, film.'
    """
    if "residual_g" not in frame or not len(frame):
        raise WoodlabError("there are no residuals to draw. The column is `residual_g`.")
    when = _time_column(frame, None)
    x = (
        altair.X("on:T", title="Date", axis=_date_axis(4))
        if when == "on"
        else altair.X("days:Q", title="Days since turning [d]")
    )
    base = altair.Chart(frame)
    points = base.mark_point(size=16, opacity=0.5).encode(
        x=x,
        y=altair.Y("residual_g:Q", title="Weighed minus fitted [g]"),
        tooltip=_tooltip(frame, "residual_g"),
    )
    zero = base.mark_rule(color=FAINT_INK).encode(y=altair.datum(0))
    chart = zero + points
    spread = frame["residual_g"].abs().quantile(0.95)
    alt = (
        f"Residuals of {len(frame)} weighings of {counted(frame['piece'].nunique(), 'piece')} "
        f"against time; 95 % of them lie within {spread:.1f} g of the curves"
    )
    if by is None:
        return themed(chart, alt=alt + ".", size=size)
    names = _names(frame[by])
    columns = min(3, len(names))
    panels = chart.properties(width=panel_px(size, columns), height=150).facet(
        facet=altair.Facet(f"{by}:N", title=None, sort=names), columns=columns
    )
    return themed(panels, alt=f"{alt}, in panels by {by}: {', '.join(names)}.", size=size)


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
    species = _names(frame["species"])
    select = altair.binding_select(
        options=[None, *species], labels=["all species", *species], name="Species: "
    )
    return altair.selection_point(fields=["species"], bind=select, name="species_pick")


def _tooltip(frame: pd.DataFrame, quantity: str) -> list[Any]:
    tips: list[Any] = [altair.Tooltip("piece:N", title="piece")]
    if "on" in frame:
        tips.append(altair.Tooltip("on:T", title="date", format=_DAY))
    if "days" in frame:
        tips.append(altair.Tooltip("days:Q", title="days since turning", format=".0f"))
    name, _, unit = quantity.rpartition("_")
    unit = "%" if unit == "pct" else unit
    tips.append(altair.Tooltip(f"{quantity}:Q", title=f"{name} [{unit}]", format=".1f"))
    tips += [altair.Tooltip(f"{column}:N") for column in ("species", "seal") if column in frame]
    return tips


def _time_column(predicted: pd.DataFrame, weighed: pd.DataFrame | None) -> str:
    frames = [predicted] if weighed is None else [predicted, weighed]
    for column in ("days", "on"):
        if all(column in frame for frame in frames):
            return column
    raise WoodlabError("the frames need a column `days` or `on`, the same one in both.")


def _date_axis(ticks: int = 7) -> Any:
    return altair.Axis(format=MONTHS_OR_DAYS, tickCount=ticks, labelOverlap="greedy")


def _names(column: pd.Series) -> list[str]:
    return sorted(column.dropna().astype(str).unique())


def _day(stamp: pd.Timestamp) -> str:
    return f"{stamp:%Y-%m-%d}"


def _curve_words(part: pd.DataFrame, when: str, quantity: str) -> str:
    part = part.sort_values(when)
    first, last = part.iloc[0], part.iloc[-1]
    span = (
        f"{(last[when] - first[when]).days if when == 'on' else last[when] - first[when]:.0f} days"
    )
    unit = "g" if quantity == "mass_g" else "%"
    return f"{first['piece']} from {first[quantity]:.0f} to {last[quantity]:.0f} {unit} in {span}"
