"""The article before it is set: headline, lead, sections, boxes, pictures."""

from __future__ import annotations

from dataclasses import dataclass, replace

from woodlab.article.facts import Facts
from woodlab.article.parts import Box, Figure, Section
from woodlab.article.parts.boxes import boxes, short_box
from woodlab.article.parts.cracks import cracks_section
from woodlab.article.parts.lead import headline, lead_sentences
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
    say.woods = facts.woods
    title = headline(facts, say)
    makers = facts.pieces["maker"].dropna().unique() if names else ()
    sections: list[Section] = []
    count = 0
    for part in (seals_section, cracks_section, ready_section, walls_section):
        section = part(facts, say) if len(facts.pieces) else None
        if section is not None:
            own = [replace(f, number=count + k) for k, f in enumerate(section.figures, start=1)]
            count += len(own)
            paragraphs = tuple(filter(None, section.paragraphs))
            sections.append(replace(section, paragraphs=paragraphs, figures=tuple(own)))
    box_title, box = short_box(facts, say, title)
    return Story(
        title=title, invented=INVENTED if facts.book.invented else "",
        lead=lead_sentences(facts, say),
        makers=f"Turned by {say.listed(map(say.name, makers))}." if len(makers) else "",
        sections=tuple(sections), boxes=boxes(facts, say), box_title=box_title, box=box,
    )  # fmt: skip
