"""Charts of movement: rims from above, sections, measured and expected, the wall's window."""

from __future__ import annotations

from typing import Any

import altair
import pandas as pd

from woodlab.charts.theme import (
    BAND_OPACITY,
    COLOURS,
    DASHES,
    FAINT_INK,
    INK,
    LINE_SYMBOL,
    PAPER,
    Size,
    counted,
    panel_px,
    series_encoding,
    themed,
)
from woodlab.errors import WoodlabError

_STATES = altair.Scale(domain=["green", "dried"], range=[FAINT_INK, COLOURS[0]])
_STATE_DASH = altair.Scale(domain=["green", "dried"], range=[list(DASHES[1]), list(DASHES[0])])


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

    Raises
    ------
    WoodlabError
        When a column is missing or there is no row.

    Examples
    --------
    >>> import woodlab as wl
    >>> dry = wl.dried_bowl(wl.Bowl(300, 120, 30, 120, "pith", 10), 3.5, 7.3)
    >>> print(rim_from_above(dry.outline().assign(scale="true to scale")).description)
    Rim from above. true to scale, green: 300.0 mm across; true to scale, dried: 287.8 mm across.
    """
    _need(frame, "scale", "state", "order", "across_mm", "along_mm")
    scales = frame["scale"].unique().tolist()
    reach = float(frame[["across_mm", "along_mm"]].abs().to_numpy().max()) * 1.05
    side = panel_px(size, max(len(scales), 2))
    axis = altair.Scale(domain=[-reach, reach], nice=False)
    panels = []
    for scale in scales:
        rim = altair.Chart(frame[frame["scale"] == scale]).mark_line(strokeWidth=2)
        panels.append(
            rim.encode(
                x=altair.X("across_mm:Q", title="Across the grain [mm]", scale=axis),
                y=altair.Y("along_mm:Q", title="Along the grain [mm]", scale=axis),
                order="order:O",
                **_state_encoding(),
            ).properties(width=side, height=side, title=scale)
        )
    widths = frame.groupby(["scale", "state"], sort=False)["across_mm"].max() * 2
    told = "; ".join(f"{a}, {b}: {width:.1f} mm across" for (a, b), width in widths.items())
    return themed(altair.hconcat(*panels), alt=f"Rim from above. {told}.", size=size)


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

    Raises
    ------
    WoodlabError
        When a column is missing or there is no row.

    Examples
    --------
    >>> import woodlab as wl
    >>> dry = wl.dried_bowl(wl.Bowl(300, 120, 30, 120, "pith", 10), 3.5, 7.3)
    >>> print(bowl_section(dry.section()).description)
    Sections of the bowl. across the grain, green: 120.0 mm high; across the grain, dried:
    110.0 mm high; along the grain, green: 120.0 mm high; along the grain, dried: 116.8 mm high.
    """
    _need(frame, "cut", "state", "order", "side_mm", "height_mm")
    width = panel_px(size, 2)
    reach = float(frame["side_mm"].abs().max()) * 1.05
    top = float(frame["height_mm"].max()) * 1.1
    note = f" ({frame['scale'].iloc[0]})" if "scale" in frame else ""
    panels = []
    for cut in frame["cut"].unique():
        edge = altair.Chart(frame[frame["cut"] == cut]).mark_line(strokeWidth=2)
        panels.append(
            edge.encode(
                x=altair.X(
                    "side_mm:Q",
                    title="From the axis [mm]",
                    scale=altair.Scale(domain=[-reach, reach], nice=False),
                ),
                y=altair.Y(
                    "height_mm:Q",
                    title="Above the bench [mm]",
                    scale=altair.Scale(domain=[0, top], nice=False),
                ),
                order="order:O",
                **_state_encoding(),
            ).properties(width=width, height=width * top / (2 * reach), title=f"Cut {cut}{note}")
        )
    high = frame.groupby(["cut", "state"], sort=False)["height_mm"].max()
    told = "; ".join(f"{cut}, {state}: {top:.1f} mm high" for (cut, state), top in high.items())
    return themed(altair.hconcat(*panels), alt=f"Sections of the bowl. {told}.", size=size)


def measured_and_expected(measured: pd.DataFrame, *, size: Size = "page") -> Any:
    """Shrinkage across and rise as measured against as expected, a point a rim.

    Parameters
    ----------
    measured : DataFrame
        `measured` of a movement study. Rims without an expected figure are not drawn; their
        number is said in the alt text.
    size : as for `themed`

    Returns
    -------
    HConcatChart: measured against expected shrinkage across [%] and rise [mm].

    Raises
    ------
    WoodlabError
        When no rim has both figures, or a column is missing.

    Examples
    --------
    >>> import pandas as pd
    >>> measured = pd.DataFrame({
    ...     "piece": "A1", "species": "sugar maple", "days": [0, 200],
    ...     "across_shrink_pct": [0.0, 5.1], "expected_across_pct": [None, 4.8],
    ...     "rise_change_mm": [0.0, 6.0], "expected_rise_mm": [None, 7.0]})
    >>> print(measured_and_expected(measured).description)
    Measured against expected movement of 1 piece, 1 rim, of sugar maple; bars hold 95 % of trees
    by the table's scatter. Not drawn: 1 rim, at turning, or without an expected figure.
    """
    _need(measured, "species", "across_shrink_pct", "expected_across_pct", "expected_rise_mm")
    drawn = measured[(measured["days"] > 0) & measured["expected_across_pct"].notna()]
    if not len(drawn):
        raise WoodlabError(
            "no rim has both a measured and an expected figure: it needs moisture, rim_faces and "
            "pith_mm. See the column `reason` of the study's `measured`."
        )
    species = sorted(drawn["species"].unique())
    panels = [
        _against(drawn, species, "across_shrink_pct", "expected_across{}_pct", "Shrinkage across",
                 "%", panel_px(size, 2)),
        _against(drawn, species, "rise_change_mm", "expected_rise{}_mm", "Rise of the pith line",
                 "mm", panel_px(size, 2)),
    ]  # fmt: skip
    left_out = len(measured) - len(drawn)
    alt = (
        f"Measured against expected movement of {counted(drawn['piece'].nunique(), 'piece')}, "
        f"{counted(len(drawn), 'rim')}, of {', '.join(species)}; "
        "bars hold 95 % of trees by the table's scatter. "
        f"Not drawn: {counted(left_out, 'rim')}, at turning, or without an expected figure."
    )
    return themed(altair.hconcat(*panels), alt=alt, size=size)


def _against(
    frame: pd.DataFrame, species: list[str], y: str, x: str, what: str, unit: str, px: int
) -> Any:
    frame = frame[frame[y].notna()]
    middle, low, high = (x.format(end) for end in ("", "_lower", "_upper"))
    ends = frame[[y, middle]].to_numpy(float)
    line = pd.DataFrame({"at": [float(ends.min()), float(ends.max())]}) if len(frame) else frame
    title = [f"{what}, expected [{unit}]", "bars: 95 % of trees"]
    base = altair.Chart(frame)
    bars = base.mark_rule(opacity=0.35).encode(
        x=altair.X(f"{low}:Q", title=title),
        x2=f"{high}:Q",
        y=altair.Y(f"{y}:Q", title=f"{what}, measured [{unit}]"),
    )
    points = base.mark_point(size=40, filled=True).encode(
        x=f"{middle}:Q",
        y=f"{y}:Q",
        tooltip=["piece:N", "species:N", "days:Q", f"{y}:Q", f"{middle}:Q"],
        **series_encoding("species", "Species", mark="point", domain=species),
    )
    layers: list[Any] = [bars, points]
    if len(frame):
        same = altair.Chart(line).mark_line(color=INK, strokeDash=list(DASHES[1]), strokeWidth=1)
        layers.insert(0, same.encode(x="at:Q", y="at:Q"))
    return altair.layer(*layers).properties(width=px, height=px)


def shrinkage_estimates(estimates: pd.DataFrame, *, size: Size = "page") -> Any:
    """Radial and tangential shrinkage by the book's own rims, beside the table's.

    Parameters
    ----------
    estimates : DataFrame
        `estimates` of a movement study [% of the green size].
    size : as for `themed`

    Returns
    -------
    HConcatChart: a panel a figure, green to oven-dry [%]: own with 95 % interval, table's.

    Raises
    ------
    WoodlabError
        When no species has a figure, or a column is missing.

    Examples
    --------
    >>> import pandas as pd
    >>> own = pd.DataFrame({"species": "sugar maple", "figure": ["radial shrinkage"],
    ...                     "table": 4.8, "estimate": 5.1, "ci_lower": 4.4, "ci_upper": 5.8})
    >>> shrinkage_estimates(own).description
    'Shrinkage by own rims: sugar maple radial shrinkage 5.1 % (4.4 to 5.8), table 4.8 %.'
    """
    _need(estimates, "species", "figure", "table", "estimate", "ci_lower", "ci_upper")
    rows = estimates[estimates["figure"].isin(["radial shrinkage", "tangential shrinkage"])]
    rows = rows[rows["estimate"].notna() | rows["table"].notna()]
    if not len(rows):
        raise WoodlabError("no species has a shrinkage yet, own or of the table, to draw.")
    panels = []
    for figure in rows["figure"].unique():
        base = altair.Chart(rows[rows["figure"] == figure]).encode(
            y=altair.Y("species:N", title=None)
        )
        title = [
            f"{figure.capitalize()}, green to oven-dry [%]",
            "dot: own rims, 95 % interval; diamond: table",
        ]
        bars = base.mark_rule(strokeWidth=3, color=COLOURS[4]).encode(
            x=altair.X("ci_lower:Q", title=title, scale=altair.Scale(zero=False)), x2="ci_upper:Q"
        )
        own = base.mark_point(size=80, color=COLOURS[0], shape="circle").encode(x="estimate:Q")
        table = base.mark_point(
            size=110, shape="diamond", filled=False, stroke=COLOURS[2], strokeWidth=2
        ).encode(x="table:Q")
        panels.append(
            altair.layer(bars, own, table).properties(
                width=panel_px(size, 2, axis_px=90), height=altair.Step(34)
            )
        )
    told = "; ".join(
        f"{r.species} {r.figure} {r.estimate:.1f} % ({r.ci_lower:.1f} to {r.ci_upper:.1f}), "
        f"table {r.table:.1f} %"
        for r in rows.itertuples()
    )
    return themed(altair.hconcat(*panels), alt=f"Shrinkage by own rims: {told}.", size=size)


def movement_course(course: pd.DataFrame, mean_course: pd.DataFrame, *, size: Size = "page") -> Any:
    """Share of the movement done, against days and against moisture.

    Parameters
    ----------
    course, mean_course : DataFrame
        Of a movement study; `share` is a part of 1.
    size : as for `themed`

    Returns
    -------
    HConcatChart: share [%] against days since turning, and against moisture [%].

    Raises
    ------
    WoodlabError
        When no rim tells a share yet, or a column is missing.

    Examples
    --------
    >>> import pandas as pd
    >>> course = pd.DataFrame({"piece": "A1", "species": "white ash", "days": [0, 45, 200],
    ...                        "moisture_pct": [60.0, 20.0, 9.0], "share": [0.0, 0.4, 0.95]})
    >>> mean = pd.DataFrame({"days": [30, 60], "share": [0.27, 0.45]})
    >>> movement_course(course, mean).description
    'Share of the movement done by 1 piece. Mean: day 30: 27 %, day 60: 45 %.'
    """
    _need(course, "piece", "days", "moisture_pct", "share")
    known = course[course["share"].notna()]
    if not len(known):
        raise WoodlabError(
            "no rim tells a share of the movement yet. See the column `reason` of the course."
        )
    means = mean_course[mean_course["share"].notna()]
    px = panel_px(size, 2)
    share = altair.Y("share:Q", title="Share of the movement done", axis=altair.Axis(format="%"))
    days = altair.X("days:Q", title=["Days since turning [d]", "line: mean, band: 95 % interval"])
    each = altair.Chart(known).encode(tooltip=["piece:N", "species:N", "days:Q", "share:Q"])
    dots: dict[str, Any] = {"size": 22, "opacity": 0.5, "color": COLOURS[4]}
    band = altair.Chart(means).mark_area(opacity=2 * BAND_OPACITY, color=COLOURS[0])
    mean = altair.Chart(means).mark_line(color=COLOURS[0], strokeWidth=3)
    by_days = altair.layer(
        band.encode(
            x=days, y=altair.Y("ci_lower:Q", title="Share of the movement done"), y2="ci_upper:Q"
        ),
        each.mark_point(**dots).encode(x=days, y=share),
        mean.encode(x=days, y=share),
    )
    moist = altair.X(
        "moisture_pct:Q",
        title=["Moisture [% of oven-dry mass]", "drying runs to the left"],
        scale=altair.Scale(zero=False, padding=10),
    )
    by_moisture = each.mark_point(**dots).encode(x=moist, y=share)
    panels = [panel.properties(width=px, height=px * 0.8) for panel in (by_days, by_moisture)]
    told = ", ".join(f"day {r.days}: {100 * r.share:.0f} %" for r in means.itertuples())
    alt = (
        f"Share of the movement done by {counted(known['piece'].nunique(), 'piece')}. Mean: {told}."
    )
    return themed(altair.hconcat(*panels), alt=alt, size=size)


def wall_window_chart(window: pd.DataFrame, *, size: Size = "page") -> Any:
    """Between too thin to true up and too thick not to crack, a panel a species.

    Parameters
    ----------
    window : DataFrame
        Of `woodlab.studies.wall_window.wall_window`. A species that cannot be reckoned is named
        in the alt text and not drawn.
    size : as for `themed`

    Returns
    -------
    ConcatChart: rough wall [mm] against the finished rim [mm].

    Raises
    ------
    WoodlabError
        When no species can be reckoned, or a column is missing.

    Examples
    --------
    >>> import woodlab as wl
    >>> print(wall_window_chart(wl.wall_window(["black walnut"], [200, 300])).description)
    Rough wall: black walnut, finished 200 mm: leave 14 mm or more; black walnut, finished 300 mm:
    leave 17 mm or more. The thickest safe wall is not known: no crack study.
    """
    _need(window, "species", "rim_mm", "thinnest_mm", "tenth_mm", "seal", "thickest_mm", "window")
    drawn = window[window["thinnest_mm"].notna()]
    if not len(drawn):
        raise WoodlabError(f"no species can be reckoned: {window['reason'].iloc[0]}.")
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
        alt += " The thickest safe wall is not known: no crack study."
    if missing:
        alt += f" Not reckoned: {', '.join(missing)}."
    below = "Shaded below: less than a round finished bowl needs, margin included."
    above = "Lines with bands: thickest safe wall by seal, 95 % interval." if seals else ""
    title = altair.Title("The wall to leave", subtitle=[text for text in (below, above) if text])
    chart = altair.concat(*panels, columns=columns).properties(title=title)
    return themed(chart, alt=alt, size=size)


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
        safe = altair.Chart(known).encode(x=x)
        seal = series_encoding("seal", "Seal", mark="line", legend=False)
        layers += [
            safe.mark_area(opacity=BAND_OPACITY).encode(
                y=y("thickest_lower_mm"), y2="thickest_upper_mm:Q", color=seal["color"]
            ),
            safe.mark_line(strokeWidth=2).encode(y=y("thickest_mm"), **seal),
        ]
        first = known[known["rim_mm"] == known["rim_mm"].min()]
        named = altair.Chart(first).encode(x=x, y=y("thickest_mm"), text="seal:N")
        layers += _written(named, align="left", dx=4, dy=-8)
    right = altair.Chart(sizes.tail(1)).encode(x=x)
    thin = right.encode(y=altair.value(px - 12), text=altair.value("too thin to true up"))
    tenth = right.encode(y=y("tenth_mm"), text=altair.value("a tenth of the rim"))
    layers += _written(thin, align="right", dx=-4)
    layers += _written(tenth, align="right", dx=-4, dy=-10)
    return altair.layer(*layers).properties(width=px, height=px, title=name)


def _written(base: Any, **how: Any) -> list[Any]:
    """Text with a halo of paper."""
    halo = base.mark_text(fontSize=11, stroke=PAPER, strokeWidth=3, strokeJoin="round", **how)
    return [halo, base.mark_text(fontSize=11, color=INK, **how)]


def _state_encoding() -> dict[str, Any]:
    legend = altair.Legend(title=None, symbolSize=LINE_SYMBOL)
    return {
        "color": altair.Color("state:N", scale=_STATES, legend=legend),
        "strokeDash": altair.StrokeDash("state:N", scale=_STATE_DASH, legend=legend),
    }


def _need(frame: pd.DataFrame, *columns: str) -> None:
    missing = [column for column in columns if column not in frame]
    if missing or not len(frame):
        raise WoodlabError(
            f"this chart needs rows with {', '.join(columns)}; missing: "
            f"{', '.join(missing) or 'rows'}."
        )
