"""The chance of a crack by a day: of planned pieces, the season's own, walls; how often to look.

Every figure is a function of the model's draws: its estimate is that of the maximum, its interval
holds the middle 95 % of the draws. **Net** risk is the chance of a crack if nothing else ended a
piece; **crude** risk is the chance that a crack comes before the piece is scrapped, finished or
given away, as pieces of this book were.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from woodlab.errors import WoodlabError
from woodlab.studies.confounding import is_estimable
from woodlab.studies.cracks.counts import wilson_interval
from woodlab.studies.cracks.design import Design, Factor
from woodlab.studies.cracks.hazard import HazardModel
from woodlab.words import tally

# A wall counts as tried in a species this far beyond its own thinnest and thickest piece, as
# long as it lies within the walls of the whole book.
SLACK_MM = 2.0
# A day counts as seen up to this much later than the last look.
DAY_SLACK = 1.1
WALL_GRID_MM = 0.5
MOST_MORE = 2000  # more pieces than this are not asked of anybody
WALL_COLUMNS = [
    "species", "seal", "wall_mm", "crossing_mm", "ci_lower", "ci_upper", "n_more_pieces",
    "max_risk", "by_day", "n_pieces", "n_cracked", "reason",
]  # fmt: skip
STANDARD_COLUMNS = [
    "by", "level", "reference", "risk", "ci_lower", "ci_upper", "risk_crude", "crude_lower",
    "crude_upper", "difference", "difference_lower", "difference_upper", "by_day", "n_pieces",
    "n_cracked", "n_standard", "reason",
]  # fmt: skip
CANNOT = "the data cannot say: "


def check_day(by_day: float) -> None:
    if not (np.isfinite(by_day) and by_day > 0):
        raise WoodlabError(
            f"by_day must be a number of days above 0 (found {by_day!r}). Type 120 for the chance "
            "of a crack within 120 days of turning."
        )


def limits(draws: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """95 % limits over the draws, the first axis."""
    low, high = np.quantile(draws, [0.025, 0.975], axis=0)
    return low, high


class Tried:
    """What was tried in the book, and the words for what was not."""

    def __init__(self, model: HazardModel):
        self.model, self.used = model, model.used
        self.fixed = model.design.fixed(model.used)
        self.low, self.high = model.used["wall_mm"].min(), model.used["wall_mm"].max()

    def walls_of(self, species: str) -> tuple[float, float]:
        walls = self.used.loc[self.used["species"] == species, "wall_mm"]
        return max(walls.min() - SLACK_MM, self.low), min(walls.max() + SLACK_MM, self.high)

    def refusal(self, row: dict) -> str:
        """Why the data cannot say, or an empty string."""
        for part in self.model.design.parts:
            name = part.column
            if isinstance(part, Factor):
                if row[name] is None or str(row[name]) not in part.levels:
                    known = ", ".join(sorted(part.levels))
                    return f"no piece with {name} {row[name]!r} was looked at (there are: {known})"
                continue
            value = float(row[name])
            label, unit = ("walls", " mm") if name == "wall_mm" else (f"{name} ", "")
            if not np.isfinite(value):
                return "the wall is not given" if name == "wall_mm" else f"{name} is not given"
            low, high = self.used[name].min(), self.used[name].max()
            if not low - 1e-9 <= value <= high + 1e-9:
                return (
                    f"{label} of {value:g}{unit} were never tried (only {low:g} to {high:g}{unit})"
                )
        low, high = self.walls_of(str(row["species"]))
        if not low - 1e-9 <= float(row["wall_mm"]) <= high + 1e-9:
            own = self.used.loc[self.used["species"] == row["species"], "wall_mm"]
            return (
                f"walls of {row['wall_mm']:g} mm were never tried in {row['species']} (only "
                f"{own.min():g} to {own.max():g} mm)"
            )
        weights = self.model.design.fixed(pd.DataFrame([row]))[0]
        if not is_estimable(self.fixed, weights):
            return (
                f"{row['species']} was never tried with {row['seal']}, and the records cannot "
                "tell the species from the seal"
            )
        return ""

    def day_refusal(self, by_day: float) -> str:
        last = self.model.last_days
        if by_day > DAY_SLACK * last:
            return (
                f"no piece was looked at as late as day {by_day:g}; the last look was on day "
                f"{last:.0f}"
            )
        return ""


def completed(model: HazardModel, frame: pd.DataFrame) -> pd.DataFrame:
    """The planned pieces with a value for every term: those left out take the usual one."""
    needed = {"species", "seal", "wall_mm"} - set(frame)
    if needed:
        raise WoodlabError(
            f"the planned pieces need the columns species, seal and wall_mm; missing: "
            f"{', '.join(sorted(needed))}."
        )
    for part in model.design.parts:
        if part.column not in frame:
            usual = part.levels[0] if isinstance(part, Factor) else part.centre
            frame = frame.assign(**{part.column: usual})
    return frame


def planned_risk(model: HazardModel, frame: pd.DataFrame, by_day: float) -> pd.DataFrame:
    """The chance that a piece has cracked by a day; see `CrackStudy.risk`."""
    check_day(by_day)
    full = completed(model, frame)
    tried = Tried(model)
    parts = [part.column for part in model.design.parts]
    asked = full[parts].astype(object)
    keys = [tuple(row) for row in asked.itertuples(index=False, name=None)]
    known: dict[tuple, str] = {}
    for key in keys:
        if key not in known:
            row = dict(zip(parts, key, strict=True))
            known[key] = tried.day_refusal(by_day) or tried.refusal(row)
    reasons = np.array([known[key] for key in keys], dtype=object)
    out = frame.copy()
    out["by_day"] = float(by_day)
    names = ("risk", "ci_lower", "ci_upper", "risk_crude", "crude_lower", "crude_upper")
    numbers = np.full((len(frame), 6), np.nan)
    told = reasons == ""
    if told.any():
        rows = model.design.columns(full[told])
        numbers[told] = _net_and_crude(model, rows, by_day)
    for i, name in enumerate(names):
        out[name] = numbers[:, i]
    both = set(zip(model.used["species"], model.used["seal"], strict=True))
    carried = [
        "" if (s, w) in both else f"no {s} under {w} was tried: carried over from the others"
        for s, w in zip(full["species"], full["seal"], strict=True)
    ]
    out["reason"] = np.where(told, carried, CANNOT + reasons)
    return out.astype({"reason": "str"})


def risk_without_cracks(
    used: pd.DataFrame, frame: pd.DataFrame, by_day: float, why: str = ""
) -> pd.DataFrame:
    """As `planned_risk`, of a book in which nothing cracked: only an upper limit, Wilson's."""
    check_day(by_day)
    long = int((used["after_days"] >= by_day).sum())
    known = frame["species"].isin(used["species"]) & frame["seal"].isin(used["seal"])
    known &= frame["wall_mm"].between(used["wall_mm"].min(), used["wall_mm"].max())
    lower = np.where(known & (long > 0), 0.0, np.nan)
    upper = lower + wilson_interval(0, long)[1]
    only = (
        f"no crack was found; {tally(long)} in all, looked at until day {by_day:g} or longer: only "
        "an upper limit, the same for every piece"
    )
    refuse = f"{CANNOT}no crack was found, and no piece was looked at that long"
    strange = why or f"{CANNOT}this species, seal or wall was never tried"
    return frame.assign(
        by_day=float(by_day), risk=np.nan, ci_lower=lower, ci_upper=upper, risk_crude=np.nan,
        crude_lower=lower, crude_upper=upper,
        reason=np.where(known, only if long else refuse, strange),
    )  # fmt: skip


def _net_and_crude(model: HazardModel, rows: np.ndarray, by_day: float) -> np.ndarray:
    """Columns: net risk with its limits, crude risk with its limits."""
    zero, day = np.zeros(len(rows)), np.full(len(rows), float(by_day))
    net, draws = model.risk(rows, zero, day)
    crude, crude_draws = crude_risk(model, rows, by_day)
    return np.stack([net, *limits(draws), crude, *limits(crude_draws)], axis=1)


def ends_by_day(used: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Days on which pieces left before a crack, and the share still there after each.

    The product-limit estimate (Kaplan and Meier 1958); a crack or the last look censors.
    """
    left = used["ended_days"].to_numpy(float)
    last = np.where(used["cracked"], used["by_days"], used["after_days"]).astype(float)
    time = np.where(np.isfinite(left), np.maximum(left, last), last)
    days = np.unique(left[np.isfinite(left)])
    still, share = 1.0, []
    for day in days:
        at_risk = int((time >= day).sum())
        still *= 1 - float((left == day).sum()) / max(at_risk, 1)
        share.append(still)
    return days, np.array(share)


def crude_risk(
    model: HazardModel, rows: np.ndarray, by_day: float
) -> tuple[np.ndarray, np.ndarray]:
    """Chance that a crack comes by a day and before anything else ends the piece.

    The sum over stretches between ends of the net chance in each, times the share of pieces that
    are still there: ends are taken to come whether or not a crack is about to.
    """
    days, share = ends_by_day(model.used)
    inside = days < by_day
    edges = np.r_[0.0, days[inside], by_day]
    there = np.r_[1.0, share[inside]]
    total: tuple[np.ndarray, np.ndarray] | None = None
    before = None
    for end, still in zip(edges[1:], there, strict=True):
        now = model.risk(rows, np.zeros(len(rows)), np.full(len(rows), end))
        gained = now if before is None else (now[0] - before[0], now[1] - before[1])
        part = (still * gained[0], still * gained[1])
        total = part if total is None else (total[0] + part[0], total[1] + part[1])
        before = now
    assert total is not None
    return total


def span_risk(
    model: HazardModel, frame: pd.DataFrame, start: np.ndarray, end: np.ndarray
) -> pd.DataFrame:
    """Chance of a first crack since a clean look, of pieces still whole: `risk` and its limits.

    NaN where a piece's species, seal or wall was never tried.
    """
    out = np.full((len(frame), 3), np.nan)
    if len(frame):
        full, tried = completed(model, frame), Tried(model)
        good = np.array([not _unknown(tried, row) for row in full.to_dict("records")], dtype=bool)
        good &= np.isfinite(start) & np.isfinite(end)
        some = good & (end > start)
        out[good & ~some] = 0.0
        if some.any():
            risk, draws = model.risk(model.design.columns(full[some]), start[some], end[some])
            out[some] = np.stack([risk, *limits(draws)], axis=1)
    return pd.DataFrame(out, columns=["risk", "ci_lower", "ci_upper"], index=frame.index)


def _unknown(tried: Tried, row: dict) -> bool:
    walls = tried.low <= row["wall_mm"] <= tried.high
    for part in tried.model.design.parts:
        if isinstance(part, Factor) and str(row[part.column]) not in part.levels:
            return True
    weights = tried.model.design.fixed(pd.DataFrame([row]))[0]
    return not walls or not is_estimable(tried.fixed, weights)


def standardised(
    model: HazardModel, by: str, levels: Sequence[object], by_day: float, reasons: dict[object, str]
) -> pd.DataFrame:
    """What the season's own pieces would have done had all of them been of one level.

    G-computation (Robins 1986, Mathematical Modelling 7:1393): every piece keeps its other facts
    and takes the level; its risk, over logs not yet known, is averaged over the pieces. The first
    of `levels` is the reference of the differences.

    Returns
    -------
    DataFrame
        `STANDARD_COLUMNS`; shares with 95 % limits, NaN with `reason` where the level's effect
        cannot be told.
    """
    check_day(by_day)
    day = min(by_day, DAY_SLACK * model.last_days)
    used, rows, base = model.used, [], None
    for level in levels:
        mine = used[used[by].astype(str) == str(level)]
        head = [by, level, levels[0]]
        tail = [float(day), len(mine), int(mine["cracked"].sum()), len(used)]
        if reasons.get(level):
            rows.append([*head, *[np.nan] * 9, *tail, reasons[level]])
            continue
        columns = model.design.columns(used.assign(**{by: level}))
        zero, ends = np.zeros(len(used)), np.full(len(used), float(day))
        net, draws = model.risk(columns, zero, ends)
        crude, crude_draws = crude_risk(model, columns, day)
        mean, mean_draws = net.mean(), draws.mean(axis=1)
        if base is None:
            base = (mean, mean_draws)
        gap = [mean - base[0], *limits(mean_draws - base[1])]
        if level == levels[0]:
            gap = [np.nan] * 3
        rows.append([*head, mean, *limits(mean_draws), crude.mean(),
                     *limits(crude_draws.mean(axis=1)), *gap, *tail, ""])  # fmt: skip
    return pd.DataFrame(rows, columns=STANDARD_COLUMNS)


def standardised_factors(
    model: HazardModel | None, design: Design, effects: pd.DataFrame, day: float
) -> pd.DataFrame:
    """`standardised` for every factor of the model, below one another."""
    tables = [pd.DataFrame(columns=STANDARD_COLUMNS)]
    for part in design.parts:
        if model is not None and isinstance(part, Factor):
            mine = effects[effects["kind"] == part.column]
            silent = mine[mine["hazard_ratio"].isna()]
            reasons = dict(zip(silent["level"], silent["reason"], strict=True))
            tables.append(standardised(model, part.column, part.levels, day, reasons))
    return pd.concat(tables[1:] or tables, ignore_index=True)


def thickest_walls(model: HazardModel, max_risk: float, by_day: float) -> pd.DataFrame:
    """The thickest wall for which the upper limit of the risk is below a level.

    See `CrackStudy.thickest_wall`.
    """
    check_day(by_day)
    if not 0 < max_risk < 1:
        raise WoodlabError(
            f"max_risk must be between 0 and 1 (found {max_risk!r}). Type 0.1 for one piece in ten."
        )
    tried, rows = Tried(model), []
    for species in sorted(model.used["species"].unique()):
        for seal in sorted(model.used["seal"].unique()):
            own = model.used[(model.used["species"] == species) & (model.used["seal"] == seal)]
            found = _one_wall(tried, species, seal, max_risk, by_day)
            if not len(own) and not found[-1].startswith(CANNOT):
                extra = f"no {species} under {seal} was tried: carried over from the others"
                found[-1] = "; ".join(filter(None, [found[-1], extra]))
            rows.append([species, seal, *found[:-1], max_risk, float(by_day), len(own),
                         int(own["cracked"].sum()), found[-1]])  # fmt: skip
    return pd.DataFrame(rows, columns=WALL_COLUMNS)


def _one_wall(tried: Tried, species: str, seal: str, max_risk: float, by_day: float) -> list:
    nothing: list = [np.nan] * 5
    model = tried.model
    low, high = tried.walls_of(species)
    refused = tried.day_refusal(by_day)
    if refused or high - low < 1.0:
        return [*nothing, CANNOT + (refused or f"walls of {species} were all about alike")]
    walls = np.unique(np.r_[np.arange(low, high, WALL_GRID_MM), high])
    plan = completed(model, pd.DataFrame({"species": species, "seal": seal, "wall_mm": walls}))
    refused = tried.refusal(plan.iloc[0].to_dict()) or tried.refusal(plan.iloc[-1].to_dict())
    if refused:
        return [*nothing, CANNOT + refused]
    risk, draws = model.risk(
        model.design.columns(plan), np.zeros(len(walls)), np.full(len(walls), float(by_day))
    )
    lower, upper = limits(draws)
    known = _last_below(walls, upper, max_risk)
    crossing, ci_upper = _last_below(walls, risk, max_risk), _last_below(walls, lower, max_risk)
    more, said = np.nan, []
    level = f"{100 * max_risk:.0f} in 100"
    if np.isnan(known):
        more, why = _more_pieces(model, risk[0], draws[:, 0], max_risk)
        said.append(f"not yet known: {why}")
    elif known == walls[-1]:
        said.append("the thickest wall tried; how much thicker it may be is not known")
    if np.isnan(crossing) and risk[0] >= max_risk:
        said.append(f"the best estimate is above {level} even at the thinnest wall tried "
                    f"({low:g} mm)")  # fmt: skip
    # At an end of the walls tried the crossing itself was not seen.
    open_end = lambda wall: np.nan if wall == walls[-1] else wall  # noqa: E731
    return [known, open_end(crossing), known, open_end(ci_upper), more, "; ".join(said)]


def _last_below(walls: np.ndarray, risk: np.ndarray, level: float) -> float:
    """The thickest wall up to which the risk stays below the level; NaN where none does."""
    above = np.flatnonzero(risk >= level)
    if not len(above):
        return float(walls[-1])
    at = above[0]
    if at == 0:
        return np.nan
    share = (level - risk[at - 1]) / (risk[at] - risk[at - 1])
    return float(walls[at - 1] + share * (walls[at] - walls[at - 1]))


def _more_pieces(
    model: HazardModel, risk: float, draws: np.ndarray, level: float
) -> tuple[float, str]:
    """How many more pieces like these would bring the upper limit below the level.

    The interval of ln risk narrows with the root of the number of pieces.
    """
    if risk >= level:
        return np.nan, "the best estimate is not below the level, so more pieces need not settle it"
    reach = np.log(np.quantile(draws, 0.975)) - np.log(risk)
    times = (reach / np.log(level / risk)) ** 2
    more = int(np.ceil(max(len(model.used) * (times - 1), 1) / 5) * 5)
    if more > MOST_MORE:
        return np.nan, f"more than {MOST_MORE} pieces more would be needed"
    return float(more), f"about {more} more pieces like these would tell"
