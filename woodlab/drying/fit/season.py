"""The estimator: a season of pieces under one law. A piece alone is a season with its groups off.

    u_i = (ln parameters, ln start moisture) of piece i, in groups (see `effects`)
    mass_ij = W_i (1 + M(t_ij; u_i, kappa)/100) gain_ij + error_ij

kappa is what the season shares: the law's season parameters, the offset of the wood against the
sorption curve, the bias of each hygrometer, the wear of the seals, the gains of the scales.
Gauss-Newton to the joint mode with the pieces eliminated, then draws of the linear model about it.

The error of a weighing is that of the scale, a slip, and a drift of the piece from the law that
lasts about a month; both sizes are estimated by maximum likelihood with the pieces' own numbers
integrated out. One rule for outliers: a residual beyond 3.5 standard errors counts less.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize

from woodlab.drying import kernel
from woodlab.drying.fit.effects import Components, Effects, Eliminated, System
from woodlab.drying.fit.records import BARE, DRIFT_DAYS, SHAVINGS_SD, Records
from woodlab.drying.laws import Law, Rows, Scatter
from woodlab.drying.laws.law import START

# Estimates of our own unless a source is named.
OFFSET_PCT, OFFSET_SD = 0.7, 0.6  # the wood above the published curve: see docs/calibration.md
OFFSET_SPECIES_SD = 0.35
UNKNOWN_AIR_SD = 2.5  # where no log speaks for the place
HYGROMETER_SD = 3.0  # %RH: what makers of simple ones state as their accuracy
CHECKED_SD = 1.5  # after a check over salt
GAIN_SD = 0.003  # of a kitchen scale
WEAR_SD = 0.3  # of ln surface coefficient of a seal, in 100 days
RISE_SPECIES_SD = 0.02
WITNESS_PCT = 0.3  # a witness block's wood against the pieces', points of moisture
WITNESS_DRY_SD = 0.002
PIECE_DRY_SD = 1.5  # of ln oven-dry mass: no more than keeps the algebra whole
START_LOG, START_PIECE = Scatter(0.10, 0.6, 0.5), Scatter(0.04, 0.6, 0.25)
LOG_OFFCUT, OWN_OFFCUT = Scatter(0.05, 0.5, 0.3), Scatter(0.04, 0.5, 0.2)
ALONE_SD = 0.4  # of a piece's parameters about its group's prior, where there is no group
SLIP_G, DRIFT_PCT = (0.8, 0.8), (0.1, 0.8)  # median and spread of ln
SETTLED_SD = 0.05  # a piece nearer to its mode than so many standard deviations is there
NEAR_SD = 0.3  # near enough to stop where steps gain nothing more
UNSETTLED_SD = 1.0  # one so far from it is not, and its row says so
GAIN = 0.05  # of ln posterior in a step, below which there is nothing more to be had
MOST_STEP = 0.8  # of ln of a parameter, in one step
JUDGES = 6.0  # pieces that what a season shares may learn from; tuned, see docs/calibration.md
OPEN_SD = 3.0  # of a piece's own numbers, where what it says of the season is taken out
SMALL = 0.05  # of the usual steps of the parameters
_CHUNK = 256


@dataclass(frozen=True, eq=False)
class Mode:
    """Where the estimator is: the joint mode, once it has converged.

    `error_dry` is ln of the oven-dry mass that the drift is a share of, held between estimates of
    the error so that the objective of a step is one function; `away` is how far each piece was
    from its mode before the last step, in standard deviations.
    """

    u: np.ndarray
    ln_dry: np.ndarray
    logs: np.ndarray
    beta: np.ndarray
    sds: np.ndarray
    slip_g: float
    drift_pct: float
    weight: np.ndarray
    defect: np.ndarray
    error_dry: np.ndarray
    away: np.ndarray | None = None
    converged: bool = False
    iterations: int = 0


@dataclass(frozen=True, eq=False)
class Linear:
    """The weighings at a point: residuals [g], slopes and moisture, and their information."""

    residual: np.ndarray
    slopes: np.ndarray
    moisture: np.ndarray
    a: np.ndarray
    b: np.ndarray


class Season:
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
        (what, label) -> (mean, sd) of effects that earlier seasons tell of.
    hygrometer_sd : float
        Prior of the bias [%RH].
    held_back : ndarray of bool, (n, k)
        Weighings that the fit must not see.
    """

    def __init__(
        self, records: Records, law: Law, *, groups: bool = True,
        held: Mapping[str, float] | None = None,
        experience: Mapping[tuple[str, str], tuple[float, float]] | None = None,
        hygrometer_sd: float = HYGROMETER_SD, held_back: np.ndarray | None = None,
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
        self.system = self._build(experience or {}, hygrometer_sd)

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

    def _build(
        self, experience: Mapping[tuple[str, str], tuple[float, float]], hygrometer_sd: float
    ) -> System:
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
            self._add_common(e, q, hygrometer_sd)
        else:
            mid[:, s] = d.green_ln[d.of_species]
            own_sd[:, s] = d.green_sd[d.of_species]
            mid[:, s + 1], own_sd[:, s + 1] = self.offset_prior()
        names = e.names
        mean, sd = np.array(e.mean, dtype=float), np.array(e.sd, dtype=float)
        for i, name in enumerate(names):
            if name in experience:
                mean[i], sd[i] = experience[name]
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
            own_sd, d.own_offcuts, self.known, s,
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

    def _add_common(self, e: Effects, q: int, hygrometer_sd: float) -> None:
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
            e.add("hygrometer", [place], 0, q + self.at[name], 0.0, hygrometer_sd)
        sd = WEAR_SD * np.sqrt(kernel.KNOT_DAYS / 100)
        for j in range(self.knots):
            e.add("wear", [j], 0, q + self.at[f"wear {j}"], 0.0, sd)
        for i in self.gains:
            name = d.scales[i]
            e.add("scale", [name], 0, q + self.at[f"scale, {name}"], 0.0, GAIN_SD)

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
        self, u: np.ndarray, kappa: np.ndarray, grid: tuple[float, ...] = kernel.FINE
    ) -> np.ndarray:
        """Moisture at the weighings of one row a piece, (n, k) [%]."""
        sums = self.d.shelf.sums(self.bias(kappa[0]) if len(kappa) else 0.0)
        rows = self.rows(u[:, None], kappa[:, None], sums, self.d.shelf.history[:, None], grid=grid)
        return self.law.curves(rows)

    def gain(self, kappa: np.ndarray) -> np.ndarray:
        """What the scales make of a mass, (n, k)."""
        out = np.ones(self.d.days.shape)
        for i in self.gains:
            g = kappa[:, self.at[f"scale, {self.d.scales[i]}"]]
            out = out * np.where(self.d.scale_of == i, np.exp(g)[:, None], 1.0)
        return out

    def slopes(
        self, u: np.ndarray, kappa: np.ndarray, grid: tuple[float, ...] = kernel.FINE
    ) -> np.ndarray:
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
        ages = d.days[d.sealed].max(initial=0.0)
        moving = [
            j for j, (name, step) in enumerate(zip(self.common, self.steps, strict=True))
            if step is not None
            and not (name.startswith("wear") and int(name[5:]) * kernel.KNOT_DAYS > ages)
        ]  # fmt: skip
        m = 1 + q + len(moving)
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
            if self.common[j].startswith("hygrometer"):
                moved = kappa[0].copy()
                moved[j] += step_k[j]
                which[:, 1 + q + r] += histories * len(courses)
                courses.append(d.shelf.sums(self.bias(moved)))
        sums = np.concatenate(courses)
        base = self.rows(
            np.repeat(u[:, None], m, axis=1), np.repeat(kappa[:, None], m, axis=1), sums, which
        )
        rows = self.rows(many_u, many_k, sums, which, grid=grid, pace=base.values)
        curves = self.law.curves(rows).reshape(n, m, -1)
        out = np.zeros((n, q + c, curves.shape[2]))
        out[:, :q] = (curves[:, 1 : 1 + q] - curves[:, :1]) / step_u[:, None]
        for r, j in enumerate(moving):
            out[:, q + j] = (curves[:, 1 + q + r] - curves[:, 0]) / step_k[j]
        return out

    # ---- the error of a weighing

    def whitener(
        self, mode: Mode, pick: np.ndarray, slip: float | None = None, drift: float | None = None
    ) -> np.ndarray:
        """Inverse lower root of the covariance of the weighings of some pieces, (p, k, k)."""
        d = self.d
        slip = mode.slip_g if slip is None else slip
        drift = mode.drift_pct if drift is None else drift
        dry, weight = np.exp(mode.error_dry[pick]), mode.weight
        moist, days, here = d.is_moisture[pick], d.days[pick], d.here[pick]
        plain = (d.scale_g[pick] ** 2 / 12 + slip**2) / weight[pick]
        shaved = (SHAVINGS_SD * np.maximum(d.mass_g[pick], 5.0)) ** 2
        plain = np.where(here, np.where(moist, shaved, plain), 1.0)
        both = here & ~moist
        gap = np.abs(days[:, :, None] - days[:, None, :])
        shared = np.where(both[:, :, None] & both[:, None, :], np.exp(-gap / DRIFT_DAYS), 0.0)
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

    def chunks(self) -> list[np.ndarray]:
        return [np.arange(a, min(a + _CHUNK, self.d.n)) for a in range(0, self.d.n, _CHUNK)]

    def linearised(self, mode: Mode, slopes: np.ndarray | None = None) -> Linear:
        """Residuals and slopes of the weighings at a point, and what they say of it."""
        d, q = self.d, len(self.local)
        kappa = self.kappa(mode.beta)
        moisture = self.moisture(mode.u, kappa) + mode.defect
        slopes = self.slopes(mode.u, kappa) if slopes is None else slopes
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
            root = self.whitener(mode, pick)
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

    def tempered(self, linear: Linear, mode: Mode) -> Linear:
        """What the season shares learns from no more than JUDGES pieces.

        Where the law is wrong it is wrong for all pieces alike, so that a hundred of them do not
        tell a hundred times as much of what they share (offset, saturation, rise) as one. What a
        piece says of kappa beside its own numbers, the Schur complement of its information, counts
        by JUDGES/n; what it says of its own numbers given kappa is left whole. A witness block is
        no judge of the law: its oven-dry mass is known, and it counts in full.
        """
        m, n = len(self.local) + 1, self.d.n_pieces
        share = min(1.0, JUDGES / max(int((self.d.counts[:n] > 0).sum()), 1))
        if share == 1.0 or linear.a.shape[1] == m:
            return linear
        at = np.concatenate([mode.u, mode.ln_dry[:, None], self.kappa(mode.beta)], axis=1)[:n]
        a, away = linear.a.copy(), linear.b.copy()
        away[:n] -= np.einsum("nij,nj->ni", a[:n], at)  # the gradient here, not at zero
        inner = a[:n, :m, :m] + np.eye(m) / OPEN_SD**2
        to = np.linalg.solve(inner, a[:n, :m, m:]).transpose(0, 2, 1)
        told = to @ a[:n, :m, m:]
        said = np.einsum("nkm,nm->nk", to, away[:n, :m])
        a[:n, m:, m:] = told + share * (a[:n, m:, m:] - told)
        away[:n, m:] = said + share * (away[:n, m:] - said)
        away[:n] += np.einsum("nij,nj->ni", a[:n], at)
        return replace(linear, a=a, b=away)

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
            root = self.whitener(mode, pick)
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

    def _error_sizes(self, mode: Mode, linear: Linear) -> Mode:
        """Slip and drift at the maximum of their density, and the weights of odd weighings."""
        d, q = self.d, len(self.local)
        several = np.flatnonzero(d.counts >= 3)
        pick = several[np.argsort(-d.counts[several], kind="stable")][:60]
        if pick.size:
            prior = np.diag(
                np.r_[self.system.precision(mode.sds).mean(axis=0), 1 / PIECE_DRY_SD**2]
            )
            residual, jac = linear.residual[pick], linear.slopes[pick][..., : q + 1]

            def loss(ln: np.ndarray) -> float:
                slip, drift = np.exp(np.clip(ln, -6, 5))
                root = self.whitener(mode, pick, slip, drift)
                r, j = np.einsum("nij,nj->ni", root, residual), root @ jac
                a, b = j.transpose(0, 2, 1) @ j + prior, np.einsum("nki,nk->ni", j, r)
                gain = (b * np.linalg.solve(a, b[..., None])[..., 0]).sum()
                out = -np.log(np.einsum("nii->ni", root)).sum()
                out += 0.5 * np.linalg.slogdet(a)[1].sum() + 0.5 * ((r**2).sum() - gain)
                out += 0.5 * ((ln[0] - np.log(SLIP_G[0])) / SLIP_G[1]) ** 2
                return float(out + 0.5 * ((ln[1] - np.log(DRIFT_PCT[0])) / DRIFT_PCT[1]) ** 2)

            start = np.log([mode.slip_g, mode.drift_pct])
            found = minimize(
                loss, start, method="Nelder-Mead",
                options={"xatol": 0.02, "fatol": 0.02, "maxfev": 60,
                         "initial_simplex": start + np.array([[0, 0], [0.5, 0], [0, 0.5]])},
            )  # fmt: skip
            slip, drift = np.exp(np.clip(found.x, -6, 5))
        else:
            slip, drift = mode.slip_g, mode.drift_pct
        dry = np.exp(mode.ln_dry)[:, None]
        usual = d.scale_g**2 / 12 + slip**2 + (drift / 100 * dry) ** 2
        odd = np.where(d.is_moisture, 0.0, linear.residual**2 / usual)
        weight = np.where(odd > 12, 6 / (5 + odd), 1.0)
        # where a quarter of the weighings is odd, it is the law that is odd and not they
        many = (d.here & (weight < 0.9)).sum(1) > np.maximum(d.counts / 4, 1)
        weight[(many | (d.counts < 4))[:, None] & (odd < 400)] = 1
        weight = np.where(self.blind, 1e-8, np.maximum(weight**2, 1e-8))
        return replace(
            mode, slip_g=float(slip), drift_pct=float(drift), weight=weight,
            error_dry=mode.ln_dry,
        )  # fmt: skip

    # ---- to the mode

    def start_from(self, earlier: Season, mode: Mode) -> Mode:
        """The mode of an earlier fit as the start of this one: of the same records with weighings
        held back, or of some of the pieces. Its species, seals and logs are the same."""
        d, q = self.d, len(self.local)
        weight = np.where(self.blind, 1e-8, 1.0)
        if earlier.d.n == d.n:
            return replace(mode, weight=weight)
        u = self.system.mid + mode.logs[d.of_log]
        u = u + np.einsum("nqe,e->nq", self.system.x[:, :q], mode.beta)
        good = np.where(d.here & ~d.is_moisture & ~self.blind, d.mass_g, 0).max(axis=1)
        ln_dry = np.log(np.maximum(good, 1.0) / (1 + np.exp(u[:, self.start_at]) / 100))
        at = {name: i for i, name in enumerate(d.names)}
        rows = [at[name] for name in earlier.d.names]
        u[rows], ln_dry[rows] = mode.u, mode.ln_dry
        return replace(
            mode, u=u, ln_dry=ln_dry, error_dry=ln_dry, weight=weight,
            defect=np.zeros(d.days.shape),
        )  # fmt: skip

    def guess(self) -> Mode:
        """A start: each piece's best of a grid of rates about its group's prior."""
        d, s = self.d, self.system
        q = s.q
        beta = s.mean.copy()
        u = s.mid + np.einsum("nqe,e->nq", s.x[:, :q], beta)
        for piece, ln in zip(*d.own_offcuts, strict=True):
            u[piece, s.start_at] = ln
        heavy = np.maximum(np.where(d.here & ~d.is_moisture & ~self.blind, d.mass_g, 0).max(1), 1.0)
        ln_dry = np.where(
            np.isfinite(d.dry_ln), d.dry_ln, np.log(heavy / (1 + np.exp(u[:, s.start_at]) / 100))
        )
        mode = Mode(
            u, ln_dry, np.zeros((s.n_logs, q)), beta, s.components.start(), 2.0, 1.0,
            np.where(self.blind, 1e-8, 1.0), np.zeros(d.days.shape), ln_dry,
        )  # fmt: skip
        kappa = self.kappa(beta)
        tries = self._tries()
        best, best_u, best_dry = np.full(d.n, np.inf), u.copy(), ln_dry.copy()
        trial = u[:, None] + tries
        many = np.repeat(kappa[:, None], len(tries), axis=1)
        sums = d.shelf.sums(self.bias(kappa[0]))
        which = np.repeat(d.shelf.history[:, None], len(tries), axis=1)
        rows = self.rows(trial, many, sums, which, grid=kernel.COARSE)
        moisture = self.law.curves(rows).reshape(d.n, len(tries), -1)
        for j, away in enumerate(tries):
            dry, misfit = self.best_dry(moisture[:, j], kappa, mode)
            misfit = misfit + ((away / 1.0) ** 2).sum()
            better = misfit < best
            best_u[better], best_dry[better] = trial[better, j], dry[better]
            best = np.minimum(best, misfit)
        return replace(mode, u=best_u, ln_dry=best_dry, error_dry=best_dry, drift_pct=0.35)

    def _tries(self) -> np.ndarray:
        """Steps of the grid, (tries, q): rates, and a start from dry as well as from green."""
        rates = [(-1.5, -0.8, 0.0, 0.8, 1.5)] if len(self.own) == 1 else [
            (-0.7, 0.0, 0.7), (-1.5, -0.8, 0.0, 0.8, 1.5)
        ]  # fmt: skip
        grid = np.array(np.meshgrid(*rates, indexing="ij")).reshape(len(rates), -1).T
        out = np.zeros((len(grid), len(self.local)))
        out[:, : grid.shape[1]] = grid
        if self.groups:
            return out
        dry = out.copy()  # an air-dried blank of 25 % lies far from its species' green moisture
        dry[:, self.start_at] = -1.2
        return np.concatenate([out, dry])

    def objective(self, mode: Mode) -> tuple[np.ndarray, float, Mode]:
        """Minus ln posterior on the exact curves with oven-dry masses at their best.

        By piece, and what the effects add; the mode with those masses.
        """
        s, q = self.system, len(self.local)
        kappa = self.kappa(mode.beta)
        moisture = self.moisture(mode.u, kappa) + mode.defect
        ln_dry, misfit = self.best_dry(moisture, kappa, mode)
        gone = mode.u - s.mid - mode.logs[s.of_log] - np.einsum("nqe,e->nq", s.x[:, :q], mode.beta)
        own = 0.5 * misfit + 0.5 * (s.precision(mode.sds) * gone**2).sum(axis=1)
        piece, ln = s.own_offcuts
        np.add.at(own, piece, 0.5 * ((ln - mode.u[piece, s.start_at]) / mode.sds[2 * q + 1]) ** 2)
        shared = 0.5 * (((mode.beta - s.mean) / s.sd) ** 2).sum()
        exists = np.array([c is not None for c in s.components.log])
        if exists.any():
            shared += 0.5 * ((mode.logs[:, exists] / mode.sds[:q][exists]) ** 2).sum()
        log, ln = s.log_offcuts
        if len(log):
            miss = ln - s.log_design() @ mode.beta - mode.logs[log, s.start_at]
            shared += 0.5 * ((miss / mode.sds[2 * q]) ** 2).sum()
        return own, float(shared), replace(mode, ln_dry=ln_dry)

    def fit(self, start: Mode | None = None) -> Mode:
        """To the joint mode, what is shared tempered; from `start` where another fit was before."""
        mode = self.climb(start)
        if not self.common or self.quick:
            return mode
        linear = self.tempered(self.linearised(mode, self._final_slopes(mode)), mode)
        beta, _, _ = self._within_bounds(
            self.system.eliminate(linear.a, linear.b, mode.sds), linear, mode.sds
        )
        # the pieces once more, with what they share held where the tempered model has it
        shared = self.system.x[:, len(self.local) :].any(axis=(0, 1))
        whole = self.system
        self.system = replace(
            whole, mean=np.where(shared, beta, whole.mean), sd=np.where(shared, 1e-6, whole.sd)
        )
        try:
            held = replace(mode, beta=np.where(shared, beta, mode.beta))
            return self.climb(held, most=8)
        finally:
            self.system = whole

    def _final_slopes(self, mode: Mode) -> np.ndarray:
        grid = kernel.FINE if self.quick else kernel.FINER
        return self.slopes(mode.u, self.kappa(mode.beta), grid)

    def climb(self, start: Mode | None = None, most: int = 40) -> Mode:
        """To the joint mode of the linear model taken again and again (Gauss and Newton)."""
        mode = start if start is not None else self.guess()
        slopes, refused, calm = None, False, False
        errors_at = (2, 4, 6) if start is None else (1, 3)
        for it in range(most):
            kappa = self.kappa(mode.beta)
            if it == (3 if start is None else 0) and self.law.kernel_columns is not None:
                fine = self.moisture(mode.u, kappa, kernel.FINEST)
                mode = replace(mode, defect=fine - self.moisture(mode.u, kappa))
            # slopes change little near the mode: there they are kept for a step
            if slopes is None or it < 6 or it % 2 == 0 or refused:
                grid = kernel.COARSE if it < 3 and start is None else kernel.FINE
                slopes = self.slopes(mode.u, kappa, grid)
            linear = self.linearised(mode, slopes)
            if it in errors_at:
                mode = self._error_sizes(mode, linear)
                linear = self.linearised(mode, slopes)
            if self.groups:
                sds = mode.sds
                for _ in range(12):
                    sds = self.system.eliminate(linear.a, linear.b, sds).settled(sds)
                mode = replace(mode, sds=sds)
            left = self.system.eliminate(linear.a, linear.b, mode.sds)
            aim = self._within_bounds(left, linear, mode.sds)
            # how far each piece still is from its mode, in its own standard deviations
            spread = np.maximum(left.spread()[:, : len(self.local)], 0.01)
            away = (np.abs(aim[2] - mode.u) / spread).max(axis=1)
            mode, gained = self._line_search(mode, *aim)
            near = float((away < NEAR_SD).mean()) > 0.95
            settled = bool((away < SETTLED_SD).all()) or (
                gained < GAIN and calm and (near or it > 14)
            )
            calm, refused = gained < GAIN, gained == 0.0
            mode = replace(
                mode, iterations=it + 1, away=away,
                converged=it + 1 < most and float((away > UNSETTLED_SD).mean()) < 0.05,
            )  # fmt: skip
            if settled and it > max(errors_at):
                break
        return mode

    def _within_bounds(
        self, left: Eliminated, linear: Linear, sds: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The linear model's mode, with what the season shares inside its physical bounds.

        A parameter beyond its bound would be cut off there, have no slope, and be pulled back to
        its prior in the next step; held at the bound, the others find their best beside it.
        """
        system, bounds = self.system, {f"season, {p.name}": p for p in self.shared}
        for _ in range(3):
            beta, logs, u = left.solve()
            mean, sd, moved = system.mean.copy(), system.sd.copy(), False
            for i, (what, _) in enumerate(self.effects):
                p = bounds.get(what)
                if p is not None and not p.lower - 1e-6 <= beta[i] <= p.upper + 1e-6:
                    mean[i], sd[i], moved = np.clip(beta[i], p.lower, p.upper), 1e-7, True
            if not moved:
                break
            system = replace(system, mean=mean, sd=sd)
            left = system.eliminate(linear.a, linear.b, sds)
        return beta, logs, u[:, : len(self.local)]

    def _line_search(
        self, mode: Mode, beta: np.ndarray, logs: np.ndarray, u: np.ndarray
    ) -> tuple[Mode, float]:
        """A share of the way to the linear model's mode that does not make things worse.

        Also the gain in ln posterior; 0 where no step was better.

        What is shared goes a common share; each piece goes on from there by the share of its own
        step that suits it best, since one piece on a curved ridge must not hold back the others.
        """
        own, shared, _ = self.objective(mode)
        before = own.sum() + shared
        step = np.clip(u - mode.u, -MOST_STEP, MOST_STEP)
        for share in (1.0, 0.5, 0.2, 0.05, 0.0):
            trial = replace(
                mode, beta=mode.beta + share * (beta - mode.beta),
                logs=mode.logs + share * (logs - mode.logs),
            )  # fmt: skip
            best, chosen = np.full(len(u), np.inf), trial
            for part in (1.0, 0.4, 0.1, 0.0):
                own, shared, moved = self.objective(replace(trial, u=mode.u + part * step))
                better = own < best
                best = np.minimum(best, own)
                chosen = replace(
                    chosen, u=np.where(better[:, None], moved.u, chosen.u),
                    ln_dry=np.where(better, moved.ln_dry, chosen.ln_dry),
                )  # fmt: skip
                if part == 1.0 and best.sum() + shared < before - 10.0:
                    break  # far from the mode the first good step is enough
            if best.sum() + shared <= before + 1e-6:
                return chosen, before - best.sum() - shared
        return mode, 0.0

    def eliminated(self, mode: Mode) -> tuple[Eliminated, Linear]:
        """The linear model at the mode, on the finest grid, what is shared tempered."""
        linear = self.tempered(self.linearised(mode, self._final_slopes(mode)), mode)
        return self.system.eliminate(linear.a, linear.b, mode.sds), linear
