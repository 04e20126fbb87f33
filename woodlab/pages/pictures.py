"""The pages' pictures as SVG files, wide and narrow; each turns dark by itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from woodlab import charts
from woodlab.charts.saving import page_svg
from woodlab.errors import WoodlabError
from woodlab.pages.facts import Facts


@dataclass(frozen=True)
class Figure:
    """A picture as a page shows it: its files' name, its words, the page behind it."""

    name: str
    heading: str
    alt: str
    behind: str


def draw(facts: Facts, folder: Path) -> dict[str, Figure]:
    """Write each picture that this season can fill; the rest are left out."""
    folder.mkdir(parents=True, exist_ok=True)
    looked = facts.bowls[facts.bowls["looked"]]
    seals, cracks = (getattr(study, "effects", None) for study in (facts.seals, facts.cracks))
    asked: list[tuple[str, str, str, Callable[[Any], Any]]] = [
        ("season", "The season at a glance", "4_sealing.html",
         lambda size: charts.season_at_a_glance(facts.bowls, facts.curves, seals, size=size)),
        ("bargain", "What sealing cost, and what it saved", "4_sealing.html",
         lambda size: charts.weeks_against_cracks(facts.seals.by_seal, seals, size=size)),
        ("cracks", "What cracked", "5_cracks.html",
         lambda size: charts.cracks_as_counts(looked, cracks, size=size)),
        ("life", "One bowl from turning to today", "2_drying_curves.html",
         lambda size: charts.life_of_a_bowl(facts.bowls, facts.curves, facts.book.looks, facts.air,
                                            piece=facts.life, size=size)),
        ("inside", "Why a seal helps: inside the wall", "2_drying_curves.html",
         lambda size: charts.inside_the_wall(facts.profiles, size=size)),
    ]  # fmt: skip
    made = {}
    for name, heading, behind, make in asked:
        if name == "bargain" and facts.seals is None:
            continue
        try:
            wide, narrow = make("page"), make("column")
        except WoodlabError:
            continue  # this season has nothing to fill it with
        for chart, tail in ((wide, ""), (narrow, "_narrow")):
            (folder / f"{name}{tail}.svg").write_text(page_svg(chart), encoding="utf-8")
        made[name] = Figure(name, heading, wide.description, behind)
    return made
