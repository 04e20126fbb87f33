# ruff: noqa: E501 - rows of cases are easier to compare in one line
"""Words of makers in three languages: cracks, ends, headings."""

import pytest

from woodlab.book.sheet.cells import read_mass
from woodlab.book.sheet.words import heading, read_words, yes_or_no


@pytest.mark.parametrize(
    ("text", "crack"),
    [
        ("cracked!", "yes"), ("Riss am Rand", "yes"), ("fente au bord", "yes"), ("split", "yes"),
        ("gerissen", "yes"), ("fendu", "yes"), ("checks at rim", "yes"), ("Haarriss", "yes"),
        ("no cracks", "no"), ("kein Riss", "no"), ("keine Risse", "no"), ("pas de fente", "no"),
        ("sans fissure", "no"), ("not cracked", "no"), ("ohne Risse", "no"),
        ("spalted", ""), ("check weight", ""), ("new scale", ""), ("Grissini", ""),
    ],
)  # fmt: skip
def test_cracks_and_their_absence(text, crack):
    assert read_words(text).crack == crack


@pytest.mark.parametrize(
    ("text", "outcome"),
    [
        ("firewood", "scrapped"), ("Brennholz", "scrapped"), ("brûlé", "scrapped"),
        ("Ofen", "scrapped"), ("bois de chauffage", "scrapped"), ("sold", "given away"),
        ("verkauft", "given away"), ("vendu", "given away"), ("given to a friend", "given away"),
        ("finished", "finished"), ("fertig gedreht", "finished"), ("terminé", "finished"),
        ("gone", ""), ("weg", ""), ("parti", ""),
    ],
)  # fmt: skip
def test_ends(text, outcome):
    said = read_words(text)
    assert said.ended
    assert said.outcome == outcome


@pytest.mark.parametrize("text", ["bark gone", "lost the tag", "Riss offen", "new scale"])
def test_what_is_no_end(text):
    assert not read_words(text).ended


@pytest.mark.parametrize(
    ("cell", "mass_g", "crack", "size"),
    [
        ("1380 cracked", 1380, "yes", None), ("1380, crack 5 mm", 1380, "yes", 5),
        ("1.38 kg gerissen", 1380, "yes", None), ("cracked, 1380 g", 1380, "yes", None),
        ("1380 (fente 1,2 cm)", 1380, "yes", 12), ("1380 no crack", 1380, "no", None),
    ],
)  # fmt: skip
def test_a_weight_beside_words_is_kept(cell, mass_g, crack, size):
    mass = read_mass(cell)
    assert (mass.mass_g, mass.said.crack, mass.said.crack_mm) == (mass_g, crack, size)


@pytest.mark.parametrize("cell", ["12 mm crack", "3 cracks", "2 Risse", "crack 12"])
def test_a_size_or_a_count_is_no_weight(cell):
    mass = read_mass(cell)
    assert not mass.mass_g > 0
    assert mass.said.crack == "yes"


@pytest.mark.parametrize(
    ("text", "meaning", "unit"),
    [
        ("Gewicht [g]", "mass", "g"), ("Poids en kg", "mass", "kg"), ("weight in lbs", "mass", "lb"),
        ("Datum", "on", None), ("date de pesée", "on", None), ("Schale Nr.", "piece", None),
        ("N°", "number", None), ("Wandstärke/cm", "wall_mm", "cm"), ("épaisseur (mm)", "wall_mm", "mm"),
        ("Boden (cm)", "foot_wall_mm", "cm"), ("foot thickness", "foot_wall_mm", None),
        ("GEDREHT AM", "turned_on", None), ("tourné le", "turned_on", None), ("Essence", "species", None),
        ("Holzart", "species", None), ("Bemerkungen", "note", None), ("Remarque", "note", None),
        ("Durchmesser Zoll", "rim_mm", "in"), ('Dia "', "rim_mm", "in"), ("Crack mm", "crack", "mm"),
        ("Diameter of bowl", "rim_mm", None), ("Gewichtsverlust", "", None), ("seal weight (g)", "seal_g", "g"),
        ("weight loss", "other", None), ("Turner", "maker", None), ("shelf", "place", None),
    ],
)  # fmt: skip
def test_headings_in_three_languages(text, meaning, unit):
    found = heading(text)
    assert (found.meaning, found.unit) == (meaning, unit)


@pytest.mark.parametrize(
    ("cell", "answer"), [("nein", "no"), ("Non", "no"), ("oui", "yes"), ("ja", "yes"), ("wax", "")]
)
def test_yes_and_no(cell, answer):
    assert yes_or_no(cell) == answer
