"""The article's story: the parts put in order, the one table, the summary, the cautions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from woodlab.article.asked import Asked
from woodlab.article.findings import Figure, Finding, Part, attempt
from woodlab.article.forms import Forms
from woodlab.article.parts.cracks import cracks_part
from woodlab.article.parts.drying import drying_part
from woodlab.article.parts.ready import ready_part
from woodlab.article.parts.sealing import sealing_part
from woodlab.article.parts.season import seal_name, seals_of, season_sentences
from woodlab.article.parts.walls import walls_part
from woodlab.article.plain import Source, plain_text
from woodlab.book.record_book import RecordBook
from woodlab.studies import cautions

MOST_FIGURES = 4
FEW_WEIGHINGS = 6  # a piece; with fewer, an advice to weigh more is given
_SUMMARY_ORDER = ("sealing", "cracks", "ready", "walls", "drying")


@dataclass(frozen=True)
class Section:
    """One heading of "what we found"."""

    key: str
    heading: str
    part: Part


@dataclass(frozen=True)
class Story:
    """All that an article says, before it is set in any format."""

    title: str
    done: tuple[str, ...]
    sections: tuple[Section, ...]
    table: dict[str, Any] | None
    figures: tuple[Figure, ...]
    book_name: str
    to_record: tuple[str, ...] = ()

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Every finding, in the order of the sections."""
        return tuple(found for section in self.sections for found in section.part.findings)

    @property
    def unknown(self) -> tuple[str, ...]:
        """What could not be told, and why."""
        cannot = [
            found.sentence
            for found in self.findings
            if found.sentence and found.certainty == "cannot tell"
        ]
        said = [*cannot, *(s for section in self.sections for s in section.part.unknown)]
        return tuple(dict.fromkeys(_sentence(text) for text in said))

    @property
    def failed(self) -> tuple[str, ...]:
        """Parts that a fault of the kit has kept out."""
        return tuple(what for section in self.sections for what in section.part.failed)

    @property
    def summary(self) -> tuple[str, ...]:
        """The findings that can be spoken of, shortly; or that there are none yet."""
        rank = {key: place for place, key in enumerate(_SUMMARY_ORDER)}
        ordered = sorted(self.findings, key=lambda found: rank[found.key.split(".")[0]])
        short = [found.short for found in ordered if found.short]
        if short:
            return tuple(_sentence(text) for text in short[:4])
        return ("The records do not yet allow a finding; this is where the season stands.",)

    def as_template(self, placed: dict[str, dict[str, Any]]) -> dict[str, Any]:
        """The names that a template may use."""
        sections: list[dict[str, Any]] = []
        for section in self.sections:
            told = [_sentence(text) for text in section.part.sentences]
            pictures = [placed[f.key] for f in section.part.figures if f.key in placed]
            sections.append(
                {
                    "key": section.key,
                    "heading": section.heading,
                    "sentences": told,
                    "figures": pictures,
                    "table": None,
                }
            )
        sections = [s for s in sections if s["sentences"] or s["figures"]]
        if self.table is not None:
            if not sections:
                sections.append(
                    {"key": "table", "heading": "By seal", "sentences": [], "figures": []}
                )
            sections[0]["table"] = self.table
        return {
            "title": self.title,
            "summary": self.summary,
            "done": self.done,
            "sections": sections,
            "unknown": self.unknown or ("Nothing that we asked was left without an answer.",),
            "to_try": self.to_try,
            "method": self.method,
            "cautions": cautions.ALL,
            "findings": {found.key: found for found in self.findings},
            "book_name": self.book_name,
        }

    @property
    def to_try(self) -> tuple[str, ...]:
        """What would tell more next season."""
        said = [s for section in self.sections for s in section.part.to_try]
        said += self.to_record
        return tuple(dict.fromkeys(said)) or (
            "Keep the records going: every weighing and every look makes the intervals shorter.",
        )

    @property
    def method(self) -> tuple[str, ...]:
        """How it was worked out."""
        said = [s for section in self.sections for s in section.part.method]
        return tuple(dict.fromkeys([*said, *_WORDS]))


_WORDS = (
    "Numbers in brackets are 95 % intervals: with records like these, the true value lies in "
    "such an interval 95 times in 100.",
    "We say that something is so when that interval leaves no other reading, “probably” when "
    "only the 80 % interval does, and else that we cannot tell.",
    "Each number stands in article.json with the call that makes it again.",
)


def tell(book: RecordBook, forms: Forms, *, names: bool = False) -> Story:
    """Ask each study what it can say of the book, and put the answers in order."""
    asked = Asked(book)
    makers: list[tuple[str, str, str, Callable[[], Part]]] = [
        ("drying", "How fast they dried", "How fast the pieces dry",
         lambda: drying_part(asked, forms)),
        ("sealing", "What sealing did", "What sealing does",
         lambda: sealing_part(asked, forms)),
        ("cracks", "What cracked", "What cracks",
         lambda: cracks_part(asked, forms)),
        ("ready", "What is ready", "Which pieces are ready",
         lambda: ready_part(asked, forms)),
        ("walls", "How much wall to leave", "How much wall to leave",
         lambda: walls_part(asked, forms)),
    ]  # fmt: skip
    sections = tuple(
        Section(key, heading, attempt(what, make)) for key, heading, what, make in makers
    )
    figures = [figure for section in sections for figure in section.part.figures]
    return Story(
        title=_title(book, forms),
        done=season_sentences(book, forms, names),
        sections=sections,
        table=_table(book, sections, forms),
        figures=tuple(figures[:MOST_FIGURES]),
        book_name=plain_text(book.name),
        to_record=records_to_add(book),
    )


def records_to_add(book: RecordBook) -> tuple[str, ...]:
    """What the book lacks that would tell most, the first of it first; nothing if it lacks nothing.

    Examples
    --------
    >>> import pandas as pd
    >>> pieces = {"piece": ["A1"], "species": "white ash", "turned_on": "2026-03-01",
    ...           "wall_mm": 25, "seal": "none"}
    >>> weighings = {"piece": ["A1"], "on": ["2026-03-01"], "mass_g": [1480]}
    >>> book = RecordBook.from_frames(pieces=pd.DataFrame(pieces),
    ...                               weighings=pd.DataFrame(weighings))
    >>> [said.split()[0] for said in records_to_add(book)]
    ['Weigh', 'Dry', 'Write', 'Look']
    """
    said = []
    if len(book.pieces) and len(book.weighings) < FEW_WEIGHINGS * len(book.pieces):
        said.append(
            "Weigh each piece every week for the first three months: with fewer than "
            f"{FEW_WEIGHINGS} weighings each, a curve and a guess are hard to tell apart."
        )
    if not len(book.offcuts):
        said.append(
            "Dry an offcut of each log in an oven: without it what a piece weighs dry, and so how "
            "moist it is, is known within wide bounds only."
        )
    if not len(book.air):
        said.append(
            "Write down the temperature and humidity of the store once a day: they set the "
            "moisture at which drying ends."
        )
    if not len(book.looks):
        said.append(
            "Look each piece over for cracks every week, and write down the looks that find none "
            "too: without them nothing can be said of cracks."
        )
    return tuple(said)


def _title(book: RecordBook, forms: Forms) -> str:
    count = len(book.pieces)
    title = f"How {forms.count(count, 'rough-turned bowl')} dried" if count else "A season to come"
    return f"{title} (invented records)" if book.invented else title


def _table(book: RecordBook, sections: tuple[Section, ...], forms: Forms) -> dict[str, Any] | None:
    """One row a seal; each cell a finding's own text, or "–" where there is none."""
    if not len(book.pieces):
        return None
    found = {finding.key: finding for section in sections for finding in section.part.findings}
    columns = [
        ("Half the water gone [days]", "drying.half"),
        ("Drying time against bare [ratio]", "sealing.drying_time"),
        ("Cracked [of those looked at]", "cracks.share"),
    ]
    seals = seals_of(book.pieces)
    used = [
        (title, key) for title, key in columns if any(f"{key}.{seal}" in found for seal in seals)
    ]
    rows = []
    for seal in seals:
        group = book.pieces[book.pieces["seal"] == seal]
        cells = [seal_name(seal), forms.number(len(group))]
        for _, key in used:
            finding = found.get(f"{key}.{seal}")
            cells.append(finding.both if finding is not None else "–")
        rows.append(cells)
    return {
        "header": ["Seal", "Pieces", *(title for title, _ in used)],
        "rule": Source(
            f"|:{'-' * 22}|{'-' * 11}:|"
            + "".join(f"{'-' * (32 if key == 'cracks.share' else 24)}:|" for _, key in used)
        ),
        "rows": rows,
        "caption": (
            "The season by seal: estimates with 95 % intervals in brackets; “–” where there is "
            "none."
        ),
    }  # fmt: skip


def _sentence(text: str) -> str:
    text = plain_text(text)
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?", "…")) else text + "."
