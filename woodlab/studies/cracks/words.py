"""The crack study in plain words: counts first, then the risk by a day, then what is open."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.show import left_out, listed
from woodlab.studies.cracks.intervals import GREW_MM
from woodlab.words import percent, tally

if TYPE_CHECKING:
    from woodlab.studies.cracks.study import CrackStudy

# Above this share of cracked pieces, with most pieces not looked at, looks were perhaps written
# down for cracks only (common practice, no source).
MOSTLY_CRACKED = 0.8
NO_CRACKS = "no crack was found in this book, so there is no hazard to fit"
NO_COURSE = (
    "How the rate runs over the days the records do not tell (few cracks, or too few days with "
    "looks): it is taken as the same on every day."
)
NOT_A_TRIAL = (
    "The makers chose which cracks to glue, and glue hides a crack that goes on below it: this is "
    "what was seen, not a trial of gluing."
)


def in_100(share: float) -> str:
    """'about 6', 'fewer than 1': of 100 pieces."""
    return "fewer than 1" if share < 0.005 else f"about {100 * share:.0f}"


def span_100(lower: float, upper: float) -> str:
    return f"{100 * lower:.0f} to {100 * upper:.0f}"


def sentences(study: CrackStudy) -> list[str]:
    """Every finding, each with its counts or interval."""
    said, model, used = [*_counted(study), *study.notes], study.model, study.first.used
    if model is None:
        limits = "only upper limits of the shares can be given."
        return [*said, f"{words.opened(NO_CRACKS)}; {limits}"]
    if used["species"].nunique() == 1:
        said.append(f"All pieces are {used['species'].iloc[0]}: species cannot be compared.")
    if used["seal"].nunique() == 1:
        said.append("All pieces were sealed alike, so the seal cannot be judged.")
    said += [*effect_sentences(study, study.effects), standing_out(study.effects)]
    if np.isfinite(model.log_sd):
        said.append(
            f"Beside species, wall and seal, pieces of a bad log cracked about "
            f"{words.two(float(np.exp(model.log_sd)))} times as readily as those of a middling one "
            f"(one standard deviation, {used['log'].nunique()} logs); the intervals allow for it."
        )
    misses = model.misses
    shares = [f"{100 * float(misses.chance(mm + misses.smallest_mm)):.0f} in 100" for mm in (5, 10)]
    known, source = misses.n_seen + misses.n_missed, "a prior of our own; no look here shows it"
    if known:
        source = (f"from {misses.n_missed} of {known} looks here that overlooked a crack known to "
                  "be there, and a prior")  # fmt: skip
    said.append(
        f"A look is taken to overlook {shares[0]} cracks 5 mm long and {shares[1]} of 10 mm "
        f"({source})."
    )
    if ended := int((study.first.pieces["outcome"] != "").sum()):
        said.append(
            f"{words.opened(tally(ended))} left before any crack was found; the crude risk counts "
            "that, the net risk is as if it did not happen."
        )
    first, cracks = float(study.first.intervals["to_days"].min()), int(used["cracked"].sum())
    said.append(course_sentence(study.look_gaps(), cracks, first) if model.course.df else NO_COURSE)
    return [*said, *_of_walls(study.thickest_wall(by_day=study.by_day)), *_of_growth(study)]


def _counted(study: CrackStudy) -> list[str]:
    """How many cracked, and which pieces were looked at too little."""
    every, few, pieces = study.rates.iloc[0], study.too_few, study.first.pieces
    idle = pieces[pieces["status"] != "used"]
    lacking = idle["status"] == "facts missing"
    short = few.loc[~few["piece"].isin(idle["piece"]), "piece"]
    said = [
        f"Of {tally(every['n_pieces'])} looked over for cracks, {every['n_cracked']} cracked "
        f"({percent(every['share'])}, 95 % interval {percent(every['ci_lower'])} to "
        f"{percent(every['ci_upper'])})."
    ]
    for rows, what in ((idle[lacking], "whose species, seal or wall is not given"),
                       (idle[~lacking], "without a look after turning")):  # fmt: skip
        if len(rows):
            who = f"{tally(len(rows))} {what}"
            said.append(f"Nothing can be said of {who}: {listed(rows['piece'])}.")
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
    return [*said, *study.first.notes]


def effect_sentences(study: CrackStudy, effects: pd.DataFrame) -> list[str]:
    """One sentence a row of the effects; those without a number share one."""
    silent = effects[effects["hazard_ratio"].isna()]
    said = [_effect_sentence(study, row) for row in effects.drop(silent.index).to_dict("records")]
    silent = silent.assign(what=silent["level"].where(silent["level"] != "", silent["kind"]))
    return [*said, left_out(silent, "what")] if len(silent) else said


def _effect_sentence(study: CrackStudy, row: dict) -> str:
    """Counts, and of a difference that is clear or likely the risk by a day under each choice."""
    (who, against), kind = sides(row), row["kind"]
    both = [row["level"], row["reference"]]
    rates = study.rates[study.rates["by"] == kind].set_index("group").reindex(both).dropna()
    counts = [f"{one.n_cracked:.0f} of {one.n_pieces:.0f}" for one in rates.itertuples()]
    if row["certainty"] not in ("clear", "likely"):
        tail = " against ".join(counts) or f"{row['n_cracks']} of {row['n_pieces']} cracked"
        return (
            f"Whether {who[0].lower()}{who[1:]} crack more or less often than {against} we cannot "
            f"tell: {tail}."
        )
    way = "less" if row["hazard_ratio"] < 1 else "more"
    probably = "probably " if row["certainty"] == "likely" else ""
    said, mine, of = [" against ".join(counts)], study.standardised.query("by == @kind"), ("", "")
    mine = mine.set_index(mine["level"].astype(str)).reindex(both)
    if kind == "wall":
        ends = study.first.used["wall_mm"].quantile([0.75, 0.25]).round().tolist()
        mine = study.partial_dependence("wall_mm", ends, study.by_day)
        of = f" with walls of {ends[0]:.0f} mm", f" with {ends[1]:.0f} mm"
    one, other = mine.to_dict("records")
    # the risk under each seal is in the table below the sentences
    if kind != "seal" and np.isfinite(one["risk"]):
        said.append(
            f"of 100 pieces like these, {in_100(one['risk'])} would crack by day "
            f"{one['by_day']:.0f}{of[0]} ({span_100(one['ci_lower'], one['ci_upper'])}), against "
            f"{in_100(other['risk'])}{of[1]}"
        )
    tail = "; ".join(filter(None, said))
    return f"{who} {probably}cracked {way} often than {against}{': ' if tail else ''}{tail}."


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


def _of_walls(walls: pd.DataFrame) -> list[str]:
    """The thickest walls that can be told, for the cells with an answer; and how many have none."""
    cells = walls[walls["n_pieces"] > 0]
    known, level = cells["wall_mm"].notna(), float(cells["max_risk"].iloc[0])
    few = "one in ten" if level == 0.1 else f"{100 * level:.0f} in 100"
    said = [
        f"{row.species}, {'bare' if row.seal == 'none' else f'under {row.seal}'}: "
        f"{row.wall_mm:.0f} mm is the thickest wall for which we can say that fewer than {few} "
        f"crack by day {row.by_day:.0f} ({tally(row.n_pieces)})."
        for row in cells[known].itertuples()
    ]
    if not known.all():
        more = cells.loc[~known, "n_more_pieces"].astype(float).min()
        tell = f"; about {more:.0f} more pieces would tell the first of them" if more > 0 else ""
        said.append(
            f"For {(~known).sum()} of {len(cells)} pairs of species and seal it is not yet known "
            f"for which wall fewer than {few} crack{tell}; the table of thickest walls gives each "
            "reason."
        )
    return said


def _of_growth(study: CrackStudy) -> list[str]:
    """Glued and left, as what it is."""
    table = study.growth_by_action.query("n_followed > 0").set_index("action")
    done = {"glued": "glued at first sight", "none": "left as they were"}
    said = [
        f"Of {row['n_followed']:.0f} cracks {done[action]} and looked at again, "
        f"{row['n_grew']:.0f} grew by more than {GREW_MM:g} mm (95 % interval of that share: "
        f"{span_100(row['ci_lower'], row['ci_upper'])} %)."
        for action, row in table.reindex([one for one in done if one in table.index]).iterrows()
    ]
    return [*said, NOT_A_TRIAL] if said else []
