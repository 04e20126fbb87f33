"""Messy sheets of eight invented makers, read value by value."""

import sys
from pathlib import Path

import pandas as pd
import pytest

import woodlab as wl

sys.path.insert(0, str(Path(__file__).parent))

import messy  # noqa: E402


@pytest.fixture(params=sorted(messy.SHEETS))
def read(request, tmp_path):
    build, name, layout, told = messy.SHEETS[request.param]
    truth = build(tmp_path / name)
    return truth, wl.read_sheet(tmp_path / name, **told), layout


def test_every_weight_is_read(read):
    truth, made, layout = read
    assert made.layout == layout
    got = {(row.piece, str(row.on.date())): row.mass_g for row in made.book.weighings.itertuples()}
    assert got == {key: pytest.approx(mass, abs=1e-6) for key, mass in truth.weights.items()}


def test_words_become_looks_and_ends(read):
    truth, made, _ = read
    looks = {(row.piece, str(row.on.date()), row.crack) for row in made.book.looks.itertuples()}
    assert looks == truth.looks
    ended = made.book.pieces.dropna(subset=["ended_on", "outcome"], how="all")
    got = {
        row.piece: (str(row.ended_on.date()), row.outcome if isinstance(row.outcome, str) else None)
        for row in ended.itertuples()
    }
    assert got == truth.ends
    told = {look[:2] for look in looks} | {(mark, day) for mark, (day, _) in got.items()}
    assert len(made.words) >= len(told)


def test_facts_of_the_pieces_are_read(read):
    truth, made, _ = read
    pieces = made.book.pieces.set_index("piece")
    for mark, facts in truth.facts.items():
        for column, value in facts.items():
            assert pieces.at[mark, column] == (
                value if isinstance(value, str) else pytest.approx(value)
            ), (mark, column)


def test_every_filled_cell_is_in_the_ledger(read):
    truth, made, _ = read
    unused = made.ledger[made.ledger["use"] == "not used"].set_index("cell")["why"]
    assert truth.lost <= set(unused.index)
    assert (unused != "").all()
    assert not made.ledger["cell"].duplicated().any()
    assert (made.ledger["use"] == "weight").sum() == len(truth.weights)


def test_it_comes_back_from_a_file_as_it_was_read(read, tmp_path):
    _, made, _ = read
    for name in ("book.xlsx", "book"):
        made.save(tmp_path / name)
        book = wl.open_book(tmp_path / name)
        for table in ("pieces", "looks", "weighings"):
            pd.testing.assert_frame_equal(
                getattr(book, table), getattr(made.book, table), check_exact=False, atol=0.01
            )


def test_a_book_is_kept_in_the_units_that_the_cells_name(tmp_path):
    messy.garage(tmp_path / "garage.xlsx")
    wl.read_sheet(tmp_path / "garage.xlsx").save(tmp_path / "book")
    kept = wl.open_book(tmp_path / "book")
    assert (kept.units.mass, kept.units.length) == ("lboz", "in")
    assert kept.pieces.set_index("piece").loc["2", "wall_mm"] == 31.75


def test_what_a_workbook_hides_is_told(tmp_path):
    messy.tall(tmp_path / "log.xlsx")
    made = wl.read_sheet(tmp_path / "log.xlsx")
    ledger = made.ledger.set_index("cell")
    assert ledger.loc["B7", "why"] == "the spreadsheet's own error, not a value"
    assert "formula without a stored value" in ledger.loc["B8", "why"]
    assert set(ledger.index[ledger["hidden"]]) == {"B5", "C5", "D5"}
    said = made.summary()
    assert "B3 has no weight left, and is not in the book: B8 '=B5*2'" in said
    assert "3 filled cells are hidden" in said
    assert "The heading 'Wieght' was read as" in said


def test_an_unknown_heading_is_told_with_its_nearest_meaning(tmp_path):
    (tmp_path / "s.csv").write_text("bowl,woodkind,flavour,2026-03-09\nA1,ash,sweet,1480\n")
    ledger = wl.read_sheet(tmp_path / "s.csv").ledger.set_index("cell")
    assert ledger.loc["B2", "why"].endswith("its nearest meaning is 'wood'")
    assert ledger.loc["C2", "why"] == "stands under the unknown heading 'flavour'"


def test_a_log_and_a_sheet_of_two_pieces_that_look_alike_are_asked_about(tmp_path):
    rows = [
        f"2026-03-{day:02d},{mark},{1400 + day * mark}" for day in (1, 8) for mark in (11, 12, 11)
    ]
    (tmp_path / "s.csv").write_text("a,b,c\n" + "\n".join(rows))
    with pytest.raises(wl.WoodlabError, match="--layout log or --layout dates-down"):
        wl.read_sheet(tmp_path / "s.csv")
    made = wl.read_sheet(tmp_path / "s.csv", layout="log")
    assert set(made.book.weighings["piece"]) == {"11", "12"}


def test_single_rows_in_another_unit_are_asked_about(tmp_path):
    (tmp_path / "s.csv").write_text(
        "bowl,wall (mm),2026-03-09,2026-03-16\nA1,25,2480,2.31\nA2,250,1390,1310\nA3,24,1500,4.1\n"
    )
    made = wl.read_sheet(tmp_path / "s.csv")
    doubts = made.book.doubts.set_index("value")["doubt"]
    assert "in kg it would be 2310 g" in doubts["2.31"]
    assert "4.1 g is no bowl" in doubts["4.1"]
    assert "250 mm is no wall of a rough bowl: is it 25 mm?" in doubts["250"]
    assert "2310 g" in made.summary()


def test_no_number_of_a_usual_book_is_doubted_for_its_unit():
    doubts = wl.demo_book(seed=3).doubts["doubt"]
    assert not doubts.str.contains("is no ").any()


def test_a_first_weight_stands_on_the_day_of_turning(tmp_path):
    (tmp_path / "s.csv").write_text(
        "Schale;gedreht am;Nassgewicht (kg);9.3.2026 (kg);16.3.2026 Riss;\n"
        "A1;1.3.2026;2,48;2,31;nein;\nA2;2.3.2026;1,9;ca. 1,8;3 mm;\nA3;;1,7;1,6;ok;\n"
    )
    made = wl.read_sheet(tmp_path / "s.csv")
    got = {(r.piece, str(r.on.date())): r.mass_g for r in made.book.weighings.itertuples()}
    assert got == {
        ("A1", "2026-03-01"): 2480, ("A1", "2026-03-09"): 2310, ("A2", "2026-03-02"): 1900,
        ("A2", "2026-03-09"): 1800, ("A3", "2026-03-09"): 1600,
    }  # fmt: skip
    looks = made.book.looks[["piece", "crack", "crack_mm"]].values.tolist()
    assert looks == [["A1", "no", 0], ["A2", "yes", 3], ["A3", "no", 0]]
    assert made.ledger.set_index("cell").loc["C4", "why"] == "a weight without a day"
