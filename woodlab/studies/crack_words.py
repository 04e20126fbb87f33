"""The crack study in plain words, each sentence held to its own interval."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from woodlab.studies.first_cracks import FirstCracks
from woodlab.studies.hazard import HazardModel

# Above this share of cracked pieces, with most pieces not looked at, looks were perhaps written
# down for cracks only (common practice, no source).
MOSTLY_CRACKED = 0.8


def spoken_list(names: list[str], most: int = 8) -> str:
    """Names as a sentence takes them: "A, B and C", or "A, B and 3 more"."""
    if len(names) > most:
        names = [*names[:most], f"{len(names) - most} more"]
    if len(names) < 2:
        return "".join(names)
    return ", ".join(names[:-1]) + " and " + names[-1]


def number(value: float) -> str:
    """Two figures, whole numbers from ten on; a ratio is not rounded onto 1, "no difference".

    Examples
    --------
    >>> number(41.7), number(2.34), number(1.04), number(0.998), number(0.05)
    ('42', '2.3', '1.04', '0.998', '0.05')
    """
    if not np.isfinite(value):
        return "not known"
    if value != 1 and 0.995 <= value < 1.05:
        return f"{value:.3f}" if 0.995 <= value < 1.005 else f"{value:.2f}"
    if abs(value) >= 10:
        return f"{value:.0f}"
    if abs(value) >= 1:
        return f"{value:.1f}"
    return f"{value:.2g}"


def percent(share: float) -> str:
    return f"{100 * share:.0f} %" if not 0 < share < 0.01 else f"{100 * share:.1f} %"


def pieces(count: int) -> str:
    return f"{count} piece{'' if count == 1 else 's'}"


def rate_sentences(rates: pd.DataFrame, first: FirstCracks, few: pd.DataFrame) -> list[str]:
    """How many cracked, and which pieces were looked at too little."""
    every = rates[rates["by"] == "all"].iloc[0]
    said = [
        f"Of {pieces(every['n_pieces'])} looked over for cracks, {every['n_cracked']} cracked "
        f"({percent(every['rate'])}, 95 % interval {percent(every['ci_lower'])} to "
        f"{percent(every['ci_upper'])})."
    ]
    idle = first.pieces[first.pieces["status"] != "used"]["piece"].tolist()
    if idle:
        said.append(
            f"Nothing can be said of {pieces(len(idle))} without a look after turning: "
            f"{spoken_list(idle)}."
        )
        if len(idle) > every["n_pieces"] and every["rate"] > MOSTLY_CRACKED:
            said.append(
                "If those were looked over and found whole, and only cracks were written down, the "
                "share above is far too high: a look that finds none is written as 0."
            )
    short = [name for name in few["piece"] if name not in set(idle)]
    if short:
        said.append(
            f"{pieces(len(short)).capitalize()} without a crack had too few looks to count as "
            f"whole: {spoken_list(short)}."
        )
    said.extend(first.notes)
    return said


def effect_sentences(effects: pd.DataFrame) -> list[str]:
    """One sentence a row of the effects; species without a number share one for each reason."""
    said: list[str] = []
    alike: dict[str, list[str]] = {}
    for _, row in effects.iterrows():
        if row["kind"] != "species" or np.isfinite(row["hazard_ratio"]):
            said.append(_effect_sentence(row))
            continue
        level = str(row["level"])
        reason = re.sub(rf"\b{re.escape(level)}\b", "it", str(row["reason"]).rstrip("."))
        alike.setdefault(reason, []).append(level)
        if len(alike[reason]) == 1:
            said.append(reason)  # its place, for the sentence of all of them
    rows = {str(row["level"]): row for _, row in effects.iterrows() if row["kind"] == "species"}
    return [
        text if text not in alike
        else _effect_sentence(rows[alike[text][0]]) if len(alike[text]) == 1
        else f"Pieces of each of these: we cannot tell, since {text} "
        f"({spoken_list(alike[text], most=30)})."
        for text in said
    ]  # fmt: skip


def _effect_sentence(row: pd.Series) -> str:
    if not np.isfinite(row["hazard_ratio"]):
        return f"{_subject(row)}: we cannot tell, since {str(row['reason']).rstrip('.')}."
    lower, upper = row["ci_lower"], row["ci_upper"]
    span = f"{number(lower)} to {number(upper)}"
    basis = f"{pieces(row['n_pieces'])}, {row['n_cracked']} cracked"
    subject, against = _subject(row), _against(row)
    note = f" ({row['reason']})" if row["reason"] else ""
    if upper < 1 or lower > 1:
        way = "less" if upper < 1 else "more"
        return (
            f"{subject} cracked {way} readily than {against}: {number(row['hazard_ratio'])} times "
            f"the rate (95 % interval {span}; {basis}){note}."
        )
    return (
        f"Whether {subject[0].lower() + subject[1:]} cracked more or less readily than {against} "
        f"we cannot tell: {number(row['hazard_ratio'])} times the rate, but anything from {span} "
        f"agrees with the records ({basis}){note}."
    )


def _subject(row: pd.Series) -> str:
    if row["kind"] == "seal":
        return "Bare pieces" if row["level"] == "none" else f"Pieces under {row['level']}"
    if row["kind"] == "species":
        return f"Pieces of {row['level']}"
    if row["kind"] == "wall":
        return "Walls 10 mm thicker"
    return "Pieces with more difference between core and surface"


def _against(row: pd.Series) -> str:
    if row["kind"] == "seal":
        return "bare ones" if row["reference"] == "none" else f"those under {row['reference']}"
    if row["kind"] == "species":
        return f"those of {row['reference']}"
    return "others"


def log_sentence(model: HazardModel, n_logs: int) -> list[str]:
    """The spread between logs, as the factor between a bad log and a middling one."""
    if not np.isfinite(model.log_sd):
        return []
    return [
        f"Beside species, wall and seal, logs differed by about a factor of "
        f"{number(float(np.exp(model.log_sd)))} in their rate (one standard deviation, {n_logs} "
        "logs); the intervals allow for it."
    ]


def course_sentence(gaps: pd.DataFrame, n_cracked: int, first_look_day: float = 0.0) -> list[str]:
    """When the hazard was highest; no looks tell of the weeks before the first of them."""
    if not len(gaps):
        return []
    worst = gaps.loc[gaps["chance"].idxmax()]
    last = gaps.iloc[-1]
    told = np.isfinite([one[end] for one in (worst, last) for end in ("ci_lower", "ci_upper")])
    if not told.all():
        cracks = f"{n_cracked} crack{'' if n_cracked == 1 else 's'}"
        return [
            "When in the season the chance of a first crack is highest cannot be told from "
            f"{cracks}: no interval could be found for it."
        ]
    if worst["week"] == last["week"]:
        return [
            "The chance of a first crack in a typical piece had not begun to fall by the last "
            f"looks: it was {percent(last['chance'])} in week {last['week']:.0f} since turning "
            f"(95 % interval {percent(last['ci_lower'])} to {percent(last['ci_upper'])}; "
            f"{n_cracked} cracks)."
        ]
    span = (
        f"{percent(worst['chance'])}, 95 % interval {percent(worst['ci_lower'])} to "
        f"{percent(worst['ci_upper'])}"
    )
    if worst["to_day"] <= first_look_day:
        return [
            "By the fitted course the chance of a first crack in a typical piece falls from "
            f"{span} in week {worst['week']:.0f} to {percent(last['chance'])} "
            f"({percent(last['ci_lower'])} to {percent(last['ci_upper'])}) in week "
            f"{last['week']:.0f} ({n_cracked} cracks); but no piece was looked at before day "
            f"{first_look_day:.0f}, so how it ran until then is a guess of the curve's."
        ]
    return [
        f"The chance of a first crack in a typical piece was highest in week {worst['week']:.0f} "
        f"since turning ({percent(worst['chance'])}, 95 % interval {percent(worst['ci_lower'])} "
        f"to {percent(worst['ci_upper'])}), and {percent(last['chance'])} "
        f"({percent(last['ci_lower'])} to {percent(last['ci_upper'])}) in week "
        f"{last['week']:.0f} ({n_cracked} cracks)."
    ]


def wall_sentences(walls: pd.DataFrame) -> list[str]:
    """How thick is safe, for the cells with an answer; and how many have none."""
    said = []
    cells = walls[walls["n_pieces"] > 0]
    for _, row in cells[np.isfinite(cells["wall_mm"])].iterrows():
        if not np.isfinite(row["ci_lower"]):
            span = f"at most {row['ci_upper']:.0f}; how much thinner it may be is not known"
        elif not np.isfinite(row["ci_upper"]):
            span = f"at least {row['ci_lower']:.0f}; how much thicker it may be is not known"
        else:
            span = f"{row['ci_lower']:.0f} to {row['ci_upper']:.0f}"
        seal = "bare" if row["seal"] == "none" else f"under {row['seal']}"
        said.append(
            f"{row['species']}, {seal}: the chance of a crack by day {row['by_day']:.0f} stays at "
            f"or below {percent(row['max_risk'])} up to a wall of {row['wall_mm']:.0f} mm (95 % "
            f"interval {span}; {pieces(row['n_pieces'])})."
        )
    silent = int((~np.isfinite(cells["wall_mm"])).sum())
    if silent:
        share = percent(float(cells["max_risk"].iloc[0]))
        said.append(
            f"For {silent} of {len(cells)} pairs of species and seal the data cannot say at which "
            f"wall the chance passes {share}; the table of thickest walls gives each reason."
        )
    return said
