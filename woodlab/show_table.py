"""Any frame of a study as a table that shows itself, with units in its headings: `wl.table`."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.errors import WoodlabError, kind_of
from woodlab.show import Column, Nothing, Table, card

EMPTY = "Nothing to show here: the records hold nothing for it."
_UNITS = {"pct": "%", "mm": "mm", "g": "g", "days": "days", "m_s": "m/s", "c": "°C"}
_SHARES = ("share", "risk", "chance", "p_ready", "missed", "power")


def table(
    frame: pd.DataFrame,
    columns: str = "",
    says: str = "",
    *,
    caption: str = "",
    empty: str = "",
    most: int = 60,
) -> Table | Nothing:
    """A frame as a table to read: units in the headings, figures rounded, dates in words.

    Two columns that end in `_lower` and `_upper` and stand side by side become one range. Rows
    without any number are not printed: one sentence names them with their `reason`.

    Parameters
    ----------
    frame : DataFrame
    columns : str
        Their names, with spaces between; all unless given. `name:heading` gives a heading of
        your own, in which `_` is a space.
    says : str
        The sentence above the table; `{n}` in it is the number of rows.
    caption : str
        What the table is, for who hears it read; the sentence stands in for it.
    empty : str
        What is said of a frame without rows.
    most : int
        Rows printed.

    Returns
    -------
    Table or Nothing
        Shows itself; `frame` holds every row and column as given. An empty frame is one line.

    Raises
    ------
    WoodlabError
        If a column is not in the frame.

    Examples
    --------
    >>> found = pd.DataFrame({"seal": ["wax", "paint"], "weeks": [17.31, float("nan")],
    ...                       "ci_lower": [15.1, float("nan")], "ci_upper": [20.2, float("nan")],
    ...                       "reason": ["", "one piece"]})
    >>> table(found, "seal weeks ci_lower ci_upper", says="Weeks to 14 %.")
    Weeks to 14 %.
    No figure for paint (one piece).
    <BLANKLINE>
    seal weeks   range
     wax  17.3 15.1 to 20.2
    """
    if not isinstance(frame, pd.DataFrame):
        raise WoodlabError(f"table needs a frame (DataFrame) and was given {kind_of(frame)}.")
    if not isinstance(frame.index, pd.RangeIndex) and frame.index.name is not None:
        frame = frame.reset_index()
    asked = [name.partition(":") for name in columns.split()] or [
        (str(name), "", "") for name in frame.columns
    ]
    names = [name for name, _, _ in asked]
    missing = [name for name in names if name not in frame.columns]
    if missing:
        raise WoodlabError(
            f"Unknown column {missing[0]!r}. This frame has: {', '.join(map(str, frame.columns))}."
        )
    if not len(frame):
        return Nothing((empty or EMPTY,))
    says = says.replace("{n}", str(len(frame)))
    plain = frame.reset_index(drop=True)
    plain.columns = plain.columns.map(str)
    if {"column", "value"} <= set(names):  # a list of cells: the unit is in the column's name
        told = map(words.METRIC.told_of, plain["column"], plain["value"].astype(str))
        column = plain["column"].str.replace("_(mm|g)$", "", regex=True)
        plain = plain.assign(value=list(told), column=column)
    shown, skip = [], False
    for (name, _, own), (after, _, _) in zip(asked, [*asked[1:], ("", "", "")], strict=True):
        if skip:
            skip = False
            continue
        skip = name.endswith("lower") and after == name[: -len("lower")] + "upper"
        heading = own.replace("_", " ") or _heading(name.replace("_lower", "") if skip else name)
        shown.append(_range(name, after, own or heading) if skip else _plain(plain, name, heading))
    needs = [
        name for name in names
        if pd.api.types.is_float_dtype(plain[name]) and not name.startswith("n_")
    ]  # fmt: skip
    made = card(
        [says], plain, shown,
        caption=caption, needs=needs if "reason" in plain else [],
        name=names[0], most=most,
    )  # fmt: skip
    return Table(made, frame)


def _heading(name: str) -> str:
    """'moisture [%]' of `moisture_pct`; '95 % range' is in the sentence, not in the heading."""
    for ending, unit in _UNITS.items():
        if name.endswith(f"_{ending}") and not name.startswith("p_"):
            return f"{name[: -len(ending) - 1].replace('_', ' ')} [{unit}]"
    if name.startswith("n_"):
        return name[2:].replace("_", " ")
    return {"p_holm": "p (Holm)", "ci": "range", "p_value": "p"}.get(name, name.replace("_", " "))


def _range(lower: str, upper: str, heading: str) -> Column:
    form = _percent if lower.startswith(_SHARES) else _figure

    def text(row: Any) -> str:
        low, high = getattr(row, lower), getattr(row, upper)
        if pd.isna(low) and pd.isna(high):
            return ""
        if isinstance(low, pd.Timestamp):
            return f"{words.day(low)} to {words.day(high) or 'later'}"
        if pd.isna(low):
            return f"at most {form(high)}"
        return f"{form(low)} or more" if pd.isna(high) else f"{form(low)} to {form(high)}"

    return Column(heading, text)


def _plain(frame: pd.DataFrame, name: str, heading: str) -> Column:
    column = frame[name]
    if pd.api.types.is_datetime64_any_dtype(column):
        return Column(heading, lambda row: words.day(getattr(row, name)), False)
    if pd.api.types.is_bool_dtype(column):
        return Column(heading, lambda row: _yes(getattr(row, name)), False)
    if name == "outcome":  # names of the kit, as words
        return Column(heading, lambda row: _text(getattr(row, name)).replace("_", " "), False)
    if not pd.api.types.is_numeric_dtype(column):
        return Column(heading, lambda row: _text(getattr(row, name)), False)
    if "at least [mm]" in heading:  # a wall to leave is never rounded down
        return Column(heading, lambda row: _figure(np.ceil(round(getattr(row, name), 6))))
    form = _chance if name in ("p_value", "p_holm") else _figure
    if name.startswith("p_ready"):
        return Column(heading, lambda row: words.chance(getattr(row, name)))
    form = _percent if name.startswith(_SHARES) else form
    return Column(heading, lambda row: form(getattr(row, name)))


def _yes(value: Any) -> str:
    return "" if pd.isna(value) else "yes" if value else "no"


def _text(value: Any) -> str:
    return (
        _yes(value) if isinstance(value, bool | np.bool_) else "" if pd.isna(value) else str(value)
    )


def _chance(value: float) -> str:
    return "" if pd.isna(value) else "under 0.001" if value < 0.001 else f"{value:.3f}"


def _percent(value: float) -> str:
    return "" if pd.isna(value) else f"{100 * value:.0f} %"


def _figure(value: float) -> str:
    """Three figures, none of them an exponent where it can be helped: 1480, 17.3, 0.0123."""
    if pd.isna(value) or not np.isfinite(value):
        return ""
    if value == round(value) or abs(value) >= 100:
        return f"{value:.0f}"
    return f"{value:.3g}" if abs(value) < 1e-4 else f"{float(f'{value:.3g}'):g}"
