"""The seven tables of a record book. Their columns are the rows of `tables.csv`.

A column's kind says how its cells are read; its unit is the suffix of its name. A heading may
carry another unit of the same quantity (`wall_in`, `mass_lb`, `temp_f`): see `units.py`.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from importlib.resources import files

NOT_SAID = "not said"  # what an empty species or seal is called
INVENTED = "(invented)"  # ends the name of every place in a book that is made up

# What a row of each is, and what its rows tell.
A_ROW = {
    "pieces": "a piece, when it is rough-turned",
    "weighings": "a piece on the scale",
    "looks": "a piece looked over for cracks, also when there are none",
    "air": "a reading of temperature and humidity where the pieces stand",
    "offcuts": "an offcut weighed wet and again dried in an oven",
    "rims": "a rim measured along and across the grain",
    "witnesses": "a small block of known oven-dry mass, weighed with the pieces",
}
TELLS = {
    "pieces": "what is drying, since when, how thick and under which seal",
    "weighings": "how fast each piece dries (notebooks 2 and 3)",
    "looks": "when and what cracks (notebook 5)",
    "air": "at which moisture drying ends (notebooks 2 and 3)",
    "offcuts": "what pieces weigh dry, and so their moisture in percent (notebook 3)",
    "rims": "how the wood moved (notebook 6)",
    "witnesses": "the moisture of the store, measured",
}
REQUIRED_TABLES = ("pieces", "weighings")


@dataclass(frozen=True)
class Column:
    """One column, as a row of `tables.csv` has it; bounds are in its own unit.

    `kind` is `text`, `date`, `number` or `choice`. `needed` is `yes`, `column` (its cells may be
    empty), `usual` (may be left out, but the table is kept for it) or empty. `commonly` is the
    least and the most that is usual of a rough bowl: common practice, no source.
    """

    name: str
    kind: str
    needed: str
    limits: tuple[str, ...]  # in words: `above 0`, `at most 300`
    commonly: tuple[float, ...]
    choices: tuple[str, ...]
    default: str | None
    meaning: str
    above: float | None
    least: float | None
    most: float | None

    @property
    def required(self) -> bool:
        return self.needed in ("yes", "column")

    @property
    def gaps(self) -> bool:
        return self.needed == "column"

    @property
    def unit(self) -> str:
        """The unit of a column of numbers; empty of other kinds."""
        return self.name.rpartition("_")[2] if self.kind == "number" else ""


def _read() -> dict[str, tuple[Column, ...]]:
    tables: dict[str, tuple[Column, ...]] = {}
    text = files("woodlab.book").joinpath("tables.csv").read_text(encoding="utf-8")
    for row in csv.DictReader(text.splitlines()):
        many = {k: tuple(row[k].split("; ")) if row[k] else () for k in ("bounds", "choices")}
        bound = {word: float(n) for word, n in (one.rsplit(" ", 1) for one in many["bounds"])}
        column = Column(
            row["name"], row["kind"], row["needed"], many["bounds"],
            tuple(map(float, re.findall(r"\d+", row["commonly"]))), many["choices"],
            row["default"] or None, row["meaning"],
            bound.get("above"), bound.get("at least"), bound.get("at most"),
        )  # fmt: skip
        tables[row["table"]] = (*tables.get(row["table"], ()), column)
    return tables


TABLES = _read()


def column_of(table: str, name: str) -> Column:
    """A known column by its name."""
    return next(column for column in TABLES[table] if column.name == name)


def would_hold(table: str) -> str:
    """The columns that a table is kept for, in words."""
    return ", ".join(c.name for c in TABLES[table] if c.required or c.needed == "usual")


def column_names(table: str) -> list[str]:
    """The known columns of a table, in their usual order."""
    return [column.name for column in TABLES[table]]


def book_glossary() -> str:
    """Markdown: one table for each of the book's tables, a row a column."""
    lines: list[str] = []
    for name, columns in TABLES.items():
        lines += [f"### `{name}`: a row is {A_ROW[name]}", ""]
        lines += ["| column | unit | needed | meaning | allowed |", "|---|---|---|---|---|"]
        for c in columns:
            unit = {"c": "deg C", "pct": "%", "": "text"}.get(c.unit, c.unit)
            unit = "date" if c.kind == "date" else unit
            allowed = ", ".join([f"`{word}`" for word in c.choices] or c.limits)
            needed = "yes " if c.required else ""
            lines.append(f"| `{c.name}` | {unit} | {needed}| {c.meaning} | {allowed} |")
        lines.append("")
    return "\n".join(lines)
