"""The boxes (unknown, next, method, take care), and the whole in a box of 120 words."""

from __future__ import annotations

from typing import Any

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


def boxes(facts: Facts, say: Say) -> tuple[Box, ...]:
    """Unknown, next, method (a box that has nothing to say is left out), and the cautions."""
    made = [
        Box("unknown", "What we do not know", _unknown(facts, say)),
        Box("next", "From here on" if facts.early else "Next season", _next_steps(facts, say)),
        Box("method", "How it was done", paragraph=_method(facts, say)),
        Box("care", "Take care", cautions.ALL),
    ]
    return tuple(box for box in made if box.points or box.paragraph)


def _told(rows: list[tuple[Any, str]]) -> list[str]:
    """The texts whose condition holds."""
    return [text for when, text in rows if when and text]


def _unknown(facts: Facts, say: Say) -> tuple[str, ...]:
    """Open questions that a reader would ask; the one that the lead raises comes first."""
    if not len(facts.pieces):
        return ()
    seals, thick = facts.by_seal.index, facts.thickest
    bare = thick[thick["seal"] == "none"] if len(thick) else thick
    rows = [
        (True, _lead_question(facts, say)),
        (True, _open_seals(facts, say)),
        (True, _open_times(facts, say)),
        (not facts.watched, "Which bowls cracked, and when."),
        (facts.looked[1] and not facts.looked[0] and len(seals) > 1,
         "Whether a seal prevents cracks: none came to show it."),
        (len(seals) == 1 and seals[0] != "none",
         "What the seal did: no bowl was left bare beside the others."),
        (len(seals) > 1 and not facts.by_lot,
         "How much of this is the seal, and how much the choice of bowls for it."),
        (True, _open_woods(facts, say)),
        (True, _slip(facts, say)),
        (facts.early, "When any of these bowls will be dry."),
        (not len(facts.book.air),
         "How damp the shed was, and so how dry a bowl there can become."),
        (len(bare) and bare["wall_mm"].isna().all(),
         "How thick a bare wall can be before cracks become common."),
    ]  # fmt: skip
    out = _told(rows)[: MOST_OPEN - 1]
    return (*out, "Whether another shed or year would give the same.")


def _lead_question(facts: Facts, say: Say) -> str:
    """Whether the leading seal beats the next best: no study compares two seals, so it is open."""
    led = facts.led
    if led is None or not led.cracks:
        return ""
    table = facts.by_seal[facts.by_seal["n_looked"] > 0].drop([led.name, led.against])
    if not len(table):
        return ""
    other = str((table["n_cracked"] / table["n_looked"]).idxmin())
    return f"Whether {say.noun(led.name)} beats {say.noun(other)}: " \
           f"{_close(facts, say, led.name, other)}"  # fmt: skip


def _close(facts: Facts, say: Say, *seals: str) -> str:
    pair = " and ".join(counted(facts, say, seal) for seal in seals)
    return f"{pair} are too close to call."


def _open_seals(facts: Facts, say: Say) -> str:
    seals = [r["seal"] for r in facts.effects("crack_hazard", "open")
             if r["seal"] in facts.by_seal.index and facts.looked[0]]  # fmt: skip
    whether = f"Whether {say.listed(map(say.noun, seals), last='or')} saves bowls"
    if len(seals) == 1:
        return f"{whether}: {_close(facts, say, seals[0], facts.reference)}"
    return f"{whether}: too few cracked." if seals else ""


def _open_times(facts: Facts, say: Say) -> str:
    rows = [] if facts.early else facts.effects("drying_time", "open")
    nouns = say.listed([say.noun(r["seal"]) for r in rows if not alike(r)], last="or")
    return f"How much {nouns} slows drying." if nouns else ""


def _open_woods(facts: Facts, say: Say) -> str:
    counts = facts.pieces["species"].value_counts()
    rows = [r for r in facts.crack_effects("species", "open") if counts.get(r["level"], 0) >= 5]
    if not rows:
        return ""
    woods = say.listed((say.wood(r["level"]) for r in rows[:4]), last="or")
    return f"Whether {woods} cracks more than {say.wood(rows[0]['reference'])}: too few cracked."


def _slip(facts: Facts, say: Say) -> str:
    doubts = facts.book.doubts
    pieces = words.in_order(doubts.loc[doubts["table"] == "weighings", "piece"].dropna().unique())
    named = say.listed(map(say.name, pieces))
    few = 0 < len(pieces) <= MOST_OPEN
    return f"What the odd weights of {named} should have been." if few else ""


def _next_steps(facts: Facts, say: Say) -> tuple[str, ...]:
    """Do this, then why; the record that is missing before the trial that would be nice."""
    book, seals, n = facts.book, facts.by_seal.index, len(facts.pieces)
    if not n:
        return ("Write down the first bowl: its wood, seal, wall and the day it is turned.",)
    every = "Leave every second bowl of a log bare"
    if len(seals) and seals[0] == "none":
        every = "Seal every second bowl of a log"
    rows = [
        (facts.weighings < 6, "Weigh every week for three months: a few weighings draw no curve."),
        (facts.pieces["wall_mm"].isna().mean() > 0.5,
         "Measure each bowl's wall when it is turned: whether it cracks depends on it."),
        (not facts.watched, "Note every look for cracks, also when there is none."),
        (len(seals) > 1 and not facts.by_lot,
         "Toss a coin for the seal inside each log: then the difference is the seal's."),
        (len(seals) == 1 and n > 1, f"{every}, by the toss of a coin."),
        (facts.logs == 1 and n > 1, "Use at least four logs: bowls of one log are much alike."),
        (not len(book.offcuts),
         "Dry one offcut of each log in an oven that is never used for food."),
        (not len(book.air), "Write down the shed's temperature and humidity once a day."),
        (facts.bare_early, "Keep looking at sealed bowls until they are dry."),
        (True, _needed(facts, say)),
        (not len(book.rims) and not facts.early,
         "Measure the rims of a few bowls on the day they are turned."),
    ]  # fmt: skip
    one = "Change one thing only, so that next year's book can be laid beside this one."
    return tuple(_told(rows)[:MOST_NEXT] or [one])


def _needed(facts: Facts, say: Say) -> str:
    """How many bowls it takes to see cracks halved, four times in five."""
    rows = facts.effects("crack_hazard", "open", "likely")
    k, looked = facts.pair(facts.reference)
    if not rows or not k:
        return ""
    p = min(k / looked, 0.9)
    z, q = 1.959964 + 0.841621, p / 2
    need = z**2 * (p * (1 - p) + q * (1 - q)) / (p - q) ** 2
    n = say.n(5 * np.ceil(need / 5), "next.bowls_each", figures=True)
    pool = ", so pool seasons or clubs" if need > 2 * looked else ""
    seal = say.noun(rows[0]["seal"])
    return f"It takes about {n} bowls with {seal}, and as many without, to learn whether it " \
           f"halves cracking{pool}."  # fmt: skip


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
    return say.paragraph(*_told(rows))


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
