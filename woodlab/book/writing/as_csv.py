"""Tables as CSV text, of which a book's hash is taken, too."""

from __future__ import annotations

import csv
import re

import pandas as pd

from woodlab.book.tables import TABLES
from woodlab.book.units import match_heading


def csv_text(frame: pd.DataFrame) -> str:
    """CSV text of a table: dates as ISO 8601, the time only where there is one.

    Examples
    --------
    >>> print(csv_text(pd.DataFrame({"piece": ["A1"], "on": pd.to_datetime(["2026-03-01"]),
    ...                              "shelf; bay": ["2, left"]})), end="")
    piece,on,"shelf; bay"
    A1,2026-03-01,"2, left"
    """
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
    """The table with its dates as text."""
    out = frame.copy(deep=False)
    for column in out.columns:
        if pd.api.types.is_datetime64_any_dtype(out[column]):
            out[column] = date_text(out[column])
    return out


def _quoted(heading: str) -> str:
    # Semicolons and tabs, too: the reader looks for the separator in the headings.
    if not re.search('[,;\t"\r\n]', heading):
        return heading
    doubled = heading.replace('"', '""')
    return f'"{doubled}"'


def date_text(dates: pd.Series) -> pd.Series:
    """ISO 8601 text of dates, with the time only where it is not midnight."""
    text = dates.dt.strftime("%Y-%m-%d")
    timed = dates.notna() & (dates != dates.dt.normalize())
    if timed.any():
        text = text.mask(timed, dates.dt.strftime("%Y-%m-%dT%H:%M:%S"))
        fine = timed & (dates != dates.dt.floor("s"))
        if fine.any():
            text = text.mask(fine, dates.dt.strftime("%Y-%m-%dT%H:%M:%S.%f"))
    return text


def own_columns(table: str, frame: pd.DataFrame) -> list[str]:
    """The columns that the book does not know; their cells are text, whatever they look like."""
    return [name for name in frame.columns if match_heading(name, TABLES.get(table, ())) is None]


def worth_writing(table: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Without the known columns that hold nothing.

    All of them stay in a table that holds texts of several lines: the more columns there are, the
    surer it is for the reader that such a text is not rows that a lost quote has swallowed.
    """
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
