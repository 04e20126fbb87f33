"""The effects of the seals as rows: ratio, interval, p, Holm, certainty; or a reason in words.

A ratio is the geometric mean, over the season's pieces, of what each would have done under the
seal over what it would have done under the reference, in every draw of the one fit. Over the draws
its logarithm is nearly normal; interval and p are Student's t with its mean and standard deviation,
so that the interval leaves out 1 exactly where p is below 0.05, and with degrees of freedom of the
pieces compared, since a few pieces tell little of how far coats of one seal scatter.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from woodlab import words
from woodlab.drying.core_surface import difference_draws
from woodlab.drying.estimator.posterior import Posterior
from woodlab.drying.fit.results import DryingFits, words_of_laws
from woodlab.errors import WoodlabError, as_list, as_number
from woodlab.studies.columns import is_number, log_names, with_numbers
from woodlab.studies.confounding import comparable, untellable
from woodlab.studies.cracks import CrackStudy
from woodlab.studies.cracks.design import Design, Number, part_of
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
    """Estimate, interval and two-sided p of draws of a logarithm."""
    mean, sd = float(np.mean(ln)), float(np.std(ln, ddof=1))
    reach = float(stats.t.ppf(0.5 + level / 2, df)) * sd
    p = float(2 * stats.t.sf(abs(mean) / sd, df)) if sd > 0 else np.nan
    return {
        "ratio": float(np.exp(mean)), "ci_lower": float(np.exp(mean - reach)),
        "ci_upper": float(np.exp(mean + reach)), "p_value": p, "df": df,
    }  # fmt: skip


class Compared:
    """The season's pieces run under every seal that can be compared with the reference.

    told : by seal, why it cannot be compared, and the pieces that compare like with like.
    this : the pieces in their own air, ready to be run again.
    days : by scope and seal, days to the target (pieces, draws).
    core : by seal, largest difference of core and surface, (pieces, draws) [points]; empty where
    no law of the fits has a surface coefficient.
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
        runs = {
            THIS: swap.this_season(self.fits, target_pct),
            NEXT: swap.to_come(self.fits, target_pct, seed),
        }
        self.this = runs[THIS]
        self.target_pct = float(runs[THIS].target_pct.mean())
        self.run = [reference, *(seal for seal in seals if not self.told[seal][0])]
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
        return self.told[seal][1]

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
            row["reason"] = of.told[seal][0]
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
    """Family (an outcome in a scope), Holm and certainty of every row, once; those of cracks are
    the crack study's own."""
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


# The maker's own question. The fit knows seal, species, log and wall; what it leaves over in the
# pieces' surface coefficients is regressed, in every draw, on the columns asked for, seals and
# species held. The answers are put together by the rules of Rubin (1987, Multiple Imputation for
# Nonresponse in Surveys), so that both what the fit does not know and the scatter between pieces
# widen the interval.
TERM_COLUMNS = [
    "term", "level", "reference", "ratio", "ci_lower", "ci_upper", "p_value", "p_holm", "family",
    "certainty", "n_pieces", "reason",
]  # fmt: skip
PARTIAL_COLUMNS = ["column", "value", "weeks", "weeks_lower", "weeks_upper", "n_standard"]
HELD = ("seal", "species")


def term_rows(fits: DryingFits, facts: pd.DataFrame, terms: Sequence[str]) -> pd.DataFrame:
    """A row a level against the commonest, or a number's ratio for a step of it; `facts` are of the
    pieces compared, with `row` (their numbers in the fits) and the columns."""
    own = [name for name in terms if name not in HELD]
    rows: list[dict[str, Any]]
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
    own, runs = known.to_numpy()[of.pick], of.this
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
    return part.instead(season, u=u)


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
