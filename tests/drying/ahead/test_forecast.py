"""Forecasts: the frame, the words, the guards; cracks and pieces that have ended; future air."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from small_books import TURNED, book_of, masses, season, weather, with_tables

import woodlab as wl
from woodlab.drying.estimator.weights import stack
from woodlab.drying.future_air import RESTS_ON, future_air
from woodlab.drying.weather import Climate, invented_air

AS_OF = pd.Timestamp("2026-04-10")


@pytest.fixture(scope="module")
def made():
    return season("slab", 10, seed=3)


@pytest.fixture(scope="module")
def fits(made):
    return wl.fit_drying(made.book, law="slab", as_of=AS_OF, draws=80)


@pytest.fixture(scope="module")
def frame(fits):
    return wl.forecast_ready(fits, target_moisture_pct=15.0)


def test_columns_and_order_of_dates(fits, frame):
    assert list(frame.columns) == [
        "piece", "moisture_now_pct", "p_ready_now", "ready_on", "earliest_on", "latest_on", "crack",
        "reason", "target_moisture_pct", "moisture_now_lower_pct", "moisture_now_upper_pct",
        "p_ready_ever", "oven_dry_g", "oven_dry_lower_g", "oven_dry_upper_g", "drier_air_rh_pct",
        "species", "seal", "wall_mm", "place", "turned_on", "last_weighed_on", "n_weighings",
        "status", "basis", "laws", "air", "level", "as_of",
    ]  # fmt: skip
    assert frame["piece"].tolist() == fits.book.pieces["piece"].tolist()
    dated = frame.dropna(subset=["ready_on", "latest_on"])
    assert len(dated) >= 6
    assert (dated["earliest_on"] <= dated["ready_on"]).all()
    assert (dated["ready_on"] <= dated["latest_on"]).all()
    assert frame["p_ready_now"].between(0, 1).all()
    assert (frame["reason"].str.len() > 10).all()
    assert (frame["laws"] == "slab (100 %)").all()
    assert (frame["as_of"] == AS_OF).all()
    assert frame["air"].isin(RESTS_ON).all()


def test_moisture_now_is_near_the_truth(made, frame):
    true = made.moisture.loc[AS_OF].reindex(frame["piece"]).to_numpy()
    assert np.sqrt(np.mean((frame["moisture_now_pct"] - true) ** 2)) < 2.0


def test_a_lower_target_is_reached_later(fits, frame):
    lower = wl.forecast_ready(fits, target_moisture_pct=14.0)
    both = frame["ready_on"].notna() & lower["ready_on"].notna()
    assert both.any()
    assert (lower["ready_on"][both] >= frame["ready_on"][both]).all()
    assert (lower["p_ready_now"] <= frame["p_ready_now"]).all()


def test_a_wider_level_holds_the_narrower(fits, frame):
    wide = wl.forecast_ready(fits, target_moisture_pct=15.0, level=0.98)
    assert (wide["moisture_now_lower_pct"] <= frame["moisture_now_lower_pct"]).all()
    both = wide["latest_on"].notna() & frame["latest_on"].notna()
    assert (wide["latest_on"][both] >= frame["latest_on"][both]).all()
    assert (wide["earliest_on"] <= frame["earliest_on"]).all()


def test_the_usual_target_is_points_above_the_store_in_each_draw(fits):
    usual, near = wl.forecast_ready(fits), wl.forecast_ready(fits, within_pct=4.0)
    apart = near["target_moisture_pct"] - usual["target_moisture_pct"]
    assert apart.to_numpy() == pytest.approx(np.full(len(usual), 2.0))
    assert (near["p_ready_now"] >= usual["p_ready_now"]).all()
    # bias of log and wood move target and moisture alike, so the relative date is no wider
    fixed = wl.forecast_ready(fits, target_moisture_pct=usual["target_moisture_pct"].iloc[0])
    wide = [(f["latest_on"] - f["earliest_on"]).dt.days.median() for f in (usual, fixed)]
    assert wide[0] <= wide[1] + 3
    level = fits.air.equilibrium_pct[..., :365].mean()
    assert usual["target_moisture_pct"].mean() == pytest.approx(level + 2, abs=2.5)


def test_a_piece_that_will_not_get_there_says_so_and_names_drier_air(fits):
    dry = wl.forecast_ready(fits, target_moisture_pct=7.0)
    assert dry["ready_on"].isna().all()
    assert dry["reason"].str.contains("will probably not reach 7 %").all()
    # wood at 7 % needs air whose equilibrium is lower: under 36 % humidity at 20 C by the
    # published table of equilibrium moisture (7.1 % at 70 F and 35 %)
    assert (dry["drier_air_rh_pct"].dropna() < 36).all()
    named = dry["drier_air_rh_pct"].notna()
    assert named.any()
    assert dry.loc[named, "reason"].str.contains("relative humidity").all()


def test_as_of_earlier_is_a_fit_that_knows_nothing_later(made, fits):
    early = pd.Timestamp("2026-03-10")
    back = wl.forecast_ready(fits, early, 15.0)
    alone = wl.fit_drying(made.book.until(early), law="slab", as_of=early, draws=80)
    pd.testing.assert_frame_equal(back, wl.forecast_ready(alone, target_moisture_pct=15.0))
    assert (back["as_of"] == early).all()
    assert back["last_weighed_on"].max() <= early


def test_as_of_later_runs_the_same_draws_on(fits, frame):
    later = wl.forecast_ready(fits, AS_OF + pd.Timedelta(days=20), 15.0)
    assert (later["moisture_now_pct"] < frame["moisture_now_pct"] + 0.5).all()
    both = later["ready_on"].notna() & frame["ready_on"].notna()
    open_ = both & (frame["ready_on"] > AS_OF + pd.Timedelta(days=20))
    assert open_.any()
    gap = (later["ready_on"] - frame["ready_on"])[open_].dt.days.abs()
    assert gap.max() <= 4  # nothing was learned in between; another grid of days
    assert later["last_weighed_on"].max() <= AS_OF


def looks(rows):
    return pd.DataFrame(rows, columns=["piece", "on", "crack_mm", "action"])


def test_the_crack_column_says_what_is_known(made):
    names = made.book.pieces["piece"]
    rows = looks([
        (names[0], "2026-03-01", 12.0, "none"),
        (names[1], "2026-03-01", 8.0, "glued"), (names[1], "2026-03-20", 8.0, "none"),
        (names[2], "2026-03-01", 5.0, "glued"), (names[2], "2026-03-20", 19.0, "none"),
        (names[3], "2026-03-01", 0.0, "none"),
        (names[4], "2026-06-01", 40.0, "none"),  # after the day asked
    ]).assign(on=lambda f: pd.to_datetime(f["on"]))  # fmt: skip
    fits = wl.fit_drying(with_tables(made.book, looks=rows), "slab", as_of=AS_OF, draws=40)
    ready = wl.forecast_ready(fits, target_moisture_pct=15.0).set_index("piece")
    crack, reason = ready["crack"], ready["reason"]
    assert crack[names[0]].startswith("open, 12 mm on")
    assert crack[names[1]].startswith("glued on")
    assert crack[names[2]].startswith("glued, and longer since: 19 mm")
    assert crack[names[3]] == "none seen"
    assert crack[names[4]] == crack[names[5]] == "not looked at"
    for i in range(3):
        assert reason[names[i]].startswith("CRACKED (")
        assert "look before anything else" in reason[names[i]]
    assert not reason[names[3:]].str.contains("CRACKED").any()


def test_ended_pieces_keep_their_row_and_get_no_date(made, fits):
    book = made.book
    names = book.pieces["piece"]
    pieces = book.pieces.copy()
    pieces.loc[0, ["ended_on", "outcome"]] = pd.Timestamp("2026-04-01"), "finished"
    pieces.loc[1, ["ended_on", "outcome"]] = pd.Timestamp("2026-06-01"), "given away"
    pieces["ended_on"] = pd.to_datetime(pieces["ended_on"])
    more = looks([(names[2], pd.Timestamp("2026-03-20"), 90.0, "scrapped")])
    book = with_tables(book, pieces=pieces, looks=pd.concat([book.looks[more.columns], more]))
    gone = wl.fit_drying(book, "slab", as_of=AS_OF, draws=40)
    ready = wl.forecast_ready(gone, target_moisture_pct=15.0).set_index("piece")
    assert len(ready) == len(names)
    assert ready.loc[names[0], "reason"] == "finished on 2026-04-01: no forecast"
    assert ready.loc[names[2], "reason"] == "scrapped on 2026-03-20: no forecast"
    blank = ["p_ready_now", "p_ready_ever", "ready_on", "earliest_on", "latest_on"]
    assert ready.loc[names[[0, 2]], blank].isna().all(axis=None)
    # one that ended later than the day asked is still a piece like the others
    assert ready.loc[names[1], "p_ready_now"] >= 0
    weeks = wl.ready_by_week(gone, target_moisture_pct=15.0, weeks=3)
    assert (weeks.loc[weeks["by"] == "all", "n_pieces"] == len(names) - 2).all()
    before = wl.forecast_ready(gone, "2026-03-18", 15.0).set_index("piece")
    assert "no forecast" not in before.loc[names[2], "reason"]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"target_moisture_pct": 0.12}, "target_moisture_pct = 0.12 is not usable"),
        ({"level": 90}, "level = 90 is not usable"),
        ({"as_of": "May the fifth"}, "is not a date"),
        ({"target_moisture_pct": "12"}, "target_moisture_pct = '12' is not a number"),
        ({"within_pct": 40}, "within_pct = 40 is not usable"),
        ({"target_moisture_pct": float("nan")}, "target_moisture_pct = nan is not usable"),
        ({"target_moisture_pct": True}, "target_moisture_pct = True is not a number"),
        ({"as_of": [1]}, "is not a date"),
        ({"as_of": "2020-01-01"}, "no piece"),
        ({"level": None}, "level"),
    ],
)
def test_requests_that_cannot_be_met(fits, options, said):
    for function in (wl.forecast_ready, wl.ready_by_week):
        with pytest.raises(wl.WoodlabError, match=said) as caught:
            function(fits, **options)
        assert len(str(caught.value)) < 300


@pytest.mark.parametrize("thing", [None, 7, "season.fits", pd.DataFrame({"piece": ["A"]})])
def test_what_is_no_fits_says_what_to_pass(thing):
    for function in (wl.forecast_ready, wl.ready_by_week, wl.past_forecasts, wl.core_to_surface):
        with pytest.raises(wl.WoodlabError, match="not fits of a season. Pass wl.fit_drying"):
            function(thing)
    with pytest.raises(wl.WoodlabError, match="not fits of a season"):
        wl.forecast_curves(thing, ["A1"])
    with pytest.raises(wl.WoodlabError, match="needs a record book"):
        wl.steady_weight(thing)


def test_wrong_options_of_the_lists(fits):
    for weeks in (0, "ten", None):
        with pytest.raises(wl.WoodlabError, match="weeks"):
            wl.ready_by_week(fits, weeks=weeks)
        with pytest.raises(wl.WoodlabError, match="weeks"):
            wl.steady_weight(fits.book, weeks=weeks)
    with pytest.raises(wl.WoodlabError, match="days_ahead"):
        wl.forecast_curves(fits, "P1", days_ahead="long")
    with pytest.raises(wl.WoodlabError, match="is not a date"):
        wl.past_forecasts(fits, ["soon"])
    with pytest.raises(wl.WoodlabError, match="pieces is None. Give one value or a list"):
        wl.forecast_curves(fits, None)
    with pytest.raises(wl.WoodlabError, match="days is the text 'many'"):
        wl.core_to_surface(fits, days="many")
    with pytest.raises(wl.WoodlabError, match="within_pct = 'two' is not a number"):
        wl.next_measurements(fits, within_pct="two")


# The steady-weight rule


def weighed(mass, seal="none", every=14):
    days = np.arange(len(mass)) * every
    return book_of(np.array(mass, dtype=float), days, seal=seal)


def forecast(moisture, chance, seal="none"):
    return pd.DataFrame(
        {"piece": ["A0"], "moisture_now_pct": [moisture], "target_moisture_pct": [12.0],
         "p_ready_now": [chance], "seal": [seal], "as_of": [pd.Timestamp("2026-12-31")]}
    )  # fmt: skip


def test_steady_counts_the_last_weeks_only():
    steady = wl.steady_weight
    assert bool(steady(weighed([1500, 1200, 801, 800, 800]))["steady"].item())
    assert not bool(steady(weighed([1500, 1200, 806, 803, 800]))["steady"].item())
    assert steady(weighed([801, 800]))["steady"].isna().item()
    # weighings too close together or too far apart in time show nothing
    assert steady(weighed([801, 800, 800], every=2))["steady"].isna().item()
    assert steady(weighed([1500, 1300, 1200, 1100], every=60))["steady"].isna().item()


def test_disagreement_is_explained():
    steady = weighed([1500.0, 1203, 1201, 1200], seal="wax")
    row = wl.steady_weight(steady, forecast(31.0, 0.0, "wax")).iloc[0]
    assert not bool(row["agrees"])
    assert "behind its seal" in row["why"]
    row = wl.steady_weight(weighed([1500, 900, 860, 840]), forecast(11.0, 0.97)).iloc[0]
    assert not bool(row["agrees"])
    assert "still moves" in row["why"]
    row = wl.steady_weight(weighed([1500, 801, 800, 800]), forecast(11.0, 0.97)).iloc[0]
    assert bool(row["agrees"])
    assert row["why"] == ""


def test_past_forecasts_are_judged_by_what_was_weighed_since(made):
    fits = wl.fit_drying(made.book, "slab", draws=40)
    past = wl.past_forecasts(fits, ["2026-03-20"], 15.0)
    assert len(past) >= 3
    assert (past["turned_out_on"] > pd.Timestamp("2026-03-20")).all()
    gone = (past["ready_on"] - past["turned_out_on"]).dt.days
    assert (gone.dropna() == past["error_days"].dropna()).all()
    true = made.ready_on(15.0).reindex(past["piece"])
    assert (
        past["turned_out_on"] - true.to_numpy()
    ).dt.days.abs().median() <= 21  # the gap of weighings
    assert past["held"].mean() >= 0.5


def test_the_core_is_wetter_than_the_surface_as_in_truth(made):
    fits = wl.fit_drying(made.book, "slab", draws=60)
    found = wl.core_to_surface(fits).set_index("piece")
    true = made.truth.set_index("piece")["core_to_surface_pct"].reindex(found.index)
    held = (found["ci_lower"] <= true) & (true <= found["ci_upper"])
    assert held.mean() >= 0.6
    assert (found["difference_pct"] / true - 1).abs().median() < 0.15
    seal = made.book.pieces.set_index("piece")["seal"]
    assert (
        found["difference_pct"][seal == "none"].min()
        > found["difference_pct"][seal != "none"].max()
    )
    with pytest.raises(wl.WoodlabError, match="has no inside of the wall"):
        wl.core_to_surface(
            wl.fit_drying(book_of(masses("exponential", 3)), "exponential", draws=20)
        )


# The air after the log


def test_air_draws_cover_the_weather_that_came():
    held = []
    for seed in range(8):
        air = invented_air("2024-01-10", 800, seed=seed, climate=Climate())
        level = np.asarray(wl.equilibrium_moisture(air["temp_c"], air["rh_pct"]))
        drawn = future_air(air.iloc[:400], np.datetime64("2025-02-12"), 300, draws=200, seed=1)
        months = drawn.equilibrium_pct[:, 0].reshape(200, 10, 30).mean(axis=2)
        true = level[400:700].reshape(10, 30).mean(axis=1)
        low, high = np.quantile(months, (0.05, 0.95), axis=0)
        held.append(((low <= true) & (true <= high)).mean())
    assert 0.75 <= np.mean(held) <= 1.0


def test_future_air_says_what_it_is_based_on():
    air = invented_air("2025-01-01", 60, seed=1)
    day = np.datetime64("2025-03-01")
    assert future_air(air, day, 30, draws=50, seed=1).rests_on == RESTS_ON[1]
    assert future_air(air.iloc[:0], day, 30, draws=50, seed=1).rests_on == RESTS_ON[2]


def test_same_seed_same_air():
    air = invented_air("2025-01-01", 200, seed=1)
    one, two, other = (
        future_air(air, np.datetime64("2025-07-19"), 40, draws=10, seed=seed).equilibrium_pct
        for seed in (3, 3, 4)
    )
    assert (one == two).all()
    assert not (one == other).all()


def test_stacking_finds_the_law_that_predicts():
    rng = np.random.default_rng(1)
    good, bad = rng.normal(-1, 0.1, 40), rng.normal(-4, 0.1, 40)
    assert stack(np.array([good, bad]))[0] > 0.95
    assert stack(np.array([good, good])) == pytest.approx([0.5, 0.5])


def test_a_book_of_one_day_is_answered():
    book = book_of(masses("film", 2)[:, :1], [0.0], tables={"air": weather(3)})
    fits = wl.fit_drying(book, "film", draws=40)
    ready = wl.forecast_ready(fits)
    assert (ready["status"] == "too_few").all()
    assert (ready["latest_on"].isna() | (ready["latest_on"] > TURNED)).all()
    assert ready["moisture_now_pct"].between(30, 150).all()
