"""What a movement study says, in sentences."""

from __future__ import annotations

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.show import listed
from woodlab.words import percent, tally

ACROSS = "across the grain, measured/expected"
VERDICTS = {"clear": "clearly", "likely": "probably", "open": "cannot tell", "nothing": ""}


def verdict_sentences(estimates: pd.DataFrame) -> list[str]:
    """What the certainty of each wood's movement says, woods of one verdict together."""
    rows = estimates[estimates["figure"] == ACROSS]
    way = np.where(rows["estimate"] > 1, "more", "less")
    said = {f"moved {w} than the tables say": rows[(way == w) & (rows["certainty"] == "clear")]
            for w in ("more", "less")}  # fmt: skip
    said |= {
        f"probably moved {w} than the tables say": rows[
            (way == w) & (rows["certainty"] == "likely")
        ]
        for w in ("more", "less")
    }
    said["showed no clear departure from the tables"] = rows[rows["certainty"] == "open"]
    out = [
        f"Across the grain, rims of {listed(own['species'])} {did}."
        for did, own in said.items() if len(own)
    ]  # fmt: skip
    return out or ["Whether the rims moved as the tables say is not known yet."]


def shrinkage_sentences(estimates: pd.DataFrame, level: float) -> list[str]:
    out = []
    for species, rows in estimates.groupby("species"):
        known = rows.set_index("figure")
        own = []
        for part in ("radial", "tangential"):
            row = known.loc[f"{part} shrinkage"]
            table = f"{row['table']:.1f} %" if np.isfinite(row["table"]) else "has no figure"
            if np.isfinite(row["ci_lower"]):
                own.append(
                    f"{part} {row['estimate']:.1f} % ({percent(level)} range {row['ci_lower']:.1f} "
                    f"to {row['ci_upper']:.1f}; table {table})"
                )
        if own:
            count = known.loc["radial shrinkage"]
            out.append(
                f"{species}: shrinkage green to oven-dry by its own rims is {', '.join(own)}, from "
                f"{count['n_pieces']} pieces of {words.count(count['n_logs'], 'log')}."
            )
        elif not np.isfinite(known.loc[ACROSS, "ci_lower"]):
            out.append(f"{species}: shrinkage is not known yet: {known.loc[ACROSS, 'reason']}.")
    return out


def course_sentences(
    means: pd.DataFrame, settled: pd.DataFrame, end_pct: float, level: float
) -> list[str]:
    found = settled.iloc[0]
    pieces = f"{tally(found['n_pieces'])}, {found['n_not_yet']} of them not yet there"
    if np.isfinite(found["days"]):
        lower, upper = found["ci_lower"], found["ci_upper"]
        until = f"{upper:.0f}" if np.isfinite(upper) else "an end not seen yet"
        between = f"{percent(level)} range {lower:.0f} to {until}; " if np.isfinite(lower) else ""
        said = (
            f"Half of the pieces had done nine tenths of their movement by day "
            f"{found['days']:.0f} ({between}{pieces}), counted to {end_pct:.1f} % moisture, "
            "where the store leads to."
        )
    elif found["n_pieces"]:
        bound = found["ci_lower"]
        more = f"; more than {bound:.0f} days" if np.isfinite(bound) else ""
        said = f"When the wood stops moving is not seen yet ({pieces}{more})."
    else:
        said = f"When the wood stops moving is not known: {found['reason']}."
    out = [said]
    quarter = means[means["days"].between(90, 120)]
    if np.isfinite(quarter["share"]).any():
        row = quarter.iloc[-1]
        interval = (
            f" ({percent(level)} interval {percent(row['ci_lower'])} to {percent(row['ci_upper'])})"
            if np.isfinite(row["ci_lower"]) else ""
        )  # fmt: skip
        out.append(
            f"By day {row['days']:.0f}, {percent(row['share'])} of the movement was done"
            f"{interval}, {tally(int(row['n_pieces']))}. (Common practice, no source: most "
            "within three to four months.)"
        )
    return out


def moisture_sentences(rows: pd.DataFrame) -> list[str]:
    weak = int((rows["moisture_from"] != "drying curve").sum())
    if not weak:
        return []
    return [
        f"For {weak} of {len(rows)} rims the moisture does not come from a good curve of the "
        "piece's own; the column moisture_from says why."
    ]
