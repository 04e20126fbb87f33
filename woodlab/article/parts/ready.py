"""What is ready: how many bowls are dry, what the slow ones share, when they should follow."""

from __future__ import annotations

import numpy as np

from woodlab import words
from woodlab.article.facts import Facts
from woodlab.article.parts import Section
from woodlab.article.parts.lead import until
from woodlab.article.say import Say

FEW_DAYS, MOST_DAYS = 10, 400  # a date is told exactly; not told at all
MOST = 0.6  # of the slow ones, in "most of them"


def ready_section(facts: Facts, say: Say) -> Section:
    """Counts by the day, the slow ones, the dates."""
    no_offcut = not len(facts.book.offcuts)
    if facts.early:
        none = "No offcut was dried either, so the weight that each will have when dry is unknown"
        return Section("Not yet ready", (say.paragraph(
            "We give no dates",
            "The first weeks look the same for a bowl that will be dry by summer and for one that "
            "will not be dry by winter",
            none if no_offcut else "",
        ),))  # fmt: skip
    slow, gone = _slow(facts, say), _gone(facts, say)
    count = _count(facts, say)
    if not count and not gone:
        count = "Their weights do not tell yet when these bowls will be dry"
    partly = "No offcut was dried, so each moisture is based partly on tables"
    text = say.paragraph(
        count, slow, _dates(facts, bool(slow), say), gone, _cracked(facts, say),
        partly if len(facts.here) and no_offcut else "",
    )  # fmt: skip
    return Section("What is ready", (text,))


def _count(facts: Facts, say: Say) -> str:
    here, dry, level = len(facts.here), len(facts.dry), ""
    if not here:
        return ""
    day = say.day(facts.day, "season.day", year=True)
    if np.isfinite(facts.target_pct):
        told = words.target(facts.target_pct).removesuffix(" %")
        pct = say.mark(told, "ready.target_pct", facts.target_pct)
        level = f" to {pct} per cent moisture"
    if here == 1:
        return f"By {day} the bowl had {'' if dry else 'not yet '}dried{level}"
    n = say.n(here, "ready.of")
    if dry in (0, here):
        sure = " for certain" if facts.rest["probably"].any() and not dry else ""
        return f"By {day} {'all' if dry else 'none of the'} {n} bowls had dried{level}{sure}"
    only = "only " if dry < 0.2 * here else ""
    return f"By {day}, {only}{say.n(dry, 'ready.dry')} of the {n} bowls had dried{level}"


def _slow(facts: Facts, say: Say) -> str:
    """What the slow ones have in common: a seal, a wall, or nothing."""
    slow, here = facts.rest, facts.here
    if len(slow) < 2 or len(slow) == len(here):
        return ""
    parts = []
    if slow["wall_mm"].notna().all() and slow["wall_mm"].min() >= here["wall_mm"].median():
        wall = say.length(int(slow["wall_mm"].min()), "ready.slow_wall")
        parts.append(f"all have walls of {wall} or more")
    for seal, k in slow["seal"].value_counts().head(1).items():
        if k >= MOST * len(slow) and (here["seal"] == seal).mean() < MOST:
            count = "all" if k == len(slow) else say.n(k, "ready.slow_seal")
            parts.append(f"{count} are {say.kind(str(seal))}")
    others = say.n(len(slow), "ready.slow")
    return f"The other {others} are the slow ones: {' and '.join(parts)}" if parts else ""


def _dates(facts: Facts, named: bool, say: Say) -> str:
    """When the rest should follow: the last of them, where its date is known well enough."""
    rest = facts.rest
    if not len(rest):
        return ""
    k, last = int(rest["probably"].sum()), rest["latest_on"].max()
    of = say.n(k, "ready.probably") + (" of them" if named else " more" if len(facts.dry) else "")
    there = f"{of} {'is' if k == 1 else 'are'} probably there already" if k else ""
    if last is None or last != last or (last - facts.day).days > MOST_DAYS:
        end = "nobody can say yet when the last will be dry"
    elif len(rest) == 1 and (last - rest["earliest_on"].iloc[0]).days < FEW_DAYS:
        on = say.day(rest["ready_on"].iloc[0], "ready.next_on", year=True)
        end = f"the last should follow about {on}"
    else:
        known = rest["latest_on"].notna().all()
        the_rest = "they" if (named or not len(facts.dry)) and not there else "the rest"
        who = (the_rest if len(rest) > 1 else "the last") if known else "most of the rest"
        end = f"{who} should follow by {until(facts, say, last)}"
    # one bowl that is probably there is the last: it has no other to wait for
    return there if k == len(rest) == 1 else f"{there}; {end}" if there else end


def _gone(facts: Facts, say: Say) -> str:
    """'Another 12 bowls have left the shelf'."""
    k = int((facts.bowls["group"] == "gone").sum())
    others = len(facts.bowls) > k
    if k < 2:
        return f"{'One more' if others else 'The'} bowl has left the shelf" if k else ""
    return f"{'Another' if others else 'All'} {say.n(k, 'ready.gone')} bowls have left the shelf"


def _cracked(facts: Facts, say: Say) -> str:
    """Dry is not sound: how many of the dry ones have cracked."""
    k = int(facts.dry["crack_on"].notna().sum())
    if not k:
        return ""
    has = "has" if k == 1 else "have"
    who = f"{say.n(k, 'ready.dry_cracked')} of the dry ones"
    if k == len(facts.dry):
        who = "it" if k == 1 else "all the dry ones"
    return f"Dry is not sound: {who} {has} cracked"
