"""The crack study in plain words: counts first, then the risk by a day, then what is open."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.show import listed
from woodlab.studies.cracks.intervals import GREW_MM, FirstCracks, Misses
from woodlab.words import percent, tally

# Above this share of cracked pieces, with most pieces not looked at, looks were perhaps written
# down for cracks only (common practice, no source).
MOSTLY_CRACKED = 0.8


def in_100(share: float) -> str:
    """'about 6', 'fewer than 1': of 100 pieces."""
    return "fewer than 1" if share < 0.005 else f"about {100 * share:.0f}"


def span_100(lower: float, upper: float) -> str:
    return f"{100 * lower:.0f} to {100 * upper:.0f}"


def rate_sentences(rates: pd.DataFrame, first: FirstCracks, few: pd.DataFrame) -> list[str]:
    """How many cracked, and which pieces were looked at too little."""
    every = rates[rates["by"] == "all"].iloc[0]
    idle = first.pieces[first.pieces["status"] != "used"]
    lacking = idle["status"] == "facts missing"
    short = few.loc[~few["piece"].isin(idle["piece"]), "piece"]
    said = [
        f"Of {tally(every['n_pieces'])} looked over for cracks, {every['n_cracked']} cracked "
        f"({percent(every['share'])}, 95 % interval {percent(every['ci_lower'])} to "
        f"{percent(every['ci_upper'])})."
    ]
    said += [
        f"Nothing can be said of {tally(len(rows))} {what}: {listed(rows['piece'])}."
        for rows, what in ((idle[lacking], "whose species, seal or wall is not given"),
                           (idle[~lacking], "without a look after turning"))
        if len(rows)
    ]  # fmt: skip
    if len(idle) > every["n_pieces"] and every["share"] > MOSTLY_CRACKED:
        said.append(
            "If those were looked over and found whole, and only cracks were written down, the "
            "share above is far too high: a look that finds none is written as 0."
        )
    if len(short):
        said.append(
            f"{tally(len(short)).capitalize()} without a crack had too few looks to count as "
            f"whole: {listed(short)}."
        )
    return [*said, *first.notes]


def effect_sentences(
    effects: pd.DataFrame, standardised: pd.DataFrame, rates: pd.DataFrame, walls: pd.DataFrame
) -> list[str]:
    """One sentence a row of the effects; levels without a number share one for each reason."""
    told: dict[tuple[str, str], list[dict]] = {}
    for row in effects.to_dict("records"):
        reason = str(row["reason"]).rstrip(".")
        if row["level"]:
            reason = re.sub(rf"\b{re.escape(str(row['level']))}\b", "it", reason)
        key = row["term"] if np.isfinite(row["hazard_ratio"]) else reason
        told.setdefault((row["kind"], key), []).append(row)
    out = []
    for (_, reason), (row, *others) in told.items():
        if np.isfinite(row["hazard_ratio"]):
            out.append(_effect_sentence(row, standardised, rates, walls))
        elif not others:
            out.append(f"{sides(row)[0]}: we cannot tell, since {str(row['reason']).rstrip('.')}.")
        else:
            levels = listed([one["level"] for one in (row, *others)], most=30)
            out.append(f"Pieces of each of these: we cannot tell, since {reason} ({levels}).")
    return out


def _effect_sentence(
    row: dict, standardised: pd.DataFrame, rates: pd.DataFrame, walls: pd.DataFrame
) -> str:
    who, against = sides(row)
    groups, both = rates[rates["by"] == row["kind"]].set_index("group"), ("level", "reference")
    counts = " against ".join(
        f"{groups.at[row[name], 'n_cracked']} of {groups.at[row[name], 'n_pieces']}"
        for name in both
        if {row[one] for one in both} <= set(groups.index)
    )
    if row["certainty"] not in ("clear", "likely"):
        counts = counts or f"{row['n_cracks']} of {row['n_pieces']} cracked"
        return (
            f"Whether {who[0].lower()}{who[1:]} crack more or less often than {against} we cannot "
            f"tell: {counts}."
        )
    way = "less" if row["hazard_ratio"] < 1 else "more"
    probably = "probably " if row["certainty"] == "likely" else ""
    # the risk under each seal is in the table below the sentences
    risk = "" if row["kind"] == "seal" else _risk_words(row, standardised, walls)
    tail = "; ".join(filter(None, (counts, risk)))
    return f"{who} {probably}cracked {way} often than {against}{': ' if tail else ''}{tail}."


def _risk_words(row: dict, standardised: pd.DataFrame, walls: pd.DataFrame) -> str:
    """The risk by a day under each choice, over the season's own pieces."""
    if row["kind"] == "wall" and len(walls):
        thin, thick = walls.iloc[0], walls.iloc[-1]
        return (
            f"of 100 pieces like these, {in_100(thin['risk'])} would crack by day "
            f"{thin['by_day']:.0f} with walls of {thin['value']:.0f} mm, {in_100(thick['risk'])} "
            f"with {thick['value']:.0f} mm ({span_100(thick['ci_lower'], thick['ci_upper'])})"
        )
    mine = standardised[standardised["by"] == row["kind"]]
    mine = mine.set_index(mine["level"].astype(str))
    if row["level"] not in mine.index or not np.isfinite(mine.at[row["level"], "risk"]):
        return ""
    one, other = mine.loc[row["level"]], mine.loc[row["reference"]]
    return (
        f"of 100 pieces like these, {in_100(one['risk'])} would crack by day {one['by_day']:.0f} "
        f"({span_100(one['ci_lower'], one['ci_upper'])}), against {in_100(other['risk'])}"
    )


def sides(row: dict) -> tuple[str, str]:
    """What a row of the effects compares: 'Bowls waxed all over', 'bare bowls'."""
    kind, level, reference = row["kind"], row["level"], row["reference"]
    if kind == "seal":
        return words.opened(words.bowls(level)), words.bowls(reference)
    if kind == "wall":
        return "Thicker walls", "thinner ones"
    if not reference:
        return f"Pieces with more {kind}", "others"
    if kind in ("species", "book"):
        return f"Pieces of {level}", f"those of {reference}"
    return f"Pieces with {kind} {level}", f"those with {reference}"


def standing_out(effects: pd.DataFrame) -> str:
    """How many comparisons were made, and how many stand out: one of eight is said to be."""
    made = effects[effects["p_holm"].notna()]
    if len(made) < 2:
        return ""
    clear = int((made["certainty"] == "clear").sum())
    found = words.opened(words.count(clear, "difference"))
    return (
        f"{found} {'is' if clear == 1 else 'are'} clear of {len(made)} that were looked for, each "
        "corrected for its family (Holm)."
    )


def log_sentence(log_sd: float, n_logs: int) -> str:
    """The spread between logs, as the factor between a bad log and a middling one."""
    return "" if np.isnan(log_sd) else (
        f"Beside species, wall and seal, pieces of a bad log cracked about "
        f"{words.two(float(np.exp(log_sd)))} times as readily as those of a middling one (one "
        f"standard deviation, {n_logs} logs); the intervals allow for it."
    )  # fmt: skip


def miss_sentence(misses: Misses) -> str:
    """What a look is taken to overlook, and from where."""
    shares = [f"{100 * float(misses.chance(mm + misses.smallest_mm)):.0f} in 100" for mm in (5, 10)]
    known, source = misses.n_seen + misses.n_missed, "a prior of our own; no look here shows it"
    if known:
        source = (f"from {misses.n_missed} of {known} looks here that overlooked a crack known to "
                  "be there, and a prior")  # fmt: skip
    return (
        f"A look is taken to overlook {shares[0]} cracks 5 mm long and {shares[1]} of 10 mm "
        f"({source})."
    )


def ended_sentence(pieces: pd.DataFrame) -> str:
    """How many pieces left before they cracked, which the crude risk counts."""
    count = int((pieces["outcome"] != "").sum())
    return "" if not count else (
        f"{words.opened(tally(count))} left before any crack was found; the crude risk counts "
        "that, the net risk is as if it did not happen."
    )  # fmt: skip


NO_COURSE = (
    "How the rate runs over the days the records do not tell (few cracks, or too few days with "
    "looks): it is taken as the same on every day."
)


def course_sentence(gaps: pd.DataFrame, n_cracked: int, first_look_day: float = 0.0) -> str:
    """When the hazard was highest; no looks tell of the weeks before the first of them."""
    if not len(gaps):
        return ""
    worst, last = gaps.loc[gaps["chance"].idxmax()], gaps.iloc[-1]
    ends = f"95 % interval {percent(worst['ci_lower'])} to {percent(worst['ci_upper'])}"
    first, then = (
        f"{percent(week['chance'])} in week {week['week']:.0f}" for week in (worst, last)
    )
    what, cracks = "The chance of a first crack in a typical piece", tally(n_cracked, "crack")
    if worst["week"] == last["week"]:
        return (
            f"{what} had not begun to fall by the last looks: it was {then} since turning ({ends}; "
            f"{cracks})."
        )
    if worst["to_day"] <= first_look_day:
        return (
            f"{what} falls, by the fitted course, from {first} ({ends}) to {then} ({cracks}); but "
            f"no piece was looked at before day {first_look_day:.0f}, so how it ran until then is "
            "a guess of the curve's."
        )
    return (
        f"{what} was highest in week {worst['week']:.0f} since turning "
        f"({percent(worst['chance'])}, {ends}), and {then} ({cracks})."
    )


def wall_sentences(walls: pd.DataFrame) -> list[str]:
    """The thickest walls that can be told, for the cells with an answer; and how many have none."""
    cells = walls[walls["n_pieces"] > 0]
    known = cells["wall_mm"].notna()
    said = []
    for row in cells[known].itertuples():
        seal = "bare" if row.seal == "none" else f"under {row.seal}"
        said.append(
            f"{row.species}, {seal}: {row.wall_mm:.0f} mm is the thickest wall for which we can "
            f"say that fewer than {_one_in(row.max_risk)} crack by day {row.by_day:.0f} "
            f"({tally(row.n_pieces)})."
        )
    if not known.all():
        more = cells.loc[~known, "n_more_pieces"].astype(float).min()
        tell = f"; about {more:.0f} more pieces would tell the first of them" if more > 0 else ""
        said.append(
            f"For {(~known).sum()} of {len(cells)} pairs of species and seal it is not yet known "
            f"for which wall fewer than {_one_in(cells['max_risk'].iloc[0])} crack{tell}; the "
            "table of thickest walls gives each reason."
        )
    return said


def _one_in(share: float) -> str:
    """'one in ten', '15 in 100'."""
    named = {0.5: "one in two", 0.2: "one in five", 0.1: "one in ten", 0.05: "one in 20"}
    return named.get(round(float(share), 4), f"{100 * share:.0f} in 100")


NOT_A_TRIAL = (
    "The makers chose which cracks to glue, and glue hides a crack that goes on below it: this is "
    "what was seen, not a trial of gluing."
)


def growth_sentences(by_action: pd.DataFrame) -> list[str]:
    """Glued and left, as what it is."""
    table = by_action[by_action["n_followed"] > 0].set_index("action")
    done = {"glued": "glued at first sight", "none": "left as they were"}
    said = [
        f"Of {row['n_followed']:.0f} cracks {did} and looked at again, {row['n_grew']:.0f} grew by "
        f"more than {GREW_MM:g} mm (95 % interval of that share: {100 * row['ci_lower']:.0f} to "
        f"{100 * row['ci_upper']:.0f} %)."
        for action, did in done.items()
        for _, row in table.loc[table.index == action].iterrows()
    ]
    return [*said, NOT_A_TRIAL] if said else []
