"""The maker's own question: how the pieces' surface coefficients go with any column of `pieces`.

The fit knows seal, species, log and wall. What it leaves over in a piece's surface coefficient is
regressed, in every draw, on the columns asked for together, seals and species held; the draws'
answers are put together by Rubin's rules, so that both what the fit does not know and the scatter
between pieces widen the interval.

Source: Rubin, D. B. (1987), Multiple Imputation for Nonresponse in Surveys.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import stats

from woodlab import words
from woodlab.drying.estimator.posterior import Posterior
from woodlab.drying.fit.results import DryingFits, words_of_laws
from woodlab.errors import WoodlabError, as_list, as_number
from woodlab.studies.columns import is_number, with_numbers
from woodlab.studies.confounding import untellable
from woodlab.studies.cracks.design import Design, Number, part_of
from woodlab.studies.sealing.effects import NO_SURFACE, THIS, Compared

TERM_COLUMNS = [
    "term", "level", "reference", "ratio", "ci_lower", "ci_upper", "p_value", "p_holm", "family",
    "certainty", "n_pieces", "reason",
]  # fmt: skip
PARTIAL_COLUMNS = ["column", "value", "weeks", "weeks_lower", "weeks_upper", "n_standard"]
HELD = ("seal", "species")


def term_rows(fits: DryingFits, facts: pd.DataFrame, terms: Sequence[str]) -> pd.DataFrame:
    """A row a level against the commonest, or a number's ratio for a step of it.

    `facts` are of the pieces compared, with `row` (their numbers in the fits) and the columns.
    """
    own = [name for name in terms if name not in HELD]
    rows = [{"term": name, "reason": f"{name} is in the fit already: see study.effects"}
            for name in terms if name in HELD]  # fmt: skip
    used = facts.dropna(subset=own).reset_index(drop=True)
    design = Design(tuple(part for name in (*HELD, *own) if (part := part_of(used, name)).width))
    x = design.fixed(used)
    rest = [_rest(part, used["row"].to_numpy()) for part in fits.parts]
    draws = [one for one in rest if one is not None]
    free = len(x) - np.linalg.matrix_rank(x) if len(x) else 0
    steps = {part.column: part.step for part in design.parts if isinstance(part, Number)}
    for at, term in design.terms():
        name = "wall_mm" if term["kind"] == "wall" else term["kind"]
        if name in HELD:
            continue
        reason = "" if draws else f"the drying law ({words_of_laws(fits.laws)}) {NO_SURFACE}"
        if not reason and free < 2:
            reason = f"{len(used)} pieces are too few to tell {name} from the rest"
        reason = reason or untellable(used, design, x, at, term)
        level = term["level"] or f"per {steps[name]:g} more"
        row = {"term": name, "level": level, "reference": term["reference"], "reason": reason}
        rows.append(row | ({} if reason else _told(x, at, free, np.concatenate(draws, axis=1))))
    frame = pd.DataFrame(rows, columns=TERM_COLUMNS)
    frame = frame.assign(n_pieces=len(used), family=frame["term"])
    return words.judged(frame.fillna({"level": "", "reference": ""})) if rows else frame


def weeks_by_number(
    of: Compared, terms: pd.DataFrame, column: str, values: Sequence[float] | None
) -> pd.DataFrame:
    """The pieces run with another wall, or with the surface coefficient that the term's ratio
    gives them; see `SealStudy.partial_dependence`."""
    pieces = with_numbers(of.fits.book.pieces, [column] if column in of.fits.book.pieces else [])
    asked = terms[terms["term"] == column]
    if column != "wall_mm" and not (len(asked) and is_number(pieces[column])):
        raise WoodlabError(
            f"{column!r} is not a number in this study. Give wall_mm, or add a column of numbers: "
            f"wl.seal_study(fits, terms=[{column!r}])."
        )
    if column != "wall_mm" and not np.isfinite(asked["ratio"].iloc[0]):
        raise WoodlabError(f"{column} cannot be told: {asked['reason'].iloc[0]}.")
    if pieces[column].isna().all():
        return pd.DataFrame(columns=PARTIAL_COLUMNS)
    known = pieces[column].astype(float).fillna(pieces[column].mean())
    steps = (
        np.linspace(known.min(), known.max(), 7) if values is None else as_list(values, "values")
    )
    own, runs = known.to_numpy()[of.pick], of.runs[THIS]
    slopes = np.zeros(runs.target_pct.shape[1])
    if column != "wall_mm":  # the ratio's own estimate and interval, as draws
        row = asked.iloc[0]
        middle, low, high = (np.log(row[name]) for name in ("ratio", "ci_lower", "ci_upper"))
        spread = stats.norm.ppf((np.arange(slopes.size) + 0.5) / slopes.size) * (high - low) / 3.92
        slopes = np.random.default_rng(1).permutation(middle + spread)
        slopes /= float(row["level"].split()[1])  # "per 10 more"
    rows = []
    for value in steps:
        parts, at = [], 0
        for part in runs.parts:
            drawn = slopes[at : at + part.count]
            at += part.count
            parts.append(_moved(part, column, own, as_number(value, "values"), drawn))
        ln = np.log(replace(runs, parts=tuple(parts)).days("own") / 7).mean(axis=0)
        ends = ln.mean() + 1.96 * ln.std(ddof=1) * np.array([0, -1, 1])
        rows.append([column, float(value), *np.exp(ends), len(own)])
    return pd.DataFrame(rows, columns=PARTIAL_COLUMNS)


def _moved(
    part: Posterior, column: str, own: np.ndarray, value: float, slopes: np.ndarray
) -> Posterior:
    """Draws of the same pieces, had each of them this value of the column for its own."""
    season, u = copy.copy(part.season), part.u.copy()
    if column == "wall_mm":
        season.d = replace(season.d, half_m=np.full(len(own), value / 2000))
        for j, parameter in enumerate(season.own):
            power = parameter.prior.wall_power if parameter.prior else 0.0
            u[..., j] += power * np.log(value / own)[:, None]
    elif "surface_m_s" in season.local:
        u[..., season.local.index("surface_m_s")] += np.outer(value - own, slopes)
    return replace(part, season=season, u=u)


def _rest(part: Posterior, rows: np.ndarray) -> np.ndarray | None:
    """What seal, species and wall leave over of each piece's ln surface coefficient, (n, d)."""
    season = part.season
    if "surface_m_s" not in season.local:
        return None
    j = season.local.index("surface_m_s")
    system = season.system
    expected = system.mid[rows, j][:, None] + system.x[rows, j] @ part.beta.T
    out: np.ndarray = part.u[rows, :, j] - expected
    return out


def _told(x: np.ndarray, at: int, free: int, draws: np.ndarray) -> dict[str, float]:
    """Least squares of each draw, put together by Rubin's rules: the coefficient of a column."""
    pseudo = np.linalg.pinv(x)
    estimate = pseudo[at] @ draws
    left = draws - x @ (pseudo @ draws)
    within = float((left**2).sum(axis=0).mean() / free * (pseudo[at] @ pseudo[at]))
    total = within + float(estimate.var(ddof=1)) * (1 + 1 / len(estimate))
    mean, reach = float(estimate.mean()), float(stats.t.ppf(0.975, free)) * np.sqrt(total)
    return {
        "ratio": float(np.exp(mean)), "ci_lower": float(np.exp(mean - reach)),
        "ci_upper": float(np.exp(mean + reach)),
        "p_value": float(2 * stats.t.sf(abs(mean) / np.sqrt(total), free)),
    }  # fmt: skip
