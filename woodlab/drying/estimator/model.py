"""What a season estimates under one law, and what its weighings say of it at a point.

    u_i = (ln parameters, ln start moisture) of piece i, in groups (see `effects`)
    mass_ij = W_i (1 + M(t_ij; u_i, kappa)/100) gain_ij + error_ij

kappa is what the season shares: the law's season parameters, the offset of the wood against the
sorption curve, the bias of each hygrometer, the wear of the seals, the gains of the scales.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from woodlab.drying import kernel
from woodlab.drying.estimator.effects import Components, Effects, System, effects_of_wood
from woodlab.drying.fit.records import BARE, Records
from woodlab.drying.laws import Law, Scatter
from woodlab.drying.laws.law import START

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


class SeasonModel:
    """What a season estimates; the base of `Season`.

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
