"""The oven-dry definition, and the species table as makers write names."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import woodlab as wl
from woodlab.wood import species as species_room
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
        ("beech", ("American beech", "European beech")),
        (
            "ash",
            (
                "black ash",
                "blue ash",
                "European ash",
                "green ash",
                "Oregon ash",
                "pumpkin ash",
                "white ash",
            ),
        ),
        ("Buche", ("European beech",)),
        ("Nußbaum", ("European walnut",)),
        ("Hainbuche", ("European hornbeam",)),
        ("Chêne", ("European oak", "sessile oak")),
        ("frene", ("European ash",)),
        ("Taxus baccata", ("European yew",)),
        ("Bubinga", ()),
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
    facts = species_facts("Bubinga")
    assert "does not know 'Bubinga'" in facts.note
    assert all(np.isnan(facts.figures[key]) for key in FIGURES)


@pytest.mark.parametrize("name", ["Sycamore", "plane", "Kastanie", "acacia", "mountain ash"])
def test_a_name_of_unlike_woods_is_asked_about(name):
    assert "write which one it is" in species_facts(name).note


def test_the_two_sycamores_lie_as_far_apart_as_their_published_figures():
    # American sycamore: Wood Handbook Table 4-3, 8.4 % tangential; the maple: 8.0 to 8.5 %.
    facts = species_facts("sycamore")
    assert facts.members == ("American sycamore", "sycamore maple")
    assert facts.figures["tangential_pct"] == pytest.approx((8.4 + 8.25) / 2)


def test_every_other_name_leads_to_a_wood_of_the_table():
    table = set(wl.species()["species"])
    names = species_room._other_names()
    assert all(set(woods) <= table for woods, _ in names.values())
    assert all(name == species_room._plain(name) for name in names)


# Total shrinkage, radial and tangential [%], as the named pages print it (November 2026).
@pytest.mark.parametrize(
    ("wood", "radial", "tangential"),
    [
        ("Buche", 5.7, 11.6),  # wood-database.com, European beech
        ("frêne", 5.0, 8.0),  # frey-amon.at, Ash; apptimber.com, European ash
        ("Stieleiche", 4.3, 8.9),  # jp.europeanwood.org, European oak
        ("noyer", 5.5, 7.5),  # wood-database.com, English walnut
        ("Eibe", 3.0, 5.2),  # wood-database.com, European yew
        ("houx", 5.4, 10.0),  # wood-database.com, English holly
        ("Erle", 5.0, 9.0),  # wood-database.com, European alder
    ],
)
def test_european_woods_have_their_published_shrinkage(wood, radial, tangential):
    figures = species_facts(wood).figures
    assert (figures["radial_pct"], figures["tangential_pct"]) == (radial, tangential)


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
