"""Whether a fit can be trusted: statistic, operator, threshold, passed, by piece; and its status.

Status: `ok`, every check is passed; `bounded`, a parameter is known only from one side;
`doubtful`, a check is failed, and the reason says which; `too_few` weighings of its own, so that
the curve is that of its group.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.drying.estimator.posterior import Posterior
from woodlab.drying.estimator.season import UNSETTLED_SD
from woodlab.drying.estimator.weighing_error import whitener

# Thresholds of our own (what each asks is said in docs/laws/README.md), and what a failure means.
CHECKS = {
    "standard_errors_from_mode": (UNSETTLED_SD, "the search for its curve did not settle"),
    "set_aside_share": (0.25, "more than a quarter of its weighings lie off its curve"),
    "rmse_pct_of_oven_dry": (1.0, "its weighings scatter by more than a point of moisture"),
    "misfit": (3.0, "its weighings lie farther from the curve than their error allows"),
    "drift_pct_of_oven_dry": (
        0.5, "the law leaves this season's weighings by more than half a point of moisture for "
        "weeks on end",
    ),
}  # fmt: skip
FEWEST = 3
OPEN_SD = 0.8  # of ln of a parameter: as good as not known


def check_frame(part: Posterior, rmse_g: np.ndarray) -> pd.DataFrame:
    """The long frame of checks of the weighed pieces, under the law of most weight."""
    s, mode = part.season, part.mode
    d = s.d
    n = d.n_pieces
    dry = np.exp(mode.ln_dry[:n])
    used = (d.here & ~d.is_moisture & (mode.weight > 0.1))[:n]
    weighed = (d.here & ~d.is_moisture)[:n].sum(axis=1)
    misfit = np.zeros(n)
    if s.groups:  # a piece alone has its own error, estimated from this very misfit
        none = np.zeros((d.n, len(s.local) + len(s.common), d.days.shape[1]))
        residual = s.linearised(mode, none).residual
        for pick in s.chunks():
            white = np.einsum("nij,nj->ni", whitener(d, mode, pick), residual[pick])
            mine = pick < n
            misfit[pick[mine]] = (white[mine] ** 2).sum(axis=1)
    away = mode.away[:n] if mode.away is not None else np.zeros(n)
    statistics = {
        "standard_errors_from_mode": away,
        "set_aside_share": 1 - used.sum(axis=1) / np.maximum(weighed, 1),
        "rmse_pct_of_oven_dry": 100 * rmse_g / dry,
        "misfit": misfit / np.maximum(weighed, 1),
        "drift_pct_of_oven_dry": np.full(n, mode.drift_pct),
    }
    names = list(CHECKS)
    rows = np.flatnonzero(weighed > 0)
    table = np.column_stack([statistics[name][rows] for name in names])
    threshold = np.array([most for most, _ in CHECKS.values()])
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
    for j, p in enumerate(s.own):
        loose = part.u[:n, :, j].std(axis=1) > OPEN_SD
        for i in np.flatnonzero(loose):
            status[i] = "bounded"
            reasons[i].append(f"{p.name} is hardly determined by its weighings")
    failed = checks[~checks["passed"].astype(bool)]
    at = {name: i for i, name in enumerate(d.names[:n])} if len(failed) else {}
    for row in failed.itertuples():
        status[at[row.piece]] = "doubtful"
        reasons[at[row.piece]].append(CHECKS[row.check][1])
    weighed = (d.here & ~d.is_moisture)[:n].sum(axis=1)
    whose = "its group's" if s.groups else "that of its kind by our priors"
    for k in np.flatnonzero(weighed < FEWEST).tolist():
        status[k] = "too_few"
        count = {0: "not weighed", 1: "one weighing"}.get(weighed[k], f"{weighed[k]} weighings")
        reasons[k].insert(0, f"{count} since turning: the curve is {whose}")
    notes = (  # what else a reader of the row must know
        (d.n_early, lambda k: words.tally(int(d.n_early[k]), "weighing")
         + " before turning not used"),
        (d.too_many, lambda k: "more than five events that change the mass: they are taken as "
         "weighings"),
        (d.n_thinned, lambda k: f"{d.n_thinned[k]} of its weighings lie closer than the fit can "
         "use and were left out"),
        (d.wall_sd, lambda k: f"no wall written down: {2000 * d.half_m[k]:.0f} mm is assumed, "
         "+- 25 %"),
        (d.shelf.unlogged, lambda k: "its place has no air log: the air there is known to a few "
         "points only"),
    )  # fmt: skip
    for there, text in notes:
        for k in np.flatnonzero(there[:n]).tolist():
            reasons[k].append(text(k))
    return pd.DataFrame({"status": status, "reason": ["; ".join(r) for r in reasons]})
