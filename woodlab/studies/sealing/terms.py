"""The maker's own question: how the pieces' surface coefficients go with any column of `pieces`.

The fit knows seal, species, log and wall. What it leaves over in a piece's surface coefficient is
regressed, in every draw, on the columns asked for (names: a factor; numbers: a slope), seals and
species held; the draws' answers are put together by Rubin's rules, so that both what the fit does
not know and the scatter between pieces widen the interval.

Source: Rubin, D. B. (1987), Multiple Imputation for Nonresponse in Surveys.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import stats

from woodlab import words
from woodlab.drying.fit.results import DryingFits
from woodlab.studies.columns import is_number
from woodlab.studies.confounding import MOST_INFLATION, inflation, is_estimable, why_not

TERM_COLUMNS = [
    "term", "level", "reference", "ratio", "ci_lower", "ci_upper", "p_value", "p_holm", "family",
    "certainty", "n_pieces", "reason",
]  # fmt: skip
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
        reference, step = "", float(f"{max(float(values.std(ddof=0)), 1e-12):.1g}")
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


def _rest(part, rows: np.ndarray) -> np.ndarray | None:  # type: ignore[no-untyped-def]
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
