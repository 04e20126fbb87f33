"""Books that hold little: what is doubted of them, and how to go on without a table."""

import numpy as np
import pandas as pd
import pytest

import woodlab as wl
from woodlab import app


def book(weights, species="white ash", **tables):
    """`weights`: piece -> masses, weighed every ten days from 2026-03-01."""
    pieces = pd.DataFrame(
        {"piece": list(weights), "species": species, "seal": "none", "wall_mm": 25,
         "turned_on": "2026-03-01"}
    )  # fmt: skip
    rows = [
        (name, pd.Timestamp("2026-03-01") + pd.Timedelta(days=10 * k), mass)
        for name, masses in weights.items()
        for k, mass in enumerate(masses)
    ]
    weighings = pd.DataFrame(rows, columns=["piece", "on", "mass_g"])
    return wl.RecordBook.from_frames(pieces=pieces, weighings=weighings, **tables)


def said(given, words):
    doubts = given.doubts
    return doubts[doubts["doubt"].str.contains(words)]


def test_weights_copied_from_another_piece_are_doubted_at_their_first_row():
    given = book(
        {"A1": [1500, 1400, 1350], "A2": [1500, 1400, 1351], "A3": [1500, 1400, 1350],
         "A4": [1500, 1400, 1350], "A5": [1500, 1400]}
    )  # fmt: skip
    found = said(given, "copied rows")
    assert found["piece"].tolist() == ["A3", "A4"]
    assert found["row"].tolist() == [8, 11]
    assert found["doubt"].str.contains("as piece A1").all()


def test_two_equal_weights_are_chance_and_many_pieces_are_told_apart():
    assert said(book({"A1": [1500, 1400], "A2": [1500, 1400]}), "copied").empty
    rng = np.random.default_rng(4)
    many = {f"P{i}": rng.permutation([1500, 1499, 1498, 1497, 1496]) for i in range(40)}
    distinct = {name: tuple(masses) for name, masses in many.items()}
    found = said(book(many), "copied")
    assert len(found) == len(distinct) - len(set(distinct.values()))


def air(first, last):
    return pd.DataFrame({"on": pd.date_range(first, last), "temp_c": 10.0, "rh_pct": 70.0})


def test_an_air_log_that_begins_after_the_last_weighing_is_doubted():
    weights = {"A1": [1500, 1400, 1350]}  # until 2026-03-21
    late = said(book(weights, air=air("2026-06-01", "2026-07-01")), "no reading of the air")
    assert late["value"].tolist() == ["2026-06-01 to 2026-07-01"]
    last_year = said(book(weights, air=air("2025-03-01", "2025-03-21")), "no reading of the air")
    assert len(last_year) == 1
    one = book(weights, air=air("2026-03-21", "2026-07-01"))
    assert said(one, "no reading of the air").empty


def test_a_book_of_pieces_and_looks_is_told_how_to_go_on_without_weighings(tmp_path):
    (tmp_path / "pieces.csv").write_text(
        "piece,species,turned_on,wall_mm,seal\nA1,white ash,2026-03-01,25,none\n"
    )
    (tmp_path / "looks.csv").write_text("piece,on,crack_mm\nA1,2026-03-09,0\n")
    with pytest.raises(wl.RecordError, match=r"headings alone will do: piece, on, mass_g\."):
        wl.open_book(tmp_path)
    (tmp_path / "weighings.csv").write_text("piece,on,mass_g\n")
    given = wl.open_book(tmp_path)
    assert (len(given.pieces), len(given.weighings), len(given.looks)) == (1, 0, 1)


def test_an_unknown_wood_is_told_with_what_to_do():
    found = said(book({"A1": [1500]}, species="quibblewood"), "does not know")
    assert found["doubt"].str.contains("dry an offcut in an oven").all()
    assert len(found) == 1


def test_a_path_that_leads_nowhere_is_told_with_where_it_was_looked_for(tmp_path, monkeypatch):
    """A notebook looks from its own folder, and not from where its maker keeps the book."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(wl.WoodlabError) as found:
        wl.open_book("my_season")
    assert f"no record book at my_season (looked for in {tmp_path})" in str(found.value)


@pytest.mark.parametrize(("pieces", "said"), [(1, "1 entry in doubt"), (0, "0 entries in doubt")])
def test_check_counts_one_doubt_as_one(tmp_path, capsys, pieces, said):
    weights = {f"A{i}": [1500 + i] for i in range(3)}
    book(weights, species="quibblewood" if pieces else "white ash").save(tmp_path / "book")
    assert app.main(["check", str(tmp_path / "book")]) == 0
    assert f"No faults. {said} (kept in the book)" in capsys.readouterr().out
