"""The round in words, in the units of the book: rows for a window and for paper."""

from __future__ import annotations

from typing import Any

import pandas as pd

from woodlab.studies.next_season.printing import SheetColumn
from woodlab.words import Units


def worded(due: pd.DataFrame, units: Units) -> pd.DataFrame:
    """Rows of a round with `last weight`, `expect` and `crack` as text in these units."""
    rows = list(due.itertuples())
    return due.assign(**{
        "last weight": [last_weight(row, units) for row in rows],
        "expect": [_expected(row, units) for row in rows],
        "crack": [units.told(row.crack) for row in rows],
    })  # fmt: skip


def sheet_columns(units: Units) -> tuple[SheetColumn, ...]:
    """The columns of the paper round."""
    mass = {"lboz": "lb oz"}.get(units.mass, units.mass)
    return (
        SheetColumn("mark", 1.25, longest=14), SheetColumn("where", 1.7, longest=22),
        SheetColumn("wood; seal", 2.3, longest=36), SheetColumn("do", 1.2, longest=14),
        SheetColumn("crack, or risk since look", 1.6, "left", 34),
        SheetColumn(f"last weight ({mass}), on", 1.6, "right", 26),
        SheetColumn(f"expect ({mass}), band", 1.7, "right", 34), SheetColumn("weight today", 1.6),
        SheetColumn(f"crack ({units.length})", 1.1), SheetColumn("note", 1.8),
    )  # fmt: skip


def sheet_rows(due: pd.DataFrame, units: Units) -> list[list[str]]:
    """The rows of the paper round, with room to write."""
    out = []
    for row in due.itertuples():
        seen = row.crack not in ("none seen", "not looked at")
        crack = units.told(row.crack) if seen else risk(row)
        where = row.place if isinstance(row.place, str) else ""
        # the unit stands at the head of the column
        last, expect = (
            text.replace(f" {units.mass}", "")
            for text in (last_weight(row, units), _expected(row, units).split(":")[0])
        )
        out.append([row.piece, where, f"{row.species}; {row.seal}", row.do, crack,
                    last, expect, "", "", ""])  # fmt: skip
    return out


def risk(row: Any) -> str:
    """The chance of a first crack since the last look."""
    if pd.isna(row.crack_risk):
        return f"risk not known; {row.days_since_look:g} days since the look"
    return "risk below 0.1 %" if row.crack_risk < 0.001 else f"risk {100 * row.crack_risk:.2g} %"


def last_weight(row: Any, units: Units, *, named: bool = True) -> str:
    """The last weight and its day."""
    if pd.isna(row.last_g):
        return ""
    weight = units.weight(row.last_g) if named else f"{row.last_g:.0f}"
    return f"{weight}, {row.last_on:%d %b %Y}"


def _expected(row: Any, units: Units) -> str:
    """The band; where it would say nothing, the words that stand for it."""
    low, high = row.lower_g, row.upper_g
    if row.expect.startswith("at most"):
        return f"at most {units.weight(high)}: {row.expect.partition(': ')[2]}"
    if pd.isna(row.expected_g):
        return str(row.expect)
    return f"{units.weight(row.expected_g)} ({units.weight(low)} to {units.weight(high)})"
