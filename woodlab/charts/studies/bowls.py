"""Charts of bowls: rims from above, sections, the window of the wall."""

from __future__ import annotations

import re
from functools import partial
from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab.charts.blocks import across, band, each, need, panels, upward, written
from woodlab.charts.theme import (
    COLOURS,
    DASHES,
    FAINT_INK,
    LINE_SYMBOL,
    panel_px,
    series_encoding,
    themed,
)
from woodlab.charts.units import drawing


def rim_from_above(frame: pd.DataFrame) -> Any:
    """The rim from above before and after drying, one panel a scale.

    Parameters
    ----------
    frame : DataFrame
        Of `DriedBowl.outline`, with a column `scale` that says how the movement is drawn
        ("true to scale", "movement 5 times"): `state`, `order`, `across_mm`, `along_mm` [mm].

    Returns
    -------
    ConcatChart: across the grain against along the grain [mm], both axes to one scale.

    Examples
    --------
    >>> import woodlab as wl
    >>> dry = wl.dried_bowl(wl.Bowl(300, 120, 30, 120, "pith", 10), 3.5, 7.3)
    >>> print(rim_from_above(dry.outline().assign(scale="true to scale")).description)
    Rim across the grain: 300 mm green, 288 mm dried. true to scale, green: 300.0 mm across; true to
    scale, dried: 287.8 mm across.
    """
    need(frame, "scale", "state", "order", "across_mm", "along_mm")
    reach = float(frame[["across_mm", "along_mm"]].abs().to_numpy().max()) * 1.05
    x = across("across_mm:Q", "Across the grain [mm]", (-reach, reach))
    y = upward("along_mm:Q", "Along the grain [mm]", (-reach, reach))
    widths = frame.groupby(["scale", "state"], sort=False)["across_mm"].max() * 2
    told = "; ".join(f"{a}, {b}: {width:.1f} mm across" for (a, b), width in widths.items())
    green, dried = _true(widths.xs(frame["scale"].iloc[0]), frame["scale"].iloc[0])
    return themed(
        _outlines(frame, "scale", x, y, 1.0), alt=f"{told}.",
        says=f"Rim across the grain: {green:.0f} mm green, {dried:.0f} mm dried",
        sub="The rim from above [mm], across and along the grain, before and after drying.",
    )  # fmt: skip


def bowl_section(frame: pd.DataFrame) -> Any:
    """Cuts through the bowl's axis, across and along the grain, before and after drying.

    Parameters
    ----------
    frame : DataFrame
        Of `DriedBowl.section` [mm]; an optional column `scale` says how the movement is drawn.

    Returns
    -------
    ConcatChart: height above the bench against the distance from the axis [mm].

    Examples
    --------
    >>> import woodlab as wl
    >>> dry = wl.dried_bowl(wl.Bowl(300, 120, 30, 120, "pith", 10), 3.5, 7.3)
    >>> print(bowl_section(dry.section()).description)
    Height across the grain: 120 mm green, 110 mm dried. across the grain, green: 120.0 mm high;
    across the grain, dried: 110.0 mm high; along the grain, green: 120.0 mm high; along the grain,
    dried: 116.8 mm high.
    """
    need(frame, "cut", "state", "order", "side_mm", "height_mm")
    reach, top = 1.05 * frame["side_mm"].abs().max(), 1.1 * frame["height_mm"].max()
    x = across("side_mm:Q", "From the axis [mm]", (-reach, reach))
    y = upward("height_mm:Q", "Above the bench [mm]", (0, top))
    high = frame.groupby(["cut", "state"], sort=False)["height_mm"].max()
    told = "; ".join(f"{cut}, {state}: {top:.1f} mm high" for (cut, state), top in high.items())
    cut = str(high.index[0][0])
    scale = str(frame["scale"].iloc[0]) if "scale" in frame else "true to scale"
    green, dried = _true(high[cut], scale)
    return themed(
        _outlines(frame, "cut", x, y, top / (2 * reach)), alt=f"{told}.",
        says=f"Height {cut}: {green:.0f} mm green, {dried:.0f} mm dried",
        sub=f"Sections through the bowl's axis [mm], before and after drying, {scale}.",
    )  # fmt: skip


def _true(drawn: pd.Series, scale: str) -> tuple[float, float]:
    """Green and dried as they are, where the movement is drawn so many times as large."""
    times = re.search(r"([\d.]+) times", scale)
    green, dried = float(drawn["green"]), float(drawn["dried"])
    return green, green + (dried - green) / (float(times[1]) if times else 1.0)


def _outlines(frame: pd.DataFrame, by: str, x: Any, y: Any, tall: float) -> Any:
    """Green and dried outlines, a panel a value of `by`, both axes to one scale."""
    names, states = list(dict.fromkeys(frame[by])), ["green", "dried"]
    columns = min(2, len(names))
    legend = altair.Legend(title=None, symbolSize=LINE_SYMBOL)
    colour = altair.Scale(domain=states, range=[FAINT_INK, COLOURS[0]])
    dash = altair.Scale(domain=states, range=[list(DASHES[1]), list(DASHES[0])])
    layers = {}
    for name in names:
        line = drawing(frame[frame[by] == name]).mark_line(strokeWidth=2)
        layers[str(name)] = [line.encode(
            x=x, y=y, order="order:O", color=altair.Color("state:N", scale=colour, legend=legend),
            strokeDash=altair.StrokeDash("state:N", scale=dash, legend=legend),
        )]  # fmt: skip
    axis_px = 62 if columns == 2 else 280  # one rim alone is not a page wide
    height = tall * panel_px("page", columns, axis_px)
    return panels(layers, columns=columns, height=height, axis_px=axis_px)


def wall_window_chart(window: pd.DataFrame) -> Any:
    """Between too thin to true up and too thick not to crack, a panel a species.

    Parameters
    ----------
    window : DataFrame
        Of `wall_window`. A species that cannot be computed is named in the alt text, not drawn.

    Returns
    -------
    ConcatChart: rough wall [mm] against the finished rim [mm].

    Examples
    --------
    >>> import woodlab as wl
    >>> print(wall_window_chart(wl.wall_window(["black walnut"], [200, 300])).description)
    Leave 15 to 18 mm, by wood and size. Rough wall: black walnut, finished 200 mm: leave 15 mm or
    more; black walnut, finished 300 mm: leave 18 mm or more. The thickest wall by cracks is not
    known: no crack study.
    """
    need(window, "species", "rim_mm", "thinnest_mm", "tenth_mm", "seal", "thickest_mm", "window")
    drawn = window[window["thinnest_mm"].notna()]
    need(drawn, why=f"no species can be computed: {window['reason'].iloc[0]}.")
    # An upper limit far off would flatten everything: the panels end above the lines' own ends.
    top = 1.15 * float(drawn[["thinnest_mm", "tenth_mm", "thickest_mm"]].max().max())
    groups = dict(tuple(drawn.groupby("species", sort=False)))
    layers = {str(name): _window(own, top) for name, own in groups.items()}
    rows = drawn[drawn["rim_mm"].isin([drawn["rim_mm"].min(), drawn["rim_mm"].max()])]
    rows = rows.assign(least=np.ceil(rows["thinnest_mm"].astype(float)), at_most=[
        f", {r.seal} at most {r.thickest_mm:.0f} mm" if pd.notna(r.thickest_mm) else ""
        for r in rows.itertuples()])  # fmt: skip
    rows = rows.drop_duplicates(["species", "rim_mm", "at_most"])
    form = "{species}, finished {rim_mm:.0f} mm: leave {least:.0f} mm or more{at_most}"
    alt = f"Rough wall: {'; '.join(each(rows, form))}."
    known = drawn["thickest_mm"].notna().any()
    if not known:
        why = "too few cracks" if any(drawn["seal"]) else "no crack study"
        alt += f" The thickest wall by cracks is not known: {why}."
    missing = [name for name in window["species"].unique() if name not in groups]
    if missing:
        alt += f" Not computed: {', '.join(missing)}."
    ends = [f"{end:.0f}" for end in sorted({rows["least"].min(), rows["least"].max()})]
    says = f"Leave {' to '.join(ends)} mm{', by wood and size' if len(ends) > 1 else ' or more'}"
    sub = (
        f"Rough wall [mm] against the finished rim, {drawn['rim_mm'].min():.0f} to "
        f"{drawn['rim_mm'].max():.0f} mm. Shaded: too thin to true up to a round bowl, margin "
        "included; dotted: a tenth of the rim."
    )
    if known:
        sub += " Lines with bands: thickest wall by the crack study, by seal, 95 % interval."
    chart = panels(layers, height=190, axis_px=52)
    return themed(chart, alt=alt, says=says, sub=sub)


def _window(frame: pd.DataFrame, top: float) -> list[Any]:
    low, high = frame["rim_mm"].min(), frame["rim_mm"].max()
    x = across("rim_mm:Q", "Finished rim [mm]", (low, high), tickCount=4)
    y = partial(upward, title="Rough wall [mm]", ends=(0, top), scale={"clamp": True})
    one = drawing(frame.drop_duplicates("rim_mm")).encode(x=x)
    layers = [
        one.mark_area(color=COLOURS[2], opacity=0.18).encode(y=y("thinnest_mm:Q")),
        one.mark_line(color=COLOURS[2], strokeWidth=3).encode(y=y("thinnest_mm:Q")),
        one.mark_line(color=FAINT_INK, strokeDash=list(DASHES[2])).encode(y=y("tenth_mm:Q")),
    ]
    right = drawing(frame[frame["rim_mm"] == high].head(1)).encode(x=x)
    for field, said in (("middle_mm", "too thin to true up"), ("tenth_mm", "a tenth of the rim")):
        at = right.transform_calculate(middle_mm="datum.thinnest_mm / 2").encode(y=y(f"{field}:Q"))
        layers += written(at.encode(text=altair.value(said)), align="right", dx=-4, fontSize=11,
                          dy=0 if field == "middle_mm" else 16)  # fmt: skip
    known = frame[frame["thickest_mm"].notna()]
    # an end beyond the walls that were tried is not known: the band runs off the panel
    known = known.fillna({"thickest_lower_mm": 0.0, "thickest_upper_mm": top})
    look = series_encoding("seal", "", mark="line", legend=False,
                           domain=sorted(known["seal"].unique()))  # fmt: skip
    for _, own in known.groupby("seal"):
        base = drawing(own).encode(x=x, color=look["color"])
        area = band(base, y, "thickest_lower_mm:Q", "thickest_upper_mm:Q")
        name = drawing(own.head(1)).encode(x=x, y=y("thickest_mm:Q"), text="seal:N")
        layers += [area, base.mark_line().encode(y=y("thickest_mm:Q"), **look),
                   *written(name, align="left", dx=4, dy=-8, fontSize=11)]  # fmt: skip
    return layers
