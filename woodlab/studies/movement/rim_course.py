"""The share of a rim's movement done, against days and moisture, and when it settles."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
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


def movement_course(rows: pd.DataFrame, ratios: pd.Series, end_pct: float) -> pd.DataFrame:
    """Share of the whole movement across the grain done at each rim of `rim_rows`.

    The whole is the shrinkage across down to `end_pct` [%]: of a piece's own last rim below 20 %
    moisture, carried on by the straight line in moisture; else the table's, times the species'
    measured/expected ratio (1 where that is not known).
    """
    if not len(rows):
        return pd.DataFrame(columns=COURSE_COLUMNS)
    out = rows.sort_values(["piece", "on"], ignore_index=True)
    piece = out["piece"]
    start = out.groupby("piece")["round_moisture_pct"].transform("first")
    start = start.clip(upper=FIBRE_SATURATION_PCT)
    out["to_end"] = ((start - end_pct) / (start - out["moisture_pct"])).clip(lower=0)

    own = out[out["moisture_pct"] <= OWN_WHOLE_PCT].groupby("piece").last()
    own_whole = own["across_shrink_pct"] * own["to_end"].clip(lower=1)
    begun = (out["moisture_pct"] < start - LEAST_DROP_PCT) & out["expected_across_pct"].notna()
    table = out[begun].groupby("piece").last()
    own_ratio = table["species"].map(ratios.fillna(1.0))
    table_whole = table["expected_across_pct"] * table["to_end"] * own_ratio

    by_own = piece.isin(own_whole.index)
    whole = piece.map(own_whole).where(by_own, piece.map(table_whole))
    whole_mm = whole / 100 * out["round_mm"]
    no_whole = "no rim below fibre saturation with a known moisture yet"
    small = f"the whole movement is under {LEAST_WHOLE_MM:g} mm: too little to tell a share"
    out["reason"] = np.select([whole.isna(), whole_mm < LEAST_WHOLE_MM], [no_whole, small], "")
    reach = 1.96 * np.sqrt(2) * READING_SD_MM / whole_mm
    out["share"] = out["across_shrink_pct"] / whole.where(out["reason"] == "")
    out["share_lower"], out["share_upper"] = out["share"] - reach, out["share"] + reach
    source = np.where(by_own, "its own last rim", "the table and the species' own rims")
    out["whole_from"] = np.where(out["reason"] == "", source, "")
    # The rim that it is counted from has done nothing: it is the origin, not a row.
    first = (out["days"] <= GREEN_DAYS) & ~piece.duplicated()
    return out.loc[~first, COURSE_COLUMNS].reset_index(drop=True)


def t_reach(values: ArrayLike, level: float) -> float:
    """Half the width of Student's interval of a mean; NaN of fewer than two values.

    Examples
    --------
    >>> round(t_reach([1.0, 2.0, 3.0], 0.95), 2)
    2.48
    """
    n = len(np.asarray(values))
    return float(stats.t.ppf(0.5 + level / 2, n - 1) * stats.sem(values)) if n > 1 else np.nan


def mean_course(course: pd.DataFrame, level: float) -> pd.DataFrame:
    """Mean share over pieces at days 30, 60, ..., each piece read between its own rims.

    A piece counts on a day only if it was measured on or after it; its start is day 0, share 0.
    """
    days = np.arange(30, 361, 30)
    shares = [
        np.interp(days, [0, *own["days"]], [0, *own["share"]], right=np.nan)
        for _, own in course[course["share"].notna()].groupby("piece")
    ]
    table = pd.DataFrame(shares, columns=days, dtype=float)
    mean, reach = table.mean(), table.apply(lambda own: t_reach(own.dropna(), level))
    return pd.DataFrame({
        "days": days, "share": mean, "ci_lower": mean - reach, "ci_upper": mean + reach,
        "n_pieces": table.notna().sum(),
    }).reset_index(drop=True)  # fmt: skip


def settled_after(course: pd.DataFrame, level: float) -> pd.DataFrame:
    """Median day by which nine tenths of the movement were done, over all and by species.

    Each piece gives an interval: from its last rim before to its first rim after. The median is
    taken of the days read on a straight line between the two; its limits are order statistics
    (binomial), the lower one of the early ends, the upper one of the late ends. A piece not there
    yet has no late end.
    """
    known = course[course["share"].notna()].sort_values("days").groupby("piece")
    spans = pd.DataFrame(
        [(own["species"].iloc[0], *_crossing(own)) for _, own in known],
        columns=["species", "early", "middle", "late"],
    ).astype({"early": float, "middle": float, "late": float})  # fmt: skip
    groups = [("all", spans), *spans.groupby("species")]
    silent = "no rim tells a share of the movement yet" if len(course) else "no later rims"
    return pd.DataFrame(
        [[name, *median_day(own, level, silent)] for name, own in groups],
        columns=["species", "days", "ci_lower", "ci_upper", "n_pieces", "n_not_yet", "reason"],
    )


def _crossing(piece: pd.DataFrame) -> tuple[float, float, float]:
    days, share = np.r_[0.0, piece["days"]], np.r_[0.0, piece["share"]]
    over = np.flatnonzero(share >= SETTLED_SHARE)
    if not len(over):
        return float(days[-1]), np.inf, np.inf
    near = slice(over[0] - 1, over[0] + 1)
    return days[near][0], float(np.interp(SETTLED_SHARE, share[near], days[near])), days[near][1]


def median_day(spans: pd.DataFrame, level: float, silent: str) -> list[object]:
    """Days, their limits, pieces, those not there yet, and why something is missing."""
    n = len(spans)
    if not n:
        return [np.nan, np.nan, np.nan, 0, 0, silent]
    middle = float(np.median(spans["middle"]))
    lower, upper = (
        getattr(stats.quantile_test(spans[end]).confidence_interval(level), side)
        for end, side in (("early", "low"), ("late", "high"))
    )
    reasons = {"fewer than half of the pieces are there": not np.isfinite(middle),
               "too few pieces for an interval": np.isnan(lower) or np.isnan(upper)}  # fmt: skip
    said = "; ".join(reason for reason, holds in reasons.items() if holds)
    not_yet = int(np.isinf(spans["late"]).sum())
    return [middle if np.isfinite(middle) else np.nan, lower, upper, n, not_yet, said]
