"""The effects of a fitted hazard: ratio, interval, p, Holm, certainty; or a reason in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.stats import chi2

from woodlab import words
from woodlab.errors import WoodlabError
from woodlab.studies.confounding import (
    LEAST_WALLS_MM,
    MOST_INFLATION,
    inflation,
    is_estimable,
    why_not,
)
from woodlab.studies.cracks.design import Design, Factor, Number, Term
from woodlab.studies.cracks.hazard import HazardModel, fit_hazard
from woodlab.studies.cracks.intervals import FirstCracks, Misses

EFFECT_COLUMNS = [
    "term", "hazard_ratio", "ci_lower", "ci_upper", "p_value", "p_holm", "family", "certainty",
    "n_pieces", "n_cracks", "method", "reason", "kind", "level", "reference",
]  # fmt: skip


def method_of(model: HazardModel) -> str:
    """What was fitted, in words."""
    parts = ["cloglog hazard of the first crack, Jeffreys' penalty, profile likelihood"]
    if np.isfinite(model.log_sd):
        parts.append("logs integrated out")
    if model.misses.scale_mm > 1e-6:
        parts.append("looks may overlook cracks")
    if model.design.pooled:
        parts.append("species partly pooled")
    return "; ".join(parts)


def effects_table(used: pd.DataFrame, design: Design, model: HazardModel | None) -> pd.DataFrame:
    """A row a term: hazard ratio, interval, p value, or NaN and the reason in words.

    `model` is None where no crack was found. `p_holm` is adjusted within the `family`, the terms
    that answer one question (all seals; all species; the wall). `certainty` is decided here, from
    `p_holm` and the number of cracks, and by nobody else.
    """
    fixed = design.fixed(used)
    rows: list[list[object]] = []
    for term, weights in design.terms():
        mine = used
        if term.reference:
            mine = used[used[term.kind].astype(str).isin([term.level, term.reference])]
        reason = _untellable(used, design, fixed, term, weights)
        numbers = [np.nan] * 4
        if not reason and model is None:
            reason = f"no crack was found in {len(used)} pieces, so nothing compares"
        elif not reason and model is not None:
            numbers, reason = _told(model, mine, term, weights)
        rows.append(
            [term.name, *numbers, np.nan, term.kind, "", len(mine), int(mine["cracked"].sum()),
             method_of(model) if model is not None else "none", reason, term.kind, term.level,
             term.reference]
        )  # fmt: skip
    table = pd.DataFrame(rows, columns=EFFECT_COLUMNS)
    return words.judged(table, table["n_cracks"])


def _untellable(
    used: pd.DataFrame, design: Design, fixed: np.ndarray, term: Term, weights: np.ndarray
) -> str:
    others = [p.column for p in design.parts if isinstance(p, Factor) and p.column != term.kind]
    why = why_not(used, term.kind, term.level, term.reference, others)
    column = "wall_mm" if term.kind == "wall" else term.kind
    if term.kind == "wall" and np.ptp(used["wall_mm"].to_numpy()) < LEAST_WALLS_MM:
        return why
    if not is_estimable(fixed, weights):
        return why
    at = design.slices()[column]
    if inflation(fixed, weights, [0, *range(at.start, at.stop)]) > MOST_INFLATION:
        return why
    if term.kind in ("species", "book") and _one_log_each(used, term):
        return (
            f"each {term.kind} here comes from a single log, so the records cannot tell "
            f"{term.level} from its log; a second log of it would"
        )
    return ""


def _one_log_each(used: pd.DataFrame, term: Term) -> bool:
    """Whether no level has a second log (pieces without a log count as of their own).

    Then the spread between logs, which the difference has to be held against, is not to be seen.
    """
    if used["log"].isna().any():
        return False
    return bool((used.groupby(used[term.kind].astype(str))["log"].nunique() == 1).all())


def _told(
    model: HazardModel, mine: pd.DataFrame, term: Term, weights: np.ndarray
) -> tuple[list[float], str]:
    """Ratio, limits and p by profile likelihood; and what to know of them, or why there is none."""
    contrast = model.design.contrast(weights)
    try:
        if not model.fit.converged:
            raise WoodlabError("the fit did not converge")
        ends = [model.fit.estimate(contrast), *model.fit.profile(contrast)]
        return [*np.exp(ends).tolist(), model.fit.p_value(contrast)], _notes(mine, term)
    except WoodlabError as error:
        return [np.nan] * 4, f"no interval could be found ({str(error).rstrip('.')})"


def _notes(mine: pd.DataFrame, term: Term) -> str:
    """What a reader should know of a number that stands."""
    if not term.reference:
        return ""
    notes = []
    for name in (term.level, term.reference):
        group = mine[mine[term.kind].astype(str) == name]
        if int(group["cracked"].sum()) == 0:
            side = "upper" if name == term.level else "lower"
            notes.append(
                f"none of the {len(group)} pieces of {name} cracked: go by the {side} end of the "
                "interval"
            )
        if term.kind == "species" and group["log"].nunique() == 1 and group["log"].notna().all():
            notes.append(f"{name} comes from one log only, so its log may be what shows here")
    return "; ".join(notes)


# ------------------------------------------------------------------ core to surface
CORE_COLUMN = "difference_pct"
STEP_POINTS = 10.0
LEAST_CRACKS = 5
PHYSICS_COLUMNS = [
    "question", "estimate", "ci_lower", "ci_upper", "p_value", "n_pieces", "n_cracked", "reason",
]  # fmt: skip


def with_core(
    first: FirstCracks, design: Design, misses: Misses, core_to_surface: pd.DataFrame | None
) -> pd.DataFrame:
    """The hazard ratio of the core-to-surface difference, and whether wall and seal add to it.

    Parameters
    ----------
    core_to_surface : DataFrame or None
        `piece`, `difference_pct` [points of moisture]; NaN where a piece has no curve.

    Returns
    -------
    DataFrame
        Two rows: the hazard ratio per 10 points more (profile interval and p value), species,
        course and log held; and Wald's statistic of wall and seal beside it (`estimate`;
        p by chi-squared). Empty where `core_to_surface` is None.

    Raises
    ------
    WoodlabError
        If a column is missing.
    """
    if core_to_surface is None:
        return pd.DataFrame(columns=PHYSICS_COLUMNS)
    missing = {"piece", CORE_COLUMN} - set(core_to_surface)
    if missing:
        raise WoodlabError(
            f"core_to_surface needs the columns piece and {CORE_COLUMN}; missing: "
            f"{', '.join(sorted(missing))}. Give what wl.core_to_surface returns."
        )
    core = core_to_surface.drop_duplicates("piece").set_index("piece")[CORE_COLUMN]
    pieces = first.pieces.assign(**{CORE_COLUMN: first.pieces["piece"].map(core)})
    lost = int((pieces[CORE_COLUMN].isna() & (pieces["status"] == "used")).sum())
    pieces = pieces[pieces[CORE_COLUMN].notna()]
    intervals = first.intervals[first.intervals["piece"].isin(pieces["piece"])]
    first = replace(first, pieces=pieces, intervals=intervals)
    used, n_cracked = first.used, int(first.used["cracked"].sum())
    note = f"{lost} pieces without a drying curve are left out" if lost else ""
    asked = f"hazard ratio, core to surface: per {STEP_POINTS:g} points of moisture more"
    beside = "do wall and seal add to it (Wald's chi-squared)"
    if n_cracked < LEAST_CRACKS or np.ptp(used[CORE_COLUMN].to_numpy(float)) < 1e-6:
        why = (
            f"too little to go on: {n_cracked} cracks among {len(used)} pieces with a drying "
            "curve, or all with the same difference"
        )
        rows = [[q, *[np.nan] * 4, len(used), n_cracked, why] for q in (asked, beside)]
        return pd.DataFrame(rows, columns=PHYSICS_COLUMNS)
    number = Number(CORE_COLUMN, float(used[CORE_COLUMN].mean()), STEP_POINTS)
    rest = [part for part in design.parts if part.column not in ("wall_mm", "seal")]
    alone = fit_hazard(first, Design((number, *rest)), misses=misses, draws=16)
    weights = next(w for term, w in alone.design.terms() if term.kind == CORE_COLUMN)
    numbers, why = _told(alone, used, Term(asked, CORE_COLUMN), weights)
    row = [asked, *numbers, len(used), n_cracked, why or note]
    both = fit_hazard(first, Design((number, *design.parts)), alone.course, misses, draws=16)
    added = _added(both, beside, len(used), n_cracked)
    return pd.DataFrame([row, added], columns=PHYSICS_COLUMNS)


def _added(both: HazardModel, beside: str, n_pieces: int, n_cracked: int) -> list[object]:
    """Wald's statistic of all wall and seal columns together, in the model that has both."""
    fixed = both.design.fixed(both.used)
    weights = [
        both.design.contrast(w)
        for term, w in both.design.terms()
        if term.kind in ("wall", "seal") and is_estimable(fixed, w)
    ]
    if not weights:
        return [beside, *[np.nan] * 4, n_pieces, n_cracked, "wall and seal do not vary beside it"]
    contrasts = np.stack(weights)
    n = contrasts.shape[1]
    values = contrasts @ both.fit.theta[:n]
    inside = contrasts @ both.fit.covariance[:n, :n] @ contrasts.T
    statistic = float(values @ np.linalg.solve(inside, values))
    p_value = float(chi2.sf(statistic, len(weights)))
    words_ = f"{len(weights)} degrees of freedom"
    return [beside, statistic, np.nan, np.nan, p_value, n_pieces, n_cracked, words_]
