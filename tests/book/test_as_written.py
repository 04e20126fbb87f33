"""What is read is what was written: marks, units, truths, dates; books that nobody can alter."""

import csv
import datetime as dt
import io
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

import woodlab as wl
from woodlab.book.cells import as_day
from woodlab.book.reading import decoded, read_csv_table, separator_of
from woodlab.book.record_book import expect_book
from woodlab.errors import as_list, as_path

sys.path.insert(0, str(Path(__file__).parent))

from written_books import NUMBERLIKE, ODD, Table, Writer, check, write

PIECES = "piece,species,turned_on,wall_mm,seal\nA1,oak,2026-03-01,25,none\n"
WEIGHINGS = "piece,on,mass_g\nA1,2026-03-01,1480\n"


def folder(path, **tables):
    path.mkdir(exist_ok=True)
    for name, text in ({"pieces": PIECES, "weighings": WEIGHINGS} | tables).items():
        (path / f"{name}.csv").write_text(text, encoding="utf-8")
    return path


def workbook(path, **tables):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in tables.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def faults(path):
    with pytest.raises(wl.RecordError) as caught:
        wl.open_book(path)
    return [(f.table, f.row, f.column) for f in caught.value.faults]


@pytest.mark.parametrize("form", ["csv", "xlsx", "ods"])
@pytest.mark.parametrize("seed", range(12))
def test_every_value_of_a_random_book_is_as_written(tmp_path, form, seed):
    wrong, compared = check(seed, form, tmp_path)
    assert wrong == []
    assert compared > 0


@pytest.mark.parametrize("form", ["csv", "xlsx", "ods"])
def test_names_that_look_like_numbers_stay_apart_in_every_column(tmp_path, form):
    writer = Writer(1, form)
    names = [name for name in [*NUMBERLIKE, *ODD] if form != "ods" or "\t" not in name]
    columns = ["piece", "turned_on", "species", "seal", "log", "place", "maker"]
    pieces, weighings = Table(columns, columns), Table(["piece", "on", "mass_g", "scale"], [])
    for name in names:
        pieces.add(*(writer.name(name) if c != "turned_on" else writer.number(1, 2, "", 1)
                     for c in columns))  # fmt: skip
    day = "2026-03-01"
    for row, name in zip(pieces.rows, names, strict=True):
        for cell in row:
            cell.text = cell.value = name
            cell.stored, cell.fault = "text", False
        row[1].text = day
        weighings.rows.append([row[0], row[1], type(row[0])("1480", None), row[0]])
    book = wl.open_book(write(writer, {"pieces": pieces, "weighings": weighings}, tmp_path))
    for column in columns:
        if column != "turned_on":
            assert book.pieces[column].tolist() == names, column
    assert book.weighings["piece"].tolist() == names
    assert book.weighings["scale"].tolist() == names
    book.save(tmp_path / "again")
    assert wl.open_book(tmp_path / "again").hash == book.hash


def test_marks_of_the_commonest_numbering_are_not_merged(tmp_path):
    marks = ["1.1", "1.2", "1.10"]
    rows = [f"{m},oak,2026-03-01,25,none\n" for m in marks]
    weights = [f"{m},2026-03-01,{1000 + k}\n" for k, m in enumerate(marks)]
    path = folder(
        tmp_path / "b",
        pieces=PIECES.split("\n")[0] + "\n" + "".join(rows),
        weighings="piece,on,mass_g\n" + "".join(weights),
    )
    book = wl.open_book(path)
    assert book.weighings["piece"].tolist() == marks
    assert book.only("1.10").weighings["mass_g"].tolist() == [1002]


def test_a_mark_that_a_spreadsheet_stored_as_a_number_is_in_doubt(tmp_path):
    path = workbook(
        tmp_path / "b.xlsx",
        pieces=[["piece", "turned_on"], [1.1, "2026-03-01"], [12, "2026-03-01"],
                [dt.datetime(2026, 3, 4), "2026-03-01"], [True, "2026-03-01"]],
        weighings=[["piece", "on", "mass_g"], [1.1, "2026-03-01", 1480]],
    )  # fmt: skip
    book = wl.open_book(path)
    assert book.pieces["piece"].tolist() == ["1.1", "12", "2026-03-04", "TRUE"]
    said = book.doubts.set_index(["table", "value"])["doubt"]
    assert "1.10 and 1.1 are the same" in said["pieces", "1.1"]
    assert "1.10 and 1.1 are the same" in said["weighings", "1.1"]
    assert said["pieces", "2026-03-04"].startswith("1 stored as dates")
    assert said["pieces", "TRUE"].startswith("1 stored as true or false")


@pytest.mark.parametrize("order", [[0, 1, 2, 3], [3, 2, 1, 0], [1, 3, 0, 2]])
def test_a_truth_is_no_number_whatever_the_order(tmp_path, order):
    cells = [0, False, 1, True]
    rows = [["A1", dt.datetime(2026, 3, 2 + k), cells[k]] for k in order]
    path = workbook(
        tmp_path / "b.xlsx",
        pieces=[["piece", "turned_on"], ["A1", "2026-03-01"]],
        weighings=[["piece", "on", "mass_g"]],
        looks=[["piece", "on", "crack_mm"], *rows],
    )
    book = wl.open_book(path, set_aside=True)
    assert sorted(book.looks["crack_mm"]) == [0, 1]
    assert sorted(book.set_aside["value"]) == ["False", "True"]
    frames = {"pieces": book.pieces, "weighings": book.weighings}
    looks = pd.DataFrame(rows, columns=["piece", "on", "crack_mm"]).astype({"crack_mm": object})
    made = wl.RecordBook.from_frames(set_aside=True, looks=looks, **frames)
    assert sorted(made.looks["crack_mm"]) == [0, 1]


@pytest.mark.parametrize("cell", ["112/16", "113/16", "11/8", '9/8"', "1 9/8"])
def test_a_fraction_glued_to_its_whole_number_is_a_fault(tmp_path, cell):
    pieces = f'piece,turned_on,wall_in\nA1,2026-03-01,"{cell.replace(chr(34), chr(34) * 2)}"\n'
    with pytest.raises(wl.RecordError, match="whole number.*space between"):
        wl.open_book(folder(tmp_path / "b", pieces=pieces))


def test_a_unit_in_a_cell_wins_and_mixed_units_are_counted(tmp_path):
    rows = ["1", "1 1/8", "28 mm", "2.5 cm", "3/4 in"]
    pieces = "piece,turned_on,wall_in\n" + "".join(
        f"A{k},2026-03-01,{cell}\n" for k, cell in enumerate(rows)
    )
    path = folder(
        tmp_path / "b", pieces=pieces, weighings="piece,on,mass_g\n",
        air="on,temp_c,rh_pct\n2026-03-01,68 F,55 %\n2026-03-02,20 °C,55\n",
    )  # fmt: skip
    book = wl.open_book(path)
    assert book.pieces["wall_mm"].tolist() == [25.4, 28.575, 28.0, 25.0, 19.05]
    assert book.air["temp_c"].tolist() == [20.0, 20.0]
    assert book.air["rh_pct"].tolist() == [55.0, 55.0]
    said = book.doubts.set_index("column")["value"]
    assert said["wall_mm"] == "1 in cm, 3 in in, 1 in mm"
    assert said["temp_c"] == "1 in c, 1 in f"
    assert "rh_pct" not in said


@pytest.mark.parametrize(
    ("one", "other", "shown"),
    [
        ("A1", "A\u200b1", "A<U+200B>1"),
        ("A 1", "A\u00a01", "A<U+00A0>1"),
        ("A1", "A\u00ad1", "A<U+00AD>1"),
        ("\u00e91", "e\u03011", "e<U+0301>1"),
        ("A1", "a1", "a1"),
        ("A 1", "A1", "A1"),
    ],
)
def test_twin_names_are_in_doubt_and_the_difference_is_shown(one, other, shown):
    pieces = pd.DataFrame(
        {"piece": [one, other], "turned_on": "2026-03-01", "seal": [f"{one} wax", f"{other} wax"],
         "log": [one, other], "maker": [one, other], "place": [one, None]}
    )  # fmt: skip
    air = pd.DataFrame({"on": ["2026-03-01"], "temp_c": [12], "rh_pct": [60], "place": [other]})
    weighings = pd.DataFrame({"piece": [], "on": [], "mass_g": []})
    doubts = wl.RecordBook.from_frames(pieces=pieces, weighings=weighings, air=air).doubts
    names = doubts[doubts["column"].isin(["piece", "seal", "log", "maker", "place"])]
    assert sorted(names["column"]) == ["log", "maker", "piece", "place", "seal"]
    assert all(shown in value for value in names["value"])


def test_a_mark_with_something_that_cannot_be_seen_is_told_beside_the_one_it_may_be(tmp_path):
    path = folder(tmp_path / "b", weighings="piece,on,mass_g\nA\u200b1,2026-03-01,1480\n")
    with pytest.raises(wl.RecordError, match=r"Is it 'A1'\? Here it is 'A<U\+200B>1'"):
        wl.open_book(path)


def test_a_gap_of_the_logger_is_an_unread_day(tmp_path):
    path = folder(
        tmp_path / "b",
        air="on,temp_c,rh_pct\n2026-03-01,12,70\n2026-03-02,,\n2026-03-03,13,\n",
    )
    air = wl.open_book(path).air
    assert len(air) == 3
    assert air["rh_pct"].isna().tolist() == [False, True, True]
    without = folder(tmp_path / "c", air="on,temp_c\n2026-03-01,12\n")
    assert faults(without) == [("air", 1, "rh_pct")]


@pytest.mark.parametrize(
    ("text", "local", "doubts"),
    [
        ("2026-03-09T23:30+02:00", "2026-03-09 23:30", 0),
        ("2026-03-09 00:30:15-0500", "2026-03-09 00:30:15", 0),
        ("2026-03-09T23:30Z", "2026-03-09 23:30", 1),
        ("2026-03-09T23:30+00:00", "2026-03-09 23:30", 1),
    ],
)
def test_a_date_with_a_zone_is_the_local_day(tmp_path, text, local, doubts):
    book = wl.open_book(folder(tmp_path / "b", weighings=f"piece,on,mass_g\nA1,{text},1480\n"))
    assert book.weighings["on"].item() == pd.Timestamp(local)
    assert book.doubts["doubt"].str.contains("UTC").sum() == doubts


def test_zoned_times_of_frames_are_the_clock_on_the_wall():
    east, west = dt.timezone(dt.timedelta(hours=9)), dt.timezone(dt.timedelta(hours=-5))
    same = dt.datetime(2026, 3, 9, 23, 0, tzinfo=east)
    on = pd.Series([same, same.astimezone(west)], dtype=object)  # equal, and of different days
    pieces = pd.DataFrame({"piece": ["A1"], "turned_on": ["2026-03-01"]})
    weighings = pd.DataFrame({"piece": "A1", "on": on, "mass_g": [1480, 1470]})
    book = wl.RecordBook.from_frames(pieces=pieces, weighings=weighings)
    assert book.weighings["on"].dt.day.tolist() == [9, 9]
    assert book.weighings["on"].dt.hour.tolist() == [23, 9]


@pytest.mark.parametrize("kind", ["link", "folder", "pipe"])
def test_a_table_that_cannot_be_read_is_a_fault(tmp_path, kind):
    path = folder(tmp_path / "b")
    there = path / "looks.csv"
    if kind == "link":
        there.symlink_to(tmp_path / "gone.csv")
    elif kind == "folder":
        there.mkdir()
    elif hasattr(os, "mkfifo"):
        os.mkfifo(there)
    else:
        pytest.skip("no pipes here")
    assert faults(path) == [("looks", None, None)]
    with pytest.raises(wl.RecordError, match=r"looks\.csv is"):
        wl.open_book(path, set_aside=True)


def test_a_tab_that_the_reader_of_ods_would_lose_is_refused(tmp_path):
    writer = Writer(1, "ods")
    tables = writer.book()
    tables["pieces"].rows[0][0].text = "A\t1"
    path = write(writer, tables, tmp_path)
    with pytest.raises(wl.WoodlabError, match="'pieces'.*holds a tab"):
        wl.open_book(path, set_aside=True)


def test_the_cells_of_csv_are_those_that_the_standard_reader_finds(tmp_path):
    """The cells of random books against those of Python's own reader of CSV."""
    for seed in range(30):
        writer = Writer(seed, "csv")
        path = write(writer, writer.book(), tmp_path / str(seed))
        for file in path.iterdir():
            text = decoded(file.read_bytes())
            separator = separator_of(text)
            rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
            frame = read_csv_table(file.stem, file).frame
            for at, cells in frame.iterrows():
                found = ["" if cell != cell else cell for cell in cells]
                row = rows[at - 1]
                assert [*row, *[""] * len(found)][: len(found)] == found


def joined(tmp_path):
    late = WEIGHINGS + "A1,2026-02-01,1490\nA1,2026-03-08,14800\n"
    air = "on,temp_c,rh_pct\n2026-03-01,12,70\n2026-03-01,12,70\n"
    paths = [
        folder(tmp_path / name, weighings=late.replace("1490", mass), air=air)
        for name, mass in (("north", "1490"), ("south", "1485"))
    ]
    return wl.open_books(paths), [wl.open_book(path) for path in paths]


def test_every_method_works_on_joined_books(tmp_path):
    both, alone = joined(tmp_path)
    for one, name in zip(alone, ("north", "south"), strict=True):
        assert len(one.doubts) >= 3
        mine = both.doubts[both.doubts["book"] == name].drop(columns=["book", "piece"])
        want = one.doubts.drop(columns="piece")
        pd.testing.assert_frame_equal(mine.reset_index(drop=True), want, check_dtype=False)
    assert len(both.until("2026-03-01").weighings) == 4
    assert both.only("north/A1").doubts["book"].eq("north").sum() >= 2
    assert len(both.hash) == 64
    assert not both.invented
    assert set(both.tables()) >= {"pieces", "weighings", "air"}
    both.save(tmp_path / "both")
    again = wl.open_book(tmp_path / "both")
    assert again.pieces["piece"].tolist() == ["north/A1", "south/A1"]
    assert again.hash == both.hash


def test_a_book_cannot_be_altered_behind_its_back():
    book = wl.demo_book()
    before, doubts = book.hash, len(book.doubts)
    for name in ("pieces", "weighings", "looks", "air", "offcuts", "rims", "set_aside", "counts"):
        frame = getattr(book, name)
        frame["new"] = 1
        if len(frame):
            frame.iloc[0, 0] = frame.iloc[-1, 0]
            frame[frame.columns[0]] = frame[frame.columns[0]].to_numpy()[::-1]
        assert "new" not in getattr(book, name)
    with pytest.raises((ValueError, TypeError)):
        book.weighings["mass_g"].to_numpy()[0] = 1.0
    with pytest.raises(pd.errors.ChainedAssignmentError):
        book.pieces["seal"] = "none"
    fresh = wl.RecordBook.from_frames(**book.tables())
    assert book.hash == before == fresh.hash
    assert len(book.doubts) == doubts


def test_frames_that_a_book_is_made_of_stay_the_makers_own():
    pieces = pd.DataFrame({"piece": ["A1"], "turned_on": ["2026-03-01"], "wall_mm": [25.0]})
    weighings = pd.DataFrame({"piece": ["A1"], "on": ["2026-03-01"], "mass_g": [1480.0]})
    book = wl.RecordBook.from_frames(pieces=pieces, weighings=weighings)
    before = book.hash
    pieces.loc[0, "wall_mm"] = 99.0
    weighings.loc[0, "mass_g"] = 1.0
    assert book.pieces["wall_mm"].item() == 25.0
    assert book.weighings["mass_g"].item() == 1480.0
    assert wl.RecordBook.from_frames(**book.tables()).hash == before


def test_only_keeps_what_was_asked_for():
    book = wl.demo_book()
    bare = book.only(seal="none")
    assert bare.pieces["seal"].unique().tolist() == ["none"]
    assert set(bare.weighings["piece"]) <= set(bare.pieces["piece"])
    assert set(bare.offcuts["log"].dropna()) <= set(bare.pieces["log"])
    assert len(bare.air) == len(book.air)
    mark = book.pieces["piece"].iloc[0]
    assert book.only(mark).pieces["piece"].tolist() == [mark]
    both = book.only(log=book.pieces["log"].iloc[0], seal=["none", "wax all over"])
    assert both.pieces["log"].nunique() == 1
    wl.RecordBook.from_frames(**both.tables())  # sound by itself
    for wrong, said in ({"pieces": "A0"}, "no piece 'A0'"), ({"seal": "wax al over"}, "Is it 'wax"):
        with pytest.raises(wl.WoodlabError, match=said):
            book.only(**wrong)


def test_until_none_is_the_whole_book():
    book = wl.demo_book()
    assert book.until(None).hash == book.hash
    assert book.until(dt.date(2025, 6, 1)).hash == book.until("2025-06-01").hash


@pytest.mark.parametrize("wrong", [None, "", 3, pd.DataFrame(), ["a"]])
def test_a_path_that_is_none_is_said_in_one_sentence(wrong):
    for call in (wl.open_book, lambda given: as_path(given, "f")):
        with pytest.raises(wl.WoodlabError, match="needs the path of a folder or a workbook"):
            call(wrong)


def test_wrong_types_are_said_in_a_sentence():
    with pytest.raises(wl.WoodlabError, match=r"Open it first: f\(wl.open_book\('data_demo'\)\)"):
        expect_book("data_demo", "f")
    for wrong in (None, 3, pd.DataFrame()):
        with pytest.raises(wl.WoodlabError, match="f needs a record book"):
            expect_book(wrong, "f")
    for wrong in (None, {"a": 1}, pd.DataFrame()):
        with pytest.raises(wl.WoodlabError, match="Give one value or a list"):
            as_list(wrong, "pieces")
    assert as_list("A10", "pieces") == ["A10"]
    assert as_list(np.array(["A1"]), "pieces") == ["A1"]
    assert as_day(np.datetime64("2026-06-20"), "on") == pd.Timestamp("2026-06-20")
    with pytest.raises(wl.WoodlabError, match="on: '20 June' is not a date"):
        as_day("20 June", "on")
    with pytest.raises(wl.WoodlabError, match="paths is None"):
        wl.open_books(None)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: wl.equilibrium_moisture(None, 50), "temp_c is None. Give a number"),
        (lambda: wl.moisture_pct("a", 100), "wet_g is the text 'a'"),
        (lambda: wl.shrinkage("sugar maple", "8 %"), "moisture_pct is the text '8 %'"),
        (lambda: wl.shrinkage(["sugar maple"], 8), "species is one name"),
        (lambda: wl.dried_rim(None, 10, "pith", 4.8, 9.9), "rim_mm is None"),
        (lambda: wl.rough_wall("sugar maple", [250], 100, 8), "rim_mm is a list. Give one number"),
        (lambda: wl.Bowl("300", 120, 30, 120, "pith", 10), "rim_mm must be above zero"),
        (lambda: wl.wall_window(None, 200), "species is None. Give one value or a list"),
        (lambda: wl.trial_power(None, 4, seed=1), "Give effects as a dict"),
        (lambda: wl.trial_plan([1, 2], ["none", "wax"], seed=1), r"a table \(DataFrame\)"),
        (lambda: wl.seal_study("data_demo"), r"seal_study\(wl.open_book\('data_demo'\)\)"),
        (lambda: wl.movement_study(None), "movement_study needs a record book and was given None"),
        (lambda: wl.write_article("", "out"), "needs a record book and was given an empty text"),
        (lambda: wl.write_article(wl.demo_book(), None), "write_article needs the path"),
        (lambda: wl.shop_round(None, on="2026-06-01"), "shop_round needs a record book"),
        (lambda: wl.shop_round(wl.demo_book(), on=None), "on: None is not a date"),
        (lambda: wl.blank_book(None), "blank_book needs the path"),
        (lambda: wl.demo_book().save(None), "needs the path"),
        (lambda: wl.read_sheet(None), "read_sheet needs the path"),
        (lambda: wl.crack_study("data_demo"), r"crack_study\(wl.open_book\('data_demo'\)\)"),
        (lambda: wl.add_weighings(None, []), "add_weighings needs the path"),
        (lambda: wl.add_weighings("book", None), "to weighings are None. Give a DataFrame, or"),
        (lambda: wl.add_looks("book", "A1"), "to looks are the text 'A1'. Give a DataFrame, or"),
        (lambda: wl.add_looks("book", ["A1"]), "row to add to looks is the text 'A1'. Give a"),
    ],
)
def test_a_wrong_type_at_a_public_name_is_said(call, said):
    with pytest.raises(wl.WoodlabError, match=said):
        call()


def test_a_scalar_is_taken_where_it_is_plainly_meant():
    assert wl.wall_window("black walnut", 200).equals(wl.wall_window(["black walnut"], [200]))
    one, other = (wl.trial_power({"drying_time": 2}, n, n_trials=100, seed=1) for n in (4, [4]))
    assert one.power.equals(other.power)


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "cp437", "koi8-r"])
def test_output_under_any_console_does_not_fail(tmp_path, encoding):
    mark = "\u6728\u306e\u9262\U0001fab5\u00e9"
    path = folder(
        tmp_path / "b",
        pieces=f"piece,turned_on,species\n{mark},2026-03-01,t\u00ebak\n",
        weighings=f"piece,on,mass_g\n{mark},2026-03-01,1480\n{mark},2026-03-01,1480\n",
    )
    bad = folder(tmp_path / "c", weighings=f"piece,on,mass_g\n{mark},2026-03-01,1480\n")
    environment = os.environ | {"PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    for book, code in ((path, 0), (bad, 2)):
        command = [sys.executable, "-m", "woodlab", "check", str(book)]
        done = subprocess.run(command, capture_output=True, env=environment, check=False)
        assert done.returncode == code, done.stderr
        assert b"Traceback" not in done.stderr
        assert b"row 2" in done.stdout + done.stderr
