"""A filled round into the book: weights, looks and ends as one step, or nothing.

The bands are those that stand in the round: it was made from the fits on its day. So nothing is
fitted here, and taking a round back is quick; the book's own checks of new rows hold beside them.
"""

from __future__ import annotations

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
from woodlab.errors import WoodlabError
from woodlab.round.core import ENDS, Question, questions, weight_text
from woodlab.round.filled import Filled, Line, read_filled
from woodlab.safe_write import behind, locked
from woodlab.show import Card, Shown

LEDGER = "rounds"  # rounds.csv in a folder, a sheet of that name in a workbook
LEDGER_HEADS = ("round_id", "on", "taken_at", "weighings", "looks", "sha256")
ANSWERS = ("ask", "mend", "keep", "leave")


@dataclass(frozen=True, eq=False, repr=False)
class AddedRound(Shown):
    """What of a round goes into the book, or went.

    Attributes
    ----------
    weighings, looks : DataFrame
        The rows.
    ends : DataFrame
        `piece`, `ended_on`, `outcome`.
    notes : tuple of str
        What was not measured, or has no place in the book.
    id, on, unit : str
    lines : tuple of str
        A line a bowl, as it was taken.
    """

    weighings: pd.DataFrame
    looks: pd.DataFrame
    ends: pd.DataFrame
    notes: tuple[str, ...]
    id: str
    on: str
    unit: str
    lines: tuple[str, ...]

    def card(self) -> Card:
        head = (
            f"Round {self.id} of {words.day(self.on)}: {words.count(len(self.weighings), 'weight')}"
            f", {words.count(len(self.looks), 'look')}"
            + (f", {words.count(len(self.ends), 'end')}" if len(self.ends) else "") + "."
        )  # fmt: skip
        rows = tuple(tuple(line.split(": ", 1)) for line in self.lines)
        return Card((head, *self.notes), ("piece", "taken"), (False, False), rows, "As taken")


def add_round(
    path: str | Path, file: str | Path, *, odd: str = "ask", sure: bool = False
) -> AddedRound:
    """Take a filled round back into the book it was made from, whole or not at all.

    Parameters
    ----------
    path : path
        The book: a folder of CSV files, or an .xlsx workbook.
    file : path
        The filled round: `round.xlsx`, or the page's export (.csv).
    odd : {"ask", "mend", "keep", "leave"}
        What to do about weights outside their bands: `ask` refuses and lists the questions;
        `mend` puts swapped weights right and takes slips of the decimal point away; `keep` takes
        them as typed; `leave` leaves them out.
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
        If the round was taken before, a mark is unknown, a line is faulty, or a weight is odd and
        `odd` is "ask". Nothing is written then.

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
    path, file = behind(path), Path(file)
    book, filled, asked = look_over(path, read_filled(file))
    if asked and odd == "ask":
        said = "\n".join(f"  {question.said}" for question in asked)
        raise WoodlabError(
            f"Weights outside what was expected; nothing was changed:\n{said}\nAdd it again with "
            "odd='mend' (swaps and slips put right), 'keep' or 'leave'."
        )
    for question in asked:
        filled = answered(filled, question, odd)
    new = rows_of(book, filled)
    write_round_rows(path, filled, new, sure=sure)
    return new


def look_over(path: Path, filled: Filled) -> tuple[RecordBook, Filled, list[Question]]:
    """The book, the round with its implied looks, and the questions about its weights.

    Raises
    ------
    WoodlabError
        Listing every fault of the round.
    """
    book = open_book(path, set_aside=True)
    faults = list(filled.faults)
    taken = next((row for row in ledger(path) if row["round_id"] == filled.id), None)
    if taken:
        faults.append(f"it was taken into this book already, at {taken['taken_at']}")
    try:
        datetime.strptime(filled.on, "%Y-%m-%d")
    except ValueError:
        faults.append(f"{filled.on!r} is no date such as 2026-03-09")
    states = crack_states(book).set_index("piece")["state"].to_dict()
    gone = ended(book)["outcome"].to_dict()
    seen: dict[str, int] = {}
    lines = []
    for line in filled.lines:
        if line.mark in seen:
            faults.append(f"row {line.row}: {line.mark} stands in row {seen[line.mark]} already")
        seen[line.mark] = line.row
        known = states.get(line.mark) in ("open", "glued")
        if filled.looked and not line.crack and line.grams and not known:
            line = replace(line, crack="none")
        faults += _faults_of(line, states, gone, known)
        lines.append(line)
    if faults:
        listed = "\n".join(f"  {_printable(fault)}" for fault in faults)
        raise WoodlabError(f"Round {filled.id} was not taken; nothing was changed:\n{listed}")
    filled = replace(filled, lines=tuple(lines))
    bands = {line.mark: line.band for line in lines}
    weights = {line.mark: line.grams for line in lines if line.grams}
    kept = {line.mark for line in lines if line.kept}
    asked = questions(bands, weights, filled.unit)
    # What was kept at the scales is asked about again only where it can be mended.
    return book, filled, [q for q in asked if q.mark not in kept or q.kind in ("swapped", "slip")]


def _faults_of(line: Line, states: dict, gone: dict, known: bool) -> list[str]:
    row = f"row {line.row}"
    if line.mark not in states:
        near = get_close_matches(line.mark.casefold(), [name.casefold() for name in states], 3, 0.5)
        near = [name for name in words.in_order(states) if name.casefold() in near]
        hint = f"; is it {' or '.join(near)}?" if near else ""
        return [f"{row}: no piece {line.mark!r} in the book{hint}"]
    out = []
    if line.mark in gone:
        out.append(f"{row}: {line.mark} has left the shelf: {gone[line.mark]}")
    if line.crack == "still" and line.mm is None and not known:
        out.append(
            f"{row}: {line.mark} has a crack still, but the book knows of none: new? or give its "
            "length"
        )
    if line.action in ("glued", "resealed") and not line.crack:
        out.append(
            f"{row}: {line.mark} was {line.action}; say of its crack too: none, still or new"
        )
    if line.note and line.grams is None and not line.crack and line.action not in ENDS:
        out.append(f"{row}: the remark at {line.mark} has no weight and no look to stand at")
    return out


def answered(filled: Filled, question: Question, answer: str) -> Filled:
    """The round with one question answered: `mend`, `keep` or `leave`."""
    one, other = question.mark, question.other if question.kind == "swapped" else ""
    if answer == "leave":
        return filled.with_grams(**{mark: None for mark in (one, other) if mark})
    if answer == "mend" and question.kind == "swapped":
        return filled.with_grams(**{one: filled.line(other).grams, other: filled.line(one).grams})
    if answer == "mend" and question.kind == "slip":
        return filled.with_grams(**{one: question.grams})
    return filled


def rows_of(book: RecordBook, filled: Filled) -> AddedRound:
    """The rows of the tables, and what in them was not measured."""
    last = crack_states(book).set_index("piece")["length_mm"].to_dict()
    weighings, looks, ends, notes, lines = [], [], [], [], []
    for line in filled.lines:
        taken = [weight_text(line.grams, filled.unit) or "no weight"]
        if line.grams is not None:
            note = line.note if not line.crack else ""
            weighings.append({"piece": line.mark, "on": filled.on, "mass_g": line.grams,
                              "note": note or None})  # fmt: skip
        if line.crack:
            look, said = _look(line, last.get(line.mark, float("nan")))
            looks.append({"piece": line.mark, "on": filled.on} | look)
            notes += [f"{line.mark}: {said}."] if said else []
            mm = look["crack_mm"]
            taken.append(
                "no crack" if line.crack == "none" else
                "crack, length not measured" if mm is None else f"crack {mm:g} mm"
            )  # fmt: skip
        if line.action in ENDS:
            ends.append({"piece": line.mark, "ended_on": filled.on, "outcome": line.action})
            if line.note and line.grams is None and not line.crack:
                notes.append(f"{line.mark}: the remark has no place in the book: {line.note}")
        if line.action:
            taken.append(line.action)
        if line.note:
            taken.append(f"“{line.note}”")
        lines.append(_printable(f"{line.mark}: {', '.join(taken)}"))
    frames = [
        pd.DataFrame(rows, columns=columns)
        for rows, columns in (
            (weighings, ["piece", "on", "mass_g", "note"]),
            (looks, ["piece", "on", "crack_mm", "crack", "action", "note"]),
            (ends, ["piece", "ended_on", "outcome"]),
        )
    ]
    weights, seen, gone = frames
    return AddedRound(
        weights, seen, gone, tuple(map(_printable, notes)), filled.id, filled.on, filled.unit,
        tuple(lines),
    )  # fmt: skip


def _look(line: Line, before: float) -> tuple[dict[str, Any], str]:
    """A row of looks. The book asks for the longest crack: a new short one does not shorten it."""
    action = line.action if line.action in ("glued", "resealed", "scrapped") else "none"
    row = {"crack_mm": 0.0, "crack": "no", "action": action, "note": line.note or None}
    if line.crack == "none":
        return row, ""
    said = ""
    mm = line.mm
    if line.crack == "new" and before > (mm or 0.0):
        size = "length not measured" if mm is None else f"{mm:g} mm"
        said = (
            f"a new crack ({size}) beside the known one of {before:g} mm, which stays the longest"
        )
        mm = before
    note = "; ".join(text for text in (said, line.note) if text)
    return row | {"crack_mm": mm, "crack": "yes", "note": note or None}, said


def write_round_rows(path: Path, filled: Filled, new: AddedRound, *, sure: bool) -> None:
    """All rows and the list of rounds as one step.

    Raises
    ------
    RecordError, WoodlabError
        As for `add_round`; nothing is written then.
    """
    if not len(new.weighings) + len(new.looks) + len(new.ends):
        raise WoodlabError("There is nothing in this round to add: no weight, no look, no end.")
    entry = [filled.id, filled.on, datetime.now().isoformat(timespec="seconds"),
             str(len(new.weighings)), str(len(new.looks)), filled.sha256]  # fmt: skip
    with locked(path):
        earlier = ledger(path)
        if any(row["round_id"] == filled.id for row in earlier):
            raise WoodlabError(f"Round {filled.id} was taken meanwhile. Nothing was changed.")
        taken = [[row[name] for name in LEDGER_HEADS] for row in earlier]
        put_rows(
            path,
            {
                table: frame.dropna(axis=1, how="all")
                for table, frame in (("weighings", new.weighings), ("looks", new.looks))
                if len(frame)
            },
            {row.piece: (row.ended_on, row.outcome) for row in new.ends.itertuples()},
            {LEDGER: pd.DataFrame([*taken, entry], columns=LEDGER_HEADS)},
            sure=sure,
        )


def ledger(path: Path) -> list[dict[str, str]]:
    """Rounds that the book has taken."""
    cells = cells_of(path, LEDGER)
    return [] if cells is None else cells.astype(object).to_dict("records")


def _printable(text: str) -> str:
    """For a terminal: no control characters out of a file that someone sent."""
    return "".join(c if c.isprintable() else "?" for c in text)
