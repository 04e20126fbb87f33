"""A maker's own sheet, in pounds and inches and in any hand, made into a record book."""

import datetime as dt
import re
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

import woodlab as wl
from woodlab import app

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


UNITS = {"mass_unit": "lb", "length_unit": "in"}


@pytest.mark.parametrize("name", ["season.xlsx", "season"])
def test_a_sheet_becomes_a_book_that_opens_without_a_fault(sheet, tmp_path, name):
    made = wl.read_sheet(sheet, **UNITS)
    made.save(tmp_path / name)
    book = wl.open_book(tmp_path / name)
    assert book.pieces["piece"].tolist() == ["B1", "B2", "3", "B4"]
    assert book.pieces["seal"].tolist() == ["wax", "none", "not said", "none"]
    assert book.pieces["wall_mm"].tolist() == pytest.approx(
        [IN, 1.125 * IN, 0.875 * IN, float("nan")], nan_ok=True
    )
    assert book.pieces["rim_mm"].tolist() == pytest.approx([11 * IN, 10.5 * IN, 9 * IN, 9 * IN])
    assert book.pieces["turned_on"].dt.strftime("%m-%d").tolist() == [*["06-14"] * 3, "07-03"]
    assert "sheet names none" in book.pieces["note"].iloc[3]
    assert book.pieces["log"].tolist() == ["A", "A", "B", "B"]
    assert book.weighings["mass_g"].tolist() == pytest.approx(
        [m * LB for m in (3.38, 3.1, 2.92, 3.875, 3.25, 2.65, 2.25, 2.05, 2.5)], abs=0.01
    )
    assert book.looks[["piece", "crack"]].values.tolist() == [["B2", "yes"]]
    assert book.looks["on"].item() == pd.Timestamp("2026-07-18")
    assert book.pieces["outcome"].iloc[1] == "scrapped"  # of the remark; on which day, it says not
    pd.testing.assert_frame_equal(made.book.pieces, book.pieces)


def test_weights_with_their_unit_in_the_cell_say_how_the_book_is_kept(tmp_path):
    """A heading may name no unit where each cell does; most weights decide."""
    (tmp_path / "bowls.csv").write_text(
        "Bowl,Wood,Wall (in),1/10/2026,1/24/2026\n"
        "1,ash,1 1/8,3.20 lb,2.90 lb\n2,cherry,1,3 lb 9.6 oz,3 lb 2 oz\n"
    )
    made = wl.read_sheet(tmp_path / "bowls.csv")
    made.save(tmp_path / "book")
    book = wl.open_book(tmp_path / "book")
    assert (book.units.mass, book.units.length) == ("lboz", "in")
    assert book.weighings["mass_g"].tolist() == pytest.approx(
        [m * LB for m in (3.2, 2.9, 3.6, 3.125)], abs=0.01
    )


def test_the_book_is_kept_in_the_units_of_the_sheet(sheet, tmp_path):
    wl.read_sheet(sheet, **UNITS).save(tmp_path / "book")
    assert "wall (in)" in (tmp_path / "book" / "pieces.csv").read_text().splitlines()[0]
    weights = pd.read_csv(tmp_path / "book" / "weighings.csv")
    assert weights["mass (lb)"].tolist() == [3.38, 3.1, 2.92, 3.875, 3.25, 2.65, 2.25, 2.05, 2.5]


def test_every_cell_of_the_sheet_is_in_the_ledger_and_in_the_file(sheet, tmp_path):
    made = wl.read_sheet(sheet, **UNITS)
    unused = made.ledger[made.ledger["use"] == "not used"].set_index("value")["why"]
    assert set(unused.index) == {
        "ROUGH BOWLS, lbs", "spring", "?", "TOTAL", "9.9", "11.1", "4.97", "to 0.01 lb",
    }  # fmt: skip
    assert unused["spring"] == "not a day that can be read, so turned_on is not known"
    assert len(made.ledger) == sum(cell is not None for row in ROWS for cell in row)
    made.save(tmp_path / "season.xlsx")
    kept = pd.read_excel(tmp_path / "season.xlsx", sheet_name="sheet_ledger", dtype=str,
                         engine="openpyxl")  # fmt: skip
    assert kept["cell"].tolist() == made.ledger["cell"].tolist()


def test_units_that_cannot_be_are_asked_for(sheet):
    with pytest.raises(wl.WoodlabError, match="cannot be in g: .* lb are .* g. .*--mass-unit lb"):
        wl.read_sheet(sheet, length_unit="in")
    with pytest.raises(wl.WoodlabError, match="wall cannot be in mm.*--length-unit in"):
        wl.read_sheet(sheet, mass_unit="lb")
    with pytest.raises(wl.WoodlabError, match="length_unit is 'ft'"):
        wl.read_sheet(sheet, mass_unit="lb", length_unit="ft")


def test_centimetres_are_offered_before_inches(tmp_path):
    file = tmp_path / "sheet.csv"
    file.write_text("Bowl,Wall,Height,2026-03-09\nA1,2.5,9.5,1480\nA2,3,9,1390\n")
    with pytest.raises(wl.WoodlabError, match="2.75 cm are 28 mm.*--length-unit cm or"):
        wl.read_sheet(file)
    pieces = wl.read_sheet(file, length_unit="cm").book.pieces
    assert pieces[["wall_mm", "height_mm"]].values.tolist() == [[25, 95], [30, 90]]


def test_another_book_is_not_written_over(sheet, tmp_path):
    wl.blank_book(tmp_path / "mine", pieces=pd.DataFrame(
        {"piece": ["X1"], "species": ["ash"], "seal": ["none"], "turned_on": ["2026-03-01"],
         "wall_mm": [22]}
    ))  # fmt: skip
    with pytest.raises(wl.WoodlabError, match="another book, and is left as it is"):
        wl.read_sheet(sheet, **UNITS).save(tmp_path / "mine")


def test_days_of_turning_go_by_the_order_that_the_headings_show(tmp_path):
    file = tmp_path / "sheet.csv"
    file.write_text(
        "Bowl,Wood,Turned on,Wall (mm),Seal,20/6/26,4/7/26\nA1,ash,5/6/26,25,none,1480,1400\n"
    )
    book = wl.read_sheet(file).book
    assert book.pieces["turned_on"].item() == pd.Timestamp("2026-06-05")
    assert book.weighings["mass_g"].tolist() == [1480, 1400]


def test_a_sheet_with_dates_down_becomes_the_same_book(sheet, tmp_path):
    turned = tmp_path / "turned.xlsx"
    workbook = openpyxl.Workbook()
    for row in zip(*ROWS[2:], strict=True):
        workbook.active.append(row)
    workbook.save(turned)
    across, down = wl.read_sheet(sheet, **UNITS), wl.read_sheet(turned, **UNITS)
    assert (across.layout, down.layout) == ("pieces-down", "dates-down")
    for table in ("pieces", "weighings", "looks"):
        pd.testing.assert_frame_equal(getattr(across.book, table), getattr(down.book, table))


def test_the_command_says_what_it_did_and_what_is_next(sheet, tmp_path, capsys):
    out = tmp_path / "season.xlsx"
    assert app.main(["check", str(sheet)]) == 2
    assert "`woodlab from-sheet` makes a book of it" in capsys.readouterr().err
    assert app.main(["from-sheet", str(sheet), "--out", str(out)]) == 2
    assert "--mass-unit lb" in capsys.readouterr().err
    asked = ["--mass-unit", "lb", "--length-unit", "in"]
    assert app.main(["from-sheet", str(sheet), "--out", str(out), *asked]) == 0
    said = capsys.readouterr().out
    assert "Four pieces, nine weights and one look" in said
    assert "J5 'split': crack, not measured" in said
    assert "K5 'split open, firewood': a note; a look needs its day" in said
    assert f"Next: woodlab check {out}" in said


def test_every_option_that_a_message_names_is_one_of_the_command(capsys):
    with pytest.raises(SystemExit):
        app.main(["from-sheet", "--help"])
    known = set(re.findall(r"--[a-z-]+", capsys.readouterr().out))
    room = Path(wl.__file__).parent / "book" / "sheet"
    named = {
        "--" + option.replace("_", "-")
        for file in room.glob("*.py")
        for option in re.findall(r"ask\(\s*(?:asked, )?\"(\w+)\"", file.read_text(encoding="utf-8"))
    }
    assert len(named) >= 8
    assert named <= known


def test_a_workbook_with_damage_in_a_packed_part_is_said_to_be_damaged(sheet):
    data = bytearray(sheet.read_bytes())
    at = data.index(b"xl/worksheets/sheet1.xml") + len(b"xl/worksheets/sheet1.xml")
    data[at + 5 : at + 60] = b"\xff" * 55  # into the packed bytes, past the name
    sheet.write_bytes(bytes(data))
    with pytest.raises(wl.WoodlabError, match="save it again"):
        wl.read_sheet(sheet, **UNITS)
