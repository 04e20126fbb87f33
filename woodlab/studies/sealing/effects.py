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

import numpy as np
import pandas as pd
from scipy import stats

from woodlab import words
from woodlab.drying.core_surface import difference_draws
from woodlab.drying.fit.results import DryingFits, words_of_laws
from woodlab.studies.confounding import Comparable, comparable
from woodlab.studies.cracks import CrackStudy
from woodlab.studies.sealing import swap

EFFECT_COLUMNS = [
    "outcome", "seal", "reference", "ratio", "ci_lower", "ci_upper", "p_value", "n_pieces",
    "n_logs", "method", "p_holm", "family", "certainty", "scope", "df", "reason",
]  # fmt: skip
OUTCOMES = ("drying_time", "surface_coefficient", "core_to_surface", "crack_hazard")
THIS, NEXT = "this season", "a season to come"
CORE_DRAWS = 40
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


def log_names(frame: pd.DataFrame) -> pd.Series:
    """The log of each piece; a piece with no log named counts as a log of its own."""
    alone = "piece " + frame["piece"].astype(object)
    return frame["log"].astype(object).where(frame["log"].notna(), alone)


class Compared:
    """The season's pieces run under every seal that can be compared with the reference.

    Attributes
    ----------
    told : dict of Comparable
        Of each seal: its pieces and those of the reference in cells that both share, or why not.
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
        target_pct: float | None, within_pct: float, seed: int,
    ) -> None:  # fmt: skip
        self.facts, self.reference, self.seals = facts, reference, list(seals)
        self.told = {seal: comparable(facts, seal, reference) for seal in seals}
        self.pick = swap.standard_pieces(fits)
        self.fits = swap.fewer(fits, self.pick)
        self.laws = words_of_laws(fits.laws)
        runs = {
            THIS: swap.this_season(self.fits, self.pick, target_pct, within_pct),
            NEXT: swap.to_come(self.fits, self.pick, target_pct, within_pct, seed),
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

    def row(self, outcome: str, seal: str, scope: str = THIS) -> dict[str, object]:
        """A row with its counts and no number yet."""
        told: Comparable = self.told[seal]
        mine = self.pair(seal)
        row: dict[str, object] = dict.fromkeys(EFFECT_COLUMNS, np.nan)
        return row | {
            "outcome": outcome, "seal": seal, "reference": self.reference, "scope": scope,
            "n_pieces": len(mine), "n_logs": int(log_names(mine).nunique()), "method": "",
            "reason": told.reason,
        }  # fmt: skip

    def df(self, seal: str) -> float:
        return float(max(len(self.pair(seal)) - 2, 1))


def fitted_rows(of: Compared) -> pd.DataFrame:
    """Rows of the three outcomes that the drying fit answers."""
    rows = [_time(of, seal, scope) for seal in of.seals for scope in (THIS, NEXT)]
    rows += [_surface(of, seal) for seal in of.seals]
    rows += _core(of)
    return pd.DataFrame(rows, columns=EFFECT_COLUMNS)


def _time(of: Compared, seal: str, scope: str) -> dict[str, object]:
    row = of.row("drying_time", seal, scope)
    if row["reason"]:
        return row
    ln = of.ln_weeks(seal, scope) - of.ln_weeks(of.reference, scope)
    what = {
        THIS: "in the air of the season", NEXT: "new logs, another year's air and turning days"
    }[scope]  # fmt: skip
    method = f"every draw of the one fit ({of.laws}) run under both seals, {what}"
    row |= {**average(ln, of.df(seal)), "method": method}
    late = float((of.days[scope][seal] >= swap.RUN_DAYS).mean())
    if late > LATE_SHARE:
        row["reason"] = (
            f"{100 * late:.0f} % of the runs had not reached the target after {swap.RUN_DAYS} "
            "days: the ratio is rather larger"
        )
    return row


def _surface(of: Compared, seal: str) -> dict[str, object]:
    row = of.row("surface_coefficient", seal)
    if row["reason"]:
        return row
    found = []
    for part in of.fits.parts:
        names = {effect: i for i, effect in enumerate(part.season.effects)}
        ends = [names.get(("seal, surface_m_s", name)) for name in (seal, of.reference)]
        if None not in ends:
            found.append(part.beta[:, ends[0]] - part.beta[:, ends[1]])
    if not found:
        return row | {
            "reason": f"the drying law ({of.laws}) has no surface coefficient; film and slab have"
        }
    method = f"effects of the seals in the one fit ({of.laws})"
    return row | average(np.concatenate(found), of.df(seal)) | {"method": method}


def _core(of: Compared) -> list[dict[str, object]]:
    rows = []
    for seal in of.seals:
        row = of.row("core_to_surface", seal)
        if not row["reason"] and not of.core:
            row["reason"] = (
                f"the drying law ({of.laws}) has no surface coefficient; film and slab have"
            )
        elif not row["reason"]:
            ln = np.log(of.core[seal]) - np.log(of.core[of.reference])
            row |= average(ln.mean(axis=0), of.df(seal))
            row["method"] = (
                f"every draw of the one fit ({of.laws}) run under both seals; it is never measured"
            )
        rows.append(row)
    return rows


def crack_rows(
    cracks: CrackStudy, facts: pd.DataFrame, reference: str, seals: Sequence[str]
) -> pd.DataFrame:
    """The crack study's own hazard ratios of the seals, with its p, Holm and certainty."""
    told = cracks.effects[
        (cracks.effects["kind"] == "seal") & (cracks.effects["reference"] == reference)
    ].set_index("level")
    used = facts[facts["piece"].isin(cracks.first.used["piece"])]
    cracked = cracks.first.used.set_index("piece")["cracked"].astype(int)
    rows = []
    for seal in seals:
        pair = used[used["seal"].isin([seal, reference])]
        row: dict[str, object] = dict.fromkeys(EFFECT_COLUMNS, np.nan)
        row |= {
            "outcome": "crack_hazard", "seal": seal, "reference": reference, "scope": THIS,
            "n_pieces": len(pair), "n_logs": int(log_names(pair).nunique()), "method": "",
            "certainty": "nothing", "reason": NO_LOOKS if cracks.why else "",
        }  # fmt: skip
        rows.append(row if cracks.why else row | _crack_row(pair, cracked, told, seal, reference))
    return pd.DataFrame(rows, columns=EFFECT_COLUMNS)


def _crack_row(
    pair: pd.DataFrame, cracked: pd.Series, told: pd.DataFrame, seal: str, reference: str
) -> dict[str, object]:
    count = {name: int((pair["seal"] == name).sum()) for name in (seal, reference)}
    hits = {
        name: int(cracked.reindex(pair.loc[pair["seal"] == name, "piece"]).sum()) for name in count
    }
    for name in (seal, reference):
        if not count[name]:
            return {"reason": f"no piece looked at under {name!r}"}
    if not any(hits.values()):
        return {
            "reason": f"no crack in {count[seal]} pieces under {seal!r} nor in {count[reference]} "
            f"under {reference!r}, so nothing compares"
        }
    if seal not in told.index:
        return {"reason": f"the crack study compares no piece under {seal!r}"}
    found = told.loc[seal]
    row = {
        "ratio": found["hazard_ratio"], "ci_lower": found["ci_lower"],
        "ci_upper": found["ci_upper"], "p_value": found["p_value"], "p_holm": found["p_holm"],
        "certainty": found["certainty"], "method": found["method"], "reason": found["reason"],
    }  # fmt: skip
    # A group without a crack sets a bound on one side, never a ratio of zero or infinity.
    if np.isfinite(found["hazard_ratio"]) and not hits[seal]:
        row |= {"ratio": np.nan, "ci_lower": 0.0}
        row["reason"] = (
            f"no crack in {count[seal]} pieces under {seal!r}: the ratio has an upper bound only"
        )
    if np.isfinite(found["hazard_ratio"]) and not hits[reference]:
        row |= {"ratio": np.nan, "ci_upper": np.inf}
        row["reason"] = (
            f"no crack in {count[reference]} pieces under {reference!r}: the ratio has a lower "
            "bound only"
        )
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
    for _, family in out[mine].groupby("family"):
        out.loc[family.index, "p_holm"] = words.holm(family["p_value"].astype(float))
    for column in ("ratio", "ci_lower", "ci_upper", "p_value", "p_holm", "df"):
        out[column] = out[column].astype(float)
    out.loc[mine, "certainty"] = [words.certainty(p) for p in out.loc[mine, "p_holm"]]
    return out
