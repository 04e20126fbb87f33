"""Which bowls cracked, and when: counts, woods, walls, and the stories that hide in the looks."""

from __future__ import annotations

import math

import numpy as np

from woodlab import words
from woodlab.article.facts import Facts, Row
from woodlab.article.parts import Figure, Section
from woodlab.article.parts.lead import WORTH_CRACKS, Subject, counted
from woodlab.article.say import Say
from woodlab.pages.facts import asked
from woodlab.pages.findings import THICK_MM

FEWEST_EVENTS = 5  # cracks, before a story is told of them
MOST_SHARE = 0.8  # of cracks, in "most of them"
LATE = "Stop looking when the bare ones are through, and you miss them"
ALIKE_MM = 6.0  # walls that differ by less cannot be compared


def cracks_section(facts: Facts, lead: Subject | None, say: Say) -> Section | None:
    """Counts first; then when, in which woods and walls, and what glue did."""
    k, n = facts.looked
    if not len(facts.pieces):
        return None
    if not n:
        return Section("cracks", "Cracks", (say.paragraph(("none", _nothing(facts, say))),))
    if not k:
        heading = say.pick("cracks", "What no cracks means", "Not one crack")
        return Section("cracks", heading, (_none_cracked(facts, say, n),))
    few = "One crack so far" if k == 1 else "The ones that cracked" if k < FEWEST_EVENTS else \
        "Which bowls cracked, and when"  # fmt: skip
    first = say.paragraph(
        ("whole", "" if lead is None else _whole(say, k, n)), ("when", _when(facts, say)),
        ("late", LATE if sealed_late(facts) else ""),
    )  # fmt: skip
    second = say.paragraph(
        ("woods", _woods(facts, lead, say)), ("log", _log(facts, say)),
        ("walls", _walls(facts, lead, say)),
    )  # fmt: skip
    return Section("cracks", few, tuple(p for p in (first, second, _glue(facts, say)) if p),
                   None, _figure(facts))  # fmt: skip


def _nothing(facts: Facts, say: Say) -> str:
    if facts.watched:
        k = int(facts.bowls["crack_on"].notna().sum())
        some = say.of(k, facts.watched, "cracks.seen")
        return f"A crack was found in {some} bowls; without their walls nothing can be compared"
    if len(facts.book.looks):
        return "Looks were noted only for bowls that cracked, so no count can be given"
    return "Nobody noted looking for cracks, so this article says nothing about them"


def _none_cracked(facts: Facts, say: Say, n: int) -> str:
    """What a season without a crack rules out: the chance of it at a rate of one in ten."""
    weeks = max(int(facts.used["after_days"].median() // 7), 1)
    who = "The bowl was" if n == 1 else "Half of the bowls were"
    least = "" if n == 1 else "at least "
    watched = f"{who} watched for {least}{say.n(weeks, 'cracks.watched_weeks')} " \
              f"week{'' if weeks == 1 else 's'} after turning"  # fmt: skip
    if weeks >= 8:
        watched += ", so an early crack would hardly have been missed"
    if n < FEWEST_EVENTS:
        few = "One whole bowl is no proof" if n == 1 else "So few whole bowls prove nothing"
        return say.paragraph(("watched", watched), ("few", few))
    once = 1 / 0.9**n
    tenth = say.mark("one such bowl in ten", "cracks.none.rate", 0.1)
    odds = say.mark(f"{once:.0f}" if once >= 9.5 else words.NUMBERS[round(once)],
                    "cracks.none.once_in", once)  # fmt: skip
    return say.paragraph(
        ("watched", watched), ("luck", "Still, luck can keep bowls whole"),
        ("odds", f"If {tenth} cracked in the long run, a season like this would still come about "
         f"one time in {odds}"),
        ("like", "Nor does it say anything of thicker walls, other woods or another shed"),
    )  # fmt: skip


def _whole(say: Say, k: int, n: int) -> str:
    many = say.n(n, "cracks.share.of")
    if k == n:
        return f"All {many} bowls that were looked over cracked"
    return f"In all, {say.n(k, 'cracks.share.n')} of the {many} bowls looked over cracked"


def _early_and_late(facts: Facts) -> tuple[float, int, int] | None:
    """The day by which all bare ones had cracked, the sealed ones since, of all sealed ones."""
    first = facts.first
    bare, sealed = first[first["seal"] == "none"], first[first["seal"] != "none"]
    if min(len(bare), len(sealed)) < FEWEST_EVENTS:
        return None
    day = float(bare["by_days"].max())
    late = int((sealed["after_days"] >= day).sum())
    return (day, late, len(sealed)) if late > len(sealed) / 2 else None


def sealed_late(facts: Facts) -> bool:
    """Whether most cracks of sealed bowls came after the last of the bare ones."""
    return _early_and_late(facts) is not None


def _when(facts: Facts, say: Say) -> str:
    """Bare early and sealed late; else by when most had cracked."""
    story = _early_and_late(facts)
    if story:
        day, late, sealed = story
        last = float(facts.first.loc[facts.first["seal"] != "none", "by_days"].max()) / 30.4
        by = say.n(math.ceil(day / 7), "cracks.bare_by_week")
        return (
            f"The bare ones had all cracked by week {by}; {say.n(late, 'cracks.sealed_late')} of "
            f"the {say.n(sealed, 'cracks.sealed')} sealed ones went later, the last within "
            f"{say.n(math.ceil(last), 'cracks.last_month')} months"
        )
    found = facts.first["by_days"][np.isfinite(facts.first["by_days"])]
    if not len(found):
        return ""
    if len(found) < FEWEST_EVENTS:
        days = sorted({round(d) for d in found})
        told = say.listed(say.n(d, f"cracks.day.{d}", figures=True) for d in days)
        cracks = "The crack was" if len(found) == 1 else "The cracks were"
        return f"{cracks} found {told} day{'' if days == [1] else 's'} after turning"
    until = float(np.quantile(found, MOST_SHARE, method="higher"))
    n, weeks = int((found <= until).sum()), say.n(math.ceil(until / 7), "cracks.most_by_week")
    if n == len(found):
        return f"All the cracks had been found by week {weeks} after turning"
    return f"By week {weeks} after turning, {say.n(n, 'cracks.most')} of the " \
           f"{say.n(len(found), 'cracks.share.n')} cracks had been found"  # fmt: skip


def _wood_rows(facts: Facts, sure: str) -> list[Row]:
    """Woods that differ so surely, by a share worth telling."""
    share = facts.rates("species")["share"]
    rows = [r for r in facts.crack_effects("species", sure)
            if {r["level"], r["reference"]} <= set(share.index)]  # fmt: skip
    return [r for r in rows if abs(share[r["level"]] - share[r["reference"]]) >= WORTH_CRACKS]


def _woods(facts: Facts, lead: Subject | None, say: Say) -> str:
    def told(wood: str) -> str:
        return f"{counted(facts, say, wood, 'species')} in {say.wood(wood, facts.woods)}"

    led = lead.name if lead is not None and lead.kind == "wood" else None
    clear = [r for r in _wood_rows(facts, "clear") if r["level"] != led][:3]
    if clear:
        woods = say.listed([told(r["level"]) for r in clear])
        return f"The woods differ: {woods} cracked, and {told(clear[0]['reference'])}"
    likely = [r for r in _wood_rows(facts, "likely") if r["hazard_ratio"] > 1][:2]
    if not likely:
        return ""
    names = say.listed([say.wood(r["level"], facts.woods) for r in likely])
    counts = say.listed([counted(facts, say, r["level"], "species") for r in likely])
    riskier = "is probably the riskier wood" if len(likely) == 1 else \
        "are probably the riskier woods"  # fmt: skip
    return f"{names} {riskier}: {counts} cracked, against {told(likely[0]['reference'])}"


def _log(facts: Facts, say: Say) -> str:
    """Half the cracks of a wood, or of all, in one log."""
    first = facts.first.dropna(subset=["log"])
    if facts.logs < 3:
        return ""
    for wood, own in [*first.groupby("species", sort=False), ("", first)]:
        counts = own["log"].value_counts()
        if len(own) >= FEWEST_EVENTS and counts.iloc[0] >= max(3, len(own) / 2):
            key = f"cracks.share.{wood}.n" if wood else "cracks.share.n"
            which = f"cracks in {say.wood(wood, facts.woods)}" if wood else "cracks"
            most = say.n(int(counts.iloc[0]), "cracks.one_log")
            return f"But {most} of the {say.n(len(own), key)} {which} come from one log, " \
                   f"{say.name(counts.index[0])}"  # fmt: skip
    return ""


def _walls(facts: Facts, lead: Subject | None, say: Say) -> str:
    walls, own = facts.walls_cracked, facts.pieces["wall_mm"].dropna()
    if lead is not None and lead.kind == "wall":
        return ""
    if len(own) > 2 and np.ptp(own) < ALIKE_MM:
        walls_told = say.units.between(own.min(), own.max())
        return f"All walls were {say.mark(walls_told, 'season.walls', own.mean())}, too alike to " \
               "compare"  # fmt: skip
    for row in facts.crack_effects("wall", "clear", "likely")[:1] if len(walls) == 2 else ():
        shares = [walls[side][0] / max(walls[side][1], 1) for side in (True, False)]
        more = row["hazard_ratio"] > 1
        if (shares[0] > shares[1]) == more:
            thick, thin = (say.of(*walls[side], f"cracks.{name}")
                           for side, name in ((True, "thick"), (False, "thin")))  # fmt: skip
            return f"{'Thick' if more else 'Thin'} walls " \
                   f"{'probably ' if row['certainty'] == 'likely' else ''}cracked more often: " \
                   f"{thick} at {say.length(THICK_MM, 'cracks.thick_mm')} or more, " \
                   f"{thin} below"  # fmt: skip
    return ""


def _followed(facts: Facts, action: str) -> tuple[int, int] | None:
    """Cracks that grew, of those of an action that were looked at again; None of fewer than 5."""
    table = facts.cracks.growth_by_action
    rows = table[table["action"] == action] if len(table) else table
    if not len(rows) or rows["n_followed"].iloc[0] < FEWEST_EVENTS:
        return None
    return int(rows["n_grew"].iloc[0]), int(rows["n_followed"].iloc[0])


def _glue(facts: Facts, say: Say) -> str:
    glued, left = _followed(facts, "glued"), _followed(facts, "none")
    if glued is None:
        return ""
    grew = "all" if glued[0] == glued[1] else say.n(glued[0], "cracks.glued_grew")
    said = f"Glue went on {say.n(glued[1], 'cracks.glued')} cracks at first sight, and " \
           f"{grew if glued[0] else 'none'} of them grew"  # fmt: skip
    alone = ""
    if left is not None:
        many = say.n(left[1], "cracks.left")
        alone = f"So did the {many} left alone" if left[0] == left[1] and glued[0] else \
            f"Of the {many} left alone, {say.n(left[0], 'cracks.left_grew')} did"  # fmt: skip
    no_test = "No lots were drawn for glue, so this is no test of it"
    return say.paragraph(("glue", said), ("left", alone), ("lots", no_test))


def _figure(facts: Facts) -> tuple[Figure, ...]:
    from woodlab.charts.studies.cracks import whole_fraction_chart

    whole = facts.cracks.whole
    if facts.looked[0] < 3 or not len(whole):
        return ()
    by = "seal" if (whole["by"] == "seal").sum() > 1 and len(facts.by_seal) > 1 else "all"
    chart = asked(lambda: whole_fraction_chart(whole, by))
    caption = "Bowls still whole, by days since turning. Each step down is a crack" + (
        "; bare bowls take theirs early, sealed ones late." if sealed_late(facts) else "."
    )
    alt = f"Bowls still whole against days since turning{', by seal' * (by == 'seal')}."
    return (Figure(chart, caption, alt),) if chart is not None else ()
