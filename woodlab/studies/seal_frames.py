"""The frames beside the effects: pieces, typical curves, pairs by log, and seals in a row each."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from woodlab.book.record_book import RecordBook
from woodlab.studies.seal_cracks import crack_shares


def piece_frame(
    timed: pd.DataFrame, fitted: dict[str, np.ndarray], book: RecordBook
) -> pd.DataFrame:
    """`SealStudy.pieces`."""
    exact = timed["lower"] == timed["upper"]
    known = timed["reason"] == ""
    cracked = crack_shares(book)
    return pd.DataFrame(
        {
            "piece": timed["piece"], "seal": timed["seal"], "species": timed["species"],
            "log": timed["log"], "place": timed["place"], "wall_mm": timed["wall_mm"],
            "allotted": timed["allotted"],
            "drying_days": np.exp(timed["lower"]).where(exact),
            "at_least_days": np.exp(timed["lower"]), "at_most_days": np.exp(timed["upper"]),
            "day_unclear": timed["day_unclear"].fillna(False).astype(bool),
            "surface_m_s": np.exp(np.median(fitted["surface_coefficient"], axis=0)),
            "core_to_surface_pct": np.exp(np.median(fitted["core_to_surface"], axis=0)),
            "cracked": timed["piece"].map(cracked), "reason": timed["reason"],
        }
    ).assign(
        surface_m_s=lambda frame: frame["surface_m_s"].where(known),
        core_to_surface_pct=lambda frame: frame["core_to_surface_pct"].where(known),
    )  # fmt: skip


def seal_frame(pieces: pd.DataFrame, seals: list[str]) -> pd.DataFrame:
    """`SealStudy.by_seal`."""
    rows = []
    for seal in seals:
        own = pieces[pieces["seal"] == seal]
        timed = own["at_least_days"].notna()
        days = own.loc[timed, "drying_days"].fillna(
            own.loc[timed, "at_most_days"].where(own["at_least_days"] < 1, np.inf)
        )
        looked = own["cracked"].notna()
        hits, total = int(own["cracked"].sum()), int(looked.sum())
        share = stats.binomtest(hits, total).proportion_ci(0.95) if total else (np.nan, np.nan)
        middle = float(np.median(days)) if len(days) else np.nan
        rows.append(
            {
                "seal": seal, "n_pieces": len(own),
                "n_reached": int(own["drying_days"].notna().sum()),
                "median_days": middle if np.isfinite(middle) else np.nan, "n_looked": total,
                "n_cracked": hits, "crack_pct": 100 * hits / total if total else np.nan,
                "ci_lower": 100 * share[0], "ci_upper": 100 * share[1],
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def typical_frame(course: pd.DataFrame) -> pd.DataFrame:
    """Median moisture of each seal's pieces by day, while half of them are on record.

    Examples
    --------
    >>> course = pd.DataFrame({"piece": list("aab"), "seal": "wax", "days": [0.0, 1.0, 0.0],
    ...                        "moisture_pct": [60.0, 50.0, 70.0]})
    >>> typical_frame(course)[["days", "moisture_pct"]].values.tolist()
    [[0.0, 65.0], [1.0, 50.0]]
    """
    columns = ["seal", "days", "moisture_pct", "n_pieces"]
    if not len(course):
        return pd.DataFrame(columns=columns)
    whole = course.groupby("seal")["piece"].nunique()
    table = course.groupby(["seal", "days"], as_index=False).agg(
        moisture_pct=("moisture_pct", "median"), n_pieces=("piece", "nunique")
    )
    enough = 2 * table["n_pieces"] >= table["seal"].map(whole)
    return table.loc[enough, columns].reset_index(drop=True)


def pair_frame(pieces: pd.DataFrame) -> pd.DataFrame:
    """Days by log and seal, of the logs that hold more than one seal.

    Examples
    --------
    >>> pieces = pd.DataFrame({"log": ["A", "A", "B"], "seal": ["none", "wax", "wax"],
    ...                        "drying_days": [40.0, np.nan, 90.0],
    ...                        "at_least_days": [40.0, 120.0, 90.0]})
    >>> pair_frame(pieces).round(6)[["seal", "days", "at_least"]].values.tolist()
    [['none', 40.0, False], ['wax', 120.0, True]]
    """
    known = pieces[pieces["at_least_days"].notna() & pieces["log"].notna()]
    known = known[known["at_least_days"] > 0]
    both = known.groupby("log")["seal"].transform("nunique") > 1
    rows = [
        {
            "log": log, "seal": seal, "days": float(np.exp(np.log(own["at_least_days"]).mean())),
            "at_least": bool(own["drying_days"].isna().any()), "n_pieces": len(own),
        }
        for (log, seal), own in known[both].groupby(["log", "seal"])
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["log", "seal", "days", "at_least", "n_pieces"])
