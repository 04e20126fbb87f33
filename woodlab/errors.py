"""Faults in the user's input: what is wrong, where, and what to type instead."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

FAULT_COLUMNS = ["table", "row", "column", "value", "problem", "remedy"]
# A message that nobody can read to its end helps nobody: the rest is counted.
MOST_FAULTS_SHOWN = 100
MOST_ALIKE_SHOWN = 3
_MOST_ROWS_NAMED = 12
LONGEST_NAME = 255  # of a file, on all usual systems


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault in the records, as text: where, what is wrong, what was found, what to type.

    Attributes
    ----------
    table : str
    row : int or None
        As a spreadsheet counts: the heading is row 1. None where the fault is of the whole table.
    column : str or None
    value : str
        What was found; empty where nothing was.
    problem, remedy : str

    Examples
    --------
    >>> print(Fault("pieces", 4, "wall_mm", "0", "a wall must be above zero", "Type it in mm."))
    pieces, row 4, column wall_mm: a wall must be above zero (found '0'). Type it in mm.
    """

    table: str
    row: int | None
    column: str | None
    value: str
    problem: str
    remedy: str

    def __str__(self) -> str:
        row = "" if self.row is None else f", row {self.row}"
        column = "" if self.column is None else f", column {self.column}"
        value = f" (found {self.value!r})" if self.value else ""
        return f"{self.table}{row}{column}: {self.problem}{value}. {self.remedy}"


class WoodlabError(ValueError):
    """A request that cannot be met; the message says why and what to do.

    It is a ValueError, and every other error of the kit is one of its kind.

    Examples
    --------
    >>> import woodlab as wl
    >>> try:
    ...     wl.moisture_pct(136, 0)
    ... except wl.WoodlabError as error:
    ...     print(error)
    oven_dry_g must be above zero (found 0). Type the mass after the oven, in grams.
    """


class RecordError(WoodlabError):
    """Faults in a record book, all of them at once, in `faults` and as `frame`.

    The message lists the first 100 and counts the rest; of faults of one kind in one column it
    tells three in full and names the rows of the others.

    Examples
    --------
    >>> fault = Fault("weighings", 7, "mass_g", "-3", "a mass must be above zero",
    ...               "Type the weight in grams, or leave the row out.")
    >>> print(RecordError([fault]))
    1 fault in the records:
    weighings, row 7, column mass_g: a mass must be above zero (found '-3'). Type the weight
    in grams, or leave the row out.
    """

    def __init__(self, faults: Iterable[Fault]):
        self.faults = tuple(faults)
        count, told = len(self.faults), 0
        kinds: dict[tuple, list[Fault]] = {}
        for fault in self.faults:
            kinds.setdefault((fault.table, fault.column, fault.problem), []).append(fault)
        lines = [f"{count} fault{'' if count == 1 else 's'} in the records:"]
        for alike in kinds.values():
            if len(lines) <= MOST_FAULTS_SHOWN:
                lines += _told(alike)
                told += len(alike)
        if count > told:
            lines.append(
                f"... and {count - told} more. Mend these first, or see all of them in Python: "
                "`error.frame`."
            )
        super().__init__("\n".join(lines))

    @property
    def frame(self) -> pd.DataFrame:
        """The faults as a frame: table, row, column, value, problem, remedy."""
        return pd.DataFrame([asdict(fault) for fault in self.faults], columns=FAULT_COLUMNS)


def _told(alike: list[Fault]) -> list[str]:
    """The lines that tell of faults of one kind in one column."""
    more = alike[MOST_ALIKE_SHOWN:]
    if len(more) < 3:  # as short as to name them
        return [str(fault) for fault in alike]
    rows = [str(fault.row) for fault in more if fault.row is not None]
    named = ", ".join(rows[:_MOST_ROWS_NAMED])
    rest = ", ..." if len(rows) > _MOST_ROWS_NAMED else ""
    return [
        *(str(fault) for fault in alike[:MOST_ALIKE_SHOWN]),
        f"    and the same in {len(more)} more rows: {named}{rest}",
    ]


class MissingTableError(WoodlabError):
    """A study needs a table that the book does not have; the message says what it would hold.

    Examples
    --------
    >>> import woodlab as wl
    >>> wl.demo_book().need("witnesses", "to measure the air")
    Traceback (most recent call last):
        ...
    woodlab.errors.MissingTableError: The table 'witnesses' is needed to measure the air, and this
    book has none. It would hold: witness, on, ...
    """


class WorkError(WoodlabError):
    """The request was right, but the work failed on the way."""


def as_list(value: Any, where: str) -> list:
    """One value, or several, as a list."""
    if isinstance(value, str | bytes | os.PathLike | int | float | dt.date | np.generic):
        return [value]
    if value is None or isinstance(value, pd.DataFrame | dict) or not isinstance(value, Iterable):
        raise WoodlabError(f"{where} is {kind_of(value)}. Give one value or a list of them.")
    return np.atleast_1d(value).tolist() if isinstance(value, np.ndarray) else list(value)


def as_numbers(value: Any, where: str) -> np.ndarray:
    """Numbers, one or many, of any shape; None among them is NaN."""
    try:
        if value is not None:
            return np.asarray(value, dtype=float)
    except (TypeError, ValueError):
        pass
    raise WoodlabError(f"{where} is {kind_of(value)}. Give a number, or a list of them.")


def refuse(values: np.ndarray, bad: np.ndarray, what: str, remedy: str) -> None:
    """Raise WoodlabError where any value is `bad`, naming the first of these."""
    if np.any(bad):
        raise WoodlabError(f"{what} (found {values[bad].flat[0]:g}). {remedy}")


def as_number(value: Any, where: str) -> float:
    """One number."""
    number = as_numbers(value, where)
    if number.ndim:
        raise WoodlabError(f"{where} is {kind_of(value)}. Give one number.")
    return float(number)


def as_seed(value: Any, where: str = "seed") -> int:
    """A seed of random numbers."""
    if isinstance(value, int | np.integer) and not isinstance(value, bool) and value >= 0:
        return int(value)
    raise WoodlabError(f"{where} is {kind_of(value)}. Give a whole number, 0 or more: {where}=1.")


def as_kind(value: Any, kind: type, where: str, example: str) -> Any:
    """A value of this kind, or None; `example` is what to type."""
    if value is None or isinstance(value, kind):
        return value
    raise WoodlabError(f"{where} is {kind_of(value)}. Give {example}.")


def as_path(value: Any, where: str, remedy: str = "") -> Path:
    """The path of a file or folder; `remedy` says what else to give than the path of a book."""
    a_path = isinstance(value, str | os.PathLike) and str(value).strip() and "\0" not in str(value)
    if a_path and max(map(len, Path(value).parts), default=0) <= LONGEST_NAME:
        return Path(value)
    given = "a blank text" if str(value).isspace() else kind_of(value)
    needs = f"{where} needs the path of a folder or a workbook and was given {given}."
    raise WoodlabError(f"{where} is {given}. {remedy}" if remedy else needs)


def kind_of(value: Any) -> str:
    """What a value is, in words."""
    if value is None:
        return "None"
    if isinstance(value, str):
        return f"the text {value[:60]!r}" if value else "an empty text"
    if isinstance(value, pd.DataFrame):
        return "a table (DataFrame)"
    if isinstance(value, bool | int | float):
        return f"the number {value!r}"
    name = type(value).__name__
    return f"{'an' if name[0] in 'AEIOUaeiou' else 'a'} {name}"
