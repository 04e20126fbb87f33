"""How a result shows itself: some sentences, one table, and the names of what else it holds.

A frozen result inherits `Shown` and writes one method, `card()`. Everything else (HTML for
JupyterLab and the pages, Markdown, plain text, `summary()`) is made from that card, so that they
cannot disagree. The HTML has no script and takes its colours from the theme around it.
Declare results `@dataclass(frozen=True, eq=False, repr=False)`, or the dataclass writes its own
repr.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from importlib.resources import files
from types import SimpleNamespace
from typing import Any

import pandas as pd

STYLE = f"<style>{(files('woodlab') / 'show.css').read_text(encoding='utf-8')}</style>"


@dataclass(frozen=True)
class Column:
    """A column as a reader sees it: its heading, how a row is worded, and how it is set."""

    heading: str
    text: Callable[[Any], str]
    number: bool = True


@dataclass(frozen=True)
class Card:
    """What a result says: `says[0]` is the headline. Cells are text, ready to print."""

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
    """A card from a frame: a row whose `needs` are all empty is not printed but told of.

    The reasons come from the frame's column `reason`; rows that share one are named together.
    """
    says, columns, needs = [s for s in says if s], tuple(columns), list(needs)
    if frame is None or not len(frame):
        return Card(tuple(says), more=tuple(more))
    empty = frame[needs].isna().all(axis=1) if needs else pd.Series(False, index=frame.index)
    kept = frame[~empty]
    if empty.any():
        says.append(left_out(frame[empty], name or frame.columns[0]))
    if len(kept) > most:
        caption = (
            f"{caption.rstrip('.')}: the first {most} of {len(kept)} (the frame holds them all)"
        )
    rows = tuple(
        tuple(column.text(row) or "–" for column in columns)
        for row in (SimpleNamespace(**record) for record in kept.head(most).to_dict("records"))
    )
    return Card(
        tuple(says),
        tuple(c.heading for c in columns),
        tuple(c.number for c in columns),
        rows,
        caption.strip(),
        tuple(more),
    )


def left_out(rows: pd.DataFrame, name: str) -> str:
    """One sentence for all rows without a number: 'No figure for oil and soap (one piece each)'."""
    why = rows["reason"].fillna("") if "reason" in rows else pd.Series("", index=rows.index)
    said = []
    for reason, group in rows.groupby(why.str.strip().str.rstrip("."), sort=False):
        said.append(listed(group[name].astype(str).unique()) + (f" ({reason})" if reason else ""))
    return "No figure for " + "; ".join(said) + "."


def listed(items: Iterable[Any], most: int = 8) -> str:
    """'a, b and c'; a long list says how many it leaves out."""
    items = [str(item) for item in items]
    if len(items) > most:
        items = [*items[: most - 1], f"{len(items) - most + 1} more"]
    return " and ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)


class Shown:
    """Makes a result show itself. The class that inherits it writes `card()`."""

    def card(self) -> Card:
        raise NotImplementedError

    def summary(self) -> str:
        """The result in sentences, one a line."""
        return "\n".join(self.card().says)

    def _repr_html_(self) -> str:
        shown, text = self.card(), html.escape
        out = [STYLE, '<div class="wl-show">', f'<p class="wl-lead">{text(shown.says[0])}</p>']
        out += [f"<p>{text(said)}</p>" for said in shown.says[1:]]
        if shown.rows:
            longest = [max(len(row[k]) for row in shown.rows) for k in range(len(shown.headings))]
            kind = [
                "n" if n else "wl-wide" if long > 32 else "wl-one"
                for n, long in zip(shown.numeric, longest, strict=True)
            ]
            head = "".join(
                f'<th scope="col" class="{k}">{text(h)}</th>'
                for h, k in zip(shown.headings, kind, strict=True)
            )
            body = "".join(
                "<tr>"
                + "".join(
                    f'<th scope="row" class="{k}">{text(cell)}</th>'
                    if i == 0
                    else f'<td class="{k}">{text(cell)}</td>'
                    for i, (cell, k) in enumerate(zip(row, kind, strict=True))
                )
                + "</tr>"
                for row in shown.rows
            )
            out.append(
                '<div class="wl-scroll" tabindex="0" role="region" '
                f'aria-label="{text(shown.caption or "table")}">'
                f"<table><caption>{text(shown.caption)}</caption><thead><tr>{head}</tr></thead>"
                f"<tbody>{body}</tbody></table></div>"
            )
        if shown.more:
            names = ", ".join(f"<code>{text(name)}</code>" for name in shown.more)
            out.append(f'<p class="wl-more">more: {names}</p>')
        return "".join(out).replace(' class=""', "") + "</div>"

    def _repr_markdown_(self) -> str:
        shown = self.card()
        safe = lambda cell: cell.replace("|", "\\|").replace("\n", " ")  # noqa: E731
        parts = [f"**{shown.says[0]}**", *shown.says[1:]]
        if shown.rows:
            lines = [shown.headings, [("--:" if n else ":--") for n in shown.numeric], *shown.rows]
            parts += [
                f"*{shown.caption}*",
                "\n".join("| " + " | ".join(map(safe, line)) + " |" for line in lines),
            ]
        if shown.more:
            parts.append("more: " + ", ".join(f"`{m}`" for m in shown.more))
        return "\n\n".join(parts)

    def __repr__(self) -> str:
        shown = self.card()
        lines = list(shown.says)
        if shown.rows:
            lines += [
                "",
                shown.caption,
                pd.DataFrame(shown.rows, columns=list(shown.headings)).to_string(
                    index=False, max_colwidth=60
                ),
            ]
        return "\n".join([*lines, *([f"more: {', '.join(shown.more)}"] if shown.more else [])])


@dataclass(frozen=True, eq=False, repr=False)
class Said(Shown):
    """Sentences alone, one a line: cautions, or why there is nothing to show."""

    says: tuple[str, ...]

    def card(self) -> Card:
        return Card(self.says or ("Nothing.",))
