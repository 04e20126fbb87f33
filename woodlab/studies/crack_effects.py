"""The effects of a fitted hazard as rows in words, each with its interval or its reason."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from woodlab.errors import WoodlabError
from woodlab.studies.crack_design import (
    MOST_INFLATION,
    CrackDesign,
    Term,
    inflation,
    is_estimable,
    why_not,
)
from woodlab.studies.firth import Constraint
from woodlab.studies.hazard import HazardModel

EFFECT_COLUMNS = [
    "term", "hazard_ratio", "ci_lower", "ci_upper", "p_value", "n_pieces", "n_cracked", "method",
    "reason", "kind", "level", "reference",
]  # fmt: skip


@dataclass(frozen=True)
class _Told:
    ratio: float = np.nan
    lower: float = np.nan
    upper: float = np.nan
    p_value: float = np.nan
    reason: str = ""


def method_of(model: HazardModel) -> str:
    """What was fitted, in words."""
    parts = ["cloglog hazard of the first crack, Jeffreys' penalty, profile likelihood"]
    if np.isfinite(model.log_sd):
        parts.append("log as a shared effect")
    if model.design.pooled:
        parts.append("species partly pooled")
    return "; ".join(parts)


def effects_table(
    used: pd.DataFrame, design: CrackDesign, model: HazardModel | None, level: float = 0.95
) -> pd.DataFrame:
    """A row a term: hazard ratio, interval, p value, or NaN and the reason in words.

    `model` is None where no crack was found.
    """
    fixed = design.fixed(used)
    rows: list[list[object]] = []
    for term, weights in design.terms(design.seals[0]):
        mine = used
        if term.kind in ("seal", "species"):
            mine = used[used[term.kind].isin([term.level, term.reference])]
        told = _untellable(used, design, fixed, term, weights)
        if told is None and model is None:
            told = _Told(reason=f"no crack was found in {len(used)} pieces, so nothing compares")
        if told is None and model is not None:
            told = _told(model, mine, term, weights, level)
        assert told is not None
        rows.append(
            [term.name, told.ratio, told.lower, told.upper, told.p_value, len(mine),
             int(mine["cracked"].sum()), method_of(model) if model is not None else "none",
             told.reason, term.kind, term.level, term.reference]
        )  # fmt: skip
    return pd.DataFrame(rows, columns=EFFECT_COLUMNS)


def _untellable(
    used: pd.DataFrame, design: CrackDesign, fixed: np.ndarray, term: Term, weights: np.ndarray
) -> _Told | None:
    count = fixed.shape[1]
    if term.kind == "wall" and np.ptp(used["wall_mm"].to_numpy()) < 0.5:
        return _Told(reason=why_not(used, term))
    if not is_estimable(fixed, weights):
        return _Told(reason=why_not(used, term))
    own = [0, *_own_columns(design, term, count)]
    if inflation(fixed, weights, own) > MOST_INFLATION:
        return _Told(reason=why_not(used, term))
    if term.kind == "species" and _one_log_each(used, term):
        return _Told(
            reason=f"each species here comes from a single log, so the records cannot tell "
            f"{term.level} from its log; a second log of it would"
        )
    return None


def _own_columns(design: CrackDesign, term: Term, count: int) -> list[int]:
    at = design.species_at
    if term.kind == "species":
        return list(range(at.start, at.stop))
    if term.kind == "seal":
        return list(range(at.stop, count))
    return [1] if term.kind == "wall" else [1 + design.use_wall]


def _one_log_each(used: pd.DataFrame, term: Term) -> bool:
    """Whether no species of the book has a second log (pieces without a log count as of their own).

    Then the spread between logs, which the species' difference has to be held against, is not to
    be seen either.
    """
    if used["log"].isna().any():
        return False
    pair = used[used["species"].isin([term.level, term.reference])]
    return bool((pair.groupby("species")["log"].nunique() == 1).all()) and bool(
        (used.groupby("species")["log"].nunique() == 1).all()
    )


def _told(
    model: HazardModel, mine: pd.DataFrame, term: Term, weights: np.ndarray, level: float
) -> _Told:
    contrast = Constraint.linear(model.dense_weights(weights))
    estimate = contrast.value(model.fit.dense)
    try:
        lower, upper = model.fit.profile(contrast, level)
        p_value = model.fit.p_value(contrast)
    except WoodlabError as error:
        why = str(error).rstrip(".")
        return _Told(reason=f"no interval could be found ({why})")
    reason = _notes(mine, term)
    return _Told(
        float(np.exp(estimate)), float(np.exp(lower)), float(np.exp(upper)), p_value, reason
    )


def _notes(mine: pd.DataFrame, term: Term) -> str:
    """What a reader should know of a number that stands."""
    if term.kind not in ("seal", "species"):
        return ""
    notes = []
    for name in (term.level, term.reference):
        group = mine[mine[term.kind] == name]
        cracked = int(group["cracked"].sum())
        if cracked == 0:
            side = "upper" if name == term.level else "lower"
            notes.append(
                f"none of the {len(group)} pieces of {name} cracked: go by the {side} end of the "
                "interval"
            )
        if term.kind == "species" and group["log"].nunique() == 1 and group["log"].notna().all():
            notes.append(f"{name} comes from one log only, so its log may speak here")
    return "; ".join(notes)
