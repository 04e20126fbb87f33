"""What was done: the season told from the book's own tables."""

from __future__ import annotations

import pandas as pd

from woodlab.article.asked import BARE
from woodlab.article.forms import Forms
from woodlab.article.plain import short_name
from woodlab.book.record_book import RecordBook

INVENTED = (
    "These records are invented, to try the reckoning on: nothing here was seen in real wood."
)
_MOST_LISTED = 8
_WELL_READ = 0.8  # share of the days; below it the article says how many had a reading


def season_sentences(book: RecordBook, forms: Forms, names: bool = False) -> tuple[str, ...]:
    """Sentences on pieces, seals, walls, weighings, looks, air and how the seals were allotted.

    Makers are named only if `names`.
    """
    pieces, weighings = book.pieces, book.weighings
    if not len(pieces):
        return ("The book holds no pieces yet.",)
    said = [INVENTED] if book.invented else []
    said += [
        f"{_when(pieces['turned_on'], forms)}, {forms.count(len(pieces), 'piece')} of "
        f"{forms.count(pieces['species'].nunique(), 'species', 'species')} "
        f"({_listed(pieces['species'], forms)}) {_were(len(pieces))} rough-turned green"
        f"{_logs(pieces, forms)}, with {_walls(pieces, forms)}.",
        _seals(pieces, forms),
    ]
    if len(weighings):
        said.append(
            f"{'It was' if len(pieces) == 1 else 'They were'} weighed "
            f"{forms.count(len(weighings), 'time')} in all, the last time on "
            f"{forms.date(weighings['on'].max())}."
        )
    said.append(_looks(book.looks, forms))
    said.append(_air(book, forms))
    if len(book.offcuts):
        count = forms.count(len(book.offcuts), "offcut")
        said.append(f"{count} {_were(len(book.offcuts))} dried in an oven and weighed.")
    if len(book.set_aside):
        count = forms.count(len(book.set_aside), "row")
        said.append(f"{count} of the records had faults and were set aside.")
    if names and pieces["maker"].notna().any():
        said.append(f"The makers were {_listed(pieces['maker'], forms, most=40)}.")
    return tuple(sentence for sentence in said if sentence)


def allotted_at_random(pieces: pd.DataFrame) -> bool:
    """Whether the book says of every piece that its seal was allotted at random."""
    return bool(len(pieces)) and bool((pieces["allotted"] == "random").all())


def seal_name(seal: str) -> str:
    """A seal as the article names its pieces: "bare", or the method's own name."""
    return "bare" if str(seal).casefold() == BARE else short_name(seal)


def seals_of(pieces: pd.DataFrame) -> list[str]:
    """The seals in the book, bare pieces first, then by number of pieces."""
    counts = pieces["seal"].value_counts()
    return sorted(counts.index, key=lambda seal: (seal.casefold() != BARE, -counts[seal], seal))


def _seals(pieces: pd.DataFrame, forms: Forms) -> str:
    counts = pieces["seal"].value_counts()
    named = [f"{seal_name(seal)} ({forms.number(counts[seal])})" for seal in seals_of(pieces)]
    how = _allotment(pieces)
    if len(counts) == 1:
        seal = seal_name(counts.index[0])
        whom = "It was" if len(pieces) == 1 else "All of them were"
        return f"{whom} left bare." if seal == "bare" else f"{whom} sealed with {seal}."
    return f"By seal: {forms.listed(named)}.{how}"


def _allotment(pieces: pd.DataFrame) -> str:
    """How it came about which piece got which seal, as far as the book says."""
    if allotted_at_random(pieces):
        return " Which piece got which seal was drawn by lot."
    if (pieces["allotted"] == "chosen").all():
        return " The makers chose which piece got which seal; no lot was drawn."
    return " The records do not say that a lot was drawn, so the makers may have chosen."


def _looks(looks: pd.DataFrame, forms: Forms) -> str:
    if not len(looks):
        return "No looks for cracks were written down."
    pieces = looks["piece"].nunique()
    return (
        f"{forms.count(pieces, 'piece')} {_were(pieces)} looked over for cracks, "
        f"{forms.count(len(looks), 'time')} in all."
    )


def _air(book: RecordBook, forms: Forms) -> str:
    """What was measured of the air, and how much of it while the pieces were weighed."""
    air = book.air
    if not len(air):
        return "The air was not measured."
    read = air["on"].dt.normalize()
    said = (
        f"The air was measured on {forms.count(read.nunique(), 'day')}: "
        f"{forms.number(air['temp_c'].min())} to {forms.number(air['temp_c'].max())} °C, on "
        f"average {forms.number(air['rh_pct'].mean())} % relative humidity."
    )
    if not len(book.weighings):
        return said
    first = book.pieces["turned_on"].min().normalize()
    last = book.weighings["on"].max().normalize()
    days = (last - first).days + 1
    inside = read[read.between(first, last)].nunique()
    if inside >= _WELL_READ * days:
        return said
    whole, part = forms.number(days), "none" if not inside else forms.number(inside)
    return (
        f"{said} Of the {whole} days from the first turning to the last weighing {part} had a "
        "reading; the others were filled in."
    )


def _when(days: pd.Series, forms: Forms) -> str:
    first, last = forms.date(days.min()), forms.date(days.max())
    return f"On {first}" if first == last else f"Between {first} and {last}"


def _walls(pieces: pd.DataFrame, forms: Forms) -> str:
    low, high = pieces["wall_mm"].min(), pieces["wall_mm"].max()
    if forms.number(low) == forms.number(high):
        return f"walls of {forms.number(low)} mm"
    return f"walls of {forms.number(low)} to {forms.number(high)} mm"


def _logs(pieces: pd.DataFrame, forms: Forms) -> str:
    logs = pieces["log"].dropna().nunique()
    return f" from {forms.count(logs, 'log')}" if logs else ""


def _listed(column: pd.Series, forms: Forms, most: int = _MOST_LISTED) -> str:
    counts = column.dropna().value_counts()
    named = [short_name(name) for name in counts.index[:most]]
    if len(counts) > most:
        named.append(f"{forms.number(len(counts) - most)} more")
    return forms.listed(named)


def _were(count: int) -> str:
    return "was" if count == 1 else "were"
