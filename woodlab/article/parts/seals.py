"""What sealing cost, and what it saved: the design, the table, times, cracks."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from woodlab import words
from woodlab.article.facts import Facts, Row
from woodlab.article.parts import Figure, Section, Table
from woodlab.article.parts.lead import Subject, alike, counted, season_sentence
from woodlab.article.say import Say, capital
from woodlab.pages.facts import asked

FEW_LOGS = 5  # pairs are told from so many logs on
MOST_LIKELY = 3


def seals_section(facts: Facts, lead: Subject | None, say: Say) -> Section | None:
    """The section, or None for an empty book."""
    if not len(facts.pieces):
        return None
    if len(facts.by_seal) < 2:
        return Section("seals", "A diary, not a trial", (_one_way(facts, say),))
    led = lead.name if lead is not None and lead.kind == "seal" else ""
    saved = led if lead is not None and lead.cracks else ""
    times = say.paragraph(
        ("pairs", _pairs(facts, say)), ("times", _times(facts, say)),
        ("span", _span(facts, led, say) if lead is not None and lead.time else ""),
        ("likely", _likely_times(facts, say)), ("alike", _alike_times(facts, say)),
        ("untold", _untold(facts)),
    )  # fmt: skip
    cracks = say.paragraph(
        ("seasons", _seasons(facts, lead, say) if lead is not None and saved else ""),
        ("range", _crack_range(facts, saved, say) if lead is not None and lead.fewer else ""),
        ("clear", _clear_cracks(facts, saved, say)), ("probably", _likely_cracks(facts, say)),
        ("turned", _other_way(facts, say)),
    )  # fmt: skip
    first = say.paragraph(("season", season_sentence(facts, say)), ("lots", _lots(facts, say)))
    heading = say.pick("seals", "What sealing cost, and what it saved", "Sealed and bare")
    paragraphs = tuple(p for p in (first, times, cracks) if p)
    return Section("seals", heading, paragraphs, _table(facts, say), _figure(facts))


def _one_way(facts: Facts, say: Say) -> str:
    one, seals = len(facts.pieces) == 1, list(facts.by_seal.index)
    if not seals:
        way = f"The book does not say how {'it was' if one else 'any of them was'} sealed"
    elif seals[0] == "none":
        way = "It was left bare" if one else "All were left bare"
    else:
        way = f"{'It' if one else 'All'} had {say.noun(seals[0])}"
    nothing = "With nothing to compare them with, the season cannot show what that did"
    return say.paragraph(
        ("season", season_sentence(facts, say)), ("way", way),
        ("nothing", "One bowl is a diary" if one else nothing),
        ("log", "Nor can one tree stand for its kind" if facts.logs == 1 and not one else ""),
    )  # fmt: skip


def _lots(facts: Facts, say: Say) -> str:
    kinds = say.listed((say.kind(seal) for seal in facts.by_seal.index), last="or")
    allotted = facts.pieces["allotted"].dropna()
    if facts.by_lot:
        within = " of each log" if facts.logs > 1 else ""
        return f"Lots decided which bowls{within} would be {kinds}"
    if len(allotted) and (allotted == "random").all():
        return f"Lots decided which would be {kinds}, though not every log is named"
    if (allotted == "chosen").any():
        return f"Their makers chose which would be {kinds}; no lots were drawn for all of them"
    return f"They were {kinds}; the records do not say how that was decided"


def _timed(facts: Facts, *sure: str) -> list[Row]:
    """Rows of drying time that are so sure, shortest first; unasked, those that are alike."""
    if facts.early:
        return []
    rows = [r for r in facts.effects("drying_time", *sure) if np.isfinite(r["ratio"])]
    return sorted((r for r in rows if alike(r) != bool(sure)), key=lambda row: row["ratio"])


def _said(say: Say, row: Row) -> str:
    return say.ratio(row, f"sealing.time.{row['seal']}")


def _times(facts: Facts, say: Say) -> str:
    """Clear differences of one direction in one sentence, smallest to largest."""
    rows = _timed(facts, "clear")
    made = "made drying take" if facts.by_lot else "went with drying that took"
    if len(rows) > 4:
        return f"The seals {made} from {_said(say, rows[0])} to {_said(say, rows[-1])}; the " \
               "table has the rest"  # fmt: skip
    told = [f"{say.noun(r['seal'])}{'' if k else f' {made}'} {_said(say, r)}"
            for k, r in enumerate(rows)]  # fmt: skip
    return f"Allowing for wood and wall, {say.listed(told)}" if told else ""


def _span(facts: Facts, seal: str, say: Say) -> str:
    """The range of the leading seal: the one ratio that is printed in figures."""
    row = facts.effect("drying_time", seal)
    if not row:
        return ""
    text = f"{words.two(row['ci_lower'])} and {words.two(row['ci_upper'])}"
    span = say.ratio(row, f"sealing.time.{seal}.range", text)
    alone = len(_timed(facts, "clear")) == 1
    which = "the figure" if alone else f"for {say.noun(seal)} the figure"
    return f"{which} lies between {span} times the {_bare(facts, say)} time"


def _bare(facts: Facts, say: Say) -> str:
    return "bare" if facts.reference == "none" else say.noun(facts.reference)


def _likely_times(facts: Facts, say: Say) -> str:
    rows = _timed(facts, "likely")[:MOST_LIKELY]
    told = say.listed([f"{_said(say, r)} with {say.noun(r['seal'])}" for r in rows])
    return f"Drying probably took {told}" if told else ""


def _alike_times(facts: Facts, say: Say) -> str:
    nouns = say.listed([say.noun(r["seal"]) for r in _timed(facts)])
    return f"With {nouns}, drying took as long as without, to within a tenth" if nouns else ""


def _pairs(facts: Facts, say: Say) -> str:
    """In how many logs that held both the slowest clear seal was the slower."""
    rows = [r for r in _timed(facts, "clear") if r["ratio"] > 1]
    if not rows or not len(facts.seals.pairs):
        return ""
    seal, ref = rows[-1]["seal"], facts.reference
    wide = facts.seals.pairs.pivot_table(index="log", columns="seal", values="weeks")
    both = wide.reindex(columns=[seal, ref]).dropna()
    slower, n = int((both[seal] > both[ref]).sum()), len(both)
    if n < FEW_LOGS or slower < n / 2:
        return ""
    many = f"all {say.n(n, 'sealing.pairs.of')}" if slower == n else \
        say.of(slower, n, "sealing.pairs")  # fmt: skip
    return f"In {many} logs that held both, {say.bowls(seal)} took longer than {say.ones(ref)}"


def _untold(facts: Facts) -> str:
    """Why no seal can be compared, where none can."""
    if facts.early:
        return "So few weighings cannot say how long drying takes"
    if facts.seals is None or _timed(facts, "clear", "likely", "open"):
        return ""
    logs = facts.pieces.dropna(subset=["log"]).groupby("log")["seal"].nunique()
    return "Each log had its own seal, so the log and the seal cannot be told apart" \
        if len(logs) and (logs < 2).all() else ""  # fmt: skip


def _less(row: Row) -> bool:
    return bool((row["ratio"] if np.isfinite(row["ratio"]) else row["ci_upper"]) < 1)


def _agrees(facts: Facts, row: Row) -> bool:
    """Whether the plain counts point the way of the row."""
    (k, n), (other, of) = facts.pair(row["seal"]), facts.pair(facts.reference)
    return (k * of < other * n) == _less(row)


def _cracked(facts: Facts, *sure: str) -> list[Row]:
    rows = facts.effects("crack_hazard", *sure) if facts.reference in facts.by_seal.index else []
    return [r for r in rows if _agrees(facts, r)]


def _crack_range(facts: Facts, seal: str, say: Say) -> str:
    row = facts.effect("crack_hazard", seal)
    if not row or not row["ci_upper"] < 1:
        return ""
    low, high = float(np.nan_to_num(row["ci_lower"])), float(row["ci_upper"])
    low_, high_ = (say.ratio(row | {"ratio": x}, f"sealing.cracks.{seal}.{side}", words.rate(x))
                   for x, side in ((low, "from"), (high, "to")))  # fmt: skip
    return f"Under {say.noun(seal)} the true rate of cracking could be anything between {low_} " \
           f"and {high_} of the {_bare(facts, say)} rate"  # fmt: skip


def _seasons(facts: Facts, lead: Subject, say: Say) -> str:
    """The leading seal's cracks year by year, where two years have five bowls a side."""
    sides, used = [lead.name, lead.against], facts.used
    year = used["piece"].map(facts.pieces.set_index("piece")["turned_on"].dt.year)
    counts = used.assign(year=year).groupby(["year", "seal"])["cracked"].agg(["sum", "size"])
    counts = counts.unstack("seal").reindex(columns=sides, level="seal").dropna()
    counts = counts[(counts["size"][sides] >= FEW_LOGS).all(axis=1)]
    shares = counts["sum"] / counts["size"]
    if len(counts) < 2 or not ((shares[sides[0]] < shares[sides[1]]) == lead.fewer).all():
        return ""
    told = []
    for at, row in counts.tail(3).iterrows():
        own, other = (say.of(int(row["sum", s]), int(row["size", s]), f"cracks.{at}.{s}")
                      for s in sides)  # fmt: skip
        told.append(f"{own} against {other} in {say.mark(str(at), f'season.{at}', at)}")
    return f"Each season showed the same: {say.listed(told)}"


def _counts(facts: Facts, rows: list[Row], say: Say) -> str:
    each = [f"{say.noun(r['seal'])} ({counted(facts, say, r['seal'])})" for r in rows]
    return say.listed(each)


def _by_way(rows: list[Row]) -> list[tuple[bool, list[Row]]]:
    sides = [(less, [r for r in rows if _less(r) == less]) for less in (True, False)]
    return [(less, own) for less, own in sides if own]


def _clear_cracks(facts: Facts, told: str, say: Say) -> str:
    rows = [r for r in _cracked(facts, "clear") if r["seal"] != told]
    parts = [f"{'fewer' if less else 'more'} cracked under {_counts(facts, own[:4], say)}"
             for less, own in _by_way(rows)]  # fmt: skip
    if not parts:
        return ""
    other = "left bare" if facts.reference == "none" else f"under {say.noun(facts.reference)}"
    return f"{'; '.join(parts)}, against {counted(facts, say, facts.reference)} {other}"


def _likely_cracks(facts: Facts, say: Say) -> str:
    for less, own in _by_way(_cracked(facts, "likely")[:MOST_LIKELY])[:1]:
        told = _counts(facts, own, say)
        return f"{told} probably helped" if less else f"More bowls probably cracked under {told}"
    return ""


def _other_way(facts: Facts, say: Say) -> str:
    """Counts and comparison that point different ways: said, and left there."""
    for row in facts.effects("crack_hazard", "clear", "likely"):
        if facts.reference in facts.by_seal.index and not _agrees(facts, row):
            seal = row["seal"]
            return f"Under {say.noun(seal)} {counted(facts, say, seal)} cracked; allowing for " \
                   "wood and wall, the difference is the other way round"  # fmt: skip
    return ""


def _table(facts: Facts, say: Say) -> Table:
    table = facts.by_seal
    columns: dict[str, Callable[[str], str]] = {
        "Seal": lambda s: "Bare" if s == "none" else capital(say.noun(s)),
        "Bowls": lambda s: say.n(table.at[s, "n_pieces"], f"season.bowls.{s}", figures=True),
    }
    timed = table["weeks"].notna().any() and not facts.early
    if timed:
        columns["Average weeks to dry"] = lambda s: (
            say.n(table.at[s, "weeks"], f"sealing.weeks.{s}", figures=True)
            if np.isfinite(table.at[s, "weeks"]) else "–"
        )  # fmt: skip
    if table["n_looked"].sum():
        columns["Cracked"] = lambda s: _cell(facts, s, say)
    rows = tuple(tuple(cell(seal) for cell in columns.values()) for seal in table.index)
    told = "What each seal cost and saved. Weeks are those that all the bowls would have needed " \
           "under that seal." if timed else "How the bowls were sealed."  # fmt: skip
    return Table(tuple(columns), rows, told)


def _cell(facts: Facts, seal: str, say: Say) -> str:
    """'3', or '3 of 5' where not every bowl was looked over."""
    k, n = facts.pair(seal)
    if n and n != facts.by_seal.at[seal, "n_pieces"]:
        return counted(facts, say, seal)
    return say.n(k, f"cracks.share.{seal}.n", figures=True) if n else "–"


def _figure(facts: Facts) -> tuple[Figure, ...]:
    from woodlab.charts.studies.sealing import weeks_against_cracks

    table = facts.by_seal
    both = table["weeks"].notna() & (table["n_looked"] > 0)
    if facts.early or both.sum() < 2 or not table["n_cracked"].sum():
        return ()
    effects = facts.seals.effects
    chart = asked(lambda: weeks_against_cracks(facts.seals.by_seal, effects))
    caption = (
        "The bargain: the further right, the longer the wait; the higher, the more cracks. Bars "
        "show how unsure each count is."
    )
    alt = "Weeks to dry against bowls that cracked, by seal."
    return (Figure(chart, caption, alt),) if chart is not None else ()
