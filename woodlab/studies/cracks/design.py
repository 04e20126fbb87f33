"""What a first crack may depend on: facts of the pieces (`Design`), and the days since turning, by
a smooth curve of the rate over time (`Course`)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from woodlab.book.tables import NOT_SAID
from woodlab.studies.columns import is_number
from woodlab.studies.confounding import independent_columns

# Species are partly pooled from this many on, when the middling one has fewer pieces than that.
POOL_FROM_SPECIES = 5
POOL_BELOW_PIECES = 10


@dataclass(frozen=True)
class Part:
    """A column of the pieces: names, the reference first among their `levels`; or, without levels,
    a number, from its centre in steps. Levels that are `pooled` are exchangeable under a normal
    prior; their columns are centred, so that the intercept is the mean of all."""

    column: str
    levels: tuple[str, ...] = ()
    centre: float = 0.0
    step: float = 1.0
    pooled: bool = False

    @property
    def width(self) -> int:
        return len(self.levels) - 1 if self.levels else 1

    def columns(self, frame: pd.DataFrame) -> np.ndarray:
        values = frame[self.column].to_numpy()[:, None]
        if not self.levels:
            return (values.astype(float) - self.centre) / self.step
        own = values.astype(str).astype(object) == np.array(self.levels[1:], object)
        return own - self.pooled / len(self.levels)


@dataclass(frozen=True, eq=False)
class Design:
    """Columns of the linear part: intercept, then each part; names against their reference.
    `kept` are those in the fit: a column that others determine is left out, which changes no
    estimable contrast."""

    parts: tuple[Part, ...]
    kept: tuple[int, ...] = ()

    @cached_property
    def slices(self) -> dict[str, slice]:
        """Where each part's columns stand among `fixed`."""
        ends = np.cumsum([1, *(part.width for part in self.parts)])
        return {p.column: slice(*ends[i : i + 2]) for i, p in enumerate(self.parts)}

    @property
    def factors(self) -> dict[str, tuple[str, ...]]:
        return {part.column: part.levels for part in self.parts if part.levels}

    @property
    def numbers(self) -> list[str]:
        return [part.column for part in self.parts if not part.levels]

    @property
    def pooled(self) -> np.ndarray:
        """Which columns of `fixed` are under a normal prior."""
        return np.r_[False, *([part.pooled] * part.width for part in self.parts)].astype(bool)

    def fixed(self, frame: pd.DataFrame) -> np.ndarray:
        """All columns, shape (n, size)."""
        return np.hstack([np.ones((len(frame), 1)), *(p.columns(frame) for p in self.parts)])

    def columns(self, frame: pd.DataFrame) -> np.ndarray:
        """The columns that are in the fit."""
        return self.fixed(frame)[:, list(self.kept)]

    def for_pieces(self, used: pd.DataFrame) -> Design:
        """The same with the columns that these pieces can tell apart."""
        rest = np.flatnonzero(~self.pooled)
        told = rest[independent_columns(self.fixed(used)[:, rest])]
        return replace(self, kept=tuple(sorted([*told, *np.flatnonzero(self.pooled)])))

    def prior(self, sd: float, more: int) -> np.ndarray:
        """Precision of levels that scatter by sd, as seen from one of them, with `more` free
        columns: differences from one of K independent levels have the covariance sd^2 (I + 11')."""
        own = np.r_[self.pooled[list(self.kept)], np.zeros(more, bool)]
        return (np.diag(own.astype(float)) - np.outer(own, own) / (own.sum() + 1)) / sd**2

    def terms(self) -> list[dict[str, Any]]:
        """Every effect, those of seal, wall and species first: its column of `fixed` (`at`), and in
        words what it sets against what."""
        rows: list[tuple] = []
        order = {"seal": -3, "wall_mm": -2, "species": -1}
        for part in sorted(self.parts, key=lambda part: order.get(part.column, 0)):
            at, wall = self.slices[part.column].start, part.column == "wall_mm"
            kind, more = ("wall", "mm thicker") if wall else (part.column, "more")
            if not part.levels:
                rows.append((at, f"{kind}: per {part.step:g} {more}", kind, "", ""))
            first, *others = part.levels or ("",)
            rows += [
                (at + i, f"{kind}: {level} against {first}", kind, level, first)
                for i, level in enumerate(others)
                if NOT_SAID not in (level, first)
            ]
        names = ("at", "term", "kind", "level", "reference")
        return [dict(zip(names, row, strict=True)) for row in rows]


def part_of(used: pd.DataFrame, column: str) -> Part:
    """A column of the pieces as a number (in steps of about its spread) or as a factor."""
    values = used[column]
    if not is_number(values):
        return Part(column, levels_of(values))
    spread = float(values.std()) if len(values) > 1 else 1.0
    step = 10.0 ** np.round(np.log10(spread)) if spread > 0 else 1.0
    return Part(column, centre=float(values.mean()), step=float(step))


def levels_of(values: pd.Series, asked: str = "") -> tuple[str, ...]:
    """The names, first the one asked for, else the most frequent that is said."""
    counts = values.astype(str).value_counts()
    told = counts.drop(NOT_SAID, errors="ignore") if set(counts.index) > {NOT_SAID} else counts
    first = asked if asked in counts else min(told[told == told.max()].index)
    return (first, *sorted(set(counts.index) - {first}))


def design_of(
    used: pd.DataFrame, reference: str, terms: Sequence[str] = ()
) -> tuple[Design, list[str]]:
    """Wall, species, seal and the terms asked for; and what to say of reference and pooling."""
    species, seals = levels_of(used["species"]), levels_of(used["seal"], reference)
    pooled = (len(species) >= POOL_FROM_SPECIES
              and float(used["species"].value_counts().median()) < POOL_BELOW_PIECES)  # fmt: skip
    notes = []
    if seals[0] != reference:
        notes.append(f"No piece of seal {reference!r} was looked at, so the others are compared "
                     f"with {seals[0]}.")  # fmt: skip
    if pooled:
        notes.append(
            f"There are {len(species)} species with few pieces each, so each is drawn towards the "
            "mean of all by as much as its own records leave open."
        )
    wall = Part("wall_mm", centre=float(used["wall_mm"].mean()), step=10.0)
    own = [part for name in terms if (part := part_of(used, name)).width]
    return Design((wall, Part("species", species, pooled=pooled), Part("seal", seals), *own)), notes


# Time runs as ln(1 + days / 7): straight at first, then slower and slower, so that a line in it
# is a rate that changes as a power of time, and finite at turning.
WEEK_DAYS = 7.0
_GAUSS_NODES, _GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(6)
# Share of a course column's scatter that the intervals must show beside the other columns.
_LEAST_SHOWN = 0.15


def slow_time(days: np.ndarray | float) -> np.ndarray:
    """ln(1 + days / 7), in which the course is smooth."""
    return np.log1p(np.asarray(days, dtype=float) / WEEK_DAYS)


def days_of(slow: np.ndarray | float) -> np.ndarray:
    """The days of a slow time."""
    return WEEK_DAYS * np.expm1(slow)


@dataclass(frozen=True, eq=False)
class Course:
    """A natural cubic spline in ln(1 + days / 7); its level is the design's intercept. As many
    degrees of freedom as knots less one: two knots are a straight line; none is a constant rate."""

    knots: np.ndarray

    @property
    def df(self) -> int:
        return max(len(self.knots) - 1, 0)

    def basis(self, days: np.ndarray) -> np.ndarray:
        """The spline's columns, shape (..., df), of order one over the span of the knots."""
        u = slow_time(days)
        if not self.df:
            return np.empty((*u.shape, 0))
        v, k = ((x - self.knots[0]) / np.ptp(self.knots) for x in (u, self.knots))
        last, before = k[-1], k[-2]

        def cube(knot: float) -> np.ndarray:
            out: np.ndarray = np.maximum(v - knot, 0) ** 3
            return out

        # Restricted cubic spline (linear beyond the outer knots), its usual truncated powers.
        bent = [
            cube(knot) - cube(before) * (last - knot) / (last - before)
            + cube(last) * (before - knot) / (last - before) - v / 4
            for knot in k[:-2]
        ]  # fmt: skip
        return np.stack([v - 0.5, *bent], axis=-1)

    def nodes(self, start: np.ndarray, end: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Basis at six Gauss-Legendre nodes in slow time of each span (n, q, df), and ln of their
        weights [days] (n, q): the integral of a rate is the sum of weight times rate."""
        a, b = slow_time(start)[:, None], slow_time(end)[:, None]
        u = (a + b) / 2 + (b - a) / 2 * _GAUSS_NODES
        weights = _GAUSS_WEIGHTS * (b - a) / 2 * WEEK_DAYS * np.exp(u)
        return self.basis(days_of(u)), np.log(weights)

    def log_integral(self, start: float, end: float, gamma: np.ndarray) -> np.ndarray:
        """ln of the rate's integral over one span of days, for each row of `gamma` (k, df)."""
        cuts = days_of(np.linspace(slow_time(start), slow_time(end), 5))
        basis, log_weights = self.nodes(cuts[:-1], cuts[1:])
        inside = log_weights.ravel() + gamma @ basis.reshape(log_weights.size, self.df).T
        return np.logaddexp.reduce(inside, axis=1)


def choose_course(intervals: pd.DataFrame) -> Course:
    """A course fit for the number of cracks: constant below 4, then df 1, 2 from 12, 3 from 40;
    fewer where the looks (`from_days`, `to_days`, `cracked`) do not tell early from late."""
    start, end = (intervals[name].to_numpy(float) for name in ("from_days", "to_days"))
    cracked = intervals["cracked"].to_numpy(bool)
    middles = slow_time((start + end)[cracked] / 2)
    high = float(slow_time(max(float(end.max()), 1.0)))
    for df in range(int(np.searchsorted([4, 12, 40], cracked.sum(), side="right")), 0, -1):
        inner = np.quantile(middles, np.linspace(0, 1, df + 1)[1:-1])
        knots = np.r_[0.0, np.clip(inner, 0.15 * high, 0.85 * high), high]
        for i in range(1, df):
            knots[i] = max(knots[i], knots[i - 1] + 0.05 * high)
        course = Course(knots)
        basis, log_widths = course.nodes(start, end)
        means = np.einsum("nq,nqm->nm", np.exp(log_widths), basis)
        means /= np.exp(log_widths).sum(axis=1, keepdims=True)
        whole = course.basis(days_of(np.linspace(0, high, 50)))
        if (_own_spread(means) >= _LEAST_SHOWN * _own_spread(whole)).all():
            return course
    return Course(np.empty(0))


def _own_spread(columns: np.ndarray) -> np.ndarray:
    """Standard deviation of each column about its regression on the others."""
    inside = np.atleast_2d(np.cov(columns, rowvar=False, bias=True))
    return 1 / np.sqrt(np.diag(np.linalg.inv(inside + 1e-12 * np.eye(len(inside)))))
