"""Does the physics explain the cracks: core-to-surface moisture in place of wall and seal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.stats import chi2

from woodlab.errors import WoodlabError
from woodlab.studies.crack_design import CrackDesign, is_estimable
from woodlab.studies.first_cracks import FirstCracks
from woodlab.studies.firth import Constraint
from woodlab.studies.hazard import HazardModel, fit_hazard

CORE_COLUMN = "difference_pct"
STEP_POINTS = 10.0
PHYSICS_COLUMNS = [
    "question", "estimate", "ci_lower", "ci_upper", "p_value", "n_pieces", "n_cracked", "reason",
]  # fmt: skip
LEAST_CRACKS = 5


def with_core(
    first: FirstCracks, design: CrackDesign, core_to_surface: pd.DataFrame | None
) -> pd.DataFrame:
    """The hazard ratio of the difference, and whether wall and seal add to it.

    Parameters
    ----------
    first : FirstCracks
    design : CrackDesign
        Of the main model.
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
    used = first.used
    core = core_to_surface.drop_duplicates("piece").set_index("piece")[CORE_COLUMN]
    used = used.assign(**{CORE_COLUMN: used["piece"].map(core)})
    lost = int(used[CORE_COLUMN].isna().sum())
    used = used[used[CORE_COLUMN].notna()].reset_index(drop=True)
    n_cracked = int(used["cracked"].sum())
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
    intervals = first.intervals[first.intervals["piece"].isin(used["piece"])]
    centre = float(used[CORE_COLUMN].mean())
    own = replace(
        design, extra=CORE_COLUMN, extra_centre=centre, extra_step=STEP_POINTS,
        use_wall=False, use_seal=False,
    )  # fmt: skip
    alone = fit_hazard(used, intervals, own)
    weights = next(w for term, w in own.terms(design.seals[0]) if term.kind == "extra")
    contrast = Constraint.linear(alone.dense_weights(weights))
    try:
        lower, upper = alone.fit.profile(contrast)
        row = [asked, float(np.exp(contrast.value(alone.fit.dense))), float(np.exp(lower)),
               float(np.exp(upper)), alone.fit.p_value(contrast)]  # fmt: skip
    except WoodlabError as error:
        row, note = [asked, *[np.nan] * 4], str(error)
    both = fit_hazard(used, intervals, replace(own, use_wall=True, use_seal=True), alone.course)
    added = _added(both, design.seals[0], beside, len(used), n_cracked)
    return pd.DataFrame([[*row, len(used), n_cracked, note], added], columns=PHYSICS_COLUMNS)


def _added(
    both: HazardModel, reference: str, beside: str, n_pieces: int, n_cracked: int
) -> list[object]:
    """Wald's statistic of all wall and seal columns together, in the model that has both."""
    terms = both.design.terms(reference)
    fixed = both.design.fixed(both.used)
    weights = [
        both.dense_weights(w)
        for term, w in terms
        if term.kind in ("wall", "seal") and is_estimable(fixed, w)
    ]
    if not weights:
        return [beside, *[np.nan] * 4, n_pieces, n_cracked, "wall and seal do not vary beside it"]
    contrasts = np.stack(weights)
    values = contrasts @ both.fit.dense
    inside = contrasts @ both.fit.covariance @ contrasts.T
    statistic = float(values @ np.linalg.solve(inside, values))
    p_value = float(chi2.sf(statistic, len(weights)))
    words = f"{len(weights)} degrees of freedom"
    return [beside, statistic, np.nan, np.nan, p_value, n_pieces, n_cracked, words]
