"""A witness block in place of an air log."""

import numpy as np
import pandas as pd
import pytest
from small_books import TURNED, season, with_tables

import woodlab as wl
from woodlab.drying.air_course import air_course
from woodlab.drying.witness_air import store_air

DRY_G = 140.0


@pytest.fixture(scope="module")
def made():
    return season("slab", 12, seed=8, days=150)


def block(book, *, from_oven: bool = False) -> pd.DataFrame:
    """Weighed each week to 0.1 g, three days behind the store's equilibrium for a year back."""
    daily = air_course(book.air).logged.query("place == ''").set_index("on")["equilibrium_pct"]
    moisture = daily.ewm(halflife=3).mean().iloc[::7]
    if from_oven:
        moisture *= 1 - np.exp(-np.arange(len(moisture)) / 1.5)
    mass = (DRY_G * (1 + moisture / 100)).round(1)
    first = [DRY_G] + [None] * (len(mass) - 1)
    return pd.DataFrame({"witness": "W", "on": moisture.index, "mass_g": mass.to_numpy(),
                         "oven_dry_g": first})  # fmt: skip


def test_its_days_are_the_store_s_own(made):
    told = store_air(with_tables(made.book, air=None, witnesses=block(made.book)))
    level = air_course(told).logged.set_index("on")["equilibrium_pct"]
    true = air_course(made.book.air).logged.query("place == ''").set_index("on")["equilibrium_pct"]
    away = (level.rolling(15, center=True).mean() - true.rolling(15, center=True).mean()).dropna()
    assert len(away) > 400
    assert np.sqrt((away**2).mean()) < 0.5
    assert abs(away.mean()) < 0.1


def test_a_block_from_the_oven_tells_nothing_until_it_rests(made):
    told = store_air(with_tables(made.book, air=None, witnesses=block(made.book, from_oven=True)))
    level = air_course(told).logged["equilibrium_pct"]
    assert level.min() > 8.0
    assert told["on"].min() > made.book.air["on"].min() + pd.Timedelta(days=20)


def test_a_log_is_believed_before_a_block(made):
    book = with_tables(made.book, witnesses=block(made.book))
    pd.testing.assert_frame_equal(store_air(book), book.air)


def test_a_block_speaks_for_a_place_that_has_no_log(made):
    air = made.book.air.assign(place="barn")
    there = block(made.book).assign(place="loft")
    told = store_air(with_tables(made.book, air=air, witnesses=there))
    assert set(told.loc[told["by"].notna(), "place"]) == {"loft"}
    assert len(told) > len(air)


def test_dates_are_about_as_good_as_with_a_log(made):
    """Asked for 20 % after two months, against the season's own truth; beside it a book that has
    the log, and one that has neither."""
    on, target = TURNED + pd.Timedelta(days=60), 20.0
    true = (made.moisture <= target).idxmax().where((made.moisture <= target).any())
    told = {
        "log": made.book,
        "block": with_tables(made.book, air=None, witnesses=block(made.book)),
        "neither": with_tables(made.book, air=None),
    }
    error, held = {}, {}
    for name, book in told.items():
        fits = wl.fit_drying(book, "slab", as_of=on, draws=100)
        ready = wl.forecast_ready(fits, target_moisture_pct=target).set_index("piece")
        ready = ready.assign(true=true)[lambda r: r["true"] > on]
        assert len(ready) > 4
        error[name] = (ready["ready_on"] - ready["true"]).dt.days.abs().median()
        held[name] = ready["true"].between(ready["earliest_on"], ready["latest_on"]).mean()
        if name == "block":
            assert set(fits.pieces["air_from"]) == {"witness blocks"}
            assert "hygrometer" not in set(fits.groups["kind"])
    assert error["block"] < error["neither"] / 2
    assert error["block"] <= error["log"] + 3
    assert error["block"] < 15
    assert held["block"] > 0.7
