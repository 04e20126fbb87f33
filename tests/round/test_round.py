"""The round: out as a sheet or a page, filled in, and back into the book whole or not at all."""

import csv
import io
import json
import math
import shutil
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import load_workbook

import woodlab as wl
from woodlab.app import main
from woodlab.drying.forecast.cracks import ended
from woodlab.errors import RecordError, WoodlabError
from woodlab.round import taking
from woodlab.round.core import SLIPS, Band, grams_of, questions, round_of, weight_text
from woodlab.round.sheets import page, write_round
from woodlab.round.taking import add_round, ledger
from woodlab.words import Units

from .conftest import EVIL, MARKS, inside


def filled(tour, path, cells, *, looked="yes", unit="g"):
    """A round.xlsx with cells typed: {mark: {heading: value}}."""
    write_round(tour, path, unit=unit)
    workbook = load_workbook(path)
    sheet = workbook["round"]
    at = {cell.value: cell.column for cell in sheet[4] if cell.value}
    sheet.cell(2, at["crack"], looked)
    rows = {sheet.cell(r, 1).value: r for r in range(5, 5 + len(tour))}
    spare = 5 + len(tour)
    for mark, values in cells.items():
        row = rows.get(mark)
        if row is None:
            row, spare = spare, spare + 1
            sheet.cell(row, 1, mark)
        for head, value in values.items():
            sheet.cell(row, at[head], value)
    workbook.save(path)
    return path


def state(path):
    files = [path] if path.is_file() else sorted(f for f in path.iterdir() if f.name[0] != ".")
    return {file.name: file.read_bytes() for file in files}


@pytest.mark.parametrize("kind", ["folder", "workbook"])
def test_every_weight_comes_back_as_typed(tour, book, folder, tmp_path, kind):
    path = folder
    if kind == "workbook":
        path = tmp_path / "season.xlsx"
        book.save(path)
    weights = inside(tour)
    cells = {mark: {"today g": grams} for mark, grams in weights.items()}
    cells["B1"] |= {"crack": "still"}
    new = add_round(path, filled(tour, tmp_path / "round.xlsx", cells))
    after = wl.open_book(path)
    added = after.weighings[after.weighings["on"] == "2026-03-22"]
    assert dict(zip(added["piece"], added["mass_g"], strict=True)) == weights
    seen = after.looks[after.looks["on"] == "2026-03-22"].set_index("piece")
    assert set(seen.index) == set(MARKS)
    assert seen["crack"].astype(str).to_dict() == {m: "yes" if m == "B1" else "no" for m in MARKS}
    assert np.isnan(seen.loc["B1", "crack_mm"])  # seen, length not measured
    assert len(after.weighings) == len(book.weighings) + 9
    assert "nine weights, nine looks" in new.summary()
    before = state(path)
    with pytest.raises(WoodlabError, match="taken into this book already"):
        add_round(path, tmp_path / "round.xlsx")
    assert state(path) == before
    assert [row["round_id"] for row in ledger(path)] == [new.id]


def test_what_is_refused_leaves_every_byte(tour, folder, tmp_path):
    good = inside(tour)
    before = state(folder)
    cases = {
        "no piece 'A9' in the book; is it A1 or A2": {"A9": {"today g": 900}},
        "no weight": {"A1": {"today g": "heavy"}},
        "'split' is unknown here. Type one of: none, still, new": {"A1": {"crack": "split"}},
        "the crack column says": {"A1": {"today g": good["A1"], "crack mm": 5, "crack": "none"}},
        "the book knows of none": {"A1": {"crack": "still"}},
        "say of its crack too": {"B1": {"today g": good["B1"], "done": "glued"}},
        "nothing in this round": {},
        "A slip of the decimal point": {"A1": {"today g": good["A1"] / 10}},
        "each fits the other": {"A1": {"today g": good["B2"]}, "B2": {"today g": good["A1"]}},
        "no weight and no look": {"A1": {"remark": "pretty"}},
    }
    for said, cells in cases.items():
        file = filled(tour, tmp_path / "round.xlsx", cells, looked="no")
        with pytest.raises(WoodlabError, match=said):
            add_round(folder, file)
        assert state(folder) == before, said
    # refused by the looks, after the weights went into the trial copy
    file = filled(tour, tmp_path / "round.xlsx", {
        "A1": {"today g": good["A1"], "crack": "new", "crack mm": 1999}})  # fmt: skip
    with pytest.raises(RecordError, match="longer than the rim"):
        add_round(folder, file)
    assert state(folder) == before


def test_swaps_and_slips_are_mended_when_asked_to(tour, folder, tmp_path):
    good = inside(tour)
    file = filled(tour, tmp_path / "round.xlsx", {
        "A1": {"today g": good["B2"]}, "B2": {"today g": good["A1"]},
        "A2": {"today g": good["A2"] / 10},
    })  # fmt: skip
    add_round(folder, file, odd="mend")
    after = wl.open_book(folder).weighings
    got = after[after["on"] == "2026-03-22"].set_index("piece")["mass_g"]
    assert got.to_dict() == pytest.approx({m: good[m] for m in ("A1", "B2", "A2")})


def test_ends_go_into_pieces_and_the_bowl_leaves_the_round(tour, book, folder, tmp_path):
    cells = {"A1": {"done": "finished", "today g": inside(tour)["A1"]},
             "01": {"done": "given away"}, "=SUM(1)": {"done": "scrapped"}}  # fmt: skip
    for path in (folder, tmp_path / "season.xlsx"):
        if path.suffix:
            book.save(path)
        add_round(path, filled(tour, tmp_path / "round.xlsx", cells))
        after = wl.open_book(path)
        assert ended(after.pieces, after.looks)["outcome"].astype(str).to_dict() == {
            "A1": "finished", "01": "given away", "=SUM(1)": "scrapped"}  # fmt: skip
        kept = [name for name in book.pieces if name not in ("ended_on", "outcome")]
        pd.testing.assert_frame_equal(after.pieces[kept], book.pieces[kept])
        fits = wl.fit_drying(after, law="exponential", draws=20)
        assert not {"A1", "01", "=SUM(1)"} & set(wl.shop_round(fits, on="2026-03-29")["piece"])


def both_kinds(book, folder, tmp_path):
    book.save(tmp_path / "season.xlsx")
    return folder, tmp_path / "season.xlsx"


def test_two_people_take_a_part_each_and_no_bowl_goes_in_twice(tour, book, folder, tmp_path):
    good = inside(tour)

    def part(name, marks, who):
        cells = {mark: {"today g": good[mark]} for mark in marks}
        path = filled(tour, tmp_path / name, cells, looked="no")
        workbook = load_workbook(path)
        sheet = workbook["round"]
        sheet.cell(2, next(c.column for c in sheet[4] if c.value == "remark"), who)
        workbook.save(path)
        return path

    one = part("one.xlsx", ["A1", "A2"], "Odrin (invented)")
    other = part("other.xlsx", ["B2", "01", "=SUM(1)"], "Tamsel (invented)")
    mixed = part("mixed.xlsx", ["1.10", "A2"], "")
    for path in both_kinds(book, folder, tmp_path):
        add_round(path, one)
        add_round(path, other)
        before = state(path)
        for again, marks in ((one, "A1, A2"), (other, "01, =SUM\\(1\\), B2"), (mixed, ": A2$")):
            with pytest.raises(WoodlabError, match=f"into this book already.*{marks}"):
                add_round(path, again)
            assert state(path) == before
        after = wl.open_book(path).weighings
        got = after[after["on"] == "2026-03-22"].set_index("piece")["mass_g"].to_dict()
        assert got == {mark: good[mark] for mark in ("A1", "A2", "B2", "01", "=SUM(1)")}
        assert [row["who"] for row in ledger(path)] == ["Odrin (invented)", "Tamsel (invented)"]


def test_a_bowl_that_the_book_does_not_have_is_asked_about(tour, folder, tmp_path):
    good = inside(tour)
    cells = {"Q7": {"today g": 900, "crack": "none"}, "b 2": {"today g": good["B2"]},
             "A1": {"today g": good["A1"]}}  # fmt: skip
    file = filled(tour, tmp_path / "round.xlsx", cells, looked="no")
    before = state(folder)
    with pytest.raises(
        WoodlabError, match=r"'Q7' in the book, 900 g\n.*'b 2' in the book; is it B2"
    ):
        add_round(folder, file)
    for odd in ("keep", "mend"):
        with pytest.raises(WoodlabError, match="no piece 'Q7' in the book.*table pieces first"):
            add_round(folder, file, odd=odd)
    assert state(folder) == before
    mended = shutil.copytree(folder, tmp_path / "mended")
    file_of_one = filled(tour, tmp_path / "one.xlsx", {"b 2": cells["b 2"]}, looked="no")
    assert add_round(mended, file_of_one, odd="mend").pieces == ["B2"]
    new = add_round(folder, file, odd="leave")
    assert new.pieces == ["A1"]
    assert "Left out, row" in new.notes[0]
    assert "no piece 'Q7' in the book, 900 g" in new.notes[0]
    assert json.loads(ledger(folder)[0]["pieces"]) == ["A1"]


def test_the_finished_wall_goes_with_the_end(tour, book, folder, tmp_path):
    cells = {"A1": {"done": "finished", "wall mm": 9.5}, "01": {"done": "finished"},
             "B1": {"done": "scrapped"}}  # fmt: skip
    file = filled(tour, tmp_path / "round.xlsx", cells, looked="no")
    for path in both_kinds(book, folder, tmp_path):
        new = add_round(path, file)
        assert "A1: no weight, finished, final wall 9.5 mm" in new.lines
        pieces = wl.open_book(path).pieces.set_index("piece")
        assert pieces["finished_wall_mm"].dropna().to_dict() == {"A1": 9.5}
        assert (pieces.loc[["A1", "01", "B1"], "ended_on"] == "2026-03-22").all()
    wrong = filled(tour, tmp_path / "wrong.xlsx", {"A2": {"today g": 900, "wall mm": 9}})
    with pytest.raises(WoodlabError, match="a finished wall of 9 mm, but done says nothing"):
        add_round(folder, wrong)


def test_the_finished_wall_is_written_in_the_unit_of_its_heading(folder):
    from woodlab.book.writing.adding import put_rows
    from woodlab.safe_write import locked

    file = folder / "pieces.csv"
    text = file.read_text(encoding="utf-8").splitlines()
    more = [f"{line},Final wall (in)" if i == 0 else f"{line}," for i, line in enumerate(text)]
    more[0] = more[0].replace("Final wall (in)", "finished_wall_in")
    file.write_text("\n".join(more) + "\n", encoding="utf-8")
    row = {"piece": "A1", "ended_on": "2026-03-22", "outcome": "finished", "finished_wall_mm": 12.7}
    with locked(folder):
        put_rows(folder, {}, pd.DataFrame([row]), sure=True)
    assert "0.5" in file.read_text(encoding="utf-8").splitlines()[1]
    assert wl.open_book(folder).pieces.set_index("piece").loc["A1", "finished_wall_mm"] == 12.7


def test_a_killed_round_is_there_whole_or_not_at_all(tour, folder, tmp_path, monkeypatch):
    """Killed at each move of a file: the book reads as before, or as after."""
    import woodlab.safe_write as safe

    file = filled(
        tour, tmp_path / "round.xlsx", {m: {"today g": g} for m, g in inside(tour).items()}
    )
    real, seen = safe.os.replace, set()
    for n in range(12):
        trial = shutil.copytree(folder, tmp_path / f"season{n}")
        moves = iter(range(100))

        def stop(*names, n=n, moves=moves, trial=trial):
            if str(trial) in str(names[1]) and next(moves) == n:
                raise KeyboardInterrupt
            return real(*names)

        with monkeypatch.context() as patch:
            patch.setattr(safe.os, "replace", stop)
            try:
                add_round(trial, file)
                done = True
            except KeyboardInterrupt:
                done = False
        after = wl.open_book(trial)
        counts = (len(after.weighings), len(after.looks), len(ledger_of(trial)))
        assert counts in [(27, 9, 0), (36, 17, 1)], n
        seen.add(counts)
        if done:
            break
    assert done
    assert len(seen) == 2


def ledger_of(path):
    with taking.locked(path):  # a writer settles first what a killed one left
        return ledger(path)


def test_the_page_carries_marks_as_data_and_its_export_comes_back(tour, folder, tmp_path):
    made = round_of(tour, None, Units("kg"))
    html = page(made)
    assert html.count("<script") == 2
    assert EVIL not in html
    data = json.loads(html.split('id="data">')[1].split("</script>")[0])
    assert [bowl["mark"] for bowl in data["bowls"]] == [bowl.mark for bowl in made.bowls]
    assert "default-src 'none'" in html
    write_round(tour, tmp_path / "round.html", unit="kg")
    assert (tmp_path / "round.html").read_text(encoding="utf-8") == html
    weights = inside(tour)
    rows = [
        [
            "format",
            "round_id",
            "on",
            "piece",
            "mass_g",
            "typed",
            "unit",
            "kept_outside_band",
            "crack",
            "crack_by",
            "crack_mm",
            "action",
            "note",
            "typed_at",
            "lower_g",
            "upper_g",
        ]
    ]
    for bowl in made.bowls:
        shown = "'" + bowl.mark if bowl.mark[0] in "=+-@" else bowl.mark
        grams = weights[bowl.mark]
        rows.append([data["format"], made.id, made.on, shown, grams, f"{grams / 1000:g}", "kg", "",
                     "", "", "", "", "", "", bowl.lower_g, bowl.upper_g])  # fmt: skip
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    export = tmp_path / f"round_{made.id}.csv"
    export.write_text("\ufeff" + text.getvalue(), encoding="utf-8")
    add_round(folder, export)
    after = wl.open_book(folder).weighings
    added = after[after["on"] == "2026-03-22"]
    assert dict(zip(added["piece"], added["mass_g"], strict=True)) == pytest.approx(weights)


def test_the_command_asks_and_adds(tour, folder, tmp_path, monkeypatch, capsys):
    good = inside(tour)
    file = filled(tour, tmp_path / "round.xlsx", {"A1": {"today g": good["A1"] / 10}})
    before = state(folder)
    monkeypatch.setattr("sys.stdin", io.StringIO("q\n"))
    assert main(["add", str(folder), str(file)]) == 2
    assert state(folder) == before
    monkeypatch.setattr("sys.stdin", io.StringIO("x\nm\ny\n"))
    assert main(["add", str(folder), str(file)]) == 0
    out = capsys.readouterr().out
    assert "slip of the decimal point" in out
    assert out.rstrip().endswith("Added.")
    assert wl.open_book(folder).weighings["mass_g"].iloc[-1] == pytest.approx(good["A1"])


def test_the_command_asks_about_a_bowl_that_the_book_does_not_have(
    tour, folder, tmp_path, monkeypatch, capsys
):
    cells = {"Q7": {"today g": 900}, "A1": {"today g": inside(tour)["A1"]}}
    file = filled(tour, tmp_path / "round.xlsx", cells, looked="no")
    monkeypatch.setattr("sys.stdin", io.StringIO("k\nl\ny\n"))  # it cannot be kept
    assert main(["add", str(folder), str(file)]) == 0
    out = capsys.readouterr().out
    assert "no piece 'Q7' in the book, 900 g" in out
    assert "[l]eave it out, [q]uit?" in out
    assert "[k]eep" not in out
    after = wl.open_book(folder).weighings
    assert after.loc[after["on"] == "2026-03-22", "piece"].tolist() == ["A1"]


def test_units_and_paths(folder, tour, tmp_path):
    assert wl.open_book(folder).units.mass == "g"
    (folder / "weighings.csv").write_text("piece,on,mass_lb\nA1,2026-03-01,2\n", encoding="utf-8")
    assert wl.open_book(folder).units.mass == "lboz"
    with pytest.raises(WoodlabError, match="not to 'round.odt'"):
        write_round(tour, tmp_path / "round.odt")
    with pytest.raises(WoodlabError, match="unit = 'stone'"):
        write_round(tour, tmp_path / "round.xlsx", unit="stone")
    with pytest.raises(WoodlabError, match="write_round needs a round and was given the text"):
        write_round("round", tmp_path / "round.xlsx")
    with pytest.raises(WoodlabError, match="write_round needs the path"):
        write_round(tour, None)
    with pytest.raises(WoodlabError, match="add_round needs the path"):
        add_round(None, "round.xlsx")


def test_a_round_in_inches_asks_for_inches_and_reads_them_back(tour, folder, tmp_path):
    kept = Units("lboz", "in")
    told = replace(tour, units=kept)
    file = write_round(told, tmp_path / "inches.xlsx")
    workbook = load_workbook(file)
    sheet = workbook["round"]
    at = {cell.value: cell.column for cell in sheet[4] if cell.value}
    assert {"lb", "oz", "crack in", "wall in"} <= set(at)
    for row in range(5, 5 + len(tour)):
        mark = sheet.cell(row, 1).value
        if mark == "B1":
            assert "crack open, 1/2 in on 15 March" in sheet.cell(row, at["wood; seal"]).value
            sheet.cell(row, at["crack"], "still")
            sheet.cell(row, at["crack in"], "5/8")
        if mark == "A1":
            sheet.cell(row, at["done"], "finished")
            sheet.cell(row, at["wall in"], 0.375)
    workbook.save(file)
    add_round(folder, file)
    after = wl.open_book(folder)
    assert after.looks.iloc[-1]["crack_mm"] == 15.875
    assert after.pieces.set_index("piece").loc["A1", "finished_wall_mm"] == 9.525
    html = page(round_of(told, None, kept))
    assert "Final wall, in" in html
    assert '"length": "in"' in html


def test_what_is_typed_beside_its_cell_is_told(tour, folder, tmp_path):
    good = inside(tour)
    file = filled(tour, tmp_path / "round.xlsx", {"A1": {"today g": good["A1"]}}, looked="no")
    before = state(folder)
    spare = 5 + len(tour)
    for cell, value in (("D2", "yes"), ("C5", 1480), (f"B{spare}", "oak"), ("Z7", "cracked")):
        workbook = load_workbook(file)
        workbook["round"][cell] = value
        workbook.save(tmp_path / "wrong.xlsx")
        with pytest.raises(WoodlabError, match=f"{cell}: '{value}' stands beside the cells"):
            add_round(folder, tmp_path / "wrong.xlsx")
    assert state(folder) == before


def test_a_weight_that_is_left_out_is_told(tour, folder, tmp_path):
    good = inside(tour)
    file = filled(tour, tmp_path / "round.xlsx", {
        "A1": {"today g": good["A1"] / 10}, "A2": {"today g": good["A2"]}})  # fmt: skip
    new = add_round(folder, file, odd="leave")
    assert new.weighings["piece"].tolist() == ["A2"]
    assert any(note.startswith("Left out, A1: ") for note in new.notes)


@given(st.floats(0.5, 90_000), st.sampled_from(["g", "kg", "lboz"]))
def test_a_weight_read_back_is_the_weight_shown(grams, unit):
    text = weight_text(grams, unit, named=unit == "lboz")
    pounds = text.split(" lb ") if unit == "lboz" else [text]
    back = grams_of(pounds[0], unit, pounds[1].removesuffix(" oz") if len(pounds) > 1 else "")
    step = {"g": 1.0 if grams >= 100 else 0.1, "kg": 1.0, "lboz": 2.9}[unit]
    assert back is not None
    assert math.isnan(back) or abs(back - grams) <= step / 2 + 1e-9


@given(st.lists(st.floats(200, 5000), min_size=2, max_size=8, unique=True), st.data())
def test_two_swapped_bowls_are_found_as_that_pair(middles, data):
    bands = {f"P{i}": Band(m * 0.98, m * 1.02) for i, m in enumerate(middles)}
    i, j = data.draw(st.lists(st.sampled_from(range(len(middles))), min_size=2, max_size=2,
                              unique=True))  # fmt: skip
    weights = {f"P{k}": m for k, m in enumerate(middles)}
    weights[f"P{i}"], weights[f"P{j}"] = middles[j], middles[i]
    asked = questions(bands, weights)
    alike = bands[f"P{i}"].fits(middles[j])
    assert alike or any({q.mark, q.other} == {f"P{i}", f"P{j}"} for q in asked)
    assert all(q.kind == "swapped" for q in asked)


@given(st.floats(200, 5000), st.sampled_from(SLIPS))
def test_slips_of_the_decimal_point_are_found(middle, factor):
    (asked,) = questions({"A1": Band(middle * 0.98, middle * 1.02)}, {"A1": middle * factor})
    assert asked.kind == "slip"
    assert asked.grams == pytest.approx(middle, rel=0.02)
