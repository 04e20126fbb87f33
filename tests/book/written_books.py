"""Random books whose every cell is known: what was written, and what must be read.

The oracle does not use woodlab: values are worked out with decimals and fractions from the text
that is written, and files are put together here, cell by cell, in three formats. Shared by
`test_as_written.py` and `tests/bench/bench_records.py`.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
import random
import zipfile
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import pandas as pd

# Names that a careless reader takes for numbers, truths, dates, nothing, or one another.
NUMBERLIKE = """1 01 001 1.0 1.1 1.10 1.100 1.2 10 1E1 1e1 +1 -1 007 7 7.0 0 -0 0.0 00 1e400 .5 0.5
1_000 0x10 1e-3 001.50 12345678901234567890 12345678901234567891 \u0661 \uff11""".split()  # noqa: SIM905
ODD = [*"""True TRUE true False FALSE yes nan NaN NAN None none? null NULL NA N/A #N/A inf -inf
Infinity 1/2 3/4 3-4 2026-03-01 1:30 =1+1 -A1 @x #1 '01 1.1.1 A1 a1 A-1 A_1 B\\1""".split(),  # noqa: SIM905
    "A 1", "A  1", "A\u00a01", "A\u200b1", "A\u00ad1", "\u00e9", "e\u0301", "\u6728\u306e\u9262",
    "\U0001fab5", 'A"1', "A;1", "A,1", "A\t1", "1,5", "12,50", "x" * 300]  # fmt: skip
MASSES = {"mass_g": ("g", 1), "mass_kg": ("kg", 1000), "Mass (lb)": ("lb", Decimal("453.59237")),
          "mass oz": ("oz", Decimal("28.349523125"))}  # fmt: skip
LENGTHS = {"wall_mm": ("mm", 1), "Wall (in)": ("in", Decimal("25.4")), "wall cm": ("cm", 10)}
SCALES = {unit: Decimal(by) for unit, by in [*MASSES.values(), *LENGTHS.values()]}


@dataclass
class Cell:
    """What is written, how a workbook stores it, and what must be read; or that it is a fault."""

    text: str
    value: object
    stored: str = "text"  # of a workbook: text, number, truth, date
    fault: bool = False


@dataclass
class Table:
    """Headings, the columns they mean, rows, and the rows that must be set aside."""

    headings: list[str]
    columns: list[str]
    rows: list[list[Cell]] = field(default_factory=list)
    spoiled: set[int] = field(default_factory=set)

    def add(self, *cells: Cell, spoiled: bool = False) -> None:
        if spoiled or any(cell.fault for cell in cells):
            self.spoiled.add(len(self.rows))
        self.rows.append(list(cells))


EMPTY = Cell("", None)


class Writer:
    """One random book."""

    def __init__(self, seed: int, form: str):
        self.rng = random.Random(seed)
        self.form = form
        self.comma = False  # decimals with a comma, of a CSV file
        self.separator = ","
        if form == "csv":
            self.separator = self.rng.choice(",,;\t")
            self.comma = self.separator != "," and self.rng.random() < 0.5

    def names(self, count: int) -> list[str]:
        """Distinct names; in every other book all of them look like numbers."""
        pool = NUMBERLIKE if self.rng.random() < 0.5 else NUMBERLIKE + ODD
        if self.form == "ods":  # whose reader loses tabs: woodlab refuses the book
            pool = [name for name in pool if "\t" not in name]
        return self.rng.sample(pool, min(count, len(pool)))

    def name(self, name: str) -> Cell:
        if self.form == "csv":
            return Cell(name, name)
        whole = name.isascii() and name.isdigit() and str(int(name)) == name and len(name) < 15
        if whole and self.rng.random() < 0.3:
            return Cell(name, name, "number")
        if name in ("TRUE", "FALSE") and self.rng.random() < 0.5:
            return Cell(name, name, "truth")
        return Cell(name, name)

    def date(self) -> Cell:
        day = dt.datetime(2026, 1, 1) + dt.timedelta(days=self.rng.randrange(300))
        kind = self.rng.choice(["day", "day", "day", "time", "zone", "bad"])
        if kind == "bad" and self.rng.random() < 0.8:
            kind = "day"
        if kind == "bad":
            return Cell(
                self.rng.choice(["2026-02-30", "9/3/26", "soon", "46090"]), None, fault=True
            )
        if kind == "day":
            stored = "date" if self.form != "csv" and self.rng.random() < 0.5 else "text"
            return Cell(f"{day:%Y-%m-%d}", day, stored)
        day += dt.timedelta(minutes=self.rng.randrange(1440))
        zone = self.rng.choice(["+02:00", "-0500", "Z", "+13", " +05:30"])
        return Cell(f"{day:%Y-%m-%d}{self.rng.choice('T ')}{day:%H:%M}"
                    + (zone if kind == "zone" else ""), day)  # fmt: skip

    def decimal(self, low: float, high: float) -> str:
        places = self.rng.choice([0, 0, 1, 2, 12])
        text = f"{self.rng.uniform(low, high):.{places}f}"
        return text if places != 3 else text + "1"

    def local(self, text: str) -> str:
        return text.replace(".", ",") if self.comma else text

    def number(self, low: float, high: float, unit: str, by: Decimal) -> Cell:
        """A number in the unit of its heading, which is between the bounds in the column's own."""
        text = self.decimal(low / float(by), high / float(by))
        if float(text) == 0:
            text = "1"
        value = float(Decimal(text) * by)
        roll = self.rng.random()
        if roll < 0.03:
            bad = self.rng.choice(["12 x", "TRUE", "nan", "--", "1,234,5", "2026-03-01"])
            truth = self.form != "csv" and bad == "TRUE"
            return Cell(bad, None, "truth" if truth else "text", fault=True)
        if roll < 0.15 and unit in SCALES:
            other = self.rng.choice([u for u in SCALES if _quantity(u) == _quantity(unit)])
            amount = self.decimal(low / float(SCALES[other]), high / float(SCALES[other]))
            amount = amount if float(amount) else "1"
            gap = self.rng.choice(["", " "])
            return Cell(f"{self.local(amount)}{gap}{other}", float(Decimal(amount) * SCALES[other]))
        if roll < 0.2 and _quantity(unit) == "g":
            pounds, ounces = self.rng.randrange(1, 9), self.rng.randrange(16)
            total = pounds * SCALES["lb"] + ounces * SCALES["oz"]
            return Cell(f"{pounds} lb {ounces} oz", float(total))
        if roll < 0.5 and unit == "in":
            return self.fraction()
        if self.form != "csv" and self.rng.random() < 0.6:
            return Cell(text, float(by * Decimal(repr(float(text)))), "number")
        return Cell(self.local(text), value)

    def fraction(self) -> Cell:
        bottom = self.rng.choice([2, 4, 8, 16, 32])
        top, whole = self.rng.randrange(1, bottom), self.rng.randrange(3)
        if self.rng.random() < 0.1:
            return Cell(f"{1 + whole}{max(top, 9) if bottom < 9 else 10 + top % 3}/{bottom}", None,
                        fault=True)  # fmt: skip
        value = float((whole + Fraction(top, bottom)) * Fraction("25.4"))
        end = self.rng.choice(["", "", '"', " in"])
        return Cell(f"{f'{whole} ' if whole else ''}{top}/{bottom}{end}", value)

    def book(self) -> dict[str, Table]:
        tables = {"pieces": self.pieces()}
        pieces = tables["pieces"]
        good = [row[0].value for at, row in enumerate(pieces.rows) if at not in pieces.spoiled]
        bad = [row[0].value for at, row in enumerate(pieces.rows) if at in pieces.spoiled]
        tables["weighings"] = self.weighings(good, bad)
        if self.rng.random() < 0.6:
            tables["looks"] = self.looks(good, bad)
        if self.rng.random() < 0.6:
            tables["air"] = self.air()
        return tables

    def pieces(self) -> Table:
        heading = self.rng.choice(list(LENGTHS))
        unit, by = LENGTHS[heading]
        table = Table(["piece", "turned_on", heading, "species", "Seal", "log", "place", "my own"],
                      ["piece", "turned_on", "wall_mm", "species", "seal", "log", "place",
                       "my own"])  # fmt: skip
        marks = self.names(self.rng.randrange(1, 14))
        if not {"TRUE", "true", "True"}.isdisjoint(marks):
            marks = [mark for mark in marks if mark != "TRUE"] or ["1"]
        few = self.names(3)
        for mark in marks:
            said = [self.name(self.rng.choice(few)) if self.rng.random() < 0.8 else EMPTY
                    for _ in range(4)]  # fmt: skip
            wall = self.number(5, 90, unit, Decimal(by)) if self.rng.random() < 0.8 else EMPTY
            own = self.name(self.rng.choice(NUMBERLIKE))
            table.add(self.name(mark), self.date(), wall, *said, own)
        return table

    def of_piece(self, good: list, bad: list) -> tuple[Cell, bool]:
        """A mark of the book or, now and then, one that is set aside or that nobody knows."""
        if not good or self.rng.random() < 0.03:
            return Cell("nobody's", None, fault=True), True
        if bad and self.rng.random() < 0.2:
            mark = self.rng.choice(bad)
            return self.name(mark), True
        return self.name(self.rng.choice(good)), False

    def weighings(self, good: list, bad: list) -> Table:
        heading = self.rng.choice(list(MASSES))
        unit, by = MASSES[heading]
        table = Table(["on", "piece", heading, "scale", "place"],
                      ["on", "piece", "mass_g", "scale", "place"])  # fmt: skip
        few = self.names(3)
        for _ in range(self.rng.randrange(0, 25)):
            piece, gone = self.of_piece(good, bad)
            said = [self.name(self.rng.choice(few)) if self.rng.random() < 0.5 else EMPTY
                    for _ in range(2)]  # fmt: skip
            mass = self.number(200, 4000, unit, Decimal(by))
            table.add(self.date(), piece, mass, *said, spoiled=gone)
        return table

    def looks(self, good: list, bad: list) -> Table:
        table = Table(["piece", "on", "crack_mm", "crack"], ["piece", "on", "crack_mm", "crack"])
        for _ in range(self.rng.randrange(1, 10)):
            piece, gone = self.of_piece(good, bad)
            size, word, want_mm, want = self.rng.choice(
                [("0", "", 0.0, "no"), ("12", "", 12.0, "yes"), ("", "Yes", None, "yes"),
                 ("", "no", 0.0, "no"), ("7", "yes", 7.0, "yes"), ("", "", None, None),
                 ("0", "yes", None, None), ("3", "no", None, None)])  # fmt: skip
            stored = "number" if self.form != "csv" and self.rng.random() < 0.6 else "text"
            table.add(piece, self.date(), Cell(size, want_mm, stored if size else "text"),
                      Cell(word, want), spoiled=gone or want is None)  # fmt: skip
        return table

    def air(self) -> Table:
        table = Table(["on", "temp_c", "rh_pct", "place"], ["on", "temp_c", "rh_pct", "place"])
        few = self.names(2)
        for _ in range(self.rng.randrange(1, 12)):
            temp = self.air_cell(-20, 35)
            place = self.name(self.rng.choice(few)) if self.rng.random() < 0.7 else EMPTY
            table.add(self.date(), temp, self.air_cell(1, 99), place)
        return table

    def air_cell(self, low: float, high: float) -> Cell:
        if self.rng.random() < 0.2:
            return EMPTY
        text = self.decimal(low, high)
        if self.form != "csv" and self.rng.random() < 0.1:
            return Cell("FALSE", None, "truth", fault=True)
        if self.form != "csv" and self.rng.random() < 0.6:
            return Cell(text, float(text), "number")
        return Cell(self.local(text), float(text))


def _quantity(unit: str) -> str:
    return "g" if unit in ("g", "kg", "lb", "oz") else "mm"


def write(writer: Writer, tables: dict[str, Table], folder: Path) -> Path:
    """The book as files, in the format of its writer."""
    if writer.form == "csv":
        return _write_csv(writer, tables, folder / "book")
    path = folder / f"book.{writer.form}"
    parts = _xlsx_parts(tables) if writer.form == "xlsx" else _ods_parts(tables)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            archive.writestr(name, text)
    return path


def _write_csv(writer: Writer, tables: dict[str, Table], path: Path) -> Path:
    path.mkdir(parents=True)
    quoting = writer.rng.choice([csv.QUOTE_MINIMAL, csv.QUOTE_MINIMAL, csv.QUOTE_ALL])
    end = writer.rng.choice(["\n", "\r\n"])
    encoding = writer.rng.choice(["utf-8", "utf-8", "utf-8-sig", "utf-16", "cp1252"])
    for name, table in tables.items():
        text = io.StringIO(newline="")
        out = csv.writer(text, delimiter=writer.separator, quoting=quoting, lineterminator=end)
        out.writerow(table.headings)
        out.writerows([[cell.text for cell in row] for row in table.rows])
        try:
            data = text.getvalue().encode(encoding)
        except UnicodeEncodeError:
            data = text.getvalue().encode("utf-8")
        (path / f"{name}.csv").write_bytes(data)
    return path


_DAY_ZERO = dt.datetime(1899, 12, 30)
_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml."
_REL = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_XML = '<?xml version="1.0" encoding="UTF-8"?>'


def _xlsx_parts(tables: dict[str, Table]) -> dict[str, str]:
    names = list(tables)
    over = "".join(
        f'<Override PartName="/xl/worksheets/sheet{n}.xml" ContentType="{_TYPE}worksheet+xml"/>'
        for n in range(len(names))
    )
    package = "http://schemas.openxmlformats.org/package/2006"
    sheets = "".join(f'<sheet name="{name}" sheetId="{n + 1}" r:id="r{n}"/>'
                     for n, name in enumerate(names))  # fmt: skip
    relations = "".join(
        f'<Relationship Id="r{n}" Type="{_REL}/worksheet" Target="worksheets/sheet{n}.xml"/>'
        for n in range(len(names))
    )
    parts = {
        "[Content_Types].xml": f'{_XML}<Types xmlns="{package}/content-types">'
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.'
        'relationships+xml"/><Override PartName="/xl/workbook.xml" ContentType="'
        f'{_TYPE}sheet.main+xml"/><Override PartName="/xl/styles.xml" ContentType="'
        f'{_TYPE}styles+xml"/>{over}</Types>',
        "_rels/.rels": f'{_XML}<Relationships xmlns="{package}/relationships"><Relationship '
        f'Id="r" Type="{_REL}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": f'{_XML}<workbook xmlns="{_MAIN}" xmlns:r="{_REL}"><sheets>{sheets}'
        "</sheets></workbook>",
        "xl/_rels/workbook.xml.rels": f'{_XML}<Relationships xmlns="{package}/relationships">'
        f'{relations}<Relationship Id="s" Type="{_REL}/styles" Target="styles.xml"/>'
        "</Relationships>",
        "xl/styles.xml": f'{_XML}<styleSheet xmlns="{_MAIN}"><cellXfs><xf numFmtId="0"/>'
        '<xf numFmtId="14" applyNumberFormat="1"/></cellXfs></styleSheet>',
    }
    for n, table in enumerate(tables.values()):
        rows = [[Cell(heading, heading) for heading in table.headings], *table.rows]
        body = "".join(
            f'<row r="{at}">{"".join(_xlsx_cell(c, at, k) for k, c in enumerate(row))}</row>'
            for at, row in enumerate(rows, start=1)
        )
        parts[f"xl/worksheets/sheet{n}.xml"] = (
            f'{_XML}<worksheet xmlns="{_MAIN}"><sheetData>{body}</sheetData></worksheet>'
        )
    return parts


def _xlsx_cell(cell: Cell, row: int, column: int) -> str:
    at = f'r="{chr(65 + column)}{row}"'
    if not cell.text:
        return ""
    if cell.stored == "number":
        return f"<c {at}><v>{cell.text}</v></c>"
    if cell.stored == "truth":
        return f'<c {at} t="b"><v>{int(cell.text == "TRUE")}</v></c>'
    if cell.stored == "date":
        return f'<c {at} s="1"><v>{(cell.value - _DAY_ZERO).days}</v></c>'
    text = escape(cell.text)
    return f'<c {at} t="inlineStr"><is><t xml:space="preserve">{text}</t></is></c>'


_ODS = "urn:oasis:names:tc:opendocument:xmlns:"


def _ods_parts(tables: dict[str, Table]) -> dict[str, str]:
    sheets = []
    for name, table in tables.items():
        rows = [[Cell(heading, heading) for heading in table.headings], *table.rows]
        body = "".join(
            f"<table:table-row>{''.join(map(_ods_cell, row))}</table:table-row>" for row in rows
        )
        sheets.append(f'<table:table table:name="{name}">{body}</table:table>')
    kind = "application/vnd.oasis.opendocument.spreadsheet"
    manifest = f"{_ODS}manifest:1.0"
    return {
        "mimetype": kind,
        "META-INF/manifest.xml": f'{_XML}<m:manifest xmlns:m="{manifest}"><m:file-entry '
        f'm:full-path="/" m:media-type="{kind}"/><m:file-entry m:full-path="content.xml" '
        'm:media-type="text/xml"/></m:manifest>',
        "content.xml": f'{_XML}<office:document-content xmlns:office="{_ODS}office:1.0" '
        f'xmlns:table="{_ODS}table:1.0" xmlns:text="{_ODS}text:1.0"><office:body>'
        f"<office:spreadsheet>{''.join(sheets)}</office:spreadsheet></office:body>"
        "</office:document-content>",
    }


def _ods_cell(cell: Cell) -> str:
    if not cell.text:
        return "<table:table-cell/>"
    text = escape(cell.text).replace("  ", ' <text:s text:c="1"/>').replace("\t", "<text:tab/>")
    kind, value = "string", ""
    if cell.stored == "number":
        kind, value = "float", f" office:value={quoteattr(cell.text)}"
    elif cell.stored == "truth":
        kind, value = "boolean", f' office:boolean-value="{cell.text.lower()}"'
    elif cell.stored == "date":
        kind, value = "date", f' office:date-value="{cell.text}"'
    return (
        f'<table:table-cell office:value-type="{kind}"{value}><text:p>{text}</text:p>'
        "</table:table-cell>"
    )


DEFAULTS = {"species": "not said", "seal": "not said"}


def differences(tables: dict[str, Table], frames: dict[str, pd.DataFrame], aside: pd.DataFrame):
    """Where what was read is not what was written, and how many values were compared."""
    wrong, compared = [], 0
    for name, table in tables.items():
        frame = frames[name]
        want = [row for at, row in enumerate(table.rows) if at not in table.spoiled]
        gone = sorted(aside.loc[aside["table"] == name, "row"].unique() - 2)
        if gone != sorted(table.spoiled):
            wrong.append(f"{name}: rows {gone} set aside, not {sorted(table.spoiled)}")
            continue
        if len(frame) != len(want):
            wrong.append(f"{name}: {len(frame)} rows, not {len(want)}")
            continue
        for k, column in enumerate(table.columns):
            for at, got in enumerate(frame[column].tolist()):
                value = want[at][k].value
                value = DEFAULTS.get(column) if value is None else value
                compared += 1
                if not _same(got, value):
                    wrong.append(f"{name}.{column}[{at}]: {got!r}, not {value!r} "
                                 f"(written {want[at][k]})")  # fmt: skip
    return wrong, compared


def _same(got: object, value: object) -> bool:
    if value is None:
        return got is None or got != got
    if isinstance(value, float):
        return isinstance(got, float) and math.isclose(got, value, rel_tol=1e-12, abs_tol=1e-9)
    return got == value and isinstance(got, str) == isinstance(value, str)


def check(seed: int, form: str, folder: Path) -> tuple[list[str], int]:
    """Write the book of a seed, open it, compare: what is wrong, and how many values were seen."""
    import woodlab as wl

    writer = Writer(seed, form)
    tables = writer.book()
    path = write(writer, tables, folder)
    book = wl.open_book(path, set_aside=True)
    if seed % 4 == 0:
        assert set(book.doubts["table"]) <= set(tables)
    frames = {name: getattr(book, name) for name in tables}
    return differences(tables, frames, book.set_aside)
