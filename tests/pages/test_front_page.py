"""The front page: one bowl in one place, counts that add up, links that lead, nothing asked."""

import re

import pandas as pd
from page_seasons import DAY, HOSTILE, season

import woodlab as wl
from woodlab.pages.facts import gather
from woodlab.pages.findings import cracking, sealing, walls
from woodlab.pages.page import content, write_pages, write_plain
from woodlab.week.bowls import GROUPS, bowls_of
from woodlab.week.odd import odd_weights


def test_each_bowl_is_in_one_group_and_printed_in_one_place(written):
    facts, folder = written
    assert set(facts.bowls["group"]) <= set(GROUPS)
    text = (folder / "index.html").read_text(encoding="utf-8")
    counts = [int(n) for n in re.findall(r'<span class="count">(\d+)</span>', text)]
    probably = re.search(r'<h3 id="probably">(\d+) more', text)
    gone = re.search(r"(\d+) ha(?:s|ve) left the shelf", text)
    more = sum(int(found[1]) for found in (probably, gone) if found)
    assert sum(counts) + more == len(facts.bowls) == int(re.search(r": (\d+) bowls</h1>", text)[1])
    turn = re.search(r'id="turn".*?</section>', text, re.S)[0]
    cracked = facts.bowls.loc[facts.bowls["group"] == "cracked", "piece"]
    assert not [mark for mark in cracked if f">{mark}<" in turn]


def test_the_sentence_at_the_head_says_the_same_numbers_as_the_page(written):
    facts, folder = written
    text = (folder / "index.html").read_text(encoding="utf-8")
    said = re.sub(r"<[^>]+>", "", re.search(r'<p class="answer">.*?</p>', text, re.S)[0])
    page = content(facts)
    assert said.startswith(f"{page['n_ready'] or 'None'} dry enough")
    assert f"{page['n_waiting']} waiting" in said
    assert ("cracked: look before mounting" in said) is bool(page["n_cracked"])
    assert f"weigh {page['week']['n_weigh']} and look at {page['week']['n_look']}" in said
    assert "  " not in said.replace("\n", " ")


def test_links_lead_somewhere_and_nothing_is_asked_of_the_network(written):
    _, folder = written
    for name in ("index.html", "evidence.html"):
        text = (folder / name).read_text(encoding="utf-8")
        assert "http" not in text
        assert "<script" not in text
        for target in re.findall(r'(?:href|src|srcset)="([^"]+)"', text):
            path, _, anchor = target.partition("#")
            there = folder / (path or name)
            assert there.exists(), target
            assert not anchor or f'id="{anchor}"' in there.read_text(encoding="utf-8"), target
    assert 'href="index.html"' in (folder / "evidence.html").read_text(encoding="utf-8")
    assert 'href="3_ready.html"' in (folder / "index.html").read_text(encoding="utf-8")


def test_words_of_the_book_are_never_markup(written):
    facts, folder = written
    for path in (*folder.glob("*.html"), *folder.glob("pictures/*.svg")):
        assert HOSTILE not in path.read_text(encoding="utf-8")
    if facts.bowls["piece"].str.contains("Gran").any():
        assert "Gran &amp; co" in (folder / "index.html").read_text(encoding="utf-8")


def test_the_club_and_the_age_of_the_records_are_named():
    page = content(season())
    assert page["club"] == "the Elm Row turners"
    (weighed, newest, _), (_, looked, _), (_, air, _) = page["ages"]
    assert weighed == "Weighed"
    assert looked == "9 days ago"
    assert air == "today"


def test_levels_follow_the_studys_certainty_and_walls_are_rounded_up():
    facts = season()
    found = sealing(facts)
    assert found.level == "Probably"
    assert "robably" in found.title
    assert walls(facts).title == "For a 250 mm bowl leave 16 to 18 mm"
    assert [row["mm"] for row in walls(facts).table] == [16, 18]
    assert sealing(season(seals=("none",))).level == "Open"
    bars = cracking(facts).bars
    assert sum(n for _, _, n, _ in bars) == len(facts.bowls)


def test_scrapped_and_finished_bowls_are_on_no_shelf():
    book = wl.demo_book()
    looks = book.looks.copy()
    mark = looks["piece"].iloc[0]
    looks.loc[looks["piece"] == mark, "action"] = "scrapped"
    tables = {n: getattr(book, n) for n in ("pieces", "weighings")}
    book = wl.RecordBook.from_frames(**tables, looks=looks)
    ready = book.pieces.assign(p_ready_now=1.0)
    bowls = bowls_of(ready, book, pd.Timestamp("2026-01-01"))
    assert bowls.set_index("piece").loc[mark, "group"] == "gone"


def test_swapped_marks_are_one_line_and_a_slip_of_the_point_is_named():
    facts = season(n=4)
    on = [DAY - pd.Timedelta(days=30)] * 2 + [DAY]
    facts.fits.residuals = pd.DataFrame(
        {"piece": ["A1", "A2", "A3"], "on": on, "mass_g": [300.0, 800.0, 9000.0],
         "fitted_g": [802.0, 301.0, 901.0], "used": False}
    )  # fmt: skip
    slip, swap = odd_weights(facts)[:2]
    assert swap.pieces == ("A1", "A2")
    assert "swapped" in swap.do
    assert "Decimal point" in slip.do


def test_a_book_without_a_curve_still_has_a_page_that_says_why(tmp_path):
    write_plain(season(n=3).book, tmp_path, "no piece has three weighings.", "the club")
    text = (tmp_path / "index.html").read_text(encoding="utf-8")
    assert "no piece has three weighings" in text
    assert "The club: 3 bowls" in text


def test_a_real_book_is_asked_and_drawn(tmp_path):
    book = wl.demo_book().until("2025-05-20")
    some = [piece for piece in book.pieces["piece"] if piece[0] in "AC"]
    tables = {n: getattr(book, n) for n in ("pieces", "weighings", "looks", "rims")}
    tables = {n: frame[frame["piece"].isin(some)] for n, frame in tables.items()}
    book = wl.RecordBook.from_frames(**tables, air=book.air)
    facts = gather(book, fits=wl.fit_drying(book, law="slab", pool=True))
    assert facts.club == "loft over the Brindle Mill"
    assert len(facts.bowls) == len(book.pieces)
    assert facts.day == max(book.weighings["on"].max(), book.looks["on"].max())
    write_pages(facts, tmp_path)
    made = {path.stem for path in (tmp_path / "pictures").glob("*.svg")}
    assert {"season", "life", "cracks", "season_narrow"} <= made
