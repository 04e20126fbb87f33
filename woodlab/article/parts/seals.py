"""What sealing cost, and what it saved: the design, the table, times, cracks."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from woodlab import words
from woodlab.article.facts import Facts, Row, alike
from woodlab.article.parts import Figure, Section, Table, drawn
from woodlab.article.parts.lead import counted, season_sentence
from woodlab.article.say import Say, capital
from woodlab.article.subject import FEWEST, Subject

MOST_LIKELY = 3


def seals_section(facts: Facts, say: Say) -> Section:
    """How it was decided which bowl got which seal, the table, times, cracks."""
    season, table = season_sentence(facts, say), facts.by_seal
    if len(table) < 2:
        return Section("A diary, not a trial", (say.paragraph(season, *_one_way(facts, say)),))
    first = say.paragraph(season, _lots(facts, say))
    times = say.paragraph(*_times(facts, say))
    cracks = say.paragraph(*_cracks(facts, say))
    heading = say.pick("seals", "What sealing cost, and what it saved", "Sealed and bare")
    return Section(heading, (first, times, cracks), _table(facts, say), _figure(facts))


def _one_way(facts: Facts, say: Say) -> list[str]:
    """One seal, or none on record: nothing can be compared."""
    one, seals = len(facts.pieces) == 1, list(facts.by_seal.index)
    if not seals:
        way = f"The book does not say how {'it was' if one else 'any of them was'} sealed"
    elif seals[0] == "none":
        way = "It was left bare" if one else "All were left bare"
    else:
        way = f"{'It' if one else 'All'} had {say.noun(seals[0])}"
    if one:
        return [way, "One bowl is a diary"]
    nothing = "With nothing to compare them with, the season cannot show what that did"
    return [way, nothing, "Nor can one tree stand for its kind" if facts.logs == 1 else ""]


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


def _times(facts: Facts, say: Say) -> list[str]:
    """What each seal did to drying time: pairs in a log, clear, likely and no differences."""
    if facts.early:
        return ["So few weighings cannot say how long drying takes"]
    rows = sorted((r for r in facts.effects("drying_time") if np.isfinite(r["ratio"])),
                  key=lambda row: row["ratio"])  # fmt: skip
    same = [row for row in rows if alike(row)]
    clear, likely, unsure = ([r for r in rows if r["certainty"] == sure and not alike(r)]
                             for sure in ("clear", "likely", "open"))  # fmt: skip

    def longer(row: Row) -> str:
        return say.ratio(row, f"sealing.time.{row['seal']}")

    made = "made drying take" if facts.by_lot else "went with drying that took"
    told = [f"{say.noun(r['seal'])}{'' if k else f' {made}'} {longer(r)}"
            for k, r in enumerate(clear[:4])]  # fmt: skip
    said = f"Allowing for wood and wall, {say.listed(told)}" if told else ""
    if len(clear) > 4:
        said = f"The seals {made} from {longer(clear[0])} to {longer(clear[-1])}; the table has " \
               "the rest"  # fmt: skip
    probably = say.listed(f"{longer(r)} with {say.noun(r['seal'])}" for r in likely[:MOST_LIKELY])
    nouns = say.listed(say.noun(r["seal"]) for r in same)
    logs = facts.pieces.dropna(subset=["log"]).groupby("log")["seal"].nunique()
    tangled = facts.seals is not None and not (clear or likely or unsure) and len(logs)
    return [
        _pairs(facts, clear, say),
        said,
        _span(facts, len(clear) == 1, say),
        f"Drying probably took {probably}" if likely else "",
        f"With {nouns}, drying took as long as without, to within a tenth" if same else "",
        "Each log had its own seal, so the log and the seal cannot be told apart"
        if tangled and (logs < 2).all() else "",
    ]  # fmt: skip


def _pairs(facts: Facts, clear: list[Row], say: Say) -> str:
    """In how many logs that held both the slowest clear seal was the slower."""
    if not clear or clear[-1]["ratio"] <= 1 or not len(facts.seals.pairs):
        return ""
    seal, ref = clear[-1]["seal"], facts.reference
    wide = facts.seals.pairs.pivot_table(index="log", columns="seal", values="weeks")
    both = wide.reindex(columns=[seal, ref]).dropna()
    slower, n = int((both[seal] > both[ref]).sum()), len(both)
    if n < FEWEST or slower < n / 2:
        return ""
    many = f"all {say.n(n, 'sealing.pairs.of')}" if slower == n else \
        say.of(slower, n, "sealing.pairs")  # fmt: skip
    return f"In {many} logs that held both, {say.bowls(seal)} took longer than {say.ones(ref)}"


def _span(facts: Facts, alone: bool, say: Say) -> str:
    """The range of the leading seal: the one ratio that is printed in figures."""
    row = facts.effect("drying_time", facts.led.name) if facts.led and facts.led.time else {}
    if not row:
        return ""
    text = f"{words.two(row['ci_lower'])} and {words.two(row['ci_upper'])}"
    span = say.ratio(row, f"sealing.time.{row['seal']}.range", text)
    which = "the figure" if alone else f"for {say.noun(row['seal'])} the figure"
    return f"{which} lies between {span} times the {_bare(facts, say)} time"


def _bare(facts: Facts, say: Say) -> str:
    return "bare" if facts.reference == "none" else say.noun(facts.reference)


def _less(row: Row) -> bool:
    return bool((row["ratio"] if np.isfinite(row["ratio"]) else row["ci_upper"]) < 1)


def _cracks(facts: Facts, say: Say) -> Iterator[str]:
    """What each seal did to cracking: the leading one's range, clear and likely differences, and
    counts that point the other way than the comparison, which are said and left there."""
    led, ref = facts.led, facts.reference
    saved = led.name if led is not None and led.cracks else ""
    if led is not None and saved:
        yield _seasons(facts, led, say)
        row = facts.effect("crack_hazard", saved)
        if led.fewer and row and row["ci_upper"] < 1:
            ends = {"from": float(np.nan_to_num(row["ci_lower"])), "to": float(row["ci_upper"])}
            low, high = (
                say.ratio(row | {"ratio": at}, f"sealing.cracks.{saved}.{side}", words.rate(at))
                for side, at in ends.items()
            )
            yield f"Under {say.noun(saved)} the true rate of cracking could be anything between " \
                  f"{low} and {high} of the {_bare(facts, say)} rate"  # fmt: skip
    rows = facts.effects("crack_hazard", "clear", "likely") if ref in facts.by_seal.index else []
    other, of = facts.pair(ref)
    pairs = [(row, *facts.pair(row["seal"])) for row in rows]
    agree = [row for row, k, n in pairs if (k * of < other * n) == _less(row)]
    likely = [r for r in agree if r["certainty"] == "likely"][:MOST_LIKELY]

    def counts(rows: list[Row]) -> str:
        return say.listed(f"{say.noun(r['seal'])} ({counted(facts, say, r['seal'])})" for r in rows)

    plain = [r for r in agree if r["certainty"] == "clear" and r["seal"] != saved]
    sides = {"fewer": [r for r in plain if _less(r)], "more": [r for r in plain if not _less(r)]}
    clear = [f"{which} cracked under {counts(own[:4])}" for which, own in sides.items() if own]
    if clear:
        held = "left bare" if ref == "none" else f"under {say.noun(ref)}"
        yield f"{'; '.join(clear)}, against {counted(facts, say, ref)} {held}"
    if helped := [r for r in likely if _less(r)]:
        yield f"{counts(helped)} probably helped"
    elif likely:
        yield f"More bowls probably cracked under {counts(likely)}"
    for row in [row for row in rows if row not in agree][:1]:
        yield f"Under {say.noun(row['seal'])} {counted(facts, say, row['seal'])} cracked; " \
              "allowing for wood and wall, the difference is the other way round"  # fmt: skip


def _seasons(facts: Facts, led: Subject, say: Say) -> str:
    """The leading seal's cracks year by year, where two years have five bowls a side."""
    sides, used = [led.name, led.against], facts.used
    year = used["piece"].map(facts.pieces.set_index("piece")["turned_on"].dt.year)
    counts = used.assign(year=year).groupby(["year", "seal"])["cracked"].agg(["sum", "size"])
    counts = counts.unstack("seal").reindex(columns=sides, level="seal").dropna()
    counts = counts[(counts["size"][sides] >= FEWEST).all(axis=1)]
    shares = counts["sum"] / counts["size"]
    if len(counts) < 2 or not ((shares[sides[0]] < shares[sides[1]]) == led.fewer).all():
        return ""
    told = []
    for at, row in counts.tail(3).iterrows():
        own, other = (say.of(int(row["sum", s]), int(row["size", s]), f"cracks.{at}.{s}")
                      for s in sides)  # fmt: skip
        told.append(f"{own} against {other} in {say.mark(str(at), f'season.{at}', at)}")
    return f"Each season showed the same: {say.listed(told)}"


def _table(facts: Facts, say: Say) -> Table:
    table, rows = facts.by_seal, []
    timed = table["weeks"].notna().any() and not facts.early
    looked = table["n_looked"].sum()
    for seal, row in table.iterrows():
        (k, n), weeks = facts.pair(seal), "–"
        cracked = say.n(k, f"cracks.share.{seal}.n", figures=True) if n else "–"
        if n not in (0, row["n_pieces"]):  # not every bowl was looked over
            cracked = counted(facts, say, seal)
        if timed and np.isfinite(row["weeks"]):
            weeks = say.n(row["weeks"], f"sealing.weeks.{seal}", figures=True)
        bowls = say.n(row["n_pieces"], f"season.bowls.{seal}", figures=True)
        name = "Bare" if seal == "none" else capital(say.noun(seal))
        rows.append((name, bowls, *([weeks] if timed else []), *([cracked] if looked else [])))
    header = ["Seal", "Bowls", *(["Average weeks to dry"] if timed else []),
              *(["Cracked"] if looked else [])]  # fmt: skip
    told = "What each seal cost and saved. Weeks are those that all the bowls would have needed " \
           "under that seal." if timed else "How the bowls were sealed."  # fmt: skip
    return Table(tuple(header), tuple(rows), told)


def _figure(facts: Facts) -> tuple[Figure, ...]:
    from woodlab.charts.studies.sealing import weeks_against_cracks

    table = facts.by_seal
    both = table["weeks"].notna() & (table["n_looked"] > 0)
    if facts.early or both.sum() < 2 or not table["n_cracked"].sum():
        return ()
    return drawn(
        lambda: weeks_against_cracks(facts.seals.by_seal, facts.seals.effects, size="page"),
        "The bargain: the further right, the longer the wait; the higher, the more cracks. Bars "
        "show how unsure each count is.",
        "Weeks to dry against bowls that cracked, by seal.",
    )
