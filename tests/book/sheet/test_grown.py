"""The grown sheet, merged into the book that was made of it before."""

import pandas as pd
import pytest

import woodlab as wl
from woodlab import app

FIRST = "bowl,Wood,Wall (mm),2026-03-09,2026-03-16\nA1,ash,25,1480,1410\nA2,oak,26,1390,1310\n"
GROWN = (
    "bowl,Wood,Wall (mm),2026-03-09,2026-03-16,2026-03-23\n"
    "A1,ash,25,1480,1411,1366\nA2,oak,26,1390,1310,sold\nA3,elm,24,,1600,1540\n"
)


@pytest.fixture(params=["book", "book.xlsx"])
def made(request, tmp_path):
    sheet, book = tmp_path / "sheet.csv", tmp_path / request.param
    sheet.write_text(FIRST)
    wl.read_sheet(sheet).save(book)
    sheet.write_text(GROWN)
    return sheet, book


def mended(book, table, change):
    old = wl.open_book(book)
    tables = {name: frame.copy() for name, frame in old.tables().items()}
    tables[table] = change(tables[table])
    if book.is_dir():
        wl.RecordBook.from_frames(**tables).save(book)
        return
    import openpyxl

    workbook = openpyxl.load_workbook(book)
    page = workbook[table]
    page.delete_rows(2, page.max_row)
    headings = [cell.value for cell in page[1]]
    for row in tables[table].itertuples():
        values = {h: getattr(row, h.replace(" (mm)", "_mm")) for h in headings}
        page.append([None if pd.isna(v) else v for v in values.values()])
    workbook.save(book)


def test_new_dates_new_bowls_and_changed_cells_go_in(made):
    sheet, book = made
    changes = wl.read_sheet(sheet).save(book)
    got = wl.open_book(book)
    weights = {(r.piece, str(r.on.date())): r.mass_g for r in got.weighings.itertuples()}
    assert weights == {
        ("A1", "2026-03-09"): 1480, ("A1", "2026-03-16"): 1411, ("A1", "2026-03-23"): 1366,
        ("A2", "2026-03-09"): 1390, ("A2", "2026-03-16"): 1310,
        ("A3", "2026-03-16"): 1600, ("A3", "2026-03-23"): 1540,
    }  # fmt: skip
    assert got.pieces["piece"].tolist() == ["A1", "A2", "A3"]
    assert got.pieces.set_index("piece").loc["A2", "outcome"] == "given away"
    kinds = changes.groupby(["what", "table"]).size().to_dict()
    assert kinds == {("changed", "pieces"): 2, ("changed", "weighings"): 1,
                     ("new", "pieces"): 1, ("new", "weighings"): 3}  # fmt: skip
    again = wl.read_sheet(sheet).save(book)
    assert again.empty


def test_what_was_mended_in_the_book_stays(made):
    sheet, book = made

    def right(weighings):
        weighings.loc[weighings["mass_g"] == 1410, "mass_g"] = 1414.0
        return weighings[weighings["mass_g"] != 1310]

    mended(book, "weighings", right)
    changes = wl.read_sheet(sheet).save(book)
    weights = wl.open_book(book).weighings["mass_g"].tolist()
    assert 1414.0 in weights  # changed in both: the book's counts, and it is told
    assert 1310.0 not in weights  # taken out by hand
    kept = changes[changes["what"] == "kept"]
    assert kept[["piece", "before", "now"]].values.tolist() == [
        ["A1", "1414.00", "1411.00"], ["A2", "taken out of the book", ""]
    ]  # fmt: skip


def test_what_has_gone_from_the_sheet_stays_in_the_book(made):
    sheet, book = made
    sheet.write_text("bowl,Wood,Wall (mm),2026-03-09\nA1,ash,25,1480\nA2,oak,26,1390\n")
    changes = wl.read_sheet(sheet).save(book)
    assert set(changes["what"]) == {"gone"}
    assert len(wl.open_book(book).weighings) == 4


def test_rows_added_in_the_book_are_left_alone(made):
    sheet, book = made
    wl.add_looks(book, [{"piece": "A1", "on": "2026-03-20", "crack_mm": 0}])
    wl.add_weighings(book, [{"piece": "A1", "on": "2026-03-20", "mass_g": 1390}])
    wl.read_sheet(sheet).save(book)
    got = wl.open_book(book)
    assert len(got.looks) == 1
    assert len(got.weighings) == 8


def test_the_command_lists_what_is_new(made, capsys):
    sheet, book = made
    assert app.main(["from-sheet", str(sheet), "--out", str(book)]) == 0
    said = capsys.readouterr().out
    assert f"Merged into {book}: 4 new, 3 changed" in said
    assert app.main(["from-sheet", str(sheet), "--out", str(book)]) == 0
    assert "Nothing new." in capsys.readouterr().out


def test_a_workbook_keeps_sheets_of_its_own(made):
    import openpyxl

    sheet, book = made
    if book.is_dir():
        pytest.skip("a folder keeps other files")
    workbook = openpyxl.load_workbook(book)
    workbook.create_sheet("my plans")["A1"] = "mine"
    workbook.save(book)
    wl.read_sheet(sheet).save(book)
    assert len(wl.open_book(book).weighings) == 7
    assert openpyxl.load_workbook(book)["my plans"]["A1"].value == "mine"
