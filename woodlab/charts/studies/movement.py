"""Charts of movement: measured and expected, shrinkage, its course."""

from __future__ import annotations

from typing import Any

import altair
import pandas as pd

from woodlab.charts.axes import band, need, spans
from woodlab.charts.theme import (
    BAND_OPACITY,
    COLOURS,
    DASHES,
    INK,
    Size,
    counted,
    panel_px,
    series_encoding,
    themed,
)


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

    Examples
    --------
    >>> measured = pd.DataFrame({
    ...     "piece": "A1", "species": "sugar maple", "days": [0, 200],
    ...     "across_shrink_pct": [0.0, 5.1], "expected_across_pct": [None, 4.8],
    ...     "rise_change_mm": [0.0, 6.0], "expected_rise_mm": [None, 7.0]})
    >>> print(measured_and_expected(measured).description)
    Measured against expected movement of 1 piece, 1 rim, of sugar maple; bars hold 95 % of trees
    by the table's scatter. Not drawn: 1 rim, at turning, or without an expected figure.
    """
    need(measured, "species", "across_shrink_pct", "expected_across_pct", "expected_rise_mm")
    drawn = measured[(measured["days"] > 0) & measured["expected_across_pct"].notna()]
    need(
        drawn,
        why=(
            "no rim has both a measured and an expected figure: it needs moisture, rim_faces and "
            "pith_mm. See the column `reason` of the study's `measured`."
        ),
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
    less = int((drawn["across_shrink_pct"] < drawn["expected_across_pct"]).sum())
    kind, k = ("less", less) if 2 * less >= len(drawn) else ("more", len(drawn) - less)
    says = f"{k} of {len(drawn)} rims shrank {kind} than the tables say"
    sub = "Shrinkage across the grain [%] and rise of the pith line [mm]; dashed: as expected."
    return themed(altair.hconcat(*panels), alt=alt, says=says, sub=sub, size=size)


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

    Examples
    --------
    >>> own = pd.DataFrame({"species": "sugar maple", "figure": ["radial shrinkage"],
    ...                     "table": 4.8, "estimate": 5.1, "ci_lower": 4.4, "ci_upper": 5.8})
    >>> shrinkage_estimates(own).description
    'Shrinkage by own rims: sugar maple radial shrinkage 5.1 % (4.4 to 5.8), table 4.8 %.'
    """
    need(estimates, "species", "figure", "table", "estimate", "ci_lower", "ci_upper")
    rows = estimates[estimates["figure"].isin(["radial shrinkage", "tangential shrinkage"])]
    rows = rows[rows["estimate"].notna() | rows["table"].notna()]
    need(rows, why="no species has a shrinkage yet, own or of the table, to draw.")
    panels = []
    for figure in rows["figure"].unique():
        base = altair.Chart(rows[rows["figure"] == figure]).encode(
            y=altair.Y("species:N", title=None)
        )
        title = [
            f"{figure.capitalize()}, green to oven-dry [%]",
            "dot: own rims, 95 % interval; diamond: table",
        ]
        bars = spans(base, "x", "ci_lower", "ci_upper", "estimate", size=80, title=title,
                     scale=altair.Scale(zero=False))  # fmt: skip
        table = base.mark_point(
            size=110, shape="diamond", filled=False, stroke=COLOURS[2], strokeWidth=2
        ).encode(x="table:Q")
        panels.append(
            altair.layer(*bars, table).properties(
                width=panel_px(size, 2, axis_px=90), height=altair.Step(34)
            )
        )
    told = "; ".join(
        f"{r.species} {r.figure} {r.estimate:.1f} % ({r.ci_lower:.1f} to {r.ci_upper:.1f}), "
        f"table {r.table:.1f} %"
        for r in rows.itertuples()
    )
    known = rows.dropna(subset=["estimate", "ci_lower", "ci_upper", "table"])
    inside = int(
        ((known["ci_lower"] <= known["table"]) & (known["table"] <= known["ci_upper"])).sum()
    )
    says = f"{inside} of {len(known)} tabled shrinkages lie in our intervals"
    sub = "Shrinkage from green to oven-dry [%]. Dot and bar: own rims, 95 %; diamond: table."
    alt = f"Shrinkage by own rims: {told}."
    return themed(altair.hconcat(*panels), alt=alt, says=says, sub=sub, size=size)


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

    Examples
    --------
    >>> course = pd.DataFrame({"piece": "A1", "species": "white ash", "days": [0, 45, 200],
    ...                        "moisture_pct": [60.0, 20.0, 9.0], "share": [0.0, 0.4, 0.95]})
    >>> mean = pd.DataFrame({"days": [30, 60], "share": [0.27, 0.45]})
    >>> movement_course(course, mean).description
    'Share of the movement done by 1 piece. Mean: day 30: 27 %, day 60: 45 %.'
    """
    need(course, "piece", "days", "moisture_pct", "share")
    known = course[course["share"].notna()]
    need(
        known,
        why="no rim tells a share of the movement yet. See the column `reason` of the course.",
    )
    means = mean_course[mean_course["share"].notna()]
    px = panel_px(size, 2)
    share = altair.Y("share:Q", title="Share of the movement done", axis=altair.Axis(format="%"))
    days = altair.X("days:Q", title=["Days since turning [d]", "line: mean, band: 95 % interval"])
    each = altair.Chart(known).encode(tooltip=["piece:N", "species:N", "days:Q", "share:Q"])
    dots: dict[str, Any] = {"size": 22, "opacity": 0.5, "color": COLOURS[4]}
    mean = altair.Chart(means).encode(x=days)
    by_days = altair.layer(
        band(mean, "ci_lower", "ci_upper", shade=2 * BAND_OPACITY,
             title="Share of the movement done"),
        each.mark_point(**dots).encode(x=days, y=share),
        mean.mark_line(color=COLOURS[0], strokeWidth=3).encode(y=share),
    )  # fmt: skip
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
    says = "No mean course of the movement yet"
    if len(means):
        row = means.iloc[-1]
        says = f"{100 * row['share']:.0f} % of the movement done by day {row['days']:.0f}"
    sub = "Share of the movement done [%], against days and against moisture; a dot a rim."
    return themed(altair.hconcat(*panels), alt=alt, says=says, sub=sub, size=size)
