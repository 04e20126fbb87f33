"""Random books with awkward texts, numbers and dates, and what must hold when they are saved.

Shared by `test_round_trips.py` and `tests/bench/bench_round_trip.py`.
"""

from __future__ import annotations

import random
from pathlib import Path

import pandas as pd

import woodlab as wl
from woodlab.book.tables import TABLES, Column

FORMS = ("book", "book.xlsx", "book.ods")

# Texts that a format is known to change or a reader to take for something else.
AWKWARD = (
    "a\rb", "a\r\nb", "a\nb", '"', '""', "'", "a,b;c\td", "_x0041_", "_x005F_x0041_", "_x000D_",
    "=1+1", "@x", "+1", "-1", "007", "1.10", "1.1", "1E1", "TRUE", "true", "nan", "NaN", "None",
    "NULL", "NA", "#N/A", "inf", "1,5", "1 1/8", "2026-03-01", "3/8", "e\u0301", "\u00e9", "\u200b",
    "a\u00a0b", "\u2028x", "x\x85y", "\ufeffx", "\U0001fab5", "<b>&amp;</b>", "]]>", "a  b",
    "a\t\tb", "\\n", "\\", "$(x)", "{0}", "%s", "0", "-0", "0.1", "a" * 5000, "\u05d0\u05d1",
    "oak", "wax",
)  # fmt: skip
_BLOCKS = ((32, 126), (160, 591), (880, 1023), (1424, 1535), (8192, 8303), (19968, 20100))


def text(rng: random.Random) -> str:
    """A text of any letters, or an awkward one, or two of them together."""
    kind = rng.random()
    if kind < 0.4:
        return rng.choice(AWKWARD)
    if kind < 0.6:
        return rng.choice(AWKWARD) + rng.choice(AWKWARD)
    return "".join(chr(rng.randint(*rng.choice(_BLOCKS))) for _ in range(rng.randint(1, 12)))


def date(rng: random.Random) -> pd.Timestamp:
    day = pd.Timestamp("1900-01-01") + pd.Timedelta(days=rng.randrange(73_000))
    if rng.random() < 0.6:
        return day
    step = rng.choice([60_000_000, 1_000_000, 1000, 1])
    return day + pd.Timedelta(microseconds=rng.randrange(86_400_000_000) // step * step)


def _number(rng: random.Random, column: Column) -> float:
    least = (column.least or 0.0) if column.above is None else column.above + 1e-3
    value = rng.uniform(least, column.most or 1e6)
    return rng.choice([value, max(round(value, 1), least), float(column.most or 1)])


def _cell(rng: random.Random, column: Column) -> object:
    if not column.required and rng.random() < 0.3:
        return None
    if column.kind == "date":
        return date(rng)
    if column.kind == "choice":
        return rng.choice(column.choices)
    return _number(rng, column) if column.kind == "number" else text(rng)


def random_book(rng: random.Random) -> wl.RecordBook:
    """A book of every kind of column, and columns of the maker's own; faulty rows are set aside."""
    marks = list(dict.fromkeys(text(rng) for _ in range(rng.randint(1, 5))))
    tables = {}
    for name, columns in TABLES.items():
        rows = len(marks) if name == "pieces" else rng.choice([0, 1, 2, 5])
        if rows == 0 and name not in ("pieces", "weighings"):
            continue
        table: dict[str, list] = {}
        for column in columns:
            if column.name == "piece":
                table["piece"] = [rng.choice(marks) for _ in range(rows)]
            elif column.name == "log":
                table["log"] = ["L1"] * rows
            elif column.required or rng.random() < 0.6:
                table[column.name] = [_cell(rng, column) for _ in range(rows)]
        if name == "pieces":
            table["piece"] = marks
        for _ in range(rng.choice([0, 0, 1, 2])):
            kind = rng.choice([
                text, date, lambda r: r.randrange(10**9), lambda r: r.uniform(-1e6, 1e6),
                lambda r: r.random() < 0.5, lambda r: None, lambda r: float(r.randrange(99)),
            ])  # fmt: skip
            table[f"own {text(rng)}"] = [kind(rng) for _ in range(rows)]
        tables[name] = pd.DataFrame(table)
    return wl.RecordBook.from_frames(set_aside=True, **tables)


def came_back(book: wl.RecordBook, path: Path) -> str:
    """Save and open again: `same`, or what was wrong."""
    try:
        book.save(path)
    except wl.WoodlabError as error:
        return f"refused: {error}"
    again = wl.open_book(path)
    if again.hash != book.hash:
        return f"another hash in {path.name}"
    for name in TABLES:
        one, other = getattr(book, name), getattr(again, name)
        if len(one) != len(other) or list(one.columns) != list(other.columns):
            return f"another shape of {name} in {path.name}"
    return "same"
