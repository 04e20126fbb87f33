"""What a season estimates under one law, and what its weighings say of it at a point.

    u_i = (ln parameters, ln start moisture) of piece i, in groups (see `effects`)
    mass_ij = W_i (1 + M(t_ij; u_i, kappa)/100) gain_ij + error_ij

kappa is what the season shares: the law's season parameters, the offset of the wood against the
sorption curve, the bias of each hygrometer, the wear of the seals, the gains of the scales.

The error of a weighing is that of the scale, a slip, and a drift of the piece from the law that
lasts about a month; the sizes and the month are estimated with the pieces' own numbers integrated
out.
"""

from __future__ import annotations

from collections.abc import Mapping
from copy import copy
from typing import Self

import numpy as np

from woodlab.drying import kernel
from woodlab.drying.estimator.effects import Components, Effects, System, effects_of_wood
from woodlab.drying.estimator.mode import Linear, Mode
from woodlab.drying.estimator.weighing_error import whitener
from woodlab.drying.fit.records import BARE, Records
from woodlab.drying.laws import Law, Rows, Scatter
from woodlab.drying.laws.law import START, Values

# Estimates of our own unless a source is named.
OFFSET_PCT, OFFSET_SD = 0.7, 0.6  # the wood above the published curve: see docs/calibration.md
OFFSET_SPECIES_SD = 0.35
UNKNOWN_AIR_SD = 2.5  # where no log speaks for the place
HYGROMETER_SD = 3.0  # %RH: what makers of simple ones state as their accuracy
CHECKED_SD = 1.5  # after a check over salt: estimate of our own
GAIN_SD = 0.003  # of a kitchen scale
WEAR_SD = 0.3  # of ln surface coefficient of a seal, in 100 days
RISE_SPECIES_SD = 0.02
WITNESS_DRY_SD = 0.002
PIECE_DRY_SD = 1.5  # of ln oven-dry mass: no more than keeps the algebra whole
START_LOG, START_PIECE = Scatter(0.10, 0.6, 0.5), Scatter(0.04, 0.6, 0.25)
LOG_OFFCUT, OWN_OFFCUT = Scatter(0.05, 0.5, 0.3), Scatter(0.04, 0.5, 0.2)
ALONE_SD = 0.4  # of a piece's parameters about its group's prior, where there is no group
MEMORY_DAYS = 30.0  # how long a wall that departs from the law goes on doing so
SMALL = 0.05  # of the usual steps of the parameters
_CHUNK = 256


class SeasonModel:
    """`Season(records, law).fit()` gives the mode; `draw` its posterior.

    Parameters
    ----------
    records : Records
    law : Law
    groups : bool
        False: every piece alone, about the priors of its kind.
    held : dict
        Parameters held at a value.
    experience : dict, optional
        (what, label) -> (mean, sd) of effects that earlier seasons tell of; `wood, ...`: of the
        sum of what a species and its season have.
    held_back : ndarray of bool, (n, k)
        Weighings that the fit must not see.
    """

    def __init__(
        self, records: Records, law: Law, *, groups: bool = True,
        held: Mapping[str, float] | None = None,
        experience: Mapping[tuple[str, str], tuple[float, float]] | None = None,
        held_back: np.ndarray | None = None,
    ) -> None:  # fmt: skip
        self.d, self.law, self.groups = records, law, groups
        self.quick = held_back is not None  # only to be scored: no tempering, no finest grid
        self.blind = records.suspect if held_back is None else records.suspect | held_back
        self.held = dict(held or {})
        own = law.of_piece if groups else law.of_piece or law.free
        self.own = [p for p in own if p.name not in self.held]
        warm = records.shelf.has_air and bool(np.ptp(records.shelf.warm) > 0)
        self.shared = [
            p for p in law.of_season
            if groups and p.name not in self.held and (warm or p.name != "activation_kj_mol")
        ]  # fmt: skip
        self.start_at = len(self.own)
        self.local = [p.name for p in self.own] + [START] + ([] if groups else ["air offset"])
        self._name_common(groups)
        self.system = self._build(experience or {})

    # ---- what is estimated

    def _name_common(self, groups: bool) -> None:
        """kappa by name, in order, and the step of each slope (None: exact)."""
        d = self.d
        common: list[tuple[str, float | None]] = [(p.name, p.step) for p in self.shared]
        self.knots = 0
        if groups:
            common.append(("air offset", 0.05))
            self.instruments = self._instruments()
            common += [(f"hygrometer, {place}", 0.5) for place in self.instruments]
            worn = self.law.kernel_columns is not None and "surface_m_s" in self.local
            oldest = float(d.days[d.sealed].max(initial=0.0)) if worn else 0.0
            self.knots = int(np.clip(np.ceil(oldest / kernel.KNOT_DAYS), 0, kernel.KNOTS))
            common += [(f"wear {j}", 0.02) for j in range(self.knots)]
            self.gains = [i for i in range(len(d.scales)) if len(d.scales) > 1]
            common += [(f"scale, {d.scales[i]}", None) for i in self.gains]
        else:
            self.instruments, self.gains = [], []
        self.common = [name for name, _ in common]
        self.steps = [step for _, step in common]
        self.at = {name: j for j, name in enumerate(self.common)}

    def _instruments(self) -> list[str]:
        places = self.d.shelf.places
        return [] if not self.d.shelf.has_air else list(places[1:] or places)

    def _build(self, experience: Mapping[tuple[str, str], tuple[float, float]]) -> System:
        """Effects, components and centres, all from the law's own data and the records."""
        d, q, groups = self.d, len(self.local), self.groups
        e = Effects(d.n)
        mid, own_sd = np.zeros((d.n, q)), np.zeros((d.n, q))
        for j, p in enumerate(self.own):
            prior = p.prior
            if prior is None:  # a law that only describes: nothing is known of it beforehand
                own_sd[:, j] = 3.0
                continue
            mid[:, j] += prior.wall_power * np.log(d.half_m * 2000 / 25.0)
            thick = (
                prior.wall_power if prior.wall_power else 2.0 if p.name.startswith("diff") else 1
            )
            own_sd[:, j] = thick * d.wall_sd
            by_seal = np.array([self._centre(p.prior, seal) for seal in d.seals])
            if not groups:
                mid[:, j] += by_seal[d.of_seal]
                own_sd[:, j] = np.hypot(own_sd[:, j], np.hypot(prior.sd, ALONE_SD))
            elif prior.sealed is not None:
                e.add(f"seal, {p.name}", d.seals, d.of_seal, j, by_seal, prior.sd)
            else:
                e.add(f"season, {p.name}", ["all"], 0, j, np.log(prior.centre), prior.sd)
            if groups and prior.species_sd:
                e.add(f"species, {p.name}", d.species, d.of_species, j, 0.0, prior.species_sd)
        s = self.start_at
        if groups:
            e.add(f"species, {START}", d.species, d.of_species, s, d.green_ln, d.green_sd)
            self._add_common(e, q)
        else:
            mid[:, s] = d.green_ln[d.of_species]
            own_sd[:, s] = d.green_sd[d.of_species]
            mid[:, s + 1], own_sd[:, s + 1] = self.offset_prior()
        names = e.names
        mean, sd = np.array(e.mean, dtype=float), np.array(e.sd, dtype=float)
        for i, name in enumerate(names):
            if name in experience:
                mean[i], sd[i] = experience[name]
        woods = [
            (at, *value) for (kind, label), value in experience.items()
            if kind.startswith("wood, ") and label in d.species
            and (at := effects_of_wood(names, kind.removeprefix("wood, "), label))
        ]  # fmt: skip
        sums = np.zeros((len(woods), len(names)))
        for row, (at, *_) in zip(sums, woods, strict=True):
            row[at] = 1.0
        told = sums, np.array([w[1] for w in woods]), np.array([w[2] for w in woods])
        none: list[Scatter | None] = [None]
        rest = none * (q - s - 1)
        own = [p.prior for p in self.own]
        components = Components(
            tuple([pr.log if groups and pr else None for pr in own]
                  + [START_LOG if groups else None] + rest),
            tuple([pr.piece if groups and pr else None for pr in own]
                  + [START_PIECE if groups else None] + rest),
            LOG_OFFCUT, OWN_OFFCUT,
        )  # fmt: skip
        self.effects = names
        self.known = self._known_logs(d)
        return System(
            e.design(q + len(self.common)), mean, sd, components, d.of_log, len(d.logs), mid,
            own_sd, d.own_offcuts, self.known, s, told,
        )  # fmt: skip

    def _known_logs(self, d: Records) -> tuple[np.ndarray, np.ndarray]:
        if not self.groups:
            return np.zeros(0, dtype=int), np.zeros(0)
        here = np.isin(d.log_offcuts[0], d.of_log)
        return d.log_offcuts[0][here], d.log_offcuts[1][here]

    @staticmethod
    def _centre(prior: object, seal: str) -> float:
        """Ln of the centre behind a seal; where the seal is not said, between bare and sealed."""
        bare, sealed = prior.centre, getattr(prior, "sealed", None)  # type: ignore[attr-defined]
        if sealed is None or seal == "none":
            return float(np.log(bare))
        between = 0.5 * (np.log(bare) + np.log(sealed))
        return float(between if seal in BARE else np.log(sealed))

    def offset_prior(self) -> tuple[float, float]:
        shelf = self.d.shelf
        if not shelf.has_air:
            return 0.0, UNKNOWN_AIR_SD
        return OFFSET_PCT, float(np.hypot(OFFSET_SD, UNKNOWN_AIR_SD * shelf.unread))

    def _add_common(self, e: Effects, q: int) -> None:
        d = self.d
        for j, p in enumerate(self.shared):
            assert p.prior is not None
            e.add(f"season, {p.name}", ["all"], 0, q + j, p.prior.centre, p.prior.sd)
            if p.name == "rise_per_pct" and len(d.species) > 1:
                sd = RISE_SPECIES_SD
                e.add(f"species, {p.name}", d.species, d.of_species, q + j, 0.0, sd)
        air = q + self.at["air offset"]
        e.add("air offset", ["all"], 0, air, *self.offset_prior())
        if len(d.species) > 1:
            e.add("species, air offset", d.species, d.of_species, air, 0.0, OFFSET_SPECIES_SD)
        if d.shelf.unlogged.any():  # one for each place that has no log
            _, codes = np.unique(d.shelf.history, return_inverse=True)
            codes = np.where(d.shelf.unlogged, codes, -1)
            labels = [f"history {c}" for c in range(codes.max() + 1)]
            e.add("place without a log", labels, codes, air, 0.0, UNKNOWN_AIR_SD)
        for place in self.instruments:
            name = f"hygrometer, {place}"
            sd = CHECKED_SD if place in d.shelf.checked else HYGROMETER_SD
            e.add("hygrometer", [place], 0, q + self.at[name], 0.0, sd)
        sd = WEAR_SD * np.sqrt(kernel.KNOT_DAYS / 100)
        for j in range(self.knots):
            e.add("wear", [str(j)], 0, q + self.at[f"wear {j}"], 0.0, sd)
        for i in self.gains:
            name = d.scales[i]
            e.add("scale", [name], 0, q + self.at[f"scale, {name}"], 0.0, GAIN_SD)

    def some(self, pick: np.ndarray) -> Self:
        """Some pieces, for their curves alone: of the rest only `d` is cut down."""
        if pick.size == self.d.n:
            return self
        out = copy(self)
        out.d = self.d.take(pick)
        return out

    # ---- curves

    def kappa(self, beta: np.ndarray) -> np.ndarray:
        """What each piece shares, (..., n, c), of effects (..., effects)."""
        return np.einsum("nce,...e->...nc", self.system.x[:, len(self.local) :], beta)

    def bias(self, kappa: np.ndarray) -> np.ndarray:
        """Bias of the log of each place [%RH], (..., places), of kappa (..., c)."""
        places = len(self.d.shelf.places)
        if not self.instruments:
            return np.zeros((*kappa.shape[:-1], places))
        own = np.stack([kappa[..., self.at[f"hygrometer, {p}"]] for p in self.instruments], axis=-1)
        if places == len(self.instruments):
            return own
        return np.concatenate([own.mean(axis=-1, keepdims=True), own], axis=-1)

    def wear_of(self, kappa: np.ndarray) -> np.ndarray | None:
        """Ln of the surface coefficient over its first value at the kernel's knots."""
        if not self.knots:
            return None
        first = self.at["wear 0"]
        grown = np.cumsum(kappa[..., first : first + self.knots], axis=-1)
        grown = np.concatenate([np.zeros((*grown.shape[:-1], 1)), grown], axis=-1)
        # the age of a seal begins when it is put on (anew); after its last knot it stays
        ages = kernel.KNOT_DAYS * np.arange(1, kernel.KNOTS + 1) - self.d.sealed_at[:, None]
        at = np.clip(ages / kernel.KNOT_DAYS, 0, self.knots)
        low = np.minimum(at.astype(int), self.knots - 1)
        part = at - low
        shape = (len(at), *[1] * (kappa.ndim - 2), kernel.KNOTS)
        low, part = low.reshape(shape), part.reshape(shape)
        low = np.broadcast_to(low, (*kappa.shape[:-1], kernel.KNOTS))
        value = (1 - part) * np.take_along_axis(grown, low, -1)
        value = value + part * np.take_along_axis(grown, low + 1, -1)
        sealed = self.d.sealed.reshape(-1, *[1] * (kappa.ndim - 1))
        return np.clip(value, -2, 2) * sealed

    def rows(
        self, u: np.ndarray, kappa: np.ndarray, sums: np.ndarray, which: np.ndarray, *,
        days: np.ndarray | None = None, counts: np.ndarray | None = None,
        grid: tuple[float, ...] = kernel.FINE, pace: dict[str, np.ndarray] | None = None,
    ) -> Rows:  # fmt: skip
        """Rows (n, m, q) of u and (n, m, c) of kappa, as the law takes them; n m in all."""
        d = self.d
        n, m = u.shape[:2]
        values = {p.name: p.natural(u[..., j]).ravel() for j, p in enumerate(self.own)}
        values[START] = np.exp(np.clip(u[..., self.start_at], 0.0, np.log(400.0))).ravel()
        for p in self.shared:
            values[p.name] = p.natural(kappa[..., self.at[p.name]]).ravel()
        for p in self.law.parameters:
            if p.name not in values:
                held = self.held.get(p.name, p.usual)
                values[p.name] = np.full(n * m, np.nan if held is None else float(held))
        shift = kappa[..., self.at["air offset"]] if self.groups else u[..., self.start_at + 1]
        wear = self.wear_of(kappa)
        return Rows(
            values, np.repeat(np.arange(n), m), d.days if days is None else days,
            d.counts if counts is None else counts, d.half_m, sums, which.ravel(), d.shelf.start,
            shift.ravel(), None if wear is None else wear.reshape(n * m, -1), pace, grid,
        )  # fmt: skip

    def moisture(
        self, u: np.ndarray, kappa: np.ndarray, grid: tuple[float, ...] = kernel.FINE,
        pace: Values | None = None,
    ) -> np.ndarray:  # fmt: skip
        """Moisture at the weighings of one row a piece, (n, k) [%]."""
        return self.law.curves(self._one_each(u, kappa, grid, pace))

    def pace(self, u: np.ndarray, kappa: np.ndarray) -> Values:
        """The parameters there by piece, to set the time steps of others."""
        return self._one_each(u, kappa).values

    def _one_each(
        self, u: np.ndarray, kappa: np.ndarray, grid: tuple[float, ...] = kernel.FINE,
        pace: Values | None = None,
    ) -> Rows:  # fmt: skip
        sums = self.d.shelf.sums(self.bias(kappa[0]) if len(kappa) else 0.0)
        which = self.d.shelf.history[:, None]
        return self.rows(u[:, None], kappa[:, None], sums, which, grid=grid, pace=pace)

    def gain(self, kappa: np.ndarray) -> np.ndarray:
        """What the scales make of a mass, (n, k)."""
        out = np.ones(self.d.days.shape)
        for i in self.gains:
            g = kappa[:, self.at[f"scale, {self.d.scales[i]}"]]
            out = out * np.where(self.d.scale_of == i, np.exp(g)[:, None], 1.0)
        return out

    def slopes(
        self, u: np.ndarray, kappa: np.ndarray, grid: tuple[float, ...] = kernel.FINE,
        pace: Values | None = None,
    ) -> np.ndarray:  # fmt: skip
        """Slopes of the moisture in u and kappa, (n, q + c, k), by differences on equal steps.

        One number added to all moistures of a season is nearly free: start moisture, oven-dry
        mass, saturation and offset take it up together. What information there is along that
        direction is a small difference of large slopes, so the steps are small (SMALL of the usual
        ones), and the draws are made on a finer grid: on a coarse one the offset would look
        known twice as well as it is.
        """
        d, q = self.d, len(self.local)
        n, c = len(u), len(self.common)
        histories = len(d.shelf.place_of)
        bias = self.bias(kappa[0])
        courses = [d.shelf.sums(bias)]
        moving = [j for j, step in enumerate(self.steps) if step is not None]
        m = 1 + q + len(moving)
        asked = np.ones((n, m), dtype=bool)
        many_u = np.repeat(u[:, None], m, axis=1)
        many_k = np.repeat(kappa[:, None], m, axis=1)
        which = np.repeat(d.shelf.history[:, None], m, axis=1)
        step_u = SMALL * np.array(
            [*[1e-3] * (self.start_at + 1), *[0.05] * (q - self.start_at - 1)]
        )
        step_k = [SMALL * (step or 0.0) for step in self.steps]
        for j in range(q):
            many_u[:, 1 + j, j] += step_u[j]
        for r, j in enumerate(moving):
            many_k[:, 1 + q + r, j] += step_k[j]
            asked[:, 1 + q + r] = self._felt(self.common[j])
            if self.common[j].startswith("hygrometer"):
                moved = kappa[0].copy()
                moved[j] += step_k[j]
                which[:, 1 + q + r] += histories * len(courses)
                courses.append(d.shelf.sums(self.bias(moved)))
        sums = np.concatenate(courses)
        pace = self.pace(u, kappa) if pace is None else pace
        steps = {name: np.repeat(value, m) for name, value in pace.items()}
        rows = self.rows(many_u, many_k, sums, which, grid=grid, pace=steps)
        curves = np.empty((n, m, d.days.shape[1]))
        curves[asked] = self.law.curves(rows.take(asked.ravel()))
        curves = np.where(asked[..., None], curves, curves[:, :1])
        out = np.zeros((n, q + c, curves.shape[2]))
        out[:, :q] = (curves[:, 1 : 1 + q] - curves[:, :1]) / step_u[:, None]
        for r, j in enumerate(moving):
            out[:, q + j] = (curves[:, 1 + q + r] - curves[:, 0]) / step_k[j]
        return out

    def _felt(self, name: str) -> np.ndarray:
        """The pieces whose curves a shared number moves: the others' slopes need no run."""
        d = self.d
        if name.startswith("wear"):
            first = d.sealed_at + kernel.KNOT_DAYS * int(name[5:])
            # a seal put on later wears between the kernel's knots: from the knot before on
            first = np.where(d.sealed_at > 0, first - kernel.KNOT_DAYS, first)
            return d.sealed & (d.days.max(axis=1, initial=0.0) > first)
        if name.startswith("hygrometer"):
            place = d.shelf.places.index(name.removeprefix("hygrometer, "))
            there = np.isin(d.shelf.place_of, [0, place]).any(axis=1)
            return there[d.shelf.history]
        return np.ones(d.n, dtype=bool)

    # ---- what the weighings say

    def chunks(self) -> list[np.ndarray]:
        return [np.arange(a, min(a + _CHUNK, self.d.n)) for a in range(0, self.d.n, _CHUNK)]

    def linearised(
        self, mode: Mode, slopes: np.ndarray, curves: np.ndarray | None = None
    ) -> Linear:
        """Residuals and slopes of the weighings at a point, and what they say of it."""
        d, q = self.d, len(self.local)
        kappa = self.kappa(mode.beta)
        curves = self.moisture(mode.u, kappa) if curves is None else curves
        moisture = curves + mode.defect
        gain, dry = self.gain(kappa), np.exp(mode.ln_dry)[:, None]
        mass = dry * (1 + moisture / 100) * gain
        model = np.where(d.is_moisture, moisture, mass)
        scale = np.where(d.is_moisture, 1.0, dry * gain / 100)
        raw = np.zeros((d.n, d.days.shape[1], q + 1 + len(self.common)))
        raw[..., :q] = (slopes[:, :q] * scale[:, None]).transpose(0, 2, 1)
        raw[..., q] = np.where(d.is_moisture, 0.0, mass)
        raw[..., q + 1 :] = (slopes[:, q:] * scale[:, None]).transpose(0, 2, 1)
        for i in self.gains:
            j = q + 1 + self.at[f"scale, {d.scales[i]}"]
            raw[..., j] = np.where((d.scale_of == i) & ~d.is_moisture, mass, 0.0)
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
        self, moisture: np.ndarray, kappa: np.ndarray, mode: Mode
    ) -> tuple[np.ndarray, np.ndarray]:
        """Ln oven-dry mass that fits best under given curves, and twice its misfit, (n,)."""
        d = self.d
        x = np.where(d.here & ~d.is_moisture, (1 + moisture / 100) * self.gain(kappa), 0.0)
        y = np.where(d.here & ~d.is_moisture, d.mass_g, 0.0)
        gone = np.where(d.here & d.is_moisture, d.mass_g - moisture, 0.0)
        ln, misfit = np.empty(d.n), np.empty(d.n)
        for pick in self.chunks():
            root = whitener(self.d, mode, pick)
            wx = np.einsum("nij,nj->ni", root, x[pick])
            wy = np.einsum("nij,nj->ni", root, y[pick])
            rest = np.einsum("nij,nj->ni", root, gone[pick])
            known = np.isfinite(d.dry_ln[pick])
            prior = np.exp(np.where(known, d.dry_ln[pick], 0.0))
            w = np.where(known, 1 / (WITNESS_DRY_SD * prior) ** 2, 0.0)
            dry = ((wx * wy).sum(1) + w * prior) / np.maximum((wx**2).sum(1) + w, 1e-300)
            heavy = np.maximum(
                np.where(d.here[pick] & ~d.is_moisture[pick], d.mass_g[pick], 0).max(1), 1
            )
            dry = np.where(dry > 1e-3, dry, heavy / 2)
            ln[pick] = np.log(dry)
            misfit[pick] = ((wy - dry[:, None] * wx + rest) ** 2).sum(1) + w * (dry - prior) ** 2
        return ln, misfit
