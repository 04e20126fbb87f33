"""What a set of pieces can and cannot tell apart.

A seal that was put on one species only, or on thick walls only, cannot be told from the species or
the wall, and no model mends that. `comparable` asks it of two seals, for studies that compare
pieces of shared cells; `untellable` of any term of a model, by what its columns leave of it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from woodlab.show import listed

# Walls within a tenth of each other count as alike; above this variance inflation a number would
# rest on the model's extrapolation rather than on pieces.
ALIKE = 0.10
MOST_INFLATION = 12.0
LEAST_PIECES = 2
ALONE = (
    f"one piece shows no scatter, so nothing can be said of how sure a difference is; at least "
    f"{LEAST_PIECES}, better 6, are wanted"
)
LEAST_WALLS_MM = 0.5


def comparable(pieces: pd.DataFrame, seal: str, reference: str) -> tuple[str, pd.DataFrame]:
    """Why `seal` cannot be told from `reference`, empty where it can, and the pieces of the two
    whose species and place both seals have.

    `pieces` has piece, seal, species, place, wall_mm and log; one row for each with an outcome.
    """
    shared = pieces[pieces["seal"].isin([seal, reference])]
    none = shared.iloc[:0]
    for name in (reference, seal):
        if (number := int((shared["seal"] == name).sum())) < LEAST_PIECES:
            whose = "" if name == seal else f"of the reference {name!r}: "
            return whose + (ALONE if number else "no piece was weighed twice"), none

    def confounded(factor: str) -> tuple[str, pd.DataFrame]:
        return why_not(shared, "seal", seal, reference, [factor]), none

    for factor in ("species", "place"):
        level = shared[factor].astype(object).fillna("(not noted)")
        both = shared[shared.groupby(level)["seal"].transform("nunique") == 2]
        if min((both["seal"] == name).sum() for name in (seal, reference)) < LEAST_PIECES:
            return confounded(factor)
        shared = both
    ends = shared.groupby("seal")["wall_mm"].agg(["min", "max"]).astype(float)
    apart = np.log(ends["min"].max() / ends["max"].min()) > np.log1p(ALIKE)
    # inside each species, how closely seal and wall go together
    species = pd.get_dummies(shared["species"].astype(str)).to_numpy(float)
    own, wall = shared["seal"] == seal, np.log(shared["wall_mm"].to_numpy(float))
    matrix = np.column_stack([own, species, wall]).astype(float)
    if apart or not tells(matrix, 0, [*range(1 + species.shape[1])]):
        return confounded("species")
    logs = shared.groupby("log")["seal"].nunique()
    least = shared.groupby("seal")["log"].nunique().min()
    if shared["log"].notna().all() and logs.max() < 2 and least < 2:
        return confounded("log")  # no log holds both seals, and one of them has one log only
    return "", shared


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


def tells(matrix: np.ndarray, at: int, own: list[int]) -> bool:
    """Whether a column can be told from all others, and not by extrapolation alone."""
    weights = np.eye(matrix.shape[1])[at]
    return bool(is_estimable(matrix, weights)) and inflation(matrix, weights, own) <= MOST_INFLATION


def inflation(matrix: np.ndarray, weights: np.ndarray, own: list[int]) -> float:
    """How much the other columns blow up the variance of a contrast, as against its own alone."""
    whole = weights @ np.linalg.pinv(matrix.T @ matrix) @ weights
    part = matrix[:, own]
    alone = weights[own] @ np.linalg.pinv(part.T @ part) @ weights[own]
    return float(whole / alone) if alone > 0 else np.inf


def untellable(used: pd.DataFrame, design: Any, at: int) -> str:
    """Why the term in a column of a `Design` cannot be told from the others by these pieces; empty
    if it can."""
    term = design.terms[at - 1]
    kind, level = term.kind, term.level
    own = [0, *(i for i, one in enumerate(design.terms, 1) if one.kind == kind)]
    alike = kind == "wall" and np.ptp(used["wall_mm"].to_numpy()) < LEAST_WALLS_MM
    if alike or not tells(design.fixed(used), at, own):
        return why_not(used, kind, level, term.reference, list(design.levels))
    # Without a second log of any level, the spread between logs, which the difference has to be
    # held against, is not to be seen.
    if kind in ("species", "book") and used["log"].notna().all():
        logs = used.groupby(used[kind].astype(str))["log"].nunique()
        if (logs == 1).all():
            return (
                f"each {kind} here comes from a single log, so the records cannot tell a {kind} "
                "from its log; a second log of it would"
            )
    return ""


def why_not(used: pd.DataFrame, kind: str, level: str, reference: str, others: list[str]) -> str:
    """In words, why a term (the column `kind`, or `wall`; a number where `reference` is empty)
    cannot be told from the `others` that hold names; `used` has a row a piece."""
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
