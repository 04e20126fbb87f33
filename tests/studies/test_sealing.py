"""`seal_study` on a small season of known truth: the one fit under other seals, and its words."""

import dataclasses
import re

import numpy as np
import pandas as pd
import pytest

import woodlab as wl
from woodlab import words
from woodlab.drying.simulate import Schedule, simulate_season
from woodlab.drying.weather import invented_air
from woodlab.errors import WoodlabError
from woodlab.studies.confounding import comparable
from woodlab.studies.sealing import swap
from woodlab.studies.sealing.effects import EFFECT_COLUMNS, NEXT, THIS, average

OUTCOMES = {"drying_time", "surface_coefficient", "core_to_surface", "crack_hazard"}
WAX = "wax all over"


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
        for seal in ("none", WAX)
    ]  # fmt: skip
    rows.append(rows[0] | {"piece": "X", "seal": "wax on end grain"})
    air = invented_air("2026-01-01", 260, seed=8)
    schedule = Schedule(weigh_every=14, weigh_until=84, weigh_later=28, look_every=10)
    return simulate_season(pd.DataFrame(rows), air, seed=9, schedule=schedule)


@pytest.fixture(scope="module")
def fits(season):
    return wl.fit_drying(season.book, law="slab", draws=100)


@pytest.fixture(scope="module")
def study(fits):
    return wl.seal_study(fits, by=["log"], terms=["wall_mm", "log", "seal"])


def row(study, outcome, seal=WAX, scope=THIS):
    rows = study.effects.query("outcome == @outcome and seal == @seal and scope == @scope")
    assert len(rows) == 1
    return rows.iloc[0]


def test_effects_have_the_columns_of_the_contract(study):
    assert list(study.effects.columns) == EFFECT_COLUMNS
    assert EFFECT_COLUMNS[:10] == [
        "outcome", "seal", "reference", "ratio", "ci_lower", "ci_upper", "p_value", "n_pieces",
        "n_logs", "method",
    ]  # fmt: skip
    assert set(study.effects["outcome"]) == OUTCOMES
    both = study.effects.query("outcome == 'drying_time'").groupby("seal")["scope"].apply(list)
    assert all(scopes == [THIS, NEXT] for scopes in both)


def test_the_true_surface_coefficient_is_found_again(season, study):
    got = row(study, "surface_coefficient")
    ln = np.log(season.truth["surface_m_s"]).groupby(season.truth["seal"]).mean()
    true = np.exp(ln[WAX] - ln["none"])
    assert got["ci_lower"] <= true <= got["ci_upper"]
    assert abs(np.log(got["ratio"] / true)) < 0.15
    assert (got["n_pieces"], got["n_logs"]) == (10, 5)


def test_sealing_slows_drying_and_evens_the_wall(study):
    """A fact of the trade; common practice, no source."""
    assert row(study, "drying_time")["ci_lower"] > 1
    assert row(study, "core_to_surface")["ci_upper"] < 1


def test_a_season_to_come_is_less_sure_than_this_one(study):
    this, coming = (row(study, "drying_time", scope=scope) for scope in (THIS, NEXT))
    width = [np.log(one["ci_upper"] / one["ci_lower"]) for one in (this, coming)]
    assert width[1] > width[0]
    assert coming["ci_lower"] < this["ratio"] < coming["ci_upper"]


def test_under_its_own_seal_a_piece_is_left_as_it_is(fits):
    part = fits.parts[0]
    for seal in ("none", WAX):
        moved = swap.under(part, seal)
        own = (fits.book.pieces["seal"] == seal).to_numpy()
        assert np.array_equal(moved.u[: len(own)][own], part.u[: len(own)][own])
        j = part.season.local.index("surface_m_s")
        assert (moved.u[: len(own)][~own][..., j] != part.u[: len(own)][~own][..., j]).all()
        back = swap.under(moved, seal)
        assert np.array_equal(back.u, moved.u)


def test_the_ratio_is_that_of_the_moved_fits_own_curves(fits):
    """By another way: moisture of the moved fits on a fine grid, and where it meets the target."""
    pick = swap.standard_pieces(fits)
    few = swap.fewer(fits, pick, 20)
    runs = swap.this_season(few, 16.0)
    days = np.arange(0.0, 500.0)
    for seal in ("none", WAX):
        parts = tuple(swap.under(part, seal) for part in few.parts)
        moved = dataclasses.replace(few, parts=parts)
        level = moved.moisture_draws(np.repeat(days[None], pick.size, axis=0))
        first = (level <= 16.0).argmax(axis=2)
        gap = np.log(runs.days(seal)) - np.log(np.maximum(first, 1))
        assert abs(np.median(gap)) < 0.01
        assert abs(gap.mean()) < 0.04  # a dip of a day or two between the days of the grid


def test_weeks_and_their_ratio_are_one_number(study):
    weeks = study.by_seal.set_index("seal")["weeks"]
    assert weeks[WAX] / weeks["none"] == pytest.approx(row(study, "drying_time")["ratio"])


def test_an_interval_leaves_out_1_exactly_where_p_is_small():
    rng = np.random.default_rng(4)
    for shift in np.linspace(0, 0.6, 40):
        got = average(rng.normal(shift, 0.15, 100), df=6)
        assert (got["p_value"] < 0.05) == (not got["ci_lower"] <= 1 <= got["ci_upper"])


def test_certainty_and_holm_are_decided_in_the_frame(study):
    mine = study.effects[study.effects["outcome"] != "crack_hazard"]
    assert mine["certainty"].tolist() == [words.certainty(p) for p in mine["p_holm"]]
    told = mine[mine["p_value"].notna()]
    assert (told["p_holm"] >= told["p_value"]).all()


def test_cracks_are_those_of_the_crack_study(season, study):
    other = wl.crack_study(season.book).effects.query("kind == 'seal' and level == @WAX").iloc[0]
    got = row(study, "crack_hazard")
    told = np.isfinite(got["ci_lower"])
    assert got["certainty"] == (other["certainty"] if told else "nothing")
    if told:
        assert got["p_holm"] == pytest.approx(other["p_holm"])
    else:
        assert got["reason"]


def test_the_weeks_of_the_pieces_are_those_of_the_true_course(season, fits):
    study = wl.seal_study(fits, target_moisture_pct=20.0)  # where the curve is steep
    turned = season.book.pieces.set_index("piece")["turned_on"]
    true = (season.ready_on(20.0) - turned).dt.days / 7
    got = study.pieces.set_index("piece")
    assert true.notna().all()
    # The simulated wood rests on the published curve, where the fit's prior is 0.7 points above it:
    # all days come out late together, inside their limits.
    inside = (0.95 * got["weeks_lower"] <= true) & (true <= got["weeks_upper"])
    assert inside.sum() >= 9
    gap = np.log(got["weeks"] / true).groupby(got["seal"]).mean()
    assert abs(gap[WAX] - gap["none"]) < 0.12  # what is common falls out of the ratio


def test_one_piece_is_refused_with_words(study):
    for outcome in OUTCOMES - {"crack_hazard"}:
        got = row(study, outcome, "wax on end grain")
        assert np.isnan(got["ratio"])
        assert "one piece shows no scatter" in got["reason"]
        assert got["certainty"] == "nothing"


def test_it_shows_itself_weeks_before_ratios(study):
    said = study.summary()
    weeks = study.by_seal.set_index("seal")["weeks"]
    first = said.splitlines()[0]
    assert f"{weeks['none']:.0f} weeks bare" in first
    assert f"{weeks[WAX]:.0f} under {WAX}" in first
    detail = next(s for s in study.sentences if s.startswith("Five bowls waxed all over"))
    assert "times" in detail
    assert "in another year" in detail
    assert "we cannot say" in said.lower()
    assert "Cracked wood" in study.to_bear_in_mind.summary()
    assert "wax all over" in study._repr_html_()


def test_it_is_frozen_and_the_same_seed_gives_the_same(fits, study):
    again = wl.seal_study(fits)
    pd.testing.assert_frame_equal(again.effects, study.effects)
    with pytest.raises(dataclasses.FrozenInstanceError):
        again.reference = "wax"


def test_columns_of_the_makers_own(study):
    groups = study.by_group.query("seal == @WAX")
    assert set(groups["group"]) == set("ABCDE")
    assert (groups["ratio"] > 1).all()
    terms = study.terms.set_index("term")
    wall = terms.loc["wall_mm"]
    assert wall["ci_lower"] < wall["ratio"] < wall["ci_upper"]  # the truth has no such effect
    assert wall["ci_lower"] < 1.05
    assert wall["ci_upper"] > 0.95
    seals = terms.loc[["seal"]]  # already in the model: nothing is left to tell
    assert seals["ratio"].isna().all()
    assert (seals["reason"] != "").all()


@pytest.fixture(scope="module")
def two_seasons(fits):
    """The same fits, of a book whose pieces are of two seasons, with a number of the maker's."""
    pieces = fits.book.pieces
    own = pieces.assign(
        book=np.where(pieces["log"] < "C", "last", "this"), hours_soaked=np.arange(len(pieces)) % 4
    )
    tables = fits.book.tables() | {"pieces": own}
    return dataclasses.replace(fits, book=wl.RecordBook.from_frames(**tables))


def test_joined_books_say_what_differed(two_seasons):
    study = wl.seal_study(two_seasons)
    terms = study.terms.set_index("term").loc["book"]
    assert (terms["level"], terms["reference"]) == ("last", "this")
    groups = study.by_group.query("by == 'book' and seal == @WAX").set_index("group")
    assert groups["n_pieces"].to_dict() == {"last": 2, "this": 3}
    said = next(s for s in study.sentences if s.startswith("By book: last: 5 bowls"))
    weeks = groups.loc["this", "weeks_reference"]
    assert "this: 6 bowls, walls of 2" in said
    assert f"{weeks:.0f} weeks bare on average" in said
    assert any("by book against this: last" in s for s in study.sentences)


def test_terms_that_go_together_are_not_told_apart(two_seasons):
    pieces = two_seasons.book.pieces
    pieces["shed"] = pieces["book"] + " shed"
    book = wl.RecordBook.from_frames(**two_seasons.book.tables() | {"pieces": pieces})
    terms = wl.seal_study(dataclasses.replace(two_seasons, book=book), terms="shed").terms
    assert set(terms["term"]) == {"shed", "book"}
    assert terms["ratio"].isna().all()
    assert terms["reason"].str.contains("cannot tell (?:shed from book|book from shed)").all()


def test_weeks_had_all_pieces_one_value_of_a_number(two_seasons):
    study = wl.seal_study(two_seasons, terms="hours_soaked")
    walls = study.partial_dependence("wall_mm", [20, 40])
    assert walls["weeks"].iloc[1] > 1.5 * walls["weeks"].iloc[0]  # between linear and square
    hours = study.partial_dependence("hours_soaked", [0, 3])
    ratio = study.terms.set_index("term").loc["hours_soaked", "ratio"]
    slower = hours["weeks"].iloc[1] > hours["weeks"].iloc[0]
    assert slower == (ratio < 1)  # less through the surface: longer
    assert (hours["weeks_lower"] < hours["weeks"]).all()
    assert len(study.partial_dependence("hours_soaked")) == 7
    with pytest.raises(WoodlabError, match="'book' is not a number in this study"):
        study.partial_dependence("book")
    own = study.partial_dependence("wall_mm", [25.0])
    every = study.by_seal["weeks"]
    assert every.min() < own["weeks"].iloc[0] < every.max()


def test_seals_of_a_single_bowl_are_one_sentence(fits):
    study = wl.seal_study(fits)
    said = [s for s in study.sentences if "wax on end grain" in s]
    assert len(said) == 1
    assert said[0].startswith("One seal has a single bowl (wax on end grain): one piece")
    assert study.summary().count("wax on end grain") == 1


def test_requests_that_cannot_be_met_say_what_to_type(season, fits):
    with pytest.raises(WoodlabError, match="'oil' is no seal of .*Type one of: none, wax all"):
        wl.seal_study(fits, reference="oil")
    with pytest.raises(WoodlabError, match="target_moisture_pct = 99"):
        wl.seal_study(fits, target_moisture_pct=99)
    with pytest.raises(WoodlabError, match="target_moisture_pct is the text 'dry'"):
        wl.seal_study(fits, target_moisture_pct="dry")
    with pytest.raises(WoodlabError, match="unknown column 'batch_of_wax'"):
        wl.seal_study(fits, by=["batch_of_wax"])
    with pytest.raises(WoodlabError, match="unknown column 'batch_of_wax'"):
        wl.seal_study(fits, terms="batch_of_wax")  # one name may stand alone
    with pytest.raises(WoodlabError, match="seed is the text 'x'"):
        wl.seal_study(fits, seed="x")
    with pytest.raises(WoodlabError, match="unknown column 3"):
        wl.seal_study(fits, terms=3)


def test_a_book_that_cannot_answer_says_why(season):
    pieces, weighings = season.book.pieces, season.book.weighings
    bare = wl.RecordBook.from_frames(pieces=pieces.assign(seal="none"), weighings=weighings)
    sealed = wl.RecordBook.from_frames(
        pieces=pieces.assign(seal=np.where(pieces["seal"] == "none", "oil", pieces["seal"])),
        weighings=weighings,
    )
    empty = wl.RecordBook.from_frames(pieces=pieces, weighings=weighings.iloc[:0])
    for book, said in (
        (bare, "Every piece has the seal 'none'"),
        (sealed, "No piece was left bare"),
        (empty, "Nothing was weighed"),
    ):
        study = wl.seal_study(book)
        assert study.why.startswith(said)
        assert study.would_help in study.summary()
        assert list(study.effects.columns) == EFFECT_COLUMNS
        assert not len(study.effects)
        assert study._repr_html_()


def test_without_looks_the_row_says_so(season):
    book = wl.RecordBook.from_frames(
        pieces=season.book.pieces, weighings=season.book.weighings, air=season.book.air
    )
    study = wl.seal_study(wl.fit_drying(book, law="film", draws=20))
    assert "no looks" in row(study, "crack_hazard")["reason"]


def test_a_law_without_a_surface_coefficient_says_so(season):
    study = wl.seal_study(wl.fit_drying(season.book, law="exponential", draws=20))
    for outcome in ("surface_coefficient", "core_to_surface"):
        got = row(study, outcome)
        assert np.isnan(got["ratio"])
        assert "no surface coefficient; film and slab have" in got["reason"]
    assert row(study, "drying_time")["ci_lower"] > 1


def test_charts_say_what_they_show(study):
    charts = wl.charts
    made = [
        charts.curves_by_seal(study.course, study.typical, target_moisture_pct=16.0),
        charts.seal_ratios(study.effects),
        charts.weeks_against_cracks(study.by_seal),
        charts.pairs_by_log(study.pairs),
    ]
    said = [chart.description for chart in made]
    assert "16 %" in said[0]
    assert f"{row(study, 'drying_time')['ratio']:.2g}" in said[1]
    assert "weeks" in said[2]
    assert "5 logs" in said[3]


def test_every_table_is_written_in_one_call(study, tmp_path):
    study.save_tables(tmp_path / "tables")
    effects = pd.read_csv(tmp_path / "tables" / "effects.csv")
    assert len(effects) == len(study.effects)
    assert (tmp_path / "tables" / "by_seal.csv").exists()


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([("none", "ash", "A", 25.0), ("none", "ash", "B", 25.0), ("wax", "ash", "A", 25.0)],
         "one piece shows no scatter"),
        ([("none", "ash", "A", 25.0), ("none", "ash", "B", 25.0),
          ("wax", "oak", "C", 25.0), ("wax", "oak", "D", 25.0)],
         "no species is under both seals: wax has only oak, none only ash"),
        ([("none", "ash", "A", 18.0), ("none", "ash", "B", 20.0),
          ("wax", "ash", "A", 30.0), ("wax", "ash", "B", 35.0)],
         "wax has walls of 30 to 35 mm, none of 18 to 20 mm.*cannot tell the seal from the wall"),
        ([("none", "ash", "A", 25.0), ("none", "ash", "A", 24.0),
          ("wax", "ash", "B", 25.0), ("wax", "ash", "B", 24.0)],
         "no log has both: wax has only B, none only A"),
    ],
)  # fmt: skip
def test_what_cannot_be_told_names_what_each_has(rows, said):
    frame = pd.DataFrame(rows, columns=["seal", "species", "log", "wall_mm"])
    frame = frame.assign(piece=[f"p{i}" for i in range(len(frame))], place=None)
    reason, shared = comparable(frame, "wax", "none")
    assert re.search(said, reason)
    assert not len(shared)


def test_places_are_confounded_too():
    rows = [(s, "ash", f"L{i}", 25.0, p) for i in range(4)
            for s, p in (("none", "loft"), ("wax", "cellar"))]  # fmt: skip
    frame = pd.DataFrame(rows, columns=["seal", "species", "log", "wall_mm", "place"])
    frame = frame.assign(piece=[f"p{i}" for i in range(len(frame))])
    assert comparable(frame, "wax", "none")[0].startswith(
        "no place has both: wax has only cellar, none only loft"
    )


def test_pieces_of_species_under_one_seal_only_are_left_out():
    rows = [(s, "ash", f"L{i}", 25.0 + i) for i in range(4) for s in ("none", "wax")]
    frame = pd.DataFrame([*rows, ("wax", "oak", "M", 25.0)],
                         columns=["seal", "species", "log", "wall_mm"])  # fmt: skip
    frame = frame.assign(piece=[f"p{i}" for i in range(len(frame))], place=None)
    reason, shared = comparable(frame, "wax", "none")
    assert reason == ""
    assert shared["species"].unique().tolist() == ["ash"]
