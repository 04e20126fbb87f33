"""Random books with awkward texts, numbers and dates, and what must hold when they are saved.

Shared by `test_round_trips.py` and `tests/bench/bench_round_trip.py`.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
from hypothesis import strategies as st

import woodlab as wl
from woodlab.book.tables import TABLES

FORMS = ("book", "book.xlsx", "book.ods")

# Texts that a format is known to change or a reader to take for something else.
AWKWARD = (
    "a\rb", "a\r\nb", "a\nb", '"', '""', "'", "a,b;c\td", "_x0041_", "_x005F_x0041_", "_x000D_",
    "=1+1", "@x", "+1", "-1", "007", "1.10", "1.1", "1E1", "TRUE", "true", "nan", "NaN", "None",
    "NULL", "NA", "#N/A", "inf", "1,5", "1 1/8", "2026-03-01", "3/8", "e\u0301", "\u00e9", "\u200b",
    "a\u00a0b", "\u2028x", "x\x85y", "\ufeffx", "\U0001fab5", "<b>&amp;</b>", "]]>", "a  b",
    "a\t\tb", "\\n", "\\", "$(x)", "{0}", "%s", "0", "-0", "0.1", "a" * 5000, "\u05d0\u05d1",
    "x\ny,z,w,v,u,t,s",
)  # fmt: skip

_LETTERS = st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"])
TEXT = st.one_of(
    st.sampled_from(AWKWARD),
    st.text(_LETTERS, min_size=1, max_size=12),
    st.tuples(st.sampled_from(AWKWARD), st.sampled_from(AWKWARD)).map("".join),
)
MAYBE = st.one_of(st.none(), TEXT)
DATE = st.one_of(
    st.datetimes(pd.Timestamp("1900-01-01"), pd.Timestamp("2100-12-31")),
    st.datetimes(pd.Timestamp("2026-01-01"), pd.Timestamp("2027-12-31")).map(
        lambda time: time.replace(hour=0, minute=0, second=0, microsecond=0)
    ),
)


def _number(least: float, most: float) -> st.SearchStrategy:
    some = st.floats(least, most)
    return st.one_of(some, some.map(lambda value: round(value, 1)).filter(lambda v: v >= least))


def _cells(column) -> st.SearchStrategy:
    if column.kind == "date":
        some = DATE
    elif column.kind == "choice":
        some = st.sampled_from(column.choices)
    elif column.kind == "number":
        least = column.least if column.above is None else column.above + 1e-3
        some = _number(least, column.most)
    else:
        some = TEXT
    return some if column.required else st.one_of(st.none(), some)


@st.composite
def frames(draw) -> dict[str, pd.DataFrame]:
    """Tables of a book by name: every kind of column, and columns of the maker's own."""
    marks = draw(st.lists(TEXT.filter(str.strip), min_size=1, max_size=4, unique_by=str.strip))
    made = {}
    for name, columns in TABLES.items():
        rows = len(marks) if name == "pieces" else draw(st.integers(0, 4))
        if rows == 0 and name not in ("pieces", "weighings"):
            continue
        table = {}
        for column in columns:
            if column.name == "piece":
                one = st.sampled_from(marks)
                own_mark = name == "pieces"
                table["piece"] = marks if own_mark else [draw(one) for _ in range(rows)]
            elif column.name == "log":
                table["log"] = ["L1"] * rows
            elif column.required or draw(st.booleans()):
                table[column.name] = [draw(_cells(column)) for _ in range(rows)]
        kinds = (MAYBE, st.integers(-(10**9), 10**9), st.floats(-1e6, 1e6), DATE, st.booleans())
        for heading in draw(st.lists(TEXT, max_size=2, unique_by=str.strip)):
            table[f"own {heading}"] = [draw(draw(st.sampled_from(kinds))) for _ in range(rows)]
        made[name] = pd.DataFrame(table)
    return made


def book_of(tables: dict[str, pd.DataFrame]) -> wl.RecordBook:
    """The book of the tables; rows that it does not take are set aside."""
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
