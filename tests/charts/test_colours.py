"""The colours: contrast computed, kinds that part for every eye and in grey, one order of seals."""

import altair as alt
import numpy as np
import pandas as pd
import pytest
import sight

from woodlab import words
from woodlab.charts import colours, saving
from woodlab.charts.theme import series_encoding


def test_contrast_of_known_pairs():
    # WCAG 2.1, definition of contrast ratio: 21 of black on white, 1 of a colour on itself
    assert sight.contrast("#000000", "#ffffff") == pytest.approx(21, abs=0.01)
    assert sight.contrast("#9c3210", "#9c3210") == 1


def test_lightness_of_white_and_of_a_grey():
    assert sight.lab("#ffffff") == pytest.approx([100, 0, 0], abs=0.02)
    assert sight.lab("#777777")[0] == pytest.approx(50.03, abs=0.05)  # CIE L* by hand


def test_every_colour_keeps_the_contrast_that_it_needs():
    table = sight.contrasts()
    assert len(table) > 50
    assert table[table["least"] < table["needs"]].empty


@pytest.mark.parametrize("mode", [0, 1], ids=["light", "dark"])
def test_seals_and_kinds_part_for_every_eye(mode):
    seals = [pair[mode] for pair in colours.SEALS.values()]
    assert sight.least_distance(seals, ["normal", "protan", "deutan"]) > 30
    assert sight.least_distance(seals) > 25  # tritan, the rarest
    assert sight.least_distance(seals, ["grey"]) > 12
    kinds = [colours.ROLES[name][mode] for name in ("ready", "cracked", "waiting")]
    assert sight.least_distance(kinds, ["normal", "protan", "deutan"]) > 25


def test_series_part_for_every_eye_and_in_grey():
    assert sight.least_distance(colours.SERIES) > 18
    assert sight.least_distance(colours.SERIES, ["grey"]) > 5  # shape and dash say it again


@pytest.mark.parametrize("mode", [0, 1], ids=["light", "dark"])
def test_moisture_is_one_even_ramp(mode):
    lightness = np.array([sight.lab(pair[mode])[0] for pair in colours.MOISTURE])
    steps = np.diff(lightness) * (-1 if mode == 0 else 1)
    assert steps.min() > 7
    assert steps.max() < 1.6 * steps.min()


def test_a_seal_keeps_its_colour_and_place_whoever_is_beside_it():
    assert words.order_of_seals(["wax all over", "none"]) == ["none", "wax all over"]
    among = ["wax all over", "oil", "paint all over", "none"]
    look = dict(zip(among, colours.seal_colours(among), strict=True))
    assert look["wax all over"] == colours.seal_colours(["wax all over"])[0]
    assert len(set(look.values())) == 4
    drawn = saving.chart_svg(
        alt.Chart(pd.DataFrame({"seal": among, "x": range(4)}))
        .mark_point()
        .encode(x="x:Q", **series_encoding("seal", "Seal", mark="point", domain=among))
    )
    assert all(colour in drawn for colour in look.values())


def test_more_seals_of_a_makers_own_than_spare_colours_still_get_one_each():
    names = [f"mix {k}" for k in range(7)]
    assert len(set(colours.seal_colours(names))) == 7


def test_every_light_colour_has_a_dark_twin_of_its_own():
    assert len(set(colours.TWINS.values())) == len(colours.TWINS)
    spec = {"a": ["#1d1d1b", "#ffffff"], "b": "#123456"}
    assert colours.recoloured(spec, "dark") == {"a": ["#eeebe4", "#14171b"], "b": "#123456"}
    greys = colours.recoloured(spec, "grey")["a"]
    assert all(colour[1:3] == colour[3:5] == colour[5:7] for colour in greys)
