"""The front page: one bowl in one place, counts that add up, links that lead, nothing asked."""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from page_seasons import DAY, HOSTILE, season

import woodlab as wl
from woodlab.charts import life_of_a_bowl
from woodlab.pages.facts import gather
from woodlab.pages.findings import cracking, sealing, walls
from woodlab.pages.page import content, write_pages, write_plain
from woodlab.pages.profiles import wall_profiles
from woodlab.week.bowls import GROUPS, bowls_of, odd_weights


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


@pytest.mark.parametrize(
    ("certainty", "ratio", "ending"),
    [("likely", 4.0, "oak is probably the riskier."),
     ("likely", 0.3, "ash is probably the riskier."),
     ("open", 4.0, "too few cracks to tell woods apart.")],
)  # fmt: skip
def test_woods_are_told_as_surely_as_the_study_tells_them(certainty, ratio, ending):
    effects = pd.DataFrame({"term": ["species: oak against ash"], "hazard_ratio": ratio,
                            "p_value": 0.04, "certainty": certainty, "n_cracked": 9})  # fmt: skip
    facts = replace(season(), cracks=SimpleNamespace(effects=effects))
    told = dict(cracking(facts).says)["Woods"]
    assert told.endswith(ending)
    assert re.search(r"^\d+ of 20 (oak|ash) cracked, \d+ of 20 (oak|ash): ", told)


def test_the_picture_of_a_bowl_gives_the_days_that_the_page_gives():
    facts = season()
    bowls = facts.bowls.assign(
        ready_on=DAY + pd.Timedelta(days=9), p_ready_now=0.3,
        earliest_on=DAY - pd.Timedelta(days=30), latest_on=DAY + pd.Timedelta(days=25),
    )  # fmt: skip
    facts = replace(facts, bowls=bowls.assign(group="waiting"))
    between = content(facts)["next"][0][2]
    assert between == "10 June to 5 July"  # no day that is over
    chart = life_of_a_bowl(bowls, facts.curves, facts.book.looks, facts.air, piece=facts.life)
    assert between in chart.description


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
        {"piece": ["A1", "A2", "A3", "A0"], "on": [*on, DAY], "used": [False] * 3 + [True],
         "mass_g": [300.0, 800.0, 9000.0, 700.0], "fitted_g": [802.0, 301.0, 901.0, 700.0]}
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
    book = book.only(pieces=[piece for piece in book.pieces["piece"] if piece[0] in "AC"])
    fits = wl.fit_drying(book, law="slab", draws=60, as_of="2025-05-20")
    facts = gather(book, fits=fits)
    assert facts.fits is fits  # one estimate of the season, and no other
    pd.testing.assert_series_equal(
        facts.bowls["moisture_now_pct"], fits.pieces["moisture_now_pct"], atol=0.1
    )
    assert facts.cracks is None or facts.bowls["crack_on"].notna().any()
    assert facts.club == "loft over the Brindle Mill"
    assert len(facts.bowls) == len(book.pieces)
    assert facts.day == max(book.weighings["on"].max(), book.looks["on"].max())
    write_pages(facts, tmp_path)
    made = {path.stem for path in (tmp_path / "pictures").glob("*.svg")}
    assert {"season", "life", "cracks", "season_narrow"} <= made


def test_profiles_dry_from_the_faces_and_the_sealed_wall_is_more_even():
    bowls = pd.DataFrame(
        {"piece": ["a", "b"], "species": "ash", "seal": ["none", "wax all over"], "wall_mm": 30.0,
         "turned_on": DAY, "target_moisture_pct": 14.0}
    )  # fmt: skip
    params = pd.DataFrame(
        [(p, name, "slab", value) for p, surface in (("a", 4e-8), ("b", 4e-9)) for name, value in
         (("diffusivity_m2_s", 2e-11), ("surface_m_s", surface), ("start_moisture_pct", 60.0))],
        columns=["piece", "parameter", "law", "estimate"],
    )  # fmt: skip
    fits = SimpleNamespace(
        scale_step="",
        laws=pd.DataFrame({"law": ["slab", "film"], "weight": [0.9, 0.1]}), params=params,
        groups=pd.DataFrame({"kind": [], "group": [], "parameter": [], "law": [], "estimate": []}),
    )  # fmt: skip
    air = pd.DataFrame({"on": pd.date_range(DAY, periods=90), "moisture_pct": 12.0})
    found = wall_profiles(fits, bowls, air)
    assert found.groupby("seal")["on"].nunique().tolist() == [4, 4]
    spread = found.groupby(["seal", "on"])["moisture_pct"].agg(np.ptp)
    assert spread["none"].iloc[0] > 2 * spread["wax all over"].iloc[0]
    for _, course in found.groupby(["seal", "on"]):
        middle = course.iloc[(course["depth_mm"] - 15).abs().argsort()[:2]]["moisture_pct"]
        assert middle.min() >= course["moisture_pct"].max() - 0.01  # wettest in the middle
        assert course["moisture_pct"].min() >= 12.0  # never drier than the air would make it
        left, right = (course.sort_values("depth_mm", ascending=up) for up in (True, False))
        assert np.allclose(left["moisture_pct"], right["moisture_pct"])  # the same from either face
    assert not len(wall_profiles(fits, bowls, air.head(30)))
    fits.laws["law"] = ["exponential", "film"]  # no inside of the wall
    assert not len(wall_profiles(fits, bowls, air))
