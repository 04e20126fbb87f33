"""A bowl's life: weights, looks, air and forecast on one date axis, for any bowl."""

from __future__ import annotations

import json
from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab import words
from woodlab.charts.blocks import need, upward
from woodlab.charts.colours import role
from woodlab.charts.pictures.glance import READY
from woodlab.charts.pictures.marks import cracked, dry_mark, months
from woodlab.charts.theme import WIDTH_PX, themed
from woodlab.charts.titles import fitting
from woodlab.charts.units import drawing
from woodlab.show import answers

_GREW_MM = 2.0
_LABELS_PX = 96  # room for the labels of the upright axes, the same in each panel


def life_of_a_bowl(
    bowls: pd.DataFrame,
    curves: pd.DataFrame,
    looks: pd.DataFrame,
    air: pd.DataFrame,
    *,
    piece: str,
) -> Any:
    """One bowl from turning to the day it is dry enough: weights, cracks, air.

    Parameters
    ----------
    bowls : DataFrame
        As for `season_at_a_glance`, with `species`, `wall_mm`, `oven_dry_g`, `moisture_now_pct`.
    curves : DataFrame
        Of `forecast_curves`, with the bowl's rows in it.
    looks : DataFrame
        The book's table: `piece`, `on`, `crack_mm`, `action`.
    air : DataFrame
        `on`, `moisture_pct`: the moisture to which each day's air would bring the wood [%].
    piece : str
        The bowl's mark.

    Returns
    -------
    VConcatChart: two or three panels on one date axis: moisture [%], longest crack [mm], air [%].

    Examples
    --------
    >>> day = pd.Timestamp("2026-05-01")
    >>> bowls = pd.DataFrame({
    ...     "piece": ["A1"], "species": "ash", "seal": "none", "wall_mm": 25.0, "as_of": day,
    ...     "turned_on": day - pd.Timedelta(days=60), "p_ready_now": 0.2, "oven_dry_g": 900.0,
    ...     "ready_on": day + pd.Timedelta(days=9), "earliest_on": day, "latest_on": pd.NaT,
    ...     "moisture_now_pct": 16.0, "target_moisture_pct": 14.0})
    >>> on = pd.to_datetime(["2026-03-02", "2026-05-01", "2026-06-01"])
    >>> curves = pd.DataFrame({"piece": "A1", "on": on, "part": ["weighed", "so far", "to come"],
    ...                        "moisture_pct": [60.0, 16.0, 13.0], "lower_pct": 12.0,
    ...                        "upper_pct": 17.0})
    >>> looks = pd.DataFrame({"piece": "A1", "on": on[:1], "crack_mm": 0.0, "action": "none"})
    >>> air = pd.DataFrame({"on": on, "moisture_pct": 11.0})
    >>> life_of_a_bowl(bowls, curves, looks, air, piece="A1").description
    'A1: no crack so far; dry about 10 May. Ash, wall 25 mm, bare, turned 2 March 2026. ...'
    """
    need(bowls[bowls["piece"] == piece], "piece", "species", "wall_mm", "oven_dry_g", "ready_on")
    bowl = bowls.set_index("piece").loc[piece]
    day = bowl["as_of"]
    course = curves[curves["piece"] == piece]
    looks = looks[(looks["piece"] == piece) & looks["crack_mm"].notna()]
    looks = looks.sort_values("on", kind="stable")
    ends = [course["on"].max(), *([bowl["latest_on"]] if pd.notna(bowl["latest_on"]) else [])]
    until = max(min(ends), day) + pd.Timedelta(days=25)
    span = bowl["turned_on"] - pd.Timedelta(days=4), until
    x, last = (months("on:T", span, shown=shown) for shown in (False, True))
    air = air[(air["on"] >= bowl["turned_on"]) & (air["on"] <= day)]
    panels = [
        _weights(bowl, course[course["on"] <= until], x, until),
        _cracks(looks, x if len(air) else last, bowl),
        *([_air(air, bowl, last, until)] if len(air) else []),
    ]
    width = WIDTH_PX["column"] - 16 - _LABELS_PX
    early = max(bowl["earliest_on"], day) if bowl["ready_on"] > day else bowl["earliest_on"]
    known = words.dates(early, bowl["latest_on"], day)
    sub = words.opened(
        f"{bowl['species']}, wall {bowl['wall_mm']:.0f} mm, {words.sealed(bowl['seal'])}, turned "
        f"{words.day(bowl['turned_on'])}. Points: weighings. Dashed: forecast, within its band in "
        f"9 of 10 chances{f' (dry enough {known})' if known else ''}."
    )
    chart = altair.vconcat(*(panel.properties(width=width) for panel in panels), spacing=26)
    return themed(chart, alt=sub, says=_story(piece, bowl, looks), sub=sub, size="column")


def _story(piece: str, bowl: pd.Series, looks: pd.DataFrame) -> str:
    seen, glued = looks[looks["crack_mm"] > 0], looks[looks["action"] == "glued"]
    when = words.day(bowl["ready_on"], bowl["as_of"])
    dry = f"dry about {when}" if when else "no date yet"
    if bowl["p_ready_now"] >= READY:
        dry = f"dry enough since {when}"
    if len(seen) and len(glued):
        grew = seen["crack_mm"].iloc[-1] > glued["crack_mm"].iloc[-1] + _GREW_MM
        told = "the glued crack grew on" if grew else "glued crack held so far"
    elif len(seen):
        told = f"cracked by {words.day(seen['on'].iloc[0], bowl['as_of'])}"
    else:
        told = "no crack so far" if len(looks) else "never looked at for cracks"
    return fitting(f"{piece}: {told}; {dry}", f"{told}; {dry}")


def _upright(field: str, title: str, ends: tuple[float, float], **axis: Any) -> Any:
    """The upright axis of a panel, its title above it; each has the same room."""
    return upward(
        f"{field}:Q", title, ends, titleAngle=0, titleAlign="left", titleAnchor="end",
        titleX=2 - _LABELS_PX, titleY=-12, grid=True, domain=False, ticks=False,
        minExtent=_LABELS_PX, maxExtent=_LABELS_PX, labelOverlap=False, **axis,
    )  # fmt: skip


def _rule(x: Any = None, y: Any = None) -> Any:
    """An upright rule at a day, or a level one in green at the height that is dry enough."""
    at = drawing(pd.DataFrame({"on": [x]} if y is None else {"y": [y]}))
    colour, width = ("ink", 1.2) if y is None else ("ready", 1.4)
    return at.mark_rule(color=role(colour), strokeWidth=width)


def _said(x: Any, y: Any, on: Any, at: float, text: str, **how: Any) -> Any:
    """Words at a day and a height."""
    row = pd.DataFrame({"on": [on], str(y.to_dict()["field"]): [at], "says": [text]})
    how = {"align": "left", "color": role("ink"), **how}
    return drawing(row).mark_text(**how).encode(x=x, y=y, text="says:N")


def _weights(bowl: pd.Series, course: pd.DataFrame, x: Any, until: pd.Timestamp) -> Any:
    """Moisture and weight, stretched toward the dry end, where the waiting is."""
    shown = {"y": "moisture_pct", "low": "lower_pct", "high": "upper_pct"}
    course = course.assign(**{k: np.sqrt(course[v].clip(lower=0)) for k, v in shown.items()})
    dry, target, day = bowl["oven_dry_g"], float(bowl["target_moisture_pct"]), bowl["as_of"]
    most, goal = float(course["moisture_pct"].max()), float(np.sqrt(target))
    marks: list[float] = [m for m in (10, 15, 20, 30, 40, 60, 80, 110, 150) if m <= most]
    marks = [target, *(m for m in marks if abs(m - target) > 1.5)]
    labels = {
        f"{np.sqrt(m):.3f}": f"{words.target(m)} {answers().weight(dry * (1 + m / 100))}".strip()
        for m in marks
    }
    top = float(np.sqrt(most * 1.06))
    y = _upright("y", "Moisture and weight, stretched toward the dry end",
                 (float(np.sqrt(9.5)), top), values=[float(np.sqrt(m)) for m in marks],
                 labelExpr=f"{json.dumps(labels)}[format(datum.value, '.3f')]")  # fmt: skip
    so_far, ahead, weighed = (course[course["part"] == part]
                              for part in ("so far", "to come", "weighed"))  # fmt: skip
    ahead = pd.concat([so_far.tail(1), ahead])
    line: dict[str, Any] = {"color": role("waiting"), "strokeWidth": 2}
    band = drawing(ahead.assign(y=ahead["low"]))
    layers = [
        band.mark_area(color=role("hair"), opacity=1, clip=True).encode(x=x, y=y, y2="high:Q"),
        _rule(y=goal).encode(y=y),
        drawing(so_far).mark_line(**line).encode(x=x, y=y),
        drawing(ahead).mark_line(strokeDash=[5, 3], **line).encode(x=x, y=y),
        drawing(weighed).mark_point(size=34, color=role("waiting"), stroke=role("paper"),
                                         strokeWidth=0.8).encode(x=x, y=y),
        _rule(day).encode(x=x),
        _said(x, y, until, goal, "dry enough", align="right", dy=-14, color=role("ready")),
        _said(x, y, day + pd.Timedelta(days=3), 0.99 * top, baseline="top",
              text=f"{words.day(day)}: {bowl['moisture_now_pct']:.0f} % moisture"),
    ]  # fmt: skip
    if pd.notna(bowl["ready_on"]):
        there = pd.DataFrame({"on": [bowl["ready_on"]], "y": [goal]})
        told = words.day(bowl["ready_on"], day)
        px = (WIDTH_PX["column"] - 16 - _LABELS_PX) / (until - bowl["turned_on"]).days
        late = px * (until - bowl["ready_on"]).days < 7 * len(told)
        side = {"align": "right"} if late else {"align": "left", "dx": -8}
        layers += [
            dry_mark(there, 150, filled=bowl["p_ready_now"] >= READY).encode(x=x, y=y),
            _said(x, y, until if late else bowl["ready_on"], goal, told, dy=22, fontWeight="bold",
                  color=role("ready"), **side),
        ]  # fmt: skip
    return altair.layer(*layers).properties(height=180)


def _cracks(looks: pd.DataFrame, x: Any, bowl: pd.Series) -> Any:
    """The longest crack at each look; a tick where none was found."""
    day, looks = bowl["as_of"], looks[["on", "crack_mm", "action"]]
    seen, none = looks[looks["crack_mm"] > 0], looks[looks["crack_mm"] == 0]
    top = max(10.0, 1.45 * float(looks["crack_mm"].max() if len(looks) else 0))
    y = _upright("crack_mm", "Longest crack [mm], and each look", (0, top), tickCount=3, format="d")
    tick = drawing(none)
    layers = [
        tick.mark_tick(orient="vertical", color=role("quiet"), thickness=1, size=8, yOffset=-5)
        .encode(x=x, y=y),
        _rule(day).encode(x=x),
        _said(x, y, bowl["turned_on"] + pd.Timedelta(days=1), -0.17 * top,
              f"{words.count(len(none), 'look')}, no crack", fontSize=11),
    ]  # fmt: skip
    if len(seen):
        first, last = seen.iloc[0], seen.iloc[-1]
        glued = seen[seen["action"] == "glued"]
        glued = glued.assign(on=glued["on"] + pd.Timedelta(days=7))
        beside = max(last["on"], day) + pd.Timedelta(days=4)
        step = drawing(seen).mark_line(color=role("cracked"), interpolate="step-after")
        marks = [*cracked(seen.head(1), 150), *cracked(glued, 80, glued=True)]
        layers += [
            step.encode(x=x, y=y),
            *(mark.encode(x=x, y=y) for mark in marks),
            _said(x, y, beside, last["crack_mm"],
                  f"{last['crack_mm']:.0f} mm on {words.day(last['on'], day)}", dy=-2,
                  fontWeight="bold", color=role("cracked")),
            _said(x, y, beside, last["crack_mm"] - 0.2 * top,
                  f"{first['crack_mm']:.0f} mm when found", fontSize=11),
        ]  # fmt: skip
    return altair.layer(*layers).properties(height=84)


def _air(air: pd.DataFrame, bowl: pd.Series, x: Any, until: pd.Timestamp) -> Any:
    """The moisture that each day's air would bring the wood to, and its week."""
    air = air.groupby("on", as_index=False)["moisture_pct"].mean()
    air = air.rename(columns={"moisture_pct": "y"})
    week = air.assign(y=air["y"].rolling(7, center=True, min_periods=3).mean()).dropna()
    target, day = float(bowl["target_moisture_pct"]), bowl["as_of"]
    low, high = min(air["y"].min(), target) - 1, max(air["y"].max(), target) + 1
    ends = float(np.floor(low)), float(np.ceil(high))
    title = "Moisture to which the air would bring the wood [%]"
    y = _upright("y", title, ends, tickCount=3, format="d")
    layers = [
        drawing(air).mark_point(size=7, color=role("line")).encode(x=x, y=y),
        drawing(week).mark_line(color=role("ink"), strokeWidth=1.8).encode(x=x, y=y),
        _rule(y=target).encode(y=y),
        _rule(day).encode(x=x),
        _said(x, y, day, ends[0], "dots: days; line: week", dx=9, dy=-7),
        _said(x, y, until, target, "dry enough", align="right", dy=-9, color=role("ready")),
    ]
    return altair.layer(*layers).properties(height=74)
