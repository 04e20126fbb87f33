"""Rims of known movement: does the study find the shrinkages, their intervals, the course?"""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

import woodlab as wl
from woodlab.studies.movement import movement
from woodlab.studies.movement.movement import _one_estimate
from woodlab.studies.movement.rim_rows import mean_course, median_day
from woodlab.studies.movement.walls import wall_sentences

TURNED = pd.Timestamp("2025-03-01")
GREEN_TO_DRY = {"sugar maple": (4.8, 9.9), "black walnut": (5.5, 7.8)}  # Table 4-3


class KnownMoisture:
    """Stands in for drying fits: the moisture of every piece is known, with a given interval."""

    def __init__(self, book, moisture_at_days, half_width=0.0, status="ok", n_used=5):
        self.book, self.moisture = book, moisture_at_days
        self.as_of = pd.Timestamp("2026-03-01")
        # draws whose 2.5 and 97.5 % quantiles are just the half-width away
        self.off = np.linspace(-1, 1, 41) * half_width / 0.95
        self.pieces = pd.DataFrame(
            {"piece": book.pieces["piece"], "status": status, "n_used": n_used}
        )

    def numbers(self, pieces):
        return np.arange(len(pieces))

    def moisture_draws(self, days, pick):
        assert days.shape[0] == len(pick)
        middle = np.vectorize(self.moisture)(np.round(days - 0.5))
        return middle[:, None, :] + self.off[None, :, None]


@pytest.fixture(autouse=True)
def rests_at_12(monkeypatch):
    monkeypatch.setattr(movement, "resting_pct", lambda fits: 12.0)


def study_of(book, moisture, half_width=0.0, **more):
    return movement.movement_study(KnownMoisture(book, moisture, half_width, **more))


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
    study = study_of(book_of([1.1] * 4), falling)
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
    study = study_of(book_of([1.0, 1.0]), falling)
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
    study = study_of(both, falling, half_width=1.0)
    assert figures(study).loc["tangential shrinkage", "estimate"] == pytest.approx(1.3 * 9.9)
    found = figures(study, "black walnut").loc["tangential shrinkage"]
    assert found["estimate"] == pytest.approx(7.8)
    across = study.estimates[study.estimates["family"] == "woods, movement"].set_index("species")
    assert across["certainty"].to_dict() == {"black walnut": "open", "sugar maple": "clear"}
    # Holm over two woods: the smaller p doubled
    assert across.loc["sugar maple", "p_holm"] == 2 * across.loc["sugar maple", "p_value"]
    assert study.estimates["certainty"].isin(["", "clear", "open"]).all()
    assert "rims of sugar maple moved more than the tables say" in study.summary()
    assert "black walnut showed no clear departure" in study.summary()
    # only the wood that departs lends its own shrinkage to the wall
    assert study.own_totals("Sugar maple") == pytest.approx((1.3 * 4.8, 1.3 * 9.9))
    assert study.own_totals("black walnut") is None
    own = wl.rough_wall("sugar maple", 250, 100, 8, learnt=study)
    assert own.wall_mm > wl.rough_wall("sugar maple", 250, 100, 8).wall_mm
    assert "Your own rims of sugar maple: radial 6.2 %" in " ".join(own.sentences)


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
        row = _one_estimate(rows, "radial_pct")
        held += row["ci_lower"] <= 8.0 <= row["ci_upper"]
    low, high = binom.ppf([0.0013, 0.9987], draws, 0.95)
    assert low <= held <= high


def test_noisy_rims_stay_within_their_interval_and_moisture_widens_it():
    book = book_of([0.9, 1.0, 1.1, 0.95, 1.05, 1.0], noise_mm=0.4, seed=7)
    sure = figures(study_of(book, falling))
    unsure = figures(study_of(book, falling, half_width=3.0))
    for part, table in (("radial", 4.8), ("tangential", 9.9)):
        row, wide = (frame.loc[f"{part} shrinkage"] for frame in (sure, unsure))
        assert row["ci_lower"] < table < row["ci_upper"]
        assert row["estimate"] == wide["estimate"]
        spread = (row["ci_upper"] - row["ci_lower"]) / 2
        shared = np.sqrt(((wide["ci_upper"] - wide["ci_lower"]) / 2) ** 2 - spread**2)
        # by hand: at about 8.5 % moisture, 3 points are about 3/21.5 = 14 % of the shrinkage
        assert shared / row["estimate"] == pytest.approx(0.14, abs=0.03)


def test_course_is_the_share_of_the_moisture_fallen_below_fibre_saturation():
    study = study_of(book_of([1.0] * 6), falling)
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
    study = study_of(book_of([1.0] * 7, days=(0, 40, 70)), falling)
    settled = study.settled.iloc[0]
    assert settled["n_not_yet"] == settled["n_pieces"] == 7
    assert np.isnan(settled["days"])
    assert settled["ci_lower"] == 70
    assert np.isinf(settled["ci_upper"])
    assert "not seen yet" in " ".join(study.sentences)


def test_one_piece_is_told_without_a_range():
    study = study_of(book_of([1.0], days=(0, 40, 70, 400)), falling)
    told = " ".join(study.sentences)
    assert "(1 piece, 0 of them not yet there)" in told
    assert "nan" not in told
    assert "1 pieces" not in told


def test_median_limits_are_the_order_statistics():
    # nine pieces: the 2nd and 8th of nine hold the median with 1 - 2 x 10/512 = 96.1 %
    spans = pd.DataFrame({"early": range(9), "middle": np.arange(9) + 0.5, "late": range(1, 10)})
    days, low, high, n, not_yet, reason = median_day(spans, "")
    assert (days, low, high, n, not_yet, reason) == (4.5, 1, 8, 9, 0, "")
    few = median_day(spans.head(5), "")  # 2/32 is more than 5 %
    assert np.isnan(few[1])
    assert "too few pieces" in few[5]


def test_mean_course_does_not_reach_beyond_what_was_measured():
    course = pd.DataFrame(
        {"piece": ["A", "A", "B"], "days": [60.0, 120.0, 60.0], "share": [0.5, 1.0, 0.7]}
    )
    means = mean_course(course).set_index("days")
    assert means.loc[60, "share"] == pytest.approx(0.6)
    assert means.loc[90, ["share", "n_pieces"]].tolist() == [0.75, 1]
    assert np.isnan(means.loc[90, "ci_lower"])
    assert np.isnan(means.loc[150, "share"])


def test_a_curve_that_is_not_good_is_said():
    rough = study_of(book_of([1.0] * 3), falling, status="failed checks")
    assert (rough.measured["moisture_from"] == "drying curve (fit: failed checks)").all()
    assert "For 15 of 15 rims the moisture does not come from a good curve" in rough.summary()
    group = study_of(book_of([1.0] * 3), falling, n_used=0)
    assert group.measured["moisture_from"].str.startswith("its group's drying curve").all()


def test_p_is_that_of_a_t_test_against_the_table():
    from scipy.stats import ttest_1samp

    study = study_of(book_of([0.9, 1.0, 1.12, 1.05, 1.2]), falling)
    dry = study.measured.groupby("piece").last()
    ratio = dry["across_shrink_pct"] / dry["expected_across_pct"]
    row = figures(study).loc[movement.ACROSS]
    assert row["p_value"] == pytest.approx(ttest_1samp(ratio, 1.0).pvalue, rel=1e-9)


def finished(**more):
    book = book_of([1.0] * 4, days=(0, 330))
    pieces = book.pieces.assign(
        outcome=["finished", "finished", "finished", "scrapped"],
        ended_on=pd.Timestamp("2026-01-25"), finished_wall_mm=[8.0, 8.0, 27.0, None], **more,
    )  # fmt: skip
    return wl.RecordBook.from_frames(**(book.tables() | {"pieces": pieces}))


def test_one_finished_wall_is_one_length_and_not_a_span():
    walls = pd.DataFrame(
        {"outcome": ["finished"], "finished_wall_mm": [9.0], "wall_mm": [32.0], "expected": [""]}
    )
    said = (
        "One bowl was finished with a wall of 9 mm, from a rough wall of 32 mm: there it sufficed."
    )
    assert wall_sentences(walls) == [said]
    unknown = wall_sentences(walls.assign(wall_mm=float("nan")))
    assert "nan" not in unknown[0]


def test_finished_walls_say_whether_the_rough_ones_sufficed():
    study = study_of(finished(), falling)
    walls = study.walls.set_index("piece")
    assert walls["expected"].tolist() == ["enough", "enough", "not enough", ""]
    assert walls.loc["P0", "moisture_pct"] == pytest.approx(falling(330), abs=0.01)
    assert (walls["left_lower_mm"] < walls["left_mm"]).all()
    # by another route: a wall that the dried bowl just holds needs this rough wall back
    back = wl.dried_bowl(
        wl.Bowl(280.0, 100.0, 28.0, 112.0, "pith", 12.0),
        *(float(wl.shrinkage("sugar maple", falling(330)).frame.iloc[0][f"{part}_pct"])
          for part in ("radial", "tangential", "longitudinal")),
    )  # fmt: skip
    assert walls.loc["P0", "left_mm"] == pytest.approx(back.round_wall_mm(), abs=1e-3)
    text = study.summary()
    assert "Three bowls were finished with a wall of 8 to 27 mm" in text
    assert "for two it had expected that" in text
    answer = wl.rough_wall("sugar maple", 250, 100, 8, learnt=study)
    assert "the thinnest rough wall that sufficed was 28 mm" in " ".join(answer.sentences)


def test_a_makers_own_column_does_not_stand_in_the_way_of_ends():
    walls = study_of(finished(reason="gift", left_mm="two"), falling).walls
    assert walls["reason"].tolist() == ["", "", "", ""]


def test_ends_without_measures_are_rows_with_their_reason():
    book = finished(rim_mm=np.nan)
    walls = study_of(book, falling).walls
    assert (walls["reason"] == "rim_mm at turning was not noted").all()
    assert (walls["expected"] == "").all()


@pytest.mark.parametrize("missing", ["rim_faces", "pith_mm"])
def test_without_its_place_in_the_log_a_rim_has_bounds_only(missing):
    study = study_of(book_of([1.0] * 3, **{missing: None}), falling)
    late = study.measured[study.measured["days"] == 330]
    assert late["expected_across_pct"].isna().all()
    assert (late["expected_across_lower_pct"] < late["across_shrink_pct"]).all()
    assert (late["across_shrink_pct"] < late["expected_across_upper_pct"]).all()
    assert late["reason"].str.contains("only the bounds").all()
    assert "which are missing" in figures(study).loc["radial shrinkage", "reason"]
    assert any("No figure for sugar maple (needs rises" in text for text in study.sentences)


def test_a_pith_in_the_wood_is_named_and_not_reckoned_with():
    study = study_of(book_of([1.0] * 3, rim_faces="bark", pith_mm=60.0), falling)
    assert study.measured["reason"].str.contains("the pith lay in the wood").all()
    assert study.measured["expected_rise_mm"].isna().all()


def test_one_log_gives_a_figure_without_an_interval():
    found = figures(study_of(book_of([1.0]), falling))
    row = found.loc["tangential shrinkage"]
    assert row["estimate"] == pytest.approx(9.9)
    assert np.isnan(row["ci_lower"])
    assert "one log" in row["reason"]


def test_an_unknown_species_is_a_row_with_its_reason():
    book = book_of([1.0] * 3)
    pieces = book.pieces.assign(species="teak")
    teak = wl.RecordBook.from_frames(**(book.tables() | {"pieces": pieces}))
    study = study_of(teak, falling)
    assert study.measured["reason"].str.contains("does not know 'teak'").all()
    found = figures(study, "teak")
    assert found.loc["tangential shrinkage", "estimate"] == pytest.approx(9.9)  # its own rims
    assert np.isnan(found.loc["tangential shrinkage", "table"])
    assert "9.9" in study.card().rows[0]  # and no table figure behind it


def test_a_late_first_rim_is_held_against_the_table_of_pieces():
    study = study_of(book_of([1.0] * 2, days=(60, 330)), falling)
    assert study.measured["reason"].str.contains("counted from rim_mm at turning").all()
    assert figures(study).loc["tangential shrinkage", "estimate"] == pytest.approx(9.9)


def test_without_rims_the_result_says_so_and_nothing_is_altered():
    book = book_of([1.0] * 2)
    before = {name: frame.copy() for name, frame in book.tables().items()}
    study_of(book, falling)
    for name, frame in book.tables().items():
        pd.testing.assert_frame_equal(frame, before[name])
    bare = {name: frame for name, frame in book.tables().items() if name != "rims"}
    none = movement.movement_study(wl.RecordBook.from_frames(**bare))
    assert none.why.startswith("No rim was measured")
    assert "table rims" in none.summary()
    assert none.estimates.empty
    assert none.own_totals("sugar maple") is None
    with pytest.raises(wl.WoodlabError, match="movement_study needs a record book"):
        movement.movement_study("my_book.xlsx")
