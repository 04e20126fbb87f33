"""A maker's own sheet, in pounds and inches and in any hand, made into a record book."""

import datetime as dt

import openpyxl
import pandas as pd
import pytest

import woodlab as wl
from woodlab import app
from woodlab.book.wide_book import book_from_sheet

LB, IN = 453.59237, 25.4  # by definition

# A title, an empty line, dates in four forms, a total, a remark below: as such sheets are kept.
ROWS = [
    ["ROUGH BOWLS, lbs", *[None] * 10],
    [None] * 11,
    ["No", "Wood", "Log", "Turned", "Wall", "Dia (in)", "Sealed?",
     "6/14/26", dt.datetime(2026, 7, 3), "18 July 2026", "Remarks"],
    ["B1", "Cherry", "A", "6/14/26", 1, 11, "wax", 3.38, "3.1 lb", 2.92, None],
    ["B2", "cherry", "A", dt.datetime(2026, 6, 14), "1 1/8", "10 1/2", "none",
     "3 lb 14 oz", 3.25, "split", "split open, firewood"],
    [None] * 11,
    [3, "Sugar Mapel", "B", "2026-06-14", '7/8"', 9, None, 2.65, 2.25, 2.05, None],
    ["B4", "Ash", "B", "spring", None, 9, "none", None, 2.5, "?", None],
    ["TOTAL", *[None] * 6, 9.9, 11.1, 4.97, None],
    ["to 0.01 lb", *[None] * 10],
]  # fmt: skip


@pytest.fixture
def sheet(tmp_path):
    workbook = openpyxl.Workbook()
    for row in ROWS:
        workbook.active.append(row)
    workbook.save(tmp_path / "bowls.xlsx")
    return tmp_path / "bowls.xlsx"


@pytest.mark.parametrize("name", ["season.xlsx", "season"])
def test_a_sheet_becomes_a_book_that_check_takes_further(sheet, tmp_path, name):
    made = book_from_sheet(sheet, tmp_path / name, mass_unit="lb", length_unit="in")
    with pytest.raises(wl.RecordError) as caught:
        wl.open_book(made.path)
    told = {(fault.row, fault.column) for fault in caught.value.faults if fault.table == "pieces"}
    assert told == {(5, "turned_on")}
    book = wl.open_book(made.path, set_aside=True)
    assert book.pieces["piece"].tolist() == ["B1", "B2", "3"]
    assert book.pieces["seal"].tolist() == ["wax", "none", "not said"]
    assert book.pieces["wall_mm"].tolist() == pytest.approx([IN, 1.125 * IN, 0.875 * IN])
    assert book.pieces["rim_mm"].tolist() == pytest.approx([11 * IN, 10.5 * IN, 9 * IN])
    assert book.pieces["turned_on"].eq("2026-06-14").all()
    assert book.pieces["log"].tolist() == ["A", "A", "B"]
    assert book.weighings["mass_g"].tolist() == pytest.approx(
        [m * LB for m in (3.38, 3.1, 2.92, 3.875, 3.25, 2.65, 2.25, 2.05)], abs=0.01
    )
    assert book.weighings["on"].dt.strftime("%m-%d").tolist()[:3] == ["06-14", "07-03", "07-18"]
    assert "speaks of a crack" in book.doubts.set_index("column")["doubt"]["note"]


def test_every_cell_of_the_sheet_is_in_the_book_or_told(sheet, tmp_path):
    made = book_from_sheet(sheet, tmp_path / "season.xlsx", mass_unit="lb", length_unit="in")
    why = made.unused.set_index("value")["why"]
    assert set(why.index) == {
        "ROUGH BOWLS, lbs", "No", "split", "spring", "?", "TOTAL", "9.9", "11.1", "4.97",
        "to 0.01 lb",
    }  # fmt: skip
    assert why["spring"] == "not a day of turning that can be read"
    filled = sum(cell is not None for row in ROWS for cell in row)
    in_pieces = made.pieces.notna().sum().sum()
    headings = 7  # of the columns of pieces; the eighth, over the marks, is told as unused
    dates = 3
    assert filled == in_pieces + len(made.weighings) + headings + dates + len(made.unused)
    kept = pd.read_excel(made.path, sheet_name="not_used", engine="openpyxl", dtype=str)
    assert kept["cell"].tolist() == made.unused["cell"].tolist()


def test_units_that_cannot_be_are_asked_for(sheet, tmp_path):
    with pytest.raises(wl.WoodlabError, match="below 20 g.*--mass-unit lb"):
        book_from_sheet(sheet, tmp_path / "a", length_unit="in")
    with pytest.raises(wl.WoodlabError, match="wall cannot be in mm.*--length-unit in"):
        book_from_sheet(sheet, tmp_path / "a", mass_unit="lb")
    with pytest.raises(wl.WoodlabError, match="length_unit is 'ft'"):
        book_from_sheet(sheet, tmp_path / "a", mass_unit="lb", length_unit="ft")
    assert not (tmp_path / "a").exists()


def test_nothing_that_exists_is_written_over(sheet, tmp_path):
    (tmp_path / "mine").mkdir()
    with pytest.raises(wl.WoodlabError, match="exists already"):
        book_from_sheet(sheet, tmp_path / "mine", mass_unit="lb", length_unit="in")


def test_days_of_turning_go_by_the_order_that_the_headings_show(tmp_path):
    file = tmp_path / "sheet.csv"
    file.write_text(
        "Bowl,Wood,Turned on,Wall (mm),Seal,20/6/26,4/7/26\nA1,ash,5/6/26,25,none,1480,1400\n"
    )
    made = book_from_sheet(file, tmp_path / "book")
    assert made.pieces["turned_on"].item() == pd.Timestamp("2026-06-05")
    assert wl.open_book(made.path).weighings["mass_g"].tolist() == [1480, 1400]


def test_a_sheet_with_dates_down_becomes_the_same_book(sheet, tmp_path):
    turned = tmp_path / "turned.xlsx"
    workbook = openpyxl.Workbook()
    for row in zip(*ROWS[2:], strict=True):
        workbook.active.append(row)
    workbook.save(turned)
    units = {"mass_unit": "lb", "length_unit": "in"}
    across = book_from_sheet(sheet, tmp_path / "across", **units)
    down = book_from_sheet(turned, tmp_path / "down", **units)
    pd.testing.assert_frame_equal(across.pieces, down.pieces)
    pd.testing.assert_frame_equal(across.weighings, down.weighings)


def test_the_command_says_what_it_did_and_what_is_next(sheet, tmp_path, capsys):
    out = tmp_path / "season.xlsx"
    assert app.main(["check", str(sheet)]) == 2
    assert "`woodlab from-sheet` makes a book of it" in capsys.readouterr().err
    assert app.main(["from-sheet", str(sheet), "--out", str(out)]) == 2
    assert "--mass-unit lb" in capsys.readouterr().err
    asked = ["--mass-unit", "lb", "--length-unit", "in"]
    assert app.main(["from-sheet", str(sheet), "--out", str(out), *asked]) == 0
    said = capsys.readouterr().out
    assert "4 pieces and 9 weighings" in said
    assert "J5: not a mass" in said
    assert f"Next: woodlab check {out}" in said


def test_a_workbook_with_damage_in_a_packed_part_is_said_to_be_damaged(sheet, tmp_path):
    data = bytearray(sheet.read_bytes())
    at = data.index(b"xl/worksheets/sheet1.xml") + len(b"xl/worksheets/sheet1.xml")
    data[at + 5 : at + 60] = b"\xff" * 55  # into the packed bytes, past the name
    sheet.write_bytes(bytes(data))
    with pytest.raises(wl.WoodlabError, match="save it again"):
        book_from_sheet(sheet, tmp_path / "season", mass_unit="lb", length_unit="in")
