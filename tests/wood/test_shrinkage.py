"""Shrinkage between two moistures, against the Wood Handbook's table, relation and example."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import woodlab as wl
from woodlab.wood.shrinkage import LONGITUDINAL_PCT, green_to_dry, strain_between, total_from_strain

# Change of size per point of moisture, printed to five decimals, of the species whose shrinkage
# was read in the same book: USDA Forest Products Laboratory, Wood Handbook, FPL-GTR-190 (2010),
# Table 13-5. Their shrinkage S is Table 4-3 of the species table.
TABLE = pd.read_csv(Path(__file__).parent / "data" / "wood_handbook_table_13_5.csv")
SOURCE = "Wood Handbook GTR-190 Table 13-5"

# Printed together with a sibling and with the sibling's figures: their own S gives another C.
PRINTED_AS = {"cedar elm": "winged elm", "green ash": "white ash", "sweet birch": "yellow birch"}


def changes_per_point(species: str) -> dict[str, float]:
    """Ours: the change from 10 to 9 % moisture, as a part of the size at 10 %."""
    step = wl.shrinkage(species, 9, 10)
    return {"radial": step.radial_pct / 100, "tangential": step.tangential_pct / 100}


@pytest.mark.parametrize("row", list(TABLE.itertuples()), ids=TABLE["species"])
def test_change_per_point_of_moisture_is_the_printed_one(row, outside):
    like = PRINTED_AS.get(row.species, row.species)
    for part, ours in changes_per_point(like).items():
        outside(
            f"{row.species}, {part} change of size per point of moisture",
            published=getattr(row, f"{part}_change_per_pct"),
            ours=ours,
            within=1e-5,
            source=SOURCE + (f" (printed with {like})" if like != row.species else ""),
        )


def test_sixty_six_cells_agree_by_their_own_shrinkage():
    agree = [
        abs(ours - getattr(row, f"{part}_change_per_pct")) <= 1e-5
        for row in TABLE.itertuples()
        for part, ours in changes_per_point(row.species).items()
    ]
    assert (len(agree), sum(agree)) == (72, 66)


def test_the_worked_board(outside):
    # Its inputs (8 to 11 %, change 0.00246 per point) are from memory; the result is the source's.
    total = 3000 * 0.00246 / (1 + 20 * 0.00246)
    per_point = strain_between(total, 9, 10) / 100
    outside(
        "flat-sawn board 232 mm wide, gain from 8 to 11 % moisture [mm]",
        published=1.7,
        ours=232 * per_point * 3,
        within=0.05,
        source="Wood Handbook chapter 13, worked example",
    )
    exact = -232 * strain_between(total, 11, 8) / 100
    outside(
        "the same by S_x = S_0 (1 - x/30), exactly [mm]",
        published=1.7,
        ours=exact,
        within=0.05,
        source="Wood Handbook chapter 13, worked example",
    )


def test_shrinkage_from_green_is_linear_in_moisture():
    # S_x = S_0 (1 - x/30), Wood Handbook FPL-GTR-282 eq. 4-9, done by hand for American beech
    # (Table 4-3: radial 5.5, tangential 11.9, volumetric 17.2).
    beech = wl.shrinkage("American beech", [0, 6, 15, 30])
    np.testing.assert_allclose(beech.radial_pct, [5.5, 4.4, 2.75, 0], atol=1e-12)
    np.testing.assert_allclose(beech.tangential_pct, [11.9, 9.52, 5.95, 0], atol=1e-12)
    np.testing.assert_allclose(beech.volumetric_pct, [17.2, 13.76, 8.6, 0], atol=1e-12)
    assert beech.status == "seen_source"
    assert "Table 4-3" in beech.source


def test_longitudinal_shrinkage_is_within_the_published_range():
    # 0.1 to 0.2 % green to oven-dry in normal wood (Wood Handbook chapter 4, seen_secondary)
    assert 0.1 <= LONGITUDINAL_PCT <= 0.2
    assert wl.shrinkage("black walnut", 15).longitudinal_pct == pytest.approx(LONGITUDINAL_PCT / 2)


@given(
    st.floats(0.1, 20),
    st.lists(st.floats(0, 60), min_size=3, max_size=3),
    st.floats(22, 36),
)
def test_two_steps_make_the_whole(total, moistures, saturation):
    first, middle, last = moistures
    size = 1.0
    for reached, start in ((middle, first), (last, middle)):
        size *= 1 - strain_between(total, reached, start, saturation) / 100
    assert size == pytest.approx(1 - strain_between(total, last, first, saturation) / 100)


@given(st.floats(0.5, 15), st.floats(0, 20), st.floats(24, 90))
def test_a_strain_tells_its_total(total, moisture, start):
    strain = strain_between(total, moisture, start)
    assert total_from_strain(strain, moisture, start) == pytest.approx(total)
    assert np.isnan(total_from_strain(0.0, 40, 50))  # above fibre saturation it tells nothing


def test_above_fibre_saturation_it_says_that_nothing_has_moved():
    wet = wl.shrinkage("sugar maple", 45, 80)
    assert wet.tangential_pct == 0
    assert wet.reason == (
        "at 45 % moisture, above fibre saturation (30 %), wood has its green size"
    )
    from_wet = wl.shrinkage("sugar maple", 8, 80)
    assert from_wet.tangential_pct == wl.shrinkage("sugar maple", 8).tangential_pct
    assert from_wet.reason == ""


def test_swelling_is_negative_and_named():
    swollen = wl.shrinkage("sugar maple", 12, 8)
    assert swollen.tangential_pct < 0
    assert "swelling" in swollen.reason


@pytest.mark.parametrize("name", ["Bubinga", "", "teak", "枫树"])
def test_an_unknown_species_is_answered_in_words(name):
    answer = wl.shrinkage(name, 8)
    assert np.isnan(answer.radial_pct)
    assert np.isnan(answer.tangential_pct)
    assert f"does not know {name!r}" in answer.reason
    assert "source of your own" in answer.reason


def test_a_slip_of_the_pen_is_answered_with_its_neighbours():
    assert "near it: black walnut" in wl.shrinkage("blak walnut", 8).reason


def test_a_missing_figure_stays_missing():
    birch = wl.shrinkage("gray birch", 8)
    assert np.isnan(birch.tangential_pct)
    assert birch.radial_pct == pytest.approx(5.2 * 22 / 30)
    assert "no tangential figure" in birch.reason


def test_a_group_is_a_mean_that_names_its_members():
    # Table 4-3: hard maple stands for sugar maple (9.9) and black maple (9.3)
    hard = wl.shrinkage("hard maple", 0)
    assert hard.tangential_pct == pytest.approx((9.9 + 9.3) / 2)
    assert "mean of sugar maple, black maple" in hard.reason
    assert hard.status == "from_memory"  # black maple's figures are: the weakest counts


def test_change_per_point_stands_in_where_the_first_table_is_silent():
    apple = green_to_dry("apple")
    assert "Table 13-5" in apple.source
    assert apple.status == "seen_source"
    assert changes_per_point("apple")["tangential"] == pytest.approx(0.00376)
    assert changes_per_point("apple")["radial"] == pytest.approx(0.00205)


def test_frame_has_a_row_for_each_moisture():
    frame = wl.shrinkage("white ash", [8, 12]).frame
    assert frame["moisture_pct"].tolist() == [8, 12]
    assert frame["species"].tolist() == ["white ash"] * 2
    assert len(wl.shrinkage("white ash", 8).frame) == 1


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: wl.shrinkage("sugar maple", -1),
            r"moisture_pct must be zero or more \(found -1\)",
        ),
        (lambda: wl.shrinkage("sugar maple", 8, -2), "from_moisture_pct must be zero or more"),
        (
            lambda: wl.shrinkage("sugar maple", 8, fibre_saturation_pct=0),
            "fibre_saturation_pct must be above zero",
        ),
    ],
)
def test_impossible_moistures_are_refused(call, message):
    with pytest.raises(wl.WoodlabError, match=message):
        call()


def test_a_moisture_not_known_gives_a_shrinkage_not_known():
    assert np.isnan(wl.shrinkage("sugar maple", np.nan).tangential_pct)
