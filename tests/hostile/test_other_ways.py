# ruff: noqa: E501 - rows of cases are easier to compare in one line
"""Wide sheets, rows to add and the command line under hostile input."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import woodlab as wl
from woodlab import app

sys.path.insert(0, str(Path(__file__).parent))

import cases  # noqa: E402

WIDE = [
    ["piece", "2026-03-01", "2026-03-08", "2026-03-15"],
    ["A1", "1480", "1400.5", "1350"],
    ["A2", "1500", "1460", ""],
    ["A3", "1210", "cracked", "1100"],
]


def read_or_refused(path: Path) -> str:
    try:
        made = wl.read_sheet(path)
    except wl.WoodlabError as error:
        assert len(str(error)) > 20  # noqa: PT017
        return "fault"
    assert not made.ledger.duplicated(["sheet", "cell"]).any()
    assert ((made.ledger["use"] == "not used") == (made.ledger["why"] != "")).all()
    assert (made.ledger["use"] == "weight").sum() == len(made.book.weighings)
    return "answer"


def test_fuzzed_wide_sheets_give_an_answer_or_a_fault(tmp_path):
    found = []
    for seed in range(60):
        rng = random.Random(seed)
        path = tmp_path / f"wide{seed}.csv"
        path.write_bytes(cases.mutated(cases.csv_bytes(WIDE), rng))
        found.append(read_or_refused(path))
    for seed in range(30):
        path = tmp_path / f"wide{seed}.xlsx"
        path.write_bytes(cases._mutated_parts(cases.xlsx_bytes({"s": WIDE}), random.Random(seed)))
        found.append(read_or_refused(path))
    assert {"answer", "fault"} == set(found)


@pytest.mark.parametrize(
    "name",
    [
        "a cell at the far corner",
        "a cell beyond the far corner",
        "a reference of 60 digits",
        "a row that stands a billion times",
        "a cell that stands a billion times",
        "a bomb that states too small a size",
        "a bomb that states a size of 4 GB",
    ],
)
def test_wide_workbooks_that_claim_too_much_are_refused(tmp_path, name):
    _, ending, data = cases.workbook_cases()[name]
    path = tmp_path / f"wide{ending}"
    path.write_bytes(data)
    assert read_or_refused(path) == "fault"


def test_fuzzed_rows_are_added_whole_or_not_at_all(tmp_path, capsys):
    book = cases.write_folder(tmp_path / "book", cases.folder_of())
    new = [["piece", "on", "mass_g"], ["A1", "2026-03-15", "1390"], ["A2", "2026-03-16", "1450"]]
    outcomes = set()
    for seed in range(40):
        cases.write_folder(book, cases.folder_of())
        file = tmp_path / "new.csv"
        file.write_bytes(cases.mutated(cases.csv_bytes(new), random.Random(seed)))
        code = app.main(["add", str(book), "weighings", str(file)])
        said = capsys.readouterr()
        outcomes.add(code)
        weighings = wl.open_book(book).weighings
        if code == 0:
            assert len(weighings) == 4 + int(said.out.split()[0])
        else:
            assert code == 2, said.err
            assert said.err.strip()
            assert len(weighings) == 4
        assert "Traceback" not in said.err + said.out
        assert "no fault of yours" not in said.err, said.err
    assert outcomes == {0, 2}


WORD = st.sampled_from(
    ["check", "season", "round", "blank", "add", "demo", "weighings", "--out", "--on", "--as-of",
     "book", "nothing", "../x", "", "-", "--", "\x00", "é", "2026-03-01", "9999-99-99", "--seed", "x"]
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(words=st.lists(WORD, max_size=5))
def test_no_command_line_ends_in_a_traceback(tmp_path_factory, words):
    folder = tmp_path_factory.mktemp("commands")
    if words[:1] in (["season"], ["round"], ["demo"]):
        words = [*words, "--no-such-option"]  # their work is tested elsewhere; here their parsing
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        cases.write_folder(folder / "book", cases.folder_of())
        try:
            code = app.main(words)
        except SystemExit as refused:  # argparse's own way to say it
            code = refused.code
        assert code in (0, 1, 2)
        strays = set(folder.parent.iterdir())
        assert not any(path.name == "x" for path in strays)


@pytest.mark.parametrize("command", ["check", "round"])
@pytest.mark.parametrize("name", ["no piece", "one piece, one weighing", "time going backwards",
                                  "piece name 0: '../../x'", "a 10,000-character note"])  # fmt: skip
def test_odd_but_legal_books_through_the_commands(tmp_path, capsys, command, name):
    book = cases.write_folder(tmp_path / "book", cases.csv_cases()[name][1])
    more = ["--on", "2026-04-01"] if command == "round" else []
    assert app.main([command, str(book), *more]) in (0, 2)
    said = capsys.readouterr()
    assert "no fault of yours" not in said.err, said.err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["book"]


CELLS = st.one_of(
    st.none(), st.text(max_size=6), st.floats(), st.integers(), st.booleans(), st.dates(),
    st.datetimes(), st.complex_numbers(), st.lists(st.integers(), max_size=2), st.binary(max_size=3),
    st.just(pd.NaT), st.just(pd.NA), st.decimals(), st.timedeltas(),
)  # fmt: skip


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(CELLS, CELLS, CELLS, CELLS), max_size=5))
def test_frames_of_anything_give_a_book_or_a_fault(rows):
    weighings = pd.DataFrame(rows, columns=["piece", "on", "mass_g", "shelf"], dtype=object)
    pieces = pd.DataFrame(
        {"piece": ["A1"], "species": ["oak"], "turned_on": ["2026-03-01"], "wall_mm": [25],
         "seal": ["none"]}
    )  # fmt: skip
    book = wl.RecordBook.from_frames(pieces=pieces, weighings=weighings, set_aside=True)
    counts = book.counts.set_index("table")
    assert (counts["rows_in"] == counts["rows_kept"] + counts["rows_set_aside"]).all()
    assert counts.at["weighings", "rows_in"] == len(rows)
    assert len(book.set_aside) == counts["rows_set_aside"].sum()
