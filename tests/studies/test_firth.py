"""The penalised likelihood against published estimates, another library, and a second route."""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import expit, log_expit
from scipy.stats import chi2

from woodlab.errors import WoodlabError
from woodlab.studies.cracks.likelihood import Rows
from woodlab.studies.cracks.penalised import Objective, fit_penalised

# The data set sex2 by pattern of (age, oc, vic, vicl, vis, dia): women, and cases among them.
# Heinze and Schemper 2002, Statistics in Medicine 21:2409; as in the R package logistf.
SEX2 = """000010 2 1; 001000 16 14; 001010 4 3; 001100 18 10; 001110 30 12; 001111 1 1;
010000 86 44; 010001 3 3; 010010 1 0; 011000 16 15; 011001 1 1; 011010 2 2;
011100 12 7; 011110 9 3; 101000 2 2; 101010 1 1; 101011 1 1; 101100 3 1; 101110
4 0; 101111 1 1; 110000 19 5; 110010 1 0; 111000 4 3; 111110 2 0"""
NAMES = ["intercept", "age", "oc", "vic", "vicl", "vis", "dia"]
SOURCE = "Heinze & Schemper 2002, sex2; R brglm2 and firthmodels 0.8.2"


class LogisticRows(Rows):
    """The same penalty and profile with the link of the published fits."""

    def link_parts(self, eta):
        y, mean = self.events, expit(eta)
        info = mean * (1 - mean)
        return log_expit(np.where(y > 0, eta, -eta)), y - mean, info, info * (1 - 2 * mean)


def each(events, counts):
    """Zeros and ones of grouped data, and the group of each."""
    group = np.repeat(np.arange(len(counts)), np.asarray(counts, int))
    place = np.arange(len(group)) - np.searchsorted(group, group)
    return 1.0 * (place < np.asarray(events)[group]), group


def rows_of(design, events, log_days=0.0, kind=Rows):
    """Rows of one node each, and no course: ln of the days is an offset."""
    n = len(events)
    widths = np.broadcast_to(np.asarray(log_days, float).reshape(-1, 1), (n, 1))
    return kind(np.asarray(design, float), np.asarray(events, float), np.zeros((n, 1, 0)), widths)


def unpenalised(rows):
    """The maximum of the rows' likelihood alone: parameters and log-likelihood."""
    got = minimize(lambda t: tuple(-x for x in rows.loglik(t)), np.zeros(rows.size) - 0.5, jac=True,
                   method="BFGS", options={"gtol": 1e-8})  # fmt: skip
    return got.x, -got.fun


def sex2():
    rows = [part.split() for part in SEX2.replace("\n", " ").split(";")]
    design = np.array([[1.0, *map(float, bits)] for bits, _, _ in rows])
    women = np.array([float(row[1]) for row in rows])
    cases = np.array([float(row[2]) for row in rows])
    return design, women, cases


@pytest.fixture(scope="module")
def sex2_fit():
    design, women, cases = sex2()
    events, group = each(cases, women)
    return fit_penalised(Objective(rows_of(design[group], events, kind=LogisticRows)))


def held(name):
    return NAMES.index(name)


def test_sex2_is_whole():
    _, women, cases = sex2()
    assert (women.sum(), cases.sum()) == (239, 130)


@pytest.mark.parametrize(
    ("name", "published"),
    [
        ("intercept", 0.1202540), ("age", -1.1059813), ("oc", -0.0688167), ("vic", 2.2688747),
        ("vicl", -2.1114082), ("vis", -0.7883170), ("dia", 3.0960118),
    ],
)  # fmt: skip
def test_sex2_estimates(sex2_fit, outside, name, published):
    ours = sex2_fit.theta[held(name)]
    outside(f"sex2, Firth logistic: {name}", published=published, ours=ours, within=2e-6,
            source=SOURCE)  # fmt: skip


def test_sex2_likelihood_and_error(sex2_fit, outside):
    outside("sex2: penalised log-likelihood", published=-132.5393795, ours=sex2_fit.value,
            within=1e-6, source=SOURCE)  # fmt: skip
    error = sex2_fit.covariance[1, 1] ** 0.5
    outside("sex2: standard error of age", published=0.4236601, ours=error, within=1e-6,
            source=SOURCE)  # fmt: skip


@pytest.mark.parametrize(
    ("name", "lower", "upper"),
    [("age", -1.97379, -0.30743), ("vic", 1.27302, 3.43543), ("dia", 0.77457, 8.03029)],
)
def test_sex2_profile_intervals(sex2_fit, outside, name, lower, upper):
    for end, published, ours in zip(
        ("lower", "upper"), (lower, upper), sex2_fit.profile(held(name)), strict=True
    ):
        outside(f"sex2: profile interval of {name}, {end} end", published=published, ours=ours,
                within=6e-5, source=SOURCE)  # fmt: skip


@pytest.mark.parametrize(("name", "published"), [("age", 0.00614347), ("dia", 0.0049519)])
def test_sex2_profile_p(sex2_fit, outside, name, published):
    outside(f"sex2: profile p value of {name}", published=published,
            ours=sex2_fit.p_value(held(name)), within=1e-6, source=SOURCE)  # fmt: skip


def test_sex2_against_firthmodels_as_installed(sex2_fit):
    firthmodels = pytest.importorskip("firthmodels")
    design, women, cases = sex2()
    x = np.repeat(design[:, 1:], women.astype(int), axis=0)
    y = np.concatenate([[1] * int(c) + [0] * int(w - c) for w, c in zip(women, cases, strict=True)])
    other = firthmodels.FirthLogisticRegression(
        backend="numpy", gtol=1e-10, xtol=1e-10, max_iter=200
    ).fit(x, y)
    np.testing.assert_allclose(sex2_fit.theta[1:], other.coef_, atol=1e-6)
    ends = other.conf_int(method="pl", max_iter=200, tol=1e-8)
    for name in ("age", "oc", "vicl", "vis"):
        at = NAMES.index(name) - 1
        np.testing.assert_allclose(sex2_fit.profile(held(name)), ends[at], atol=2e-4)


def penalised_by_hand(theta, x, n, k, offset):
    """The objective with nothing of ours in it: cloglog, Jeffreys by a dense determinant."""
    rate = np.exp(x @ theta + offset)
    chance = 1 - np.exp(-rate)
    weight = n * rate**2 * np.exp(-rate) / chance
    loglik = k @ np.log(chance) - (n - k) @ rate
    return loglik + 0.5 * np.linalg.slogdet(x.T @ (weight[:, None] * x))[1]


def test_cloglog_with_offset_by_a_second_route():
    x = np.array([[1.0, 0, 0.2], [1, 0, 1.1], [1, 1, 0.4], [1, 1, 1.6], [1, 0, 2.0], [1, 1, 0.9]])
    n, k = np.array([9.0, 12, 8, 11, 10, 7]), np.array([1.0, 4, 0, 0, 6, 0])
    offset = np.log([3.0, 4, 7, 3, 10, 5])
    events, group = each(k, n)
    fit = fit_penalised(Objective(rows_of(x[group], events, offset[group])))
    other = minimize(
        lambda t: -penalised_by_hand(t, x, n, k, offset), np.array([-3.0, 0, 0]),
        method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-13, "maxiter": 20000,
                                       "maxfev": 20000},
    )  # fmt: skip
    np.testing.assert_allclose(fit.theta, other.x, atol=1e-5)
    assert fit.value == pytest.approx(-other.fun, abs=1e-9)
    # no case in the second group: the interval is finite, and each end loses what it should
    for end in fit.profile(1):
        best = minimize(
            lambda t, end=end: -penalised_by_hand(np.array([t[0], end, t[1]]), x, n, k, offset),
            np.array([-3.0, 0]), method="Nelder-Mead",
            options={"xatol": 1e-9, "fatol": 1e-13, "maxiter": 20000, "maxfev": 20000},
        )  # fmt: skip
        assert 2 * (fit.value + best.fun) == pytest.approx(chi2.ppf(0.95, 1), abs=2e-3)


def test_unpenalised_cloglog_against_statsmodels_as_installed():
    import statsmodels.api as sm

    rng = np.random.default_rng(5)
    x = np.column_stack([np.ones(80), rng.normal(size=80), rng.integers(0, 2, 80)])
    offset = np.log(rng.uniform(2, 9, 80))
    y = (rng.random(80) < 1 - np.exp(-np.exp(x @ [-2, 0.5, 0.4] + offset))) * 1.0
    theta, loglik = unpenalised(rows_of(x, y, offset))
    family = sm.families.Binomial(sm.families.links.CLogLog())
    other = sm.GLM(y, x, family=family, offset=offset).fit(tol=1e-12)
    np.testing.assert_allclose(theta, other.params, atol=1e-6)
    assert loglik == pytest.approx(other.llf, abs=1e-8)


def test_cloglog_in_log_time_is_the_weibull_proportional_hazards_model():
    # Each part looked at once: 1 - exp(-(t/scale)^shape e^(x b)) against ln t as a column.
    rng = np.random.default_rng(8)
    days = rng.choice([10.0, 25, 50, 80, 120], 150)
    sealed = rng.integers(0, 2, 150).astype(float)
    cracked = (rng.random(150) < 1 - np.exp(-((days / 70) ** 1.4) * np.exp(-0.7 * sealed))) * 1.0
    x = np.column_stack([np.ones(150), np.log(days), sealed])
    theta, loglik = unpenalised(rows_of(x, cracked))

    def loss(t):
        total = (days / np.exp(t[0])) ** np.exp(t[1]) * np.exp(t[2] * sealed)
        return -(cracked @ np.log(-np.expm1(-total)) - (1 - cracked) @ total)

    other = minimize(loss, [4.0, 0.0, 0.0], method="BFGS", options={"gtol": 1e-8})
    shape = theta[1]
    assert shape == pytest.approx(np.exp(other.x[1]), rel=1e-4)
    assert np.exp(-theta[0] / shape) == pytest.approx(np.exp(other.x[0]), rel=1e-4)
    assert theta[2] == pytest.approx(other.x[2], abs=1e-4)
    assert loglik == pytest.approx(-other.fun, abs=1e-7)


# Cracks found at inspections of 167 turbine parts: Nelson 1982, Applied Life Data Analysis, p. 415.
MONTHS = np.array([6.12, 19.92, 29.64, 35.4, 39.72, 45.24, 52.32, 63.48])
CRACKED = np.array([5.0, 16, 12, 18, 18, 2, 6, 17])


def test_nelson_weibull_through_the_course_inside_each_interval(outside):
    """The hazard's own way: rows between looks, ln rate a line in ln t, integrated inside."""
    start = np.r_[0.0, MONTHS[:-1]]
    at_risk = 167 - np.r_[0, np.cumsum(CRACKED)[:-1]]
    # nodes in v with t = (start^(1/3) + v (end^(1/3) - start^(1/3)))^3, smooth at nought
    nodes, weights = np.polynomial.legendre.leggauss(40)
    low, high = start[:, None] ** (1 / 3), MONTHS[:, None] ** (1 / 3)
    v = (low + high) / 2 + (high - low) / 2 * nodes
    widths = weights * (high - low) / 2 * 3 * v**2
    events, at = each(CRACKED, at_risk)
    rows = Rows(np.ones((len(at), 1)), events, np.log(v**3)[at][:, :, None], np.log(widths)[at])
    theta, loglik = unpenalised(rows)
    shape = theta[1] + 1
    scale = (shape / np.exp(theta[0])) ** (1 / shape)
    source = "Nelson 1982 p. 415; R survival survreg, interval-censored"
    outside("Nelson's turbine parts: Weibull scale [months]", published=71.6904, ours=scale,
            within=2e-3, source=source)  # fmt: skip
    outside("Nelson's turbine parts: Weibull shape", published=1.485367, ours=shape, within=2e-5,
            source=source)  # fmt: skip
    outside("Nelson's turbine parts: log-likelihood", published=-309.668409, ours=loglik,
            within=2e-6, source=source)  # fmt: skip


PRIOR = np.zeros((6, 6))
PRIOR[2:4, 2:4] = [[2.0, -0.7], [-0.7, 2.0]]


def random_rows(seed):
    rng = np.random.default_rng(seed)
    n = 60
    return Rows(
        np.c_[np.ones(n), rng.normal(size=(n, 3))], (rng.random(n) < 0.4) * 1.0,
        course=rng.normal(size=(n, 5, 2)) * 0.5, log_widths=rng.normal(size=(n, 5)) * 0.3,
        prior=PRIOR,
    )  # fmt: skip


def test_the_slope_is_that_of_the_value():
    rows = random_rows(3)
    at = np.array([-0.5, 0.3, -0.2, 0.4, 0.2, -0.3])
    objective = Objective(rows)
    for j, slope in enumerate(objective(at)[1]):
        step = np.eye(6)[j] * 1e-5
        by_hand = (objective(at + step)[0] - objective(at - step)[0]) / 2e-5
        assert slope == pytest.approx(by_hand, abs=1e-6)


def test_the_maximum_is_one_with_course_and_shared_effects():
    fit = fit_penalised(Objective(random_rows(3)))
    assert fit.converged
    rng = np.random.default_rng(0)
    for _ in range(20):
        near = fit.theta + 1e-3 * rng.normal(size=len(fit.theta))
        assert fit.objective(near)[0] < fit.value


def test_the_penalty_of_shared_effects_is_that_of_the_fixed_ones_left():
    fit = fit_penalised(Objective(random_rows(4)))
    rows = fit.objective.rows
    p = rows.design.shape[1]
    inside = rows.log_widths + rows.course @ fit.theta[p:]
    share = np.exp(inside) / np.exp(inside).sum(axis=1, keepdims=True)
    columns = np.c_[rows.design, np.einsum("nq,nqm->nm", share, rows.course)]
    rate = np.exp(rows.design @ fit.theta[:p] + np.log(np.exp(inside).sum(1)))
    weight = rate**2 / np.expm1(rate)
    whole = columns.T @ (weight[:, None] * columns) + PRIOR
    log_det = np.linalg.slogdet(whole)[1] - np.linalg.slogdet(whole[2:4, 2:4])[1]
    prior = 0.5 * fit.theta @ PRIOR @ fit.theta
    assert fit.value == pytest.approx(rows.loglik(fit.theta)[0] - prior + 0.5 * log_det, abs=1e-8)


def test_columns_that_depend_on_each_other_are_refused():
    x = np.c_[np.ones(10), np.arange(10.0), 2 * np.arange(10.0)]
    with pytest.raises(WoodlabError, match="not independent"):
        fit_penalised(Objective(rows_of(x, np.r_[np.zeros(5), np.ones(5)])))
