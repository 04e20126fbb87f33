"""The rules of the book: every fault of every table, and the rows that are free of them."""

from __future__ import annotations

import difflib
import json
from dataclasses import dataclass

import numpy as np
import pandas as pd

from woodlab.book.cells import Converted, as_text, convert
from woodlab.book.reading import RawTable
from woodlab.book.tables import REQUIRED_TABLES, TABLES, Column
from woodlab.book.units import match_heading, units_of
from woodlab.errors import Fault

SET_ASIDE_COLUMNS = ["table", "row", "column", "value", "reason", "cells"]


@dataclass(frozen=True)
class CheckedTable:
    """A table's good rows (index: spreadsheet row), and every fault of the others."""

    name: str
    frame: pd.DataFrame
    raw: pd.DataFrame
    faults: tuple[Fault, ...]
    found: dict[str, Converted]

    @property
    def spoiled(self) -> bool:
        """Whether a fault concerns the table as a whole, so that no row of it can be used."""
        return any(fault.row in (None, 1) for fault in self.faults)


def check_table(raw: RawTable) -> CheckedTable:
    """Headings, kinds, units, bounds and required cells of one table."""
    columns = TABLES[raw.name]
    faults = list(raw.faults)
    values: dict[object, pd.Series] = {}
    found: dict[str, Converted] = {}
    headings: dict[str, object] = {}
    extra: dict[object, pd.Series] = {}
    for heading in raw.frame.columns:
        match = match_heading(heading, columns)
        if match is None:
            cells = raw.frame[heading]
            extra[heading] = as_text(cells) if cells.dtype == object else cells
            continue
        column, to_own_unit = match
        if column.name in found:
            faults.append(
                Fault(
                    raw.name, 1, str(heading), "",
                    f"means the same as the column {headings[column.name]!r}",
                    "Keep one of the two.",
                )
            )  # fmt: skip
            continue
        headings[column.name] = heading
        one = convert(raw.frame[heading], column, to_own_unit, raw.comma_decimals)
        found[column.name] = one
        for position, (problem, remedy) in one.troubles.items():
            faults.append(_fault(raw, position, heading, problem, remedy))
        if column.required and len(one.troubles) < one.missing.sum():
            empty = one.missing.copy()
            empty[list(one.troubles)] = False
            for place in np.flatnonzero(empty):
                faults.append(_fault(raw, int(place), heading, "is empty", _fill(column)))
    absent: dict[object, pd.Series] = {}
    for column in columns:
        if column.name in found:
            values[column.name] = found[column.name].values
            if column.default is not None:
                values[column.name] = values[column.name].fillna(column.default)
            continue
        if column.required and (len(raw.frame) or raw.name in REQUIRED_TABLES):
            faults.append(_missing_column(raw.name, column, list(map(str, raw.frame.columns))))
        like = (_KINDS.get(column.kind, "str"), column.default)
        if like not in absent:  # absent columns of a kind share their nothing
            absent[like] = _empty(column, raw.frame.index)
        values[column.name] = absent[like]
    # Each column as it is: the constructor would copy, and pandas copies on writing anyway.
    frame = pd.DataFrame(values | extra, index=raw.frame.index, copy=False)
    return CheckedTable(raw.name, frame, raw.frame, tuple(faults), found)


def _fault(raw: RawTable, position: int, heading: object, problem: str, remedy: str) -> Fault:
    cell = raw.frame[heading].iloc[position]
    value = "" if cell is None or cell is pd.NaT or cell != cell else str(cell)
    row = int(raw.frame.index[position])
    return Fault(raw.name, row, str(heading), value[:80], problem, remedy)


def _fill(column: Column) -> str:
    return f"Type {column.meaning}."


def _missing_column(table: str, column: Column, headings: list[str]) -> Fault:
    close = difflib.get_close_matches(column.name, headings, n=1)
    hint = f" Is it the column {close[0]!r}? Then rename it." if close else ""
    named = column.name
    if column.kind == "number" and "_" in named:
        stem, unit = named.rsplit("_", 1)
        others = [f"{stem}_{other}" for other in units_of(unit) if other != unit]
        named += f" (or {', '.join(others)})" if others else ""
    remedy = f"Add a column {named}: {column.meaning}.{hint}"
    return Fault(table, 1, column.name, "", "the column is missing", remedy)


_KINDS = {"number": "float64", "date": "datetime64[us]"}


def _empty(column: Column, index: pd.Index) -> pd.Series:
    kind = _KINDS.get(column.kind, "str")
    if kind == "float64":
        return pd.Series(np.full(len(index), np.nan), index=index, copy=False)
    one = pd.Series([column.default], dtype=kind).array
    return pd.Series(one.take(np.zeros(len(index), dtype=np.intp)), index=index, copy=False)


def check_between_tables(tables: dict[str, CheckedTable]) -> list[Fault]:
    """Pieces that stand twice or nowhere, offcuts that gain in the oven, offcuts of nothing."""
    faults: list[Fault] = []
    pieces = tables["pieces"].frame
    good = _good_rows(tables["pieces"])
    repeated = good[good["piece"].duplicated() & good["piece"].notna()]
    first = good.drop_duplicates("piece").reset_index().set_index("piece").iloc[:, 0]
    for row, piece in repeated["piece"].items():
        faults.append(
            Fault(
                "pieces", int(row), "piece", piece,
                f"the mark stands already in row {first[piece]}",
                "Give each piece a mark of its own.",
            )
        )  # fmt: skip
    known = set(good["piece"].dropna())
    for name in ("weighings", "looks", "rims", "offcuts"):
        if name in tables:
            faults += _unknown(tables[name], "piece", known, set(pieces["piece"].dropna()))
    if "offcuts" in tables:
        faults += _offcut_faults(tables["offcuts"].frame, set(good["log"].dropna()))
    return faults


def _good_rows(table: CheckedTable) -> pd.DataFrame:
    bad = {fault.row for fault in table.faults}
    return table.frame[~table.frame.index.isin(bad)] if bad else table.frame


def _unknown(table: CheckedTable, column: str, known: set, written: set) -> list[Fault]:
    one = table.found.get(column)
    if one is None or one.codes is None:
        return []
    strange = {
        code: str(name)
        for code, name in enumerate(one.names)
        if name is not None and name not in known
    }
    if not strange:
        return []
    faults, codes = [], one.codes
    for position in np.flatnonzero(np.isin(codes, list(strange))):
        name = strange[int(codes[position])]
        if name in written:
            problem, remedy = "its row in pieces has a fault", "Mend that row first."
        else:
            close = difflib.get_close_matches(name, known, n=1)
            problem = "no such piece in the table pieces"
            hint = f"Is it {close[0]!r}? " if close else ""
            remedy = f"{hint}Type a mark that stands in pieces, or add the piece there."
        row = int(table.frame.index[position])
        faults.append(Fault(table.name, row, column, name[:80], problem, remedy))
    return faults


def _offcut_faults(offcuts: pd.DataFrame, logs: set) -> list[Fault]:
    faults = []
    for row, cut in offcuts.iterrows():
        if cut["oven_dry_g"] > cut["wet_g"]:
            faults.append(
                Fault(
                    "offcuts", int(row), "oven_dry_g", f"{cut['oven_dry_g']:g}",
                    f"is more than the wet mass {cut['wet_g']:g}",
                    "Are the two masses exchanged? Type the mass after the oven here.",
                )
            )  # fmt: skip
        if pd.isna(cut["piece"]) and pd.isna(cut["log"]):
            faults.append(
                Fault(
                    "offcuts", int(row), "piece", "", "neither piece nor log is given",
                    "Type the piece or the log that it was cut from.",
                )
            )  # fmt: skip
        elif pd.isna(cut["piece"]) and cut["log"] not in logs:
            faults.append(
                Fault(
                    "offcuts", int(row), "log", str(cut["log"])[:80],
                    "no piece of this log stands in pieces",
                    "Type a log that stands in the column log of pieces.",
                )
            )  # fmt: skip
    return faults


def kept_and_set_aside(
    tables: dict[str, CheckedTable], faults: list[Fault]
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """Good rows by table, and one row for each row that has a fault, with its cells as found."""
    by_row: dict[tuple[str, int], list[Fault]] = {}
    for fault in faults:
        if fault.row is not None:
            by_row.setdefault((fault.table, fault.row), []).append(fault)
    kept, aside = {}, []
    for name, table in tables.items():
        whole = [fault for fault in faults if fault.table == name and fault.row in (None, 1)]
        named = [row for table_name, row in by_row if table_name == name]
        bad = set(table.frame.index if table.spoiled else table.frame.index.intersection(named))
        kept[name] = table.frame[~table.frame.index.isin(bad)] if bad else table.frame
        for row in sorted(bad):
            of_row = by_row.get((name, row), []) or whole
            reason = " ".join(f"{f.column or name}: {f.problem}. {f.remedy}" for f in of_row)
            cells = {
                str(key): str(cell)
                for key, cell in table.raw.loc[row].items()
                if cell is not None and cell == cell
            }
            aside.append(
                [name, row, of_row[0].column, of_row[0].value, reason,
                 json.dumps(cells, ensure_ascii=False)]
            )  # fmt: skip
    return kept, pd.DataFrame(aside, columns=SET_ASIDE_COLUMNS)
