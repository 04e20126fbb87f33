"""Shares and their intervals: Wilson and Turnbull against other routes."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from woodlab.studies.cracks.counts import turnbull, whole_by_day, wilson_interval

MONTHS = [6.12, 19.92, 29.64, 35.4, 39.72, 45.24, 52.32, 63.48]
CRACKED = [5, 16, 12, 18, 18, 2, 6, 17]
CUMULATIVE = [
    0.0299402,
    0.1257485,
    0.1976048,
    0.3053892,
    0.4131737,
    0.4251497,
    0.4610778,
    0.5628743,
]


def share_by(estimate, day):
    """Share that has begun to crack by a day at which the estimate is level."""
    start, end, mass = estimate
    assert not ((start < day) & (day < end)).any()
    return mass[end <= day].sum()


def nelson():
    after = np.repeat([0.0, *MONTHS[:-1], MONTHS[-1]], [*CRACKED, 73])
    by = np.repeat([*MONTHS, np.inf], [*CRACKED, 73])
    return after, by


@pytest.mark.parametrize(("month", "published"), [*zip(MONTHS, CUMULATIVE, strict=True)])
def test_nelson_cumulative_fractions(outside, month, published):
    outside(f"Nelson's turbine parts: fraction cracked by month {month:g}", published=published,
            ours=share_by(turnbull(*nelson()), month), within=1e-7,
            source="Nelson 1982, Applied Life Data Analysis, p. 415")  # fmt: skip


@pytest.mark.parametrize(("events", "count"), [(0, 10), (1, 10), (10, 10), (3, 7), (58, 167)])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_wilson_against_statsmodels_as_installed(events, count, level):
    other = proportion_confint(events, count, alpha=1 - level, method="wilson")
    np.testing.assert_allclose(wilson_interval(events, count, level), other, atol=1e-12)


def test_wilson_of_nothing_is_not_a_number():
    assert np.isnan(wilson_interval(0, 0)).all()


intervals = st.lists(
    st.tuples(st.integers(0, 12), st.integers(1, 9), st.booleans()), min_size=1, max_size=14
)


@settings(max_examples=60, deadline=None)
@given(intervals)
def test_turnbull_is_the_maximum(rows):
    """No shift of mass to any interval between two looks raises the likelihood."""
    after = np.array([float(a) for a, _, _ in rows])
    by = np.array([a + w if found else np.inf for a, w, found in rows])
    start, end, mass = turnbull(after, by)
    assert mass.sum() == pytest.approx(1)
    assert (mass > 0).all()
    chance = ((after[:, None] <= start) & (end <= by[:, None])) @ mass
    edges = np.unique(np.r_[after, by[np.isfinite(by)], 99.0])
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        holds = (after <= low) & (high <= by) if high < 99 else (after <= low) & np.isinf(by)
        assert (holds / chance).sum() <= len(rows) * (1 + 1e-4)


def test_without_censoring_between_looks_it_is_the_product_limit():
    # each crack pinned to a day of its own, two pieces leaving at day 2.5: 4/5 then 2/3 of it ...
    after = np.array([0.99, 2.5, 2.5, 2.99, 3.99, 4.5])
    by = np.array([1.0, np.inf, np.inf, 3.0, 4.0, np.inf])
    estimate = turnbull(after, by)
    assert 1 - share_by(estimate, 2) == pytest.approx(5 / 6)
    assert 1 - share_by(estimate, 3.5) == pytest.approx(5 / 6 * 2 / 3, abs=1e-6)
    assert 1 - share_by(estimate, 4.2) == pytest.approx(5 / 6 * 2 / 3 * 1 / 2, abs=1e-6)


def test_gaps_are_gaps_and_the_band_holds_the_share():
    used = pd.DataFrame(
        {"after_days": [0.0, 4, 8, 12, 12], "by_days": [4.0, 8, np.inf, 16, np.inf]}
    )
    frame = whole_by_day(used, "all", "all pieces")
    gaps = frame[frame["kind"] == "gap"]
    assert gaps[["from_days", "to_days"]].values.tolist() == [[0, 4], [4, 8], [12, 16]]
    known = frame[frame["kind"] == "known"]
    assert (known["ci_lower"] <= known["whole_from"]).all()
    assert (known["whole_from"] <= known["ci_upper"]).all()
    assert (known["ci_lower"] < known["ci_upper"]).all()
    assert known["whole_from"].is_monotonic_decreasing


def test_one_piece_and_all_cracked_at_once():
    one = whole_by_day(pd.DataFrame({"after_days": [9.0], "by_days": [np.inf]}), "all", "x")
    assert one[["kind", "to_days"]].values.tolist() == [["known", 9.0]]
    gone = whole_by_day(pd.DataFrame({"after_days": [0.0] * 3, "by_days": [5.0] * 3}), "all", "x")
    assert gone.iloc[-1]["whole_to"] == 0


def test_a_piece_that_stayed_whole_is_not_sure_to():
    """One piece whole to the last look says little of the next: Wilson's 1/(1 + z^2)."""
    used = pd.DataFrame({"after_days": [140.0], "by_days": [np.inf]})
    (row,) = whole_by_day(used, "seal", "paint").to_dict("records")
    assert (row["whole_from"], row["ci_upper"]) == (1.0, 1.0)
    assert row["ci_lower"] == pytest.approx(1 / (1 + 1.959964**2), abs=1e-6)
