"""How a result shows itself: some sentences, one table, and the names of what else it holds.

A frozen result inherits `Shown` and writes one method, `card()`. Everything else (HTML for
JupyterLab and the pages, plain text, `summary()`) is made from that card, so that they cannot
disagree. The HTML has no script and takes its colours from the theme around it.
Declare results `@dataclass(frozen=True, eq=False, repr=False)`, or the dataclass writes its own
repr.
"""

from __future__ import annotations

import html
import re
import textwrap
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib.resources import files
from types import SimpleNamespace
from typing import Any

import pandas as pd

from woodlab import words
from woodlab.errors import WoodlabError
from woodlab.words import METRIC, SHOWN_UNITS, Units

STYLE = f"<style>{(files('woodlab') / 'show.css').read_text(encoding='utf-8')}</style>"


@dataclass(frozen=True)
class Column:
    """A column as a reader sees it: its heading, how a row is worded, and how it is set."""

    heading: str
    text: Callable[[Any], str]
    number: bool = True


@dataclass(frozen=True)
class Card:
    """What a result says: `says[0]`, if any, is the headline. Cells are text, ready to print."""

    says: tuple[str, ...]
    headings: tuple[str, ...] = ()
    numeric: tuple[bool, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    caption: str = ""
    more: tuple[str, ...] = ()


def card(
    says: Iterable[str],
    frame: pd.DataFrame | None = None,
    columns: Iterable[Column] = (),
    *,
    caption: str = "",
    needs: Iterable[str] = (),
    name: str = "",
    most: int = 60,
    more: Iterable[str] = (),
) -> Card:
    """A card from a frame: a row whose `needs` are all empty is not printed but told of, with the
    reason in its column `reason`."""
    says, columns, needs = [s for s in says if s], tuple(columns), list(needs)
    if frame is None or not len(frame):
        return Card(tuple(says), more=tuple(more))
    empty = frame[needs].isna().all(axis=1) if needs else pd.Series(False, index=frame.index)
    kept = frame[~empty]
    if empty.any():
        says.append(left_out(frame[empty], name or frame.columns[0]))
    if len(kept) > most:
        shown = f"the first {most} of {len(kept)} (the frame holds them all)"
        caption = f"{caption.rstrip('.')}: {shown}" if caption else words.opened(shown)
    records = (SimpleNamespace(**record) for record in kept.head(most).to_dict("records"))
    return Card(
        tuple(says),
        tuple(c.heading for c in columns),
        tuple(c.number for c in columns),
        tuple(tuple(column.text(row) or "–" for column in columns) for row in records),
        caption.strip(),
        tuple(more),
    )


def left_out(rows: pd.DataFrame, name: str) -> str:
    """One sentence for all rows without a number: 'No figure for oil and soap (one piece each)'."""
    why = rows["reason"].fillna("") if "reason" in rows else pd.Series("", index=rows.index)
    said: list[str] = []
    for reason, group in rows.groupby(why.str.strip().str.rstrip("."), sort=False):
        said.append(listed(group[name].astype(str).unique()) + (f" ({reason})" if reason else ""))
    if len(said) > 3:  # a wall of reasons is read by nobody
        said = [listed(rows[name].astype(str).unique())]
    return "No figure for " + "; ".join(said) + "."


def listed(items: Iterable[Any], most: int = 8) -> str:
    """'a, b and c'; a long list says how many it leaves out."""
    items = [str(item) for item in items]
    if len(items) > most:
        items = [*items[: most - 1], f"{len(items) - most + 1} more"]
    return " and ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)


# Columns of what a maker or the kit has named: text that no unit is looked for in.
NAMES = {"piece", "bowl", "wood", "species", "seal", "place", "log", "maker", "key", "call"}
_answers = METRIC


def answer_in(units: Units | str) -> Units:
    """Show every result in these units from now on; frames stay in millimetres and grams.

    Parameters
    ----------
    units : Units or str
        `book.units`, those in which a book is kept, or one of "g-mm", "kg-mm", "lb-in".

    Returns
    -------
    Units

    Raises
    ------
    WoodlabError
        If it is none of these.

    Examples
    --------
    >>> import woodlab as wl
    >>> units = wl.answer_in("lb-in")
    >>> wl.table(pd.DataFrame({"wood": ["ash"], "wall_mm": [19.05]}), says="Up to 300 mm wide.")
    Up to 11 13/16 in wide.
    <BLANKLINE>
    wood   wall
     ash 3/4 in
    >>> units = wl.answer_in("g-mm")
    """
    global _answers
    _answers = units_named(units)
    return _answers


def answers() -> Units:
    """The units to answer in."""
    return _answers


@contextmanager
def answering_in(units: Units) -> Iterator[None]:
    """While this lasts, everything is shown in these units."""
    before = _answers
    answer_in(units)
    try:
        yield
    finally:
        answer_in(before)


def units_named(units: Any) -> Any:
    """Units, by their name or themselves."""
    if isinstance(units, str) and units not in SHOWN_UNITS:
        raise WoodlabError(f"units are some of {', '.join(SHOWN_UNITS)}; found {units!r}.")
    return SHOWN_UNITS[units] if isinstance(units, str) else units


def _answered(shown: Card) -> Card:
    """The card in the units to answer in: its sentences, and the cells of its table."""
    if _answers == METRIC:
        return shown
    units = [re.search(r" \[(mm|g)\]", heading) for heading in shown.headings]

    def cell(text: str, k: int) -> str:
        unit, head = units[k], shown.headings[k]
        if unit and re.fullmatch(r"(at most )?-?[\d.]+( to -?[\d.]+)?", text):
            up = "leave " if "at least" in head else ""
            return _answers.told(f"{up}{text} {unit[1]}").removeprefix(up)
        return text if head in NAMES else _answers.told(text)

    return replace(
        shown, says=tuple(map(_answers.told, shown.says)), caption=_answers.told(shown.caption),
        headings=tuple(h.replace(u[0], "") if u else h
                       for h, u in zip(shown.headings, units, strict=True)),
        rows=tuple(tuple(cell(text, k) for k, text in enumerate(row)) for row in shown.rows),
    )  # fmt: skip


class Shown:
    """Makes a result show itself. The class that inherits it writes `card()`."""

    def card(self) -> Card:
        raise NotImplementedError

    def summary(self) -> str:
        """The result in sentences, one a line."""
        return "\n".join(_answered(self.card()).says)

    @property
    def to_bear_in_mind(self) -> Said:
        """The cautions that go with every number of the result."""
        return Said(tuple(getattr(self, "cautions", ())))

    def _repr_html_(self) -> str:
        shown, text = _answered(self.card()), _as_html
        out = [STYLE, '<div class="wl-show">']
        out += [f'<p class="wl-lead">{text(said)}</p>' for said in shown.says[:1]]
        out += [f"<p>{text(said)}</p>" for said in shown.says[1:]]
        if shown.rows:
            wide = [
                max(len(cell) for cell in column) > 32 for column in zip(*shown.rows, strict=True)
            ]
            kinds = ["n" if n else "wl-wide" if w else "wl-one"
                     for n, w in zip(shown.numeric, wide, strict=True)]  # fmt: skip

            def row(cells: tuple[str, ...], tags: list[str]) -> str:
                made = (f'<{tag} class="{kind}">{text(cell)}</{tag[:2]}>'
                        for tag, kind, cell in zip(tags, kinds, cells, strict=True))  # fmt: skip
                return f"<tr>{''.join(made)}</tr>"

            n = len(kinds)
            head = row(shown.headings, ['th scope="col"'] * n)
            body = "".join(
                row(cells, ['th scope="row"'] + ["td"] * (n - 1)) for cells in shown.rows
            )
            named = f"<caption>{text(shown.caption)}</caption>" if shown.caption else ""
            label = html.escape(shown.caption or "".join(shown.says[:1]) or "table")
            out.append(
                f'<div class="wl-scroll" tabindex="0" role="region" aria-label="{label}">'
                f"<table>{named}<thead>{head}</thead><tbody>{body}</tbody></table></div>"
            )
        if shown.more:
            names = ", ".join(f"<code>{text(name)}</code>" for name in shown.more)
            out.append(f'<p class="wl-more">more: {names}</p>')
        return "".join(out) + "</div>"

    def __repr__(self) -> str:
        shown = _answered(self.card())
        lines = list(shown.says)
        if shown.rows:
            table = [[textwrap.shorten(cell, 60, placeholder=" ...") for cell in row]
                     for row in (shown.headings, *shown.rows)]  # fmt: skip
            lines += [""] if lines else []
            lines += [shown.caption] if shown.caption else []
            lines += aligned(table, shown.numeric)
        return "\n".join([*lines, *([f"more: {', '.join(shown.more)}"] if shown.more else [])])


def _as_html(said: str) -> str:
    """Text as HTML; `what stands between two of these` as code."""
    return re.sub(r"`([^`]+)`", r"<code>\1</code>", html.escape(said))


def aligned(rows: Sequence[Sequence[str]], numeric: Sequence[bool] = ()) -> list[str]:
    """A table in plain text, a line a row: words to the left, numbers to the right."""
    wide = [max(map(len, column)) for column in zip(*rows, strict=True)]
    right = [*numeric, *[False] * (len(wide) - len(numeric))]
    return [
        "  ".join(cell.rjust(w) if number else cell.ljust(w)
                  for cell, w, number in zip(row, wide, right, strict=True)).rstrip()
        for row in rows
    ]  # fmt: skip


@dataclass(frozen=True, eq=False, repr=False)
class Said(Shown):
    """Sentences alone, one a line: cautions, or why there is nothing to show."""

    says: tuple[str, ...]

    def card(self) -> Card:
        return Card(self.says or ("Nothing.",))


@dataclass(frozen=True, eq=False, repr=False)
class Table(Shown):
    """A frame as a reader sees it. Made by `table`; the numbers themselves are in `frame`."""

    shown: Card
    frame: pd.DataFrame

    def card(self) -> Card:
        return self.shown


@dataclass(frozen=True, eq=False, repr=False)
class Nothing(Said):
    """A part that has nothing to show: a quiet line that says why."""

    def _repr_html_(self) -> str:
        return f'{STYLE}<p class="wl-none">{html.escape(self.summary())}</p>'
