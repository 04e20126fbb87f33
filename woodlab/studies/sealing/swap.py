"""The one fit run under another seal: the same pieces this season, new ones in one to come.

In a draw of the fit a piece's law has ln parameters u; where they differ by seal, the draw has an
effect beta for each. Under another seal the piece keeps what is its own (wood, log, wall, the
scatter of its own coating) and changes that effect:

    u(other) = u(own) + beta(other) - beta(own)

and the wear of seals, if any, begins or ends. A season to come draws new logs and pieces from the
fit's own scatters, new weather, and turns them on the same dates of the year, all up to a month
earlier or later.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, replace

import numpy as np

from woodlab.drying import kernel
from woodlab.drying.estimator.courses import (
    LEAST_PCT,
    MOST_PCT,
    courses_to,
    slope_at,
    yearly_level,
)
from woodlab.drying.estimator.posterior import Posterior
from woodlab.drying.fit.results import DryingFits
from woodlab.drying.forecast.passage import WITHIN_PCT, first_below
from woodlab.drying.future_air import future_air
from woodlab.drying.kernel import running_sums
from woodlab.drying.warmth import warmth
from woodlab.drying.witness_air import store_air

MOST_PIECES, MOST_RUNS = 48, 4800  # of one seal: what a season's fifth of a minute allows
LEAST_DRAWS, MOST_DRAWS = 100, 200
RUN_DAYS = 800
TURNED_DAYS = 30  # a season to come begins so many days earlier or later, at most
GRID = np.r_[np.arange(0.0, 120.0, 2.5), np.arange(120.0, RUN_DAYS + 1.0, 5.0)]
_DAY = np.timedelta64(1, "D")


@dataclass(frozen=True, eq=False)
class Runs:
    """Draws by law of p pieces, the air of each draw, targets [%] (p, d): ready to be run under any
    seal; made by `this_season`, `to_come`."""

    parts: tuple[Posterior, ...]
    sums: tuple[np.ndarray, ...]
    target_pct: np.ndarray

    def days(self, seal: str) -> np.ndarray:
        """Days from turning to the target under a seal, or each piece's `own`, (p, d); `RUN_DAYS`
        where it takes longer."""
        out, every = [], np.arange(len(self.target_pct))
        goals = np.split(self.target_pct, ends_of(self.parts), axis=1)
        for part, air, goal in zip(self.parts, self.sums, goals, strict=True):
            moved = part if seal == "own" else under(part, seal)
            # a few draws over the whole time say how long each piece has to be run
            few = moved.keep(np.arange(0, part.count, 8))
            whole = np.full(len(every), float(RUN_DAYS))
            pilot = _passed(few, air[::8], every, whole, goal[:, ::8])
            until = np.minimum(1.3 * pilot.max(axis=1) + 20, RUN_DAYS)
            days = _passed(moved, air, every, until, goal)
            late = np.flatnonzero(np.isinf(days).any(axis=1) & (until < RUN_DAYS))
            if late.size:
                days[late] = _passed(moved, air, late, whole[late], goal[late])
            out.append(days)
        return np.clip(np.concatenate(out, axis=1), 1.0, RUN_DAYS)


def ends_of(parts: tuple[Posterior, ...]) -> np.ndarray:
    """Where one law's draws end and the next one's begin."""
    out: np.ndarray = np.cumsum([part.count for part in parts])[:-1]
    return out


def _passed(
    part: Posterior, air: np.ndarray, pick: np.ndarray, until: np.ndarray, goal: np.ndarray
) -> np.ndarray:
    """Days to the goal of some pieces, (p, d), each run until its own day; infinity where later."""
    last = GRID[np.searchsorted(GRID, until)]  # a row that is done repeats its last day, at no cost
    rows = np.minimum(GRID[None, : np.searchsorted(GRID, last.max()) + 1], last[:, None])
    level = part.curves(rows, air, pick=pick, grid=kernel.COARSE)
    return first_below(rows, level, goal)


def standard_pieces(fits: DryingFits) -> np.ndarray:
    """The pieces that ratios and weeks are averaged over: all that were weighed twice or more, or
    of a large season as many as time allows, spread over woods and walls: what a seal does to
    drying time depends on these."""
    d = fits.records
    pick = np.flatnonzero((d.here & ~d.is_moisture)[: d.n_pieces].sum(axis=1) >= 2)
    if pick.size <= MOST_PIECES:
        return pick
    order = pick[np.lexsort((d.half_m[pick], d.of_species[pick]))]
    return np.sort(order[np.linspace(0, order.size - 1, MOST_PIECES).round().astype(int)])


def fewer(fits: DryingFits, pick: np.ndarray, most: int | None = None) -> DryingFits:
    """The fits of some pieces, with `most` draws or as many as time allows; draws stay in their
    pairs."""
    most = most or int(np.clip(MOST_RUNS // max(pick.size, 1), LEAST_DRAWS, MOST_DRAWS))
    parts, kept, at = [], [], 0
    for part in fits.parts:
        pairs = part.count // 2
        wanted = int(np.clip(round(most * part.count / fits.n_draws / 2), 1, pairs))
        chosen = np.linspace(0, pairs - 1, wanted).round().astype(int)
        which = (2 * chosen[:, None] + np.arange(2)).ravel()
        kept.append(at + which)
        at += part.count
        parts.append(_of_pieces(part.keep(which), pick))
    keep, air = np.concatenate(kept), fits.air
    air = replace(air, equilibrium_pct=air.equilibrium_pct[keep], temp_c=air.temp_c[keep])
    return replace(fits, parts=tuple(parts), air=air)


def _of_pieces(part: Posterior, pick: np.ndarray) -> Posterior:
    """Draws of some of the pieces."""
    season, system = copy.copy(part.season), part.season.system
    season.d = part.season.d.take(pick)
    season.system = replace(
        system, x=system.x[pick], mid=system.mid[pick], own_sd=system.own_sd[pick],
        of_log=system.of_log[pick],
    )  # fmt: skip
    return part.instead(season, u=part.u[pick], ln_dry=part.ln_dry[pick])


def under(part: Posterior, seal: str) -> Posterior:
    """The same draws of the same pieces, had all of them had this seal from turning on."""
    season, d = copy.copy(part.season), part.season.d
    to, u = list(d.seals).index(seal), part.u.copy()
    names = {effect: i for i, effect in enumerate(season.effects)}
    for j, parameter in enumerate(season.own):
        column = [names.get((f"seal, {parameter.name}", name), -1) for name in d.seals]
        if min(column) >= 0:
            effect = part.beta[:, column]
            u[..., j] += effect[:, to][None] - effect[:, d.of_seal].T
    same = d.of_seal == to
    season.d = replace(d, of_seal=np.full(d.n, to), sealed_at=np.where(same, d.sealed_at, 0.0))
    return part.instead(season, u=u)


def this_season(fits: DryingFits, target_pct: float | None) -> Runs:
    """These pieces (fits of `fewer`) in the air that they had, and from now on in that drawn for
    each draw; `target_pct` None: two points above the equilibrium of the year to come."""
    day, shelf = np.datetime64(fits.as_of, "D"), fits.records.shelf
    last = shelf.first_day + (int(shelf.start.max(initial=0)) + RUN_DAYS + 2) * _DAY
    target = yearly_level(fits, day + _DAY) + WITHIN_PCT
    if target_pct is not None:
        target = np.full(target.shape, target_pct)
    return Runs(fits.parts, tuple(courses_to(fits, last)), target)


def to_come(fits: DryingFits, target_pct: float | None, seed: int) -> Runs:
    """Pieces like these, of new logs, in another year, for each draw one; the bias of the air's log
    and the offset of the wood stay those of the draw, since shop and woods stay the same."""
    rng = np.random.default_rng([seed, 19])
    shelf, day = fits.records.shelf, np.datetime64(fits.as_of, "D")
    after = min(day, shelf.log_end) if shelf.has_air else day
    begin = shelf.first_day + int(shelf.start.min(initial=0)) * _DAY
    years = int(np.ceil(((day + (TURNED_DAYS + 1) * _DAY) - begin) / _DAY / 365.25))
    ahead = int((begin - after) / _DAY + round(365.25 * max(years, 1))) - 1
    spread = int(np.ceil(np.ptp(shelf.start))) if shelf.start.size else 0
    length = spread + RUN_DAYS + 2
    drawn = future_air(store_air(fits.book), after, ahead + TURNED_DAYS + length + 1,
                       draws=fits.n_draws, seed=seed + 7)  # fmt: skip
    moved = ahead + rng.integers(-TURNED_DAYS, TURNED_DAYS + 1, fits.n_draws)
    window = moved[:, None] + np.arange(length)
    level = np.take_along_axis(drawn.equilibrium_pct, window[:, None], axis=2)
    warm = np.take_along_axis(warmth(drawn.temp_c), window[:, None], axis=2)
    place, ends = shelf.place_of[:, -1], ends_of(fits.parts)
    parts, sums, targets = [], [], []
    for part, own, heat in zip(
        fits.parts, np.split(level, ends), np.split(warm, ends), strict=True
    ):
        new, bias = _new_pieces(part, rng), part.bias()[..., None]
        here = np.clip(own - bias * slope_at(shelf, own), LEAST_PCT, MOST_PCT)
        heat = heat if shelf.has_air else np.zeros(here.shape)
        yearly = here[:, :, :365].mean(axis=2)[:, place[shelf.history]].T
        parts.append(new)
        sums.append(running_sums(here[:, place], heat[:, place]))
        targets.append(yearly + new.shift_pct() + WITHIN_PCT)
    target = np.concatenate(targets, axis=1)
    if target_pct is not None:
        target = np.full(target.shape, target_pct)
    return Runs(tuple(parts), tuple(sums), target)


def _new_pieces(part: Posterior, rng: np.random.Generator) -> Posterior:
    """Draws of pieces of new logs: the same walls and woods, their own numbers drawn anew."""
    season, system = copy.copy(part.season), part.season.system
    d, q, count = season.d, system.q, part.count
    _, of_log = np.unique(system.of_log, return_inverse=True)
    exists = np.array([c is not None for c in system.components.log])
    log_sd = np.where(exists, part.sds[:, :q], 0.0)
    logs = log_sd * rng.standard_normal((int(of_log.max(initial=0)) + 1, count, q))
    own_sd = np.hypot(part.sds[:, q : 2 * q], system.own_sd[:, None, :])
    own = own_sd * rng.standard_normal((d.n, count, q))
    u = system.mid[:, None] + np.einsum("nqe,de->ndq", system.x[:, :q], part.beta)
    start = d.shelf.start - np.floor(d.shelf.start.min(initial=0))
    season.d = replace(d, shelf=replace(d.shelf, start=start), sealed_at=np.zeros(d.n))
    return part.instead(season, u=u + logs[of_log] + own)
