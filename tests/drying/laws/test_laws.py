"""Each law by a second route, and the registry's own promises."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from woodlab.drying import kernel
from woodlab.drying.laws import LAWS, law_named
from woodlab.drying.laws.law import kernel_run
from woodlab.drying.modes import DailyAir, as_daily
from woodlab.errors import WoodlabError

TYPICAL = {
    "exponential": {"tau_days": 30.0},
    "two_term": {"tau_fast_days": 5.0, "tau_slow_days": 40.0, "fast_share": 0.3},
    "stretched": {"tau_days": 20.0, "shape": 0.8},
    "diffusion": {"diffusivity_m2_s": 1e-10},
    "film": {"diffusivity_m2_s": 1e-10, "surface_m_s": 1e-8},
    "two_period": {"tau_days": 30.0},
    "slab": {"diffusivity_m2_s": 1e-10, "surface_m_s": 1e-8},
}
DAYS = np.array([0, 0.1, 1, 5, 20, 60.5, 200])
LEVELS = 12.0 + 3 * np.sin(np.arange(260) / 9.0)


def daily(level, days):
    return as_daily(level, np.atleast_2d(days))


def second_route(law, params, start, wall_mm, days):
    """The law's differential equation in a fine method of lines, in daily air."""
    seconds = 86400.0
    half = wall_mm / 2000
    if law in ("diffusion", "film"):
        cells = 300
        # a mapped grid, fine at the surface, where it is needed
        faces = half * np.sin(np.linspace(0, np.pi / 2, cells + 1))
        width, centre = np.diff(faces), (faces[1:] + faces[:-1]) / 2
        d = params["diffusivity_m2_s"] * seconds
        outer = (half - centre[-1]) / d
        if law == "film":
            outer += 1 / (params["surface_m_s"] * seconds)

        def rate(u, air):
            flux = np.r_[0, d * (u[:-1] - u[1:]) / np.diff(centre), (u[-1] - air) / outer]
            return -np.diff(flux) / width

        state, mean = np.full(cells, start), lambda u: float(u @ width / half)
        band = 1
    elif law == "two_term":
        rates = np.array([1 / params["tau_fast_days"], 1 / params["tau_slow_days"]])
        share = np.array([params["fast_share"], 1 - params["fast_share"]])
        state, mean = np.full(2, start), lambda u: float(u @ share)

        def rate(u, air):
            return rates * (air - u)

        band = 0
    else:
        tau = params["tau_days"]
        limit = 30.0 if law == "two_period" else np.inf
        state, mean = np.array([start]), lambda u: float(u[0])

        def rate(u, air):
            return (air - np.minimum(u, limit)) / tau

        band = 0
    out, now = [mean(state)], 0.0
    for goal in days[1:]:
        while now < goal:
            end = min(goal, np.floor(now) + 1)
            air = LEVELS[int(now)]
            options = {"lband": band, "uband": band} if band else {}
            state = solve_ivp(
                lambda _, u, air=air: rate(u, air), (now, end), state,
                method="LSODA", rtol=1e-9, atol=1e-9, **options,
            ).y[:, -1]  # fmt: skip
            now = end
        out.append(mean(state))
    return np.array(out)


@pytest.mark.parametrize("law", ["exponential", "two_term", "diffusion", "film", "two_period"])
def test_each_law_by_a_second_route_in_changing_air(law):
    days = np.array([0, 0.4, 1, 3, 10, 40.5])
    params = {**TYPICAL[law], "start_moisture_pct": 65.0}
    ours = LAWS[law].moisture(days, params, 26.0, DailyAir(LEVELS))[0]
    other = second_route(law, TYPICAL[law], 65.0, 26.0, days)
    # the grid of the second route is good to about 3e-4 points
    assert np.abs(ours - other).max() < (2e-3 if law in ("diffusion", "film") else 1e-5)


KERNEL_LAWS = [name for name, law in LAWS.items() if law.kernel_columns is not None]


def test_the_laws_of_the_slab_family_run_in_the_kernel():
    assert KERNEL_LAWS == ["diffusion", "film", "two_period", "slab"]
    with pytest.raises(WoodlabError, match="'exponential' has no inside of the wall"):
        kernel_run(LAWS["exponential"], [0], {"tau_days": 30, "start_moisture_pct": 60}, 25.0, 12.0)


@pytest.mark.parametrize("law", ["diffusion", "film", "two_period"])
@pytest.mark.parametrize("wall", [18.0, 40.0])
def test_the_closed_form_and_the_kernel_are_one_law(law, wall):
    """What a chart draws (closed form) and what a season fits (kernel) must be the same curve."""
    days = np.array([0, 2, 5, 12, 30, 60, 120, 200.0])
    params = {**TYPICAL[law], "start_moisture_pct": 70.0}
    for air in (12.0, DailyAir(LEVELS, start=3.5)):
        closed = LAWS[law].moisture(days, params, wall, air)
        grid = kernel_run(LAWS[law], days, params, wall, air).mean
        assert np.abs(closed - grid).max() < 0.06
    assert closed[0, 2] < 68  # it dries, so that the comparison means something


def test_stretched_is_the_exponential_at_shape_one_and_refuses_changing_air():
    law, params = LAWS["stretched"], {"tau_days": 20.0, "start_moisture_pct": 60.0}
    ours = law.moisture(DAYS, {**params, "shape": 1.0}, 25.0, 12.0)
    assert ours == pytest.approx(LAWS["exponential"].moisture(DAYS, params, 25.0, 12.0), abs=1e-12)
    half = law.moisture([20.0], {**params, "shape": 0.5}, 25.0, 12.0).item()
    assert half == pytest.approx(12 + 48 / np.e, abs=1e-10)  # at t = tau the shape does not matter
    with pytest.raises(WoodlabError, match="constant air only"):
        law.moisture(DAYS, {**params, "shape": 0.5}, 25.0, daily(12.0, DAYS))


@pytest.mark.parametrize("law", [name for name in LAWS if LAWS[name].changing_air])
def test_constant_air_and_a_course_that_does_not_change_agree(law):
    params = {**TYPICAL[law], "start_moisture_pct": 60.0}
    steady = LAWS[law].moisture(DAYS, params, 25.0, 12.0)
    driven = LAWS[law].moisture(DAYS, params, 25.0, daily(12.0, DAYS))
    assert driven == pytest.approx(steady, abs=1e-9)
    assert steady[0, 0] == pytest.approx(60.0, abs=1e-12)
    assert (np.diff(steady[0]) < 0).all()


@pytest.mark.parametrize("law", list(LAWS))
def test_many_pieces_at_once_equal_each_alone(law):
    air = 12.0 if law == "stretched" else DailyAir(LEVELS, start=np.array([0.0, 3.5, 20.0]))
    start, wall = np.array([70.0, 55.0, 40.0]), np.array([20.0, 26.0, 40.0])
    params = {**TYPICAL[law], "start_moisture_pct": start}
    together = LAWS[law].moisture(DAYS, params, wall, air)
    for i in range(3):
        alone_air = air if law == "stretched" else DailyAir(LEVELS, start=air.start[i])
        alone = LAWS[law].moisture(
            DAYS, {**params, "start_moisture_pct": start[i]}, wall[i], alone_air
        )
        assert together[i] == pytest.approx(alone[0], abs=1e-12)


def two_period(days, start, tau, air, critical=30.0):
    params = {"start_moisture_pct": start, "tau_days": tau, "critical_pct": critical}
    return LAWS["two_period"].moisture(days, params, 25.0, air)


@settings(max_examples=50, deadline=None)
@given(
    start=st.floats(5, 150),
    tau=st.floats(0.5, 300),
    critical=st.floats(20, 60),
    seed=st.integers(0, 99),
)
def test_two_period_steps_compose(start, tau, critical, seed):
    """Stopping and going on gives the same as going through: the step is exact."""
    rng = np.random.default_rng(seed)
    level = float(rng.uniform(0, 40))
    days = np.sort(rng.uniform(0, 60, 9))
    through = two_period([0, 60], start, tau, level, critical)[0, -1]
    stopped = two_period(np.r_[0, days, 60], start, tau, level, critical)[0, -1]
    assert stopped == pytest.approx(through, rel=1e-9, abs=1e-9)


def test_two_period_is_a_straight_line_and_then_an_exponential():
    # 60 to 30 % at (30 - 10)/20 = 1 point a day: 30 days; then exp(-t/20) of the rest
    m = two_period([0, 30, 50, 70], 60.0, 20.0, 10.0)[0]
    assert m == pytest.approx([60, 30, 10 + 20 / np.e, 10 + 20 / np.e**2], abs=1e-10)


def test_film_tends_to_diffusion_and_to_the_exponential():
    days, start = np.array([0, 3, 10, 50.0]), {"start_moisture_pct": 60.0}
    film = LAWS["film"].moisture
    fast = film(days, {"diffusivity_m2_s": 1e-10, "surface_m_s": 1e-2, **start}, 25.0, 12.0)
    sheet = LAWS["diffusion"].moisture(days, {"diffusivity_m2_s": 1e-10, **start}, 25.0, 12.0)
    assert fast == pytest.approx(sheet, abs=1e-3)
    # a poor surface: tau = a/S, as one mode
    slow = film(days, {"diffusivity_m2_s": 1e-7, "surface_m_s": 1e-9, **start}, 25.0, 12.0)
    tau = 12.5e-3 / 1e-9 / 86400
    lumped = LAWS["exponential"].moisture(days, {"tau_days": tau, **start}, 25.0, 12.0)
    assert slow == pytest.approx(lumped, abs=0.01)


def test_slab_without_rise_and_cap_is_the_film():
    days = np.array([0, 3, 10, 50.0])
    params = {"diffusivity_m2_s": 6e-11, "surface_m_s": 2e-8, "start_moisture_pct": 60.0}
    film = LAWS["film"].moisture(days, params, 25.0, DailyAir(LEVELS))
    plain = {**params, "rise_per_pct": 0.0, "flux_cap_pct": kernel.NO_CAP}
    slab = LAWS["slab"].moisture(days, plain, 25.0, DailyAir(LEVELS))
    assert slab == pytest.approx(film, abs=0.03)
    usual = LAWS["slab"].moisture(days, params, 25.0, DailyAir(LEVELS))
    assert np.abs(usual - film).max() > 1


@pytest.mark.parametrize("law", list(LAWS))
def test_every_parameter_has_a_unit_a_meaning_and_bounds_about_its_prior(law):
    for p in LAWS[law].parameters:
        assert p.unit
        assert len(p.meaning) > 10
        assert p.lower < p.upper
        if p.prior is not None:
            assert p.lower <= p.prior.centre <= p.upper
            assert p.prior.sd > 0
            assert p.prior.source
        elif not LAWS[law].describes_only:
            raise AssertionError(f"{law}: {p.name} has no prior, so that a season cannot pool it")
        values = np.array([1.1 * max(p.lower, 0.01), min(p.upper, 30.0)])
        assert p.natural(p.working(values)) == pytest.approx(np.clip(values, p.lower, p.upper))


def test_faults_name_what_is_wrong():
    with pytest.raises(WoodlabError, match="no drying law 'logistic'. Choose from: exponential"):
        law_named("logistic")
    film, one = LAWS["film"].moisture, LAWS["exponential"].moisture
    start = {"start_moisture_pct": 50}
    with pytest.raises(WoodlabError, match="missing: surface_m_s"):
        film([0], {"diffusivity_m2_s": 1e-10, **start}, 25, 12)
    with pytest.raises(WoodlabError, match="missing: start_moisture_pct"):
        one([0], {"tau_days": 3.0}, 25, 12)
    with pytest.raises(WoodlabError, match="unknown: taus"):
        one([0], {"tau_days": 1.0, "taus": 2.0, **start}, 25, 12)
    with pytest.raises(WoodlabError, match=r"tau_days must be above zero \(found -3\)"):
        one([0], {"tau_days": -3.0, **start}, 25, 12)
    with pytest.raises(WoodlabError, match="must not decrease"):
        one([2, 1], {"tau_days": 3.0, **start}, 25, 12)
    with pytest.raises(WoodlabError, match="one row or one value a piece"):
        one([0, 1], {"tau_days": [3.0, 4.0], **start}, [20, 25, 30], 12)
