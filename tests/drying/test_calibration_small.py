"""A small run of the calibration: two seasons of each truth, solved by another solver.

The full one, over three simulators, is `tests/bench/bench_calibration.py`; its table stands in
`docs/calibration.md`. Here the limits are those that a sound forecast passes with chance near one
and one that is too narrow by half fails: over two seasons with one course of weather each,
coverage scatters widely.
"""

from __future__ import annotations

import bench_calibration as bench
import pandas as pd
import pytest
import season_truths as truths


@pytest.mark.parametrize("name", ["film", "slab"])
def test_dates_keep_their_word(name):
    truth = next(t for t in truths.TRUTHS if t.name == name)
    rows = pd.concat(
        bench.one_season(truth, seed, pieces=14, draws=100, floor=False) for seed in (201, 202)
    )
    found = bench.summary(rows)
    assert found["still_open"] >= 12
    assert found["held"] >= 0.6
    assert found["false_ready"] == 0
    assert found["error_days"] <= max(0.5 * found["usual_days"], 15.0)
    # honest, but not by being useless
    assert found["width_days"] <= 150
