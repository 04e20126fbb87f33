"""The effects of a fitted hazard: ratio, interval, p, Holm, certainty; or a reason in words."""

from __future__ import annotations

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.errors import WoodlabError
from woodlab.studies.confounding import untellable
from woodlab.studies.cracks.design import Design
from woodlab.studies.cracks.hazard import HazardModel
from woodlab.words import tally

NUMBERS = ["hazard_ratio", "ci_lower", "ci_upper", "p_value"]
EFFECT_COLUMNS = [
    "term", *NUMBERS, "p_holm", "family", "certainty", "n_pieces", "n_cracks", "method", "reason",
    "kind", "level", "reference",
]  # fmt: skip


def method_of(model: HazardModel | None) -> str:
    """What was fitted, in words."""
    if model is None:
        return "none"
    more = {"logs integrated out": np.isfinite(model.log_sd),
            "looks may overlook cracks": model.misses.scale_mm > 1e-6,
            "species partly pooled": model.design.pooled.any()}  # fmt: skip
    parts = ["cloglog hazard of the first crack, Jeffreys' penalty, profile likelihood"]
    return "; ".join([*parts, *(what for what, holds in more.items() if holds)])


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
            cracks, asked = int(model.used["cracked"].sum()), len(model.design.kept) - 1
            raise WoodlabError(f"{tally(cracks, 'crack')} for {asked} comparisons at once: too few")
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
