"""Inside the wall: moisture from face to face, bare and sealed, by the drying model."""

from __future__ import annotations

from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab import words
from woodlab.charts.axes import need
from woodlab.charts.colours import MOISTURE, order_of_seals, role
from woodlab.charts.theme import WIDTH_PX, Size, heading, themed
from woodlab.charts.titles import fitting

_SHADES = [MOISTURE[k][0] for k in (6, 5, 4, 3)]
_WIDTHS = (2.8, 2.4, 2.0, 1.8)
_DASHES = ([1, 0], [8, 3], [4, 3], [2, 2.5])
_MOST = 4  # days drawn


def inside_the_wall(profiles: pd.DataFrame, *, size: Size = "page") -> Any:
    """Moisture across a wall at up to four days, a panel a seal: said to be the model.

    Parameters
    ----------
    profiles : DataFrame
        `seal`, `on`, `depth_mm` from one face [mm], `moisture_pct` [%]; one value each of
        `species`, `wall_mm`, `turned_on`, `target_moisture_pct`.
    size : as for `themed`

    Returns
    -------
    HConcatChart or VConcatChart: moisture [%] against the depth in the wall [mm].

    Examples
    --------
    >>> profiles = pd.DataFrame({
    ...     "seal": ["none"] * 3 + ["wax all over"] * 3, "on": pd.Timestamp("2026-04-01"),
    ...     "depth_mm": [0.0, 12.0, 24.0] * 2, "moisture_pct": [20.0, 40, 20, 50, 54, 50],
    ...     "species": "ash", "wall_mm": 24.0, "turned_on": pd.Timestamp("2026-03-01"),
    ...     "target_moisture_pct": 14.0})
    >>> inside_the_wall(profiles).title.text
    ['Model: wax all over keeps the wall more even inside']
    """
    need(profiles, "seal", "on", "depth_mm", "moisture_pct", "wall_mm", "turned_on", "species")
    narrow, seals = size == "column", order_of_seals(profiles["seal"])
    wall = float(profiles["wall_mm"].iloc[0])
    top = 5 * np.ceil(profiles["moisture_pct"].max() / 5) + 3
    lowest = 5 * np.floor(min(profiles["moisture_pct"].min(), 12) / 5)
    inner = WIDTH_PX[size] - 16 - 62 - 78
    width = inner if narrow else (inner - 44) // len(seals)
    y = altair.Scale(domain=[float(lowest), float(top)], nice=False)
    panels = [
        _panel(profiles[profiles["seal"] == seal], wall, y, named=narrow or seal == seals[-1],
               titled=narrow or seal == seals[0])
        .properties(width=width, height=270, title=heading(
            " ".join(p for p in words.SEALS.get(seal, ("", seal)) if p).capitalize()))
        for seal in seals
    ]  # fmt: skip
    gaps = {seal: _gap(profiles[profiles["seal"] == seal]) for seal in seals}
    even = min(gaps, key=lambda seal: gaps[seal])
    title = fitting(
        f"Model: {even} keeps the wall more even inside",
        "Model: a seal keeps the wall more even inside",
    )
    if even == "none":
        title = fitting("Model: no seal keeps the wall more even inside")
    told = "; ".join(f"{words.SEALS.get(s, (s,))[0] or s} {gaps[s]:.0f}" for s in seals)
    sub = (
        f"Moisture across a {wall:.0f} mm wall of {profiles['species'].iloc[0]} turned "
        f"{words.day(profiles['turned_on'].iloc[0])}. Calculated from the weights, not measured "
        f"inside. Core wetter than the surface by at most (points of moisture): {told}."
    )
    chart = altair.vconcat(*panels) if narrow else altair.hconcat(*panels, spacing=18)
    return themed(chart, alt=f"{title}. {sub}", says=title, sub=sub, size=size)


def _gap(part: pd.DataFrame) -> float:
    by_day = part.groupby("on")["moisture_pct"]
    return float((by_day.max() - by_day.min()).max())


def _panel(part: pd.DataFrame, wall: float, y_scale: Any, *, named: bool, titled: bool) -> Any:
    x = altair.X(
        "depth_mm:Q", scale=altair.Scale(domain=[0, wall], nice=False),
        axis=altair.Axis(title="Depth in the wall [mm]", format=".0f", grid=False,
                         values=[*range(0, int(wall) - 2, 5), wall]),
    )  # fmt: skip
    y = altair.Y(
        "moisture_pct:Q", scale=y_scale,
        axis=altair.Axis(title="Moisture [%]" if titled else None, tickCount=6, domain=False,
                         ticks=False),
    )  # fmt: skip
    levels = pd.DataFrame(
        {"moisture_pct": [30.0, float(part["target_moisture_pct"].iloc[0])], "depth_mm": wall,
         "t": ["30 %: wood|shrinks below", "dry enough"]}
    )  # fmt: skip
    layers = [altair.Chart(levels).mark_rule(color=role("line"), strokeDash=[1, 2.5]).encode(y=y)]
    if named:
        layers.append(
            altair.Chart(levels).mark_text(align="left", dx=5, lineBreak="|", lineHeight=12,
                                           fontSize=10.5, color=role("quiet"))
            .encode(x=x, y=y, text="t")
        )  # fmt: skip
    above = np.inf
    for k, (on, course) in enumerate(list(part.sort_values("depth_mm").groupby("on"))[:_MOST]):
        look: dict[str, Any] = {
            "color": _SHADES[k],
            "strokeWidth": _WIDTHS[k],
            "strokeDash": list(_DASHES[k]),
        }
        layers.append(altair.Chart(course).mark_line(**look).encode(x=x, y=y))
        middle = float(course["moisture_pct"].max())
        gap = middle - float(course["moisture_pct"].min())
        word = pd.DataFrame(
            {"depth_mm": [wall / 2], "moisture_pct": [middle],
             "t": [f"{words.day(on, part['turned_on'].iloc[0])}: core {gap:.0f} points wetter"]}
        )  # fmt: skip
        under = above - middle < 4.2  # too near the line above for its words: they go below
        place: dict[str, Any] = {
            "baseline": "top" if under else "bottom",
            "dy": 5 if under else -4,
            "fontSize": 11,
        }
        halo: dict[str, Any] = {"stroke": role("paper"), "strokeWidth": 3.2, "strokeJoin": "round"}
        text = altair.Chart(word).encode(x=x, y=y, text="t")
        layers += [text.mark_text(**place, **halo), text.mark_text(color=role("ink"), **place)]
        above = middle
    return altair.layer(*layers)
