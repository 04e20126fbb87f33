"""The boxes (unknown, next, method, take care), and the whole in a box of 120 words."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice

import numpy as np

from woodlab import words
from woodlab.article.facts import Facts, alike
from woodlab.article.parts import Box
from woodlab.article.parts.lead import all_of, counted, lead_sentences, season_sentence, weeks
from woodlab.article.say import Say
from woodlab.studies import cautions

MOST_OPEN, MOST_NEXT = 4, 3
CARE = (
    "A cracked or glued blank can fly apart. Local rules and people licensed to advise come first."
)
ELSEWHERE = "Whether another shed or year would give the same."
FIRST_BOWL = "Write down the first bowl: its wood, seal, wall and the day it is turned."
ONE_CHANGE = "Change one thing only, so that next year's book can be laid beside this one."


def boxes(facts: Facts, say: Say) -> tuple[Box, ...]:
    """Unknown, next, method (a box that has nothing to say is left out), and the cautions."""
    known = len(facts.pieces)
    unknown = (*islice(_questions(facts, say), MOST_OPEN - 1), ELSEWHERE) if known else ()
    steps = tuple(islice(_next_steps(facts, say), MOST_NEXT)) or (ONE_CHANGE,)
    made = [
        Box("unknown", "What we do not know", unknown),
        Box("next", "From here on" if facts.early else "Next season",
            steps if known else (FIRST_BOWL,)),
        Box("method", "How it was done", paragraph=_method(facts, say)),
        Box("care", "Take care", cautions.ALL),
    ]  # fmt: skip
    return tuple(box for box in made if box.points or box.paragraph)


def _questions(facts: Facts, say: Say) -> Iterator[str]:
    """Open questions that a reader would ask; the one that the lead raises comes first."""
    table, led, (k, looked) = facts.by_seal, facts.led, facts.looked

    def close(*seals: str) -> str:
        pair = " and ".join(counted(facts, say, seal) for seal in seals)
        return f"{pair} are too close to call."

    # no study compares two seals, so whether the leading one beats the next best is open
    others = table[table["n_looked"] > 0]
    others = others.drop([led.name, led.against]) if led and led.cracks else others[:0]
    if led and len(others):
        best = str((others["n_cracked"] / others["n_looked"]).idxmin())
        whether = f"Whether {say.noun(led.name)} beats {say.noun(best)}"
        yield f"{whether}: {close(led.name, best)}"
    seals = [r["seal"] for r in facts.effects("crack_hazard", "open") if r["seal"] in table.index]
    if seals and k:
        whether = f"Whether {say.listed(map(say.noun, seals), last='or')} saves bowls"
        few = close(seals[0], facts.reference) if len(seals) == 1 else "too few cracked."
        yield f"{whether}: {few}"
    times = [] if facts.early else facts.effects("drying_time", "open")
    slow = [say.noun(r["seal"]) for r in times if not alike(r)]
    if slow:
        yield f"How much {say.listed(slow, last='or')} slows drying."
    if not facts.watched:
        yield "Which bowls cracked, and when."
    if looked and not k and len(table) > 1:
        yield "Whether a seal prevents cracks: none came to show it."
    if len(table) == 1 and table.index[0] != "none":
        yield "What the seal did: no bowl was left bare beside the others."
    if len(table) > 1 and not facts.by_lot:
        yield "How much of this is the seal, and how much the choice of bowls for it."
    bowls = facts.pieces["species"].value_counts()
    woods = [r for r in facts.crack_effects("species", "open") if bowls.get(r["level"], 0) >= 5]
    if woods:
        names = say.listed((say.wood(r["level"]) for r in woods[:4]), last="or")
        than = say.wood(woods[0]["reference"])
        yield f"Whether {names} cracks more than {than}: too few cracked."
    doubts = facts.book.doubts
    slips = words.in_order(doubts.loc[doubts["table"] == "weighings", "piece"].dropna().unique())
    if 0 < len(slips) <= MOST_OPEN:
        yield f"What the odd weights of {say.listed(map(say.name, slips))} should have been."
    if facts.early:
        yield "When any of these bowls will be dry."
    if not len(facts.book.air):
        yield "How damp the shed was, and so how dry a bowl there can become."
    walls = facts.thickest.reindex(columns=["seal", "wall_mm"]).query("seal == 'none'")["wall_mm"]
    if len(walls) and walls.isna().all():
        yield "How thick a bare wall can be before cracks become common."


def _next_steps(facts: Facts, say: Say) -> Iterator[str]:
    """Do this, then why; the record that is missing before the trial that would be nice."""
    book, seals, several = facts.book, facts.by_seal.index, len(facts.pieces) > 1
    if facts.weighings < 6:
        yield "Weigh every week for three months: a few weighings draw no curve."
    if facts.pieces["wall_mm"].isna().mean() > 0.5:
        yield "Measure each bowl's wall when it is turned: whether it cracks depends on it."
    if not facts.watched:
        yield "Note every look for cracks, also when there is none."
    if len(seals) > 1 and not facts.by_lot:
        yield "Toss a coin for the seal inside each log: then the difference is the seal's."
    if len(seals) == 1 and several:
        every = "Seal every second bowl of a log" if seals[0] == "none" else \
            "Leave every second bowl of a log bare"  # fmt: skip
        yield f"{every}, by the toss of a coin."
    if facts.logs == 1 and several:
        yield "Use at least four logs: bowls of one log are much alike."
    if not len(book.offcuts):
        yield "Dry one offcut of each log in an oven that is never used for food."
    if not len(book.air):
        yield "Write down the shed's temperature and humidity once a day."
    if facts.bare_early:
        yield "Keep looking at sealed bowls until they are dry."
    yield from _needed(facts, say)
    if not len(book.rims) and not facts.early:
        yield "Measure the rims of a few bowls on the day they are turned."


def _needed(facts: Facts, say: Say) -> Iterator[str]:
    """How many bowls it takes to see cracks halved, four times in five."""
    rows = facts.effects("crack_hazard", "open", "likely")
    k, looked = facts.pair(facts.reference)
    if rows and k:
        p = min(k / looked, 0.9)
        z, q = 1.959964 + 0.841621, p / 2
        need = z**2 * (p * (1 - p) + q * (1 - q)) / (p - q) ** 2
        n = say.n(5 * np.ceil(need / 5), "next.bowls_each", figures=True)
        pool = ", so pool seasons or clubs" if need > 2 * looked else ""
        yield f"It takes about {n} bowls with {say.noun(rows[0]['seal'])}, and as many without, " \
              f"to learn whether it halves cracking{pool}."  # fmt: skip


def _times(say: Say, number: float, key: str) -> str:
    """'once', 'twice', 'about 24 times'."""
    once = {1: "once", 2: "twice"}.get(round(number))
    return say.mark(once, key, number) if once else f"about {say.n(number, key)} times"


def _method(facts: Facts, say: Say) -> str:
    """How it was done, in a paragraph; the certainty words explained once."""
    book = facts.book
    if not len(book.weighings):
        return ""
    weighed, looked = _times(say, facts.weighings, "season.weighings_per_bowl"), ""
    looks = len(book.looks) / max(len(facts.pieces), 1)
    if looks >= 0.5:
        looked = f" and looked over {_times(say, looks, 'season.looks_per_bowl')}"
    timed = facts.by_seal["weeks"].notna().sum() > 1 and not facts.early
    offcuts = "offcuts dried in an oven and from " if len(book.offcuts) else ""
    rows = [
        (True, f"Each bowl was weighed {weighed}{looked}"),
        (not facts.early, f"Dry weights come from {offcuts}the weighings, so moistures are worked "
         "out, not measured"),
        (timed, "Weeks run from turning until a bowl is as dry as the shed will let it get, within "
         "two points; they are worked out for all the bowls under each seal, so that thick walls "
         "on one side weigh on both"),
        (facts.led, f"A range holds the true value {say.mark('95', 'method.level', 0.95)} times in "
         "a hundred"),
        (facts.looked[0] or timed, "We say a thing plainly when chance would seldom give it, "
         "allowing for the number of comparisons; “probably” marks weaker evidence"),
        ((book.doubts["table"] == "weighings").any(), "Weights that cannot be right were left out"),
    ]  # fmt: skip
    return say.paragraph(*(text for holds, text in rows if holds))


def short_box(facts: Facts, say: Say, title: str) -> tuple[str, str]:
    """The box of 120 words: its headline, and what a reader would take away."""
    head = f"Invented season: {title}" if facts.book.invented else title
    if not len(facts.pieces):
        return head, "No bowl is on record yet."
    other = ready = ""
    led = facts.led
    if led is not None and led.time:
        slow = facts.by_seal["weeks"].drop([led.name, led.against]).dropna()
        seal = str(slow.idxmax()) if len(slow) else ""
        if seal and facts.by_seal.at[seal, "n_looked"]:
            other = f"{say.noun(seal)} took {weeks(facts, say, seal)} weeks; " \
                    f"{counted(facts, say, seal)} cracked"  # fmt: skip
    if facts.lead is not None and len(facts.dry):
        day = say.day(facts.day, "season.day")
        ready = f"By {day}, {all_of(say, len(facts.dry), len(facts.here))} bowls were dry"
    late = "Sealed bowls cracked late, so keep looking" if facts.bare_early else ""
    first = lead_sentences(facts, say)
    season = "" if first.startswith("So far") else season_sentence(facts, say)
    parts = say.paragraph(season), first, say.paragraph(other, late, ready), CARE
    return head, " ".join(part for part in parts if part)
