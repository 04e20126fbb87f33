"""Articles of books that hold little: one piece, no seals, no cracks, no note of how seals fell."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import woodlab as wl
from woodlab.article.forms import Forms
from woodlab.article.parts.cracks import _figure, _whole
from woodlab.article.parts.drying import _half_time
from woodlab.article.parts.season import season_sentences
from woodlab.article.story import records_to_add

EN = Forms("en")


def book(seals=("none",), weighings=1, **tables):
    names = [f"A{i}" for i in range(len(seals))]
    pieces = pd.DataFrame(
        {"piece": names, "species": "white ash", "seal": list(seals), "wall_mm": 25,
         "turned_on": "2026-03-01"} | tables.pop("columns", {})
    )  # fmt: skip
    rows = pd.DataFrame(
        [(name, f"2026-03-0{k + 1}", 1480 - 10 * k) for name in names for k in range(weighings)],
        columns=["piece", "on", "mass_g"],
    )
    return wl.RecordBook.from_frames(pieces=pieces, weighings=rows, **tables)


def seal_sentence(given):
    return season_sentences(given, EN)[1]


def test_how_the_seals_fell_is_told_only_as_far_as_it_is_written_down():
    both = ("none", "wax")
    assert seal_sentence(book(both)).endswith(
        "The records do not say that a lot was drawn, so the makers may have chosen."
    )
    chosen = book(both, columns={"allotted": "chosen"})
    assert seal_sentence(chosen).endswith("The makers chose which piece got which seal; no lot "
                                          "was drawn.")  # fmt: skip
    assert "by lot" in seal_sentence(book(both, columns={"allotted": "random"}))


def test_a_book_that_says_it_is_invented_is_told_as_invented():
    demo = wl.demo_book()
    assert season_sentences(demo, EN)[0].startswith("These records are invented")
    places = {"place": ["loft (invented)", "shed"]}
    for real in (book(["none", "wax"]), book(["none", "wax"], columns=places)):
        assert not real.invented
        assert not any("invented" in sentence for sentence in season_sentences(real, EN))


@pytest.mark.parametrize(
    ("seals", "said"),
    [
        (["none"], "It was left bare."),
        (["none"] * 2, "All of them were left bare."),
        (["wax"] * 2, "All of them were sealed with wax."),
    ],
)
def test_one_seal_is_told_in_plain_words(seals, said):
    assert seal_sentence(book(seals)) == said


def test_pieces_alike_to_the_gram_are_no_surer_than_their_own_curves():
    """Eight time constants of 45 days, each known within a tenth: the mean is not known exactly."""
    taus = pd.DataFrame({"estimate": [45.0] * 8, "ci_lower": 45.0 / 1.1, "ci_upper": 45.0 * 1.1})
    found = _half_time("none", taus, EN)
    error = math.log(1.1) / stats.norm.ppf(0.975) / math.sqrt(8)
    reach = stats.t.ppf(0.975, 7) * error
    assert found.value == pytest.approx(45 * math.log(2))
    assert found.ci_upper / found.value == pytest.approx(math.exp(reach), rel=1e-9)
    assert found.ci_lower < found.value < found.ci_upper


def test_pieces_that_differ_keep_the_interval_of_their_scatter():
    estimate = np.array([20.0, 45.0, 90.0])
    taus = pd.DataFrame(
        {"estimate": estimate, "ci_lower": estimate / 1.1, "ci_upper": estimate * 1.1}
    )
    found = _half_time("none", taus, EN)
    logs = np.log(estimate * math.log(2))
    want = stats.t.interval(0.95, 2, logs.mean(), stats.sem(logs))
    assert (found.ci_lower, found.ci_upper) == pytest.approx(np.exp(want))


@dataclass
class Share:
    value: float
    n_pieces: int
    text: str
    where: dict[str, Any]
    span: str = ""
    ci_lower: float = 0.0
    ci_upper: float = 0.5


def test_no_crack_is_told_with_how_long_they_were_watched():
    looks = pd.DataFrame({"piece": ["A0"], "on": ["2026-03-07"], "crack_mm": [0]})
    none = Share(0.0, 1, "0 of 1", {})
    assert _whole(none, book(looks=looks), EN) == (
        "No crack was found in 1 piece; the latest look was 6 days after turning"
    )
    some = Share(0.5, 2, "1 of 2", {})
    assert _whole(some, book(looks=looks), EN) == "A crack was found in 1 of 2 pieces"


def test_the_picture_of_shares_says_which_seals_it_leaves_out():
    shares = [
        Share(1 / 6, count, f"1 of {count}", {"group": seal})
        for seal, count in (("none", 6), ("wax", 6), ("paint", 3))
    ]
    (drawn,) = _figure(shares, EN)
    assert "Seals of fewer than 5 pieces stand in the table only." in drawn.caption
    (whole,) = _figure(shares[:2], EN)
    assert "fewer" not in whole.caption
    assert _figure([Share(0.0, 6, "0 of 6", s.where) for s in shares], EN) == ()


def test_the_advice_is_what_the_book_lacks():
    assert len(records_to_add(book())) == 4
    full = book(
        weighings=6,
        looks=pd.DataFrame({"piece": ["A0"], "on": ["2026-03-07"], "crack_mm": [0]}),
        air=pd.DataFrame({"on": ["2026-03-01"], "temp_c": [10.0], "rh_pct": [70.0]}),
        offcuts=pd.DataFrame({"wet_g": [100.0], "oven_dry_g": [60.0], "piece": ["A0"]}),
    )
    assert records_to_add(full) == ()
    assert [said.split()[0] for said in records_to_add(book(weighings=6))] == [
        "Dry", "Write", "Look",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("first", "last", "said"),
    [
        ("2026-03-01", "2026-03-04", None),  # each of the four days
        ("2026-03-04", "2026-07-01", "Of the 4 days from the first turning to the last weighing 1"),
        ("2026-06-01", "2026-07-01", "to the last weighing none had a reading"),
    ],
)
def test_an_air_log_of_another_time_is_not_told_as_the_air_they_dried_in(first, last, said):
    days = pd.date_range(first, last)
    air = pd.DataFrame({"on": days, "temp_c": 10.0, "rh_pct": 70.0})
    told = " ".join(season_sentences(book(weighings=4, air=air), EN))
    assert f"The air was measured on {len(days)} days" in told
    assert (said in told) if said else ("filled in" not in told)
