"""What earlier seasons and other clubs tell of the next: posteriors that become priors.

A season says of each of its effects (a seal's surface coefficient, a hygrometer's bias) a mean m
and a standard deviation s, and so of each wood: what its species and the season add up to, since
their sum is known far better than either alone. The next season's own value differs from it by what
one season differs from another (tau, by kind of effect; estimates of our own): its prior is
N(m, s^2 + tau^2). Last year so never counts as this year.

Several seasons or clubs are joined from their files alone by the normal hierarchical model: each
gives (m_j, s_j), their common mean mu and spread tau have the estimate of DerSimonian and Laird
(Controlled Clinical Trials 7 (1986) 177-188), and a newcomer's prior is N(mu, var(mu) + tau^2).
A thousand clubs are a thousand independent fits, on any executor.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from woodlab.drying.estimator.effects import effects_of_wood
from woodlab.drying.estimator.model import BOOK_OFFSET_SD, BOOK_SD, BOOK_START_SD
from woodlab.errors import WoodlabError

if TYPE_CHECKING:
    from woodlab.drying.fit.results import DryingFits

# From one season to the next, of the working values (ln, or the unit of the parameter).
BETWEEN = {
    "wood, diffusivity_m2_s": BOOK_SD, "wood, tau_days": BOOK_SD, "wood, rise_per_pct": 0.012,
    "wood, air offset": BOOK_OFFSET_SD, "species, start_moisture_pct": BOOK_START_SD,
    "seal, surface_m_s": 0.15, "seal, tau_days": 0.15,
    "season, fibre_saturation_pct": 0.5, "season, flux_cap_pct": 0.5,
    "season, activation_kj_mol": 3.0, "hygrometer": 1.0, "scale": 0.001,
    "scale zero": 0.5,
}  # fmt: skip
Told = dict[tuple[str, str], tuple[float, float]]


@dataclass(frozen=True)
class Experience:
    """What is known of effects before a season: (what, label) -> (mean, sd), by working value."""

    told: Told

    def effects(self) -> Told:
        """Priors for the next season: wider than what was learned, by what seasons differ."""
        return {
            key: (mean, float(np.hypot(sd, BETWEEN[key[0]])))
            for key, (mean, sd) in self.told.items()
            if key[0] in BETWEEN
        }

    def plain(self) -> list[list[Any]]:
        """For a file."""
        return [[*key, *value] for key, value in sorted(self.told.items())]

    @classmethod
    def from_plain(cls, rows: Iterable[Iterable[Any]]) -> Experience:
        return cls({(what, label): (float(m), float(s)) for what, label, m, s in rows})


def of_fits(fits: DryingFits) -> Experience:
    """What the law of most weight of a season tells of its effects."""
    part = max(fits.parts, key=lambda one: one.count)
    names = part.season.effects
    draws = {name: part.beta[:, i] for i, name in enumerate(names) if name[0] in BETWEEN}
    for species in part.season.d.species:
        for what in (kind.removeprefix("wood, ") for kind in BETWEEN if kind.startswith("wood, ")):
            at = effects_of_wood(names, what, species)
            if at:
                draws[f"wood, {what}", str(species)] = part.beta[:, at].sum(axis=1)
    return Experience({name: (float(d.mean()), float(d.std())) for name, d in draws.items()})


def joined(several: Iterable[Experience]) -> Experience:
    """Several seasons or clubs as one experience."""
    gathered: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for one in several:
        for key, value in one.told.items():
            gathered.setdefault(key, []).append(value)
    out: Told = {}
    for key, values in gathered.items():
        m, s = np.array(values).T
        w = 1 / s**2
        fixed = (w * m).sum() / w.sum()
        free = (w.sum() - (w**2).sum() / w.sum()) if len(m) > 1 else 1.0
        tau2 = max(0.0, ((w * (m - fixed) ** 2).sum() - (len(m) - 1)) / free)
        w = 1 / (s**2 + tau2)
        sd = np.sqrt(1 / w.sum() + tau2) if len(m) > 1 else s[0]
        out[key] = (float((w * m).sum() / w.sum()), float(sd))
    return Experience(out)


def as_experience(value: Any) -> Experience:
    """Experience from fits, from a file of fits, from a list of either, or as it is."""
    from woodlab.drying.fit.results import DryingFits
    from woodlab.drying.fit.saving import load_experience

    if isinstance(value, Experience):
        return value
    if isinstance(value, DryingFits):
        return of_fits(value)
    if isinstance(value, str | Path):
        return load_experience(value)
    if isinstance(value, Iterable) and not isinstance(value, Mapping):
        return joined(as_experience(one) for one in value)
    raise WoodlabError(
        f"experience is {type(value).__name__}. Pass fits of an earlier season, the path of a file "
        "that fits.save(path) wrote, or a list of them."
    )
