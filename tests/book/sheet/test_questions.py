"""What a sheet leaves open is asked in one answer, and a second run with the options is enough."""

import itertools
import re
import sys
from pathlib import Path

import pytest

import woodlab as wl
from woodlab import app

sys.path.insert(0, str(Path(__file__).parent))

import messy  # noqa: E402

TYPED = re.compile(r'(--[a-z-]+) (?:"([^"]+)"|(\S+?))(?=,? --| or --|$)')


def either(folder):
    """A log without headings, or the columns of two bowls: layout, days, unit and wood are open."""
    rows = [f"{month}/3/26,{mark},{weight}"
            for month in (5, 9) for mark, weight in ((11, 3.48), (12, 3.2), (11, 3.1))]  # fmt: skip
    (folder / "log.csv").write_text("a,b,c\nWood,Sycamore,ash\n" + "\n".join(rows))
    return folder / "log.csv"


def wide(folder):
    """Days and weeks without a year, weights and walls without a unit, a wood of two names."""
    rows = [f"A{at};Sycamore;2.5;1.48{at};1.39{at};1.2" for at in range(1, 5)]
    (folder / "wide.csv").write_text("bowl;Holz;Wand;9/3;10/3;week 12\n" + "\n".join(rows))
    return folder / "wide.csv"


def pairs(text):
    return [(option, quoted or plain) for option, quoted, plain in TYPED.findall(text)]


def asked(text):
    """The questions of a message by option: what may be typed, and with which answers to others."""
    found = {}
    for line in re.findall(r"^\d+\. (.*)$", text, re.M):
        typed = pairs(re.search(r"\(at the command: (.*?)\)\.(?= |$)", line)[1])
        kind = re.search(r"(Only|Not) needed with (.*)\.$", line)
        with_others = (kind[1], pairs(kind[2])) if kind else ("", [])
        found[typed[0][0]] = ([value for _, value in typed], *with_others)
    return found


@pytest.mark.parametrize("build", [either, wide])
def test_every_answer_to_all_questions_makes_a_book_in_the_second_run(build, tmp_path, capsys):
    sheet = build(tmp_path)
    assert app.main(["from-sheet", str(sheet), "--out", str(tmp_path / "no")]) == 2
    questions = asked(capsys.readouterr().err)
    assert {"--dates", "--mass-unit", "--species"} < questions.keys()
    answers = itertools.product(*(values for values, _, _ in questions.values()))
    for number, values in enumerate(answers):
        chosen = dict(zip(questions, values, strict=True))
        typed = []
        for option, value in chosen.items():
            _, kind, others = questions[option]
            holds = [chosen[other] == one for other, one in others]
            if (kind == "Only" and not all(holds)) or (kind == "Not" and any(holds)):
                continue
            typed += [option, value]
        out = tmp_path / f"book_{number}"
        code = app.main(["from-sheet", str(sheet), "--out", str(out), *typed])
        assert code == 0, (typed, capsys.readouterr().err)
        assert len(wl.open_book(out).weighings)


def test_the_questions_of_a_wide_sheet(tmp_path):
    with pytest.raises(wl.WoodlabError, match="leaves 6 questions open") as caught:
        wl.read_sheet(wide(tmp_path))
    questions = asked(str(caught.value))
    assert {option: values for option, (values, _, _) in questions.items()} == {
        "--dates": ["day-first", "month-first"], "--weeks": ["calendar", "turning"],
        "--year": questions["--year"][0], "--mass-unit": ["kg", "lb"],
        "--length-unit": ["cm", "in"],
        "--species": ["Sycamore=American sycamore", "Sycamore=sycamore maple"],
    }  # fmt: skip
    made = wl.read_sheet(
        wide(tmp_path), dates="day-first", weeks="calendar", year=2026, mass_unit="kg",
        length_unit="cm", species={"sycamore": "sycamore maple"},
    )  # fmt: skip
    assert made.book.pieces["species"].unique().tolist() == ["sycamore maple"]
    assert made.book.weighings["mass_g"].tolist()[:3] == [1481, 1391, 1200]
    assert [str(on.date()) for on in made.book.weighings["on"][:3]] == [
        "2026-03-09", "2026-03-10", "2026-03-16",
    ]  # fmt: skip


def test_a_question_behind_another_is_told_with_the_answer_that_raises_it(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("bowl;2026-03-09\nA1;1.480\nA2;1.390\n")
    with pytest.raises(wl.WoodlabError) as caught:
        wl.read_sheet(path)
    questions = asked(str(caught.value))
    assert questions["--mass-unit"][1:] == ("Not", [("--decimal", ",")])
    assert questions["--decimal"][1:] == ("Not", [("--mass-unit", "kg"), ("--mass-unit", "lb")])
    with pytest.raises(wl.WoodlabError) as caught:
        wl.read_sheet(either(tmp_path))
    wood = asked(str(caught.value))["--species"]
    assert wood[1:] == ("Only", [("--layout", "dates-down")])
    path.write_text("bowl,turned,week 11,Wk. 12\nA1,2026-03-09,1480,1400\n")
    with pytest.raises(wl.WoodlabError, match="has no year.* Not needed with --weeks turning"):
        wl.read_sheet(path)


def test_a_name_of_two_woods_holds_nothing_up_and_is_asked_about(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("bowl,wood,2026-03-09\nA1,Sycamore,1480\nA2,ash,1390\n")
    made = wl.read_sheet(path)
    assert '--species "Sycamore=sycamore maple"' in made.summary()
    told = ["--species", "Sycamore=sycamore maple", "--species", "ash=white ash"]
    assert app.main(["from-sheet", str(path), "--out", str(tmp_path / "b"), *told]) == 0
    assert wl.open_book(tmp_path / "b").pieces["species"].tolist() == [
        "sycamore maple", "white ash",
    ]  # fmt: skip
    with pytest.raises(SystemExit):
        app.main(["from-sheet", str(path), "--out", str(tmp_path / "c"), "--species", "ash"])


@pytest.mark.parametrize("name", sorted(messy.SHEETS))
def test_the_messy_sheets_ask_for_all_they_need_at_once(name, tmp_path):
    build, file, _, told = messy.SHEETS[name]
    build(tmp_path / file)
    if not told:
        wl.read_sheet(tmp_path / file)
        return
    with pytest.raises(wl.WoodlabError) as caught:
        wl.read_sheet(tmp_path / file)
    assert all(f"--{option.replace('_', '-')}" in str(caught.value) for option in told)


def test_a_fault_that_no_option_settles_is_listed_with_the_questions(tmp_path):
    path = tmp_path / "s.csv"
    path.write_text("bowl,wall,13/3/26,3/16/26\nA1,2.5,3.4,3.2\nA2,2.2,3.3,3.1\n")
    with pytest.raises(wl.WoodlabError, match="s.csv leaves 3 points open") as caught:
        wl.read_sheet(path)
    assert "'13/3/26'), some the month" in str(caught.value)
    assert {"--mass-unit kg", "--length-unit cm"} <= set(
        re.findall("--[a-z-]+ [a-z]+", str(caught.value))
    )
    path.write_text("date,weight\n9/3/26,3.4\n10/3/26,3.3\n")
    with pytest.raises(wl.WoodlabError, match="(?s)which bowl was weighed.*--dates.*--mass-unit"):
        wl.read_sheet(path)


def test_each_sheet_of_a_workbook_is_told_with_its_own_questions(tmp_path):
    import openpyxl

    book = openpyxl.Workbook()
    rows = {"spring": [["bowl", "9/3/26"], ["A1", 1480]],
            "autumn": [["bowl", "KW 3"], ["B1", 1400]]}  # fmt: skip
    for name, cells in rows.items():
        sheet = book.create_sheet(name)
        for row in cells:
            sheet.append(row)
    book.save(tmp_path / "two.xlsx")
    with pytest.raises(wl.WoodlabError) as caught:
        wl.read_sheet(tmp_path / "two.xlsx")
    questions = asked(str(caught.value))
    assert questions["--tab"][0] == ["spring", "autumn"]
    assert questions["--dates"][1:] == ("Not", [("--tab", "autumn")])
    assert questions["--year"][1:] == ("Only", [("--tab", "autumn")])
    assert len(wl.read_sheet(tmp_path / "two.xlsx", tab="autumn", year=2026).book.weighings) == 1
