"""The posterior of a small season against a general sampler (recorded; see `recorded/`)."""

import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest

RECORDED = Path(__file__).parents[1] / "recorded"
RUN = json.loads((RECORDED / "season_emcee.json").read_text())
SOURCE = f"{RUN['library']} {RUN['version']}, recorded run of {RUN['script']}"


@pytest.fixture(scope="module")
def ours():
    spec = importlib.util.spec_from_file_location("maker", RECORDED / RUN["script"])
    maker = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(maker)
    fits = maker.small_season()
    part = fits.parts[0]
    target = maker.Target(fits)
    # both hold slip and drift; where they change, the recorded run is of another density
    assert part.mode.slip_g == pytest.approx(RUN["slip_g"], rel=0.05)
    assert part.mode.drift_pct == pytest.approx(RUN["drift_pct"], rel=0.05)
    u, shared = np.moveaxis(part.u, 1, 0), part.beta[:, target.shared]
    now = maker.last(target.curves(u, shared), target.season.d.counts)
    return maker.compared(u, part.ln_dry.T, shared, now)


def test_the_recorded_run_has_settled():
    assert RUN["independent_draws_about"] >= 300
    assert RUN["halves_differ_sd_at_most"] < 0.25


@pytest.mark.parametrize("name", RUN["posterior"])
def test_means_and_widths_are_those_of_a_general_sampler(outside, ours, name):
    published = RUN["posterior"][name]
    outside(f"season of four pieces, {name}: posterior mean", published=published["mean"],
            ours=ours[name].mean(), within=0.3 * published["sd"], source=SOURCE)  # fmt: skip
    outside(f"season of four pieces, {name}: posterior standard deviation",
            published=published["sd"], ours=ours[name].std(), within=0.25, relative=True,
            source=SOURCE)  # fmt: skip
