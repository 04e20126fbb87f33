"""The oven-dry definition, and the species table as makers write names."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import woodlab as wl
from woodlab.wood.species import FIGURES, species_facts


def test_the_definition_on_a_published_example(outside):
    outside(
        "moisture of red oak, 136 g green and 100 g oven-dry [%]",
        published=36.0,
        ours=wl.moisture_pct(136, 100),
        within=1e-12,
        source="Purdue Extension FNR-156",
        status="seen_secondary",
    )


@given(st.floats(1, 1e5), st.floats(0, 300))
def test_moisture_and_oven_dry_mass_are_inverse(dry, moisture):
    wet = dry * (1 + moisture / 100)
    assert wl.oven_dry_g(wet, wl.moisture_pct(wet, dry)) == pytest.approx(dry)


def test_an_impossible_oven_dry_mass_is_refused():
    with pytest.raises(wl.WoodlabError, match="oven_dry_g must be above zero"):
        wl.moisture_pct([136, 120], [100, 0])


@pytest.mark.parametrize(
    ("written", "members"),
    [
        ("Sugar Maple", ("sugar maple",)),
        ("maple, sugar", ("sugar maple",)),
        ("Acer saccharum", ("sugar maple",)),
        ("northern red oak", ("northern red oak",)),
        ("beech", ("American beech",)),
        ("ash", ("black ash", "blue ash", "green ash", "Oregon ash", "pumpkin ash", "white ash")),
        ("Buche", ()),
        ("", ()),
    ],
)
def test_a_name_as_makers_write_it(written, members):
    assert species_facts(written).members == members


def test_a_group_says_that_it_is_one_and_how_far_its_members_lie_apart():
    facts = species_facts("hard maple")
    assert "mean of sugar maple, black maple" in facts.note
    assert facts.spread["tangential_pct"] == pytest.approx((9.9 - 9.3) / 2)


def test_an_unknown_name_gives_no_figures():
    facts = species_facts("Buche")
    assert "does not know 'Buche'" in facts.note
    assert all(np.isnan(facts.figures[key]) for key in FIGURES)


def test_each_figure_has_a_source_and_a_status():
    table = wl.species()
    for figure, status, source in [
        ("basic_sg", "basic_sg_status", "basic_sg_source"),
        ("radial_pct", "shrinkage_status", "shrinkage_source"),
        ("volumetric_pct", "volumetric_status", "shrinkage_source"),
        ("green_moisture_pct", "green_moisture_status", "green_moisture_source"),
        ("green_heartwood_pct", "green_parts_status", "green_parts_source"),
        ("radial_change_per_pct", "change_status", "change_source"),
    ]:
        rows = table[table[figure].notna()]
        assert rows[[status, source]].notna().all(axis=None), figure
        assert set(rows[status]) <= {"seen_source", "seen_secondary", "from_memory"}


def test_the_table_is_handed_out_as_a_copy():
    table = wl.species()
    table.loc[0:, "basic_sg"] = -1
    assert (wl.species()["basic_sg"].dropna() > 0).all()
