"""`seal_study` on a small season of known truth, and its words."""

import numpy as np
import pandas as pd
import pytest

import woodlab as wl
from woodlab.drying.simulate import Schedule, simulate_season
from woodlab.drying.weather import invented_air
from woodlab.errors import MissingTableError, WoodlabError
from woodlab.studies.confounding import comparable
from woodlab.studies.seal_effects import EFFECT_COLUMNS
from woodlab.studies.seal_words import sentences


@pytest.fixture(scope="module")
def season():
    rng = np.random.default_rng(3)
    rows = [
        {
            "piece": f"{log}{seal[0]}{seal[-1]}", "species": "sugar maple", "log": log,
            "turned_on": pd.Timestamp("2026-01-20"), "wall_mm": float(rng.integers(20, 34)),
            "seal": seal, "rim_mm": 240.0, "allotted": "random",
        }
        for log in "ABCDE"
        for seal in ("none", "wax all over")
    ]  # fmt: skip
    rows.append(rows[0] | {"piece": "X", "seal": "wax on end grain"})
    air = invented_air("2026-01-01", 260, seed=8)
    schedule = Schedule(weigh_every=14, weigh_until=84, weigh_later=28, look_every=10)
    return simulate_season(pd.DataFrame(rows), air, seed=9, schedule=schedule)


@pytest.fixture(scope="module")
def study(season):
    return wl.seal_study(season.book)


def row(study, outcome, seal="wax all over"):
    rows = study.effects[(study.effects["outcome"] == outcome) & (study.effects["seal"] == seal)]
    assert len(rows) == 1
    return rows.iloc[0]


def test_effects_have_the_columns_of_the_contract(study):
    assert list(study.effects.columns) == EFFECT_COLUMNS
    assert EFFECT_COLUMNS[:10] == [
        "outcome", "seal", "reference", "ratio", "ci_lower", "ci_upper", "p_value", "n_pieces",
        "n_logs", "method",
    ]  # fmt: skip
    assert set(study.effects["outcome"]) == {
        "drying_time", "surface_coefficient", "core_to_surface", "crack_hazard",
    }  # fmt: skip


def test_the_true_surface_coefficient_is_found_again(season, study):
    got = row(study, "surface_coefficient")
    # the pieces' own true coefficients, which scatter by a tenth about those of their seals
    ln = np.log(season.truth["surface_m_s"]).groupby(season.truth["seal"]).mean()
    true = np.exp(ln["wax all over"] - ln["none"])
    assert got["ci_lower"] <= true <= got["ci_upper"]
    assert abs(np.log(got["ratio"] / true)) < 0.15
    assert (got["n_pieces"], got["n_logs"]) == (10, 5)


def test_sealing_slows_drying_and_evens_the_wall(study):
    """A fact of the trade; common practice, no source."""
    assert row(study, "drying_time")["ci_lower"] > 1
    assert row(study, "core_to_surface")["ci_upper"] < 1


def test_the_days_to_the_target_are_those_of_the_true_course(season, study):
    ready = season.ready_on(study.target_moisture_pct)
    turned = season.book.pieces.set_index("piece")["turned_on"]
    true = (ready - turned).dt.days
    got = study.pieces.set_index("piece")["drying_days"]
    both = got.notna() & true.notna()
    assert both.sum() >= 8
    assert (np.abs(got[both] / true[both] - 1) < 0.08).all()


def test_one_piece_is_refused_with_words(study):
    for outcome in ("drying_time", "surface_coefficient", "core_to_surface", "crack_hazard"):
        got = row(study, outcome, "wax on end grain")
        assert np.isnan(got["ratio"])
        assert "one piece under 'wax on end grain'" in got["reason"]


def test_the_lot_is_tested_too(study):
    assert row(study, "drying_time")["p_randomisation"] == pytest.approx(2 / 2**5)


def test_sentences_carry_their_interval_and_number_of_pieces(study):
    first = next(s for s in study.sentences if s.startswith("Pieces under wax all over took"))
    got = row(study, "drying_time")
    for value in (got["ratio"], got["ci_lower"], got["ci_upper"]):
        assert f"{value:.1f}" in first
    assert "10 pieces from 5 logs" in first
    assert any("What would settle wax on end grain and none" in s for s in study.sentences)
    assert any("Cracked wood" in s for s in study.cautions)


def test_nothing_is_altered_and_the_same_seed_gives_the_same(season, study):
    before = season.book.pieces.copy()
    again = wl.seal_study(season.book)
    pd.testing.assert_frame_equal(again.effects, study.effects)
    pd.testing.assert_frame_equal(season.book.pieces, before)


def test_requests_that_cannot_be_met_say_what_to_type(season):
    with pytest.raises(WoodlabError, match="'oil'.*The book has: none, wax all over"):
        wl.seal_study(season.book, reference="oil")
    with pytest.raises(WoodlabError, match="target_moisture_pct = 99"):
        wl.seal_study(season.book, target_moisture_pct=99)
    pieces = season.book.pieces.assign(seal="none")
    bare = wl.RecordBook.from_frames(pieces=pieces, weighings=season.book.weighings)
    with pytest.raises(WoodlabError, match="nothing to compare"):
        wl.seal_study(bare)
    empty = wl.RecordBook.from_frames(
        pieces=season.book.pieces, weighings=season.book.weighings.iloc[:0]
    )
    with pytest.raises(MissingTableError, match="weighings"):
        wl.seal_study(empty)


def test_without_looks_the_row_says_so(season):
    book = wl.RecordBook.from_frames(
        pieces=season.book.pieces, weighings=season.book.weighings, air=season.book.air
    )
    study = wl.seal_study(book)
    assert "no looks" in row(study, "crack_hazard")["reason"]


def test_charts_say_what_they_show(study):
    made = [
        wl.charts.curves_by_seal(study.course, study.typical, target_moisture_pct=16.0),
        wl.charts.seal_ratios(study.effects),
        wl.charts.days_against_cracks(study.by_seal),
        wl.charts.pairs_by_log(study.pairs),
    ]
    words = [chart.description for chart in made]
    assert "16 %" in words[0]
    assert f"{row(study, 'drying_time')['ratio']:.2g}" in words[1]
    assert "days" in words[2]
    assert "5 logs" in words[3]


def test_a_few_weighings_without_an_offcut_do_not_say_who_has_reached_the_target():
    """Bare ash of four weighings: whether it is at 16 % hangs on what it weighs dry."""
    days = [0, 21, 60, 120]
    rows, weights = [], []
    for i, (log, seal) in enumerate((log, seal) for log in "ABC" for seal in ("none", "wax")):
        tau = 30.0 if seal == "none" else 90.0
        dry = 900.0 + 40 * i
        rows.append((f"{log}{seal[0]}", "white ash", seal, log, 25.0, pd.Timestamp("2026-03-01")))
        for day in days:
            mass = dry * (1.13 + 0.5 * np.exp(-day / tau))
            on = pd.Timestamp("2026-03-01") + pd.Timedelta(days=day)
            weights.append((rows[-1][0], on, round(mass)))
    book = wl.RecordBook.from_frames(
        pieces=pd.DataFrame(
            rows, columns=["piece", "species", "seal", "log", "wall_mm", "turned_on"]
        ),
        weighings=pd.DataFrame(weights, columns=["piece", "on", "mass_g"]),
    )
    study = wl.seal_study(book)
    pieces = study.pieces.set_index("seal")
    assert pieces.loc["none", "day_unclear"].all()
    assert not pieces.loc["wax", "day_unclear"].any()  # still at 26 % by any reckoning
    cautions = " ".join(study.cautions)
    assert "Whether and when 3 pieces reached 16 % is not told by the weighings" in cautions
    assert "3 pieces had not reached 16 %" in cautions
    assert not any("neither seal has a piece that has reached" in said for said in study.sentences)
    # what would settle it names only the seals that want pieces
    assert not any("and 0 more" in said or "so 0 more" in said for said in study.sentences)


def untold(seal, outcome, reason):
    return {"outcome": outcome, "seal": seal, "reference": "none", "ratio": np.nan,
            "ci_lower": np.nan, "ci_upper": np.nan, "p_holm": np.nan, "p_value": np.nan,
            "n_pieces": 0, "n_logs": 0, "df": np.nan, "reason": reason}  # fmt: skip


def test_what_cannot_be_said_for_one_reason_is_said_once():
    """Five seals and four outcomes made twenty sentences that differed in a word."""
    outcomes = ["drying_time", "surface_coefficient", "core_to_surface"]
    rows = [untold("wax", outcome, "one piece under 'wax'") for outcome in outcomes]
    rows += [untold(seal, "crack_hazard", "no looks") for seal in ("wax", "paint")]
    pieces = pd.DataFrame({"seal": ["none"] * 6 + ["wax"] * 6 + ["paint"] * 6})
    by_seal = pd.DataFrame({"seal": ["none"], "n_looked": [0], "n_cracked": [0]})
    said = sentences(pd.DataFrame(rows), pieces, by_seal, "none", 14.0)
    assert said == (
        "We cannot say whether drying under wax takes longer than without a seal, how much less "
        "moisture passes through the surface under wax than without a seal or whether the wall "
        "stays more evenly moist under wax than without a seal: one piece under 'wax'.",
        "We cannot say whether cracks are rarer under wax or paint than without a seal: no looks.",
    )


def test_a_long_list_of_empty_cells_is_cut():
    species = [f"wood {i}" for i in range(12)]
    frame = pd.DataFrame(
        {
            "piece": species,
            "species": species,
            "seal": ["none", "wax"] * 6,
            "wall_mm": 25.0,
            "log": species,
        }
    )
    told = comparable(frame, "wax", "none")
    assert told.reason.endswith(" and 6 more")
    assert len(told.empty_cells) == 12


def test_bounds_that_answer_nothing_and_single_logs_are_said_as_such():
    told = untold("wax", "crack_hazard", "no crack in 2 pieces under 'none'.") | {
        "n_pieces": 5, "n_logs": 1
    }  # fmt: skip
    rows = [
        told | {"ci_lower": 0.041, "ci_upper": np.inf},
        told | {"ci_lower": 2.0, "ci_upper": np.inf},
        told | {"outcome": "drying_time", "ratio": 1.8, "ci_lower": 1.2, "ci_upper": 2.9,
                "p_holm": 0.01},
    ]  # fmt: skip
    pieces = pd.DataFrame({"seal": ["none"] * 2 + ["wax"] * 5})
    by_seal = pd.DataFrame({"seal": ["none"], "n_looked": [2], "n_cracked": [0]})
    said = sentences(pd.DataFrame(rows), pieces, by_seal, "none", 14.0)
    assert said[0].startswith("With 5 pieces from 1 log we cannot say whether cracks are rarer")
    assert "the ratio is at least 0.041 (95 %), since no crack in 2 pieces" in said[0]
    assert said[1].startswith("Cracks under wax were at least 2.0 times as frequent")
    assert "(1.2 to 2.9; 5 pieces from 1 log, and another log may differ)" in said[2]
    assert not any(".." in text for text in said)
