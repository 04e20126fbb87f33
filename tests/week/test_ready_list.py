"""The ready list: one bowl in one group, cracked before dry, worded in the units of the book."""

import re
from dataclasses import replace

import pandas as pd
import pytest

import woodlab as wl
from woodlab import app
from woodlab.pages.ready import write_by_maker, write_ready
from woodlab.week.ready import ready_list
from woodlab.words import METRIC, SHOWN_UNITS

DAY = "2025-06-20"
MARKS = ["A1", "A3", "A4", "B2", "C1", "E1", "L1", "P4"]  # C1 and P4 cracked, E1 and A3 dry
MOVED = "warm room (invented)"


@pytest.fixture(scope="module")
def book():
    book = wl.demo_book().only(pieces=MARKS).until(DAY)
    pieces = book.pieces
    pieces.loc[pieces["piece"] == "A4", ["ended_on", "outcome", "finished_wall_mm"]] = [
        pd.Timestamp("2025-05-28"), "finished", 8.0]  # fmt: skip
    weighings = book.weighings
    last = weighings.index[weighings["piece"] == "B2"][-1]
    weighings["place"] = weighings["place"].astype(object)
    weighings.loc[last, "place"] = MOVED
    tables = book.tables() | {"pieces": pieces, "weighings": weighings}
    return wl.RecordBook.from_frames(name="eight bowls", **tables)


@pytest.fixture(scope="module")
def fits(book):
    return wl.fit_drying(book, law="slab", as_of=DAY)


@pytest.fixture(scope="module")
def ready(fits):
    return ready_list(fits, DAY)


def test_each_bowl_is_in_one_group_and_in_one_of_the_first_lists(ready):
    groups = ready.bowls.set_index("piece")["group"]
    assert groups["A4"] == "gone"
    assert groups["C1"] == groups["P4"] == "cracked"
    lists = {s.key: s for s in ready.sections()}
    shown = [m for _, marks in lists["turn"].marks for m in marks]
    shown += [row[0] for key in ("cracked", "wait") for row in lists[key].rows]
    assert sorted(shown) == sorted(set(MARKS) - {"A4"})


def test_a_dry_bowl_with_an_open_crack_is_told_as_cracked_and_looked_at_first(ready):
    row = ready.bowls.set_index("piece").loc["C1"]
    assert row["p_ready_now"] > 0.95  # dry enough, and yet:
    text = ready.text()
    turn = text[text.index("TURN NOW") : text.index("CRACKED")]
    assert not re.search(r"\bC1\b", turn)
    assert re.search(r"^  C1 +open, \d+ mm.* yes", text, re.M)
    assert "C1" in ready.week["look_first"]
    assert "fly apart" in text
    assert not re.search(r"\bsafe\b", text)


def test_a_glued_crack_has_grown_only_where_a_ruler_can_tell(ready):
    row = next(r for r in ready.bowls.itertuples() if r.piece == "P4")
    glued = row._replace(state="open", glued_on=pd.Timestamp("2025-05-09"), glued_mm=9.0)
    said = [ready._crack(glued._replace(last_mm=mm)) for mm in (11.0, 12.0)]
    assert said == ["open, 11 mm, a little longer since glued 9 May",
                    "open, 12 mm, grown since glued 9 May"]  # fmt: skip


def test_a_bowl_that_has_ended_is_asked_for_nothing(ready):
    assert not any("A4" in marks for marks in ready.week.values())
    assert "(1 more has left the shelf)" in ready.text()


def test_a_bowl_stands_where_it_was_last_put(ready):
    assert ready.bowls.set_index("piece").loc["B2", "shelf"] == "warm room"
    assert "warm room" in ready.text()


def test_pounds_and_inches_are_answered_in_pounds_and_inches(fits):
    text = ready_list(fits, DAY, units=SHOWN_UNITS["lb-in"]).text()
    assert re.search(r"open, [\d /]+ in", text)
    assert not re.search(r"\d mm\b|\d g\b", text)


@pytest.mark.parametrize("heads", [("mass_g", "wall_mm", METRIC),
                                   ("Mass (lb)", "wall (in)", SHOWN_UNITS["lb-in"]),
                                   ("mass_kg", "wall_mm", SHOWN_UNITS["kg-mm"])])  # fmt: skip
@pytest.mark.parametrize("ending", ["", ".xlsx"])
def test_the_units_are_those_of_the_books_headings(tmp_path, heads, ending):
    mass, wall, units = heads
    tables = {
        "pieces": pd.DataFrame({"piece": ["A1"], "turned_on": ["2026-03-01"], wall: [1.0]}),
        "weighings": pd.DataFrame({"piece": ["A1"], "on": ["2026-03-01"], mass: [3.0]}),
    }
    if ending:
        with pd.ExcelWriter(tmp_path / "book.xlsx") as file:
            for name, frame in tables.items():
                frame.to_excel(file, sheet_name=name, index=False)
    else:
        (tmp_path / "book").mkdir()
        for name, frame in tables.items():
            frame.to_csv(tmp_path / "book" / f"{name}.csv", index=False)
    assert wl.open_book(tmp_path / f"book{ending}").units == units


def test_members_bowls_add_up_and_each_has_a_page(ready, tmp_path):
    members = write_by_maker(ready, tmp_path / "club")
    assert sum(len(ready.of(maker).bowls) for maker in ready.makers) >= len(MARKS) - 1
    front = (tmp_path / "club" / "index.html").read_text(encoding="utf-8")
    for maker, line, file in members:
        assert f'href="{file}"' in front
        page = (tmp_path / "club" / file).read_text(encoding="utf-8")
        own = set(ready.of(maker).bowls["piece"])
        marks = set(re.findall(r'class="mark">([^<]+)<', page))
        assert marks <= own
        assert line in front
    with pytest.raises(wl.WoodlabError, match="No bowl is of the maker 'nobody'"):
        ready.of("nobody")


def test_the_page_asks_nothing_of_the_network_and_marks_are_never_markup(ready, tmp_path):
    evil = "<b>C1</b>"
    bowls = ready.bowls.replace({"piece": {"C1": evil}})
    week = {what: [m.replace("C1", evil) for m in marks] for what, marks in ready.week.items()}
    hostile = replace(ready, bowls=bowls, week=week, odd=())
    text = write_ready(hostile, tmp_path / "r.html").read_text("utf-8")
    assert text.count("&lt;b&gt;C1") >= 2
    assert evil not in text
    assert "<script" not in text
    assert "http" not in text


def test_a_crack_found_after_the_last_weight_is_told(book):
    late = pd.DataFrame({"piece": ["E1"], "on": ["2025-06-25"], "crack_mm": [5.0]})
    tables = book.tables() | {"looks": pd.concat([book.looks, late], ignore_index=True)}
    later = wl.RecordBook.from_frames(**tables).only(pieces=["E1", "A3", "A1"])
    ready = ready_list(later)
    assert f"{ready.day:%Y-%m-%d}" == "2025-06-25"
    assert ready.bowls.set_index("piece").loc["E1", "group"] == "cracked"


def test_a_book_without_looks_is_not_told_as_one_without_cracks(book):
    tables = {name: frame for name, frame in book.tables().items() if name != "looks"}
    bare = wl.RecordBook.from_frames(**tables).only(pieces=["A1", "A3"])
    early = ready_list(wl.fit_drying(bare, law="exponential", as_of="2025-03-29"), "2025-03-29")
    assert "Nothing to turn now, 0 cracked" in early.summary()
    text = early.text()
    assert ready_list(early.fits, "2025-03-29", units="lb-in").units == SHOWN_UNITS["lb-in"]
    with pytest.raises(wl.WoodlabError, match="units are some of g-mm, kg-mm, lb-in"):
        ready_list(early.fits, units="stone")
    assert "No look for cracks is noted." in text
    assert "No look has found a crack" not in text


def test_kept_fits_are_used_for_the_same_book_only(book, tmp_path):
    few, file = book.only(pieces=["A3", "B2"]), tmp_path / "season.fits"
    first = wl.season_fits(few, file, renew=True)
    kept = file.read_bytes()
    again = wl.season_fits(few, file, renew=True)
    assert file.read_bytes() == kept
    assert again.predict(on=DAY).equals(first.predict(on=DAY))
    wl.season_fits(few.until("2025-06-01"), file, renew=True)
    assert file.read_bytes() != kept
    (tmp_path / "thesis.txt").write_text("years of work")
    with pytest.raises(wl.WoodlabError):
        wl.season_fits(few, tmp_path / "thesis.txt", renew=True)
    assert (tmp_path / "thesis.txt").read_text() == "years of work"


def test_the_command_answers_for_a_book_and_for_a_folder_of_books(book, tmp_path, capsys):
    for name, marks in (("north", ["A3", "B2"]), ("south", ["E1", "A1"])):
        book.only(pieces=marks).save(tmp_path / "clubs" / name)
    assert app.main(["ready", str(tmp_path / "clubs"), "--out", str(tmp_path / "out")]) == 0
    said = capsys.readouterr().out
    assert "north, " in said
    assert "south, " in said
    assert {path.name for path in (tmp_path / "out").iterdir()} == {"north.html", "south.html"}
    assert app.main(["ready", str(tmp_path / "clubs" / "north")]) == 0
    assert "TURN NOW" in capsys.readouterr().out


def test_an_empty_book_is_said_in_words(tmp_path, capsys):
    assert app.main(["blank", str(tmp_path / "new.xlsx")]) == 0
    assert app.main(["ready", str(tmp_path / "new.xlsx")]) == 2
    assert "holds no pieces yet" in capsys.readouterr().err
