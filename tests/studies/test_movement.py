"""Rims of known movement: does the study find the shrinkages, their intervals, the course?"""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

import woodlab as wl
from woodlab.studies.movement.movement import _one_estimate, movement_study
from woodlab.studies.movement.rim_course import _median, mean_course
from woodlab.studies.movement.rim_moisture import DRY_DAYS, equilibrium_pct

TURNED = pd.Timestamp("2025-03-01")
GREEN_TO_DRY = {"sugar maple": (4.8, 9.9), "black walnut": (5.5, 7.8)}  # Table 4-3


class KnownMoisture:
    """Stands in for drying fits: the moisture of every piece is known, with a given interval."""

    def __init__(self, moisture_at_days, half_width=0.0):
        self.moisture, self.half = moisture_at_days, half_width

    def predict(self, *, on, pieces):
        rows = [(piece, date) for piece in pieces for date in on]
        frame = pd.DataFrame(rows, columns=["piece", "on"])
        days = (frame["on"] - TURNED).dt.days
        frame["moisture_pct"] = [self.moisture(day) for day in days]
        frame["ci_lower_moisture_pct"] = frame["moisture_pct"] - self.half
        frame["ci_upper_moisture_pct"] = frame["moisture_pct"] + self.half
        return frame


def falling(days):
    """60 % at turning, 8 % in the end, a tenth part above it every 100 days."""
    return 8 + 52 * 10 ** (-days / 100)


def book_of(
    trees, days=(0, 60, 120, 200, 330), noise_mm=0.0, seed=0, species="sugar maple", **change
):
    """A book whose rims were carried through the map; `trees` shrink so many times the table."""
    rng = np.random.default_rng(seed)
    pieces, rims = [], []
    for i, factor in enumerate(trees):
        faces = "pith" if i % 2 == 0 else "bark"
        piece = {
            "piece": f"P{i}", "species": species, "turned_on": TURNED, "wall_mm": 28.0,
            "seal": "none", "log": f"L{i}", "rim_mm": 280.0 + 5 * i, "height_mm": 100.0,
            "rim_faces": faces, "pith_mm": 12.0 if faces == "pith" else 125.0,
        }  # fmt: skip
        pieces.append(piece | change)
        for day in days:
            moisture = min(falling(day), 30)
            shrunk = [total * factor * (1 - moisture / 30) for total in GREEN_TO_DRY[species]]
            rim = wl.dried_rim(piece["rim_mm"], piece["pith_mm"], faces, *shrunk)
            row = [rim.along_mm, rim.across_mm, rim.rise_mm] + rng.normal(0, noise_mm, 3)
            rims.append([piece["piece"], TURNED + pd.Timedelta(days=day), *row])
    weighings = pd.DataFrame(
        {"piece": [p["piece"] for p in pieces], "on": TURNED, "mass_g": 2000.0}
    )
    columns = ["piece", "on", "along_mm", "across_mm", "rise_mm"]
    return wl.RecordBook.from_frames(
        pieces=pd.DataFrame(pieces), weighings=weighings, rims=pd.DataFrame(rims, columns=columns)
    )


def figures(study, species="sugar maple"):
    return study.estimates[study.estimates["species"] == species].set_index("figure")


def test_clean_rims_give_back_the_shrinkage_they_were_made_with():
    study = movement_study(book_of([1.1] * 4), KnownMoisture(falling))
    found = figures(study)
    assert found.loc["radial shrinkage", "estimate"] == pytest.approx(1.1 * 4.8)
    assert found.loc["tangential shrinkage", "estimate"] == pytest.approx(1.1 * 9.9)
    assert found.loc["longitudinal shrinkage", "estimate"] == pytest.approx(0, abs=1e-9)
    assert found.loc["across the grain, measured/expected", "estimate"] == pytest.approx(
        1.1, abs=0.01
    )
    assert found.loc["rise, measured/expected", "estimate"] == pytest.approx(1.1, abs=0.02)
    assert found.loc["radial shrinkage", ["n_pieces", "n_logs"]].tolist() == [4, 4]


def test_expected_is_the_table_carried_through_the_map():
    study = movement_study(book_of([1.0, 1.0]), KnownMoisture(falling))
    late = study.measured[study.measured["days"] == 330]
    np.testing.assert_allclose(late["across_shrink_pct"], late["expected_across_pct"])
    np.testing.assert_allclose(late["rise_change_mm"], late["expected_rise_mm"])
    assert late["expected_rise_mm"].iloc[0] > 0 > late["expected_rise_mm"].iloc[1]
    for what in ("across", "rise"):
        unit = "pct" if what == "across" else "mm"
        middle, low, high = (
            late[f"expected_{what}{end}_{unit}"] for end in ("", "_lower", "_upper")
        )
        assert (low < middle).all()
        assert (middle < high).all()
    # 95 % of trees at a coefficient of variation of 15 %
    wide = late["expected_across_upper_pct"] / late["expected_across_pct"]
    np.testing.assert_allclose(wide, 1 + 1.96 * 0.15, atol=0.02)  # nearly linear


def test_species_are_kept_apart_and_compared_with_their_own_table():
    maple, walnut = book_of([1.3] * 5), book_of([1.0] * 5, species="black walnut")
    pieces = pd.concat([maple.pieces, walnut.pieces.assign(piece="W" + walnut.pieces["piece"])])
    rims = pd.concat([maple.rims, walnut.rims.assign(piece="W" + walnut.rims["piece"])])
    weighings = pd.DataFrame({"piece": pieces["piece"], "on": TURNED, "mass_g": 2000.0})
    both = wl.RecordBook.from_frames(pieces=pieces, weighings=weighings, rims=rims)
    study = movement_study(both, KnownMoisture(falling, half_width=1.0))
    assert figures(study).loc["tangential shrinkage", "estimate"] == pytest.approx(1.3 * 9.9)
    found = figures(study, "black walnut").loc["tangential shrinkage"]
    assert found["estimate"] == pytest.approx(7.8)
    assert found["table_inside"]
    assert not figures(study).loc["tangential shrinkage", "table_inside"]


def test_intervals_cover_the_mean_of_trees():
    # 300 draws of six logs of two pieces: logs differ by 12 %, pieces of one by 4 %. A 95 %
    # interval must hold the true mean in 95 %, give or take three binomial standard errors.
    rng = np.random.default_rng(4)
    draws, held = 300, 0
    log = np.repeat([f"L{i}" for i in range(6)], 2)
    for _ in range(draws):
        value = 8.0 * (1 + np.repeat(rng.normal(0, 0.12, 6), 2) + rng.normal(0, 0.04, 12))
        rows = pd.DataFrame(
            {"piece": [f"P{i}" for i in range(12)], "log": log, "radial_pct": value,
             "moisture_error_pct": 0.0}
        )  # fmt: skip
        row = _one_estimate(rows, "radial_pct", 0.95)
        held += row["ci_lower"] <= 8.0 <= row["ci_upper"]
    low, high = binom.ppf([0.0013, 0.9987], draws, 0.95)
    assert low <= held <= high


def test_noisy_rims_stay_within_their_interval_and_moisture_widens_it():
    book = book_of([0.9, 1.0, 1.1, 0.95, 1.05, 1.0], noise_mm=0.4, seed=7)
    sure = figures(movement_study(book, KnownMoisture(falling)))
    unsure = figures(movement_study(book, KnownMoisture(falling, half_width=3.0)))
    for part, table in (("radial", 4.8), ("tangential", 9.9)):
        row, wide = (frame.loc[f"{part} shrinkage"] for frame in (sure, unsure))
        assert row["ci_lower"] < table < row["ci_upper"]
        assert row["estimate"] == wide["estimate"]
        spread = (row["ci_upper"] - row["ci_lower"]) / 2
        shared = np.sqrt(((wide["ci_upper"] - wide["ci_lower"]) / 2) ** 2 - spread**2)
        # by hand: at about 8.5 % moisture, 3 points are about 3/21.5 = 14 % of the shrinkage
        assert shared / row["estimate"] == pytest.approx(0.14, abs=0.03)


def test_course_is_the_share_of_the_moisture_fallen_below_fibre_saturation():
    study = movement_study(book_of([1.0] * 6), KnownMoisture(falling))
    course = study.course
    by_hand = (30 - np.minimum(course["moisture_pct"], 30)) / (30 - study.end_moisture_pct)
    # the whole is counted to the assumed 12 %, or to the last rim where that is drier
    last = 30 - falling(330)
    np.testing.assert_allclose(
        course["share"], by_hand * (30 - study.end_moisture_pct) / last, atol=0.02
    )
    assert (course["share_lower"] < course["share"]).all()
    # by hand: nine tenths of the way from 30 to 8.03 % is 10.22 %, on day 137; read on a straight
    # line between the rims of day 120 and 200 somewhat later
    settled = study.settled.set_index("species").loc["all"]
    assert 120 < settled["days"] < 160
    assert (settled["ci_lower"], settled["ci_upper"]) == (120, 200)
    assert settled["n_not_yet"] == 0
    assert any("nine tenths of their movement by day" in text for text in study.sentences)


def test_pieces_not_there_yet_are_counted_as_such():
    study = movement_study(book_of([1.0] * 7, days=(0, 40, 70)), KnownMoisture(falling))
    settled = study.settled.iloc[0]
    assert settled["n_not_yet"] == settled["n_pieces"] == 7
    assert np.isnan(settled["days"])
    assert settled["ci_lower"] == 70
    assert np.isinf(settled["ci_upper"])
    assert "not seen yet" in " ".join(study.sentences)


def test_median_limits_are_the_order_statistics():
    # nine pieces: the 2nd and 8th of nine hold the median with 1 - 2 x 10/512 = 96.1 %
    spans = pd.DataFrame({"early": range(9), "middle": np.arange(9) + 0.5, "late": range(1, 10)})
    _, days, low, high, n, not_yet, reason = _median("all", spans, 0.95, 9)
    assert (days, low, high, n, not_yet, reason) == (4.5, 1, 8, 9, 0, "")
    few = _median("all", spans.head(5), 0.95, 5)  # 2/32 is more than 5 %
    assert np.isnan(few[2])
    assert "too few pieces" in few[6]


def test_mean_course_does_not_reach_beyond_what_was_measured():
    course = pd.DataFrame(
        {"piece": ["A", "A", "B"], "days": [60.0, 120.0, 60.0], "share": [0.5, 1.0, 0.7]}
    )
    means = mean_course(course, 0.95).set_index("days")
    assert means.loc[60, "share"] == pytest.approx(0.6)
    assert means.loc[90, ["share", "n_pieces"]].tolist() == [0.75, 1]
    assert np.isnan(means.loc[90, "ci_lower"])
    assert np.isnan(means.loc[150, "share"])


def test_without_curves_moisture_is_assumed_and_said():
    class NoFits:
        def predict(self, *, on, pieces):
            columns = ["piece", "on", "moisture_pct"]
            return pd.DataFrame(columns=columns).astype({"on": "datetime64[us]"})

    study = movement_study(book_of([1.0] * 3), NoFits())
    by_day = study.measured.drop_duplicates("days").set_index("days")
    assert by_day.loc[0, "moisture_from"] == "assumed green at turning"
    assert by_day.loc[330, "moisture_pct"] == 12
    assert by_day.loc[330, "moisture_from"].startswith(
        f"assumed as dry as the air after {DRY_DAYS}"
    )
    assert "no air logged: 12 % assumed" in by_day.loc[330, "moisture_from"]
    assert np.isnan(by_day.loc[60, "moisture_pct"])
    assert "not known: no drying curve" in by_day.loc[60, "reason"]
    text = " ".join(study.sentences)
    assert "For 6 of 15 rims the moisture was assumed" in text
    assert "For 9 of 15 rims the moisture is not known" in text


def test_end_moisture_comes_from_the_air():
    book = book_of([1.0])
    air = pd.DataFrame({"on": pd.date_range(TURNED, periods=50), "temp_c": 20.0, "rh_pct": 65.0})
    with_air = wl.RecordBook.from_frames(**(book.tables() | {"air": air}))
    pct, words = equilibrium_pct(with_air)
    assert pct == pytest.approx(wl.equilibrium_moisture(20, 65))
    assert words == "mean of the logged air"


@pytest.mark.parametrize("missing", ["rim_faces", "pith_mm"])
def test_without_its_place_in_the_log_a_rim_has_bounds_only(missing):
    study = movement_study(book_of([1.0] * 3, **{missing: None}), KnownMoisture(falling))
    late = study.measured[study.measured["days"] == 330]
    assert late["expected_across_pct"].isna().all()
    assert (late["expected_across_lower_pct"] < late["across_shrink_pct"]).all()
    assert (late["across_shrink_pct"] < late["expected_across_upper_pct"]).all()
    assert late["reason"].str.contains("only the bounds").all()
    assert "which are missing" in figures(study).loc["radial shrinkage", "reason"]
    assert any("cannot be told yet" in text for text in study.sentences)


def test_a_pith_in_the_wood_is_named_and_not_reckoned_with():
    study = movement_study(
        book_of([1.0] * 3, rim_faces="bark", pith_mm=60.0), KnownMoisture(falling)
    )
    assert study.measured["reason"].str.contains("the pith lay in the wood").all()
    assert study.measured["expected_rise_mm"].isna().all()


def test_one_log_gives_a_figure_without_an_interval():
    found = figures(movement_study(book_of([1.0]), KnownMoisture(falling)))
    row = found.loc["tangential shrinkage"]
    assert row["estimate"] == pytest.approx(9.9)
    assert np.isnan(row["ci_lower"])
    assert "one log" in row["reason"]


def test_an_unknown_species_is_a_row_with_its_reason():
    book = book_of([1.0] * 3)
    pieces = book.pieces.assign(species="teak")
    teak = wl.RecordBook.from_frames(**(book.tables() | {"pieces": pieces}))
    study = movement_study(teak, KnownMoisture(falling))
    assert study.measured["reason"].str.contains("does not know 'teak'").all()
    found = figures(study, "teak")
    assert found.loc["tangential shrinkage", "estimate"] == pytest.approx(9.9)  # its own rims
    assert np.isnan(found.loc["tangential shrinkage", "table"])
    assert "the table has no figure" in " ".join(study.sentences)


def test_a_late_first_rim_is_held_against_the_table_of_pieces():
    study = movement_study(book_of([1.0] * 2, days=(60, 330)), KnownMoisture(falling))
    assert study.measured["reason"].str.contains("counted from rim_mm at turning").all()
    assert figures(study).loc["tangential shrinkage", "estimate"] == pytest.approx(9.9)


def test_without_rims_it_says_what_is_needed_and_nothing_is_altered():
    book = book_of([1.0] * 2)
    before = {name: frame.copy() for name, frame in book.tables().items()}
    movement_study(book, KnownMoisture(falling))
    for name, frame in book.tables().items():
        pd.testing.assert_frame_equal(frame, before[name])
    bare = {name: frame for name, frame in book.tables().items() if name != "rims"}
    with pytest.raises(wl.MissingTableError, match="'rims' is needed to see how the rims moved"):
        movement_study(wl.RecordBook.from_frames(**bare))
    with pytest.raises(wl.WoodlabError, match="level must be between"):
        movement_study(book, level=95)


def test_window_covers_the_species_that_were_measured():
    study = movement_study(book_of([1.0] * 2), KnownMoisture(falling))
    frame = study.window([200.0, 300.0])
    assert frame["species"].unique().tolist() == ["sugar maple"]
    assert frame["rim_mm"].tolist() == [200, 300]
