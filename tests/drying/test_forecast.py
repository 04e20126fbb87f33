"""Forecasts: the frame, the words, the guards, and that the air and the draws behave."""

from __future__ import annotations

import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import woodlab as wl
from woodlab.drying.air_to_come import RESTS_ON, air_to_come
from woodlab.drying.forecast import COLUMNS, forecast_ready
from woodlab.drying.law_weights import stack
from woodlab.drying.ready_numbers import quantiles
from woodlab.drying.simulate import SeasonTruth, simulate_season
from woodlab.drying.weather import Climate, invented_air

AS_OF = "2026-04-20"


@pytest.fixture(scope="module")
def season():
    rng = np.random.default_rng(8)
    start = pd.Timestamp("2026-01-10")
    n = 12
    pieces = pd.DataFrame(
        {
            "piece": [f"P{i}" for i in range(n)], "species": "sugar maple",
            "turned_on": start + pd.to_timedelta(rng.integers(0, 40, n), unit="D"),
            "wall_mm": rng.integers(18, 36, n).astype(float),
            "seal": ["none", "wax all over"] * (n // 2), "log": [f"L{i % 3}" for i in range(n)],
        }
    )  # fmt: skip
    air = invented_air("2025-01-10", 900, seed=8)
    later = air[air["on"] >= start].reset_index(drop=True)
    simulated = simulate_season(pieces, later, seed=8, truth=SeasonTruth())
    tables = {**simulated.book.tables(), "air": air}
    return simulated, wl.RecordBook.from_frames(**tables)


@pytest.fixture(scope="module")
def frame(season):
    fits = SimpleNamespace(book=season[1])
    return forecast_ready(fits, AS_OF, 15.0, draws=120, laws=("slab",))


def test_columns_and_order_of_dates(frame):
    assert list(frame.columns) == list(COLUMNS)
    assert list(frame.columns[:7]) == [
        "piece", "moisture_now_pct", "p_ready_now", "ready_on", "earliest_on", "latest_on",
        "reason",
    ]  # fmt: skip
    dated = frame.dropna(subset=["ready_on", "latest_on"])
    assert len(dated) >= 6
    assert (dated["earliest_on"] <= dated["ready_on"]).all()
    assert (dated["ready_on"] <= dated["latest_on"]).all()
    assert frame["p_ready_now"].between(0, 1).all()
    assert (frame["reason"].str.len() > 10).all()


def test_the_laws_are_named_with_their_shares(frame):
    said = frame["laws"].iloc[0]
    assert re.fullmatch(r"slab 1\.00; chance that rates follow the warmth (0\.\d\d|1\.00)", said)


def test_moisture_now_is_near_the_truth(season, frame):
    true = season[0].moisture.loc[AS_OF].reindex(frame["piece"]).to_numpy()
    assert np.sqrt(np.mean((frame["moisture_now_pct"] - true) ** 2)) < 2.0
    assert (
        (frame["now_lower_pct"] - 0.3 <= true) & (true <= frame["now_upper_pct"] + 0.3)
    ).mean() > 0.6


def test_nothing_later_than_as_of_is_used(season, frame):
    cut = SimpleNamespace(book=season[1].until(AS_OF))
    again = forecast_ready(cut, AS_OF, 15.0, draws=120, laws=("slab",))
    pd.testing.assert_frame_equal(frame, again)


def test_a_lower_target_is_reached_later(season, frame):
    fits = SimpleNamespace(book=season[1])
    lower = forecast_ready(fits, AS_OF, 14.0, draws=120, laws=("slab",))
    both = frame["ready_on"].notna() & lower["ready_on"].notna()
    assert (lower["ready_on"][both] >= frame["ready_on"][both]).all()
    assert (lower["p_ready_now"] <= frame["p_ready_now"] + 1e-9).all()


def test_a_piece_that_will_not_get_there_says_so_and_names_drier_air(season):
    fits = SimpleNamespace(book=season[1])
    dry = forecast_ready(fits, AS_OF, 7.0, draws=60, laws=("slab",))
    assert dry["ready_on"].isna().all()
    assert dry["reason"].str.startswith("will probably not reach 7.0 %").all()
    thin = dry.sort_values("wall_mm").iloc[0]
    # wood at 7 % needs air whose equilibrium is lower: under 36 % humidity at 20 C by the
    # published table of equilibrium moisture (7.1 % at 70 F and 35 %)
    assert thin["drier_air_rh_pct"] < 36
    assert "relative humidity" in thin["reason"]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"target_moisture_pct": 0.12}, "target_moisture_pct = 0.12 is not usable"),
        ({"level": 90}, "level = 90 is not usable"),
        ({"as_of": "May the fifth"}, "is not a date"),
        ({"as_of": "12.1.2026"}, "is not a date"),
        ({"target_moisture_pct": "12"}, "target_moisture_pct = '12' is not a number"),
        ({"draws": 3}, "draws = 3 is too few"),
        ({"laws": ("spline",)}, "no pooled law 'spline'"),
        ({"monthly_air": pd.DataFrame({"month": [1]})}, "one row for each month"),
    ],
)
def test_requests_that_cannot_be_met(season, options, said):
    with pytest.raises(wl.WoodlabError, match=said):
        forecast_ready(SimpleNamespace(book=season[1].until("2026-02-01")), **options)


def test_air_draws_cover_the_weather_that_came():
    held = []
    for seed in range(12):
        air = invented_air("2024-01-10", 800, seed=seed, climate=Climate())
        level = np.asarray(wl.equilibrium_moisture(air["temp_c"], air["rh_pct"]))
        drawn = air_to_come(air.iloc[:400], np.datetime64("2025-02-12"), 300, draws=200, seed=1)
        months = drawn.equilibrium_pct[:, 0].reshape(200, 10, 30).mean(axis=2)
        true = level[400:700].reshape(10, 30).mean(axis=1)
        low, high = np.quantile(months, (0.05, 0.95), axis=0)
        held.append(((low <= true) & (true <= high)).mean())
    assert 0.75 <= np.mean(held) <= 1.0


def test_air_to_come_says_what_it_rests_on():
    air = invented_air("2025-01-01", 60, seed=1)
    day = np.datetime64("2025-03-01")
    monthly = pd.DataFrame({"month": range(1, 13), "temp_c": 20.0, "rh_pct": 65.0})
    assert air_to_come(air, day, 30, draws=50, seed=1).rests_on == RESTS_ON[1]
    assert air_to_come(air.iloc[:0], day, 30, draws=50, seed=1).rests_on == RESTS_ON[3]
    given = air_to_come(air.iloc[:0], day, 365, draws=400, seed=1, monthly=monthly)
    assert given.rests_on == RESTS_ON[2]
    level = float(wl.equilibrium_moisture(20.0, 65.0))
    assert given.equilibrium_pct.mean() == pytest.approx(level, rel=0.03)


def test_same_seed_same_air():
    air = invented_air("2025-01-01", 200, seed=1)
    one, two = (
        air_to_come(air, np.datetime64("2025-07-19"), 40, draws=10, seed=3).equilibrium_pct
        for _ in range(2)
    )
    assert (one == two).all()


def test_quantiles_of_weighted_draws():
    rng = np.random.default_rng(0)
    draws = rng.normal(size=(2, 4001))
    even = np.full(draws.shape, 1 / 4001)
    assert quantiles(draws, even, (0.5, 0.9))[:, 0] == pytest.approx(
        np.quantile(draws[0], (0.5, 0.9)), abs=0.01
    )
    # weights that tilt a standard normal to mean 0.7
    tilt = np.exp(0.7 * draws)
    tilt /= tilt.sum(axis=1, keepdims=True)
    assert quantiles(draws, tilt, (0.5,))[0] == pytest.approx(0.7, abs=0.06)


def test_stack_finds_the_law_that_foretells():
    rng = np.random.default_rng(1)
    good, bad = rng.normal(-1, 0.1, 40), rng.normal(-4, 0.1, 40)
    assert stack(np.array([good, bad]))[0] > 0.95
    assert stack(np.array([good, good])) == pytest.approx([0.5, 0.5])
