"""Numbers, dates and shares in a locale's form; decimals by the interval."""

import math

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from woodlab.article.findings import written
from woodlab.article.forms import Forms, decimals_for
from woodlab.errors import WoodlabError

# Expected: how each language writes them, as the Unicode locale data (CLDR) has it.
NNBSP = "\u202f"


@pytest.mark.parametrize(
    ("locale", "number", "date"),
    [
        ("en", "1,234.5", "March 9, 2026"),
        ("en_GB", "1,234.5", "9 March 2026"),
        ("de", "1.234,5", "9. März 2026"),
        ("fr", f"1{NNBSP}234,5", "9 mars 2026"),
    ],
)
def test_numbers_and_dates_take_the_locale_s_form(locale, number, date):
    forms = Forms(locale)
    assert forms.number(1234.5, 1) == number
    assert forms.date(pd.Timestamp("2026-03-09 14:30")) == date


@pytest.mark.parametrize("name", ["xx_nonsense", "", "../de", "de_DE_zzzz_1", "klingon"])
def test_an_unknown_locale_is_refused_with_what_to_type(name):
    with pytest.raises(WoodlabError, match="Type one such as en"):
        Forms(name)


def test_missing_numbers_and_open_intervals_are_words():
    forms = Forms("en")
    assert forms.number(math.nan) == "not known"
    assert forms.date(pd.NaT) == "not known"
    assert forms.interval(2.0, math.inf, 1) == "above 2.0"
    assert forms.interval(math.nan, 3.0, 1) == "below 3.0"
    assert forms.interval(-math.inf, math.inf) == "not known"


def test_no_percentage_of_fewer_than_twenty():
    forms = Forms("en")
    assert forms.share(3, 19) == "3 of 19"
    assert forms.share(3, 20) == "3 of 20 (15 %)"
    assert forms.share(0, 3) == "0 of 3"


@given(st.floats(-1e9, 1e9), st.integers(0, 4))
def test_every_locale_writes_the_same_number(value, decimals):
    marks = {"en": (",", "."), "de": (".", ","), "fr": (NNBSP, ",")}
    for locale, (group, point) in marks.items():
        text = Forms(locale).number(value, decimals)
        back = float(text.replace(group, "").replace(point, ".").replace("\u2212", "-"))
        assert back == pytest.approx(value, abs=0.5000001 * 10**-decimals)
        assert not text.startswith("-0.0") or back != 0


def test_a_number_near_zero_has_no_minus():
    assert Forms("en").number(-0.0001, 1) == "0.0"


@pytest.mark.parametrize(
    ("ends", "decimals"),
    [((2.61, 3.72), 1), ((41.0, 73.0), 0), ((0.012, 0.031), 3), ((5.0,), 0), ((0.0, 1e6), 0),
     ((1e-9, 2e-9), 4), ((math.nan,), 1), ((19.6, 21.8), 0), ((1.68, 2.62), 1)],
)  # fmt: skip
def test_decimals_show_one_figure_of_the_interval_s_half(ends, decimals):
    assert decimals_for(*ends) == decimals


def test_lists_are_joined_in_words():
    assert Forms("de").listed(["a", "b", "c"]) == "a, b and c"
    assert Forms("en").listed([]) == ""
    assert Forms("en").count(1, "piece") == "1 piece"
    assert Forms("de").count(1200, "piece") == "1.200 pieces"


@pytest.mark.parametrize(
    ("numbers", "text", "span"),
    [
        ((10.1, 0.566, 262.1), "10", "0.57 to above 100"),
        ((0.65, 0.0297, 8.76), "0.65", "0.030 to 8.8"),
        ((0.0471, 1.9e-5, 3.5), "0.047", "below 0.01 to 3.5"),
        ((30.0, 1.04, 900.0), "30", "1.04 to above 100"),  # not rounded onto "no difference"
        ((1015.0, 0.2, 9e6), "above 100", "0.20 to above 100"),
        ((2.1, 1.6, 2.9), "2.1", "1.6 to 2.9"),  # known well: as many decimals as it bears
    ],
)
def test_a_ratio_known_within_a_factor_of_many_has_two_figures(numbers, text, span):
    form = written(Forms("en"), *numbers, no_difference=1.0)
    assert (form["text"], form["span"]) == (text, span)
