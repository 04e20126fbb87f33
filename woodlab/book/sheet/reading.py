"""Any sheet that a maker keeps, to a record book: every cell used, or listed with why not."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path

import pandas as pd

from woodlab.book.checking import check_table
from woodlab.book.reading import RawTable
from woodlab.book.record_book import RecordBook
from woodlab.book.sheet.cells import ask_lengths
from woodlab.book.sheet.dates import find_date
from woodlab.book.sheet.grid import Grid, read_grids
from woodlab.book.sheet.layout import Fate, Layout, Place, unused, wide_layout, with_weeks
from woodlab.book.sheet.log import is_of_one_bowl, log_layout, tabs_layout
from woodlab.book.sheet.questions import OPTIONS, Asked, answered, give
from woodlab.book.sheet.result import LEDGER_COLUMNS, SheetReading
from woodlab.book.sheet.walk import Walk
from woodlab.book.sheet.words import heading, heading_unit
from woodlab.book.tables import column_names
from woodlab.errors import WoodlabError, as_kind, as_path
from woodlab.show import listed
from woodlab.wood.species import species_facts

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
    species: dict[str, str] | None = None,
) -> SheetReading:
    """Make a record book of a sheet of one's own, and say what became of every cell.

    The layout is found: pieces down and dates across, dates down and pieces across, a row a
    weighing, or a tab a bowl. Headings and words are read in English, German and French. A crack
    written among the weights becomes a look, a bowl that is gone ends. Nothing is guessed: where a
    sheet can be read in two ways, one error lists every open question with what to give.

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
    species : dict, optional
        Names of woods in the sheet, and what they are: `{"Sycamore": "sycamore maple"}`. A trade
        name of two woods is asked about, and read as their mean if nothing is said.

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
    given = {
        "mass_unit": mass_unit, "length_unit": length_unit, "layout": layout, "dates": dates,
        "decimal": decimal, "weeks": weeks, "year": year, "tab": tab,
        "species": as_kind(species, dict, "species", "{'Sycamore': 'sycamore maple'}"),
    }  # fmt: skip
    for option, (known, _) in OPTIONS.items():
        if given[option] is not None and given[option] not in known:
            raise WoodlabError(f"{option} is {given[option]!r}. {give(option, *known)}")
    grids = [with_weeks(grid) for grid in read_grids(path)]
    return answered(path.name, given, lambda asked: _read(grids, path, asked))


def _read(grids: list[Grid], path: Path, asked: Asked) -> SheetReading | None:
    """The sheet by the answers given so far; None where it cannot be read by them."""
    found = _chosen(grids, path.name, asked)
    walk = Walk(found, asked)
    used = {name for name, _ in found.grid.tabs} or {found.grid.name}
    return _made(walk, path, [grid for grid in grids if grid.name not in used])


def _chosen(grids: list[Grid], name: str, asked: Asked) -> Layout:
    """The layout of the one sheet that holds weights."""
    names = [grid.name for grid in grids]
    tab, wanted = asked.answers.get("tab"), asked.answers.get("layout")
    if tab is not None:
        grids = [grid for grid in grids if grid.name.casefold() == tab.casefold()]
        if not grids:
            there = ", ".join(map(repr, names)) or "none"
            raise WoodlabError(f"{name} has no filled sheet {tab!r}. It has: {there}.")
    elif {"pieces", "weighings"} <= {sheet.strip().casefold() for sheet in names}:
        raise WoodlabError(f"{name} is a record book already. Check it: woodlab check {name}")
    of_one = [grid for grid in grids if is_of_one_bowl(grid)] if wanted is None else []
    tabs = tabs_layout(of_one) if len(of_one) > 1 else None
    if tabs and not any(layouts_of(grid) for grid in grids if grid not in of_one):
        return tabs
    found = [layouts for grid in grids if (layouts := layouts_of(grid, wanted))]
    if not found:
        as_asked = f" with the layout {wanted}" if wanted else ""
        raise WoodlabError(
            f"No weights were found in {name}{as_asked}. It needs a line of dates (such as "
            "2026-03-09), the bowls' marks, and weights where they cross; or a row a weighing "
            "under the headings date, bowl, weight. Type the dates above the weights."
        )
    if len(found) > 1:
        held = [layouts[0].grid.name for layouts in found]
        text = f"Several sheets of {name} hold weights: {', '.join(map(repr, held))}. Make a book "
        chosen = asked.ask("tab", f"{text}of each.", *held)
        found = [layouts for layouts in found if layouts[0].grid.name == chosen]
    return _settled(found[0], wanted, asked)


def layouts_of(grid: Grid, wanted: str | None = None) -> list[Layout]:
    """The layout of a sheet that makes sense of its weights; two where both do; or none."""
    if not grid.cells or not grid.cells[0]:
        return []
    if wanted is not None:
        turned = grid.turn() if wanted == "dates-down" else grid
        one = log_layout(grid) if wanted == "log" else wide_layout(turned)
        return [one] if one else []
    across, down, log = wide_layout(grid), wide_layout(grid.turn()), log_layout(grid)
    if log is not None and log.sure and (across is None or log.masses >= across.masses):
        return [log]
    if across and down and _worth(across) == _worth(down):
        return [across, down]
    best = max((one for one in (across, down) if one), key=_worth, default=None)
    if log is not None and best is not None and best.kind == "dates-down":
        return [log, best]
    return [one for one in (best or log,) if one]


def _settled(layouts: list[Layout], wanted: str | None, asked: Asked) -> Layout:
    """One of two layouts that fit."""
    one, name = layouts[0], layouts[0].grid.name
    if one.kind == "dates-down" and wanted is None:
        _expect_bowls(one, asked)
    if len(layouts) == 1:
        return one
    text, then = f"{name} may have a row a weighing ({one.why}), or a column a piece: ", ""
    if one.kind == "log":
        text += f"{layouts[1].why}."
        then = "Or write headings over the columns: date, bowl, weight."
    else:
        text = f"{name} reads as well with the dates across as with the dates down: {one.masses} "
        text += "weights either way."
    asked.ask("layout", text, *(layout.kind for layout in layouts), then=then)
    return one


def _worth(layout: Layout) -> tuple[bool, int]:
    """A corner that says `bowl` or `date` counts before the number of weights."""
    return layout.sure, layout.masses


def _expect_bowls(layout: Layout, asked: Asked) -> None:
    """A column headed `weight` with no bowl's mark anywhere is not a bowl called weight."""
    grid = layout.grid
    marks = {grid.text(*slot.label) or "" for slot in layout.slots if slot.meaning == "mass"}
    if all(heading(heading_unit(mark)[1]).meaning == "mass" for mark in marks):
        asked.fault(
            f"{grid.name} has dates and the column {', '.join(sorted(marks))!r}, and nothing says "
            "which bowl was weighed. Add a column `bowl` with its mark, or write the mark over "
            "the weights in place of that heading."
        )


def _made(walk: Walk, path: Path, others: list[Grid]) -> SheetReading | None:
    """The book of a walk, and its ledger; None where a question is open."""
    looks = pd.DataFrame(walk.looks, columns=column_names("looks"))
    weighings = pd.DataFrame(walk.weighings, columns=column_names("weighings"))
    units = {
        slot.meaning: slot.unit or walk.length_unit or "mm"
        for slot in walk.layout.slots
        if slot.meaning.endswith("_mm")
    }
    named = {slot.meaning for slot in walk.layout.slots if slot.unit}
    bare = {name: unit for name, unit in units.items() if name not in named}
    units |= ask_lengths(walk.asked, walk.pieces, bare, _mass_unit(walk))
    _ask_woods(walk)
    if walk.asked.stuck:
        return None
    walk.notes += [question.text for question in walk.asked.open.values()]
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


def _ask_woods(walk: Walk) -> None:
    """Ask which wood a trade name of several means; the sheet can be read without an answer."""
    for name in dict.fromkeys(row.get("species") for row in walk.pieces.values()):
        facts = species_facts(str(name))
        if name and "; but " in facts.note:
            woods = [{str(name): wood} for wood in facts.members]
            then = "If it is not said, the mean stands."
            walk.asked.ask("species", f"{facts.note}.", *woods, then=then, needed=False)


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
    elsewhere = unused("stands in another sheet")
    cells = [(walk.grid, at, _fate(walk, at)) for at in walk.grid.filled]
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


def _fate(walk: Walk, at: Place) -> Fate:
    """What became of a cell, also of one that no slot has used."""
    fate = walk.fates.get(at)
    if (lost := walk.grid.of(at).lost) and not (fate and fate.piece):
        return unused(lost)
    if fate is not None:
        return fate
    slots = walk.layout.slots
    read = [place for slot in slots for place in (slot.date or slot.label, slot.at)]
    read += [place for place, fate in walk.layout.fates.items() if fate.use == "heading"]
    if at[0] < min(place[0] for place in read):
        return unused("stands before the first line that is read")
    if any(at[1] == slot.label[1] for slot in slots):
        return unused("a mark without anything beside it that is used")
    if find_date(walk.cell(at)) is not None:
        return unused("a date without a weight")
    return unused("stands outside the lines that are read")
