"""Where the dates, the pieces and the masses stand in a sheet."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np

from woodlab.book.wide_cells import UNITS, read_mass
from woodlab.book.wide_dates import Written, find_date
from woodlab.book.wide_grid import Grid
from woodlab.errors import WoodlabError

_PIECE_WORDS = {"piece", "pieces", "bowl", "mark", "pencil", "blank", "id", "name", "item", "stück"}
_NUMBER_WORDS = {"no", "nr", "number", "num", "nummer", "#"}
_TOTALS = re.compile(
    r"\W*(sub\W?)?(grand )?(total|sum|average|avg|mean|median|count|min|max|minimum|maximum|std|sd|"
    r"loss|summe|gesamt|mittel|mittelwert|anzahl|totaux|somme|moyenne)s?\b.*", re.I
)  # fmt: skip
_OTHER_MEASURES = re.compile(
    r"crack|moist|\bmc\b|%|\btemp|\brh\b|humid|\bwall\b|\brim\b|\bloss\b|\bnotes?\b|remark|"
    r"comment|\bdiff|change|\bmm\b|\bdays?\b", re.I
)  # fmt: skip
_UNIT_IN_BRACKETS = re.compile(r"\s*[(\[]\s*([a-z#]+)\.?\s*[)\]]\s*$", re.I)


@dataclass
class Block:
    """One line of dates and the lines of pieces that it governs, dates running across."""

    line: int
    dates: dict[int, Written]
    pieces: list[int] = field(default_factory=list)


@dataclass(frozen=True)
class Layout:
    """A reading of the grid with dates across; `turned` when they run down in the file."""

    grid: Grid
    turned: bool
    label_column: int
    blocks: list[Block]
    masses: int


def is_total(label: str) -> bool:
    """Whether a row's name says that it sums up the others.

    Examples
    --------
    >>> is_total("Total:"), is_total("Mean of 12"), is_total("Maxwell 3")
    (True, True, False)
    """
    return _TOTALS.fullmatch(label) is not None


def label_text(cell: object) -> str | None:
    """A piece's mark as text; the number 12 may stand as 12.0."""
    if cell is None:
        return None
    if isinstance(cell, float) and cell.is_integer():
        cell = int(cell)
    return str(cell).strip()


def split_unit(label: str) -> tuple[str, str | None]:
    """`A1 (kg)` -> the mark and the unit of its bare numbers.

    Examples
    --------
    >>> split_unit("A1 (lbs)"), split_unit("A1 (b)")
    (('A1', 'lb'), ('A1 (b)', None))
    """
    match = _UNIT_IN_BRACKETS.search(label)
    if match and match[1].casefold() in UNITS and match.start() > 0:
        return label[: match.start()], UNITS[match[1].casefold()]
    return label, None


def find_layout(grid: Grid, dates: str | None = None) -> Layout | None:
    """The reading of a sheet that makes most of its masses; None when there is none.

    Raises
    ------
    WoodlabError
        If it reads equally well both ways; the message says what to type.
    """
    found = [_best(grid, False), _best(grid.turned(), True)]
    if dates is not None:
        return found[dates == "down"]
    across, down = found
    if across and down and across.masses == down.masses:
        raise WoodlabError(
            f"In {grid.name} the dates may run across or down: both readings find "
            f"{across.masses} masses. Give read_wide(..., dates='across') or dates='down'."
        )
    return max((one for one in found if one), key=lambda one: one.masses, default=None)


def _best(grid: Grid, turned: bool) -> Layout | None:
    if not grid.cells or not grid.cells[0]:
        return None
    dated = [[find_date(cell) for cell in row] for row in grid.cells]
    is_date = np.array([[one is not None for one in row] for row in dated])
    sure = np.array([[one is not None and not one.serial for one in row] for row in dated])
    is_mass = np.array([[_mass_like(cell) for cell in row] for row in grid.cells]) & ~sure
    labelled = np.array([[cell is not None for cell in row] for row in grid.cells]) & ~sure
    best: tuple[int, int, int] | None = None
    for line in np.flatnonzero(is_date.any(axis=1)):
        body = is_mass[line + 1 :][:, is_date[line]]
        if best is not None and body.sum() <= best[0]:
            continue
        column = _label_column(grid, int(line), is_date[line], body.any(axis=1), labelled)
        if column is None:
            continue
        named = labelled[line + 1 :, column]
        score = int(body[named].sum())
        if score and (best is None or score > best[0]):
            best = (score, int(line), column)
    if best is None:
        return None
    score, head, column = best
    return Layout(grid, turned, column, _blocks(grid, head, column, dated), score)


def _mass_like(cell: object) -> bool:
    if cell is None:
        return False
    mass = read_mass(cell)
    return bool(np.isfinite(mass.mass_g) or mass.readings)


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
        heading = next(
            (grid.cells[r][column] for r in range(line, max(line - 3, -1), -1)
             if grid.cells[r][column] is not None), "",
        )  # fmt: skip
        words = re.findall(r"[^\W\d_]+|#", str(heading).casefold())
        named = 2 if set(words) & _PIECE_WORDS else 1 if set(words) & _NUMBER_WORDS else 0
        rank = (named, int(column < dates.argmax()), len(texts), -int(column))
        if rank > best_rank:
            best, best_rank = int(column), rank
    return best


def _blocks(grid: Grid, line: int, column: int, dated: list[list[Written | None]]) -> list[Block]:
    """The first line of dates, and any further one that starts a new block below."""
    heading = grid.cells[line][column]
    blocks = [_block(line, column, dated)]
    for r in range(line + 1, len(grid.cells)):
        label = grid.cells[r][column]
        others = [
            (cell, dated[r][c]) for c, cell in enumerate(grid.cells[r])
            if c != column and cell is not None
        ]  # fmt: skip
        of_heading = label is None or (heading is not None and label == heading)
        if of_heading and others and all(date is not None for _, date in others):
            blocks.append(_block(r, column, dated))
        else:
            blocks[-1].pieces.append(r)
    return blocks


def _block(line: int, column: int, dated: list[list[Written | None]]) -> Block:
    dates = {c: date for c, date in enumerate(dated[line]) if date is not None and c != column}
    return Block(line, dates)


def heading_unit(grid: Grid, block: Block, column: int) -> tuple[str | None, str | None]:
    """The unit that a date's headings carry, and the heading if it is not one of masses."""
    first = next((r for r in block.pieces if _mass_like(grid.cells[r][column])), block.line + 1)
    above = [
        grid.cells[block.line][column],
        *(grid.cells[r][column] for r in block.pieces if r < first),
    ]
    unit = None
    for cell in above:
        if not isinstance(cell, str):
            continue
        if _OTHER_MEASURES.search(cell):
            return None, cell.strip()
        text = cell.strip().casefold().removeprefix("mass").removeprefix("weight").strip(" _()[].")
        found = split_unit(cell.strip())[1] or UNITS.get(text)
        unit = found or unit
    return unit, None
