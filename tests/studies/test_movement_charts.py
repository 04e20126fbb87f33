"""The charts of movement: what is drawn, in what words it is told, what is refused."""

import numpy as np
import pandas as pd
import pytest

import woodlab as wl
from woodlab.charts.saving import chart_svg
from woodlab.studies.movement.bowl_shape import Bowl, dried_bowl
from woodlab.studies.movement.walls import wall_window

DRY = dried_bowl(Bowl(280, 110, 22, 105, "pith", 10), 3.5, 7.3)


def rows(**more):
    """Two measured rims, one of them before the other, of one piece."""
    frame = pd.DataFrame(
        {
            "piece": "A1", "species": "sugar maple", "days": [0.0, 200.0],
            "across_shrink_pct": [0.0, 6.0], "rise_change_mm": [0.0, 5.0],
            "expected_across_pct": [0.0, 5.5], "expected_across_lower_pct": [0.0, 4.0],
            "expected_across_upper_pct": [0.0, 7.0], "expected_rise_mm": [0.0, 5.2],
            "expected_rise_lower_mm": [0.0, 3.7], "expected_rise_upper_mm": [0.0, 6.7],
        }
    )  # fmt: skip
    return frame.assign(**more)


def drawn(chart):
    """The chart really draws with the converter, and says in words what it shows."""
    assert "<svg" in chart_svg(chart)
    return chart.to_dict()["description"]


def test_rim_from_above_keeps_both_axes_alike_and_says_the_widths():
    outline = pd.concat(
        [
            DRY.outline().assign(scale="true to scale"),
            DRY.outline(exaggerate=5).assign(scale="movement 5 times"),
        ]
    )
    chart = wl.charts.rim_from_above(outline)
    assert f"true to scale, dried: {DRY.rim.across_mm:.1f} mm across" in drawn(chart)
    for panel in chart.to_dict()["concat"]:
        assert panel["width"] == panel["height"]
        domains = [panel["layer"][0]["encoding"][axis]["scale"]["domain"] for axis in "xy"]
        assert domains[0] == domains[1]
    titles = [panel["title"]["text"] for panel in chart.to_dict()["concat"]]
    assert titles == ["true to scale", "movement 5 times"]


def test_section_is_drawn_with_equal_scales():
    chart = wl.charts.bowl_section(DRY.section())
    assert "across the grain, dried" in drawn(chart)
    for panel in chart.to_dict()["concat"]:
        (left, right), (low, top) = (
            panel["layer"][0]["encoding"][axis]["scale"]["domain"] for axis in ("x", "y")
        )
        assert panel["width"] / (right - left) == pytest.approx(panel["height"] / (top - low))


def test_measured_and_expected_leaves_out_the_turning_and_says_so():
    alt = drawn(wl.charts.measured_and_expected(rows()))
    assert "of 1 piece, 1 rim, of sugar maple" in alt
    assert "Not drawn: 1 rim" in alt
    with pytest.raises(wl.WoodlabError, match="no rim has both"):
        wl.charts.measured_and_expected(rows(expected_across_pct=np.nan))


def test_estimates_stand_beside_the_table():
    estimates = pd.DataFrame(
        {
            "species": "sugar maple", "figure": ["radial shrinkage", "tangential shrinkage"],
            "table": [4.8, 9.9], "estimate": [5.0, np.nan], "ci_lower": [4.0, np.nan],
            "ci_upper": [6.0, np.nan],
        }
    )  # fmt: skip
    alt = drawn(wl.charts.shrinkage_estimates(estimates))
    assert "sugar maple, radial (table 4.8 %): 5 (4 to 6)" in alt
    with pytest.raises(wl.WoodlabError, match="no species has a shrinkage"):
        wl.charts.shrinkage_estimates(estimates.assign(table=np.nan, estimate=np.nan))


def test_course_names_its_means():
    course = pd.DataFrame(
        {"piece": ["A", "B"], "species": "oak", "days": [60.0, 90.0], "moisture_pct": [20.0, 16.0],
         "share": [0.5, 0.8]}
    )  # fmt: skip
    means = pd.DataFrame(
        {"days": [30, 60], "share": [0.3, 0.6], "ci_lower": [0.2, 0.5], "ci_upper": [0.4, 0.7]}
    )
    assert "Mean: day 30: 30 %, day 60: 60 %" in drawn(wl.charts.movement_course(course, means))
    with pytest.raises(wl.WoodlabError, match="no rim tells a share"):
        wl.charts.movement_course(course.assign(share=np.nan), means)


def test_window_tells_both_sides_and_what_is_missing():
    thickest = pd.DataFrame(
        [["sugar maple", "wax", 30.0, np.nan, 40.0, ""]],
        columns=["species", "seal", "wall_mm", "ci_lower", "ci_upper", "reason"],
    )
    frame = wall_window(["sugar maple", "teak"], [200, 300], thickest=thickest)
    alt = drawn(wl.charts.wall_window_chart(frame))
    thin = np.ceil(frame["thinnest_mm"].iloc[0])  # rounded up, as in the title
    assert f"finished 200 mm: leave {thin:.0f} mm or more, wax at most 30 mm" in alt
    assert "Not computed: teak" in alt
    alone = drawn(wl.charts.wall_window_chart(wall_window(["sugar maple"], [200, 300])))
    assert "no crack study" in alone
    with pytest.raises(wl.WoodlabError, match="does not know 'teak'"):
        wl.charts.wall_window_chart(wall_window(["teak"], [200]))


def test_charts_say_which_columns_they_need():
    with pytest.raises(wl.WoodlabError, match="missing: scale"):
        wl.charts.rim_from_above(DRY.outline())
