"""The blank book: opens, checks, and reads back without loss."""

import numpy as np
import pandas as pd
import pytest
from openpyxl import load_workbook

import woodlab as wl
from woodlab.book.tables import TABLES
from woodlab.book.units import in_own_unit, match_heading
from woodlab.book.writing.blank import readable_heading
from woodlab.errors import RecordError, WoodlabError

FILLED = {
    "pieces": [
        ["A1", "sugar maple", "2026-03-01", 25.4, "none", "A", 240, 90, 80, 38, "pith", 30, None,
         "loft", "Odrin (invented)", "random", None, None, None,
         "=knot, 50 % <b>"],
        ["12", "white ash", "2026-03-02", 22, "wax all over", "B", None, None, None, None, "bark",
         None, 14.5, None, None, "chosen", "2026-09-01", "finished", 9.5, None],
    ],
    "weighings": [
        ["A1", "2026-03-01", 1480.5, None, 0.5, "kitchen", None, None],
        ["12", "2026-03-02 14:30:00", 1390, "sealed", None, None, "cellar", "-1 by eye"],
    ],
    "looks": [
        ["12", "2026-03-09", 0, "no", "rim", "none", None],
        ["12", "2026-03-16", None, "yes", "foot", "none", None],
    ],
    "air": [["2026-03-01", 12.5, 71, "loft", "over salt"]],
    "offcuts": [[136, 100, "A1", None, "2026-03-01", None]],
    "rims": [["A1", "2026-03-01", 240, 240.5, -1.5, None]],
    "witnesses": [["w1", "2026-03-01", 112.5, 100, "loft", None]],
}  # fmt: skip


def fill(path):
    book = load_workbook(path)
    for table, rows in FILLED.items():
        dates = [c.kind == "date" for c in TABLES[table]]
        for r, row in enumerate(rows, start=2):
            for c, value in enumerate(row, start=1):
                if dates[c - 1] and value is not None:
                    value = pd.Timestamp(value).to_pydatetime()
                cell = book[table].cell(r, c, value)
                if isinstance(value, str):
                    cell.data_type = "s"
    book.save(path)


def expected():
    frames = {
        table: pd.DataFrame(rows, columns=[c.name for c in TABLES[table]])
        for table, rows in FILLED.items()
    }
    return wl.RecordBook.from_frames(**frames)


def same(got, want):
    for table in TABLES:
        pd.testing.assert_frame_equal(getattr(got, table), getattr(want, table), obj=table)


@pytest.mark.parametrize("table", TABLES)
def test_every_readable_heading_reads_back_as_its_column(table):
    for column in TABLES[table]:
        matched, unit = match_heading(readable_heading(column), TABLES[table])
        assert matched.name == column.name
        assert in_own_unit(matched.unit, unit, np.array([2.0])).item() == 2.0


def test_a_blank_workbook_opens_empty_and_filled_in_reads_back_without_loss(tmp_path):
    path = wl.blank_book(tmp_path / "book.xlsx")
    empty = wl.open_book(path)
    assert all(len(getattr(empty, table)) == 0 for table in TABLES)
    fill(path)
    same(wl.open_book(path), expected())


@pytest.mark.parametrize("form", ["xlsx", "ods"])
def test_an_office_program_opens_it_and_saves_it_without_loss(tmp_path, form, office):
    path = wl.blank_book(tmp_path / "book.xlsx", seals=["none", "wax all over"])
    fill(path)
    out = tmp_path / "saved"
    same(wl.open_book(office(form, path, out)), expected())
    if form == "xlsx":
        kept = load_workbook(out / "book.xlsx")
        kinds = {check.type for check in kept["pieces"].data_validations.dataValidation}
        assert {"list", "date", "decimal"} <= kinds


def test_lists_offer_the_species_and_seals_asked_for(tmp_path):
    path = wl.blank_book(tmp_path / "book.xlsx", species=["ash", "elm"], seals=["none", "=wax"])
    book = load_workbook(path)
    assert [cell.value for cell in book["lists"]["A"]] == ["species", "ash", "elm"]
    assert [cell.value for cell in book["lists"]["B"]] == ["seal", "none", "=wax"]
    assert book["lists"]["B3"].data_type == "s"
    checks = {str(check.sqref): check for check in book["pieces"].data_validations.dataValidation}
    species = next(c for ref, c in checks.items() if ref.startswith("B2"))
    assert species.formula1 == "lists!$A$2:$A$3"
    assert species.errorStyle == "warning"
    wall = next(c for ref, c in checks.items() if ref.startswith("D2"))
    assert (wall.type, wall.formula1, wall.formula2) == ("decimal", "0", "300")
    assert "2026-03-09" in "".join(str(cell.value) for cell in book["how to"]["A"])


def test_a_blank_folder_opens_empty_and_keeps_the_rules(tmp_path):
    path = wl.blank_book(tmp_path / "book")
    assert (path / "how_to.txt").read_text().startswith("How to fill in")
    assert len(wl.open_book(path).pieces) == 0
    with (path / "weighings.csv").open("a") as file:
        file.write("A1,2026-03-01,1480,,,\n")
    with pytest.raises(RecordError, match="no such piece"):
        wl.open_book(path)


@pytest.mark.parametrize("name", ["book.xlsx", "book"])
def test_planned_pieces_are_filled_in(tmp_path, name):
    pieces = expected().pieces.assign(shelf=["top", "low"])
    path = wl.blank_book(tmp_path / name, pieces=pieces)
    got = wl.open_book(path).pieces
    pd.testing.assert_frame_equal(got, pieces, check_dtype=False)


def test_nothing_is_overwritten_and_endings_are_known(tmp_path):
    path = wl.blank_book(tmp_path / "book.xlsx")
    before = path.read_bytes()
    with pytest.raises(WoodlabError, match="exists already"):
        wl.blank_book(path)
    assert path.read_bytes() == before
    with pytest.raises(WoodlabError, match=r"not '\.ods'"):
        wl.blank_book(tmp_path / "book.ods")
    with pytest.raises(WoodlabError, match="Give one value or a list"):
        wl.blank_book(tmp_path / "other.xlsx", seals={"none": 1})
