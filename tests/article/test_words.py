"""The word follows the interval."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from woodlab.article.words import (
    Certainty,
    certainty_of_difference,
    certainty_of_ratio,
    compared,
)


@pytest.mark.parametrize(
    ("ratio", "lower", "upper", "word"),
    [
        (3.1, 2.6, 3.7, "clear"),
        (0.4, 0.2, 0.8, "clear"),
        (1.3, 0.9, 1.9, "likely"),
        (1.1, 0.7, 1.7, "cannot tell"),
        (1.0, 0.95, 1.06, "alike"),
        (1.05, 1.01, 1.09, "alike"),  # surely more, but by less than a tenth
        (math.nan, 0.0, 0.7, "clear"),  # no cracks at all: a bound is enough
        (math.nan, 0.0, 3.0, "cannot tell"),
        (math.nan, 1.2, math.inf, "clear"),
        (2.0, math.nan, math.nan, "cannot tell"),
        (math.nan, math.nan, math.nan, "cannot tell"),
    ],
)
def test_the_word_is_chosen_by_the_interval(ratio, lower, upper, word):
    assert certainty_of_ratio(ratio, lower, upper).value == word


@given(st.floats(-3, 3), st.floats(0.01, 2))
def test_likely_is_where_the_80_percent_interval_leaves_out_no_difference(centre, stderr):
    z95, z80 = norm.ppf(0.975), norm.ppf(0.9)
    word = certainty_of_ratio(
        math.exp(centre), math.exp(centre - z95 * stderr), math.exp(centre + z95 * stderr)
    )
    if word in (Certainty.CLEAR, Certainty.ALIKE):
        return
    distance = abs(centre) / stderr
    if abs(distance - z80) < 1e-9:
        return
    assert (word is Certainty.LIKELY) == (distance > z80)


@given(st.floats(0.05, 20), st.floats(1.001, 8), st.floats(1.001, 8))
def test_turning_a_ratio_over_leaves_its_word(ratio, down, up):
    word = certainty_of_ratio(ratio, ratio / down, ratio * up)
    other = certainty_of_ratio(1 / ratio, 1 / (ratio * up), down / ratio)
    if Certainty.ALIKE in (word, other):
        return  # 0.9 to 1.1 is not its own mirror
    assert word is other


def test_a_difference_speaks_the_same_way():
    assert certainty_of_difference(2.0, 0.5, 3.5) is Certainty.CLEAR
    assert certainty_of_difference(1.0, -0.3, 2.3) is Certainty.LIKELY
    assert certainty_of_difference(0.1, -2.0, 2.2) is Certainty.CANNOT_TELL
    assert certainty_of_difference(math.nan, 1.0, 2.0) is Certainty.CANNOT_TELL


def test_the_claims_read_as_they_should():
    words = {
        "subject": "Waxed pieces",
        "verb": "dried",
        "longer": "more slowly than bare ones",
        "shorter": "faster than bare ones",
    }
    assert compared(Certainty.CLEAR, False, **words) == "Waxed pieces dried faster than bare ones"
    assert "probably" in compared(Certainty.LIKELY, True, **words)
    assert compared(Certainty.CANNOT_TELL, True, **words).endswith("we cannot tell")
    assert "within a tenth" in compared(Certainty.ALIKE, True, **words)
