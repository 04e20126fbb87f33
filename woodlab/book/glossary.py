"""The glossary's part on the record book, made from the table definitions."""

from __future__ import annotations

from woodlab.book.tables import TABLES, Column

_UNITS = {"mm": "mm", "g": "g", "c": "deg C", "pct": "%"}
_ROWS = {
    "pieces": "a piece",
    "weighings": "a weighing",
    "looks": "a look for cracks",
    "air": "a reading of the air",
    "offcuts": "an offcut dried in an oven",
    "rims": "a rim measured",
    "witnesses": "a weighing of a witness block",
}


def _unit(column: Column) -> str:
    if column.kind == "date":
        return "date"
    if column.kind != "number":
        return "text"
    return _UNITS.get(column.name.rsplit("_", 1)[-1], "")


def _allowed(column: Column) -> str:
    if column.choices:
        return ", ".join(f"`{choice}`" for choice in column.choices)
    parts = []
    if column.above is not None:
        parts.append(f"above {column.above:g}")
    if column.least is not None:
        parts.append(f"at least {column.least:g}")
    if column.most is not None:
        parts.append(f"at most {column.most:g}")
    return ", ".join(parts)


def book_glossary() -> str:
    """Markdown: one table for each of the book's tables, a row a column.

    Examples
    --------
    >>> "| `wall_mm` | mm | yes |" in book_glossary()
    True
    """
    lines: list[str] = []
    for name, columns in TABLES.items():
        lines += [f"### `{name}`: a row is {_ROWS[name]}", ""]
        lines += ["| column | unit | needed | meaning | allowed |", "|---|---|---|---|---|"]
        for column in columns:
            needed = "yes" if column.required else ""
            lines.append(
                f"| `{column.name}` | {_unit(column)} | {needed} | {column.meaning} "
                f"| {_allowed(column)} |"
            )
        lines.append("")
    return "\n".join(lines)
