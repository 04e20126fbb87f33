"""What every chart is put together from: axes, bands, rows, lines, words, panels, and one door."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab.charts.theme import (
    COLOURS,
    INK,
    PAPER,
    Size,
    heading,
    panel_px,
    series_encoding,
)
from woodlab.charts.units import drawing, measure, said
from woodlab.errors import WoodlabError

BAND_OPACITY = 0.18
At = Callable[[str], Any]  # the channel of a field on an axis that several fields share
Ends = tuple[float, float] | Sequence[Any] | None
# A date axis of a few days names days, one of a season months.
MONTHS_OR_DAYS = {
    "year": "%b %y", "quarter": "%b %y", "month": "%b %y", "week": "%d %b", "date": "%d %b",
    "hours": "%H:%M", "minutes": "%H:%M",
}  # fmt: skip
MOISTURE = "Moisture [% of oven-dry mass]"
DAYS = "Days since turning [d]"


def need(frame: pd.DataFrame, *columns: str, why: str = "") -> None:
    """The one door of the charts: a frame without the columns, or without rows, is refused.

    Raises
    ------
    WoodlabError
        With `why`, else with what is missing.
    """
    missing = [column for column in columns if column not in frame]
    if missing or not len(frame):
        raise WoodlabError(
            why
            or f"this chart needs rows with {', '.join(columns)}; missing: "
            f"{', '.join(missing) or 'rows'}."
        )


def across(field: str, title: Any = None, ends: Ends = None, **more: Any) -> Any:
    """The x axis: `ends` fix it, `scale` is a dict, the rest is of the axis; dates name months."""
    if field.endswith(":T"):
        more = {"format": MONTHS_OR_DAYS, "labelAngle": 0, **more}
    return _channel(altair.X, field, title, ends, more)


def upward(field: str, title: Any = None, ends: Ends = None, **more: Any) -> Any:
    """The y axis, as `across`."""
    return _channel(altair.Y, field, title, ends, more)


def _channel(kind: Any, field: str, title: Any, ends: Ends, axis: dict[str, Any]) -> Any:
    scale, (times, unit) = axis.pop("scale", {}), measure(field)
    if unit:  # round numbers of another unit, as the axis finds them
        axis = {name: how for name, how in axis.items() if name not in ("values", "format")}
    if ends is not None:
        ends = [end.isoformat() if isinstance(end, pd.Timestamp) else float(end) / times
                for end in ends]  # fmt: skip
        scale = {"domain": ends, "nice": False, **scale}
    if field.endswith(":T") and ends is not None:
        scale["type"] = "time"
    parts: dict[str, Any] = {"title": said(title, field)}
    parts |= {"scale": altair.Scale(**scale)} if scale else {}
    parts |= {"axis": altair.Axis(**axis)} if axis else {}
    return kind(field, **parts)


def tip(field: str, title: str, form: str = "") -> Any:
    """What a pointer reads of a mark: `form` as of Python, `.0f` or `.0%`."""
    form = ".2f" if measure(field)[1] else form
    more: dict[str, Any] = {"format": form} if form else {}
    return altair.Tooltip(field, title=said(title, field), **more)


def tips(frame: pd.DataFrame, *numbers: str) -> list[Any]:
    """Of a mark: its piece, its day, the numbers, and what the frame knows beside them."""
    about = [tip("on:T", "date", "%d %b %Y")] if "on" in frame else []
    about += [tip("days:Q", "days since turning", ".0f")] if "days" in frame else []
    numbered = [tip(f"{name}:Q", name.replace("_pct", " [%]").replace("_g", " [g]"), ".1f")
                for name in numbers]  # fmt: skip
    return [f"{c}:N" for c in ("piece", "species", "seal") if c in frame] + about + numbered


def band(base: Any, at: At, low: str, high: str, *, colour: str = COLOURS[0],
         shade: float = BAND_OPACITY) -> Any:  # fmt: skip
    """A band from the field `low` to `high` on the upward axis `at`, pale enough to see through."""
    return base.mark_area(opacity=shade, color=colour, clip=True).encode(y=at(low), y2=high)


def spans(base: Any, at: At, low: str, middle: str, high: str, **point: Any) -> list[Any]:
    """Intervals as thick rules along the axis `at`, each with its middle as a point."""
    lower = at(low)
    axis = "x" if isinstance(lower, altair.X) else "y"
    point = {"size": 45, "color": COLOURS[0], **point}
    return [
        base.mark_rule(strokeWidth=3, color=COLOURS[4]).encode(**{axis: lower, f"{axis}2": high}),
        base.mark_point(**point).encode(**{axis: at(middle)}),
    ]


def level(value: float, at: At, field: str, said: str = "", **how: Any) -> list[Any]:
    """A dashed rule across a panel at a value of its upward axis, its words at its left end (or
    its right one, by their `align`)."""
    row = pd.DataFrame({field: [value], "says": [said]})
    base = drawing(row).encode(y=at(f"{field}:Q"))
    how = {"align": "left", "baseline": "bottom", "dx": 4, "dy": -3, **how}
    x = altair.value("width" if how["align"] == "right" else 0)
    text = written(base.encode(x=x, text="says:N"), **how) if said else []
    return [base.mark_rule(strokeDash=[4, 3], color=INK), *text]


def written(base: Any, **how: Any) -> list[Any]:
    """Text with a halo of paper, so that it is read where it crosses a line."""
    halo = {**how, "color": PAPER, "stroke": PAPER, "strokeWidth": 3.5, "strokeJoin": "round"}
    return [base.mark_text(**halo), base.mark_text(**{"color": INK, **how})]


def rows(frame: pd.DataFrame, at: At, low: str, middle: str, high: str, **look: Any) -> list[Any]:
    """A row a piece, in the frame's order: interval, middle, and its mark before the interval.

    `look` are channels of colour and shape; a row with `open_end` ends in an arrow.
    """
    colour = {"color": look["color"] if isinstance(look["color"], dict) else
              look["color"].legend(None)}  # fmt: skip
    base = drawing(frame).encode(y=altair.Y("piece:N", sort=list(frame["piece"]), axis=None))
    made = [
        base.mark_point(size=42).encode(x=at(middle), **look),
        base.mark_rule(strokeWidth=2.5).encode(x=at(low), x2=high, **colour),
        base.mark_text(align="right", dx=-6, fontSize=10).encode(x=at(low), text="piece:N"),
    ]
    if "open_end" in frame and frame["open_end"].any():
        ends = base.transform_filter("datum.open_end").encode(x=at(high), **colour)
        made.append(ends.mark_point(shape="triangle-right", size=45))
    return made


def lines(
    frame: pd.DataFrame, x: Any, y: Any, series: str, *, names: Sequence[str] = (),
    tooltip: Sequence[Any] = (), **line: Any,
) -> list[Any]:  # fmt: skip
    """A line a series, its name at the line's end; names that would touch are moved apart."""
    names = list(names) or list(dict.fromkeys(frame[series].astype(str)))
    base = drawing(frame).encode(x=x, y=y, tooltip=list(tooltip))
    look = series_encoding(series, "", mark="line", domain=names, legend=False)
    made = [base.mark_line(**line).encode(**look)]
    if len(names) > 1:
        along, up = (str(channel.to_dict()["field"]) for channel in (x, y))
        last = frame.sort_values(along).groupby(series, sort=False).tail(1)
        last = last.assign(**{up: apart(last[up], frame[up])})
        ends = drawing(last).encode(x=x, y=y, text=f"{series}:N")
        made += written(ends, align="left", dx=5)
    return made


def apart(values: Iterable[float], among: Iterable[float], share: float = 0.07) -> np.ndarray:
    """Heights at which words stand clear of one another: `share` of the whole between them."""
    at, among = np.asarray(list(values), float), np.asarray(list(among), float)
    step = share * float(np.nanmax(among) - np.nanmin(among) or 1)
    order = np.argsort(at)
    placed = at[order].copy()
    for k in range(1, len(placed)):
        placed[k] = max(placed[k], placed[k - 1] + step)
    over = placed[-1] - max(at.max(), np.nanmax(among)) if len(placed) else 0.0
    out = np.empty_like(at)
    out[order] = placed - max(over, 0.0)
    return out


def panels(
    layers: Mapping[str, Sequence[Any]], *, columns: int = 0, height: Any = 170,
    size: Size = "page", axis_px: int = 62,
) -> Any:  # fmt: skip
    """Layers under their headings: of two or four, two in a row, else three, unless given."""
    columns = min(columns or (2 if len(layers) == 4 else 3), len(layers))
    width = panel_px(size, columns, axis_px)
    made = [
        altair.layer(*own).properties(width=width, height=height, title=heading(name))
        for name, own in layers.items()
    ]
    return altair.concat(*made, columns=columns)


def each(frame: pd.DataFrame, form: str) -> list[str]:
    """Words for each row, its columns put into `form`: '{piece} at {wall_mm:.0f} mm'."""
    return [form.format(**row) for row in frame.to_dict("records")]
