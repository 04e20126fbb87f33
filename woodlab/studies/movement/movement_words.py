"""What a movement study says, in sentences."""

from __future__ import annotations

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.show import listed

ACROSS = "across the grain, measured/expected"
VERDICTS = {"clear": "clearly", "likely": "probably", "open": "cannot tell", "nothing": ""}


def verdict_sentences(estimates: pd.DataFrame) -> list[str]:
    """What the certainty of each wood's movement says, woods of one verdict together."""
    rows = estimates[estimates["figure"] == ACROSS]
    groups: dict[str, list[str]] = {}
    for row in rows.itertuples():
        way = "more" if row.estimate > 1 else "less"
        said = {
            "clear": f"moved {way} than the tables say",
            "likely": f"probably moved {way} than the tables say",
            "open": "showed no clear departure from the tables",
        }.get(row.certainty, "")
        if said:
            groups.setdefault(said, []).append(row.species)
    if not groups:
        return ["Whether the rims moved as the tables say is not known yet."]
    ordered = sorted(groups, key=lambda said: ("no clear" in said, "probably" in said))
    return [f"Across the grain, rims of {listed(groups[said])} {said}." for said in ordered]


def shrinkage_sentences(estimates: pd.DataFrame, level: float) -> list[str]:
    out = []
    for species, rows in estimates.groupby("species"):
        known = rows.set_index("figure")
        across = known.loc[ACROSS]
        own = [
            f"{part} {row['estimate']:.1f} % ({percent(level)} range {row['ci_lower']:.1f} to "
            f"{row['ci_upper']:.1f}; table {_figure(row['table'])})"
            for part in ("radial", "tangential")
            if np.isfinite((row := known.loc[f"{part} shrinkage"])["ci_lower"])
        ]
        if own:
            count = known.loc["radial shrinkage"]
            out.append(
                f"{species}: shrinkage green to oven-dry by its own rims is {', '.join(own)}, from "
                f"{count['n_pieces']} pieces of {words.count(count['n_logs'], 'log')}."
            )
        elif not np.isfinite(across["ci_lower"]):
            out.append(f"{species}: shrinkage is not known yet: {across['reason']}.")
    return out


def _figure(value: float) -> str:
    return f"{value:.1f} %" if np.isfinite(value) else "has no figure"


def course_sentences(
    means: pd.DataFrame, settled: pd.DataFrame, end_pct: float, level: float
) -> list[str]:
    out = []
    all_of_them = settled.iloc[0]
    pieces = f"{all_of_them['n_pieces']} pieces, {all_of_them['n_not_yet']} of them not yet there"
    if np.isfinite(all_of_them["days"]):
        upper = all_of_them["ci_upper"]
        until = f"{upper:.0f}" if np.isfinite(upper) else "an end not seen yet"
        out.append(
            f"Half of the pieces had done nine tenths of their movement by day "
            f"{all_of_them['days']:.0f} ({percent(level)} range "
            f"{all_of_them['ci_lower']:.0f} to {until}; {pieces}), counted to {end_pct:.1f} % "
            "moisture, where the store leads to."
        )
    elif all_of_them["n_pieces"]:
        bound = all_of_them["ci_lower"]
        more = f"; more than {bound:.0f} days" if np.isfinite(bound) else ""
        out.append(f"When the wood stops moving is not seen yet ({pieces}{more}).")
    else:
        out.append(f"When the wood stops moving is not known: {all_of_them['reason']}.")
    quarter = means[means["days"].between(90, 120)]
    if len(quarter) and np.isfinite(quarter["share"]).any():
        row = quarter.iloc[-1]
        interval = (
            f" ({percent(level)} interval {percent(row['ci_lower'])} to {percent(row['ci_upper'])})"
            if np.isfinite(row["ci_lower"])
            else ""
        )
        out.append(
            f"By day {row['days']:.0f}, {percent(row['share'])} of the movement was done"
            f"{interval}, {row['n_pieces']:.0f} pieces. (Common practice, no source: most "
            "within three to four months.)"
        )
    return out


def moisture_sentences(rows: pd.DataFrame) -> list[str]:
    weak = ~rows["moisture_from"].isin(["drying curve"])
    if not weak.any():
        return []
    return [
        f"For {int(weak.sum())} of {len(rows)} rims the moisture does not come from a good curve "
        "of the piece's own; the column moisture_from says why."
    ]


def percent(share: float) -> str:
    return f"{100 * share:.0f} %"
