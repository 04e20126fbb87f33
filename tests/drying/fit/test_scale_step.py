"""A day from which all weights jump: found, told and estimated; and nothing found where none is."""

import re

import numpy as np
import pandas as pd
import pytest
from small_books import TURNED, season, with_tables

import woodlab as wl

CHANGED = TURNED + pd.Timedelta(days=60)


@pytest.fixture(scope="module")
def book():
    return season("slab", 14, seed=6, days=130).book


def stepped(book, factor, **more):
    rows = book.weighings
    factors = np.where(rows["on"] >= CHANGED, factor, 1.0)
    rows = rows.assign(mass_g=(rows["mass_g"] * factors).round(), **more)
    return with_tables(book, weighings=rows)


def fit(book):
    return wl.fit_drying(book, "slab", draws=60)


@pytest.mark.parametrize("factor", [1.006, 0.99])
def test_a_scale_that_was_changed_is_found_told_and_estimated(book, factor, tmp_path):
    fits = fit(stepped(book, factor))
    on = pd.Timestamp(fits.records.step_on)
    before = book.weighings.loc[book.weighings["on"] < CHANGED, "on"].max()
    assert before < on <= CHANGED + pd.Timedelta(days=7)
    size, way = re.search(r"([0-9.]+) % (higher|lower)", fits.scale_step).groups()
    assert float(size) == pytest.approx(100 * abs(factor - 1), abs=0.15)
    assert way == ("higher" if factor > 1 else "lower")
    assert fits.scale_step in fits.summary()
    fits.save(tmp_path / "season.fits")
    again = wl.load_fits(tmp_path / "season.fits")
    assert again.scale_step == fits.scale_step
    assert again.predict(days=90).equals(fits.predict(days=90))
    assert any("Another scale?" in odd.do for odd in wl.ready_list(fits).odd)


def test_steady_weights_are_of_one_scale(book):
    assert fit(book).records.step_on is None


def test_no_step_is_looked_for_where_scales_are_named_or_no_log_tells_wet_weeks(book):
    late = book.weighings["on"] >= CHANGED
    named = stepped(book, 1.006, scale=np.where(late, "new", "old"))
    assert fit(named).records.step_on is None
    assert fit(with_tables(stepped(book, 1.006), air=None)).records.step_on is None


def test_one_bowl_that_jumps_is_no_scale(book):
    alone = stepped(book, 0.97).only(pieces=["P0", "P1"])
    assert fit(alone).records.step_on is None
