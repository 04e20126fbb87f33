"""Charts of bowls: rims from above, sections, the window of the wall."""

from __future__ import annotations

from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab.charts.axes import fixed, need
from woodlab.charts.theme import (
    BAND_OPACITY,
    COLOURS,
    DASHES,
    FAINT_INK,
    INK,
    LINE_SYMBOL,
    PAPER,
    Size,
    heading,
    panel_px,
    series_encoding,
    themed,
)


def rim_from_above(frame: pd.DataFrame, *, size: Size = "page") -> Any:
    """The rim from above before and after drying, one panel a scale.

    Parameters
    ----------
    frame : DataFrame
        Of `DriedBowl.outline`, with a column `scale` that says how the movement is drawn
        ("true to scale", "movement 5 times"): `state`, `order`, `across_mm`, `along_mm` [mm].
    size : as for `themed`

    Returns
    -------
    HConcatChart: across the grain against along the grain [mm], both axes to one scale.

    Examples
    --------
    >>> import woodlab as wl
    >>> dry = wl.dried_bowl(wl.Bowl(300, 120, 30, 120, "pith", 10), 3.5, 7.3)
    >>> print(rim_from_above(dry.outline().assign(scale="true to scale")).description)
    Rim from above. true to scale, green: 300.0 mm across; true to scale, dried: 287.8 mm across.
    """
    need(frame, "scale", "state", "order", "across_mm", "along_mm")
    scales = frame["scale"].unique().tolist()
    reach = float(frame[["across_mm", "along_mm"]].abs().to_numpy().max()) * 1.05
    side, ends = panel_px(size, max(len(scales), 2)), fixed(-reach, reach)
    x = altair.X("across_mm:Q", title="Across the grain [mm]", scale=ends)
    y = altair.Y("along_mm:Q", title="Along the grain [mm]", scale=ends)
    panels = [_outline(frame[frame["scale"] == s], x, y, side, side, s) for s in scales]
    widths = frame.groupby(["scale", "state"], sort=False)["across_mm"].max() * 2
    told = "; ".join(f"{a}, {b}: {width:.1f} mm across" for (a, b), width in widths.items())
    true = widths.xs(scales[0])
    says = f"Rim across the grain: {true.max():.0f} mm green, {true.min():.0f} mm dried"
    sub = "The rim from above [mm], across and along the grain, before and after drying."
    chart = altair.hconcat(*panels)
    return themed(chart, alt=f"Rim from above. {told}.", says=says, sub=sub, size=size)


def bowl_section(frame: pd.DataFrame, *, size: Size = "page") -> Any:
    """Cuts through the bowl's axis, across and along the grain, before and after drying.

    Parameters
    ----------
    frame : DataFrame
        Of `DriedBowl.section` [mm]; an optional column `scale` titles the panels.
    size : as for `themed`

    Returns
    -------
    HConcatChart: height above the bench against the distance from the axis [mm].

    Examples
    --------
    >>> import woodlab as wl
    >>> dry = wl.dried_bowl(wl.Bowl(300, 120, 30, 120, "pith", 10), 3.5, 7.3)
    >>> print(bowl_section(dry.section()).description)
    Sections of the bowl. across the grain, green: 120.0 mm high; across the grain, dried:
    110.0 mm high; along the grain, green: 120.0 mm high; along the grain, dried: 116.8 mm high.
    """
    need(frame, "cut", "state", "order", "side_mm", "height_mm")
    width = panel_px(size, 2)
    reach = float(frame["side_mm"].abs().max()) * 1.05
    top = float(frame["height_mm"].max()) * 1.1
    note = f" ({frame['scale'].iloc[0]})" if "scale" in frame else ""
    x = altair.X("side_mm:Q", title="From the axis [mm]", scale=fixed(-reach, reach))
    y = altair.Y("height_mm:Q", title="Above the bench [mm]", scale=fixed(0, top))
    panels = [
        _outline(frame[frame["cut"] == c], x, y, width, width * top / (2 * reach), f"Cut {c}{note}")
        for c in frame["cut"].unique()
    ]
    high = frame.groupby(["cut", "state"], sort=False)["height_mm"].max()
    told = "; ".join(f"{cut}, {state}: {top:.1f} mm high" for (cut, state), top in high.items())
    name = str(high.index[0][0])
    says = f"Cut {name}: {high[name].max():.0f} mm high green, {high[name].min():.0f} dried"
    sub = "Sections through the bowl's axis [mm], before and after drying."
    chart = altair.hconcat(*panels)
    return themed(chart, alt=f"Sections of the bowl. {told}.", says=says, sub=sub, size=size)


def wall_window_chart(window: pd.DataFrame, *, size: Size = "page") -> Any:
    """Between too thin to true up and too thick not to crack, a panel a species.

    Parameters
    ----------
    window : DataFrame
        Of `wall_window`. A species that cannot be computed is named in the alt text, not drawn.
    size : as for `themed`

    Returns
    -------
    ConcatChart: rough wall [mm] against the finished rim [mm].

    Examples
    --------
    >>> import woodlab as wl
    >>> print(wall_window_chart(wl.wall_window(["black walnut"], [200, 300])).description)
    Rough wall: black walnut, finished 200 mm: leave 14 mm or more; black walnut, finished 300 mm:
    leave 17 mm or more. The thickest wall by cracks is not known: no crack study.
    """
    need(window, "species", "rim_mm", "thinnest_mm", "tenth_mm", "seal", "thickest_mm", "window")
    drawn = window[window["thinnest_mm"].notna()]
    need(drawn, why=f"no species can be worked out: {window['reason'].iloc[0]}.")
    names = drawn["species"].unique().tolist()
    columns = min(3, max(2, len(names)))
    px = panel_px(size, columns, axis_px=52)
    # An upper limit far off would flatten everything: the panels end above the lines' own ends.
    top = 1.15 * float(drawn[["thinnest_mm", "tenth_mm", "thickest_mm"]].max().max())
    scale = altair.Scale(domain=[0, top], clamp=True, nice=False)
    panels = [_window_panel(drawn[drawn["species"] == name], name, px, scale) for name in names]
    seals = [seal for seal in drawn["seal"].unique() if seal]
    told = "; ".join(
        f"{r.species}, finished {r.rim_mm:.0f} mm: leave {r.thinnest_mm:.0f} mm or more"
        + (f", {r.seal} at most {r.thickest_mm:.0f} mm" if pd.notna(r.thickest_mm) else "")
        for r in drawn.drop_duplicates(["species", "rim_mm", "seal"]).itertuples()
    )
    missing = [name for name in window["species"].unique() if name not in names]
    alt = f"Rough wall: {told}."
    if not seals:
        alt += " The thickest wall by cracks is not known: no crack study."
    if missing:
        alt += f" Not worked out: {', '.join(missing)}."
    below = "Shaded below: less than a round finished bowl needs, margin included."
    above = "Lines with bands: thickest wall by the crack study, by seal, 95 % interval."
    least = np.ceil(drawn["thinnest_mm"].astype(float))
    rims = sorted(drawn["rim_mm"].unique())
    says = f"Leave {least.min():.0f} to {least.max():.0f} mm, by wood and size"
    if least.min() == least.max():
        says = f"Leave {least.min():.0f} mm or more"
    sub = (
        f"Rough wall [mm] against the finished rim, {rims[0]:.0f} to {rims[-1]:.0f} mm. "
        f"{below} {above if seals else ''}"
    )
    chart = altair.concat(*panels, columns=columns)
    return themed(chart, alt=alt, says=says, sub=sub.strip(), size=size)


def _window_panel(frame: pd.DataFrame, name: str, px: int, scale: Any) -> Any:
    x = altair.X("rim_mm:Q", title="Finished rim [mm]", scale=altair.Scale(zero=False, nice=False))

    def y(field: str) -> Any:
        return altair.Y(f"{field}:Q", title="Rough wall [mm]", scale=scale)

    sizes = frame.drop_duplicates("rim_mm")
    one = altair.Chart(sizes).encode(x=x)
    layers = [
        one.mark_area(color=COLOURS[2], opacity=BAND_OPACITY).encode(y=y("thinnest_mm")),
        one.mark_line(color=COLOURS[2], strokeWidth=3).encode(y=y("thinnest_mm")),
        one.mark_line(color=FAINT_INK, strokeDash=list(DASHES[2]), strokeWidth=2).encode(
            y=y("tenth_mm")
        ),
    ]
    known = frame[frame["thickest_mm"].notna()].copy()
    if len(known):
        # an end beyond the walls that were tried is not known: the band runs off the panel
        known["thickest_lower_mm"] = known["thickest_lower_mm"].fillna(0.0)
        known["thickest_upper_mm"] = known["thickest_upper_mm"].fillna(scale["domain"][1])
        most = altair.Chart(known).encode(x=x)
        seal = series_encoding("seal", "Seal", mark="line", legend=False)
        layers += [
            most.mark_area(opacity=BAND_OPACITY).encode(
                y=y("thickest_lower_mm"), y2="thickest_upper_mm:Q", color=seal["color"]
            ),
            most.mark_line(strokeWidth=2).encode(y=y("thickest_mm"), **seal),
        ]
        first = known[known["rim_mm"] == known["rim_mm"].min()]
        named = altair.Chart(first).encode(x=x, y=y("thickest_mm"), text="seal:N")
        layers += _written(named, align="left", dx=4, dy=-8)
    right = altair.Chart(sizes.tail(1)).encode(x=x)
    thin = right.encode(y=altair.value(px - 12), text=altair.value("too thin to true up"))
    tenth = right.encode(y=y("tenth_mm"), text=altair.value("a tenth of the rim"))
    layers += _written(thin, align="right", dx=-4)
    layers += _written(tenth, align="right", dx=-4, dy=-10)
    return altair.layer(*layers).properties(width=px, height=px, title=heading(name))


def _written(base: Any, **how: Any) -> list[Any]:
    """Text with a halo of paper."""
    halo = base.mark_text(fontSize=11, stroke=PAPER, strokeWidth=3, strokeJoin="round", **how)
    return [halo, base.mark_text(fontSize=11, color=INK, **how)]


def _outline(part: pd.DataFrame, x: Any, y: Any, width: float, height: float, name: str) -> Any:
    """Green and dried outlines of one panel."""
    legend = altair.Legend(title=None, symbolSize=LINE_SYMBOL)

    def look(values: list) -> dict[str, Any]:
        return {"scale": altair.Scale(domain=["green", "dried"], range=values), "legend": legend}

    line = altair.Chart(part).mark_line(strokeWidth=2).encode(
        x=x, y=y, order="order:O", color=altair.Color("state:N", **look([FAINT_INK, COLOURS[0]])),
        strokeDash=altair.StrokeDash("state:N", **look([list(DASHES[1]), list(DASHES[0])])),
    )  # fmt: skip
    return line.properties(width=width, height=height, title=heading(name))
