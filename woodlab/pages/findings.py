"""Three findings for the front page: sealing, cracks, the wall to leave; counts before ratios."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from woodlab import words
from woodlab.charts.pictures.counts import THICK, wall_effect
from woodlab.charts.titles import Claim, fitting, surest, this_season
from woodlab.pages.facts import Facts
from woodlab.studies.sealing.words import weeks as whole_weeks

LEVELS = {"clear": "Clear", "likely": "Probably", "open": "Open", "nothing": "Open"}
THICK_MM = 30
_THAN = "bowls cracked than bare ones"


@dataclass(frozen=True)
class Finding:
    """A title, how sure it is, what stands behind it, and where more of it is."""

    key: str
    title: str
    level: str
    says: list[tuple[str, str]] = field(default_factory=list)
    bars: list[tuple[str, int, int, str]] = field(default_factory=list)
    table: list[dict[str, Any]] = field(default_factory=list)
    short: str = ""  # for the sentence at the head of the page
    link: str = ""


def findings(facts: Facts) -> list[Finding]:
    """Sealing, cracking and walls, each with a wording as sure as the season allows."""
    return [sealing(facts), cracking(facts), walls(facts)]


def sealing(facts: Facts) -> Finding:
    """What the surest seal saved in cracks, and what it cost in weeks."""
    bowls, study = facts.bowls, facts.seals
    weeks = {} if study is None else study.by_seal.set_index("seal")["weeks"].dropna().to_dict()
    seals = words.order_of_seals(bowls["seal"])
    table = [_seal_row(bowls, seal, weeks.get(seal)) for seal in seals]
    by_seal = {row["seal"]: row for row in table}
    bars = [(r["name"], r["cracked"], r["looked"], r["time"]) for r in table if r["looked"]]
    of: dict[str, Any] = {"bars": bars, "table": table, "link": "The season, bowl by bowl"}
    cracks = pd.DataFrame()
    if study is not None:
        cracks = this_season(study.effects)
        known = cracks["seal"].isin(by_seal) & cracks["reference"].isin(by_seal)
        cracks = cracks[(cracks["outcome"] == "crack_hazard") & known]
    best = surest(cracks)
    if best is None:
        return Finding("seals", "Does sealing save bowls? This book cannot tell", "Open", **of)
    own, bare = by_seal[str(best["seal"])], by_seal[str(best["reference"])]
    claim = Claim(
        more=fitting(f"More {own['name']} cracked than {bare['name']}", f"More sealed {_THAN}"),
        less=fitting(f"Fewer {own['name']} cracked than {bare['name']}", f"Fewer sealed {_THAN}"),
        likely_more="Probably more sealed bowls cracked than bare ones",
        likely_less="Probably fewer sealed bowls cracked than bare ones",
        open="Does sealing save bowls? Too few cracks to tell",
    )  # fmt: skip
    counts = (
        f"{words.part_of(own['cracked'], own['looked'], own['seal'])} cracked, "
        f"{words.part_of(bare['cracked'], bare['looked'], bare['seal'])}"
    )
    cost = f"about {own['weeks']} weeks to dry" if own["weeks"] else ""
    cost += f" instead of {bare['weeks']}" if cost and bare["weeks"] else ""
    dry = (
        f"{own['dry']} of {own['n']} dry enough by now, {bare['dry']} of {bare['n']} {bare['name']}"
    )
    price = f"{cost}, on average; {dry}." if cost else f"{dry}."
    says = [("Gain", f"{words.opened(counts)}."), ("Price", words.opened(price))]
    return Finding(
        "seals", claim.of(best),
        LEVELS[str(best["sure"])], says, short="; ".join(s for s in (counts, cost) if s), **of,
    )  # fmt: skip


def _seal_row(bowls: pd.DataFrame, seal: str, weeks: float | None) -> dict[str, Any]:
    own = bowls[bowls["seal"] == seal]
    told = "" if weeks is None else whole_weeks(weeks)
    return {
        "seal": seal, "name": words.bowls(seal), "n": len(own), "weeks": told,
        "looked": int(own["looked"].sum()),
        "cracked": int(own["crack_on"].notna().sum()), "dry": int(own["dry"].sum()),
        "time": f"dry enough after about {told} weeks" if told else "",
    }  # fmt: skip


def cracking(facts: Facts) -> Finding:
    """Whether thick walls crack more, which woods did, and what cracks went on to do."""
    bowls, effects = facts.bowls[facts.bowls["looked"]], getattr(facts.cracks, "effects", None)
    if not len(bowls):
        return Finding("cracks", "Which bowls crack? None was looked at", "Open",
                       link="Wood by wall, in counts")  # fmt: skip
    cracked = bowls["crack_on"].notna()
    thick = bowls["wall_mm"] >= THICK_MM
    thin = bowls["wall_mm"] < THICK_MM
    bars = [
        (label, int(cracked[part].sum()), int(part.sum()), "")
        for label, part in (
            (f"{facts.book.units.length_of(THICK_MM)} and more", thick),
            ("thinner walls", thin),
        )
        if part.any()
    ]
    title = fitting(words.of_all(int(cracked.sum()), len(bowls), "cracked"))
    level, row = "Counted", wall_effect(effects)
    if row is not None:
        title = THICK.of(row, "hazard_ratio")
        level = LEVELS[str(row["sure"])]
    says = [("Walls", "; ".join(f"{label}: {k} of {n} cracked" for label, k, n, _ in bars) + ".")]
    by = bowls.assign(cracked=cracked).groupby("species")["cracked"].agg(["sum", "size", "mean"])
    if len(by) > 1:
        most, least = by["mean"].idxmax(), by["mean"].idxmin()
        says.append(("Woods", _woods_told(effects, by, str(most), str(least))))
    if bars and cracked.any():
        says.append(("Growth", _growth(facts)))
    return Finding("cracks", title, level, [s for s in says if s[1]], bars,
                   link="Wood by wall, in counts")  # fmt: skip


def _woods_told(effects: pd.DataFrame | None, by: pd.DataFrame, most: str, least: str) -> str:
    """The two woods of the surest comparison; the ends of the list where none is sure."""
    row = None
    if effects is not None:
        row = surest(effects[effects["term"].str.startswith("species")])
    sure = "nothing" if row is None else str(row["sure"])
    if row is not None and sure in ("clear", "likely"):
        pair = str(row["term"]).removeprefix("species: ").split(" against ")
        if set(pair) <= set(by.index):
            most, least = pair if row["hazard_ratio"] > 1 else pair[::-1]
    told = f"{by['sum'][most]} of {by['size'][most]} {most} cracked, " \
           f"{by['sum'][least]} of {by['size'][least]} {least}"  # fmt: skip
    if sure == "likely":
        return f"{told}: {most} is probably the riskier."
    return told + ("." if effects is None or sure == "clear" else
                   ": too few cracks to tell woods apart.")  # fmt: skip


def _growth(facts: Facts) -> str:
    growth = getattr(facts.cracks, "growth", None)
    if growth is None or not len(growth):
        return ""
    known = growth[growth["n_later_looks"] > 0]
    glued = known[known["action"] == "glued"]
    if not len(known):
        return ""
    text = f"{int(known['grew'].sum())} of {len(known)} cracks grew after they were found"
    if len(glued):
        grown = int(glued["grew"].sum())
        part = f"all {grown}" if grown == len(glued) else f"{grown} of {len(glued)}"
        text += f", and {part} glued ones"
    return text + "."


def walls(facts: Facts) -> Finding:
    """The rough wall to leave, from tables of shrinkage; rounded up, here and in the table."""
    frame = facts.walls.dropna(subset=["thinnest_mm"]) if len(facts.walls) else facts.walls
    if not len(frame):
        title = "What wall to leave? No table for these woods"
        return Finding("walls", title, "Open", link="Each wood's wall")
    units, least = facts.book.units, frame["thinnest_mm"].astype(float)
    rim = units.length_of(float(frame["rim_mm"].iloc[0]))
    leave = units.between(least.min(), least.max(), up=True)
    table = [
        {"wood": r.species, "mm": math.ceil(r.thinnest_mm), "tenth": round(float(r.tenth_mm)),
         "leave": units.length_of(r.thinnest_mm, up=True),
         "tenth_told": units.length_of(r.tenth_mm)}
        for r in frame.itertuples()
    ]  # fmt: skip
    usual = facts.bowls["species"].mode()
    wood = next((row for row in table if len(usual) and row["wood"] == usual.iloc[0]), table[0])
    thin = units.length_of(8)
    tenth = units.between(frame["tenth_mm"].min(), frame["tenth_mm"].max())
    says = [
        ("Room for", f"nineteen trees in twenty, for a round bowl of {thin} in the end."),
        ("Rule of thumb", f"a tenth of the rough rim would be {tenth}."),
    ]
    estimates = getattr(facts.movement, "estimates", None)
    if estimates is not None:
        across = estimates[estimates["figure"] == "across the grain, measured/expected"]
        across = across.dropna(subset=["estimate"])
        if len(across):
            low_seen, high_seen = across["estimate"].min(), across["estimate"].max()
            n = int(across["n_pieces"].sum())
            told = f"{n} bowls moved {low_seen:.1f} to {high_seen:.1f} times as far as expected"
            says.append(("Seen here", f"{told} so far."))
    return Finding(
        "walls", fitting(f"For a {rim} bowl leave {leave}", f"Leave {leave}"), "From tables", says,
        table=table, short=f"leave {wood['leave']} for {wood['wood']}", link="Each wood's wall",
    )  # fmt: skip
