"""Pooling: groups are found again, weak pieces lean on them, strong ones do not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import woodlab as wl
from woodlab.demo import demo_season
from woodlab.drying import pool_kernels as kernels
from woodlab.drying.modes import DailyAir
from woodlab.drying.pool import pool_season
from woodlab.drying.pool_model import POOLED_LAWS, pack, running_sums
from woodlab.drying.posterior import sample
from woodlab.drying.season_mode import noise_root
from woodlab.drying.simulate import SeasonTruth, simulate_season
from woodlab.drying.slab import run_slab
from woodlab.drying.weather import invented_air

SEALS = ("none", "wax all over")


def season(law="film", n=16, seed=3, days=150):
    rng = np.random.default_rng(seed)
    start = pd.Timestamp("2026-01-10")
    pieces = pd.DataFrame(
        {
            "piece": [f"P{i}" for i in range(n)],
            "species": ["sugar maple" if i % 2 else "black cherry" for i in range(n)],
            "turned_on": start + pd.to_timedelta(rng.integers(0, 30, n), unit="D"),
            "wall_mm": rng.integers(18, 41, n).astype(float),
            "seal": [SEALS[(i // 2) % 2] for i in range(n)],
            "log": [f"L{i % 4}" for i in range(n)],
        }
    )
    truth = SeasonTruth(
        law=law, diffusivity_m2_s={"sugar maple": 4e-11, "black cherry": 6e-11}, slip_g=0.5
    )
    air = invented_air(start, days, seed=seed)
    return simulate_season(pieces, air, seed=seed, truth=truth), truth


@pytest.fixture(scope="module")
def film():
    return season()


@pytest.fixture(scope="module")
def fits(film):
    return wl.fit_drying(film[0].book, law="film", pool=True)


@pytest.mark.parametrize(("rise", "capped"), [(0.0, False), (0.134, True)])
def test_coarse_steps_agree_with_the_slab_law(rise, capped):
    n = 12
    rng = np.random.default_rng(1)
    air = 13 + np.convolve(rng.normal(0, 2, 400), np.ones(3) / 2, "same")
    days = np.arange(0, 200, 10.0)
    d = 4e-11 * np.exp(rng.normal(0, 0.3, n))
    s = np.exp(rng.uniform(np.log(3e-9), np.log(3e-8), n))
    walls = rng.uniform(18, 40, n)
    given = {"start_moisture_pct": np.full(n, 70.0), "diffusivity_m2_s": d, "surface_m_s": s,
             "rise_per_pct": rise}  # fmt: skip
    exact = run_slab(
        days, given, walls, DailyAir(air, np.zeros(n)), cells=40, steps_per_day=4, cap=capped
    ).moisture_pct
    params = np.column_stack(
        [np.log(d), np.log(s), np.full(n, np.log(70.0)), np.full(n, rise), np.full(n, 30.0),
         np.zeros(n), np.zeros(n)]
    )  # fmt: skip
    sums = running_sums(air, np.zeros(air.size))[None]
    out = np.empty((n, days.size))
    kernels.curves(
        np.tile(days, (n, 1)), np.full(n, days.size), params, capped, walls / 2000, sums,
        np.zeros(n, dtype=int), np.zeros(n), 0, n, out,
    )  # fmt: skip
    assert np.sqrt(np.mean((out - exact) ** 2)) < 0.03
    assert np.abs(out - exact).max() < 0.15


def test_groups_hold_the_truth(film, fits):
    _, truth = film
    groups = fits.groups.set_index(["kind", "group", "parameter"])
    checked = 0
    for name, value in truth.diffusivity_m2_s.items():
        row = groups.loc[("species", name, "diffusivity_m2_s")]
        # log effects of two logs stand between a species and its pieces: three standard errors
        half = np.log(row.ci_upper / row.ci_lower) / 2
        assert abs(np.log(row.estimate / value)) < 1.5 * half
        assert row.ci_lower < row.estimate < row.ci_upper
        checked += 1
    for seal in SEALS:
        row = groups.loc[("seal", seal, "surface_m_s")]
        assert row.estimate == pytest.approx(truth.surface_m_s[seal], rel=0.25)
        checked += 1
    assert checked == 4


def test_pieces_and_oven_dry_masses_are_found(film, fits):
    simulated, _ = film
    true = simulated.truth.set_index("piece")
    rows = fits.pieces.set_index("piece")
    assert (rows["status"] == "ok").all()
    gone = np.log(rows["oven_dry_g"] / true["oven_dry_g"])
    assert np.sqrt((gone**2).mean()) < 0.015
    held = fits.params[fits.params["parameter"] == "oven_dry_g"].set_index("piece")
    inside = (held["ci_lower"] <= true["oven_dry_g"]) & (true["oven_dry_g"] <= held["ci_upper"])
    assert inside.mean() >= 0.8


def test_two_weighings_lean_on_the_group_and_many_do_not(film):
    simulated, _ = film
    book = simulated.book
    first = book.pieces["piece"].iloc[0]
    mine = book.weighings["piece"] == first
    few = pd.concat([book.weighings[~mine], book.weighings[mine].head(2)])
    tables = {**book.tables(), "weighings": few}
    fits = pool_season(wl.RecordBook.from_frames(**tables), "film", draws=150)
    row = fits.pieces.set_index("piece").loc[first]
    assert row["status"] == "ok"
    assert "drawn toward its group" in row["reason"]
    true = simulated.truth.set_index("piece").loc[first]
    assert row["surface_m_s"] == pytest.approx(true["surface_m_s"], rel=0.5)
    wide = fits.params.set_index(["piece", "parameter"])
    other = book.pieces["piece"].iloc[2]
    spread = wide["ci_upper"] / wide["ci_lower"]
    assert spread[first, "surface_m_s"] > 1.3 * spread[other, "surface_m_s"]


def test_a_tenfold_slip_does_not_move_the_season(film, fits):
    simulated, _ = film
    weighings = simulated.book.weighings.copy()
    at = weighings.index[weighings["piece"] == "P3"][5]
    weighings.loc[at, "mass_g"] *= 10
    tables = {**simulated.book.tables(), "weighings": weighings}
    slipped = pool_season(wl.RecordBook.from_frames(**tables), "film", draws=100)
    row = slipped.pieces.set_index("piece").loc["P3"]
    assert row["n_set_aside"] >= 1
    assert "set aside" in row["reason"]
    clean = fits.pieces.set_index("piece").loc["P3"]
    assert row["oven_dry_g"] == pytest.approx(clean["oven_dry_g"], rel=0.01)


def test_a_trim_is_a_step_not_a_kink(film, fits):
    simulated, _ = film
    weighings = simulated.book.weighings.copy()
    mine = weighings.index[weighings["piece"] == "P2"]
    weighings.loc[mine[6:], "mass_g"] *= 0.8
    weighings["event"] = None
    weighings.loc[mine[6], "event"] = "trimmed"
    tables = {**simulated.book.tables(), "weighings": weighings}
    trimmed = pool_season(wl.RecordBook.from_frames(**tables), "film", draws=100)
    clean = fits.pieces.set_index("piece").loc["P2"]
    row = trimmed.pieces.set_index("piece").loc["P2"]
    assert row["oven_dry_g"] == pytest.approx(clean["oven_dry_g"], rel=0.02)
    cut = float(weighings.loc[mine[6], "mass_g"]) * 0.25
    assert trimmed.steps["step_g"].item() == pytest.approx(-cut, rel=0.1)


def test_laws_that_say_nothing_of_a_group_are_refused(film):
    with pytest.raises(wl.WoodlabError, match="'stretched' cannot be pooled"):
        wl.fit_drying(film[0].book, law="stretched", pool=True)


def test_a_law_that_is_not_that_of_the_pieces_says_so(film, fits):
    slab, _ = season(law="slab")
    wrong = wl.fit_drying(slab.book, law="film", pool=True).pieces["reason"]
    right = wl.fit_drying(slab.book, law="slab", pool=True).pieces["reason"]
    told = "the law film leaves this season's weights by about"
    assert wrong.str.startswith(told).all()
    assert not right.str.contains("leaves this season's weights").any()
    assert not fits.pieces["reason"].str.contains("leaves this season's weights").any()


def test_same_seed_same_draws(film):
    data = pack(film[0].book)
    one, two = (sample(data, POOLED_LAWS["film"], draws=20, seed=5) for _ in range(2))
    assert (one.params == two.params).all()


def test_noise_root_whitens():
    data = pack(season(n=4, days=60)[0].book)
    root = noise_root(data, np.full(4, 800.0), 0.7, 0.1, np.ones(data.days.shape))
    k = int(data.counts[0])
    inner = np.linalg.inv(root[0, :k, :k])
    cover = inner @ inner.T
    assert cover[0, 0] == pytest.approx(1 / 12 + 0.7**2 + (0.001 * 800) ** 2)
    gap = abs(data.days[0, 3] - data.days[0, 1])
    assert cover[1, 3] == pytest.approx((0.001 * 800) ** 2 * np.exp(-gap / 30))


def test_a_season_without_air_or_offcuts_still_answers(film):
    tables = {name: film[0].book.tables()[name] for name in ("pieces", "weighings")}
    bare = pool_season(wl.RecordBook.from_frames(**tables), "film", draws=100)
    shift = bare.groups.set_index("parameter").loc["air_shift_pct"]
    assert shift["ci_upper"] - shift["ci_lower"] > 1.0
    assert (bare.pieces["air_from"] == "assumed").all()


def test_a_large_season_does_not_take_the_grid_for_a_shift_of_the_air():
    # 92 pieces of known truth and no shift; on the fit's grid alone it came out at -0.28 +- 0.06
    made = demo_season()
    data = pack(made.book)
    post = sample(data, POOLED_LAWS["slab"], draws=60, seed=1)
    shift = post.params[0, :, kernels.AIR_SHIFT]
    assert abs(shift.mean()) < 2.5 * shift.std()
    true_g = made.truth.set_index("piece").loc[data.pieces["piece"], "oven_dry_g"].to_numpy()
    assert abs(np.median(np.exp(post.mode.ln_dry) / true_g - 1)) < 0.0014
