"""Faults in the user's input: what is wrong, where, and what to type instead."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass

import pandas as pd

FAULT_COLUMNS = ["table", "row", "column", "value", "problem", "remedy"]


# A message that nobody can read to its end helps nobody: the rest is counted.
MOST_FAULTS_SHOWN = 100


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault. `row` counts as a spreadsheet does: the heading is row 1."""

    table: str
    row: int | None
    column: str | None
    value: str
    problem: str
    remedy: str

    def __str__(self) -> str:
        where = self.table
        if self.row is not None:
            where += f", row {self.row}"
        if self.column is not None:
            where += f", column {self.column}"
        value = f" (found {self.value!r})" if self.value else ""
        return f"{where}: {self.problem}{value}. {self.remedy}"


class WoodlabError(ValueError):
    """A request that cannot be met; the message says why and what to do."""


class RecordError(WoodlabError):
    """Faults in a record book, all of them at once, in `faults` and as `frame`.

    The message lists the first 100 and counts the rest.

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
        count = len(self.faults)
        head = f"{count} fault{'' if count == 1 else 's'} in the records:"
        lines = [head, *map(str, self.faults[:MOST_FAULTS_SHOWN])]
        if count > MOST_FAULTS_SHOWN:
            lines.append(
                f"... and {count - MOST_FAULTS_SHOWN} more. Mend these first, or see all of them "
                "in Python: `error.frame`."
            )
        super().__init__("\n".join(lines))

    @property
    def frame(self) -> pd.DataFrame:
        """The faults as a frame: table, row, column, value, problem, remedy."""
        return pd.DataFrame([asdict(fault) for fault in self.faults], columns=FAULT_COLUMNS)


class MissingTableError(WoodlabError):
    """A study needs a table that the book does not have."""


class WorkError(WoodlabError):
    """The request was right, but the work failed on the way."""
