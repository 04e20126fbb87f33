"""How a sheet is laid out: where its marks, days, weights and other columns stand, and why.

Three layouts are known: `pieces-down` (dates across), `dates-down` (pieces across) and `log` (a
row a weighing). Each is tried; what was found is a list of slots, and the same for all three.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from woodlab.book.sheet.cells import read_mass
from woodlab.book.sheet.dates import Written, find_date
from woodlab.book.sheet.grid import Grid, column_letter
from woodlab.book.sheet.words import Heading, give, heading, heading_unit, is_total
from woodlab.errors import WoodlabError

LAYOUTS = ("pieces-down", "dates-down", "log")
Place = tuple[int, int]


@dataclass(frozen=True)
class Slot:
    """A cell with something to read: what it means, and where its mark and its day stand."""

    at: Place
    meaning: str  # `mass`, `crack`, `note`, or a column of the table pieces
    label: Place
    date: Place | None = None
    unit: str | None = None


@dataclass(frozen=True)
class Layout:
    """One reading of a grid. `reasons` says of cells without a slot why they have none."""

    grid: Grid
    kind: str
    why: str
    slots: list[Slot]
    headings: set[Place]
    reasons: dict[Place, str]
    masses: int
    sure: bool = True
    notes: list[str] = field(default_factory=list)


@dataclass
class _Block:
    """One line of dates and the lines of pieces that it governs, dates running across."""

    line: int
    dates: dict[int, Written]
    pieces: list[int] = field(default_factory=list)


def find_layout(grid: Grid, wanted: str | None = None) -> Layout | None:
    """The layout of a sheet that makes sense of its weights; None when there is none.

    Raises
    ------
    WoodlabError
        If two layouts fit, or no bowl is named; the message says what to type.
    """
    if not grid.cells or not grid.cells[0]:
        return None
    if wanted == "log":
        return _log(grid)
    across, down = _wide(grid), _wide(grid.turn())
    if wanted is not None:
        return down if wanted == "dates-down" else across
    log = _log(grid)
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


def _mass_like(cell: object) -> bool:
    if cell is None or isinstance(cell, bool):
        return False
    mass = read_mass(cell)
    return bool(np.isfinite(mass.mass_g) or mass.readings)


def _heading(cell: object) -> Heading:
    return heading(cell.strip()) if isinstance(cell, str) and len(cell) < 60 else Heading()


# -- pieces down and dates across, or the same turned -------------------------------------------


def _wide(grid: Grid) -> Layout | None:
    dated = [[find_date(cell) for cell in row] for row in grid.cells]
    is_date = np.array([[one is not None for one in row] for row in dated])
    sure = np.array([[one is not None and not one.serial for one in row] for row in dated])
    is_mass = np.array([[_mass_like(cell) for cell in row] for row in grid.cells]) & ~sure
    labelled = np.array([[cell is not None for cell in row] for row in grid.cells]) & ~sure
    best: tuple[int, int, int] | None = None
    for line in map(int, np.flatnonzero(is_date.any(axis=1))):
        body = is_mass[line + 1 :][:, is_date[line]]
        if best is not None and body.sum() <= best[0]:
            continue
        column = _label_column(grid, line, is_date[line], body.any(axis=1), labelled)
        if column is None:
            continue
        score = int(body[labelled[line + 1 :, column]].sum())
        if score and (best is None or score > best[0]):
            best = (score, line, column)
    if best is None:
        return None
    score, line, column = best
    layout = _wide_slots(grid, column, _blocks(grid, line, column, dated), score)
    return layout if any(slot.meaning == "mass" for slot in layout.slots) else None


def _label_column(
    grid: Grid, line: int, dates: np.ndarray, weighed: np.ndarray, labelled: np.ndarray
) -> int | None:
    """The column with the marks: named so, or left of the dates with the most different texts."""
    rows = np.flatnonzero(weighed) + line + 1
    best, best_rank = None, (-1, -1, -1, -1)
    for column in np.flatnonzero(~dates):
        texts = {str(grid.cells[r][column]) for r in rows if labelled[r, column]}
        if not texts:
            continue
        head = next(
            (grid.cells[r][column] for r in range(line, max(line - 3, -1), -1)
             if grid.cells[r][column] is not None), "",
        )  # fmt: skip
        meaning = _heading(head).meaning
        named = {"piece": 3, "number": 2, "on": 2, "": 1}.get(meaning, 0)
        named = 0 if isinstance(head, str) and is_total(head) else named
        rank = (named, int(column < dates.argmax()), len(texts), -int(column))
        if rank > best_rank:
            best, best_rank = int(column), rank
    return best


def _blocks(grid: Grid, line: int, column: int, dated: list[list[Written | None]]) -> list[_Block]:
    """The first line of dates, and any further one that starts a new block below."""
    head = grid.cells[line][column]
    blocks = [_block(line, column, dated)]
    for r in range(line + 1, len(grid.cells)):
        label = grid.cells[r][column]
        others = [
            (cell, dated[r][c]) for c, cell in enumerate(grid.cells[r])
            if c != column and cell is not None
        ]  # fmt: skip
        of_heading = label is None or (head is not None and label == head)
        if of_heading and others and all(date is not None for _, date in others):
            blocks.append(_block(r, column, dated))
        else:
            blocks[-1].pieces.append(r)
    return blocks


def _block(line: int, column: int, dated: list[list[Written | None]]) -> _Block:
    return _Block(
        line, {c: date for c, date in enumerate(dated[line]) if date is not None and c != column}
    )


def _wide_slots(grid: Grid, column: int, blocks: list[_Block], score: int) -> Layout:
    slots: list[Slot] = []
    reasons: dict[Place, str] = {}
    headings: set[Place] = {(blocks[0].line, column)}
    notes: list[str] = []
    first = blocks[0]
    for block in blocks:
        kinds = {c: _under_date(grid, block, c) for c in block.dates}
        beside = {
            c: found
            for c in range(len(grid.cells[0]))
            if c != column and c not in first.dates and c not in block.dates
            if (found := _beside(grid, first.line, c, headings, reasons, notes))
        }
        for r in block.pieces:
            label = grid.text(r, column)
            if label is not None and grid.cells[r][column] == grid.cells[block.line][column]:
                headings |= {(r, c) for c in range(len(grid.cells[0]))}
                continue
            if label is None:
                for c in block.dates:
                    reasons[r, c] = (
                        "no piece is named in this line (of merged cells, only .xlsx and .xls "
                        "files tell how far they reach)"
                    )
                continue
            if is_total(label):
                for c in range(len(grid.cells[0])):
                    reasons[r, c] = "a total, not a weighing of a piece"
                continue
            for c, (meaning, unit, why) in kinds.items():
                if why:
                    reasons[r, c] = reasons[block.line, c] = why
                elif grid.cells[r][c] is not None and (r, c) not in grid.copied:
                    slots.append(Slot((r, c), meaning, (r, column), (block.line, c), unit))
            turned = next((c for c, found in beside.items() if found[0] == "turned_on"), None)
            for c, (meaning, unit) in beside.items():
                # a weight that stands under no date is that of the day of turning
                day = (r, turned) if meaning == "mass" and turned is not None else None
                if grid.cells[r][c] is not None:
                    slots.append(Slot((r, c), meaning, (r, column), day, unit))
    kind = "dates-down" if grid.turned else "pieces-down"
    pieces = len({grid.text(*slot.label) for slot in slots})
    lines = " and ".join(grid.line(block.line) for block in blocks[:2])
    marks = f"row {column + 1}" if grid.turned else f"column {column_letter(column)}"
    why = (
        f"{lines} {'holds' if len(blocks) == 1 else 'hold'} "
        f"{sum(len(block.dates) for block in blocks)} dates, {marks} names {pieces} pieces"
    )
    corner = _heading(grid.cells[first.line][column]).meaning in ("piece", "number", "on")
    return Layout(grid, kind, why, slots, headings, reasons, score, corner, notes)


def _under_date(grid: Grid, block: _Block, column: int) -> tuple[str, str | None, str]:
    """What the cells under a date are: meaning, unit, or why they are not read."""
    first = next((r for r in block.pieces if _mass_like(grid.cells[r][column])), block.line + 1)
    above = [
        grid.cells[block.line][column],
        *(grid.cells[r][column] for r in block.pieces if r < first),
    ]
    unit = None
    for cell in above:
        if not isinstance(cell, str):
            continue
        found = _heading(cell)
        if found.meaning == "crack":
            return "crack", found.unit, ""
        if found.meaning == "other" or found.meaning.endswith("_mm"):
            return "", None, f"its heading {cell.strip()!r} is not of weights"
        unit = found.unit or unit
    return "mass", unit, ""


def _beside(
    grid: Grid,
    line: int,
    column: int,
    headings: set[Place],
    reasons: dict[Place, str],
    notes: list[str],
) -> tuple[str, str | None] | None:
    """The meaning of a column beside the dates, by its heading."""
    at = next((r for r in range(line, max(line - 2, -1), -1) if grid.cells[r][column]), None)
    if at is None:
        return None
    found = _known(grid, (at, column), headings, reasons, notes)
    if _heading(grid.cells[at][column]).meaning == "mass":
        headings.add(grid.origin(at, column))
        return "mass", _heading(grid.cells[at][column]).unit
    if not found.meaning:
        for r in range(line + 1, len(grid.cells)):
            reasons.setdefault((r, column), reasons[at, column])
        return None
    return found.meaning, found.unit


def _known(
    grid: Grid,
    at: Place,
    headings: set[Place],
    reasons: dict[Place, str],
    notes: list[str],
) -> Heading:
    """The heading in a cell, if its column can be used; else the reason why not is kept."""
    text = str(grid.cells[at[0]][at[1]]).strip()
    found = _heading(text)
    if found.meaning in ("", "other", "number", "piece", "mass", "on"):
        why = f"stands under the heading {text!r}, which the book has no column for"
        if is_total(text):
            why = "a total, not a weighing of a piece"
        elif not found.meaning:
            why = f"stands under the unknown heading {text!r}"
            why += f"; its nearest meaning is {found.near!r}" if found.near else ""
        elif found.meaning != "other":
            why = f"stands under the heading {text!r}, and another column was read as that"
        reasons[at] = why
        return Heading(near=found.near)
    headings.add(grid.origin(*at))
    if found.read and (said := f"The heading {text!r} was read as {found.read!r}.") not in notes:
        notes.append(said)
    return found


# -- a row a weighing -----------------------------------------------------------------------------


def _log(grid: Grid) -> Layout | None:
    head, names = _log_headings(grid)
    rows = range(head + 1, len(grid.cells))
    columns = range(len(grid.cells[0]))
    dates = {c: sum(find_date(grid.cells[r][c]) is not None for r in rows) for c in columns}
    masses = {c: sum(_mass_like(grid.cells[r][c]) for r in rows) for c in columns}

    def column(meaning: str, counts: dict[int, int], taken: set[int]) -> int | None:
        named = [c for c, found in names.items() if found.meaning == meaning and c not in taken]
        free = named or [c for c in columns if not _meaning(names, c) and c not in taken]
        # of two columns of numbers, the weights are the one that seldom repeats
        best = max(
            free, key=lambda c: (counts[c], len({grid.text(r, c) for r in rows})), default=None
        )
        return best if best is not None and counts[best] else None

    on = column("on", dates, set())
    if on is None:
        return None
    marks = [c for wanted in ("piece", "number") for c in columns if _meaning(names, c) == wanted]
    mass = column("mass", masses, {on, *marks[:1]})
    if mass is None:
        return None
    filled = [r for r in rows if _mass_like(grid.cells[r][mass])]
    told = bool(marks) and _meaning(names, mass) == "mass"
    if not marks:  # found by what stands there: marks come again and again
        free = [c for c in columns if not _meaning(names, c) and c not in (on, mass)]
        marks = [c for c in free if _repeats([grid.text(r, c) for r in filled])]
        if not marks and _meaning(names, mass) == "mass" and len(free) == 1:
            marks = free
    if not marks or not filled:
        return None
    if not told and not _repeats([grid.text(r, marks[0]) for r in filled]):
        return None
    return _log_slots(grid, head, names, (on, marks[0], mass), told)


def _meaning(names: dict[int, Heading], column: int) -> str:
    return names[column].meaning if column in names else ""


def _repeats(texts: list[str | None]) -> bool:
    known = [text for text in texts if text]
    return len(known) > 1 and len(known) >= 0.5 * len(texts) and len(set(known)) < len(known)


def _log_headings(grid: Grid) -> tuple[int, dict[int, Heading]]:
    """The row of headings, -1 where there is none, and what they mean by column."""
    best, best_count = -1, 1
    for r, row in enumerate(grid.cells[:20]):
        found = {_heading(cell).meaning for cell in row if isinstance(cell, str)} - {""}
        dated = any(find_date(cell) is not None for cell in row)
        if not dated and len(found) > best_count and {"mass", "on", "piece"} & found:
            best, best_count = r, len(found)
    if best < 0:
        return best, {}
    return best, {c: _heading(cell) for c, cell in enumerate(grid.cells[best]) if cell is not None}


def _log_slots(
    grid: Grid, head: int, names: dict[int, Heading], columns: tuple[int, int, int], told: bool
) -> Layout:
    on, mark, mass = columns
    headings = {(head, c) for c in columns} if head >= 0 else set()
    reasons: dict[Place, str] = {}
    notes: list[str] = []
    beside: dict[int, Heading] = {}
    for c in range(len(grid.cells[0])):
        if c in columns:
            if c in names and names[c].read:
                notes.append(f"The heading {grid.text(head, c)!r} was read as {names[c].read!r}.")
        elif c in names:
            found = _known(grid, (head, c), headings, reasons, notes)
            if found.meaning:
                beside[c] = found
            else:
                for r in range(head + 1, len(grid.cells)):
                    reasons.setdefault((r, c), reasons[head, c])
    slots: list[Slot] = []
    above: dict[int, int] = {}
    carried: Counter[str] = Counter()
    for r in range(head + 1, len(grid.cells)):
        label = grid.text(r, mark)
        if label is not None and is_total(label):
            for c in range(len(grid.cells[0])):
                reasons[r, c] = "a total, not a weighing of a piece"
            continue
        values = [c for c in (mass, *beside) if grid.cells[r][c] is not None]
        if not values:
            continue
        for c, what in ((on, "day"), (mark, "mark")):
            if grid.cells[r][c] is not None:
                above[c] = r
            elif c in above:
                carried[what] += 1
        if mark not in above:
            for c in values:
                reasons[r, c] = "no piece is named in this row"
            continue
        day = (above[on], on) if on in above else None
        for c in values:
            meaning = "mass" if c == mass else beside[c].meaning
            unit = names[c].unit if c in names else None
            slots.append(Slot((r, c), meaning, (above[mark], mark), day, unit))
    for what, count in carried.items():
        notes.append(f"{count} rows without a {what} of their own take the {what} above them.")
    text = [f"{grid.text(head, c)!r}" if head >= 0 else column_letter(c) for c in columns]
    why = (
        f"row {head + 1} has the headings {', '.join(text)}" if told
        else f"columns {', '.join(column_letter(c) for c in columns)} hold days, marks that come "
        "again, and weights"
    )  # fmt: skip
    score = sum(_mass_like(grid.cells[s.at[0]][s.at[1]]) for s in slots if s.meaning == "mass")
    return Layout(grid, "log", why, slots, headings, reasons, score, told, notes)
