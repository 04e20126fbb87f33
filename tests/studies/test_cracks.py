"""The crack study: what it makes of looks, what it refuses, and what it must never say."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import woodlab as wl
from woodlab.book.record_book import RecordBook
from woodlab.drying.forecast.cracks import ended
from woodlab.errors import WoodlabError
from woodlab.studies.cracks.hazard import chance_over_logs, effects_table, merged_intervals
from woodlab.studies.cracks.intervals import first_cracks
from woodlab.studies.cracks.risk import STANDARD_COLUMNS, ends_by_day
from woodlab.studies.cracks.words import course_sentence
from woodlab.words import certainty, holm

TURNED = pd.Timestamp("2026-01-10")


def made_book(pieces, looks):
    """Pieces as a dict of columns; looks as (piece, day since turning, crack_mm, action)."""
    frame = pd.DataFrame(pieces).assign(turned_on=TURNED)
    rows = pd.DataFrame(looks, columns=["piece", "day", "crack_mm", "action"])
    rows["on"] = TURNED + pd.to_timedelta(rows.pop("day"), unit="D")
    weighings = pd.DataFrame({"piece": frame["piece"], "on": TURNED, "mass_g": 1000.0})
    tables = {"looks": rows} if len(rows) else {}
    return RecordBook.from_frames(pieces=frame, weighings=weighings, **tables)


def looks_of(names, opened, days=range(4, 124, 8)):
    return [
        (name, day, 10.0 if day >= at else 0.0, "none")
        for name, at in zip(names, opened, strict=True)
        for day in days
    ]


def crossed(n, seed=1, species=("ash", "oak"), seals=("none", "wax"), per_log=None):
    rng = np.random.default_rng(seed)
    out = {
        "piece": [f"p{i}" for i in range(n)],
        "species": [species[i % len(species)] for i in range(n)],
        "seal": [seals[(i // len(species)) % len(seals)] for i in range(n)],
        "wall_mm": rng.uniform(18, 40, n).round(1),
    }
    if per_log:
        out["log"] = [f"L{i // per_log}" for i in range(n)]
    return out


@pytest.fixture(scope="module")
def study():
    """60 pieces from 15 logs; bare and thick ones crack sooner, by a fixed draw."""
    pieces = crossed(60, seed=3, per_log=4)
    rng = np.random.default_rng(4)
    rate = 0.006 * np.exp(
        0.8 * (np.array(pieces["wall_mm"]) - 28) / 10 - 0.9 * (np.array(pieces["seal"]) == "wax")
    )
    opened = rng.exponential(size=60) / rate
    return wl.crack_study(made_book(pieces, looks_of(pieces["piece"], opened)))


def assert_sound(effects):
    told = effects[effects["hazard_ratio"].notna()]
    ends = told[["ci_lower", "ci_upper"]].to_numpy(float)
    assert np.isfinite(ends).all()
    assert (ends[:, 0] > 0).all()
    assert (ends[:, 0] < told["hazard_ratio"]).all()
    assert (told["hazard_ratio"] < ends[:, 1]).all()
    assert told["p_value"].between(0, 1).all()
    silent = effects[effects["hazard_ratio"].isna()]
    assert silent[["ci_lower", "ci_upper", "p_value"]].isna().all(axis=None)
    assert (silent["reason"].str.len() > 20).all()


# --- looks to intervals


def test_a_crack_began_between_the_last_clean_look_and_the_find():
    pieces = pd.DataFrame({**crossed(6), "turned_on": TURNED})
    table = [
        ("p0", 3, 0, "none"), ("p0", 6, 0, "none"), ("p0", 9, 4, "glued"), ("p0", 12, 0, "none"),
        ("p1", 5, 7, "none"),
        ("p2", 0, 3, "none"), ("p2", 4, 5, "none"),
        ("p3", 4, 0, "none"), ("p3", 4, 6, "none"),
        ("p4", -9, 0, "none"), ("p4", 8, 0, "none"),
    ]  # fmt: skip
    looks = pd.DataFrame(table, columns=["piece", "day", "crack_mm", "action"])
    looks["on"] = TURNED + pd.to_timedelta(looks["day"], unit="D")
    first = first_cracks(pieces, looks)
    frame = first.pieces.set_index("piece")
    assert frame.loc["p0", ["after_days", "by_days"]].tolist() == [6, 9]  # it closed later
    assert frame.loc["p1", ["after_days", "by_days"]].tolist() == [0, 5]  # left-censored
    assert frame.loc["p2", ["after_days", "by_days"]].tolist() == [0, 1]  # on day 0
    assert frame.loc["p3", ["after_days", "by_days"]].tolist() == [0, 4]  # two looks in a day
    assert frame.loc["p4", ["after_days", "by_days"]].tolist() == [8, np.inf]
    assert frame.loc["p5", "status"] == "no looks"
    assert first.intervals[first.intervals["piece"] == "p0"]["to_days"].tolist() == [3, 6, 9]
    said = " ".join(first.notes)
    for words in ("1 piece a crack", "day of turning", "1 look dated before turning"):
        assert words in said


def test_a_piece_is_at_risk_for_its_whole_time_however_rows_are_joined():
    pieces = crossed(10)
    first = first_cracks(
        pd.DataFrame({**pieces, "turned_on": TURNED}),
        made_book(pieces, looks_of(pieces["piece"], [30, 60, *[999] * 8], range(3, 200, 3))).looks,
    )
    joined = merged_intervals(first.intervals)
    assert len(joined) < len(first.intervals) / 3
    for frame in (joined, first.intervals):
        length = (frame["to_days"] - frame["from_days"]).groupby(frame["piece"]).sum()
        assert length.loc["p0"] == 30
        assert length.loc["p5"] == 198
    assert joined[joined["cracked"]][["from_days", "to_days"]].values.tolist() == [
        [27, 30],
        [57, 60],
    ]


# --- effects


def test_terms_are_named_in_words(study):
    terms = study.effects["term"].tolist()
    assert terms == [
        "seal: wax against none",
        "wall: per 10 mm thicker",
        "species: oak against ash",
    ]
    assert_sound(study.effects)


def test_the_truth_of_the_draw_lies_in_the_intervals(study):
    rows = study.effects.set_index("kind")
    for kind, truth in (("seal", np.exp(-0.9)), ("wall", np.exp(0.8)), ("species", 1.0)):
        assert rows.loc[kind, "ci_lower"] < truth < rows.loc[kind, "ci_upper"]
    assert rows.loc["seal", "hazard_ratio"] < 1 < rows.loc["wall", "hazard_ratio"]


def test_a_season_of_many_pieces_comes_near_the_truth():
    pieces = crossed(1200, seed=5)
    rng = np.random.default_rng(6)
    rate = 0.01 * np.exp(
        0.5 * (np.array(pieces["wall_mm"]) - 28) / 10 - 0.7 * (np.array(pieces["seal"]) == "wax")
        + 0.6 * (np.array(pieces["species"]) == "oak")
    )  # fmt: skip
    opened = rng.exponential(size=1200) / rate
    effects = wl.crack_study(made_book(pieces, looks_of(pieces["piece"], opened))).effects
    found = np.log(effects.set_index("kind")["hazard_ratio"])
    assert found["seal"] == pytest.approx(-0.7, abs=0.2)
    assert found["wall"] == pytest.approx(0.5, abs=0.2)
    assert found["species"] == pytest.approx(0.6, abs=0.2)


def test_one_look_each_is_the_plain_penalised_model():
    """All looked at once, on day 60: the study must be Firth's cloglog fit of that table.

    But for what a look misses, which a smallest length of cracks far below theirs puts out.
    """
    from dataclasses import replace

    from woodlab.studies.cracks.likelihood import Rows
    from woodlab.studies.cracks.penalised import Objective, fit_penalised

    pieces = crossed(40)
    cracked = np.array([i % 5 == 0 or (i % 4 < 2 and i % 3 == 0) for i in range(40)])
    opened = np.where(cracked, 30, 999)
    table = [(p, d, 10 * mm, a) for p, d, mm, a in looks_of(pieces["piece"], opened, [60])]
    study = wl.crack_study(made_book(pieces, table))
    assert study.model.course.df == 0
    wall = (np.array(pieces["wall_mm"]) - np.mean(pieces["wall_mm"])) / 10
    x = np.c_[np.ones(40), wall, np.array(pieces["species"]) == "oak",
              np.array(pieces["seal"]) == "wax"].astype(float)  # fmt: skip
    days = np.full((40, 1), np.log(60.0))
    fit = fit_penalised(Objective(Rows(x, cracked * 1.0, np.zeros((40, 1, 0)), days)))
    seal = study.effects.iloc[0]
    fit = replace(fit, df=float(cracked.sum()))  # Student's t with as many as cracks
    assert np.log(seal["hazard_ratio"]) == pytest.approx(fit.theta[3], abs=1e-5)
    ends = fit.profile(3)
    np.testing.assert_allclose(np.log([seal["ci_lower"], seal["ci_upper"]]), ends, atol=1e-3)
    assert seal["p_value"] == pytest.approx(fit.p_value(3), abs=1e-5)


def test_seal_that_follows_species_gets_words_and_no_number():
    pieces = crossed(24)
    pieces["seal"] = ["none" if name == "ash" else "wax" for name in pieces["species"]]
    opened = [15 + 3 * i if i % 3 == 0 else 999 for i in range(24)]
    study = wl.crack_study(made_book(pieces, looks_of(pieces["piece"], opened)))
    rows = study.effects.set_index("kind")
    assert rows.loc[["seal", "species"], "hazard_ratio"].isna().all()
    assert "wax has only oak, none only ash" in rows.loc["seal", "reason"]
    assert np.isfinite(rows.loc["wall", "hazard_ratio"])
    assert any("cannot tell seal from species" in said for said in study.sentences)
    plan = pd.DataFrame({"species": ["ash", "ash"], "seal": ["none", "wax"], "wall_mm": 28.0})
    risk = study.risk(plan)
    assert np.isfinite(risk["risk"].iloc[0])
    assert np.isnan(risk["risk"].iloc[1])
    assert "cannot tell the species from the seal" in risk["reason"].iloc[1]


def test_seal_that_follows_the_wall_gets_no_number():
    pieces = crossed(24, species=("ash",))
    pieces["wall_mm"] = [20.0 if name == "none" else 37.0 - (i == 2) * 0.4
                         for i, name in enumerate(pieces["seal"])]  # fmt: skip
    opened = [15 + 3 * i if i % 3 == 0 else 999 for i in range(24)]
    effects = wl.crack_study(made_book(pieces, looks_of(pieces["piece"], opened))).effects
    rows = effects.set_index("kind")
    assert np.isnan(rows.loc["seal", "hazard_ratio"])
    assert "wax has walls of 37 mm, none of 20 mm" in rows.loc["seal", "reason"]
    assert np.isnan(rows.loc["wall", "hazard_ratio"])


def test_species_of_one_log_each_cannot_be_told_from_it():
    pieces = crossed(24)
    pieces["log"] = pieces["species"]
    opened = [15 + 3 * i if i % 3 == 0 else 999 for i in range(24)]
    effects = wl.crack_study(made_book(pieces, looks_of(pieces["piece"], opened))).effects
    row = effects.set_index("kind").loc["species"]
    assert np.isnan(row["hazard_ratio"])
    assert "a second log of it would" in row["reason"]


def test_many_species_with_few_pieces_are_drawn_together():
    pieces = crossed(36, species=tuple("abcdef"), per_log=3)
    opened = [10 + i if i % 6 == 0 or i % 7 == 0 else 999 for i in range(36)]
    study = wl.crack_study(made_book(pieces, looks_of(pieces["piece"], opened)))
    assert study.model.design.pooled.any()
    assert any("drawn towards the mean of all" in note for note in study.notes)
    rows = study.effects[study.effects["kind"] == "species"]
    assert_sound(study.effects)
    # every piece of `a` cracked and few of the others: the pooled ratio is drawn in to below
    # what the counts alone would say, and still on their side
    crude = np.log(6 / 6) - np.log(5 / 30)
    shrunk = -np.log(rows["hazard_ratio"]).mean()
    assert 0.2 < shrunk < crude * 2


# --- books at the edge


EDGES = {
    "all cracked at the first look": (20, lambda i: 0, range(4, 60, 8)),
    "all cracked on day 0": (20, lambda i: 0, (0, 4)),
    "one crack": (20, lambda i: 20 if i == 3 else 999, range(4, 60, 8)),
    "no crack under wax": (40, lambda i: 20 + i if (i // 2) % 2 == 0 else 999, range(4, 124, 8)),
    "one look each": (24, lambda i: 20 if i % 3 == 0 else 999, (60,)),
    "looks years apart": (24, lambda i: 400 if i % 3 == 0 else 999, (300, 900)),
    "one piece": (1, lambda i: 20, range(4, 60, 8)),
    "two pieces": (2, lambda i: 20 if i else 999, range(4, 60, 8)),
    "none cracked": (20, lambda i: 999, range(4, 124, 8)),
}


@pytest.mark.parametrize("name", EDGES)
def test_books_at_the_edge_get_an_answer_or_a_reason(name):
    count, opened, days = EDGES[name]
    pieces = crossed(count)
    table = looks_of(pieces["piece"], [opened(i) for i in range(count)], days)
    study = wl.crack_study(made_book(pieces, table))
    assert_sound(study.effects)
    assert all(isinstance(said, str) and "nan" not in said for said in study.sentences)
    last = max(days)
    risk = study.risk(study.first.used[["species", "seal", "wall_mm"]].head(2), by_day=last / 2)
    told = risk["risk"].notna()
    assert (risk.loc[told, "ci_lower"] <= risk.loc[told, "risk"]).all()
    assert (risk.loc[told, "risk"] <= risk.loc[told, "ci_upper"]).all()
    assert risk.loc[~told, "reason"].str.contains("cannot say|no crack was found").all()
    assert len(study.thickest_wall(by_day=last / 2)) >= 1


def test_a_group_without_cracks_has_an_upper_end_and_says_so():
    pieces = crossed(40)
    opened = [20 + i if (i // 2) % 2 == 0 else 999 for i in range(40)]
    study = wl.crack_study(made_book(pieces, looks_of(pieces["piece"], opened)))
    row = study.effects.iloc[0]
    assert 0 < row["ci_lower"] < row["hazard_ratio"] < row["ci_upper"] < 0.2
    assert "none of the 20 pieces of wax cracked" in row["reason"]


def test_a_book_without_cracks_gives_bounds_and_no_ratio():
    pieces = crossed(20)
    study = wl.crack_study(made_book(pieces, looks_of(pieces["piece"], [999] * 20)))
    assert study.model is None
    assert study.effects["hazard_ratio"].isna().all()
    risk = study.risk(pd.DataFrame({"species": ["ash"], "seal": ["wax"], "wall_mm": [28.0]}), 60)
    assert np.isnan(risk["risk"].item())
    assert (risk["ci_lower"].item(), risk["ci_upper"].item()) == (
        0,
        pytest.approx(0.1611, abs=1e-4),
    )
    assert not len(study.look_gaps())
    assert not len(study.look_every())


def test_no_looks_and_no_looks_in_time_say_why():
    pieces = crossed(4)
    silent = wl.crack_study(made_book(pieces, []))
    assert "Nobody noted looking for cracks" in silent.summary()
    assert "Note every look" in silent.summary()
    early = wl.crack_study(made_book(pieces, [("p0", 0, 0.0, "none")]))
    assert "No piece was looked at after the day" in early.summary()
    for study in (silent, early):
        assert study.why in study._repr_html_()
        assert study.model is None
        assert not len(study.effects)
        assert study.sentences == (study.why, study.would_help)
        plan = pd.DataFrame({"species": ["ash"], "seal": ["wax"], "wall_mm": [28.0]})
        assert study.risk(plan)["reason"].tolist() == [study.why]
        assert not len(study.thickest_wall())
        assert not len(study.look_every())
        assert not len(study.partial_dependence("wall_mm"))
        assert not len(study.risk_by_wall())


def test_pieces_without_or_with_too_few_looks_are_named():
    pieces = crossed(12)
    table = looks_of(pieces["piece"][:9], [20, 30, 40, *[999] * 6])
    table += [("p9", 8, 0.0, "none"), ("p10", 4, 0.0, "none"), ("p10", 8, 0.0, "none")]
    study = wl.crack_study(made_book(pieces, table))
    assert study.too_few.set_index("piece")["reason"].to_dict() == {
        "p9": "looked at once only",
        "p10": "last looked at on day 8; by day 41 four in five of the cracks had been found",
        "p11": "no look is written down",
    }
    every = study.rates[study.rates["by"] == "all"].iloc[0]
    assert every[["n_pieces", "n_cracked", "n_no_looks", "n_too_few_looks"]].tolist() == [
        11,
        3,
        1,
        2,
    ]


def test_references_are_found_or_named(study):
    pieces = crossed(20, seals=("Oil", "wax"))
    opened = [20 + i if i % 3 == 0 else 999 for i in range(20)]
    book = made_book(pieces, looks_of(pieces["piece"], opened))
    assert wl.crack_study(book, reference="oil").effects["term"].iloc[0] == "seal: wax against Oil"
    said = wl.crack_study(book).sentences
    assert any("compared with" in words for words in said)
    with pytest.raises(WoodlabError, match="'tar' is no seal of this book. Type one of: Oil, wax"):
        wl.crack_study(book, reference="tar")


small = st.lists(
    st.tuples(
        st.sampled_from(["ash", "oak", "elm"]), st.sampled_from(["none", "wax"]),
        st.integers(15, 45), st.sampled_from([None, "A", "B", "C"]), st.integers(-5, 90),
        st.lists(st.integers(-2, 80), max_size=4),
    ),
    min_size=1, max_size=9,
)  # fmt: skip


@settings(max_examples=12, deadline=None)
@given(small)
def test_any_small_book_gets_sound_answers(rows):
    pieces = {
        "piece": [f"p{i}" for i in range(len(rows))], "species": [r[0] for r in rows],
        "seal": [r[1] for r in rows], "wall_mm": [float(r[2]) for r in rows],
        "log": [r[3] for r in rows],
    }  # fmt: skip
    looks = [
        (f"p{i}", day, 9.0 if day >= row[4] >= 0 else 0.0, "none")
        for i, row in enumerate(rows)
        for day in row[5]
    ]
    book = made_book(pieces, looks)
    turned_and_seen = any(row[5] and max(row[5]) > 0 for row in rows)
    cracked_on_day_0 = any(day >= row[4] >= 0 and day >= 0 for row in rows for day in row[5])
    if not turned_and_seen and not cracked_on_day_0:
        assert "look" in wl.crack_study(book).why
        return
    study = wl.crack_study(book)
    assert_sound(study.effects)
    share = study.rates["share"].dropna()
    assert share.between(0, 1).all()


# --- risk, walls, looks


def test_risk_by_a_second_route(study):
    """The chance as 1 - exp(-integral of the rate), over logs drawn at random, by hand."""
    model = study.model
    plan = pd.DataFrame({"species": ["oak"], "seal": ["none"], "wall_mm": [30.0]})
    (weights,) = model.design.columns(plan)
    p, theta = len(weights), model.fit.theta
    days = np.linspace(0, 100, 20001)
    rate = np.exp(model.level + weights @ theta[:p] + model.course.basis(days) @ theta[p:-1])
    total = np.trapezoid(rate, days)
    drawn = np.random.default_rng(0).normal(0, model.log_sd, 400_000)
    by_hand = np.mean(1 - np.exp(-total * np.exp(drawn)))
    row = study.risk(plan, by_day=100).iloc[0]
    assert row["risk"] == pytest.approx(by_hand, abs=1e-3)
    assert row["ci_lower"] < row["risk"] < row["ci_upper"]


def test_risk_grows_with_wall_and_days_and_refuses_in_words(study):
    plan = pd.DataFrame({"species": "ash", "seal": "none", "wall_mm": [20.0, 30.0, 38.0]})
    risk = study.risk(plan, by_day=100)["risk"]
    assert risk.is_monotonic_increasing
    assert (study.risk(plan, by_day=50)["risk"] < risk).all()
    strange = pd.DataFrame(
        {
            "species": ["elm", "ash", "ash"],
            "seal": ["none", "tar", "none"],
            "wall_mm": [30, 30, 80.0],
        }
    )
    out = study.risk(strange, by_day=100)
    assert out["risk"].isna().all()
    for words, reason in zip(
        ("'elm'", "'tar'", "80 mm were never tried"), out["reason"], strict=True
    ):
        assert reason.startswith("the data cannot say")
        assert words in reason
    late = study.risk(plan, by_day=400)["reason"].iloc[0]
    assert "no piece was looked at as late as day 400" in late
    with pytest.raises(WoodlabError, match="missing: seal"):
        study.risk(plan.drop(columns="seal"))
    with pytest.raises(WoodlabError, match="by_day must be"):
        study.risk(plan, by_day=0)


def test_up_to_the_thickest_wall_the_upper_limit_is_below_the_level(study):
    walls = study.thickest_wall(max_risk=0.6, by_day=60)
    told = walls[walls["wall_mm"].notna()]
    assert len(told)
    for row in told.itertuples():
        plan = {"species": [row.species], "seal": [row.seal]}
        at = study.risk(pd.DataFrame({**plan, "wall_mm": [row.wall_mm]}), by_day=60).iloc[0]
        assert at["ci_upper"] == pytest.approx(0.6, abs=0.01) or "tried" in row.reason
        assert at["risk"] < 0.6
        if np.isfinite(row.crossing_mm):
            assert row.wall_mm < row.crossing_mm
            at = study.risk(pd.DataFrame({**plan, "wall_mm": [row.crossing_mm]}), by_day=60)
            assert at["risk"].iloc[0] == pytest.approx(0.6, abs=0.01)
    unknown = study.thickest_wall(max_risk=0.02, by_day=100)
    assert unknown["wall_mm"].isna().all()
    assert unknown["reason"].str.contains("not yet known|the data cannot say").all()
    with pytest.raises(WoodlabError, match="max_risk must be between 0 and 1"):
        study.thickest_wall(max_risk=10)


def test_more_pieces_are_asked_for_as_the_interval_needs(study):
    """With as many more as it says, ln of the upper limit comes down by the root of the number."""
    walls = study.thickest_wall(max_risk=0.35, by_day=60)
    asked = walls[walls["n_more_pieces"].notna()]
    assert len(asked)
    for row in asked.itertuples():
        low = study.model.used.query("species == @row.species")["wall_mm"].min()
        low = max(low - 2, study.model.used["wall_mm"].min())
        plan = pd.DataFrame({"species": [row.species], "seal": [row.seal], "wall_mm": [low]})
        at = study.risk(plan, by_day=60).iloc[0]
        reach = np.log(at["ci_upper"] / at["risk"])
        n = len(study.model.used)
        narrowed = at["risk"] * np.exp(reach * np.sqrt(n / (n + row.n_more_pieces)))
        assert narrowed <= 0.35 + 1e-6
        short = at["risk"] * np.exp(reach * np.sqrt(n / (n + row.n_more_pieces - 5)))
        assert short > 0.35 - 1e-6


def test_chance_over_logs_by_drawing_logs():
    one = np.log([[0.2]])
    assert chance_over_logs(one, 0.0).item() == pytest.approx(1 - np.exp(-0.2))
    drawn = 1 - np.exp(-0.2 * np.exp(np.random.default_rng(1).normal(0, 0.6, 400_000)))
    assert chance_over_logs(one, 0.6).item() == pytest.approx(drawn.mean(), abs=1e-3)


def test_unseen_days_of_a_constant_rate_by_the_closed_form():
    pieces = crossed(12)
    opened = [50 if i == 2 else 999 for i in range(12)]
    study = wl.crack_study(made_book(pieces, looks_of(pieces["piece"], opened)))
    assert study.model.course.df == 0
    weights = study.model.design.columns(study.first.used).mean(axis=0)
    rate = float(np.exp(study.model.level + weights @ study.model.fit.theta))
    every = study.look_every((4, 14), until_day=112).set_index("gap_days")
    missed = float(study.model.misses.chance(10.0))
    for gap in (4.0, 14.0):
        mean_opening = 1 / rate - gap / np.expm1(rate * gap)
        # the looks until one finds it are geometric: missed / (1 - missed) gaps more
        unseen = gap - mean_opening + gap * missed / (1 - missed)
        assert every.loc[gap, "unseen_days"] == pytest.approx(unseen, rel=2e-3)
        lost = 100 * (1 - np.exp(-rate * 112)) * unseen
        assert every.loc[gap, "unseen_days_per_100"] == pytest.approx(lost, rel=5e-3)


def test_the_calendar_of_looks(study):
    gaps = study.look_gaps(unseen_days=2, until_day=100)
    assert gaps["from_day"].tolist() == list(range(0, 100, 7))
    assert (gaps["ci_lower"] < gaps["chance"]).all()
    assert (gaps["chance"] < gaps["ci_upper"]).all()
    assert gaps["longest_gap_days"].between(3, 4).all()
    assert (gaps["even_gap_lower_days"] <= gaps["even_gap_days"]).all()
    every = study.look_every()
    assert (every["unseen_days"] < every["gap_days"]).all()
    assert every["unseen_days_per_100"].is_monotonic_increasing


# --- after the crack


def test_glued_and_left_are_told_as_what_they_are():
    pieces = crossed(8)
    table = []
    for i in range(8):
        act = "glued" if i % 2 else "none"
        later = 9.0 if i in (0, 2, 4, 1) else 5.0
        table += [(f"p{i}", 5, 0.0, "none"), (f"p{i}", 9, 5.0, act), (f"p{i}", 20, later, "none")]
    study = wl.crack_study(made_book(pieces, table))
    rows = study.growth_by_action.set_index("action")
    assert rows.loc["glued", ["n_followed", "n_grew"]].tolist() == [4, 1]
    assert rows.loc["none", ["n_followed", "n_grew"]].tolist() == [4, 3]
    assert any("not a trial of gluing" in said for said in study.sentences)
    assert any("fly apart" in said for said in study.cautions)


def test_core_to_surface_beside_wall_and_seal():
    pieces = crossed(60, seed=9)
    rng = np.random.default_rng(10)
    core = rng.uniform(5, 45, 60)
    opened = rng.exponential(size=60) / (0.001 * np.exp(0.9 * core / 10))
    frame = pd.DataFrame({"piece": pieces["piece"], "difference_pct": core})
    book = made_book(pieces, looks_of(pieces["piece"], opened))
    study = wl.crack_study(book, core_to_surface=frame)
    effects = study.effects.set_index("kind")
    ratio = effects.loc["core_to_surface_pct"]
    assert ratio["term"] == "core_to_surface_pct: per 10 more"
    assert ratio["ci_lower"] < np.exp(0.9) < ratio["ci_upper"]
    assert ratio["ci_lower"] > 1
    assert effects.loc["wall", "p_value"] > 0.01  # wall and seal have no part in this draw
    assert (study.rates["by"] == "core_to_surface_pct").sum() == 3
    with pytest.raises(WoodlabError, match="missing: difference_pct"):
        wl.crack_study(book, core_to_surface=frame[["piece"]])


def test_a_few_days_without_a_crack_are_not_long_enough():
    """Two pieces looked at twice in their first three days, and none cracked."""
    pieces = pd.DataFrame(
        {"piece": ["A1", "A2"], "species": "white ash", "seal": "none", "wall_mm": 25.0,
         "turned_on": "2026-03-01"}
    )  # fmt: skip
    looks = pd.DataFrame(
        [(name, f"2026-03-0{day}", 0.0) for name in ("A1", "A2") for day in (2, 4)],
        columns=["piece", "on", "crack_mm"],
    )
    weighings = pd.DataFrame({"piece": ["A1"], "on": ["2026-03-01"], "mass_g": [1480.0]})
    book = wl.RecordBook.from_frames(pieces=pieces, weighings=weighings, looks=looks)
    study = wl.crack_study(book)
    assert study.too_few["piece"].tolist() == ["A1", "A2"]
    assert study.too_few["reason"].str.startswith("last looked at on day 3; wood goes on").all()
    assert any("2 pieces without a crack had too few looks" in said for said in study.sentences)


def test_the_week_of_most_danger_is_not_named_twice():
    """Where the chance still rose at the last looks, no peak was seen."""
    gaps = pd.DataFrame(
        {
            "week": [1.0, 2.0, 3.0],
            "to_day": [7.0, 14.0, 21.0],
            "chance": [0.02, 0.05, 0.08],
            "ci_lower": 0.01,
            "ci_upper": 0.4,
        }
    )
    rising = course_sentence(gaps, 6)
    assert "had not begun to fall by the last looks" in rising
    assert rising.count("week 3") == 1
    falling = course_sentence(gaps.assign(chance=[0.02, 0.08, 0.05]), 6)
    assert "was highest in week 2" in falling
    assert "in week 3" in falling


def test_looks_at_cracks_only_are_said_to_tell_too_much():
    # what a maker writes down who writes down cracks: five of thirty pieces, and one whole one
    names = [f"p{i}" for i in range(30)]
    pieces = {"piece": names, "species": (["ash", "oak", "elm"] * 10), "seal": ["none", "wax"] * 15,
              "wall_mm": [25.0] * 30}  # fmt: skip
    looks = [(name, 40, 12.0, "none") for name in names[:5]] + [(names[5], 140, 0.0, "none")]
    said = " ".join(wl.crack_study(made_book(pieces, looks)).sentences)
    assert "Of 6 pieces looked over for cracks, 5 cracked" in said
    assert "the share above is far too high" in said
    assert "nan %" not in said
    assert ".." not in said
    whole = looks + [(name, 140, 0.0, "none") for name in names[6:]]
    said = " ".join(wl.crack_study(made_book(pieces, whole)).sentences)
    assert "far too high" not in said


def test_species_that_cannot_be_told_for_one_reason_share_a_sentence():
    pieces = crossed(24, species=("ash", "oak", "elm"))
    pieces["log"] = pieces["species"]
    opened = [15 + 3 * i if i % 3 == 0 else 999 for i in range(24)]
    study = wl.crack_study(made_book(pieces, looks_of(pieces["piece"], opened)))
    (said,) = (one for one in study.sentences if one.startswith("No figure"))
    assert said == (
        "No figure for elm and oak (each species here comes from a single log, so the records "
        "cannot tell a species from its log; a second log of it would)."
    )


def test_no_peak_is_claimed_for_weeks_without_a_look():
    gaps = pd.DataFrame(
        {"week": [1.0, 2.0], "to_day": [7.0, 14.0], "chance": [0.04, 0.01], "ci_lower": 0.003,
         "ci_upper": [0.2, 0.02]}
    )  # fmt: skip
    guessed = course_sentence(gaps, 5, first_look_day=28.0)
    assert "no piece was looked at before day 28" in guessed
    assert "was highest" not in guessed
    seen = course_sentence(gaps, 5, first_look_day=4.0)
    assert "was highest in week 1" in seen


# --- what the study says, and of whom


def test_certainty_is_decided_once_and_holm_is_within_the_family(study):
    effects = study.effects
    for _, family in effects.groupby("family"):
        np.testing.assert_allclose(family["p_holm"], holm(family["p_value"]))
    decided = [certainty(p, n) for p, n in zip(effects["p_holm"], effects["n_cracks"], strict=True)]
    assert effects["certainty"].tolist() == decided
    assert set(effects["family"]) == {"seal", "wall", "species"}


def test_the_card_gives_counts_first_then_the_risk_by_a_day(study):
    said = study.summary().splitlines()
    every = study.rates.iloc[0]
    assert f"{every['n_pieces']}" in said[0]
    assert f"{every['n_cracked']}" in said[0] or every["n_cracked"] < 10
    card = study.card()
    assert f"of 100 like these, by day {study.by_day:.0f}" in card.headings
    assert len(card.rows) == 2
    text = " ".join([*said, *study.sentences])
    assert "times the rate" not in text
    assert "hazard" not in text
    assert not any(word in text.split() for word in ("safe", "safe.", "nan"))
    assert len(repr(study)) < 3000


def test_standardised_risk_is_the_mean_over_the_seasons_own_pieces(study):
    assert list(study.standardised.columns) == STANDARD_COLUMNS
    row = study.standardised.query("by == 'seal' and level == 'wax'").iloc[0]
    own = study.first.used.assign(seal="wax")[["species", "seal", "wall_mm"]]
    assert row["risk"] == pytest.approx(study.risk(own, row["by_day"])["risk"].mean(), rel=1e-9)
    assert row["ci_lower"] < row["risk"] < row["ci_upper"]
    bare = study.standardised.query("by == 'seal' and level == 'none'").iloc[0]
    assert row["difference"] == pytest.approx(row["risk"] - bare["risk"])
    assert row["difference_lower"] < row["difference"] < row["difference_upper"]
    # nobody was scrapped: crude and net are one
    assert row["risk_crude"] == pytest.approx(row["risk"])


def own_columns(n=48):
    pieces = crossed(n, seed=11)
    rng = np.random.default_rng(12)
    pieces["maker"] = [("x", "y", "z")[i % 3] for i in range(n)]
    pieces["hours_soaked"] = rng.uniform(0, 48, n).round()
    rate = 0.008 * np.exp(0.9 * (np.array(pieces["hours_soaked"]) - 24) / 10)
    return pieces, rng.exponential(size=n) / rate


def test_any_column_is_a_term_or_a_group(tmp_path):
    pieces, opened = own_columns()
    book = made_book(pieces, looks_of(pieces["piece"], opened))
    study = wl.crack_study(book, terms=["maker", "hours_soaked"], by=["maker"])
    terms = study.effects["term"].tolist()
    assert terms[-3:] == [
        "maker: y against x",
        "maker: z against x",
        "hours_soaked: per 10 more",
    ]
    soaked = study.effects.iloc[-1]
    assert soaked["ci_lower"] > 1
    assert soaked["ci_lower"] < np.exp(0.9) < soaked["ci_upper"]
    assert study.rates.query("by == 'maker'")["n_pieces"].tolist() == [16, 16, 16]
    curve = study.partial_dependence("hours_soaked", by_day=60)
    assert curve["risk"].is_monotonic_increasing
    assert (curve["ci_lower"] < curve["risk"]).all()
    with pytest.raises(WoodlabError, match="'maker' is not a number in this study"):
        study.partial_dependence("maker")
    with pytest.raises(WoodlabError, match="unknown column 'colour' of pieces. Type one of: "):
        wl.crack_study(book, terms=["colour"])
    with pytest.raises(WoodlabError, match="unknown column 'colour' of pieces"):
        wl.crack_study(book, by="colour")  # one name may stand alone
    with pytest.raises(WoodlabError, match="smallest_mm is the text 'x'"):
        wl.crack_study(book, smallest_mm="x")
    with pytest.raises(WoodlabError, match="by_day is the text 'soon'"):
        study.risk(pieces, by_day="soon")
    folder = study.save_tables(tmp_path / "tables")
    names = {path.stem for path in folder.iterdir()}
    assert {"effects", "rates", "standardised", "thickest_wall", "first_pieces"} <= names
    back = pd.read_csv(folder / "effects.csv")
    np.testing.assert_allclose(back["hazard_ratio"], study.effects["hazard_ratio"])
    book_file = study.save_tables(tmp_path / "tables.xlsx")
    assert set(pd.read_excel(book_file, sheet_name=None, engine="openpyxl")) == names
    with pytest.raises(WoodlabError, match="not to 'tables.txt'"):
        study.save_tables(tmp_path / "tables.txt")


def test_a_column_that_follows_the_species_is_told_apart_by_words():
    pieces, opened = own_columns(24)
    pieces["glue"] = ["hide" if name == "ash" else "bone" for name in pieces["species"]]
    study = wl.crack_study(made_book(pieces, looks_of(pieces["piece"], opened)), terms=["glue"])
    row = study.effects.set_index("kind").loc["glue"]
    assert np.isnan(row["hazard_ratio"])
    assert row["certainty"] == "nothing"
    assert "the records cannot tell glue from species" in row["reason"]


def test_joined_books_are_a_term():
    pieces, opened = own_columns(48)
    pieces["book"] = ["north" if i % 4 < 2 else "south" for i in range(48)]
    pieces["seal"] = [("none", "wax")[i % 2] for i in range(48)]
    pieces["species"] = "ash"
    study = wl.crack_study(made_book(pieces, looks_of(pieces["piece"], opened)))
    assert "book: south against north" in study.effects["term"].tolist()
    assert study.standardised.query("by == 'book'")["level"].tolist() == ["north", "south"]


def test_cracks_without_a_length_count_and_short_ones_do_not():
    pieces = crossed(8)
    looks = [(f"p{i}", day, 0.0, "none") for i in range(8) for day in (4, 8)]
    looks += [("p0", 12, 3.0, "none"), ("p1", 12, 9.0, "none")]
    frame = pd.DataFrame({**pieces, "turned_on": TURNED})
    rows = pd.DataFrame(looks, columns=["piece", "day", "crack_mm", "action"])
    rows["on"] = TURNED + pd.to_timedelta(rows["day"], unit="D")
    rows["crack"] = "no"
    rows.loc[len(rows)] = ["p2", 12, np.nan, "none", TURNED + pd.Timedelta(days=12), "yes"]
    first = first_cracks(frame, rows, smallest_mm=5.0)
    assert first.used.query("cracked")["piece"].tolist() == ["p1", "p2"]


def test_a_look_that_overlooked_a_crack_sharpens_the_prior():
    from woodlab.studies.cracks.intervals import PRIOR_SCALE_MM, estimate_misses

    pieces = pd.DataFrame({**crossed(30), "turned_on": TURNED})

    def misses(middle):
        looks = [
            (f"p{i}", day, mm, "none")
            for i in range(30)
            for day, mm in ((5, 6.0), (9, middle), (13, 6.0))
        ]
        rows = pd.DataFrame(looks, columns=["piece", "day", "crack_mm", "action"])
        rows["on"] = TURNED + pd.to_timedelta(rows["day"], unit="D")
        return estimate_misses(first_cracks(pieces, rows))

    seen, missed = misses(6.0), misses(0.0)
    assert (seen.n_seen, seen.n_missed, missed.n_missed) == (30, 0, 30)
    assert seen.scale_mm < PRIOR_SCALE_MM < missed.scale_mm
    assert seen.chance(6.0) < 0.1 < 0.5 < missed.chance(6.0)
    frame = missed.frame()
    assert (frame["ci_lower"] <= frame["missed"]).all()
    assert (frame["missed"] <= frame["ci_upper"]).all()


def test_scrapped_pieces_make_the_crude_risk_smaller():
    pieces = crossed(60, seed=3)
    rng = np.random.default_rng(4)
    opened = rng.exponential(size=60) / 0.01
    gone = rng.exponential(size=60) / 0.02
    looks = []
    for name, at, left in zip(pieces["piece"], opened, gone, strict=True):
        for day in range(4, 124, 8):
            done = day >= left and at > left
            looks.append((name, day, 10.0 * (day >= at), "scrapped" if done else "none"))
            if done or day >= at:
                break
    study = wl.crack_study(made_book(pieces, looks))
    row = study.standardised.query("by == 'seal'").iloc[0]
    assert 0.2 * row["risk"] < row["risk_crude"] < 0.9 * row["risk"]
    assert any("left before any crack was found" in said for said in study.sentences)


def test_a_piece_that_left_before_its_first_look_is_gone_all_the_same():
    pieces = {**crossed(4), "ended_on": [pd.NaT, *[TURNED + pd.Timedelta(days=2)] * 2, pd.NaT]}
    looks = made_book(pieces, looks_of(["p0", "p3"], [20, 999])).looks
    first = first_cracks(pd.DataFrame({**pieces, "turned_on": TURNED}), looks)
    assert first.used["piece"].tolist() == ["p0", "p3"]
    days, there = ends_by_day(first.pieces)
    assert (days.tolist(), there.tolist()) == ([2.0], [0.5])


def test_a_seal_that_is_not_said_is_compared_with_nothing():
    pieces = crossed(40)
    pieces["seal"] = ["none", "wax", "not said", "none"] * 10
    opened = [20 + i if i % 3 == 0 else 999 for i in range(40)]
    effects = wl.crack_study(made_book(pieces, looks_of(pieces["piece"], opened))).effects
    assert effects[effects["kind"] == "seal"]["level"].tolist() == ["wax"]


def test_too_many_comparisons_for_the_cracks_are_said_to_be(study):
    model = study.model
    lost = replace(model, fit=replace(model.fit, converged=False))
    table = effects_table(model.used, model.design, lost)
    assert table["hazard_ratio"].isna().all()
    said = rf"{model.used['cracked'].sum()} cracks for \d+ comparisons at once: too few"
    assert table["reason"].str.contains(said).any()


def test_an_end_without_a_word_is_an_end_everywhere():
    """A day in `ended_on` and no outcome: gone from the shelf, and censored there."""
    day = TURNED + pd.Timedelta(days=30)
    pieces = {**crossed(6), "ended_on": [pd.NaT, day, pd.NaT, day, pd.NaT, day],
              "outcome": [None, None, "finished", "given away", None, None]}  # fmt: skip
    looks = looks_of(["p0", "p1", "p2", "p3", "p4"], [999] * 5, [10, 20])
    looks += [("p4", 25, 0.0, "scrapped"), ("p5", 20, 10.0, "none")]
    book = made_book(pieces, looks)
    gone = ended(book.pieces, book.looks)
    assert gone["outcome"].to_dict() == {
        "p1": "gone", "p2": "finished", "p3": "given away", "p4": "scrapped", "p5": "gone",
    }  # fmt: skip
    assert gone["on"].isna().to_dict()["p2"]
    first = first_cracks(book.pieces, book.looks).pieces.set_index("piece")
    left = first["ended_days"].dropna().to_dict()
    assert left == {"p1": 30.0, "p3": 30.0, "p4": 25.0}  # p5 had cracked; p2's day is not known
    assert first["outcome"].tolist() == ["", "gone", "", "given away", "scrapped", ""]
