"""The look of every chart, set here once: sizes, colours, shapes, dashes, and the way to paper.

One pixel stands for a quarter of a millimetre on paper, so that a `column` (360 px) prints
90 mm wide and a `page` (680 px) 170 mm. Colours are those of `colours.py`; shape and dash say
again what colour says.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import altair

from woodlab.charts import colours
from woodlab.charts.titles import fitting, wrapped
from woodlab.errors import WoodlabError

Size = Literal["column", "page"]

WIDTH_PX: dict[str, int] = {"column": 360, "page": 680}
HEIGHT_PX: dict[str, int] = {"column": 210, "page": 270}
TITLE_PX: dict[str, int] = {"column": 14, "page": 16}

COLOURS = colours.SERIES
SHAPES = ("circle", "square", "triangle-up", "diamond", "cross", "triangle-down", "triangle-right")
DASHES: tuple[tuple[int, ...], ...] = ((1, 0), (7, 3), (2, 2), (9, 3, 2, 3), (12, 4))

INK = colours.role("ink")
FAINT_INK = colours.role("quiet")
LINE = colours.role("line")
GRID = colours.role("hair")
PAPER = colours.role("paper")
# A date axis of a few days names days, one of a season months.
MONTHS_OR_DAYS = {
    "year": "%b %y", "quarter": "%b %y", "month": "%b %y", "week": "%d %b", "date": "%d %b",
    "hours": "%H:%M", "minutes": "%H:%M",
}  # fmt: skip
BAND_OPACITY = 0.18
FONT = "Liberation Sans, Arial, Helvetica, sans-serif"


def theme_config(size: Size = "column") -> dict[str, Any]:
    """The Vega-Lite configuration that `themed` puts into a chart (a new dict each time)."""
    words = {"labelFont": FONT, "titleFont": FONT, "labelColor": INK, "titleColor": INK}
    return {
        "background": PAPER,
        "font": FONT,
        "padding": 6,
        "view": {"stroke": None},
        "axis": {
            **words,
            "labelFontSize": 12,
            "titleFontSize": 12,
            "titleFontWeight": "normal",
            "titlePadding": 8,
            "labelLimit": 220,
            "labelOverlap": "greedy",
            "labelSeparation": 6,
            "gridColor": GRID,
            "domainColor": FAINT_INK,
            "tickColor": FAINT_INK,
            "tickSize": 4,
        },
        "legend": {
            **words,
            "labelFontSize": 12,
            "titleFontSize": 12,
            "titleFontWeight": "normal",
            "orient": "top",
            "symbolSize": 70,
            "symbolStrokeWidth": 2,
            "columns": 2 if size == "column" else 4,
            "labelLimit": 125,
            "columnPadding": 12,
        },
        "header": {**words, "labelFontSize": 12, "titleFontSize": 12, "labelFontWeight": "bold"},
        "title": {
            "font": FONT,
            "fontSize": TITLE_PX[size],
            "fontWeight": "bold",
            "color": INK,
            "anchor": "start",
            "frame": "group",
            "offset": 10,
            "lineHeight": TITLE_PX[size] + 4,
            "subtitleColor": FAINT_INK,
            "subtitleFontSize": 12,
            "subtitleFont": FONT,
            "subtitleLineHeight": 16,
            "subtitlePadding": 5,
        },
        "text": {"font": FONT, "fontSize": 12, "color": INK},
        "point": {"size": 45, "filled": True, "strokeWidth": 1, "opacity": 1},
        "line": {"strokeWidth": 2},
        "rule": {"color": FAINT_INK},
        "range": {
            "category": list(COLOURS),
            "symbol": list(SHAPES),
            "ramp": [pair[0] for pair in colours.MOISTURE],
            "heatmap": [pair[0] for pair in colours.MOISTURE],
        },
        "mark": {"color": COLOURS[0]},
    }


def panel_px(size: Size = "page", columns: int = 1, axis_px: int = 62, gap_px: int = 20) -> int:
    """The inner width [px] of each of `columns` panels side by side that fit in `size`.

    Parameters
    ----------
    size : as for `themed`
    columns : int
        Panels in a row.
    axis_px, gap_px : int
        Room for the axis of each panel, and between panels [px].

    Returns
    -------
    int
        Pixels; one is a quarter of a millimetre on paper.

    Examples
    --------
    >>> panel_px("page", columns=2)
    262
    """
    return (WIDTH_PX[size] - 12 - gap_px * (columns - 1)) // columns - axis_px


def themed(chart: Any, *, alt: str, says: str = "", sub: str = "", size: Size = "column") -> Any:
    """Our theme, title, size and alt text on a finished chart; the last call of a chart function.

    Parameters
    ----------
    chart : altair chart
        Single or layered charts are given the width of `size` (axes within it) and, unless it
        sets one, a height. Facets and concatenations keep the sizes of their panels: see
        `panel_px`.
    alt : str
        What the chart shows, in words and numbers taken from the data.
    says, sub : str
        The title: what the chart shows, in at most ten words; and the measure with its unit.
    size : {"column", "page"}
        90 mm or 170 mm wide on paper.

    Returns
    -------
    altair chart
        A copy of the same kind; `description` is the alt text.

    Raises
    ------
    WoodlabError
        When `alt` is empty: a chart that cannot be read aloud is not finished; when `says` has
        more than ten words.

    Examples
    --------
    >>> import altair as alt
    >>> import pandas as pd
    >>> frame = pd.DataFrame({"days": [0, 10], "mass_g": [900.0, 700.0]})
    >>> line = alt.Chart(frame).mark_line().encode(x="days:Q", y="mass_g:Q")
    >>> themed(line, alt="A mass falling from 900 g to 700 g in 10 days.").width
    360
    """
    if not alt or not alt.strip():
        raise WoodlabError(
            "this chart has no alt text. Say in `alt` what it shows, with its main numbers."
        )
    if size not in WIDTH_PX:
        raise WoodlabError(f"size must be one of {', '.join(WIDTH_PX)}; found {size!r}.")
    chart = chart.properties(description=alt.strip())
    if says:
        chart = chart.properties(title=_title(fitting(says), sub, size))
    if isinstance(chart, (altair.Chart, altair.LayerChart)) and not _is_facetted(chart):
        chart = chart.properties(width=WIDTH_PX[size])
        if chart.height is altair.Undefined:
            chart = chart.properties(height=HEIGHT_PX[size])
        # the height is that of the panel alone: a long title takes nothing from it
        chart = chart.properties(autosize=altair.AutoSizeParams(type="fit-x", contains="padding"))
    own = chart.config.to_dict() if chart.config is not altair.Undefined else {}
    return chart.properties(config=altair.Config.from_dict(_merged(theme_config(size), own)))


def _title(says: str, sub: str, size: Size) -> Any:
    room, font = WIDTH_PX[size] - 14, TITLE_PX[size]
    below: dict[str, Any] = {"subtitle": wrapped(sub, room, 12, 0.475)} if sub else {}
    return altair.TitleParams(wrapped(says, room, font, 0.52), frame="bounds", **below)


def heading(text: str) -> Any:
    """The name of one panel of several, smaller than the chart's title."""
    return altair.TitleParams(text, fontSize=13, offset=5, frame="group")


def _is_facetted(chart: Any) -> bool:
    encoding = getattr(chart, "encoding", altair.Undefined)
    return encoding is not altair.Undefined and any(
        getattr(encoding, channel, altair.Undefined) is not altair.Undefined
        for channel in ("row", "column", "facet")
    )


def _merged(under: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    out = dict(under)
    for key, value in over.items():
        both = isinstance(value, dict) and isinstance(out.get(key), dict)
        out[key] = _merged(out[key], value) if both else value
    return out


def series_encoding(
    field: str,
    title: str,
    *,
    mark: Literal["point", "line", "both", "area"] = "both",
    domain: Sequence[str] | None = None,
    legend: bool = True,
    size: Size = "column",
) -> dict[str, Any]:
    """Colour with shape and/or dash for a field that names a series; seals keep their own.

    Use as `chart.encode(x=..., y=..., **series_encoding("seal", "Seal", mark="line"))`. Give
    `domain` (the names in order) to keep a series' look the same from chart to chart, and in
    layers: give it to each, the legend to the points and the points first (`legend=False` for
    lines and areas after them), and the legend shows colours and shapes as one.

    Parameters
    ----------
    field, title : str
        The column and the legend's heading.
    mark : {"point", "line", "both", "area"}
        `point` adds a shape, `line` a dash, `both` the two of them, `area` colour alone.
    domain : sequence of str, optional
        The names of the series, in their order; those of the data unless given. Of the field
        `seal` the order is the kit's, from open to closed, and each has its own colour.
    legend : bool
        False where the series are labelled directly.
    size : {"column", "page"}
        The width that the legend's entries must fit into.

    Returns
    -------
    dict
        Channels for `encode`: `color`, and `shape` and `strokeDash` as `mark` asks.

    Examples
    --------
    >>> sorted(series_encoding("seal", "Seal", mark="line"))
    ['color', 'strokeDash']
    """
    names = list(domain) if domain is not None else None
    palette: Sequence[str] = COLOURS
    if field == "seal" and names is not None:
        names = colours.order_of_seals(names)
        palette = colours.seal_colours(names)

    def look(values: Sequence[Any]) -> Any:
        if names is None:
            return altair.Scale(range=list(values))
        return altair.Scale(
            domain=names, range=[values[i % len(values)] for i in range(len(names))]
        )

    guide = altair.Legend(title=title, **_legend_columns(names, size)) if legend else None
    if guide and mark == "line":
        guide.symbolSize = LINE_SYMBOL
    channels: dict[str, Any] = {
        "color": altair.Color(field, type="nominal", scale=look(palette), legend=guide)
    }
    if mark in ("point", "both"):
        channels["shape"] = altair.Shape(field, type="nominal", scale=look(SHAPES), legend=guide)
    if mark in ("line", "both"):
        channels["strokeDash"] = altair.StrokeDash(
            field, type="nominal", scale=look([list(dash) for dash in DASHES]), legend=guide
        )
    return channels


LINE_SYMBOL = 700  # long enough a stroke to tell a dash from a dot


def _legend_columns(names: list[str] | None, size: Size) -> dict[str, Any]:
    """As many columns as the names need; without names the theme's own, cautious number."""
    if not names:
        return {}
    widest = 36 + 6.8 * max(len(str(name)) for name in names)
    columns = max(1, min(len(names), int((WIDTH_PX[size] - 30) // widest)))
    return {"columns": columns, "labelLimit": WIDTH_PX[size] // columns - 40}


def use_charts() -> None:
    """Draw charts in this notebook with no network, and in pages exported from it.

    The chart scripts (about 0.9 MB) go into the output of this call, once; each chart carries
    its data and a still picture, which stays where scripts do not run. When a chart is drawn
    for a page that has not had the scripts (the page was reloaded, its outputs cleared), they
    go along with that chart. Outside a notebook it only sets the renderer.

    Examples
    --------
    >>> with altair.renderers.enable("default"), altair.data_transformers.enable("default"):
    ...     use_charts()  # inside `with` here, so that it ends with this page
    ...     altair.renderers.active
    'woodlab'
    """
    from woodlab.charts.notebook import renderer

    renderer.enable()


def counted(number: int, noun: str) -> str:
    """A counted noun for alt texts, which are read aloud.

    Examples
    --------
    >>> counted(1, "piece"), counted(3, "piece")
    ('1 piece', '3 pieces')
    """
    return f"{number} {noun}{'' if number == 1 else 's'}"
