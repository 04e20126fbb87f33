"""The look of every chart, set here once: sizes, colours, shapes, dashes, and the way to a screen.

One pixel stands for a quarter of a millimetre on paper, so that a `column` (440 px) prints
110 mm wide and a `page` (680 px) 170 mm. Colours are those of `colours.py`; shape and dash say
again what colour says.
"""

from __future__ import annotations

import base64
import html
import re
from collections.abc import Callable, Sequence
from typing import Any, Literal

import altair

from woodlab import words
from woodlab.charts import colours
from woodlab.charts.titles import fitting, wrapped
from woodlab.charts.units import said
from woodlab.errors import WoodlabError
from woodlab.show import Nothing

Size = Literal["column", "page"]

WIDTH_PX: dict[str, int] = {"column": 440, "page": 680}
HEIGHT_PX: dict[str, int] = {"column": 210, "page": 270}
TITLE_PX: dict[str, int] = {"column": 14, "page": 16}

COLOURS = colours.SERIES
SHAPES = ("circle", "square", "triangle-up", "diamond", "cross", "triangle-down", "triangle-right")
DASHES: tuple[tuple[int, ...], ...] = ((1, 0), (7, 3), (2, 2), (9, 3, 2, 3), (12, 4))
LINE_SYMBOL = 700  # long enough a stroke in a legend to tell a dash from a dot

INK, FAINT_INK, LINE, GRID, PAPER = map(colours.role, ("ink", "quiet", "line", "hair", "paper"))
FONT = "Liberation Sans, Arial, Helvetica, sans-serif"
# JupyterLab draws this kind of output with its own Vega, wherever it runs.
LIVE = "application/vnd.vegalite.v5+json"
_BUTTONS = {
    "renderer": "svg",
    "actions": {"export": True, "source": False, "compiled": False, "editor": False},
}


def theme_config(size: Size = "column") -> dict[str, Any]:
    """The Vega-Lite configuration that `themed` puts into a chart (a new dict each time)."""
    text = {"labelFont": FONT, "titleFont": FONT, "labelColor": INK, "titleColor": INK,
             "labelFontSize": 12, "titleFontSize": 12}  # fmt: skip
    ramp = [pair[0] for pair in colours.MOISTURE]
    return {
        "background": PAPER,
        "font": FONT,
        "padding": 6,
        "view": {"stroke": None},
        "axis": {
            **text, "titleFontWeight": "normal", "titlePadding": 8, "labelLimit": 220,
            "labelOverlap": "greedy", "labelSeparation": 6, "gridColor": GRID,
            "domainColor": FAINT_INK, "tickColor": FAINT_INK, "tickSize": 4,
        },
        "legend": {
            **text, "titleFontWeight": "normal", "orient": "top", "symbolSize": 70,
            "symbolStrokeWidth": 2, "columns": 2 if size == "column" else 4, "labelLimit": 125,
            "columnPadding": 12,
        },
        "header": {**text, "labelFontWeight": "bold"},
        "title": {
            "font": FONT, "fontSize": TITLE_PX[size], "fontWeight": "bold", "color": INK,
            "anchor": "start", "frame": "group", "offset": 10, "lineHeight": TITLE_PX[size] + 4,
            "subtitleColor": FAINT_INK, "subtitleFontSize": 12, "subtitleFont": FONT,
            "subtitleLineHeight": 16, "subtitlePadding": 5,
        },
        "text": {"font": FONT, "fontSize": 12, "color": INK},
        "point": {"size": 45, "filled": True, "strokeWidth": 1, "opacity": 1},
        "line": {"strokeWidth": 2},
        "rule": {"color": FAINT_INK},
        "range": {"category": list(COLOURS), "symbol": list(SHAPES), "ramp": ramp, "heatmap": ramp},
        "mark": {"color": COLOURS[0]},
    }  # fmt: skip


def panel_px(size: Size = "page", columns: int = 1, axis_px: int = 62, gap_px: int = 20) -> int:
    """The inner width [px] of each of `columns` panels in a row, with `axis_px` for its axis."""
    return (WIDTH_PX[size] - 12 - gap_px * (columns - 1)) // columns - axis_px


def themed(
    chart: Any, *, alt: str, says: str = "", sub: str = "", size: Size | None = None
) -> Any:  # fmt: skip
    """Our theme, title, size and alt text on a finished chart; the last call of a chart function.

    Parameters
    ----------
    chart : altair chart
        Single or layered charts are given the width of `size` (axes within it) and, unless it
        sets one, a height. Concatenations keep the sizes of their panels: see `panel_px`.
    alt : str
        What the chart shows, in words and numbers taken from the data.
    says, sub : str
        The title: what the chart shows, in at most ten words; and the measure with its unit.
    size : {"column", "page"}, optional
        110 mm or 170 mm wide on paper; a page for panels beside one another, unless given.

    Returns
    -------
    altair chart
        A copy of the same kind, in the units to answer in (`wl.answer_in`); `description` is the
        alt text, which begins with the title.

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
    >>> themed(line, alt="From 900 g to 700 g in 10 days.", says="the mass falls").description
    'The mass falls. From 900 g to 700 g in 10 days.'
    """
    if not alt.strip():
        raise WoodlabError(
            "this chart has no alt text. Say in `alt` what it shows, with its main numbers."
        )
    joined = (altair.ConcatChart, altair.HConcatChart, altair.VConcatChart)
    size = size or ("page" if isinstance(chart, joined) else "column")
    if size not in WIDTH_PX:
        raise WoodlabError(f"size must be one of {', '.join(WIDTH_PX)}; found {size!r}.")
    told, parts = said(alt.strip()), dict[str, Any]()
    if says:
        says, sub, room = said(fitting(says)), said(sub), WIDTH_PX[size] - 14
        told = f"{says}{'' if says.endswith(('?', '.')) else '.'} {told}"
        below: dict[str, Any] = {"subtitle": wrapped(sub, room, 12, 0.475)} if sub else {}
        parts["title"] = altair.TitleParams(
            wrapped(says, room, TITLE_PX[size], 0.52), frame="bounds", **below)  # fmt: skip
    if isinstance(chart, (altair.Chart, altair.LayerChart)):
        height = HEIGHT_PX[size] if chart.height is altair.Undefined else chart.height
        # the height is that of the panel alone: a long title takes nothing from it
        fit = altair.AutoSizeParams(type="fit-x", contains="padding")
        parts |= {"width": WIDTH_PX[size], "height": height, "autosize": fit}
    own = chart.config.to_dict() if chart.config is not altair.Undefined else {}
    config = altair.Config.from_dict(_merged(theme_config(size), own))
    return chart.properties(description=told, config=config, **parts)  # once: each call copies all


def heading(text: str) -> Any:
    """The name of one panel of several, smaller than the chart's title."""
    return altair.TitleParams(said(text), fontSize=13, offset=5, frame="group")


def _merged(under: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    both = {key: _merged(under[key], value) for key, value in over.items()
            if isinstance(value, dict) and isinstance(under.get(key), dict)}  # fmt: skip
    return {**under, **over, **both}


def series_encoding(
    field: str, title: str, *, mark: Literal["point", "line", "area"], domain: Sequence[str],
    legend: bool = True, size: Size = "column",
) -> dict[str, Any]:  # fmt: skip
    """Channels of a field whose values, `domain`, name series: colour, and shape or dash beside it.

    Seals keep their own order and colours. Without a legend the series are labelled directly.
    """
    names, palette, guide = list(domain), COLOURS, None
    if field == "seal":
        names = words.order_of_seals(names)
        palette = tuple(colours.seal_colours(names))
    if legend:
        widest = 36 + 6.8 * max(len(str(name)) for name in names)
        columns = max(1, min(len(names), int((WIDTH_PX[size] - 30) // widest)))
        guide = altair.Legend(title=title, columns=columns,
                              labelLimit=WIDTH_PX[size] // columns - 40,
                              symbolSize=LINE_SYMBOL if mark == "line" else 70)  # fmt: skip

    def channel(kind: Any, values: Sequence[Any]) -> Any:
        of_each = [values[i % len(values)] for i in range(len(names))]
        scale = altair.Scale(domain=names, range=of_each)
        return kind(field, type="nominal", scale=scale, legend=guide)

    more = {
        "point": {"shape": channel(altair.Shape, SHAPES)}, "area": {},
        "line": {"strokeDash": channel(altair.StrokeDash, [list(dash) for dash in DASHES])},
    }  # fmt: skip
    return {"color": channel(altair.Color, palette), **more[mark]}


def use_charts() -> None:
    """Draw charts in this notebook with no network, and as still pictures in pages made of it.

    JupyterLab draws each with the Vega that it brings along: hover a mark for its numbers, the
    button beside a chart saves it. Elsewhere (an exported page, a printer, a viewer of untrusted
    notebooks) the still picture that goes with it is shown.

    Examples
    --------
    >>> with altair.renderers.enable("default"), altair.data_transformers.enable("default"):
    ...     use_charts()  # inside `with` here, so that it ends with this page
    ...     altair.renderers.active
    'woodlab'
    """
    altair.renderers.register("woodlab", rendered)
    altair.renderers.enable("woodlab")
    altair.data_transformers.enable("default", max_rows=None)


def rendered(spec: dict[str, Any], **_: Any) -> dict[str, Any]:
    """The Altair renderer: a chart for JupyterLab; for all else its still picture, its alt text.

    The picture is Markdown: JupyterLab takes that after its Vega, and exporters keep its alt text.
    """
    from woodlab.charts.saving import page_svg

    live = {**spec, "usermeta": {"embedOptions": _BUTTONS}}
    svg, alt = page_svg(spec), spec.get("description", "")
    wide = re.search(r'\bwidth="([\d.]+)"', svg)
    body = base64.b64encode(svg.encode("utf-8")).decode("ascii")
    still = (
        f'<img width="{wide[1] if wide else ""}" alt="{html.escape(alt, quote=True)}" '
        f'src="data:image/svg+xml;base64,{body}">'
    )
    return {LIVE: live, "text/markdown": still, "text/plain": alt}


def drawn(chart: Callable[..., Any], *frames: Any, **options: Any) -> Any:
    """The chart of these frames; where there is nothing to draw, the sentence that says why.

    Parameters
    ----------
    chart : function of `wl.charts`
    *frames, **options
        What it takes.

    Returns
    -------
    Chart, or Nothing

    Examples
    --------
    >>> import pandas as pd
    >>> import woodlab as wl
    >>> empty = pd.DataFrame(columns=["log", "seal", "weeks", "predicted"])
    >>> print(drawn(wl.charts.pairs_by_log, empty).summary())
    No log holds two seals, so nothing can be joined. Seal pieces of one log differently.
    """
    try:
        return chart(*frames, **options)
    except WoodlabError as error:
        return Nothing((words.opened(str(error)),))
