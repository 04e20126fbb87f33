"""For one piece on one day there is one moisture, whoever is asked."""

import numpy as np
import pandas as pd
import pytest
from small_books import season

import woodlab as wl
from woodlab.drying.fit.records import days_between

AS_OF = "2026-05-01"
LEVEL = 0.90


@pytest.fixture(scope="module", params=[["slab"], ["slab", "film"]], ids=["slab", "mixture"])
def fits(request):
    return wl.fit_drying(season("slab", 9, seed=5).book, law=request.param, as_of=AS_OF, draws=60)


def test_fits_prediction_list_and_curves_agree(fits):
    pieces = fits.pieces.set_index("piece")["moisture_now_pct"]
    shown = fits.predict(on=AS_OF).set_index("piece")
    ready = wl.forecast_ready(fits, level=LEVEL).set_index("piece")
    curves = wl.forecast_curves(fits, list(pieces.index), days_ahead=30)
    last = curves[curves["part"] == "so far"].groupby("piece").last().reindex(pieces.index)
    assert pieces.between(8, 40).all()
    # the grids in time differ (that of a list of dates is the coarse one): a twentieth of a point
    for other in (shown["moisture_pct"], ready["moisture_now_pct"], last["moisture_pct"]):
        assert np.abs(other - pieces).max() < 0.1
    assert np.abs(last["lower_pct"] - ready["moisture_now_lower_pct"]).max() < 0.15
    assert np.abs(last["upper_pct"] - ready["moisture_now_upper_pct"]).max() < 0.15
    at_90 = fits.predict(on=AS_OF, level=LEVEL).set_index("piece")
    assert np.abs(at_90["ci_lower_moisture_pct"] - ready["moisture_now_lower_pct"]).max() < 0.15


def test_a_date_and_its_days_since_turning_agree(fits):
    turned = fits.book.pieces["turned_on"].iloc[0]
    name = fits.pieces["piece"].iloc[0]
    by_date = fits.predict(on=AS_OF, pieces=name)
    days = (pd.Timestamp(AS_OF) - turned) / pd.Timedelta(days=1)
    by_days = fits.predict(days=days, pieces=name)
    assert by_date["days"].item() == pytest.approx(days)
    assert by_days["moisture_pct"].item() == pytest.approx(by_date["moisture_pct"].item())
    many = fits.predict(days=[days, 3.0, 200.0], pieces=name)["moisture_pct"]  # in any order
    assert many.iloc[0] == pytest.approx(by_days["moisture_pct"].item(), abs=0.05)
    assert many.iloc[1] > many.iloc[0] > many.iloc[2] - 5


def test_a_date_is_counted_as_the_weighings_are(fits):
    weighed = fits.residuals[fits.residuals["piece"] == fits.pieces["piece"].iloc[0]]
    shown = fits.predict(on=weighed["on"].tolist(), pieces=weighed["piece"].iloc[0])
    assert shown["days"].tolist() == weighed["days"].tolist()


@pytest.mark.parametrize(
    ("turned", "on", "days"),
    [("2026-03-01", "2026-03-04", 3.0), ("2026-03-01 15:00", "2026-03-04", 2.875),
     ("2026-03-01", "2026-03-04 06:00", 3.25), ("2026-03-01 18:00", "2026-03-01", -0.25)],
)  # fmt: skip
def test_days_between_dates_with_and_without_hours(turned, on, days):
    assert days_between(np.datetime64(turned), np.datetime64(on)) == pytest.approx(days)


def test_one_mass_and_one_moisture(fits):
    """The mass that is shown is the oven-dry mass and the moisture that is shown."""
    shown = fits.predict(on=AS_OF).set_index("piece")
    dry = fits.pieces.set_index("piece")["oven_dry_g"]
    again = 100 * (shown["mass_g"] / dry - 1)
    assert np.abs(again - shown["moisture_pct"]).max() < 1.0
    assert (shown["pi_lower_mass_g"] <= shown["ci_lower_mass_g"] + 0.5).all()


def test_the_weeks_and_the_list_count_alike(fits):
    ready = wl.forecast_ready(fits, target_moisture_pct=14.0)
    weeks = wl.ready_by_week(fits, target_moisture_pct=14.0, weeks=12)
    whole = weeks[weeks["by"] == "all"].set_index("week_ending")
    assert whole["n_pieces"].iloc[0] == len(ready)
    end = whole.index[8]
    # a median date within the weeks is a chance of one half and more in the count
    by_list = (ready["ready_on"] <= end).sum()
    assert whole.loc[end, "lower"] <= by_list <= whole.loc[end, "upper"]
    assert (whole["expected"].diff().dropna() >= -1e-9).all()
    for by in ("species", "size"):
        total = weeks[weeks["by"] == by].groupby("week_ending")["expected"].sum()
        assert total.to_numpy() == pytest.approx(whole["expected"].to_numpy())
