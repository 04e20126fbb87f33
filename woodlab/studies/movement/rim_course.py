"""The share of a rim's movement done, against days and moisture, and when it settles."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from woodlab.studies.movement.rim_rows import GREEN_DAYS, READING_SD_MM
from woodlab.wood.moisture import FIBRE_SATURATION_PCT

SETTLED_SHARE = 0.9
# A rim below this moisture tells the whole movement of its own piece by the straight line in
# moisture; above it the table (or the species' own rims) must.
OWN_WHOLE_PCT = 20.0
LEAST_DROP_PCT = 2.0  # below fibre saturation, for the table's line to be drawn from a rim
LEAST_WHOLE_MM = 4.0  # of a smaller whole movement, read to 0.5 mm, no share can be told

COURSE_COLUMNS = [
    "piece", "species", "on", "days", "moisture_pct", "share", "share_lower", "share_upper",
    "whole_from", "reason",
]  # fmt: skip


def movement_course(rows: pd.DataFrame, estimates: pd.DataFrame, end_pct: float) -> pd.DataFrame:
    """Share of the whole movement across the grain done at each rim.

    The whole is the shrinkage across down to `end_pct`: of a piece's own last rim below 20 %
    moisture, carried on by the straight line in moisture; else the table's, times the species'
    measured/expected ratio (1 where that is not known).

    Parameters
    ----------
    rows : DataFrame
        Of `rim_rows`.
    estimates : DataFrame
        Of the movement study.
    end_pct : float
        Moisture that the whole is counted to [%].
    """
    ratio = estimates[estimates["figure"] == "across the grain, measured/expected"]
    ratios = ratio.set_index("species")["estimate"].fillna(1.0)
    out = rows.sort_values(["piece", "on"], ignore_index=True)
    piece = out["piece"]
    start = out.groupby("piece")["round_moisture_pct"].transform("first")
    start = start.clip(upper=FIBRE_SATURATION_PCT)
    out["to_end"] = ((start - end_pct) / (start - out["moisture_pct"])).clip(lower=0)

    own = out[out["moisture_pct"] <= OWN_WHOLE_PCT].groupby("piece").last()
    own_whole = own["across_shrink_pct"] * own["to_end"].clip(lower=1)
    begun = (out["moisture_pct"] < start - LEAST_DROP_PCT) & out["expected_across_pct"].notna()
    table = out[begun].groupby("piece").last()
    table_whole = table["expected_across_pct"] * table["to_end"] * table["species"].map(ratios)

    by_own = piece.isin(own_whole.index)
    whole = piece.map(own_whole).where(by_own, piece.map(table_whole))
    whole_mm = whole / 100 * out["round_mm"]
    no_whole = "no rim below fibre saturation with a known moisture yet"
    small = f"the whole movement is under {LEAST_WHOLE_MM:g} mm: too little to tell a share"
    out["reason"] = np.select([whole.isna(), whole_mm < LEAST_WHOLE_MM], [no_whole, small], "")
    whole = whole.where(out["reason"] == "")
    reach = 1.96 * np.sqrt(2) * READING_SD_MM / whole_mm
    out["share"] = out["across_shrink_pct"] / whole
    out["share_lower"], out["share_upper"] = out["share"] - reach, out["share"] + reach
    words = np.where(by_own, "its own last rim", "the table and the species' own rims")
    out["whole_from"] = np.where(out["reason"] == "", words, "")
    # The rim that it is counted from has done nothing: it is the origin, not a row.
    first = (out["days"] <= GREEN_DAYS) & ~piece.duplicated()
    return out.loc[~first, COURSE_COLUMNS].reset_index(drop=True)


def mean_course(course: pd.DataFrame, level: float) -> pd.DataFrame:
    """Mean share over pieces at days 30, 60, ..., each piece read between its own rims.

    A piece counts on a day only if it was measured on or after it; its start is day 0, share 0.
    """
    known = course[course["share"].notna()]
    days = np.arange(30, 361, 30)
    shares = []
    for _, piece in known.groupby("piece"):
        at, share = [0.0, *piece["days"]], [0.0, *piece["share"]]
        shares.append(np.where(days <= at[-1], np.interp(days, at, share), np.nan))
    table = np.array(shares).reshape(len(shares), len(days))
    out = []
    for day, column in zip(days, table.T, strict=True):
        values = column[~np.isnan(column)]
        n = len(values)
        mean = float(values.mean()) if n else np.nan
        reach = (
            stats.t.ppf(0.5 + level / 2, n - 1) * values.std(ddof=1) / np.sqrt(n)
            if n > 1
            else np.nan
        )
        out.append([int(day), mean, mean - reach, mean + reach, n])
    return pd.DataFrame(out, columns=["days", "share", "ci_lower", "ci_upper", "n_pieces"])


def settled_after(course: pd.DataFrame, level: float) -> pd.DataFrame:
    """Median day by which nine tenths of the movement were done, over all and by species.

    Each piece gives an interval: from its last rim before to its first rim after. The median is
    taken of the days read on a straight line between the two; its limits are order statistics
    (binomial), the lower one of the early ends, the upper one of the late ends. A piece not there
    yet has no late end.
    """
    known = course[course["share"].notna()]
    spans = pd.DataFrame(
        [
            (name, piece["species"].iloc[0], *_crossing(piece))
            for name, piece in known.groupby("piece")
        ],
        columns=["piece", "species", "early", "middle", "late"],
    ).astype({"early": float, "middle": float, "late": float})
    out = [_median("all", spans, level, len(course))]
    out += [_median(str(name), part, level, len(part)) for name, part in spans.groupby("species")]
    return pd.DataFrame(
        out,
        columns=["species", "days", "ci_lower", "ci_upper", "n_pieces", "n_not_yet", "reason"],
    )


def _crossing(piece: pd.DataFrame) -> tuple[float, float, float]:
    piece = piece.sort_values("days")
    days = np.concatenate([[0.0], piece["days"]])
    share = np.concatenate([[0.0], piece["share"]])
    over = np.flatnonzero(share >= SETTLED_SHARE)
    if not len(over):
        return float(days[-1]), np.inf, np.inf
    i = int(over[0])
    part = (SETTLED_SHARE - share[i - 1]) / (share[i] - share[i - 1])
    return float(days[i - 1]), float(days[i - 1] + part * (days[i] - days[i - 1])), float(days[i])


def _median(name: str, spans: pd.DataFrame, level: float, rows: int) -> list[object]:
    n = len(spans)
    not_yet = int(np.isinf(spans["late"]).sum())
    if not n:
        reason = "no rim tells a share of the movement yet" if rows else "no later rims"
        return [name, np.nan, np.nan, np.nan, 0, 0, reason]
    middle = float(np.sort(spans["middle"])[(n - 1) // 2 : n // 2 + 1].mean())
    reason = "" if np.isfinite(middle) else "fewer than half of the pieces are there"
    below = int(stats.binom.ppf((1 - level) / 2, n, 0.5))  # pieces that may lie below the limit
    if stats.binom.cdf(below - 1, n, 0.5) > (1 - level) / 2 or below == 0:
        lower, upper = np.nan, np.nan
        reason = "; ".join(filter(None, [reason, "too few pieces for an interval"]))
    else:
        lower = float(np.sort(spans["early"])[below - 1])
        upper = float(np.sort(spans["late"])[n - below])
    return [name, middle if np.isfinite(middle) else np.nan, lower, upper, n, not_yet, reason]
