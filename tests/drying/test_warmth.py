"""Warmth: a warm day is a longer day, for every pooled law and for nothing else."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import other_hand as other
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from woodlab.drying import pool_kernels as kernels
from woodlab.drying.air_to_come import air_to_come
from woodlab.drying.law_weights import candidate, chance_of_no_warmth, some_without_warmth
from woodlab.drying.pool_model import POOLED_LAWS, Priors, pack, running_sums
from woodlab.drying.posterior import sample
from woodlab.drying.warmth import REFERENCE_C, warmth
from woodlab.drying.weather import Climate, invented_air


def run(days, moist, temp_c, energy, d=4e-11, s=1e-8, capped=True, cells=kernels.FINE):
    params = np.array([np.log(d), np.log(s), np.log(70.0), 0.12, 30.0, 0.0, energy])
    out = np.empty(days.size)
    kernels.run_coarse(
        days, days.size, params, capped, 0.012, running_sums(moist, warmth(temp_c)), 0.0,
        -1.0, -1.0, -1.0, out, cells, params,
    )  # fmt: skip
    return out


@given(
    temp=st.floats(-10, 35), energy=st.floats(0, 60), capped=st.booleans(), seed=st.integers(0, 99)
)
@settings(max_examples=25, deadline=None)
def test_in_steady_warmth_both_rates_are_multiplied(temp, energy, capped, seed):
    days = np.array([0.0, 3, 10, 30, 70, 150])
    moist = np.random.default_rng(seed).uniform(9, 15, 151)
    steady = np.full(151, temp)
    factor = float(np.exp(energy * warmth(temp)))
    warmed = run(days, moist, steady, energy, capped=capped, cells=kernels.FINEST)
    by_hand = run(days, moist, steady, 0.0, 4e-11 * factor, 1e-8 * factor, capped, kernels.FINEST)
    # the steps in time are chosen by the rates at the reference: what is left is their error
    assert np.abs(warmed - by_hand).max() < 0.05


def test_in_changing_warmth_the_clock_runs_faster_on_warm_days():
    # a second route: cold and warm days in steady air are days of another length
    temp = np.where(np.arange(400) % 60 < 30, 2.0, 24.0)
    dry = np.full(400, 12.0)
    pace = np.exp(35.0 * warmth(temp))
    clock = np.concatenate([[0.0], np.cumsum(pace)])
    days = np.array([0.0, 30, 60, 90, 150, 240])
    warmed = run(days, dry, temp, 35.0, cells=kernels.FINEST)
    by_clock = run(np.interp(days, np.arange(401), clock), dry, temp, 0.0, cells=kernels.FINEST)
    assert np.abs(warmed - by_clock).max() < 0.05
    assert np.abs(warmed - run(days, dry, temp, 0.0)).max() > 1.0


def test_the_reference_is_the_reference():
    assert warmth(REFERENCE_C) == pytest.approx(0.0, abs=1e-15)
    assert (np.diff(warmth(np.arange(-10.0, 40.0))) > 0).all()


def test_the_form_holds_for_the_pressure_of_water_vapour(outside):
    # Handbook of Chemistry and Physics (1992-93), vapour pressure of water [kPa], seen in a
    # reproduction: 5 C 0.8726, 15 C 1.7056, 20 C 2.3388, 30 C 4.2455
    energy = np.log(2.3388 / 0.8726) / (warmth(20.0) - warmth(5.0))
    outside(
        "vapour pressure of water, 30 C over 15 C, by the form of warmth from 5 and 20 C",
        published=4.2455 / 1.7056, ours=float(np.exp(energy * (warmth(30.0) - warmth(15.0)))),
        within=0.01, relative=True, status="seen_secondary",
        source="Handbook of Chemistry and Physics (1992-93), vapour pressure of water",
    )  # fmt: skip


@pytest.mark.parametrize("true_kj_mol", [0.0, 35.0])
def test_a_season_tells_what_warmth_does(true_kj_mol):
    season = other.draw_other(
        other.OtherHand("a test", warmth_kj_mol=true_kj_mol), seed=3, pieces=16
    )
    data = pack(season.book.until(season.as_of), np.datetime64(season.as_of, "D"))
    law = replace(POOLED_LAWS["slab"], warm=True)
    found = sample(data, law, draws=200, seed=1, exact=False).params[0, :, kernels.WARMTH]
    low, high = np.quantile(found, [0.005, 0.995])
    assert low < true_kj_mol < high
    assert found.std() < 12.0  # the prior's is 15: the weighings have told something


@pytest.mark.parametrize(("mean", "sd"), [(15.0, 15.0), (0.0, 5.0), (30.0, 5.0), (8.0, 8.0)])
def test_the_chance_of_no_warmth_is_bayes_rule_on_two_models(mean, sd):
    # a second route: one normal reading of the energy, its likelihood under both models
    prior = Priors()
    draws = np.random.default_rng(0).normal(size=4000)
    params = np.zeros((1, 4000, kernels.N_PARAMS))
    params[0, :, kernels.WARMTH] = mean + sd * (draws - draws.mean()) / draws.std()
    post = SimpleNamespace(law=replace(POOLED_LAWS["slab"], warm=True), params=params)
    if sd == prior.warmth_sd_kj_mol:  # nothing was read: as before the weighings
        assert chance_of_no_warmth(post) == pytest.approx(0.5, abs=1e-6)
        return
    read_sd = (sd**-2 - prior.warmth_sd_kj_mol**-2) ** -0.5
    read = read_sd**2 * (mean / sd**2 - prior.warmth_kj_mol / prior.warmth_sd_kj_mol**2)
    free = norm(prior.warmth_kj_mol, np.hypot(prior.warmth_sd_kj_mol, read_sd)).pdf(read)
    still = norm(0.0, read_sd).pdf(read)
    assert chance_of_no_warmth(post) == pytest.approx(still / (still + free), rel=1e-6)


def test_draws_without_warmth_are_those_of_a_fit_that_has_none():
    season = other.draw_other(other.OtherHand("a test", rising=False), seed=5, pieces=10)
    data = pack(season.book.until(season.as_of), np.datetime64(season.as_of, "D"))
    plain = sample(data, POOLED_LAWS["film"], draws=400, seed=1, exact=False)
    free = sample(data, candidate("film", data), draws=400, seed=1, exact=False)
    mixed = some_without_warmth(free, 400)
    still = mixed.params[0, :, kernels.WARMTH] == 0
    assert still.mean() == pytest.approx(chance_of_no_warmth(free), abs=0.01)
    assert still.sum() > 100
    for at in (kernels.LN_D, kernels.LN_S, kernels.LN_START):
        here, there = mixed.params[:, still, at], plain.params[:, :, at]
        sd = there.std(axis=1)
        assert np.abs((here.mean(axis=1) - there.mean(axis=1)) / sd).mean() < 0.35
        assert 0.75 < (here.std(axis=1) / sd).mean() < 1.25
    assert (mixed.params[:, ~still] == free.params[:, ~still]).all()
    few = some_without_warmth(free, 7)  # a law of little weight: still by all of its draws
    assert few.params.shape[1] == few.ln_dry.shape[1] == len(few.effects) == len(few.sds) == 7
    gap = few.params[:, :, kernels.LN_D] - mixed.params[:, :, kernels.LN_D].mean(axis=1)[:, None]
    assert np.abs(gap).max() < 6 * mixed.params[:, :, kernels.LN_D].std(axis=1).max()


def test_temperature_to_come_follows_the_year_that_the_log_shows():
    air = invented_air("2024-01-01", 480, seed=4, climate=Climate(mean_c=11.0, swing_c=8.0))
    after = np.datetime64("2025-04-24")
    drawn = air_to_come(air, after, 365, draws=200, seed=1).temp_c[:, 0]
    on = pd.date_range("2025-04-25", periods=365)
    truth = 11.0 + 8.0 * np.cos(2 * np.pi * (on.day_of_year.to_numpy() - 205) / 365.25)
    assert np.abs(drawn.mean(axis=0) - truth).mean() < 1.5
    # the scatter of a day about its course: 2.8 degrees in this climate
    assert 1.8 < (drawn - drawn.mean(axis=0)).std(axis=0).mean() < 4.5


def test_without_an_air_log_no_law_asks_for_the_temperature():
    from woodlab.demo import demo_book

    book = demo_book().until("2025-04-01")
    bare = replace(book, air=book.air.iloc[:0])
    assert candidate("slab", pack(book)).warm
    assert not candidate("slab", pack(bare)).warm
