"""What is ready: how many bowls are dry, what the slow ones share, when they should follow."""

from __future__ import annotations

import pandas as pd

from woodlab import words
from woodlab.article.facts import Facts
from woodlab.article.parts.section import PIECES, READY, Section
from woodlab.article.say import Say

FEW_DAYS, MOST_DAYS = 10, 120  # a date is told exactly; not told at all
MOST = 0.6  # of the slow ones, in "most of them"


def ready_section(facts: Facts, say: Say) -> Section | None:
    """Counts by the day, the slow ones, the dates."""
    if not len(facts.book.pieces):
        return None
    if facts.early:
        return Section("ready", "Not yet ready", (_early(facts, say),))
    here = facts.ready["all"]
    gone = int((facts.bowls["group"] == "gone").sum())
    ended = f"Already {say.n(gone, 'ready.gone', PIECES)} bowl{' has' if gone == 1 else 's have'} " \
            "left the shelf" if gone else ""  # fmt: skip
    if not len(here):
        said = ended or "When these bowls will be dry cannot be told from their weighings yet"
        return Section("ready", "What is ready", (say.paragraph(("gone", said)),))
    rest = len(facts.ready["rest"]) + len(facts.ready["probably"])
    text = say.paragraph(
        ("count", _count(facts, say)), ("slow", _slow(facts, say) if rest > 1 else ""),
        ("dates", _dates(facts, say)), ("gone", ended),
        ("cracked", _cracked(facts, say)),
        ("offcut", "No offcut was dried, so moisture is a guess from tables"
         if not len(facts.book.offcuts) else ""),
    )  # fmt: skip
    return Section("ready", "What is ready", (text,))


def _early(facts: Facts, say: Say) -> str:
    offcut = "" if len(facts.book.offcuts) else \
        "No offcut was dried either, so the weight that each will have when dry is unknown"  # fmt: skip
    return say.paragraph(
        ("none", "We give no dates"),
        ("why", "The first weeks of a curve fit a bowl that is dry by summer and one that is not "
         "dry by winter"), ("offcut", offcut),
    )  # fmt: skip


def _count(facts: Facts, say: Say) -> str:
    here, dry = facts.ready["all"], facts.ready["dry"]
    day = say.day(facts.day, "season.day", "book.weighings", year=True)
    level = ""
    if facts.target_pct == facts.target_pct:
        pct = say.n(facts.target_pct, "ready.target_pct", READY, figures=True)
        level = f" to {pct} per cent moisture"
    if len(here) == 1:
        return f"By {day} the bowl had {'' if len(dry) else 'not yet '}dried{level}"
    n = say.n(len(here), "ready.of", READY)
    if len(dry) == len(here):
        return f"By {day} all {n} bowls had dried{level}"
    if not len(dry):
        return f"No bowl of the {n} had dried{level} by {day}"
    only = "only " if len(dry) < 0.2 * len(here) else ""
    return (
        f"By {day}, {only}{say.n(len(dry), 'ready.dry', READY)} of the {n} bowls had dried{level}"
    )


def _cracked(facts: Facts, say: Say) -> str:
    """Dry is not sound: how many of the dry ones have cracked."""
    dry = facts.ready["dry"]
    k = int(dry["crack_on"].notna().sum())
    if not k:
        return ""
    return f"Dry is not sound: {say.n(k, 'ready.dry_cracked', READY)} of the dry ones " \
           f"{'has' if k == 1 else 'have'} cracked"  # fmt: skip


def _slow(facts: Facts, say: Say) -> str:
    """What the slow ones have in common: a seal, a wall, or nothing."""
    slow = pd.concat([facts.ready["probably"], facts.ready["rest"]])
    n = say.n(len(slow), "ready.slow", READY)
    thin = float(slow["wall_mm"].min())
    every = facts.ready["all"]["wall_mm"].dropna()
    parts = []
    if len(every) and slow["wall_mm"].notna().all() and thin >= every.median():
        parts.append(f"all have walls of {say.n(int(thin), 'ready.slow_wall', PIECES, figures=True)}"
                     " mm or more")  # fmt: skip
    seals = slow["seal"].value_counts()
    share = (facts.ready["all"]["seal"] == seals.index[0]).mean() if len(seals) else 1.0
    if len(seals) and seals.iloc[0] >= MOST * len(slow) and share < 0.6:
        seal = str(seals.index[0])
        noun = words.bowls(say.seal(seal)).replace("bowls ", "").replace(" bowls", "")
        k = int(seals.iloc[0])
        count = "all" if k == len(slow) else say.n(k, "ready.slow_seal", READY)
        parts.append(f"{count} are {noun}" if k > 1 else f"one is {noun}")
    return f"The other {n} are the slow ones: {' and '.join(parts)}" if parts else ""


def _dates(facts: Facts, say: Say) -> str:
    rest = pd.concat([facts.ready["probably"], facts.ready["rest"]])
    if not len(rest):
        return ""
    probably = len(facts.ready["probably"])
    there = f"{words.opened(say.n(probably, 'ready.probably', READY))} of them " \
            f"{'is' if probably == 1 else 'are'} probably there already" if probably else ""  # fmt: skip
    last = rest["latest_on"]
    if last.isna().all() or (last.max() - facts.day).days > 400:
        end = "when the last will be dry cannot be told yet"
        return f"{there}; {end}" if there else words.opened(end)
    whole = last.notna().all()
    until = say.day(
        last.max(), "ready.last_on", READY, month=True, year=last.max().year != facts.day.year
    )
    who = "all" if whole and len(rest) > 1 else "the last" if whole else "most"
    if len(rest) == 1:
        span = (rest["latest_on"].iloc[0] - rest["earliest_on"].iloc[0]).days
        on = say.day(rest["ready_on"].iloc[0], "ready.next_on", READY, year=True)
        return f"The last should follow about {on}" if span < FEW_DAYS else \
            f"The last should follow by {until}"  # fmt: skip
    return f"{there}; {who} should be there by {until}" if there else \
        f"{words.opened(who)} should be there by {until}"  # fmt: skip
