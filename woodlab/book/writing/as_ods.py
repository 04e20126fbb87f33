"""Tables into .ods workbooks; all else in a workbook that is there already stays as it was.

The content of such a workbook is one XML file. The tables that are replaced are cut out of it and
the new ones put in, byte by byte, so that nothing else in it can change.
"""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from xml.parsers import expat
from xml.sax.saxutils import quoteattr

import pandas as pd

from woodlab.book.cells import empty
from woodlab.book.claims import check_claims
from woodlab.book.tables import TABLES
from woodlab.book.writing.as_csv import iso
from woodlab.errors import WoodlabError

_URN = "urn:oasis:names:tc:opendocument:xmlns"
_MIME = "application/vnd.oasis.opendocument.spreadsheet"
_SPACES = " ".join(
    f'xmlns:{short}="{_URN}:{name}:1.0"'
    for short, name in (("office", "office"), ("table", "table"), ("text", "text"))
)
_MANIFEST = (
    f'<?xml version="1.0" encoding="UTF-8"?><m:manifest xmlns:m="{_URN}:manifest:1.0" '
    f'm:version="1.2"><m:file-entry m:full-path="/" m:media-type="{_MIME}"/>'
    '<m:file-entry m:full-path="content.xml" m:media-type="text/xml"/></m:manifest>'
)


def new_workbook(contents: dict[str, pd.DataFrame]) -> bytes:
    """The bytes of a workbook with a sheet for each table."""
    tables = "".join(_table(name, frame) for name, frame in contents.items())
    content = (
        f'<?xml version="1.0" encoding="UTF-8"?><office:document-content {_SPACES} '
        f'office:version="1.2"><office:body><office:spreadsheet>{tables}</office:spreadsheet>'
        "</office:body></office:document-content>"
    )
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("mimetype", _MIME, zipfile.ZIP_STORED)  # first and not packed, by the rule
        archive.writestr("META-INF/manifest.xml", _MANIFEST)
        archive.writestr("content.xml", content)
    return buffer.getvalue()


def replaced_sheets(path: Path, contents: dict[str, pd.DataFrame]) -> bytes:
    """The bytes of a workbook with the tables of `contents` in it, and no other records.

    Raises WoodlabError if what stands at `path` cannot be kept.
    """
    try:
        check_claims(path)
        with zipfile.ZipFile(path) as archive:
            content = _spliced(archive.read("content.xml"), contents)
            buffer = io.BytesIO()
            with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as new:
                for entry in archive.infolist():
                    data = content if entry.filename == "content.xml" else archive.read(entry)
                    new.writestr(entry, data, entry.compress_type)
    except (zipfile.BadZipFile, KeyError, expat.ExpatError, NotImplementedError) as error:
        raise WoodlabError(
            f"{path.name} stands there already and is no workbook that can be kept ({error}). Move "
            "it away, or choose another name."
        ) from error
    return buffer.getvalue()


def _spliced(content: bytes, contents: dict[str, pd.DataFrame]) -> bytes:
    """The content with its tables of these names replaced where they stand, or put at the end."""
    found, end = _places(content)
    new, left = [], dict(contents)
    at = 0
    for name, start, stop in found:
        table = left.pop(name, None)
        if table is None and name not in TABLES:
            continue
        new += [content[at:start], b"" if table is None else _table(name, table).encode()]
        at = stop
    last = "".join(_table(name, frame) for name, frame in left.items()).encode()
    return b"".join([*new, content[at:end], last, content[end:]])


def _places(content: bytes) -> tuple[list[tuple[str, int, int]], int]:
    """Where each table begins and ends in the content, and where a further one may stand."""
    found: list[tuple[str, int, int]] = []
    opened: list[tuple[str, int]] = []
    last = [-1]
    parser = expat.ParserCreate(namespace_separator=" ")
    table = f"{_URN}:table:1.0 table"

    def start(name: str, attributes: dict[str, str]) -> None:
        if name == table:
            called = attributes.get(f"{_URN}:table:1.0 name", "")
            opened.append((called.strip().casefold(), parser.CurrentByteIndex))

    def end(name: str) -> None:
        if name == table:
            stop = content.index(b">", parser.CurrentByteIndex) + 1
            called, begun = opened.pop()
            if not opened:  # a table within a table belongs to the outer one
                found.append((called, begun, stop))
                last[0] = stop
        elif name == f"{_URN}:office:1.0 spreadsheet" and last[0] < 0:
            last[0] = parser.CurrentByteIndex

    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.Parse(content, True)
    if last[0] < 0 or content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise KeyError("a spreadsheet in UTF-8")
    return found, last[0]


def _table(name: str, frame: pd.DataFrame) -> str:
    rows = [_row(map(str, frame.columns))]
    rows += [_row(row) for row in frame.itertuples(index=False, name=None)]
    return f"<table:table {_SPACES} table:name={quoteattr(name)}>{''.join(rows)}</table:table>"


def _row(values: object) -> str:
    return f"<table:table-row>{''.join(map(_cell, values))}</table:table-row>"  # type: ignore[call-overload]


def _cell(value: object) -> str:
    if empty(value):
        return "<table:table-cell/>"
    if isinstance(value, pd.Timestamp):
        day = iso(value)
        return _shown("date", f'office:date-value="{day}"', day)
    if isinstance(value, str):
        return _shown("string", f"office:string-value={_exact(value)}", value)
    return _shown("float", f'office:value="{float(value)!r}"', f"{value:g}")  # type: ignore[arg-type, str-format]


def _shown(kind: str, value: str, text: str) -> str:
    """A cell: its value as an attribute, to the letter, and what programs show of it."""
    lines = "".join(f"<text:p>{_escaped(line)}</text:p>" for line in text.splitlines())
    return f'<table:table-cell office:value-type="{kind}" {value}>{lines}</table:table-cell>'


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _exact(text: str) -> str:
    """Text as an attribute's value; line ends and tabs as numbers, which no reader changes."""
    more = {"\n": "&#10;", "\r": "&#13;", "\t": "&#9;", '"': "&quot;"}
    escaped = _escaped(text)
    for letter, entity in more.items():
        escaped = escaped.replace(letter, entity)
    return f'"{escaped}"'
