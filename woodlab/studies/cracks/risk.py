"""The chance of a crack by a day: of planned pieces, the season's own, and of walls.

Intervals hold the middle 95 % of the model's draws. **Net** risk is the chance of a crack if
nothing else ended a piece; **crude** risk is the chance that a crack comes before the piece is
scrapped, finished or given away, as pieces of this book were.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import CensoredData, ecdf

from woodlab.errors import WoodlabError, as_kind, as_number
from woodlab.studies.confounding import is_estimable
from woodlab.studies.cracks.counts import wilson_interval
from woodlab.studies.cracks.hazard import HazardModel, told
from woodlab.studies.cracks.intervals import LEAST_INTERVAL_DAYS
from woodlab.words import tally

# A wall counts as tried in a species this far beyond its own thinnest and thickest piece, as
# long as it lies within the walls of the whole book.
SLACK_MM = 2.0
# A day counts as seen up to this much later than the last look.
DAY_SLACK = 1.1
WALL_GRID_MM = 0.5
MOST_MORE = 2000  # more pieces than this are not asked of anybody
RISK_COLUMNS = ["risk", "ci_lower", "ci_upper", "risk_crude", "crude_lower", "crude_upper"]
WALL_COLUMNS = [
    "species", "seal", "wall_mm", "crossing_mm", "ci_lower", "ci_upper", "n_more_pieces",
    "max_risk", "by_day", "n_pieces", "n_cracked", "reason",
]  # fmt: skip
STANDARD_COLUMNS = [
    "by", "level", "reference", *RISK_COLUMNS, "difference", "difference_lower",
    "difference_upper", "by_day", "n_pieces", "n_cracked", "n_standard", "reason",
]  # fmt: skip
CANNOT = "the data cannot say: "


def days_of(value: float, where: str = "by_day") -> float:
    """A number of days, above 0."""
    if not 0 < as_number(value, where) < np.inf:
        raise WoodlabError(
            f"{where} must be a number of days above 0 (found {value!r}). Type 7 for a week."
        )
    return float(value)


def _walls_of(used: pd.DataFrame, species: str) -> tuple[float, float]:
    """The walls that count as tried in a species."""
    own, every = used.loc[used["species"] == species, "wall_mm"], used["wall_mm"]
    return max(own.min() - SLACK_MM, every.min()), min(own.max() + SLACK_MM, every.max())


def _not_tried(model: HazardModel, row: dict) -> str:
    """Why the data cannot say it of a piece, or an empty string."""
    used = model.used
    for name, levels in model.design.levels.items():
        if row[name] is None or str(row[name]) not in levels:
            known = ", ".join(sorted(levels))
            return f"no piece with {name} {row[name]!r} was looked at (there are: {known})"
    for name in (term.column for term in model.design.terms if not term.level):
        wall, where, value = name == "wall_mm", f" in {row['species']}", float(row[name])
        own = used.loc[used["species"] == row["species"], name] if wall else used[name]
        low, high = _walls_of(used, row["species"]) if wall else (own.min(), own.max())
        what, unit, where = ("walls", " mm", where) if wall else (name, "", "")
        if not np.isfinite(value):
            return f"{'the wall' if wall else name} is not given"
        if not low - 1e-9 <= value <= high + 1e-9:
            return (
                f"{what} of {value:g}{unit} were never tried{where} (only {own.min():g} to "
                f"{own.max():g}{unit})"
            )
    return ""


def answerable(
    model: HazardModel, frame: pd.DataFrame, by_day: float = 0.0
) -> tuple[pd.DataFrame, np.ndarray, list[str]]:
    """Planned pieces with a value for every term (the usual one where it is left out); of each,
    whether the data can say it of that day; and why not, or what was tried only apart."""
    needed, design = {"species", "seal", "wall_mm"} - set(frame), model.design
    if needed:
        raise WoodlabError(
            f"the planned pieces need the columns species, seal and wall_mm; missing: "
            f"{', '.join(sorted(needed))}."
        )
    usual: dict[str, Any] = {term.column: term.centre for term in design.terms}
    usual |= {column: levels[0] for column, levels in design.levels.items()}
    full = frame.assign(**{name: value for name, value in usual.items() if name not in frame})
    estimable = is_estimable(design.fixed(model.used), design.fixed(full))
    both = set(zip(model.used["species"], model.used["seal"], strict=True))
    fine, said = [], []
    for row, one in zip(full.to_dict("records"), estimable, strict=True):
        why, species, seal = _not_tried(model, row), row["species"], row["seal"]
        if by_day > DAY_SLACK * model.last_days:
            why = (f"no piece was looked at as late as day {by_day:g}; the last look was on day "
                   f"{model.last_days:.0f}")  # fmt: skip
        elif not why and not one:
            why = (f"{species} was never tried with {seal}, and the records cannot tell the "
                   "species from the seal")  # fmt: skip
        apart = f"no {species} under {seal} was tried: carried over from the others"
        fine.append(not why)
        said.append(CANNOT + why if why else "" if (species, seal) in both else apart)
    return full, np.array(fine, bool), said


def planned_risk(model: HazardModel, frame: pd.DataFrame, by_day: float) -> pd.DataFrame:
    """The chance that a piece has cracked by a day; see `CrackStudy.risk`."""
    by_day, frame = days_of(by_day), as_kind(frame, pd.DataFrame, "frame", "planned pieces")
    full, some, said = answerable(model, frame, by_day)
    numbers = np.full((len(frame), 6), np.nan)
    if some.any():
        both = net_and_crude(model, full[some], by_day)
        numbers[some] = np.transpose([x for risk in both for x in told(risk)])
    return frame.assign(
        by_day=by_day, **dict(zip(RISK_COLUMNS, numbers.T, strict=True)),
        reason=pd.Series(said, frame.index, dtype="str"),
    )  # fmt: skip


def span_risk(
    model: HazardModel, frame: pd.DataFrame, start: np.ndarray, end: np.ndarray
) -> pd.DataFrame:
    """Chance of a first crack since a clean look, of pieces still whole; NaN where none was
    tried."""
    out = np.full((len(frame), 3), np.nan)
    if len(frame):
        full, good, _ = answerable(model, frame)
        good &= np.isfinite(start) & np.isfinite(end)
        some = good & (end > start)
        out[good] = 0.0
        if some.any():
            out[some] = np.transpose(told(model.risk(full[some], start[some], end[some])))
    return pd.DataFrame(out, columns=RISK_COLUMNS[:3], index=frame.index)


def risk_without_cracks(
    used: pd.DataFrame, frame: pd.DataFrame, by_day: float, why: str = ""
) -> pd.DataFrame:
    """As `planned_risk`, of a book in which nothing cracked: only an upper limit, Wilson's."""
    by_day = days_of(by_day)
    long = int((used["after_days"] >= by_day).sum())
    known = frame["species"].isin(used["species"]) & frame["seal"].isin(used["seal"])
    known &= frame["wall_mm"].between(used["wall_mm"].min(), used["wall_mm"].max())
    lower = np.where(known & (long > 0), 0.0, np.nan)
    upper = lower + wilson_interval(0, long)[1]
    only = f"{CANNOT}no crack was found, and no piece was looked at that long"
    if long:
        only = (f"no crack was found; {tally(long)} in all, looked at until day {by_day:g} or "
                "longer: only an upper limit, the same for every piece")  # fmt: skip
    strange = why or f"{CANNOT}this species, seal or wall was never tried"
    numbers = dict(zip(RISK_COLUMNS, 2 * [np.nan, lower, upper], strict=True))
    return frame.assign(by_day=by_day, **numbers, reason=np.where(known, only, strange))


def ends_by_day(pieces: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Days on which pieces left before a crack (or a first look), and the share still there after
    each: the product-limit estimate (Kaplan and Meier 1958); a crack or the last look censors."""
    last = np.where(pieces["cracked"], pieces["by_days"], pieces["after_days"]).astype(float)
    left = np.maximum(pieces["ended_days"].to_numpy(float), np.maximum(last, LEAST_INTERVAL_DAYS))
    gone = np.isfinite(left)
    days = np.unique(left[gone])
    if not len(days):
        return days, days
    time = CensoredData(uncensored=left[gone], right=last[~gone])
    return days, ecdf(time).sf.evaluate(days)


def net_and_crude(
    model: HazardModel, frame: pd.DataFrame, by_day: float
) -> tuple[np.ndarray, np.ndarray]:
    """Chance of a crack by a day, and that it comes before anything else ends the piece; estimate
    and draws by piece. Crude: the sum over stretches between ends of the net chance in each, times
    the share of pieces still there (ends are taken to come whether or not a crack is about to)."""
    days, share = ends_by_day(model.first.pieces)
    early = days < by_day
    net, crude = np.zeros(1), np.zeros(1)
    for end, still in zip([*days[early], by_day], np.r_[1.0, share[early]], strict=True):
        before, net = net, model.risk(frame, 0.0, end)
        crude = crude + still * (net - before)
    return net, crude


def standardised(
    model: HazardModel, by: str, levels: Sequence[object], by_day: float,
    reasons: dict[object, str] | None = None,
) -> pd.DataFrame:  # fmt: skip
    """What the season's own pieces would have done had all of them been of one level.

    G-computation (Robins 1986, Mathematical Modelling 7:1393): every piece keeps its other facts
    and takes the level; its risk, over logs not yet known, is averaged over the pieces. The first
    of `levels` is the reference of the differences. NaN where the level has one of `reasons`.
    """
    day = float(min(days_of(by_day), DAY_SLACK * model.last_days))
    used, rows, base, reasons = model.used, [], None, reasons or {}
    for level in levels:
        mine = used[used[by].astype(str) == str(level)]
        numbers: list[float] = [np.nan] * 9
        if not reasons.get(level):
            both = net_and_crude(model, used.assign(**{by: level}), day)
            net, crude = (risk.mean(axis=1) for risk in both)
            numbers[:6] = [*told(net), *told(crude)]
            if base is not None:
                numbers[6:] = told(net - base)
            base = net if base is None else base
        rows.append([by, level, levels[0], *numbers, day, len(mine), int(mine["cracked"].sum()),
                     len(used), reasons.get(level, "")])  # fmt: skip
    return pd.DataFrame(rows, columns=STANDARD_COLUMNS)


def thickest_walls(model: HazardModel, max_risk: float, by_day: float) -> pd.DataFrame:
    """The thickest wall whose upper limit of risk is below a level; `CrackStudy.thickest_wall`."""
    by_day, used, rows = days_of(by_day), model.used, []
    if not 0 < as_number(max_risk, "max_risk") < 1:
        raise WoodlabError(
            f"max_risk must be between 0 and 1 (found {max_risk!r}). Type 0.1 for one piece in ten."
        )
    for species, seal in product(*(sorted(used[name].unique()) for name in ("species", "seal"))):
        own = used[(used["species"] == species) & (used["seal"] == seal)]
        row = dict.fromkeys(WALL_COLUMNS, np.nan) | {
            "species": species, "seal": seal, "max_risk": max_risk, "by_day": by_day,
            "n_pieces": len(own), "n_cracked": int(own["cracked"].sum()),
        }  # fmt: skip
        low, high = _walls_of(used, species)
        walls = np.unique(np.r_[np.arange(low, high, WALL_GRID_MM), high])
        plan = pd.DataFrame({"species": species, "seal": seal, "wall_mm": walls})
        plan, fine, said = answerable(model, plan, by_day)
        if not fine.all():
            row["reason"] = said[int(np.argmin(fine))]
        elif high - low < 1.0:
            row["reason"] = f"{CANNOT}walls of {species} were all about alike"
        else:
            risks = told(model.risk(plan, 0.0, by_day))
            row |= _one_wall(walls, risks, max_risk, len(used))
            row["reason"] = "; ".join(filter(None, [row["reason"], said[0]]))
        rows.append(row)
    return pd.DataFrame(rows, columns=WALL_COLUMNS)


def _one_wall(
    walls: np.ndarray, risks: tuple[np.ndarray, ...], level: float, n: int
) -> dict[str, Any]:
    """Where the risk of walls (estimate, lower and upper limit) crosses a level, by n pieces."""
    risk, _, upper = risks
    crossing, ends, known = (_last_below(walls, one, level) for one in risks)
    more, said = np.nan, []
    if np.isnan(known):
        more, tell = _more_pieces(n, risk[0], upper[0], level)
        said.append(f"not yet known: {tell}")
    elif known == walls[-1]:
        said.append("the thickest wall tried; how much thicker it may be is not known")
    if np.isnan(crossing) and risk[0] >= level:
        said.append(f"the best estimate is above {100 * level:.0f} in 100 even at the thinnest "
                    f"wall tried ({walls[0]:g} mm)")  # fmt: skip
    # At an end of the walls tried the crossing itself was not seen.
    seen = [np.nan if wall == walls[-1] else wall for wall in (crossing, ends)]
    return {
        "wall_mm": known, "crossing_mm": seen[0], "ci_lower": known, "ci_upper": seen[1],
        "n_more_pieces": more, "reason": "; ".join(said),
    }  # fmt: skip


def _last_below(walls: np.ndarray, risk: np.ndarray, level: float) -> float:
    """The thickest wall up to which the risk stays below the level; NaN where none does."""
    at = int(np.argmax(risk >= level))
    if risk[at] < level:
        return float(walls[-1])
    return float(np.interp(level, risk[at - 1 : at + 1], walls[at - 1 : at + 1])) if at else np.nan


def _more_pieces(n: int, risk: float, upper: float, level: float) -> tuple[float, str]:
    """How many more pieces like these would bring the upper limit below the level; the interval of
    ln risk narrows with the root of their number."""
    if risk >= level:
        return np.nan, "the best estimate is not below the level, so more pieces need not settle it"
    times = (np.log(upper / risk) / np.log(level / risk)) ** 2
    more = int(np.ceil(max(n * (times - 1), 1) / 5) * 5)
    if more > MOST_MORE:
        return np.nan, f"more than {MOST_MORE} pieces more would be needed"
    return float(more), f"about {more} more pieces like these would tell"
