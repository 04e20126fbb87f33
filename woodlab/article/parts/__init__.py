"""What each subject gives to an article: sections, boxes, pictures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from woodlab.article.plain import Source
from woodlab.pages.facts import asked


@dataclass(frozen=True)
class Figure:
    """A chart with the one line under it; `alt` says it to whoever cannot see it."""

    chart: Any
    caption: str
    alt: str
    number: int = 1

    @property
    def name(self) -> str:
        """Of its files."""
        return f"figure_{self.number}"

    @property
    def path(self) -> Source:
        """As the article names it."""
        return Source(f"figures/{self.name}.png")


def drawn(chart: Callable[[], Any], caption: str, alt: str) -> tuple[Figure, ...]:
    """The picture, or none where there is nothing to draw."""
    made = asked(chart)
    return (Figure(made, caption, alt),) if made is not None else ()


@dataclass(frozen=True)
class Table:
    """Headings and rows of text; the first column is a name, the rest are numbers."""

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str

    @property
    def rule(self) -> Source:
        """The line under the headings, in Markdown."""
        return Source("|:--|" + "--:|" * (len(self.header) - 1))


@dataclass(frozen=True)
class Section:
    """A heading, its paragraphs (an empty one is left out), and what is shown after the first."""

    heading: str
    paragraphs: tuple[str, ...]
    table: Table | None = None
    figures: tuple[Figure, ...] = ()


@dataclass(frozen=True)
class Box:
    """A box: points, or one paragraph."""

    key: str
    heading: str
    points: tuple[str, ...] = ()
    paragraph: str = ""
