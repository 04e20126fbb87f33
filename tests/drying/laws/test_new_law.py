"""A law is one file: one put into the folder of laws goes through everything that is asked of it.

The law, `two_walls`, is of our own invention: a thin and a thick half of the wall dry side by side,
each as one first-order mode.
"""

from __future__ import annotations

import importlib
import sys
import textwrap

import numpy as np
import pandas as pd
import pytest
from small_books import DAYS, book_of, equilibrium, weather

import woodlab as wl
from woodlab.drying import laws
from woodlab.drying.estimator.model import OFFSET_PCT
from woodlab.drying.modes import DailyAir

FILE = '''
"""The `two_walls` law: half of the wood with a time constant tau, half with three times it."""

import numpy as np

from woodlab.drying.laws.law import Law, Parameter, Prior, Scatter


def modes(values, half_m):
    tau = values["tau_days"]
    rates = np.stack([1 / tau, 1 / (values["slow_times"] * tau)])
    return rates, np.full(rates.shape, 0.5)


LAW = Law(
    "two_walls",
    (
        Parameter("tau_days", "days", 0.05, 20000.0, "time constant of the faster half",
                  prior=Prior(15.0, 1.2, sealed=50.0, species_sd=0.3, log=Scatter(0.1, 0.6, 1.0),
                              piece=Scatter(0.12, 0.6, 1.2), wall_power=1.3)),
        Parameter("slow_times", "1", 1.0, 20.0, "how much slower the other half is", usual=3.0,
                  prior=Prior(3.0, 0.5), plain=True, step=0.05),
    ),
    modes=modes,
)
'''
TRUTH = {"tau_days": 14.0, "slow_times": 4.0}


@pytest.fixture(scope="module")
def two_walls(tmp_path_factory):
    """The law as a file of a folder on the path of laws; found as those beside it are."""
    folder = tmp_path_factory.mktemp("laws")
    (folder / "two_walls.py").write_text(textwrap.dedent(FILE))
    laws.__path__.append(str(folder))
    importlib.invalidate_caches()
    before = dict(laws.LAWS)
    laws.LAWS.update(laws._found())
    try:
        yield laws.LAWS["two_walls"]
    finally:
        laws.__path__.remove(str(folder))
        laws.LAWS.clear()
        laws.LAWS.update(before)
        sys.modules.pop("woodlab.drying.laws.two_walls", None)


@pytest.fixture(scope="module")
def book(two_walls):
    air, rng = weather(), np.random.default_rng(3)
    params = {"tau_days": 14.0 * np.exp(0.1 * rng.normal(size=6)), "slow_times": 4.0,
              "start_moisture_pct": 65.0 * np.exp(0.03 * rng.normal(size=6))}  # fmt: skip
    moisture = two_walls.moisture(DAYS, params, 25.0, DailyAir(equilibrium(air) + OFFSET_PCT))
    mass = 800 * (1 + moisture / 100) + 0.5 * rng.normal(size=moisture.shape)
    return book_of(mass, tables={"air": air})


@pytest.fixture(scope="module")
def fits(book):
    return wl.fit_drying(book, "two_walls", draws=60, as_of="2026-04-15")


def test_it_is_found_by_its_file_and_is_the_curve_by_hand(two_walls):
    assert list(laws.LAWS)[-1] == "two_walls"
    assert wl.laws.law_named("two_walls") is two_walls
    ours = two_walls.moisture([0.0, 30], {**TRUTH, "start_moisture_pct": 60}, 25.0, 12.0)[0]
    by_hand = 12 + 48 * (np.exp(-30 / 14) + np.exp(-30 / 56)) / 2
    assert ours == pytest.approx([60.0, by_hand])


def test_pooled_it_gives_its_parameters_back(fits):
    assert (fits.pieces["status"] == "ok").all()
    assert fits.pieces["tau_days"].median() == pytest.approx(14.0, rel=0.2)
    groups = fits.groups.set_index(["kind", "parameter"])
    row = groups.loc[("season", "slow_times")]
    assert row["ci_lower"] < 4.0 < row["ci_upper"]
    assert fits.pieces["oven_dry_g"].median() == pytest.approx(800, rel=0.02)
    assert ("seal", "tau_days") in groups.index


def test_alone_it_fits_single_pieces(book):
    fits = wl.fit_drying(book, "two_walls", pool=False, draws=40)
    assert fits.pieces["tau_days"].median() == pytest.approx(14.0, rel=0.5)
    assert fits.predict(days=[0.0, 60.0])["moisture_pct"].between(10, 80).all()


def test_it_is_ranked_and_weighed_among_the_others(book):
    ranked = wl.rank_laws(book, ["exponential", "two_walls", "two_period"])
    assert ranked["law"].iloc[0] == "two_walls"
    mixed = wl.fit_drying(book, ["exponential", "two_walls"], draws=60)
    assert mixed.laws.set_index("law").loc["two_walls", "weight"] > 0.6
    assert "two_walls" in set(wl.rank_laws(book)["law"])  # among all that can be pooled


def test_it_predicts_forecasts_and_is_drawn(fits, book):
    shown = fits.predict(days=range(0, 120, 5))
    first = shown[shown["days"] == 0]["moisture_pct"]
    assert first.between(55, 75).all()
    ready = wl.forecast_ready(fits, target_moisture_pct=16.0)
    assert (ready["laws"] == "two_walls (100 %)").all()
    assert ready["ready_on"].notna().all()
    now = fits.pieces["moisture_now_pct"].to_numpy()
    assert np.abs(ready["moisture_now_pct"] - now).max() < 0.2
    chart = wl.charts.drying_curves(shown, book.weighings, quantity="mass_g")
    assert len(chart.to_dict()["datasets"]) >= 1
    assert "A0" in chart.description
    with pytest.raises(wl.WoodlabError, match="'two_walls' has no inside of the wall"):
        wl.core_to_surface(fits)


def test_it_is_saved_and_tells_the_next_season(fits, book, tmp_path):
    fits.save(tmp_path / "new.fits")
    again = wl.load_fits(tmp_path / "new.fits")
    pd.testing.assert_frame_equal(again.predict(days=[50.0]), fits.predict(days=[50.0]))
    told = wl.fit_drying(book, "two_walls", as_of="2026-02-01", draws=40, experience=fits)
    alone = wl.fit_drying(book, "two_walls", as_of="2026-02-01", draws=40)
    wide = [f.groups.set_index(["kind", "parameter"]).loc[("seal", "tau_days")]
            for f in (told, alone)]  # fmt: skip
    spread = [np.log(row["ci_upper"] / row["ci_lower"]) for row in wide]
    assert spread[0] < spread[1]
