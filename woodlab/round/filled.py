"""A filled round, read: the workbook, or the export of the page."""

from __future__ import annotations

import csv
import hashlib
import io
import math
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from zipfile import BadZipFile

from woodlab.book.claims import check_claims
from woodlab.errors import WoodlabError
from woodlab.round.core import ACTIONS, CRACKS, FORMAT, UNITS, Band, grams_of

MOST_BYTES = 5_000_000
LONGEST_CRACK_MM = 2000
_TEXT_START = "=+-@\t'"


@dataclass(frozen=True)
class Line:
    """What was typed of one bowl. `crack` is one of `CRACKS` or empty, `action` one of `ACTIONS`
    or empty, `mm` the crack's length or None."""

    row: int
    mark: str
    typed: str
    grams: float | None
    kept: bool
    crack: str
    mm: float | None
    action: str
    note: str
    band: Band


@dataclass(frozen=True)
class Filled:
    """A round as it came back. `looked`: the sheet's own yes, an empty crack cell means none."""

    id: str
    on: str
    unit: str
    lines: tuple[Line, ...]
    sha256: str
    looked: bool
    faults: tuple[str, ...]

    def line(self, mark: str) -> Line:
        return next(line for line in self.lines if line.mark == mark)

    def with_grams(self, **grams: float | None) -> Filled:
        """With other weights for some marks."""
        lines = (
            replace(line, grams=grams[line.mark]) if line.mark in grams else line
            for line in self.lines
        )
        return replace(self, lines=tuple(lines))


def is_round(path: Path) -> bool:
    """Whether a file is a round to take back, rather than rows of a table."""
    try:
        read_filled(path)
    except (WoodlabError, OSError):
        return False
    return True


def read_filled(path: str | Path) -> Filled:
    """Read either export; what cannot be read of a line is in `faults`.

    Raises
    ------
    WoodlabError
        If the file is missing, too large, damaged or no round.
    """
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
    except WoodlabError:
        raise
    except (KeyError, ValueError, StopIteration, TypeError, BadZipFile, csv.Error) as error:
        raise WoodlabError(
            f"{path.name} is damaged or no round ({type(error).__name__}: {error})."
        ) from error


def _from_csv(data: bytes) -> Filled:
    text = data.decode("utf-8-sig", errors="replace")
    separator = ";" if text.split("\n")[0].count(";") > 5 else ","
    cells = csv.DictReader(io.StringIO(text, newline=""), delimiter=separator)
    rows = [{k: _text(v) for k, v in row.items() if k} for row in cells]
    if not rows or any(row.get("format") != FORMAT for row in rows):
        raise WoodlabError(f"This is no round: each row should say {FORMAT} in the column format.")
    for name in ("round_id", "on", "unit"):
        if len({row[name] for row in rows}) != 1:
            raise WoodlabError(
                f"Several rounds are mixed in this file: {name} is not the same in all rows."
            )
    unit = _known_unit(rows[0]["unit"])
    lines, faults = [], []
    for at, row in enumerate(rows, 2):
        pounds = row["typed"].split(" lb ") if unit == "lboz" else [row["typed"]]
        ounces = pounds[1].removesuffix(" oz") if len(pounds) > 1 else ""
        grams, given = grams_of(pounds[0], unit, ounces), grams_of(row["mass_g"], "g")
        if (grams is None) != (given is None) or (
            grams and given and abs(grams - given) > 0.01 + 1e-6 * grams
        ):
            faults.append(f"row {at}: {row['typed']!r} was typed, but mass_g is {row['mass_g']!r}")
        line, wrong = _line(
            at, row["piece"], row["typed"], grams, row["kept_outside_band"] == "yes",
            [row[name] for name in ("crack", "crack_mm", "action", "note", "lower_g", "upper_g")],
        )  # fmt: skip
        lines.append(line)
        faults += wrong
    first = rows[0]
    return Filled(first["round_id"], first["on"], unit, tuple(lines), _sha(data), False,
                  tuple(faults))  # fmt: skip


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
    day = day.strftime("%Y-%m-%d") if isinstance(day, datetime | date) else str(day or "").strip()
    said = str(sheet.cell(2, at["crack"]).value or "").strip().casefold()
    unit = _known_unit(str(facts["unit"]))
    units = ["lb", "oz"] if unit == "lboz" else [f"today {unit}"]
    lines, faults = [], []
    for row in range(head + 1, sheet.max_row + 1):
        cells = {name: _cell(sheet.cell(row, column).value) for name, column in at.items()}
        weights = [cells[name] for name in units]
        typed = [*weights, *(cells[name] for name in ("crack", "crack mm", "done", "remark"))]
        if not any(typed):
            continue
        mark, key = cells["mark"], cells["key"]
        if key and mark != key:
            faults.append(f"row {row}: the mark was changed from {key!r} to {mark!r}")
        grams = grams_of(weights[0], unit, weights[1] if len(units) == 2 else "")
        line, wrong = _line(
            row, mark, " ".join(w for w in weights if w), grams, False,
            [*typed[len(weights):], cells["low"], cells["high"]],
        )  # fmt: skip
        lines.append(line)
        faults += wrong
    return Filled(str(facts["round_id"]), day, unit, tuple(lines), _sha(data), said == "yes",
                  tuple(faults))  # fmt: skip


def _known_unit(unit: str) -> str:
    if unit not in UNITS:
        raise WoodlabError(f"This round's unit {unit!r} is none of {', '.join(UNITS)}.")
    return unit


def _cell(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.10g}"
    return "" if value is None else str(value).strip()


def _line(
    row: int, mark: str, typed: str, grams: float | None, kept: bool, rest: list[str]
) -> tuple[Line, list[str]]:
    """A line and its faults; `rest` is crack, its length, what was done, remark, band."""
    crack, mm, action, note, low, high = rest
    faults = []
    crack, action = crack.strip().casefold(), action.strip().casefold()
    length = 0.0 if mm.strip() in ("0", "0.0") else grams_of(mm, "g")
    if grams is not None and math.isnan(grams):
        faults.append(f"row {row}, {mark}: {typed!r} is no weight")
        grams = None
    if crack and crack not in CRACKS:
        faults.append(f"row {row}, {mark}: {crack!r} is none of {', '.join(CRACKS)}")
    if length is not None and not 0 <= length <= LONGEST_CRACK_MM:
        faults.append(f"row {row}, {mark}: {mm!r} is no length in mm")
        length = None
    if length and crack in ("", "none"):
        faults.append(
            f"row {row}, {mark}: a length of {mm} mm, but the crack column says "
            f"{crack or 'nothing'}: type still or new there"
        )
    if action and action not in ACTIONS:
        faults.append(f"row {row}, {mark}: {action!r} is none of {', '.join(ACTIONS)}")
    limits = [limit if limit == limit else None for limit in map(_limit, (low, high))]
    done = "" if action == "none" else action
    return Line(row, mark, typed, grams, kept, crack, length, done, note.strip(),
                Band(*limits)), faults  # fmt: skip


def _limit(text: str) -> float | None:
    return grams_of(text, "g")


def _sha(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
