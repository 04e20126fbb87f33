"""The table `rims` row by row: what was measured, what the species table would have it be, and
the share of the whole movement that was done.

Moisture is read from the season's fits: every piece has a curve there, its own or its group's.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from woodlab.book.record_book import RecordBook
from woodlab.drying.fit.records import days_between
from woodlab.studies.movement.rim_geometry import dried_rim, strains_from_rim
from woodlab.wood.moisture import FIBRE_SATURATION_PCT
from woodlab.wood.shrinkage import SCATTER_CV_PCT, green_to_dry, strain_between, total_from_strain

# Error of one reading of a rim or a rise with a rule or a caliper on a warped rim (standard
# deviation, an estimate of our own). It sets bands about single pieces, no species' estimate.
READING_SD_MM = 0.5
LEVEL = 0.95  # of all intervals here
GREEN_DAYS = 7  # a rim measured this soon after turning is the green one

_MOISTURE = ["moisture_pct", "ci_lower_moisture_pct", "ci_upper_moisture_pct"]
ROW_COLUMNS = [
    "piece", "species", "log", "on", "days", *_MOISTURE, "moisture_from",
    "round_mm", "round_moisture_pct", "along_mm", "across_mm", "rise_mm",
    "along_shrink_pct", "across_shrink_pct", "rise_change_mm",
    "expected_across_pct", "expected_across_lower_pct", "expected_across_upper_pct",
    "expected_rise_mm", "expected_rise_lower_mm", "expected_rise_upper_mm",
    "radial_pct", "tangential_pct", "longitudinal_pct", "moisture_error_pct", "reason",
]  # fmt: skip


def moisture_on(fits: Any, asked: pd.DataFrame) -> pd.DataFrame:
    """Moisture of pieces (`piece`, `on`) with its 95 % interval, and what it is based on; a row of
    `asked` each, NaN where a day lies before turning."""
    turned = asked["piece"].map(fits.book.pieces.set_index("piece")["turned_on"])
    days = pd.Series(days_between(turned.to_numpy(), asked["on"].to_numpy()), asked.index)
    ask = pd.DataFrame({"piece": asked["piece"], "days": days.clip(lower=0)})
    ask = ask[days >= -0.5].sort_values("days")
    frame = pd.DataFrame(np.nan, index=asked.index, columns=_MOISTURE)
    if len(ask):  # one row of days for each piece, the short ones filled up with their last day
        nth = ask.groupby("piece").cumcount()
        grid = ask.assign(nth=nth).pivot(index="piece", columns="nth", values="days").ffill(axis=1)
        draws = fits.moisture_draws(grid.to_numpy(), fits.numbers(list(grid.index)))
        found = np.quantile(draws, [0.5, 0.025, 0.975], axis=1)
        frame.loc[ask.index] = found[:, grid.index.get_indexer(ask["piece"]), nth].T
    fitted = fits.pieces.set_index("piece")[["status", "n_used"]].reindex(asked["piece"])
    status = fitted["status"].astype(str).to_numpy(object)
    frame["moisture_from"] = np.select(
        [frame["moisture_pct"].isna(), fitted["n_used"].fillna(0).to_numpy() == 0,
         ~np.isin(status, ["ok", "bounded"])],
        ["not known: before it was turned", "its group's drying curve: it was not weighed",
         "drying curve (fit: " + status + ")"],
        "drying curve",
    )  # fmt: skip
    return frame


def rim_rows(book: RecordBook, fits: Any) -> pd.DataFrame:
    """One row a measured rim, beside what is expected of it; see `MovementStudy.measured`."""
    kept = ["piece", "species", "log", "turned_on", "rim_mm", "height_mm", "rim_faces", "pith_mm"]
    rims = book.rims[["piece", "on", "along_mm", "across_mm", "rise_mm"]]
    rows = rims.join(moisture_on(fits, rims)).merge(book.pieces[kept], on="piece", how="left")
    rows["days"] = (rows["on"] - rows["turned_on"]).dt.total_seconds() / 86400
    rows = rows.sort_values(["piece", "on"], ignore_index=True)
    _add_round_rims(rows)
    for way in ("along", "across"):
        rows[f"{way}_shrink_pct"] = 100 * (1 - rows[f"{way}_mm"] / rows[f"round_{way}_mm"])
    rows["rise_change_mm"] = rows["rise_mm"] - rows["round_rise_mm"]
    facing, pith = rows["rim_faces"], rows["pith_mm"]
    unplaced = np.select(
        [~facing.isin(["pith", "bark"]) | ~(pith >= 0),
         (facing == "bark") & ((pith == 0) | (pith < rows["height_mm"]))],
        ["rim_faces or pith_mm missing: only the bounds of the rim can be computed",
         "the pith lay in the wood: the geometry does not hold for it"], "",
    )  # fmt: skip
    tables = rows["species"].map({name: green_to_dry(name) for name in rows["species"].unique()})
    totals = np.array([[of.radial_pct, of.tangential_pct] for of in tables], dtype=float).T
    _add_expected(rows, totals, unplaced == "")
    _add_own_totals(rows, unplaced == "")
    unknown = np.where(rows["moisture_pct"].isna(), rows["moisture_from"], "")
    why = zip(rows["round_reason"], unknown, [of.reason for of in tables], unplaced, strict=True)
    rows["reason"] = ["; ".join(filter(None, each)) for each in why]
    return rows[ROW_COLUMNS]


def _add_round_rims(rows: pd.DataFrame) -> None:
    """The round rim that each row is held against: the first one if measured within a week of
    turning; else that of the table of pieces; else the first one, whatever its age."""
    parts = ["days", "along_mm", "across_mm", "rise_mm", "moisture_pct"]
    first = rows.groupby("piece")[parts].transform("first")
    early = (first["days"] <= GREEN_DAYS).to_numpy()
    noted = ~early & rows["rim_mm"].notna().to_numpy()
    wet = first["moisture_pct"].fillna(FIBRE_SATURATION_PCT).clip(upper=FIBRE_SATURATION_PCT)
    for way in ("along_mm", "across_mm"):
        rows[f"round_{way}"] = np.where(noted, rows["rim_mm"], first[way])
    rows["round_mm"] = (rows["round_along_mm"] + rows["round_across_mm"]) / 2
    rows["round_rise_mm"] = first["rise_mm"].where(~noted).fillna(0.0)
    rows["round_moisture_pct"] = np.select(
        [noted, early], [FIBRE_SATURATION_PCT, wet], first["moisture_pct"]
    )
    late = "no rim measured at turning and no rim_mm: counted from its first rim, taken as round"
    table = "counted from rim_mm at turning, taken as green and round"
    rows["round_reason"] = np.select([early, noted], ["", table], late)


def _add_expected(rows: pd.DataFrame, totals: np.ndarray, placed: np.ndarray) -> None:
    """Across and rise by the table, and for trees at the two ends of its scatter (95 %)."""
    reach = 1.96 * SCATTER_CV_PCT / 100
    rows[[name for name in ROW_COLUMNS if name.startswith("expected")]] = np.nan
    wet, start, on = rows["moisture_pct"], rows["round_moisture_pct"], rows[placed]
    for end, factor in (("", 1.0), ("_lower", 1 - reach), ("_upper", 1 + reach)):
        strains = np.array([strain_between(total * factor, wet, start) for total in totals])
        rim = dried_rim(on["round_mm"], on["pith_mm"], on["rim_faces"], *strains[:, placed])
        across = f"expected_across{end}_pct"
        rows.loc[placed, across] = 100 * (1 - rim.across_mm / on["round_mm"])
        rows.loc[placed, f"expected_rise{end}_mm"] = rim.rise_mm
        if end:  # of a bowl whose place is not known, the sides shrink by e_r, e_t or between
            bound = strains.min(axis=0) if end == "_lower" else strains.max(axis=0)
            rows.loc[~placed, across] = bound[~placed]
    ends = ["expected_rise_lower_mm", "expected_rise_upper_mm"]
    rows[ends] = np.sort(rows[ends], axis=1)  # a rim to the bark falls below zero


def _add_own_totals(rows: pd.DataFrame, placed: np.ndarray) -> None:
    """Shrinkage green to oven-dry that each rim tells of by itself, and its error from moisture."""
    on, start = rows[placed], rows["round_moisture_pct"]
    across = on["round_mm"] * (1 - on["across_shrink_pct"] / 100)
    strains = strains_from_rim(
        on["round_mm"], on["pith_mm"], on["rim_faces"], across, on["rise_change_mm"]
    )
    for name, strain in zip(("radial_pct", "tangential_pct"), strains, strict=True):
        rows[name] = np.nan
        rows.loc[placed, name] = total_from_strain(strain, on["moisture_pct"], start[placed])
    along, wet = rows["along_shrink_pct"], rows["moisture_pct"]
    rows["longitudinal_pct"] = total_from_strain(along, wet, start)
    # half the width that the moisture's own interval gives a total, in percent of the total
    middle, low, high = (np.asarray(total_from_strain(1.0, rows[c], start)) for c in _MOISTURE)
    rows["moisture_error_pct"] = 100 * (high - low) / 2 / middle


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
    begun = (out["moisture_pct"] < start - LEAST_DROP_PCT) & out["expected_across_pct"].notna()
    table = out[begun].groupby("piece").last()
    own_whole = own["across_shrink_pct"] * own["to_end"].clip(lower=1)
    own_ratio = table["species"].map(ratios.fillna(1.0))
    table_whole = table["expected_across_pct"] * table["to_end"] * own_ratio

    by_own = piece.isin(own_whole.index)
    whole = piece.map(own_whole).where(by_own, piece.map(table_whole))
    whole_mm = whole / 100 * out["round_mm"]
    out["reason"] = np.select(
        [whole.isna(), whole_mm < LEAST_WHOLE_MM],
        ["no rim below fibre saturation with a known moisture yet",
         f"the whole movement is under {LEAST_WHOLE_MM:g} mm: too little to tell a share"], "",
    )  # fmt: skip
    told, reach = out["reason"] == "", 1.96 * np.sqrt(2) * READING_SD_MM / whole_mm
    out["share"] = out["across_shrink_pct"] / whole.where(told)
    out["share_lower"], out["share_upper"] = out["share"] - reach, out["share"] + reach
    source = np.where(by_own, "its own last rim", "the table and the species' own rims")
    out["whole_from"] = np.where(told, source, "")
    # The rim that it is counted from has done nothing: it is the origin, not a row.
    first = (out["days"] <= GREEN_DAYS) & ~piece.duplicated()
    return out.loc[~first, COURSE_COLUMNS].reset_index(drop=True)


def t_reach(values: ArrayLike) -> float:
    """Half the width of Student's interval of a mean; NaN of fewer than two values."""
    n = len(np.asarray(values))
    return float(stats.t.ppf(0.5 + LEVEL / 2, n - 1) * stats.sem(values)) if n > 1 else np.nan


def mean_course(course: pd.DataFrame) -> pd.DataFrame:
    """Mean share over pieces at days 30, 60, ..., each piece read between its own rims, from share
    0 on day 0 to its last rim."""
    days = np.arange(30, 361, 30)
    shares = [
        np.interp(days, [0, *own["days"]], [0, *own["share"]], right=np.nan)
        for _, own in course[course["share"].notna()].groupby("piece")
    ]
    table = pd.DataFrame(shares, columns=days, dtype=float)
    mean, reach = table.mean(), table.apply(lambda own: t_reach(own.dropna()))
    return pd.DataFrame({
        "days": days, "share": mean, "ci_lower": mean - reach, "ci_upper": mean + reach,
        "n_pieces": table.notna().sum(),
    }).reset_index(drop=True)  # fmt: skip


def settled_after(course: pd.DataFrame) -> pd.DataFrame:
    """Median day by which nine tenths of the movement were done, over all and by species.

    Each piece gives the interval from its last rim before to its first after, if any, read on a
    straight line; the limits are order statistics (binomial) of the early and of the late ends.
    """
    spans = pd.DataFrame(
        [(own["species"].iloc[0], *_reached(own["days"], own["share"])) for _, own in
         course[course["share"].notna()].sort_values("days").groupby("piece")],
        columns=["species", "early", "middle", "late"],
    ).astype({"early": float, "middle": float, "late": float})  # fmt: skip
    silent = "no rim tells a share of the movement yet" if len(course) else "no later rims"
    return pd.DataFrame(
        [[name, *median_day(own, silent)]
         for name, own in [("all", spans), *spans.groupby("species")]],
        columns=["species", "days", "ci_lower", "ci_upper", "n_pieces", "n_not_yet", "reason"],
    )  # fmt: skip


def _reached(days: pd.Series, share: pd.Series) -> tuple[float, float, float]:
    """The days between which a piece had done nine tenths, and the day by a straight line."""
    days, share = np.r_[0.0, days], np.r_[0.0, share]
    over = np.flatnonzero(share >= SETTLED_SHARE)
    if not len(over):
        return float(days[-1]), np.inf, np.inf
    near = slice(over[0] - 1, over[0] + 1)
    return days[near][0], float(np.interp(SETTLED_SHARE, share[near], days[near])), days[near][1]


def median_day(spans: pd.DataFrame, silent: str) -> list[object]:
    """Days, their limits, pieces, those not there yet, and why something is missing."""
    n = len(spans)
    if not n:
        return [np.nan, np.nan, np.nan, 0, 0, silent]
    middle = float(np.median(spans["middle"]))
    lower = stats.quantile_test(spans["early"]).confidence_interval(LEVEL).low
    upper = stats.quantile_test(spans["late"]).confidence_interval(LEVEL).high
    reasons = {"fewer than half of the pieces are there": not np.isfinite(middle),
               "too few pieces for an interval": np.isnan(lower) or np.isnan(upper)}  # fmt: skip
    said = "; ".join(reason for reason, holds in reasons.items() if holds)
    not_yet = int(np.isinf(spans["late"]).sum())
    return [middle if np.isfinite(middle) else np.nan, lower, upper, n, not_yet, said]
