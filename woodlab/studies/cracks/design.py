"""What a first crack may depend on: factors and numbers of the pieces, and the days since turning.

`Design` makes columns of the pieces' facts, `Course` is the smooth curve of the rate over time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import logsumexp

from woodlab.book.tables import NOT_SAID
from woodlab.errors import WoodlabError
from woodlab.studies.columns import is_number
from woodlab.studies.confounding import independent_columns

_WORDS = {"wall_mm": "wall: per 10 mm thicker", "difference_pct": "core to surface: per 10 points "
          "of moisture more"}  # fmt: skip


@dataclass(frozen=True)
class Term:
    """A row of the effects: its name in words, and what it sets against what."""

    name: str
    kind: str
    level: str = ""
    reference: str = ""


@dataclass(frozen=True)
class Factor:
    """A column of names; the reference stands first among its levels.

    `pooled`: the levels share a normal prior and are drawn together.
    """

    column: str
    levels: tuple[str, ...]
    pooled: bool = False

    @property
    def width(self) -> int:
        return len(self.levels) - 1

    def columns(self, frame: pd.DataFrame) -> np.ndarray:
        values = frame[self.column].astype(str).to_numpy()
        return np.stack([values == level for level in self.levels], axis=1).astype(float)


@dataclass(frozen=True)
class Number:
    """A column of numbers, taken from its mean in steps."""

    column: str
    centre: float
    step: float

    width = 1

    def columns(self, frame: pd.DataFrame) -> np.ndarray:
        return ((frame[self.column].to_numpy(float) - self.centre) / self.step)[:, None]

    @property
    def words(self) -> str:
        return _WORDS.get(self.column, f"{self.column}: per {self.step:g} more")


@dataclass(frozen=True, eq=False)
class Design:
    """Columns of the linear part: intercept, then each part; factors against their reference.

    Attributes
    ----------
    parts : tuple of Factor and Number
    kept : array of int
        Which of the columns are in the fit (pooled factors apart): a column that the others
        determine is left out, which changes no estimable contrast.
    """

    parts: tuple[Factor | Number, ...]
    kept: np.ndarray | None = None

    def slices(self) -> dict[str, slice]:
        """Where each part's columns stand among `fixed`."""
        at, out = 1, {}
        for part in self.parts:
            out[part.column] = slice(at, at + part.width)
            at += part.width
        return out

    @property
    def size(self) -> int:
        return 1 + sum(part.width for part in self.parts)

    @property
    def pooled(self) -> tuple[Factor, ...]:
        return tuple(p for p in self.parts if isinstance(p, Factor) and p.pooled)

    def factor(self, column: str) -> Factor | None:
        for part in self.parts:
            if isinstance(part, Factor) and part.column == column:
                return part
        return None

    def fixed(self, frame: pd.DataFrame) -> np.ndarray:
        """All columns, factors against their reference, shape (n, size)."""
        columns = [np.ones((len(frame), 1))]
        for part in self.parts:
            own = part.columns(frame)
            columns.append(own[:, 1:] if isinstance(part, Factor) else own)
        return np.hstack(columns)

    def _apart(self) -> np.ndarray:
        """Columns of `fixed` that belong to pooled factors."""
        at = self.slices()
        own = [range(at[part.column].start, at[part.column].stop) for part in self.pooled]
        return np.array([place for places in own for place in places], dtype=int)

    def for_pieces(self, used: pd.DataFrame) -> Design:
        """The same with the columns that these pieces can tell apart."""
        return replace(
            self, kept=independent_columns(np.delete(self.fixed(used), self._apart(), axis=1))
        )

    def columns(self, frame: pd.DataFrame) -> np.ndarray:
        """The columns that are fitted: the kept ones, then a column each pooled level."""
        rest = np.delete(self.fixed(frame), self._apart(), axis=1)[:, self.kept]
        return np.hstack([rest, *(part.columns(frame) for part in self.pooled)])

    @property
    def shared(self) -> np.ndarray:
        """Which of the fitted columns stand under the normal prior."""
        assert self.kept is not None
        own = sum(len(part.levels) for part in self.pooled)
        return np.r_[np.zeros(len(self.kept), bool), np.ones(own, bool)]

    def contrast(self, weights: np.ndarray) -> np.ndarray:
        """Weights on the columns of `fixed`, carried over to the fitted ones."""
        at = self.slices()
        out = [np.delete(weights, self._apart())[self.kept]]
        for part in self.pooled:
            own = weights[at[part.column]]
            # What the levels' columns do not take of the intercept's weight is the reference's.
            out.append(np.concatenate([[weights[0] - own.sum()], own]))
        return np.concatenate(out)

    def terms(self) -> list[tuple[Term, np.ndarray]]:
        """Every effect with its weights on the columns of `fixed`."""
        unit, at = np.eye(self.size), self.slices()
        found: list[tuple[Term, np.ndarray]] = []
        for part in sorted(self.parts, key=_order):
            place = at[part.column]
            if isinstance(part, Number):
                kind = "wall" if part.column == "wall_mm" else part.column
                found.append((Term(part.words, kind), unit[place.start]))
                continue
            for i, level in enumerate(part.levels[1:]):
                if NOT_SAID in (level, part.levels[0]):
                    continue  # what was not written down is compared with nothing
                name = f"{part.column}: {level} against {part.levels[0]}"
                term = Term(name, part.column, level, part.levels[0])
                found.append((term, unit[place.start + i]))
        return found


def _order(part: Factor | Number) -> int:
    order = ["seal", "wall_mm", "difference_pct", "species"]
    return order.index(part.column) if part.column in order else len(order)


def part_of(used: pd.DataFrame, column: str, reference: str | None = None) -> Factor | Number:
    """A column of the pieces as a number (in steps of about its spread) or as a factor.

    Examples
    --------
    >>> frame = pd.DataFrame({"maker": ["x", "y", "y"], "hours_soaked": [0.0, 12.0, 24.0]})
    >>> part_of(frame, "maker"), part_of(frame, "hours_soaked").step
    (Factor(column='maker', levels=('y', 'x'), pooled=False), 10.0)
    """
    values = used[column]
    if is_number(values):
        spread = float(values.std()) if len(values) > 1 else 1.0
        step = 10.0 ** np.round(np.log10(spread)) if spread > 0 else 1.0
        return Number(column, float(values.mean()), float(step))
    levels, _ = ordered_levels(values.astype(str), reference, values, column)
    return Factor(column, levels)


def ordered_levels(
    column: pd.Series, reference: str | None, whole: pd.Series, kind: str
) -> tuple[tuple[str, ...], str]:
    """The levels, the reference first, and what to say where it had to be another."""
    counts = column.value_counts()
    told = counts[counts.index != NOT_SAID] if (counts.index != NOT_SAID).any() else counts
    most = min(told[told == told.max()].index)
    note = ""
    if reference is None:
        first = most
    else:
        same = [name for name in counts.index if name.casefold() == reference.strip().casefold()]
        inside = whole.dropna().str.casefold().eq(reference.strip().casefold()).any()
        if same:
            first = same[0]
        elif reference == "none" or inside:
            first = most
            note = (
                f"No piece of {kind} {reference!r} was looked at, so the others are compared with "
                f"{first}."
            )
        else:
            raise WoodlabError(
                f"{reference!r} is no {kind} of this book. Type one of: "
                f"{', '.join(sorted(counts.index))}."
            )
    return (first, *sorted(name for name in counts.index if name != first)), note


# Species are partly pooled from this many on, when the middling one has fewer pieces than that.
POOL_FROM_SPECIES = 5
POOL_BELOW_PIECES = 10


def design_of(
    pieces: pd.DataFrame, used: pd.DataFrame, reference: str, reference_species: str | None,
    terms: Sequence[str],
) -> tuple[Design, list[str]]:  # fmt: skip
    """Wall, species, seal and the terms asked for; and what to say of references and pooling."""
    seals, note = ordered_levels(used["seal"], reference, pieces["seal"], "seal")
    species, other = ordered_levels(
        used["species"], reference_species, pieces["species"], "species"
    )
    counts = used["species"].value_counts()
    pooled = len(counts) >= POOL_FROM_SPECIES and float(counts.median()) < POOL_BELOW_PIECES
    notes = [line for line in (note, other) if line]
    if pooled:
        notes.append(
            f"There are {len(counts)} species with few pieces each, so each is drawn towards the "
            "mean of all by as much as its own records leave open."
        )
    wall = Number("wall_mm", float(used["wall_mm"].mean()), 10.0)
    own = [part_of(used, name) for name in terms]
    own = [part for part in own if not (isinstance(part, Factor) and part.width == 0)]
    return Design((wall, Factor("species", species, pooled), Factor("seal", seals), *own)), notes


# Time runs as ln(1 + days / 7): straight at first, then slower and slower, so that a line in it
# is a rate that changes as a power of time, and finite at turning.
WEEK_DAYS = 7.0
_GAUSS_NODES, _GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(6)


def slow_time(days: np.ndarray | float) -> np.ndarray:
    """ln(1 + days / 7), in which the course is smooth."""
    return np.log1p(np.asarray(days, dtype=float) / WEEK_DAYS)


@dataclass(frozen=True, eq=False)
class Course:
    """A natural cubic spline in ln(1 + days / 7); its level is the design's intercept.

    Attributes
    ----------
    knots : array
        In ln(1 + days / 7): as many as there are degrees of freedom, and one more. Two knots are
        a straight line; none is a constant rate.
    """

    knots: np.ndarray

    @property
    def df(self) -> int:
        return max(len(self.knots) - 1, 0)

    def basis(self, days: np.ndarray) -> np.ndarray:
        """The spline's columns, shape (..., df), of order one over the span of the knots."""
        u = slow_time(days)
        if not self.df:
            return np.empty((*u.shape, 0))
        low, high = self.knots[0], self.knots[-1]
        v = (u - low) / (high - low)
        k = (self.knots - low) / (high - low)
        columns = [v - 0.5]
        # Restricted cubic spline (linear beyond the outer knots), its usual truncated powers.
        last, before = k[-1], k[-2]
        for knot in k[:-2]:
            cube = np.maximum(v - knot, 0) ** 3
            cube = cube - np.maximum(v - before, 0) ** 3 * (last - knot) / (last - before)
            cube = cube + np.maximum(v - last, 0) ** 3 * (before - knot) / (last - before)
            columns.append(cube - v / 4)
        return np.stack(columns, axis=-1)

    def nodes(self, start: np.ndarray, end: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Basis at the nodes of each span (n, q, df), and ln of their weights [days] (n, q).

        Six Gauss-Legendre nodes in the slow time; the integral of a rate over the span is the
        sum of weight times rate.
        """
        a, b = slow_time(start)[:, None], slow_time(end)[:, None]
        u = (a + b) / 2 + (b - a) / 2 * _GAUSS_NODES
        days = WEEK_DAYS * np.expm1(u)
        weights = _GAUSS_WEIGHTS * (b - a) / 2 * WEEK_DAYS * np.exp(u)
        return self.basis(days), np.log(weights)

    def log_integral(self, start: float, end: float, gamma: np.ndarray) -> np.ndarray:
        """ln of the rate's integral over one span of days, for each row of `gamma` (k, df)."""
        cuts = WEEK_DAYS * np.expm1(np.linspace(slow_time(start), slow_time(end), 5))
        basis, log_weights = self.nodes(cuts[:-1], cuts[1:])
        inside = log_weights.ravel() + gamma @ basis.reshape(log_weights.size, self.df).T
        return logsumexp(inside, axis=1)


# Share of a course column's scatter that the intervals must show beside the other columns.
_LEAST_SHOWN = 0.15


def choose_course(
    from_days: np.ndarray, to_days: np.ndarray, cracked: np.ndarray, df: int | None = None
) -> Course:
    """A course fit for the number of cracks: constant below 4, then df 1, 2 from 12, 3 from 40.

    Fewer where the looks do not tell early from late: when all pieces were looked at once, on
    about the same day, the course stays constant.

    Parameters
    ----------
    from_days, to_days : array
        The intervals between looks of pieces still whole [days since turning].
    cracked : array of bool
        Whether the piece cracked in the interval.
    df : int, optional
        Degrees of freedom to try, instead of those by the number of cracks.
    """
    if df is None:
        df = int(np.searchsorted([4, 12, 40], int(cracked.sum()), side="right"))
    middles = slow_time((from_days + to_days)[cracked] / 2)
    high = float(slow_time(max(float(to_days.max()), 1.0)))
    for tried in range(df, 0, -1):
        course = Course(_knots(middles, high, tried))
        if _is_shown(course, from_days, to_days):
            return course
    return Course(np.empty(0))


def _knots(middles: np.ndarray, high: float, df: int) -> np.ndarray:
    """Zero, quantiles of the cracks' middles, and the last look."""
    inner = np.quantile(middles, np.linspace(0, 1, df + 1)[1:-1])
    knots = np.concatenate([[0.0], np.clip(inner, 0.15 * high, 0.85 * high), [high]])
    for i in range(1, df):
        knots[i] = max(knots[i], knots[i - 1] + 0.05 * high)
    return knots


def _is_shown(course: Course, from_days: np.ndarray, to_days: np.ndarray) -> bool:
    """Whether the intervals differ enough in time to tell the course from its level."""
    basis, log_widths = course.nodes(from_days, to_days)
    weights = np.exp(log_widths)
    means = np.einsum("nq,nqm->nm", weights / weights.sum(axis=1, keepdims=True), basis)
    whole = course.basis(WEEK_DAYS * np.expm1(np.linspace(0, course.knots[-1], 50)))
    centred = means - means.mean(axis=0)
    for j in range(course.df):
        others = np.delete(centred, j, axis=1)
        rest = centred[:, j] - others @ (np.linalg.pinv(others) @ centred[:, j])
        grid = whole - whole.mean(axis=0)
        grid_others = np.delete(grid, j, axis=1)
        grid_rest = grid[:, j] - grid_others @ (np.linalg.pinv(grid_others) @ grid[:, j])
        if rest.std() < _LEAST_SHOWN * grid_rest.std():
            return False
    return True
