"""Whether a fit can be leaned on: statistic, operator, threshold, passed, by piece."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from woodlab.drying.results import DryingFits

# Thresholds of our own; what each check asks is said in docs/laws/README.md.
MEANING = {
    "weighings_per_unknown": (">=", 2.0),
    "set_aside_share": ("<=", 0.1),
    "rmse_pct_of_oven_dry": ("<=", 1.0),
    "waves_in_residuals": ("<=", 0.5),
    "share_of_drying_seen": (">=", 0.5),
}


def check_frame(fits: DryingFits) -> pd.DataFrame:
    """The long frame of checks of the fitted pieces; see `DryingFits.checks`."""
    ok = np.flatnonzero(fits.fitted)
    rows, pieces = fits.rows, fits.pieces
    used = pieces["n_used"].to_numpy(dtype=float)
    dry = np.exp(fits.mean[:, len(fits.names) - 3])
    unknown = len(fits.names) - 1 + np.diff(rows.step_ptr)
    residual = np.where(fits.used, fits.residuals["residual_g"].to_numpy(), 0.0)
    both = np.zeros(residual.size)
    both[1:] = residual[1:] * residual[:-1]
    filled = np.flatnonzero(rows.counts > 0)
    both[rows.ptr[:-1][filled]] = 0.0  # no product across pieces
    wave, square = np.zeros(used.size), np.ones(used.size)
    if filled.size:
        wave[filled] = np.add.reduceat(both, rows.ptr[:-1][filled])
        square[filled] = np.add.reduceat(residual**2, rows.ptr[:-1][filled])
    first, last = np.full(used.size, np.nan), np.full(used.size, np.nan)
    first[filled] = rows.mass_g[rows.ptr[:-1][filled]]
    last[filled] = rows.mass_g[rows.ptr[1:][filled] - 1]
    level = fits.equilibrium_pct
    if fits.course is not None:
        level = np.full(used.size, float(fits.course.logged["equilibrium_pct"].mean()))
    with np.errstate(invalid="ignore", divide="ignore"):
        seen = (first - last) / (first - dry * (1 + level / 100))
        statistics = {
            "weighings_per_unknown": used / unknown,
            "set_aside_share": pieces["n_set_aside"].to_numpy() / np.maximum(rows.counts, 1),
            "rmse_pct_of_oven_dry": 100 * pieces["rmse_g"].to_numpy() / dry,
            "waves_in_residuals": wave / np.maximum(square, 1e-300),
            "share_of_drying_seen": seen,
        }
    names = list(MEANING)
    table = np.column_stack([statistics[name][ok] for name in names])
    threshold = np.array([MEANING[name][1] for name in names])
    least = np.array([MEANING[name][0] == ">=" for name in names])
    passed = np.where(least, table >= threshold, table <= threshold)
    return pd.DataFrame(
        {
            "piece": np.repeat(pieces["piece"].to_numpy(dtype=object)[ok], len(names)),
            "check": np.tile(np.array(names, dtype=object), ok.size),
            "statistic": table.ravel(),
            "operator": np.tile([MEANING[name][0] for name in names], ok.size),
            "threshold": np.tile(threshold, ok.size),
            "passed": passed.ravel(),
        }
    )
