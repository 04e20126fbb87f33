"""What charts of several rooms share: axes of days, words beside a mark, what a frame must hold."""

from __future__ import annotations

from typing import Any

import altair
import pandas as pd

from woodlab.charts.theme import MONTHS_OR_DAYS
from woodlab.errors import WoodlabError

QUANTITIES = {"mass_g": "Mass [g]", "moisture_pct": "Moisture [% of oven-dry mass]"}
DAY = "%d %b %Y"


def tooltip(frame: pd.DataFrame, quantity: str) -> list[Any]:
    tips: list[Any] = [altair.Tooltip("piece:N", title="piece")]
    if "on" in frame:
        tips.append(altair.Tooltip("on:T", title="date", format=DAY))
    if "days" in frame:
        tips.append(altair.Tooltip("days:Q", title="days since turning", format=".0f"))
    name, _, unit = quantity.rpartition("_")
    unit = "%" if unit == "pct" else unit
    tips.append(altair.Tooltip(f"{quantity}:Q", title=f"{name} [{unit}]", format=".1f"))
    tips += [altair.Tooltip(f"{column}:N") for column in ("species", "seal") if column in frame]
    return tips


def date_axis(ticks: int = 7) -> Any:
    return altair.Axis(format=MONTHS_OR_DAYS, tickCount=ticks, labelOverlap="greedy")


def series_names(column: pd.Series) -> list[str]:
    return sorted(column.dropna().astype(str).unique())


def need(frame: pd.DataFrame, *columns: str, why: str = "") -> None:
    """The one door of the charts: a frame without the columns, or without rows, is refused.

    Raises
    ------
    WoodlabError
        With `why`, where that is given and the frame has no rows.
    """
    missing = [column for column in columns if column not in frame]
    if missing or not len(frame):
        raise WoodlabError(
            why
            if why and not missing
            else f"this chart needs rows with {', '.join(columns)}; missing: "
            f"{', '.join(missing) or 'rows'}."
        )
