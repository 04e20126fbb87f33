"""The rules of the book: every fault of every table, and the rows that are free of them."""

from __future__ import annotations

import difflib
import json
from dataclasses import dataclass

import numpy as np
import pandas as pd

from woodlab.book.cells import Converted, convert, empty
from woodlab.book.doubts import folded, shown, with_hidden
from woodlab.book.reading import RawTable
from woodlab.book.tables import REQUIRED_TABLES, TABLES, Column, column_of
from woodlab.book.units import match_heading, plain_heading, units_of
from woodlab.errors import Fault

SET_ASIDE_COLUMNS = ["table", "row", "column", "value", "reason", "cells"]
# Looking for names alike takes time for each pair: so many strange names get a hint, no more.
MOST_HINTS = 50
_KINDS = {"number": "float64", "date": "datetime64[us]"}


@dataclass(frozen=True)
class CheckedTable:
    """A table's rows (index: spreadsheet row), every fault of them, and remarks."""

    name: str
    frame: pd.DataFrame
    raw: pd.DataFrame
    faults: tuple[Fault, ...]
    remarks: tuple[tuple, ...] = ()  # doubts that only the cells as written can raise

    @property
    def spoiled(self) -> bool:
        """Whether a fault concerns the table as a whole, so that no row of it can be used."""
        return any(fault.row in (None, 1) for fault in self.faults)

    @property
    def good(self) -> pd.DataFrame:
        """The rows without a fault of their own."""
        bad = self.frame.index.isin([fault.row for fault in self.faults])
        return self.frame[~bad] if bad.any() else self.frame


def check_table(raw: RawTable) -> CheckedTable:
    """Headings, kinds, units, bounds and required cells of one table."""
    columns, rows = TABLES[raw.name], raw.frame.index
    faults, remarks = list(raw.faults), []
    found: dict[str, Converted] = {}
    headings: dict[str, object] = {}
    extra: dict[object, pd.Series] = {}
    for heading in raw.frame.columns:
        column, unit = match_heading(heading, columns) or (None, "")
        if column is not None and column.name in found:
            problem = f"means the same as the column {headings[column.name]!r}"
            faults.append(Fault(raw.name, 1, str(heading), "", problem, "Keep one of the two."))
            continue
        one = convert(raw.frame[heading], column, unit, raw.comma_decimals)
        troubles = one.troubles
        if column is None:
            extra[heading] = one.values
        else:
            headings[column.name], found[column.name] = heading, one
            remarks += _remarks(raw, column, unit, one)
            if column.required and not column.gaps and len(troubles) < one.missing.sum():
                lacking = ("is empty", f"Type {column.meaning}.")
                troubles = dict.fromkeys(np.flatnonzero(one.missing).tolist(), lacking) | troubles
        if raw.quoted and (column is None or column.kind == "text"):
            troubles = troubles | _swallowed_rows(one.values, len(raw.frame.columns))
        faults += _cell_faults(raw, heading, troubles)
    # headings of which none is known may be a row of records whose headings are missing
    strange = len(raw.frame.columns) > 0 and not found
    needed = len(rows) or strange or raw.name in REQUIRED_TABLES
    unreadable = raw.frame.size == 0 and len(rows) == 0 and faults
    values: dict[object, pd.Series] = {}
    nothing: dict[object, pd.Series] = {}  # absent columns of a kind share their nothing
    for column in columns:
        if column.name in found:
            own = found[column.name].values
            values[column.name] = own if column.default is None else own.fillna(column.default)
            continue
        if column.required and needed and not unreadable:
            faults.append(_missing_column(raw, column))
        kind = (_KINDS.get(column.kind, "str"), column.default)
        if kind not in nothing:
            one = pd.Series([column.default], dtype=kind[0]).array
            nothing[kind] = pd.Series(
                one.take(np.zeros(len(rows), dtype=np.intp)), index=rows, copy=False
            )
        values[column.name] = nothing[kind]
    if raw.name == "looks":
        faults += _say_crack(raw, values, found)
    # Each column as it is: the constructor would copy, and pandas copies on writing anyway.
    frame = pd.DataFrame(values | extra, index=rows, copy=False)
    remarks += _strange_headings(raw, [*extra], values)
    return CheckedTable(raw.name, frame, raw.frame, tuple(faults), tuple(remarks))


_STORED = {
    "number": "numbers by the spreadsheet, in which 1.10 and 1.1 are the same",
    "date": "dates or times by the spreadsheet, whatever was typed",
    "truth": "true or false by the spreadsheet, in which TRUE and true are the same",
}


def _remarks(raw: RawTable, column: Column, unit: str, one: Converted) -> list[tuple]:
    """Doubts of a column that its values no longer show: lost text, mixed units, UTC."""
    told = []
    if column.kind == "number" and set(one.remarks) - {unit}:
        counts = {name: len(at) for name, at in one.remarks.items()}
        if bare := len(one.values) - int(one.missing.sum()) - sum(counts.values()):
            counts[unit] = counts.get(unit, 0) + bare
        shown = ", ".join(f"{count} in {name}" for name, count in sorted(counts.items()))
        first = min(at[0] for name, at in one.remarks.items() if name != unit)
        said = f"cells that name another unit than the heading's ({unit}) are read in their own"
        told.append((first, shown, said))
    for remark, at in one.remarks.items() if column.kind != "number" else ():
        cells = [str(cell) for cell in one.values.iloc[at].unique()]
        if column.kind == "date":
            said = "times in UTC: near midnight the day may be the one before or after yours"
        elif column.name == "note":
            continue
        else:
            said = f"stored as {_STORED[remark]}: compare each with the mark on the wood, and "
            said += "give the column the format text"
        shown = ", ".join(cells[:3]) + (", ..." if len(at) > len(cells[:3]) else "")
        told.append((at[0], shown, f"{len(at)} {said}"))
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
        return [_missing_column(raw, column_of("looks", "crack_mm"))]
    bad = {at for one in ("crack_mm", "crack") if one in found for at in found[one].troubles}
    silent = (size.isna() & said.isna()).to_numpy()
    torn = ((size > 0) & (said == "no") | (size == 0) & (said == "yes")).to_numpy()
    faults = []
    for at in [int(at) for at in np.flatnonzero(silent | torn) if at not in bad]:
        if silent[at]:
            value, problem = "", "the look does not say whether a crack was seen"
            remedy = "Type the longest crack, or 0 for none; not measured: type yes under crack."
        else:
            value, problem = f"{size.iloc[at]:g}", f"crack says {said.iloc[at]!r}"
            remedy = "Type the longest crack under crack_mm (0 = none), and leave crack empty."
        row = int(raw.frame.index[at])
        faults.append(Fault(raw.name, row, "crack_mm", value, problem, remedy))
    return faults


def _cell_faults(
    raw: RawTable, heading: object, troubles: dict[int, tuple[str, str]]
) -> list[Fault]:
    positions = sorted(troubles)
    cells = raw.frame[heading].iloc[positions] if positions else pd.Series()
    return [
        Fault(raw.name, row, str(heading), "" if empty(cell) else str(cell)[:80], *troubles[at])
        for at, (row, cell) in zip(positions, cells.items(), strict=True)
    ]


def _swallowed_rows(texts: pd.Series, columns: int) -> dict[int, tuple[str, str]]:
    """Texts that hold whole rows: a quote was opened and not closed in the row where it stands."""
    most = max(columns - 1, 2)
    trouble = ("the text holds further rows",
               "Close the double quote where the text ends, or take it away.")  # fmt: skip
    several = np.flatnonzero(texts.str.contains("\n", regex=False).fillna(False))
    lines = {int(at): texts.iloc[at].split("\n")[1:] for at in several}
    return {at: trouble for at, behind in lines.items()
            if any(line.count(mark) == most for line in behind for mark in ",;\t")}  # fmt: skip


def _missing_column(raw: RawTable, column: Column) -> Fault:
    close = difflib.get_close_matches(column.name, [str(h) for h in raw.frame.columns], n=1)
    hint = f" Is it the column {close[0]!r}? Then rename it." if close else ""
    named = column.name
    if column.unit:
        stem = named.removesuffix(column.unit)
        others = [stem + other for other in units_of(column.unit) if other != column.unit]
        named += f" (or {', '.join(others)})" if others else ""
    remedy = f"Add a column {named}: {column.meaning}.{hint}"
    return Fault(raw.name, 1, column.name, "", "the column is missing", remedy)


def check_between_tables(tables: dict[str, CheckedTable]) -> list[Fault]:
    """Pieces that stand twice or nowhere, offcuts that gain in the oven, offcuts of nothing."""
    faults: list[Fault] = []
    good = tables["pieces"].good
    marks = good["piece"].dropna()
    first = {mark: row for row, mark in marks[::-1].items()}
    for row, piece in marks[marks.duplicated()].items():
        problem = f"the mark stands already in row {first[piece]}"
        remedy = "Give each piece a mark of its own."
        faults.append(Fault("pieces", int(str(row)), "piece", piece[:80], problem, remedy))
    faulty = set(tables["pieces"].frame["piece"].dropna()) - set(marks)
    for name in ("weighings", "looks", "rims", "offcuts"):
        if name in tables:
            faults += _unknown(tables[name], set(marks), faulty)
    if "offcuts" in tables:
        faults += _offcut_faults(tables["offcuts"].frame, set(good["log"].dropna()))
    if "witnesses" in tables:
        faults += _witness_faults(tables["witnesses"].frame)
    return faults


def _unknown(table: CheckedTable, known: set[str], faulty: set[str]) -> list[Fault]:
    named = table.frame["piece"].dropna()
    strange = named[~named.isin(known)]
    said: dict[str, tuple[str, str]] = {}
    for name in strange.unique():
        hint = _hint(name, known) if len(said) < MOST_HINTS else ""
        remedy = f"{hint}Type a mark that stands in pieces, or add the piece there."
        said[name] = ("no such piece in the table pieces", remedy)
        if name in faulty:
            said[name] = ("its row in pieces has a fault", "Mend that row first.")
    return [
        Fault(table.name, row, "piece", name[:80], *said[name]) for row, name in strange.items()
    ]


def _hint(name: str, known: set[str]) -> str:
    if len(name) > 40 or len(known) > 5000:
        return ""
    if close := [mark for mark in sorted(known) if folded(mark) == folded(name)]:
        return f"Is it {with_hidden(close[0])!r}? Here it is {with_hidden(name)!r}. "
    close = difflib.get_close_matches(name, sorted(known), n=1)
    return f"Is it {close[0]!r}? " if close else ""


def _witness_faults(witnesses: pd.DataFrame) -> list[Fault]:
    """Blocks with two oven-dry masses, and blocks that weigh less than they do without water."""
    known = witnesses.dropna(subset="oven_dry_g").drop_duplicates("witness")
    first = known.assign(at=known.index).set_index("witness")[["oven_dry_g", "at"]]
    of_block = first.reindex(witnesses["witness"]).set_axis(witnesses.index)
    rows = witnesses.assign(dry=of_block["oven_dry_g"], at=of_block["at"])
    return _of_rows("witnesses", rows, [
        (rows["oven_dry_g"].notna() & (rows["oven_dry_g"] != rows["dry"]), "oven_dry_g",
         "row {at:.0f} gives {dry:g} for the same block {witness}",
         "Keep the right one, in one row of the block."),
        (rows["mass_g"] < rows["dry"], "mass_g",
         "is less than its oven-dry mass {dry:g} (row {at:.0f})",
         "Are the two masses exchanged? Type the mass weighed that day here."),
    ])  # fmt: skip


def _offcut_faults(cuts: pd.DataFrame, logs: set[str]) -> list[Fault]:
    """Offcuts that gain in the oven, and offcuts of nothing that is known."""
    of_none = cuts["piece"].isna()
    return _of_rows("offcuts", cuts, [
        (cuts["oven_dry_g"] > cuts["wet_g"], "oven_dry_g", "is more than the wet mass {wet_g:g}",
         "Are the two masses exchanged? Type the mass after the oven here."),
        (of_none & cuts["log"].isna(), "piece", "neither piece nor log is given",
         "Type the piece or the log that it was cut from."),
        (of_none & cuts["log"].notna() & ~cuts["log"].isin(logs), "log",
         "no piece of this log stands in pieces",
         "Type a log that stands in the column log of pieces."),
    ])  # fmt: skip


def _of_rows(
    table: str, frame: pd.DataFrame, rules: list[tuple[pd.Series, str, str, str]]
) -> list[Fault]:
    """A fault for each row of a rule's mask: column, problem (which may name cells), remedy."""
    return [
        Fault(table, row.Index, column, shown(getattr(row, column))[:80],
              problem.format(**row._asdict()), remedy)
        for wrong, column, problem, remedy in rules for row in frame[wrong].itertuples()
    ]  # fmt: skip


def kept_and_set_aside(
    tables: dict[str, CheckedTable], faults: list[Fault]
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """Good rows by table, and one row for each row that has a fault, with its cells as found."""
    kept, aside = {}, []
    for name, table in tables.items():
        of_rows: dict[int | None, list[Fault]] = {}
        for fault in faults:
            if fault.table == name:
                of_rows.setdefault(fault.row, []).append(fault)
        whole = of_rows.get(None, []) + of_rows.get(1, [])
        index = table.frame.index
        bad = index[index.isin([*of_rows]) | table.spoiled]
        kept[name] = table.frame.drop(index=bad) if len(bad) else table.frame
        cells = table.raw.loc[bad].astype(object)
        for row, found in zip(bad, cells.itertuples(index=False, name=None), strict=True):
            told = of_rows.get(row, whole)
            reason = " ".join(f"{f.column or name}: {f.problem}. {f.remedy}" for f in told)
            as_found = {
                str(heading): str(cell)
                for heading, cell in zip(cells.columns, found, strict=True)
                if not empty(cell)
            }
            text = json.dumps(as_found, ensure_ascii=False)
            aside.append([name, row, told[0].column, told[0].value, reason, text])
    return kept, pd.DataFrame(aside, columns=SET_ASIDE_COLUMNS)
