"""Estimates, standard errors and 95 % limits of each parameter, from the compiled fit."""

from __future__ import annotations

import numpy as np

from woodlab.drying.batch import student
from woodlab.drying.setup import FREE, START, Setup, working_names

Parts = dict[str, np.ndarray]
# Beyond these Biot numbers the shape of the curve no longer changes enough to be read as one.
BIOT_LEAST, BIOT_MOST = 0.01, 500.0


def interval_frame(
    setup: Setup, out: dict[str, np.ndarray], mean: np.ndarray, cov: np.ndarray, fitted: np.ndarray
) -> dict[str, Parts]:
    """For each parameter: estimate, stderr, ci_lower, ci_upper and which side is open.

    A parameter whose profile reaches its bound before the 95 % level has no estimate (NaN), no
    standard error and one limit: the bound that the data give.
    """
    names = working_names(setup)
    own = len(names) - 3
    quantile = student(out["result"][:, 2])
    asked = bool(setup.task["profile"])
    ends, derived = out["ends"], out["derived"]
    curved = np.nan_to_num(ends[:, :, 2]).any(axis=1)
    frame: dict[str, Parts] = {}
    law = setup.law.name
    for i, name in enumerate(names[:own]):
        sd = np.sqrt(np.maximum(cov[:, i, i], 0))
        low, high = mean[:, i] - quantile * sd, mean[:, i] + quantile * sd
        if law in ("film", "slab"):
            side = 2 + i
            low = np.where(curved & asked, derived[:, 1, side], low)
            high = np.where(curved & asked, derived[:, 2, side], high)
        elif law == "two_term" and name == "tau_fast_days":
            pass  # no profile of its own: ln tau_slow less ln of their ratio
        elif asked:
            at = {"tau_slow_days": 0, "fast_share": 2}.get(name, i)
            low, high = ends[:, at, 0], ends[:, at, 1]
        if name == "fast_share":
            frame[name] = _parts(mean[:, i], sd, low, high, fitted)
        else:
            value = np.exp(mean[:, i])
            frame[name] = _parts(value, value * sd, np.exp(low), np.exp(high), fitted)
    if law in ("film", "slab"):
        _add_biot(frame, out, fitted, asked, quantile)
    elif asked:
        for name in names[:own]:
            _open_sides(frame[name], -np.inf if name == "fast_share" else 0.0, np.inf)
    for i, name in ((own, "oven_dry_g"), (own + 1, "start_moisture_pct")):
        sd = np.sqrt(np.maximum(cov[:, i, i], 0))
        value = np.exp(mean[:, i]) if name == "oven_dry_g" else mean[:, i]
        if name == "oven_dry_g":
            low, high = value * np.exp(-quantile * sd), value * np.exp(quantile * sd)
            sd = value * sd
        else:
            low, high = value - quantile * sd, value + quantile * sd
        if asked and setup.design != START:
            low, high = _enveloped(setup, out, name, value, low, high, curved)
        frame[name] = _parts(value, sd, low, high, fitted)
    if not asked:
        for parts in frame.values():
            parts["ci_lower"][:] = np.nan
            parts["ci_upper"][:] = np.nan
    return frame


def _parts(
    value: np.ndarray, sd: np.ndarray, low: np.ndarray, high: np.ndarray, fitted: np.ndarray
) -> Parts:
    return {
        "estimate": np.where(fitted, value, np.nan),
        "stderr": np.where(fitted, sd, np.nan),
        "ci_lower": np.where(fitted, low, np.nan),
        "ci_upper": np.where(fitted, high, np.nan),
        "open": np.zeros((value.size, 2), dtype=bool),
    }


def _open_sides(parts: Parts, least: float, most: float) -> None:
    """Where a limit was not found the parameter is told as a bound only."""
    below = parts["ci_lower"] <= least
    above = parts["ci_upper"] >= most
    parts["open"] = np.column_stack([below, above])
    either = below | above
    parts["estimate"] = np.where(either, np.nan, parts["estimate"])
    parts["stderr"] = np.where(either, np.nan, parts["stderr"])


def _add_biot(
    frame: dict[str, Parts],
    out: dict[str, np.ndarray],
    fitted: np.ndarray,
    asked: bool,
    quantile: np.ndarray,
) -> None:
    k = out["u"].shape[1]
    value = np.exp(out["u"][:, 1])
    sd = np.sqrt(np.maximum(out["cov"][:, 1, 1], 0))
    low, high = out["ends"][:, 1, 0], out["ends"][:, 1, 1]
    if not asked:
        low, high = out["u"][:, 1] - quantile * sd, out["u"][:, 1] + quantile * sd
    with np.errstate(over="ignore"):  # an open side is exp of a large number: infinity
        biot = _parts(value, value * sd, np.exp(low), np.exp(high), fitted)
    if asked:
        _open_sides(biot, 0.0, np.inf)
        only_surface, only_inside = biot["open"][:, 0], biot["open"][:, 1]
        d, s = frame["diffusivity_m2_s"], frame["surface_m_s"]
        # a small Biot number: any larger diffusivity would do; a large one: any better surface
        d["ci_upper"] = np.where(only_surface, np.inf, d["ci_upper"])
        s["ci_upper"] = np.where(only_inside, np.inf, s["ci_upper"])
        _open_sides(d, 0.0, np.inf)
        _open_sides(s, 0.0, np.inf)
    assert k >= 2
    frame["biot"] = biot


def _enveloped(
    setup: Setup,
    out: dict[str, np.ndarray],
    name: str,
    value: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    curved: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Limits along the profiles of the nonlinear parameters, where the surface is curved."""
    derived = out["derived"]
    if setup.design == FREE:
        if name != "oven_dry_g":
            return low, high
        share = 1 + setup.equilibrium_pct / 100
        spread = 2 * setup.equilibrium_sd_pct / (100 + setup.equilibrium_pct)
        with np.errstate(invalid="ignore", divide="ignore"):
            below = np.hypot(np.log(np.maximum(derived[:, 1, 0], 1e-9) / share / value), spread)
            above = np.hypot(np.log(np.maximum(derived[:, 2, 0], 1e-9) / share / value), spread)
            return (
                np.where(curved, value * np.exp(-below), low),
                np.where(curved, value * np.exp(above), high),
            )
    row = 0 if name == "oven_dry_g" else 1
    return (
        np.where(curved, np.fmin(derived[:, 1, row], low), low),
        np.where(curved, np.fmax(derived[:, 2, row], high), high),
    )
