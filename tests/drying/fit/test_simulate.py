"""Seasons of known truth: the demo, and what the simulator promises."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import woodlab as wl
from woodlab.demo import demo_season
from woodlab.drying.simulate import Schedule, SeasonTruth, simulate_season
from woodlab.drying.weather import Climate, invented_air

DEMO = Path(__file__).resolve().parents[3] / "data_demo"


@pytest.fixture(scope="module")
def season():
    return demo_season()


def two_pieces(**columns):
    frame = pd.DataFrame(
        {
            "piece": ["A1", "A2"],
            "species": "sugar maple",
            "log": "A",
            "turned_on": pd.Timestamp("2026-01-10"),
            "wall_mm": [25.0, 25.0],
            "seal": ["none", "wax all over"],
            "rim_mm": 240.0,
        }
    )
    return frame.assign(**columns)


def test_the_folder_holds_what_the_command_makes():
    """Own output, guards against change only."""
    book, made = wl.open_book(DEMO), wl.demo_book()
    for table in ("pieces", "weighings", "looks", "air", "offcuts", "rims"):
        pd.testing.assert_frame_equal(
            getattr(book, table), getattr(made, table), rtol=1e-3, atol=1.01
        )


def test_the_demo_is_what_the_job_is(season):
    book = wl.open_book(DEMO)
    assert 80 <= len(book.pieces) <= 100
    assert book.pieces["log"].nunique() == 24
    assert book.pieces["species"].nunique() == 5
    assert book.pieces["seal"].nunique() == 4
    assert book.pieces["wall_mm"].between(18, 40).all()
    assert 5 <= len(book.doubts) <= 15
    days = (season.ready_on(15.0) - season.truth.set_index("piece")["turned_on"]).dt.days
    bare = days[(season.truth["seal"] == "none").to_numpy()]
    waxed = days[(season.truth["seal"] == "wax all over").to_numpy()]
    assert 40 <= bare.median() <= 130  # weeks to months
    assert waxed.median() >= 2 * bare.median()  # months to a year


def test_what_is_weighed_is_what_is_true_to_the_scale(season):
    book, truth = season.book, season.truth.set_index("piece")
    row = book.weighings.iloc[1000]
    piece = truth.loc[row["piece"]]
    moisture = season.moisture.loc[row["on"], row["piece"]]
    expected = piece["oven_dry_g"] * (1 + moisture / 100) + piece["sealer_g"]
    assert row["mass_g"] == pytest.approx(expected, abs=4)


def test_a_seal_dries_slower_and_more_evenly():
    """Common practice, no source: sealing slows drying and evens the moisture in the wall."""
    season = simulate_season(two_pieces(), invented_air("2026-01-01", 300, seed=1), seed=2)
    assert season.moisture["A2"].iloc[100] > season.moisture["A1"].iloc[100] + 5
    bare, waxed = season.truth["core_to_surface_pct"]
    assert waxed < bare / 2


def test_the_film_law_of_a_season_is_the_film_law():
    """Second route: constant air, no scatter, against the law's own function."""
    air = pd.DataFrame(
        {"on": pd.date_range("2026-01-01", periods=120), "temp_c": 20.0, "rh_pct": 65.0}
    )
    truth = SeasonTruth(law="film", log_sd=0, piece_sd=0, green_sd_pct=0)
    season = simulate_season(two_pieces(), air, seed=1, truth=truth)
    drawn = season.truth.iloc[0]
    params = {
        "start_moisture_pct": drawn["start_moisture_pct"],
        "diffusivity_m2_s": drawn["diffusivity_m2_s"],
        "surface_m_s": drawn["surface_m_s"],
    }
    days = np.array([5.0, 20.0, 60.0])
    emc = wl.equilibrium_moisture(20, 65)
    law = wl.laws.LAWS["film"].moisture(days, params, 25.0, emc)
    simulated = season.moisture["A1"].dropna().to_numpy()[days.astype(int)]
    np.testing.assert_allclose(simulated, np.ravel(law), atol=0.05)


def test_one_seed_one_season():
    air = invented_air("2026-01-01", 120, seed=1)
    one, same, other = (simulate_season(two_pieces(), air, seed=seed) for seed in (5, 5, 6))
    pd.testing.assert_frame_equal(one.book.weighings, same.book.weighings)
    assert not one.book.weighings.equals(other.book.weighings)


def test_the_schedule_is_kept():
    schedule = replace(Schedule(), look_every=3, look_until=60, jitter_days=0)
    air = invented_air("2026-01-01", 120, seed=1)
    book = simulate_season(two_pieces(), air, seed=1, schedule=schedule).book
    on = book.looks[book.looks["piece"] == "A1"]["on"]
    gaps = on.sort_values().diff().dt.days.dropna()
    assert set(gaps[:18]) == {3.0}


def test_weather_has_the_course_of_the_year():
    air = invented_air("2025-01-01", 3 * 365, seed=4, climate=Climate(day_memory=0.5))
    month = air.groupby(air["on"].dt.month)[["temp_c", "rh_pct"]].mean()
    assert month.loc[7, "temp_c"] - month.loc[1, "temp_c"] == pytest.approx(18, abs=3)
    assert month.loc[1, "rh_pct"] > month.loc[7, "rh_pct"] + 8


def test_what_cannot_be_simulated_is_refused():
    air = invented_air("2026-01-01", 60, seed=1)
    with pytest.raises(wl.WoodlabError, match="no surface coefficient|No true surface"):
        simulate_season(two_pieces(seal="tar"), air, seed=1)
    with pytest.raises(wl.WoodlabError, match="turned outside the air log"):
        simulate_season(two_pieces(turned_on=pd.Timestamp("2025-01-01")), air, seed=1)
