"""The rules of the book: every fault of every table, and the rows that are free of them."""

from __future__ import annotations

import difflib
import json
from dataclasses import dataclass

import numpy as np
import pandas as pd

from woodlab.book.cells import Converted, as_text, convert
from woodlab.book.doubts import folded, with_hidden
from woodlab.book.reading import RawTable
from woodlab.book.tables import REQUIRED_TABLES, TABLES, Column
from woodlab.book.units import match_heading, plain_heading, units_of
from woodlab.errors import Fault

SET_ASIDE_COLUMNS = ["table", "row", "column", "value", "reason", "cells"]


@dataclass(frozen=True)
class CheckedTable:
    """A table's good rows (index: spreadsheet row), every fault of the others, and remarks."""

    name: str
    frame: pd.DataFrame
    raw: pd.DataFrame
    faults: tuple[Fault, ...]
    found: dict[str, Converted]
    remarks: tuple[tuple, ...] = ()  # doubts that only the cells as written can raise

    @property
    def spoiled(self) -> bool:
        """Whether a fault concerns the table as a whole, so that no row of it can be used."""
        return any(fault.row in (None, 1) for fault in self.faults)


def check_table(raw: RawTable) -> CheckedTable:
    """Headings, kinds, units, bounds and required cells of one table."""
    columns = TABLES[raw.name]
    faults, remarks = list(raw.faults), []
    values: dict[object, pd.Series] = {}
    found: dict[str, Converted] = {}
    headings: dict[str, object] = {}
    extra: dict[object, pd.Series] = {}
    for heading in raw.frame.columns:
        match = match_heading(heading, columns)
        if match is None:
            text = as_text(raw.frame[heading])
            extra[heading] = text.values
            faults += _cell_faults(raw, heading, text.troubles)
            faults += _swallowed_rows(raw, heading, text)
            continue
        column, unit = match
        if column.name in found:
            problem = f"means the same as the column {headings[column.name]!r}"
            faults.append(Fault(raw.name, 1, str(heading), "", problem, "Keep one of the two."))
            continue
        headings[column.name] = heading
        one = convert(raw.frame[heading], column, unit, raw.comma_decimals)
        found[column.name] = one
        remarks += _remarks(raw, column, unit, one)
        troubles = one.troubles
        if column.required and not column.gaps and len(troubles) < one.missing.sum():
            empty = ("is empty", f"Type {column.meaning}.")
            troubles = dict.fromkeys(np.flatnonzero(one.missing).tolist(), empty) | troubles
        faults += _cell_faults(raw, heading, troubles)
        if column.kind == "text":
            faults += _swallowed_rows(raw, heading, one)
    absent: dict[object, pd.Series] = {}
    # headings of which none is known may be a row of records whose headings are missing
    strange = len(raw.frame.columns) > 0 and not found
    unreadable = raw.frame.size == 0 and len(raw.frame) == 0 and faults
    for column in columns:
        if column.name in found:
            values[column.name] = found[column.name].values
            if column.default is not None:
                values[column.name] = values[column.name].fillna(column.default)
            continue
        needed = len(raw.frame) or strange or raw.name in REQUIRED_TABLES
        if column.required and needed and not unreadable:
            faults.append(_missing_column(raw.name, column, list(map(str, raw.frame.columns))))
        like = (_KINDS.get(column.kind, "str"), column.default)
        if like not in absent:  # absent columns of a kind share their nothing
            absent[like] = _empty(column, raw.frame.index)
        values[column.name] = absent[like]
    if raw.name == "looks":
        faults += _say_crack(raw, values, found)
    # Each column as it is: the constructor would copy, and pandas copies on writing anyway.
    frame = pd.DataFrame(values | extra, index=raw.frame.index, copy=False)
    remarks += _strange_headings(raw, [*extra], values)
    return CheckedTable(raw.name, frame, raw.frame, tuple(faults), found, tuple(remarks))


_OF_TEXT = {
    "number": "stored as numbers by the spreadsheet, in which 1.10 and 1.1 are the same: compare "
    "each with the mark on the wood, and give the column the format text",
    "date": "stored as dates or times by the spreadsheet, whatever was typed: compare each with "
    "the mark on the wood, and give the column the format text",
    "truth": "stored as true or false by the spreadsheet, in which TRUE and true are the same: "
    "compare each with the mark on the wood, and give the column the format text",
}


def _remarks(raw: RawTable, column: Column, unit: str, one: Converted) -> list[tuple]:
    """Doubts of a column that its values no longer show: lost text, mixed units, UTC."""
    named = {remark: found.count for remark, found in one.remarks.items()}
    if not named or column.name == "note":
        return []
    if column.kind == "number" and not set(named) - {unit}:
        return []
    told = []
    if column.kind == "number":
        bare = len(one.values) - int(one.missing.sum()) - sum(named.values())
        by_unit = named | ({unit: named.get(unit, 0) + bare} if bare else {})
        shown = ", ".join(f"{count} in {name}" for name, count in sorted(by_unit.items()))
        first = min(found.first for name, found in one.remarks.items() if name != unit)
        told = [(first, shown, f"cells that name another unit than the heading's ({unit}) are "
                 "read in their own")]  # fmt: skip
    for remark, found in one.remarks.items() if column.kind != "number" else ():
        cells = ", ".join(found.cells) + (", ..." if found.count > len(found.cells) else "")
        if column.kind == "date":
            said = "times in UTC: near midnight the day may be the one before or after yours"
            told.append((found.first, cells, f"{found.count} {said}"))
        elif remark in _OF_TEXT:
            told.append((found.first, cells, f"{found.count} {_OF_TEXT[remark]}"))
    return [
        (raw.name, int(raw.frame.index[first]), None, column.name, shown, doubt)
        for first, shown, doubt in told
    ]


def _strange_headings(
    raw: RawTable, own: list[object], values: dict[object, pd.Series]
) -> list[tuple]:
    """A column of the maker's own with nearly the heading of one that is empty or not there."""
    empty = [
        column.name
        for column in TABLES[raw.name]
        if own and (values[column.name].isna() | (values[column.name] == column.default)).all()
    ]
    told = []
    for heading in own if len(raw.frame) else ():
        near = difflib.get_close_matches(plain_heading(heading), empty, n=1, cutoff=0.75)
        if near and raw.frame[heading].notna().any():
            doubt = f"is kept as a column of your own: is it {near[0]}? Then rename it"
            told.append((raw.name, 1, None, str(heading)[:80], str(heading)[:80], doubt))
    return told


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
    if not raw.quoted:
        return []
    separators = max(len(raw.frame.columns) - 1, 2)
    swallowed = [
        code
        for code, text in enumerate(one.names)
        if isinstance(text, str)
        and "\n" in text
        and any(line.count(mark) == separators for line in text.split("\n")[1:] for mark in ",;\t")
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
    if cell is None or cell is pd.NaT or cell is pd.NA:
        return True
    return isinstance(cell, float) and cell != cell  # a signalling decimal raises when compared


def _missing_column(table: str, column: Column, headings: list[str]) -> Fault:
    close = difflib.get_close_matches(column.name, headings, n=1)
    hint = f" Is it the column {close[0]!r}? Then rename it." if close else ""
    named = column.name
    if column.unit:
        stem = named.removesuffix(column.unit)
        others = [stem + other for other in units_of(column.unit) if other != column.unit]
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
        problem = f"the mark stands already in row {first[piece]}"
        remedy = "Give each piece a mark of its own."
        faults.append(Fault("pieces", int(str(row)), "piece", piece[:80], problem, remedy))
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
    found: list[tuple] = []
    for name, rows in witnesses.groupby("witness", sort=False):
        known = rows["oven_dry_g"].dropna()
        if known.empty:
            continue
        dry, at = known.iloc[0], known.index[0]
        twice = f"row {at} gives {dry:g} for the same block {name}"
        keep = "Keep the right one, in one row of the block."
        found += [
            (row, "oven_dry_g", mass, twice, keep) for row, mass in known[known != dry].items()
        ]
        light = f"is less than its oven-dry mass {dry:g} (row {at})"
        mend = "Are the two masses exchanged? Type the mass weighed that day here."
        masses = rows["mass_g"]
        found += [(row, "mass_g", mass, light, mend) for row, mass in masses[masses < dry].items()]
    return [
        Fault("witnesses", row, column, f"{mass:g}", *said) for row, column, mass, *said in found
    ]


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
    close = [mark for mark in sorted(known) if folded(mark) == folded(name)]
    if close:
        return f"Is it {with_hidden(close[0])!r}? Here it is {with_hidden(name)!r}. "
    close = difflib.get_close_matches(name, sorted(known), n=1)
    return f"Is it {close[0]!r}? " if close else ""


def _offcut_faults(offcuts: pd.DataFrame, logs: set[str]) -> list[Fault]:
    of_no_piece = offcuts[offcuts["piece"].isna()]
    nameless = of_no_piece.index[of_no_piece["log"].isna()]
    named = of_no_piece["log"].dropna()
    heavy = offcuts[offcuts["oven_dry_g"] > offcuts["wet_g"]]
    found = [
        *(
            (row, "oven_dry_g", f"{dry:g}", f"is more than the wet mass {wet:g}",
             "Are the two masses exchanged? Type the mass after the oven here.")
            for row, dry, wet in zip(heavy.index, heavy["oven_dry_g"], heavy["wet_g"], strict=True)
        ),
        *(
            (row, "piece", "", "neither piece nor log is given",
             "Type the piece or the log that it was cut from.")
            for row in nameless
        ),
        *(
            (row, "log", str(log)[:80], "no piece of this log stands in pieces",
             "Type a log that stands in the column log of pieces.")
            for row, log in named[~named.isin(logs)].items()
        ),
    ]  # fmt: skip
    return [Fault("offcuts", *fault) for fault in found]


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
