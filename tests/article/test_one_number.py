"""One number once: what article, front page and ready list say of one season, compared.

One small season with a real fit goes the whole way; each number of the same meaning is read from
what each of the three prints.
"""

import json
import math
import re
from dataclasses import replace

import article_books as books
import pytest

import woodlab as wl
from woodlab import words
from woodlab.article import write
from woodlab.article.facts import gather
from woodlab.pages import facts as front
from woodlab.pages import findings
from woodlab.pages.page import content
from woodlab.week.bowls import READY, bowls_of


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """Eight bowls of the demo season, fitted once; the article made of the fit alone."""
    demo = wl.demo_book()
    names = ["A1", "A2", "A3", "B2", "C1", "C2", "X1", "X2"]
    fits = wl.fit_drying(demo.only(pieces=names), law="slab", draws=60)
    once = gather(fits)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(write, "gather", lambda _: once)
        out = wl.write_article(fits, tmp_path_factory.mktemp("one") / "article", ("md",))
    return fits, once, out


@pytest.fixture(scope="module")
def printed(season):
    record = json.loads((season[2] / "article.json").read_text(encoding="utf-8"))
    said = {}
    for number in record["numbers"]:
        said.setdefault(number["key"], set()).add(number["text"])
    return said


@pytest.fixture(scope="module")
def page(season):
    """The front page's own facts, asked of the kit as it asks them."""
    fits, once, _ = season
    ready = wl.forecast_ready(fits)
    day = ready["as_of"].iloc[0]
    asked = dict.fromkeys(front.Facts.__dataclass_fields__)
    bowls = front.told_of(bowls_of(ready, fits.book, day), fits.book)
    asked |= {
        "book": fits.book, "fits": fits, "day": day, "bowls": bowls,
        "seals": once.seals, "cracks": once.cracks, "movement": once.movement,
        "walls": front.walls_to_leave(fits.book),
    }  # fmt: skip
    return front.Facts(**asked)


def figure(texts):
    """One number, however often it is printed; in words or in figures."""
    small = ["none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
    values = {small.index(t) if t in small else int(t) for t in (x.lower() for x in texts)}
    assert len(values) == 1, texts
    return values.pop()


def test_every_number_of_the_text_has_one_form_and_a_call(season, printed):
    record = json.loads((season[2] / "article.json").read_text(encoding="utf-8"))
    text = (season[2] / "article.md").read_text(encoding="utf-8").replace("\\", "")
    box = (season[2] / "box.md").read_text(encoding="utf-8").replace("\\", "")
    for number in record["numbers"]:
        assert number["call"]
        assert number["text"] in text + box
        assert number["sentence"] in text + box
    for key, texts in printed.items():
        if key.startswith(("cracks.share", "season.bowls", "ready.")) and all(
            re.fullmatch(r"\w+", t) for t in texts
        ):
            figure(texts)


def test_dry_bowls_are_as_many_as_on_the_ready_list_and_the_front_page(season, printed, page):
    listed = wl.forecast_ready(season[0])
    dry = int((listed["p_ready_now"] >= READY).sum())
    assert sum(row["dry"] for row in findings.sealing(page).table) == dry
    if "ready.dry" in printed or "ready.dry.n" in printed:
        for key in ("ready.dry", "ready.dry.n"):
            if key in printed:
                assert figure(printed[key]) == dry
    else:
        assert dry in (0, len(listed))


def test_the_target_has_one_rounding_wherever_it_is_printed(season, printed, page):
    """Article, front page, ready list, sealing study, pictures, each bowl's reason."""
    fits, once, _ = season
    ready = wl.ready_list(fits)
    wanted = words.target(ready.bowls["target_moisture_pct"].median())
    assert {f"{text} %" for text in printed["ready.target_pct"]} == {wanted}
    assert content(replace(page, curves=None, air=page.book.air, round=ready.bowls.head(0).assign(
        do=""), profiles=None, life="A1", club="loft"))["target"] == wanted  # fmt: skip
    near = re.compile(r"(?:target,?|[Dd]ry enough(?: means|:)?|[Aa]t or below|weeks to|reach|at) "
                      r"(\d+(?:\.\d+)?)\s%")  # fmt: skip
    said = [
        ready.summary(), ready.text(), repr(once.seals), once.seals.summary(),
        *ready.bowls["reason"], *(note for part in ready.sections() for note in part.notes),
        wl.charts.season_at_a_glance(
            ready.bowls, wl.forecast_curves(fits, ["A1"]), once.seals.effects).to_json(),
    ]  # fmt: skip
    told = [f"{number} %" for text in said for number in near.findall(text.replace("\u00a0", " "))]
    assert len(told) > 8
    assert set(told) == {wanted}


def test_cracked_bowls_are_those_of_the_front_page(printed, page):
    for row in findings.sealing(page).table:
        key = f"cracks.share.{row['seal']}"
        if f"{key}.n" in printed:
            assert figure(printed[f"{key}.n"]) == row["cracked"]
        if f"{key}.of" in printed:
            assert figure(printed[f"{key}.of"]) == row["n"]
    bars = findings.cracking(page).bars
    for name, (_, k, n, _) in zip(("cracks.thick", "cracks.thin"), bars, strict=False):
        if f"{name}.n" in printed:
            assert (figure(printed[f"{name}.n"]), figure(printed[f"{name}.of"])) == (k, n)
    assert figure(printed["cracks.share.n"]) == int(page.bowls["crack_on"].notna().sum())


def test_weeks_to_dry_are_the_front_pages(printed, page):
    compared = 0
    for row in findings.sealing(page).table:
        key = f"sealing.weeks.{row['seal']}"
        if key in printed and row["weeks"]:
            assert figure(printed[key]) == int(row["weeks"])
            compared += 1
    assert compared >= 2


def test_the_wall_is_rounded_up_in_words_and_in_the_table(printed, page):
    walls = {row["wood"]: row["mm"] for row in findings.walls(page).table}
    told = {
        key: figure({text.removesuffix(" mm") for text in texts})
        for key, texts in printed.items() if key.startswith("walls.leave.")
    }  # fmt: skip
    assert told
    for key, mm in told.items():
        for wood in key.removeprefix("walls.leave.").split("."):
            assert walls[wood] == mm
    frame = page.walls.set_index("species")["thinnest_mm"]
    assert all(walls[wood] == math.ceil(frame[wood]) for wood in walls)


def test_the_season_is_fitted_once(monkeypatch, tmp_path):
    """A book is fitted once however many studies ask; fits that are given, never again."""
    from woodlab.drying.fit import fitting

    calls = []

    def counted(*args, **kwargs):
        calls.append(args)
        raise wl.WoodlabError("not fitted here")

    for home in (wl, fitting):
        monkeypatch.setattr(home, "fit_drying", counted)
    book = books.record_book(books.BOOKS["one_bowl"]())
    wl.write_article(book, tmp_path / "a", ("md",))
    assert len(calls) == 1
