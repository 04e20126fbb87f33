"""The slab: mass kept, second order, `film` when its diffusivity is constant."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from woodlab.drying.modes import DailyAir, biot_number, fo_per_day, sheet_remaining
from woodlab.drying.slab import run_slab

LEVELS = 12.0 + 3 * np.sin(np.arange(200) / 9.0)
DAYS = np.array([0, 0.5, 1, 2, 5, 10, 20, 40, 80, 160.0])


@settings(max_examples=40, deadline=None)
@given(
    start=st.floats(15, 150),
    diffusivity=st.floats(-12, -9).map(lambda x: 10**x),
    surface=st.one_of(st.just(np.inf), st.floats(-10, -6).map(lambda x: 10**x)),
    wall=st.floats(8, 60),
    rise=st.floats(0, 0.2),
    seed=st.integers(0, 99),
)
def test_mass_is_kept_to_1e_10(start, diffusivity, surface, wall, rise, seed):
    air = DailyAir(np.random.default_rng(seed).uniform(4, 22, 60), start=0.25)
    params = {
        "start_moisture_pct": start, "diffusivity_m2_s": diffusivity, "surface_m_s": surface,
        "rise_per_pct": rise,
    }  # fmt: skip
    run = run_slab([0, 3.5, 30, 59.0], params, wall, air, profile=True)
    lost = start - run.moisture_pct[0, -1]
    assert abs(lost - run.left_pct[0]) < 1e-10 * start
    # hardly wetter than the wettest, hardly drier than the driest: the step is stiffly stable,
    # but overshoots a jump of the air of 18 points a little where a cell settles at once
    assert run.moisture_pct.max() < max(start, 22) + 0.2
    assert run.profile_pct.min() > min(4.0, start) - 1.5


@pytest.mark.parametrize("surface", [1e-9, 1e-8, 1e-7])
def test_constant_diffusivity_without_cap_is_the_film_to_1e_4(surface):
    params = {
        "start_moisture_pct": 60.0, "diffusivity_m2_s": 1e-10, "surface_m_s": surface,
        "rise_per_pct": 0.0,
    }  # fmt: skip
    run = run_slab(DAYS, params, 25.0, 12.0, cells=64, steps_per_day=16, cap=False)
    fo, biot = fo_per_day(1e-10, 25.0), biot_number(surface, 1e-10, 25.0)
    exact = sheet_remaining(fo * DAYS, biot)
    assert np.abs((run.moisture_pct[0] - 12) / 48 - exact).max() < 1e-4


def errors_by_grid(cells, surface):
    params = {"start_moisture_pct": 60.0, "diffusivity_m2_s": 8e-11, "surface_m_s": surface}
    air = DailyAir(LEVELS)
    days = [0, 30.0, 60.0, 120.0]

    def fine(count):
        return run_slab(days, params, 25.0, air, cells=count, steps_per_day=48).moisture_pct[0]

    best = fine(384)
    return [np.abs(fine(count) - best).max() for count in cells]


@pytest.mark.parametrize("surface", [2e-8, 1e-7])
def test_second_order_in_the_grid_with_rising_diffusivity(surface):
    coarse, middle, fine = errors_by_grid([12, 24, 48], surface)
    assert 3.4 < coarse / middle < 4.8
    assert 3.4 < middle / fine < 4.8


def test_the_usual_grid_is_good_enough_for_fits():
    params = {
        "start_moisture_pct": 60.0, "diffusivity_m2_s": 5e-11,
        "surface_m_s": np.array([2e-9, 1e-8, 5e-8]),
    }  # fmt: skip
    usual = run_slab(DAYS, params, 25.0, DailyAir(LEVELS))
    fine = run_slab(DAYS, params, 25.0, DailyAir(LEVELS), cells=128, steps_per_day=32)
    assert np.abs(usual.moisture_pct - fine.moisture_pct).max() < 0.1
    ratio = usual.largest_difference_pct / fine.largest_difference_pct
    assert ratio == pytest.approx(np.ones(3), abs=0.02)


def test_capped_flux_dries_wet_wood_on_a_straight_line():
    # S (30 - 12)/a points a second while the surface is wet
    params = {"start_moisture_pct": 80.0, "diffusivity_m2_s": 1e-9, "surface_m_s": 2e-9}
    run = run_slab([0, 10, 20, 40.0], params, 25.0, 12.0)
    a_day = 2e-9 * 86400 / 12.5e-3 * (30 - 12)
    assert run.moisture_pct[0] == pytest.approx(80 - a_day * np.array([0, 10, 20, 40]), abs=1e-9)


def test_the_profile_and_the_difference_agree():
    params = {"start_moisture_pct": 50.0, "diffusivity_m2_s": 6e-11, "surface_m_s": 2e-8}
    run = run_slab(DAYS, params, 30.0, 12.0, profile=True, cells=40)
    assert run.profile_pct.shape == (1, len(DAYS), 40)
    assert run.depth_mm[0, 0] > 14
    assert 0 < run.depth_mm[0, -1] < 0.5
    assert (np.diff(run.profile_pct[0, 2:], axis=1) < 1e-9).all()  # wettest in the middle
    gap = run.profile_pct[0, :, 0] - run.profile_pct[0, :, -1]
    assert (run.difference_pct[0, 1:] >= gap[1:] - 1e-9).all()
    assert run.largest_difference_pct[0] >= run.difference_pct.max() - 1e-9
