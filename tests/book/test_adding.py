"""Adding rows: checked on the way in, nothing lost, whatever happens in the middle."""

import os
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook

import woodlab as wl
from woodlab import safe_write
from woodlab.book.writing.adding import add_looks, add_weighings
from woodlab.book.writing.as_csv import Change, changed_csv
from woodlab.errors import RecordError, WoodlabError

PIECES = (
    "piece,species,turned_on,wall_mm,seal,rim_mm\n"
    "A1,white ash,2026-03-01,22,none,240\nA2,white ash,2026-03-01,30,wax,240\n"
)
WEIGHINGS = "piece,on,mass_g\nA1,2026-03-01,1480\nA2,2026-03-01,1900\nA1,2026-03-08,1400\n"


@pytest.fixture
def folder(tmp_path):
    path = tmp_path / "book"
    path.mkdir()
    (path / "pieces.csv").write_text(PIECES)
    (path / "weighings.csv").write_text(WEIGHINGS)
    (path / "plan.txt").write_text("not ours")
    return path


@pytest.fixture
def workbook(folder, tmp_path):
    path = tmp_path / "book.xlsx"
    wl.open_book(folder).save(path)
    return path


def masses(path, piece="A1"):
    weighings = wl.open_book(path).weighings
    return weighings.loc[weighings["piece"] == piece, "mass_g"].tolist()


@pytest.mark.parametrize("kind", ["folder", "workbook"])
def test_rows_come_below_and_all_else_stays(kind, request):
    path = request.getfixturevalue(kind)
    before = wl.open_book(path)
    rows = [
        {"piece": "A1", "on": "2026-03-15", "mass_g": 1350, "event": "glued", "note": "=50 %, <b>"},
        {"piece": "A2", "on": "2026-03-15 14:30", "mass_g": 1800.5},
    ]
    added = add_weighings(path, rows)
    assert added["mass_g"].tolist() == [1350, 1800.5]
    after = wl.open_book(path)
    assert len(after.weighings) == 5
    pd.testing.assert_frame_equal(after.weighings.iloc[:3], before.weighings, check_dtype=False)
    last = after.weighings.iloc[3:].reset_index(drop=True)
    assert last["on"].tolist() == [pd.Timestamp("2026-03-15"), pd.Timestamp("2026-03-15 14:30")]
    assert last["event"].tolist()[0] == "glued"
    assert last["note"].tolist()[0] == "=50 %, <b>"
    pd.testing.assert_frame_equal(after.pieces, before.pieces)
    if kind == "folder":
        assert (path / "plan.txt").read_text() == "not ours"
        assert not [p.name for p in path.iterdir() if p.name.startswith(".weighings")]


@pytest.mark.parametrize("kind", ["folder", "workbook"])
def test_a_first_look_makes_the_table(kind, request):
    path = request.getfixturevalue(kind)
    add_looks(path, pd.DataFrame({"piece": ["A1"], "on": ["2026-03-10"], "crack_mm": [0]}))
    add_looks(path, [{"piece": "A2", "on": "2026-03-10", "crack_mm": 12, "action": "glued"}])
    looks = wl.open_book(path).looks
    assert looks["crack_mm"].tolist() == [0, 12]
    assert looks["action"].tolist() == ["none", "glued"]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"piece": "A1b", "on": "2026-03-15", "mass_g": 1350}, "row 2.*no such piece.*Is it .A1"),
        ({"piece": "A1", "on": "2026-03-15", "mass_g": 13500}, "1400 then 13500.*ten times|ten t"),
        ({"piece": "A1", "on": "2026-03-15", "mass_g": 1600}, "heavier than the weighing before"),
        ({"piece": "A1", "on": "2026-03-15", "mass_g": 600}, "less than half"),
        ({"piece": "A1", "on": "2026-03-08", "mass_g": 1400}, "the same weight stands twice"),
        ({"piece": "A1", "on": "2026-02-15", "mass_g": 1490}, "before the piece was turned"),
        ({"piece": "A1", "on": "2028-03-15", "mass_g": 1350}, "more than 400 days"),
    ],
)
def test_slips_are_told_and_nothing_is_written(folder, row, said):
    before = (folder / "weighings.csv").read_bytes()
    with pytest.raises(RecordError, match=f"(?s){said}"):
        add_weighings(folder, [row])
    assert (folder / "weighings.csv").read_bytes() == before


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"piece": "A1", "on": "15/3/26", "mass_g": 1350}, "column on: not a date"),
        ({"piece": "A1", "on": "2026-03-15", "mass_g": -3}, "must be above 0"),
        ({"piece": "A1", "on": "2026-03-15"}, "the column is missing"),
        ({"piece": "A1", "on": "2026-03-15", "mass_g": 1, "moist": 3}, "moist: is no column"),
        ({"piece": "A9", "on": "2026-03-15", "mass_g": 9}, "no such piece"),
    ],
)
def test_faults_are_refused_even_when_sure(folder, row, said):
    with pytest.raises(RecordError, match=said):
        add_weighings(folder, [row], sure=True)
    assert (folder / "weighings.csv").read_text() == WEIGHINGS


def test_a_table_of_headings_alone_takes_its_first_row(folder):
    (folder / "weighings.csv").write_text("piece,shelf,on,mass_kg\n")
    add_weighings(folder, [{"piece": "A1", "on": "2026-03-15", "mass_g": 1350}])
    assert masses(folder) == [1350]
    add_weighings(folder, [{"piece": "A1", "on": "2026-03-16", "mass_g": 1340, "shelf": "top"}])
    assert wl.open_book(folder).weighings["shelf"].fillna("").tolist() == ["", "top"]


def test_one_row_is_taken_where_a_list_is(folder):
    add_weighings(folder, {"piece": "A1", "on": "2026-03-15", "mass_g": 1350})
    assert masses(folder) == [1480, 1400, 1350]


def test_sure_takes_what_looks_like_a_slip(folder):
    row = {"piece": "A1", "on": "2026-03-15", "mass_g": 600}
    add_weighings(folder, [row], sure=True)
    assert masses(folder) == [1480, 1400, 600]


def test_a_small_gain_in_damp_air_is_no_slip(folder):
    add_weighings(folder, [{"piece": "A1", "on": "2026-03-15", "mass_g": 1440}])
    assert masses(folder) == [1480, 1400, 1440]


def test_a_weighing_typed_late_is_seen_against_the_next_one_too(folder):
    row = {"piece": "A2", "on": "2026-02-28", "mass_g": 19000}
    with pytest.raises(RecordError, match="the weighing after it: ten times"):
        add_weighings(folder, [row])


def test_odd_looks_are_told(folder):
    add_looks(folder, [{"piece": "A1", "on": "2026-03-10", "crack_mm": 0}])
    with pytest.raises(RecordError, match="looked at already"):
        add_looks(folder, [{"piece": "A1", "on": "2026-03-10", "crack_mm": 0}])
    with pytest.raises(RecordError, match="longer than the rim"):
        add_looks(folder, [{"piece": "A1", "on": "2026-03-11", "crack_mm": 900}])


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize(("separator", "newline"), [(",", "\n"), (";", "\r\n"), ("\t", "\n")])
def test_a_file_keeps_its_own_hand(folder, encoding, separator, newline):
    sign = "." if separator == "," else ","
    lines = ["on;Mass (lb);piece;shelf", f"2026-03-01;3{sign}25;A1;höher", "2026-03-01;4;A2;"]
    text = newline.join(lines).replace(";", separator)
    (folder / "weighings.csv").write_bytes(text.encode(encoding))
    add_weighings(folder, [{"piece": "A1", "on": "2026-03-08", "mass_g": 1400}])
    got = (folder / "weighings.csv").read_bytes().decode(encoding)
    assert got.startswith(text + newline + separator.join(["2026-03-08", f"3{sign}0864"]))
    weighings = wl.open_book(folder).weighings
    assert weighings["mass_g"].iloc[-1] == pytest.approx(1400, abs=1e-6)
    assert weighings["shelf"].iloc[0] == "höher"


def test_a_name_that_the_old_encoding_lacks_changes_the_encoding_and_nothing_else():
    new = pd.DataFrame({"piece": ["Ω1"], "on": pd.to_datetime(["2026-03-08"]), "mass_g": [3.0]})
    old = "piece,on,mass_g\nä,2026-03-01,4\n".encode("cp1252")
    data = changed_csv(old, "weighings", Change(below=new))
    assert data.decode("utf-8-sig").endswith("ä,2026-03-01,4\nΩ1,2026-03-08,3.0\n")


def test_a_workbook_that_could_not_stay_whole_is_left_alone(workbook):
    book = load_workbook(workbook)
    book["pieces"]["J2"] = "=1+1"
    book.save(workbook)
    before = workbook.read_bytes()
    with pytest.raises(WoodlabError, match="formula in pieces!J2"):
        add_weighings(workbook, [{"piece": "A1", "on": "2026-03-15", "mass_g": 1350}])
    assert workbook.read_bytes() == before


def test_a_workbook_keeps_its_lists_checks_and_other_sheets(tmp_path, folder):
    path = wl.blank_book(tmp_path / "b.xlsx", pieces=wl.open_book(folder).pieces)
    checks = len(load_workbook(path)["weighings"].data_validations.dataValidation)
    add_weighings(path, [{"piece": "A1", "on": "2026-03-01", "mass_g": 1480}])
    after = load_workbook(path)
    assert len(after["weighings"].data_validations.dataValidation) == checks > 0
    assert after["weighings"].max_row == 2
    assert {"how to", "lists"} <= set(after.sheetnames)


def test_other_kinds_of_workbook_are_refused_with_a_way_out(tmp_path):
    book = Workbook()
    book.save(tmp_path / "b.xlsm")
    with pytest.raises(WoodlabError, match="has no table|neither|not to"):
        add_weighings(tmp_path / "b.xlsm", [{"piece": "A1", "on": "2026-03-15", "mass_g": 1}])
    with pytest.raises(WoodlabError, match="There is no record book"):
        add_weighings(tmp_path / "none", [{"piece": "A1", "on": "2026-03-15", "mass_g": 1}])
    with pytest.raises(WoodlabError, match="no rows to add"):
        add_weighings(tmp_path, [])


@pytest.mark.parametrize("kind", ["folder", "workbook"])
@pytest.mark.parametrize("step", ["write", "fsync", "replace"])
def test_a_stop_in_the_middle_loses_nothing(kind, step, request, monkeypatch):
    path = request.getfixturevalue(kind)
    before = wl.open_book(path).weighings
    target = {"write": "fsync", "fsync": "fsync", "replace": "replace"}[step]

    def stopped(*args, **kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(safe_write.os, target, stopped)
    with pytest.raises(WoodlabError, match="cannot be written"):
        add_weighings(path, [{"piece": "A1", "on": "2026-03-15", "mass_g": 1350}])
    monkeypatch.undo()
    pd.testing.assert_frame_equal(wl.open_book(path).weighings, before)
    add_weighings(path, [{"piece": "A1", "on": "2026-03-15", "mass_g": 1350}])
    assert len(wl.open_book(path).weighings) == 4


def test_a_process_killed_at_the_swap_leaves_the_old_book(folder):
    code = (
        "import os, signal, sys, woodlab as wl\n"
        "import os\n"
        "os.replace = lambda *a: os.kill(os.getpid(), signal.SIGKILL)\n"
        "wl.add_weighings(sys.argv[1], [dict(piece='A1', on='2026-03-15', mass_g=1350)])\n"
    )
    done = subprocess.run([sys.executable, "-c", code, folder], capture_output=True)
    assert done.returncode == -9
    assert (folder / "weighings.csv").read_text() == WEIGHINGS
    add_weighings(folder, [{"piece": "A1", "on": "2026-03-15", "mass_g": 1350}])
    assert masses(folder) == [1480, 1400, 1350]


@pytest.mark.parametrize("kind", ["folder", "workbook"])
def test_two_writers_at_once_lose_no_row(kind, request):
    path = request.getfixturevalue(kind)
    code = (
        "import sys, pandas as pd, woodlab as wl\n"
        "first = int(sys.argv[2])\n"
        "for i in range(first, first + 6, 2):\n"
        "    on = pd.Timestamp('2026-04-01') + pd.Timedelta(days=i)\n"
        "    wl.add_weighings(sys.argv[1], [dict(piece='A2', on=on, mass_g=1800 - i)])\n"
    )
    env = {**os.environ, "PYTHONPATH": str(Path(wl.__file__).parents[1])}
    writers = [
        subprocess.Popen([sys.executable, "-c", code, str(path), str(first)], env=env)
        for first in (0, 1)
    ]
    assert [writer.wait(timeout=120) for writer in writers] == [0, 0]
    assert sorted(masses(path, "A2")[1:], reverse=True) == [1800.0 - i for i in range(6)]


NOTES = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=12)


@settings(max_examples=15, deadline=None)
@given(
    grams=st.lists(st.floats(0.1, 99999).map(lambda v: round(v, 3)), min_size=1, max_size=4),
    notes=st.lists(NOTES, min_size=4, max_size=4),
    separator=st.sampled_from(",;\t"),
    unit=st.sampled_from(["g", "kg", "oz", "lb"]),
)
def test_appended_rows_read_back(tmp_path_factory, grams, notes, separator, unit):
    path = tmp_path_factory.mktemp("book")
    (path / "pieces.csv").write_text(PIECES)
    head = ["piece", "on", f"mass_{unit}"]
    (path / "weighings.csv").write_text(separator.join(head) + "\n")
    rows = [
        {"piece": "A1", "on": f"2026-03-{2 + i:02}", "mass_g": m, "note": notes[i]}
        for i, m in enumerate(grams)
    ]
    add_weighings(path, rows, sure=True)
    got = wl.open_book(path).weighings
    assert got["mass_g"].tolist() == pytest.approx(grams, rel=1e-6, abs=1e-5)
    wanted = [note.strip() or None for note in notes[: len(grams)]]
    assert [note if isinstance(note, str) else None for note in got["note"]] == wanted


def test_pounds_are_written_as_people_write_them(tmp_path):
    (tmp_path / "pieces.csv").write_text("piece,species,turned_on\n1,ash,2026-01-10\n")
    (tmp_path / "weighings.csv").write_text("piece,on,mass_lb\n1,2026-01-10,3.6\n")
    ours = 3 * 453.59237 + 3.6 * 28.349523125  # 3 lb 3.6 oz
    wl.add_weighings(tmp_path, {"piece": "1", "on": "2026-01-24", "mass_g": ours})
    assert (tmp_path / "weighings.csv").read_text().splitlines()[-1] == "1,2026-01-24,3.225"
    assert wl.open_book(tmp_path).weighings["mass_g"].iloc[-1] == pytest.approx(ours)


def test_a_book_in_place_of_its_path_is_told(tmp_path):
    pieces = pd.DataFrame(
        {"piece": ["A1"], "species": ["ash"], "seal": ["none"], "turned_on": ["2026-03-01"],
         "wall_mm": [22]}
    )  # fmt: skip
    weighings = pd.DataFrame({"piece": ["A1"], "on": ["2026-03-01"], "mass_g": [1480]})
    book = wl.RecordBook.from_frames(pieces=pieces, weighings=weighings)
    with pytest.raises(WoodlabError, match="Give its path"):
        wl.add_weighings(book, [{"piece": "A1", "on": "2026-03-08", "mass_g": 1400}])
