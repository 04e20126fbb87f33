"""Sentences of the article's parts on small hand-made rows."""

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd

import woodlab as wl
from woodlab.article.forms import Forms
from woodlab.article.parts.cracks import _without_number
from woodlab.article.parts.drying import _half_time, drying_part
from woodlab.article.parts.sealing import _by_reason, _finding

FORMS = Forms("en")


def silent(level, reason, kind="species"):
    return {"kind": kind, "level": level, "reference": "Cherry", "reason": reason}


def test_species_that_cannot_be_told_for_one_reason_share_a_sentence():
    """Twenty woods made eighteen lines that differed in a name."""
    reason = "each species here comes from a single log, so the records cannot tell {} from its log"
    rows = [silent(name, reason.format(name)) for name in ("Ash", "White Ash", "Elm")]
    rows.append(silent("Dogwood", "no seal is on both: Dogwood has only paint, Cherry only none"))
    rows.append(silent("", "thick and thin walls stand under different seals", kind="wall"))
    shared, alone, wall = _without_number(rows, FORMS)
    assert shared == (
        "which of these cracks more than Cherry (Ash, White Ash and Elm): each species here comes "
        "from a single log, so the records cannot tell it from its log"
    )
    assert alone.startswith("whether Dogwood cracks more than Cherry: no seal is on both: Dogwood")
    assert wall.startswith("whether thicker walls crack more: thick and thin")


def taus(*days):
    days = np.array(days, dtype=float)
    return pd.DataFrame({"estimate": days, "ci_lower": days * 0.9, "ci_upper": days * 1.1})


def test_one_piece_is_not_told_as_many():
    one = _half_time("paint", taus(43.0), FORMS)
    assert one.sentence.startswith("one piece sealed with paint lost half")
    assert "by its own curve" in one.sentence
    assert not one.short
    many = _half_time("paint", taus(40.0, 43.0, 46.0), FORMS)
    assert many.sentence.startswith("pieces sealed with paint lost half")
    assert "3 pieces" in many.sentence


def effect(n_logs):
    return {"outcome": "drying_time", "seal": "wax", "reference": "none", "ratio": 1.8,
            "ci_lower": 1.2, "ci_upper": 2.9, "p_holm": 0.01, "n_pieces": 5, "n_logs": n_logs,
            "reason": "", "certainty": "clear"}  # fmt: skip


SEALS = {"wax": {"weeks": 18.0, "n_looked": 3}, "none": {"weeks": 10.0, "n_looked": 2}}


def test_what_one_log_shows_is_no_headline():
    one, two = _finding(effect(1), FORMS, SEALS), _finding(effect(2), FORMS, SEALS)
    assert "5 pieces from 1 log, and another log may differ" in one.sentence
    assert not one.short
    assert "may differ" not in two.sentence
    assert two.short == "Under wax, drying took 18 weeks on average, 10 with bare pieces"
    assert math.isclose(one.value, two.value)


def test_questions_open_for_one_reason_share_a_sentence():
    drying, cracks = "whether drying takes longer", "whether cracks are rarer"
    said = _by_reason(
        [(drying, "paint", ": one piece"), (cracks, "paint", ": one piece"),
         (cracks, "wax", ": no looks")],
        FORMS,
    )  # fmt: skip
    assert said == [
        f"{drying} and {cracks} under paint we cannot tell: one piece",
        f"{cracks} under wax we cannot tell: no looks",
    ]


def test_a_curve_whose_oven_dry_mass_stands_at_its_bound_has_no_half_time():
    """One swapped weight had moved the bare pieces' mean from ten days to twelve."""
    demo = wl.demo_book()
    bare = demo.pieces[demo.pieces["seal"] == "none"]
    book = wl.RecordBook.from_frames(
        pieces=bare, weighings=demo.weighings[demo.weighings["piece"].isin(bare["piece"])],
        air=demo.air, offcuts=demo.offcuts[demo.offcuts["log"].isin(bare["log"])],
    )  # fmt: skip
    fits = wl.fit_drying(book)
    assert fits.pieces.loc[fits.pieces["status"] == "bounded", "piece"].tolist() == ["C1"]
    part = drying_part(SimpleNamespace(book=book, fits=fits), FORMS)
    assert part.findings[0].n_pieces == len(bare) - 1
    assert any("(C1)" in said for said in part.unknown)
