"""From outcomes to ratios: the design respected, confounding named, small numbers honest."""

import numpy as np
import pandas as pd
import pytest

from woodlab.studies.confounding import comparable
from woodlab.studies.seal_curves import passage
from woodlab.studies.seal_effects import EFFECT_COLUMNS, Outcome, effect_rows


def table(rows, **other):
    """piece, seal, species, log, wall_mm, ln value."""
    frame = pd.DataFrame(rows, columns=["seal", "species", "log", "wall_mm", "lower"])
    frame = frame.assign(
        piece=[f"p{i}" for i in range(len(frame))], place=None, allotted=None,
        upper=frame["lower"], free=frame["lower"],
    )  # fmt: skip
    return frame.assign(**other)


def twins(n, effect=0.9, seed=1, sd=0.1):
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(n):
        log = rng.normal(4.0, 0.5)
        for seal in ("none", "wax"):
            rows.append(
                (seal, "ash", f"L{i}", 25.0, log + effect * (seal == "wax") + rng.normal(0, sd))
            )
    return table(rows)


def one(frame, seal="wax", **kwargs):
    got = effect_rows(Outcome("drying_time", frame, **kwargs), "none", [seal], seed=1)
    assert list(got.columns) == EFFECT_COLUMNS
    return got.iloc[0]


def test_twins_are_paired():
    frame = twins(6)
    got = one(frame)
    gain = frame["lower"].to_numpy()[1::2] - frame["lower"].to_numpy()[::2]
    half = 2.570582 * gain.std(ddof=1) / np.sqrt(6)  # t with 5 degrees of freedom, 97.5 %
    assert got["method"] == "paired t"
    assert np.log([got["ratio"], got["ci_lower"], got["ci_upper"]]) == pytest.approx(
        [gain.mean(), gain.mean() - half, gain.mean() + half], rel=1e-5
    )
    assert (got["n_pieces"], got["n_logs"]) == (12, 6)


def test_the_test_by_lot_stands_beside_it_only_where_the_book_says_so():
    assert np.isnan(one(twins(6))["p_randomisation"])
    lot = twins(6).assign(allotted="random")
    assert one(lot)["p_randomisation"] == pytest.approx(2 / 64)  # all six the same way


def test_walls_are_taken_out_where_the_sealed_are_thicker():
    rng = np.random.default_rng(3)
    rows = []
    for i in range(10):
        for seal, low in (("none", 18), ("wax", 24)):
            wall = float(rng.uniform(low, low + 12))
            rows.append((seal, "ash", f"L{i}", wall, 1.5 * np.log(wall) + 0.5 * (seal == "wax")
                         + rng.normal(0, 0.05)))  # fmt: skip
    frame = table(rows)
    got = one(frame)
    assert np.log(got["ratio"]) == pytest.approx(0.5, abs=0.1)
    crude = frame.groupby("seal")["lower"].mean()
    assert crude["wax"] - crude["none"] > 0.75  # what it would be with walls ignored


def test_species_are_taken_out_and_logs_are_blocks():
    rng = np.random.default_rng(4)
    rows = []
    for i in range(8):
        species = "ash" if i < 4 else "oak"
        # more wax on the slow species
        seals = ["none", "none", "wax"] if species == "ash" else ["none", "wax", "wax"]
        log = rng.normal(0, 0.3) + (1.0 if species == "oak" else 0.0)
        rows += [(s, species, f"L{i}", 25.0, log + 0.6 * (s == "wax") + rng.normal(0, 0.05))
                 for s in seals]  # fmt: skip
    got = one(table(rows))
    assert got["method"] in ("mixed model", "blocks held fixed")
    assert np.log(got["ratio"]) == pytest.approx(0.6, abs=0.08)
    assert np.log(got["ci_upper"] / got["ci_lower"]) < 0.25


def test_seals_on_whole_logs_are_as_many_numbers_as_there_are_logs():
    rng = np.random.default_rng(5)
    rows = []
    for i in range(6):
        log = rng.normal(0, 0.3)
        rows += [("wax" if i % 2 else "none", "ash", f"L{i}", 25.0, log + rng.normal(0, 0.01))
                 for _ in range(8)]  # fmt: skip
    got = one(table(rows))
    assert got["method"] == "means of logs"
    assert got["df"] == pytest.approx(4.0)  # six logs, not 48 pieces


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([("none", "ash", "A", 25.0, 1.0), ("none", "ash", "B", 25.0, 1.1),
          ("wax", "ash", "A", 25.0, 2.0)], "one piece under 'wax'"),
        ([("none", "ash", "A", 25.0, 1.0), ("none", "ash", "B", 25.0, 1.1),
          ("wax", "oak", "C", 25.0, 2.0), ("wax", "oak", "D", 25.0, 2.0)],
         "Empty cells: wax x ash, none x oak"),
        ([("none", "ash", "A", 18.0, 1.0), ("none", "ash", "B", 20.0, 1.1),
          ("wax", "ash", "A", 30.0, 2.0), ("wax", "ash", "B", 35.0, 2.0)],
         "cannot tell 'wax' from the wall.*wax x up to 20 mm, none x 30 mm and above"),
        ([("none", "ash", "A", 25.0, 1.0), ("none", "ash", "A", 24.0, 1.1),
          ("wax", "ash", "B", 25.0, 2.0), ("wax", "ash", "B", 24.0, 2.0)],
         "cannot tell 'wax' from the log"),
    ],
)  # fmt: skip
def test_what_cannot_be_told_has_no_number_and_names_the_empty_cells(rows, words):
    got = one(table(rows))
    assert np.isnan([got["ratio"], got["ci_lower"], got["ci_upper"], got["p_value"]]).all()
    assert pd.Series([got["reason"]]).str.contains(words).all(), got["reason"]


def test_places_are_confounded_too():
    frame = twins(4)
    frame = frame.assign(place=np.where(frame["seal"] == "wax", "cellar", "loft"))
    assert comparable(frame, "wax", "none").empty_cells == ("wax x loft", "none x cellar") or (
        set(comparable(frame, "wax", "none").empty_cells) == {"wax x loft", "none x cellar"}
    )


def test_a_seal_of_which_no_piece_is_ready_has_a_lower_bound_only():
    frame = twins(6)
    late = frame["seal"] == "wax"
    frame["upper"] = frame["upper"].where(~late, np.inf)
    got = one(frame, sets=np.tile(frame["lower"], (5, 1)))
    assert np.isnan(got["ratio"])
    assert got["ci_upper"] == np.inf
    assert 1.5 < got["ci_lower"] < np.exp(0.95)
    assert "no piece under 'wax' has reached the target" in got["reason"]


def test_a_day_that_is_not_known_is_not_told_as_not_reached():
    """Six twins of each, every day a span: what they weigh dry is known too roughly."""
    frame = twins(6)
    frame["upper"] = np.inf
    sets = np.tile(frame["lower"], (5, 1))
    reached_by_none = one(frame, sets=sets)
    assert reached_by_none["reason"] == "neither seal has a piece that has reached the target yet"
    unclear = one(frame.assign(day_unclear=True), sets=sets)
    assert "of no piece can the day be told" in unclear["reason"]
    assert "offcut" in unclear["reason"]
    frame["upper"] = frame["lower"].where(frame["seal"] == "none", np.inf)
    bound = one(frame.assign(day_unclear=frame["seal"] == "wax"), sets=sets)
    assert bound["reason"].startswith("of no piece under 'wax' can the day be told")


def test_unknown_times_widen_the_interval_and_are_counted_in_the_method():
    frame = twins(6)
    whole = one(frame)
    frame.loc[11, "upper"] = np.inf
    rng = np.random.default_rng(2)
    sets = np.tile(frame["lower"], (20, 1))
    sets[:, 11] += np.abs(rng.normal(0, 0.6, 20))
    got = one(frame, sets=sets)
    assert "1 of 12 times drawn" in got["method"]
    assert got["ci_upper"] / got["ci_lower"] > whole["ci_upper"] / whole["ci_lower"]
    assert got["ratio"] > whole["ratio"]


def test_several_seals_are_adjusted_for_their_number():
    rng = np.random.default_rng(9)
    rows = [
        (seal, "ash", f"L{i}", 25.0, shift + rng.normal(0, 0.1))
        for i in range(6)
        for seal, shift in (("none", 0.0), ("oil", 0.05), ("paint", 0.12), ("wax", 0.9))
    ]
    got = effect_rows(Outcome("drying_time", table(rows)), "none", ["oil", "paint", "wax"], 1)
    p = got["p_value"].to_numpy()
    assert got["p_holm"].min() == pytest.approx(3 * p.min())
    assert (got["p_holm"] >= p).all()


def test_no_difference_is_called_one_no_more_often_than_it_should():
    rng = np.random.default_rng(21)
    false, tries = 0, 40
    for k in range(tries):
        rows = []
        for i in range(6):
            log = rng.normal(0, 0.15)
            for seal in ("none", "oil", "wax"):
                wall = float(rng.uniform(18, 40))
                rows.append((seal, "ash", f"L{i}", wall, log + 1.4 * np.log(wall)
                             + rng.normal(0, 0.12)))  # fmt: skip
        frame = table(rows)
        sets = np.tile(frame["lower"], (1, 1))
        got = effect_rows(Outcome("core_to_surface", frame, sets=sets), "none", ["wax"], k)
        false += float(got["p_value"].iloc[0]) < 0.05
    assert false <= 6  # of 40; more than that has a chance below 1 in 100


def test_passage_is_read_between_days_and_bounded_outside_the_record():
    days = np.arange(5.0)
    course = np.array([40.0, 30.0, 22.0, 18.0, 16.0])
    low, high = passage(days, course, 20.0, 0.0)
    assert low == high == pytest.approx(np.log(2.5))
    assert passage(days, course, 10.0, 0.0) == (np.log(4.0), np.inf)
    assert passage(days, course, 50.0, 0.0)[0] == -np.inf
