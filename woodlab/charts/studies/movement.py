"""Charts of movement: measured and expected, shrinkage, its course."""

from __future__ import annotations

from functools import partial
from typing import Any

import pandas as pd

from woodlab import words
from woodlab.charts.blocks import DAYS, MOISTURE, across, band, each, need, panels, tip, upward
from woodlab.charts.intervals import interval_chart
from woodlab.charts.theme import COLOURS, DASHES, INK, series_encoding, themed
from woodlab.charts.units import drawing


def measured_and_expected(measured: pd.DataFrame) -> Any:
    """Shrinkage across and rise as measured against as expected, a point a rim.

    Parameters
    ----------
    measured : DataFrame
        `measured` of a movement study. Rims without an expected figure are not drawn; their
        number is said in the alt text.

    Returns
    -------
    ConcatChart: measured against expected shrinkage across [%] and rise [mm].

    Examples
    --------
    >>> measured = pd.DataFrame({
    ...     "piece": "A1", "species": "sugar maple", "days": [0, 200],
    ...     "across_shrink_pct": [0.0, 5.1], "expected_across_pct": [None, 4.8],
    ...     "expected_across_lower_pct": [None, 3.9], "expected_across_upper_pct": [None, 5.7],
    ...     "rise_change_mm": [0.0, 6.0], "expected_rise_mm": [None, 7.0]})
    >>> print(measured_and_expected(measured).description)
    1 of 1 rims lie within the tables' range. Measured against expected movement of 1 piece, 1 rim,
    of sugar maple; bars hold 95 % of trees by the table's scatter. Not drawn: 1 rim, at
    turning, or without an expected figure.
    """
    need(measured, "species", "across_shrink_pct", "expected_across_pct", "expected_rise_mm")
    drawn = measured[(measured["days"] > 0) & measured["expected_across_pct"].notna()]
    need(
        drawn,
        why="no rim has both a measured and an expected figure: it needs moisture, rim_faces and "
        "pith_mm. See the column `reason` of the study's `measured`.",
    )
    species = sorted(drawn["species"].unique())
    look = series_encoding("species", "Species", mark="point", domain=species, size="page")
    layers = {}
    for name, field, end, unit in (
        ("Shrinkage across [%]", "across_shrink_pct", "expected_across", "pct"),
        ("Rise of the pith line [mm]", "rise_change_mm", "expected_rise", "mm"),
    ):
        own = drawn[drawn[field].notna()]
        fields = [f"{end}_lower_{unit}", f"{end}_{unit}", f"{end}_upper_{unit}"]
        seen = own[[field, fields[1]]].stack()
        ends = pd.DataFrame({f"at_{unit}": [seen.min(), seen.max()] if len(own) else []})
        x, y = partial(across, title="expected"), upward(f"{field}:Q", "measured")
        base = drawing(own).encode(y=y)
        layers[name] = [
            drawing(ends).mark_line(color=INK, strokeDash=list(DASHES[1]), strokeWidth=1)
            .encode(x=x(f"at_{unit}:Q"), y=upward(f"at_{unit}:Q", "measured")),
            base.mark_rule(opacity=0.35).encode(x=x(f"{fields[0]}:Q"), x2=f"{fields[2]}:Q"),
            base.mark_point(size=40).encode(
                x=x(f"{fields[1]}:Q"), **look,
                tooltip=["piece:N", "days:Q", tip(f"{field}:Q", name)]),
        ]  # fmt: skip
    ends = [drawn[f"expected_across_{end}_pct"] for end in ("lower", "upper")]
    inside = int(drawn["across_shrink_pct"].between(*ends).sum())
    return themed(
        panels(layers, height=240),
        says=f"{inside} of {len(drawn)} rims lie within the tables' range",
        sub="Shrinkage across the grain [%] and rise of the pith line [mm]. Dashed: as expected; "
        "bars: 95 % of trees by the tables.",
        alt=f"Measured against expected movement of {words.tally(drawn['piece'].nunique())}, "
        f"{words.tally(len(drawn), 'rim')}, of {', '.join(species)}; bars hold 95 % of trees by "
        f"the table's scatter. Not drawn: {words.tally(len(measured) - len(drawn), 'rim')}, at "
        "turning, or without an expected figure.",
    )  # fmt: skip


def shrinkage_estimates(estimates: pd.DataFrame) -> Any:
    """Radial and tangential shrinkage by the book's own rims, beside the table's.

    Parameters
    ----------
    estimates : DataFrame
        `estimates` of a movement study [% of the green size].

    Returns
    -------
    LayerChart: a row a wood and figure, green to oven-dry [%]: own with 95 % interval, and an
    upright mark at the table's.

    Examples
    --------
    >>> own = pd.DataFrame({"species": "sugar maple", "figure": ["radial shrinkage"],
    ...                     "table": 4.8, "estimate": 5.1, "ci_lower": 4.4, "ci_upper": 5.8})
    >>> print(shrinkage_estimates(own).description)
    1 of 1 tabled shrinkages lie in our intervals. Shrinkage, green to oven-dry [%] with 95 %
    intervals: sugar maple, radial (table 4.8 %): 5.1 (4.4 to 5.8).
    """
    need(estimates, "species", "figure", "table", "estimate", "ci_lower", "ci_upper")
    frame = estimates[estimates["figure"].isin(["radial shrinkage", "tangential shrinkage"])]
    frame = frame[frame["estimate"].notna()].sort_values(["figure", "estimate"])
    need(frame, why="no species has a shrinkage of its own yet to draw.")
    frame = frame.assign(figure=frame["figure"].str.split().str[0])
    frame["the table's"] = frame["table"]
    frame["label"] = each(frame, "{species}, {figure} (table {table:.1f} %)")
    inside = int(frame["table"].between(frame["ci_lower"], frame["ci_upper"]).sum())
    return interval_chart(
        frame, title="Shrinkage, green to oven-dry [%]", reference="the table's", in_order=True,
        says=f"{inside} of {len(frame)} tabled shrinkages lie in our intervals",
    )  # fmt: skip


def movement_course(course: pd.DataFrame, mean_course: pd.DataFrame) -> Any:
    """Share of the movement done, against days and against moisture.

    Parameters
    ----------
    course, mean_course : DataFrame
        Of a movement study; `share` is a part of 1.

    Returns
    -------
    ConcatChart: share [%] against days since turning, and against moisture [%].

    Examples
    --------
    >>> course = pd.DataFrame({"piece": "A1", "species": "white ash", "days": [0, 45, 200],
    ...                        "moisture_pct": [60.0, 20.0, 9.0], "share": [0.0, 0.4, 0.95]})
    >>> mean = pd.DataFrame({"days": [30, 60], "share": [0.27, 0.45], "ci_lower": 0.2,
    ...                      "ci_upper": 0.5})
    >>> movement_course(course, mean).description
    '45 % of the movement done by day 60. 1 piece. Mean: day 30: 27 %, day 60: 45 %.'
    """
    need(course, "piece", "days", "moisture_pct", "share")
    known = course[course["share"].notna()]
    need(
        known,
        why="no rim tells a share of the movement yet. See the column `reason` of the course.",
    )
    means = mean_course[mean_course["share"].notna()]
    y = partial(upward, title="Share of the movement done", format="%")
    days = across("days:Q", DAYS)
    moist = across("moisture_pct:Q", [MOISTURE, "(drying runs to the left)"],
                   scale={"zero": False, "padding": 10})  # fmt: skip
    each = drawing(known).mark_point(size=22, opacity=0.5, color=COLOURS[4])
    each = each.encode(y=y("share:Q"), tooltip=["piece:N", "species:N", "days:Q", "share:Q"])
    mean = drawing(means).encode(x=days)
    layers = {
        "Against time": [
            band(mean, y, "ci_lower:Q", "ci_upper:Q", shade=0.35),
            each.encode(x=days),
            mean.mark_line(color=COLOURS[0], strokeWidth=3).encode(y=y("share:Q")),
        ],
        "Against moisture": [each.encode(x=moist)],
    }
    told = ", ".join(f"day {r.days}: {100 * r.share:.0f} %" for r in means.itertuples())
    says = "No mean course of the movement yet"
    if len(means):
        last = means.iloc[-1]
        says = f"{100 * last['share']:.0f} % of the movement done by day {last['days']:.0f}"
    return themed(
        panels(layers, height=210), says=says,
        sub="Share of the movement done [%]; a dot a rim, the line their mean with its 95 % "
        "interval.",
        alt=f"{words.tally(known['piece'].nunique())}. Mean: {told or 'not known'}.",
    )  # fmt: skip
