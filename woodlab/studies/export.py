"""Every table of a study in one call: a folder of CSV files, or one workbook."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

import pandas as pd

from woodlab.errors import WoodlabError
from woodlab.safe_write import locked, write_file
from woodlab.show import Shown


class Study(Shown):
    """A result whose tables are written in one call."""

    def save_tables(self, path: str | Path) -> Path:
        """Write every table of the study: an .xlsx workbook, or a folder of CSV files."""
        return save_tables(self, path, self.more_tables())

    def more_tables(self) -> dict[str, pd.DataFrame]:
        """Tables that have to be asked for, beside those in its fields."""
        return {}


def tables_of(study: Any) -> dict[str, pd.DataFrame]:
    """The frames among a result's fields, and those of the frozen results it holds, by name."""
    found: dict[str, pd.DataFrame] = {}
    for part in fields(study):
        value = getattr(study, part.name)
        if isinstance(value, pd.DataFrame):
            found[part.name] = value
        elif part.name not in ("model", "book", "fits") and is_dataclass(value):
            inside = tables_of(value)
            found |= {f"{part.name}_{name}": frame for name, frame in inside.items()}
    return found


def save_tables(study: Any, path: str | Path, more: Mapping[str, pd.DataFrame]) -> Path:
    """Write every table of a study, and `more` beside those in its fields.

    A path that ends in .xlsx is a workbook with a sheet a table, any other a folder, made if need
    be, with a CSV file a table.
    """
    path = Path(path)
    tables = {**tables_of(study), **more}
    if path.suffix.casefold() == ".xlsx":
        held = BytesIO()
        with pd.ExcelWriter(held, engine="openpyxl") as workbook:
            for name, frame in tables.items():
                plain(frame).to_excel(workbook, sheet_name=name[:31], index=False)
        path.parent.mkdir(parents=True, exist_ok=True)
        with locked(path):
            write_file(path, held.getvalue())
        return path
    if path.suffix:
        raise WoodlabError(
            f"Tables are written to a folder or to an .xlsx workbook, not to {path.name!r}. Type "
            "a folder's name without an ending, or a name that ends in .xlsx."
        )
    path.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        text = plain(frame).to_csv(index=False, lineterminator="\n")
        file = path / f"{name}.csv"
        with locked(file):
            write_file(file, text.encode("utf-8"))
    return path


def plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Cells that a spreadsheet takes as they are: no formulas, no time zones, no infinities."""
    out = frame.copy()
    for name in out:
        if isinstance(out[name].dtype, pd.DatetimeTZDtype):
            out[name] = out[name].dt.tz_localize(None)
        if out[name].dtype == object or pd.api.types.is_string_dtype(out[name]):
            out[name] = out[name].map(_text, na_action="ignore")
    return out.replace([float("inf"), float("-inf")], ["infinite", "-infinite"])


def _text(value: Any) -> Any:
    """Text that a spreadsheet would run as a formula gets an apostrophe before it."""
    return f"'{value}" if isinstance(value, str) and re.match(r"[=+\-@\t\r]", value) else value
