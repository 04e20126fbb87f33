"""Published measurements of real wood through the public functions.

What disagrees and is not yet mended stands in `tests/bench/real_wood.py`, which prints all of it.
"""

import numpy as np
import pytest
import real_wood as real


@pytest.fixture(scope="module")
def sawn():
    """Bare inch boards of maple and oak, green, sawn in January and in June."""
    which = [("sugar maple", real.BOARD_MM), ("northern red oak", real.BOARD_MM)]
    return {month: real.boards(f"2017-{month:02d}-02", real.outdoor_air(), which)
            for month in (1, 6)}  # fmt: skip


def test_an_inch_of_maple_dries_in_the_time_measured(outside, sawn):
    medians = [frame["median"][0] for frame in sawn.values()]
    outside(
        "25.4 mm sugar maple, green to 20 %, mean of January and June [days]", published=90,
        ours=np.mean(medians), within=50, status="seen_source",
        source="Peck 1957, FPL Rept. 2086: boards in piles, a lone one may be quicker",
    )  # fmt: skip
    for frame in sawn.values():
        early, _, late = frame.iloc[0]
        assert early < 205
        assert late > 40
        assert late < 1000


def test_the_intervals_hold_what_is_published_of_an_inch_of_oak(sawn):
    # an air-drying publication of the FPL, p. 4, as quoted: stacked in January 150 days, in June 60
    for month, days in ((1, 150), (6, 60)):
        early, _, late = sawn[month].iloc[1]
        assert early <= days <= late < 1000, f"month {month}"
    assert sawn[1]["median"][1] > sawn[6]["median"][1]


def test_time_grows_with_thickness_about_as_published(outside):
    thick = (real.BOARD_MM, 2 * real.BOARD_MM)
    days = real.boards("2017-01-01", real.steady_air(), [("northern red oak", mm) for mm in thick])
    outside(
        "bare red oak of 25.4 and 50.8 mm, exponent of thickness", published=1.52,
        ours=real.exponent(days, thick), within=0.25, status="seen_secondary",
        source="the rule for red oak; five other published rules give 1.06 to 1.59",
    )  # fmt: skip


@pytest.mark.parametrize(("keep", "beyond"), [(3, 0.0), (4, 0.015)])
def test_a_splits_later_weights_lie_in_the_band_of_its_first(keep, beyond):
    # after four weighings one weight lies 1.3 % below the band: a finding, in docs/checks.md
    later = real.held_out("black_oak", keep, 120.0)
    assert (later["low_g"] * (1 - beyond) <= later["mass_g"]).all()
    assert (later["mass_g"] <= later["high_g"]).all()
    assert (later["high_g"] - later["low_g"] < 0.2 * later["mass_g"]).all()


def test_the_band_holds_four_in_five_hourly_weighings_of_a_fuel_stick(outside):
    spells = real.fuel_sticks()
    held = np.average(spells["weighed"], weights=spells["hours"])
    assert held >= 0.80
    assert np.average(spells["width_pct"], weights=spells["hours"]) < 9
    # the moistures want the oven-dry mass, too, and the air's daily swing is beyond the fits
    assert np.average(spells["held"], weights=spells["hours"]) >= 0.60
    outside(
        "fuel stick, second halves of five dry spells: hourly weighings in the 90 % band",
        published=0.90, ours=held, within=0.10, status="seen_source",
        source="hourly measurements of dvdkamp/fsmm (MIT), 2014; 0.90 is what the band promises",
    )  # fmt: skip


def test_two_parts_of_a_tree_differ_as_published(outside):
    outside(
        "an offcut against another part of its log: 68 % of pairs within [share]",
        published=real.SAME_TREE, ours=real.same_tree(), within=0.05, status="seen_source",
        source="166 stem segments of 15 trees, Martius et al. 2024, Tree Physiology 44(8) tpae076",
    )  # fmt: skip
