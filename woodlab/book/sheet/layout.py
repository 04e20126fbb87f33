"""How a sheet is laid out: where its marks, days, weights and other columns stand, and why.

Three layouts are known: `pieces-down` (dates across) and `dates-down` (pieces across) here, and
`log` (a row a weighing) in `log.py`. What is found is a list of slots, the same for all three.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pandas as pd
from openpyxl.utils import get_column_letter

from woodlab.book.sheet.cells import read_mass
from woodlab.book.sheet.dates import Week, find_date
from woodlab.book.sheet.grid import Grid, Place
from woodlab.book.sheet.words import Heading, folded, heading, is_total, vocabulary


class Fate(NamedTuple):
    """What became of a cell."""

    use: str
    piece: str = ""
    on: pd.Timestamp | None = None
    read_as: str = ""
    why: str = ""


def unused(why: str) -> Fate:
    return Fate("not used", why=why)


HEADING = Fate("heading")
TOTAL = "a total, not a weighing of a piece"


@dataclass(frozen=True)
class Slot:
    """A cell with something to read: what it means, and where its mark and its day stand."""

    at: Place
    meaning: str  # `mass`, `crack`, `note`, or a column of the table pieces
    label: Place
    date: Place | None = None
    unit: str | None = None
    ounces: Place | None = None  # where a second column holds the ounces beside the pounds


@dataclass
class Layout:
    """One reading of a grid, or of its rows before `stop`; `fates` is of cells without a slot."""

    grid: Grid
    kind: str
    why: str = ""
    slots: list[Slot] = field(default_factory=list)
    fates: dict[Place, Fate] = field(default_factory=dict)
    masses: int = 0
    sure: bool = True
    notes: list[str] = field(default_factory=list)
    stop: int | None = None

    def leave_out(self, line: int, why: str) -> None:
        """No cell of a line is read."""
        self.fates |= {(line, c): unused(why) for c in range(len(self.grid.cells[0]))}

    def heading(self, at: Place) -> Heading:
        """What the heading in a cell means, if its column can be used; if not, why not is kept."""
        text = str(self.grid.cells[at[0]][at[1]]).strip()
        found = heading_of(text)
        if found.meaning in ("", "other", "number", "piece", "mass", "on"):
            why = f"stands under the heading {text!r}, which the book has no column for"
            if is_total(text):
                why = TOTAL
            elif not found.meaning:
                why = f"stands under the unknown heading {text!r}"
                why += f"; its nearest meaning is {found.near!r}" if found.near else ""
            elif found.meaning != "other":
                why = f"stands under the heading {text!r}, and another column was read as that"
            for r in range(at[0], self.stop or len(self.grid.cells)):
                self.fates.setdefault((r, at[1]), unused(why))
            return Heading(near=found.near)
        self.fates[self.grid.origin(*at)] = HEADING
        self.note_misspelt(text, found)
        return found

    def note_misspelt(self, text: str | None, found: Heading) -> None:
        said = f"The heading {text!r} was read as {found.read!r}."
        if found.read and said not in self.notes:
            self.notes.append(said)


class _Block(NamedTuple):
    """A line of dates, their columns, and the lines of pieces that it governs."""

    line: int
    dates: list[int]
    pieces: list[int]


def mass_like(cell: object) -> bool:
    """Whether a cell may be a weight."""
    if cell is None or isinstance(cell, bool | Week):
        return False
    if isinstance(cell, str):
        return _mass_like_text(cell)
    return bool(np.isfinite(read_mass(cell).mass_g))


@lru_cache(maxsize=200_000)
def _mass_like_text(text: str) -> bool:
    mass = read_mass(text)
    return bool(np.isfinite(mass.mass_g) or mass.readings)


def heading_of(cell: object) -> Heading:
    return heading(cell.strip()) if isinstance(cell, str) and len(cell) < 60 else Heading()


def with_weeks(grid: Grid) -> Grid:
    """Numbers that follow a cell that says `week`, downwards or to the right, are weeks."""
    cells = [list(row) for row in grid.cells]
    for r, row in enumerate(grid.cells):
        for c, cell in enumerate(row):
            if not isinstance(cell, str) or folded(cell).strip(" .:") not in vocabulary("week"):
                continue
            down = [(at, c) for at in range(r + 1, len(cells))]
            for line in (down, [(r, at) for at in range(c + 1, len(row))]):
                for y, x in line:
                    typed = grid.cells[y][x]
                    number = str(typed).strip().removesuffix(".0")
                    if typed is not None and not re.fullmatch(r"[0-5]?\d", number):
                        break
                    if typed is not None:
                        cells[y][x] = week = Week(number)
                        week.word = folded(cell).strip(" .:")
    return replace(grid, cells=cells)


def wide_layout(grid: Grid) -> Layout | None:
    """Dates across, a line a piece: the line of dates under which most weights stand."""
    dated = [[find_date(cell) for cell in row] for row in grid.cells]
    is_date = np.array([[one is not None for one in row] for row in dated])
    sure = np.array([[one is not None and not one.serial for one in row] for row in dated])
    days = np.array([[one is not None and one.week is None for one in row] for row in dated])
    is_mass = np.array([[mass_like(cell) for cell in row] for row in grid.cells]) & ~sure
    labelled = np.array([[cell is not None for cell in row] for row in grid.cells]) & ~sure
    best = (0, 0, 0)
    lines = np.flatnonzero(is_date.any(axis=1)).tolist()
    for line in sorted(lines, key=lambda line: -days[line].sum()):
        body = is_mass[line + 1 :][:, is_date[line]]
        if body.sum() <= best[0]:
            continue
        column = _label_column(grid, line, is_date[line], body.any(axis=1), labelled)
        if column is not None:
            score = int(body[labelled[line + 1 :, column]].sum())
            best = max(best, (score, line, column), key=lambda one: one[0])
    score, line, column = best
    if not score:
        return None
    layout = _wide_slots(grid, column, _blocks(grid, line, column, is_date), score)
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
        meaning = heading_of(head).meaning
        named = {"piece": 3, "number": 2, "on": 2, "": 1}.get(meaning, 0)
        named = 0 if isinstance(head, str) and is_total(head) else named
        rank = (named, int(column < dates.argmax()), len(texts), -int(column))
        if rank > best_rank:
            best, best_rank = int(column), rank
    return best


def _blocks(grid: Grid, line: int, column: int, is_date: np.ndarray) -> list[_Block]:
    """The first line of dates, and any further one that starts a new block below."""
    head = grid.cells[line][column]
    blocks: list[_Block] = []
    for r in range(line, len(grid.cells)):
        label = grid.cells[r][column]
        others = [c for c, cell in enumerate(grid.cells[r]) if c != column and cell is not None]
        of_heading = label is None or (head is not None and label == head)
        if r == line or (of_heading and others and is_date[r][others].all()):
            blocks.append(
                _Block(r, [c for c in np.flatnonzero(is_date[r]).tolist() if c != column], [])
            )
        else:
            blocks[-1].pieces.append(r)
    return blocks


def _wide_slots(grid: Grid, column: int, blocks: list[_Block], score: int) -> Layout:
    layout = Layout(grid, "dates-down" if grid.turned else "pieces-down", masses=score)
    slots, fates, first = layout.slots, layout.fates, blocks[0]
    fates[first.line, column] = HEADING
    # `weight` and `crack` line by line, the bowl's mark before them: two lines a bowl
    said = next((c for c in (column + 1, column) if _are_kinds(grid, first, c)), None)
    marks = column if said is None else said - 1
    mark = first.pieces[0] if first.pieces else 0
    for block in blocks:
        kinds = {c: _under_date(grid, block, c) for c in block.dates}
        known = {marks, said, *first.dates, *block.dates}
        beside = {c: found for c in range(len(grid.cells[0])) if c not in known
                  if (found := _beside(layout, first.line, c))}  # fmt: skip
        turned = next((c for c, found in beside.items() if found[0] == "turned_on"), None)
        for r in block.pieces:
            own = heading_of(grid.cells[r][said]) if said is not None else Heading()
            if said is None or grid.text(r, marks) is not None:
                mark = r
            at = (mark, marks)
            if said is not None and own.meaning:
                fates[r, said] = HEADING
            label = grid.text(*at)
            if label is None:
                why = "no piece is named in this line (of merged cells, only .xlsx and .xls files "
                fates |= {(r, c): unused(f"{why}tell how far they reach)") for c in block.dates}
            elif grid.cells[r][column] == grid.cells[block.line][column]:
                fates |= {(r, c): HEADING for c in range(len(grid.cells[0]))}
            elif is_total(label):
                layout.leave_out(r, TOTAL)
            elif heading_of(label).meaning in ("other", "note") and label.isalpha():
                layout.leave_out(r, f"{label!r} names no bowl")
            else:
                for c, (meaning, unit, why) in kinds.items():
                    if why:
                        fates[r, c] = fates[block.line, c] = unused(why)
                    elif grid.cells[r][c] is not None and not grid.of((r, c)).copied:
                        meant, of = (
                            (own.meaning, own.unit or unit) if own.meaning else (meaning, unit)
                        )
                        slots.append(Slot((r, c), meant, at, (block.line, c), of))
                for c, (meaning, unit) in beside.items():
                    # a weight that stands under no date is that of the day of turning
                    day = (r, turned) if meaning == "mass" and turned is not None else None
                    if grid.cells[r][c] is not None:
                        slots.append(Slot((r, c), meaning, at, day, unit))
    pieces = len({grid.text(*slot.label) for slot in slots})
    lines = " and ".join(grid.line(block.line) for block in blocks[:2])
    named = f"row {column + 1}" if grid.turned else f"column {get_column_letter(column + 1)}"
    layout.why = (
        f"{lines} {'holds' if len(blocks) == 1 else 'hold'} "
        f"{sum(len(block.dates) for block in blocks)} dates, {named} names {pieces} pieces"
    )
    corner = heading_of(grid.cells[first.line][column])
    layout.sure = corner.meaning in ("piece", "number", "on")
    return layout


def _are_kinds(grid: Grid, block: _Block, column: int) -> bool:
    """Whether a column says line by line what the line holds: weight, crack, remark."""
    if not 0 < column < len(grid.cells[0]) or column in block.dates:
        return False
    said = [heading_of(grid.cells[r][column]).meaning for r in block.pieces]
    return sum(one in ("mass", "crack", "note") for one in said) > len(said) / 2


def _under_date(grid: Grid, block: _Block, column: int) -> tuple[str, str | None, str]:
    """What the cells under a date are: meaning, unit, or why they are not read."""
    first = next((r for r in block.pieces if mass_like(grid.cells[r][column])), block.line + 1)
    above = [
        grid.cells[block.line][column],
        *(grid.cells[r][column] for r in block.pieces if r < first),
    ]
    unit = None
    for cell in above:
        if not isinstance(cell, str):
            continue
        found = heading_of(cell)
        if found.meaning == "crack":
            return "crack", found.unit, ""
        if found.meaning == "other" or found.meaning.endswith("_mm"):
            return "", None, f"its heading {cell.strip()!r} is not of weights"
        unit = found.unit or unit
    return "mass", unit, ""


def _beside(layout: Layout, line: int, column: int) -> tuple[str, str | None] | None:
    """The meaning of a column beside the dates, by its heading, and its unit."""
    cells = layout.grid.cells
    at = next((r for r in range(line, max(line - 2, -1), -1) if cells[r][column]), None)
    if at is None:
        return None
    found = heading_of(cells[at][column])
    if found.meaning == "mass":
        layout.fates[layout.grid.origin(at, column)] = HEADING
        return "mass", found.unit
    found = layout.heading((at, column))
    return (found.meaning, found.unit) if found.meaning else None
