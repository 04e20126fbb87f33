"""The share of a rim's movement done, against days and moisture, and when it settles."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from woodlab.studies.rim_rows import READING_SD_MM
from woodlab.wood.moisture import FIBRE_SATURATION_PCT

SETTLED_SHARE = 0.9
# A rim below this moisture tells the whole movement of its own piece by the straight line in
# moisture; above it the table (or the species' own rims) must.
OWN_WHOLE_PCT = 20.0
LEAST_WHOLE_MM = 4.0  # of a smaller whole movement, read to 0.5 mm, no share can be told

COURSE_COLUMNS = [
    "piece", "species", "on", "days", "moisture_pct", "share", "share_lower", "share_upper",
    "whole_from", "reason",
]  # fmt: skip


def movement_course(rows: pd.DataFrame, estimates: pd.DataFrame, end_pct: float) -> pd.DataFrame:
    """Share of the whole movement across the grain done at each rim.

    The whole is the shrinkage across down to `end_pct`: of a piece's own last rim below 20 %
    moisture, carried on by the straight line in moisture; else the table's, times the species'
    measured/expected ratio where that is known.

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
    parts = [
        _of_piece(piece, float(ratios[piece["species"].iloc[0]]), end_pct)
        for _, piece in rows.groupby("piece", sort=True)
    ]
    if not parts:
        return pd.DataFrame(columns=COURSE_COLUMNS)
    return pd.concat(parts, ignore_index=True)[COURSE_COLUMNS]


def _of_piece(piece: pd.DataFrame, ratio: float, end_pct: float) -> pd.DataFrame:
    piece = piece.sort_values("on")
    start = min(float(piece["round_moisture_pct"].iloc[0]), FIBRE_SATURATION_PCT)
    dried = piece[piece["moisture_pct"] <= OWN_WHOLE_PCT]
    whole, whole_from, reason = np.nan, "", ""
    if len(dried):
        last = dried.iloc[-1]
        to_end = (start - end_pct) / (start - last["moisture_pct"])
        whole = float(last["across_shrink_pct"]) * max(to_end, 1.0)
        whole_from = "its own last rim"
    else:
        sure = piece["moisture_pct"] < start - 2
        if sure.any() and piece.loc[sure, "expected_across_pct"].notna().any():
            last = piece[sure].iloc[-1]
            to_end = (start - end_pct) / (start - last["moisture_pct"])
            whole = float(last["expected_across_pct"]) * to_end * ratio
            whole_from = "the table" if ratio == 1.0 else "the table and the species' own rims"
        else:
            reason = "no rim below fibre saturation with a known moisture yet"
    rim = float(piece["round_mm"].iloc[0])
    if np.isfinite(whole) and whole / 100 * rim < LEAST_WHOLE_MM:
        whole, reason = np.nan, f"the whole movement is under {LEAST_WHOLE_MM:g} mm: too little"
    reach = 1.96 * np.sqrt(2) * READING_SD_MM / (whole / 100 * rim)
    out = piece.copy()
    out["share"] = out["across_shrink_pct"] / whole
    out["share_lower"], out["share_upper"] = out["share"] - reach, out["share"] + reach
    out["whole_from"], out["reason"] = whole_from, reason
    # The rim that it is counted from has done nothing: it is the origin, not a row.
    return out[(out["days"] > 0) & (out["across_shrink_pct"] != 0)]


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
    )
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
