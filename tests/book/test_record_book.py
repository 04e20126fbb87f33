"""Opening, checking, setting aside, cutting at a date and writing back."""

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import constants

import woodlab as wl
from woodlab.book.tables import TABLES, column_names

PIECES = """piece,species,turned_on,wall_mm,seal,shelf
A1,sugar maple,2026-03-01,25,none,3
A2,sugar maple,2026-03-01,30,wax,4
"""
WEIGHINGS = """piece,on,mass_g
A1,2026-03-01,1480
A1,2026-03-08T09:30,1400.5
A2,2026-03-01,1500
"""


@pytest.fixture
def folder(tmp_path):
    write(tmp_path, pieces=PIECES, weighings=WEIGHINGS)
    return tmp_path


def write(folder, encoding="utf-8", **tables):
    for name, text in tables.items():
        (folder / f"{name}.csv").write_bytes(text.encode(encoding))


def test_every_known_column_is_there_and_unknown_ones_are_carried(folder):
    book = wl.open_book(folder)
    for name in TABLES:
        assert list(getattr(book, name).columns)[: len(TABLES[name])] == column_names(name)
    assert book.pieces["shelf"].tolist() == ["3", "4"]
    assert book.weighings["on"].iloc[1] == pd.Timestamp("2026-03-08 09:30")
    assert len(book.looks) == 0
    assert book.weighings["mass_g"].dtype == float


@pytest.mark.parametrize(
    ("heading", "cell", "column", "value"),
    [
        ("wall_in", "1", "wall_mm", 25.4),
        ("wall_cm", "2.5", "wall_mm", 25.0),
        ("Wall (in)", "0.5", "wall_mm", 12.7),
    ],
)
def test_units_in_headings_of_pieces(folder, heading, cell, column, value):
    write(folder, pieces=f"piece,species,turned_on,{heading},seal\nA1,oak,2026-01-01,{cell},none\n")
    write(folder, weighings="piece,on,mass_g\nA1,2026-03-01,1480\n")
    assert wl.open_book(folder).pieces[column].item() == pytest.approx(value)


@pytest.mark.parametrize(
    ("unit", "kg"), [("oz", constants.oz), ("lb", constants.pound), ("kg", 1.0)]
)
def test_units_of_mass_by_their_definitions(folder, unit, kg, outside):
    write(folder, weighings=f"piece,on,mass_{unit}\nA1,2026-03-01,2\n")
    outside(
        f"grams in one {unit}",
        published=1000 * kg,
        ours=wl.open_book(folder).weighings["mass_g"].item() / 2,
        within=1e-9,
        source="scipy 1.17.1, scipy.constants (pound, oz)",
    )


def test_fahrenheit(folder):
    write(folder, air="on,temp_f,rh_pct\n2026-03-01,68,50\n")
    assert wl.open_book(folder).air["temp_c"].item() == pytest.approx(20.0)


def test_every_fault_is_listed_at_once_with_its_place(folder):
    write(
        folder,
        pieces="piece,species,turned_on,wall_mm,seal\n"
        "A1,oak,2026-03-01,25,none\nA1,oak,2026-03-01,25,none\nA3,oak,09/03/2026,-3,none\n",
        weighings="piece,on,mass_g\nA1,2026-03-01,1480\nB9,2026-03-01,12 x\n",
    )
    with pytest.raises(wl.RecordError, match="5 faults in the records") as caught:
        wl.open_book(folder)
    found = {(f.table, f.row, f.column): f for f in caught.value.faults}
    assert found["pieces", 3, "piece"].problem == "the mark stands already in row 2"
    assert found["pieces", 4, "turned_on"].value == "09/03/2026"
    assert "above 0" in found["pieces", 4, "wall_mm"].problem
    assert "not a number" in found["weighings", 3, "mass_g"].problem
    assert "no such piece" in found["weighings", 3, "piece"].problem


def test_a_missing_column_says_what_to_add(folder):
    write(folder, weighings="piece,on,weight\nA1,2026-03-01,1480\n")
    with pytest.raises(wl.RecordError, match=r"Add a column mass_g \(or mass_kg, mass_oz, mass_lb"):
        wl.open_book(folder)


def test_a_row_where_the_headings_should_be_is_a_fault_and_not_lost(folder):
    write(folder, looks="A1,2026-03-09,12.5\n")
    for options in ({}, {"set_aside": True}):
        with pytest.raises(wl.RecordError, match="Add a column piece"):
            wl.open_book(folder, **options)


def test_an_empty_line_where_the_headings_should_be_is_a_fault(folder):
    write(folder, looks="\nA1,2026-03-09,12.5\n")
    with pytest.raises(wl.RecordError, match="Add a column piece"):
        wl.open_book(folder)
    book = wl.open_book(folder, set_aside=True)
    looks = book.counts.set_index("table").loc["looks"]
    assert (looks["rows_in"], looks["rows_kept"], looks["rows_set_aside"]) == (1, 0, 1)
    assert book.set_aside["value"].item() == "A1; 2026-03-09; 12.5"


def test_a_missing_table_says_where_to_add_it(tmp_path):
    write(tmp_path, pieces=PIECES)
    with pytest.raises(wl.RecordError, match=r"Add a file weighings\.csv"):
        wl.open_book(tmp_path)


def test_set_aside_keeps_the_row_and_its_cells(folder):
    write(folder, weighings=WEIGHINGS + "A1,2026-02-30,1300\nZ,2026-03-09,x\n")
    book = wl.open_book(folder, set_aside=True)
    assert book.set_aside["row"].tolist() == [5, 6]
    assert "no such day" in book.set_aside["reason"].iloc[0]
    assert json.loads(book.set_aside["cells"].iloc[1])["mass_g"] == "x"
    assert len(book.weighings) == 3


def test_a_piece_set_aside_takes_its_weighings_with_it(folder):
    write(folder, pieces=PIECES.replace("A2,sugar maple,2026-03-01,30", "A2,sugar maple,,30"))
    book = wl.open_book(folder, set_aside=True)
    assert book.set_aside[["table", "row"]].values.tolist() == [["pieces", 3], ["weighings", 4]]


def test_doubts_are_kept_and_listed(folder):
    write(
        folder,
        weighings="piece,on,mass_g,event\n"
        "A1,2026-02-20,1490,\nA1,2026-03-01,1480,\nA1,2026-03-01,1480,\nA1,2026-03-08,14000,\n"
        "A1,2026-03-15,1390,\nA2,2026-03-01,1500,\nA2,2026-03-02,1560,sealed\n"
        "A2,2026-03-09,1650,\n",
    )
    book = wl.open_book(folder)
    assert len(book.weighings) == 8
    doubts = book.doubts.set_index("row")["doubt"].to_dict()
    assert "before the piece was turned" in doubts[2]
    assert "stands twice" in doubts[4]
    assert "decimal point" in doubts[5]
    assert "heavier" in doubts[9]
    assert 8 not in doubts  # a gain with its event is no doubt


def test_one_mistake_in_row_after_row_is_told_once_and_the_rows_are_named(folder):
    rows = "".join(f"A1,{day}/4/26,1480\n" for day in range(1, 31))
    write(folder, weighings="piece,on,mass_g\n" + rows + "Z9,2026-04-01,1480\n")
    with pytest.raises(wl.RecordError) as caught:
        wl.open_book(folder)
    lines = str(caught.value).splitlines()
    assert len(caught.value.faults) == 31
    assert lines[0] == "31 faults in the records:"
    assert sum("form 2026-03-09 (found" in line for line in lines) == 3
    assert "give the column the date format yyyy-mm-dd" in lines[1]
    assert "the same in 27 more rows: 5, 6, 7," in lines[4]
    assert "no such piece" in lines[5]  # what is wrong but once is not buried
    assert len(lines) == 6


def doubts_of(folder, **tables):
    write(folder, **tables)
    return wl.open_book(folder).doubts


def test_inches_under_millimetres_and_pounds_under_grams_are_doubted(folder):
    doubts = doubts_of(
        folder,
        pieces="piece,species,turned_on,wall_mm,rim_mm,seal\n"
        "A1,oak,2026-03-01,1.125,11,none\nA2,oak,2026-03-01,1,9,none\n",
        weighings="piece,on,mass_g\nA1,2026-03-01,3.2\nA2,2026-03-01,2.9\n",
    ).set_index("column")["doubt"]
    assert "inches? Then head it wall_in" in doubts["wall_mm"]
    assert "head it rim_in" in doubts["rim_mm"]
    assert "pounds? Then head it mass_lb" in doubts["mass_g"]
    in_its_unit = doubts_of(folder, pieces=PIECES, weighings=WEIGHINGS)
    assert not in_its_unit["doubt"].str.contains("head it").any()


def test_names_that_would_count_as_several_are_doubted(folder):
    doubts = doubts_of(
        folder,
        pieces="piece,species,turned_on,wall_mm,seal\n"
        "A1,Cherry,2026-03-01,25,none\na1,black cherry,2026-03-01,25,No\n"
        "A3,Sugar Mapel,2026-03-01,25,wax\nA4,oak,2026-03-01,25,wax\n",
        weighings="piece,on,mass_g\nA1,2026-03-01,1480\n",
    )
    said = {(row.column, row.value): row.doubt for row in doubts.itertuples()}
    assert "one wood under several names" in said["species", "Cherry / black cherry"]
    assert "is it one piece?" in said["piece", "A1 / a1"]
    assert "write `none`" in said["seal", "No"]
    assert "Is it sugar maple or" in said["species", "Sugar Mapel"]
    assert ("seal", "wax") not in said


def test_cracks_in_notes_and_looks_at_cracks_only_are_doubted(folder):
    marks = [f"A{i}" for i in range(1, 9)]
    notes = ["split on the rim", "check 1/4 in. long", "check the weight again", "no cracks yet"]
    rows = "".join(
        f"{mark},oak,2026-03-01,25,none,{note}\n"
        for mark, note in zip(marks, notes + [""] * 4, strict=True)
    )
    pieces = "piece,species,turned_on,wall_mm,seal,note\n" + rows
    weighings = "piece,on,mass_g\nA1,2026-03-01,1480\n"
    looks = "piece,on,crack_mm\n" + "".join(f"{mark},2026-03-09,12\n" for mark in marks[5:])
    doubts = doubts_of(folder, pieces=pieces, weighings=weighings, looks=looks)
    in_notes = doubts[doubts["column"] == "note"]
    assert in_notes["piece"].tolist() == ["A1", "A2"]
    few = doubts[doubts["column"] == "crack_mm"]
    assert few["value"].tolist() == ["3 of 3"]
    assert "5 pieces have no look" in few["doubt"].item()
    whole = looks + "".join(f"{mark},2026-03-09,0\n" for mark in marks[:5])
    doubts = doubts_of(folder, pieces=pieces, weighings=weighings, looks=whole)
    assert "crack_mm" not in set(doubts["column"])


def test_inches_are_saved_as_people_write_millimetres(folder, tmp_path):
    write(
        folder,
        pieces="piece,species,turned_on,wall_in,rim_in,seal\nA1,oak,2026-01-01,1.5,12,none\n",
    )
    write(folder, weighings="piece,on,mass_g\nA1,2026-03-01,1480\n")
    wl.open_book(folder).save(tmp_path / "saved")
    assert "A1,oak,2026-01-01,38.1,none,304.8" in (tmp_path / "saved" / "pieces.csv").read_text()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_encodings(folder, encoding):
    write(folder, encoding, pieces=PIECES.replace("A2,sugar maple", "A2,Erable à sucre"))
    assert wl.open_book(folder).pieces["species"].iloc[1] == "Erable à sucre"


def test_semicolons_with_decimal_commas(folder):
    write(folder, weighings="piece;on;mass_g\nA1;2026-03-01;1480,5\nA2;2026-03-01;1500\n")
    assert wl.open_book(folder).weighings["mass_g"].tolist() == [1480.5, 1500.0]


@pytest.mark.parametrize("cell", ['"1,480"', "1e999", "inf", "nan", "0", "-5"])
def test_numbers_that_are_none_are_faults(folder, cell):
    write(folder, weighings=f"piece,on,mass_g\nA1,2026-03-01,{cell}\n")
    with pytest.raises(wl.RecordError, match="row 2, column mass_g"):
        wl.open_book(folder)


# One inch is 25.4 mm, one pound 453.59237 g and sixteen ounces, by definition.
@pytest.mark.parametrize(
    ("heading", "cell", "wall_mm"),
    [
        ("wall_in", "1 1/8", 28.575),
        ("wall_in", '"1 3/8"""', 34.925),
        ("wall_in", "7/8", 22.225),
        ("wall (in)", "1 1/4 in.", 31.75),
        ("wall_in", "30 mm", 30.0),
        ("wall_mm", "1.25 inches", 31.75),
        ("wall_cm", "1 1/2 in", 38.1),
    ],
)
def test_walls_as_rules_are_read(folder, heading, cell, wall_mm):
    write(folder, pieces=f"piece,species,turned_on,{heading},seal\nA1,oak,2026-01-01,{cell},none\n")
    write(folder, weighings="piece,on,mass_g\nA1,2026-03-01,1480\n")
    assert wl.open_book(folder).pieces["wall_mm"].item() == pytest.approx(wall_mm)


@pytest.mark.parametrize(
    ("cell", "mass_g"),
    [("3 lb 4 oz", 1474.175), ("2.69 lb", 1220.163), ("1480 g", 1480.0), ("1.48kg", 1480.0)],
)
@pytest.mark.parametrize("heading", ["mass_lb", "mass_g"])
def test_masses_with_their_units(folder, heading, cell, mass_g):
    write(folder, weighings=f"piece,on,{heading}\nA1,2026-03-01,{cell}\nA1,2026-03-02,3\n")
    mass = wl.open_book(folder).weighings["mass_g"]
    assert mass.iloc[0] == pytest.approx(mass_g, abs=0.001)
    assert mass.iloc[1] == pytest.approx(3 * 453.59237 if heading == "mass_lb" else 3)


@pytest.mark.parametrize(
    "cell", ["1 1/8", "9/8 in", "1-1/8 in", "1.5 1/8 in", "1/8/26", "1 foot", "1 in 2", "0 in"]
)
def test_walls_that_are_none_are_faults(folder, cell):
    write(folder, pieces=f"piece,species,turned_on,wall_mm,seal\nA1,oak,2026-01-01,{cell},none\n")
    write(folder, weighings="piece,on,mass_g\nA1,2026-03-01,1480\n")
    with pytest.raises(wl.RecordError, match="row 2, column wall_mm"):
        wl.open_book(folder)


@pytest.mark.parametrize("cell", ["1480 (glued)", "3 lb 20 oz", '"1,480 oz"', "-3 lb", "5 stone"])
def test_masses_that_say_more_or_less_are_faults(folder, cell):
    write(folder, weighings=f"piece,on,mass_g\nA1,2026-03-01,{cell}\n")
    with pytest.raises(wl.RecordError, match="row 2, column mass_g: not a number"):
        wl.open_book(folder)


def test_a_date_that_a_program_made_of_a_fraction_is_told(tmp_path):
    pieces = pd.DataFrame(
        {"piece": ["A1"], "species": ["oak"], "turned_on": [pd.Timestamp("2026-03-01")],
         "wall_in": [pd.Timestamp("2026-07-08")], "seal": ["none"]}
    )  # fmt: skip
    with pytest.raises(wl.RecordError, match=r"a date stands where a number.*type 0\.875"):
        wl.RecordBook.from_frames(
            pieces=pieces.astype({"wall_in": object}),
            weighings=pd.DataFrame({"piece": ["A1"], "on": ["2026-03-01"], "mass_g": [1480]}),
        )


def test_a_row_with_too_many_cells_is_a_fault(folder):
    write(folder, weighings=WEIGHINGS + "A1,2026-03-09,1,380\n")
    with pytest.raises(wl.RecordError, match="row 5.*more cells than"):
        wl.open_book(folder)


def test_blank_rows_count_in_the_row_numbers_but_are_no_records(folder):
    write(folder, weighings="piece,on,mass_g\nA1,2026-03-01,1480\n,,\n\nA1,2026-03-09,x\n")
    with pytest.raises(wl.RecordError, match="1 fault.*\n.*row 5"):
        wl.open_book(folder)


def test_until_ends_with_the_day_and_leaves_the_book_as_it_was(folder):
    book = wl.open_book(folder)
    early = book.until("2026-03-01")
    assert (len(early.weighings), len(book.weighings)) == (2, 3)
    assert len(book.until("2026-03-08").weighings) == 3
    assert len(book.until("2026-02-01").pieces) == 0
    with pytest.raises(wl.WoodlabError, match="is not a date"):
        book.until("next week")


def test_need_says_what_the_table_would_hold(folder):
    with pytest.raises(wl.MissingTableError, match="looks.*piece, on, crack_mm"):
        wl.open_book(folder).need("looks", "to see when cracks opened")


@pytest.mark.parametrize("target", ["copy", "copy.xlsx"])
def test_what_is_saved_reads_back_the_same(folder, tmp_path, target):
    write(folder, looks="piece,on,crack_mm,note\nA1,2026-03-04,0,\nA1,2026-03-08,12,=SUM(A1)\n")
    book = wl.open_book(folder)
    book.save(tmp_path / target)
    again = wl.open_book(tmp_path / target)
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(book, name), getattr(again, name))
    assert again.hash == book.hash


def test_saving_over_a_book_leaves_other_files_alone(folder):
    write(folder, looks="piece,on,crack_mm\nA1,2026-03-04,0\n")
    (folder / "plan.txt").write_text("mine")
    wl.open_book(folder).until("2026-03-02").save(folder)
    assert (folder / "plan.txt").read_text() == "mine"
    assert not (folder / "looks.csv").exists()
    assert len(wl.open_book(folder).weighings) == 2


def test_a_journal_with_its_mark_is_the_book(folder):
    """A crash after the mark: the new tables are read, and the next writer settles them."""
    journal = folder / ".woodlab-journal"
    journal.mkdir()
    (journal / "weighings.csv").write_text("piece,on,mass_g\nA1,2026-03-01,999\n")
    assert len(wl.open_book(folder).weighings) == 3  # no mark yet: the old book
    (journal / "complete").write_text("")
    book = wl.open_book(folder)
    assert book.weighings["mass_g"].tolist() == [999]
    book.save(folder)
    assert not journal.exists()
    assert wl.open_book(folder).weighings["mass_g"].tolist() == [999]


CELL = st.one_of(
    st.sampled_from(["", "A1", "A2", "A3", "oak", "2026-03-01", "2026-13-01", "25", "-1", "none"]),
    st.text(st.characters(codec="utf-8", exclude_characters="\x00\r\n"), max_size=8),
    st.floats().map(str),
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    pieces=st.lists(st.tuples(*[CELL] * 5), max_size=6),
    weighings=st.lists(st.tuples(*[CELL] * 3), max_size=8),
    looks=st.lists(st.tuples(*[CELL] * 3), max_size=4),
)
def test_rows_in_are_rows_kept_and_rows_set_aside(tmp_path_factory, pieces, weighings, looks):
    folder = tmp_path_factory.mktemp("broken")
    rows_in = {}
    for name, rows in {"pieces": pieces, "weighings": weighings, "looks": looks}.items():
        width = 5 if name == "pieces" else 3
        frame = pd.DataFrame(rows, columns=column_names(name)[:width], dtype=str)
        frame.to_csv(folder / f"{name}.csv", index=False)
        rows_in[name] = sum(any(cell.strip() for cell in row) for row in rows)
    book = wl.open_book(folder, set_aside=True)
    for name, count in rows_in.items():
        kept = len(getattr(book, name))
        aside = int((book.set_aside["table"] == name).sum())
        assert kept + aside == count
        row = book.counts.set_index("table").loc[name]
        assert row["rows_in"] == count
        assert row["rows_kept"] + row["rows_set_aside"] == count
    if len(book.set_aside):
        with pytest.raises(wl.RecordError):
            wl.open_book(folder)
        assert book.set_aside["reason"].str.len().min() > 10
    assert np.isfinite(book.weighings["mass_g"]).all()
    assert len(book.doubts) >= 0


def test_the_workbook_of_the_open_standard_reads_like_the_other(folder, tmp_path):
    book = wl.open_book(folder)
    with pd.ExcelWriter(tmp_path / "book.ods", engine="odf") as writer:
        for name, frame in book.tables().items():
            out = frame.dropna(axis="columns", how="all")
            for column in out.select_dtypes("datetime").columns:
                out = out.assign(**{column: out[column].dt.strftime("%Y-%m-%d %H:%M")})
            out.to_excel(writer, sheet_name=name, index=False)
    again = wl.open_book(tmp_path / "book.ods")
    pd.testing.assert_frame_equal(again.weighings, book.weighings)


def test_a_file_that_is_no_workbook_is_refused_in_words(tmp_path):
    (tmp_path / "book.xlsx").write_bytes(b"PK\x03\x04 not really")
    with pytest.raises(wl.WoodlabError, match="cannot be read as a workbook"):
        wl.open_book(tmp_path / "book.xlsx")
    with pytest.raises(wl.WoodlabError, match="There is no record book"):
        wl.open_book(tmp_path / "nowhere")


LOOKS = "piece,on,crack_mm,crack,where\n"


def test_a_crack_may_be_seen_without_its_length(folder):
    rows = "A1,2026-03-09,,no,\nA1,2026-03-16,,yes,rim\nA1,2026-03-23,12,,\nA2,2026-03-09,0,,\n"
    write(folder, looks=LOOKS + rows)
    looks = wl.open_book(folder).looks
    assert looks["crack"].tolist() == ["no", "yes", "yes", "no"]
    assert looks["crack_mm"].fillna(-1).tolist() == [0, -1, 12, 0]


def test_a_look_that_says_neither_or_both_is_a_fault(folder):
    write(folder, looks=LOOKS + "A1,2026-03-09,,,rim\nA1,2026-03-16,0,yes,\nA2,2026-03-09,3,no,\n")
    with pytest.raises(wl.RecordError) as caught:
        wl.open_book(folder)
    found = [(fault.row, fault.problem) for fault in caught.value.faults]
    assert found == [
        (2, "the look does not say whether a crack was seen"),
        (3, "crack says 'yes'"),
        (4, "crack says 'no'"),
    ]


def test_species_seal_and_wall_may_be_left_out(folder):
    write(folder, pieces="piece,turned_on,seel\nA1,2026-03-01,wax\nA2,2026-03-01,\n")
    book = wl.open_book(folder)
    assert book.pieces[["species", "seal"]].eq("not said").all(axis=None)
    assert book.pieces["wall_mm"].isna().all()
    assert book.doubts["doubt"].tolist() == [
        "is kept as a column of your own: is it seal? Then rename it"
    ]


def test_an_end_is_not_known_before_its_day_and_odd_ends_are_doubts(folder):
    write(
        folder,
        pieces="piece,turned_on,wall_mm,ended_on,outcome,finished_wall_mm\n"
        "A1,2026-03-01,25,2026-03-05,Finished,8\nA2,2026-03-01,25,,scrapped,\n"
        "A3,2026-03-01,25,2026-02-01,given away,\nA4,2026-03-01,25,2026-09-01,finished,30\n",
    )
    book = wl.open_book(folder)
    assert book.pieces["outcome"].tolist() == ["finished", "scrapped", "given away", "finished"]
    then = book.until("2026-03-04").pieces
    assert then["outcome"].isna().tolist() == [True, True, False, True]
    assert then["finished_wall_mm"].isna().all()
    assert then["ended_on"].notna().sum() == 1
    assert book.doubts[["table", "piece", "column"]].values.tolist() == [
        ["pieces", "A2", "ended_on"],
        ["pieces", "A3", "ended_on"],
        ["pieces", "A4", "finished_wall_mm"],
        ["weighings", "A1", "on"],
    ]


def test_witness_blocks_have_one_oven_dry_mass_and_weigh_no_less(folder):
    rows = "w1,2026-03-01,112,100\nw1,2026-03-08,99,\nw2,2026-03-08,80,\nw1,2026-03-15,111,101\n"
    write(folder, witnesses="witness,on,mass_g,oven_dry_g\n" + rows)
    book = wl.open_book(folder, set_aside=True)
    assert book.set_aside[["row", "column"]].values.tolist() == [[3, "mass_g"], [5, "oven_dry_g"]]
    assert book.witnesses["witness"].tolist() == ["w1", "w2"]
    assert book.doubts["value"].tolist() == ["w2"]
