"""The pages' pictures as SVG files, legible on a phone and on a desk; each turns dark by itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from woodlab import charts
from woodlab.charts.saving import page_svg
from woodlab.errors import WoodlabError
from woodlab.pages.facts import Facts
from woodlab.show import answering_in


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
    asked: list[tuple[str, str, str, Callable[[], Any]]] = [
        ("season", "The season at a glance", "4_sealing.html",
         lambda: charts.season_at_a_glance(facts.bowls, facts.curves, seals)),
        ("bargain", "What sealing cost, and what it saved", "4_sealing.html",
         lambda: charts.weeks_against_cracks(facts.seals.by_seal, seals)),
        ("cracks", "What cracked", "5_cracks.html",
         lambda: charts.cracks_as_counts(looked, cracks)),
        ("life", "One bowl from turning to today", "2_drying_curves.html",
         lambda: charts.life_of_a_bowl(facts.bowls, facts.curves, facts.book.looks, facts.air,
                                            piece=facts.life)),
        ("inside", "Why a seal helps: inside the wall", "2_drying_curves.html",
         lambda: charts.inside_the_wall(facts.profiles)),
    ]  # fmt: skip
    made = {}
    for name, heading, behind, make in asked:
        if name == "bargain" and facts.seals is None:
            continue
        try:
            with answering_in(facts.book.units):
                chart = make()
        except WoodlabError:
            continue  # this season has nothing to fill it with
        (folder / f"{name}.svg").write_text(page_svg(chart), encoding="utf-8")
        made[name] = Figure(name, heading, chart.description, behind)
    return made
