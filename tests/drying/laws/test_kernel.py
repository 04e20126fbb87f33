"""The compiled kernel against what does not depend on it.

Crank's series, a method of lines in moisture, FiPy, lines and clocks that can be done by hand.
"""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from small_books import equilibrium, weather

from woodlab.drying import kernel
from woodlab.drying.laws import LAWS
from woodlab.drying.laws.law import FOOT_SHARE, Rows, kernel_run
from woodlab.drying.modes import DailyAir, biot_number, fo_per_day, sheet_decay
from woodlab.drying.warmth import REFERENCE_C, warmth

RECORDED = Path(__file__).parents[1] / "recorded"
DAYS = np.array([0, 0.5, 1, 2, 5, 10, 20, 40, 80, 160.0])
LEVELS = 12.0 + 3 * np.sin(np.arange(400) / 9.0)
SLAB = LAWS["slab"]


def rows_of(n=1, d=5e-11, s=1e-8, start=60.0, rise=0.0, saturation=30.0, cap=kernel.NO_CAP):
    """Rows of parameters of the kernel, of numbers or of one value a row."""
    rows = np.zeros((n, kernel.WIDE))
    rows[:, kernel.RATIO] = 1.0
    for column, value in (
        (kernel.LN_D, np.log(d)), (kernel.LN_S, np.log(s)), (kernel.LN_START, np.log(start)),
        (kernel.RISE, rise), (kernel.SATURATION, saturation), (kernel.CAP, cap),
    ):  # fmt: skip
        rows[:, column] = value
    return rows


def dry(rows, days, air, wall_mm=25.0, *, temp_c=None, grid=kernel.FINEST, pace=None, cells=False):
    """One wall under each row, in one course of air."""
    days = np.asarray(days, dtype=float)
    level = np.full(int(days[-1]) + 2, air) if np.ndim(air) == 0 else np.asarray(air, float)
    warm = np.zeros(level.size) if temp_c is None else warmth(temp_c)
    n = len(rows)
    sums = kernel.running_sums(level, warm)[None]
    return kernel.run(
        rows, np.zeros(n, int), days[None], np.array([days.size]),
        (sums, np.zeros(n, int), np.zeros(1)), np.array([wall_mm / 2000]), pace=pace, grid=grid,
        cells=cells,
    )  # fmt: skip


# Outside values


def test_slab_agrees_with_a_general_pde_library(outside):
    run = json.loads((RECORDED / "slab_fipy.json").read_text())
    case, rows = run["case"], np.array(run["rows"])
    params = {name: case[name] for name in (
        "start_moisture_pct", "diffusivity_m2_s", "surface_m_s", "rise_per_pct",
        "fibre_saturation_pct")}  # fmt: skip
    ours = kernel_run(SLAB, rows[:, 0], params, case["wall_mm"], case["air_pct"])
    source = f"{run['library']} {run['version']}, recorded run of {run['script']}"
    gap = ours.core[0] - ours.surface[0]
    for day, mean, core, surface, our_mean, our_gap in zip(*rows.T, ours.mean[0], gap, strict=True):
        outside(f"slab, rising diffusivity, capped flux: mean moisture on day {day:g} [%]",
                published=mean, ours=our_mean, within=0.03, source=source)  # fmt: skip
        outside(f"slab: core less surface on day {day:g} [%]", published=core - surface,
                ours=our_gap, within=0.15, source=source)  # fmt: skip


def test_the_form_of_warmth_holds_for_the_pressure_of_water_vapour(outside):
    # Handbook of Chemistry and Physics (1992-93), vapour pressure of water [kPa], seen in a
    # reproduction: 5 C 0.8726, 15 C 1.7056, 20 C 2.3388, 30 C 4.2455
    energy = np.log(2.3388 / 0.8726) / (warmth(20.0) - warmth(5.0))
    outside(
        "vapour pressure of water, 30 C over 15 C, by the form of warmth from 5 and 20 C",
        published=4.2455 / 1.7056, ours=float(np.exp(energy * (warmth(30.0) - warmth(15.0)))),
        within=0.01, relative=True, status="seen_secondary",
        source="Handbook of Chemistry and Physics (1992-93), vapour pressure of water",
    )  # fmt: skip


# Second routes


@pytest.mark.parametrize("surface", [1e-9, 1e-8, 1e-7, 1e-5])
def test_without_rise_and_cap_it_is_the_series(surface):
    # Crank, The Mathematics of Diffusion (1975), pp. 47-60; the series itself is tested elsewhere
    ours = dry(rows_of(d=1e-10, s=surface), DAYS, 12.0).mean[0]
    fo, biot = fo_per_day(1e-10, 0.0125), biot_number(surface, 1e-10, 0.0125)
    exact = 12 + 48 * sheet_decay(fo * DAYS[None], biot[None])[0][0]
    assert np.abs(ours - exact).max() < 0.01


@pytest.mark.parametrize(
    ("grid", "within"), [(kernel.FINEST, 0.006), (kernel.FINE, 0.04), (kernel.COARSE, 0.08)]
)
def test_what_each_grid_is_good_for(grid, within):
    ours = dry(rows_of(d=1e-10, s=3e-8), DAYS, 12.0, grid=grid).mean[0]
    fo, biot = fo_per_day(1e-10, 0.0125), biot_number(3e-8, 1e-10, 0.0125)
    assert np.abs(ours - 12 - 48 * sheet_decay(fo * DAYS[None], biot[None])[0][0]).max() < within


def by_lines(days, start, wall_mm, d15, s, rise, saturation, cap, air):
    """dm/dt = d/dx(D dm/dx) by a stiff solver: moisture itself, mean of D at faces, 160 cells."""
    half, cells = wall_mm / 2000, 160
    faces = half * np.sin(np.linspace(0, np.pi / 2, cells + 1))
    width, apart = np.diff(faces), np.diff((faces[1:] + faces[:-1]) / 2)

    def rate(_, m, level):
        d = 86400 * d15 * np.exp(rise * (np.minimum(m, saturation) - 15))
        inner = 0.5 * (d[:-1] + d[1:]) * (m[:-1] - m[1:]) / apart
        # the outer cell is 6e-7 m wide: its middle is as good as the surface
        outer = 86400 * s * (min(m[-1], cap) - level)
        return -np.diff(np.r_[0.0, inner, outer]) / width

    state, out, now = np.full(cells, float(start)), [float(start)], 0.0
    for goal in days[1:]:
        while now < goal - 1e-12:
            end = min(goal, np.floor(now + 1e-9) + 1)
            state = solve_ivp(
                rate, (now, end), state, method="LSODA", rtol=1e-7, atol=1e-7, lband=1, uband=1,
                args=(air[int(now + 1e-9)],),
            ).y[:, -1]  # fmt: skip
            now = end
        out.append(float(state @ width / half))
    return np.array(out)


@pytest.mark.parametrize(
    ("d15", "s", "rise", "cap"),
    [(5e-11, 2e-8, 0.134, 30.0), (2e-11, 2e-8, 0.08, 25.0), (4e-11, 3e-8, 0.134, kernel.NO_CAP)],
)
def test_rise_and_cap_by_a_method_of_lines_in_changing_air(d15, s, rise, cap):
    days = np.array([0.0, 1, 4, 10, 25, 60, 120])
    ours = dry(rows_of(d=d15, s=s, rise=rise, cap=cap, start=70.0), days, LEVELS).mean[0]
    other = by_lines(days, 70.0, 25.0, d15, s, rise, 30.0, cap, LEVELS)
    assert np.abs(ours - other).max() < 0.006
    assert ours[-1] < 20  # the end of the capped flux lies behind it


def test_capped_flux_dries_wet_wood_on_a_straight_line():
    # S (30 - 12)/a points a second while the surface is wet
    days = np.array([0.0, 10, 20, 40])
    ours = dry(rows_of(d=1e-8, s=2e-9, start=80.0, cap=30.0), days, 12.0).mean[0]
    assert ours == pytest.approx(80 - 2e-9 * 86400 / 12.5e-3 * 18 * days, abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(
    start=st.floats(15, 150), d=st.floats(-12, -9.5).map(lambda x: 10**x),
    s=st.floats(-9.5, -7).map(lambda x: 10**x), rise=st.floats(0, 0.2), wall=st.floats(8, 60),
    cap=st.sampled_from([25.0, 30.0, kernel.NO_CAP]), seed=st.integers(0, 99),
)  # fmt: skip
def test_what_leaves_through_the_surface_is_what_the_cells_lose(start, d, s, rise, wall, cap, seed):
    """Mass balance: the mean is that of the cells, and they lose what the flux takes."""
    air = np.full(61, np.random.default_rng(seed).uniform(4, 22))
    days = np.r_[0.0, np.geomspace(1e-3, 60, 240)]
    run = dry(rows_of(d=d, s=s, start=start, rise=rise, cap=cap), days, air, wall, cells=True)
    edges = np.sin(np.linspace(0, np.pi / 2, run.cells.shape[2] + 1))
    assert run.cells[0] @ np.diff(edges) == pytest.approx(run.mean[0], abs=1e-9 * start)
    flux = s * 86400 / (wall / 2000) * (np.minimum(run.surface[0], cap) - air[0])
    left = np.r_[0, np.cumsum(np.diff(days) * (flux[1:] + flux[:-1]) / 2)]
    gone = start - run.mean[0]
    late = days > 0.05  # before that the surface falls too fast for the trapezoids of this check
    apart = (left - left[late][0] - gone + gone[late][0])[late]
    assert np.abs(apart).max() < 0.01 * abs(start - air[0]) + 0.02
    # never wetter than the wettest nor drier than the driest, but for a little overshoot
    assert run.cells.max() < max(start, air[0]) + 0.2
    assert run.cells.min() > min(start, air[0]) - 0.2


def test_cells_run_from_the_middle_to_the_surface():
    run = dry(rows_of(d=6e-11, s=2e-8, start=50.0, rise=0.134, cap=30.0), DAYS, 12.0, 30.0,
              cells=True)  # fmt: skip
    depths = kernel.cell_depths(0.015, run.cells.shape[2])
    assert depths[0] > 14
    assert 0 < depths[-1] < 0.1
    assert (np.diff(depths) < 0).all()
    assert run.core[0] == pytest.approx(run.cells[0, :, 0])
    assert (np.diff(run.cells[0, 1:], axis=1) < 1e-9).all()  # wettest in the middle
    # the surface goes on from the outer cell, on the same slope within a tenth of a point
    outer = run.cells[0, 1:, -1]
    assert (run.surface[0, 1:] <= outer + 1e-9).all()
    assert np.abs(run.surface[0, 2:] - outer[1:]).max() < 0.1
    gap = run.core[0, 1:] - run.surface[0, 1:]
    assert run.largest_difference[0] >= gap.max() - 1e-9


def apart_slopes(column, paced):
    """How far slopes by differences with steps of 1e-5 and 1e-3 differ, as a share."""
    days = np.arange(0.0, 240, 40)
    base = rows_of(d=1e-11, s=4e-9, start=65.0, rise=0.1, cap=30.0)
    slopes = []
    for step in (1e-5, 1e-3):
        both = np.repeat(base, 2, axis=0)
        both[:, column] += np.array([-step, step])
        pace = np.repeat(base, 2, axis=0) if paced else None
        run = dry(both, days, LEVELS, pace=pace, grid=kernel.FINE)
        slopes.append((run.mean[1] - run.mean[0]) / (2 * step))
    return np.abs(slopes[0] - slopes[1]).max() / np.abs(slopes[1]).max()


@pytest.mark.parametrize("column", [kernel.LN_D, kernel.LN_S, kernel.LN_START, kernel.RISE])
def test_rows_of_one_pace_take_the_same_steps_and_so_have_smooth_slopes(column):
    assert apart_slopes(column, paced=True) < 1e-3


def test_the_pace_of_another_row_sets_the_steps():
    assert apart_slopes(kernel.LN_D, paced=True) < 0.2 * apart_slopes(kernel.LN_D, paced=False)
    days, row = np.arange(0.0, 240, 40), rows_of(d=1e-11, s=4e-9, rise=0.1, cap=30.0)
    own = dry(row, days, LEVELS, grid=kernel.COARSE).mean
    assert (own == dry(row, days, LEVELS, grid=kernel.COARSE, pace=row).mean).all()
    other = dry(row, days, LEVELS, grid=kernel.COARSE, pace=rows_of(d=1e-10, s=4e-8)).mean
    assert 0 < np.abs(own - other).max() < 0.2


def test_wear_goes_in_straight_lines_between_its_knots():
    # a surface that holds everything: dm/dt = -S(t)/a (m - air), done by hand
    row = rows_of(d=1e-6, s=1e-9)
    steps = np.array([0.5, 0.2, 0.9, 0, 0, 0, 0, 0.0])
    row[:, kernel.WEAR :] = steps
    days = np.arange(0.0, 160, 10)
    ours = dry(row, days, 12.0).mean[0]
    fine = np.linspace(0, 150, 15001)
    knots = kernel.KNOT_DAYS * np.arange(kernel.KNOTS + 1)
    rate = 1e-9 * 86400 / 0.0125 * np.exp(np.interp(fine, knots, np.r_[0, steps]))
    spent = np.r_[0, np.cumsum((rate[1:] + rate[:-1]) / 2 * np.diff(fine))]
    by_hand = 12 + 48 * np.exp(-np.interp(days, fine, spent))
    assert np.abs(ours - by_hand).max() < 0.02
    assert np.abs(dry(rows_of(d=1e-6, s=1e-9), days, 12.0).mean[0] - by_hand).max() > 3


@given(temp=st.floats(-10, 35), energy=st.floats(0, 60), cap=st.sampled_from([30.0, 1e9]))
@settings(max_examples=20, deadline=None)
def test_in_steady_warmth_both_rates_are_multiplied(temp, energy, cap):
    days = np.array([0.0, 3, 10, 30, 70, 150])
    factor = float(np.exp(energy * warmth(temp)))
    row = rows_of(d=4e-11, s=1e-8, start=70.0, rise=0.12, cap=cap)
    row[:, kernel.WARMTH] = energy
    by_hand = rows_of(d=4e-11 * factor, s=1e-8 * factor, start=70.0, rise=0.12, cap=cap)
    warmed = dry(row, days, LEVELS, temp_c=np.full(LEVELS.size, temp)).mean[0]
    # the steps in time are set by the rates at the reference: what is left is their error
    assert np.abs(warmed - dry(by_hand, days, LEVELS).mean[0]).max() < 0.06


def test_in_changing_warmth_the_clock_runs_faster_on_warm_days():
    # a second route: cold and warm days in steady air are days of another length
    temp = np.where(np.arange(400) % 60 < 30, 2.0, 24.0)
    clock = np.concatenate([[0.0], np.cumsum(np.exp(35.0 * warmth(temp)))])
    days = np.array([0.0, 30, 60, 90, 150, 240])
    row = rows_of(d=4e-11, s=1e-8, start=70.0, rise=0.12, cap=30.0)
    by_clock = dry(row, np.interp(days, np.arange(401), clock), 12.0).mean
    cold = dry(row, days, 12.0).mean
    row[:, kernel.WARMTH] = 35.0
    warmed = dry(row, days, np.full(400, 12.0), temp_c=temp).mean
    assert np.abs(warmed - by_clock).max() < 0.06
    assert np.abs(warmed - cold).max() > 1.0


def test_the_reference_of_warmth_is_the_reference():
    assert warmth(REFERENCE_C) == pytest.approx(0.0, abs=1e-15)
    assert (np.diff(warmth(np.arange(-10.0, 40.0))) > 0).all()


def test_many_rows_in_threads_equal_each_alone():
    rng = np.random.default_rng(0)
    n = 300  # enough that several threads share the work
    d, s = 4e-11 * np.exp(rng.normal(0, 0.5, n)), 2e-8 * np.exp(rng.normal(0, 0.5, n))
    rows = rows_of(n, d=d, s=s, rise=0.1, cap=30.0)
    together = dry(rows, DAYS, LEVELS, grid=kernel.COARSE)
    for i in (0, 150, 299):
        alone = dry(rows[i : i + 1], DAYS, LEVELS, grid=kernel.COARSE)
        assert (alone.mean[0] == together.mean[i]).all()
        assert (alone.surface[0] == together.surface[i]).all()


def test_rows_of_unlike_length_take_their_turns_side_by_side():
    """Rows end at different times, some at once: each lane goes on with the next row."""
    rng = np.random.default_rng(1)
    n, k = 3 * kernel.LANES + 5, 6
    rows = rows_of(n, d=4e-11 * np.exp(rng.normal(0, 0.5, n)), s=2e-8, rise=0.1, cap=30.0)
    days = np.sort(rng.uniform(0, 40, (n, k)), axis=1)
    counts, half = rng.integers(0, k + 1, n), rng.uniform(0.008, 0.02, n)
    sums = kernel.running_sums(LEVELS, np.zeros(1))[None]

    def run(at):
        one = np.arange(at.size)
        air = sums, 0 * one, np.zeros(at.size)
        return kernel.run(rows[at], one, days[at], counts[at], air, half[at])

    together = run(np.arange(n))
    for i in range(n):
        alone = run(np.array([i]))
        c = counts[i]
        assert (alone.mean[0, :c] == together.mean[i, :c]).all()
        assert (alone.surface[0, :c] == together.surface[i, :c]).all()
        assert (together.mean[i, c:] == 0).all()


def test_the_law_on_its_own_is_the_kernel_in_daily_air():
    air = weather(200)
    start = np.array([0.0, 3.5])
    params = {"start_moisture_pct": 60.0, "diffusivity_m2_s": 4e-11, "surface_m_s": [1e-8, 3e-8]}
    ours = kernel_run(SLAB, DAYS, params, 25.0, DailyAir(equilibrium(air), start)).mean
    for i in range(2):
        rows = rows_of(d=4e-11, s=params["surface_m_s"][i], rise=np.log(8) / 15.5, cap=30.0)
        sums = kernel.running_sums(equilibrium(air), np.zeros(200))[None]
        one = kernel.run(rows, np.zeros(1, int), DAYS[None], np.array([DAYS.size]),
                         (sums, np.zeros(1, int), start[[i]]), np.array([0.0125]),
                         grid=kernel.FINEST)  # fmt: skip
        assert ours[i] == pytest.approx(one.mean[0], abs=1e-9)


def test_a_bowl_with_a_thicker_foot_is_two_walls_side_by_side():
    days, params = DAYS[1:], {"start_moisture_pct": 60.0, "diffusivity_m2_s": 4e-11,
                              "surface_m_s": 2e-8}  # fmt: skip
    wall, foot = (kernel_run(LAWS["film"], days, params, mm, 12.0) for mm in (24.0, 36.0))
    sums = kernel.running_sums(np.full((1, 200), 12.0), np.zeros(1))
    rows = Rows(
        {name: np.full(2, value) for name, value in params.items()} | {
            "activation_kj_mol": np.zeros(2)},
        np.arange(2), np.tile(days, (2, 1)), np.full(2, days.size), np.full(2, 0.012), sums,
        np.zeros(2, int), np.zeros(2), np.array([1.0, 1.5]), grid=kernel.FINEST,
    )  # fmt: skip
    even, uneven = LAWS["film"].curves(rows)
    assert even == pytest.approx(wall.mean[0], abs=1e-9)
    both = (1 - FOOT_SHARE) * wall.mean[0] + FOOT_SHARE * foot.mean[0]
    assert uneven == pytest.approx(both, abs=1e-9)
    most = LAWS["film"].inside(rows).largest_difference
    assert most[0] == pytest.approx(wall.largest_difference[0])
    assert most[1] == pytest.approx(foot.largest_difference[0])
    assert most[1] > most[0]
