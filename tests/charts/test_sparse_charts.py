"""Charts of little: axes that a few days, a few pieces or a boundless ratio do not make absurd."""

import re

import pandas as pd
import pytest

import woodlab as wl
from woodlab.charts import intervals, ready, saving


def axis_words(chart):
    """Labels of the axes, as they are drawn."""
    return [word.strip() for word in re.findall(r">([^<>]+)<", saving.chart_svg(chart))]


def rates(upper, title="Pieces that cracked [%]", log=False, lower=0.0, estimate=0.0):
    frame = pd.DataFrame(
        {"label": ["ash"], "estimate": [estimate], "ci_lower": [lower], "ci_upper": [upper]}
    )
    return intervals.interval_chart(frame, title=title, log=log)


@pytest.mark.parametrize("upper", [4.0, 30.0, 56.1, 96.4])
def test_a_share_has_no_axis_below_nought_or_above_all(upper):
    numbers = [float(word.replace("−", "-")) for word in axis_words(rates(upper))
               if re.fullmatch(r"[−-]?[\d.]+", word)]  # fmt: skip
    assert min(numbers) == 0
    assert max(numbers) > 0.8 * upper
    assert max(numbers) <= 100


def test_a_boundless_ratio_is_cut_and_says_so():
    chart = rates(3.5, "Rate [ratio]", log=True, lower=5.7e-7, estimate=0.05)
    words = axis_words(chart)
    assert "Rate [ratio], with 95 % intervals; cut at 0.001 and 1000." in words
    assert not any(word.startswith("0.0001") or word.startswith("0.00001") for word in words)
    assert "5.7e-07" in chart.to_dict()["description"]  # the numbers are all told


def test_a_ratio_that_is_known_is_not_cut():
    words = axis_words(rates(3.5, "Rate [ratio]", log=True, lower=0.5, estimate=1.5))
    assert "Rate [ratio], with 95 % intervals." in words


@pytest.mark.parametrize(("step", "label"), [(1, "03 Mar"), (60, "May 26")])
def test_a_week_is_labelled_by_days_and_a_season_by_months(step, label):
    days = pd.date_range("2026-03-02", periods=6, freq=f"{step}D")
    weighings = pd.DataFrame({"piece": "A1", "on": days, "mass_g": range(1000, 940, -10)})
    pieces = pd.DataFrame({"piece": ["A1"], "seal": ["none"], "species": ["ash"]})
    words = axis_words(wl.charts.weighings_overview(weighings, pieces))
    assert label in words
    assert len(words) == len(set(words)), "one label stands at several places"


def curve(upper):
    rows = pd.DataFrame(
        {"piece": "A1", "part": "to come", "on": pd.date_range("2026-03-01", periods=3),
         "moisture_pct": [60.0, 50.0, 40.0], "lower_pct": [50.0, 40.0, 30.0],
         "upper_pct": [upper, upper - 5, upper - 10], "target_moisture_pct": 15.0}
    )  # fmt: skip
    return wl.charts.ready_curves(rows).to_dict()


@pytest.mark.parametrize(("upper", "top"), [(62.0, 62.0), (80.0, 80.0), (300.0, 90.0)])
def test_the_band_stays_inside_its_panel(upper, top):
    layers = curve(upper)["concat"][0]["layer"]
    (domain,) = {tuple(layer["encoding"]["y"]["scale"]["domain"]) for layer in layers
                 if "scale" in layer["encoding"].get("y", {})}  # fmt: skip
    assert domain == (0, top)
    assert layers[0]["mark"]["type"] == "area"
    assert layers[0]["mark"]["clip"] is True


@pytest.mark.parametrize("latest", [None, "2026-07-01"])
def test_an_open_end_is_named_where_there_is_one(latest):
    forecast = pd.DataFrame(
        {"piece": ["A1"], "seal": "none", "as_of": pd.Timestamp("2026-05-01"), "level": 0.9,
         "ready_on": pd.Timestamp("2026-06-01"), "earliest_on": pd.Timestamp("2026-05-10"),
         "latest_on": [pd.Timestamp(latest) if latest else pd.NaT]}
    )  # fmt: skip
    words = axis_words(ready.ready_dates(forecast))
    assert ("no latest day" in " ".join(words)) is (latest is None)
