"""The steady-weight rule, even draws, counts by week and past forecasts."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import woodlab as wl
from woodlab.drying.ready import even_draws, past_forecasts, ready_by_week, steady_weight


def book(masses, seal="none", every=14):
    start = pd.Timestamp("2026-01-10")
    on = start + pd.to_timedelta(np.arange(len(masses)) * every, unit="D")
    return wl.RecordBook.from_frames(
        pieces=pd.DataFrame({"piece": ["A"], "species": ["red oak"], "turned_on": [start],
                             "wall_mm": [25.0], "seal": [seal]}),
        weighings=pd.DataFrame({"piece": "A", "on": on, "mass_g": masses}),
    )  # fmt: skip


def forecast(moisture, chance, seal="none"):
    return pd.DataFrame(
        {"piece": ["A"], "moisture_now_pct": [moisture], "target_moisture_pct": [12.0],
         "p_ready_now": [chance], "seal": [seal], "as_of": [pd.Timestamp("2026-12-31")]}
    )  # fmt: skip


def test_steady_counts_the_last_weeks_only():
    assert bool(steady_weight(book([1500.0, 1200, 801, 800, 800]))["steady"].item())
    assert not bool(steady_weight(book([1500.0, 1200, 806, 803, 800]))["steady"].item())
    assert steady_weight(book([801.0, 800]))["steady"].isna().item()
    # weighings too close together in time show nothing
    assert steady_weight(book([801.0, 800, 800], every=2))["steady"].isna().item()


def test_disagreement_is_explained():
    steady = book([1500.0, 1203, 1201, 1200], seal="wax")
    row = steady_weight(steady, forecast(31.0, 0.0, "wax")).iloc[0]
    assert not bool(row["agrees"])
    assert "behind its seal" in row["why"]
    row = steady_weight(book([1500.0, 900, 860, 840]), forecast(11.0, 0.97)).iloc[0]
    assert not bool(row["agrees"])
    assert "still moves" in row["why"]
    row = steady_weight(book([1500.0, 801, 800, 800]), forecast(11.0, 0.97)).iloc[0]
    assert bool(row["agrees"])
    assert row["why"] == ""


def test_wrong_options():
    with pytest.raises(wl.WoodlabError, match="above zero"):
        steady_weight(book([801.0, 800]), weeks=0)


def test_even_draws_keep_shares_and_columns():
    rng = np.random.default_rng(2)
    values = rng.normal(size=(3, 2000))
    weight = np.exp(0.5 * values)
    weight /= weight.sum(axis=1, keepdims=True)
    even = even_draws(values, weight, seed=1)
    assert even.mean(axis=1) == pytest.approx((values * weight).sum(axis=1), abs=0.05)
    assert (even == values).mean() > 0.6
    same = np.full(values.shape, 1 / 2000)
    assert (even_draws(values, same) == values).mean() > 0.99


def test_counts_grow_and_sum_and_past_forecasts_are_judged():
    # up to early summer: some pieces are ready, others are not
    demo = wl.demo_book()
    keep = list(demo.pieces["piece"].iloc[:14])
    tables = {name: frame.copy() for name, frame in demo.tables().items()}
    for name in ("pieces", "weighings", "looks", "rims"):
        tables[name] = tables[name][tables[name]["piece"].isin(keep)]
    logs = set(tables["pieces"]["log"])
    tables["offcuts"] = tables["offcuts"][tables["offcuts"]["log"].isin(logs)]
    fits = SimpleNamespace(book=wl.RecordBook.from_frames(**tables).until("2025-08-20"))
    weeks = ready_by_week(fits, "2025-05-20", 15.0, draws=80, weeks=30)
    whole = weeks[weeks["by"] == "all"]
    assert (np.diff(whole["expected"]) >= -1e-9).all()
    assert ((whole["lower"] <= whole["expected"]) & (whole["expected"] <= whole["upper"])).all()
    assert whole["n_pieces"].iloc[0] == 14
    for by in ("species", "size"):
        total = weeks[weeks["by"] == by].groupby("week_ending")["expected"].sum()
        assert total.to_numpy() == pytest.approx(whole["expected"].to_numpy())
    past = past_forecasts(fits, ["2025-05-20"], 15.0, draws=80)
    assert len(past) >= 1
    assert (past["turned_out_on"] > pd.Timestamp("2025-05-20")).all()
    gone = (past["ready_on"] - past["turned_out_on"]).dt.days
    assert (gone.dropna() == past["error_days"].dropna()).all()
