"""The solver of the third simulator against what does not rest on it.

Crank's series for a film in constant air, the balance of water, the end at the air's equilibrium,
and finer cells and steps. Of its seasons: the moisture of a date rests on the air before it alone,
and a weighing is made on the moisture of its date.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import third_hand as third
import third_hand_solver as solver
from scipy.optimize import brentq

from woodlab.wood.humidity import equilibrium_moisture

FORMS = {
    "film": solver.Form(solver.FILM, 29.0),
    "slab, exponential": solver.Form(
        solver.SLAB, 29.0, shape=solver.EXPONENTIAL, rise=6.0, stops_pct=50.0
    ),
    "slab, straight": solver.Form(
        solver.SLAB, 29.0, shape=solver.STRAIGHT, rise=6.0, stops_pct=50.0
    ),
    "slab, square": solver.Form(solver.SLAB, 29.0, shape=solver.SQUARE, rise=6.0, stops_pct=50.0),
    "two plateaus": solver.Form(
        solver.PLATEAUS, 29.0, rise=8.0, middle_pct=30.0, width_pct=3.0, shut=0.4, rounding_pct=1.5
    ),
}
WALLS = [(25, 1e-10, 6e-8), (40, 0.5e-10, 8e-8), (20, 2e-10, 6e-9)]  # mm, m2/s, m/s
FROM_PCT = 90.0


def changing_air(days):
    return 13 + 3 * np.random.default_rng(5).standard_normal(days)


def series(days, start_pct, air_pct, wall_mm, m2_s, film_m_s):
    """air + (start - air) sum_n 2 L^2/(b^2 (b^2 + L^2 + L)) exp(-b^2 D t/a^2), b tan b = L = a S/D,
    a half the thickness. Source: Crank, The Mathematics of Diffusion (1975), pp. 47-60."""
    half = wall_mm / 2000
    biot = half * film_m_s / m2_s
    b = np.array([
        brentq(lambda b: b * np.sin(b) - biot * np.cos(b), n * np.pi, (n + 0.5) * np.pi)
        for n in range(400)
    ])  # fmt: skip
    weight = 2 * biot**2 / (b**2 * (b**2 + biot**2 + biot))
    left = np.exp(-np.outer(m2_s * solver.DAY_S * days / half**2, b**2)) @ weight
    return air_pct + (start_pct - air_pct) * left


def test_a_film_follows_the_series_in_constant_air():
    days = np.arange(1, 301)
    for start_pct, wall_mm, m2_s, film_m_s in [
        (110.0, 15, 0.5e-10, 1e-7), (110.0, 45, 3e-10, 1e-7), (110.0, 45, 0.5e-10, 1e-7),
        (60.0, 15, 3e-10, 2e-9), (70.0, 25, 1.2e-10, 4e-8), (110.0, 15, 3e-10, 1e-7),
    ]:  # fmt: skip
        wall = solver.make_wall(wall_mm, m2_s, film_m_s, FORMS["film"])
        ours, _ = solver.dry(start_pct, np.full(300, 12.0), wall)
        exact = series(days, start_pct, 12.0, wall_mm, m2_s, film_m_s)
        assert np.abs(ours - exact).max() < 0.025  # points


@pytest.mark.parametrize("name", FORMS)
def test_what_leaves_is_what_is_lost(name):
    for size in WALLS:
        mean, left = solver.dry(FROM_PCT, changing_air(400), solver.make_wall(*size, FORMS[name]))
        assert mean[-1] < 30.0
        assert left == pytest.approx(FROM_PCT - mean[-1], abs=1e-8)


@pytest.mark.parametrize("name", FORMS)
def test_every_wall_ends_at_the_equilibrium_of_its_air(name):
    for size in WALLS:
        mean, _ = solver.dry(FROM_PCT, np.full(3000, 13.0), solver.make_wall(*size, FORMS[name]))
        assert mean[-1] == pytest.approx(13.0, abs=1e-6)


@pytest.mark.parametrize("name", FORMS)
def test_finer_cells_and_steps_tell_the_same(name):
    air = changing_air(200)
    coarse, _ = solver.dry(FROM_PCT, air, solver.make_wall(*WALLS[1], FORMS[name]))
    fine, _ = solver.dry(FROM_PCT, air, solver.make_wall(*WALLS[1], FORMS[name], 96), 48, 400)
    assert np.abs(coarse - fine).max() < 0.02


@pytest.fixture(scope="module", params=third.THIRDS, ids=lambda world: world.name)
def season(request):
    return third.draw_third(request.param, seed=3, pieces=8)


def test_another_future_leaves_the_past_alone(season):
    known = (season.as_of - season.weather.first).days
    other = season.run(season.weather.again(np.random.default_rng(1), known))
    now = season.course.index.get_loc(season.as_of)
    true = season.course.to_numpy().T
    np.testing.assert_array_equal(other[:, : now + 1], true[:, : now + 1])
    assert np.abs(other[:, now + 1] - true[:, now + 1]).min() > 0


def test_a_weighing_is_made_on_the_moisture_of_its_date(season):
    rows = season.book.weighings.merge(season.book.pieces, on="piece")
    green = rows[rows["on"] == rows["turned_on"]]
    assert set(green["piece"]) == set(season.course.columns)
    moisture = [season.course.at[row.on, row.piece] for row in rows.itertuples()]
    dry_g = rows["mass_g"] / (1 + np.array(moisture) / 100)
    # all weighings of a bowl have one oven-dry mass behind them, but for scatter and rounding
    spread = dry_g.groupby(rows["piece"]).agg(np.ptp)
    assert spread.max() < 4.0


def test_it_is_asked_45_days_after_the_last_turning_at_the_level_of_the_year_before(season):
    assert season.as_of - season.book.pieces["turned_on"].max() == pd.Timedelta(days=45)
    air = season.book.air.set_index("on").loc[: season.as_of].iloc[-366:-1]
    level = equilibrium_moisture(air["temp_c"], air["rh_pct"]).mean()
    assert season.level_pct == pytest.approx(level, abs=1e-9)
