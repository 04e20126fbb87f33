"""Whether a fit can be trusted: statistic, operator, threshold, passed, by piece; and its status.

A fit that fails a check is not `ok`: its status is `doubtful` and its reason names the check.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from woodlab.drying.estimator.posterior import Posterior
from woodlab.drying.estimator.season import UNSETTLED_SD
from woodlab.drying.estimator.weighing_error import whitener

STATUSES = {
    "ok": "every check is passed",
    "bounded": "a parameter is known only from one side",
    "doubtful": "a check is failed; the numbers are given, and the reason says which",
    "too_few": "too few weighings of its own: the curve is that of its group",
    "failed": "no curve fits; no numbers",
}
# Thresholds of our own; what each asks is said in docs/laws/README.md.
MEANING = {
    "standard_errors_from_mode": ("<=", UNSETTLED_SD),
    "set_aside_share": ("<=", 0.25),
    "rmse_pct_of_oven_dry": ("<=", 1.0),
    "misfit": ("<=", 3.0),
    "drift_pct_of_oven_dry": ("<=", 0.5),
}
WORDS = {
    "standard_errors_from_mode": "the search for its curve did not settle",
    "set_aside_share": "more than a quarter of its weighings lie off its curve",
    "rmse_pct_of_oven_dry": "its weighings scatter by more than a point of moisture",
    "misfit": "its weighings lie farther from the curve than their error allows",
    "drift_pct_of_oven_dry": "the law leaves this season's weighings by more than half a point of "
    "moisture for weeks on end",
}
FEWEST = 3
OPEN_SD = 0.8  # of ln of a parameter: as good as not known


def check_frame(part: Posterior, residuals: pd.DataFrame) -> pd.DataFrame:
    """The long frame of checks of the weighed pieces, under the law of most weight."""
    s, mode = part.season, part.mode
    d = s.d
    n = d.n_pieces
    dry = np.exp(mode.ln_dry[:n])
    used = (d.here & ~d.is_moisture & (mode.weight > 0.1))[:n]
    weighed = (d.here & ~d.is_moisture)[:n].sum(axis=1)
    square = residuals["residual_g"].where(residuals["used"]) ** 2
    by_piece = square.groupby(residuals["piece"]).mean().reindex(d.names[:n]).to_numpy()
    linear = s.linearised(mode, np.zeros((d.n, len(s.local) + len(s.common), d.days.shape[1])))
    white = np.empty(d.days.shape)
    for pick in s.chunks():
        root = whitener(s.d, mode, pick)
        white[pick] = np.einsum("nij,nj->ni", root, linear.residual[pick])
    away = mode.away[:n] if mode.away is not None else np.zeros(n)
    statistics = {
        "standard_errors_from_mode": away,
        "set_aside_share": 1 - used.sum(axis=1) / np.maximum(weighed, 1),
        "rmse_pct_of_oven_dry": 100 * np.sqrt(by_piece) / dry,
        # a piece alone has its own error, estimated from this very misfit
        "misfit": (white[:n] ** 2).sum(axis=1) / np.maximum(weighed, 1) * s.groups,
        "drift_pct_of_oven_dry": np.full(n, mode.drift_pct),
    }
    names = list(MEANING)
    rows = np.flatnonzero(weighed > 0)
    table = np.column_stack([statistics[name][rows] for name in names])
    threshold = np.array([MEANING[name][1] for name in names])
    return pd.DataFrame(
        {
            "piece": np.repeat(d.names[rows], len(names)),
            "check": np.tile(np.array(names, dtype=object), rows.size),
            "statistic": table.ravel(),
            "operator": "<=",
            "threshold": np.tile(threshold, rows.size),
            "passed": (~(table > threshold)).ravel(),
        }
    )


def verdicts(parts: Sequence[Posterior], checks: pd.DataFrame) -> pd.DataFrame:
    """`status` and `reason` of each piece, in the book's order."""
    part = parts[0]
    s = part.season
    d = s.d
    n = d.n_pieces
    status = np.full(n, "ok", dtype=object)
    reasons: list[list[str]] = [[] for _ in range(n)]
    at = {name: i for i, name in enumerate(d.names[:n])}
    for j, p in enumerate(s.own):
        loose = part.u[:n, :, j].std(axis=1) > OPEN_SD
        for i in np.flatnonzero(loose):
            status[i] = "bounded"
            reasons[i].append(f"{p.name} is hardly determined by its weighings")
    failed = checks[~checks["passed"].astype(bool)]
    for row in failed.itertuples():
        status[at[row.piece]] = "doubtful"
        reasons[at[row.piece]].append(WORDS[row.check])
    weighed = (d.here & ~d.is_moisture)[:n].sum(axis=1)
    for k in np.flatnonzero(weighed < FEWEST).tolist():
        status[k] = "too_few"
        count = {0: "not weighed", 1: "one weighing"}.get(weighed[k], f"{weighed[k]} weighings")
        whose = "its group's" if s.groups else "that of its kind by our priors"
        reasons[k].insert(0, f"{count} since turning: the curve is {whose}")
    for k in range(n):
        _notes(s, k, reasons[k])
    return pd.DataFrame({"status": status, "reason": ["; ".join(r) for r in reasons]})


def _notes(season, i: int, reason: list[str]) -> None:  # type: ignore[no-untyped-def]
    """What else a reader of the row must know."""
    d = season.d
    if d.n_early[i]:
        reason.append(f"{d.n_early[i]} weighing(s) before turning not used")
    if d.too_many[i]:
        reason.append("more than five events that change the mass: they are taken as weighings")
    if d.n_thinned[i]:
        reason.append(
            f"{d.n_thinned[i]} of its weighings lie closer than the fit can use and were left out"
        )
    if d.wall_sd[i] > 0:
        reason.append(f"no wall written down: {2000 * d.half_m[i]:.0f} mm is assumed, +- 25 %")
    if d.shelf.unlogged[i]:
        reason.append("its place has no air log: the air there is known to a few points only")
