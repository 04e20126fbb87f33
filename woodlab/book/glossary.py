"""The glossary's part on the record book, made from the table definitions."""

from __future__ import annotations

from woodlab.book.tables import A_ROW, TABLES, Column


def _unit(column: Column) -> str:
    if column.kind == "number":
        return {"c": "deg C", "pct": "%"}.get(column.unit, column.unit)
    return "date" if column.kind == "date" else "text"


def book_glossary() -> str:
    """Markdown: one table for each of the book's tables, a row a column.

    Examples
    --------
    >>> "| `wall_mm` | mm | | thickness of the wall |" in book_glossary()
    True
    """
    lines: list[str] = []
    for name, columns in TABLES.items():
        lines += [f"### `{name}`: a row is {A_ROW[name]}", ""]
        lines += ["| column | unit | needed | meaning | allowed |", "|---|---|---|---|---|"]
        for column in columns:
            allowed = ", ".join([f"`{word}`" for word in column.choices] or column.limits)
            needed = "yes " if column.required else ""
            lines.append(
                f"| `{column.name}` | {_unit(column)} | {needed}| {column.meaning} | {allowed} |"
            )
        lines.append("")
    return "\n".join(lines)
