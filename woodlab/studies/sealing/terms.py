"""The maker's own question: how the pieces' surface coefficients go with any column of `pieces`.

The fit knows seal, species, log and wall. What it leaves over in a piece's surface coefficient is
regressed, in every draw, on the columns asked for (names: a factor; numbers: a slope), seals and
species held; the draws' answers are put together by Rubin's rules, so that both what the fit does
not know and the scatter between pieces widen the interval.

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
from woodlab.drying.fit.results import DryingFits
from woodlab.errors import WoodlabError, as_list, as_number
from woodlab.studies.columns import is_number, with_numbers
from woodlab.studies.confounding import MOST_INFLATION, inflation, is_estimable, why_not
from woodlab.studies.sealing.effects import THIS, Compared

TERM_COLUMNS = [
    "term", "level", "reference", "ratio", "ci_lower", "ci_upper", "p_value", "p_holm", "family",
    "certainty", "n_pieces", "reason",
]  # fmt: skip
PARTIAL_COLUMNS = ["column", "value", "weeks", "weeks_lower", "weeks_upper", "n_standard"]
NO_SURFACE = "the drying law has no surface coefficient; film and slab have"


def term_rows(fits: DryingFits, facts: pd.DataFrame, terms: Sequence[str]) -> pd.DataFrame:
    """A row a level against the commonest, or a number's slope (per standard step of it).

    `facts` are of the pieces compared, with `row` (their numbers in the fits) and the columns.
    """
    frames = [_one(fits, facts, name, terms) for name in terms]
    if not frames:
        return pd.DataFrame(columns=TERM_COLUMNS)
    return words.judged(pd.concat(frames, ignore_index=True))


def _one(fits: DryingFits, facts: pd.DataFrame, name: str, terms: Sequence[str]) -> pd.DataFrame:
    used = facts[facts[name].notna()].reset_index(drop=True)
    numeric = is_number(used[name])
    values = used[name].astype(float) if numeric else used[name].astype(str)
    base = pd.get_dummies(used[["seal", "species"]], drop_first=True, dtype=float)
    base.insert(0, "one", 1.0)
    if numeric:
        reference, step = "", _step(values)
        columns = pd.DataFrame({f"per {step:g} more": (values - values.mean()) / step})
    else:
        reference = str(values.mode().iloc[0]) if len(values) else ""
        columns = pd.get_dummies(values, dtype=float).drop(columns=reference, errors="ignore")
    x = np.column_stack([base, columns])
    draws = [_rest(part, used["row"].to_numpy()) for part in fits.parts]
    known = [one for one in draws if one is not None]
    rows = []
    for i, level in enumerate(columns, base.shape[1]):
        line = np.zeros(x.shape[1])
        line[i] = 1.0
        row: dict[str, object] = dict.fromkeys(TERM_COLUMNS, np.nan)
        row |= {"term": name, "level": level, "reference": reference, "n_pieces": len(used),
                "family": name, "reason": ""}  # fmt: skip
        others = [c for c in ("seal", "species", *terms) if c != name and c in used]
        own = [0, *range(base.shape[1], x.shape[1])]
        if not known:
            row["reason"] = NO_SURFACE
        elif len(used) - np.linalg.matrix_rank(x) < 2:
            row["reason"] = f"{len(used)} pieces are too few to tell {name} from seal and species"
        elif not is_estimable(x, line) or inflation(x, line, own) > MOST_INFLATION:
            label = "" if numeric else level
            row["reason"] = why_not(used.assign(**{name: values}), name, label, reference, others)
        else:
            row |= _told(x, line, np.concatenate(known, axis=1))
        rows.append(row)
    return pd.DataFrame(rows, columns=TERM_COLUMNS)


def _step(values: pd.Series) -> float:
    """The standard deviation of a number, as people say it; a ratio is of so much more."""
    return float(f"{max(float(values.std(ddof=0)), 1e-12):.1g}")


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
        middle, low, high = np.log(asked[["ratio", "ci_lower", "ci_upper"]].to_numpy(float)[0])
        quantiles = stats.norm.ppf((np.arange(slopes.size) + 0.5) / slopes.size)
        drawn = np.random.default_rng(1).permutation(quantiles) * (high - low) / 3.92 + middle
        slopes = drawn / _step(pieces[column].dropna())
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


def _told(x: np.ndarray, line: np.ndarray, draws: np.ndarray) -> dict[str, float]:
    """Least squares of each draw, put together by Rubin's rules."""
    pseudo = np.linalg.pinv(x)
    fit = pseudo @ draws
    free = len(x) - np.linalg.matrix_rank(x)
    spread = ((draws - x @ fit) ** 2).sum(axis=0) / free
    estimate = line @ fit
    within = float(spread.mean() * (line @ pseudo @ pseudo.T @ line))
    between = float(estimate.var(ddof=1))
    total = within + between * (1 + 1 / len(estimate))
    mean, reach = float(estimate.mean()), float(stats.t.ppf(0.975, free)) * np.sqrt(total)
    return {
        "ratio": float(np.exp(mean)), "ci_lower": float(np.exp(mean - reach)),
        "ci_upper": float(np.exp(mean + reach)),
        "p_value": float(2 * stats.t.sf(abs(mean) / np.sqrt(total), free)),
    }  # fmt: skip
