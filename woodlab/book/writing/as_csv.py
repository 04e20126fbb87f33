"""Tables as CSV text, of which a book's hash is taken, too; rows below those of a CSV file."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from woodlab.book.reading import decoded, encoding_of, separator_of
from woodlab.book.tables import TABLES
from woodlab.book.units import match_heading
from woodlab.errors import WoodlabError

_UTF_16 = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}
MOVE = "Nothing was changed. Save the book as a folder of CSV files: open_book(...).save(folder)."


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


@dataclass(frozen=True)
class Hand:
    """A CSV file and how it is written: encoding, line ends, separator, headings."""

    text: str
    encoding: str
    newline: str
    separator: str
    headings: list[str]

    @classmethod
    def of(cls, data: bytes) -> Hand:
        text = decoded(data)
        separator = separator_of(text.split("\n", 1)[0])
        headings = next(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
        while headings and not headings[-1].strip():
            headings.pop()
        newline = "\r\n" if "\r\n" in text else "\n"
        return cls(text, encoding_of(data), newline, separator, headings)

    def rows(self, missing: list[str]) -> list[list[str]]:
        """The file's cells with further headings; cells beyond the headings come behind them."""
        first, *rows = csv.reader(io.StringIO(self.text, newline=""), delimiter=self.separator)
        width = len(self.headings)
        wider = [[*first[:width], *missing]]
        for row in rows:
            cells = [*row[:width], *[""] * (width - len(row)), *[""] * len(missing), *row[width:]]
            wider.append(cells if row else row)
        return wider

    def lines(self, rows: Iterable[list[str]]) -> str:
        """Rows as CSV; one with a bare carriage return in quotes, as the writer forgets them."""
        buffer = io.StringIO(newline="")
        shape = {"delimiter": self.separator, "lineterminator": self.newline}
        writer = csv.writer(buffer, **shape)  # type: ignore[arg-type]
        careful = csv.writer(buffer, **shape, quoting=csv.QUOTE_ALL)  # type: ignore[arg-type]
        for row in rows:
            (careful if any("\r" in cell for cell in row) else writer).writerow(row)
        return buffer.getvalue()

    def encoded(self, text: str) -> bytes:
        return text.encode("utf-8" if self.encoding == "utf-8-sig" else self.encoding)


def appended_csv(data: bytes, table: str, added: pd.DataFrame) -> bytes:
    """A CSV file's bytes with rows below, in the file's own columns, units and hand.

    Examples
    --------
    >>> import pandas as pd
    >>> new = pd.DataFrame({"piece": ["A1"], "on": pd.to_datetime(["2026-03-08"]),
    ...                     "mass_g": [453.59237]})
    >>> print(appended_csv(b"on;piece;mass_lb\\n2026-03-01;A1;1,1\\n", "weighings", new).decode())
    on;piece;mass_lb
    2026-03-01;A1;1,1
    2026-03-08;A1;1,0
    <BLANKLINE>
    """
    hand = Hand.of(data)
    decimal = "." if hand.separator == "," else ","
    cells, missing = _cells_for(hand.headings, table, added, decimal)
    below = hand.lines(cells)
    if not hand.text.endswith("\n"):
        below = hand.newline + below
    try:
        if not missing:
            # Marks of an encoding stand at the beginning of a file only.
            behind = {"utf-8-sig": "utf-8", "utf-16": _UTF_16.get(data[:2], "")}
            return data + below.encode(behind.get(hand.encoding, hand.encoding))
        whole = hand.lines(hand.rows(missing)) + below.removeprefix(hand.newline)
        changed = hand.encoded(whole)
    except UnicodeEncodeError:  # a name that the old encoding has no letters for
        whole = hand.text + below
        changed = whole.encode("utf-8-sig")
    if "\ufffd" in whole:
        raise WoodlabError(
            f"{table} holds a text with a character that cannot be read, which would be lost. "
            f"Type that text anew first; `woodlab check` names its row. {MOVE}"
        )
    return changed


def _cells_for(
    headings: list[str], table: str, added: pd.DataFrame, decimal: str
) -> tuple[list[list[str]], list[str]]:
    """Cells in the order of the headings, and the columns for which there is no heading."""
    columns, names = [], []
    for heading in headings:
        match = match_heading(heading, TABLES[table])
        name = match.column.name if match else heading
        values = added[name] if name in added and name not in names else None
        if values is not None and match is not None and match.unit:
            values = match.written(values)
        names.append(name)
        columns.append([""] * len(added) if values is None else _cells(values, decimal))
    missing = [name for name in added.columns if name not in names]
    columns += [_cells(added[name], decimal) for name in missing]
    return [list(row) for row in zip(*columns, strict=True)], missing


def _cells(values: pd.Series, decimal: str) -> list[str]:
    if pd.api.types.is_float_dtype(values):
        return ["" if v != v else repr(v).replace(".", decimal) for v in values.tolist()]
    return plain(values.to_frame()).iloc[:, 0].fillna("").astype(str).tolist()
