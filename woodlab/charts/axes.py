"""What charts of several rooms share: axes of days, words beside a mark, what a frame must hold."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair
import pandas as pd

from woodlab.charts.theme import BAND_OPACITY, COLOURS, MONTHS_OR_DAYS
from woodlab.errors import WoodlabError

QUANTITIES = {"mass_g": "Mass [g]", "moisture_pct": "Moisture [% of oven-dry mass]"}
DAY = "%d %b %Y"


def tip(field: str, title: str, form: str = "") -> Any:
    """What a pointer reads of a mark: `form` as of Python, `.0f` or `.0%`."""
    more: dict[str, Any] = {"format": form} if form else {}
    return altair.Tooltip(field, title=title, **more)


def tooltip(frame: pd.DataFrame, quantity: str) -> list[Any]:
    name, _, unit = quantity.rpartition("_")
    tips = [tip("piece:N", "piece")]
    tips += [tip("on:T", "date", DAY)] if "on" in frame else []
    tips += [tip("days:Q", "days since turning", ".0f")] if "days" in frame else []
    tips.append(tip(f"{quantity}:Q", f"{name} [{'%' if unit == 'pct' else unit}]", ".1f"))
    return tips + [altair.Tooltip(f"{c}:N") for c in ("species", "seal") if c in frame]


def fixed(low: float, high: float, **more: Any) -> Any:
    """A scale that ends where it is told to."""
    return altair.Scale(domain=[low, high], nice=False, **more)


def spans(base: Any, across: str, low: str, high: str, middle: str, *, size: float = 45,
          tips: Sequence[Any] = (), **axis: Any) -> list[Any]:  # fmt: skip
    """Intervals as thick rules along the axis `across` ("x" or "y"), each with its middle."""
    end = altair.X if across == "x" else altair.Y
    point: dict[str, Any] = {"tooltip": list(tips)} if tips else {}
    return [
        base.mark_rule(strokeWidth=3, color=COLOURS[4]).encode(
            **{across: end(f"{low}:Q", **axis), f"{across}2": f"{high}:Q"}
        ),
        base.mark_point(size=size, color=COLOURS[0]).encode(**{across: f"{middle}:Q"}, **point),
    ]


def band(base: Any, low: str, high: str, *, colour: str = COLOURS[0], shade: float = BAND_OPACITY,
         clip: bool = False, **axis: Any) -> Any:  # fmt: skip
    """A band upward from `low` to `high`, pale enough to see through."""
    marked = base.mark_area(opacity=shade, color=colour, **({"clip": True} if clip else {}))
    return marked.encode(y=altair.Y(f"{low}:Q", **axis), y2=f"{high}:Q")


def date_axis(ticks: int = 7) -> Any:
    return altair.Axis(format=MONTHS_OR_DAYS, tickCount=ticks, labelOverlap="greedy")


def series_names(column: pd.Series) -> list[str]:
    return sorted(column.dropna().astype(str).unique())


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
