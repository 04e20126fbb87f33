"""What the article says of thirteen very different books, and rules that every text keeps."""

import hashlib
import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import article_books as books
import pandas as pd
import pytest

from woodlab import words
from woodlab.article import write
from woodlab.article.facts import Facts
from woodlab.article.render import own_file
from woodlab.article.say import Say
from woodlab.article.story import INVENTED, tell
from woodlab.studies import cautions
from woodlab.words import METRIC, SHOWN_UNITS

KEPT = Path(__file__).with_name("kept")
# Words and turns that are never printed to a maker.
NEVER = (
    r"hazard", r"times the r(ate|isk)", r"measured over expected", r"confidence", r"interval",
    r"prediction band", r"p[ -]values?", r"significan", r"Holm", r"Wilson", r"Student", r"Jeffreys",
    r"Firth", r"geometric mean", r"logarithm", r"log scale", r"first-order", r"exponential",
    r"slab law", r"parameter", r"\btau\b", r"time constant", r"half of the water", r"fitted",
    r"model", r"estimate", r"penalised", r"shrunk", r"\bprior\b", r"random effect", r"held equal",
    r"adjusted for", r"controlled for", r"allotted", r"randomi", r"reference", r"outcome",
    r"\beffects?\b", r"core-to-surface", r"coefficient", r"diffusivity", r"equilibrium", r"\bEMC\b",
    r"oven-dry", r"dry basis", r"relative humidity", r"\bradial", r"tangential", r"longitudinal",
    r"censored", r"\bas of\b", r"forecast", r"\bshare\b", r"proportion", r"%", r"\bn =", r"sample",
    r"\bpower\b", r"NaN", r"\bnan\b", r"\binf\b", r"\bNaT\b", r"null",
    r"outlier", r"residual", r"article\.json", r"\bwl\.", r"\bsafe", r"\bproves\b",
    r"guarantee", r"clearly", r"of course", r"interestingly", r"should be noted", r"in terms of",
    r"optimal", r"best practice", r"\bratio",
)  # fmt: skip
SURE = ("probably", "we cannot tell", "too close to call", "too few")
COUNTS = "|".join(words.NUMBERS[2:])


class Told:
    """An article as it is printed: the text, the box, and the numbers in both."""

    def __init__(self, facts, units=METRIC, seed=None):
        say = Say(seed or facts.book.hash, units=units)
        self.story = tell(facts, say)
        self.text, self.box = (
            write.fill(own_file(f"{name}.md.j2").decode(), self.story, say)
            for name in ("article", "box")
        )
        self.record = write.article_record(facts.book, self.story, say)
        self.numbers = say.printed


@pytest.fixture(scope="module")
def facts():
    made = {}

    def get(name):
        if name not in made:
            made[name] = books.facts(books.BOOKS[name]())
        return made[name]

    return get


@pytest.fixture(scope="module")
def story(facts):
    made = {}

    def get(name):
        if name not in made:
            made[name] = Told(facts(name), seed=name)  # kept texts outlive the hash
        return made[name]

    return get


def without_cautions(text):
    return text.split("> **Take care**")[0]


def sentences(text):
    for line in text.splitlines():
        if line and not line.startswith(("#", "|", "**", "> **", "!", "---")):
            yield from re.split(r"(?<=[.!?]) (?=[A-Z“])", line.lstrip("> *-").rstrip("*"))


@pytest.mark.parametrize("name", books.BOOKS)
def test_the_article_reads_as_it_did(name, story, request):
    """A change shows as a change of prose: `pytest tests/article --keep-articles`, and read it."""
    told = story(name)
    text = without_cautions(told.text) + "---\n\n" + told.box
    file = KEPT / f"{name}.md"
    if request.config.getoption("--keep-articles"):
        KEPT.mkdir(exist_ok=True)
        file.write_text(text, encoding="utf-8")
    assert text == file.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", books.BOOKS)
def test_no_word_that_is_not_for_makers(name, story):
    told = story(name)
    for text in (told.text, told.box):
        found = [m[0] for word in NEVER for m in re.finditer(word, without_cautions(text), re.I)]
        assert found == []
        assert not re.search(r"\bsafe", text, re.I)


@pytest.mark.parametrize("name", books.BOOKS)
def test_a_sentence_has_one_certainty_one_range_and_no_figure_at_its_head(name, story):
    for said in sentences(without_cautions(story(name).text)):
        assert sum(said.count(word) for word in SURE) <= 1 or "“probably” marks" in said, said
        ranges = re.findall(r"between [\d.]+ and [\d.]+ times|[\d.]+ to [\d.]+", said)
        assert len(ranges) <= 1, said
        assert not re.match(r"\d", said), said
        assert len(re.findall(r"\d+", said)) <= 8, said
        assert said == "" or said.endswith((".", "!", "?")) or said.startswith("**"), said


@pytest.mark.parametrize("name", books.BOOKS)
def test_neighbours_do_not_open_alike_and_no_sentence_stands_twice(name, story):
    text = without_cautions(story(name).text)
    every = []
    for line in text.splitlines():
        if line and not line.startswith(("#", "|", ">", "*", "!")):
            said = list(sentences(line))
            every += said
            heads = [one.split()[0].lower() for one in said]
            assert all(a != b for a, b in zip(heads, heads[1:], strict=False)), said
    assert len(every) == len(set(every))


@pytest.mark.parametrize("name", books.BOOKS)
def test_every_number_is_on_record_with_its_call(name, story):
    """Read back from the printed text: strike out what is recorded, and no figure is left."""
    told = story(name)
    text = without_cautions(told.text + told.box)
    assert all(number.call for number in told.numbers)
    text = re.sub(r"(?m)^!\[.*$|Figure \d|Gran's mix no\\?\. 2", "", text)
    recorded = {number.text for number in told.numbers}
    figures = {figure for one in recorded for figure in re.findall(r"[\d.,]*\d", one)}
    assert set(re.findall(r"[\d.,]*\d", text)) - figures == set()
    named = {w for one in recorded for w in re.findall(rf"\b({COUNTS})\b", one)}
    fixed = {"nineteen trees in twenty", "within two points", "at least four logs", "three months"}
    for phrase in fixed:
        text = text.replace(phrase, "")
    assert set(re.findall(rf"\b({COUNTS})\b", text.lower())) - named == set()


@pytest.mark.parametrize("name", books.BOOKS)
def test_length_numbers_and_what_is_never_left_out(name, story):
    told = story(name)
    text = told.text
    body = without_cautions(text)
    count = len(body.split())
    assert count <= 900
    assert len(re.findall(r"\d+", body)) <= 80
    assert INVENTED in " ".join(text.split()[:40])
    assert told.record["title"].endswith(" (invented records)")
    title = told.record["title"].removesuffix(" (invented records)")
    assert len(title.split()) <= 12
    assert not any(word in title for word in SURE)
    assert not re.match(r"\d", title)
    for caution in cautions.ALL:
        assert f"> - {caution}" in text.replace("\\", "")
    assert len(told.record["box"].split()) <= 120
    assert "fly apart" in told.record["box"]


def test_the_same_book_gives_the_same_text_and_another_hash_other_wordings(facts):
    one = facts("nothing_cracked")
    first, again = (Told(one).text for _ in range(2))
    assert first == again
    seeds = set()
    for k in range(8):

        class Other(type(one.book)):
            hash = hashlib.sha256(str(k).encode()).hexdigest()

        other = object.__new__(Other)
        other.__dict__.update({k: v for k, v in one.book.__dict__.items() if k != "hash"})
        seeds.add(Told(with_part(one, book=other)).text)
    assert len(seeds) > 1


def with_part(facts, **part):
    return Facts(replace(facts.season, **part), facts.thickest)


def with_certainty(facts, outcome, sure):
    effects = facts.seals.effects.copy()
    effects.loc[effects["outcome"] == outcome, "certainty"] = sure
    seals = type(facts.seals)(**(vars(facts.seals) | {"effects": effects}))
    return with_part(facts, seals=seals)


def test_the_words_follow_the_certainty_that_the_study_decided(facts):
    """Nothing here decides again: the same numbers, clear or likely or open."""
    base = facts("two_seasons")
    said = {
        sure: Told(with_certainty(base, "crack_hazard", sure)).text
        for sure in ("clear", "likely", "open")
    }
    assert "None of the 24 painted bowls cracked" in said["clear"].split("##")[0]
    assert "probably helped" in said["likely"]
    assert "probably helped" not in said["open"]
    assert "too few cracked" in said["open"] or "too close to call" in said["open"]
    assert "cracked less" in said["clear"].splitlines()[0]
    for sure in ("likely", "open"):
        assert "cracked less" not in said[sure].splitlines()[0]


def test_cause_is_claimed_only_where_lots_were_drawn(facts):
    drawn, chosen = facts("no_air"), facts("two_seasons")
    assert "made drying take" in Told(drawn).text
    text = Told(chosen).text
    assert "made drying take" not in text
    assert "no lots were drawn for all" in text
    assert "the choice of bowls" in text


def test_a_seal_that_did_harm_is_said(story):
    text = story("harm_by_a_mix").text
    assert text.splitlines()[0] == "# Gran's mix no\\. 2 brought more cracks".replace("\\", "")
    assert "All 24 bowls under Gran's mix no. 2 cracked" in text


def test_a_clear_crack_count_leads_where_no_curve_could_be_compared(facts):
    base = facts("harm_by_a_mix")
    effects = base.seals.effects[base.seals.effects["outcome"] == "crack_hazard"]
    parts = {"effects": effects, "by_seal": base.seals.by_seal.assign(weeks=float("nan"))}
    told = Told(with_part(base, seals=type(base.seals)(**(vars(base.seals) | parts))))
    assert "All 24 bowls under Gran's mix no. 2 cracked" in told.text
    assert "weeks to dry" not in told.text


def test_one_bowl_is_one_bowl_in_the_dates_and_among_the_ends(facts):
    base = facts("nothing_cracked")
    bowls = base.bowls.copy()
    bowls["group"] = ["gone", "probably"] + ["ready"] * (len(bowls) - 2)
    bowls["p_ready_now"] = [1.0, 0.8] + [1.0] * (len(bowls) - 2)
    bowls["latest_on"] = base.day + pd.Timedelta(days=30)
    text = Told(with_part(base, bowls=bowls)).text
    assert "One more is probably there already." in text
    assert "should follow" not in text
    assert "One more bowl has left the shelf." in text


def test_an_empty_book_has_an_article():
    empty = books.record_book(books.BOOKS["one_bowl"]()).until("2020-01-01")
    from woodlab.article.facts import gather

    text = Told(gather(empty)).text
    assert text.startswith("# A season to come")
    assert "Take care" in text


def test_averages_in_the_table_give_the_ratio_that_is_said(story):
    """One yardstick for time: printed weeks and printed words agree within a tenth."""
    for name in ("two_seasons", "six_seals", "no_air"):
        told = story(name)
        weeks = {n.key.removeprefix("sealing.weeks."): float(n.text) for n in told.numbers
                 if n.key.startswith("sealing.weeks.") and n.text.isdigit()}  # fmt: skip
        ratios = {n.key.removeprefix("sealing.time."): n.value for n in told.numbers
                  if n.key.startswith("sealing.time.") and not n.key.endswith("range")}  # fmt: skip
        assert ratios
        for seal, ratio in ratios.items():
            assert weeks[seal] / weeks["none"] == pytest.approx(ratio, rel=0.1)


def test_dates_are_british_and_of_one_form(story):
    for name in books.BOOKS:
        text = without_cautions(story(name).text)
        months = "|".join(pd.date_range("2026-01-01", periods=12, freq="MS").strftime("%B"))
        assert not re.search(rf"\b({months}) \d{{1,2}}\b|\b[A-Z][a-z]{{2}} \d{{4}}", text)


@pytest.mark.parametrize("name", ["two_seasons", "six_seals", "a_wood_leads"])
def test_a_book_kept_in_inches_has_an_article_in_inches(name, facts):
    """The same sentences, walls to leave never less than in millimetres."""
    metric, inches = (Told(facts(name), units) for units in (METRIC, SHOWN_UNITS["lb-in"]))
    assert " mm" in metric.text
    assert " mm" not in without_cautions(inches.text + inches.box)
    for one, other in zip(metric.numbers, inches.numbers, strict=True):
        assert one.key == other.key
        if not one.text.endswith(" mm"):
            assert one.text == other.text
        elif one.key.startswith("walls.leave"):
            whole, _, part = other.text.removesuffix(" in").rpartition(" ")
            assert 25.4 * float(Fraction(part) + int(whole or 0)) >= one.value - 1e-6
