"""The layout of a log: a row a weighing, its columns in any order, with headings or without."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

from openpyxl.utils import get_column_letter

from woodlab.book.sheet.dates import find_date
from woodlab.book.sheet.grid import Grid, stacked
from woodlab.book.sheet.layout import TOTAL, Layout, Place, Slot, heading_of, mass_like
from woodlab.book.sheet.words import Heading, is_total
from woodlab.book.tables import column_names


def log_layout(grid: Grid, mark: int | None = None) -> Layout | None:
    """A row a weighing. `mark` is a column of marks behind those of the sheet."""
    head, names = _log_headings(grid, mark)
    rows = range(head + 1, len(grid.cells))
    columns = range(len(grid.cells[0]))
    found = {c: [one for r in rows if (one := find_date(grid.cells[r][c]))] for c in columns}
    dates = {c: sum(2 - (one.week is not None) for one in found[c]) for c in columns}
    masses = {c: sum(mass_like(grid.cells[r][c]) for r in rows) for c in columns}

    def column(meaning: str, counts: dict[int, int], taken: set[int]) -> int | None:
        named = [c for c, found in names.items() if found.meaning == meaning and c not in taken]
        free = named or [c for c in columns if not _meaning(names, c) and c not in taken]
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
    marks = [c for wanted in ("piece", "number") for c in columns if _meaning(names, c) == wanted]
    marks = marks if mark is None else [mark]
    mass = column("mass", masses, {on, *marks[:1]})
    if mass is None:
        return None
    filled = [r for r in rows if mass_like(grid.cells[r][mass])]
    told = mark is not None or (bool(marks) and _meaning(names, mass) == "mass")
    if not marks:  # found by what stands there: marks come again and again
        free = [c for c in columns if not _meaning(names, c) and c not in (on, mass)]
        marks = [c for c in free if _repeats([grid.text(r, c) for r in filled])]
        if not marks and _meaning(names, mass) == "mass" and len(free) == 1:
            marks = free
    if not marks or not filled:
        return None
    if not told and not _repeats([grid.text(r, marks[0]) for r in filled]):
        return None
    layout = _log_slots(grid, head, names, (on, marks[0], mass), told)
    if told:
        _more_pairs(layout, names, (on, marks[0], mass), head)
    return layout if layout.masses else None


def is_of_one_bowl(grid: Grid) -> bool:
    """Whether a sheet holds days and weights, and nothing that says of which bowl."""
    head, names = _log_headings(grid)
    said = {one.meaning for one in names.values()}
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
    for (_, start), own in zip(grid.tabs, grids, strict=True):
        alone = stacked([own], mark)
        head, _ = _log_headings(own)
        layout = log_layout(alone, mark)
        if layout is None:
            return None
        for r, row in enumerate(alone.cells[: max(head, 0)]):  # `Wood: ash` above the weights
            for c, cell in enumerate(row[: mark - 1]):
                said = heading_of(cell)
                if said.meaning in column_names("pieces") and row[c + 1] is not None:
                    layout.headings.add((r, c))
                    layout.slots.append(Slot((r, c + 1), said.meaning, (r, mark), None, said.unit))
        whole.slots += [
            replace(
                slot, at=_below(slot.at, start), label=(start, mark),
                date=slot.date and _below(slot.date, start),
                ounces=slot.ounces and _below(slot.ounces, start),
            )
            for slot in layout.slots
        ]  # fmt: skip
        whole.headings |= {_below(at, start) for at in layout.headings}
        whole.reasons |= {_below(at, start): why for at, why in layout.reasons.items()}
        whole.notes += [note for note in layout.notes if note not in whole.notes]
        whole.masses += layout.masses
    return whole


def _below(at: Place, start: int) -> Place:
    return at[0] + start, at[1]


def _letter(column: int) -> str:
    return str(get_column_letter(column + 1))


def _ounces(names: dict[int, Heading], mass: int) -> int | None:
    """The column with the ounces beside pounds."""
    if mass not in names or names[mass].unit != "lb":
        return None
    return next((c for c, one in names.items() if one.unit == "oz" and c != mass), None)


def _meaning(names: dict[int, Heading], column: int) -> str:
    return names[column].meaning if column in names else ""


def _repeats(texts: list[str | None]) -> bool:
    known = [text for text in texts if text]
    return len(known) > 1 and len(known) >= 0.5 * len(texts) and len(set(known)) < len(known)


def _log_headings(grid: Grid, last: int | None = None) -> tuple[int, dict[int, Heading]]:
    """The row of headings, -1 where there is none, and what they mean by column before `last`."""
    best, best_count = -1, 1
    for r, row in enumerate(grid.cells[:20]):
        found = {heading_of(cell).meaning for cell in row[:last] if isinstance(cell, str)} - {""}
        dated = any(find_date(cell) is not None for cell in row)
        if not dated and len(found) > best_count and {"mass", "on", "piece"} & found:
            best, best_count = r, len(found)
    if best < 0:
        return best, {}
    return best, {
        c: heading_of(cell) for c, cell in enumerate(grid.cells[best][:last]) if cell is not None
    }


def _log_slots(
    grid: Grid, head: int, names: dict[int, Heading], columns: tuple[int, int, int], told: bool
) -> Layout:
    on, mark, mass = columns
    layout = Layout(grid, "log", sure=told)
    layout.headings |= {(head, c) for c in columns} if head >= 0 else set()
    beside: dict[int, Heading] = {}
    for c in range(len(grid.cells[0])):
        if c in columns and c in names:
            layout.note_misspelt(grid.text(head, c), names[c])
        elif c not in columns and c in names and c != _ounces(names, mass):
            found = layout.heading((head, c))
            if found.meaning:
                beside[c] = found
    above: dict[int, int] = {}
    carried: Counter[str] = Counter()
    ounces = _ounces(names, mass)
    if ounces is not None:
        layout.headings.add((head, ounces))
    for r in range(head + 1, len(grid.cells)):
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
            layout.reasons |= dict.fromkeys(
                ((r, c) for c in values), "no piece is named in this row"
            )
            continue
        day = (above[on], on) if on in above else None
        for c in values:
            meaning = "mass" if c == mass else beside[c].meaning
            unit = names[c].unit if c in names else None
            oz = (r, ounces) if c == mass and ounces is not None else None
            layout.slots.append(Slot((r, c), meaning, (above[mark], mark), day, unit, oz))
    for what, count in carried.items():
        rows = f"{count} row{'' if count == 1 else 's'}"
        layout.notes.append(f"{rows} without a {what}: the {what} above stands for it.")
    text = [f"{grid.text(head, c)!r}" if head >= 0 else _letter(c) for c in columns]
    layout.why = (
        f"row {head + 1} has the headings {', '.join(text)}" if told
        else f"columns {', '.join(map(_letter, columns))} hold days, repeated marks and weights"
    )  # fmt: skip
    weights = (slot.at for slot in layout.slots if slot.meaning == "mass")
    layout.masses = sum(mass_like(grid.cells[r][c]) for r, c in weights)
    return layout


def _more_pairs(
    layout: Layout, names: dict[int, Heading], columns: tuple[int, int, int], head: int
) -> None:
    """`date 1, weight 1, date 2, weight 2`: further weighings in the same row."""
    grid, (on, mark, mass) = layout.grid, columns
    days = [c for c in names if names[c].meaning == "on" and c != on]
    masses = [
        c for c in names if names[c].meaning == "mass" and c != mass and names[c].unit != "oz"
    ]
    if not masses:
        return
    if len(days) != len(masses):
        left = ", ".join(map(_letter, masses))
        layout.notes.append(
            f"Several columns are headed as weights: {_letter(mass)} was read, not {left}."
        )
        return
    for day, weight in zip(days, masses, strict=True):
        layout.headings.update({(head, day), (head, weight)})
        for r in range(head + 1, len(grid.cells)):
            for at in ((r, day), (r, weight)):
                layout.reasons.pop(at, None)
            if grid.cells[r][weight] is not None and grid.cells[r][mark] is not None:
                unit = names[weight].unit
                layout.slots.append(Slot((r, weight), "mass", (r, mark), (r, day), unit))
