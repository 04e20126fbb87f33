"""Species, wall and seal as columns of the hazard, and which effects can be told apart."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

WALL_STEP_MM = 10.0

# A contrast whose variance the other facts of the pieces blow up more than this is not told: it
# would rest on a handful of pieces, or on the straightness of the effect of the wall.
MOST_INFLATION = 12.0


@dataclass(frozen=True)
class Term:
    """A row of the effects: its name in words, and what it sets against what."""

    name: str
    kind: str
    level: str = ""
    reference: str = ""


@dataclass(frozen=True, eq=False)
class CrackDesign:
    """Columns of the linear part: intercept, wall, [extra], species, seal, in this order.

    Attributes
    ----------
    wall_centre_mm : float
    species, seals : tuple of str
        Levels, the reference first.
    extra : str
        Name of one more numeric column ("" for none), centred at `extra_centre`, a step being
        `extra_step`.
    use_wall, use_seal : bool
    pooled : bool
        Species under a normal prior, a column for each, instead of against the reference.
    kept : array of int
        Which of the columns are in the fit: a column that the others determine is left out,
        which changes no estimable contrast.
    """

    wall_centre_mm: float
    species: tuple[str, ...]
    seals: tuple[str, ...]
    use_wall: bool = True
    use_seal: bool = True
    extra: str = ""
    extra_centre: float = 0.0
    extra_step: float = 1.0
    pooled: bool = False
    kept: np.ndarray | None = None

    def fixed(self, frame: pd.DataFrame) -> np.ndarray:
        """All columns, species against their reference, shape (n, k)."""
        columns = [np.ones(len(frame))]
        if self.use_wall:
            columns.append((frame["wall_mm"].to_numpy(float) - self.wall_centre_mm) / WALL_STEP_MM)
        if self.extra:
            far = frame[self.extra].to_numpy(float) - self.extra_centre
            columns.append(far / self.extra_step)
        columns += [(frame["species"] == level).to_numpy(float) for level in self.species[1:]]
        if self.use_seal:
            columns += [(frame["seal"] == level).to_numpy(float) for level in self.seals[1:]]
        return np.stack(columns, axis=1)

    @property
    def species_at(self) -> slice:
        """Where the species' columns stand among `fixed`."""
        first = 1 + self.use_wall + bool(self.extra)
        return slice(first, first + len(self.species) - 1)

    def columns(self, frame: pd.DataFrame) -> np.ndarray:
        """The columns that are fitted."""
        fixed = self.fixed(frame)
        if not self.pooled:
            return fixed[:, self.kept]
        own = np.stack([(frame["species"] == level).to_numpy(float) for level in self.species], 1)
        at = self.species_at
        rest = np.delete(fixed, np.r_[at], axis=1)
        return np.hstack([rest[:, self.kept], own])

    def contrast(self, weights: np.ndarray) -> np.ndarray:
        """Weights on the columns of `fixed`, carried over to the fitted ones."""
        if not self.pooled:
            return weights[self.kept]
        at = self.species_at
        rest = np.delete(weights, np.r_[at])[self.kept]
        # What the species' columns do not take of the intercept's weight is the reference's.
        own = np.concatenate([[weights[0] - weights[at].sum()], weights[at]])
        return np.concatenate([rest, own])

    def terms(self, reference: str) -> list[tuple[Term, np.ndarray]]:
        """Every effect with its weights on the columns of `fixed`."""
        count = 1 + self.use_wall + bool(self.extra) + len(self.species) - 1
        count += (len(self.seals) - 1) if self.use_seal else 0
        unit = np.eye(count)
        found: list[tuple[Term, np.ndarray]] = []
        if self.use_seal:
            first = count - len(self.seals) + 1
            for i, level in enumerate(self.seals[1:]):
                name = f"seal: {level} against {reference}"
                found.append((Term(name, "seal", level, reference), unit[first + i]))
        if self.use_wall:
            name = f"wall: per {WALL_STEP_MM:g} mm thicker"
            found.append((Term(name, "wall"), unit[1]))
        if self.extra:
            name = f"core to surface: per {self.extra_step:g} points of moisture more"
            found.append((Term(name, "extra"), unit[1 + self.use_wall]))
        at = self.species_at.start
        for i, level in enumerate(self.species[1:]):
            name = f"species: {level} against {self.species[0]}"
            found.append((Term(name, "species", level, self.species[0]), unit[at + i]))
        return found


def independent_columns(matrix: np.ndarray) -> np.ndarray:
    """Columns, from the left, that the ones before them do not determine."""
    kept: list[int] = []
    basis = np.empty((len(matrix), 0))
    for j in range(matrix.shape[1]):
        column = matrix[:, j]
        rest = column - basis @ (basis.T @ column)
        rest = rest - basis @ (basis.T @ rest)
        size = np.linalg.norm(rest)
        if size > 1e-7 * max(float(np.linalg.norm(column)), 1e-300):
            basis = np.hstack([basis, rest[:, None] / size])
            kept.append(j)
    return np.array(kept, dtype=int)


def is_estimable(matrix: np.ndarray, weights: np.ndarray) -> bool:
    """Whether a contrast is a combination of what the pieces show."""
    solution, *_ = np.linalg.lstsq(matrix.T, weights, rcond=1e-9)
    return bool(np.linalg.norm(matrix.T @ solution - weights) < 1e-6 * np.linalg.norm(weights))


def inflation(matrix: np.ndarray, weights: np.ndarray, own: list[int]) -> float:
    """How much the other columns blow up the variance of a contrast, as against its own alone."""
    whole = weights @ np.linalg.pinv(matrix.T @ matrix) @ weights
    part = matrix[:, own]
    alone = weights[own] @ np.linalg.pinv(part.T @ part) @ weights[own]
    return float(whole / alone) if alone > 0 else np.inf


def why_not(used: pd.DataFrame, term: Term) -> str:
    """In words, why an effect cannot be told from the others."""
    if term.kind == "wall":
        walls = used["wall_mm"]
        if walls.max() - walls.min() < 0.5:
            return (
                f"all walls are about {walls.mean():.0f} mm, so the records cannot tell what "
                "thickness does; a season with walls of several thicknesses would"
            )
        return (
            "thick and thin walls stand under different seals or species, so the records cannot "
            "tell the wall from those; several thicknesses of one species under one seal would"
        )
    if term.kind == "extra":
        return "the difference hardly varies between the pieces, or follows the species"
    other = "species" if term.kind == "seal" else "seal"
    a = used[used[term.kind] == term.level]
    b = used[used[term.kind] == term.reference]
    if not len(b) or not len(a):
        missing = term.reference if not len(b) else term.level
        return f"no piece of `{missing}` was looked at, so there is nothing to compare"
    common = sorted(set(a[other]) & set(b[other]))
    if not common:
        return (
            f"no {'species stands under both seals' if other == 'species' else 'seal is on both'}"
            f": {term.level} has only {_listed(a[other])}, {term.reference} only "
            f"{_listed(b[other])}; the records cannot tell {term.kind} from {other}"
        )
    return (
        f"{term.level} has walls of {_span(a['wall_mm'])}, {term.reference} of "
        f"{_span(b['wall_mm'])}, and few or no pieces of one {other} compare like with like; the "
        f"records cannot tell the {term.kind} from the wall and the {other}"
    )


def _listed(values: pd.Series) -> str:
    names = sorted(map(str, values.unique()))
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else names[0]


def _span(walls: pd.Series) -> str:
    low, high = f"{walls.min():.0f}", f"{walls.max():.0f}"
    return f"{low} mm" if low == high else f"{low} to {high} mm"
