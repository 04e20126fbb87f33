"""The ready list as it is read: cracked first, nobody twice, the same numbers as the frame."""

import pandas as pd
import pytest

import woodlab as wl

TARGET = 18


@pytest.fixture(scope="module")
def ready():
    book = wl.demo_book().only(pieces=["A1", "A3", "B2", "C1", "D4"]).until("2025-06-01")
    scrapped = pd.DataFrame(
        {"piece": ["D4"], "on": [pd.Timestamp("2025-05-30")], "crack_mm": [40.0],
         "action": ["scrapped"]}
    )  # fmt: skip
    looks = pd.concat([book.looks, scrapped], ignore_index=True)
    names = ("pieces", "weighings", "air", "offcuts", "rims")
    book = wl.RecordBook.from_frames(looks=looks, **{n: getattr(book, n) for n in names})
    return wl.ready_list(wl.fit_drying(book, law="slab"), target_moisture_pct=TARGET)


def test_each_bowl_is_in_the_list_once_cracked_ones_first_those_gone_last(ready):
    assert sorted(ready.frame["piece"]) == ["A1", "A3", "B2", "C1", "D4"]
    assert ready.frame["state"].iloc[0] == "cracked"
    assert ready.frame["state"].iloc[-1] == "gone"
    assert ready.pieces("cracked") == ["C1"]
    assert ready.pieces("gone") == ["D4"]  # scrapped, though it had cracked before


def test_the_list_has_the_numbers_of_forecast_ready(ready):
    frame = wl.forecast_ready(ready.fits, target_moisture_pct=TARGET).set_index("piece")
    mine = ready.frame.set_index("piece").loc[frame.index, frame.columns]
    pd.testing.assert_frame_equal(mine, frame)


def test_a_cracked_bowl_is_never_among_those_to_turn(ready):
    says = ready.summary().splitlines()
    turn = next(line for line in says if line.startswith("Turn now: "))
    assert "C1" not in turn
    assert any(line.startswith("Cracked, so look before anything else") and "C1" in line
               for line in says)  # fmt: skip
    rows = {row[0]: row for row in ready.card().rows}
    assert rows["C1"][5].startswith("cracked: ")
    assert "safe" not in ready._repr_html_()


def test_what_a_phone_shows_first_is_the_bowl_its_moisture_its_chance_and_its_date(ready):
    assert ready.card().headings[:4] == ("bowl", "moisture now", "chance it is dry", "dry on")


def test_without_looks_the_list_says_so():
    book = wl.demo_book().only(pieces=["A3"]).until("2025-06-01")
    bare = wl.RecordBook.from_frames(
        **{name: getattr(book, name) for name in ("pieces", "weighings", "air")}
    )
    said = wl.ready_list(wl.fit_drying(bare, law="slab"), target_moisture_pct=TARGET)
    assert "No look for cracks is on record" in said.summary()
    assert any("never looked at" in row[5] for row in said.card().rows)
