"""The frames of `DryingFits`, each made from the draws when it is asked for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from woodlab.drying.estimator.posterior import Posterior
from woodlab.drying.fit.checks import verdicts
from woodlab.drying.fit.records import Records, days_between
from woodlab.drying.laws.law import START

if TYPE_CHECKING:
    from woodlab.drying.fit.results import DryingFits

_MIDDLE_AND_95 = [0.5, 0.025, 0.975]


def shares_of(values: np.ndarray, shares: Sequence[float]) -> np.ndarray:
    """Quantiles along the draws, axis 1 (as `np.quantile`, by one sort), shares first."""
    ranked = np.sort(values, axis=1)
    place = np.array(shares) * (ranked.shape[1] - 1)
    low = place.astype(int)
    high = np.minimum(low + 1, ranked.shape[1] - 1)
    below, above = ranked[:, low], ranked[:, high]
    return np.moveaxis(below + (above - below) * (place - low), 1, 0)


def piece_frame(fits: DryingFits) -> pd.DataFrame:
    """`DryingFits.pieces`, of the law of most weight."""
    first = fits.parts[0]
    d, mode = first.season.d, first.mode
    n = d.n_pieces
    day = np.datetime64(fits.as_of, "D")
    turned = fits.book.pieces["turned_on"].to_numpy()
    now = np.maximum(days_between(turned, np.full(n, day)), 0.0)
    moisture = fits.moisture_draws(now[:, None])[..., 0]
    low, middle, high = shares_of(moisture, [0.05, 0.5, 0.95])
    weighed = (d.here & ~d.is_moisture)[:n]
    used = weighed & (mode.weight[:n] > 0.1)
    verdict = verdicts(fits.parts, fits.checks)
    law = fits.params["law"].to_numpy() == first.season.law.name
    estimates = fits.params["estimate"].to_numpy()[law].reshape(-1, n)  # parameter by parameter
    names = [*(p.name for p in first.season.own), "oven_dry_g", START]
    columns: dict[str, object] = {
        "piece": fits.book.pieces["piece"].to_numpy(dtype=object), "law": first.season.law.name,
        "status": verdict["status"].to_numpy(), "reason": verdict["reason"].to_numpy(),
        "n_used": used.sum(axis=1), "n_set_aside": (weighed & ~used).sum(axis=1),
        **dict(zip(names, estimates, strict=True)),
        "moisture_now_pct": middle, "moisture_now_lower_pct": low, "moisture_now_upper_pct": high,
        "rmse_g": rmse_g(fits), "error_g": weighing_sd_g(first, np.arange(n)),
        "oven_dry_from": _basis(d, first.season.groups), "air_from": _air_from(d),
    }  # fmt: skip
    return pd.DataFrame(columns)


def _basis(d: Records, pooled: bool) -> np.ndarray:
    """What the oven-dry mass of each piece is based on, beside its own weighings."""
    pieces = np.arange(d.n_pieces)
    behind = " and the season" if pooled else ""
    of_log = np.isin(d.of_log[pieces], d.log_offcuts[0]) & pooled
    told = d.green_sd[d.of_species[pieces]] < 0.5
    return np.select(
        [np.isin(pieces, d.own_offcuts[0]), of_log, (d.counts[pieces] > 0) & told,
         d.counts[pieces] > 0],
        [f"its weighings, its own offcuts{behind}",
         "its weighings, its log's offcuts and the season",
         f"its weighings, the species table{behind}",
         f"its weighings{behind}: the species table does not know its wood"],
        "the season only: it has not been weighed",
    ).astype(object)  # fmt: skip


def _air_from(d: Records) -> np.ndarray:
    if not d.shelf.has_air:
        return np.full(d.n_pieces, "no air log: assumed", dtype=object)
    log = "witness blocks" if d.shelf.witnessed >= set(d.shelf.places[1:] or d.shelf.places) else (
        "air log and witness blocks" if d.shelf.witnessed else "air log"
    )  # fmt: skip
    read = log if d.shelf.unread < 0.1 else (
        f"{log}, {100 * (1 - d.shelf.unread):.0f} % of the days"
    )  # fmt: skip
    return np.where(d.shelf.unlogged[: d.n_pieces], "no air log of its place", read).astype(object)


def param_frame(parts: Sequence[Posterior]) -> pd.DataFrame:
    """`DryingFits.params` from draws: medians, standard deviations, 95 % limits."""
    out = []
    for part in parts:
        s = part.season
        n = s.d.n_pieces
        named: list[tuple[str, str, np.ndarray]] = [
            (p.name, p.unit, p.natural(part.u[:n, :, j])) for j, p in enumerate(s.own)
        ]
        dry = np.where(s.d.weighed[:n, None], np.exp(part.ln_dry[:n]), np.nan)
        named.append(("oven_dry_g", "g", dry))
        named.append((START, "%", np.exp(np.minimum(part.u[:n, :, s.start_at], np.log(400.0)))))
        for name, unit, values in named:
            low, middle, high = shares_of(values, [0.025, 0.5, 0.975])
            out.append(pd.DataFrame({
                "piece": s.d.names[:n], "parameter": name, "law": s.law.name, "estimate": middle,
                "stderr": values.std(axis=1), "ci_lower": low, "ci_upper": high, "unit": unit,
            }))  # fmt: skip
    return pd.concat(out, ignore_index=True)


def group_frame(parts: Sequence[Posterior]) -> pd.DataFrame:
    """`DryingFits.groups` from draws of the effects and components."""
    rows = []
    for part in parts:
        s = part.season
        units = {p.name: p for p in s.law.parameters}
        for i, (what, label) in enumerate(s.effects):
            kind, _, name = what.partition(", ")
            p = units.get(name)
            value = part.beta[:, i]
            if name == START and kind != "book":
                value, unit = np.exp(value), "%"
            elif name == START:
                value, unit = np.exp(value), "1"
            elif p is not None and kind in ("seal", "season"):
                value, unit = p.natural(value), p.unit
            elif p is not None and not p.plain:
                value, unit = np.exp(value), "1"  # a factor on the season's value
            else:
                units_of = {"hygrometer": "% RH", "wear": "1", "scale": "1", "scale zero": "g"}
                unit = "1/%" if name == "rise_per_pct" else units_of.get(kind, "points")
            rows.append(
                (kind, label, name or kind, s.law.name, *np.quantile(value, _MIDDLE_AND_95), unit)
            )
        parts_of = ["log", "piece"]
        for i, component in enumerate(s.system.components.all):
            if component is None:
                continue
            q = s.system.q
            name = s.local[i % q] if i < 2 * q else START
            group = parts_of[i // q] if i < 2 * q else ("offcut of a log", "own offcut")[i - 2 * q]
            rows.append(
                (
                    "spread",
                    group,
                    name,
                    s.law.name,
                    *np.quantile(part.sds[:, i], _MIDDLE_AND_95),
                    "ln",
                )
            )
    columns = ["kind", "group", "parameter", "law", "estimate", "ci_lower", "ci_upper", "unit"]
    return pd.DataFrame(rows, columns=columns)


def fitted_g(fits: DryingFits) -> np.ndarray:
    """Mass at the weighings under the law of most weight, with sealer and steps, (n, k)."""
    s, mode = fits.parts[0].season, fits.parts[0].mode
    kappa = s.kappa(mode.beta)
    moisture = s.moisture(mode.u, kappa) + mode.defect
    gain, zero = s.scales(kappa)
    mass = np.exp(mode.ln_dry)[:, None] * (1 + moisture / 100) * gain + zero + s.d.sealer_g
    for (p, first, _, _), step in zip(s.d.steps, fits.steps["step_g"], strict=True):
        mass[p, first:] += step
    return mass


def rmse_g(fits: DryingFits) -> np.ndarray:
    """Root mean square of each piece's used residuals [g]; NaN where there is none."""
    d = fits.records
    used = (d.here & ~d.is_moisture & (fits.parts[0].mode.weight > 0.1))[: d.n_pieces]
    gone = np.where(used, (d.mass_g + d.sealer_g - fits.fitted_g)[: d.n_pieces], 0.0)
    count = used.sum(axis=1)
    total = np.einsum("nk,nk->n", gone, gone)
    return np.sqrt(np.where(count > 0, total, np.nan) / np.maximum(count, 1))


def residual_frame(fits: DryingFits) -> pd.DataFrame:
    """`DryingFits.residuals` at the mode; rows in the order of the pieces."""
    d = fits.records
    owner, at = np.nonzero((d.here & ~d.is_moisture)[: d.n_pieces])
    source = d.source[owner, at]
    measured = fits.book.weighings["mass_g"].to_numpy(dtype=float)[source]
    fitted = fits.fitted_g[owner, at]
    return pd.DataFrame(
        {
            "piece": d.names[owner], "on": fits.book.weighings["on"].to_numpy()[source],
            "days": d.days[owner, at], "mass_g": measured, "fitted_g": fitted,
            "residual_g": measured - fitted, "used": fits.parts[0].mode.weight[owner, at] > 0.1,
        }
    )  # fmt: skip


def step_draws(part: Posterior, curves: np.ndarray) -> np.ndarray:
    """Step of each event [g], (events, draws): the mean of what the weighings after it, up to the
    next event, are off the curve by. `curves` (n, draws, k) is moisture at the weighings."""
    d = part.season.d
    out = np.zeros((len(d.steps), part.count))
    for e, (p, first, _, _) in enumerate(d.steps):
        later = [f for q, f, *_ in d.steps if q == p and f > first]
        end = min(later) if later else d.counts[p]
        rows = [j for j in range(first, end) if not d.is_moisture[p, j]]
        mass = np.exp(part.ln_dry[p])[:, None] * (1 + curves[p][:, rows] / 100)
        before = sum(out[o] for o, (q, f, *_) in enumerate(d.steps) if q == p and f < first)
        out[e] = (d.mass_g[p, rows] - mass).mean(axis=1) - before
    return out


def step_frame(fits: DryingFits) -> pd.DataFrame:
    """`DryingFits.steps`."""
    d, on = fits.records, fits.book.weighings
    rows = [(d.names[p], on["on"].iloc[row], on["event"].iloc[row]) for p, _, _, row in d.steps]
    frame = pd.DataFrame(rows, columns=["piece", "on", "event"])
    three = np.zeros((3, 0))
    if rows:
        draws = [step_draws(p, p.curves(d.days, p.past_sums())) for p in fits.parts]
        three = np.quantile(np.concatenate(draws, axis=1), _MIDDLE_AND_95, axis=1)
    return frame.assign(step_g=three[0], ci_lower=three[1], ci_upper=three[2])


def weighing_sd_g(part: Posterior, pick: np.ndarray) -> np.ndarray:
    """Standard deviation of one more weighing about the curve, by piece [g]; see `season`."""
    s, mode = part.season, part.mode
    scale = s.d.scale_g[pick].max(axis=1, initial=0.0)
    drift = mode.drift_pct / 100 * np.exp(mode.ln_dry[pick])
    return np.sqrt(scale**2 / 12 + mode.slip_g**2 + drift**2)
