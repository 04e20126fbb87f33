"""From the compiled fit's numbers to statuses, reasons and the frames of `DryingFits`."""

from __future__ import annotations

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying.intervals import interval_frame
from woodlab.drying.reasons import reasons
from woodlab.drying.results import DryingFits
from woodlab.drying.setup import AIR, FREE, START, Setup, lightest, working_names

SLOWEST = 4.0 / np.pi**2
SECONDS = 86400.0
LEAST_WEIGHINGS = 3
LEAST_CHANGE = 0.005  # of the first mass: below it there is no drying to fit
OPEN_END = 0.10  # relative error of the mass at the end above which it counts as not shown


def needed(setup: Setup) -> np.ndarray:
    """Weighings that a piece needs for this law: its unknowns, less what is known of the start."""
    linear = 1 if setup.design == START else 2
    unknown = setup.task["grid"].shape[1] + linear + np.diff(setup.rows.step_ptr)
    return np.maximum(unknown - (setup.task["options"][:, 4] > 0), LEAST_WEIGHINGS)


def first_verdict(setup: Setup) -> tuple[np.ndarray, pd.DataFrame]:
    """Which pieces can be fitted (their numbers), and `status`, `reason` of the others."""
    rows = setup.rows
    count = rows.ptr.size - 1
    need, have = needed(setup), rows.counts
    status = np.full(count, "ok", dtype=object)
    reason = np.full(count, "", dtype=object)
    few = have < need
    for p in np.flatnonzero(few):
        early = f" ({rows.n_early[p]} before it was turned are not used)" if rows.n_early[p] else ""
        status[p] = "too_few"
        reason[p] = (
            f"{have[p]} weighing{'' if have[p] == 1 else 's'}{early}; "
            f"the law {setup.law.name} needs at least {need[p]}"
        )
    for p in np.flatnonzero(rows.too_many_steps):
        status[p], reason[p] = "failed", "more than five events that change the mass"
    some = np.flatnonzero(have > 0)
    if some.size:
        starts = rows.ptr[:-1][some]
        swing = np.maximum.reduceat(rows.mass_g, starts) - np.minimum.reduceat(rows.mass_g, starts)
        flat = swing < np.maximum(LEAST_CHANGE * rows.mass_g[starts], 3 * rows.resolution_g[some])
        for p in some[flat & (status[some] == "ok")]:
            mine = rows.mass_g[rows.ptr[p] : rows.ptr[p + 1]]
            status[p] = "failed"
            reason[p] = f"the mass changes by {np.ptp(mine):.3g} g only: no drying to fit"
        if setup.design == FREE:
            ends = rows.ptr[1:][some] - 1
            rises = (rows.mass_g[ends] > rows.mass_g[starts]) & (np.diff(rows.step_ptr)[some] == 0)
            for p in some[rises & (status[some] == "ok")]:
                status[p] = "failed"
                reason[p] = "the mass rises from the first weighing to the last: no drying to fit"
    return np.flatnonzero(status == "ok"), pd.DataFrame({"status": status, "reason": reason})


def undetermined(setup: Setup, out: dict[str, np.ndarray], wanted: np.ndarray) -> np.ndarray:
    """Of the wanted pieces, those whose weighings do not show the mass at the end."""
    k = out["u"].shape[1]
    end = out["c"][wanted, 0]
    sd = np.sqrt(np.maximum(out["cov"][wanted, k, k], 0))
    with np.errstate(invalid="ignore", divide="ignore"):
        unsure = ~(sd / end <= OPEN_END) | (end <= 0)
    unsure |= out["result"][wanted, 4] != 0
    return unsure | (out["u"][wanted, 0] >= setup.task["upper"][wanted, 0] - 1e-9)


def _working(setup: Setup, out: dict[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Mean (n, p) and covariance (n, p, p) of ln parameters, ln dry mass, start, equilibrium."""
    u, c, cov = out["u"], out["c"], out["cov"]
    n, k = u.shape
    law, half = setup.law.name, setup.task["options"][:, 0]
    names = working_names(setup)
    own = len(names) - 3
    mean = np.full((n, len(names)), np.nan)
    slope = np.zeros((n, len(names), k + 3))  # by u, c0, c1, equilibrium
    for i in range(own):
        slope[:, i, i] = 1.0
    mean[:, :own] = u[:, :own]
    if law == "two_term":
        mean[:, 0], mean[:, 1] = u[:, 0] - u[:, 1], u[:, 0]
        slope[:, 0, :2], slope[:, 1, :2] = [1.0, -1.0], [1.0, 0.0]
    elif law in ("film", "slab"):
        inverse = np.exp(-u[:, 1])
        mean[:, 0] = np.log(half**2 / SECONDS * (inverse + SLOWEST)) - u[:, 0]
        mean[:, 1] = mean[:, 0] + u[:, 1] - np.log(half)
        falls = -inverse / (inverse + SLOWEST)
        slope[:, 0, 0], slope[:, 0, 1] = -1.0, falls
        slope[:, 1, 0], slope[:, 1, 1] = -1.0, 1.0 + falls
    level = setup.equilibrium_pct
    mean[:, own + 2] = np.nan_to_num(level)  # NaN under an air log, where no single level counts
    slope[:, own + 2, k + 2] = 1.0
    with np.errstate(invalid="ignore", divide="ignore"):
        if setup.design == FREE:
            share = 1 + level / 100
            dry = c[:, 0] / share
            total = (c[:, 0] + c[:, 1]) / c[:, 0]
            mean[:, own + 1] = 100 * (total * share - 1)
            slope[:, own + 1, k] = -100 * share * c[:, 1] / c[:, 0] ** 2
            slope[:, own + 1, k + 1] = 100 * share / c[:, 0]
            slope[:, own + 1, k + 2] = total
            slope[:, own, k + 2] = -1 / (100 + level)
        else:
            dry = c[:, 0]
            if setup.design == AIR:
                mean[:, own + 1] = 100 * c[:, 1] / dry
                slope[:, own + 1, k] = -100 * c[:, 1] / dry**2
                slope[:, own + 1, k + 1] = 100 / dry
            else:
                mean[:, own + 1] = np.exp(u[:, -1])
                slope[:, own + 1, k - 1] = np.exp(u[:, -1])
        mean[:, own] = np.log(np.maximum(dry, 1e-12))
        slope[:, own, k] = 1 / c[:, 0]
    base = np.zeros((n, k + 3, k + 3))
    base[:, : k + 2, : k + 2] = cov[:, : k + 2, : k + 2]
    if setup.design == START:
        base[:, k + 1, :] = 0.0
        base[:, :, k + 1] = 0.0
    base[:, k + 2, k + 2] = setup.equilibrium_sd_pct**2
    pinned = np.nan_to_num(out["result"][:, 4]) != 0
    if pinned.any():
        # Held at a bound: as wide as from there to the lightest mass, the start's mass kept.
        room = np.abs(setup.task["options"][pinned, 1] - _light(setup)[pinned]) / np.sqrt(12)
        base[pinned, k, k] += room**2
        if setup.design != START:
            base[pinned, k + 1, k + 1] += room**2
            base[pinned, k, k + 1] -= room**2
            base[pinned, k + 1, k] -= room**2
    return mean, slope @ base @ np.swapaxes(slope, 1, 2)


def _light(setup: Setup) -> np.ndarray:
    return np.where(np.isfinite(lightest(setup.rows)), lightest(setup.rows), 0.0)


def tempered(cov: np.ndarray, own: int, sd: float = 2.0) -> np.ndarray:
    """Covariance with each of the first `own` logs no wider than a factor of about e^sd."""
    pick = cov[:, :, :own]
    inner = pick[:, :own, :] + sd**2 * np.eye(own)
    gain = np.linalg.solve(inner, np.swapaxes(pick, 1, 2))
    return cov - pick @ gain


def assemble(
    book: RecordBook,
    setup: Setup,
    out: dict[str, np.ndarray],
    verdict: pd.DataFrame,
    lent: np.ndarray,
) -> DryingFits:
    """The frames of a batch fit."""
    names = working_names(setup)
    own = len(names) - 3
    mean, cov = _working(setup, out)
    result = out["result"]
    verdict = verdict.copy()
    tried = (verdict["status"] == "ok").to_numpy()
    good = np.isfinite(mean).all(axis=1) & np.isfinite(cov).all(axis=(1, 2)) & (out["c"][:, 0] > 0)
    if setup.design == FREE:
        good &= out["c"][:, 1] > 0
    failed = tried & ~good
    for p in np.flatnonzero(failed):
        rises = setup.design == FREE and out["c"][p, 1] <= 0
        verdict.loc[p, "status"] = "failed"
        verdict.loc[p, "reason"] = (
            "the mass rises, so there is no drying to fit" if rises
            else "no oven-dry mass above zero fits these weighings"
        )  # fmt: skip
    fitted = tried & good & ~_impossible(setup, out, np.exp(mean[:, own]), tried & good, verdict)
    cov[fitted] = tempered(cov[fitted], own) if own else cov[fitted]
    frame = interval_frame(setup, out, mean, cov, fitted)
    verdict = reasons(setup, out, frame, verdict, fitted, lent)
    mean[~fitted], cov[~fitted] = np.nan, np.nan
    pieces = _pieces(book, setup, out, frame, verdict, fitted, lent)
    weights = out["w"]
    weights[~np.repeat(fitted, setup.rows.counts)] = 0.0
    return DryingFits(
        law=setup.law.name,
        pieces=pieces,
        names=names,
        mean=mean,
        cov=cov,
        book=book,
        rows=setup.rows,
        used=weights > 0,
        sigma_g=np.where(fitted, result[:, 1], np.nan),
        dof=np.where(fitted, result[:, 2], np.nan),
        fixed=setup.fixed,
        course=setup.course,
        equilibrium_pct=setup.equilibrium_pct,
        step_g=_steps(setup, out, fitted),
        intervals=frame,
    )


def _impossible(
    setup: Setup, out: dict[str, np.ndarray], dry_g: np.ndarray, fitted: np.ndarray,
    verdict: pd.DataFrame,
) -> np.ndarray:  # fmt: skip
    """Pieces whose weighings go on below the oven-dry mass: wood cannot; the verdict says so.

    Asked only of pieces without an event, since the steps of events are not weighings of wood.
    """
    rows = setup.rows
    mass = np.where(out["w"] > 0, rows.mass_g, np.inf)
    lightest = np.full(fitted.size, np.inf)
    some = rows.counts > 0
    if some.any():
        lightest[some] = np.minimum.reduceat(mass, rows.ptr[:-1][some])
    room = np.maximum(0.02 * dry_g, 3 * rows.resolution_g)
    wrong = fitted & (np.diff(rows.step_ptr) == 0) & (lightest < dry_g - room)
    for p in np.flatnonzero(wrong):
        verdict.loc[p, "status"] = "failed"
        verdict.loc[p, "reason"] = (
            f"the weighings fall to {lightest[p]:.4g} g, below the oven-dry mass of about "
            f"{dry_g[p]:.4g} g that the {setup.known['rests_on'].iloc[p]} allow: look for a wrong "
            "offcut, a wrong weighing or an event that is missing, such as `trimmed`"
        )
    return wrong


def _steps(setup: Setup, out: dict[str, np.ndarray], fitted: np.ndarray) -> np.ndarray:
    """Step [g] and its standard error of each event, (events, 2)."""
    rows = setup.rows
    count = len(rows.steps)
    if count == 0:
        return np.zeros((0, 2))
    owner = np.repeat(np.arange(fitted.size), np.diff(rows.step_ptr))
    linear = (1 if setup.design == START else 2) + np.arange(count) - rows.step_ptr[owner]
    k = out["u"].shape[1]
    step = out["c"][owner, linear]
    sd = np.sqrt(np.maximum(out["cov"][owner, k + linear, k + linear], 0))
    return np.where(fitted[owner][:, None], np.column_stack([step, sd]), np.nan)


def _pieces(
    book: RecordBook,
    setup: Setup,
    out: dict[str, np.ndarray],
    frame: dict[str, dict[str, np.ndarray]],
    verdict: pd.DataFrame,
    fitted: np.ndarray,
    lent: np.ndarray,
) -> pd.DataFrame:
    result = out["result"]
    used = np.where(fitted, result[:, 5], 0).astype(int)
    columns: dict[str, object] = {
        "piece": book.pieces["piece"].to_numpy(),
        "law": np.full(fitted.size, setup.law.name, dtype=object),
        "status": verdict["status"].to_numpy(),
        "reason": verdict["reason"].to_numpy(),
        "n_used": used,
        "n_set_aside": np.where(fitted, setup.rows.counts - used, 0).astype(int),
    }
    for name, parts in frame.items():
        columns[name] = parts["estimate"]
    k = out["u"].shape[1] + (1 if setup.design == START else 2)
    sse = result[:, 0]
    with np.errstate(invalid="ignore", divide="ignore"):
        columns["rmse_g"] = np.where(fitted, np.sqrt(sse / used), np.nan)
        columns["error_g"] = np.where(fitted, result[:, 1], np.nan)
        floor = (setup.rows.resolution_g**2 / 12) * used
        # one more unknown, the error; weighings finer than the scale say nothing
        unknown = k + np.diff(setup.rows.step_ptr) + 1
        aicc = used * np.log(np.maximum(sse, floor) / used) + 2 * unknown
        aicc = aicc + 2 * unknown * (unknown + 1) / (used - unknown - 1)
    columns["aicc"] = np.where(fitted & (used > unknown + 1), aicc, np.nan)
    source = setup.known["rests_on"].to_numpy(dtype=object)
    leaned = (setup.task["options"][:, 4] > 0) & fitted
    columns["oven_dry_from"] = np.where(
        ~fitted, "", np.where(leaned, "weighings and " + source, "weighings")
    )
    if setup.course is not None:
        days = book.weighings["on"]
        last = days.max() if len(days) else book.pieces["turned_on"].max()
        columns["air_from"] = setup.course.source(
            book.pieces["turned_on"], book.pieces["place"], last
        )
    else:
        assumed = setup.equilibrium_sd_pct > 0
        columns["air_from"] = np.where(assumed, "assumed", "given")
    return pd.DataFrame(columns)
