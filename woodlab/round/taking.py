"""A filled round into the book: weights, looks and ends as one step, or nothing.

The bands are those that stand in the round: it was made from the fits on its day. So nothing is
fitted here, and taking a round back is quick; the book's own checks of new rows hold beside them.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import pandas as pd

from woodlab import words
from woodlab.book.reading import cells_of
from woodlab.book.record_book import RecordBook, open_book
from woodlab.book.writing.adding import put_rows
from woodlab.drying.forecast.cracks import crack_states, ended
from woodlab.errors import WoodlabError, as_path
from woodlab.round.core import ENDS, Question, questions, weight_text
from woodlab.round.filled import Filled, Line, read_filled
from woodlab.safe_write import behind, locked
from woodlab.show import Card, Shown

LEDGER = "rounds"  # rounds.csv in a folder, a sheet of that name in a workbook
LEDGER_HEADS = ("round_id", "on", "taken_at", "weighings", "looks", "sha256", "who", "pieces")
ANSWERS = ("ask", "mend", "keep", "leave")


@dataclass(frozen=True, eq=False, repr=False)
class AddedRound(Shown):
    """What of a round goes into the book, or went.

    Attributes
    ----------
    weighings, looks, ends : DataFrame
        The rows; of `ends` `piece`, `ended_on`, `outcome`, `finished_wall_mm`.
    notes : tuple of str
        What was not measured, was left out, or has no place in the book.
    id, on : str
    lines : tuple of str
        A line a bowl, as it was taken.
    """

    weighings: pd.DataFrame
    looks: pd.DataFrame
    ends: pd.DataFrame
    notes: tuple[str, ...]
    id: str
    on: str
    lines: tuple[str, ...]

    @property
    def pieces(self) -> list[str]:
        """The bowls of which something is taken."""
        marks = pd.concat([self.weighings["piece"], self.looks["piece"], self.ends["piece"]])
        return words.in_order(marks.unique())

    def card(self) -> Card:
        parts = {"weight": self.weighings, "look": self.looks, "end": self.ends}
        counts = [words.count(len(rows), noun) for noun, rows in parts.items()
                  if len(rows) or noun != "end"]  # fmt: skip
        head = f"Round {self.id} of {words.day(self.on)}: {', '.join(counts)}."
        rows = tuple(tuple(line.split(": ", 1)) for line in self.lines)
        return Card((head, *self.notes), ("piece", "taken"), (False, False), rows, "As taken")


def add_round(
    path: str | Path, file: str | Path, *, odd: str = "ask", sure: bool = False
) -> AddedRound:
    """Take a filled round back into the book it was made from, whole or not at all.

    Two people may each fill in a part: both files are taken, no bowl twice.

    Parameters
    ----------
    path : path
        The book: a folder of CSV files, or an .xlsx workbook.
    file : path
        The filled round: `round.xlsx`, or the page's export (.csv).
    odd : {"ask", "mend", "keep", "leave"}
        What to do about weights outside their bands: `ask` refuses and lists the questions;
        `mend` puts swapped weights right, takes slips of the decimal point away and reads an
        unknown mark as the one that it is near to; `keep` takes them as typed; `leave` leaves them
        out, and says which. A mark near to none can only be left.
    sure : bool
        Take rows that the book itself would refuse as slips, as for `add_weighings`.

    Returns
    -------
    AddedRound

    Raises
    ------
    RecordError
        If the book refuses a row. Nothing is written then.
    WoodlabError
        If a bowl of the round was taken before, a line is faulty, or a weight is odd or a mark
        unknown and `odd` is "ask". Nothing is written then.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> import woodlab as wl
    >>> folder = pathlib.Path(tempfile.mkdtemp())
    >>> book = wl.demo_book().only(pieces=["A1", "A3"]).until("2025-04-09")
    >>> book.save(folder / "season")
    >>> tour = wl.shop_round(wl.fit_drying(book, law="exponential"), on="2025-04-10")
    >>> sheet = wl.write_round(tour, folder / "round.xlsx")
    >>> wl.add_round(folder / "season", sheet)       # nobody has filled it in yet
    Traceback (most recent call last):
        ...
    woodlab.errors.WoodlabError: There is nothing in this round to add: no weight, no look, no end.
    """
    if odd not in ANSWERS:
        raise WoodlabError(f"odd = {odd!r} is not known. Choose from: {', '.join(ANSWERS)}.")

    def answers(asked: list[Question]) -> list[str]:
        if asked and odd == "ask":
            said = "\n".join(f"  {question.said}" for question in asked)
            raise WoodlabError(
                "Weights outside what was expected, or unknown bowls; nothing was changed:\n"
                f"{said}\nAdd it again with odd='mend' (swaps and slips put right), 'keep' or "
                "'leave'."
            )
        return [odd] * len(asked)

    where = (as_path(path, "add_round"), as_path(file, "add_round"))
    return take_round(*where, answers, sure=sure)


def take_round(
    path: Path,
    file: Path,
    answers: Callable[[list[Question]], Iterable[str]],
    agreed: Callable[[AddedRound], None] = lambda _: None,
    *,
    sure: bool = False,
) -> AddedRound:
    """As `add_round`: an answer to each question, and `agreed` is told what will be added."""
    path = behind(path)
    book, filled, asked = _look_over(path, read_filled(file))
    for question, answer in zip(asked, answers(asked), strict=True):
        filled = _answered(filled, question, answer)
    new = _rows_of(book, filled)
    agreed(new)
    _write(path, filled, new, sure=sure)
    return new


def _look_over(path: Path, filled: Filled) -> tuple[RecordBook, Filled, list[Question]]:
    """The book, the round with its implied looks, and the questions about its weights."""
    book = open_book(path, set_aside=True)
    faults = [*filled.faults, *_taken_before(filled, path)]
    try:
        datetime.strptime(filled.on, "%Y-%m-%d")
    except ValueError:
        faults.append(f"{filled.on!r} is no date such as 2026-03-09")
    states = crack_states(book).set_index("piece")["state"].to_dict()
    gone = ended(book.pieces, book.looks)["outcome"].to_dict()
    seen: dict[str, int] = {}
    lines, asked = [], []
    for line in filled.lines:
        if line.mark in seen:
            faults.append(f"row {line.row}: {line.mark} stands in row {seen[line.mark]} already")
        seen[line.mark] = line.row
        if line.mark not in states:
            asked.append(_unknown(line, states, filled))
        known = states.get(line.mark) in ("open", "glued")
        if filled.looked and not line.crack and line.grams and not known:
            line = replace(line, crack="none")
        faults += _faults_of(line, gone, known)
        lines.append(line)
    if faults:
        listed = "\n".join(f"  {_printable(fault)}" for fault in faults)
        raise WoodlabError(f"Round {filled.id} was not taken; nothing was changed:\n{listed}")
    filled = replace(filled, lines=tuple(lines))
    bands = {line.mark: line.band for line in lines}
    weights = {line.mark: line.grams for line in lines if line.grams}
    kept = {line.mark for line in lines if line.kept}
    # What was kept at the scales is asked about again only where it can be mended.
    asked += [q for q in questions(bands, weights, filled.unit)
              if q.mark not in kept or q.kind in ("swapped", "slip")]  # fmt: skip
    return book, filled, asked


def _taken_before(filled: Filled, path: Path) -> list[str]:
    """Bowls of this very round that the book has already, from this file or another part of it."""
    mine = [line.mark for line in filled.lines if line.grams or line.crack or line.action]
    out = []
    for row in ledger(path):
        twice = [m for m in mine if m in json.loads(row["pieces"] or "[]")]
        if row["round_id"] == filled.id and (twice or not mine):
            by = f" from {row['who']}" if row["who"] else ""
            out.append(f"it was taken into this book already, at {row['taken_at']}{by}: "
                       f"{', '.join(words.in_order(twice))}")  # fmt: skip
    return out


def _unknown(line: Line, states: dict, filled: Filled) -> Question:
    """A bowl that was added at the scales and that the book does not have."""
    plain = {name: "".join(name.casefold().split()) for name in words.in_order(states)}
    mark = "".join(line.mark.casefold().split())
    alike = get_close_matches(mark, [*plain.values()], 3, 0.5)
    near = [n for n in plain if plain[n] == mark] or [n for n in plain if plain[n] in alike]
    hint = f"; is it {' or '.join(near)}?" if near else ""
    weight = f", {weight_text(line.grams, filled.unit)}" if line.grams else ""
    said = f"row {line.row}: no piece {line.mark!r} in the book{hint}{weight}"
    free = len(near) == 1 and near[0] not in {other.mark for other in filled.lines}
    return Question(line.mark, "unknown", _printable(said), near[0] if free else "")


def _faults_of(line: Line, gone: dict, known: bool) -> list[str]:
    row, mark = f"row {line.row}", line.mark
    faults = {
        f"{row}: {mark} has left the shelf: {gone.get(mark)}": mark in gone,
        f"{row}: {mark} has a crack still, but the book knows of none: new? or give its length":
            line.crack == "still" and line.mm is None and not known,
        f"{row}: {mark} was {line.action}; say of its crack too: none, still or new":
            line.action in ("glued", "resealed") and not line.crack,
        f"{row}: the remark at {mark} has no weight and no look to stand at":
            line.note and line.grams is None and not line.crack and line.action not in ENDS,
    }  # fmt: skip
    return [said for said, holds in faults.items() if holds]


def _answered(filled: Filled, question: Question, answer: str) -> Filled:
    """The round with one question answered: `mend`, `keep` or `leave`."""
    one, other = question.mark, question.other
    if question.kind == "unknown":
        if answer == "leave":
            lines = tuple(line for line in filled.lines if line.mark != one)
            said = (f"Left out, {question.said}. Write the bowl into the table pieces and what was "
                    "typed of it into weighings.")  # fmt: skip
            return replace(filled, lines=lines, notes=(*filled.notes, said))
        if answer == "mend" and other:
            return filled.changed(one, mark=other)
        raise WoodlabError(
            f"{question.said}. Write the bowl into the table pieces first, or take the round with "
            "`leave`, which leaves this row out; nothing was changed."
        )
    if answer == "leave":
        for mark in (one, other) if question.kind == "swapped" else (one,):
            filled = filled.changed(mark, grams=None)
        return replace(filled, notes=(*filled.notes, f"Left out, {question.said}"))
    if question.kind == "swapped" and answer == "mend":
        grams = filled.line(one).grams
        return filled.changed(one, grams=filled.line(other).grams).changed(other, grams=grams)
    if answer == "mend" and question.kind == "slip":
        return filled.changed(one, grams=question.grams)
    return filled


def _rows_of(book: RecordBook, filled: Filled) -> AddedRound:
    """The rows of the tables, and what in them was not measured."""
    last = crack_states(book).set_index("piece")["length_mm"].to_dict()
    weighings, looks, ends, lines, notes = [], [], [], [], list(filled.notes)
    for line in filled.lines:
        taken = [weight_text(line.grams, filled.unit) or "no weight"]
        if line.grams is not None:
            note = line.note if not line.crack else ""
            weighings.append({"piece": line.mark, "on": filled.on, "mass_g": line.grams,
                              "note": note or None})  # fmt: skip
        if line.crack:
            look, said = _look(line, last.get(line.mark, float("nan")), book)
            looks.append({"piece": line.mark, "on": filled.on} | look)
            notes += [f"{line.mark}: {said}."] if said else []
            mm = look["crack_mm"]
            taken.append(
                "no crack" if line.crack == "none" else
                "crack, length not measured" if mm is None else f"crack {_length(mm, book)}"
            )  # fmt: skip
        if line.action in ENDS:
            ends.append([line.mark, filled.on, line.action, line.wall_mm])
            if line.note and line.grams is None and not line.crack:
                notes.append(f"{line.mark}: the remark has no place in the book: {line.note}")
        if line.action:
            wall = f", final wall {_length(line.wall_mm, book)}" if line.wall_mm else ""
            taken.append(f"{line.action}{wall}")
        if line.note:
            taken.append(f"“{line.note}”")
        lines.append(_printable(f"{line.mark}: {', '.join(taken)}"))
    return AddedRound(
        pd.DataFrame(weighings, columns=["piece", "on", "mass_g", "note"]),
        pd.DataFrame(looks, columns=["piece", "on", "crack_mm", "crack", "action", "note"]),
        pd.DataFrame(ends, columns=["piece", "ended_on", "outcome", "finished_wall_mm"]),
        tuple(map(_printable, notes)), filled.id, filled.on, tuple(lines),
    )  # fmt: skip


def _length(mm: float, book: RecordBook) -> str:
    return f"{mm:g} mm" if book.units.length == "mm" else book.units.length_of(mm)


def _look(line: Line, before: float, book: RecordBook) -> tuple[dict[str, Any], str]:
    """A row of looks. The book asks for the longest crack: a new short one does not shorten it."""
    action = line.action if line.action in ("glued", "resealed", "scrapped") else "none"
    row = {"crack_mm": 0.0, "crack": "no", "action": action, "note": line.note or None}
    if line.crack == "none":
        return row, ""
    said, mm = "", line.mm
    if line.crack == "new" and before > (mm or 0.0):
        size = "length not measured" if mm is None else _length(mm, book)
        said = (f"a new crack ({size}) beside the known one of {_length(before, book)}, which "
                "stays the longest")  # fmt: skip
        mm = before
    note = "; ".join(filter(None, [said, line.note]))
    return row | {"crack_mm": mm, "crack": "yes", "note": note or None}, said


def _write(path: Path, filled: Filled, new: AddedRound, *, sure: bool) -> None:
    """All rows and the list of rounds as one step."""
    if not len(new.weighings) + len(new.looks) + len(new.ends):
        raise WoodlabError("There is nothing in this round to add: no weight, no look, no end.")
    entry = [filled.id, filled.on, datetime.now().isoformat(timespec="seconds"),
             str(len(new.weighings)), str(len(new.looks)), filled.sha256, filled.who,
             json.dumps(new.pieces, ensure_ascii=False)]  # fmt: skip
    with locked(path):
        if _taken_before(filled, path):
            raise WoodlabError(f"Round {filled.id} was taken meanwhile. Nothing was changed.")
        taken = [list(row.values()) for row in ledger(path)]
        rows = {"weighings": new.weighings, "looks": new.looks}
        rows = {name: one.dropna(axis=1, how="all") for name, one in rows.items() if len(one)}
        rounds = pd.DataFrame([*taken, entry], columns=LEDGER_HEADS)
        put_rows(path, rows, new.ends, {LEDGER: rounds}, sure=sure)


def ledger(path: Path) -> list[dict[str, str]]:
    """Rounds that the book has taken."""
    cells = cells_of(path, LEDGER)
    if cells is None:
        return []
    return cells.astype(object).reindex(columns=LEDGER_HEADS).fillna("").to_dict("records")


def _printable(text: str) -> str:
    """For a terminal: no control characters out of a file that someone sent."""
    return "".join(c if c.isprintable() else "?" for c in text)
