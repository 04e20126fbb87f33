"""Sheets as makers have them: every cell used, or listed with why not."""

import csv
import datetime as dt

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

import woodlab as wl
from woodlab.book.sheet.cells import read_mass
from woodlab.book.sheet.dates import find_date
from woodlab.errors import WoodlabError

POUND_SOURCE = (
    "International yard and pound agreement 1959: 1 lb = 0.45359237 kg exactly (as printed in "
    "NIST Special Publication 811, Appendix B)"
)


def sheet(tmp_path, text, name="sheet.csv", encoding="utf-8"):
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return path


def workbook(tmp_path, rows, merges=(), name="sheet.xlsx", extra=None):
    book = Workbook()
    page = book.active
    for row in rows:
        page.append(row)
    for merge in merges:
        page.merge_cells(merge)
    for title, cells in (extra or {}).items():
        other = book.create_sheet(title)
        for row in cells:
            other.append(row)
    book.save(tmp_path / name)
    return tmp_path / name


def as_dict(made):
    rows = made.book.weighings[["piece", "on", "mass_g"]].to_numpy()
    return {(p, str(on.date())): m for p, on, m in rows}


def adds_up(made, filled=None):
    """Every filled cell stands once in the ledger: with its use, or with why it has none."""
    ledger = made.ledger
    assert not ledger.duplicated(["sheet", "cell"]).any()
    assert filled is None or len(ledger) == filled
    assert (ledger["use"] == "weight").sum() == len(made.book.weighings)
    assert (ledger["use"] != "").all()
    assert ((ledger["use"] == "not used") == (ledger["why"] != "")).all()


def why(made, cell):
    return made.ledger.set_index("cell").loc[cell, "why"]


def test_pounds_and_ounces_are_the_international_ones(outside):
    outside(
        "3 lb 4 oz in g", published=3.25 * 453.59237, ours=read_mass("3 lb 4 oz").mass_g,
        within=1e-9, source=POUND_SOURCE,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("cell", "mass_g"),
    [
        ("1480", 1480), (1480, 1480), ("1.48 kg", 1480), ("1,48 kg", 1480), ("1480g", 1480),
        ("1 480 g", 1480), ("1\u202f480 g", 1480), ("1'480", 1480), ("1.480,5", 1480.5),
        ("1,480.5", 1480.5), ("1.480 kg", 1480), ("52 oz", 1474.1752), ("3lb 4.5oz", 1488.34996),
        ("3 lb 4 1/2 oz", 1488.34996), ("3 lb 4½ oz", 1488.34996), ("3 lb 4", 1474.1752),
        ("3 lbs", 1360.77711), ("1480*", 1480), ("1480 (new scale)", 1480), ("1480 sealed", 1480),
    ],
)  # fmt: skip
def test_a_mass_in_any_hand(cell, mass_g):
    assert read_mass(cell).mass_g == pytest.approx(mass_g, abs=1e-3)


@pytest.mark.parametrize(
    ("cell", "reason"),
    [
        ("-", "no weight"), ("n/a", "no weight"), ("0", "above zero"), (-5, "above zero"),
        ("3-4", "several numbers"), (dt.date(2026, 3, 4), "date"), (True, "true/false"),
        ("3 lb 17 oz", "0 to 15"), ("shelf", "not a weight"), ("900 kg", "is the unit right"),
        ("#REF!", "own error"), (float("inf"), "finite"), ("1480 stone", "not a weight"),
        ("12 mm", "not a weight"),
    ],
)  # fmt: skip
def test_what_is_no_mass_says_why(cell, reason):
    mass = read_mass(cell)
    assert np.isnan(mass.mass_g)
    assert reason in mass.why


def test_the_unit_of_bare_numbers_counts_only_where_a_cell_has_none():
    assert read_mass("1.5", "kg").mass_g == 1500
    assert read_mass("52 oz", "kg").mass_g == pytest.approx(52 * 453.59237 / 16)


def test_a_sheet_with_everything_at_once(tmp_path):
    text = """Weighed in the loft, by turns;;;;;
    ;;;;;
    No.;bowl;species;9/3/26;16/3/26;30/3/26
    1;A1;ash;3 lb 4 oz;1,45 kg;1390
    2;A2;ash;1480 (sealed);;1401,5
    3;B1;elm;cracked;1512;1460
    ;;;1500;;
    ;Total;;4474;2962;4252
    weigh again in April;;;;;
    """.replace("    ", "")
    got = wl.read_sheet(sheet(tmp_path, text))
    assert as_dict(got) == {
        ("A1", "2026-03-09"): pytest.approx(1474.1752), ("A1", "2026-03-16"): 1450,
        ("A1", "2026-03-30"): 1390, ("A2", "2026-03-09"): 1480, ("A2", "2026-03-30"): 1401.5,
        ("B1", "2026-03-16"): 1512, ("B1", "2026-03-30"): 1460,
    }  # fmt: skip
    weighings = got.book.weighings.set_index(["piece", "on"])
    assert weighings.loc[("A2", "2026-03-09"), "event"] == "sealed"
    assert got.book.looks[["piece", "crack"]].values.tolist() == [["B1", "yes"]]
    assert got.book.pieces["species"].tolist() == ["ash", "ash", "elm"]
    assert "no piece is named" in why(got, "D7")
    assert "total" in why(got, "D8")
    assert "before the first line" in why(got, "A1")
    assert any("day before month" in note for note in got.notes)
    adds_up(got)


def test_dates_down_and_pieces_across(tmp_path):
    text = "Shed,,\ndate,A1 (kg),A2\n2026-03-09,1.48,1390\n2026-03-16,1.41,1310\nmean,1.4,1350\n"
    got = wl.read_sheet(sheet(tmp_path, text))
    assert as_dict(got) == {
        ("A1", "2026-03-09"): 1480, ("A1", "2026-03-16"): 1410,
        ("A2", "2026-03-09"): 1390, ("A2", "2026-03-16"): 1310,
    }  # fmt: skip
    assert "a total" in why(got, "B5")
    adds_up(got)


def test_a_column_of_turning_dates_is_not_taken_for_the_dates_of_weighing(tmp_path):
    rows = ["piece,turned_on,2026-03-09,2026-03-16"]
    rows += [f"A{i},2026-02-0{i},{1400 + i},{1300 + i}" for i in range(1, 8)]
    got = wl.read_sheet(sheet(tmp_path, "\n".join(rows)))
    assert len(got.book.weighings) == 14
    assert set(got.book.weighings["on"]) == {pd.Timestamp("2026-03-09"), pd.Timestamp("2026-03-16")}
    assert got.book.pieces["turned_on"].dt.day.tolist() == list(range(1, 8))
    adds_up(got)


def test_an_ambiguous_column_of_dates_is_an_error_that_says_how_to_settle_it(tmp_path):
    path = sheet(tmp_path, "piece,9/3/26,10/3/26\nA1,1480,1470\n")
    with pytest.raises(WoodlabError, match=r"'9/3/26' can be read as 9 March or as 3 September"):
        wl.read_sheet(path)
    day = wl.read_sheet(path, dates="day-first")
    month = wl.read_sheet(path, dates="month-first")
    assert as_dict(day) == {("A1", "2026-03-09"): 1480, ("A1", "2026-03-10"): 1470}
    assert as_dict(month) == {("A1", "2026-09-03"): 1480, ("A1", "2026-10-03"): 1470}


def test_one_proof_settles_the_whole_sheet_and_a_contradiction_is_told(tmp_path):
    got = wl.read_sheet(sheet(tmp_path, "piece,3/9/26,3/16/26\nA1,1480,1470\n"))
    assert list(got.book.weighings["on"].dt.day) == [9, 16]
    with pytest.raises(WoodlabError, match="'13/3/26'.*'3/16/26'"):
        wl.read_sheet(sheet(tmp_path, "piece,13/3/26,3/16/26\nA1,1480,1470\n"))
    with pytest.raises(WoodlabError, match="day-first does not fit the date '3/16/26'"):
        wl.read_sheet(sheet(tmp_path, "piece,3/16/26\nA1,1480\n"), dates="day-first")


def test_dates_without_a_year_want_one_and_run_over_new_year(tmp_path):
    path = sheet(tmp_path, "piece,24 Nov,8 Dec,5 Jan\nA1,1480,1470,1460\n")
    with pytest.raises(WoodlabError, match=r"'24 Nov' has no year.*year=20"):
        wl.read_sheet(path)
    got = wl.read_sheet(path, year=2025)
    assert [str(on.date()) for on in got.book.weighings["on"]] == [
        "2025-11-24",
        "2025-12-08",
        "2026-01-05",
    ]


def test_serial_numbers_and_real_dates_in_one_line(tmp_path):
    # 46090 is 2026-03-09: 20454 days from 1970-01-01 (serial 25569) by the calendar.
    assert (dt.date(2026, 3, 9) - dt.date(1970, 1, 1)).days + 25569 == 46090
    got = wl.read_sheet(
        workbook(tmp_path, [["bowl", 46090, dt.date(2026, 3, 16)], [12, 1480, 1470]])
    )
    assert as_dict(got) == {("12", "2026-03-09"): 1480, ("12", "2026-03-16"): 1470}
    assert any("1899-12-30" in note for note in got.notes)
    adds_up(got)


def test_merged_cells_and_a_second_heading(tmp_path):
    day, later = dt.date(2026, 3, 9), dt.date(2026, 3, 16)
    rows = [
        ["Loft, winter", None, None, None, None],
        ["piece", day, None, later, None],
        [None, "mass (kg)", "crack mm", "mass (kg)", "crack mm"],
        ["A1", 1.48, 0, 1.41, 12],
        [None, 1.479, None, None, None],
        ["A2", 1.39, 3, 1.33, 3],
    ]
    got = wl.read_sheet(
        workbook(tmp_path, rows, merges=["A1:E1", "B2:C2", "D2:E2", "A4:A5", "A2:A3"])
    )
    assert as_dict(got) == {
        ("A1", "2026-03-09"): 1480, ("A1", "2026-03-16"): 1410,
        ("A2", "2026-03-09"): 1390, ("A2", "2026-03-16"): 1330,
    }  # fmt: skip
    looks = got.book.looks
    assert looks[["piece", "crack_mm"]].values.tolist() == [
        ["A1", 0],
        ["A1", 12],
        ["A2", 3],
        ["A2", 3],
    ]
    assert "stands already in row 4" in why(got, "B5")
    adds_up(got)


def test_a_mark_that_stands_twice(tmp_path):
    text = "piece,2026-03-09,2026-03-16\nA1,1480,1470\nA1,990,980\nA2,1300,\nA2,,1290\n"
    got = wl.read_sheet(sheet(tmp_path, text))
    assert as_dict(got) == {
        ("A1", "2026-03-09"): 1480, ("A1", "2026-03-16"): 1470,
        ("A2", "2026-03-09"): 1300, ("A2", "2026-03-16"): 1290,
    }  # fmt: skip
    assert "'A1' stands already in row 2" in why(got, "B3")
    adds_up(got)


def test_a_second_block_of_dates_below_governs_its_own_rows(tmp_path):
    text = (
        "piece,2026-03-09,2026-03-16\nA1,1480,1470\nA2,1380,1370\n,,\n"
        "piece,2026-03-23,2026-03-30\nA1,1460,1450\nA2,1360,1350\n"
    )
    got = wl.read_sheet(sheet(tmp_path, text))
    assert as_dict(got)[("A2", "2026-03-30")] == 1350
    assert len(got.book.weighings) == 8
    adds_up(got)


def test_thousands_or_decimals_are_not_guessed(tmp_path):
    path = sheet(tmp_path, "piece;2026-03-09\nA1;1.480\nA2;1.390\n")
    with pytest.raises(WoodlabError, match=r"'1.480' in B2 can be read as 1.48 g or as 1480 g"):
        wl.read_sheet(path)
    assert as_dict(wl.read_sheet(path, decimal=","))[("A1", "2026-03-09")] == 1480
    assert (
        as_dict(wl.read_sheet(path, mass_unit="kg"))[("A1", "2026-03-09")] == 1480
    )  # 1480 kg is no bowl
    shown = sheet(tmp_path, "piece;2026-03-09\nA1;1.480\nA2;1390,5\n")
    assert as_dict(wl.read_sheet(shown)) == {
        ("A1", "2026-03-09"): 1480, ("A2", "2026-03-09"): 1390.5
    }  # fmt: skip


def test_a_day_that_is_not_in_the_calendar_is_listed(tmp_path):
    got = wl.read_sheet(sheet(tmp_path, "piece,30/2/2026,9/3/2026\nA1,1480,1470\n"))
    assert as_dict(got) == {("A1", "2026-03-09"): 1470}
    assert "no such day" in why(got, "B1")
    assert "no such day" in why(got, "B2")
    adds_up(got)


def test_sheets_that_hold_no_or_other_weighings(tmp_path):
    with pytest.raises(WoodlabError, match="No weights were found in sheet.csv"):
        wl.read_sheet(sheet(tmp_path, "piece,species\nA1,ash\n"))
    assert wl.read_sheet(sheet(tmp_path, "piece,on,mass_g\nA1,2026-03-09,1480\n")).layout == "log"
    with pytest.raises(WoodlabError, match="nothing says which bowl was weighed"):
        wl.read_sheet(sheet(tmp_path, "date,weight\n2026-03-09,1480\n2026-03-16,1470\n"))
    with pytest.raises(WoodlabError, match="There is no file"):
        wl.read_sheet(tmp_path / "none.csv")
    with pytest.raises(WoodlabError, match="mass_unit is 'stone'"):
        wl.read_sheet(tmp_path / "none.csv", mass_unit="stone")


def test_several_sheets_are_read_one_by_one_and_others_are_listed(tmp_path):
    rows = [["piece", dt.date(2026, 3, 9)], ["A1", 1480], ["A2", 1380]]
    path = workbook(tmp_path, rows, extra={"notes": [["buy wax"]]})
    got = wl.read_sheet(path)
    assert got.ledger["sheet"].iloc[-1] == "notes"
    adds_up(got)
    path = workbook(tmp_path, rows, extra={"spring": rows})
    with pytest.raises(WoodlabError, match="Several sheets of sheet.xlsx"):
        wl.read_sheet(path)
    assert len(wl.read_sheet(path, tab="spring").book.weighings) == 2
    with pytest.raises(WoodlabError, match="no filled sheet 'summer'"):
        wl.read_sheet(path, tab="summer")


def test_one_piece_and_one_date_may_run_either_way(tmp_path):
    path = sheet(tmp_path, "2026-03-09,1480\n,\n")
    with pytest.raises(WoodlabError, match="No weights"):
        wl.read_sheet(path)
    assert len(wl.read_sheet(sheet(tmp_path, "piece,2026-03-09\nA1,1480\n")).ledger) == 4


MARKS = st.text("ABCXYZäß0123456789-", min_size=1, max_size=5).filter(
    lambda mark: mark.strip("-0123456789") != "" and find_date(mark) is None
)


@st.composite
def seasons(draw):
    marks = draw(st.lists(MARKS, min_size=1, max_size=5, unique=True))
    days = draw(st.lists(st.integers(0, 700), min_size=1, max_size=6, unique=True).map(sorted))
    on = [pd.Timestamp("2025-01-05") + pd.Timedelta(days=day) for day in days]
    grams = st.one_of(st.none(), st.integers(50, 9999))
    masses = [[draw(grams) for _ in on] for _ in marks]
    masses[0][0] = draw(st.integers(50, 9999))
    return marks, on, masses


UNIT_FORMS = {
    "g": lambda m, sign: f"{m}",
    "named g": lambda m, sign: f"{m} g",
    "kg": lambda m, sign: f"{m / 1000:.3f}0 kg".replace(".", sign),
    "lb oz": lambda m, sign: (
        f"{int(m // 453.59237)} lb {(m % 453.59237) / 28.349523125:.8f} oz".replace(".", sign)
    ),
}
DATE_FORMS = {
    "iso": lambda on: str(on.date()),
    "named": lambda on: f"{on.day} {on:%B} {on.year}",
    "day/month": lambda on: f"{on.day}/{on.month}/{on.year}",
    "serial": lambda on: str((on - pd.Timestamp("1899-12-30")).days),
}


@settings(max_examples=80, deadline=None)
@given(
    season=seasons(),
    unit=st.lists(st.sampled_from(sorted(UNIT_FORMS)), min_size=3, max_size=3),
    date=st.sampled_from(sorted(DATE_FORMS)),
    separator=st.sampled_from(",;\t"),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    turned=st.booleans(),
    notes_above=st.integers(0, 2),
)
def test_what_is_written_comes_back(
    tmp_path_factory, season, unit, date, separator, encoding, turned, notes_above
):
    marks, on, masses = season
    sign = "." if separator == "," else ","
    rows = [["piece", *(DATE_FORMS[date](day) for day in on)]]
    for i, mark in enumerate(marks):
        cells = [
            "" if m is None else UNIT_FORMS[unit[(i + j) % 3]](m, sign)
            for j, m in enumerate(masses[i])
        ]
        rows.append([mark, *cells])
    if turned:
        rows = [list(row) for row in zip(*rows, strict=True)]
    rows = [["weights of the loft"]] * notes_above + rows
    path = tmp_path_factory.mktemp("wide") / "sheet.csv"
    path.write_bytes("\n".join(separator.join(row) for row in rows).encode(encoding))
    got = wl.read_sheet(path, dates="day-first", layout="dates-down" if turned else "pieces-down")
    want = {
        (mark, str(day.date())): mass
        for mark, row in zip(marks, masses, strict=True)
        for day, mass in zip(on, row, strict=True)
        if mass is not None
    }
    assert as_dict(got) == {key: pytest.approx(mass, abs=1e-4) for key, mass in want.items()}
    adds_up(got)


CELLS = st.one_of(
    st.none(), st.integers(-10, 60000), st.floats(allow_nan=False), st.booleans(),
    st.dates(dt.date(1900, 1, 1), dt.date(2100, 1, 1)), st.text(max_size=12),
    st.sampled_from(["A1", "piece", "9/3/26", "1.480", "3 lb 4 oz", "Total", "2026-03-09"]),
)  # fmt: skip


@settings(max_examples=100, deadline=None)
@given(rows=st.lists(st.lists(CELLS, max_size=5), max_size=6))
def test_any_grid_is_read_with_every_cell_accounted_for_or_told_why_not(tmp_path_factory, rows):
    path = tmp_path_factory.mktemp("any") / "sheet.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([["" if c is None else str(c) for c in row] for row in rows])
    try:
        got = wl.read_sheet(path)
    except WoodlabError as error:
        told = any(word in str(error) for word in ("Give", "Type", "Add", "cannot be read"))
        if not told:
            raise
        return
    adds_up(got)
    assert (got.book.weighings["mass_g"] > 0).all()


LOG_HEADINGS = [
    ("date", "bowl", "weight", "remark"), ("Datum", "Schale", "Gewicht", "Bemerkung"),
    ("date", "bol", "poids", "remarque"), ("WEIGHED ON", "Mark", "Mass", "Notes"),
]  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(
    season=seasons(),
    unit=st.sampled_from(sorted(UNIT_FORMS)),
    date=st.sampled_from(["iso", "named", "day/month"]),
    separator=st.sampled_from(",;\t"),
    headings=st.sampled_from(LOG_HEADINGS),
    order=st.permutations(range(4)),
    once=st.booleans(),
)
def test_a_log_comes_back_in_any_order_of_columns(
    tmp_path_factory, season, unit, date, separator, headings, order, once
):
    marks, on, masses = season
    sign = "." if separator == "," else ","
    rows, want = [list(headings)], {}
    for j, day in enumerate(on):
        first = True
        for i, mark in enumerate(marks):
            if masses[i][j] is None:
                continue
            shown = DATE_FORMS[date](day) if first or not once else ""
            rows.append([shown, mark, UNIT_FORMS[unit](masses[i][j], sign), ""])
            want[mark, str(day.date())] = masses[i][j]
            first = False
    rows = [[row[k] for k in order] for row in rows]
    path = tmp_path_factory.mktemp("log") / "log.csv"
    path.write_text("\n".join(separator.join(row) for row in rows), encoding="utf-8")
    got = wl.read_sheet(path, dates="day-first", mass_unit="g")
    assert got.layout == "log"
    assert as_dict(got) == {key: pytest.approx(mass, abs=1e-4) for key, mass in want.items()}
    adds_up(got)


def test_pounds_and_ounces_in_two_columns(tmp_path):
    text = "Date,Bowl,lb,oz,Notes\n3/1/26,1,3,4,\n3/15/26,1,3,,split\n"
    got = wl.read_sheet(sheet(tmp_path, text))
    pound = 453.59237
    assert as_dict(got) == {
        ("1", "2026-03-01"): pytest.approx(3.25 * pound), ("1", "2026-03-15"): 3 * pound,
    }  # fmt: skip
    assert got.ledger.set_index("cell").loc["D2", "use"] == "ounces"


@pytest.mark.parametrize("turned", [False, True])
def test_weights_and_cracks_in_lines_of_their_own(tmp_path, turned):
    rows = [
        ["Bowl", "what", "2026-03-01", "2026-03-08"],
        ["A1", "weight (g)", "1500", "1450"],
        ["", "crack (mm)", "0", "3"],
        ["", "remark", "", "to the attic"],
        ["A2", "weight (g)", "1600", "1540"],
        ["", "crack (mm)", "0", "0"],
    ]
    if turned:
        rows = [list(row) for row in zip(*rows, strict=True)]
    got = wl.read_sheet(sheet(tmp_path, "\n".join(",".join(row) for row in rows)))
    assert as_dict(got) == {
        ("A1", "2026-03-01"): 1500, ("A1", "2026-03-08"): 1450,
        ("A2", "2026-03-01"): 1600, ("A2", "2026-03-08"): 1540,
    }  # fmt: skip
    looks = got.book.looks[["piece", "crack_mm"]].values.tolist()
    assert looks == [["A1", 0], ["A1", 3], ["A2", 0], ["A2", 0]]
    assert got.book.weighings["note"].dropna().tolist() == ["to the attic"]
    adds_up(got)


def test_weights_and_dates_in_pairs(tmp_path):
    text = (
        "Bowl,Weight 1,Date 1,Weight 2,Date 2\n"
        "A,1500,2026-03-01,1450,2026-03-08\nB,1600,2026-03-01,1540,2026-03-09\n"
    )
    got = wl.read_sheet(sheet(tmp_path, text))
    assert as_dict(got) == {
        ("A", "2026-03-01"): 1500, ("A", "2026-03-08"): 1450,
        ("B", "2026-03-01"): 1600, ("B", "2026-03-09"): 1540,
    }  # fmt: skip
    adds_up(got)


def test_columns_of_the_air_are_no_bowls(tmp_path):
    text = "date,A,B,temp,notes\n2026-03-01,1500,1600,18,\n2026-03-08,1450,1540,17,hot\n"
    got = wl.read_sheet(sheet(tmp_path, text))
    assert set(got.book.weighings["piece"]) == {"A", "B"}
    assert why(got, "D2") == "'temp' names no bowl"
    adds_up(got)


def test_grams_that_can_be_no_bowl_are_no_reading(tmp_path):
    got = wl.read_sheet(sheet(tmp_path, "Schale;Gewicht 9.3.2026 (g);16.3.2026\nA;1.240;1.180 g\n"))
    assert as_dict(got) == {("A", "2026-03-09"): 1240, ("A", "2026-03-16"): 1180}
