"""A filled round, read: the workbook, or the export of the page."""

from __future__ import annotations

import csv
import hashlib
import io
import math
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

from openpyxl.utils import get_column_letter as letter

from woodlab.book.claims import check_claims
from woodlab.book.sheet.words import read_length
from woodlab.errors import WoodlabError
from woodlab.round import core
from woodlab.round.core import ACTIONS, CRACKS, FORMAT, UNITS, Band, grams_of
from woodlab.words import Units

MOST_BYTES = 5_000_000
# What is typed of a bowl beside its weight: heads of the sheet, columns of the page's export.
_CELLS = ("crack", "crack length", "done", "wall", "remark", "low", "high")
_COLUMNS = ("crack", "crack_mm", "action", "finished_wall_mm", "note", "lower_g", "upper_g")
_LABELS = tuple(label.casefold() for label in core.LABELS)
_TEXT_START = "=+-@\t'"


@dataclass(frozen=True)
class Line:
    """What was typed of one bowl. `crack` is one of `CRACKS` or empty, `action` one of `ACTIONS`
    or empty, `mm` the crack's length, `wall_mm` that of the finished wall."""

    row: int
    mark: str
    typed: str
    grams: float | None
    kept: bool
    crack: str
    mm: float | None
    action: str
    wall_mm: float | None
    note: str
    band: Band


@dataclass(frozen=True)
class Filled:
    """A round, or somebody's part of it, as it came back.

    `looked`: the sheet's own yes, an empty crack cell means none. `notes`: what was left out.
    """

    id: str
    on: str
    who: str
    unit: str
    lines: tuple[Line, ...]
    sha256: str
    looked: bool
    faults: tuple[str, ...]
    notes: tuple[str, ...] = ()

    def line(self, mark: str) -> Line:
        return next(line for line in self.lines if line.mark == mark)

    def changed(self, mark: str, /, **more: Any) -> Filled:
        """With one line changed."""
        lines = (replace(x, **more) if x.mark == mark else x for x in self.lines)
        return replace(self, lines=tuple(lines))


def read_filled(path: str | Path) -> Filled:
    """Read a round.xlsx or the page's export; what cannot be read of a line is in `faults`.

    Raises WoodlabError if the file is missing, too large, damaged or no round."""
    path = Path(path)
    if not path.is_file():
        raise WoodlabError(f"There is no file at {path}. Give a filled round: .xlsx or .csv.")
    data = path.read_bytes()
    if len(data) > MOST_BYTES:
        raise WoodlabError(f"{path.name} is too large for a round.")
    try:
        if path.suffix.casefold() == ".xlsx":
            check_claims(path)
            return _from_workbook(data)
        return _from_csv(data)
    except (KeyError, ValueError, StopIteration, TypeError, BadZipFile, csv.Error) as error:
        if isinstance(error, WoodlabError):
            raise
        raise WoodlabError(
            f"{path.name} is damaged or no round ({type(error).__name__}: {error})."
        ) from error


def _from_csv(data: bytes) -> Filled:
    text = data.decode("utf-8-sig", errors="replace")
    separator = ";" if text.split("\n")[0].count(";") > 5 else ","
    reader = csv.DictReader(io.StringIO(text, newline=""), delimiter=separator)
    rows = [{k: _text(v) for k, v in row.items() if k} for row in reader]
    if not rows or any(row.get("format") != FORMAT for row in rows):
        raise WoodlabError(f"This is no round: each row should say {FORMAT} in the column format.")
    facts = {}
    for name in ("round_id", "on", "unit", "who"):
        facts[name], *others = {row.get(name, "") for row in rows}
        if others:
            raise WoodlabError(
                f"Several rounds are mixed in this file: {name} is not the same in all rows."
            )
    lines: list[Line] = []
    faults: list[str] = []
    for at, row in enumerate(rows, 2):
        pounds = row["typed"].split(" lb ") if facts["unit"] == "lboz" else [row["typed"]]
        weights = [pounds[0], *(ounces.removesuffix(" oz") for ounces in pounds[1:])]
        cells = dict(zip(_CELLS, (row.get(name, "") for name in _COLUMNS), strict=True))
        line = _line((at, row["piece"], row["typed"]), weights, cells, Units(facts["unit"]), faults)
        grams, given = line.grams, grams_of(row["mass_g"], "g")
        if (grams is None) != (given is None) or (
            grams and given and abs(grams - given) > 0.01 + 1e-6 * grams
        ):
            faults.append(f"row {at}: {row['typed']!r} was typed, but mass_g is {row['mass_g']!r}")
        lines.append(replace(line, kept=row["kept_outside_band"] == "yes"))
    return _filled(facts, lines, faults, data)


def _text(cell: object) -> str:
    text = "" if cell is None or isinstance(cell, list) else str(cell)
    # The page puts ' before what a spreadsheet program would take for a formula.
    return text[1:] if text[:1] == "'" and text[1:2] and text[1] in _TEXT_START else text


def _from_workbook(data: bytes) -> Filled:
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(data))
    if not {"round", "about"} <= set(book.sheetnames):
        raise WoodlabError("This workbook is no round: it lacks the sheets round and about.")
    facts = {row[0].value: row[1].value for row in book["about"].iter_rows(max_col=2)}
    if facts.get("format") != FORMAT:
        raise WoodlabError(f"This workbook is no round of the kind {FORMAT}.")
    sheet = book["round"]
    head = next(r for r in range(1, 10) if sheet.cell(r, 1).value == "mark")
    at = {c.value: c.column for c in sheet[head] if c.value}
    day = sheet.cell(2, 2).value
    day = day.strftime("%Y-%m-%d") if isinstance(day, datetime | date) else _cell(day)
    units = Units(str(facts["unit"]), str(facts.get("length") or "mm"))
    asked = ["lb", "oz"] if units.mass == "lboz" else [f"today {units.mass}"]
    own = {f"crack {units.length}": "crack length", f"wall {units.length}": "wall"}
    at = {own.get(head, head): column for head, column in at.items()}
    lines: list[Line] = []
    faults = _beside(sheet, head, at)
    for row in range(head + 1, sheet.max_row + 1):
        named = {name: _cell(sheet.cell(row, column).value) for name, column in at.items()}
        weights = [named[name] for name in asked]
        cells = {name: named.get(name, "") for name in _CELLS}
        if not any([*weights, *list(cells.values())[:-2]]):
            continue
        mark, key = named["mark"], named["key"]
        if key and mark != key:
            faults.append(f"row {row}: the mark was changed from {key!r} to {mark!r}")
        typed = " ".join(filter(None, weights))
        lines.append(_line((row, mark, typed), weights, cells, units, faults))
    looked = _cell(sheet.cell(2, at["crack"]).value).casefold() == "yes"
    who = _cell(sheet.cell(2, at["remark"]).value)
    return replace(_filled({**facts, "on": day, "who": who}, lines, faults, data), looked=looked)


def _beside(sheet: Any, head: int, at: dict[str, int]) -> list[str]:
    """What was typed beside the cells to fill in, and would be lost without a word."""
    given = {at[name] for name in ("wood; seal", "was", "expect", "look again")}
    entry = {(2, 2), (2, at["crack"]), (2, at["remark"])}
    faults = []
    for cell in (cell for row in sheet.iter_rows() for cell in row if cell.value is not None):
        r, c, text = cell.row, cell.column, _cell(cell.value)
        if r < head:
            lost = (r, c) not in entry and not text.casefold().startswith(("round ", *_LABELS))
        elif c in given:
            # a spare row has no words of its own, and a row of the list no numbers
            lost = r > head and (not sheet.cell(r, at["key"]).value or cell.data_type == "n")
        else:
            lost = c not in at.values()
        if lost and text and not text.startswith("="):
            where = "into a column with a heading to fill in"
            if r < head:
                looked, who = (f"{letter(at[name])}2" for name in ("crack", "remark"))
                where = f"the answer about cracks into {looked}, the day into B2, who into {who}"
            faults.append(f"{cell.coordinate}: {text[:40]!r} stands beside the cells to fill in: "
                          f"type {'it ' if r >= head else ''}{where}")  # fmt: skip
    return faults


def _filled(facts: dict[str, Any], lines: list[Line], faults: list[str], data: bytes) -> Filled:
    sha = hashlib.sha256(data).hexdigest()
    return Filled(str(facts["round_id"]), facts["on"], facts["who"], facts["unit"], tuple(lines),
                  sha, False, tuple(faults))  # fmt: skip


def _cell(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.10g}"
    return "" if value is None else str(value).strip()


def _line(
    where: tuple[int, str, str], weights: list[str], cells: dict[str, str], units: Units,
    faults: list[str],
) -> Line:  # fmt: skip
    """A line; what cannot be read of it is put to the faults. `where`: row, mark, weight typed."""
    (row, mark, typed), unit = where, units.mass
    if unit not in UNITS:
        raise WoodlabError(f"This round's unit {unit!r} is none of {', '.join(UNITS)}.")
    here = f"row {row}, {mark}"
    crack, action = cells["crack"].strip().casefold(), cells["done"].strip().casefold()
    grams = grams_of(weights[0], unit, weights[1] if len(weights) > 1 else "")
    if grams is not None and math.isnan(grams):
        faults.append(f"{here}: {typed!r} is no weight")
        grams = None
    for word, known in ((crack, CRACKS), (action, ACTIONS)):
        if word and word not in known:
            faults.append(f"{here}: {word!r} is unknown here. Type one of: {', '.join(known)}")
    lengths: dict[str, float | None] = {}
    for name, most in (
        ("crack length", core.LONGEST_CRACK_MM), ("wall", core.THICKEST_WALL_MM),
    ):  # fmt: skip
        text = cells[name].strip()
        length = read_length(text, units.length) if text else None
        if text and (length is None or length > most):
            faults.append(f"{here}: {text!r} is no length in {units.length}")
            length = None
        lengths[name] = length
    if lengths["crack length"] and crack in ("", "none"):
        faults.append(
            f"{here}: a length of {cells['crack length']} {units.length}, but the crack column "
            f"says {crack or 'nothing'}: type still or new there"
        )
    if lengths["wall"] is not None and action != "finished":
        faults.append(
            f"{here}: a finished wall of {cells['wall']} {units.length}, but done says "
            f"{action or 'nothing'}: type finished there"
        )
    low, high = (grams_of(cells[end], "g") for end in ("low", "high"))
    band = Band.of(*(None if end is None or math.isnan(end) else end for end in (low, high)))
    return Line(row, mark, typed, grams, False, crack, lengths["crack length"],
                "" if action == "none" else action, lengths["wall"], cells["remark"].strip(),
                band)  # fmt: skip
