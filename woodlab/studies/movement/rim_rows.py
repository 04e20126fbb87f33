"""The table `rims` row by row: what was measured, what the species table would have it be.

Moisture is read from the season's fits: every piece has a curve there, its own or its group's.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.studies.movement.rim_geometry import dried_rim, strains_from_rim
from woodlab.wood.moisture import FIBRE_SATURATION_PCT
from woodlab.wood.shrinkage import SCATTER_CV_PCT, green_to_dry, strain_between, total_from_strain

# Error of one reading of a rim or a rise with a rule or a caliper on a warped rim (standard
# deviation, an estimate of our own). It sets bands about single pieces, no species' estimate.
READING_SD_MM = 0.5
_Z95 = 1.96
GREEN_DAYS = 7  # a rim measured this soon after turning is the green one
_NOON = pd.Timedelta(hours=12)

MOISTURE_COLUMNS = [
    "moisture_pct", "ci_lower_moisture_pct", "ci_upper_moisture_pct", "moisture_from",
]  # fmt: skip
ROW_COLUMNS = [
    "piece", "species", "log", "on", "days", *MOISTURE_COLUMNS,
    "round_mm", "round_moisture_pct", "along_mm", "across_mm", "rise_mm",
    "along_shrink_pct", "across_shrink_pct", "rise_change_mm",
    "expected_across_pct", "expected_across_lower_pct", "expected_across_upper_pct",
    "expected_rise_mm", "expected_rise_lower_mm", "expected_rise_upper_mm",
    "radial_pct", "tangential_pct", "longitudinal_pct", "moisture_error_pct", "reason",
]  # fmt: skip


def moisture_on(fits: Any, asked: pd.DataFrame) -> pd.DataFrame:
    """Moisture of pieces on days, with its 95 % interval, and what it is based on.

    Parameters
    ----------
    fits : DryingFits
    asked : DataFrame
        `piece`, `on`; the answer has its rows. NaN where a day lies before turning.
    """
    frame = pd.DataFrame(np.nan, index=asked.index, columns=MOISTURE_COLUMNS[:3])
    turned = asked["piece"].map(fits.book.pieces.set_index("piece")["turned_on"])
    noon = asked["on"].where(asked["on"] != asked["on"].dt.normalize(), asked["on"] + _NOON)
    days = ((noon - turned) / pd.Timedelta(days=1)).to_numpy(float)
    known = np.isfinite(days) & (days >= -0.5)
    days = np.maximum(days, 0.0)
    rows = pd.DataFrame(
        {"at": np.flatnonzero(known), "days": days[known],
         "piece": asked["piece"].to_numpy()[known]}
    ).sort_values("days")  # fmt: skip
    # one row of days for each piece, the short ones filled up with their last day
    per_piece = dict(tuple(rows.groupby("piece", sort=False)))
    if per_piece:
        most = max(len(group) for group in per_piece.values())
        grid = np.array([np.pad(g["days"], (0, most - len(g)), "edge") for g in per_piece.values()])
        draws = fits.moisture_draws(grid, fits.numbers(list(per_piece)))
        low, middle, high = np.quantile(draws, [0.025, 0.5, 0.975], axis=1)
        for i, group in enumerate(per_piece.values()):
            k = np.arange(len(group))
            frame.iloc[group["at"]] = np.stack([middle[i, k], low[i, k], high[i, k]], axis=1)
    found = frame
    fitted = fits.pieces.set_index("piece")[["status", "n_used"]].reindex(asked["piece"])
    bad = ~fitted["status"].isin(["ok", "bounded"]).to_numpy()
    found["moisture_from"] = np.select(
        [found["moisture_pct"].isna(), fitted["n_used"].fillna(0).to_numpy() == 0, bad],
        ["not known: before it was turned", "its group's drying curve: it was not weighed",
         "drying curve (fit: " + fitted["status"].astype(str).to_numpy(object) + ")"],
        "drying curve",
    )  # fmt: skip
    return found


def rim_rows(book: RecordBook, fits: Any) -> pd.DataFrame:
    """One row a measured rim, beside what is expected of it; see `MovementStudy.measured`."""
    kept = ["piece", "species", "log", "turned_on", "rim_mm", "height_mm", "rim_faces", "pith_mm"]
    rims = book.rims[["piece", "on", "along_mm", "across_mm", "rise_mm"]]
    rows = rims.join(moisture_on(fits, rims)).merge(book.pieces[kept], on="piece", how="left")
    rows["days"] = (rows["on"] - rows["turned_on"]).dt.total_seconds() / 86400
    rows = rows.sort_values(["piece", "on"], ignore_index=True)
    rows = rows.join(_round_rims(rows))
    rows["along_shrink_pct"] = 100 * (1 - rows["along_mm"] / rows["round_along_mm"])
    rows["across_shrink_pct"] = 100 * (1 - rows["across_mm"] / rows["round_across_mm"])
    rows["rise_change_mm"] = rows["rise_mm"] - rows["round_rise_mm"]
    totals = {name: green_to_dry(name) for name in rows["species"].unique()}
    for part in ("radial", "tangential"):
        rows[f"table_{part}"] = rows["species"].map(
            {name: float(getattr(total, f"{part}_pct")) for name, total in totals.items()}
        )
    placed = _placed(rows)
    rows = rows.join(_expected(rows, placed)).join(_own_totals(rows, placed))
    rows["reason"] = [
        "; ".join(filter(None, [first, second, third, fourth]))
        for first, second, third, fourth in zip(
            rows["round_reason"],
            np.where(rows["moisture_pct"].isna(), rows["moisture_from"], ""),
            [totals[name].reason for name in rows["species"]],
            _place_words(rows),
            strict=True,
        )
    ]
    return rows[ROW_COLUMNS]


def _round_rims(rows: pd.DataFrame) -> pd.DataFrame:
    """The round rim that each row is held against: its measures, its moisture, and why that one.

    The first rim measured, if it was measured within a week of turning; else the table of pieces;
    else the first rim measured, whatever its age.
    """
    first = rows.groupby("piece")[
        ["days", "along_mm", "across_mm", "rise_mm", "moisture_pct"]
    ].transform("first")
    early = (first["days"] <= GREEN_DAYS).to_numpy()
    noted = ~early & rows["rim_mm"].notna().to_numpy()
    wet = np.minimum(first["moisture_pct"].fillna(FIBRE_SATURATION_PCT), FIBRE_SATURATION_PCT)
    out = pd.DataFrame(index=rows.index)
    for part in ("along_mm", "across_mm"):
        out[f"round_{part}"] = np.where(noted, rows["rim_mm"], first[part])
    out["round_mm"] = (out["round_along_mm"] + out["round_across_mm"]) / 2
    out["round_rise_mm"] = np.where(noted | first["rise_mm"].isna(), 0.0, first["rise_mm"])
    out["round_moisture_pct"] = np.where(
        noted, FIBRE_SATURATION_PCT, np.where(early, wet, first["moisture_pct"])
    )
    late = "no rim measured at turning and no rim_mm: counted from its first rim, taken as round"
    out["round_reason"] = np.where(
        early, "", np.where(noted, "counted from rim_mm at turning, taken as green and round", late)
    )
    return out


def _placed(rows: pd.DataFrame) -> np.ndarray:
    """Whether it is known where in the log the bowl stood, and the pith was not in its wood."""
    return np.array([not words for words in _place_words(rows)])


def _place_words(rows: pd.DataFrame) -> list[str]:
    words = []
    for row in rows.itertuples():
        if row.rim_faces not in ("pith", "bark") or not row.pith_mm >= 0:
            words.append("rim_faces or pith_mm missing: only the bounds of the rim can be computed")
        elif row.rim_faces == "bark" and (row.pith_mm == 0 or row.pith_mm < row.height_mm):
            words.append("the pith lay in the wood: the geometry does not hold for it")
        else:
            words.append("")
    return words


def _expected(rows: pd.DataFrame, placed: np.ndarray) -> pd.DataFrame:
    """Across and rise by the table, and for trees at the two ends of its scatter (95 %)."""
    reach = _Z95 * SCATTER_CV_PCT / 100
    out = pd.DataFrame(np.nan, index=rows.index, columns=[c for c in ROW_COLUMNS if "expec" in c])
    for end, factor in (("", 1.0), ("_lower", 1 - reach), ("_upper", 1 + reach)):
        radial, tangential = (
            np.asarray(
                strain_between(
                    rows[f"table_{part}"] * factor, rows["moisture_pct"], rows["round_moisture_pct"]
                )
            )
            for part in ("radial", "tangential")
        )
        on = rows[placed]
        rim = dried_rim(
            on["round_mm"], on["pith_mm"], on["rim_faces"], radial[placed], tangential[placed]
        )
        across = 100 * (1 - np.asarray(rim.across_mm) / on["round_mm"].to_numpy())
        out.loc[placed, f"expected_across{end}_pct"] = across
        out.loc[placed, f"expected_rise{end}_mm"] = np.asarray(rim.rise_mm)
        if end:  # of a bowl whose place is not known, the sides shrink by e_r, e_t or between
            bound = np.minimum if end == "_lower" else np.maximum
            out.loc[~placed, f"expected_across{end}_pct"] = bound(radial, tangential)[~placed]
    low, high = out["expected_rise_lower_mm"].copy(), out["expected_rise_upper_mm"].copy()
    out["expected_rise_lower_mm"] = np.minimum(low, high)  # a rim to the bark falls below zero
    out["expected_rise_upper_mm"] = np.maximum(low, high)
    return out


def _own_totals(rows: pd.DataFrame, placed: np.ndarray) -> pd.DataFrame:
    """Shrinkage green to oven-dry that each rim tells of by itself, and its error from moisture."""
    on = rows[placed]
    found = strains_from_rim(
        on["round_mm"], on["pith_mm"], on["rim_faces"],
        on["round_mm"] * (1 - on["across_shrink_pct"] / 100), on["rise_change_mm"],
    )  # fmt: skip
    strains = {"radial": found.radial_pct, "tangential": found.tangential_pct}
    out = pd.DataFrame(
        np.nan, index=rows.index,
        columns=["radial_pct", "tangential_pct", "longitudinal_pct", "moisture_error_pct"],
    )  # fmt: skip
    for part, strain in strains.items():
        out.loc[placed, f"{part}_pct"] = total_from_strain(
            np.asarray(strain), on["moisture_pct"], on["round_moisture_pct"]
        )
    start = rows["round_moisture_pct"]
    out["longitudinal_pct"] = total_from_strain(
        rows["along_shrink_pct"], rows["moisture_pct"], start
    )
    # Half the width that the moisture's own interval gives a total, in percent of the total
    ends = [
        total_from_strain(1.0, rows[f"ci_{end}_moisture_pct"], start) for end in ("lower", "upper")
    ]
    middle = total_from_strain(1.0, rows["moisture_pct"], start)
    out["moisture_error_pct"] = 100 * (ends[1] - np.asarray(ends[0])) / 2 / np.asarray(middle)
    return out
