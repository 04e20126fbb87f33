"""What is said where the records are thin, odd or cover another time."""

from types import SimpleNamespace

import numpy as np
import pandas as pd

import woodlab as wl
from woodlab.drying import pool_kernels as kernels
from woodlab.drying.batch import gather
from woodlab.drying.forecast import forecast_ready, without_scrapped
from woodlab.drying.pool_model import POOLED_LAWS, pack
from woodlab.drying.posterior import sample
from woodlab.drying.ready import ready_by_week, steady_weight
from woodlab.drying.weather import invented_air

TURNED = pd.Timestamp("2026-03-01")


def season(days, *, unit=1.0, step=1.0, air=None, looks=None, faster=None):
    """Six pieces that dry exponentially from 70 to 12 %, read in steps of `step` x `unit` grams."""
    names = [f"P{i}" for i in range(6)]
    rows = []
    for i, name in enumerate(names):
        tau = 25.0 + 5 * i if name != faster else 6.0
        mass = (800 + 60 * i) * (1.12 + 0.58 * np.exp(-np.asarray(days) / tau)) / unit
        rows += [(name, TURNED + pd.Timedelta(days=int(d)), np.round(m / step) * step * unit)
                 for d, m in zip(days, mass, strict=True)]  # fmt: skip
    pieces = {"piece": names, "species": "sugar maple", "turned_on": TURNED, "wall_mm": 25.0,
              "seal": "none", "log": "L1"}  # fmt: skip
    tables = {"pieces": pd.DataFrame(pieces),
              "weighings": pd.DataFrame(rows, columns=["piece", "on", "mass_g"])}  # fmt: skip
    for name, frame in (("air", air), ("looks", looks)):
        if frame is not None:
            tables[name] = frame
    return wl.RecordBook.from_frames(**tables)


def test_a_scrapped_piece_keeps_its_row_and_gets_no_date():
    looks = pd.DataFrame({"piece": ["P2"], "on": ["2026-03-20"], "crack_mm": [90.0],
                          "action": ["scrapped"]})  # fmt: skip
    fits = SimpleNamespace(book=season(range(0, 50, 7), looks=looks))
    ready = forecast_ready(fits, target_moisture_pct=20.0, draws=60).set_index("piece")
    assert len(ready) == 6
    assert ready.loc["P2", "reason"] == "scrapped at the look of 2026-03-20: no forecast"
    assert ready.loc["P2", ["p_ready_now", "ready_on", "earliest_on", "latest_on"]].isna().all()
    assert ready.drop("P2")["p_ready_now"].notna().all()
    weeks = ready_by_week(fits, target_moisture_pct=20.0, weeks=3, draws=60)
    assert (weeks.loc[weeks["by"] == "all", "n_pieces"] == 5).all()
    # asked before that look, it was still a piece like the others
    before = forecast_ready(fits, "2026-03-18", 20.0, draws=60).set_index("piece")
    assert "scrapped" not in before.loc["P2", "reason"]
    same = without_scrapped(before.reset_index(), season([0, 7]))
    assert same["p_ready_now"].notna().all()


def test_the_step_of_a_scale_in_pounds_or_ounces_is_seen():
    days = range(0, 50, 7)
    for unit, step in ((28.349523125, 1.0), (453.59237, 0.01), (28.349523125, 0.1)):
        seen = gather(season(days, unit=unit, step=step)).resolution_g
        assert np.allclose(seen, unit * step, rtol=1e-6)
    assert np.allclose(gather(season(days)).resolution_g, 1.0)


def test_air_that_was_not_read_is_not_taken_as_known():
    days = range(0, 64, 7)
    air = invented_air(TURNED, 64, seed=3)
    sds = {}
    for name, log in (("all", air), ("a third", air.head(21)), ("none", None)):
        book = season(days, air=log)
        data = pack(book)
        post = sample(data, POOLED_LAWS["film"], draws=200, seed=1)
        sds[name] = post.params[0, :, kernels.AIR_SHIFT].std()
        source = wl.fit_drying(book).pieces["air_from"].iloc[0]
        assert source == {"all": "air log", "none": "assumed"}.get(
            name, f"air log, {100 * (1 - data.air_unread):.0f} % of the days"
        )
    assert 0 < pack(season(days, air=air.head(21))).air_unread < 1
    assert sds["all"] < 0.5 * sds["a third"]
    assert sds["all"] < 0.2


def test_a_piece_that_differs_is_not_taken_for_wrong_weighings():
    data = pack(season([0, 9, 21, 40, 60], faster="P4"))
    post = sample(data, POOLED_LAWS["film"], draws=60, seed=1)
    assert (post.mode.weight[4] > 0.5).all()
    left = np.exp(post.mode.ln_dry[4]) * (1 + post.fitted[4] / 100) - data.net_g[4]
    assert np.abs(left).max() < 0.05 * data.net_g[4].max()


def test_weighings_too_far_apart_do_not_say_that_a_weight_still_moves():
    frame = steady_weight(season([0, 40, 100, 190]))
    assert frame["steady"].isna().all()
    often = steady_weight(season([0, 7, 14, 21, 28, 35]))
    assert (often["steady"] == False).all()  # noqa: E712 - a nullable boolean


def test_laws_that_fit_nothing_do_not_keep_the_others_from_being_ranked():
    ranked = wl.rank_laws(season([0, 12, 25, 45, 70, 100]), ["exponential", "two_term", "slab"])
    ranked = ranked.set_index("law")
    assert np.isfinite(ranked.loc["exponential", "score_pct"])
    assert ranked.loc["exponential", "score_pct"] < 1.0
