"""Cracks by seal: the crack study's hazard ratios, else the risk ratio with its exact interval."""

from __future__ import annotations

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.errors import WoodlabError
from woodlab.studies.comparison import holm
from woodlab.studies.confounding import comparable
from woodlab.studies.first_cracks import first_cracks
from woodlab.studies.risk import risk_ratio
from woodlab.studies.seal_effects import EFFECT_COLUMNS, blocks, randomised

OUTCOME = "crack_hazard"
NO_LOOKS = (
    "the book has no looks (table `looks`: piece, on, crack_mm; 0 = looked and found none), so "
    "nothing can be said of cracks"
)


def crack_shares(book: RecordBook) -> dict[str, float]:
    """1 or 0 by piece, for the pieces that were looked at after turning."""
    if not len(book.looks):
        return {}
    used = first_cracks(book.pieces, book.looks).used
    return dict(zip(used["piece"], used["cracked"].astype(float), strict=True))


def crack_rows(
    book: RecordBook, facts: pd.DataFrame, reference: str, seals: list[str], seed: int
) -> pd.DataFrame:
    """One row for each of `seals`, as `effect_rows` makes them."""
    cracked = facts["piece"].map(crack_shares(book))
    frame = facts.assign(cracked=cracked, free=cracked)[cracked.notna()].reset_index(drop=True)
    hazard = _hazard(book, reference) if len(frame) else {}
    rows = []
    for seal in seals:
        row: dict[str, object] = dict.fromkeys(EFFECT_COLUMNS, np.nan)
        row |= {
            "outcome": OUTCOME, "seal": seal, "reference": reference, "n_pieces": 0, "n_logs": 0,
            "method": "", "reason": "" if len(book.looks) else NO_LOOKS,
        }  # fmt: skip
        if len(book.looks):
            row |= _row(frame, hazard, seal, reference, seed)
        rows.append(row)
    table = pd.DataFrame(rows, columns=EFFECT_COLUMNS)
    table["p_holm"] = holm(table["p_value"].to_numpy(dtype=float))
    return table


def _row(
    frame: pd.DataFrame, hazard: dict[str, dict[str, object]], seal: str, reference: str, seed: int
) -> dict[str, object]:
    told = comparable(frame, seal, reference)
    if told.reason:
        return {"reason": told.reason.replace("no piece under", "no piece looked at under")}
    pair = frame[frame["piece"].isin(told.pieces)]
    groups = [pair[pair["seal"] == name]["cracked"] for name in (seal, reference)]
    hits = (int(groups[0].sum()), int(groups[1].sum()))
    totals = (len(groups[0]), len(groups[1]))
    row: dict[str, object] = {"n_pieces": len(pair), "n_logs": int(blocks(pair).nunique())}
    if hits == (0, 0):
        return row | {
            "reason": f"no crack in {totals[0]} pieces under {seal!r} nor in {totals[1]} under "
            f"{reference!r}, so nothing compares"
        }
    row |= hazard.get(seal) or _risk(hits, totals)
    # A group without a crack sets a bound on one side, never a ratio of nought or infinity.
    if hits[0] == 0:
        row |= {"ratio": np.nan, "ci_lower": 0.0}
        row["reason"] = (
            f"no crack in {totals[0]} pieces under {seal!r}: the ratio has an upper bound only"
        )
    if hits[1] == 0:
        row |= {"ratio": np.nan, "ci_upper": np.inf}
        row["reason"] = (
            f"no crack in {totals[1]} pieces under {reference!r}: the ratio has a lower bound only"
        )
    return row | randomised(pair, seal, seed)


def _risk(hits: tuple[int, int], totals: tuple[int, int]) -> dict[str, object]:
    got = risk_ratio(hits, totals)
    return {
        "ratio": got.ratio, "ci_lower": got.ci_lower, "ci_upper": got.ci_upper,
        "p_value": got.p_value, "method": got.method,
    }  # fmt: skip


def _hazard(book: RecordBook, reference: str) -> dict[str, dict[str, object]]:
    """The crack study's rows by seal, where it has a ratio; empty where it cannot be had."""
    from woodlab.studies.cracks import crack_study

    try:
        study = crack_study(book, reference=reference)
    except WoodlabError:
        return {}
    rows = study.effects
    rows = rows[(rows["kind"] == "seal") & (rows["reference"] == reference)]
    return {
        row["level"]: {
            "ratio": row["hazard_ratio"], "ci_lower": row["ci_lower"],
            "ci_upper": row["ci_upper"], "p_value": row["p_value"], "method": row["method"],
        }
        for row in rows.to_dict("records")
        if np.isfinite(row["hazard_ratio"])
    }  # fmt: skip
