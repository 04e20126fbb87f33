"""The pieces that an article is put together from, and the calls behind its numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

RATES = "wl.crack_study(book).rates"
CRACKS = "wl.crack_study(book).effects"
FIRST = "wl.crack_study(book).first.used"
GROWTH = "wl.crack_study(book).growth_by_action"
WEEKS = "wl.seal_study(fits).by_seal"
EFFECTS = "wl.seal_study(fits).effects"
PAIRS = "wl.seal_study(fits).pairs"
READY = "wl.forecast_ready(fits)"
PIECES = "book.pieces"


@dataclass(frozen=True)
class Figure:
    """A chart with the one line under it; `alt` says it to whoever cannot see it."""

    key: str
    chart: Any
    caption: str
    alt: str


@dataclass(frozen=True)
class Table:
    """Headings and rows of text; the first column is a name, the rest are numbers."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str


@dataclass(frozen=True)
class Section:
    """A heading, its paragraphs, and what is shown after the first of them."""

    key: str
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
