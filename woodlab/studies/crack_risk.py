"""The chance of a crack for a planned piece, and the thickest wall that keeps it low."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
from scipy.optimize import brentq

from woodlab.errors import WoodlabError
from woodlab.studies.course import Course
from woodlab.studies.crack_design import is_estimable
from woodlab.studies.firth import Constraint
from woodlab.studies.hazard import HazardModel

LEVEL = 0.95
# A wall counts as tried in a species this far beyond its own thinnest and thickest piece, as
# long as it lies within the walls of the whole book.
SLACK_MM = 2.0
# A day counts as seen up to this much later than the last look.
DAY_SLACK = 1.1

_Z, _W = np.polynomial.hermite_e.hermegauss(21)
_W = _W / _W.sum()


def chance_of(log_rate: float, log_sd: float) -> float:
    """Chance of a crack at ln cumulative rate, over pieces of logs that are not yet known."""
    sd = log_sd if np.isfinite(log_sd) else 0.0
    return float(_W @ -np.expm1(-np.exp(np.minimum(log_rate + sd * _Z, 700.0))))


def log_rate_of(chance: float, log_sd: float) -> float:
    """The ln cumulative rate at which `chance_of` is that chance."""
    return float(brentq(lambda x: chance_of(x, log_sd) - chance, -60.0, 60.0, xtol=1e-10))


def log_rate(course: Course, weights: np.ndarray, start_days: float, end_days: float) -> Constraint:
    """ln of the rate summed over a span of days, as a function of the dense parameters."""
    linear = weights[: len(weights) - course.df]
    p = len(linear)
    span = course.span(start_days, end_days)

    def value(dense: np.ndarray) -> float:
        return float(linear @ dense[:p]) + span.log_integral(dense[p:])[0]

    def gradient(dense: np.ndarray) -> np.ndarray:
        return np.concatenate([linear, span.log_integral(dense[p:])[1]])

    return Constraint(value, gradient)


class _Range:
    """What was tried in the book, and the words for what was not."""

    def __init__(self, model: HazardModel):
        self.used = model.used
        self.last_days = model.last_days
        self.fixed = model.design.fixed(model.used)
        self.low, self.high = model.used["wall_mm"].min(), model.used["wall_mm"].max()

    def walls_of(self, species: str) -> tuple[float, float]:
        walls = self.used.loc[self.used["species"] == species, "wall_mm"]
        return (
            max(walls.min() - SLACK_MM, self.low),
            min(walls.max() + SLACK_MM, self.high),
        )

    def refusal(self, species: object, seal: object, wall_mm: float | None) -> str:
        """Why the data cannot say, or an empty string."""
        for kind, name in (("species", species), ("seal", seal)):
            if name not in set(self.used[kind]):
                known = ", ".join(sorted(self.used[kind].unique()))
                return f"no piece with {kind} {name!r} was looked at (there are: {known})"
        if wall_mm is None:
            return ""
        if not np.isfinite(wall_mm):
            return "the wall is not given"
        low, high = self.low, self.high
        if not low - 1e-9 <= wall_mm <= high + 1e-9:
            return f"walls of {wall_mm:g} mm were never tried (only {low:g} to {high:g} mm)"
        low, high = self.walls_of(str(species))
        if not low - 1e-9 <= wall_mm <= high + 1e-9:
            own = self.used.loc[self.used["species"] == species, "wall_mm"]
            return (
                f"walls of {wall_mm:g} mm were never tried in {species} (only {own.min():g} to "
                f"{own.max():g} mm)"
            )
        return ""

    def day_refusal(self, by_day: float) -> str:
        if by_day > DAY_SLACK * self.last_days:
            return (
                f"no piece was looked at as late as day {by_day:g}; the last look was on day "
                f"{self.last_days:.0f}"
            )
        return ""


def _check_day(by_day: float) -> None:
    if not (np.isfinite(by_day) and by_day > 0):
        raise WoodlabError(
            f"by_day must be a number of days above 0 (found {by_day!r}). Type 120 for the chance "
            "of a crack within 120 days of turning."
        )


def planned_risk(model: HazardModel, frame: pd.DataFrame, by_day: float) -> pd.DataFrame:
    """The chance that a piece has cracked by a day, with its profile interval.

    See `CrackStudy.risk`.
    """
    _check_day(by_day)
    needed = {"species", "seal", "wall_mm"} - set(frame)
    if needed:
        raise WoodlabError(
            f"the planned pieces need the columns species, seal and wall_mm; missing: "
            f"{', '.join(sorted(needed))}."
        )
    tried = _Range(model)
    rows: list[tuple[float, float, float, str]] = []
    known: dict[tuple[object, object, float], tuple[float, float, float, str]] = {}
    for species, seal, wall in zip(frame["species"], frame["seal"], frame["wall_mm"], strict=True):
        key = (species, seal, float(wall))
        if key not in known:
            known[key] = _one_risk(model, tried, species, seal, float(wall), by_day)
        rows.append(known[key])
    out = frame.copy()
    out["by_day"] = float(by_day)
    for i, name in enumerate(("risk", "ci_lower", "ci_upper", "reason")):
        out[name] = pd.Series([row[i] for row in rows], index=out.index, dtype=object)
    return out.astype({"risk": float, "ci_lower": float, "ci_upper": float, "reason": "str"})


def _one_risk(
    model: HazardModel, tried: _Range, species: object, seal: object, wall_mm: float, by_day: float
) -> tuple[float, float, float, str]:
    nan = float("nan")
    reason = tried.refusal(species, seal, wall_mm) or tried.day_refusal(by_day)
    if reason:
        return nan, nan, nan, f"the data cannot say: {reason}"
    weights = _weights(model, str(species), str(seal), wall_mm)
    if not is_estimable(tried.fixed, weights):
        return (
            nan,
            nan,
            nan,
            (
                f"the data cannot say: {species} was never tried with {seal}, and the records "
                "cannot tell the species from the seal"
            ),
        )
    held = log_rate(model.course, model.dense_weights(weights), 0.0, by_day)
    centre = held.value(model.fit.dense)
    try:
        ends = model.fit.profile(held, LEVEL)
    except WoodlabError as error:
        return nan, nan, nan, f"the data cannot say: {error}"
    risk, lower, upper = (chance_of(x, model.log_sd) for x in (centre, *ends))
    own = (model.used["species"] == species) & (model.used["seal"] == seal)
    note = "" if own.any() else f"no {species} under {seal} was tried: carried over from the others"
    return risk, lower, upper, note


def _weights(model: HazardModel, species: str, seal: str, wall_mm: float) -> np.ndarray:
    row = {"species": [species], "seal": [seal], "wall_mm": [wall_mm]}
    return model.design.fixed(pd.DataFrame(row))[0]


def thickest_walls(
    model: HazardModel, max_risk: float, by_day: float, seals: Sequence[str] | None = None
) -> pd.DataFrame:
    """The thickest wall at which the chance of a crack stays at or below a level.

    See `CrackStudy.thickest_wall`.
    """
    _check_day(by_day)
    if not 0 < max_risk < 1:
        raise WoodlabError(
            f"max_risk must be between 0 and 1 (found {max_risk!r}). Type 0.1 for one piece in ten."
        )
    tried = _Range(model)
    rows = []
    for species in sorted(model.used["species"].unique()):
        for seal in sorted(model.used["seal"].unique()) if seals is None else seals:
            own = model.used[(model.used["species"] == species) & (model.used["seal"] == seal)]
            found = _one_wall(model, tried, species, seal, max_risk, by_day)
            wall, lower, upper, reason = found
            if not len(own) and not reason.startswith("the data cannot say"):
                extra = f"no {species} under {seal} was tried: carried over from the others"
                reason = "; ".join(filter(None, [reason, extra]))
            rows.append(
                [species, seal, wall, lower, upper, max_risk, float(by_day), len(own),
                 int(own["cracked"].sum()), reason]
            )  # fmt: skip
    columns = [
        "species", "seal", "wall_mm", "ci_lower", "ci_upper", "max_risk", "by_day", "n_pieces",
        "n_cracked", "reason",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _one_wall(
    model: HazardModel, tried: _Range, species: str, seal: str, max_risk: float, by_day: float
) -> tuple[float, float, float, str]:
    nan = float("nan")
    refused = tried.refusal(species, seal, None) or tried.day_refusal(by_day)
    if refused:
        return nan, nan, nan, f"the data cannot say: {refused}"
    low, high = tried.walls_of(species)
    if high - low < 1.0 or not model.design.use_wall:
        return nan, nan, nan, f"the data cannot say: walls of {species} were all about alike"
    ends = [_weights(model, species, seal, wall) for wall in (low, high)]
    if not all(is_estimable(tried.fixed, weights) for weights in ends):
        return (
            nan,
            nan,
            nan,
            (
                f"the data cannot say: the records of {species} under {seal} do not tell the wall "
                "from the rest"
            ),
        )
    goal = log_rate_of(max_risk, model.log_sd)
    z = model.fit.critical(LEVEL)

    def signed(wall: float) -> float:
        """Signed root of the deviance of "the chance at this wall is just the level"."""
        weights = model.dense_weights(_weights(model, species, seal, wall))
        held = log_rate(model.course, weights, 0.0, by_day)
        deviance = max(model.fit.deviance_at(held, goal, 1e-7), 0.0)
        return float(np.sign(held.value(model.fit.dense) - goal) * np.sqrt(deviance))

    try:
        middle = [
            log_rate(model.course, model.dense_weights(weights), 0.0, by_day).value(model.fit.dense)
            for weights in ends
        ]
        return _read_off(signed, low, high, middle[1] > middle[0], z, max_risk)
    except WoodlabError as error:
        return nan, nan, nan, f"the data cannot say: {error}"


def _read_off(
    signed: Callable[[float], float], low: float, high: float, rising: bool, z: float,
    max_risk: float,
) -> tuple[float, float, float, str]:  # fmt: skip
    """Where the estimate, and the two ends of its band, cross the level within the walls tried.

    Positive: the chance lies above the level. Beyond +z it does so for sure, below -z it does
    not for sure.
    """
    nan = float("nan")
    level = f"{100 * max_risk:g} %"
    thin, thick = signed(low), signed(high)
    if not rising:
        side = "stays above" if min(thin, thick) > 0 else "stays below"
        if np.sign(thin) == np.sign(thick):
            words = f"at every wall tried ({low:g} to {high:g} mm) the chance {side} {level}"
        else:
            words = "thicker walls did not crack more in these records"
        return nan, nan, nan, f"the data cannot say how thick is too thick: {words}"

    def crossing(at: float) -> float:
        if not thin < at < thick:
            return nan
        return float(brentq(lambda wall: signed(wall) - at, low, high, xtol=0.1))

    wall, lower, upper = crossing(0.0), crossing(-z), crossing(z)
    said: list[str] = []
    if thin >= 0:
        said.append(
            f"the data cannot say how thin is thin enough: even at the thinnest wall tried "
            f"({low:g} mm) the chance is {'for sure ' if thin > z else 'probably '}above {level}"
        )
    elif thick <= 0:
        said.append(
            f"the data cannot say how thick is too thick: even at the thickest wall tried "
            f"({high:g} mm) the chance is {'for sure ' if thick < -z else 'probably '}below {level}"
        )
        lower = high if thick <= -z else lower
    elif np.isnan(lower) and np.isnan(upper):
        said.append(
            f"the data cannot say: any wall tried ({low:g} to {high:g} mm) may be the one where "
            f"the chance passes {level} (best guess {wall:.0f} mm)"
        )
        wall = nan
    else:
        if np.isnan(lower):
            said.append(f"that it is thinner than the walls tried ({low:g} mm) is not ruled out")
        if np.isnan(upper):
            said.append(f"that it is thicker than the walls tried ({high:g} mm) is not ruled out")
    return wall, lower, upper, "; ".join(said)
