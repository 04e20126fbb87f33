"""Labels that lay upon each other in the charts of a maker's first book."""

import json

import pandas as pd

from woodlab.charts import ready
from woodlab.charts.studies import pairs as pairs_chart


def test_names_of_logs_stand_where_their_lines_end_and_share_a_place_when_near():
    pairs = pd.DataFrame(
        {"log": ["A", "A", "B", "B", "C", "C"], "weeks": [40.0, 100, 42, 101, 40, 60],
         "seal": ["none", "wax", "none", "wax", "none", "paint"]}
    )  # fmt: skip
    named = pairs_chart._names_at_the_end(pairs, ["none", "paint", "wax"])
    assert named[["seal", "log"]].values.tolist() == [["paint", "C"], ["wax", "A, B"]]
    chart = pairs_chart.pairs_by_log(pairs.assign(predicted=False))
    assert "A, B" in json.dumps(chart.to_dict())


def test_the_day_that_a_forecast_looks_from_is_named_at_the_foot():
    days = pd.to_datetime(["2026-09-01", "2026-10-01"])
    forecast = pd.DataFrame(
        {"piece": ["A1", "A2"], "seal": ["none", "wax"], "species": "ash", "place": None,
         "ready_on": days, "earliest_on": days, "latest_on": days, "level": 0.9,
         "as_of": pd.Timestamp("2026-08-17")}
    )  # fmt: skip
    layers = ready.ready_dates(forecast).to_dict()["layer"]
    (word,) = [
        layer for layer in layers if layer["encoding"].get("text", {}).get("field") == "says"
    ]
    assert word["encoding"]["y"] == {"value": "height"}
