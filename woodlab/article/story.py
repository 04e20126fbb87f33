"""The article before it is set: headline, lead, sections, boxes, pictures."""

from __future__ import annotations

from dataclasses import dataclass, replace

from woodlab.article.facts import Facts
from woodlab.article.parts import Box, Figure, Section
from woodlab.article.parts.boxes import boxes, short_box
from woodlab.article.parts.cracks import cracks_section
from woodlab.article.parts.lead import headline, lead_sentences, leading
from woodlab.article.parts.ready import ready_section
from woodlab.article.parts.seals import seals_section
from woodlab.article.parts.walls import walls_section
from woodlab.article.say import Say

INVENTED = "Invented records, made up to try the kit on: they say nothing about real wood."


@dataclass(frozen=True)
class Story:
    """All that an article says, by the names that a template uses; its numbers still marked."""

    title: str
    invented: str
    lead: str
    makers: str
    sections: tuple[Section, ...]
    boxes: tuple[Box, ...]
    box_title: str
    box: str

    @property
    def figures(self) -> list[Figure]:
        """In the order in which they stand."""
        return [figure for section in self.sections for figure in section.figures]


def tell(facts: Facts, say: Say, *, names: bool = False) -> Story:
    """Compose the article of a season; the same book gives the same text."""
    lead = leading(facts)
    title = headline(facts, lead, say)
    makers = facts.pieces["maker"].dropna().unique() if names else ()
    made = (seals_section(facts, lead, say), cracks_section(facts, lead, say),
            ready_section(facts, say), walls_section(facts, say))  # fmt: skip
    sections, count = [], 0
    for section in (one for one in made if one is not None):
        own = [replace(f, number=count + k) for k, f in enumerate(section.figures, start=1)]
        sections.append(replace(section, figures=tuple(own)))
        count += len(own)
    box_title, box = short_box(facts, lead, say, title)
    return Story(
        title=title, invented=INVENTED if facts.book.invented else "",
        lead=lead_sentences(facts, lead, say),
        makers=f"Turned by {say.listed(map(say.name, makers))}." if len(makers) else "",
        sections=tuple(sections), boxes=boxes(facts, lead, say), box_title=box_title, box=box,
    )  # fmt: skip
