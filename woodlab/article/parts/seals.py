"""What sealing cost, and what it saved: the design, the table, times, cracks."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from woodlab import words
from woodlab.article.facts import Facts
from woodlab.article.parts.lead import Subject, counted, season_sentence
from woodlab.article.parts.section import (
    EFFECTS,
    FIRST,
    PAIRS,
    PIECES,
    RATES,
    Figure,
    Section,
    Table,
)
from woodlab.article.say import Say, capital
from woodlab.errors import WoodlabError

ALIKE = (0.9, 1.1)
FEW_LOGS = 5  # pairs are told from so many logs on
MOST_LIKELY = 3


def seals_section(facts: Facts, lead: Subject | None, say: Say) -> Section | None:
    """The section, or None for an empty book."""
    pieces = facts.book.pieces
    if not len(pieces):
        return None
    seals = [str(s) for s in facts.by_seal.index]
    if len(seals) < 2:
        return Section("seals", "A diary, not a trial", (_one_way(facts, say, seals),))
    first = say.paragraph(("season", season_sentence(facts, say)), ("lots", _lots(facts, say)))
    times = say.paragraph(
        ("pairs", _pairs(facts, lead, say)), ("times", _times(facts, lead, say)),
        ("span", _span(facts, lead, say)), ("likely", _likely_times(facts, say)),
        ("alike", _alike_times(facts, say)),
        ("untold", _untold(facts, say)),
    )  # fmt: skip
    cracks = say.paragraph(
        ("seasons", _seasons(facts, lead, say)),
        ("range", _crack_range(facts, lead, say)), ("clear", _clear_cracks(facts, lead, say)),
        ("probably", _likely_cracks(facts, say)), ("turned", _other_way(facts, say)),
    )  # fmt: skip
    heading = say.pick("seals", "What sealing cost, and what it saved", "Sealed and bare")
    paragraphs = tuple(p for p in (first, times, cracks) if p)
    return Section("seals", heading, paragraphs, _table(facts, say), _figure(facts))


def _one_way(facts: Facts, say: Say, seals: list[str]) -> str:
    n = len(facts.book.pieces)
    if not seals:
        way = "The book does not say how any of them was sealed"
    elif seals[0] == "none":
        way = "All were left bare" if n > 1 else "It was left bare"
    else:
        noun = say.name(words.seal_noun(seals[0]))
        way = f"All had {noun}" if n > 1 else f"It had {noun}"
    one_log = facts.logs == 1 and n > 1
    return say.paragraph(
        ("season", season_sentence(facts, say)), ("way", way),
        ("nothing", "With nothing beside them to compare, the season cannot show what that did"
         if n > 1 else "One bowl is a diary"),
        ("log", ["Nor can one tree stand for its kind"] if one_log else []),
    )  # fmt: skip


def _lots(facts: Facts, say: Say) -> str:
    kinds = say.listing([words.bowls(say.seal(str(s))).replace("bowls ", "").replace(" bowls", "")
                        for s in facts.by_seal.index])  # fmt: skip
    if facts.by_lot:
        within = " of each log" if facts.logs > 1 else ""
        return f"Lots decided which bowls{within} would be {kinds}"
    allotted = facts.book.pieces["allotted"].dropna()
    if len(allotted) and (allotted == "random").all():
        return f"Lots decided which would be {kinds}, though not every log is named"
    if len(allotted) and (allotted == "chosen").any():
        return f"Their makers chose which would be {kinds}; no lots were drawn for all of them"
    return f"Some were {kinds}; that lots were drawn is nowhere written"


def _timed(facts: Facts, *sure: str) -> list[dict[str, Any]]:
    """Rows of drying time that are so sure, shortest first; unasked, those that are alike."""
    rows = [r for r in facts.effects("drying_time", *sure) if np.isfinite(r["ratio"])]
    rows = [r for r in rows if alike(r) != bool(sure)]
    return sorted(rows, key=lambda row: row["ratio"])


def _times(facts: Facts, lead: Subject | None, say: Say) -> str:
    """Clear differences of one direction in one sentence, smallest to largest."""
    rows = _timed(facts, "clear")
    if facts.early or not rows:
        return ""
    made = "made drying take" if facts.by_lot else "went with drying that took"
    if len(rows) > 4:
        low, high = (
            say.ratio(r, f"sealing.time.{r['seal']}", EFFECTS) for r in (rows[0], rows[-1])
        )
        return f"The seals {made} from {low} to {high}; the table has the rest"
    told = [
        f"{say.noun(row['seal'])} {made if k == 0 else ''}".strip()
        + f" {say.ratio(row, 'sealing.time.' + row['seal'], EFFECTS)}"
        for k, row in enumerate(rows)
    ]
    return f"Allowing for wood and wall, {say.listed(told)}"


def _span(facts: Facts, lead: Subject | None, say: Say) -> str:
    """The range of the leading seal: the one ratio that is printed in figures."""
    row = facts.effect("drying_time", lead.name) if lead is not None and lead.time else {}
    if not row or not lead or lead.kind != "seal":
        return ""
    span = say.span(row, f"sealing.time.{lead.name}", EFFECTS)
    return f"For {say.noun(lead.name)} the figure lies between {span.replace(' to ', ' and ')} " \
           f"times the {_bare(say, lead.against)} time"  # fmt: skip


def _bare(say: Say, seal: str) -> str:
    return "bare" if seal == "none" else f"{say.noun(seal)}"


def _likely_times(facts: Facts, say: Say) -> str:
    rows = [] if facts.early else _timed(facts, "likely")[:MOST_LIKELY]
    if not rows:
        return ""
    told = [
        f"{say.noun(r['seal'])} ({say.ratio(r, 'sealing.time.' + r['seal'], EFFECTS)})"
        for r in rows
    ]
    return f"Drying probably changed under {say.listed(told)}"


def alike(row: dict[str, Any]) -> bool:
    """Whether the whole range lies within a tenth of no difference."""
    return bool(row["ci_lower"] >= ALIKE[0] and row["ci_upper"] <= ALIKE[1])


def _alike_times(facts: Facts, say: Say) -> str:
    rows = [] if facts.early else _timed(facts)
    if not rows:
        return ""
    nouns = say.listed([say.noun(r["seal"]) for r in rows])
    return f"With {nouns} drying took as long as without, within a tenth"


def _pairs(facts: Facts, lead: Subject | None, say: Say) -> str:
    """In how many logs that held both the slower seal was the slower; the slowest clear one."""
    rows = [r for r in _timed(facts, "clear") if r["ratio"] > 1]
    if facts.early or not rows or facts.seals is None or not len(facts.seals.pairs):
        return ""
    seal = rows[-1]["seal"]
    wide = facts.seals.pairs.pivot_table(index="log", columns="seal", values="weeks")
    if not {seal, facts.reference} <= set(wide):
        return ""
    both = wide[[seal, facts.reference]].dropna()
    slower, n = int((both[seal] > both[facts.reference]).sum()), len(both)
    if n < FEW_LOGS or slower < n / 2:
        return ""
    key, own, other = "sealing.pairs", say.bowls(seal), say.ones(facts.reference)
    if slower == n:
        every = say.n(n, f"{key}.of", PAIRS)
        return f"In all {every} logs that held both, {own} took longer than {other}"
    return f"In {say.of(slower, n, key, PAIRS)} logs that held both, {own} took longer than {other}"


def _untold(facts: Facts, say: Say) -> str:
    """Why no seal can be compared, where none can."""
    if facts.early:
        return "How long drying takes, so few weighings cannot say"
    if facts.seals is None or _timed(facts, "clear", "likely", "open"):
        return ""
    seals = facts.by_seal.index
    logs = facts.book.pieces.dropna(subset=["log"]).groupby("log")["seal"].nunique()
    if len(logs) and (logs < 2).all() and len(seals) > 1:
        return "Each log had its own seal, so the log and the seal cannot be told apart"
    return ""


def _cracked(facts: Facts, *sure: str) -> list[dict[str, Any]]:
    return [r for r in facts.effects("crack_hazard", *sure) if _agrees(facts, r)]


def _less(row: dict[str, Any]) -> bool:
    known = np.isfinite(row["ratio"])
    return bool((row["ratio"] if known else row["ci_upper"]) < 1)


def _agrees(facts: Facts, row: dict[str, Any]) -> bool:
    """Whether the plain counts point the way of the row."""
    table = facts.by_seal
    if facts.reference not in table.index:
        return False
    own, bare = (
        table.at[s, "n_cracked"] / max(table.at[s, "n_looked"], 1)
        for s in (row["seal"], facts.reference)
    )
    return bool(own < bare) == _less(row)


def _crack_range(facts: Facts, lead: Subject | None, say: Say) -> str:
    if lead is None or lead.kind != "seal" or not lead.cracks or not lead.fewer:
        return ""
    row = facts.effect("crack_hazard", lead.name)
    low, high = float(row["ci_lower"]), float(row["ci_upper"])
    if not (math.isfinite(high) and high < 1):
        return ""
    low = low if math.isfinite(low) else 0.0
    more = {k: row[k] for k in ("ci_lower", "ci_upper", "certainty")}
    ends = [say.mark(words.rate(x), f"sealing.cracks.{lead.name}.{side}", x, EFFECTS, **more)
            for x, side in ((low, "from"), (high, "to"))]  # fmt: skip
    rate = f"{_bare(say, lead.against)} rate of cracking"
    if words.rate(low) == "almost none":
        return f"Under {say.noun(lead.name)} the records fit anything from {ends[0]} " \
               f"to {ends[1]} of the {rate}"  # fmt: skip
    return f"Under {say.noun(lead.name)} the records fit anything between {ends[0]} and " \
           f"{ends[1]} of the {rate}"  # fmt: skip


def _seasons(facts: Facts, lead: Subject | None, say: Say) -> str:
    """The leading seal's cracks year by year, where two years have five bowls a side."""
    if lead is None or lead.kind != "seal" or not lead.cracks:
        return ""
    used = facts.cracks.first.used
    year = facts.book.pieces.set_index("piece")["turned_on"].dt.year
    table = used.assign(year=used["piece"].map(year)).groupby(["year", "seal"])["cracked"]
    counts = table.agg(["sum", "size"]).unstack("seal").dropna()
    sides = [lead.name, lead.against]
    if not set(sides) <= set(used["seal"]) or len(counts) < 2:
        return ""
    counts = counts[(counts["size"][sides] >= FEW_LOGS).all(axis=1)]
    shares = counts["sum"][sides] / counts["size"][sides]
    if len(counts) < 2 or not ((shares[sides[0]] < shares[sides[1]]) == lead.fewer).all():
        return ""
    told = []
    for at, row in counts.iterrows():
        pair = [say.of(int(row["sum", s]), int(row["size", s]), f"cracks.{at}.{s}", FIRST)
                for s in sides]  # fmt: skip
        when = say.mark(str(at), f"season.{at}", float(str(at)), PIECES)
        told.append(f"{pair[0]} against {pair[1]} in {when}")
    return f"Season by season the sign was the same: {say.listed(told[-3:])}"


def _clear_cracks(facts: Facts, lead: Subject | None, say: Say) -> str:
    told = lead.name if lead is not None and lead.kind == "seal" and lead.cracks else None
    rows = [r for r in _cracked(facts, "clear") if r["seal"] != told]
    parts = []
    for way, said in ((True, "Fewer cracked"), (False, "More cracked")):
        own = [r for r in rows if _less(r) == way]
        if own:
            each = [f"{say.noun(r['seal'])} ({counted(facts, say, r['seal'])})" for r in own]
            parts.append(f"{said} under {say.listed(each[:4])}")
    if not parts:
        return ""
    other = "left bare" if facts.reference == "none" else f"under {say.noun(facts.reference)}"
    return f"{'; '.join(parts)}, against {counted(facts, say, facts.reference)} {other}"


def _likely_cracks(facts: Facts, say: Say) -> str:
    rows = _cracked(facts, "likely")[:MOST_LIKELY]
    help_, harm = ([r for r in rows if _less(r) == way] for way in (True, False))
    if help_:
        each = [f"{say.noun(r['seal'])} ({counted(facts, say, r['seal'])})" for r in help_]
        return words.opened(f"{say.listed(each)} probably helped")
    if harm:
        each = [f"{say.noun(r['seal'])} ({counted(facts, say, r['seal'])})" for r in harm]
        return f"More bowls probably cracked under {say.listed(each)}"
    return ""


def _other_way(facts: Facts, say: Say) -> str:
    """Counts and comparison that point different ways: said, and left there."""
    rows = facts.effects("crack_hazard", "clear", "likely")
    odd = [r for r in rows if not _agrees(facts, r)]
    if not odd:
        return ""
    seal = odd[0]["seal"]
    return (
        f"Under {say.noun(seal)} {counted(facts, say, seal)} cracked; allowing for wood and wall, "
        "the difference turns round"
    )


def _table(facts: Facts, say: Say) -> Table | None:
    table = facts.by_seal
    timed = table["weeks"].notna().any() and not facts.early
    looked = table["n_looked"].sum() > 0
    heads = ["Seal", "Bowls"]
    heads += ["Average weeks to dry"] if timed else []
    heads += ["Cracked"] if looked else []
    rows = []
    for seal, row in table.iterrows():
        name = "Bare" if seal == "none" else capital(say.noun(str(seal)))
        cells = [name, say.n(row["n_pieces"], f"season.bowls.{seal}", PIECES, figures=True)]
        if timed:
            known = np.isfinite(row["weeks"])
            shown = say.forms.number(row["weeks"])
            more = (row["weeks"], "wl.seal_study(fits).by_seal")
            cells.append(say.mark(shown, f"sealing.weeks.{seal}", *more) if known else "–")
        if looked:
            n = int(row["n_looked"])
            k = int(row["n_cracked"])
            count = say.n(k, f"cracks.share.{seal}.n", RATES, figures=True) if n else "–"
            whole = n != row["n_pieces"] and n
            cells.append(counted(facts, say, str(seal)) if whole else count)
        rows.append(tuple(cells))
    weeks_ = (
        "What each seal cost and saved. Weeks are those that all the bowls would have needed under "
        "that seal."
        if timed
        else "How the bowls were sealed."
    )
    return Table(tuple(heads), tuple(rows), weeks_)


def _figure(facts: Facts) -> tuple[Figure, ...]:
    from woodlab.charts.studies.sealing import weeks_against_cracks

    table = facts.by_seal
    both = table["weeks"].notna() & (table["n_looked"] > 0)
    if facts.early or facts.seals is None or both.sum() < 2 or not table["n_cracked"].sum():
        return ()
    try:
        chart = weeks_against_cracks(facts.seals.by_seal, facts.seals.effects, size="page")
    except WoodlabError:
        return ()
    caption = (
        "The bargain: the further right, the longer the wait; the higher, the more cracks. Bars "
        "show how unsure each count is."
    )
    return (Figure("seals", chart, caption, "Weeks to dry against bowls that cracked, by seal."),)
