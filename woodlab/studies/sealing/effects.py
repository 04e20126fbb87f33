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
from woodlab.studies.cracks.design import design_of
from woodlab.studies.sealing import swap

EFFECT_COLUMNS = [
    "outcome", "seal", "reference", "ratio", "ci_lower", "ci_upper", "p_value", "n_pieces",
    "n_logs", "method", "p_holm", "family", "certainty", "scope", "df", "reason",
]  # fmt: skip
THIS, NEXT = "this season", "a season to come"
METHODS = {
    "drying_time": {
        THIS: "every draw of the one fit ({}) run under both seals, in the air of the season",
        NEXT: "every draw of the one fit ({}) run under both seals, new logs, another year's air "
        "and turning days",
    },
    "surface_coefficient": {THIS: "effects of the seals in the one fit ({})"},
    "core_to_surface": {
        THIS: "every draw of the one fit ({}) run under both seals; it is never measured"
    },
}
CORE_DRAWS = 40
NO_SURFACE = "has no surface coefficient; film and slab have"
LATE_SHARE = 0.05  # of runs that do not reach the target within the time they are run
NO_LOOKS = (
    "the book has no looks (table `looks`: piece, on, crack_mm; 0 = looked and found none), so "
    "nothing can be said of cracks"
)


def ratio_of(mean: float, sd: float, df: float) -> dict[str, float]:
    """Ratio, 95 % interval and two-sided p of a logarithm, by Student's t."""
    reach = float(stats.t.ppf(0.975, df)) * sd
    ends = {"ratio": mean, "ci_lower": mean - reach, "ci_upper": mean + reach}
    p = float(2 * stats.t.sf(abs(mean) / sd, df)) if sd > 0 else np.nan
    return {name: float(np.exp(ln)) for name, ln in ends.items()} | {"p_value": p}


def average(ln: np.ndarray, df: float) -> dict[str, float]:
    """`ratio_of` draws of a logarithm."""
    return ratio_of(float(np.mean(ln)), float(np.std(ln, ddof=1)), df)


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
        self.reference, self.seals, self.laws = reference, seals, words_of_laws(fits.laws)
        self.told = {seal: comparable(facts, seal, reference) for seal in seals}
        self.pick = swap.standard_pieces(fits)
        self.fits = swap.fewer(fits, self.pick)
        self.this = swap.this_season(self.fits, target_pct)
        self.target_pct = float(self.this.target_pct.mean())
        run = [reference, *(seal for seal in seals if not self.told[seal][0])]
        run = run if len(run) > 1 else []
        ahead = swap.to_come(self.fits, target_pct, seed)
        self.days = {scope: {seal: runs.days(seal) for seal in run}
                     for scope, runs in ((THIS, self.this), (NEXT, ahead))}  # fmt: skip
        inner = tuple(part for part in self.fits.parts if "surface_m_s" in part.season.local)
        self.core = {}
        for seal in run if inner else []:
            moved = replace(self.fits, parts=tuple(swap.under(part, seal) for part in inner))
            self.core[seal] = np.maximum(difference_draws(moved, None, CORE_DRAWS), 1e-3)

    def df(self, seal: str) -> float:
        return float(max(len(self.told[seal][1]) - 2, 1))

    def ln_weeks(self, seal: str, scope: str = THIS, which: Any = slice(None)) -> np.ndarray:
        """ln of the average (geometric mean) weeks of pieces to the target, of each draw."""
        out: np.ndarray = np.log(self.days[scope][seal][which] / 7).mean(axis=0)
        return out

    def ln_ratio(self, outcome: str, seal: str, scope: str) -> np.ndarray | None:
        """Draws of the ln ratio of seal to reference; None where no law has the outcome."""
        if outcome == "drying_time":
            return self.ln_weeks(seal, scope) - self.ln_weeks(self.reference, scope)
        if outcome == "core_to_surface":
            ends = [np.log(self.core[name]) for name in (seal, self.reference) if self.core]
            return (ends[0] - ends[1]).mean(axis=0) if ends else None
        found = []
        for part in self.fits.parts:
            names = {effect: i for i, effect in enumerate(part.season.effects)}
            ends = [names.get(("seal, surface_m_s", name)) for name in (seal, self.reference)]
            if None not in ends:
                found.append(part.beta[:, ends[0]] - part.beta[:, ends[1]])
        return np.concatenate(found) if found else None


def _row(pair: pd.DataFrame, outcome: str, seal: str, reference: str, scope: str) -> dict[str, Any]:
    """A row with its counts and no number yet."""
    return dict.fromkeys(EFFECT_COLUMNS, np.nan) | {
        "outcome": outcome, "seal": seal, "reference": reference, "scope": scope,
        "n_pieces": len(pair), "n_logs": int(log_names(pair).nunique()), "method": "",
        "reason": "",
    }  # fmt: skip


def fitted_rows(of: Compared) -> list[dict[str, Any]]:
    """Rows of the three outcomes that the drying fit answers."""
    rows = []
    for outcome, methods in METHODS.items():
        for seal, scope in product(of.seals, methods):
            why, pair = of.told[seal]
            row = _row(pair, outcome, seal, of.reference, scope)
            ln = None if why else of.ln_ratio(outcome, seal, scope)
            if ln is None:
                row["reason"] = why or f"the drying law ({of.laws}) {NO_SURFACE}"
            else:
                row |= average(ln, of.df(seal)) | {"df": of.df(seal)}
                row["method"] = methods[scope].format(of.laws)
                late = float((of.days[scope][seal] >= swap.RUN_DAYS).mean())
                if outcome == "drying_time" and late > LATE_SHARE:
                    row["reason"] = (
                        f"{100 * late:.0f} % of the runs had not reached the target after "
                        f"{swap.RUN_DAYS} days: the ratio is rather larger"
                    )
            rows.append(row)
    return rows


def crack_rows(
    cracks: CrackStudy, facts: pd.DataFrame, reference: str, seals: Sequence[str]
) -> list[dict[str, Any]]:
    """The crack study's own hazard ratios of the seals, with its p, Holm and certainty."""
    told = cracks.effects.query("kind == 'seal' and reference == @reference").set_index("level")
    told = told.rename(columns={"hazard_ratio": "ratio"})
    used = facts.merge(cracks.first.used[["piece", "cracked"]], on="piece")
    same = ["ratio", "ci_lower", "ci_upper", "p_value", "p_holm", "certainty", "method", "reason"]
    rows = []
    for seal in seals:
        pair = used[used["seal"].isin([seal, reference])]
        of = pair.groupby("seal")["cracked"].agg(["size", "sum"]).reindex([seal, reference])
        n, hits = of["size"].fillna(0).astype(int), of["sum"].fillna(0).astype(int)
        row = _row(pair, "crack_hazard", seal, reference, THIS) | {"certainty": "nothing"}
        if cracks.why:
            row["reason"] = NO_LOOKS
        elif not n.all():
            row["reason"] = f"no piece looked at under {n.idxmin()!r}"
        elif not hits.any():
            row["reason"] = (
                f"no crack in {n[seal]} pieces under {seal!r} nor in {n[reference]} under "
                f"{reference!r}, so nothing compares"
            )
        elif seal not in told.index:
            row["reason"] = f"the crack study compares no piece under {seal!r}"
        else:
            row |= told.loc[seal, same].to_dict()
            # A group without a crack sets a bound on one side, never a ratio of zero or infinity.
            if np.isfinite(row["ratio"]) and not hits.all():
                none, over = hits.idxmin(), hits[reference] > 0
                row |= {"ratio": np.nan, **({"ci_lower": 0.0} if over else {"ci_upper": np.inf})}
                row["reason"] = (f"no crack in {n[none]} pieces under {none!r}: the ratio has "
                                 f"{'an upper' if over else 'a lower'} bound only")  # fmt: skip
        rows.append(row)
    return rows


def decided(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Family (an outcome in a scope), Holm and certainty of every row, once; those of cracks are
    the crack study's own."""
    floats = ("ratio", "ci_lower", "ci_upper", "p_value", "p_holm", "df")
    out = pd.DataFrame(rows, columns=EFFECT_COLUMNS).astype(dict.fromkeys(floats, float))
    timed = out["outcome"] == "drying_time"
    out["family"] = "seals, " + out["outcome"] + (", " + out["scope"]).where(timed, "")
    mine, judged = out["outcome"] != "crack_hazard", words.judged(out)
    for column in ("p_holm", "certainty"):
        out[column] = judged[column].where(mine, out[column])
    return out


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
    design = design_of(used, [*HELD, *own])
    x = design.fixed(used)
    draws = [_rest(part, used["row"].to_numpy()) for part in fits.parts
             if "surface_m_s" in part.season.local]  # fmt: skip
    free = len(x) - np.linalg.matrix_rank(x) if len(x) else 0
    for at, term in design.effects():
        if (name := term.column) in HELD:
            continue
        reason = "" if draws else f"the drying law ({words_of_laws(fits.laws)}) {NO_SURFACE}"
        if not reason and free < 2:
            reason = f"{len(used)} pieces are too few to tell {name} from the rest"
        reason = reason or untellable(used, design, at)
        row: dict[str, Any] = {"term": name, "level": term.level or f"per {term.step:g} more",
               "reference": term.reference, "reason": reason}  # fmt: skip
        if not reason:
            row |= _by_rubin(x, at, free, np.concatenate(draws, axis=1))
        rows.append(row)
    frame = pd.DataFrame(rows, columns=TERM_COLUMNS)
    frame = frame.assign(n_pieces=len(used), family=frame["term"])
    return words.judged(frame.fillna({"level": "", "reference": ""})) if rows else frame


def _rest(part: Posterior, rows: np.ndarray) -> np.ndarray:
    """What seal, species and wall leave over of each piece's ln surface coefficient, (n, d)."""
    j, system = part.season.local.index("surface_m_s"), part.season.system
    expected = system.mid[rows, j][:, None] + system.x[rows, j] @ part.beta.T
    out: np.ndarray = part.u[rows, :, j] - expected
    return out


def _by_rubin(x: np.ndarray, at: int, free: int, draws: np.ndarray) -> dict[str, float]:
    """Least squares of each draw, put together by Rubin's rules: the coefficient of a column."""
    pseudo = np.linalg.pinv(x)
    estimate = pseudo[at] @ draws
    left = draws - x @ (pseudo @ draws)
    within = float((left**2).sum(axis=0).mean() / free * (pseudo[at] @ pseudo[at]))
    total = within + float(estimate.var(ddof=1)) * (1 + 1 / len(estimate))
    return ratio_of(float(estimate.mean()), float(np.sqrt(total)), free)


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
    drawn = np.split(slopes, swap.ends_of(runs.parts))
    rows = []
    for value in steps:
        moved = [_moved(part, column, own, as_number(value, "values"), slope)
                 for part, slope in zip(runs.parts, drawn, strict=True)]  # fmt: skip
        ln = np.log(replace(runs, parts=tuple(moved)).days("own") / 7).mean(axis=0)
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
