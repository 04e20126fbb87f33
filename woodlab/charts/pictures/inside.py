"""Inside the wall: moisture from face to face, bare and sealed, by the drying model."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.charts.blocks import across, need, panels, upward, written
from woodlab.charts.colours import MOISTURE, role
from woodlab.charts.theme import themed
from woodlab.charts.titles import fitting
from woodlab.charts.units import drawing

# of up to four days: the darker and heavier a line, the earlier
_LINES: tuple[dict[str, Any], ...] = tuple(
    {"color": MOISTURE[shade][0], "strokeWidth": width, "strokeDash": dash}
    for shade, width, dash in (
        (6, 2.8, [1, 0]), (5, 2.4, [8, 3]), (4, 2.0, [4, 3]), (3, 1.8, [2, 2.5]),
    )
)  # fmt: skip


def inside_the_wall(profiles: pd.DataFrame) -> Any:
    """Moisture across a wall at up to four days, a panel a seal: said to be the model.

    Parameters
    ----------
    profiles : DataFrame
        `seal`, `on`, `depth_mm` from one face [mm], `moisture_pct` [%]; one value each of
        `species`, `wall_mm`, `turned_on`, `target_moisture_pct`.

    Returns
    -------
    ConcatChart: moisture [%] against the depth in the wall [mm].

    Examples
    --------
    >>> profiles = pd.DataFrame({
    ...     "seal": ["none"] * 3 + ["wax all over"] * 3, "on": pd.Timestamp("2026-04-01"),
    ...     "depth_mm": [0.0, 12.0, 24.0] * 2, "moisture_pct": [20.0, 40, 20, 50, 54, 50],
    ...     "species": "ash", "wall_mm": 24.0, "turned_on": pd.Timestamp("2026-03-01"),
    ...     "target_moisture_pct": 14.0})
    >>> inside_the_wall(profiles).description
    'Model: wax all over keeps the wall more even inside. Moisture across a 24 mm wall of ash ...'
    """
    need(profiles, "seal", "on", "depth_mm", "moisture_pct", "wall_mm", "turned_on", "species")
    seals, first = words.order_of_seals(profiles["seal"]), profiles.iloc[0]
    wall, top = float(first["wall_mm"]), 5 * np.ceil(profiles["moisture_pct"].max() / 5) + 3
    low = 5 * np.floor(min(profiles["moisture_pct"].min(), 12) / 5)
    x = across("depth_mm:Q", "Depth in the wall [mm]", (0, wall), format=".0f", grid=False,
               values=[*range(0, int(wall) - 2, 5), wall])  # fmt: skip
    y = upward("moisture_pct:Q", "Moisture [%]", (low, top), tickCount=6, domain=False, ticks=False)
    layers, gaps = {}, {}
    for seal in seals:
        own = profiles[profiles["seal"] == seal].sort_values("depth_mm")
        by_day = own.groupby("on")["moisture_pct"]
        gaps[seal] = float((by_day.max() - by_day.min()).max())
        layers[words.opened(words.sealed(seal))] = _wall(own, x, y)
    even = min(gaps, key=lambda seal: gaps[seal])
    told = "; ".join(f"{words.sealed(s)} {gap:.0f}" for s, gap in gaps.items())
    sub = (
        f"Moisture across a {wall:.0f} mm wall of {first['species']} turned "
        f"{words.day(first['turned_on'])}. Calculated from the weights, not measured inside. "
        f"Points: by how much the core is wetter than the surface, at most {told}."
    )
    return themed(
        panels(layers, columns=1, height=230, size="column", axis_px=146),
        says=fitting(
            f"Model: {'no seal' if even == 'none' else even} keeps the wall more even inside",
            "Model: a seal keeps the wall more even inside",
        ),
        alt=sub, sub=sub, size="column",
    )  # fmt: skip


def _wall(own: pd.DataFrame, x: Any, y: Any) -> list[Any]:
    """A panel: a line a day with its words on it; the levels are named beside it."""
    wall = float(own["wall_mm"].iloc[0])
    levels = pd.DataFrame(
        {"moisture_pct": [30.0, float(own["target_moisture_pct"].iloc[0])], "depth_mm": wall,
         "says": ["30 %: wood|shrinks below", "dry enough"]}
    )  # fmt: skip
    base = drawing(levels).encode(y=y)
    text = base.mark_text(fontSize=11, color=role("quiet"), align="left", dx=5, lineBreak="|",
                          lineHeight=12)  # fmt: skip
    layers = [base.mark_rule(color=role("line"), strokeDash=[1, 2.5]),
              text.encode(x=x, text="says:N")]  # fmt: skip
    above = np.inf
    for look, (on, course) in zip(_LINES, own.groupby("on"), strict=False):
        layers.append(drawing(course).mark_line(**look).encode(x=x, y=y))
        middle = float(course["moisture_pct"].max())
        gap = middle - float(course["moisture_pct"].min())
        word = pd.DataFrame(
            {"depth_mm": [wall / 2], "moisture_pct": [middle],
             "says": [f"{words.day(on, own['turned_on'].iloc[0])}: {gap:.0f} points"]}
        )  # fmt: skip
        under = above - middle < 5.5  # too near the line above for its words: they go below
        place = {"baseline": "top", "dy": 5} if under else {"baseline": "bottom", "dy": -4}
        layers += written(drawing(word).encode(x=x, y=y, text="says:N"), fontSize=11, **place)
        above = middle
    return layers
