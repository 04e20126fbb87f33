"""What a first crack may depend on: facts of the pieces (`Design`), and the days since turning, by
a smooth curve of the rate over time (`Course`)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from woodlab.book.tables import NOT_SAID
from woodlab.studies.columns import is_number
from woodlab.studies.confounding import independent_columns

# Species are partly pooled from this many on, when the middling one has fewer pieces than that.
POOL_FROM_SPECIES = 5
POOL_BELOW_PIECES = 10


@dataclass(frozen=True)
class Term:
    """A column of the linear part: whether a piece has a level, or, without one, a number; from its
    centre in steps. Levels that are `pooled` are exchangeable under a normal prior, and centred, so
    that the intercept is the mean of all."""

    column: str
    level: str = ""
    reference: str = ""
    centre: float = 0.0
    step: float = 1.0
    pooled: bool = False

    @property
    def kind(self) -> str:
        return "wall" if self.column == "wall_mm" else self.column

    def words(self) -> dict[str, str]:
        """What it sets against what."""
        if self.level:
            term = f"{self.kind}: {self.level} against {self.reference}"
        else:
            more = "mm thicker" if self.kind == "wall" else "more"
            term = f"{self.kind}: per {self.step:g} {more}"
        return {"term": term, "kind": self.kind, "level": self.level, "reference": self.reference}


@dataclass(frozen=True, eq=False)
class Design:
    """The linear part: an intercept, then the terms; all levels of names, the reference first.
    `kept` are the columns in the fit: one that others determine is left out, which changes no
    estimable contrast."""

    terms: tuple[Term, ...] = ()
    levels: dict[str, tuple[str, ...]] = field(default_factory=dict)
    kept: tuple[int, ...] = ()

    @property
    def pooled(self) -> np.ndarray:
        """Which columns are under a normal prior."""
        return np.array([False, *(term.pooled for term in self.terms)])

    def fixed(self, frame: pd.DataFrame) -> np.ndarray:
        """All columns, shape (n, size)."""
        out = [np.ones(len(frame))]
        for term in self.terms:
            values = frame[term.column].to_numpy()
            values = values.astype(str) == term.level if term.level else values.astype(float)
            out.append((values - term.centre) / term.step)
        return np.column_stack(out)

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

    def effects(self) -> list[tuple[int, Term]]:
        """Every effect with its column, those of seal, wall and species first."""
        order = {"seal": -3, "wall": -2, "species": -1}
        told = [(at, term) for at, term in enumerate(self.terms, 1)
                if NOT_SAID not in (term.level, term.reference)]  # fmt: skip
        return sorted(told, key=lambda one: order.get(one[1].kind, 0))


def design_of(
    used: pd.DataFrame, columns: Sequence[str], reference: str = "", pooled: str = ""
) -> Design:
    """Numbers (walls in steps of 10 mm, others of about their spread), and names: seals against the
    reference, if it is among them, others against the most frequent that is said."""
    terms, levels = [], {}
    for column in columns:
        values = used[column]
        if is_number(values):
            spread = float(values.std()) if len(values) > 1 else 1.0
            step = 10.0 ** np.round(np.log10(spread)) if spread > 0 else 1.0
            step = 10.0 if column == "wall_mm" else float(step)
            terms.append(Term(column, centre=float(values.mean()), step=step))
            continue
        counts = values.astype(str).value_counts()
        told = counts.drop(NOT_SAID, errors="ignore") if set(counts.index) > {NOT_SAID} else counts
        first = min(told[told == told.max()].index)
        first = reference if column == "seal" and reference in counts else first
        levels[column] = (first, *sorted(set(counts.index) - {first}))
        share = (column == pooled) / len(counts)
        terms += [Term(column, name, first, share, pooled=column == pooled)
                  for name in levels[column][1:]]  # fmt: skip
    return Design(tuple(terms), levels)


def crack_design(
    used: pd.DataFrame, reference: str, terms: Sequence[str] = ()
) -> tuple[Design, list[str]]:
    """Wall, species, seal and the terms asked for; and what to say of reference and pooling."""
    own = [name for name in terms if is_number(used[name]) or used[name].nunique() > 1]
    counts, notes = used["species"].value_counts(), []
    pooled = len(counts) >= POOL_FROM_SPECIES and counts.median() < POOL_BELOW_PIECES
    design = design_of(
        used, ["wall_mm", "species", "seal", *own], reference, "species" if pooled else ""
    )
    if design.levels["seal"][0] != reference:
        notes.append(f"No piece of seal {reference!r} was looked at, so the others are compared "
                     f"with {design.levels['seal'][0]}.")  # fmt: skip
    if pooled:
        notes.append(
            f"There are {len(counts)} species with few pieces each, so each is drawn towards the "
            "mean of all by as much as its own records leave open."
        )
    return design, notes


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
