"""The two seasons of the invented club: one to its end, one in the middle of drying."""

import pandas as pd
import pytest

import woodlab as wl
from woodlab import app
from woodlab.demo_seasons import MIDDLE, TURN_AT_PCT


@pytest.fixture(scope="module")
def finished():
    return wl.demo_book(season="finished")


@pytest.fixture(scope="module")
def drying():
    return wl.demo_book(season="drying")


def test_every_bowl_of_last_season_has_ended_and_nothing_is_noted_of_it_later(finished):
    pieces = finished.pieces.set_index("piece")
    assert pieces["outcome"].notna().all()
    assert set(pieces["outcome"]) == {"finished", "scrapped", "given away"}
    assert finished.invented
    for table in (finished.weighings, finished.looks, finished.rims):
        assert (table["on"] <= table["piece"].map(pieces["ended_on"])).all()
    done = pieces["outcome"] == "finished"
    assert (pieces.loc[done, "finished_wall_mm"] < pieces.loc[done, "wall_mm"]).all()
    assert pieces.loc[~done, "finished_wall_mm"].isna().all()


def test_shavings_at_finishing_are_dry_and_offcuts_at_turning_wet(finished):
    cuts = finished.offcuts
    moisture = 100 * (cuts["wet_g"] / cuts["oven_dry_g"] - 1)
    late = cuts["note"].notna()
    assert late.sum() > 5
    assert (moisture[late] < TURN_AT_PCT + 3).all()
    assert (moisture[~late] > 30).all()


def test_this_season_is_the_demo_until_june_with_scales_and_witnesses(drying):
    whole = wl.demo_book().until(MIDDLE)
    columns = ["piece", "on", "mass_g"]
    pd.testing.assert_frame_equal(drying.weighings[columns], whole.weighings[columns])
    assert set(drying.weighings["scale"]) == {"bench scale", "platform scale"}
    blocks = drying.witnesses
    assert blocks.groupby("witness")["oven_dry_g"].count().eq(1).all()
    assert blocks["on"].max() <= pd.Timestamp(MIDDLE)
    assert drying.pieces["outcome"].isna().all()


def test_the_demo_without_a_season_is_as_it_was():
    assert len(wl.demo_book().witnesses) == 0
    with pytest.raises(wl.WoodlabError, match="season = 'next' is not one of finished, drying"):
        wl.demo_book(season="next")


def test_the_command_writes_both(tmp_path, capsys):
    assert app.main(["demo", "--seasons", str(tmp_path / "two")]) == 0
    books = {path.name: wl.open_book(path) for path in (tmp_path / "two").iterdir()}
    assert set(books) == {"last_season", "this_season"}
    assert books["last_season"].pieces["outcome"].notna().all()
    assert app.main(["demo", "--seasons", str(tmp_path / "two")]) == 2
    assert "exists and is not empty" in capsys.readouterr().err
