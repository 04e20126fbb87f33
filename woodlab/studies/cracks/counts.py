"""Counts first: shares that cracked, and shares still whole by when, without a model.

Wilson's interval for a share (Wilson 1927, J. Am. Stat. Assoc. 22:209), and the estimate of
Turnbull (1976, J. R. Stat. Soc. B 38:290) for the share still whole when each crack is known
only to have begun between two looks.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd
from scipy.optimize import nnls
from scipy.stats import norm, t
from statsmodels.stats.proportion import proportion_confint

from woodlab.studies.columns import groups_of, log_names, wall_class
from woodlab.studies.cracks.intervals import FirstCracks
from woodlab.words import tally

RATE_COLUMNS = [
    "by", "group", "n_pieces", "n_cracked", "share", "ci_lower", "ci_upper", "n_no_looks",
    "n_too_few_looks", "reason",
]  # fmt: skip
WHOLE_COLUMNS = [
    "by", "group", "kind", "from_days", "to_days", "whole_from", "whole_to", "ci_lower",
    "ci_upper", "n_pieces",
]  # fmt: skip
GROWTH_COLUMNS = [
    "action", "n_cracks", "n_followed", "n_grew", "share_grew", "ci_lower", "ci_upper",
    "median_first_mm", "median_growth_mm", "n_closed",
]  # fmt: skip

# A piece without a crack says little when it was looked at fewer times than this ...
LEAST_LOOKS = 2
# ... or not since the day by which this share of the season's cracks had been found.
LATE_SHARE = 0.8
# ... and in any case not for so long: few cracks, or none, say nothing of when they open. Common
# practice, no source.
WATCH_DAYS = 60.0


def wilson_interval(events: float, count: float, level: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval for a share; (nan, nan) of no pieces."""
    if not count > 0:
        return np.nan, np.nan
    lower, upper = proportion_confint(events, count, alpha=1 - level, method="wilson")
    return (0.0 if events <= 0 else float(lower)), (1.0 if events >= count else float(upper))


def too_few_looks(first: FirstCracks) -> pd.DataFrame:
    """Pieces without a crack that were looked at too little to count as whole; the hazard takes
    each for as long as it was looked at, the crude rates count it."""
    found = first.used.loc[first.used["cracked"], "by_days"]
    late = float(found.quantile(LATE_SHARE)) if len(found) else 0.0
    rows = first.pieces[~first.pieces["cracked"]]
    table = rows[["piece", "n_looks"]].assign(last_look_days=rows["after_days"])
    last = "last looked at on day " + rows["after_days"].map("{:.0f}".format).astype(object)
    table["reason"] = np.select(
        [rows["status"] != "used", rows["n_looks"] < LEAST_LOOKS, rows["after_days"] < late,
         rows["after_days"] < WATCH_DAYS],
        [rows["reason"].astype(object), "looked at once only",
         last + f"; by day {late:.0f} four in five of the cracks had been found",
         last + f"; wood goes on cracking for {WATCH_DAYS:.0f} days and more (common practice, no "
         "source)"],
        "",
    )  # fmt: skip
    return table[table["reason"] != ""].reset_index(drop=True)


def _groups(frame: pd.DataFrame, by: Sequence[str]) -> Iterator[tuple[str, str, pd.Series]]:
    """Name, group and which rows: everyone, species, seals, classes of walls, and `by`."""
    made = {"all": pd.Series("all pieces", frame.index), "species": frame["species"],
            "seal": frame["seal"], "wall": wall_class(frame["wall_mm"])}  # fmt: skip
    made |= {name: groups_of(frame[name]) for name in by}
    for name, groups in made.items():
        for group in sorted(groups.dropna().unique()):
            yield name, group, groups == group


def crack_rates(first: FirstCracks, few: pd.DataFrame, by: Sequence[str] = ()) -> pd.DataFrame:
    """Shares that cracked, per piece looked at, with Wilson intervals; see `CrackStudy.rates`."""
    frame, rows = first.pieces, []
    looked = frame["status"] == "used"
    short = frame["piece"].isin(few["piece"]) & looked
    for name, group, mine in _groups(frame, by):
        count, little = int((mine & looked).sum()), int((mine & short).sum())
        cracked = int(frame.loc[mine & looked, "cracked"].sum())
        reason = "" if count else "no piece of it was looked at"
        if count and little:
            reason = f"{tally(little)} without a crack had too few looks: the share may be low"
        rows.append([name, group, count, cracked, cracked / count if count else np.nan,
                     *wilson_interval(cracked, count), int((mine & ~looked).sum()), little,
                     reason])  # fmt: skip
    return pd.DataFrame(rows, columns=RATE_COLUMNS)


def growth_by_action(growth: pd.DataFrame) -> pd.DataFrame:
    """Cracks by what was done at first sight: how many grew, with Wilson's interval."""
    rows = []
    for action, group in growth.groupby("action", sort=True):
        followed = group[group["n_later_looks"] > 0]
        count, grew = len(followed), int(followed["grew"].sum())
        rows.append(
            [action, len(group), count, grew, grew / count if count else np.nan,
             *wilson_interval(grew, count), group["first_mm"].median(),
             followed["growth_mm"].median(), int(followed["closed"].sum())]
        )  # fmt: skip
    return pd.DataFrame(rows, columns=GROWTH_COLUMNS)


def turnbull(after: np.ndarray, by: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Turnbull's estimate from intervals (after, by]; `by` is infinite where none was found.

    Gives start, end and mass of the intervals (start, end] that hold all of the mass. Constrained
    Newton method: each step maximises the quadratic approximation of the likelihood over masses
    that are not negative and sum to 1 (Wang 2007, J. R. Stat. Soc. B 69:185).
    """
    pairs, counts = np.unique(np.stack([after, by], 1).astype(float), axis=0, return_counts=True)
    low, high = pairs.T
    # A start directly followed by an end bounds a piece of the mass; ends come before starts at
    # the same day, as (2, 4] and (4, 6] do not meet.
    days, is_start = np.r_[low, high], np.repeat([True, False], len(low))
    order = np.lexsort((is_start, days))
    at = np.flatnonzero(is_start[order][:-1] & ~is_start[order][1:])
    start, end = days[order][at], days[order][at + 1]
    inside = ((low[:, None] <= start) & (end <= high[:, None])).astype(float)
    root, heavy = np.sqrt(counts), 1e4 * np.sqrt(counts.sum())
    mass = np.full(len(start), 1 / len(start))
    for _ in range(100):
        chance = inside @ mass
        gain = inside.T @ (counts / chance) / counts.sum()
        if gain.max() < 1 + 1e-9:
            break
        scaled = np.vstack([root[:, None] * inside / chance[:, None], np.full(len(mass), heavy)])
        ahead = nnls(scaled, np.r_[2 * root, heavy])[0]
        step = ahead / ahead.sum() - mass
        for half in 0.5 ** np.arange(30):
            with np.errstate(divide="ignore"):
                gained = counts @ np.log(inside @ (mass + half * step)) - counts @ np.log(chance)
            if gained >= 0:
                break
        mass = mass + half * step
    kept = mass > 1e-9
    return start[kept], end[kept], mass[kept] / mass[kept].sum()


# Share of the scatter of cracked or not that is between logs: what the book says, weighed against
# ten logs' worth of this value (our own guess; a spread of 0.5 in ln rate gives about as much).
USUAL_BETWEEN, USUAL_LOGS = 0.05, 10.0


def between_logs(used: pd.DataFrame) -> float:
    """Intraclass correlation of cracked or not within logs, species and seal taken out: the
    analysis-of-variance estimator (Fisher), drawn towards `USUAL_BETWEEN`."""
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


def whole_fractions(first: FirstCracks, by: Sequence[str] = ()) -> pd.DataFrame:
    """The share still whole against days since turning, by group; see `whole_by_day`."""
    used = first.used
    if not len(used):
        return pd.DataFrame(columns=WHOLE_COLUMNS)
    between = between_logs(used)
    return pd.concat([whole_by_day(used[mine], name, group, between)
                      for name, group, mine in _groups(used, by)], ignore_index=True)  # fmt: skip


def whole_by_day(used: pd.DataFrame, by: str, group: str, between: float = 0.0) -> pd.DataFrame:
    """The share still whole of one group: level stretches, and gaps in which it falls.

    Wilson's interval for as many pieces as are known to be whole on the stretch's first day,
    divided by the share whole (effective number, Peto et al. 1977, Br. J. Cancer 35:1) and by the
    design effect 1 + (m - 1) rho of logs of m pieces (Kish 1965, Survey Sampling, chapter 5), rho
    being `between_logs`; with Student's quantile of logs less one in the normal's place.
    """
    after, by_days = used["after_days"].to_numpy(float), used["by_days"].to_numpy(float)
    edges = [*zip(*turnbull(after, by_days), strict=True)]
    effect, level = 1.0, 0.95
    if "log" in used and used["log"].notna().any():
        size = log_names(used).value_counts().to_numpy(float)
        effect = 1 + ((size**2).sum() / size.sum() - 1) * between
        level = 1 - 2 * norm.sf(t.ppf(0.975, max(len(size) - 1, 2)))
    if np.isfinite(edges[-1][1]):
        edges.append((max(after.max(), by_days[np.isfinite(by_days)].max()), np.inf, 0.0))
    rows, count, day, whole = [], len(used), 0.0, 1.0
    for start, end, mass in edges:
        if start > day:
            known = int((after >= day).sum())
            number = min(count, max(known / whole, 1.0)) if whole > 1e-9 else count
            number = max(number / effect, 1.0)
            lower, upper = wilson_interval(whole * number, number, level)
            rows.append([by, group, "known", day, start, whole, whole, lower, upper, count])
        if not np.isfinite(end):
            break
        left = whole - mass if whole - mass > 1e-9 else 0.0
        rows.append([by, group, "gap", start, end, whole, left, np.nan, np.nan, count])
        day, whole = end, left
    return pd.DataFrame(rows, columns=WHOLE_COLUMNS)
