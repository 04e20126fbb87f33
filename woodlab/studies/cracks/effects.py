"""The effects of a fitted hazard: ratio, interval, p, Holm, certainty; or a reason in words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.errors import WoodlabError, as_kind
from woodlab.studies.confounding import is_estimable, untellable
from woodlab.studies.cracks.design import Design, Number
from woodlab.studies.cracks.hazard import HazardModel, fit_hazard
from woodlab.studies.cracks.intervals import FirstCracks, Misses

NUMBERS = ["hazard_ratio", "ci_lower", "ci_upper", "p_value"]
EFFECT_COLUMNS = [
    "term", *NUMBERS, "p_holm", "family", "certainty", "n_pieces", "n_cracks", "method", "reason",
    "kind", "level", "reference",
]  # fmt: skip


def method_of(model: HazardModel | None) -> str:
    """What was fitted, in words."""
    if model is None:
        return "none"
    parts = ["cloglog hazard of the first crack, Jeffreys' penalty, profile likelihood"]
    if np.isfinite(model.log_sd):
        parts.append("logs integrated out")
    if model.misses.scale_mm > 1e-6:
        parts.append("looks may overlook cracks")
    if model.design.pooled.any():
        parts.append("species partly pooled")
    return "; ".join(parts)


def effects_table(used: pd.DataFrame, design: Design, model: HazardModel | None) -> pd.DataFrame:
    """A row a term: hazard ratio, interval, p value, or NaN and the reason in words.

    `model` is None where no crack was found. `p_holm` is adjusted within the `family`, the terms
    that answer one question (all seals; all species; the wall). `certainty` is decided here, from
    `p_holm` and the number of cracks, and by nobody else.
    """
    fixed, rows = design.fixed(used), []
    for at, term in design.terms():
        mine = used
        if term["reference"]:
            mine = used[used[term["kind"]].astype(str).isin([term["level"], term["reference"]])]
        row = dict.fromkeys(EFFECT_COLUMNS, np.nan) | term | {
            "family": term["kind"], "n_pieces": len(mine), "n_cracks": int(mine["cracked"].sum()),
            "method": method_of(model),
        }  # fmt: skip
        reason = untellable(used, design, fixed, at, term)
        if not reason and model is None:
            reason = f"no crack was found in {len(used)} pieces, so nothing compares"
        elif not reason and model is not None:
            numbers, reason = _ratio(model, at)
            row |= dict(zip(NUMBERS, numbers, strict=True))
            reason = reason or _notes(mine, **term)
        rows.append(row | {"reason": reason})
    table = pd.DataFrame(rows, columns=EFFECT_COLUMNS)
    return words.judged(table.astype(dict.fromkeys(NUMBERS, float)), table["n_cracks"])


def _ratio(model: HazardModel, at: int) -> tuple[list[float], str]:
    """Ratio, limits and p by profile likelihood; or why there is none."""
    fit, column = model.fit, model.design.kept.index(at)
    try:
        if not fit.converged:
            raise WoodlabError("the fit did not converge")
        ends = [fit.theta[column], *fit.profile(column)]
        return [*np.exp(ends).tolist(), fit.test(column)[1]], ""
    except WoodlabError as error:
        return [np.nan] * 4, f"no interval could be found ({str(error).rstrip('.')})"


def _notes(mine: pd.DataFrame, kind: str, level: str, reference: str, **_: str) -> str:
    """What a reader should know of a number that stands."""
    notes = []
    for name in (level, reference) if reference else ():
        group = mine[mine[kind].astype(str) == name]
        if not group["cracked"].any():
            side = "upper" if name == level else "lower"
            notes.append(
                f"none of the {len(group)} pieces of {name} cracked: go by the {side} end of the "
                "interval"
            )
        if kind == "species" and group["log"].nunique() == 1 and group["log"].notna().all():
            notes.append(f"{name} comes from one log only, so its log may be what shows here")
    return "; ".join(notes)


# ------------------------------------------------------------------ core to surface
CORE_COLUMN = "difference_pct"
STEP_POINTS = 10.0
LEAST_CRACKS = 5
ASKED = f"hazard ratio, core to surface: per {STEP_POINTS:g} points of moisture more"
BESIDE = "do wall and seal add to it (likelihood ratio)"
PHYSICS_COLUMNS = [
    "question", "estimate", "ci_lower", "ci_upper", "p_value", "n_pieces", "n_cracked", "reason",
]  # fmt: skip


def with_core(
    first: FirstCracks, design: Design, misses: Misses, core_to_surface: pd.DataFrame | None
) -> pd.DataFrame:
    """The hazard ratio of the core-to-surface difference, and whether wall and seal add to it.

    Two rows: the hazard ratio per 10 points more, species, course and log held; and the likelihood
    ratio statistic of wall and seal beside it (`estimate`). `core_to_surface` has `piece` and
    `difference_pct` [points of moisture], NaN where a piece has no curve.
    """
    if core_to_surface is None:
        return pd.DataFrame(columns=PHYSICS_COLUMNS)
    as_kind(core_to_surface, pd.DataFrame, "core_to_surface", "what wl.core_to_surface returns")
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
    if n_cracked < LEAST_CRACKS or np.ptp(used[CORE_COLUMN].to_numpy(float)) < 1e-6:
        why = (
            f"too little to go on: {n_cracked} cracks among {len(used)} pieces with a drying "
            "curve, or all with the same difference"
        )
        rows = [[q, *[np.nan] * 4, len(used), n_cracked, why] for q in (ASKED, BESIDE)]
        return pd.DataFrame(rows, columns=PHYSICS_COLUMNS)
    number = Number(CORE_COLUMN, float(used[CORE_COLUMN].mean()), STEP_POINTS)
    rest = [part for part in design.parts if part.column not in ("wall_mm", "seal")]
    alone = fit_hazard(first, Design((number, *rest)), misses=misses, draws=16)
    numbers, why = _ratio(alone, _columns(alone, CORE_COLUMN)[0])
    note = f"{lost} pieces without a drying curve are left out" if lost else ""
    row = [ASKED, *numbers, len(used), n_cracked, why or note]
    both = fit_hazard(first, Design((number, *design.parts)), alone.course, misses, draws=16)
    added = [both.design.kept.index(at) for at in _columns(both, "wall", "seal")]
    statistic, p_value = both.fit.test(*added) if added else (np.nan, np.nan)
    said = f"{len(added)} degrees of freedom" if added else "wall and seal do not vary beside it"
    beside = [BESIDE, statistic, np.nan, np.nan, p_value, len(used), n_cracked, said]
    return pd.DataFrame([row, beside], columns=PHYSICS_COLUMNS)


def _columns(model: HazardModel, *kinds: str) -> list[int]:
    """Columns of the model's terms of some kinds that its pieces can tell."""
    fixed = model.design.fixed(model.used)
    told = is_estimable(fixed, np.eye(fixed.shape[1]))
    return [at for at, term in model.design.terms() if term["kind"] in kinds and told[at]]
