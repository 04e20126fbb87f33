"""Pooling against a general sampler: a recorded run of emcee on one small season.

The record (`recorded/make_pool_emcee.py`) is of the same posterior with the exact curves, where
`posterior.sample` has them made linear at the mode and moved to the exact ones' means; the size of
the errors is the mode's in both. More draws than usual decide on the move, so that their scatter
(with 500 draws one or two of the 34 means are 0.1 to 0.16 standard deviations off) is out of it.
"""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest

from woodlab.drying import posterior, season_mode
from woodlab.drying.pool_model import POOLED_LAWS, Priors
from woodlab.drying.posterior import sample

RECORDED = Path(__file__).with_name("recorded")
RUN = json.loads((RECORDED / "pool_emcee.json").read_text())
SOURCE = f"{RUN['library']} {RUN['version']}, recorded run of {RUN['script']}"


def by_name(post):
    """Draws under the names of the record."""
    at = {pair: i for i, pair in enumerate(post.layout.names)}
    effects, out = post.effects, {"air shift": post.effects[:, -1]}
    for name in post.data.species:
        own = effects[:, at[name, "species, ln diffusivity"]]
        out[f"ln diffusivity, {name}"] = effects[:, 0] + own
        out[f"ln start moisture, {name}"] = effects[:, at[name, "species, ln start moisture"]]
    for name in post.data.seals:
        out[f"ln surface, {name}"] = effects[:, at[name, "seal, ln surface"]]
    for j, (name, _, _) in enumerate(Priors().components):
        out[f"ln sd of {name}"] = np.log(post.sds[:, j])
    for i, name in enumerate(post.data.pieces["piece"]):
        for c, what in enumerate(("ln diffusivity", "ln surface", "ln start moisture")):
            out[f"{what}, {name}"] = post.params[i, :, c]
        out[f"ln oven-dry mass, {name}"] = post.ln_dry[i]
    return out


@pytest.fixture(scope="module")
def ours():
    spec = importlib.util.spec_from_file_location("make_pool_emcee", RECORDED / RUN["script"])
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    data = script.small_season()
    with pytest.MonkeyPatch.context() as patch:
        # the record is of curves on the fit's own grid
        patch.setattr(season_mode, "grid_defect", lambda data, *_: np.zeros(data.days.shape))
        patch.setattr(posterior, "MOST_MOVING", 10_000)
        patch.setattr(posterior, "MOVING_RUNS", 50_000)
        patch.setattr(posterior, "LEAST_SHARE", 0.05)  # of 10,000: 500 draws have their say
        post = sample(
            data, POOLED_LAWS[RUN["law"]], draws=10_000, seed=RUN["mode_seed"],
            priors=Priors(air_shift_sd_pct=0.2),  # as in the recorded run
        )  # fmt: skip
    assert (post.mode.slip_g, post.mode.drift_pct) == (RUN["slip_g"], RUN["drift_pct"])
    return by_name(post)


def test_the_recorded_run_is_long_enough():
    longest = max(RUN["autocorrelation_steps"])
    assert RUN["steps"] > 50 * longest  # the tolerance that emcee itself sets
    assert RUN["burn"] > 20 * longest
    assert RUN["halves_differ_sd_at_most"] < 0.05


def test_the_record_holds_all_that_is_compared(ours):
    assert set(ours) == set(RUN["posterior"])


@pytest.mark.parametrize("name", RUN["posterior"])
def test_means_and_widths_are_those_of_the_reference(name, ours, outside):
    published = RUN["posterior"][name]
    outside(
        f"pooled season, {name}: posterior mean", published=published["mean"],
        ours=ours[name].mean(), within=0.1 * published["sd"], source=SOURCE,
    )  # fmt: skip
    outside(
        f"pooled season, {name}: posterior standard deviation", published=published["sd"],
        ours=ours[name].std(), within=0.1, relative=True, source=SOURCE,
    )  # fmt: skip
