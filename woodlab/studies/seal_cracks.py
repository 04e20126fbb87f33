"""Cracks by seal, as rows of the sealing study: the crack study's own regression, and no other."""

from __future__ import annotations

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.studies.cracks import crack_study
from woodlab.studies.cracks.intervals import first_cracks
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
    study = crack_study(book, reference=reference)
    told = study.effects[
        (study.effects["kind"] == "seal") & (study.effects["reference"] == reference)
    ].set_index("level")
    cracked = facts["piece"].map(study.first.used.set_index("piece")["cracked"].astype(float))
    frame = facts.assign(cracked=cracked, free=cracked)[cracked.notna()].reset_index(drop=True)
    rows = []
    for seal in seals:
        row: dict[str, object] = dict.fromkeys(EFFECT_COLUMNS, np.nan)
        row |= {"outcome": OUTCOME, "seal": seal, "reference": reference, "n_pieces": 0,
                "n_logs": 0, "method": "", "reason": NO_LOOKS}  # fmt: skip
        if len(book.looks):
            row |= _row(frame, told, seal, reference, seed)
        rows.append(row)
    return pd.DataFrame(rows, columns=EFFECT_COLUMNS)


def _row(
    frame: pd.DataFrame, told: pd.DataFrame, seal: str, reference: str, seed: int
) -> dict[str, object]:
    pair = frame[frame["seal"].isin([seal, reference])]
    count = {name: int((pair["seal"] == name).sum()) for name in (seal, reference)}
    hits = {name: int(pair.loc[pair["seal"] == name, "cracked"].sum()) for name in count}
    row: dict[str, object] = {"n_pieces": len(pair), "n_logs": int(blocks(pair).nunique())}
    for name in (seal, reference):
        if not count[name]:
            return row | {"reason": f"no piece looked at under {name!r}"}
    if not any(hits.values()):
        return row | {
            "reason": f"no crack in {count[seal]} pieces under {seal!r} nor in {count[reference]} "
            f"under {reference!r}, so nothing compares"
        }
    found = told.loc[seal]
    if not np.isfinite(found["hazard_ratio"]):
        return row | {"reason": found["reason"]}
    row |= {
        "ratio": found["hazard_ratio"], "ci_lower": found["ci_lower"],
        "ci_upper": found["ci_upper"], "p_value": found["p_value"], "p_holm": found["p_holm"],
        "method": found["method"], "reason": "",
    }  # fmt: skip
    # A group without a crack sets a bound on one side, never a ratio of zero or infinity.
    if not hits[seal]:
        row |= {"ratio": np.nan, "ci_lower": 0.0}
        row["reason"] = (
            f"no crack in {count[seal]} pieces under {seal!r}: the ratio has an upper bound only"
        )
    if not hits[reference]:
        row |= {"ratio": np.nan, "ci_upper": np.inf}
        row["reason"] = (
            f"no crack in {count[reference]} pieces under {reference!r}: the ratio has a lower "
            "bound only"
        )
    return row | randomised(pair, seal, seed)
