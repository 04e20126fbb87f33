"""A bowl's life: weights, looks, air and forecast on one date axis, for any bowl."""

from __future__ import annotations

from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab import words
from woodlab.charts.axes import need
from woodlab.charts.colours import role
from woodlab.charts.pictures.glance import READY
from woodlab.charts.pictures.marks import CRACK, GLUED, days, dry_mark, marked, months
from woodlab.charts.theme import WIDTH_PX, Size, themed
from woodlab.charts.titles import fitting

_GREW_MM = 2.0
_LABELS_PX = 84  # room for the labels of the upright axes, the same in each panel


def life_of_a_bowl(
    bowls: pd.DataFrame,
    curves: pd.DataFrame,
    looks: pd.DataFrame,
    air: pd.DataFrame,
    *,
    piece: str,
    size: Size = "page",
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
    size : as for `themed`

    Returns
    -------
    VConcatChart: three panels on one date axis: moisture [%], longest crack [mm], air [%].

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
    >>> life_of_a_bowl(bowls, curves, looks, air, piece="A1").title.text
    ['A1: no crack so far; dry about 10 May']
    """
    need(bowls[bowls["piece"] == piece], "piece", "species", "wall_mm", "oven_dry_g", "ready_on")
    bowl = bowls.set_index("piece").loc[piece]
    day, narrow = bowl["as_of"], size == "column"
    course = curves[curves["piece"] == piece]
    looks = looks[looks["piece"] == piece].sort_values("on", kind="stable")
    looks = looks[looks["crack_mm"].notna()]
    until = min(course["on"].max(), bowl["latest_on"] if pd.notna(bowl["latest_on"]) else
                course["on"].max())  # fmt: skip
    until = max(until, day) + pd.Timedelta(days=25)
    scale = days(bowl["turned_on"] - pd.Timedelta(days=4), until)
    x = altair.X("on:T", axis=None, scale=scale)
    last = altair.X("on:T", axis=months(narrow=narrow), scale=scale)
    air = air[(air["on"] >= bowl["turned_on"]) & (air["on"] <= day)]
    panels = [
        _weights(bowl, course[course["on"] <= until], x, until, narrow=narrow),
        _cracks(looks, x if len(air) else last, day, bowl["turned_on"], narrow=narrow),
    ]
    if len(air):
        panels.append(_air(air, bowl, last, until))
    width = WIDTH_PX[size] - 16 - _LABELS_PX
    chart = altair.vconcat(*(panel.properties(width=width) for panel in panels), spacing=26)
    title = _story(piece, bowl, looks)
    sub = (
        f"{bowl['species']}, wall {bowl['wall_mm']:.0f} mm, {_sealed(bowl['seal'])}, turned "
        f"{words.day(bowl['turned_on'])}. Points: weighings. Dashed: forecast, with the band that "
        "holds it in 9 of 10 chances."
    )
    alt = f"{title}. {sub[:1].upper()}{sub[1:]}"
    return themed(chart, alt=alt, says=title, sub=sub[:1].upper() + sub[1:], size=size)


def _sealed(seal: str) -> str:
    return " ".join(part for part in words.SEALS.get(seal, ("", f"under {seal}")) if part)


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


def _axis(title: str, **more: Any) -> Any:
    return altair.Axis(
        title=title, titleAngle=0, titleAlign="left", titleAnchor="end", titleX=2 - _LABELS_PX,
        titleY=-12, grid=True, domain=False, ticks=False, minExtent=_LABELS_PX,
        maxExtent=_LABELS_PX, labelOverlap=False, **more,
    )  # fmt: skip


def _today(day: pd.Timestamp) -> Any:
    return altair.Chart(pd.DataFrame({"on": [day]})).mark_rule(color=role("ink"), strokeWidth=1.2)


def _said(rows: list[tuple], **how: Any) -> Any:
    """Words at places: (day, height, text)."""
    return altair.Chart(pd.DataFrame(rows, columns=["on", "y", "t"])).mark_text(**how)


def _weights(
    bowl: pd.Series, course: pd.DataFrame, x: Any, until: pd.Timestamp, *, narrow: bool
) -> Any:
    """Moisture and weight, stretched toward the dry end, where the waiting is."""
    course = course.assign(
        **{name: np.sqrt(course[column].clip(lower=0)) for name, column in
           (("y", "moisture_pct"), ("low", "lower_pct"), ("high", "upper_pct"))}
    )  # fmt: skip
    dry, target = bowl["oven_dry_g"], float(bowl["target_moisture_pct"])
    most = float(course["moisture_pct"].max())
    marks = [m for m in (10, 15, 20, 30, 40, 60, 80, 110, 150) if m <= most]
    top = float(np.sqrt(most * 1.06))
    label = "format(datum.value*datum.value,'.0f') + ' %'"
    if np.isfinite(dry):
        label += f" + '  ' + format({dry:.2f}*(1+datum.value*datum.value/100),',.0f') + ' g'"
    upright: dict[str, Any] = {
        "scale": altair.Scale(domain=[float(np.sqrt(9.5)), top], nice=False, zero=False),
        "axis": _axis("Moisture and weight, dry end stretched" if narrow else
                   "Moisture [%] and weight [g], stretched toward the dry end",
                   values=[float(np.sqrt(m)) for m in marks], labelExpr=label),
    }  # fmt: skip
    y = altair.Y("y:Q", **upright)
    so_far, ahead = (course[course["part"] == part] for part in ("so far", "to come"))
    ahead = pd.concat([so_far.tail(1), ahead])
    line: dict[str, Any] = {"color": role("waiting"), "strokeWidth": 2}
    goal, day = float(np.sqrt(target)), bowl["as_of"]
    enough = f"dry enough: {target:.0f} %"
    if np.isfinite(dry):
        enough += f", {dry * (1 + target / 100):,.0f} g"
    layers = [
        altair.Chart(ahead).mark_area(color=role("hair"), opacity=1, clip=True)
        .encode(x=x, y=altair.Y("low:Q", **upright), y2="high:Q"),
        altair.Chart(pd.DataFrame({"y": [goal]})).mark_rule(color=role("ready"), strokeWidth=1.4)
        .encode(y=y),
        altair.Chart(so_far).mark_line(**line).encode(x=x, y=y),
        altair.Chart(ahead).mark_line(strokeDash=[5, 3], **line).encode(x=x, y=y),
        altair.Chart(course[course["part"] == "weighed"])
        .mark_point(size=34, filled=True, color=role("waiting"), stroke=role("paper"),
                    strokeWidth=0.8).encode(x=x, y=y),
        _today(day).encode(x=x),
        _said([(until, goal, enough)], align="right", baseline="bottom", dy=-8,
              color=role("ready")).encode(x=x, y=y, text="t"),
        _said([(day + pd.Timedelta(days=3), 0.99 * top,
                f"{words.day(day)}: {bowl['moisture_now_pct']:.0f} % moisture")],
              align="left", baseline="top", color=role("ink")).encode(x=x, y=y, text="t"),
    ]  # fmt: skip
    if pd.notna(bowl["ready_on"]):
        there = pd.DataFrame({"on": [bowl["ready_on"]], "y": [goal]})
        known = words.dates(bowl["earliest_on"], bowl["latest_on"], day)
        told = f"{words.day(bowl['ready_on'], day)}"
        told += "" if narrow or not known else f" ({known})"
        left = (until - bowl["ready_on"]) / (until - bowl["turned_on"])  # share of the panel
        late = left * (WIDTH_PX["column" if narrow else "page"] - 100) < 7 * len(told)
        layers += [
            dry_mark(there, 150, filled=bowl["p_ready_now"] >= READY).encode(x=x, y=y),
            _said([(until if late else bowl["ready_on"], goal, told)], dy=22, fontWeight="bold",
                  align="right" if late else "left", dx=0 if late else -8, color=role("ready"))
            .encode(x=x, y=y, text="t"),
        ]  # fmt: skip
    return altair.layer(*layers).properties(height=170 if narrow else 190)


def _cracks(
    looks: pd.DataFrame, x: Any, day: pd.Timestamp, turned: pd.Timestamp, *, narrow: bool
) -> Any:
    """The longest crack at each look; a tick where none was found."""
    looks = looks.assign(y=looks["crack_mm"])
    seen, none = looks[looks["y"] > 0], looks[looks["y"] == 0]
    top = max(10.0, 1.45 * float(looks["y"].max() if len(looks) else 0))
    y = altair.Y(
        "y:Q", scale=altair.Scale(domain=[0, top], nice=False),
        axis=_axis("Longest crack [mm], and each look", tickCount=3, format="d"),
    )  # fmt: skip
    counted = f"{words.count(len(none), 'look')}, no crack"
    small: dict[str, Any] = {
        "fontSize": 10 if narrow else 12,
        "align": "left",
        "color": role("ink"),
    }
    layers = [
        altair.Chart(none).mark_tick(orient="vertical", color=role("quiet"), thickness=1, size=8,
                                     yOffset=-5).encode(x=x, y=y),
        _today(day).encode(x=x),
        _said([(turned + pd.Timedelta(days=1), -0.17 * top, counted)], **small)
        .encode(x=x, y=y, text="t"),
    ]  # fmt: skip
    if len(seen):
        first, last = seen.iloc[0], seen.iloc[-1]
        glued = seen[seen["action"] == "glued"]
        glued = glued.assign(on=glued["on"] + pd.Timedelta(days=7))
        found = f"{first['y']:.0f} mm when found, {words.day(first['on'], day)}"
        beside = max(last["on"], day) + pd.Timedelta(days=4)
        layers += [
            altair.Chart(seen).mark_line(color=role("cracked"), strokeWidth=2,
                                         interpolate="step-after").encode(x=x, y=y),
            marked(seen.head(1), CRACK, 150, "cracked").encode(x=x, y=y),
            marked(glued, GLUED, 80, "ink").encode(x=x, y=y),
            _said([(beside, last["y"], f"{last['y']:.0f} mm on {words.day(last['on'], day)}")],
                  align="left", dy=-2, fontWeight="bold", color=role("cracked"))
            .encode(x=x, y=y, text="t"),
            _said([(beside, last["y"] - 0.2 * top, found)], **small).encode(x=x, y=y, text="t"),
        ]  # fmt: skip
    return altair.layer(*layers).properties(height=84)


def _air(air: pd.DataFrame, bowl: pd.Series, x: Any, until: pd.Timestamp) -> Any:
    """The moisture that each day's air would bring the wood to, and its week."""
    air = air.groupby("on", as_index=False)["moisture_pct"].mean().rename(
        columns={"moisture_pct": "y"})  # fmt: skip
    week = air.assign(y=air["y"].rolling(7, center=True, min_periods=3).mean()).dropna()
    target = float(bowl["target_moisture_pct"])
    low = float(np.floor(min(air["y"].min(), target) - 1))
    high = float(np.ceil(max(air["y"].max(), target) + 1))
    y = altair.Y(
        "y:Q", scale=altair.Scale(domain=[low, high], nice=False),
        axis=_axis("Moisture to which the air would bring the wood [%]", tickCount=3, format="d"),
    )  # fmt: skip
    layers = [
        altair.Chart(air).mark_point(size=7, filled=True, color=role("line")).encode(x=x, y=y),
        altair.Chart(week).mark_line(color=role("ink"), strokeWidth=1.8).encode(x=x, y=y),
        altair.Chart(pd.DataFrame({"y": [target]})).mark_rule(color=role("ready"), strokeWidth=1.4)
        .encode(y=y),
        _today(bowl["as_of"]).encode(x=x),
        _said([(bowl["as_of"], float(week["y"].iloc[-1]) if len(week) else target,
                "dots: days; line: week")], align="left", dx=9, color=role("ink"))
        .encode(x=x, y=y, text="t"),
        _said([(until, target, "dry enough")], align="right", baseline="bottom", dy=-3,
              color=role("ready")).encode(x=x, y=y, text="t"),
    ]  # fmt: skip
    return altair.layer(*layers).properties(height=74)
