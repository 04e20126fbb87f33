"""How much wall to leave: reckoned from published shrinkage; and what the book's rims say."""

from __future__ import annotations

import math

import woodlab as wl
from woodlab.article.findings import Figure, Finding, Part, first_sentence, written
from woodlab.article.forms import Forms
from woodlab.article.plain import short_name
from woodlab.book.record_book import RecordBook
from woodlab.errors import WoodlabError

FINISHED_WALL_MM = 8.0
HEIGHT_SHARE = 0.4
USUAL_RIM_MM = 250.0
_MOST_SPECIES = 6


def walls_part(book: RecordBook, forms: Forms) -> Part:
    """The smallest rough wall for a common finished bowl, by species."""
    rim = _finished_rim(book)
    findings, unknown = [], []
    for species in book.pieces["species"].value_counts().index[:_MOST_SPECIES]:
        try:
            findings.append(_finding(str(species), rim, forms))
        except WoodlabError as error:
            unknown.append(f"what wall {short_name(species)} needs: {first_sentence(error)}")
    return Part(
        findings=tuple(findings),
        told=_told(findings, rim, forms),
        figures=_figure(findings, rim, forms),
        unknown=tuple(unknown),
        method=(
            "The rough wall is carried through the geometry of a drying wedge of log, with the "
            "published shrinkage of each species and its scatter between trees.",
        )
        if findings
        else (),
    )


def _finished_rim(book: RecordBook) -> float:
    """A finished rim that suits the book's rough ones: a tenth less than their median."""
    median = float(book.pieces["rim_mm"].median())
    return math.floor(median * 0.9 / 10) * 10.0 if median >= 100 else USUAL_RIM_MM


def _finding(species: str, rim: float, forms: Forms) -> Finding:
    height = HEIGHT_SHARE * rim
    answer = wl.rough_wall(species, rim, height, FINISHED_WALL_MM)
    nan = float("nan")
    form = written(forms, round(answer.wall_mm), nan, nan)
    form["text"] = forms.number(answer.wall_mm)
    return Finding(
        key=f"walls.rough.{species}", value=answer.wall_mm, ci_lower=nan, ci_upper=nan, unit="mm",
        n_pieces=0, call=f"wl.rough_wall({species!r}, {rim:g}, {height:g}, {FINISHED_WALL_MM:g})",
        where={"field": "wall_mm"}, **form,
        sentence=f"published shrinkage asks for {form['text']} mm in {short_name(species)}",
    )  # fmt: skip


def _told(findings: list[Finding], rim: float, forms: Forms) -> tuple[str, ...]:
    if not findings:
        return ()
    by_wall = [
        f"{found.text} mm in {found.sentence.rpartition(' mm in ')[2]}" for found in findings
    ]
    return (
        f"For a finished bowl {forms.number(rim)} mm wide with a wall of "
        f"{forms.number(FINISHED_WALL_MM)} mm, published shrinkage asks for a rough wall of at "
        f"least {forms.listed(by_wall)}; that holds for nineteen trees in twenty. It comes from "
        "tables and geometry, not from this season's pieces",
    )


def _figure(findings: list[Finding], rim: float, forms: Forms) -> tuple[Figure, ...]:
    return ()
