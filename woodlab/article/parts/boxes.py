"""The boxes: what we do not know, what to do next, how it was done, take care; and the short one."""

from __future__ import annotations

from typing import Any

import numpy as np

from woodlab import words
from woodlab.article.facts import THIS, Facts
from woodlab.article.parts.cracks import sealed_late
from woodlab.article.parts.lead import Subject, all_of, lead_sentences, season_sentence, weeks
from woodlab.article.parts.seals import alike
from woodlab.article.parts.section import CRACKS, RATES, READY, Box
from woodlab.article.say import Say
from woodlab.studies import cautions

MOST_OPEN, MOST_NEXT = 4, 3
SHORT_WORDS = 120


def boxes(facts: Facts, lead: Subject | None, say: Say) -> tuple[Box, ...]:
    """Unknown, next, method (a box that has nothing to say is left out), and the cautions."""
    made = [
        Box("unknown", "What we do not know", tuple(unknown(facts, lead, say)[:MOST_OPEN])),
        Box("next", "Next season" if not facts.early else "From here on",
            tuple(next_steps(facts, say)[:MOST_NEXT])),
        Box("method", "How it was done", paragraph=method(facts, lead, say)),
    ]  # fmt: skip
    kept = [box for box in made if box.points or box.paragraph]
    return (*kept, Box("care", "Take care", cautions.ALL))


def unknown(facts: Facts, lead: Subject | None, say: Say) -> list[str]:
    """Open questions that a reader would ask; the one that the lead raises comes first."""
    if not len(facts.book.pieces):
        return []
    out = [_lead_question(facts, lead, say), _open_seals(facts, lead, say)]
    if not facts.watched:
        out.append("Which bowls cracked, and when.")
    elif facts.looked[1] and not facts.looked[0] and facts.by_seal.shape[0] > 1:
        out.append("Whether a seal prevents cracks: none came to show it.")
    if facts.by_seal.shape[0] == 1 and facts.by_seal.index[0] != "none":
        out.append("What the seal did: no bowl was left bare beside the others.")
    if facts.by_seal.shape[0] > 1 and not facts.by_lot:
        out.append("How much of this is the seal, and how much the choice of bowls for it.")
    out += [_open_woods(facts, say), _slip(facts, say)]
    if facts.early:
        out.append("When any of these bowls will be dry.")
    if not len(facts.book.air):
        out.append("How damp the shed was, and so how dry a bowl there can become.")
    thick = facts.thickest
    bare = thick[thick["seal"] == "none"] if len(thick) else thick
    if len(bare) and bare["wall_mm"].isna().all():
        out.append("How thick a bare wall can be before cracks become common.")
    out = [one for one in out if one]
    return [*out[: MOST_OPEN - 1], "Whether another shed or year would give the same."]


def _rows(facts: Facts, outcome: str, *sure: str) -> list[dict[str, Any]]:
    if facts.seals is None or not len(facts.seals.effects):
        return []
    rows = facts.seals.effects
    rows = rows[(rows["outcome"] == outcome) & rows["certainty"].isin(sure)]
    return list((rows[rows["scope"] == THIS] if "scope" in rows else rows).to_dict("records"))


def _share(facts: Facts, say: Say, seal: str) -> str:
    row = facts.by_seal.loc[seal]
    return say.of(int(row["n_cracked"]), int(row["n_looked"]), f"cracks.share.{seal}", RATES)


def _noun(say: Say, seal: str) -> str:
    noun = words.seal_noun(seal)
    return noun if seal in words.SEALS else say.name(noun)


def _lead_question(facts: Facts, lead: Subject | None, say: Say) -> str:
    """Whether the leading seal beats the next best: no study compares two seals, so it is open."""
    if lead is None or lead.kind != "seal" or not lead.cracks:
        return ""
    table = facts.by_seal[facts.by_seal["n_looked"] > 0].drop([lead.name, lead.against])
    if not len(table):
        return ""
    share = table["n_cracked"] / table["n_looked"]
    other = str(share.index[share.argmin()])
    return (
        f"Whether {_noun(say, lead.name)} beats {_noun(say, other)}: "
        f"{_share(facts, say, lead.name)} and {_share(facts, say, other)} are too close to call."
    )


def _open_seals(facts: Facts, lead: Subject | None, say: Say) -> str:
    if not facts.looked[0]:
        rows = [] if facts.early else _rows(facts, "drying_time", "open")
        rows = [r for r in rows if not alike(r)]
        if not rows:
            return ""
        return f"How much {say.listed(_noun(say, r['seal']) for r in rows)} slows drying."
    rows = [r for r in _rows(facts, "crack_hazard", "open") if r["seal"] in facts.by_seal.index]
    if not rows:
        return ""
    nouns = say.listed([_noun(say, r["seal"]) for r in rows])
    if len(rows) == 1:
        seal, bare = rows[0]["seal"], facts.reference
        pair = f"{_share(facts, say, seal)} and {_share(facts, say, bare)}"
        return f"Whether {nouns} saves bowls: {pair} are too close to call."
    return f"Whether {nouns} save bowls: too few cracked."


def _open_woods(facts: Facts, say: Say) -> str:
    rows = [r for r in facts.crack_effects("species") if r["certainty"] == "open"]
    counts = facts.book.pieces["species"].value_counts()
    rows = [r for r in rows if counts.get(r["level"], 0) >= 5]
    if not rows:
        return ""
    among = facts.book.pieces["species"].unique()
    names = [say.name(words.wood(r["level"], among)) for r in rows[:4]]
    ref = say.name(words.wood(rows[0]["reference"], among))
    woods = " or ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
    return f"Whether {woods} cracks more than {ref}: too few cracked."


def _slip(facts: Facts, say: Say) -> str:
    doubts = facts.book.doubts
    doubts = doubts[doubts["table"] == "weighings"] if len(doubts) else doubts
    if not len(doubts) or doubts["piece"].nunique() > MOST_OPEN:
        return ""
    names = words.in_order(doubts["piece"].dropna().unique())
    return f"What the odd weights of {say.listed([say.name(n) for n in names], most=4)} should have been."


def next_steps(facts: Facts, say: Say) -> list[str]:
    """Do this, then why; the record that is missing before the trial that would be nice."""
    book, out = facts.book, []
    if not len(book.pieces):
        return ["Write down the first bowl: its wood, seal, wall and the day it is turned."]
    if facts.weighings < 6:
        out.append("Weigh every week for three months: a few weighings draw no curve.")
    if book.pieces["wall_mm"].isna().mean() > 0.5:
        out.append("Measure each bowl's wall when it is turned: cracks hang on it.")
    if not facts.watched:
        out.append("Note every look for cracks, also when there is none.")
    if facts.by_seal.shape[0] > 1 and not facts.by_lot:
        out.append("Toss a coin for the seal inside each log: then the difference is the seal's.")
    if facts.by_seal.shape[0] == 1 and len(book.pieces) > 1:
        other = "bare" if facts.by_seal.index[0] != "none" else "sealed"
        out.append(f"Leave every second bowl of a log {other}, by the toss of a coin."
                   if other == "bare" else "Seal every second bowl of a log, by the toss of a coin.")  # fmt: skip
    if facts.logs == 1 and len(book.pieces) > 1:
        out.append("Use at least four logs: bowls of one log are brothers.")
    if not len(book.offcuts):
        out.append("Dry one offcut of each log in an oven that is never used for food.")
    if not len(book.air):
        out.append("Write down the shed's temperature and humidity once a day.")
    if sealed_late(facts):
        out.append("Keep looking at sealed bowls until they are dry.")
    out += [_needed(facts, say)]
    if not len(book.rims) and not facts.early:
        out.append("Measure the rims of a few bowls on the day they are turned.")
    out = [one for one in out if one]
    return out or ["Change one thing only, so that next year's book can be laid beside this one."]


def _needed(facts: Facts, say: Say) -> str:
    """How many bowls it takes to see cracks halved, four times in five."""
    rows = _rows(facts, "crack_hazard", "open", "likely")
    table = facts.by_seal
    if not rows or facts.reference not in table.index or not table.at[facts.reference, "n_cracked"]:
        return ""
    bare = table.loc[facts.reference]
    p = float(min(bare["n_cracked"] / bare["n_looked"], 0.9))
    z, q = 1.959964 + 0.841621, p / 2
    need = z**2 * (p * (1 - p) + q * (1 - q)) / (p - q) ** 2
    call = "normal approximation, two shares p and p / 2, 5 % two-sided, power 80 %; p from rates"
    n = say.n(5 * np.ceil(need / 5), "next.bowls_each", call, figures=True)
    nouns = _noun(say, rows[0]["seal"])
    pool = ", so pool seasons or clubs" if need > 2 * bare["n_looked"] else ""
    return f"To learn whether {nouns} halves cracking takes about {n} bowls with it and as many " \
           f"without{pool}."  # fmt: skip


def _times(say: Say, number: float, key: str, call: str) -> str:
    """'once', 'twice', 'about 24 times'."""
    whole = round(number)
    if whole in (1, 2):
        return say.mark("once" if whole == 1 else "twice", key, number, call)
    return f"about {say.n(number, key, call)} times"


def method(facts: Facts, lead: Subject | None, say: Say) -> str:
    """How it was done, in a paragraph; the certainty words explained once."""
    book = facts.book
    if not len(book.weighings):
        return ""
    times = _times(say, facts.weighings, "season.weighings_per_bowl", "book.weighings")
    looks = len(book.looks) / max(facts.book.pieces.shape[0], 1)
    looked = f" and looked over {_times(say, looks, 'season.looks_per_bowl', 'book.looks')}" \
        if looks >= 0.5 else ""  # fmt: skip
    timed = facts.by_seal["weeks"].notna().sum() > 1 and not facts.early
    dry = (
        "offcuts dried in an oven and from the weighings" if len(book.offcuts) else "the weighings"
    )
    compared = facts.looked[0] or timed
    doubts = book.doubts[book.doubts["table"] == "weighings"] if len(book.doubts) else ()
    return say.paragraph(
        ("weighed", f"Each bowl was weighed {times}{looked}"),
        ("dry", f"Dry weights come from {dry}, so moistures are worked out, not measured"
         if not facts.early else ""),
        ("timed", "Weeks run from turning until a bowl is as dry as the shed will let it get, "
         "within two points; they are worked out for all the bowls under each seal, so that "
         "thick walls on one side weigh on both" if timed else ""),
        ("range", f"A range holds the true value {say.mark('95', 'method.level', 0.95, CRACKS)} "
         "times in a hundred" if lead is not None and lead.kind == "seal" else ""),
        ("sure", "We say a thing plainly when chance would seldom give it, allowing for the number "
         "of comparisons; “probably” marks weaker evidence" if compared else ""),
        ("slips", "Weights that cannot be right were left out" if len(doubts) else ""),
    )  # fmt: skip


def short_box(facts: Facts, lead: Subject | None, say: Say, title: str) -> tuple[str, str]:
    """The box of 120 words: its headline, and what a reader would take away."""
    pieces = facts.book.pieces
    head = f"Invented season: {title[:1].lower()}{title[1:]}" if facts.book.invented else title
    if not len(pieces):
        return head, "No bowl is on record yet."
    parts = [("season", season_sentence(facts, say)), ("lead", lead_sentences(facts, lead, say))]
    seals = [s for s in facts.by_seal.index if lead is None or s not in (lead.name, lead.against)]
    if lead is not None and lead.kind == "seal" and lead.time and seals:
        slow = str(facts.by_seal.loc[seals, "weeks"].idxmax())
        if facts.by_seal.at[slow, "n_looked"]:
            parts.append(("other", f"{words.opened(_noun(say, slow))} took {weeks(facts, say, slow)} "
                          f"weeks; {_share(facts, say, slow)} cracked"))  # fmt: skip
    if sealed_late(facts):
        parts.append(("late", "Sealed bowls cracked late, so keep looking"))
    dry, here = len(facts.ready["dry"]), len(facts.ready["all"])
    if lead is not None and dry and not facts.early:
        day = say.day(facts.day, "season.day", "book.weighings")
        ready = f"By {day}, {all_of(say, dry, here)} bowls were dry"
        parts.append(("ready", ready))
    care = "A cracked or glued blank can fly apart. Local rules and people licensed to advise come " \
           "first."  # fmt: skip
    text = " ".join(say.paragraph(part) for part in parts)
    return head, f"{text} {care}"
