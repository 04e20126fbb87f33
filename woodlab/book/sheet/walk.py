"""A walk over the slots of a layout, once: entries for the book, and what became of each cell."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from functools import cache
from typing import TypeAlias

import numpy as np
import pandas as pd

from woodlab.book.cells import convert
from woodlab.book.sheet.cells import Mass, ask_masses, decimal_sign, read_mass
from woodlab.book.sheet.dates import Written, find_date, settle_dates
from woodlab.book.sheet.layout import Fate, Layout, Place, Slot
from woodlab.book.sheet.questions import Asked
from woodlab.book.sheet.words import (
    Said,
    folded,
    heading_unit,
    read_length,
    read_words,
    vocabulary,
    yes_or_no,
)
from woodlab.book.tables import TABLES
from woodlab.book.units import scale_to

NUMBERS = {column.name for column in TABLES["pieces"] if column.kind == "number"}
Day: TypeAlias = pd.Timestamp | None


@cache
def _unreadable(text: str) -> str:
    """Why the book would refuse a text; empty where it takes it."""
    return next(iter(convert(pd.Series([text], dtype=object), None).troubles.values()), ("",))[0]


@dataclass
class Walk:
    """The entries of a sheet, each with the cell that it came from (`at`)."""

    layout: Layout
    asked: Asked
    notes: list[str] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    fates: dict[Place, Fate] = field(default_factory=dict)
    pieces: dict[str, dict[str, object]] = field(default_factory=dict)
    source: dict[tuple[str, str], Place] = field(default_factory=dict)
    weighings: list[dict[str, object]] = field(default_factory=list)
    looks: list[dict[str, object]] = field(default_factory=list)
    units: Counter[str] = field(default_factory=Counter)  # of its weights

    def __post_init__(self) -> None:
        self.grid, answers = self.layout.grid, self.asked.answers
        self.mass_unit, self.length_unit = answers.get("mass_unit"), answers.get("length_unit")
        self._woods = {folded(a): b for a, b in (answers.get("species") or {}).items()}
        self.fates |= self.layout.fates
        self.notes += self.layout.notes
        self._bare: list[tuple[float, str]] = []
        self._days = self._stamps()
        self._decimal = answers.get("decimal") or self._decimal_shown()
        lines: dict[Place, list[Slot]] = defaultdict(list)
        for slot in self.layout.slots:
            lines[slot.label].append(slot)
        seen: dict[str, tuple[int, dict[Day, float]]] = {}
        for label, slots in lines.items():
            self._line(label, slots, seen)
        unit = self.mass_unit or "g"
        open_unit = ask_masses(self.asked, self._bare, unit, len(self.weighings))
        self.mass_unit = open_unit or self.mass_unit
        if self._bare:
            low, high = min(self._bare)[0], max(self._bare)[0]
            self.notes.append(
                f"{len(self._bare)} numbers without a unit, {low:g} to {high:g}, were read as "
                f"{unit}."
            )

    def cell(self, at: Place) -> object:
        return self.grid.cells[at[0]][at[1]]

    def use(self, at: Place, use: str, mark: str = "", day: Day = None, read: object = "") -> bool:
        self.fates[at] = Fate(use, mark, day, str(read))
        return True

    def unused(self, at: Place, why: str, mark: str = "", day: Day = None) -> bool:
        self.fates[at] = Fate("not used", mark, day, "", why)
        return False

    def _decimal_shown(self) -> str | None:
        signs = {
            sign
            for slot in self.layout.slots
            if (slot.meaning == "mass" or slot.meaning in NUMBERS)
            and (sign := decimal_sign(self.cell(slot.at)))
        }
        if len(signs) == 1:
            return signs.pop()
        return "." if not signs and self.grid.separator == "," else None

    def _stamps(self) -> dict[Place, Day]:
        """The day in each cell that a slot needs one of; weighing days first, as they run on."""
        slots = self.layout.slots
        places = [slot.date for slot in slots if slot.date]
        places += [slot.at for slot in slots if slot.meaning.endswith("_on")]
        written: dict[Place, Written] = {
            at: found for at in places if (found := find_date(self.cell(at))) is not None
        }
        stamps, notes = settle_dates(list(written.values()), self.asked)
        self.notes += notes
        return dict(zip(written, stamps, strict=True))

    def _line(
        self, label: Place, slots: list[Slot], seen: dict[str, tuple[int, dict[Day, float]]]
    ) -> None:
        """The slots of one mark's line (or row of a log), in the order of the sheet."""
        mark = self.grid.text(*label) or ""
        unit, rest = heading_unit(mark)
        if unit in ("g", "kg", "lb", "oz") and rest != mark:
            mark = rest
        else:
            unit = None
        masses = {slot: self._mass(slot, unit) for slot in slots if slot.meaning == "mass"}
        turned = next((slot.at for slot in slots if slot.meaning == "turned_on"), None)
        days = {slot: self._day(slot.date, mark, turned) for slot in slots}
        trouble = _unreadable(mark) or self._stands_already(mark, label, masses, days, seen)
        used = False
        for slot in slots:
            if trouble:
                self.unused(slot.at, trouble, mark, days[slot])
            elif slot.meaning in ("mass", "crack") and slot.date and days[slot] is None:
                self._without_day(slot, mark)
            elif slot.meaning == "mass":
                used |= self._weight(slot, mark, masses[slot], days[slot])
            elif slot.meaning == "crack":
                used |= self._crack(slot, mark, days[slot])
            elif slot.meaning == "note":
                used |= self._remark(slot, mark, days[slot])
            else:
                used |= self._of_piece(slot, mark)
        if used:
            self.use(self.grid.origin(*label), "mark", mark)
            self.pieces.setdefault(mark, {"piece": mark})
        elif trouble:
            self.unused(label, trouble, mark)

    def _day(self, at: Place | None, mark: str, turned: Place | None) -> Day:
        """The day in a cell; weeks counted from turning follow that of the piece."""
        day = self._days.get(at) if at else None
        if isinstance(day, pd.Timedelta):
            start = self._days.get(turned) if turned else None
            start = start or self.pieces.get(mark, {}).get("turned_on")
            day = start + day if isinstance(start, pd.Timestamp) else None
        return day

    def _without_day(self, slot: Slot, mark: str) -> None:
        assert slot.date is not None
        found = self.cell(slot.date)
        why = "a weight without a day" if found is None else f"{found!r} is no day"
        if isinstance(self._days.get(slot.date), pd.Timedelta):
            why = "its week is counted from turning: add the day on which it was turned"
        elif slot.date in self._days:
            why = "no such day in the calendar stands over it"
            self.unused(slot.date, "no such day in the calendar")
        self.unused(slot.at, why, mark)

    def _mass(self, slot: Slot, of_mark: str | None) -> Mass:
        if lost := self.grid.of(slot.at).lost:
            return Mass(why=lost)
        unit = slot.unit or of_mark or self.mass_unit or "g"
        cell = self.cell(slot.at)
        if slot.ounces and self.cell(slot.ounces) is not None:
            cell = f"{self.grid.text(*slot.at)} lb {self.grid.text(*slot.ounces)} oz"
        mass = read_mass(cell, unit, self._decimal)
        if mass.readings and (slot.unit or of_mark):
            named = f"{self.grid.text(*slot.at)} {unit}"
            mass = mass if (sure := read_mass(named, unit, self._decimal)).readings else sure
        if mass.readings:
            low, high = sorted(mass.readings)[:2]
            text = f"{self.cell(slot.at)!r} in {self.grid.address(*slot.at)} can be read as "
            text += f"{low:g} g or as {high:g} g."
            self._decimal = self.asked.ask("decimal", text, ".", ",")
            return self._mass(slot, of_mark)
        if mass.bare and not mass.why and not (slot.unit or of_mark):
            number = round(mass.mass_g / scale_to("g", unit), 9)
            self._bare.append((number, self.grid.address(*slot.at)))
        if not mass.why:
            self.units[mass.unit or unit] += 1
        return mass

    def _weight(self, slot: Slot, mark: str, mass: Mass, day: Day) -> bool:
        weighed = bool(np.isfinite(mass.mass_g))
        if weighed and day is None:
            return self.unused(slot.at, "a weight without a day", mark)
        if not weighed and not (mass.said.crack or mass.said.ended):
            why = mass.why or f"{mass.note!r} without a weight: what was done belongs to a weighing"
            return self.unused(slot.at, why, mark, day)
        told = self._told(slot, mark, mass.said, str(self.cell(slot.at)), day)
        if weighed:
            note = None if mass.said.known else self._readable(mass.note)
            entry = {"piece": mark, "on": day, "mass_g": mass.mass_g, "note": note, "at": slot.at}
            self.weighings.append(entry | {"event": mass.said.event or None})
            told = [f"{round(mass.mass_g, 3):g} g", mass.said.event, *told]
        elif re.search(r"\d", str(self.cell(slot.at))) and not mass.said.crack_mm:
            told.append("no weight, since its number names no unit")
            self.words[-1] += f", {told[-1]}"
        if slot.ounces and weighed:
            self.use(slot.ounces, "ounces", mark, day)
        use = "weight" if weighed else "look" if mass.said.crack else "end"
        return self._use_on(slot, use, mark, day, ", ".join(part for part in told if part))

    def _use_on(self, slot: Slot, use: str, mark: str, day: Day, read: str) -> bool:
        if slot.date and self.fates.get(slot.date, Fate("")).use != "turned_on":
            self.use(self.grid.origin(*slot.date), "date")
        return self.use(slot.at, use, mark, day, read)

    @staticmethod
    def _readable(text: str | None) -> str | None:
        return None if text is None or _unreadable(text) else text

    def _told(self, slot: Slot, mark: str, said: Said, text: str, day: Day) -> list[str]:
        """What words say of a bowl on a day: a look, an end, or both."""
        parts = []
        if said.crack:
            size = 0.0 if said.crack == "no" else said.crack_mm
            action = said.event if said.event in ("glued", "resealed") else None
            entry = {"piece": mark, "on": day, "crack_mm": size, "crack": said.crack}
            entry |= {"where": said.where or None, "action": action}
            self.looks.append(entry | {"note": self._readable(text) or None, "at": slot.at})
            length = f" {said.crack_mm:g} mm" if said.crack_mm else ", not measured"
            parts.append("no crack" if said.crack == "no" else f"crack{length}")
        if said.ended:
            row = self.pieces.setdefault(mark, {"piece": mark})
            row.update(ended_on=day, outcome=said.outcome or None)
            self.source[mark, "ended_on"] = slot.at
            parts.append(said.outcome or "gone")
        if parts and text:
            on = day.date() if day is not None else "no day"
            address = self.grid.address(*slot.at)
            self.words.append(f"{mark}, {on}, {address} {text!r}: {', '.join(parts)}")
        return parts

    def _crack(self, slot: Slot, mark: str, day: Day) -> bool:
        cell, text = self.cell(slot.at), str(self.cell(slot.at)).strip()
        said, length = read_words(text), read_length(text, slot.unit or self.length_unit or "mm")
        if length is not None:
            said = Said("yes" if length else "no", length)
        elif not said.crack:
            said = Said(yes_or_no(cell) or vocabulary("whole").get(folded(text).strip(" .!"), ""))
        if not said.crack:
            why = "says neither a length nor whether a crack was seen"
            return self.unused(slot.at, why, mark, day)
        if day is None:
            self._note_of_piece(slot, mark, text, "crack: ")
            why = "a crack without a day is a note, not a look"
            return self.use(slot.at, "note", mark, None, why)
        words = text if read_words(text).crack else ""
        told = self._told(slot, mark, said, words, day)
        return self._use_on(slot, "look", mark, day, ", ".join(told))

    def _remark(self, slot: Slot, mark: str, day: Day) -> bool:
        text = self._readable(self.grid.text(*slot.at))
        if text is None:
            return self.unused(slot.at, "the text holds a character that cannot be read", mark)
        said = read_words(text)
        if day is not None and (said.crack or said.ended):
            told = self._told(slot, mark, said, text, day)
            use = "look" if said.crack else "end"
            return self._use_on(slot, use, mark, day, ", ".join(told))
        same = (w for w in reversed(self.weighings) if w["piece"] == mark and w["on"] == day)
        if day is not None and (last := next(same, None)):
            last["note"] = f"{last['note']}; {text}" if last["note"] else text
            last["event"] = last["event"] or said.event or None
        else:
            self._note_of_piece(slot, mark, text)
            if said.ended:
                ended = Said(ended=True, outcome=said.outcome)
                self._told(slot, mark, ended, text, None)
        return self.use(slot.at, "note", mark, day, text)

    def _note_of_piece(self, slot: Slot, mark: str, text: str, what: str = "") -> None:
        """A remark without a day; of a crack, it is listed that it makes no look."""
        row = self.pieces.setdefault(mark, {"piece": mark})
        row["note"] = f"{row['note']}; {what}{text}" if row.get("note") else what + text
        if what or read_words(text).crack:
            at = self.grid.address(*slot.at)
            self.words.append(f"{mark}, no day, {at} {text!r}: a note; a look needs its day")

    def _of_piece(self, slot: Slot, mark: str) -> bool:
        """A cell that says something of the piece itself: its wood, its wall, its turning."""
        name, value = slot.meaning, self.cell(slot.at)
        if lost := self.grid.of(slot.at).lost:
            return self.unused(slot.at, lost, mark)
        read: object = value
        if name.endswith("_on"):
            value = self._days.get(slot.at)
            if value is None:
                why = f"not a day that can be read, so {name} is not known"
                return self.unused(slot.at, why, mark)
            read = value.date()  # type: ignore[attr-defined]
        elif name in NUMBERS:
            if isinstance(value, str):
                value = re.sub(r"(\d)-(\d+/\d+)", r"\1 \2", value)  # 1-1/8, as on drawings
            if slot.unit and not re.search(r"[^\W\d_]|[\"\u2033\u201d]", str(value)):
                value = f"{value} {slot.unit}"  # another tab may have another unit
        else:
            value = read = self.grid.text(*slot.at)
            if name == "species":
                value = read = self._woods.get(folded(value), value)
            if name == "seal":
                value = read = {"no": "none", "yes": "sealed"}.get(yes_or_no(value), value)
        row = self.pieces.setdefault(mark, {"piece": mark})
        if (mark, name) in self.source and str(row.get(name)) != str(value):
            first = self.grid.address(*self.source[mark, name])
            return self.unused(slot.at, f"{first} says otherwise, and came first", mark)
        row[name] = value
        self.source.setdefault((mark, name), slot.at)
        return self.use(slot.at, name, mark, None, read)

    def _stands_already(
        self, mark: str, label: Place, masses: dict[Slot, Mass], days: dict[Slot, Day],
        seen: dict[str, tuple[int, dict[Day, float]]],
    ) -> str:  # fmt: skip
        """Why a second line of a mark is left out: it has weights of days that stand already."""
        if self.layout.kind == "log":
            return ""
        at = {days[slot]: mass.mass_g for slot, mass in masses.items()
              if days[slot] is not None and np.isfinite(mass.mass_g)}  # fmt: skip
        first, before = seen.setdefault(mark, (label[0], {}))
        shared = [day for day in at if day in before]
        if not shared:
            before.update(at)
            return ""
        why = "weights of the same days: is it another piece? Give it a mark of its own"
        if len(shared) == len(at) and all(at[day] == before[day] for day in shared):
            why = "the same weights"
        return f"the mark {mark!r} stands already in {self.grid.line(first)} with {why}"
