"""Single pieces under a linear law, all at once (`woodlab.drying.linear`), as `DryingFits`.

The estimates are turned into draws of a normal approximation in the working parameters, so that
whatever reads fits (moisture, dates, charts) reads these in the same way.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying.estimator.mode import Mode
from woodlab.drying.estimator.posterior import Posterior
from woodlab.drying.estimator.season import Season
from woodlab.drying.fit.fitting import as_options, assemble
from woodlab.drying.fit.records import Records
from woodlab.drying.fit.results import DryingFits
from woodlab.drying.laws import Law
from woodlab.drying.linear import Course, LinearEstimates, PieceRows, fit_linear
from woodlab.drying.linear.laws import film_numbers
from woodlab.drying.modes import SECONDS_PER_DAY

MOST_START_PCT = 300.0  # all pores filled in light wood: a wide guard
LOG_OFFCUT_SD, OWN_OFFCUT_SD = 0.08, 0.04  # of ln moisture; estimates of our own
OPEN_SD = 2.0  # of ln of a parameter that the weighings do not tell
UNKNOWN_SD = 0.5


def fit_alone(book: RecordBook, records: Records, law: Law, *, draws: int, seed: int) -> DryingFits:
    """Fit one linear law to every piece by itself."""
    season = Season(records, law, groups=False)
    rows = piece_rows(records, law, *season.offset_prior())
    found = fit_linear(law.name, rows)
    part = _posterior(season, found, draws, seed)
    laws = pd.DataFrame(
        {"law": [law.name], "weight": 1.0, "score": np.nan, "error_pct": np.nan, "n_held": 0}
    )
    day = np.datetime64(records.as_of, "D")
    return assemble(book, day, [part], laws, as_options(law.name, False, draws=draws, seed=seed))


def piece_rows(d: Records, law: Law, offset_pct: float, offset_sd: float) -> PieceRows:
    """The records as the linear fit takes them."""
    shelf = d.shelf
    at = np.arange(shelf.place_of.shape[1])
    daily = shelf.equilibrium_pct[shelf.place_of, at] + offset_pct
    start, which = shelf.start, shelf.history
    air: Any = Course(daily)
    if not law.changing_air or not shelf.has_air:
        last = np.take_along_axis(d.days, np.maximum(d.counts - 1, 0)[:, None], axis=1)[:, 0]
        total = np.pad(daily.cumsum(axis=1), ((0, 0), (1, 0)))
        first = start.astype(int)
        end = np.minimum(np.ceil(start + np.maximum(last, 1.0)).astype(int), daily.shape[1])
        air = (total[which, end] - total[which, first]) / np.maximum(end - first, 1)
    most = max((sum(q == p for q, *_ in d.steps) for p in {s[0] for s in d.steps}), default=0)
    events = np.zeros((d.n, most, d.days.shape[1])) if most else None
    used = dict.fromkeys(range(d.n), 0)
    for p, first_row, cut, _ in d.steps:
        c = d.counts[p]
        shape = d.mass_g[p, first_row:c] / d.mass_g[p, first_row] if cut else 1.0
        events[p, used[p], first_row:c] = shape  # type: ignore[index]
        used[p] += 1
    ln_start, ln_sd = known_start(d)
    weight = (d.here & ~d.suspect & ~d.is_moisture).astype(float)
    known = np.isfinite(d.dry_ln)
    return PieceRows(
        d.days, d.mass_g, weight, d.half_m, air, start, which, np.full(d.n, offset_sd), events,
        np.where(known, d.dry_ln, np.nan), np.where(known, 0.002, np.nan), ln_start, ln_sd,
        MOST_START_PCT, np.maximum(np.where(d.here, d.scale_g, 0).max(axis=1), 0.01) / np.sqrt(12),
    )  # fmt: skip


def known_start(d: Records) -> tuple[np.ndarray, np.ndarray]:
    """Mean and sd of ln start moisture by piece: own offcuts, else its log's, else the species."""
    mean, sd = d.green_ln[d.of_species].copy(), d.green_sd[d.of_species].copy()
    nothing = sd >= UNKNOWN_SD
    mean[nothing], sd[nothing] = np.nan, np.nan
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


def _posterior(season: Season, found: LinearEstimates, draws: int, seed: int) -> Posterior:
    d, law = season.d, season.law
    n, p = found.u.shape
    rng = np.random.default_rng(seed)
    mean = np.concatenate(
        [found.u, np.log(np.maximum(found.oven_dry_g, 1e-6))[:, None],
         np.log(np.maximum(found.start_moisture_pct, 0.1))[:, None]], axis=1
    )  # fmt: skip
    cover = found.covariance.copy()
    start = np.maximum(found.start_moisture_pct, 0.1)
    cover[:, -1] /= start[:, None]
    cover[:, :, -1] /= start[:, None]
    # what the weighings do not tell is as wide as a factor of e^2 to either side, and no wider:
    # its honest statement is the reason in `pieces`
    size = p + 2
    open_ = ~np.isfinite(np.einsum("njj->nj", cover)) | (np.einsum("njj->nj", cover) > OPEN_SD**2)
    cover = np.where(np.isfinite(cover), cover, 0.0)
    both = open_[:, :, None] | open_[:, None, :]
    cover = np.where(both, 0.0, cover)
    cover[:, np.arange(size), np.arange(size)] += np.where(open_, OPEN_SD**2, 0.0)
    values, vectors = np.linalg.eigh(cover)
    root = vectors * np.sqrt(np.maximum(values, 0))[:, None, :]
    z = rng.standard_normal((n, (draws + 1) // 2, size))
    z = np.concatenate([z, -z], axis=1)[:, :draws]
    drawn = mean[:, None] + z @ root.transpose(0, 2, 1)
    u = np.zeros((n, draws, len(season.local)))
    u[..., : len(season.own)] = law_parameters(law, drawn[..., :p], d.half_m)
    u[..., season.start_at] = np.minimum(drawn[..., -1], np.log(400.0))
    u[..., season.start_at + 1] = (
        season.system.mid[:, None, season.start_at + 1] + (found.air_offset_pct[:, None])
    )
    at = np.median(u, axis=1)
    at[:, : len(season.own)] = law_parameters(law, found.u[:, None], d.half_m)[:, 0]
    at[:, season.start_at] = mean[:, -1]
    weight = np.where(found.used, 1.0, 1e-8)
    mode = Mode(
        u=at, ln_dry=mean[:, p], logs=np.zeros((season.system.n_logs, season.system.q)),
        beta=np.zeros(0), sds=season.system.components.start(),
        slip_g=float(np.nanmedian(found.sigma_g)) if np.isfinite(found.sigma_g).any() else 1.0,
        drift_pct=0.0, memory_days=30.0, weight=weight, defect=np.zeros(d.days.shape),
        error_dry=mean[:, p],
        away=np.where(found.converged, 0.0, np.inf), converged=bool(found.converged.all()),
    )  # fmt: skip
    none = np.zeros((draws, 0))
    return Posterior(season, mode, u, drawn[..., p], none, np.tile(mode.sds, (draws, 1)))


def law_parameters(law: Law, u: np.ndarray, half_m: np.ndarray) -> np.ndarray:
    """Working values of the law's own parameters, (n, d, .), of those of the linear fit."""
    if law.name == "film":
        n, d, _ = u.shape
        fo, biot, _ = film_numbers(u.reshape(n * d, 2), np.repeat(half_m, d))
        half = half_m[:, None]
        diffusivity = fo.reshape(n, d) * half**2 / SECONDS_PER_DAY
        return np.stack([np.log(diffusivity), np.log(biot.reshape(n, d) * diffusivity / half)], -1)
    if law.name == "two_term":  # ln tau_slow, ln(slow/fast), share -> ln fast, ln slow, share
        return np.stack([u[..., 0] - u[..., 1], u[..., 0], np.clip(u[..., 2], 0, 1)], axis=-1)
    return u
