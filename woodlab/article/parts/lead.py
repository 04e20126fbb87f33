"""What comes first: the subject with the most to say, a headline that is its finding, the lead.

Each clear finding has steps: of drying time ln(ratio) / ln(1.25), of cracks the difference in 100
bowls over 10, counted twice, since a cracked bowl is lost and a slow one only late. The steps of
one subject (a seal, a wood, the wall) are added, and the subject with the most leads. Nothing
likely leads, nor a finding from one log or from fewer than five bowls a side.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from woodlab import words
from woodlab.article.facts import Facts
from woodlab.article.parts.section import PIECES, RATES, READY, WEEKS
from woodlab.article.say import Say, capital, unmarked

WORTH_TIME = 1.25  # a ratio of times that a maker would notice
WORTH_CRACKS = 0.10  # in shares of the bowls
FEWEST = 5  # bowls a side
MOST_WORDS = 12


@dataclass(frozen=True)
class Subject:
    """A seal, a wood or the wall, with what is clear of it."""

    kind: str
    name: str
    steps: float
    time: bool = False  # clearly slower or faster
    cracks: bool = False  # clearly more or fewer cracks
    ratio: float = math.nan
    own: tuple[int, int] = (0, 0)  # cracked, looked over
    other: tuple[int, int] = (0, 0)
    against: str = ""

    @property
    def fewer(self) -> bool:
        """Whether it cracked less than what it is held against."""
        return _share(self.own) < _share(self.other)


def _share(pair: tuple[int, int]) -> float:
    return pair[0] / pair[1] if pair[1] else math.nan


def leading(facts: Facts) -> Subject | None:
    """The subject that the article begins with; None where nothing is clear."""
    found = [*_seals(facts), *_woods(facts), *_wall(facts)]
    found = [one for one in found if one.time or one.cracks]
    if not found or facts.early:
        return None
    top = max(one.steps for one in found)
    near = [one for one in found if one.steps >= 0.9 * top]
    return max(near, key=lambda one: (one.cracks and one.fewer, one.steps))


def _gap(own: tuple[int, int], other: tuple[int, int], sure: str) -> tuple[float, bool]:
    """Steps of a difference in cracks, and whether it is clear and worth a headline."""
    a, b = _share(own), _share(other)
    if sure != "clear" or min(own[1], other[1]) < FEWEST or abs(a - b) < WORTH_CRACKS:
        return 0.0, False
    return 20 * abs(a - b), not 0.5 < (a / b if b else math.inf) < 2


def _seals(facts: Facts) -> list[Subject]:
    table, out = facts.by_seal, []
    if facts.reference not in table.index:
        return []
    bare = table.loc[facts.reference]
    other = (int(bare["n_cracked"]), int(bare["n_looked"]))
    for seal in table.index.drop(facts.reference):
        row, crack = facts.effect("drying_time", seal), facts.effect("crack_hazard", seal)
        own = (int(table.at[seal, "n_cracked"]), int(table.at[seal, "n_looked"]))
        steps, cracks = _gap(own, other, str(crack.get("certainty")))
        cracks = cracks and crack["n_logs"] > 1
        ratio = float(row.get("ratio", math.nan))
        size = max(ratio, 1 / ratio) if ratio > 0 else 0.0
        time = row.get("certainty") == "clear" and size >= WORTH_TIME and row["n_logs"] > 1
        time = time and min(table.at[seal, "n_pieces"], bare["n_pieces"]) >= FEWEST
        steps = (steps if cracks else 0.0) + (math.log(size) / math.log(1.25) if time else 0.0)
        out.append(
            Subject(
                "seal", seal, steps, bool(time), bool(cracks), ratio, own, other, facts.reference
            )  # fmt: skip
        )
    return out


def _woods(facts: Facts) -> list[Subject]:
    rates, out = facts.rates("species"), []
    for row in facts.crack_effects("species"):
        if not {row["level"], row["reference"]} <= set(rates.index):
            continue
        pairs = [(int(r["n_cracked"]), int(r["n_pieces"])) for r in
                 (rates.loc[row["level"]], rates.loc[row["reference"]])]  # fmt: skip
        steps, cracks = _gap(*pairs, row["certainty"])
        logs = facts.book.pieces.loc[facts.book.pieces["species"] == row["level"], "log"]
        cracks = cracks and logs.nunique() > 1
        out.append(Subject("wood", row["level"], steps, cracks=cracks, own=pairs[0],
                           other=pairs[1], against=row["reference"]))  # fmt: skip
    return out


def _wall(facts: Facts) -> list[Subject]:
    rows, walls = facts.crack_effects("wall"), facts.walls_cracked
    if not rows or len(walls) < 2:
        return []
    steps, cracks = _gap(walls[True], walls[False], rows[0]["certainty"])
    thick = walls[True], walls[False]
    return [Subject("wall", "thick", steps, cracks=cracks, own=thick[0], other=thick[1])]


def headline(facts: Facts, lead: Subject | None, say: Say) -> str:
    """A finding in at most twelve words; one that is only likely never stands here."""
    choices = [*_headlines(facts, lead, say), "What a season of drying bowls shows"]
    return capital(next(c for c in choices if len(unmarked(c).split()) <= MOST_WORDS))


def _headlines(facts: Facts, lead: Subject | None, say: Say) -> list[str]:
    n = len(facts.book.pieces)
    k, looked = facts.looked
    if lead is None:
        return [_quiet(facts, say, n, k, looked)]
    if lead.kind == "wood":
        worse, better = (name for name, _ in _worse_first(facts, lead, say))
        return [f"{worse} cracked far more often than {better}"]
    if lead.kind == "wall":
        thin = "Thin walls cracked, thick ones mostly held"
        return [thin if lead.fewer else "Thick walls cracked, thin ones mostly held"]
    noun = words.seal_noun(lead.name)
    if sum(seal.startswith("wax") for seal in facts.by_seal.index) == 1:
        noun = noun.replace("wax all over", "wax")
    noun = words.opened(noun if lead.name in words.SEALS else say.name(noun))
    own, other = words.opened(say.bowls(lead.name)), say.bowls(lead.against)
    slow = words.slowed(lead.ratio)
    if lead.time and lead.cracks and lead.fewer and lead.ratio > 1:
        if not facts.by_lot:
            return [f"{own} dried slower and cracked less"]
        ended = lead.own[1] >= 20 and _share(lead.own) <= 0.05 and _share(lead.other) >= 0.25
        return [f"{noun} {slow} and {'all but ended cracking' if ended else 'spared bowls'}"]
    if lead.cracks:
        often = "far less often" if lead.fewer else "far more often"
        went = "brought" if facts.by_lot else "went with"
        short = f"{noun} {went} {'fewer' if lead.fewer else 'more'} cracks"
        return [f"{own} cracked {often} than {other}", short]
    verb = slow if facts.by_lot else "went with slower drying" if lead.ratio > 1 else \
        "went with faster drying"  # fmt: skip
    if not looked:
        return [f"{noun} {verb}"]
    if not k:
        return [f"{noun} {verb}, and no bowl cracked, sealed or not"]
    return [f"{noun} {verb}; whether it saved bowls is open", f"{noun} {verb}"]


def _worse_first(facts: Facts, lead: Subject, say: Say) -> list[tuple[str, str]]:
    """The two woods of a comparison with their counts, the one that cracked more first."""
    among = facts.book.pieces["species"].unique()
    sides = [(lead.name, lead.own), (lead.against, lead.other)]
    return [
        (say.name(words.wood(wood, among)), say.of(*pair, f"cracks.share.{wood}", RATES))
        for wood, pair in (reversed(sides) if lead.fewer else sides)
    ]


def _quiet(facts: Facts, say: Say, n: int, k: int, looked: int) -> str:
    pieces = facts.book.pieces
    if not n:
        return "A season to come"
    if facts.early:
        per = max(round(facts.weighings), 1)
        weighings = say.n(per, "season.weighings_per_bowl", "book.weighings")
        return f"First weeks of drying: what {weighings} weighing{'' if per == 1 else 's'} can tell"
    count = say.n(n, "season.bowls", PIECES)
    bowls = f"{count} bowl{'' if n == 1 else 's'}"
    if looked and not k:
        return f"No cracks in {bowls}, and what that does not prove"
    if pieces["log"].nunique() == 1 and pieces["species"].nunique() == 1:
        wood = words.wood(pieces["species"].iloc[0])
        return f"What {bowls} from one {say.name(wood)} log did"
    return f"What {bowls} did, and the questions left open"


def lead_sentences(facts: Facts, lead: Subject | None, say: Say) -> str:
    """Two or three short sentences: the count, what it is held against, the price."""
    if lead is None:
        return _counted(facts, say)
    if lead.kind == "wood":
        (worse, one), (better, other) = _worse_first(facts, lead, say)
        return say.paragraph(
            ("lead.own", f"In {worse}, {one} bowls cracked"),
            ("lead.other", f"Among those of {better} it was {other}"),
        )
    if lead.kind == "wall":
        mm = say.n(30, "cracks.thick_mm", "woodlab.pages.findings.THICK_MM", figures=True)
        return say.paragraph(
            ("lead.own", f"Among walls of {mm} mm or more, {say.of(*lead.own, 'cracks.thick', RATES)} "
             "cracked"),
            ("lead.other", f"Of the thinner ones it was {say.of(*lead.other, 'cracks.thin', RATES)}"),
        )  # fmt: skip
    cracked = [("lead.own", _first(say, lead.name, lead.own)),
               ("lead.other", _second(say, lead.against, lead.other))]  # fmt: skip
    if not lead.cracks:
        timed = [("lead.time", _waited(facts, lead, say))]
        known = lead.own[1] and lead.other[1] and lead.own[0] + lead.other[0]
        if not known:
            return say.paragraph(*timed)
        return say.paragraph(
            *timed, *cracked,
            ("lead.open", ["That is too close to call", "With so few, we cannot tell them apart"]),
        )  # fmt: skip
    price = ""
    if lead.time and lead.ratio > 1:
        own, bare = (weeks(facts, say, s) for s in (lead.name, lead.against))
        own_bowls = say.bowls(lead.name)
        price = (
            f"The price was time: {own_bowls} needed about {own} weeks to dry, "
            f"{say.ones(lead.against)} {bare}"
            if facts.by_lot
            else f"{words.opened(own_bowls)} also dried more slowly, in about {own} weeks where "
            f"{say.ones(lead.against)} took {bare}"
        )
    return say.paragraph(*cracked, ("lead.price", price))


def weeks(facts: Facts, say: Say, seal: str) -> str:
    """Average weeks to the target under a seal: the one yardstick for time."""
    value = float(facts.by_seal.at[seal, "weeks"])
    return say.n(value, f"sealing.weeks.{seal}", WEEKS)


def _first(say: Say, seal: str, pair: tuple[int, int]) -> str:
    k, n = pair
    key = f"cracks.share.{seal}"
    if n == 0:
        return ""
    many = say.bowls(seal, n, f"{key}.of", RATES)
    if k == 0:
        return f"None of the {many} cracked"
    if k == n > 1:
        return f"All {many} cracked"
    if k == 1 and words.SEALS.get(seal, ("", "x"))[1] == "":
        before = words.SEALS[seal][0]
        number = say.n(n, f"{key}.of", RATES, figures=True)
        return f"{say.mark('One', f'{key}.n', 1, RATES)} {before} bowl in {number} cracked"
    return f"Of the {many}, {say.n(k, f'{key}.n', RATES)} cracked"


def _second(say: Say, seal: str, pair: tuple[int, int]) -> Sequence[str]:
    k, n = pair
    key = f"cracks.share.{seal}"
    if n == 0:
        return ()
    many = say.bowls(seal, n, f"{key}.of", RATES)
    did = say.n(k, f"{key}.n", RATES) if k else "none"
    return [f"Of the {many}, {did} did", f"Among the {many} it was {did}"]


def _waited(facts: Facts, lead: Subject, say: Say) -> str:
    own, bare = (weeks(facts, say, s) for s in (lead.name, lead.against))
    return (
        f"{words.opened(say.bowls(lead.name))} took about {own} weeks to dry, "
        f"{say.ones(lead.against)} {bare}"
    )


def _counted(facts: Facts, say: Say) -> str:
    """No clear finding: what was counted, and that nothing can be compared yet."""
    pieces, (k, looked) = facts.book.pieces, facts.looked
    if not len(pieces):
        return "No bowl is on record yet."
    said: list[tuple[str, str]] = []
    bowls = say.n(looked, "cracks.share.of", RATES) + (" bowl" if looked == 1 else " bowls")
    if k:
        some = say.n(k, "cracks.share.n", RATES)
        whole = f"Of the {bowls} looked over, {some} cracked"
        said.append(("lead.cracked", whole if looked > 1 else "The one bowl looked over cracked"))
    elif looked:
        said.append(("lead.cracked", f"No crack was found in any of {bowls}" if looked > 1 else
                     "No crack was found in the one bowl looked over"))  # fmt: skip
    if facts.early:
        said += _lost(facts, say)
    else:
        said += _dried(facts, say)
    if not said:
        n = say.n(len(pieces), "season.bowls", PIECES)
        said = [
            ("lead.turned", f"So far {n} bowl{'s are' if len(pieces) > 1 else ' is'} on record")
        ]
    if pieces["seal"].nunique() > 1:
        said.append(("lead.nothing", ["Too little is known yet to set one seal against another",
                                      "One seal cannot be set against another yet"]))  # fmt: skip
    return say.paragraph(*said)


def _dried(facts: Facts, say: Say) -> list[tuple[str, str]]:
    dry, here = len(facts.ready["dry"]), len(facts.ready["all"])
    if not here:
        return []
    day = say.day(facts.day, "season.day", "book.weighings")
    if here == 1:
        return [("lead.dry", f"By {day} the bowl was {'dry' if dry else 'still drying'}")]
    did = all_of(say, dry, here)
    return [("lead.dry", f"By {day}, {did} bowls were dry enough to turn again")]


def all_of(say: Say, dry: int, here: int) -> str:
    """'all 34', '5 of 8', 'none of 12': how many are dry."""
    if dry == here:
        return f"all {say.n(here, 'ready.of', READY)}"
    return say.of(dry, here, "ready.dry", READY)


def _lost(facts: Facts, say: Say) -> list[tuple[str, str]]:
    """Weight lost from first to last weighing, by seal: all that a few weighings show."""
    book = facts.book
    weighed = book.weighings.sort_values("on").groupby("piece")
    first, last, times = weighed["mass_g"].first(), weighed["mass_g"].last(), weighed.size()
    span = (weighed["on"].last() - weighed["on"].first()).dt.days[times > 1]
    if not len(span):
        return []
    lost = (100 * (1 - last / first))[times > 1]
    by = lost.groupby(book.pieces.set_index("piece")["seal"].reindex(lost.index)).mean()
    call = "book.weighings: first and last mass of each bowl"
    told = [
        f"{say.bowls(seal)} {'lost ' if k == 0 else ''}"
        f"{say.n(value, f'season.lost_pct.{seal}', call, figures=True)} per cent"
        + (" of their weight" if k == 0 else "")
        for k, (seal, value) in enumerate(by.items())
    ]
    days = say.n(float(span.median()), "season.days", "book.weighings", figures=True)
    return [("lead.lost", f"In {days} days {say.listed(told[:4])}")]


def season_sentence(facts: Facts, say: Say) -> str:
    """'The records hold 92 bowls of five woods, roughed out between ...'"""
    pieces = facts.book.pieces
    turned = pieces["turned_on"].dropna()
    n, woods = len(pieces), int(pieces["species"].nunique())
    kinds = f"{say.n(woods, 'season.woods', PIECES)} woods" if woods > 1 else \
        say.name(words.wood(pieces["species"].iloc[0]))  # fmt: skip
    logs = f" from {say.n(facts.logs, 'season.logs', PIECES)} logs" if facts.logs > 1 else \
        " from one log" if facts.logs == 1 else ""  # fmt: skip
    count = say.n(n, "season.bowls", PIECES)
    what = f"{count} bowl{'s' if n > 1 else ''} of {kinds}{logs}"
    head = f"The records hold {what}"
    if not len(turned):
        return head
    start, end = turned.min(), turned.max()
    last = say.day(end, "season.to", PIECES, year=True)
    if pd.Timestamp(start).normalize() == pd.Timestamp(end).normalize():
        return f"{head}, roughed out on {last}"
    one = say.day(start, "season.from", PIECES, year=start.year != end.year)
    return f"{head}, roughed out between {one} and {last}"
