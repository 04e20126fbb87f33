"""Columns of the table `pieces` as a study takes them: numbers, names, and groups to count by."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd

from woodlab.errors import WoodlabError, as_list


def log_names(frame: pd.DataFrame) -> pd.Series:
    """The log of each row; a piece with no log named counts as a log of its own."""
    own = (frame["piece"] if "piece" in frame else frame.index.to_series()).astype(object)
    return frame["log"].astype(object).where(frame["log"].notna(), "piece " + own.map(str))


def is_number(values: pd.Series) -> bool:
    """Whether a column holds numbers (true and false are names)."""
    return pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)


def asked_columns(
    pieces: pd.DataFrame, terms: str | Sequence[str] | None, by: str | Sequence[str] | None
) -> tuple[list[str], list[str]]:
    """The columns that a study was asked for, each once; of joined books, `book` too."""
    given = [([] if names is None else as_list(names, where))
             for names, where in ((terms, "terms"), (by, "by"))]  # fmt: skip
    for name in [*given[0], *given[1]]:
        if name not in pieces:
            known = ", ".join(c for c in pieces.columns if c != "piece")
            raise WoodlabError(f"unknown column {name!r} of pieces. Type one of: {known}.")
    joined = ["book"] if "book" in pieces and pieces["book"].nunique() > 1 else []
    asked, counted = (list(dict.fromkeys([*names, *joined])) for names in given)
    return asked, counted


def asked_seal(pieces: pd.DataFrame, reference: str) -> str:
    """The seal to compare with, typed in any case, as the book has it; `none` need not be in it."""
    known = sorted(pieces["seal"].dropna().astype(str).unique())
    asked = str(reference).strip().casefold()
    for name in [*known, "none"]:
        if name.casefold() == asked:
            return name
    raise WoodlabError(
        f"{reference!r} is no seal of this book. Type one of: {', '.join(known) or 'none'}."
    )


def with_numbers(pieces: pd.DataFrame, names: Iterable[str]) -> pd.DataFrame:
    """The pieces with these columns as numbers where every cell is empty or a number.

    A book keeps a maker's own columns as the text that was typed.
    """
    read = {}
    for name in names:
        text = pieces[name]
        if not pd.api.types.is_string_dtype(text):
            continue
        number = pd.to_numeric(text, errors="coerce").astype(float)
        filled = text.notna() & (text.astype(str).str.strip() != "")
        if filled.any() and np.isfinite(number[filled]).all():
            read[name] = number
    return pieces.assign(**read)


def wall_class(wall_mm: pd.Series) -> pd.Series:
    """Classes of 10 mm (of 5 mm where the walls span less than 20 mm), in words."""
    width = 10.0 if wall_mm.max() - wall_mm.min() >= 20 else 5.0
    low = np.floor(wall_mm / width) * width
    return pd.Series(
        [f"{a:g} to under {a + width:g} mm" if a == a else "not given" for a in low], wall_mm.index
    )


def groups_of(values: pd.Series) -> pd.Series:
    """The values as names; numbers of more than six different values as thirds of them."""
    if not is_number(values) or values.nunique() <= 6:
        return values.astype(object).where(values.notna()).map(str, na_action="ignore")
    third = pd.qcut(values, 3, labels=False, duplicates="drop")
    ends = values.groupby(third).agg(["min", "max"])
    return third.map({k: f"{a:.4g} to {b:.4g}" for k, (a, b) in ends.T.items()})
