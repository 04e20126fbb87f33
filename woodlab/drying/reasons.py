"""Why a piece's fit says what it says: statuses and reasons in plain words."""

from __future__ import annotations

import numpy as np
import pandas as pd

from woodlab.drying.setup import Setup

STATUSES = {
    "ok": "every parameter is told by the weighings and what is known of the wood",
    "bounded": "a parameter is known only from one side, or stands at a physical bound",
    "too_few": "too few weighings for this law; no estimate",
    "failed": "no curve of this law fits; no estimate",
}


def reasons(
    setup: Setup,
    out: dict[str, np.ndarray],
    frame: dict[str, dict[str, np.ndarray]],
    verdict: pd.DataFrame,
    fitted: np.ndarray,
    lent: np.ndarray,
) -> pd.DataFrame:
    """`status` and `reason` with what the fitted pieces have to say added."""
    status = verdict["status"].to_numpy(dtype=object).copy()
    reason = verdict["reason"].to_numpy(dtype=object).copy()
    bounded = np.zeros(fitted.size, dtype=bool)

    def add(p: int, text: str) -> None:
        reason[p] = f"{reason[p]}; {text}" if reason[p] else text

    pin = np.nan_to_num(out["result"][:, 4]).astype(int)
    for p in np.flatnonzero(fitted & (pin != 0)).tolist():
        bounded[p] = True
        dry = setup.task["options"][p, 1 if pin[p] < 0 else 2]
        why = "fall below what the wood can be" if pin[p] < 0 else "exceed the lightest weighing"
        add(p, f"the oven-dry mass would {why}, and is held at {dry:.4g} g")
    for name, parts in frame.items():
        below, above = parts["open"][:, 0] & fitted, parts["open"][:, 1] & fitted
        for p in np.flatnonzero(below | above).tolist():
            bounded[p] = True
            text = _bound(name, bool(below[p]), bool(above[p]), parts, p)
            if text:
                add(p, text)
    source = setup.known["rests_on"].to_numpy()
    for p in np.flatnonzero(lent & fitted).tolist():
        add(p, "the weighings do not show yet where the curve ends: "
            f"the start moisture is taken from the {source[p]}")  # fmt: skip
    if setup.course is not None and not setup.law.changing_air:
        for p in np.flatnonzero(fitted).tolist():
            add(p, f"this law holds in constant air: the mean of the log, "
                f"{setup.equilibrium_pct[p]:.1f} %, was taken")  # fmt: skip
    early = setup.rows.n_early
    for p in np.flatnonzero(fitted & (early > 0)).tolist():
        add(p, f"{early[p]} weighing{'s' if early[p] > 1 else ''} before turning not used")
    weights = out["w"]
    starts = np.minimum(setup.rows.ptr[:-1], max(weights.size - 1, 0))
    if weights.size:
        aside = np.where(setup.rows.counts > 0, np.add.reduceat(weights == 0, starts), 0)
        for p in np.flatnonzero(fitted & (aside > 0)).tolist():
            add(
                p, f"{aside[p]} weighing{'s' if aside[p] > 1 else ''} far from the others set aside"
            )
    status[fitted & bounded] = "bounded"
    return pd.DataFrame({"status": status, "reason": reason})


def _bound(name: str, below: bool, above: bool, parts: dict[str, np.ndarray], p: int) -> str:
    low, high = parts["ci_lower"][p], parts["ci_upper"][p]
    if name == "biot":
        if below and above:
            return "the weighings do not tell surface from inside"
        if below:
            return f"only the surface is felt: Biot below {high:.2g}"
        return f"only the inside is felt: Biot above {low:.2g}"
    if name == "diffusivity_m2_s":
        return f"diffusivity above {low:.2g} m2/s" if above and not below else ""
    if name == "surface_m_s":
        return f"surface coefficient above {low:.2g} m/s" if above and not below else ""
    if name in ("tau_days", "tau_slow_days") and above and not below:
        return f"still on the straight part of its curve: {name} above {low:.3g}"
    if below and above:
        return f"the weighings do not tell {name}"
    return f"{name} above {low:.3g}" if above else f"{name} below {high:.3g}"
