"""A book that may be given away: names and notes replaced or left out, tables described.

The description is a `datapackage.json` of the Data Package standard, version 2
(https://datapackage.org/standard/data-package/), so that others read the tables without woodlab.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.book.tables import TABLES, Column
from woodlab.book.writing.as_csv import csv_text, own_columns, worth_writing
from woodlab.errors import WoodlabError, as_path
from woodlab.safe_write import whole_folder

# Names as the Open Definition lists them, and where their texts are.
LICENCES = {
    "CC0-1.0": ("public domain", "https://creativecommons.org/publicdomain/zero/1.0/"),
    "CC-BY-4.0": ("use it and name the source", "https://creativecommons.org/licenses/by/4.0/"),
    "CC-BY-SA-4.0": ("the same, and share alike",
                     "https://creativecommons.org/licenses/by-sa/4.0/"),
}  # fmt: skip
ANSWERS = ("replace", "drop", "keep")
# What may tell who somebody is, and its column; own columns are those that the kit does not know.
KINDS = {"makers": "maker", "places": "place", "scales": "scale", "notes": "note",
         "columns of your own": None}  # fmt: skip
_PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
_RESOURCE = "https://datapackage.org/profiles/2.0/dataresource.json"
_UNITS = {"mm": "mm", "g": "g", "c": "degree Celsius", "pct": "percent"}


@dataclass(frozen=True)
class Private:
    """What may tell who somebody is: `kind`, the columns that hold it, how many values, some."""

    kind: str
    columns: tuple[tuple[str, str], ...]
    n: int
    some: tuple[str, ...]

    @property
    def can(self) -> tuple[str, ...]:
        """The answers that fit: a free note has no other name to take."""
        return ANSWERS if self.kind in ("makers", "places", "scales") else ("drop", "keep")


def private_parts(book: RecordBook) -> list[Private]:
    """What to ask about before a book is given away, where the book has it."""
    tables, out = book.tables(), []
    for kind, column in KINDS.items():
        there = [
            (table, name) for table, frame in tables.items()
            for name in (own_columns(table, frame) if column is None else [column])
            if name in frame and (column or name not in KINDS.values())
        ]  # fmt: skip
        known = list(dict.fromkeys(str(v) for t, c in there for v in tables[t][c].dropna()))
        if known:
            out.append(Private(kind, tuple(there), len(known), tuple(known[:3])))
    return out


def share_book(
    book: RecordBook,
    out: str | Path,
    *,
    licence: str,
    answers: Mapping[str, str] | None = None,
) -> Path:
    """Write a book that may be given away, described as a data package.

    Parameters
    ----------
    book : RecordBook
    out : path
        A new folder, or one written by this before.
    licence : str
        `CC0-1.0`, `CC-BY-4.0` or `CC-BY-SA-4.0`: what others may do with it.
    answers : mapping, optional
        Of `makers`, `places`, `scales`, `notes`, `columns of your own`: `replace` (maker 1,
        maker 2, ...), `drop` or `keep`. Without an answer names are replaced, and notes and
        columns of your own dropped.

    Returns
    -------
    Path
        The folder: a CSV file a table, which `open_book` reads, and `datapackage.json`. Marks of
        pieces and logs, days, woods and seals stay as they are.

    Raises
    ------
    WoodlabError
        If the licence or an answer is not known, or the folder holds something else.

    Examples
    --------
    >>> import json, pathlib, tempfile, woodlab as wl
    >>> out = wl.share_book(wl.demo_book(), pathlib.Path(tempfile.mkdtemp()) / "given",
    ...                     licence="CC-BY-4.0")
    >>> sorted(wl.open_book(out).pieces["maker"].unique())
    ['maker 1', 'maker 2', 'maker 3', 'maker 4']
    >>> json.loads((out / "datapackage.json").read_text())["licenses"][0]["name"]
    'CC-BY-4.0'
    """
    if licence not in LICENCES:
        known = ", ".join(LICENCES)
        raise WoodlabError(f"licence = {licence!r} is not known. Choose from: {known}.")
    out = as_path(out, "share_book")
    tables = _cleared(book, dict(answers or {}))
    files = {name: csv_text(worth_writing(name, frame)) for name, frame in tables.items()}
    described = _described(files, tables, licence, book.invented)
    with whole_folder(out, "datapackage.json", ("*.csv", "datapackage.json")) as partial:
        for name, text in files.items():
            (partial / f"{name}.csv").write_bytes(text.encode())
        text = json.dumps(described, indent=1, ensure_ascii=False) + "\n"
        (partial / "datapackage.json").write_text(text, encoding="utf-8")
    return out


def _cleared(book: RecordBook, answers: dict[str, str]) -> dict[str, pd.DataFrame]:
    """The tables without what is to be left out, and with other names where they are replaced."""
    tables = book.tables()
    if strange := set(answers) - set(KINDS):
        raise WoodlabError(f"{sorted(strange)[0]!r} is none of {', '.join(KINDS)}.")
    for part in private_parts(book):
        answer = answers.get(part.kind, part.can[0])
        if answer not in part.can:
            raise WoodlabError(
                f"{part.kind}: {answer!r} is no answer. Choose from: {', '.join(part.can)}."
            )
        if answer == "keep":
            continue
        new: dict[str, str] = {}
        noun = part.kind.removesuffix("s")
        end = " (invented)" if book.invented and part.kind == "places" else ""
        for table, column in part.columns:
            for value in tables[table][column].dropna().unique():
                new.setdefault(str(value), f"{noun} {len(new) + 1}{end}")
            renamed = {} if answer == "drop" else {column: tables[table][column].map(new)}
            tables[table] = tables[table].drop(columns=column).assign(**renamed)
    return tables


def _described(
    files: dict[str, str], tables: dict[str, pd.DataFrame], licence: str, invented: bool
) -> dict[str, Any]:
    said = "Weights, looks for cracks and air of rough-turned bowls that dry, as makers noted them."
    return {
        "$schema": _PROFILE,
        "name": "weighings-of-rough-turned-green-wood",
        "title": "Weighings of rough-turned green wood",
        "description": ("Invented, to try things on. " if invented else "") + said,
        "licenses": [{"name": licence, "title": LICENCES[licence][0],
                      "path": LICENCES[licence][1]}],
        "resources": [_resource(name, text, tables[name]) for name, text in files.items()],
    }  # fmt: skip


def _resource(name: str, text: str, frame: pd.DataFrame) -> dict[str, Any]:
    data = text.encode()
    heads = worth_writing(name, frame).columns
    columns = {column.name: column for column in TABLES[name]}
    schema: dict[str, Any] = {
        "fields": [_field(head, columns.get(head), frame) for head in heads],
        "missingValues": [""],
    }
    if name == "pieces":
        schema["primaryKey"] = ["piece"]
    elif "piece" in heads and name != "offcuts":
        link = {"resource": "pieces", "fields": ["piece"]}
        schema["foreignKeys"] = [{"fields": ["piece"], "reference": link}]
    return {
        "$schema": _RESOURCE, "name": name, "path": f"{name}.csv", "type": "table",
        "format": "csv", "mediatype": "text/csv", "encoding": "utf-8", "bytes": len(data),
        "hash": f"sha256:{hashlib.sha256(data).hexdigest()}", "schema": schema,
    }  # fmt: skip


def _field(head: str, column: Column | None, frame: pd.DataFrame) -> dict[str, Any]:
    if column is None:
        return {"name": head, "type": "string"}
    kind = {"number": "number", "date": "date"}.get(column.kind, "string")
    if kind == "date" and (frame[head].dropna() != frame[head].dropna().dt.normalize()).any():
        kind = "any"  # days, and moments where a log has them
    out: dict[str, Any] = {"name": head, "type": kind, "description": column.meaning}
    unit = _UNITS.get(head.rpartition("_")[2]) if column.kind == "number" else None
    if unit:
        out["unit"] = unit
    if column.required and not column.gaps:
        out["constraints"] = {"required": True}
    if column.choices:
        out.setdefault("constraints", {})["enum"] = list(column.choices)
    return out
