"""What a measurement would tell, before it is made, against measuring it in every draw."""

import numpy as np
import pytest

import woodlab as wl
from woodlab.drying.forecast.next_measurements import _share_told


def test_share_of_a_normal_pair_is_the_closed_form():
    rng = np.random.default_rng(4)
    z = rng.standard_normal((2, 100_000))
    correlation, error = 0.8, 0.75
    days = 30 + 9 * (correlation * z[0] + np.sqrt(1 - correlation**2) * z[1])
    told = _share_told(days[None], z[0], error)[0]
    # ranks take a little: 6/pi asin(r/2) in place of r (Pearson 1907, for normal pairs)
    ranks = 6 / np.pi * np.arcsin(correlation / 2)
    assert told == pytest.approx(ranks**2 / (1 + error**2), abs=0.01)


def test_share_agrees_with_reading_the_instrument_in_every_draw():
    """Second route: draw a reading from each draw in turn, weight all draws by it, and see what
    variance of the days is left on average."""
    rng = np.random.default_rng(5)
    count, error = 1500, 0.5
    reads = rng.standard_normal(count)
    days = np.stack([40 + 6 * reads + 5 * rng.standard_normal(count), rng.standard_normal(count)])
    told = _share_told(days, reads, error)
    left = np.zeros(2)
    seen = reads + error * rng.standard_normal(count)
    for reading in seen:
        weight = np.exp(-0.5 * ((reading - reads) / error) ** 2)
        weight /= weight.sum()
        mean = days @ weight
        left += (days**2) @ weight - mean**2
    assert told == pytest.approx(1 - left / count / days.var(axis=1), abs=0.05)


def test_a_reading_of_nothing_tells_nothing():
    rng = np.random.default_rng(6)
    days = rng.standard_normal((40, 200)) + 50
    assert _share_told(days, rng.standard_normal(200), 1e-6).mean() < 0.02
    assert _share_told(days, np.ones(200), 1.0).max() == 0.0


@pytest.fixture(scope="module")
def fits():
    book = wl.demo_book().only(pieces=["A1", "A3", "B2", "C1"])
    return wl.fit_drying(book, law="slab", as_of="2025-05-20")


def test_dates_on_an_absolute_scale_want_the_scale_of_the_store(fits):
    table = wl.next_measurements(fits, target_moisture_pct=12).table
    best = table.groupby("kind")["narrower_pct"].max()
    assert best["witness"] > best["weighing"]
    assert (table["width_after_days"] <= table["width_days"]).all()
    assert set(table.query("kind == 'shavings'")["of"]) == {"A1", "A3", "B2", "C1"}


def test_a_hygrometer_checked_over_salt_is_trusted_and_not_asked_for_again(fits):
    tables = fits.book.tables()
    tables["air"] = tables["air"].assign(
        checked=[*["over salt"], *[None] * (len(tables["air"]) - 1)]
    )
    checked = wl.fit_drying(wl.RecordBook.from_frames(**tables), law="slab", as_of="2025-05-20")

    def width(of):
        row = of.groups.query("kind == 'hygrometer'").iloc[0]
        return row["ci_upper"] - row["ci_lower"]

    assert width(checked) < 0.7 * width(fits)
    assert "hygrometer" not in set(wl.next_measurements(checked).table["kind"])


def test_it_says_what_to_do_and_how_with_the_oven_in_mind(fits):
    said = wl.next_measurements(fits, target_moisture_pct=12).summary()
    for words in ("witness block", "oven", "days on average"):
        assert words in said


def test_a_season_that_waits_for_nothing_says_so(fits):
    found = wl.next_measurements(fits, target_moisture_pct=60)
    assert not len(found.table)
    assert "No piece is waiting" in found.summary()
