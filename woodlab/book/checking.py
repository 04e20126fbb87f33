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
            extra[heading] = cells
            if cells.dtype == object:
                text = as_text(cells)
                extra[heading] = text.values
                faults += _cell_faults(raw, heading, text.troubles)
                faults += _swallowed_rows(raw, heading, text)
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
        troubles = one.troubles
        if column.required and len(troubles) < one.missing.sum():
            empty = ("is empty", f"Type {column.meaning}.")
            troubles = dict.fromkeys(np.flatnonzero(one.missing).tolist(), empty) | troubles
        faults += _cell_faults(raw, heading, troubles)
        if column.kind == "text":
            faults += _swallowed_rows(raw, heading, one)
    absent: dict[object, pd.Series] = {}
    # headings of which none is known may be a row of records whose headings are missing
    strange = len(raw.frame.columns) > 0 and not found
    for column in columns:
        if column.name in found:
            values[column.name] = found[column.name].values
            if column.default is not None:
                values[column.name] = values[column.name].fillna(column.default)
            continue
        if column.required and (len(raw.frame) or strange or raw.name in REQUIRED_TABLES):
            faults.append(_missing_column(raw.name, column, list(map(str, raw.frame.columns))))
        like = (_KINDS.get(column.kind, "str"), column.default)
        if like not in absent:  # absent columns of a kind share their nothing
            absent[like] = _empty(column, raw.frame.index)
        values[column.name] = absent[like]
    if raw.name == "looks":
        faults += _say_crack(raw, values, found)
    # Each column as it is: the constructor would copy, and pandas copies on writing anyway.
    frame = pd.DataFrame(values | extra, index=raw.frame.index, copy=False)
    return CheckedTable(raw.name, frame, raw.frame, tuple(faults), found)


def _say_crack(
    raw: RawTable, values: dict[object, pd.Series], found: dict[str, Converted]
) -> list[Fault]:
    """Fill `crack` from `crack_mm` and 0 mm from `no`; faults of looks that say neither or both.

    After it, `crack` is `yes` or `no` in each good row, and `crack_mm` is empty only where a
    crack was seen and not measured.
    """
    size, said = values["crack_mm"], values["crack"]
    values["crack"] = said.where(
        said.notna() | size.isna(), pd.Series(np.where(size > 0, "yes", "no"), size.index)
    ).astype("str")
    values["crack_mm"] = size.mask(size.isna() & (said == "no"), 0.0)
    if len(raw.frame) and not {"crack_mm", "crack"} & set(found):
        return [_missing_column(raw.name, TABLES["looks"][2], list(map(str, raw.frame.columns)))]
    bad = {at for one in ("crack_mm", "crack") if one in found for at in found[one].troubles}
    silent = (size.isna() & said.isna()).to_numpy()
    torn = ((size > 0) & (said == "no") | (size == 0) & (said == "yes")).to_numpy()
    faults = []
    for at in [int(at) for at in np.flatnonzero(silent | torn) if at not in bad]:
        where, row = "crack_mm", int(raw.frame.index[at])
        if silent[at]:
            value, problem = "", "the look does not say whether a crack was seen"
            remedy = "Type the longest crack, or 0 for none; not measured: type yes under crack."
        else:
            value, problem = f"{size.iloc[at]:g}", f"crack says {said.iloc[at]!r}"
            remedy = "Type the longest crack under crack_mm (0 = none), and leave crack empty."
        faults.append(Fault(raw.name, row, where, value, problem, remedy))
    return faults


def _cell_faults(
    raw: RawTable, heading: object, troubles: dict[int, tuple[str, str]]
) -> list[Fault]:
    if not troubles:
        return []
    positions = sorted(troubles)
    cells = raw.frame[heading].iloc[positions].tolist()
    rows = raw.frame.index[positions].tolist()
    return [
        Fault(raw.name, row, str(heading), _shown(cell), *troubles[position])
        for position, row, cell in zip(positions, rows, cells, strict=True)
    ]


def _swallowed_rows(raw: RawTable, heading: object, one: Converted) -> list[Fault]:
    """Texts that hold whole rows: a quote was opened and not closed in the row where it stands."""
    separators = max(len(raw.frame.columns) - 1, 2)
    swallowed = [
        code
        for code, text in enumerate(one.names)
        if isinstance(text, str)
        and "\n" in text
        and any(line.count(mark) >= separators for line in text.split("\n")[1:] for mark in ",;\t")
    ]
    if not swallowed or one.codes is None:
        return []
    problem = "the text holds further rows"
    remedy = "Close the double quote where the text ends, or take it away."
    positions = np.flatnonzero(np.isin(one.codes, swallowed))
    return _cell_faults(raw, heading, dict.fromkeys(positions.tolist(), (problem, remedy)))


def _shown(cell: object) -> str:
    return "" if _is_empty(cell) else str(cell)[:80]


def _is_empty(cell: object) -> bool:
    return cell is None or cell is pd.NaT or cell is pd.NA or cell != cell


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
    marks = good["piece"].dropna()
    first = dict(zip(marks[::-1].tolist(), marks.index[::-1].tolist(), strict=True))
    for row, piece in marks[marks.duplicated()].items():
        faults.append(
            Fault(
                "pieces", int(str(row)), "piece", piece[:80],
                f"the mark stands already in row {first[piece]}",
                "Give each piece a mark of its own.",
            )
        )  # fmt: skip
    written = set(pieces["piece"].dropna())
    for name in ("weighings", "looks", "rims", "offcuts"):
        if name in tables:
            faults += _unknown(tables[name], "piece", set(marks), written)
    if "offcuts" in tables:
        faults += _offcut_faults(tables["offcuts"].frame, set(good["log"].dropna()))
    if "witnesses" in tables:
        faults += _witness_faults(tables["witnesses"].frame)
    return faults


def _witness_faults(witnesses: pd.DataFrame) -> list[Fault]:
    """Blocks with two oven-dry masses, and blocks that weigh less than they do without water."""
    faults = []
    for name, rows in witnesses.groupby("witness", sort=False):
        dry = rows["oven_dry_g"].dropna()
        for row, mass in dry[dry != dry.iloc[0]].items() if len(dry) else ():
            faults.append(
                Fault(
                    "witnesses", int(str(row)), "oven_dry_g", f"{mass:g}",
                    f"row {dry.index[0]} gives {dry.iloc[0]:g} for the same block {name}",
                    "Keep the right one, in one row of the block.",
                )
            )  # fmt: skip
        light = rows["mass_g"][rows["mass_g"] < dry.iloc[0]] if len(dry) else dry
        for row, mass in light.items():
            faults.append(
                Fault(
                    "witnesses", int(str(row)), "mass_g", f"{mass:g}",
                    f"is less than its oven-dry mass {dry.iloc[0]:g} (row {dry.index[0]})",
                    "Are the two masses exchanged? Type the mass weighed that day here.",
                )
            )  # fmt: skip
    return faults


def _good_rows(table: CheckedTable) -> pd.DataFrame:
    bad = {fault.row for fault in table.faults}
    return table.frame[~table.frame.index.isin(bad)] if bad else table.frame


# Looking for names alike takes time for each pair: so many strange names get a hint, no more.
MOST_HINTS = 50


def _unknown(table: CheckedTable, column: str, known: set[str], written: set[str]) -> list[Fault]:
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
    said = {}
    for code, name in strange.items():
        if name in written:
            said[code] = ("its row in pieces has a fault", "Mend that row first.")
            continue
        hint = _hint(name, known) if len(said) < MOST_HINTS else ""
        said[code] = (
            "no such piece in the table pieces",
            f"{hint}Type a mark that stands in pieces, or add the piece there.",
        )
    positions = np.flatnonzero(np.isin(one.codes, list(strange)))
    rows, codes = table.frame.index[positions].tolist(), one.codes[positions].tolist()
    return [
        Fault(table.name, row, column, strange[code][:80], *said[code])
        for row, code in zip(rows, codes, strict=True)
    ]


def _hint(name: str, known: set[str]) -> str:
    if len(name) > 40 or len(known) > 5000:
        return ""
    folded = name.replace(" ", "").casefold()
    close = [mark for mark in sorted(known) if mark.replace(" ", "").casefold() == folded]
    close = close or difflib.get_close_matches(name, sorted(known), n=1)
    return f"Is it {close[0]!r}? " if close else ""


def _offcut_faults(offcuts: pd.DataFrame, logs: set[str]) -> list[Fault]:
    faults = []
    for row, cut in offcuts[offcuts["oven_dry_g"] > offcuts["wet_g"]].iterrows():
        faults.append(
            Fault(
                "offcuts", int(str(row)), "oven_dry_g", f"{cut['oven_dry_g']:g}",
                f"is more than the wet mass {cut['wet_g']:g}",
                "Are the two masses exchanged? Type the mass after the oven here.",
            )
        )  # fmt: skip
    of_no_piece = offcuts[offcuts["piece"].isna()]
    for row in of_no_piece.index[of_no_piece["log"].isna()]:
        faults.append(
            Fault(
                "offcuts", int(row), "piece", "", "neither piece nor log is given",
                "Type the piece or the log that it was cut from.",
            )
        )  # fmt: skip
    named = of_no_piece["log"].dropna()
    for row, log in named[~named.isin(logs)].items():
        faults.append(
            Fault(
                "offcuts", int(str(row)), "log", str(log)[:80],
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
        rows = sorted(bad)
        for row, cells in zip(rows, _cells_as_found(table.raw, rows), strict=True):
            of_row = by_row.get((name, row), []) or whole
            reason = " ".join(f"{f.column or name}: {f.problem}. {f.remedy}" for f in of_row)
            aside.append([name, row, of_row[0].column, of_row[0].value, reason, cells])
    return kept, pd.DataFrame(aside, columns=SET_ASIDE_COLUMNS)


def _cells_as_found(raw: pd.DataFrame, rows: list[int]) -> list[str]:
    """JSON of each of the rows, as they stand in the file."""
    found = raw.loc[rows]
    headings = [str(heading) for heading in found.columns]
    cells = [found.iloc[:, position].tolist() for position in range(len(headings))]
    return [
        json.dumps(
            {
                key: str(cell)
                for key, cell in zip(headings, row, strict=True)
                if not _is_empty(cell)
            },
            ensure_ascii=False,
        )
        for row in (zip(*cells, strict=True) if cells else [()] * len(rows))
    ]
