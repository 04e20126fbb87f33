"""Ranking the laws, and the difference of core and surface."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import woodlab as wl
from woodlab.drying.laws import LAWS
from woodlab.drying.slab import run_slab
from woodlab.errors import WoodlabError

RECORDED = Path(__file__).parent / "recorded"
START = pd.Timestamp("2026-02-01")


def season(law, params, pieces=6, days=None, noise=0.6, seed=2):
    days = np.r_[0:60:4, 60:150:10] if days is None else days
    rng = np.random.default_rng(seed)
    wall = np.linspace(20, 34, pieces)
    moisture = LAWS[law].moisture(days, {**params, "start_moisture_pct": 70.0}, wall, 12.0)
    mass = 900 * (1 + moisture / 100) + noise * rng.normal(size=moisture.shape)
    names = [f"A{i}" for i in range(pieces)]
    air = pd.DataFrame({"on": pd.date_range(START, periods=200, freq="D"), "temp_c": 20.0,
                        "rh_pct": 65.0})  # fmt: skip
    return wl.RecordBook.from_frames(
        pieces=pd.DataFrame({"piece": names, "species": "red oak", "turned_on": START,
                             "wall_mm": wall, "seal": "none"}),
        weighings=pd.DataFrame({
            "piece": np.repeat(names, len(days)),
            "on": np.tile(START + pd.to_timedelta(days.astype(float), unit="D"), pieces),
            "mass_g": mass.ravel(), "scale_g": 0.1}),
        air=air,
    )  # fmt: skip


def test_slab_agrees_with_a_general_pde_library(outside):
    run = json.loads((RECORDED / "slab_fipy.json").read_text())
    case, rows = run["case"], np.array(run["rows"])
    params = {name: case[name] for name in (
        "start_moisture_pct", "diffusivity_m2_s", "surface_m_s", "rise_per_pct",
        "fibre_saturation_pct")}  # fmt: skip
    ours = run_slab(rows[:, 0], params, case["wall_mm"], case["air_pct"], cells=64,
                    steps_per_day=16)  # fmt: skip
    source = f"{run['library']} {run['version']}, recorded run of {run['script']}"
    for day, mean, core, surface, our_mean, our_gap in zip(
        *rows.T, ours.moisture_pct[0], ours.difference_pct[0], strict=True
    ):
        outside(f"slab, rising diffusivity, capped flux: mean moisture on day {day:g} [%]",
                published=mean, ours=our_mean, within=0.03, source=source)  # fmt: skip
        outside(f"slab: core less surface on day {day:g} [%]", published=core - surface,
                ours=our_gap, within=0.08, source=source)  # fmt: skip


def test_the_true_law_foretells_best():
    book = season("two_period", {"tau_days": 30.0})
    ranked = wl.rank_laws(book, ["exponential", "diffusion", "two_period"])
    assert ranked.loc[0, "law"] == "two_period"
    assert ranked.loc[0, "aicc_above_best"] == 0
    assert ranked.loc[0, "best_share"] == 1.0
    assert ranked["score_pct"].is_monotonic_increasing
    assert ranked.loc[0, "score_pct"] < 0.5 < ranked.loc[2, "score_pct"]
    assert (ranked["n_pieces"] == 6).all()
    with pytest.raises(WoodlabError, match="no drying law 'magic'"):
        wl.rank_laws(book, ["magic"])


@pytest.mark.parametrize("law", ["film", "slab"])
def test_core_to_surface_finds_the_truth_inside_its_interval(law):
    params = {"diffusivity_m2_s": 4e-11, "surface_m_s": 1.5e-8}
    book = season(law, params, pieces=4)
    found = wl.core_to_surface(wl.fit_drying(book, law, progress=False, intervals=False), draws=20)
    wall = book.pieces["wall_mm"].to_numpy()
    truth = {**params, "start_moisture_pct": 70.0}
    days = np.linspace(0, 140, 561)
    if law == "slab":
        exact = run_slab(days, truth, wall, 12.0, cells=48, steps_per_day=8).largest_difference_pct
    else:
        exact = run_slab(days, {**truth, "rise_per_pct": 0.0}, wall, 12.0, cells=48, cap=False,
                         steps_per_day=8).largest_difference_pct  # fmt: skip
    assert found["difference_pct"].to_numpy() == pytest.approx(exact, rel=0.06)
    assert (found["ci_lower"] <= found["difference_pct"]).all()
    assert (found["ci_upper"] >= found["difference_pct"]).all()
    assert (found["ci_upper"] - found["ci_lower"] < 0.5 * found["difference_pct"]).all()
    # thicker walls have the wetter core
    assert found["difference_pct"].is_monotonic_increasing
    with pytest.raises(WoodlabError, match="knows no inside"):
        wl.core_to_surface(wl.fit_drying(book))
