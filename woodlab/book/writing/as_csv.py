"""Tables as CSV text, of which a book's hash is taken, too; changes of a CSV file."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable
from dataclasses import dataclass, field

import pandas as pd

from woodlab.book.cells import empty
from woodlab.book.reading import decoded, encoding_of, separator_of
from woodlab.book.tables import TABLES
from woodlab.book.units import Match, match_heading
from woodlab.errors import WoodlabError


@dataclass(frozen=True)
class Change:
    """What changes in a table: cells, by the file's row and by column, and rows to put below."""

    cells: dict[int, dict[str, object]] = field(default_factory=dict)
    below: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def columns(self) -> list[str]:
        """Every column that is written to."""
        changed = [name for cells in self.cells.values() for name in cells]
        return list(dict.fromkeys([*changed, *map(str, self.below.columns)]))


def csv_text(frame: pd.DataFrame) -> str:
    """CSV text of a table: dates as ISO 8601, the time only where there is one."""
    headings = ",".join(_quoted(str(heading)) for heading in frame.columns)
    if frame.empty:
        return f"{headings}\n"
    out = plain(frame)
    # The writer leaves a bare carriage return unquoted, and a reader takes it for the row's end.
    broken = any(
        out[column].str.contains("\r", regex=False).any()
        for column in out.columns
        if pd.api.types.is_string_dtype(out[column])
    )
    body = out.to_csv(
        index=False, header=False, lineterminator="\n",
        quoting=csv.QUOTE_ALL if broken else csv.QUOTE_MINIMAL,
    )  # fmt: skip
    return f"{headings}\n{body}"


def plain(frame: pd.DataFrame) -> pd.DataFrame:
    """The table with its dates as text, the time only where it is not midnight."""
    out = frame.copy(deep=False)
    for column in frame.columns:
        dates = frame[column]
        if pd.api.types.is_datetime64_any_dtype(dates):
            text = dates.dt.strftime("%Y-%m-%d")
            timed = dates.notna() & (dates != dates.dt.normalize())
            out[column] = text.mask(timed, dates[timed].map(iso)) if timed.any() else text
    return out


def iso(day: pd.Timestamp) -> str:
    """ISO 8601 text of a date, with the time only where it is not midnight."""
    clock = "" if day == day.normalize() else "T%H:%M:%S.%f" if day.microsecond else "T%H:%M:%S"
    return day.strftime(f"%Y-%m-%d{clock}")


def _quoted(heading: str) -> str:
    # Semicolons and tabs, too: the reader looks for the separator in the headings.
    if not re.search('[,;\t"\r\n]', heading):
        return heading
    doubled = heading.replace('"', '""')
    return f'"{doubled}"'


def own_columns(table: str, frame: pd.DataFrame) -> list[str]:
    """The columns that the book does not know; their cells are text, whatever they look like."""
    return [name for name in frame.columns if match_heading(name, TABLES.get(table, ())) is None]


def worth_writing(table: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Without the known columns that hold nothing; all of them stay beside texts of several lines.

    The more columns, the surer the reader is that such a text is not rows behind a lost quote."""
    lines = any(
        frame[column].str.contains("\n", regex=False).any()
        for column in frame.columns
        if pd.api.types.is_string_dtype(frame[column])
    )
    if lines or len(frame) == 0:
        return frame
    needed = {column.name for column in TABLES.get(table, ()) if column.required}
    own = set(own_columns(table, frame))
    filled = [c for c in frame if c in needed or c in own or frame[c].notna().any()]
    return frame[filled]


def places(
    headings: list[str], table: str, names: Iterable[str]
) -> dict[str, tuple[int, Match | None]]:
    """Where each column stands under a file's own headings; what lacks there is put behind them."""
    found: dict[str, tuple[int, Match | None]] = {}
    while headings and not headings[-1].strip():
        headings.pop()
    for at, heading in enumerate(headings):
        match = match_heading(heading, TABLES.get(table, ()))
        if heading.strip():
            found.setdefault(match.column.name if match else heading.strip(), (at, match))
    for name in names:
        if name not in found:
            found[name] = (len(headings), None)
            headings.append(name)
    return found


def changed_csv(data: bytes, table: str, change: Change) -> bytes:
    """A CSV file's bytes with a change in them, in the file's own columns, units and hand.

    Raises WoodlabError if the file holds a character that cannot be read, which would be lost."""
    text, encoding = decoded(data), encoding_of(data)
    separator = separator_of(text)
    headings, *rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    here = places(headings, table, ())
    width = len(headings)
    here = places(headings, table, change.columns)
    more = [""] * (len(headings) - width)
    rows = [[*_wide(row, width), *more, *row[width:]] if row else row for row in rows]
    new = [[""] * len(headings) for _ in range(len(change.below))]
    numbered = enumerate(change.below.to_dict("records"))
    cells = [*((rows[at - 2], one) for at, one in change.cells.items()),
             *((new[at], one) for at, one in numbered)]  # fmt: skip
    for row, values in cells:
        for name, value in values.items():
            column, match = here[str(name)]
            row[column] = _cell(value, match, "." if separator == "," else ",")
    buffer = io.StringIO(newline="")
    newline = "\r\n" if "\r\n" in text else "\n"
    for row in [headings, *rows, *new]:
        # the writer forgets to quote a bare carriage return
        quoting = csv.QUOTE_ALL if any("\r" in cell for cell in row) else csv.QUOTE_MINIMAL
        shape = {"delimiter": separator, "lineterminator": newline, "quoting": quoting}
        csv.writer(buffer, **shape).writerow(row)  # type: ignore[arg-type]
    whole = buffer.getvalue()
    if "\ufffd" in whole:
        raise WoodlabError(
            f"{table} holds a text with a character that cannot be read, which would be lost. Type "
            "that text anew first; `woodlab check` names its row. Nothing was changed."
        )
    if encoding == "utf-8-sig" and not data.startswith(b"\xef\xbb\xbf"):
        encoding = "utf-8"
    try:
        return whole.encode(encoding)
    except UnicodeEncodeError:  # a name that the old encoding has no letters for
        return whole.encode("utf-8-sig")


def _wide(row: list[str], width: int) -> list[str]:
    return [*row[:width], *[""] * (width - len(row))]


def _cell(value: object, match: Match | None, decimal: str) -> str:
    if empty(value):
        return ""
    if isinstance(value, pd.Timestamp):
        return iso(value)
    if isinstance(value, float):
        number = match.written(value) if match and match.unit else value
        return repr(float(number)).replace(".", decimal)
    return str(value)
