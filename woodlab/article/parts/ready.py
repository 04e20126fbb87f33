"""What is ready: how many bowls are dry, what the slow ones share, when they should follow."""

from __future__ import annotations

from woodlab import words
from woodlab.article.facts import Facts
from woodlab.article.parts import Section
from woodlab.article.parts.lead import until
from woodlab.article.say import Say

FEW_DAYS, MOST_DAYS = 10, 400  # a date is told exactly; not told at all
MOST = 0.6  # of the slow ones, in "most of them"


def ready_section(facts: Facts, say: Say) -> Section | None:
    """Counts by the day, the slow ones, the dates."""
    if not len(facts.pieces):
        return None
    if facts.early:
        return Section("ready", "Not yet ready", (_early(facts, say),))
    gone = int((facts.bowls["group"] == "gone").sum())
    none = "" if gone or len(facts.here) else \
        "Their weights do not tell yet when these bowls will be dry"  # fmt: skip
    some = "One more" if gone == 1 else "Another"
    left = some if len(facts.bowls) > gone else "All" if gone > 1 else "The"
    left += "" if left in ("The", "One more") else f" {say.n(gone, 'ready.gone')}"
    left += f" bowl{' has' if gone == 1 else 's have'} left the shelf"
    slow = _slow(facts, say)
    text = say.paragraph(
        ("count", _count(facts, say) or none), ("slow", slow),
        ("dates", _dates(facts, bool(slow), say)), ("gone", left if gone else ""),
        ("cracked", _cracked(facts, say)),
        ("offcut", "No offcut was dried, so each moisture is based partly on tables"
         if len(facts.here) and not len(facts.book.offcuts) else ""),
    )  # fmt: skip
    return Section("ready", "What is ready", (text,))


def _early(facts: Facts, say: Say) -> str:
    none = "No offcut was dried either, so the weight that each will have when dry is unknown"
    return say.paragraph(
        ("none", "We give no dates"),
        ("why", "The first weeks look the same for a bowl that will be dry by summer and for one "
         "that will not be dry by winter"),
        ("offcut", none if not len(facts.book.offcuts) else ""),
    )  # fmt: skip


def _count(facts: Facts, say: Say) -> str:
    here, dry, level = len(facts.here), len(facts.dry), ""
    if not here:
        return ""
    day = say.day(facts.day, "season.day", year=True)
    if facts.target_pct == facts.target_pct:
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


def _cracked(facts: Facts, say: Say) -> str:
    """Dry is not sound: how many of the dry ones have cracked."""
    k = int(facts.dry["crack_on"].notna().sum())
    if not k:
        return ""
    if k == len(facts.dry):
        return "Dry is not sound: " + ("it has" if k == 1 else "all the dry ones have") + " cracked"
    some = say.n(k, "ready.dry_cracked")
    return f"Dry is not sound: {some} of the dry ones {'has' if k == 1 else 'have'} cracked"


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
