"""The weighings of many pieces as a padded table, and what is known of them beforehand."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from typing import Any

import numpy as np

from woodlab.drying.laws import Law
from woodlab.drying.modes import Courses
from woodlab.errors import WoodlabError

LEAST_MOISTURE_PCT = 0.1  # start moisture stays above zero
LONGEST_SPANS = 50.0  # a time constant beyond so many lengths of the record is not determined
FIRST_SIGMA = 1e-3  # of the first mass, until the residuals tell
ALIKE = 1.1
_EMPTY = np.empty(0)


@dataclass(frozen=True)
class Pieces:
    """n pieces of at most k weighings.

    Attributes
    ----------
    days, mass_g, weight : (n, k)
        Days since day 0, mass [g], and 1 where the weighing is used (0: padding, or left out).
    half_m : (n,), half of the wall [m]
    level : (n,), one equilibrium moisture a piece [%]; or
    courses : (courses, days), or None; which, start : (n,)
        Daily equilibrium moisture, the course of each piece, and its day 0 in it [days].
    mean, sd : (n, 3)
        What is known beforehand of ln oven-dry mass [g], of ln start moisture [%], and of a lasting
        offset of the equilibrium at the piece from that of the air [% of oven-dry mass]. An sd of
        infinity: nothing is known; of the offset: there is none.
    events : (n, m, k), columns of events: 0 before, 1 after a step in mass
    most_start_pct : the most start moisture that the wood can hold [%]
    floor_g : (n,)
        The least standard deviation of a weighing [g] that is believed, from the scale's step.
    sigma, anchor, limits, low, high
        Filled in by `prepared`: standard deviation of a weighing [g] (n,), oven-dry mass, water and
        offset in grams at which the priors are made linear (n, 3), least and most oven-dry mass [g]
        and water/oven-dry mass (n, 2, 2), bounds of u (n, P).
    """

    days: np.ndarray
    mass_g: np.ndarray
    weight: np.ndarray
    half_m: np.ndarray
    level: np.ndarray
    mean: np.ndarray
    sd: np.ndarray
    events: np.ndarray
    floor_g: np.ndarray
    courses: np.ndarray | None = None
    which: np.ndarray = field(default_factory=lambda: _EMPTY)
    start: np.ndarray = field(default_factory=lambda: _EMPTY)
    most_start_pct: float = np.inf
    sigma: np.ndarray = field(default_factory=lambda: _EMPTY)
    anchor: np.ndarray = field(default_factory=lambda: _EMPTY)
    limits: np.ndarray = field(default_factory=lambda: _EMPTY)
    low: np.ndarray = field(default_factory=lambda: _EMPTY)
    high: np.ndarray = field(default_factory=lambda: _EMPTY)

    def take(self, at: np.ndarray | slice) -> Pieces:
        """Some of the pieces."""
        arrays: dict[str, Any] = {
            f.name: value[at] for f in fields(self)
            if isinstance(value := getattr(self, f.name), np.ndarray)
            and f.name != "courses" and len(value)
        }  # fmt: skip
        return replace(self, **arrays)

    @cached_property
    def open_air(self) -> bool:
        """Whether the equilibrium may lie off that of the air."""
        return bool(np.isfinite(self.sd[:, 2]).any())

    @cached_property
    def told(self) -> bool:
        """Whether anything is known beforehand."""
        return bool(np.isfinite(self.sd).any())

    @property
    def air(self) -> Courses:
        assert self.courses is not None
        return self.courses, self.which, self.start

    def using(self, weight: np.ndarray) -> Pieces:
        """Other weighings used, and the oven-dry mass below the lightest of these."""
        limits = self.limits.copy()
        lightest = np.where(weight > 0, self.mass_g, np.inf).min(1, initial=np.inf)
        limits[:, 0, 1] = np.where(np.isinf(limits[:, 0, 1]), np.inf, lightest)
        return replace(self, weight=weight, mass_g=self.mass_g * weight, limits=limits)


def prepared(law: Law, d: Pieces) -> Pieces:
    """The pieces with bounds and a place where the search can begin."""
    bad = (d.weight > 0) & ~(np.isfinite(d.days) & np.isfinite(d.mass_g) & (d.days >= 0))
    if bad.any():
        piece, column = (int(i) for i in np.argwhere(bad)[0])
        raise WoodlabError(
            f"Weighing {column} of piece {piece} is used but is not a finite mass on a day from 0 "
            f"on (day {d.days[piece, column]:g}, {d.mass_g[piece, column]:g} g)."
        )
    assert law.search is not None
    n, used = len(d.days), d.weight > 0
    days, mass = np.where(used, d.days, 0.0), np.where(used, d.mass_g, 0.0)
    first = mass[np.arange(n), used.argmax(1)] if mass.size else np.zeros(n)
    sd = np.where(np.isfinite(d.mean) & (d.sd > 0), d.sd, np.inf)
    known = np.exp(np.where(np.isfinite(sd), d.mean, 0.0))
    dry = np.where(np.isfinite(sd[:, 0]), known[:, 0], first / 1.6)
    water = np.where(np.isfinite(sd[:, 1]), known[:, 1] / 100, 0.6) * dry
    # Oven-dry mass: above zero and below the lightest weighing, unless an event changed the mass.
    # Until slips are set aside, the lightest that has a like beside it: a slip bounds nothing.
    ranked = np.where(used, mass, np.inf)
    two = np.partition(ranked, 1, axis=1)[:, :2] if ranked.shape[1] > 1 else np.tile(ranked, 2)
    lightest = two[:, 0]
    for p in np.flatnonzero(np.isfinite(two[:, 1]) & (two[:, 1] > ALIKE * two[:, 0])):
        row = np.sort(ranked[p][used[p]])
        lightest[p] = row[(row[1:] <= ALIKE * row[:-1]).argmax()]
    lightest[(d.events != 0).any((1, 2))] = np.inf
    limits = np.empty((n, 2, 2))
    limits[:, 0] = np.stack([1e-3 * np.abs(first) + 1e-9, lightest], 1)
    limits[:, 1] = LEAST_MOISTURE_PCT / 100, d.most_start_pct / 100
    low, high = (np.tile(np.array(b, float), (n, 1)) for b in (law.search.lower, law.search.upper))
    span = np.log(LONGEST_SPANS * np.maximum(days.max(1, initial=0.0), 10.0))
    high[:, 0] = np.minimum(high[:, 0], span)
    return replace(
        d, days=days, mass_g=mass, weight=used.astype(float), sd=sd,
        mean=np.where(np.isfinite(sd), d.mean, 0.0),
        sigma=np.maximum(FIRST_SIGMA * np.abs(first), d.floor_g),
        anchor=np.stack([dry, water, 0 * dry], 1), limits=limits, low=low, high=high,
    )  # fmt: skip
