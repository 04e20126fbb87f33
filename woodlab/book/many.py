"""Several clubs' or seasons' books as one, their pieces, logs and places kept apart."""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import Executor
from pathlib import Path

import numpy as np
import pandas as pd

from woodlab.book.doubts import DOUBT_COLUMNS
from woodlab.book.record_book import RecordBook, open_book
from woodlab.book.tables import TABLES
from woodlab.errors import WoodlabError, as_list, as_path
from woodlab.wood.species import species_facts
from woodlab.words import METRIC

# Names that mean something only within their own book.
_OWN_NAMES = ("piece", "log", "place", "maker", "scale", "witness")


def open_books(
    paths: Iterable[str | Path], set_aside: bool = False, executor: Executor | None = None
) -> RecordBook:
    """Open several record books as one.

    Parameters
    ----------
    paths : path or iterable of path
        Books with different names (folder or file names without their ending).
    set_aside : bool
        As in `open_book`, for each of the books.
    executor : concurrent.futures.Executor, optional
        Opens the books at the same time.

    Returns
    -------
    RecordBook
        Each piece, log, place and maker is `BOOK/NAME`, and each table has a column `book`, so
        that members are kept apart; seals are shared by their names, and so are woods, whose
        names in several languages (`Esche`, `European ash`) become one: a doubt says which. Rows
        in are rows kept and rows set aside, summed over the books.

    Raises
    ------
    RecordError
        From the first book that has faults, unless `set_aside`.
    WoodlabError
        If no path is given, or two books have one name.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import pandas as pd, woodlab as wl
    >>> home = pathlib.Path(tempfile.mkdtemp())
    >>> pieces = pd.DataFrame({"piece": ["A1"], "species": ["white ash"], "seal": ["none"],
    ...                        "turned_on": ["2026-03-01"], "wall_mm": [22]})
    >>> north = wl.blank_book(home / "north_shed", pieces=pieces)
    >>> south = wl.blank_book(home / "south_shed", pieces=pieces)
    >>> wl.open_books([north, south]).pieces[["piece", "seal", "book"]].values.tolist()
    [['north_shed/A1', 'none', 'north_shed'], ['south_shed/A1', 'none', 'south_shed']]
    """
    where = [as_path(path, "open_books") for path in as_list(paths, "paths")]
    if not where:
        raise WoodlabError("No books were named. Give the paths of one or more record books.")
    names = [path.resolve().stem for path in where]
    repeated = {name for name in names if names.count(name) > 1}
    if repeated:
        raise WoodlabError(
            f"Two books have the name {sorted(repeated)[0]!r}. Rename one of the folders or files."
        )
    if executor is None:
        books = [open_book(path, set_aside) for path in where]
    else:
        books = list(executor.map(open_book, where, [set_aside] * len(where)))
    return _joined(dict(zip(names, books, strict=True)))


def _joined(books: dict[str, RecordBook]) -> RecordBook:
    tables, rows = {}, {}
    for table in TABLES:
        parts = [_own(getattr(book, table), name) for name, book in books.items()]
        tables[table] = pd.concat(parts, ignore_index=True)
        rows[table] = pd.concat(
            [pd.Series(book._rows[table]) for book in books.values()]
        ).to_numpy()
    tables["pieces"], woods = _one_name_a_wood(tables["pieces"], rows["pieces"])
    aside = pd.concat(
        [book.set_aside.assign(book=name) for name, book in books.items()], ignore_index=True
    )
    counts = pd.concat([book.counts for book in books.values()])
    totals = counts.groupby("table", sort=False, as_index=False).sum()
    remarks = [book._remarks.assign(book=name) for name, book in books.items()]
    remarks.append(pd.DataFrame(woods, columns=[*DOUBT_COLUMNS, "book"]))
    units = {book.units for book in books.values()}
    return RecordBook(
        **tables, set_aside=aside, counts=totals, name=" + ".join(books), _rows=rows,
        units=units.pop() if len(units) == 1 else METRIC,
        _remarks=pd.concat(remarks, ignore_index=True),
    )  # fmt: skip


def _one_name_a_wood(pieces: pd.DataFrame, rows: np.ndarray) -> tuple[pd.DataFrame, list[tuple]]:
    """The pieces with one name for each wood, and rows of doubts that say which names it had."""
    alike: dict[tuple[str, ...], list[str]] = {}
    for name in pieces["species"].unique():
        facts = species_facts(name)
        sure = facts.members and "; but " not in facts.note  # a name of two woods stays as it is
        alike.setdefault(facts.members if sure else (name,), []).append(name)
    twins = {woods: names for woods, names in alike.items() if len(names) > 1}
    known = {name: woods[0] if len(woods) == 1 else names[0]
             for woods, names in twins.items() for name in names}  # fmt: skip
    said = []
    for names in twins.values():
        at = pieces.index[pieces["species"] == names[-1]][0]
        said.append(("pieces", rows[at], pieces.at[at, "piece"], "species", " / ".join(names),
                     f"one wood in several words: counted as {known[names[0]]!r} in the joined "
                     "book", pieces.at[at, "book"]))  # fmt: skip
    one = pieces["species"].map(lambda name: known.get(name, name))
    return pieces.assign(species=one.astype(pieces["species"].dtype)), said


def _own(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    own = {
        column: name + "/" + frame[column].astype("str") for column in _OWN_NAMES if column in frame
    }
    own = {column: values.where(frame[column].notna()) for column, values in own.items()}
    return frame.assign(**own, book=pd.Series(name, index=frame.index, dtype="str"))
