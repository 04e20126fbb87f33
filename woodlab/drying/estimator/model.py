"""What a season estimates under one law, and what its weighings say of it at a point.

    u_i = (ln parameters, ln start moisture) of piece i, in groups (see `effects`)
    mass_ij = W_i (1 + M(t_ij; u_i, kappa)/100) gain_ij + zero_ij + error_ij

kappa is what the season shares: the law's season parameters, the offset of the wood against the
sorption curve, the bias of each hygrometer, the wear of the seals, gain and zero of the scales.
Of several books joined, each differs from the others by a little of its own.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from woodlab.drying import kernel
from woodlab.drying.estimator.effects import Components, Effects, System, effects_of_wood
from woodlab.drying.fit.records import BARE, Records
from woodlab.drying.laws import Law, Prior, Scatter
from woodlab.drying.laws.law import START

# Estimates of our own unless a source is named.
OFFSET_PCT, OFFSET_SD = 0.7, 0.6  # the wood above the published curve: see docs/calibration.md
OFFSET_SPECIES_SD = 0.35
UNKNOWN_AIR_SD = 2.5  # where no log speaks for the place
HYGROMETER_SD = 3.0  # %RH: what makers of simple ones state as their accuracy
CHECKED_SD = 1.5  # after a check over salt: estimate of our own
GAIN_SD, ZERO_SD_G = 0.003, 1.5  # of a kitchen scale
# Of ln of a rate, of ln green moisture, of the offset [points]: one season against another.
BOOK_SD, BOOK_START_SD, BOOK_OFFSET_SD = 0.18, 0.12, 0.30
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
        places = records.shelf.places
        logged = groups and records.shelf.has_air
        by_log = [place for place in places[1:] or places if place not in records.shelf.witnessed]
        self.instruments: list[str] = by_log if logged else []
        self.gains = list(range(len(records.scales))) if groups and len(records.scales) > 1 else []
        worn = groups and law.kernel_columns is not None and "surface_m_s" in self.local
        oldest = float(records.days[records.sealed].max(initial=0.0)) if worn else 0.0
        self.knots = int(np.clip(np.ceil(oldest / kernel.KNOT_DAYS), 0, kernel.KNOTS))
        common = self._common()
        self.common = [name for name, _, _ in common]
        self.steps = [step for _, step, _ in common]
        self.at = {name: j for j, name in enumerate(self.common)}
        self.system = self._build([effects for _, _, effects in common], experience or {})

    def _common(self) -> list[tuple[str, float | None, list[tuple]]]:
        """What the season shares, kappa: names, steps of the slopes (None: exact), and the effects
        that add up to each: what, labels, the label of each piece, mean, sd."""
        d = self.d

        def woods(what: str, sd: float) -> list[tuple]:
            several = len(d.species) > 1
            return [(f"species, {what}", d.species, d.of_species, 0.0, sd)] if several else []

        out: list[tuple[str, float | None, list[tuple]]] = []
        for p in self.shared:
            assert p.prior is not None
            effects: list[tuple] = [(f"season, {p.name}", ["all"], 0, p.prior.centre, p.prior.sd)]
            if p.name == "rise_per_pct":
                effects += woods(p.name, RISE_SPECIES_SD)
            out.append((p.name, p.step, effects))
        if not self.groups:
            return out
        effects = [("air offset", ["all"], 0, *self.offset_prior())]
        effects += woods("air offset", OFFSET_SPECIES_SD)
        if len(d.books) > 1:
            effects.append(("book, air offset", d.books, d.of_book, 0.0, BOOK_OFFSET_SD))
        if d.shelf.unlogged.any():  # one for each place that has no log
            _, codes = np.unique(d.shelf.history, return_inverse=True)
            codes = np.where(d.shelf.unlogged, codes, -1)
            labels = [f"history {c}" for c in range(codes.max() + 1)]
            effects.append(("place without a log", labels, codes, 0.0, UNKNOWN_AIR_SD))
        out.append(("air offset", 0.05, effects))
        for place in self.instruments:
            sd = CHECKED_SD if place in d.shelf.checked else HYGROMETER_SD
            out.append((f"hygrometer, {place}", 0.5, [("hygrometer", [place], 0, 0.0, sd)]))
        sd = WEAR_SD * np.sqrt(kernel.KNOT_DAYS / 100)
        for j in range(self.knots):
            out.append((f"wear {j}", 0.02, [("wear", [str(j)], 0, 0.0, sd)]))
        for name in (d.scales[i] for i in self.gains):
            out.append((f"scale, {name}", None, [("scale", [name], 0, 0.0, GAIN_SD)]))
            out.append((f"zero, {name}", None, [("scale zero", [name], 0, 0.0, ZERO_SD_G)]))
        return out

    def _build(
        self, common: list[list[tuple]], experience: Mapping[tuple[str, str], tuple[float, float]]
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
            power = prior.wall_power or (2.0 if p.name.startswith("diff") else 1.0)
            own_sd[:, j] = power * d.wall_sd
            by_seal = np.array([self._centre(prior, seal) for seal in d.seals])
            if not groups:
                mid[:, j] += by_seal[d.of_seal]
                own_sd[:, j] = np.hypot(own_sd[:, j], np.hypot(prior.sd, ALONE_SD))
            elif prior.sealed is not None:
                e.add(f"seal, {p.name}", d.seals, d.of_seal, j, by_seal, prior.sd)
            else:
                e.add(f"season, {p.name}", ["all"], 0, j, np.log(prior.centre), prior.sd)
            if groups and prior.species_sd:
                e.add(f"species, {p.name}", d.species, d.of_species, j, 0.0, prior.species_sd)
            if groups and len(d.books) > 1:
                e.add(f"book, {p.name}", d.books, d.of_book, j, 0.0, BOOK_SD)
        s = self.start_at
        if groups and len(d.books) > 1:
            e.add(f"book, {START}", d.books, d.of_book, s, 0.0, BOOK_START_SD)
        if groups:
            e.add(f"species, {START}", d.species, d.of_species, s, d.green_ln, d.green_sd)
            for j, effects in enumerate(common):
                for what, labels, codes, *prior_of in effects:
                    e.add(what, labels, codes, q + j, *prior_of)
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
        own = [p.prior if groups else None for p in self.own]
        rest: list[Scatter | None] = [None] * (q - s - 1)
        by_log = [p.log if p else None for p in own] + [START_LOG if groups else None]
        by_piece = [p.piece if p else None for p in own] + [START_PIECE if groups else None]
        components = Components(
            tuple(by_log + rest), tuple(by_piece + rest), LOG_OFFCUT, OWN_OFFCUT
        )
        self.effects = names
        of_log, ln = d.log_offcuts
        known = np.isin(of_log, d.of_log) & groups
        return System(
            e.design(q + len(self.common)), mean, sd, components, d.of_log, len(d.logs), mid,
            own_sd, d.own_offcuts, (of_log[known], ln[known]), s, told,
        )  # fmt: skip

    @staticmethod
    def _centre(prior: Prior, seal: str) -> float:
        """Ln of the centre behind a seal; where the seal is not said, between bare and sealed."""
        bare, sealed = prior.centre, prior.sealed
        if sealed is None or seal == "none":
            return float(np.log(bare))
        between = 0.5 * (np.log(bare) + np.log(sealed))
        return float(between if seal in BARE else np.log(sealed))

    def offset_prior(self) -> tuple[float, float]:
        shelf = self.d.shelf
        if not shelf.has_air:
            return 0.0, UNKNOWN_AIR_SD
        above = OFFSET_PCT if self.instruments or not shelf.witnessed else 0.0  # wood by wood
        return above, float(np.hypot(OFFSET_SD, UNKNOWN_AIR_SD * shelf.unread))
