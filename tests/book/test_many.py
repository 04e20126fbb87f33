"""Several books as one."""

from concurrent.futures import ThreadPoolExecutor

import pandas as pd
import pytest

import woodlab as wl


@pytest.fixture
def clubs(tmp_path):
    for name, mass in {"north": 1000, "south": 2000}.items():
        folder = tmp_path / name
        folder.mkdir()
        (folder / "pieces.csv").write_text(
            "piece,species,turned_on,wall_mm,seal,log\nA1,oak,2026-01-01,25,none,A\n"
        )
        (folder / "weighings.csv").write_text(f"piece,on,mass_g\nA1,2026-01-01,{mass}\n")
        (folder / "offcuts.csv").write_text("log,wet_g,oven_dry_g\nA,20,10\n")
    return [tmp_path / "north", tmp_path / "south"]


def test_pieces_of_one_mark_are_kept_apart(clubs):
    book = wl.open_books(clubs)
    assert book.pieces["piece"].tolist() == ["north/A1", "south/A1"]
    assert book.weighings.set_index("piece")["mass_g"].to_dict() == {
        "north/A1": 1000.0,
        "south/A1": 2000.0,
    }
    assert book.offcuts["log"].tolist() == ["north/A", "south/A"]
    assert book.offcuts["piece"].isna().all()
    assert book.counts.set_index("table").loc["weighings", "rows_in"] == 2
    assert len(book.until("2026-06-01").weighings) == 2


def test_a_wood_has_one_name_in_a_joined_book(clubs):
    for folder, name in zip(clubs, ("Esche", "European ash"), strict=True):
        file = folder / "pieces.csv"
        file.write_text(file.read_text().replace("oak", name))
    book = wl.open_books(clubs)
    assert book.pieces["species"].tolist() == ["European ash", "European ash"]
    told = book.doubts[book.doubts["column"] == "species"]
    assert "counted as 'European ash'" in told["doubt"].str.cat()
    assert "Esche / European ash" in told["value"].tolist()
    assert wl.open_book(clubs[0]).pieces["species"].tolist() == ["Esche"]


def test_through_an_executor_the_same(clubs):
    with ThreadPoolExecutor(2) as executor:
        together = wl.open_books(clubs, executor=executor)
    pd.testing.assert_frame_equal(together.pieces, wl.open_books(clubs).pieces)


def test_names_of_one_wood_are_one_wood(tmp_path):
    pieces = pd.DataFrame(
        {"piece": ["A1", "B1"], "turned_on": "2026-03-01", "wall_mm": 22, "seal": "none"}
    )
    english = pieces.assign(species=["sugar maple", "oak"])
    german = pieces.assign(species=["Zuckerahorn", "Esche"])
    books = [wl.blank_book(tmp_path / name, pieces=frame)
             for name, frame in (("north", english), ("south", german))]  # fmt: skip
    joined = wl.open_books(books)
    assert joined.pieces["species"].tolist() == ["sugar maple", "oak", "sugar maple", "Esche"]
    assert "sugar maple / Zuckerahorn" in joined.doubts["value"].tolist()


def test_one_name_twice_is_refused(clubs):
    with pytest.raises(wl.WoodlabError, match="Two books have the name 'north'"):
        wl.open_books([clubs[0], clubs[0]])
    with pytest.raises(wl.WoodlabError, match="No books were named"):
        wl.open_books([])
