"""What a maker is asked about a sheet: every open question in one answer, each with its option.

A question that is open is given its first answer for the time being, so that the reading goes on
and comes to the next one. Where an answer decides what else is asked, the sheet is read with the
other answers, too.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from woodlab.errors import WoodlabError

# What may be answered: arguments of `read_sheet`, options of the command.
OPTIONS: dict[str, tuple[tuple[str, ...], str]] = {
    "mass_unit": (("g", "kg", "lb", "oz"), "of bare weights"),
    "length_unit": (("mm", "cm", "in"), "of bare lengths"),
    "layout": (("pieces-down", "dates-down", "log"), "where two fit"),
    "dates": (("day-first", "month-first"), "9/3/26: 9 March or 3 September"),
    "decimal": ((".", ","), "1,480: 1480 g or 1.48 g"),
    "weeks": (("calendar", "turning"), "week 3: of the year, or since turning"),
}
# Their answers decide what else is asked.
_LEADING = ("tab", "layout", "weeks", "decimal", "mass_unit")


def give(option: str, *values: object) -> str:
    """How to answer a question, in a notebook and at the command."""
    code = " or ".join(f"{option}={value!r}" for value in values)
    return f"Give {code} (at the command: {' or '.join(_typed(option, v) for v in values)})."


def _typed(option: str, value: object) -> str:
    shown = "=".join(*value.items()) if isinstance(value, dict) else str(value)
    shown = f'"{shown}"' if " " in shown else shown
    return f"--{option.replace('_', '-')} {shown}"


@dataclass(frozen=True)
class Question:
    """One open question, or a fault if there is nothing to choose; `under` which answers."""

    text: str
    option: str
    values: tuple[object, ...]
    under: dict[str, object]
    needed: bool = True  # False: the sheet can be read without an answer


@dataclass
class Asked:
    """The answers that are given to a sheet's questions, and the questions that are open."""

    answers: dict[str, Any]
    under: dict[str, object] = field(default_factory=dict)
    open: dict[str, Question] = field(default_factory=dict)

    def ask(self, option: str, text: str, *values: Any, then: str = "", needed: bool = True) -> Any:
        """Put a question down; the first of its answers stands for the time being."""
        said = " ".join(filter(None, (text, give(option, *values), then)))
        key = option if needed else said
        self.open.setdefault(key, Question(said, option, values, self.under, needed))
        return values[0]

    def fault(self, text: str) -> None:
        """Put down what no option settles."""
        self.open.setdefault(text, Question(text, "", (), self.under))

    @property
    def stuck(self) -> bool:
        """Whether a question or a fault is open without which the sheet cannot be read."""
        return any(question.needed for question in self.open.values())


def answered(name: str, given: dict[str, Any], read: Callable[[Asked], Any]) -> Any:
    """What `read` makes of a sheet, if the answers given leave nothing open.

    Raises WoodlabError, which lists every open question.
    """
    first = Asked(given)
    made = _tried(read, first)
    if not first.stuck:
        return made
    questions, waiting = dict(first.open), list(first.open.values())
    without: dict[str, list[tuple[str, object]]] = {}
    tried: set[tuple[str, object]] = set()
    while waiting:
        leading = waiting.pop(0)
        for value in leading.values if leading.option in _LEADING else ():
            if (leading.option, value) in tried:
                continue
            tried.add((leading.option, value))
            under = {**leading.under, leading.option: value}
            one = Asked({**given, **under}, under)
            _tried(read, one)
            for key in [key for key in one.open if key not in questions and key not in under]:
                questions[key] = one.open[key]
                waiting.append(one.open[key])
            for key, question in questions.items():
                alike = question.under == leading.under and question.option != leading.option
                if alike and key not in one.open:
                    without.setdefault(key, []).append((leading.option, value))
    raise WoodlabError(_told(name, questions, without))


def _tried(read: Callable[[Asked], Any], asked: Asked) -> Any:
    """A reading; a fault met behind a question is one of the list."""
    try:
        return read(asked)
    except WoodlabError as error:
        if not asked.open and not asked.under:
            raise
        asked.fault(str(error))


def _told(
    name: str, questions: dict[str, Question], without: dict[str, list[tuple[str, object]]]
) -> str:
    if len(questions) == 1:
        return next(iter(questions.values())).text
    of = "questions" if all(one.option for one in questions.values()) else "points"
    lines = [f"{name} leaves {len(questions)} {of} open; settle them in one go:"]
    for number, (key, question) in enumerate(questions.items(), start=1):
        when = ""
        if question.under:
            when = f" Only needed with {_all_typed(question.under.items())}."
        elif key in without:
            when = f" Not needed with {_all_typed(without[key])}."
        lines.append(f"{number}. {question.text}{when}")
    return "\n".join(lines)


def _all_typed(pairs: Any) -> str:
    return ", ".join(_typed(*pair) for pair in pairs)
