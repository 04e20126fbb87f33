"""Which bowls cracked, and when: counts, woods, walls, and the stories that hide in the looks."""

from __future__ import annotations

import math

import numpy as np

from woodlab import words
from woodlab.article.facts import Facts
from woodlab.article.parts import Figure, Section, drawn
from woodlab.article.parts.lead import counted
from woodlab.article.say import Say
from woodlab.article.subject import WORTH_CRACKS
from woodlab.pages.findings import THICK_MM

FEWEST_EVENTS = 5  # cracks, before a story is told of them
MOST_SHARE = 0.8  # of cracks, in "most of them"
LATE = "Stop looking when the bare ones are through, and you miss them"
ALIKE_MM = 6.0  # walls that differ by less cannot be compared


def cracks_section(facts: Facts, say: Say) -> Section:
    """Counts first; then when, in which woods and walls, and what glue did."""
    k, n = facts.looked
    if not n:
        return Section("Cracks", (say.paragraph(_nothing(facts, say)),))
    if not k:
        heading = say.pick("cracks", "What no cracks means", "Not one crack")
        return Section(heading, (_none_cracked(facts, say, n),))
    few = "One crack so far" if k == 1 else "The ones that cracked" if k < FEWEST_EVENTS else \
        "Which bowls cracked, and when"  # fmt: skip
    many, some = say.n(n, "cracks.share.of"), say.n(k, "cracks.share.n")
    whole = f"All {many} bowls that were looked over cracked" if k == n else \
        f"In all, {some} of the {many} bowls looked over cracked"  # fmt: skip
    late = LATE if facts.bare_early else ""
    first = say.paragraph(whole if facts.lead else "", _when(facts, say), late)
    second = say.paragraph(_woods(facts, say), _log(facts, say), _walls(facts, say))
    return Section(few, (first, second, _glue(facts, say)), None, _figure(facts))


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
        return say.paragraph(watched, few)
    once = 1 / 0.9**n
    tenth = say.mark("one such bowl in ten", "cracks.none.rate", 0.1)
    odds = say.mark(f"{once:.0f}" if once >= 9.5 else words.NUMBERS[round(once)],
                    "cracks.none.once_in", once)  # fmt: skip
    return say.paragraph(
        watched,
        "Still, luck can keep bowls whole",
        f"If {tenth} cracked in the long run, a season like this would still come about one time "
        f"in {odds}",
        "Nor does it say anything of thicker walls, other woods or another shed",
    )


def _when(facts: Facts, say: Say) -> str:
    """Bare early and sealed late; else by when most had cracked."""
    if facts.bare_early:
        day, late, sealed = facts.bare_early
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


def _woods(facts: Facts, say: Say) -> str:
    """Woods that differ clearly or likely, by a share worth telling."""
    share, lead = facts.rates("species")["share"], facts.lead
    rows = [r for r in facts.crack_effects("species", "clear", "likely")
            if {r["level"], r["reference"]} <= set(share.index)
            and abs(share[r["level"]] - share[r["reference"]]) >= WORTH_CRACKS]  # fmt: skip
    led = lead.name if lead is not None and lead.kind == "wood" else None
    clear = [r for r in rows if r["certainty"] == "clear" and r["level"] != led][:3]
    likely = [r for r in rows if r["certainty"] == "likely" and r["hazard_ratio"] > 1][:2]

    def told(wood: str) -> str:
        return f"{counted(facts, say, wood, 'species')} in {say.wood(wood)}"

    if clear:
        woods = say.listed([told(r["level"]) for r in clear])
        return f"The woods differ: {woods} cracked, and {told(clear[0]['reference'])}"
    if not likely:
        return ""
    names = say.listed([say.wood(r["level"]) for r in likely])
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
            which = f"cracks in {say.wood(wood)}" if wood else "cracks"
            most = say.n(int(counts.iloc[0]), "cracks.one_log")
            return f"But {most} of the {say.n(len(own), key)} {which} come from one log, " \
                   f"{say.name(counts.index[0])}"  # fmt: skip
    return ""


def _walls(facts: Facts, say: Say) -> str:
    walls, own = facts.walls_cracked, facts.pieces["wall_mm"].dropna()
    if facts.lead is not None and facts.lead.kind == "wall":
        return ""
    if len(own) > 2 and np.ptp(own) < ALIKE_MM:
        span = say.mark(say.units.between(own.min(), own.max()), "season.walls", own.mean())
        return f"All walls were {span}, too alike to compare"
    for row in facts.crack_effects("wall", "clear", "likely")[:1] if len(walls) == 2 else ():
        more = row["hazard_ratio"] > 1
        shares = [walls[side][0] / max(walls[side][1], 1) for side in (True, False)]
        if (shares[0] > shares[1]) == more:
            which = f"{'Thick' if more else 'Thin'} walls"
            sure = "probably " if row["certainty"] == "likely" else ""
            thick, thin = (say.of(*walls[side], f"cracks.{name}")
                           for side, name in ((True, "thick"), (False, "thin")))  # fmt: skip
            mm = say.length(THICK_MM, "cracks.thick_mm")
            return f"{which} {sure}cracked more often: {thick} at {mm} or more, {thin} below"
    return ""


def _glue(facts: Facts, say: Say) -> str:
    """How many glued cracks grew, beside those left alone; nothing of fewer than five."""
    followed = {r.action: (int(r.n_grew), int(r.n_followed))
                for r in facts.cracks.growth_by_action.itertuples()
                if r.n_followed >= FEWEST_EVENTS}  # fmt: skip
    if "glued" not in followed:
        return ""
    k, n = followed["glued"]
    grew = ("all" if k == n else say.n(k, "cracks.glued_grew")) if k else "none"
    said = f"Glue went on {say.n(n, 'cracks.glued')} cracks at first sight, and {grew} of them grew"
    alone = ""
    if "none" in followed:
        left_grew, left = followed["none"]
        many = say.n(left, "cracks.left")
        alone = f"So did the {many} left alone" if left_grew == left and k else \
            f"Of the {many} left alone, {say.n(left_grew, 'cracks.left_grew')} did"  # fmt: skip
    return say.paragraph(said, alone, "No lots were drawn for glue, so this is no test of it")


def _figure(facts: Facts) -> tuple[Figure, ...]:
    from woodlab.charts.studies.cracks import whole_fraction_chart

    whole = facts.cracks.whole
    if facts.looked[0] < 3 or not len(whole):
        return ()
    by = "seal" if (whole["by"] == "seal").sum() > 1 and len(facts.by_seal) > 1 else "all"
    when = "; bare bowls take theirs early, sealed ones late." if facts.bare_early else "."
    return drawn(
        lambda: whole_fraction_chart(whole, by, size="page"),
        f"Bowls still whole, by days since turning. Each step down is a crack{when}",
        f"Bowls still whole against days since turning{', by seal' * (by == 'seal')}.",
    )
