"""The article before it is set: headline, lead, sections, boxes, pictures, and every number."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from woodlab.article.facts import Facts
from woodlab.article.forms import Forms
from woodlab.article.parts import boxes as boxed
from woodlab.article.parts.cracks import cracks_section
from woodlab.article.parts.lead import headline, lead_sentences, leading
from woodlab.article.parts.ready import ready_section
from woodlab.article.parts.seals import seals_section
from woodlab.article.parts.section import Box, Figure, Section, Table
from woodlab.article.parts.walls import walls_section
from woodlab.article.plain import Source
from woodlab.article.say import Number, Say

INVENTED = "Invented records, made up to try the kit on: they say nothing about real wood."


@dataclass(frozen=True)
class Story:
    """All that an article says. `numbers` are those printed, in their order."""

    title: str
    invented: bool
    lead: str
    sections: tuple[Section, ...]
    boxes: tuple[Box, ...]
    short: tuple[str, str]
    makers: str
    numbers: tuple[Number, ...]

    @property
    def title_alone(self) -> str:
        """The title where it stands alone: in a list, or as a file's name."""
        return f"{self.title} (invented records)" if self.invented else self.title

    @property
    def figures(self) -> tuple[Figure, ...]:
        """In the order in which they stand."""
        return tuple(figure for section in self.sections for figure in section.figures)

    def as_template(self, placed: dict[str, dict[str, Any]]) -> dict[str, Any]:
        """The names that a template may use."""
        sections = [
            {
                "key": section.key, "heading": section.heading,
                "paragraphs": section.paragraphs, "table": _as_rows(section.table),
                "figures": [placed[f.key] for f in section.figures if f.key in placed],
            }
            for section in self.sections
        ]  # fmt: skip
        return {
            "title": self.title, "invented": INVENTED if self.invented else "",
            "lead": self.lead, "sections": sections, "boxes": self.boxes, "makers": self.makers,
            "box_title": self.short[0], "box": self.short[1],
        }  # fmt: skip


def tell(facts: Facts, forms: Forms, *, names: bool = False) -> Story:
    """Compose the article of a season; the same book gives the same text."""
    say = Say(facts.book.hash, forms)
    lead = leading(facts)
    title = headline(facts, lead, say)
    makers = facts.book.pieces["maker"].dropna().unique() if names else ()
    marked = [
        title, lead_sentences(facts, lead, say),
        f"Turned by {say.listed([say.name(m) for m in makers])}." if len(makers) else "",
    ]  # fmt: skip
    made = (seals_section(facts, lead, say), cracks_section(facts, lead, say),
            ready_section(facts, say), walls_section(facts, say))  # fmt: skip
    sections = [section for section in made if section is not None]
    numbers: list[Number] = []

    def settled(text: str) -> str:
        clean, found = say.settled(text)
        numbers.extend(found)
        return clean

    return Story(
        title=settled(marked[0]),
        invented=facts.book.invented,
        lead=settled(marked[1]),
        sections=tuple(_settled_section(section, settled) for section in sections),
        boxes=tuple(
            box if box.key == "care" else
            replace(box, points=tuple(settled(p) for p in box.points),
                    paragraph=settled(box.paragraph))
            for box in boxed.boxes(facts, lead, say)
        ),
        short=_both(boxed.short_box(facts, lead, say, title), settled),
        makers=settled(marked[2]),
        numbers=tuple(numbers),
    )  # fmt: skip


def _both(pair: tuple[str, str], settled: Any) -> tuple[str, str]:
    return settled(pair[0]), settled(pair[1])


def _settled_section(section: Section, settled: Any) -> Section:
    table = section.table
    if table is not None:
        rows = tuple(tuple(settled(cell) for cell in row) for row in table.rows)
        table = replace(table, rows=rows, caption=settled(table.caption))
    return replace(
        section, heading=settled(section.heading), table=table,
        paragraphs=tuple(settled(text) for text in section.paragraphs),
        figures=tuple(replace(f, caption=settled(f.caption)) for f in section.figures),
    )  # fmt: skip


def _as_rows(table: Table | None) -> dict[str, Any] | None:
    if table is None:
        return None
    return {
        "header": table.headings, "rows": table.rows, "caption": table.caption,
        "rule": Source("|:--|" + "--:|" * (len(table.headings) - 1)),
    }  # fmt: skip
