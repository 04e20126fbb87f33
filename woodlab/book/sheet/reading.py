"""Any sheet that a maker keeps, to a record book: every cell used, or listed with why not."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path

import pandas as pd

from woodlab.book.checking import check_table
from woodlab.book.reading import RawTable
from woodlab.book.record_book import RecordBook
from woodlab.book.sheet.cells import INCHES, ask_lengths
from woodlab.book.sheet.dates import find_date
from woodlab.book.sheet.grid import Grid, read_grids
from woodlab.book.sheet.layout import Layout, Place, wide_layout, with_weeks
from woodlab.book.sheet.log import is_of_one_bowl, log_layout, tabs_layout
from woodlab.book.sheet.result import LEDGER_COLUMNS, SheetReading
from woodlab.book.sheet.walk import Fate, Walk
from woodlab.book.sheet.words import OPTIONS, give, heading, heading_unit
from woodlab.book.tables import column_names
from woodlab.errors import WoodlabError, as_path
from woodlab.show import listed

NO_TURNING = "turned_on is the day of its first entry: the sheet names none"


def read_sheet(
    path: str | Path,
    *,
    mass_unit: str | None = None,
    length_unit: str | None = None,
    layout: str | None = None,
    dates: str | None = None,
    decimal: str | None = None,
    year: int | None = None,
    weeks: str | None = None,
    tab: str | None = None,
) -> SheetReading:
    """Make a record book of a sheet of one's own, and say what became of every cell.

    The layout is found: pieces down and dates across, dates down and pieces across, a row a
    weighing, or a tab a bowl. Headings and words are read in English, German and French. A crack
    written among the weights becomes a look, a bowl that is gone ends. Nothing is guessed: where a
    sheet can be read in two ways, an error says what to give.

    Parameters
    ----------
    path : str or Path
        A .csv or .txt file (any usual separator and encoding), .xlsx, .xls or .ods.
    mass_unit : {"g", "kg", "lb", "oz"}, optional
        Of numbers that carry no unit, neither in the cell nor in a heading; grams if not given.
    length_unit : {"mm", "cm", "in"}, optional
        Of walls, rims and heights whose heading names no unit; millimetres if not given.
    layout : {"pieces-down", "dates-down", "log"}, optional
        Needed only where two layouts fit.
    dates : {"day-first", "month-first"}, optional
        How dates such as 9/3/26 read; needed where no date of the sheet proves it.
    decimal : {".", ","}, optional
        The decimal sign; needed where numbers such as 1,480 read both ways.
    year : int, optional
        Of the first date, where dates have none.
    weeks : {"calendar", "turning"}, optional
        How weeks such as `week 3` count; needed where the sheet does not show it.
    tab : str, optional
        Which sheet of a workbook; needed when several hold weights of several bowls.

    Returns
    -------
    SheetReading
        `.book`, `.ledger`, `.layout`, `.why`, `.notes`; `.save(path)` writes the book, or merges
        what is new into the one that was made of this sheet before.

    Raises
    ------
    WoodlabError
        If the sheet can be read in two ways, its numbers cannot be in the units given, or it
        holds no weights; the message says what to type.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import woodlab as wl
    >>> file = pathlib.Path(tempfile.mkdtemp()) / "shed.csv"
    >>> _ = file.write_text("Datum;Schale;Gewicht;Bemerkung\\n9.3.2026;A1;1480;\\n"
    ...                     "23.3.2026;A1;1310;Riss am Rand\\n23.3.2026;A2;Brennholz;\\n")
    >>> sheet = wl.read_sheet(file)
    >>> sheet.layout, sheet.book.weighings["mass_g"].tolist()
    ('log', [1480.0, 1310.0])
    >>> sheet.book.looks[["piece", "crack", "where"]].values.tolist()
    [['A1', 'yes', 'rim']]
    >>> sheet.book.pieces[["piece", "outcome"]].values.tolist()[1]
    ['A2', 'scrapped']
    """
    path = as_path(path, "read_sheet")
    given = (mass_unit, length_unit, layout, dates, decimal, weeks)
    for (option, (known, _)), value in zip(OPTIONS.items(), given, strict=True):
        if value is not None and value not in known:
            raise WoodlabError(f"{option} is {value!r}. {give(option, *known)}")
    grids = [with_weeks(grid) for grid in read_grids(path)]
    found = _chosen(grids, path.name, tab, layout)
    walk = Walk(found, mass_unit, length_unit, dates, decimal, year, weeks)
    used = {name for name, _ in found.grid.tabs} or {found.grid.name}
    others = [grid for grid in grids if grid.name not in used]
    return _made(walk, path, others)


def _chosen(grids: list[Grid], name: str, tab: str | None, wanted: str | None) -> Layout:
    """The layout of the one sheet that holds weights."""
    names = [grid.name for grid in grids]
    if tab is not None:
        grids = [grid for grid in grids if grid.name.casefold() == tab.casefold()]
        if not grids:
            there = ", ".join(map(repr, names)) or "none"
            raise WoodlabError(f"{name} has no filled sheet {tab!r}. It has: {there}.")
    elif {"pieces", "weighings"} <= {sheet.strip().casefold() for sheet in names}:
        raise WoodlabError(f"{name} is a record book already. Check it: woodlab check {name}")
    of_one = [grid for grid in grids if is_of_one_bowl(grid)] if wanted is None else []
    tabs = tabs_layout(of_one) if len(of_one) > 1 else None
    if tabs and not any(find_layout(grid) for grid in grids if grid not in of_one):
        return tabs
    found = [layout for grid in grids if (layout := find_layout(grid, wanted))]
    if len(found) > 1:
        held = [layout.grid.name for layout in found]
        raise WoodlabError(
            f"Several sheets of {name} hold weights: {', '.join(map(repr, held))}. Make a book of "
            f"each. {give('tab', held[0])}"
        )
    if not found:
        as_asked = f" with the layout {wanted}" if wanted else ""
        raise WoodlabError(
            f"No weights were found in {name}{as_asked}. It needs a line of dates (such as "
            "2026-03-09), the bowls' marks, and weights where they cross; or a row a weighing "
            "under the headings date, bowl, weight. Type the dates above the weights."
        )
    return found[0]


def find_layout(grid: Grid, wanted: str | None = None) -> Layout | None:
    """The layout of a sheet that makes sense of its weights; None when there is none.

    Raises WoodlabError if two layouts fit, or no bowl is named; the message says what to type.
    """
    if not grid.cells or not grid.cells[0]:
        return None
    if wanted == "log":
        return log_layout(grid)
    across, down = wide_layout(grid), wide_layout(grid.turn())
    if wanted is not None:
        return down if wanted == "dates-down" else across
    log = log_layout(grid)
    wide = sorted((one for one in (across, down) if one), key=_worth)
    best = wide[-1] if wide else None
    if log is not None and log.sure and (across is None or log.masses >= across.masses):
        return log
    if across and down and _worth(across) == _worth(down):
        raise WoodlabError(
            f"{grid.name} reads as well with the dates across as with the dates down: "
            f"{across.masses} weights either way. {give('layout', 'pieces-down', 'dates-down')}"
        )
    if log is not None and best is not None and best.kind == "dates-down":
        raise WoodlabError(
            f"{grid.name} may have a row a weighing ({log.why}), or a column a piece: {best.why}. "
            f"{give('layout', 'log', 'dates-down')} Or write headings over the columns: date, "
            "bowl, weight."
        )
    if best is not None and best.kind == "dates-down":
        _named(best)
    return best or log


def _worth(layout: Layout) -> tuple[bool, int]:
    """A corner that says `bowl` or `date` counts before the number of weights."""
    return layout.sure, layout.masses


def _named(layout: Layout) -> None:
    """A column headed `weight` with no bowl's mark anywhere is not a bowl called weight."""
    grid = layout.grid
    marks = {grid.text(*slot.label) or "" for slot in layout.slots if slot.meaning == "mass"}
    if all(heading(heading_unit(mark)[1]).meaning == "mass" for mark in marks):
        raise WoodlabError(
            f"{grid.name} has dates and the column {', '.join(sorted(marks))!r}, and nothing says "
            "which bowl was weighed. Add a column `bowl` with its mark, or write the mark over "
            "the weights in place of that heading."
        )


def _made(walk: Walk, path: Path, others: list[Grid]) -> SheetReading:
    """The book of a walk, and its ledger."""
    looks = pd.DataFrame(walk.looks, columns=column_names("looks"))
    weighings = pd.DataFrame(walk.weighings, columns=column_names("weighings"))
    units = {
        slot.meaning: slot.unit or walk.length_unit or "mm"
        for slot in walk.layout.slots
        if slot.meaning.endswith("_mm")
    }
    named = {slot.meaning for slot in walk.layout.slots if slot.unit}
    bare = {name: unit for name, unit in units.items() if name not in named}
    units |= dict.fromkeys((name for name in bare if _in_inches(walk, name)), "in")
    ask_lengths(walk.pieces, bare, _mass_unit(walk))
    _days_of_turning(walk, pd.concat([weighings[["piece", "on"]], looks[["piece", "on"]]]))
    pieces = _checked_pieces(walk, units)
    tables = {"pieces": pieces, "weighings": weighings}
    looks = looks[looks["piece"].isin(set(pieces["piece"]))].dropna(axis=1, how="all")
    if len(looks):
        tables["looks"] = looks
    book = RecordBook.from_frames(name=path.stem, **tables)
    _name_the_lost(walk)
    ledger = _ledger(walk, others)
    units["mass_g"] = _mass_unit(walk)
    notes, words = tuple(dict.fromkeys(walk.notes)), tuple(walk.words)
    return SheetReading(book, ledger, walk.layout.kind, walk.layout.why, notes, words, path, units)


def _in_inches(walk: Walk, name: str) -> bool:
    """Whether each cell of a column names its unit itself, and most of them inches."""
    cells = [row[name] for row in walk.pieces.values() if row.get(name) is not None]
    inches = [isinstance(cell, str) and INCHES.search(cell) is not None for cell in cells]
    bare = any(not isinstance(cell, str) or cell.strip()[-1].isdigit() for cell in cells)
    return bool(cells) and not bare and 2 * sum(inches) > len(cells)


def _mass_unit(walk: Walk) -> str:
    """The unit that the book's file is kept in: that of most weights of the sheet."""
    return walk.mass_unit or next((unit for unit, _ in walk.units.most_common(1)), "g")


def _days_of_turning(walk: Walk, entries: pd.DataFrame) -> None:
    """The first entry stands for a day of turning that the sheet does not name, and says so."""
    first = pd.to_datetime(entries["on"]).groupby(entries["piece"]).min()
    undated, guessed = [], 0
    for mark, row in list(walk.pieces.items()):
        if row.get("turned_on") is not None:
            continue
        day = first.get(mark, row.get("ended_on"))
        if day is None or pd.isna(day):
            undated.append(mark)
            _drop(walk, mark, "the piece has no day of turning and no weight: add one")
            continue
        guessed += 1
        row["turned_on"] = pd.Timestamp(day).normalize()
        row["note"] = f"{row['note']}; {NO_TURNING}" if row.get("note") else NO_TURNING
    missing = f"Not in the book, for want of a day of turning and a weight: {', '.join(undated)}."
    stands = (f"{guessed} of {len(walk.pieces)} pieces have no day of turning in the sheet: the "
              "day of the first entry stands for it.")  # fmt: skip
    walk.notes += [said for said, holds in ((missing, undated), (stands, guessed)) if holds]


def _checked_pieces(walk: Walk, units: dict[str, str]) -> pd.DataFrame:
    """The table pieces; a cell that the book refuses is taken out and listed with the reason."""
    names = column_names("pieces")
    headings = {name: f"{name[:-3]}_{units[name]}" if name in units else name for name in names}
    back = {heading: name for name, heading in headings.items()}
    marks = list(walk.pieces)
    while True:
        rows = [[walk.pieces[mark].get(name) for name in names] for mark in marks]
        frame = pd.DataFrame(rows, columns=list(headings.values()), dtype=object)
        frame.index = pd.RangeIndex(2, len(frame) + 2)
        checked = check_table(RawTable("pieces", frame, comma_decimals=True))
        faults = [f for f in checked.faults if f.row is not None and f.column in back]
        if not faults:
            return checked.frame.reset_index(drop=True)
        for fault in faults:
            mark, name = marks[int(fault.row or 0) - 2], back[str(fault.column)]
            del walk.pieces[mark][name]
            why = f"{fault.problem}. {fault.remedy}".rstrip(".")
            walk.unused(walk.source[mark, name], why, mark)


def _drop(walk: Walk, mark: str, why: str) -> None:
    del walk.pieces[mark]
    for at, fate in list(walk.fates.items()):
        if fate.piece == mark and fate.use != "not used":
            walk.unused(at, why, mark, fate.on)


def _name_the_lost(walk: Walk) -> None:
    """Pieces with filled cells under the dates of which none is a weight."""
    weighed = {entry["piece"] for entry in walk.weighings}
    lost: dict[str, list[str]] = defaultdict(list)
    for slot in walk.layout.slots:
        fate = walk.fates.get(slot.at)
        if slot.meaning != "mass" or fate is None or not fate.piece or fate.piece in weighed:
            continue
        lost[fate.piece].append(f"{walk.grid.address(*slot.at)} {str(walk.cell(slot.at))[:20]!r}")
    for mark, cells in lost.items():
        here = "" if mark in walk.pieces else ", and is not in the book"
        walk.notes.append(f"{mark} has no weight left{here}: {', '.join(cells[:4])}.")


def _ledger(walk: Walk, others: list[Grid]) -> pd.DataFrame:
    """One row for each filled cell of the file, in reading order."""
    elsewhere = Fate("not used", why="stands in another sheet")
    cells = [(walk.grid, at, walk.fates.get(at) or _by_place(walk, at)) for at in walk.grid.filled]
    if walk.grid.turned:
        cells.sort(key=lambda one: one[1][::-1])
    cells += [(grid, at, elsewhere) for grid in others for at in grid.filled]
    rows = [
        [grid.tab(at[0])[0], grid.address(*at), str(grid.cells[at[0]][at[1]])[:80], *fate,
         grid.of(at).hidden]
        for grid, at, fate in cells
    ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=LEDGER_COLUMNS)
    frame["on"] = pd.to_datetime(frame["on"]).astype("datetime64[us]")
    if frame["hidden"].any():
        hidden = frame.loc[frame["hidden"], "cell"]
        walk.notes.append(
            f"{len(hidden)} filled cells are hidden in the sheet and were read like the others: "
            f"{listed(hidden, 6)}."
        )
    return frame


def _by_place(walk: Walk, at: Place) -> Fate:
    """What became of a cell that no slot has used."""
    layout = walk.layout
    if lost := walk.grid.of(at).lost:
        return Fate("not used", why=lost)
    if at in layout.headings:
        return Fate("heading")
    why = layout.reasons.get(at)
    if why is None:
        top = min(place[0] for slot in layout.slots for place in (slot.date or slot.label, slot.at))
        top = min([top, *(place[0] for place in layout.headings)])
        if at[0] < top:
            why = "stands before the first line that is read"
        elif any(at[1] == slot.label[1] for slot in layout.slots):
            why = "a mark without anything beside it that is used"
        elif find_date(walk.cell(at)) is not None:
            why = "a date without a weight"
        else:
            why = "stands outside the lines that are read"
    return Fate("not used", why=why)
