"""Labels that lay upon each other in the charts of a maker's first book."""

import json

import numpy as np
import pandas as pd
import pytest

from woodlab.charts import blocks, ready
from woodlab.charts.studies import sealing


def test_words_that_would_touch_are_moved_apart_and_keep_their_order():
    placed = blocks.apart([10.0, 10.1, 50.0, 10.2], [0.0, 100.0])
    assert np.diff(np.sort(placed)).min() >= 7 - 1e-9  # 7 % of the whole
    assert np.argsort(placed).tolist() == [0, 1, 3, 2]
    assert placed[2] == 50.0
    high = blocks.apart([99.0, 100.0, 100.0], [0.0, 100.0])
    assert high.max() <= 100.0  # none leaves the panel


def test_names_of_logs_stand_where_their_lines_end():
    pairs = pd.DataFrame(
        {"log": ["A", "A", "B", "B", "C", "C"], "weeks": [40.0, 100, 42, 101, 40, 60],
         "seal": ["none", "wax", "none", "wax", "none", "paint"], "predicted": False}
    )  # fmt: skip
    text = json.dumps(sealing.pairs_by_log(pairs).to_dict())
    (named,) = [rows for rows in json.loads(text)["datasets"].values() if len(rows) == 3]
    ends = {row["log"]: (row["seal"], row["weeks"]) for row in named}
    assert ends["C"] == ("paint", pytest.approx(60.0))
    assert ends["A"][0] == ends["B"][0] == "wax"
    assert abs(np.log(ends["A"][1] / ends["B"][1])) >= 0.069 * np.log(101 / 40)


def test_the_day_that_a_forecast_looks_from_is_named_above_and_lies_upon_no_row():
    days = pd.to_datetime(["2026-09-01", "2026-10-01"])
    forecast = pd.DataFrame(
        {"piece": ["A1", "A2"], "seal": ["none", "wax"], "species": "ash", "place": None,
         "ready_on": days, "earliest_on": days, "latest_on": days, "level": 0.9,
         "as_of": pd.Timestamp("2026-08-17")}
    )  # fmt: skip
    chart = ready.ready_dates(forecast).to_dict()
    assert "17 August 2026" in json.dumps(chart["title"])
    texts = [layer["encoding"].get("text", {}).get("field") for layer in chart["layer"]]
    assert set(texts) - {None} == {"piece"}


def test_words_of_a_seal_beside_a_near_one_begin_at_its_own_bar():
    by_seal = pd.DataFrame(
        {"seal": ["none", "wax on end grain", "wax all over"], "weeks": [14.0, 17.0, 31.0],
         "crack_pct": 20.0, "ci_lower": 5.0, "ci_upper": 35.0, "n_cracked": 3, "n_looked": 21}
    )  # fmt: skip
    layers = sealing.weeks_against_cracks(by_seal).to_dict()["layer"]
    sides = {
        layer["mark"]["text"][0]: layer["mark"]["align"]
        for layer in layers
        if layer["mark"]["type"] == "text"
    }
    assert sides == {"Bare": "center", "With waxed": "left", "Waxed all": "right"}
