"""Charts of records and curves: what is drawn is what was given; too little is said in words."""

import numpy as np
import pandas as pd
import pytest

import woodlab as wl
from woodlab.charts import drying, intervals, records, saving
from woodlab.errors import WoodlabError

DAYS = np.arange(0.0, 100, 10)
PIECES = pd.DataFrame(
    {"piece": ["A1", "A2"], "species": ["ash", "oak"], "seal": ["none", "wax all over"]}
)
WEIGHED = pd.concat(
    pd.DataFrame(
        {"piece": piece, "days": DAYS,
         "on": pd.Timestamp("2026-03-01") + pd.to_timedelta(DAYS, "D"),
         "mass_g": 1000 + 500 * np.exp(-DAYS / tau)}
    )
    for piece, tau in (("A1", 20), ("A2", 60))
).reset_index(drop=True)  # fmt: skip
PREDICTED = WEIGHED.assign(
    ci_lower_mass_g=WEIGHED["mass_g"] - 5, ci_upper_mass_g=WEIGHED["mass_g"] + 5,
    pi_lower_mass_g=WEIGHED["mass_g"] - 20, pi_upper_mass_g=WEIGHED["mass_g"] + 20,
)  # fmt: skip
AIR = pd.DataFrame(
    {"on": pd.date_range("2026-03-01", periods=30), "temp_c": 12.0, "rh_pct": 70.0,
     "place": ["shed"] * 15 + ["cellar"] * 15}
)  # fmt: skip


def marks(chart):
    return saving.chart_svg(chart).count('aria-roledescription="point"')


def test_every_weighing_is_drawn_and_a_doubted_one_ringed():
    doubts = pd.DataFrame(
        {"table": ["weighings", "pieces"], "row": [3, 2], "piece": ["A1", "A1"],
         "column": ["mass_g", "wall_mm"], "value": [str(WEIGHED["mass_g"][1]), "3"],
         "doubt": ["odd", "odd"]}
    )  # fmt: skip
    plain = records.weighings_overview(WEIGHED, PIECES)
    ringed = records.weighings_overview(WEIGHED, PIECES, doubts)
    assert marks(plain) == 20
    assert marks(ringed) == 21
    assert "20 weighings" in plain.description
    assert "1 of them" in ringed.description


def test_the_doubts_that_a_book_finds_are_ringed():
    # in grams made of pounds, which no short number equals
    weighings = WEIGHED[["piece", "on", "mass_g"]].assign(mass_g=WEIGHED["mass_g"] * 0.45359237)
    weighings.loc[1, "mass_g"] *= 10
    pieces = PIECES.assign(turned_on=weighings["on"].min(), wall_mm=25.0)
    book = wl.RecordBook.from_frames(pieces=pieces, weighings=weighings)
    doubted = book.doubts[book.doubts["table"] == "weighings"]
    assert len(doubted) == 2  # up, and down again
    drawn = records.weighings_overview(book.weighings, book.pieces, book.doubts)
    assert "2 of them" in drawn.description


def test_a_doubt_rings_the_weighing_it_names_and_no_other_of_the_same_mass():
    frame = pd.DataFrame({"piece": "A1", "on": WEIGHED["on"][:5], "mass_g": [900, 95, 890, 95, 95]})
    doubts = pd.DataFrame(
        {"table": "weighings", "piece": "A1", "column": "mass_g", "doubt": "odd",
         "value": ["900 then 95", "3 weights"]}  # the second is about copied rows: no mass
    )  # fmt: skip
    assert "1 of them is ringed" in records.weighings_overview(frame, PIECES, doubts).description


def test_curves_draw_bands_lines_and_weighings():
    chart = drying.drying_curves(PREDICTED, WEIGHED)
    svg = saving.chart_svg(chart)
    assert marks(chart) == 20
    assert svg.count('aria-roledescription="area mark"') == 4  # two bands, two pieces
    assert svg.count('aria-roledescription="line mark"') == 2
    assert "A2 from 1500 to 1112 g in 90 days" in chart.description  # 1000 + 500 exp(-1.5)


def test_curves_against_dates_without_bands_or_weighings():
    bare = PREDICTED[["piece", "on", "mass_g"]]
    chart = drying.drying_curves(bare)
    assert "area mark" not in saving.chart_svg(chart)
    assert "band" not in chart.description


def test_pieces_follow_in_the_order_given():
    turned = PREDICTED.iloc[::-1]
    svg = saving.chart_svg(drying.drying_curves(turned))
    assert svg.index(">A2<") < svg.index(">A1<")


@pytest.mark.parametrize("columns", [["temp_c"], ["temp_c", "rh_pct"]])
def test_air_is_drawn_in_as_many_panels_as_were_measured(columns):
    air = AIR[["on", "place", *columns]]
    svg = saving.chart_svg(records.season_air(air))
    assert svg.count("Temperature [°C]<") == 1
    assert svg.count("Relative humidity [%]<") == len(columns) - 1
    assert ">cellar<" in svg


def test_residuals_are_a_point_a_weighing():
    assert marks(drying.residuals(WEIGHED.assign(residual_g=np.linspace(-4, 4, 20)))) == 20


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: records.weighings_overview(WEIGHED.iloc[:0], PIECES), "no weighings"),
        (lambda: records.season_air(AIR.iloc[:0]), "no air"),
        (lambda: drying.drying_curves(PREDICTED, quantity="moisture_pct"), "no curve"),
        (lambda: drying.drying_curves(PREDICTED, quantity="colour"), "quantity is one of"),
        (lambda: drying.residuals(WEIGHED), "no residuals"),
        (lambda: intervals.interval_chart(PIECES, title="x"), "missing: label, estimate"),
    ],
)
def test_too_little_is_said_in_words(call, words):
    with pytest.raises(WoodlabError, match=words):
        call()


def test_an_interval_chart_draws_each_row_with_its_ends():
    frame = pd.DataFrame(
        {"label": ["wax", "paint"], "estimate": [3.1, np.nan], "ci_lower": [2.6, 0.5],
         "ci_upper": [3.7, 1.9], "text": ["3.1 (2.6 to 3.7)", "not known"]}
    )  # fmt: skip
    chart = intervals.interval_chart(frame, title="Time [ratio]", reference=1, log=True)
    svg = saving.chart_svg(chart)
    assert marks(chart) == 1  # no mark for the row that has no estimate
    assert "wax: 3.1 (2.6 to 3.7)" in svg
    assert "wax: 3.1 (2.6 to 3.7); paint: not known (0.5 to 1.9)" in chart.description


def test_inputs_are_left_as_they_were():
    before = WEIGHED.copy(), PIECES.copy(), PREDICTED.copy()
    records.weighings_overview(WEIGHED, PIECES)
    drying.drying_curves(PREDICTED, WEIGHED)
    for frame, copy in zip((WEIGHED, PIECES, PREDICTED), before, strict=True):
        pd.testing.assert_frame_equal(frame, copy)
