"""The plan is a lottery, even inside each log, balanced, and the same for the same seed."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import woodlab as wl
from woodlab.errors import WoodlabError
from woodlab.studies.next_season.trial_plan import trial_plan

SEALS = ["none", "wax", "paint"]


def blanks(counts, seed=0):
    rng = np.random.default_rng(seed)
    log = np.repeat([chr(65 + i) for i in range(len(counts))], counts)
    n = len(log)
    return pd.DataFrame(
        {"log": log, "species": "white ash", "wall_mm": rng.integers(18, 40, n).astype(float),
         "rim_mm": rng.integers(150, 350, n).astype(float), "maker": "Odrin (invented)"}
    )  # fmt: skip


@settings(max_examples=25, deadline=None)
@given(
    counts=st.lists(st.integers(1, 8), min_size=1, max_size=7),
    k=st.integers(2, 4),
    seed=st.integers(0, 2**32),
)
def test_every_log_is_as_even_as_it_can_be_and_so_is_the_whole(counts, k, seed):
    plan = trial_plan(blanks(counts), [f"s{i}" for i in range(k)], seed=seed, draws=20).plan
    assert len(plan) == sum(counts)
    assert (plan["allotted"] == "random").all()
    per_log = pd.crosstab(plan["log"], plan["seal"]).reindex(
        columns=[f"s{i}" for i in range(k)], fill_value=0
    )
    assert (per_log.max(axis=1) - per_log.min(axis=1)).max() <= 1
    total = per_log.sum()
    assert total.max() - total.min() <= 1


def test_the_same_seed_gives_the_same_plan_and_the_input_stays():
    given_blanks = blanks([4, 4, 3])
    before = given_blanks.copy()
    one = trial_plan(given_blanks, SEALS, seed=5, draws=100)
    two = trial_plan(given_blanks, SEALS, seed=5, draws=100)
    other = trial_plan(given_blanks, SEALS, seed=6, draws=100)
    pd.testing.assert_frame_equal(one.plan, two.plan)
    assert not one.plan["seal"].equals(other.plan["seal"])
    pd.testing.assert_frame_equal(given_blanks, before)


def test_each_piece_can_get_each_seal():
    """A lottery: over many seeds every piece gets each of three seals about a third of the time."""
    frame = blanks([3, 3, 6])
    got = np.array([trial_plan(frame, SEALS, seed=s, draws=10).plan["seal"] for s in range(150)])
    share = np.array([(got == seal).mean(axis=0) for seal in SEALS])
    # Standard error of a share is 0.038; balance makes it no worse than uneven by a tenth.
    assert share.min() > 0.17
    assert share.max() < 0.5


def test_balance_is_better_than_one_lot_and_its_figures_are_right():
    frame = blanks([4] * 8, seed=3)
    one = [trial_plan(frame, ["none", "wax"], seed=s, draws=1).imbalance for s in range(30)]
    many = [trial_plan(frame, ["none", "wax"], seed=s, draws=300).imbalance for s in range(6)]
    assert np.mean(many) < 0.4 * np.mean(one)
    plan = trial_plan(frame, ["none", "wax"], seed=1)
    wax = plan.plan[plan.plan["seal"] == "wax"]["wall_mm"]
    off = (wax.mean() - frame["wall_mm"].mean()) / frame["wall_mm"].std(ddof=0)
    row = plan.balance.set_index("seal").loc["wax"]
    assert row["mean_wall_mm"] == pytest.approx(wax.mean())
    assert row["off_wall_sd"] == pytest.approx(off)
    assert plan.imbalance == pytest.approx(
        plan.balance[["off_wall_sd", "off_rim_sd"]].abs().to_numpy().max()
    )


def test_imbalance_that_cannot_be_helped_is_told():
    frame = pd.DataFrame({"log": ["A", "A"], "species": "elm", "wall_mm": [20.0, 40.0]})
    plan = trial_plan(frame, ["none", "wax"], seed=0)
    assert plan.imbalance == pytest.approx(1.0)
    assert any("stay out of balance" in said for said in plan.sentences)
    assert any("fewer than two pieces" in said for said in plan.sentences)
    lone = trial_plan(blanks([2, 4]), SEALS, seed=0, draws=10)
    assert any("Only 1 of the 2 logs" in said for said in lone.sentences)
    bare = trial_plan(pd.DataFrame({"species": ["elm"] * 4}), ["none", "wax"], seed=0, draws=5)
    assert any("No sizes were given" in said for said in bare.sentences)
    assert any("of no log" in said for said in bare.sentences)


def test_the_book_says_that_it_was_allotted_at_random(tmp_path):
    plan = trial_plan(blanks([3, 3]), SEALS, seed=2, draws=50)
    path = wl.blank_book(tmp_path / "next.xlsx", seals=SEALS, pieces=plan.pieces("2026-11-20"))
    pieces = wl.open_book(path).pieces
    assert (pieces["allotted"] == "random").all()
    assert pieces["seal"].tolist() == plan.plan["seal"].tolist()
    assert pieces["piece"].tolist() == ["A1", "A2", "A3", "B1", "B2", "B3"]
    with pytest.raises(WoodlabError, match="no walls"):
        trial_plan(blanks([3]).drop(columns="wall_mm"), SEALS, seed=1, draws=5).pieces("2026-11-20")


def test_the_sheet_is_one_page_for_25_blanks(tmp_path):
    pypdf = pytest.importorskip("pypdf", reason="pypdf reads the page back")
    plan = trial_plan(blanks([5] * 5), SEALS, seed=2, draws=50)
    pages = pypdf.PdfReader(plan.sheet(tmp_path / "plan.pdf")).pages
    assert len(pages) == 1
    text = pages[0].extract_text()
    assert all(mark in text for mark in plan.plan["piece"])
    assert text.count("paint") >= 8


@pytest.mark.parametrize(
    ("frame", "seals", "said"),
    [
        (blanks([3]), ["none"], "two seals or more"),
        (blanks([3]), "none", "two seals or more"),
        (blanks([3]), None, "two seals or more"),
        (blanks([3]), ["wax", "Wax"], "stands twice"),
        (blanks([]), SEALS, "no blanks"),
        (blanks([3]).drop(columns="species"), SEALS, "column species"),
        (blanks([3]).assign(piece="A1"), SEALS, "'A1' stands twice"),
        (blanks([3]).assign(wall_mm=-1), SEALS, "wall_mm must be above 0"),
    ],
)
def test_what_cannot_be_planned_is_told(frame, seals, said):
    with pytest.raises(WoodlabError, match=said):
        trial_plan(frame, seals, seed=0)


@pytest.mark.parametrize(
    ("counts", "said"),
    [
        ([1], "One piece of one log is allotted by lot inside it: 1 none, 0 wax, 0 paint."),
        (
            [3, 3],
            "Six pieces of two logs are allotted by lot inside each log: 2 none, 2 wax, 2 paint.",
        ),
    ],
)
def test_one_is_not_told_as_many(counts, said):
    plan = trial_plan(blanks(counts), SEALS, seed=3, draws=20)
    first = plan.sentences[0]
    assert first.split(":")[0] == said.split(":")[0]
    assert ("No log has a piece for every one of the 3 seals" in " ".join(plan.sentences)) is (
        counts == [1]
    )


def test_blanks_of_no_log_are_not_said_to_be_allotted_inside_logs():
    plan = trial_plan(blanks([4]).assign(log=None), SEALS[:2], seed=3, draws=20)
    assert plan.sentences[0].startswith("Four pieces are allotted by lot: ")
    assert not any("0 of the 0" in said or "of 0 logs" in said for said in plan.sentences)
