"""Which bowls cracked, and when: counts, woods, walls, and the stories that hide in the looks."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.article.facts import Facts
from woodlab.article.parts.lead import WORTH_CRACKS, Subject
from woodlab.article.parts.section import FIRST, GROWTH, PIECES, RATES, Figure, Section
from woodlab.article.say import Say
from woodlab.errors import WoodlabError
from woodlab.pages.findings import THICK_MM

FEWEST_EVENTS = 5  # cracks, before a story is told of them
MOST_SHARE = 0.8  # of cracks, in "most of them"


def cracks_section(facts: Facts, lead: Subject | None, say: Say) -> Section | None:
    """Counts first; then when, in which woods and walls, and what glue did."""
    k, n = facts.looked
    if not len(facts.book.pieces):
        return None
    if not n:
        return Section("cracks", "Cracks", (_nothing(facts, say),))
    if not k:
        heading = say.pick("cracks", "What no cracks means", "Not one crack")
        return Section("cracks", heading, (_none_cracked(facts, say, n),))
    few = "One crack so far" if k == 1 else "The ones that cracked" if k < FEWEST_EVENTS else \
        "Which bowls cracked, and when"  # fmt: skip
    first = say.paragraph(
        ("whole", _whole(facts, say, k, n)), ("when", _when(facts, say)), ("late", _late(facts)),
    )  # fmt: skip
    second = say.paragraph(
        ("woods", _woods(facts, lead, say)), ("log", _log(facts, say)),
        ("walls", _walls(facts, lead, say)),
    )  # fmt: skip
    third = say.paragraph(("glue", _glue(facts, say)), ("left", _left(facts, say)),
                          ("lots", "No lots were drawn for glue, so this is no test of it"
                           if _followed(facts, "glued") else ""))  # fmt: skip
    paragraphs = tuple(p for p in (first, second, third) if p)
    return Section("cracks", few, paragraphs, None, _figure(facts))


def _nothing(facts: Facts, say: Say) -> str:
    if len(facts.book.looks) and not facts.watched:
        return "Looks were noted only for bowls that cracked, so no count can be given."
    looked = facts.watched
    if looked:
        some = say.of(int(facts.bowls["crack_on"].notna().sum()), looked, "cracks.seen", "book.looks")
        return f"A crack was found in {some} bowls; without their walls nothing can be compared."
    return "Nobody noted looking for cracks, so this article says nothing about them."


def _none_cracked(facts: Facts, say: Say, n: int) -> str:
    """What a season without a crack rules out: the chance of it at a rate of one in ten."""
    used = facts.cracks.first.used
    last = float(used["after_days"].median())
    call = "0.9 ** n: the chance that none of n bowls cracks, where one in ten does"
    weeks = max(round(last / 7), 1)
    who = "the bowl" if n == 1 else "the middle bowl"
    watched = f"{who} was watched for {say.n(weeks, 'cracks.watched_weeks', FIRST)} " \
              f"week{'' if weeks == 1 else 's'} after turning"  # fmt: skip
    said = [("watched", words.opened(f"{watched}, so an early crack would hardly have been missed"
                                     if weeks >= 8 else watched))]  # fmt: skip
    if n < FEWEST_EVENTS:
        said.append(("few", "So few whole bowls prove nothing"))
        return say.paragraph(*said)
    once = 1 / 0.9**n
    said.append(("luck", "Still, luck can keep bowls whole"))
    tenth = say.mark("one such bowl in ten", "cracks.none.rate", 0.1, call)
    odds = say.mark(f"{once:.0f}" if once >= 9.5 else words.NUMBERS[round(once)],
                    "cracks.none.once_in", once, call)  # fmt: skip
    said.append(("odds", f"If {tenth} cracked in the long run, a season like this would come about "
                 f"one time in {odds}"))  # fmt: skip
    said.append(("like", "It says nothing of thicker walls, other woods or another shed"))
    return say.paragraph(*said)


def _whole(facts: Facts, say: Say, k: int, n: int) -> str:
    some = say.n(k, "cracks.share.n", RATES)
    many = say.n(n, "cracks.share.of", RATES)
    if k == n:
        return f"All {many} bowls that were looked over cracked"
    return f"{words.opened('in all')}, {some} of the {many} bowls looked over cracked"


def _when(facts: Facts, say: Say) -> str:
    """Bare early and sealed late; else by when most had cracked."""
    first = facts.first
    bare = first[first["seal"] == "none"]
    sealed = first[first["seal"] != "none"]
    if min(len(bare), len(sealed)) >= FEWEST_EVENTS:
        day = float(bare["by_days"].max())
        late = int((sealed["after_days"] >= day).sum())
        if late > len(sealed) / 2:
            by = say.n(math.ceil(day / 7), "cracks.bare_by_week", FIRST)
            of = f"{say.n(late, 'cracks.sealed_late', FIRST)} of the " \
                 f"{say.n(len(sealed), 'cracks.sealed', FIRST)} sealed ones"  # fmt: skip
            last = float(sealed["by_days"].max()) / 30.4
            months = say.n(round(last), "cracks.last_month", FIRST)
            return (
                f"The bare ones had all done so by week {by}; {of} went later, the last within "
                f"{months} months"
            )
    found = first[np.isfinite(first["by_days"])]["by_days"]
    if not len(found):
        return ""
    if len(found) < FEWEST_EVENTS:
        days = sorted(round(d) for d in found)
        told = say.listed([say.n(d, f"cracks.day.{i}", FIRST, figures=True)
                           for i, d in enumerate(days)])  # fmt: skip
        one = "It was" if len(days) == 1 else "They were"
        return f"{one} found on day{'' if len(days) == 1 else 's'} {told} after turning"
    by = float(np.quantile(found, MOST_SHARE, method="higher"))
    n = int((found <= by).sum())
    weeks = say.n(math.ceil(by / 7), "cracks.most_by_week", FIRST)
    if n == len(found):
        return f"All had been found by week {weeks} after turning"
    return f"By week {weeks} after turning, {say.n(n, 'cracks.most', FIRST)} of the " \
           f"{say.n(len(found), 'cracks.share.n', FIRST)} cracks had been found"  # fmt: skip


def sealed_late(facts: Facts) -> bool:
    """Whether most cracks of sealed bowls came after the last of the bare ones."""
    first = facts.first
    if not len(first):
        return False
    bare, sealed = first[first["seal"] == "none"], first[first["seal"] != "none"]
    if min(len(bare), len(sealed)) < FEWEST_EVENTS:
        return False
    return bool((sealed["after_days"] >= bare["by_days"].max()).mean() > 0.5)


def _late(facts: Facts) -> str:
    return "Whoever stops looking when the bare ones are through misses them" if \
        sealed_late(facts) else ""  # fmt: skip


def _wood_rows(facts: Facts, *sure: str) -> list[dict[str, Any]]:
    rates = facts.rates("species")
    rows = [r for r in facts.crack_effects("species") if r["certainty"] in sure]
    rows = [r for r in rows if {r["level"], r["reference"]} <= set(rates.index)]
    share = rates["share"] if len(rates) else {}
    return [r for r in rows if abs(share[r["level"]] - share[r["reference"]]) >= WORTH_CRACKS]


def _wood(facts: Facts, say: Say, species: str) -> str:
    return say.name(words.wood(species, facts.book.pieces["species"].dropna().unique()))


def _wood_count(facts: Facts, say: Say, species: str) -> str:
    row = facts.rates("species").loc[species]
    return say.of(int(row["n_cracked"]), int(row["n_pieces"]), f"cracks.share.{species}", RATES)


def _woods(facts: Facts, lead: Subject | None, say: Say) -> str:
    led = lead.name if lead is not None and lead.kind == "wood" else None
    clear = [r for r in _wood_rows(facts, "clear") if r["level"] != led]
    if clear:
        told = [f"{_wood_count(facts, say, r['level'])} in {_wood(facts, say, r['level'])}"
                for r in clear[:3]]  # fmt: skip
        ref = clear[0]["reference"]
        return f"By wood the difference is plain: {say.listed(told)} cracked, and " \
               f"{_wood_count(facts, say, ref)} in {_wood(facts, say, ref)}"  # fmt: skip
    likely = [r for r in _wood_rows(facts, "likely") if r["hazard_ratio"] > 1][:2]
    if not likely:
        return ""
    woods = say.listed([_wood(facts, say, r["level"]) for r in likely])
    told = say.listed([_wood_count(facts, say, r["level"]) for r in likely])
    ref = likely[0]["reference"]
    verb = "is" if len(likely) == 1 else "are"
    against = f"{_wood_count(facts, say, ref)} in {_wood(facts, say, ref)}"
    return words.opened(f"{woods} {verb} probably the riskier wood: {told} cracked, against "
                        f"{against}")  # fmt: skip


def _log(facts: Facts, say: Say) -> str:
    """Half the cracks of a wood, or of all, in one log."""
    first = facts.first.dropna(subset=["log"]) if len(facts.first) else facts.first
    if len(first) < FEWEST_EVENTS or facts.logs < 3:
        return ""
    for species, own in first.groupby("species", sort=False):
        log, most = own["log"].value_counts().index[0], int(own["log"].value_counts().iloc[0])
        if len(own) >= FEWEST_EVENTS and most >= 3 and most >= len(own) / 2:
            wood = _wood(facts, say, str(species))
            return f"But {say.n(most, 'cracks.one_log', FIRST)} of the " \
                   f"{say.n(len(own), f'cracks.share.{species}.n', FIRST)} cracks in {wood} come " \
                   f"from one log, {say.name(log)}"  # fmt: skip
    counts = first["log"].value_counts()
    if counts.iloc[0] >= max(3, len(first) / 2):
        return f"But {say.n(int(counts.iloc[0]), 'cracks.one_log', FIRST)} of the " \
               f"{say.n(len(first), 'cracks.share.n', FIRST)} cracks come from one log, " \
               f"{say.name(counts.index[0])}"  # fmt: skip
    return ""


def _walls(facts: Facts, lead: Subject | None, say: Say) -> str:
    rows, walls = facts.crack_effects("wall"), facts.walls_cracked
    if lead is not None and lead.kind == "wall":
        return ""
    own = facts.book.pieces["wall_mm"].dropna()
    if len(own) > 2 and np.ptp(own) < 6:
        ends = [say.n(v, f"season.wall.{i}", PIECES, figures=True)
                for i, v in enumerate((own.min(), own.max()))]  # fmt: skip
        if np.ptp(own) < 1:
            return f"All walls were {ends[0]} mm, too alike to compare"
        return f"All walls lay between {ends[0]} and {ends[1]} mm, too alike to compare"
    if not rows or len(walls) < 2 or rows[0]["certainty"] not in ("clear", "likely"):
        return ""
    probably = "probably " if rows[0]["certainty"] == "likely" else ""
    thick, thin = (say.of(*walls[side], f"cracks.{name}", RATES)
                   for side, name in ((True, "thick"), (False, "thin")))  # fmt: skip
    shares = [walls[side][0] / max(walls[side][1], 1) for side in (True, False)]
    if (shares[0] > shares[1]) != (rows[0]["hazard_ratio"] > 1):
        return ""
    more = "Thick" if rows[0]["hazard_ratio"] > 1 else "Thin"
    mm = say.n(THICK_MM, "cracks.thick_mm", "woodlab.pages.findings.THICK_MM", figures=True)
    return f"{more} walls {probably}cracked more often: {thick} at {mm} mm or more, {thin} below"


def _followed(facts: Facts, action: str) -> tuple[int, int] | None:
    """Cracks that grew, of those of an action that were looked at again; None of fewer than 5."""
    table = facts.cracks.growth_by_action
    rows = table[table["action"] == action] if len(table) else table
    if not len(rows) or rows["n_followed"].iloc[0] < FEWEST_EVENTS:
        return None
    return int(rows["n_grew"].iloc[0]), int(rows["n_followed"].iloc[0])


def _glue(facts: Facts, say: Say) -> str:
    pair = _followed(facts, "glued")
    if pair is None:
        return ""
    glued = say.n(pair[1], "cracks.glued", GROWTH)
    grew = say.n(pair[0], "cracks.glued_grew", GROWTH) if pair[0] else "none"
    all_ = "all of them" if pair[0] == pair[1] else f"{grew} of them"
    return f"Glue went on {glued} cracks at first sight, and {all_} grew"


def _left(facts: Facts, say: Say) -> str:
    pair = _followed(facts, "none")
    if pair is None or _followed(facts, "glued") is None:
        return ""
    left = say.n(pair[1], "cracks.left", GROWTH)
    if pair[0] == pair[1]:
        return f"So did the {left} left alone"
    return f"Of the {left} left alone, {say.n(pair[0], 'cracks.left_grew', GROWTH)} did"


def _figure(facts: Facts) -> tuple[Figure, ...]:
    from woodlab.charts.studies.cracks import whole_fraction_chart

    whole: pd.DataFrame = facts.cracks.whole
    if facts.looked[0] < 3 or not len(whole):
        return ()
    by = "seal" if (whole["by"] == "seal").sum() > 1 and facts.by_seal.shape[0] > 1 else "all"
    try:
        chart = whole_fraction_chart(whole, by, size="page")
    except WoodlabError:
        return ()
    caption = "Bowls still whole, by days since turning. Each step down is a crack" + (
        "; bare bowls take theirs early, sealed ones late." if sealed_late(facts) else "."
    )
    alt = "Share of bowls still whole against days since turning" + (
        ", by seal." if by == "seal" else "."
    )
    return (Figure("cracks", chart, caption, alt),)
