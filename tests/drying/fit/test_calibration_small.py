"""Do the intervals hold the truth? Small simulated seasons, seeded, asked at several dates.

The full runs, over other simulators too, are `tests/bench/bench_calibration.py`; their table is in
`docs/calibration.md`. All pieces of a season share its air and offset, so that the share held
scatters widely from season to season: the bounds are those that intervals half as wide fail.
"""

import numpy as np
import pandas as pd
import pytest
from small_books import season

import woodlab as wl

SEEDS = range(6)


@pytest.fixture(scope="module", params=["slab", "film"])
def found(request):
    """Moisture of the day, of six seasons of twelve pieces: truth and both intervals."""
    rows, dates, settled = [], [], []
    for seed in SEEDS:
        made = season(request.param, 12, seed=seed)
        as_of = pd.Timestamp("2026-05-01") - pd.Timedelta(days=12 * seed)
        fits = wl.fit_drying(made.book, law=request.param, as_of=as_of, draws=60)
        settled.append(fits.laws["converged"].all())
        true = made.moisture.loc[as_of].reindex(fits.pieces["piece"]).to_numpy()
        shown = fits.predict(on=as_of)
        rows.append(pd.DataFrame({
            "seed": seed, "true": true, "now": fits.pieces["moisture_now_pct"],
            "low90": fits.pieces["moisture_now_lower_pct"],
            "high90": fits.pieces["moisture_now_upper_pct"],
            "low95": shown["ci_lower_moisture_pct"], "high95": shown["ci_upper_moisture_pct"],
            "dry": fits.pieces["oven_dry_g"],
            "true_dry": made.truth.set_index("piece")["oven_dry_g"].reindex(
                fits.pieces["piece"]).to_numpy(),
        }))  # fmt: skip
        ready = wl.forecast_ready(fits, target_moisture_pct=14.0)
        came = made.ready_on(14.0).reindex(ready["piece"])
        dates.append(ready.assign(came=came.to_numpy(), as_of=as_of))
    assert sum(settled) >= len(settled) - 1
    return pd.concat(rows), pd.concat(dates)


def share_held(rows, level, shrink=1.0):
    middle = rows[[f"low{level}", f"high{level}"]].mean(axis=1)
    half = (rows[f"high{level}"] - rows[f"low{level}"]) / 2 * shrink
    return ((rows["true"] - middle).abs() <= half).mean()


def test_the_intervals_of_moisture_hold_the_truth(found):
    rows = found[0]
    assert 0.75 <= share_held(rows, 90) <= 0.99
    assert share_held(rows, 95) >= 0.80
    # the bounds would catch a fault: half of the width does not pass
    assert share_held(rows, 90, 0.5) < 0.75
    assert share_held(rows, 95, 0.5) < 0.80
    # nor is it done by being useless
    assert (rows["high90"] - rows["low90"]).median() < 5
    assert (rows["now"] - rows["true"]).abs().median() < 1.2
    assert abs((rows["now"] - rows["true"]).groupby(rows["seed"]).mean().mean()) < 1.0


def test_oven_dry_masses_are_near_the_truth(found):
    gone = np.log(found[0]["dry"] / found[0]["true_dry"])
    assert np.sqrt((gone**2).mean()) < 0.03


def test_dates_keep_their_word(found):
    dates = found[1]
    still = dates[dates["came"] > dates["as_of"]]
    assert len(still) >= 10
    day = pd.Timedelta(days=1)
    held = (still["earliest_on"] - day <= still["came"]) & (
        still["latest_on"].isna() | (still["came"] <= still["latest_on"] + day)
    )
    assert held.mean() >= 0.7
    error = ((still["ready_on"] - still["came"]) / day).abs()
    assert error.median() <= 25  # asked as early as two months after turning
    # none is called ready that is far from it
    assert (still["p_ready_now"] < 0.95).mean() > 0.9
