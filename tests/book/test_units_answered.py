"""Units out as units in: what a book kept in pounds and inches is answered in."""

import re
from dataclasses import replace

import pandas as pd
import pytest
from page_seasons import season

import woodlab as wl
from woodlab.errors import WoodlabError
from woodlab.pages.findings import findings
from woodlab.pages.page import content, environment
from woodlab.show import Said
from woodlab.words import METRIC, SHOWN_UNITS

IMPERIAL = SHOWN_UNITS["lb-in"]


@pytest.fixture
def in_pounds():
    wl.answer_in("lb-in")
    yield
    wl.answer_in("g-mm")


def book_in(folder, mass="mass_lb", wall="wall_in"):
    folder.mkdir()
    (folder / "pieces.csv").write_text(f"piece,species,turned_on,{wall},seal\nA1,white ash,"
                                       "2026-03-01,1,none\n")  # fmt: skip
    days = ["2026-03-01,3.5", "2026-03-20,3.1", "2026-04-12,2.9", "2026-05-20,2.8"]
    rows = "\n".join(f"A1,{day}" for day in days)
    (folder / "weighings.csv").write_text(f"piece,on,{mass}\n{rows}\n")
    return wl.open_book(folder)


def test_the_units_go_with_the_book_its_parts_and_its_fits(tmp_path):
    book = book_in(tmp_path / "mine")
    assert book.units == IMPERIAL
    assert book.until("2026-05-01").units == book.only(pieces="A1").units == IMPERIAL
    fits = wl.fit_drying(book, law="exponential")
    fits.save(tmp_path / "mine.fits")
    assert wl.load_fits(tmp_path / "mine.fits").book.units == IMPERIAL
    same = wl.open_books([tmp_path / "mine"])
    book_in(tmp_path / "other", "mass_g", "wall_mm")
    assert same.units == IMPERIAL
    assert wl.open_books([tmp_path / "mine", tmp_path / "other"]).units == METRIC


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("walls of 30 mm or more", "walls of 1 3/16 in or more"),
        ("leave 16 mm for ash", "leave 11/16 in for ash"),
        ("10 to 20 mm", "3/8 to 13/16 in"),
        ("1480 g, where about 1,390.5 g is due", "3 lb 4.2 oz, where about 3 lb 1.0 oz is due"),
        ("per 10 mm thicker", "per 10 mm (about 3/8 in) thicker"),
        ("per 10 mm (about 3/8 in)", "per 10 mm (about 3/8 in)"),
        ("20 to under 30 mm, 1.5 g", "13/16 in to under 1 3/16 in, 0.1 oz"),
        ("Leave 16 mm (all)", "Leave 11/16 in (all)"),
        ("it was 12 years ago", "it was 12 years ago"),
        ("A10 mmx", "A10 mmx"),
    ],
)
def test_words_with_a_unit_are_told_in_the_other(text, said):
    assert IMPERIAL.told(text) == said
    assert METRIC.told(text) == text


def test_a_wall_to_leave_is_rounded_up_and_a_length_to_the_nearest():
    for mm in (15.01, 16.0, 17.4, 25.4, 25.5):
        sixteenths = 16 * mm / 25.4
        for up in (False, True):
            text = IMPERIAL.length_of(mm, up=up).removesuffix(" in")
            total = sum(
                int(p.split("/")[0]) / int(p.split("/")[1]) if "/" in p else int(p)
                for p in text.split()
            )
            assert abs(16 * total - sixteenths) <= (1 if up else 0.5) + 1e-9
            assert not up or 16 * total >= sixteenths - 1e-9


def test_sentences_and_tables_of_results_are_shown_in_them(in_pounds):
    frame = pd.DataFrame(
        {"piece": ["3 mm test"], "wall_mm": [25.4], "mass_g": [1480.0], "low_lower": [1.0],
         "low_upper": [2.0], "note": ["open, 13 mm"]}
    )  # fmt: skip
    columns = "piece wall_mm wall_mm:leave_at_least_[mm] mass_g low_lower low_upper note"
    shown = wl.table(frame, columns, "Rims of 300 mm.")
    text = repr(shown)
    for said in ("11 13/16 in", "1 in", "3 lb 4.2 oz", "1 to 2", "open, 1/2 in", "3 mm test"):
        assert said in text
    assert "[mm]" not in text
    assert "[g]" not in text
    assert "11 13/16 in" in shown._repr_html_()
    assert "11 13/16 in" in shown.summary()
    assert frame["wall_mm"].iloc[0] == 25.4  # frames stay as they are
    assert repr(Said(("A crack of 13 mm.",))) == "A crack of 1/2 in."
    with pytest.raises(WoodlabError, match="lb-in"):
        wl.answer_in("stone")


def test_the_front_page_is_in_them():
    facts = season()
    inches = replace(facts, book=replace(facts.book, units=IMPERIAL))
    metric, told = (
        environment().get_template("index.html.j2").render(
            **content(one), figures={}, pages={}, articles=[]
        ) for one in (facts, inches)
    )  # fmt: skip
    plain = [re.sub(r"<style.*?</style>", "", page, flags=re.S) for page in (metric, told)]
    assert re.search(r"\d mm\b", plain[0])
    assert not re.search(r"\d mm\b|\[mm\]|\d g\b", plain[1])
    assert findings(inches)[2].title == "Leave 5/8 to 3/4 in"
