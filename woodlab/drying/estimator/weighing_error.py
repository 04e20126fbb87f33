"""The error of a weighing: scale, slip, and a drift of the piece from the law.

The drift lasts about a month; it is a share of the oven-dry mass. The sizes and the month are
estimated with the pieces' own numbers integrated out. Steps of events are constants of any size,
so they are given a very large variance and drop out.
"""

from __future__ import annotations

import numpy as np

from woodlab.drying.estimator.curves import SeasonCurves
from woodlab.drying.estimator.mode import Linear, Mode
from woodlab.drying.estimator.model import PIECE_DRY_SD, WITNESS_DRY_SD
from woodlab.drying.fit.records import SHAVINGS_SD, Records

_CHUNK = 256
WITNESS_PCT = 0.3  # a witness block's wood against the pieces', points of moisture


class Weighings(SeasonCurves):
    """What a season's weighings say of it at a point."""

    def chunks(self, some: int | None = None) -> list[np.ndarray]:
        """Row numbers, some at a time: the covariances of all pieces at once would be large."""
        n = self.d.n if some is None else some
        return [np.arange(a, min(a + _CHUNK, n)) for a in range(0, n, _CHUNK)]

    def linearised(
        self, mode: Mode, slopes: np.ndarray, curves: np.ndarray | None = None
    ) -> Linear:
        """Residuals and slopes of the weighings at a point, and what they say of it."""
        d, q = self.d, len(self.local)
        kappa = self.kappa(mode.beta)
        curves = self.moisture(mode.u, kappa) if curves is None else curves
        moisture = curves + mode.defect
        (gain, zero), dry = self.scales(kappa), np.exp(mode.ln_dry)[:, None]
        mass = dry * (1 + moisture / 100) * gain
        model = np.where(d.is_moisture, moisture, mass + zero)
        scale = np.where(d.is_moisture, 1.0, dry * gain / 100)
        raw = np.zeros((d.n, d.days.shape[1], q + 1 + len(self.common)))
        raw[..., :q] = (slopes[:, :q] * scale[:, None]).transpose(0, 2, 1)
        raw[..., q] = np.where(d.is_moisture, 0.0, mass)
        raw[..., q + 1 :] = (slopes[:, q:] * scale[:, None]).transpose(0, 2, 1)
        for i in self.gains:
            on = (d.scale_of == i) & ~d.is_moisture
            raw[..., q + 1 + self.at[f"scale, {d.scales[i]}"]] = np.where(on, mass, 0.0)
            raw[..., q + 1 + self.at[f"zero, {d.scales[i]}"]] = on
        residual = np.where(d.here, d.mass_g - model, 0.0)
        raw *= d.here[..., None]
        at = np.concatenate([mode.u, mode.ln_dry[:, None], kappa], axis=1)
        size = raw.shape[2]
        a, b = np.empty((d.n, size, size)), np.empty((d.n, size))
        for pick in self.chunks():
            root = whitener(self.d, mode, pick)
            jac = root @ raw[pick]
            white = np.einsum("nij,nj->ni", root, residual[pick])
            target = white + np.einsum("nkj,nj->nk", jac, at[pick])
            a[pick] = jac.transpose(0, 2, 1) @ jac
            b[pick] = np.einsum("nki,nk->ni", jac, target)
        known = np.isfinite(d.dry_ln)
        weight = np.where(known, 1 / WITNESS_DRY_SD**2, 1 / PIECE_DRY_SD**2)
        a[:, q, q] += weight
        b[:, q] += weight * np.where(known, d.dry_ln, mode.ln_dry)
        return Linear(residual, raw, moisture, a, b)

    def best_dry(
        self, moisture: np.ndarray, kappa: np.ndarray, mode: Mode, some: np.ndarray | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """Ln oven-dry mass that fits best under given curves, and twice its misfit, (p,).

        `moisture` (p, k) is that of `some` pieces, all unless named.
        """
        d = self.d
        some = np.arange(d.n) if some is None else some
        weighed = d.here & ~d.is_moisture
        gain, zero = self.scales(kappa)
        x = np.where(weighed[some], (1 + moisture / 100) * gain[some], 0.0)
        y = np.where(weighed, d.mass_g - zero, 0.0)[some]
        gone = np.where((d.here & d.is_moisture)[some], d.mass_g[some] - moisture, 0.0)
        known = np.isfinite(d.dry_ln[some])
        prior = np.exp(np.where(known, d.dry_ln[some], 0.0))
        weight = np.where(known, 1 / (WITNESS_DRY_SD * prior) ** 2, 0.0)
        ln, misfit = np.empty(len(some)), np.empty(len(some))
        for at in self.chunks(len(some)):
            root, w = whitener(d, mode, some[at]), weight[at]
            wx, wy, rest = (np.einsum("nij,nj->ni", root, v[at]) for v in (x, y, gone))
            dry = ((wx * wy).sum(1) + w * prior[at]) / np.maximum((wx**2).sum(1) + w, 1e-300)
            dry = np.where(dry > 1e-3, dry, np.maximum(y[at].max(1), 1) / 2)
            ln[at] = np.log(dry)
            misfit[at] = ((wy - dry[:, None] * wx + rest) ** 2).sum(1)
            misfit[at] += w * (dry - prior[at]) ** 2
        return ln, misfit


def whitener(
    d: Records, mode: Mode, pick: np.ndarray, sizes: np.ndarray | None = None
) -> np.ndarray:
    """Inverse lower root of the covariance of the weighings of some pieces, (p, k, k)."""
    slip, drift, memory = (
        (mode.slip_g, mode.drift_pct, mode.memory_days) if sizes is None else sizes
    )
    dry, weight = np.exp(mode.error_dry[pick]), mode.weight
    moist, days, here = d.is_moisture[pick], d.days[pick], d.here[pick]
    plain = (d.scale_g[pick] ** 2 / 12 + slip**2) / weight[pick]
    shaved = (SHAVINGS_SD * np.maximum(d.mass_g[pick], 5.0)) ** 2
    plain = np.where(here, np.where(moist, shaved, plain), 1.0)
    both = here & ~moist
    gap = np.abs(days[:, :, None] - days[:, None, :])
    shared = np.where(both[:, :, None] & both[:, None, :], np.exp(-gap / memory), 0.0)
    cover = (drift / 100 * dry)[:, None, None] ** 2 * shared
    block = pick >= d.n_pieces
    cover[block] += ((WITNESS_PCT / 100 * dry[block]) ** 2)[:, None, None] * (
        both[block][:, :, None] & both[block][:, None, :]
    )
    k = days.shape[1]
    cover[:, np.arange(k), np.arange(k)] += plain
    where = {int(p): i for i, p in enumerate(pick)}
    for p, first, cut, _ in d.steps:
        if p in where:  # an event adds a constant of any size, or what its wood would weigh
            c = d.counts[p]
            shape = np.zeros(c)
            shape[first:] = d.mass_g[p, first:c] / d.mass_g[p, first] if cut else 1.0
            shape[d.is_moisture[p, :c]] = 0.0
            cover[where[p], :c, :c] += 1e8 * np.outer(shape, shape)
    return np.linalg.inv(np.linalg.cholesky(cover))
