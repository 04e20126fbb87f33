"""Where an estimator is, and what the weighings say there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, eq=False)
class Mode:
    """Where the estimator is: the joint mode, once it has converged.

    `error_dry` is ln of the oven-dry mass that the drift is a share of, held between estimates of
    the error so that the objective of a step is one function; `away` is how far each piece was
    from its mode before the last step, in standard deviations.
    """

    u: np.ndarray
    ln_dry: np.ndarray
    logs: np.ndarray
    beta: np.ndarray
    sds: np.ndarray
    slip_g: float
    drift_pct: float
    memory_days: float
    weight: np.ndarray
    defect: np.ndarray
    error_dry: np.ndarray
    away: np.ndarray | None = None
    converged: bool = False
    iterations: int = 0


@dataclass(frozen=True, eq=False)
class Linear:
    """The weighings at a point: residuals [g], slopes and moisture, and their information."""

    residual: np.ndarray
    slopes: np.ndarray
    moisture: np.ndarray
    a: np.ndarray
    b: np.ndarray
