"""Counts first: shares that cracked, and shares still whole by when, without a model.

Wilson's interval for a share (Wilson 1927, J. Am. Stat. Assoc. 22:209), and the estimate of
Turnbull (1976, J. R. Stat. Soc. B 38:290) for the share still whole when each crack is known
only to have begun between two looks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import norm, t
from statsmodels.stats.proportion import proportion_confint

from woodlab.studies.columns import groups_of, log_names, wall_class
from woodlab.studies.cracks.intervals import FirstCracks

RATE_COLUMNS = [
    "by", "group", "n_pieces", "n_cracked", "share", "ci_lower", "ci_upper", "n_no_looks",
    "n_too_few_looks", "reason",
]  # fmt: skip

# A piece without a crack says little when it was looked at fewer times than this ...
LEAST_LOOKS = 2
# ... or not since the day by which this share of the season's cracks had been found.
LATE_SHARE = 0.8
# ... and in any case not for so long: few cracks, or none, say nothing of when they open. Common
# practice, no source.
WATCH_DAYS = 60.0


def too_few_looks(first: FirstCracks) -> pd.DataFrame:
    """Pieces without a crack that were looked at too little to count as whole.

    Returns
    -------
    DataFrame
        `piece`, `n_looks`, `last_look_days`, `reason`. They stay in the hazard, which takes each
        for as long as it was looked at; in the crude rates they count, and are named.
    """
    used = first.used
    found = used.loc[used["cracked"], "by_days"]
    late = float(found.quantile(LATE_SHARE)) if len(found) else 0.0
    rows: list[list[object]] = []
    for piece in first.pieces[~first.pieces["cracked"]].itertuples():
        reason = ""
        if piece.status != "used":
            reason = piece.reason
        elif piece.n_looks < LEAST_LOOKS:
            reason = "looked at once only"
        elif piece.after_days < late:
            reason = (
                f"last looked at on day {piece.after_days:.0f}; by day {late:.0f} four in five "
                "of the cracks had been found"
            )
        elif piece.after_days < WATCH_DAYS:
            reason = (
                f"last looked at on day {piece.after_days:.0f}; wood goes on cracking for "
                f"{WATCH_DAYS:.0f} days and more (common practice, no source)"
            )
        if reason:
            rows.append([piece.piece, piece.n_looks, piece.after_days, reason])
    return pd.DataFrame(rows, columns=["piece", "n_looks", "last_look_days", "reason"])


def _groupings(frame: pd.DataFrame, by: Sequence[str]) -> list[tuple[str, pd.Series]]:
    everyone = pd.Series(["all pieces"] * len(frame), frame.index)
    made = [
        ("all", everyone),
        ("species", frame["species"]),
        ("seal", frame["seal"]),
        ("wall", wall_class(frame["wall_mm"])),
    ]
    return made + [(name, groups_of(frame[name])) for name in by]


def crack_rates(first: FirstCracks, few: pd.DataFrame, by: Sequence[str] = ()) -> pd.DataFrame:
    """Shares that cracked, per piece looked at, with Wilson intervals; a row a group.

    Returns
    -------
    DataFrame
        `by` (`all`, `species`, `seal`, `wall`, and the columns asked for), `group`, `n_pieces`
        (that were looked at), `n_cracked`, `share`, `ci_lower`, `ci_upper` (95 %), `n_no_looks`,
        `n_too_few_looks`, `reason`.
    """
    frame = first.pieces
    idle = frame["status"] != "used"
    short = frame["piece"].isin(few["piece"]) & ~idle
    rows: list[list[object]] = []
    for name, groups in _groupings(frame, by):
        for group in sorted(groups.dropna().unique()):
            mine = groups == group
            count = int((mine & ~idle).sum())
            cracked = int(frame.loc[mine & ~idle, "cracked"].sum())
            missing, little = int((mine & idle).sum()), int((mine & short).sum())
            lower, upper = wilson_interval(cracked, count)
            share = cracked / count if count else np.nan
            reason = "" if count else "no piece of it was looked at"
            if count and little:
                whose = "piece" if little == 1 else "pieces"
                reason = f"{little} {whose} without a crack had too few looks: the share may be low"
            rows.append([name, group, count, cracked, share, lower, upper, missing, little, reason])
    return pd.DataFrame(rows, columns=RATE_COLUMNS)


def whole_fractions(first: FirstCracks, by: Sequence[str] = ()) -> pd.DataFrame:
    """The share still whole against days since turning, by group; see `whole_by_day`."""
    used = first.used
    if not len(used):
        return pd.DataFrame(columns=WHOLE_COLUMNS)
    between = between_logs(used)
    frames = [
        whole_by_day(used[groups == group], name, group, between)
        for name, groups in _groupings(used, by)
        for group in sorted(groups.dropna().unique())
    ]
    return pd.concat(frames, ignore_index=True)


def growth_by_action(growth: pd.DataFrame) -> pd.DataFrame:
    """Cracks by what was done at first sight: how many grew, with Wilson's interval.

    Returns
    -------
    DataFrame
        `action`, `n_cracks`, `n_followed` (looked at again), `n_grew`, `share_grew`, `ci_lower`,
        `ci_upper`, `median_first_mm`, `median_growth_mm`, `n_closed`.
    """
    rows: list[list[object]] = []
    for action, group in growth.groupby("action", sort=True):
        followed = group[group["n_later_looks"] > 0]
        count, grew = len(followed), int(followed["grew"].sum())
        lower, upper = wilson_interval(grew, count)
        rows.append(
            [action, len(group), count, grew, grew / count if count else np.nan, lower, upper,
             group["first_mm"].median(), followed["growth_mm"].median() if count else np.nan,
             int(followed["closed"].sum())]
        )  # fmt: skip
    columns = [
        "action", "n_cracks", "n_followed", "n_grew", "share_grew", "ci_lower", "ci_upper",
        "median_first_mm", "median_growth_mm", "n_closed",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


WHOLE_COLUMNS = [
    "by", "group", "kind", "from_days", "to_days", "whole_from", "whole_to", "ci_lower",
    "ci_upper", "n_pieces",
]  # fmt: skip


def wilson_interval(events: float, count: float, level: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval for a share; (nan, nan) of no pieces.

    Examples
    --------
    >>> [round(end, 3) for end in wilson_interval(0, 10)]
    [0.0, 0.278]
    """
    if not count > 0:
        return np.nan, np.nan
    lower, upper = proportion_confint(events, count, alpha=1 - level, method="wilson")
    return (0.0 if events <= 0 else float(lower)), (1.0 if events >= count else float(upper))


@dataclass(frozen=True, eq=False)
class TurnbullEstimate:
    """The nonparametric maximum of the likelihood.

    Attributes
    ----------
    start, end : array
        The intervals (start, end] that hold all of the mass; within them the estimate does not
        say how it falls, between them it is level.
    mass : array
        Sums to 1; `end` may be infinite for the last.
    """

    start: np.ndarray
    end: np.ndarray
    mass: np.ndarray

    def by(self, days: float) -> float:
        """Share that has begun to crack by a day at which the estimate is level (NaN inside)."""
        if ((self.start < days) & (days < self.end)).any():
            return np.nan
        return float(self.mass[self.end <= days].sum())


def turnbull(after: np.ndarray, by: np.ndarray) -> TurnbullEstimate:
    """Turnbull's estimate from intervals (after, by]; `by` is infinite where none was found.

    Self-consistency steps (expectation-maximisation), extrapolated, until the likelihood's slope
    is that of its maximum to one part in ten million.

    Examples
    --------
    >>> found = turnbull(np.array([0.0, 0, 8]), np.array([4.0, 8, np.inf]))
    >>> found.by(4), found.end.tolist()
    (0.6666..., [4.0, inf])
    """
    after, by = np.asarray(after, dtype=float), np.asarray(by, dtype=float)
    pairs, counts = np.unique(np.stack([after, by], 1), axis=0, return_counts=True)
    low, high = pairs[:, 0], pairs[:, 1]
    # A start directly followed by an end bounds a piece of the mass; ends come before starts at
    # the same day, as (2, 4] and (4, 6] do not meet.
    days = np.concatenate([low, high])
    is_start = np.concatenate([np.ones(len(low)), np.zeros(len(high))])
    order = np.lexsort((is_start, days))
    days, is_start = days[order], is_start[order]
    at = np.flatnonzero((is_start[:-1] == 1) & (is_start[1:] == 0))
    start, end = days[at], days[at + 1]
    inside = (low[:, None] <= start) & (end <= high[:, None])
    mass, slope = _self_consistent(inside.astype(float), counts.astype(float))
    # At the maximum an interval whose slope is below 1 has no mass; what little is left on it
    # has only not died out yet.
    kept = (mass > 1e-9) & ~((mass < 1e-3) & (slope < 1 - 1e-4))
    mass, _ = _self_consistent(inside[:, kept].astype(float), counts.astype(float))
    return TurnbullEstimate(start[kept], end[kept], mass)


def _self_consistent(inside: np.ndarray, counts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    total = counts.sum()

    def step(mass: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
        chance = inside @ mass
        slope = inside.T @ (counts / chance) / total
        return mass * slope, slope, float(counts @ np.log(chance))

    mass = np.full(inside.shape[1], 1 / inside.shape[1])
    for _ in range(3000):
        first, slope, loglik = step(mass)
        if slope.max() < 1 + 1e-7:
            break
        second, _, _ = step(first)
        # Squared extrapolation (Varadhan and Roland 2008, Scand. J. Stat. 35:335), kept where
        # it raises the likelihood.
        change, turn = first - mass, second - 2 * first + mass
        size = float(np.linalg.norm(change)) / max(float(np.linalg.norm(turn)), 1e-300)
        ahead = mass + 2 * size * change + size**2 * turn
        ahead = np.maximum(ahead, second * 1e-3)
        ahead = ahead / ahead.sum()
        with np.errstate(divide="ignore"):
            gained = float(counts @ np.log(inside @ ahead)) > loglik
        mass = ahead if gained and np.isfinite(ahead).all() else second
    return mass, step(mass)[1]


# Share of the scatter of cracked or not that is between logs: what the book says, weighed against
# ten logs' worth of this value (our own guess; a spread of 0.5 in ln rate gives about as much).
USUAL_BETWEEN, USUAL_LOGS = 0.05, 10.0


def between_logs(used: pd.DataFrame) -> float:
    """Intraclass correlation of cracked or not within logs, species and seal taken out.

    The analysis-of-variance estimator (Fisher), drawn towards `USUAL_BETWEEN`.

    Examples
    --------
    >>> frame = pd.DataFrame({"species": "ash", "seal": "none", "log": list("aabbccdd"),
    ...                       "cracked": [True, True, False, False] * 2})
    >>> round(between_logs(frame), 2)
    0.32
    """
    frame = used[used["log"].notna()]
    count = frame["log"].nunique()
    if count < 2 or len(frame) <= count:
        return USUAL_BETWEEN
    hit = frame["cracked"].astype(float)
    rest = hit - hit.groupby([frame["species"], frame["seal"]]).transform("mean")
    size = frame.groupby("log").size().to_numpy(float)
    mean = rest.groupby(frame["log"]).transform("mean")
    between = float(((mean - rest.mean()) ** 2).sum()) / (count - 1)
    within = float(((rest - mean) ** 2).sum()) / (len(frame) - count)
    usual = (size.sum() - (size**2).sum() / size.sum()) / (count - 1)
    whole = between + (usual - 1) * within
    found = (between - within) / whole if whole > 0 else 0.0
    return float((count * max(found, 0.0) + USUAL_LOGS * USUAL_BETWEEN) / (count + USUAL_LOGS))


def _cluster(used: pd.DataFrame, between: float) -> tuple[float, float]:
    """Design effect of pieces that share logs, and the level that Student's t asks of Wilson."""
    if "log" not in used or used["log"].notna().sum() == 0:
        return 1.0, 0.95
    size = log_names(used).value_counts().to_numpy(float)
    effect = 1 + ((size**2).sum() / size.sum() - 1) * between
    df = max(len(size) - 1, 2)
    return float(effect), float(1 - 2 * norm.sf(t.ppf(0.975, df)))


def whole_by_day(used: pd.DataFrame, by: str, group: str, between: float = 0.0) -> pd.DataFrame:
    """The share still whole of one group: level stretches, and gaps in which it falls.

    Parameters
    ----------
    used : DataFrame
        `after_days`, `by_days`, and `log` where logs are known: a row a piece.
    by, group : str
        Names for the rows, as in `by="seal", group="none"`.
    between : float
        Share of the scatter that is between logs, as `between_logs` gives it.

    Returns
    -------
    DataFrame
        `by`, `group`, `kind` (`known`: the share is `whole_from` throughout; `gap`: it falls
        from `whole_from` to `whole_to` somewhere between), `from_days`, `to_days`, `ci_lower`,
        `ci_upper` (of a known stretch), `n_pieces`.

    Notes
    -----
    The interval is Wilson's for as many pieces as are known to be whole on the stretch's first
    day, divided by the share whole (the effective number of Peto et al. 1977, Br. J. Cancer
    35:1, put into Wilson's form), with logs as clusters: that number is divided by the design
    effect 1 + (m - 1) rho of logs of m pieces (Kish 1965, Survey Sampling, chapter 5), and
    Student's quantile with a degree of freedom for each log but one takes the normal's place.
    """
    after, by_days = used["after_days"].to_numpy(float), used["by_days"].to_numpy(float)
    found = turnbull(after, by_days)
    effect, level = _cluster(used, between)
    rows: list[list[object]] = []
    count = len(used)
    day, whole = 0.0, 1.0
    last = float(max(after.max(), by_days[np.isfinite(by_days)].max(initial=0.0)))
    edges = [*zip(found.start, found.end, found.mass, strict=True)]
    if not edges or np.isfinite(edges[-1][1]):
        edges.append((last, np.inf, 0.0))
    for start, end, mass in edges:
        if start > day:
            known = int((after >= day).sum())
            number = min(count, max(known / whole, 1.0)) if whole > 1e-9 else count
            number = max(number / effect, 1.0)
            lower, upper = wilson_interval(whole * number, number, level)
            rows.append([by, group, "known", day, start, whole, whole, lower, upper, count])
        if not np.isfinite(end):
            break
        left = max(whole - mass, 0.0) if whole - mass > 1e-9 else 0.0
        rows.append([by, group, "gap", start, end, whole, left, np.nan, np.nan, count])
        day, whole = end, left
    return pd.DataFrame(rows, columns=WHOLE_COLUMNS)
