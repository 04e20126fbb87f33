"""What every study is: it says when it cannot answer, and writes its tables in one call."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

import pandas as pd

from woodlab.errors import WoodlabError, as_path
from woodlab.safe_write import locked, write_file
from woodlab.show import Card, Shown


class Study(Shown):
    """A result of a study: it writes `findings()`, and `more_tables()` for those to be asked for.

    Its fields `why` and `would_help` are empty, or say why the book cannot answer and what would
    help; `invented` is that of the book.
    """

    why: str = ""
    would_help: str = ""
    notes: tuple[str, ...] = ()
    invented: bool = False

    def card(self) -> Card:
        """The findings, or why there are none."""
        silent = (self.why, self.would_help, *self.notes, *self.made_up)
        return Card(silent) if self.why else self.findings()

    def findings(self) -> Card:
        raise NotImplementedError

    @property
    def made_up(self) -> list[str]:
        return ["These records are invented."] if self.invented else []

    def more_tables(self) -> dict[str, pd.DataFrame]:
        """Tables beside those in its fields."""
        return {}

    def save_tables(self, path: str | Path) -> Path:
        """Write every table of the study: an .xlsx workbook, or a folder of CSV files."""
        path = as_path(path, "path")
        tables = {**tables_of(self), **({} if self.why else self.more_tables())}
        plain = {name: _plain(frame) for name, frame in tables.items()}
        if path.suffix.casefold() == ".xlsx":
            held = BytesIO()
            with pd.ExcelWriter(held, engine="openpyxl") as workbook:
                for name, frame in plain.items():
                    frame.to_excel(workbook, sheet_name=name[:31], index=False)
            made = {path: held.getvalue()}
        elif path.suffix:
            raise WoodlabError(
                f"Tables are written to a folder or to an .xlsx workbook, not to {path.name!r}. "
                "Type a folder's name without an ending, or a name that ends in .xlsx."
            )
        else:
            made = {path / f"{name}.csv": frame.to_csv(index=False, lineterminator="\n").encode()
                    for name, frame in plain.items()}  # fmt: skip
        for file, content in made.items():
            file.parent.mkdir(parents=True, exist_ok=True)
            with locked(file):
                write_file(file, content)
        return path


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


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Cells that a spreadsheet takes as they are: text that it would run as a formula gets an
    apostrophe before it, and what is infinite is a word."""
    text = frame.replace(r"^([=+\-@\t\r])", r"'\1", regex=True)
    return text.replace([float("inf"), float("-inf")], ["infinite", "-infinite"])
