"""Workbooks with a tab a bowl, and sheets with week numbers in place of dates."""

import datetime as dt

import pytest
from openpyxl import Workbook

import woodlab as wl
from woodlab import app
from woodlab.errors import WoodlabError


def tabs(tmp_path, **pages):
    book = Workbook()
    book.remove(book.active)
    for name, rows in pages.items():
        page = book.create_sheet(name)
        for row in rows:
            page.append(row)
    book.save(tmp_path / "tabs.xlsx")
    return tmp_path / "tabs.xlsx"


def weights(made):
    rows = made.book.weighings[["piece", "on", "mass_g"]].to_numpy()
    return {(piece, str(on.date())): mass for piece, on, mass in rows}


FIRST, SECOND = dt.date(2026, 3, 9), dt.date(2026, 3, 16)


def test_a_tab_a_bowl_with_what_is_known_of_it_above(tmp_path):
    head = [[], ["Datum", "Gewicht (g)", "Bemerkung"]]
    path = tabs(
        tmp_path,
        A1=[["Holz", "Esche"], ["gedreht", FIRST], ["Wand (cm)", 2.5], *head,
            [FIRST, 1480], [SECOND, 1400, "Riss am Rand"]],
        A2=[["Holz", "Eiche"], ["Wand (mm)", 30], *head, [SECOND, 1600]],
        Plan=[["Wachs kaufen"]],
    )  # fmt: skip
    made = wl.read_sheet(path)
    assert weights(made) == {("A1", "2026-03-09"): 1480, ("A1", "2026-03-16"): 1400,
                             ("A2", "2026-03-16"): 1600}  # fmt: skip
    assert made.book.pieces["species"].tolist() == ["Esche", "Eiche"]
    assert made.book.pieces["wall_mm"].tolist() == [25, 30]
    assert made.book.looks[["piece", "where"]].values.tolist() == [["A1", "rim"]]
    ledger = made.ledger.set_index(["sheet", "cell"])
    assert len(ledger) == len(made.ledger) == 24
    assert not ledger.index.duplicated().any()
    assert ledger.loc[("A2", "B5"), ["use", "piece"]].tolist() == ["weight", "A2"]
    assert ledger.loc[("Plan", "A1"), "why"] == "stands in another sheet"
    assert "2 sheets hold days and weights of one bowl each" in made.why


def test_tabs_of_bare_days_and_weights(tmp_path):
    path = tabs(tmp_path, A1=[[FIRST, 1480], [SECOND, 1400]], A2=[[FIRST, 1600]])
    assert weights(wl.read_sheet(path))["A2", "2026-03-09"] == 1600


def test_a_tab_a_bowl_beside_a_sheet_of_all_is_asked_about(tmp_path):
    one = [["date", "weight"], [FIRST, 1480]]
    path = tabs(tmp_path, A1=one, A2=one, all=[["bowl", FIRST, SECOND], ["A1", 1480, 1400]])
    assert wl.read_sheet(path, tab="all").layout == "pieces-down"
    with pytest.raises(WoodlabError):
        wl.read_sheet(path)


WEEKS = "bowl,turned,{},{},{}\nA1,2026-03-09,1480,1400,1300\nA2,2026-03-12,1580,1500,1450\n"


def sheet(tmp_path, text):
    (tmp_path / "weeks.csv").write_text(text, encoding="utf-8")
    return tmp_path / "weeks.csv"


def test_weeks_that_can_be_read_two_ways_are_asked_about(tmp_path):
    path = sheet(tmp_path, WEEKS.format("week 11 (g)", "Wk. 12", "Gewicht Woche 14"))
    with pytest.raises(WoodlabError, match="counted from the day of turning.*--weeks calendar"):
        wl.read_sheet(path)
    made = wl.read_sheet(path, weeks="turning")
    assert ("A2", "2026-05-28") in weights(made)  # eleven weeks after 12 March
    with pytest.raises(WoodlabError, match="has no year"):
        wl.read_sheet(path, weeks="calendar")
    made = wl.read_sheet(path, weeks="calendar", year=2026)
    days = [str(dt.date.fromisocalendar(2026, week, 1)) for week in (11, 12, 14)]
    assert [day for mark, day in weights(made) if mark == "A1"] == days
    assert (
        app.main(["from-sheet", str(path), "--out", str(tmp_path / "b"), "--weeks", "turning"]) == 0
    )


def test_a_week_zero_counts_from_turning_and_kw_is_the_calendar(tmp_path):
    made = wl.read_sheet(sheet(tmp_path, WEEKS.format("week 0", "week 1", "week 3")))
    assert weights(made)["A2", "2026-03-19"] == 1500
    over = WEEKS.format("KW 51", "KW 52", "KW 2").replace("2026-03", "2025-12")
    made = wl.read_sheet(sheet(tmp_path, over), year=2025)
    assert weights(made)["A1", "2026-01-05"] == 1300
    with pytest.raises(WoodlabError, match="does not fit 'KW 51'"):
        wl.read_sheet(sheet(tmp_path, over), year=2025, weeks="turning")


@pytest.mark.parametrize(
    "text",
    ["week,A1,A2\n0,1480,1500\n1,1400,1450\nturned,2026-03-01,2026-03-02\n",
     "Woche;Schale;Gewicht;gedreht\n0;A1;1480;2026-03-01\n1;A1;1400;\n0;A2;1500;2026-03-02\n"
     "1;A2;1450;\n"],
)  # fmt: skip
def test_numbers_under_a_heading_of_weeks(tmp_path, text):
    assert weights(wl.read_sheet(sheet(tmp_path, text))) == {
        ("A1", "2026-03-01"): 1480, ("A1", "2026-03-08"): 1400,
        ("A2", "2026-03-02"): 1500, ("A2", "2026-03-09"): 1450,
    }  # fmt: skip


def test_dates_beside_weeks_count_and_a_piece_without_its_turning_is_told(tmp_path):
    text = "week,date,bowl,weight\n1,2026-03-09,A1,1480\n2,2026-03-16,A1,1400\n"
    assert ("A1", "2026-03-16") in weights(wl.read_sheet(sheet(tmp_path, text)))
    made = wl.read_sheet(
        sheet(tmp_path, WEEKS.format("Wk 0", "Wk 1", "Wk 2").replace("2026-03-12", ""))
    )
    assert set(made.book.weighings["piece"]) == {"A1"}
    assert "counted from turning" in made.ledger.set_index("cell").loc["C3", "why"]
