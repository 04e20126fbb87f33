"""What comes first: a headline that is a finding, and two or three sentences."""

from __future__ import annotations

import pandas as pd

from woodlab import words
from woodlab.article.facts import Facts, alike
from woodlab.article.say import Say, Sentence, capital, unmarked
from woodlab.article.subject import Subject, share
from woodlab.pages.findings import THICK_MM

MOST_WORDS = 12


def headline(facts: Facts, say: Say) -> str:
    """A finding in at most twelve words; one that is only likely never stands here."""
    choices = [*_headlines(facts, say), "What a season of drying bowls shows"]
    return capital(next(c for c in choices if len(unmarked(c).split()) <= MOST_WORDS))


def _headlines(facts: Facts, say: Say) -> list[str]:
    """From the one to have to the one to have where it is too long."""
    lead, (cracked, looked), n = facts.lead, facts.looked, len(facts.pieces)
    if lead is None and not n:
        return ["A season to come"]
    if lead is None and facts.early:
        per = say.n(max(round(facts.weighings), 1), "season.weighings_per_bowl")
        return [f"What {per} weighing{'' if facts.weighings < 1.5 else 's'} can tell of a season"]
    if lead is None:
        bowls = f"{say.n(n, 'season.bowls')} bowl{'' if n == 1 else 's'}"
        if looked and not cracked:
            return [f"No cracks in {bowls}, and what that does not prove"]
        if facts.logs == 1 and len(facts.woods) == 1 and n > 1:
            return [f"What {bowls} from one {say.wood(facts.woods[0])} log did"]
        return [f"What {bowls} did, and the questions left open"]
    if lead.kind == "wood":
        worse, better = (say.wood(wood) for wood, _ in lead.worse_first)
        return [f"{worse} cracked far more often than {better}"]
    if lead.kind == "wall":
        held, broke = ("Thick", "Thin") if lead.fewer else ("Thin", "Thick")
        return [f"{broke} walls cracked, {held.lower()} ones mostly held"]
    noun, own, other = say.noun(lead.name), say.bowls(lead.name), say.bowls(lead.against)
    if sum(seal.startswith("wax") for seal in facts.by_seal.index) == 1:
        noun = noun.replace("wax all over", "wax")
    slow = words.slowed(lead.ratio)
    if lead.time and lead.cracks and lead.fewer and lead.ratio > 1:
        if not facts.by_lot:
            return [f"{own} dried slower and cracked less"]
        ended = lead.own[1] >= 20 and share(lead.own) <= 0.05 and share(lead.other) >= 0.25
        return [f"{noun} {slow} and {'all but ended cracking' if ended else 'spared bowls'}"]
    if lead.cracks:
        much, often = ("fewer", "less") if lead.fewer else ("more", "more")
        went = "brought" if facts.by_lot else "went with"
        return [f"{own} cracked far {often} often than {other}", f"{noun} {went} {much} cracks"]
    way = "slower" if lead.ratio > 1 else "faster"
    said = f"{noun} {slow if facts.by_lot else f'went with {way} drying'}"
    if not cracked:
        return [f"{said}, and no bowl cracked, sealed or not" if looked else said]
    return [f"{said}; whether it saved bowls is open", said]


def lead_sentences(facts: Facts, say: Say) -> str:
    """Two or three short sentences: the count, what it is held against, the price."""
    lead = facts.lead
    if lead is None:
        return _counted(facts, say)
    if lead.kind == "wood":
        one, two = (f"in {say.wood(wood)}, {say.of(*pair, f'cracks.share.{wood}')}"
                    for wood, pair in lead.worse_first)  # fmt: skip
        return say.paragraph(f"{one} bowls cracked; {two}")
    if lead.kind == "wall":
        thick, thin = say.of(*lead.own, "cracks.thick"), say.of(*lead.other, "cracks.thin")
        mm = say.length(THICK_MM, "cracks.thick_mm")
        return say.paragraph(
            f"Among walls of {mm} or more, {thick} cracked; among thinner ones, {thin}"
        )
    return _of_seals(facts, lead, say)


def _of_seals(facts: Facts, lead: Subject, say: Say) -> str:
    (k, n), (other, of) = lead.own, lead.other
    cracked: list[Sentence] = []
    if n:
        key = f"cracks.share.{lead.name}"
        many = say.bowls(lead.name, n, f"{key}.of")
        before, behind = words.SEALS.get(lead.name, ("", "x"))
        if k in (0, n):
            cracked.append(f"{'None of the' if k == 0 else 'All'} {many} cracked")
        elif k == 1 and not behind:
            in_all = say.n(n, f"{key}.of", figures=True)
            cracked.append(f"{say.mark('One', f'{key}.n', 1)} {before} bowl in {in_all} cracked")
        else:
            cracked.append(f"Of the {many}, {say.n(k, f'{key}.n')} cracked")
    if of:
        key = f"cracks.share.{lead.against}"
        many = say.bowls(lead.against, of, f"{key}.of")
        did = say.n(other, f"{key}.n") if other else "none"
        said = [f"Of the {many}, {did} did", f"Among the {many} it was {did}"]
        cracked.append(("lead.other", said))
    own_bowls, bare_ones = say.bowls(lead.name), say.ones(lead.against)
    own, bare = (weeks(facts, say, s) if lead.time else "" for s in (lead.name, lead.against))
    if not lead.cracks:
        took = f"{own_bowls} took about {own} weeks to dry, {bare_ones} {bare}"
        unsure = ["That is too close to call", "With so few, we cannot tell them apart"]
        some = (*cracked, ("lead.open", unsure)) if n and of and k + other else ()
        return say.paragraph(took, *some)
    price = f"The price was time: {own_bowls} needed about {own} weeks to dry, {bare_ones}"
    if not facts.by_lot:
        price = f"{own_bowls} also dried more slowly, in about {own} weeks where {bare_ones} took"
    return say.paragraph(*cracked, f"{price} {bare}" if lead.time and lead.ratio > 1 else "")


def counted(facts: Facts, say: Say, group: str, by: str = "seal") -> str:
    """'7 of 21': cracked of those looked over, of a seal or a wood."""
    return say.of(*facts.pair(group, by), f"cracks.share.{group}")


def weeks(facts: Facts, say: Say, seal: str) -> str:
    """Average weeks to the target under a seal: the one yardstick for time."""
    return say.n(float(facts.by_seal.at[seal, "weeks"]), f"sealing.weeks.{seal}")


def _counted(facts: Facts, say: Say) -> str:
    """No clear finding: what was counted, and that nothing can be compared yet."""
    (k, looked), n = facts.looked, len(facts.pieces)
    if not n:
        return "No bowl is on record yet."
    said = _lost(facts, say) if facts.early else _dried(facts, say)
    bowls = say.n(looked, "cracks.share.of") + (" bowl" if looked == 1 else " bowls")
    cracked = nothing = ""
    if k:
        cracked = "The one bowl looked over cracked" if looked == 1 else \
            f"Of the {bowls} looked over, {say.n(k, 'cracks.share.n')} cracked"  # fmt: skip
    elif looked:
        none = "the one bowl" if looked == 1 else f"any of the {bowls}"
        cracked = f"No crack was found in {none}"
    elif not said:
        said = f"So far {say.n(n, 'season.bowls')} bowl{'s are' if n > 1 else ' is'} on record"
    times = facts.effects("drying_time")
    known = any(row["certainty"] in ("clear", "likely") or alike(row) for row in times)
    if facts.pieces["seal"].nunique() > 1 and (facts.early or not known):
        nothing = "It is too early to compare the seals" if facts.early else \
            "The seals cannot be told apart yet"  # fmt: skip
    return say.paragraph(cracked, said, nothing)


def _dried(facts: Facts, say: Say) -> str:
    dry, here, probably = len(facts.dry), len(facts.here), int(facts.rest["probably"].sum())
    if not here:
        return ""
    day = say.day(facts.day, "season.day")
    if here == 1:
        how = "dry" if dry else "probably dry" if probably else "still drying"
        return f"By {day} the bowl was {how}"
    did = f"{all_of(say, dry, here)} bowls were" if dry else \
        f"{say.of(probably, here, 'ready.probably')} bowls were probably" if probably else \
        f"{say.mark('no', 'ready.dry', 0)} bowl was"  # fmt: skip
    return f"By {day}, {did} dry enough to turn again"


def all_of(say: Say, dry: int, here: int) -> str:
    """'all 34', '5 of 8': how many are dry."""
    return f"all {say.n(here, 'ready.of')}" if dry == here else say.of(dry, here, "ready.dry")


def _lost(facts: Facts, say: Say) -> str:
    """Weight lost from first to last weighing, by seal: all that a few weighings show."""
    weighed = facts.book.weighings.sort_values("on").groupby("piece")
    ends = pd.concat([weighed.first(), weighed.last()], axis=1, keys=["first", "last"])
    ends = ends[weighed.size() > 1]
    if not len(ends):
        return ""
    lost = 100 * (1 - ends["last"]["mass_g"] / ends["first"]["mass_g"])
    means = lost.groupby(facts.pieces.set_index("piece")["seal"].reindex(lost.index)).mean()
    told = [
        f"{say.bowls(str(seal))}{'' if k else ' lost'} "
        f"{say.n(pct, f'season.lost_pct.{seal}', figures=True)} per cent"
        f"{'' if k else ' of their weight'}" for k, (seal, pct) in enumerate(means.head(4).items())
    ]  # fmt: skip
    span = (ends["last"]["on"] - ends["first"]["on"]).dt.days.median()
    days = say.n(float(span), "season.days", figures=True)
    return f"In {days} days {say.listed(told)}" if told else ""


def season_sentence(facts: Facts, say: Say) -> str:
    """'The records hold 92 bowls of five woods, roughed out between ...'"""
    turned, n, woods = facts.pieces["turned_on"].dropna(), len(facts.pieces), len(facts.woods)
    kinds = f" of {say.n(woods, 'season.woods')} woods" if woods > 1 else \
        f" of {say.wood(facts.woods[0])}" if woods else ""  # fmt: skip
    logs = f" from {say.n(facts.logs, 'season.logs')} logs" if facts.logs > 1 else \
        " from one log" if facts.logs == 1 and n > 1 else ""  # fmt: skip
    head = f"The records hold {say.n(n, 'season.bowls')} bowl{'s' if n > 1 else ''}{kinds}{logs}"
    if not len(turned):
        return head
    start, end = turned.min().normalize(), turned.max().normalize()
    last = say.day(end, "season.to", year=True)
    if start == end:
        return f"{head}, roughed out on {last}"
    first = say.day(start, "season.from", year=start.year != end.year)
    return f"{head}, roughed out between {first} and {last}"


def until(facts: Facts, say: Say, last: pd.Timestamp) -> str:
    """'mid-May', 'early March 2027': as near as a forecast of months is told."""
    third = ("early ", "mid-", "late ")[min((last.day - 1) // 10, 2)]
    year = f" {last.year}" if last.year != facts.day.year else ""
    return say.mark(f"{third}{last:%B}{year}", "ready.last_on", last)
