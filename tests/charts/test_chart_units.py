"""Charts of a book kept in pounds and inches: no millimetre and no gram is left to read."""

import contextlib
import doctest
import importlib
import inspect
import json
import re

import numpy as np
import pandas as pd
import pytest

from woodlab import charts
from woodlab.charts import drying, intervals, saving
from woodlab.charts.studies import bowls
from woodlab.errors import WoodlabError
from woodlab.show import answering_in
from woodlab.words import SHOWN_UNITS

METRIC_WORDS = re.compile(r"[^\"]*(?:\d (?:mm|g)\b|\[(?:mm|g)\])[^\"]*")
# what is said of a step of just that length stays, with its length in inches beside it
STEP = "per 10 mm (about 3/8 in)"
NO_CHART = {"use_charts", "save_chart", "themed", "SortableList", "ready_list", "drawn"}


@pytest.fixture(autouse=True)
def in_pounds():
    with answering_in(SHOWN_UNITS["lb-in"]):
        yield


def made(name, monkeypatch):
    """The charts of the function's own examples."""
    seen = []
    for module in (importlib.import_module(f"woodlab.charts.{charts._HOME_OF[name]}"), intervals):
        themed = module.themed
        monkeypatch.setattr(module, "themed", lambda *a, of=themed, **k: seen.append(of(*a, **k))
                            or seen[-1])  # fmt: skip
    scope = {"pd": pd, "np": np, name: getattr(charts, name)}
    for example in doctest.DocTestParser().get_examples(inspect.getdoc(getattr(charts, name))):
        with contextlib.suppress(WoodlabError):
            exec(compile(example.source, name, "single"), scope)
    return seen


@pytest.mark.parametrize("name", sorted(set(charts.__all__) - NO_CHART))
def test_no_chart_leaves_a_metric_word(name, monkeypatch):
    seen = made(name, monkeypatch)
    assert seen
    for chart in seen:
        text = json.dumps(saving.spec_of(chart), ensure_ascii=False).replace(STEP, "")
        assert METRIC_WORDS.findall(text) == []


def test_what_is_drawn_is_scaled_and_its_axis_named():
    frame = pd.DataFrame({"piece": "A1", "on": pd.to_datetime(["2026-03-01", "2026-04-01"]),
                          "mass_g": [1360.77711, 907.18474]})  # fmt: skip
    chart = drying.drying_curves(frame, frame)
    (drawn,) = {tuple(row["mass_g"] for row in rows)
                for rows in saving.spec_of(chart)["datasets"].values()}  # fmt: skip
    assert drawn == pytest.approx((3.0, 2.0))
    assert "Mass [lb]" in saving.chart_svg(chart)
    assert "A1 from 3 lb 0.0 oz to 2 lb 0.0 oz" in chart.description
    assert frame["mass_g"].iloc[0] == 1360.77711  # the frame stays as it is
    small = drying.residuals(pd.DataFrame({"piece": "A1", "days": [0], "residual_g": [2.8349523]}))
    assert "Weighed minus fitted [oz]" in saving.chart_svg(small)
    assert "within 0.1 oz of the curves" in small.description


def test_an_axis_that_is_fixed_ends_at_the_same_length():
    outline = pd.DataFrame({"scale": "true to scale", "state": ["green", "dried"], "order": 0,
                            "across_mm": [127.0, 120.0], "along_mm": [127.0, 126.0]})  # fmt: skip
    x = bowls.rim_from_above(outline).to_dict()["concat"][0]["layer"][0]["encoding"]["x"]
    assert x["scale"]["domain"] == pytest.approx([-5.25, 5.25])
    assert x["title"] == "Across the grain [in]"


def test_walls_are_counted_in_classes_that_a_rule_shows():
    found = pd.DataFrame({"species": "ash", "wall_mm": [15.0, 20.0, 30.0, 45.0], "seal": "none",
                          "crack_on": pd.NaT})  # fmt: skip
    told = charts.cracks_as_counts(found).description
    for wall in ("under 3/4 in", "3/4 to 1 1/16 in", "1 1/8 to 1 7/16 in", "1 1/2 in and over"):
        assert f"ash, {wall}: 0 of 1" in told


def test_estimates_of_lengths_are_scaled_with_their_title():
    frame = pd.DataFrame({"label": ["ash"], "estimate": [25.4], "ci_lower": [12.7],
                          "ci_upper": [50.8]})  # fmt: skip
    told = charts.interval_chart(frame, title="Wall [mm]").description
    assert told.endswith("Wall [in] with 95 % intervals: ash: 1 (0.5 to 2).")
