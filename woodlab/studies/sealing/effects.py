"""The effects of the seals as rows: ratio, interval, p, Holm, certainty; or a reason in words.

A ratio is the geometric mean, over the season's pieces, of what each would have done under the
seal over what it would have done under the reference, in every draw of the one fit. Over the draws
its logarithm is nearly normal; interval and p are Student's t with its mean and standard deviation,
so that the interval leaves out 1 exactly where p is below 0.05, and with degrees of freedom of the
pieces compared, since a few pieces tell little of how far coats of one seal scatter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from woodlab import words
from woodlab.drying.core_surface import difference_draws
from woodlab.drying.fit.results import DryingFits, words_of_laws
from woodlab.studies.columns import log_names
from woodlab.studies.confounding import comparable
from woodlab.studies.cracks import CrackStudy
from woodlab.studies.sealing import swap

EFFECT_COLUMNS = [
    "outcome", "seal", "reference", "ratio", "ci_lower", "ci_upper", "p_value", "n_pieces",
    "n_logs", "method", "p_holm", "family", "certainty", "scope", "df", "reason",
]  # fmt: skip
OUTCOMES = ("drying_time", "surface_coefficient", "core_to_surface", "crack_hazard")
THIS, NEXT = "this season", "a season to come"
Told = tuple[np.ndarray | None, str, str]  # draws of the ln ratio, method, reason
CORE_DRAWS = 40
NO_SURFACE = "has no surface coefficient; film and slab have"
LATE_SHARE = 0.05  # of runs that do not reach the target within the time they are run
NO_LOOKS = (
    "the book has no looks (table `looks`: piece, on, crack_mm; 0 = looked and found none), so "
    "nothing can be said of cracks"
)


def average(ln: np.ndarray, df: float = np.inf, level: float = 0.95) -> dict[str, float]:
    """Estimate, interval and two-sided p of draws of a logarithm.

    Examples
    --------
    >>> got = average(np.log([1.9, 2.0, 2.1, 2.0]), df=8)
    >>> round(got["ratio"], 2), got["ci_lower"] > 1.7, got["p_value"] < 0.001
    (2.0, True, True)
    """
    mean, sd = float(np.mean(ln)), float(np.std(ln, ddof=1))
    reach = float(stats.t.ppf(0.5 + level / 2, df)) * sd
    p = float(2 * stats.t.sf(abs(mean) / sd, df)) if sd > 0 else np.nan
    return {
        "ratio": float(np.exp(mean)), "ci_lower": float(np.exp(mean - reach)),
        "ci_upper": float(np.exp(mean + reach)), "p_value": p, "df": df,
    }  # fmt: skip


class Compared:
    """The season's pieces run under every seal that can be compared with the reference.

    Attributes
    ----------
    told : dict of Comparable
        Of each seal: its pieces and those of the reference in cells that both share, or why not.
    runs : dict of Runs
        By scope.
    days : dict of dict of ndarray
        By scope and seal: days to the target, (pieces averaged over, draws).
    core : dict of ndarray
        By seal: largest difference of core and surface, (pieces, draws) [points]; empty where no
        law of the fits has a surface coefficient.
    target_pct : float
        Mean of the pieces' targets.
    """

    def __init__(
        self, fits: DryingFits, facts: pd.DataFrame, reference: str, seals: Sequence[str],
        target_pct: float | None, seed: int,
    ) -> None:  # fmt: skip
        self.facts, self.reference, self.seals = facts, reference, list(seals)
        self.told = {seal: comparable(facts, seal, reference) for seal in seals}
        self.pick = swap.standard_pieces(fits)
        self.fits = swap.fewer(fits, self.pick)
        self.laws = words_of_laws(fits.laws)
        self.runs = runs = {
            THIS: swap.this_season(self.fits, target_pct),
            NEXT: swap.to_come(self.fits, target_pct, seed),
        }
        self.target_pct = float(runs[THIS].target_pct.mean())
        self.run = [reference, *(seal for seal in seals if not self.told[seal].reason)]
        wanted = self.run if len(self.run) > 1 else []
        self.days = {
            scope: {seal: one.days(seal) for seal in wanted} for scope, one in runs.items()
        }
        able = [part for part in self.fits.parts if "surface_m_s" in part.season.local]
        inner = replace(self.fits, parts=tuple(able)) if able else self.fits
        self.core = {
            seal: np.maximum(difference_draws(swap.fits_under(inner, seal), None, CORE_DRAWS), 1e-3)
            for seal in (wanted if able else [])
        }

    def ln_weeks(self, seal: str, scope: str = THIS) -> np.ndarray:
        """ln of the average (geometric mean) weeks to the target, of each draw."""
        out: np.ndarray = np.log(self.days[scope][seal] / 7).mean(axis=0)
        return out

    def pair(self, seal: str) -> pd.DataFrame:
        """The pieces of the seal and of the reference that compare like with like."""
        return self.facts[self.facts["piece"].isin(self.told[seal].pieces)]

    def df(self, seal: str) -> float:
        return float(max(len(self.pair(seal)) - 2, 1))


def _row(pair: pd.DataFrame, outcome: str, seal: str, reference: str, scope: str) -> dict[str, Any]:
    """A row with its counts and no number yet."""
    row: dict[str, Any] = dict.fromkeys(EFFECT_COLUMNS, np.nan)
    return row | {
        "outcome": outcome, "seal": seal, "reference": reference, "scope": scope,
        "n_pieces": len(pair), "n_logs": int(log_names(pair).nunique()), "method": "",
        "reason": "",
    }  # fmt: skip


def fitted_rows(of: Compared) -> pd.DataFrame:
    """Rows of the three outcomes that the drying fit answers."""
    asked = {"drying_time": (_time, (THIS, NEXT)), "surface_coefficient": (_surface, (THIS,)),
             "core_to_surface": (_core, (THIS,))}  # fmt: skip
    rows = []
    for outcome, (ask, scopes) in asked.items():
        for seal, scope in product(of.seals, scopes):
            row = _row(of.pair(seal), outcome, seal, of.reference, scope)
            row["reason"] = of.told[seal].reason
            if not row["reason"]:
                ln, row["method"], row["reason"] = ask(of, seal, scope)
                if ln is None:
                    row["reason"] = f"the drying law ({of.laws}) {NO_SURFACE}"
                else:
                    row |= average(ln, of.df(seal))
            rows.append(row)
    return pd.DataFrame(rows, columns=EFFECT_COLUMNS)


def _time(of: Compared, seal: str, scope: str) -> Told:
    ln = of.ln_weeks(seal, scope) - of.ln_weeks(of.reference, scope)
    what = {
        THIS: "in the air of the season", NEXT: "new logs, another year's air and turning days"
    }[scope]  # fmt: skip
    late = float((of.days[scope][seal] >= swap.RUN_DAYS).mean())
    reason = (
        f"{100 * late:.0f} % of the runs had not reached the target after {swap.RUN_DAYS} days: "
        "the ratio is rather larger"
    )
    method = f"every draw of the one fit ({of.laws}) run under both seals, {what}"
    return ln, method, reason if late > LATE_SHARE else ""


def _surface(of: Compared, seal: str, _: str) -> Told:
    found = []
    for part in of.fits.parts:
        names = {effect: i for i, effect in enumerate(part.season.effects)}
        ends = [names.get(("seal, surface_m_s", name)) for name in (seal, of.reference)]
        if None not in ends:
            found.append(part.beta[:, ends[0]] - part.beta[:, ends[1]])
    method = f"effects of the seals in the one fit ({of.laws})"
    return (np.concatenate(found), method, "") if found else (None, "", "")


def _core(of: Compared, seal: str, _: str) -> Told:
    if not of.core:
        return None, "", ""
    ln = np.log(of.core[seal]) - np.log(of.core[of.reference])
    method = f"every draw of the one fit ({of.laws}) run under both seals; it is never measured"
    return ln.mean(axis=0), method, ""


def crack_rows(
    cracks: CrackStudy, facts: pd.DataFrame, reference: str, seals: Sequence[str]
) -> pd.DataFrame:
    """The crack study's own hazard ratios of the seals, with its p, Holm and certainty."""
    told = cracks.effects.query("kind == 'seal' and reference == @reference").set_index("level")
    used = facts.merge(cracks.first.used[["piece", "cracked"]], on="piece")
    rows = []
    for seal in seals:
        pair = used[used["seal"].isin([seal, reference])]
        found = told.loc[seal] if seal in told.index else None
        of = pair.groupby("seal")["cracked"].agg(["size", "sum"]).reindex([seal, reference])
        row = _row(pair, "crack_hazard", seal, reference, THIS) | {"certainty": "nothing"}
        row |= {"reason": NO_LOOKS} if cracks.why else _crack_row(of.fillna(0).astype(int), found)
        rows.append(row)
    return pd.DataFrame(rows, columns=EFFECT_COLUMNS)


def _crack_row(of: pd.DataFrame, found: pd.Series | None) -> dict[str, Any]:
    """`of`: pieces and cracks (size, sum) of the seal and of the reference."""
    seal, reference = of.index
    empty = of.index[of["size"] == 0]
    if len(empty):
        return {"reason": f"no piece looked at under {empty[0]!r}"}
    if not of["sum"].any():
        return {
            "reason": f"no crack in {of['size'][seal]} pieces under {seal!r} nor in "
            f"{of['size'][reference]} under {reference!r}, so nothing compares"
        }
    if found is None:
        return {"reason": f"the crack study compares no piece under {seal!r}"}
    same = ["ci_lower", "ci_upper", "p_value", "p_holm", "certainty", "method", "reason"]
    row = {"ratio": found["hazard_ratio"]} | {name: found[name] for name in same}
    # A group without a crack sets a bound on one side, never a ratio of zero or infinity.
    for name, end, bound in ((seal, {"ci_lower": 0.0}, "an upper bound only"),
                             (reference, {"ci_upper": np.inf}, "a lower bound only")):  # fmt: skip
        if np.isfinite(found["hazard_ratio"]) and not of["sum"][name]:
            row |= {"ratio": np.nan, **end}
            row["reason"] = f"no crack in {of['size'][name]} pieces under {name!r}: the ratio has "
            row["reason"] += bound
    return row


def decided(effects: pd.DataFrame) -> pd.DataFrame:
    """Family, Holm and certainty of every row, once; a family is an outcome in a scope.

    Those of cracks are the crack study's own.
    """
    out = effects.copy()
    out["family"] = [
        f"seals, {outcome}" + (f", {scope}" if outcome == "drying_time" else "")
        for outcome, scope in zip(out["outcome"], out["scope"], strict=True)
    ]
    mine = out["outcome"] != "crack_hazard"
    found = words.judged(out[mine])
    for column in ("p_holm", "certainty"):
        out[column] = found[column].reindex(out.index).where(mine, out[column])
    floats = ("ratio", "ci_lower", "ci_upper", "p_value", "p_holm", "df")
    return out.astype(dict.fromkeys(floats, float))
