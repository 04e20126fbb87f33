"""What a set of pieces can and cannot tell apart: empty cells, walls that do not overlap.

A difference between two seals is a difference of the seals only where other things are alike. A
seal that was put on one species only, or on thick walls only, cannot be told from the species or
the wall, and no model mends that. `comparable` asks it of two seals, for studies that compare
pieces of shared cells; `why_not` of any term of a model, by what its columns leave of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from woodlab.show import listed

# Walls within a tenth of each other count as alike; above this variance inflation a number would
# rest on the model's extrapolation rather than on pieces.
ALIKE = 0.10
MOST_INFLATION = 12.0
MOST_CELLS = 6  # a sentence with more of them is not read to its end; `empty_cells` has all
LEAST_PIECES = 2
ALONE = (
    f"one piece shows no scatter, so nothing can be said of how sure a difference is; at least "
    f"{LEAST_PIECES}, better 6, are wanted"
)
LEAST_WALLS_MM = 0.5


@dataclass(frozen=True)
class Comparable:
    """Whether two seals can be compared: pieces of cells that both share, or why not."""

    reason: str
    pieces: tuple[str, ...] = ()
    empty_cells: tuple[str, ...] = ()  # such as "none x white ash"


def comparable(pieces: pd.DataFrame, seal: str, reference: str) -> Comparable:
    """Whether `seal` can be told from `reference` by these pieces.

    Parameters
    ----------
    pieces : DataFrame
        piece, seal, species, wall_mm, log, and place; one row for each piece with an outcome.
    """
    shared = pieces[pieces["seal"].isin([seal, reference])]
    for name in (reference, seal):
        if (number := int((shared["seal"] == name).sum())) < LEAST_PIECES:
            whose = "" if name == seal else f"of the reference {name!r}: "
            return Comparable(whose + (ALONE if number else "no piece was weighed twice"))
    for factor in ("species", "place"):
        if factor not in shared or shared[factor].isna().all():
            continue
        level = shared[factor].astype(object).where(shared[factor].notna(), "(not noted)")
        cells = pd.crosstab(level, shared["seal"]).reindex(columns=[reference, seal], fill_value=0)
        shared = shared[level.isin(cells.index[(cells > 0).all(axis=1)])]
        if any((shared["seal"] == name).sum() < LEAST_PIECES for name in (seal, reference)):
            few = "not enough" if len(shared) else "no"
            what = f"{few} pieces of {seal!r} and {reference!r} share one"
            empty = [
                f"{name} x {at}" for at in cells.index for name in cells if not cells[name][at]
            ]
            return _confounded(seal, factor, what, empty)
    return (
        _walls_apart(shared, seal, reference)
        or _logs_apart(shared, seal, reference)
        or Comparable("", tuple(shared["piece"]))
    )


def _confounded(seal: str, factor: str, what: str, empty: list[str]) -> Comparable:
    cells = ", ".join(empty[:MOST_CELLS]) or "none"
    more = f" and {len(empty) - MOST_CELLS} more" if len(empty) > MOST_CELLS else ""
    why = f"cannot tell {seal!r} from the {factor}: {what}. Empty cells: {cells}{more}"
    return Comparable(why, (), tuple(empty))


def _walls_apart(shared: pd.DataFrame, seal: str, reference: str) -> Comparable | None:
    """Where the walls of the two do not overlap, or go with the seal inside each species."""
    ends = shared.groupby("seal")["wall_mm"].agg(["min", "max"]).astype(float)
    thin, thick = sorted((seal, reference), key=lambda name: ends["min"][name])
    low, high = ends["max"][thin], ends["min"][thick]
    if np.log(high / low) > np.log1p(ALIKE):
        what = (
            f"every piece under {thick!r} is thicker ({high:.0f} mm and above) than every piece "
            f"under {thin!r} (up to {low:.0f} mm)"
        )
        empty = [f"{thick} x up to {low:.0f} mm", f"{thin} x {high:.0f} mm and above"]
        return _confounded(seal, "wall", what, empty)
    species = pd.get_dummies(shared["species"].astype(str)).to_numpy(float)
    wall, sealed = np.log(shared["wall_mm"].to_numpy(float)), (shared["seal"] == seal).to_numpy()
    matrix = np.column_stack([species, sealed, wall]).astype(float)
    at = species.shape[1]
    weights = np.eye(matrix.shape[1])[at]
    told = is_estimable(matrix, weights)
    blown = inflation(matrix, weights, [*range(at + 1)]) if told else np.inf
    if blown > MOST_INFLATION:
        return Comparable(
            f"cannot tell {seal!r} from the wall: inside each species the two go together so "
            f"closely (variance inflation {blown:.0f}) that a number would rest on extrapolation"
        )
    return None


def _logs_apart(shared: pd.DataFrame, seal: str, reference: str) -> Comparable | None:
    """Where no log holds both seals, each needs two logs at least."""
    if shared["log"].isna().any() or (shared.groupby("log")["seal"].nunique() == 2).any():
        return None
    for name, other in ((seal, reference), (reference, seal)):
        own = shared.loc[shared["seal"] == name, "log"].unique()
        if len(own) < 2:
            what = (
                f"every piece under {name!r} is from log {own[0]!r}, which has none under the other"
            )
            return _confounded(seal, "log", what, [f"{other} x log {own[0]}"])
    return None


def independent_columns(matrix: np.ndarray) -> np.ndarray:
    """Columns, from the left, that the ones before them do not determine."""
    scaled = matrix / np.maximum(np.linalg.norm(matrix, axis=0), 1e-300)
    kept: list[int] = []
    for j in range(matrix.shape[1]):
        if np.linalg.matrix_rank(scaled[:, [*kept, j]], tol=1e-7) > len(kept):
            kept.append(j)
    return np.array(kept, dtype=int)


def is_estimable(matrix: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Whether a contrast, or each of several rows, is a combination of what the pieces show."""
    shown = weights @ np.linalg.pinv(matrix, rcond=1e-9) @ matrix
    gap = np.linalg.norm(shown - weights, axis=-1)
    return np.asarray(gap < 1e-6 * np.linalg.norm(weights, axis=-1))


def inflation(matrix: np.ndarray, weights: np.ndarray, own: list[int]) -> float:
    """How much the other columns blow up the variance of a contrast, as against its own alone."""
    whole = weights @ np.linalg.pinv(matrix.T @ matrix) @ weights
    part = matrix[:, own]
    alone = weights[own] @ np.linalg.pinv(part.T @ part) @ weights[own]
    return float(whole / alone) if alone > 0 else np.inf


def untellable(
    used: pd.DataFrame, design: Any, fixed: np.ndarray, at: int, term: dict[str, str]
) -> str:
    """Why a term of a `Design` cannot be told from the others by these pieces; empty if it can."""
    kind, level, weights = term["kind"], term["level"], np.eye(fixed.shape[1])[at]
    own = design.slices["wall_mm" if kind == "wall" else kind]
    alike = kind == "wall" and np.ptp(used["wall_mm"].to_numpy()) < LEAST_WALLS_MM
    if (
        alike
        or not is_estimable(fixed, weights)
        or inflation(fixed, weights, [0, *range(own.start, own.stop)]) > MOST_INFLATION
    ):
        return why_not(used, kind, level, term["reference"], list(design.factors))
    # Without a second log of any level, the spread between logs, which the difference has to be
    # held against, is not to be seen.
    if kind in ("species", "book") and used["log"].notna().all():
        logs = used.groupby(used[kind].astype(str))["log"].nunique()
        if (logs == 1).all():
            return (
                f"each {kind} here comes from a single log, so the records cannot tell {level} "
                "from its log; a second log of it would"
            )
    return ""


def why_not(used: pd.DataFrame, kind: str, level: str, reference: str, others: list[str]) -> str:
    """In words, why a term of a model cannot be told from the others.

    Parameters
    ----------
    used : DataFrame
        A row a piece.
    kind : str
        The term's column, or `wall`; a number where `reference` is empty.
    others : list of str
        The other columns of the model that hold names.
    """
    others = [name for name in others if name != kind]
    if kind == "wall":
        walls = used["wall_mm"]
        if walls.max() - walls.min() < LEAST_WALLS_MM:
            return (
                f"all walls are about {walls.mean():.0f} mm, so the records cannot tell what "
                "thickness does; a season with walls of several thicknesses would"
            )
        return (
            "thick and thin walls have different seals or species, so the records cannot "
            "tell the wall from those; several thicknesses of one species under one seal would"
        )
    if not reference:
        return f"{kind} hardly varies between the pieces, or goes with {' and '.join(others)}"
    a, b = (used[used[kind].astype(str) == name] for name in (level, reference))
    if not len(a) or not len(b):
        return (
            f"no piece of `{reference if not len(b) else level}` was looked at, so there is "
            "nothing to compare"
        )
    for other in others:
        held = [sorted(group[other].dropna().astype(str).unique()) for group in (a, b)]
        if set(held[0]) & set(held[1]):
            continue
        head = {"species": "no species is under both seals", "seal": "no seal is on both"}
        one, two = (listed(names, most=len(names)) for names in held)
        return (
            f"{head.get(other, f'no {other} has both')}: {level} has only {one}, {reference} only "
            f"{two}; the records cannot tell {kind} from {other}"
        )
    return (
        f"{level} has walls of {_span(a['wall_mm'])}, {reference} of {_span(b['wall_mm'])}, and "
        f"few or no pieces of one {' and '.join(others) or 'kind'} compare like with like; the "
        f"records cannot tell the {kind} from the wall and the rest"
    )


def _span(walls: pd.Series) -> str:
    ends = dict.fromkeys(f"{end:.0f}" for end in (walls.min(), walls.max()))
    return f"{' to '.join(ends)} mm"
