"""The layout of a log: a row a weighing, its columns in any order, with headings or without."""

from __future__ import annotations

from collections import Counter

from openpyxl.utils import get_column_letter

from woodlab.book.sheet.dates import find_date
from woodlab.book.sheet.grid import Grid, stacked
from woodlab.book.sheet.layout import (
    HEADING,
    TOTAL,
    Layout,
    Slot,
    heading_of,
    mass_like,
    unused,
)
from woodlab.book.sheet.words import Heading, is_total
from woodlab.book.tables import column_names


def log_layout(
    grid: Grid, mark: int | None = None, lines: tuple[int, int] | None = None
) -> Layout | None:
    """A row a weighing, within `lines`. `mark` is a column of marks behind those of the sheet."""
    start, stop = lines or (0, len(grid.cells))
    head, names = _headings(grid, start, stop, mark)
    rows, columns = range(max(head + 1, start), stop), range(len(grid.cells[0]))
    means = [one.meaning for one in names]
    found = {c: [one for r in rows if (one := find_date(grid.cells[r][c]))] for c in columns}
    dates = {c: sum(2 - (one.week is not None) for one in found[c]) for c in columns}
    masses = {c: sum(mass_like(grid.cells[r][c]) for r in rows) for c in columns}

    def column(meaning: str, counts: dict[int, int], taken: set[int]) -> int | None:
        named = [c for c in columns if means[c] == meaning and c not in taken]
        free = named or [c for c in columns if not means[c] and c not in taken]
        # of two columns of numbers, the weights are the one that seldom repeats; of pounds and
        # ounces, the pounds come first
        free = [c for c in named if names[c].unit == "lb"] or free
        best = max(
            free,
            key=lambda c: (counts[c], -c if named else len({grid.text(r, c) for r in rows})),
            default=None,
        )
        return best if best is not None and counts[best] else None

    on = column("on", dates, set())
    if on is None:
        return None
    marks = [c for wanted in ("piece", "number") for c in columns if means[c] == wanted]
    marks = marks if mark is None else [mark]
    mass = column("mass", masses, {on, *marks[:1]})
    if mass is None:
        return None
    filled = [r for r in rows if mass_like(grid.cells[r][mass])]
    told = mark is not None or (bool(marks) and means[mass] == "mass")
    if not marks:  # found by what stands there: marks come again and again
        free = [c for c in columns if not means[c] and c not in (on, mass)]
        marks = [c for c in free if _repeats([grid.text(r, c) for r in filled])]
        if not marks and means[mass] == "mass" and len(free) == 1:
            marks = free
    if not marks or not filled:
        return None
    if not told and not _repeats([grid.text(r, marks[0]) for r in filled]):
        return None
    layout = Layout(grid, "log", sure=told, stop=stop)
    _slots(layout, rows, names, (on, marks[0], mass))
    if told:
        _more_pairs(layout, rows, names, (on, marks[0], mass))
    return layout if layout.masses else None


def is_of_one_bowl(grid: Grid) -> bool:
    """Whether a sheet holds days and weights, and nothing that says of which bowl."""
    head, names = _headings(grid, 0, len(grid.cells))
    said = {one.meaning for one in names}
    if head >= 0:
        return {"on", "mass"} <= said and not {"piece", "number"} & said
    rows = [[cell for cell in row if cell is not None] for row in grid.cells]
    return all(
        len(row) == 2 and find_date(row[0]) is not None and mass_like(row[1]) for row in rows if row
    )


def tabs_layout(grids: list[Grid]) -> Layout | None:
    """A sheet for each bowl, with days and weights and no mark: the sheet's name is the mark."""
    mark = max(len(grid.cells[0]) for grid in grids)
    grid = stacked(grids, mark)
    whole = Layout(grid, "log", why=f"{len(grids)} sheets hold days and weights of one bowl each")
    stops = [*(start for _, start in grid.tabs[1:]), len(grid.cells)]
    for (_, start), stop in zip(grid.tabs, stops, strict=True):
        layout = log_layout(grid, mark, (start, stop))
        if layout is None:
            return None
        for r in range(start, _headings(grid, start, stop, mark)[0]):  # `Wood: ash` above
            for c, cell in enumerate(grid.cells[r][: mark - 1]):
                said = heading_of(cell)
                if said.meaning in column_names("pieces") and grid.cells[r][c + 1] is not None:
                    layout.fates[r, c] = HEADING
                    whole.slots.append(Slot((r, c + 1), said.meaning, (r, mark), None, said.unit))
        whole.slots += layout.slots
        whole.fates |= layout.fates
        whole.notes += [note for note in layout.notes if note not in whole.notes]
        whole.masses += layout.masses
    return whole


def _repeats(texts: list[str | None]) -> bool:
    known = [text for text in texts if text]
    return len(known) > 1 and len(known) >= 0.5 * len(texts) and len(set(known)) < len(known)


def _headings(
    grid: Grid, start: int, stop: int, last: int | None = None
) -> tuple[int, list[Heading]]:
    """The row of headings, -1 where there is none, and what each column before `last` means."""
    best, best_count = -1, 1
    for r in range(start, min(start + 20, stop)):
        row = grid.cells[r]
        found = {heading_of(cell).meaning for cell in row[:last] if isinstance(cell, str)} - {""}
        dated = any(find_date(cell) is not None for cell in row)
        if not dated and len(found) > best_count and {"mass", "on", "piece"} & found:
            best, best_count = r, len(found)
    names = [heading_of(cell) for cell in (grid.cells[best][:last] if best >= 0 else [])]
    return best, names + [Heading()] * (max(map(len, grid.cells), default=0) - len(names))


def _slots(
    layout: Layout, rows: range, names: list[Heading], columns: tuple[int, int, int]
) -> None:
    """A slot for each weight, and for what stands beside it under a known heading."""
    grid, head, (on, mark, mass) = layout.grid, rows.start - 1, columns
    told = any(one.meaning for one in names)
    ounces = None
    if names[mass].unit == "lb":  # a column with the ounces beside the pounds
        ounces = next((c for c, one in enumerate(names) if one.unit == "oz" and c != mass), None)
    beside: dict[int, Heading] = {}
    for c, name in enumerate(names) if told else ():
        if c in (*columns, ounces):
            layout.fates[head, c] = HEADING
            layout.note_misspelt(grid.text(head, c), name)
        elif grid.cells[head][c] is not None:
            beside[c] = layout.heading((head, c))
    beside = {c: found for c, found in beside.items() if found.meaning}
    above: dict[int, int] = {}
    carried: Counter[str] = Counter()
    for r in rows:
        label = grid.text(r, mark)
        if label is not None and is_total(label):
            layout.leave_out(r, TOTAL)
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
            layout.fates |= {(r, c): unused("no piece is named in this row") for c in values}
            continue
        day = (above[on], on) if on in above else None
        for c in values:
            meaning = "mass" if c == mass else beside[c].meaning
            oz = (r, ounces) if c == mass and ounces is not None else None
            layout.slots.append(Slot((r, c), meaning, (above[mark], mark), day, names[c].unit, oz))
    for what, count in carried.items():
        number = f"{count} row{'' if count == 1 else 's'}"
        layout.notes.append(f"{number} without a {what}: the {what} above stands for it.")
    letters = ", ".join(map(_letter, columns))
    layout.why = f"columns {letters} hold days, repeated marks and weights"
    if layout.sure:
        text = [repr(grid.text(head, c)) if told else _letter(c) for c in columns]
        layout.why = f"row {head + 1} has the headings {', '.join(text)}"
    weights = (slot.at for slot in layout.slots if slot.meaning == "mass")
    layout.masses = sum(mass_like(grid.cells[r][c]) for r, c in weights)


def _letter(column: int) -> str:
    return str(get_column_letter(column + 1))


def _more_pairs(
    layout: Layout, rows: range, names: list[Heading], columns: tuple[int, int, int]
) -> None:
    """`date 1, weight 1, date 2, weight 2`: further weighings in the same row."""
    grid, (on, mark, mass) = layout.grid, columns
    days = [c for c, one in enumerate(names) if one.meaning == "on" and c != on]
    masses = [c for c, one in enumerate(names)
              if one.meaning == "mass" and c != mass and one.unit != "oz"]  # fmt: skip
    if masses and len(days) != len(masses):
        left = ", ".join(map(_letter, masses))
        layout.notes.append(
            f"Several columns are headed as weights: {_letter(mass)} was read, not {left}."
        )
        return
    for pair in zip(days, masses, strict=False):
        layout.fates |= {(rows.start - 1, c): HEADING for c in pair}
        for r in rows:
            day, weight = at = [(r, c) for c in pair]
            for place in at:
                layout.fates.pop(place, None)
            if grid.cells[r][pair[1]] is not None and grid.cells[r][mark] is not None:
                unit = names[pair[1]].unit
                layout.slots.append(Slot(weight, "mass", (r, mark), day, unit))
