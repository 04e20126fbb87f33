"""What a season's weighings say of each seal, piece by piece and pooled.

All pieces are fitted at once (`woodlab.drying.posterior`): diffusivity by species, surface
coefficient by seal, with effects of the log and of the piece on both. The prior of every seal is
the same and wide, so that a difference between seals comes from the weighings alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying import pool_kernels
from woodlab.drying.air_to_come import air_to_come
from woodlab.drying.modes import DailyAir
from woodlab.drying.pool_model import (
    POOLED_LAWS,
    PoolData,
    PooledLaw,
    Priors,
    pack,
    running_sums,
)
from woodlab.drying.posterior import Posterior, sample
from woodlab.drying.season_mode import (
    Mode,
    evaluate,
    find_mode,
    kernel_params,
    noise_root,
    run_curves,
)
from woodlab.drying.slab import run_slab
from woodlab.errors import WoodlabError

LAWS = ("slab", "open_slab", "film")
DRAWS = 300
SETS = 20  # draws of each piece's own parameters that are analysed as if known
# Without a target: so many points above the mean of the air log, where the day is still sharp.
ABOVE_AIR_PCT = 4.0
TARGET_WITHOUT_AIR_PCT = 16.0
FAITHFUL_PCT = 0.1  # lasting departure from a law that needs no other law to be tried
HORIZON_DAYS = 900
UNSURE = 0.02  # of ln oven-dry mass: above it the day is given as a span
_PRIORS = replace(
    Priors(), ln_surface_bare=float(np.log(1e-8)), ln_surface_sealed=float(np.log(1e-8)),
    ln_surface_sd=2.5,
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class SealCurves:
    """The pooled season.

    Attributes
    ----------
    posterior : Posterior
    target_pct : float
    course : DataFrame
        `piece`, `days` (since turning), `moisture_pct`: the fitted curve carried through the
        weighings, a row a day.
    times : DataFrame
        `piece`, `lower`, `upper`: natural logarithms of the days to the target, equal where the
        day is known; `upper` infinite where it had not been reached; NaN with a `reason` where
        nothing can be said. `day_unclear`: whether the piece may have reached the target, but what
        it weighs dry is not known closely enough to tell the day. `early_loss`: see `_early_loss`.
    time_sets : ndarray, (sets, n_pieces)
        Draws of ln days to the target; see `time_sets`.
    """

    posterior: Posterior
    target_pct: float
    course: pd.DataFrame
    times: pd.DataFrame
    time_sets: np.ndarray


def seal_curves(book: RecordBook, target_pct: float | None, seed: int) -> SealCurves:
    """Fit the season and read each piece's days to the target off its own weighings."""
    book.need("weighings", "to see how fast each piece dries")
    data = pack(book)
    if not (data.counts >= 3).any():
        raise WoodlabError("no piece has three weighings yet, so no drying can be compared.")
    law, mode = best_fit(data, seed)
    posterior = sample(data, law, draws=DRAWS, seed=seed, priors=_PRIORS, start=mode, exact=False)
    target = target_pct if target_pct is not None else usual_target(data)
    course = _courses(posterior)
    times = _times(posterior, course, target)
    sets = time_sets(book, posterior, times, target, seed)
    return SealCurves(posterior, target, course, times, sets)


def time_sets(
    book: RecordBook, posterior: Posterior, times: pd.DataFrame, target_pct: float, seed: int
) -> np.ndarray:
    """Draws of ln days to the target, (SETS, n_pieces): known days as they are, others drawn.

    A piece that has not reached the target is run on, along the draws of its own pooled curve and
    of the air to come, and kept to what its weighings say: so long at least.
    """
    low, high = times["lower"].to_numpy(), times["upper"].to_numpy()
    sets = np.tile(np.where(low == high, low, np.nan), (SETS, 1))
    late = np.flatnonzero((low != high) & times["lower"].notna().to_numpy())
    if not late.size:
        return sets
    found = _run_on(book, posterior, late, target_pct, seed)
    rng = np.random.default_rng(seed)
    for k, i in enumerate(late):
        inside = (found[:, k] >= low[i]) & (found[:, k] <= high[i])
        own = found[inside, k]
        bound = low[i] if np.isfinite(low[i]) else high[i]
        # where a draw disagrees with the weighings, another draw of the same piece stands in
        other = rng.choice(own, SETS) if own.size else np.full(SETS, bound)
        sets[:, i] = np.where(inside, found[:, k], other)
    return sets


def _run_on(
    book: RecordBook, posterior: Posterior, late: np.ndarray, target_pct: float, seed: int
) -> np.ndarray:
    """ln of the first day at the target, (SETS, late), one draw of the air for all in each."""
    data = posterior.data
    logged = np.diff(data.sums[:, pool_kernels.MOIST], axis=1)
    past = logged.shape[1]
    if data.has_air:
        past = min(int((data.log_end - data.first_day) / np.timedelta64(1, "D")) + 1, past)
    after = data.first_day + np.timedelta64(past - 1, "D")
    ahead = HORIZON_DAYS + int(data.start[late].max())
    air = air_to_come(book.air, after, ahead, draws=SETS, seed=seed + 1).equilibrium_pct
    place = data.place[late] if air.shape[1] == len(logged) else np.zeros(late.size, dtype=int)
    some = replace(
        data, days=np.tile(np.arange(HORIZON_DAYS + 1.0), (late.size, 1)),
        counts=np.full(late.size, HORIZON_DAYS + 1), half_m=data.half_m[late], place=place,
        start=data.start[late], pieces=data.pieces.iloc[late],
    )  # fmt: skip
    out = np.empty((SETS, late.size))
    for j, draw in enumerate(_picked(posterior, SETS)[np.arange(SETS) % posterior.params.shape[1]]):
        course = np.concatenate([logged[: air.shape[1], :past], air[j]], axis=1)
        sums = running_sums(course, np.zeros(course.shape))
        params = np.ascontiguousarray(posterior.params[late, draw])
        curves = run_curves(replace(some, sums=sums), posterior.law, params)
        for k, curve in enumerate(curves):
            at = passage(some.days[k], curve, target_pct, 0.0)
            out[j, k] = at[0] if np.isfinite(at[0]) else at[1]
    return out


def usual_target(data: PoolData) -> float:
    """Moisture [%] to which days are counted unless one is given; a whole number."""
    if not data.has_air:
        return TARGET_WITHOUT_AIR_PCT
    mean = np.diff(data.sums[:, pool_kernels.MOIST], axis=1).mean()
    return float(np.round(mean + ABOVE_AIR_PCT))


def best_fit(data: PoolData, seed: int) -> tuple[PooledLaw, Mode]:
    """The law whose curves the weighings bear out best, and its best fit.

    The slab comes first; the others are tried where it leaves a lasting departure.
    """
    best, found = -np.inf, None
    for name in LAWS:
        law = POOLED_LAWS[name]
        mode, layout = find_mode(data, law, _PRIORS, np.random.default_rng(seed), None)
        _, residual, _ = evaluate(data, law, layout, mode)
        root = noise_root(data, np.exp(mode.ln_dry), mode.slip_g, mode.drift_pct, mode.weight)
        white = np.einsum("nij,nj->ni", root, residual)
        fit = np.log(np.diagonal(root, axis1=1, axis2=2)).sum() - 0.5 * float((white**2).sum())
        if fit > best:
            best, found = fit, (law, mode)
        if mode.drift_pct <= FAITHFUL_PCT:
            break
    assert found is not None
    return found


def _courses(posterior: Posterior) -> pd.DataFrame:
    data, mode = posterior.data, posterior.mode
    ends = np.take_along_axis(data.days, np.maximum(data.counts - 1, 0)[:, None], axis=1)[:, 0]
    last = np.where(data.counts > 0, ends, 0.0)
    whole = np.floor(last).astype(int)
    grid = np.tile(np.arange(int(whole.max(initial=0)) + 1, dtype=float), (data.n, 1))
    common = np.tile(mode.common, (data.n, 1))
    params = kernel_params(posterior.law, posterior.layout, mode.u, common)
    daily = replace(data, days=grid, counts=whole + 1)
    curve = run_curves(daily, posterior.law, params)
    dry = np.exp(mode.ln_dry)
    rows = []
    for i in range(data.n):
        count = data.counts[i]
        if count == 0:
            continue
        days = data.days[i, :count]
        seen = 100 * (data.net_g[i, :count] / dry[i] - 1)
        good = (mode.weight[i, :count] > 0.3) & ~data.suspect[i, :count]
        first_step = min((j for piece, j, _ in data.steps if piece == i), default=count)
        good &= np.arange(count) < first_step  # after an event the mass is no more that of wood
        here = curve[i, : whole[i] + 1]
        off = seen[good] - np.interp(days[good], grid[0, : whole[i] + 1], here)
        shift = np.interp(grid[0, : whole[i] + 1], days[good], off) if good.any() else 0.0
        name = data.pieces["piece"].iloc[i]
        rows.append(
            pd.DataFrame(
                {"piece": name, "days": grid[0, : whole[i] + 1], "moisture_pct": here + shift}
            )
        )
    if not rows:
        return pd.DataFrame(columns=["piece", "days", "moisture_pct"])
    return pd.concat(rows, ignore_index=True)


def _times(posterior: Posterior, course: pd.DataFrame, target: float) -> pd.DataFrame:
    data = posterior.data
    spread = posterior.ln_dry.std(axis=1)
    of = {name: part for name, part in course.groupby("piece", sort=False)}
    rows = []
    for i, name in enumerate(data.pieces["piece"]):
        row = {
            "piece": name, "lower": np.nan, "upper": np.nan, "early_loss": np.nan,
            "day_unclear": False, "reason": "",
        }  # fmt: skip
        part = of.get(name)
        if part is None or data.counts[i] < 3:
            row["reason"] = f"{data.counts[i]} weighings; at least 3 are wanted"
            rows.append(row)
            continue
        days = part["days"].to_numpy()
        moisture = part["moisture_pct"].to_numpy()
        first = max(float(data.days[i, 0]), 0.0)
        row["lower"], row["upper"] = passage(days, moisture, target, first)
        if spread[i] > UNSURE and np.isfinite([row["lower"], row["upper"]]).all():
            wider = 1.5 * spread[i] * (100 + target)
            row["lower"] = passage(days, moisture - wider, target, first)[0]
            row["upper"] = passage(days, moisture + wider, target, first)[1]
            row["day_unclear"] = row["lower"] < row["upper"]
        row["early_loss"] = _early_loss(data, i, spread[i], posterior.mode.ln_dry[i])
        rows.append(row)
    return pd.DataFrame(rows)


def passage(
    days: np.ndarray, moisture_pct: np.ndarray, target_pct: float, first_day: float
) -> tuple[float, float]:
    """Logarithms of the days between which a course first came down to the target.

    Examples
    --------
    >>> low, high = passage(np.arange(4.0), np.array([40.0, 30.0, 20.0, 15.0]), 25.0, 0.0)
    >>> round(float(np.exp(low)), 2), low == high
    (1.5, True)
    """
    below = np.flatnonzero(moisture_pct <= target_pct)
    if below.size == 0:
        return float(np.log(max(days[-1], 1.0))), np.inf
    at = int(below[0])
    if at == 0 or days[at] <= first_day:
        return -np.inf, float(np.log(max(first_day, 1.0)))
    drop = moisture_pct[at - 1] - moisture_pct[at]
    part = (moisture_pct[at - 1] - target_pct) / drop if drop > 0 else 1.0
    when = float(np.log(max(days[at - 1] + part * (days[at] - days[at - 1]), 0.5)))
    return when, when


def _early_loss(data: PoolData, i: int, spread: float, ln_dry: float) -> float:
    """ln of the mass lost per day over about the first month, per mass and thickness of wall.

    It needs no law and no seal to be reckoned, so the randomisation test may rest on it.
    """
    count = data.counts[i]
    days, net = data.days[i, :count], data.net_g[i, :count]
    good = ~data.suspect[i, :count]
    days, net = days[good], net[good]
    early = (days <= 35) & (days > days[0] if days.size else False)
    if not early.any():
        return np.nan
    last = int(np.flatnonzero(early)[-1])
    lost = (net[0] - net[last]) / net[0] / (days[last] - days[0])
    return float(np.log(lost * 2000 * data.half_m[i])) if lost > 0 else np.nan


def surface_sets(posterior: Posterior, sets: int = SETS) -> np.ndarray:
    """Draws of ln surface coefficient [m/s] of each piece, (sets, n_pieces)."""
    return posterior.params[:, _picked(posterior, sets), pool_kernels.LN_S].T


def difference_sets(posterior: Posterior, sets: int = SETS) -> np.ndarray:
    """Draws of ln of the largest core-to-surface difference [%] of each piece, (sets, n_pieces).

    Each in the air that it stood in, from its turning to the end of the records.
    """
    data = posterior.data
    params = posterior.params[:, _picked(posterior, sets)]
    many = params.shape[1]

    def flat(at: int) -> np.ndarray:
        return params[:, :, at].ravel()

    courses = np.diff(data.sums[:, pool_kernels.MOIST], axis=1)
    last = np.repeat(np.maximum(courses.shape[1] - 1 - data.start, 1.0), many)
    days = np.linspace(0.0, 1.0, 30)[None, :] * last[:, None]
    air = DailyAir(courses, np.repeat(data.start, many), np.repeat(data.place, many))
    values = {
        "diffusivity_m2_s": np.exp(flat(pool_kernels.LN_D)),
        "surface_m_s": np.exp(flat(pool_kernels.LN_S)),
        "start_moisture_pct": np.exp(flat(pool_kernels.LN_START)),
        "rise_per_pct": flat(pool_kernels.RISE),
        "fibre_saturation_pct": flat(pool_kernels.SATURATION),
    }
    run = run_slab(days, values, np.repeat(2000 * data.half_m, many), air, cap=posterior.law.capped)
    largest = run.largest_difference_pct.reshape(data.n, many).T
    return np.log(np.maximum(largest, 1e-3))


def _picked(posterior: Posterior, sets: int) -> np.ndarray:
    """Draws far apart along the chain."""
    count = posterior.params.shape[1]
    return np.unique(np.linspace(0, count - 1, min(sets, count)).astype(int))
