"""Single pieces under a linear law, all at once (`woodlab.drying.linear`), as a `Posterior`.

The estimates are turned into draws of a normal approximation in the working parameters, so that
whatever reads fits (moisture, dates, charts) reads these in the same way.
"""

from __future__ import annotations

from functools import partial

import numpy as np

from woodlab.drying.estimator.mode import Mode
from woodlab.drying.estimator.posterior import Draws, Posterior, possible
from woodlab.drying.estimator.season import Season
from woodlab.drying.fit.records import Records
from woodlab.drying.laws import Law
from woodlab.drying.linear import LinearFits, Pieces, fit_linear

MOST_START_PCT = 300.0  # all pores filled in light wood: a wide guard
LOG_OFFCUT_SD, OWN_OFFCUT_SD = 0.08, 0.04  # of ln moisture; estimates of our own
OPEN_SD = 2.0  # of ln of a parameter that the weighings do not tell
UNKNOWN_SD = 0.5
ALL = slice(None)
CHUNK = 500  # pieces whose draws are made together


def fit_alone(records: Records, law: Law, draws: int, seed: int) -> Posterior:
    """Fit one linear law to every piece by itself."""
    season = Season(records, law, groups=False)
    found = fit_linear(law, pieces_of(records, law, *season.offset_prior()))
    return _posterior(season, found, draws, seed)


def pieces_of(d: Records, law: Law, offset_pct: float, offset_sd: float) -> Pieces:
    """The records as the linear fit takes them."""
    shelf = d.shelf
    daily = shelf.equilibrium_pct[shelf.place_of, np.arange(shelf.place_of.shape[1])] + offset_pct
    which, first = shelf.history, shelf.start.astype(int)
    last = np.take_along_axis(d.days, np.maximum(d.counts - 1, 0)[:, None], axis=1)[:, 0]
    end = np.minimum(np.ceil(shelf.start + np.maximum(last, 1.0)).astype(int), daily.shape[1])
    total = np.pad(daily.cumsum(axis=1), ((0, 0), (1, 0)))
    level = (total[which, end] - total[which, first]) / np.maximum(end - first, 1)
    most = max((sum(q == p for q, *_ in d.steps) for p in {s[0] for s in d.steps}), default=0)
    events, used = np.zeros((d.n, most, d.days.shape[1])), dict.fromkeys(range(d.n), 0)
    for p, first_row, cut, _ in d.steps:
        c = d.counts[p]
        shape = d.mass_g[p, first_row:c] / d.mass_g[p, first_row] if cut else 1.0
        events[p, used[p], first_row:c] = shape
        used[p] += 1
    known = np.isfinite(d.dry_ln)
    ln_start, ln_sd = known_start(d)
    steady = not law.changing_air or not shelf.has_air
    return Pieces(
        days=d.days, mass_g=d.mass_g, weight=d.here & ~d.suspect & ~d.is_moisture,
        half_m=d.half_m, level=level, courses=None if steady else daily, which=which,
        start=shelf.start, events=events, most_start_pct=MOST_START_PCT,
        mean=np.stack([np.where(known, d.dry_ln, 0.0), ln_start, np.zeros(d.n)], 1),
        sd=np.stack([np.where(known, 0.002, np.inf), ln_sd, np.full(d.n, offset_sd)], 1),
        floor_g=np.maximum(np.where(d.here, d.scale_g, 0).max(axis=1), 0.01) / np.sqrt(12),
    )  # fmt: skip


def known_start(d: Records) -> tuple[np.ndarray, np.ndarray]:
    """Mean and sd of ln start moisture by piece: own offcuts, else its log's, else the species."""
    mean, sd = d.green_ln[d.of_species].copy(), d.green_sd[d.of_species].copy()
    sd[sd >= UNKNOWN_SD] = np.inf
    for labels, values, own, each in (
        (d.of_log, d.log_offcuts, False, LOG_OFFCUT_SD),
        (np.arange(d.n), d.own_offcuts, True, OWN_OFFCUT_SD),
    ):
        at, ln = values
        if not at.size:
            continue
        size = int(max(labels.max(), at.max())) + 1
        count = np.bincount(at, minlength=size)
        total = np.bincount(at, weights=ln, minlength=size)
        here = count[labels] > 0
        mean[here] = (total / np.maximum(count, 1))[labels][here]
        spread = each * np.sqrt(1 / np.maximum(count, 1) + (0.0 if own else 0.25))
        sd[here] = spread[labels][here]
    return mean, sd


def _posterior(season: Season, found: LinearFits, draws: int, seed: int) -> Posterior:
    """Draws of the normal approximation; what it is centred on is the mode."""
    sigma = found.sigma_g[np.isfinite(found.sigma_g)]
    mean = _mean(found)
    p = found.u.shape[1]
    mode = Mode(
        u=_local(season, found, mean[:, None])[:, 0], ln_dry=mean[:, p],
        logs=np.zeros((season.system.n_logs, season.system.q)), beta=np.zeros(0),
        sds=season.system.components.start(), slip_g=float(np.median(sigma)) if sigma.size else 1.0,
        drift_pct=0.0, memory_days=30.0, weight=np.where(found.used, 1.0, 1e-8),
        defect=np.zeros(season.d.days.shape), error_dry=mean[:, p],
        away=np.where(found.converged, 0.0, np.inf), converged=bool(found.converged.all()),
    )  # fmt: skip
    return Posterior(season, mode, draws, partial(_draws, season, mode, found, draws, seed))


def _mean(found: LinearFits) -> np.ndarray:
    """Estimates of (u, ln oven-dry mass, ln start moisture), (n, P + 2)."""
    dry, start = np.maximum(found.oven_dry_g, 1e-6), np.maximum(found.start_moisture_pct, 0.1)
    return np.column_stack([found.u, np.log(dry), np.log(start)])


def _local(season: Season, found: LinearFits, of: np.ndarray, at: slice = ALL) -> np.ndarray:
    """Local coordinates of the season, (n, d, q), of (u, ln oven-dry mass, ln start moisture)."""
    law, own = season.law, len(season.own)
    assert law.search is not None
    named = law.search.values(of[..., : found.u.shape[1]], season.d.half_m[at, None])
    out = np.zeros((*of.shape[:2], len(season.local)))
    for j, parameter in enumerate(season.own):
        out[..., j] = parameter.working(named[parameter.name])
    out[..., season.start_at] = np.minimum(of[..., -1], np.log(400.0))
    out[..., own + 1] = (season.system.mid[at, own + 1] + found.air_offset_pct[at])[:, None]
    return out


def _draws(season: Season, mode: Mode, found: LinearFits, draws: int, seed: int) -> Draws:
    mean, p = _mean(found), found.u.shape[1]
    cover = found.covariance.copy()
    start = np.maximum(found.start_moisture_pct, 0.1)
    cover[:, -1] /= start[:, None]
    cover[:, :, -1] /= start[:, None]
    # what the weighings do not tell is as wide as a factor of e^2 to either side, and no wider:
    # its honest statement is the reason in `pieces`
    spread = np.einsum("njj->nj", cover)
    open_ = ~(spread <= OPEN_SD**2)
    cover = np.where(open_[:, :, None] | open_[:, None, :], 0.0, cover)
    np.einsum("njj->nj", cover)[...] += np.where(open_, OPEN_SD**2, 0.0)
    values, vectors = np.linalg.eigh(cover)
    root = vectors * np.sqrt(np.maximum(values, 0))[:, None, :]
    back = np.ascontiguousarray(root.transpose(0, 2, 1))
    rng, n = np.random.default_rng(seed), len(mean)
    u, ln_dry = np.empty((n, draws, mode.u.shape[1])), np.empty((n, draws))
    for begin in range(0, n, CHUNK):
        at = slice(begin, begin + CHUNK)
        z = rng.standard_normal((len(mean[at]), (draws + 1) // 2, p + 2)) @ back[at]
        drawn = np.concatenate([z, -z], axis=1)[:, :draws] + mean[at, None]
        u[at], ln_dry[at] = _local(season, found, drawn, at), drawn[..., p]
    ln_dry = possible(season.d, found.used, ln_dry)
    return Draws(u, ln_dry, np.zeros((draws, 0)), np.tile(mode.sds, (draws, 1)))
