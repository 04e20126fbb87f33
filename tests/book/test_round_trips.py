"""What is saved is the same book when it is opened again, and nothing else is lost by it."""

from __future__ import annotations

import random
import sys
import tempfile
import zipfile
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook
from openpyxl.styles import Font

import woodlab as wl

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "hostile"))

import cases  # noqa: E402
import round_trips  # noqa: E402

FORMS = round_trips.FORMS


def noted(note, grams=1480.0):
    return wl.RecordBook.from_frames(
        pieces=pd.DataFrame({"piece": ["A1"], "species": ["sugar maple"], "seal": ["none"],
                             "turned_on": ["2026-03-01"], "wall_mm": [22.0]}),
        weighings=pd.DataFrame({"piece": ["A1", "A1"], "on": ["2026-03-01", "2026-03-08"],
                                "mass_g": [grams, grams - 1], "note": [None, note]}),
    )  # fmt: skip


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10**9))
def test_the_hash_before_is_the_hash_after(seed):
    book = round_trips.random_book(random.Random(seed))
    with tempfile.TemporaryDirectory() as folder:
        for form in FORMS:
            assert round_trips.came_back(book, Path(folder) / form) == "same"


LETTERS = st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"], include_characters="\r\n\t")


@pytest.mark.parametrize("form", FORMS)
@settings(max_examples=15, deadline=None)
@given(note=st.text(LETTERS, min_size=1, max_size=20).filter(lambda t: "\ufffd" not in t))
def test_any_note_comes_back_to_the_letter(form, note):
    book = wl.RecordBook.from_frames(set_aside=True, **noted(note).tables())
    with tempfile.TemporaryDirectory() as folder:
        assert round_trips.came_back(book, Path(folder) / form) == "same"


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("note", round_trips.AWKWARD)
def test_awkward_notes_come_back(tmp_path, form, note):
    book = noted(note)
    assert round_trips.came_back(book, tmp_path / form) == "same"
    assert round_trips.came_back(noted(note, 1500.0), tmp_path / form) == "same"  # and over it


@pytest.mark.parametrize("form", ["book", "book.xlsx"])
def test_awkward_notes_are_added_as_they_are(tmp_path, form):
    noted("x").save(tmp_path / form)
    notes = round_trips.AWKWARD
    days = pd.date_range("2026-04-01", periods=len(notes))
    rows = pd.DataFrame({"piece": "A1", "on": days, "mass_g": 1300.0, "note": notes})
    wl.add_weighings(tmp_path / form, rows, sure=True)
    added = wl.open_book(tmp_path / form).weighings["note"].iloc[2:].tolist()
    assert added == [note.strip() for note in notes]


def test_what_a_cell_cannot_hold_is_refused_with_its_row_before_anything_is_overwritten(tmp_path):
    path = tmp_path / "book.xlsx"
    noted("short").save(path)
    before = path.read_bytes()
    with pytest.raises(wl.WoodlabError, match=r"weighings, row 3, column note: .*40,000 letters"):
        noted("y" * 40_000).save(path)
    assert path.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["book.xlsx"]
    for form in ("book", "book.ods"):
        assert round_trips.came_back(noted("y" * 40_000), tmp_path / form) == "same"


def test_a_note_like_rows_that_a_lost_quote_swallowed_is_refused_in_csv_alone(tmp_path):
    noted("short").save(tmp_path / "book")
    before = (tmp_path / "book" / "weighings.csv").read_bytes()
    like_rows = "x\ny,z,w,v,u,t,s,r"  # as many cells as the table has columns
    came = round_trips.came_back(noted(like_rows), tmp_path / "book")
    assert came.startswith("refused: weighings, row 3, column note"), came
    assert (tmp_path / "book" / "weighings.csv").read_bytes() == before
    for form in ("book.xlsx", "book.ods"):
        assert round_trips.came_back(noted(like_rows), tmp_path / form) == "same"


def test_what_would_come_back_as_something_else_is_refused_with_its_row(tmp_path, monkeypatch):
    from woodlab.book.writing import as_xlsx

    noted("short").save(tmp_path / "book.xlsx")
    before = (tmp_path / "book.xlsx").read_bytes()
    monkeypatch.setattr(as_xlsx, "_escaped", lambda text: text)  # as if nobody had thought of it
    with pytest.raises(
        wl.WoodlabError, match="weighings, row 3, column note: .*'_x0041_' comes back as 'A'"
    ):
        noted("_x0041_").save(tmp_path / "book.xlsx")
    assert (tmp_path / "book.xlsx").read_bytes() == before


def faulty(mass):
    tables = noted("x").tables()
    wrong = pd.DataFrame({"piece": ["A1"], "on": ["2026-03-09"], "mass_g": [mass]}).astype(object)
    tables["weighings"] = pd.concat([tables["weighings"].astype(object), wrong])
    return wl.RecordBook.from_frames(set_aside=True, **tables)


@pytest.mark.parametrize("form", FORMS)
def test_rows_set_aside_before_stay_and_new_ones_join_them(tmp_path, form):
    path = tmp_path / form
    for mass in ("heavy", "light\x07", "heavy"):
        book = faulty(mass)
        assert len(book.set_aside) == 1
        book.save(path)
    noted("no fault").save(path)
    if form == "book":
        kept = pd.read_csv(path / "set_aside.csv")["value"].tolist()
    else:
        kept = pd.read_excel(path, "set_aside", engine="calamine")["value"].tolist()
    assert [value[:5] for value in kept] == ["heavy", "light"]
    assert wl.open_book(path).hash == noted("no fault").hash


def test_other_files_and_the_way_a_name_is_written_stay(tmp_path):
    folder = cases.write_folder(tmp_path / "book", cases.folder_of())
    (folder / "pieces.csv").rename(folder / "Pieces.CSV")
    (folder / "diary.csv").write_text("rain")
    (folder / "pictures").mkdir()
    book = wl.open_book(folder)
    book.until("2026-03-01").save(folder)
    assert sorted(file.name for file in folder.iterdir()) == [
        "Pieces.CSV", "air.csv", "diary.csv", "pictures", "weighings.csv",
    ]  # fmt: skip
    assert (folder / "diary.csv").read_text() == "rain"


def test_other_sheets_of_a_workbook_stay(tmp_path):
    path = wl.blank_book(tmp_path / "book.xlsx")
    book = load_workbook(path)
    diary = book.create_sheet("Diary")
    diary["A1"], diary["B1"] = "rain _x000D_", "=1+1"
    diary["A1"].font = Font(bold=True)
    book.save(path)
    checks = len(load_workbook(path)["pieces"].data_validations.dataValidation)
    for grams in (1480.0, 1500.0):
        noted("=SUM(A1)", grams).save(path)
    after = load_workbook(path)
    assert after["Diary"]["A1"].value == "rain _x000D_"
    assert after["Diary"]["A1"].font.bold
    assert after["Diary"]["B1"].value == "=1+1"
    assert {"how to", "lists", "rims"} <= set(after.sheetnames)
    assert len(after["pieces"].data_validations.dataValidation) == checks > 0
    assert [cell.value for cell in after["pieces"][1]][:4] == [
        "piece", "species", "turned on", "wall (mm)"
    ]  # fmt: skip
    assert wl.open_book(path).hash == noted("=SUM(A1)", 1500.0).hash


def test_headings_in_other_units_and_columns_of_ones_own_are_written_over(tmp_path):
    path = tmp_path / "book.xlsx"
    book = Workbook()
    book.active.title = "pieces"
    book.active.append(["Mark of mine", "piece", "wall (in)", "species", "seal", "turned on"])
    book.create_sheet("Weighings ").append(["on", "shelf", "piece", "mass (lb)", "note"])
    book.save(path)
    noted("x").save(path)
    assert wl.open_book(path).hash == noted("x").hash


def test_other_tables_of_an_open_workbook_stay_to_the_byte(tmp_path):
    path = tmp_path / "book.ods"
    diary = {"Diary": [["rain", "a<b"], ["", "more"]], "lists": [["oak"]]}
    path.write_bytes(cases.ods_bytes({"Diary": diary["Diary"], **cases.BOOK, "lists": [["oak"]]}))
    with zipfile.ZipFile(path) as archive:
        before = archive.read("content.xml").decode()
    for grams in (1480.0, 1500.0):
        noted("x", grams).save(path)
    with zipfile.ZipFile(path) as archive:
        after = archive.read("content.xml").decode()
        assert archive.testzip() is None
        assert archive.infolist()[0].filename == "mimetype"
    for name in diary:
        start = before.index(f'<table:table table:name="{name}"')
        assert before[start : before.index("</table:table>", start)] in after
    assert wl.open_book(path).hash == noted("x", 1500.0).hash


@pytest.mark.parametrize(
    ("part", "what"), [("xl/charts/chart1.xml", "charts"), ("xl/vbaProject.bin", "macros"),
                       ("xl/media/image1.png", "pictures")],
)  # fmt: skip
def test_a_workbook_that_would_lose_something_is_left_alone(tmp_path, part, what):
    path = tmp_path / "book.xlsx"
    noted("x").save(path)
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr(part, b"x")
    before = path.read_bytes()
    with pytest.raises(wl.WoodlabError, match=f"holds {what}, which would be lost"):
        noted("y").save(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize("form", ["book.xlsx", "book.ods"])
@pytest.mark.parametrize("data", [b"my letters", b"PK\x05\x06" + bytes(18), b"PK\x03\x04 cut"])
def test_a_file_that_is_no_workbook_is_not_written_over(tmp_path, form, data):
    (tmp_path / form).write_bytes(data)
    with pytest.raises(wl.WoodlabError, match="no workbook that can be kept"):
        noted("x").save(tmp_path / form)
    assert (tmp_path / form).read_bytes() == data


def test_empty_columns_of_the_makers_own_come_back(tmp_path):
    tables = noted("x").tables()
    tables["weighings"] = tables["weighings"].assign(shelf=None, bay=[None, "2"])
    tables["air"] = pd.DataFrame(columns=["on", "temp_c", "rh_pct", "logger; no"])
    book = wl.RecordBook.from_frames(**tables)
    for form in FORMS:
        assert round_trips.came_back(book, tmp_path / form) == "same"


@pytest.mark.parametrize("ending", ["", ".xlsx"])
@pytest.mark.parametrize("seed", range(4))
def test_a_row_added_to_a_random_book_leaves_the_others_to_the_digit(tmp_path, ending, seed):
    book = round_trips.random_book(random.Random(7040 + seed))
    path = tmp_path / f"book{ending}"
    book.save(path)
    before = wl.open_book(path)
    row = {"piece": book.pieces["piece"].iloc[0], "on": "2026-05-01", "mass_g": 777.25}
    wl.add_weighings(path, [row | {"note": 'x, "y"\nz; ü'}], sure=True)
    after = wl.open_book(path)
    assert after.weighings["mass_g"].tolist() == [*before.weighings["mass_g"], 777.25]
    for name in set(round_trips.TABLES) - {"weighings"}:
        assert getattr(after, name).equals(getattr(before, name)), name
