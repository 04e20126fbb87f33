# ruff: noqa: E501 - rows of cases are easier to compare in one line
"""Hostile and broken input by name, and what must hold for each of them.

Shared by the tests beside this file and by `tests/bench/bench_hostile.py`.
"""

from __future__ import annotations

import csv
import io
import os
import random
import zipfile
from collections.abc import Callable
from pathlib import Path

import pandas as pd

import woodlab as wl
from woodlab.book.claims import MOST_SHARED_TEXTS
from woodlab.book.tables import TABLES

PIECES = [
    ["piece", "species", "turned_on", "wall_mm", "seal", "note"],
    ["A1", "sugar maple", "2026-03-01", "25", "none", ""],
    ["A2", "érable à sucre", "2026-03-02", "30.5", "wax", "fork, two hearts"],
]
WEIGHINGS = [
    ["piece", "on", "mass_g", "event", "note"],
    ["A1", "2026-03-01", "1480", "", ""],
    ["A1", "2026-03-08T09:30", "1400.5", "", "by lamp"],
    ["A2", "2026-03-02", "1500", "", ""],
    ["A2", "2026-03-09", "1460", "sealed", ""],
]
LOOKS = [["piece", "on", "crack_mm"], ["A1", "2026-03-08", "0"], ["A2", "2026-03-09", "12.5"]]
AIR = [["on", "temp_c", "rh_pct"], ["2026-03-01", "12", "70"], ["2026-03-02", "13.5", "68"]]
BOOK = {"pieces": PIECES, "weighings": WEIGHINGS, "looks": LOOKS, "air": AIR}

Files = dict[str, bytes]


def csv_bytes(rows: list[list[str]], encoding: str = "utf-8", separator: str = ",") -> bytes:
    buffer = io.StringIO(newline="")
    csv.writer(buffer, delimiter=separator).writerows(rows)
    return buffer.getvalue().encode(encoding)


def folder_of(**tables: list[list[str]] | bytes) -> Files:
    """CSV files of a book; a table given as bytes is taken as it is."""
    return {
        f"{name}.csv": rows if isinstance(rows, bytes) else csv_bytes(rows)
        for name, rows in (BOOK | tables).items()
    }


def with_cell(rows: list[list[str]], row: int, column: str, cell: str) -> list[list[str]]:
    """The table with one cell changed; row 1 is the first record."""
    copy = [list(one) for one in rows]
    copy[row][copy[0].index(column)] = cell
    return copy


HOSTILE_NAMES = (
    "../../x", "..", "/etc/passwd", "C:\\x\\y", "a/b", "~", "$(touch x)", "`id`", "=1+1", "@SUM(A1)",
    "-rf", "con", "x" * 10_000, "<script>alert(1)</script>", "'; drop table pieces", "%s%n{0}",
    "ä\u0301", "\u202ereversed", "木の鉢", "🪵", "nan", "None", "NA", "1e5", "007", "  spaced  ", "\\",
)  # fmt: skip


def _hostile_name(name: str) -> Files:
    pieces = with_cell(PIECES, 1, "piece", name)
    weighings = [[name if cell == "A1" else cell for cell in row] for row in WEIGHINGS]
    looks = [[name if cell == "A1" else cell for cell in row] for row in LOOKS]
    return folder_of(pieces=pieces, weighings=weighings, looks=looks)


def csv_cases() -> dict[str, tuple[str, Files]]:
    """By name: what must come of it (`answer`, `fault`, or `either`), and the files."""
    whole = csv_bytes(WEIGHINGS)
    pieces = csv_bytes(PIECES)
    cases: dict[str, tuple[str, Files]] = {"whole": ("answer", folder_of())}

    def add(name: str, outcome: str, **tables: list[list[str]] | bytes) -> None:
        cases[name] = (outcome, folder_of(**tables))

    for number, name in enumerate(HOSTILE_NAMES):
        cases[f"piece name {number}: {name[:20]!r}"] = ("answer", _hostile_name(name))
    for cut in range(0, len(whole), 7):
        add(f"weighings cut at byte {cut}", "either", weighings=whole[:cut])
    for encoding in ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"):
        add(f"pieces in {encoding}", "answer", pieces=csv_bytes(PIECES, encoding))
    for encoding in ("utf-7", "utf-32", "cp037", "shift_jis"):
        text = csv_bytes(PIECES).decode().replace("é", "e").replace("à", "a")
        add(f"pieces in {encoding}", "either", pieces=text.encode(encoding))
    add("utf-8 with one broken byte", "fault", pieces=pieces.replace(b"wax", b"w\xe9x"))
    add("separator ;", "answer", weighings=csv_bytes(WEIGHINGS, separator=";"))
    add("separator tab", "answer", weighings=csv_bytes(WEIGHINGS, separator="\t"))
    add("separator |", "fault", weighings=csv_bytes(WEIGHINGS, separator="|"))
    add("line ends of an old Mac", "answer", weighings=whole.replace(b"\r\n", b"\r"))
    add("line ends of Unix", "answer", weighings=whole.replace(b"\r\n", b"\n"))
    add("a quote that never closes", "fault", weighings=whole.replace(b"by lamp", b'"by lamp'))
    add(
        "a quote that closes rows later", "fault",
        weighings=csv_bytes(WEIGHINGS).replace(b"by lamp", b'"by lamp') + b'A2,2026-03-16,1440,,"\r\n',
    )  # fmt: skip
    add("binary noise", "fault", weighings=random.Random(1).randbytes(20_000))
    add("a picture", "fault", weighings=b"\x89PNG\r\n\x1a\n" + bytes(500))
    add("a workbook named .csv", "fault", weighings=xlsx_bytes(BOOK))
    add("nothing but NULs", "fault", weighings=bytes(10_000))
    add("NULs within cells", "fault", weighings=whole.replace(b"A1", b"A\x001"))
    add("NULs at the end", "fault", weighings=whole + bytes(5000))
    add("empty weighings", "fault", weighings=b"")
    add("empty pieces", "fault", pieces=b" \n \n")
    add("headings only", "answer", weighings=csv_bytes(WEIGHINGS[:1]), looks=csv_bytes(LOOKS[:1]))
    add(
        "no piece",
        "answer",
        pieces=PIECES[:1],
        weighings=WEIGHINGS[:1],
        looks=LOOKS[:1],
        air=AIR[:1],
    )
    add("one piece", "answer", pieces=PIECES[:2], weighings=WEIGHINGS[:3], looks=LOOKS[:2])
    add(
        "one piece, one weighing",
        "answer",
        pieces=PIECES[:2],
        weighings=WEIGHINGS[:2],
        looks=LOOKS[:1],
    )
    alike = [["A1" if row else "piece", *one[1:]] for row, one in enumerate(WEIGHINGS)]
    add("all pieces alike", "fault", pieces=[PIECES[0], PIECES[1], PIECES[1], PIECES[1]])
    add("all weighings of one piece at one time", "answer",
        weighings=[WEIGHINGS[0], *[WEIGHINGS[1]] * 50])  # fmt: skip
    add("weighings of one piece only", "answer", weighings=alike)
    add("time going backwards", "answer", weighings=[WEIGHINGS[0], *WEIGHINGS[:0:-1]])
    add(
        "a 10,000-character note",
        "answer",
        weighings=with_cell(WEIGHINGS, 1, "note", "long " * 2000),
    )
    add("a note of two million characters", "answer",
        weighings=with_cell(WEIGHINGS, 1, "note", "y" * 2_000_000))  # fmt: skip
    add("a note of several lines", "answer",
        weighings=with_cell(WEIGHINGS, 1, "note", "first\nsecond\r\nthird"))  # fmt: skip
    add("a control character in a note", "fault",
        weighings=with_cell(WEIGHINGS, 1, "note", "bell \x07"))  # fmt: skip
    add("a control character in a column of the maker's own", "fault",
        weighings=[[*row, "\x07" if number == 2 else "shelf"] for number, row in enumerate(WEIGHINGS)])  # fmt: skip
    add("a thousand columns", "answer",
        air=[[*row, *[f"x{i}" for i in range(1000)]] for row in AIR])  # fmt: skip
    add("a hundred thousand columns", "fault",
        air=[[*row, *[f"x{i}" for i in range(100_000)]] for row in AIR])  # fmt: skip
    add("a hundred thousand cells in one row", "fault", weighings=[*WEIGHINGS, ["x"] * 100_000])
    add("a heading that stands twice", "fault", weighings=[[*row, row[2]] for row in WEIGHINGS])
    add("two headings of one meaning", "fault",
        weighings=[["mass_kg" if not n else row[2], *row] for n, row in enumerate(WEIGHINGS)])  # fmt: skip
    add("a heading that is missing", "fault", weighings=[["", *row] for row in WEIGHINGS])
    add("no heading row", "fault", weighings=WEIGHINGS[1:])
    add("rows of uneven length", "fault", weighings=[*WEIGHINGS, ["A1"], ["A1", "2026-03-20"]])
    add("species in another language", "answer", pieces=with_cell(PIECES, 1, "species", "カエデ"))
    add(
        "species in right-to-left letters", "answer", pieces=with_cell(PIECES, 1, "species", "قيقب")
    )
    for date, outcome in {
        "1900-01-01": "answer", "2100-12-31": "answer", "1899-12-31": "fault", "9999-12-31": "fault",
        "0000-00-00": "fault", "0001-01-01": "fault", "10000-01-01": "fault", "-001-01-01": "fault",
        "2026-02-29": "fault", "2024-02-29": "answer", "2026-03-09T24:00": "fault", "09/03/2026": "fault",
        "46090": "fault", "2026-03-09T10:00+02:00": "answer", "2026-03-09 10:00:00.123456": "answer",
        "٢٠٢٦-٠٣-٠٩": "either", "today": "fault", "NaT": "fault",
    }.items():  # fmt: skip
        add(f"date {date}", outcome, weighings=with_cell(WEIGHINGS, 1, "on", date))
    for mass, outcome in {
        "inf": "fault", "-inf": "fault", "Infinity": "fault", "nan": "fault", "NaN": "fault",
        "0": "fault", "-0": "fault", "-5": "fault", "1e-300": "answer", "1e300": "fault",
        "1e999": "fault", "9" * 400: "fault", "1" * 5000: "fault", "200000": "answer",
        "200000.1": "fault", "0x10": "fault", "1_000": "fault", "١٤٨٠": "either", "1,480": "fault",
        "True": "fault", "1480 g": "answer", "+1480": "answer", ".5": "answer", "1.": "answer",
        "1/2": "fault", "--5": "fault", "": "fault", "=1480": "fault", "1480\n": "answer",
    }.items():  # fmt: skip
        add(f"mass {mass[:20]!r}", outcome, weighings=with_cell(WEIGHINGS, 1, "mass_g", mass))
    return cases


# ---- workbooks, written part by part so that they can lie -----------------------------------

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACKAGE = "http://schemas.openxmlformats.org/package/2006"


def _letter(column: int) -> str:
    return chr(65 + column)


def _inline(reference: str, text: str) -> str:
    text = text.replace("&", "&amp;").replace("<", "&lt;")
    return f'<c r="{reference}" t="inlineStr"><is><t>{text}</t></is></c>'


def _sheet_xml(rows: list[list[str]], more: str = "", before: str = "") -> str:
    lines = [
        f'<row r="{number}">'
        + "".join(_inline(f"{_letter(c)}{number}", cell) for c, cell in enumerate(row) if cell)
        + "</row>"
        for number, row in enumerate(rows, start=1)
    ]
    return f'<worksheet xmlns="{_MAIN}">{before}<sheetData>{"".join(lines)}{more}</sheetData></worksheet>'


def xlsx_bytes(tables: dict[str, list[list[str]]], **lies: str) -> bytes:
    """A workbook of the tables; `lies` give a sheet's XML outright."""
    buffer = io.BytesIO()
    names = list(tables)
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(
            "[Content_Types].xml",
            f'<Types xmlns="{_PACKAGE}/content-types"><Default Extension="xml" '
            'ContentType="application/xml"/><Default Extension="rels" ContentType='
            '"application/vnd.openxmlformats-package.relationships+xml"/><Override PartName='
            '"/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.'
            'spreadsheetml.sheet.main+xml"/></Types>',
        )
        archive.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{_PACKAGE}/relationships"><Relationship Id="rId1" '
            f'Type="{_OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        )
        sheets = "".join(
            f'<sheet name="{name}" sheetId="{number}" r:id="rId{number}"/>'
            for number, name in enumerate(names, start=1)
        )
        archive.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{_MAIN}" xmlns:r="{_OFFICE}"><sheets>{sheets}</sheets></workbook>',
        )
        parts = "".join(
            f'<Relationship Id="rId{number}" Type="{_OFFICE}/worksheet" '
            f'Target="worksheets/sheet{number}.xml"/>'
            for number in range(1, len(names) + 1)
        )
        archive.writestr(
            "xl/_rels/workbook.xml.rels",
            f'<Relationships xmlns="{_PACKAGE}/relationships">{parts}</Relationships>',
        )
        for number, (name, rows) in enumerate(tables.items(), start=1):
            archive.writestr(f"xl/worksheets/sheet{number}.xml", lies.get(name) or _sheet_xml(rows))
    return buffer.getvalue()


_FAR = f'<row r="1048576">{_inline("XFD1048576", "x")}</row>'
_WIDE = f'<row r="1000000">{_inline("H1000000", "x")}</row>'  # 8 million cells


def _renamed(data: bytes, old: str, new: str) -> bytes:
    """The workbook with one of its parts under another name."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as archive, zipfile.ZipFile(out, "w") as other:
        for name in archive.namelist():
            part = archive.read(name)
            if name.endswith(".rels"):
                part = part.replace(
                    old.removeprefix("xl/").encode(), new.removeprefix("xl/").encode()
                )
            other.writestr(new if name == old else name, part, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _with_shared(
    tables: dict[str, list[list[str]]], texts: str, count: str = "", **lies: str
) -> bytes:
    """A workbook with shared texts."""
    out = io.BytesIO(xlsx_bytes(tables, **lies))
    with zipfile.ZipFile(out) as archive:
        rels = archive.read("xl/_rels/workbook.xml.rels").decode()
    shared = f'<Relationship Id="rId99" Type="{_OFFICE}/sharedStrings" Target="sharedStrings.xml"/>'
    out = io.BytesIO(_without(out.getvalue(), "xl/_rels/workbook.xml.rels"))
    with zipfile.ZipFile(out, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/_rels/workbook.xml.rels", rels.replace("</Rel", shared + "</Rel"))
        archive.writestr("xl/sharedStrings.xml", f'<sst xmlns="{_MAIN}" {count}>{texts}</sst>')
    return out.getvalue()


def _without(data: bytes, gone: str) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as archive, zipfile.ZipFile(out, "w") as other:
        for name in archive.namelist():
            if name != gone:
                other.writestr(name, archive.read(name), zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _shared_text_bomb() -> bytes:
    """A text of 30,000 letters that 100,000 cells name: 3 GB from a few kilobytes."""
    rows = "".join(
        f'<row r="{row}">' + "".join(f'<c r="{_letter(c)}{row}" t="s"><v>0</v></c>' for c in range(5))
        + "</row>" for row in range(10, 20_010)
    )  # fmt: skip
    sheet = _sheet_xml(WEIGHINGS, rows)
    return _with_shared(BOOK, f"<si><t>{'y' * 30_000}</t></si>", weighings=sheet)


def _shared_once() -> bytes:
    """Notes of 30,000 letters, each named once, beside 30,000 cells that name a short text."""
    rows, texts = "", "<si><t>A1</t></si>"
    for row in range(10, 30_010):
        long = row < 20
        note = f'<c r="E{row}" t="s"><v>{row - 9}</v></c>' if long else ""
        texts += f"<si><t>{row}{'y' * 30_000}</t></si>" if long else ""
        rows += (
            f'<row r="{row}"><c r="A{row}" t="s"><v>0</v></c>{_inline(f"B{row}", "2026-03-09")}'
            f'<c r="C{row}"><v>{1000 + row / 100}</v></c>{note}</row>'
        )
    return _with_shared(BOOK, texts, weighings=_sheet_xml(WEIGHINGS, rows))


def _ods_cell(text: str, more: str = "") -> str:
    text = text.replace("&", "&amp;").replace("<", "&lt;")
    return (
        f'<table:table-cell office:value-type="string" {more}><text:p>{text}</text:p>'
        "</table:table-cell>"
    )


def _ods_row(cells: list[str], more: str = "") -> str:
    return f"<table:table-row {more}>{''.join(cells)}</table:table-row>"


def ods_bytes(tables: dict[str, list[list[str]]], more: str = "", head: str = "") -> bytes:
    """An open-standard workbook; `more` goes below the rows of its last table."""
    urn = "urn:oasis:names:tc:opendocument:xmlns"
    body = ""
    for name, rows in tables.items():
        lines = "".join(_ods_row([_ods_cell(cell) for cell in row]) for row in rows)
        below = more if name == list(tables)[-1] else ""
        body += f'<table:table table:name="{name}">{lines}{below}</table:table>'
    content = (
        f'{head}<office:document-content xmlns:office="{urn}:office:1.0" '
        f'xmlns:table="{urn}:table:1.0" xmlns:text="{urn}:text:1.0"><office:body>'
        f"<office:spreadsheet>{body}</office:spreadsheet></office:body></office:document-content>"
    )
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("META-INF/manifest.xml", f'<m:manifest xmlns:m="{urn}:manifest:1.0"/>')
        archive.writestr("content.xml", content)
    return buffer.getvalue()


def _lying_size(data: bytes, claimed: int) -> bytes:
    """The same zip file, stating another unpacked size for its largest part."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        largest = max(archive.infolist(), key=lambda entry: entry.file_size)
    old, new = largest.file_size.to_bytes(4, "little"), claimed.to_bytes(4, "little")
    return data.replace(old, new)


def workbook_cases() -> dict[str, tuple[str, str, bytes]]:
    """By name: what must come of it, the ending of the file, its bytes."""
    whole = xlsx_bytes(BOOK)
    open_whole = ods_bytes(BOOK)
    cases = {
        "whole .xlsx": ("answer", ".xlsx", whole),
        "whole .ods": ("answer", ".ods", open_whole),
    }

    def lie(name: str, outcome: str, more: str = "", before: str = "") -> None:
        sheet = _sheet_xml(WEIGHINGS, more, before)
        cases[name] = (outcome, ".xlsx", xlsx_bytes(BOOK, weighings=sheet))

    lie("a billion rows in the dimension", "answer", before='<dimension ref="A1:XFD1000000000"/>')
    lie("a cell at the far corner", "fault", f'<row r="1048576">{_inline("XFD1048576", "x")}</row>')
    lie(
        "a cell beyond the far corner", "fault", f'<row r="9">{_inline("XFE4000000000", "x")}</row>'
    )
    lie("a reference of 60 digits", "fault", f'<row r="9">{_inline("A" + "9" * 60, "x")}</row>')
    lie("a reference of letters only", "either", f'<row r="9">{_inline("ABC", "x")}</row>')
    lie("a negative row", "either", f'<row r="-1">{_inline("A9", "x")}</row>')
    lie("a stray cell far below", "fault", f'<row r="900000">{_inline("A900000", "x")}</row>')
    lie("a formula without its value", "fault",
        f'<row r="6">{_inline("A6", "A1")}<c r="C6"><f>1+1</f></c></row>')  # fmt: skip
    lie("a formula with its value", "fault", '<row r="6"><c r="C6"><f>1+1</f><v>2</v></c></row>')
    lie("an error value", "fault",
        f'<row r="6">{_inline("A6", "A1")}<c r="C6" t="e"><v>#REF!</v></c></row>')  # fmt: skip
    lie(
        "a shared text that does not exist",
        "either",
        '<row r="6"><c r="A6" t="s"><v>99</v></c></row>',
    )
    lie("a number of 400 digits", "either", f'<row r="6"><c r="C6"><v>{"9" * 400}</v></c></row>')
    lie("a boolean as mass", "fault", '<row r="6"><c r="C6" t="b"><v>1</v></c></row>')
    cases["two sheets of one meaning"] = (
        "fault", ".xlsx", xlsx_bytes(BOOK | {"Weighings ": WEIGHINGS})
    )  # fmt: skip
    cases["no sheet that is meant"] = ("fault", ".xlsx", xlsx_bytes({"Sheet1": WEIGHINGS}))
    huge = _sheet_xml(with_cell(WEIGHINGS, 1, "note", "y" * 30_000_000))
    bomb = xlsx_bytes(BOOK, weighings=huge)
    cases["a bomb that states too small a size"] = ("fault", ".xlsx", _lying_size(bomb, 1000))
    cases["a bomb that states a size of 4 GB"] = ("fault", ".xlsx", _lying_size(bomb, 0xFFFFFFF0))
    cases["a row that stands a billion times"] = (
        "fault", ".ods",
        ods_bytes(BOOK, _ods_row([_ods_cell(c) for c in AIR[1]], 'table:number-rows-repeated="1000000000"')),
    )  # fmt: skip
    cases["a cell that stands a billion times"] = (
        "fault", ".ods",
        ods_bytes(BOOK, _ods_row([_ods_cell("x", 'table:number-columns-repeated="1000000000"')])),
    )  # fmt: skip
    cases["an empty row that stands a billion times"] = (
        "answer", ".ods",
        ods_bytes(BOOK, _ods_row(["<table:table-cell/>"], 'table:number-rows-repeated="1000000000"')),
    )  # fmt: skip
    laughs = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10 if n else "ha"}">' for n in range(12))
    cases["entities within entities"] = (
        "either", ".ods",
        ods_bytes(BOOK, head=f"<!DOCTYPE x [{laughs}]>").replace(b"by lamp", b"&l11;"),
    )  # fmt: skip
    far = xlsx_bytes(BOOK, weighings=_sheet_xml(WEIGHINGS, _FAR))
    cases["a far cell in a sheet stored elsewhere"] = (
        "fault", ".xlsx", _renamed(far, "xl/worksheets/sheet2.xml", "xl/odd/w.bin")
    )  # fmt: skip
    cases["many sheets that are each just small enough"] = (
        "fault", ".xlsx",
        xlsx_bytes(BOOK, **{name: _sheet_xml(rows, _WIDE) for name, rows in BOOK.items()}),
    )  # fmt: skip
    cases["a long shared text in very many cells"] = ("fault", ".xlsx", _shared_text_bomb())
    cases["more shared texts than a book has cells"] = (
        "fault", ".xlsx", _with_shared(BOOK, "<si/>" * (MOST_SHARED_TEXTS + 2))
    )  # fmt: skip
    cases["shared texts that claim to be billions"] = (
        "fault", ".xlsx", _with_shared(BOOK, "<si><t>x</t></si>", 'uniqueCount="4000000000"')
    )  # fmt: skip
    note = "y" * 30_000
    cases["a long text that stands in very many cells"] = (
        "fault", ".ods",
        ods_bytes(BOOK, _ods_row([_ods_cell(note, 'table:number-columns-repeated="1000"')],
                                 'table:number-rows-repeated="1000"')),
    )  # fmt: skip
    cases["a book whose shared texts are long and named once"] = (
        "answer", ".xlsx", _shared_once()
    )  # fmt: skip
    cases["not a workbook at all"] = ("fault", ".xlsx", b"no workbook")
    cases["an empty file"] = ("fault", ".xlsx", b"")
    cases["an empty zip"] = ("fault", ".xlsx", b"PK\x05\x06" + bytes(18))
    cases["noise named .xls"] = ("fault", ".xls", random.Random(2).randbytes(5000))
    cases["noise with the mark of an old workbook"] = (
        "fault", ".xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + random.Random(3).randbytes(5000)
    )  # fmt: skip
    for share in range(1, 10):
        cut = len(whole) * share // 10
        cases[f".xlsx cut after {share} tenths"] = ("fault", ".xlsx", whole[:cut])
        cases[f".ods cut after {share} tenths"] = (
            "fault", ".ods", open_whole[: len(open_whole) * share // 10]
        )  # fmt: skip
    return cases


# ---- what must hold ---------------------------------------------------------------------------


def tree(folder: Path) -> dict[str, tuple[int, int]]:
    """Every file below a folder with its size and time, to see that nothing strayed."""
    return {
        str(path.relative_to(folder)): (path.stat().st_size, path.stat().st_mtime_ns)
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def expected_rows(data: bytes) -> int | None:
    """How many records a CSV file holds, counted without woodlab; None where that is no question.

    Lines of a file in which nothing is quoted and nothing is odd about the line ends.
    """
    if any(mark in data for mark in (b'"', b"\x00", b"\x0b", b"\x0c")) or data[:2] in (
        b"\xff\xfe",
        b"\xfe\xff",
    ):
        return None
    if b"\r" in data.replace(b"\r\n", b"\n"):
        return None
    lines = data.replace(b"\r\n", b"\n").removeprefix(b"\xef\xbb\xbf").split(b"\n")
    separator = max(b",;\t".decode(), key=lambda mark: lines[0].count(mark.encode())).encode()
    try:
        text = [line.decode("utf-8") for line in lines[1:]]
    except UnicodeDecodeError:
        text = [line.decode("latin-1").replace("\xa0", " ") for line in lines[1:]]
    return sum(bool(line.replace(separator.decode(), "").strip()) for line in text)


def judge(path: Path, scratch: Path, saving: bool = True) -> tuple[str, str]:
    """Open a book both ways; `answer` or `fault` with its message.

    Raises AssertionError where anything is lost, strays, or is not said in words.
    """
    before = tree(path) if path.is_dir() else path.stat().st_size
    outcome, message = "answer", ""
    try:
        book = wl.open_book(path)
    except wl.WoodlabError as error:
        outcome, message = "fault", str(error)
        assert len(message) > 20, f"the message says too little: {message!r}"
        assert len(message) < 100_000, "the message is too long to read"
    try:
        kept = wl.open_book(path, set_aside=True)
    except wl.WoodlabError as error:
        assert outcome == "fault", f"refused only with set_aside: {error}"  # noqa: PT017
    else:
        counts = kept.counts
        assert (counts["rows_in"] == counts["rows_kept"] + counts["rows_set_aside"]).all()
        for name, rows in zip(counts["table"], counts["rows_kept"], strict=True):
            assert len(getattr(kept, name)) == rows
        assert len(kept.set_aside) == counts["rows_set_aside"].sum()
        if path.is_dir():
            for file in path.glob("*.csv"):
                rows_in = expected_rows(file.read_bytes())
                here = counts[counts["table"] == file.stem.casefold()]["rows_in"]
                if rows_in is not None and len(here) and file.read_bytes().strip():
                    assert here.item() == rows_in, (
                        f"{file.name}: {rows_in} rows became {here.item()}"
                    )
        if outcome == "answer":
            assert len(kept.set_aside) == 0
        kept.doubts  # noqa: B018
        kept.until("2026-03-05")
        if saving:
            _reads_back(kept, scratch)
    if outcome == "answer":
        assert (book.weighings["mass_g"] > 0).all()
        assert book.weighings["on"].notna().all()
    after = tree(path) if path.is_dir() else path.stat().st_size
    assert after == before, "opening a book changed its files"
    return outcome, message


def _reads_back(book: wl.RecordBook, scratch: Path) -> None:
    target = scratch / "saved"
    book.save(target)
    again = wl.open_book(target)
    for name in TABLES:
        one, other = getattr(book, name), getattr(again, name)
        columns = [c for c in one.columns if c in other.columns or one[c].notna().any()]
        pd.testing.assert_frame_equal(one[columns], other[columns], check_dtype=False)
    written = [file.name for file in scratch.rglob("*") if file.is_file() and file.suffix]
    allowed = {f"{name}.csv" for name in (*TABLES, "set_aside")}
    assert set(written) <= allowed, f"strange files: {set(written) - allowed}"
    for file in target.iterdir():
        file.unlink()
    target.rmdir()


def write_folder(folder: Path, files: Files) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in files.items():
        (folder / name).write_bytes(data)
    return folder


# ---- the fuzzer -------------------------------------------------------------------------------

_SPLICES = [
    b'"', b'""', b",", b";", b"\t", b"\r", b"\n", b"\x00", b"\xff", b"\xef\xbb\xbf", b"\xff\xfe", b"'",
    b"nan", b"inf", b"-1", b"1e999", b"9999-12-31", b"2026-02-30", b"=1+1", b"../../x", b"piece", b"A1",
    "é".encode(), b"\xe9", "\u2028".encode(), "\u2212".encode(), b"\\", b"\x1a", b"\xf0\x9f\xaa\xb5",
]  # fmt: skip


def mutated(data: bytes, rng: random.Random, times: int | None = None) -> bytes:
    """Bytes changed, cut, doubled, swapped and spliced at random places."""
    out = bytearray(data)
    for _ in range(times or rng.choice([1, 1, 2, 4, 16])):
        at = rng.randrange(len(out) + 1)
        to = min(len(out), at + rng.choice([1, 1, 4, 40]))
        kind = rng.randrange(6)
        if kind == 0 and out:
            out[at % len(out)] = rng.randrange(256)
        elif kind == 1:
            del out[at:to]
        elif kind == 2:
            out[at:at] = out[at:to]
        elif kind == 3:
            out[at:at] = rng.choice(_SPLICES)
        elif kind == 4:
            out[at:to] = rng.choice(_SPLICES)
        else:
            del out[at:]
            if rng.random() < 0.7:
                out += data[len(out) :]
    return bytes(out)


def fuzz_one(seed: int, folder: Path) -> tuple[str, str]:
    """One broken book from a seed: a folder (mostly) or a workbook."""
    rng = random.Random(seed)
    kind = rng.choice(["csv", "csv", "csv", "xlsx", "xlsx parts", "ods parts"])
    book = folder / f"fuzz{seed}"
    scratch = folder / f"scratch{seed}"
    scratch.mkdir(parents=True)
    if kind == "csv":
        files = folder_of()
        for name in rng.sample(sorted(files), rng.choice([1, 1, 2, 4])):
            files[name] = mutated(files[name], rng)
        return judge(write_folder(book, files), scratch)
    ending = ".ods" if "ods" in kind else ".xlsx"
    whole = ods_bytes(BOOK) if "ods" in kind else xlsx_bytes(BOOK)
    data = _mutated_parts(whole, rng) if "parts" in kind else mutated(whole, rng)
    path = book.with_suffix(ending)
    path.write_bytes(data)
    return judge(path, scratch, saving=False)


def _mutated_parts(data: bytes, rng: random.Random) -> bytes:
    """A sound zip file whose XML is broken inside: past the check sums, into the reader."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        names = old.namelist()
        hit = rng.sample(names, 1)
        for name in names:
            part = old.read(name)
            new.writestr(name, mutated(part, rng) if name in hit else part)
    return out.getvalue()


def in_bounds(work: Callable[[], object], seconds: int, gigabytes: float) -> None:
    """Run `work` in this process under limits of CPU time and memory (a child process's)."""
    import resource

    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))
    size = int(gigabytes * 2**30)
    resource.setrlimit(resource.RLIMIT_AS, (size, size))
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    work()
