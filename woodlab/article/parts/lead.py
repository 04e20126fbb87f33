"""What comes first: the subject with the most to say, a headline that is its finding, the lead.

Each clear finding has steps: of drying time ln(ratio) / ln(1.25), of cracks the difference in 100
bowls over 10, counted twice, since a cracked bowl is lost and a slow one only late. The steps of
one subject (a seal, a wood, the wall) are added, and the subject with the most leads. Nothing
likely leads, nor a finding from one log or from fewer than five bowls a side.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import pandas as pd

from woodlab import words
from woodlab.article.facts import Facts, Row
from woodlab.article.say import Say, Wordings, capital, unmarked
from woodlab.pages.findings import THICK_MM

WORTH_TIME = 1.25  # a ratio of times that a maker would notice
WORTH_CRACKS = 0.10  # in shares of the bowls
FEWEST = 5  # bowls a side
MOST_WORDS = 12


@dataclass(frozen=True)
class Subject:
    """A seal, a wood or the wall, beside another: cracked and looked over, and what is clear."""

    kind: str
    name: str
    against: str
    own: tuple[int, int]
    other: tuple[int, int]
    cracks: float = 0.0  # steps; zero unless clear
    time: float = 0.0
    ratio: float = math.nan

    @property
    def steps(self) -> float:
        """How much there is to say of it."""
        return self.cracks + self.time

    @property
    def fewer(self) -> bool:
        """Whether it cracked less than what it is held against."""
        return _share(self.own) < _share(self.other)


def alike(row: Row) -> bool:
    """Whether the whole range of a ratio lies within a tenth of no difference."""
    return words.alike(row["ci_lower"], row["ci_upper"])


def _share(pair: tuple[int, int]) -> float:
    return pair[0] / pair[1] if pair[1] else math.nan


def leading(facts: Facts) -> Subject | None:
    """The subject that the article begins with; None where nothing is clear."""
    found = [one for one in (*_seals(facts), *_woods(facts), *_wall(facts)) if one.steps]
    if not found or facts.early:
        return None
    top = max(one.steps for one in found)
    near = [one for one in found if one.steps >= 0.9 * top]
    return max(near, key=lambda one: (one.cracks > 0 and one.fewer, one.steps))


def _gap(own: tuple[int, int], other: tuple[int, int], sure: str) -> float:
    """Steps of a difference in cracks that is clear, at least twofold, and worth a headline."""
    a, b = _share(own), _share(other)
    if sure != "clear" or min(own[1], other[1]) < FEWEST or abs(a - b) < WORTH_CRACKS:
        return 0.0
    return 0.0 if b / 2 < a < 2 * b else 20 * abs(a - b)


def _seals(facts: Facts) -> Iterator[Subject]:
    table, ref = facts.by_seal, facts.reference
    for seal in table.index.drop(ref) if ref in table.index else ():
        row, crack = facts.effect("drying_time", seal), facts.effect("crack_hazard", seal)
        own, other = facts.pair(seal), facts.pair(ref)
        cracks = _gap(own, other, crack["certainty"]) if crack.get("n_logs", 0) > 1 else 0.0
        ratio, time = float(row.get("ratio", math.nan)), 0.0
        size = max(ratio, 1 / ratio) if ratio > 0 else 0.0
        few = table.loc[[seal, ref], "n_pieces"].min() < FEWEST
        if row.get("certainty") == "clear" and size >= WORTH_TIME and row["n_logs"] > 1 and not few:
            time = math.log(size) / math.log(1.25)
        yield Subject("seal", seal, ref, own, other, cracks, time, ratio)


def _woods(facts: Facts) -> Iterator[Subject]:
    rates = facts.rates("species")
    for row in facts.crack_effects("species"):
        wood, ref = row["level"], row["reference"]
        logs = facts.pieces.loc[facts.pieces["species"] == wood, "log"].nunique()
        if {wood, ref} <= set(rates.index) and logs > 1:
            own, other = ((int(rates.at[w, "n_cracked"]), int(rates.at[w, "n_pieces"]))
                          for w in (wood, ref))  # fmt: skip
            yield Subject("wood", wood, ref, own, other, _gap(own, other, row["certainty"]))


def _wall(facts: Facts) -> Iterator[Subject]:
    walls = facts.walls_cracked
    for row in facts.crack_effects("wall")[:1] if len(walls) == 2 else ():
        cracks = _gap(walls[True], walls[False], row["certainty"])
        yield Subject("wall", "thick", "thin", walls[True], walls[False], cracks)


def headline(facts: Facts, lead: Subject | None, say: Say) -> str:
    """A finding in at most twelve words; one that is only likely never stands here."""
    choices = [*_headlines(facts, lead, say), "What a season of drying bowls shows"]
    return capital(next(c for c in choices if len(unmarked(c).split()) <= MOST_WORDS))


def _headlines(facts: Facts, lead: Subject | None, say: Say) -> list[str]:
    if lead is None:
        return [_quiet(facts, say)]
    if lead.kind == "wood":
        worse, better = (say.wood(w, facts.woods) for w, _ in _worse_first(lead))
        return [f"{worse} cracked far more often than {better}"]
    if lead.kind == "wall":
        held, broke = ("Thick", "Thin") if lead.fewer else ("Thin", "Thick")
        return [f"{broke} walls cracked, {held.lower()} ones mostly held"]
    noun = say.noun(lead.name)
    if sum(seal.startswith("wax") for seal in facts.by_seal.index) == 1:
        noun = noun.replace("wax all over", "wax")
    own, other = say.bowls(lead.name), say.bowls(lead.against)
    slow = words.slowed(lead.ratio)
    if lead.time and lead.cracks and lead.fewer and lead.ratio > 1:
        if not facts.by_lot:
            return [f"{own} dried slower and cracked less"]
        ended = lead.own[1] >= 20 and _share(lead.own) <= 0.05 and _share(lead.other) >= 0.25
        return [f"{noun} {slow} and {'all but ended cracking' if ended else 'spared bowls'}"]
    if lead.cracks:
        much, often = ("fewer", "less") if lead.fewer else ("more", "more")
        went = "brought" if facts.by_lot else "went with"
        return [f"{own} cracked far {often} often than {other}", f"{noun} {went} {much} cracks"]
    way = "slower" if lead.ratio > 1 else "faster"
    said = f"{noun} {slow if facts.by_lot else f'went with {way} drying'}"
    if not facts.looked[1]:
        return [said]
    if not facts.looked[0]:
        return [f"{said}, and no bowl cracked, sealed or not"]
    return [f"{said}; whether it saved bowls is open", said]


def _worse_first(lead: Subject) -> list[tuple[str, tuple[int, int]]]:
    """The two of a comparison with their counts, the one that cracked more first."""
    sides = [(lead.name, lead.own), (lead.against, lead.other)]
    return sides[::-1] if lead.fewer else sides


def _quiet(facts: Facts, say: Say) -> str:
    n = len(facts.pieces)
    if not n:
        return "A season to come"
    if facts.early:
        per = say.n(max(round(facts.weighings), 1), "season.weighings_per_bowl")
        return f"What {per} weighing{'' if facts.weighings < 1.5 else 's'} can tell of a season"
    bowls = f"{say.n(n, 'season.bowls')} bowl{'' if n == 1 else 's'}"
    if facts.looked[1] and not facts.looked[0]:
        return f"No cracks in {bowls}, and what that does not prove"
    if facts.logs == 1 and len(facts.woods) == 1 and n > 1:
        return f"What {bowls} from one {say.wood(facts.woods[0])} log did"
    return f"What {bowls} did, and the questions left open"


def lead_sentences(facts: Facts, lead: Subject | None, say: Say) -> str:
    """Two or three short sentences: the count, what it is held against, the price."""
    if lead is None:
        return _counted(facts, say)
    if lead.kind == "wood":
        one, two = (f"in {say.wood(wood, facts.woods)}, {say.of(*pair, f'cracks.share.{wood}')}"
                    for wood, pair in _worse_first(lead))  # fmt: skip
        return say.paragraph(("lead.own", f"{one} bowls cracked; {two}"))
    if lead.kind == "wall":
        thick, thin = say.of(*lead.own, "cracks.thick"), say.of(*lead.other, "cracks.thin")
        mm = say.length(THICK_MM, "cracks.thick_mm")
        one = f"Among walls of {mm} or more, {thick} cracked; among thinner ones, {thin}"
        return say.paragraph(("lead.own", one))
    cracked: list[Wordings] = [
        ("lead.own", _first(say, lead.name, lead.own)),
        ("lead.other", _second(say, lead.against, lead.other)),
    ]
    own_bowls, bare_ones = say.bowls(lead.name), say.ones(lead.against)
    own, bare = (weeks(facts, say, s) if lead.time else "" for s in (lead.name, lead.against))
    if not lead.cracks:
        took: Wordings = ("lead.time", f"{own_bowls} took about {own} weeks to dry, {bare_ones} "
                          f"{bare}")  # fmt: skip
        if not (lead.own[1] and lead.other[1] and lead.own[0] + lead.other[0]):
            return say.paragraph(took)
        unsure = ["That is too close to call", "With so few, we cannot tell them apart"]
        return say.paragraph(took, *cracked, ("lead.open", unsure))
    price = ""
    if lead.time and lead.ratio > 1 and facts.by_lot:
        price = f"The price was time: {own_bowls} needed about {own} weeks to dry, {bare_ones} " \
                f"{bare}"  # fmt: skip
    elif lead.time and lead.ratio > 1:
        price = f"{own_bowls} also dried more slowly, in about {own} weeks where {bare_ones} " \
                f"took {bare}"  # fmt: skip
    return say.paragraph(*cracked, ("lead.price", price))


def counted(facts: Facts, say: Say, group: str, by: str = "seal") -> str:
    """'7 of 21': cracked of those looked over, of a seal or a wood."""
    row = facts.rates(by).loc[group]
    return say.of(int(row["n_cracked"]), int(row["n_pieces"]), f"cracks.share.{group}")


def weeks(facts: Facts, say: Say, seal: str) -> str:
    """Average weeks to the target under a seal: the one yardstick for time."""
    return say.n(float(facts.by_seal.at[seal, "weeks"]), f"sealing.weeks.{seal}")


def _first(say: Say, seal: str, pair: tuple[int, int]) -> str:
    (k, n), key = pair, f"cracks.share.{seal}"
    if n == 0:
        return ""
    many = say.bowls(seal, n, f"{key}.of")
    if k in (0, n):
        return f"{'None of the' if k == 0 else 'All'} {many} cracked"
    before, behind = words.SEALS.get(seal, ("", "x"))
    if k == 1 and not behind:
        in_all = say.n(n, f"{key}.of", figures=True)
        return f"{say.mark('One', f'{key}.n', 1)} {before} bowl in {in_all} cracked"
    return f"Of the {many}, {say.n(k, f'{key}.n')} cracked"


def _second(say: Say, seal: str, pair: tuple[int, int]) -> list[str]:
    (k, n), key = pair, f"cracks.share.{seal}"
    if n == 0:
        return []
    many, did = say.bowls(seal, n, f"{key}.of"), say.n(k, f"{key}.n") if k else "none"
    return [f"Of the {many}, {did} did", f"Among the {many} it was {did}"]


def _counted(facts: Facts, say: Say) -> str:
    """No clear finding: what was counted, and that nothing can be compared yet."""
    (k, looked), n = facts.looked, len(facts.pieces)
    if not n:
        return "No bowl is on record yet."
    said: list[Wordings] = []
    bowls = say.n(looked, "cracks.share.of") + (" bowl" if looked == 1 else " bowls")
    if k:
        whole = f"Of the {bowls} looked over, {say.n(k, 'cracks.share.n')} cracked"
        said.append(("lead.cracked", whole if looked > 1 else "The one bowl looked over cracked"))
    elif looked:
        none = "the one bowl" if looked == 1 else f"any of the {bowls}"
        said.append(("lead.cracked", f"No crack was found in {none}"))
    said += _lost(facts, say) if facts.early else _dried(facts, say)
    if not said:
        have = f"So far {say.n(n, 'season.bowls')} bowl{'s are' if n > 1 else ' is'} on record"
        said.append(("lead.turned", have))
    known = facts.effects("drying_time", "clear", "likely") or any(
        map(alike, facts.effects("drying_time"))
    )
    if facts.pieces["seal"].nunique() > 1 and (facts.early or not known):
        said.append(("lead.nothing", ["It is too early to compare the seals" if facts.early else
                                      "The seals cannot be told apart yet"]))  # fmt: skip
    return say.paragraph(*said)


def _dried(facts: Facts, say: Say) -> list[Wordings]:
    dry, here, probably = len(facts.dry), len(facts.here), int(facts.rest["probably"].sum())
    if not here:
        return []
    day = say.day(facts.day, "season.day")
    if here == 1:
        how = "dry" if dry else "probably dry" if probably else "still drying"
        return [("lead.dry", f"By {day} the bowl was {how}")]
    did = f"{all_of(say, dry, here)} bowls were"
    if not dry:
        some = say.of(probably, here, "ready.probably") if probably else ""
        did = (
            f"{some} bowls were probably" if some else f"{say.mark('no', 'ready.dry', 0)} bowl was"
        )
    return [("lead.dry", f"By {day}, {did} dry enough to turn again")]


def all_of(say: Say, dry: int, here: int) -> str:
    """'all 34', '5 of 8': how many are dry."""
    return f"all {say.n(here, 'ready.of')}" if dry == here else say.of(dry, here, "ready.dry")


def _lost(facts: Facts, say: Say) -> list[Wordings]:
    """Weight lost from first to last weighing, by seal: all that a few weighings show."""
    weighed = facts.book.weighings.sort_values("on").groupby("piece")
    times = weighed.size() > 1
    span = (weighed["on"].last() - weighed["on"].first()).dt.days[times]
    if not len(span):
        return []
    lost = (100 * (1 - weighed["mass_g"].last() / weighed["mass_g"].first()))[times]
    told = [
        f"{say.bowls(seal)}{'' if k else ' lost'} "
        f"{say.n(value, f'season.lost_pct.{seal}', figures=True)} per cent"
        + ("" if k else " of their weight")
        for k, (seal, value) in enumerate(
            lost.groupby(facts.pieces.set_index("piece")["seal"].reindex(lost.index)).mean().items()
        )
    ]
    days = say.n(float(span.median()), "season.days", figures=True)
    return [("lead.lost", f"In {days} days {say.listed(told[:4])}")]


def season_sentence(facts: Facts, say: Say) -> str:
    """'The records hold 92 bowls of five woods, roughed out between ...'"""
    turned, n, woods = facts.pieces["turned_on"].dropna(), len(facts.pieces), len(facts.woods)
    kinds = f" of {say.n(woods, 'season.woods')} woods" if woods > 1 else \
        f" of {say.wood(facts.woods[0])}" if woods else ""  # fmt: skip
    logs = f" from {say.n(facts.logs, 'season.logs')} logs" if facts.logs > 1 else \
        " from one log" if facts.logs == 1 and n > 1 else ""  # fmt: skip
    bowls = f"{say.n(n, 'season.bowls')} bowl{'s' if n > 1 else ''}"
    head = f"The records hold {bowls}{kinds}{logs}"
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
