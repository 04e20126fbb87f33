"""What a set of pieces can and cannot tell apart: empty cells, walls that do not overlap.

A difference between two seals is a difference of the seals only where other things are alike. A
seal that was put on one species only, or on thick walls only, cannot be told from the species or
the wall, and no model mends that. `comparable` asks it of two seals, for studies that compare
pieces of shared cells; `why_not` of any term of a model, by what its columns leave of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

# Walls within a tenth of each other count as alike; above this variance inflation a number would
# rest on the model's extrapolation rather than on pieces.
ALIKE = 0.10
MOST_CELLS = 6  # a sentence with more of them is not read to its end; `empty_cells` has all
MOST_INFLATION = 12.0
LEAST_PIECES = 2


@dataclass(frozen=True)
class Comparable:
    """Whether two seals can be compared.

    Attributes
    ----------
    reason : str
        Empty where they can; else in words why not, with the empty cells.
    pieces : tuple of str
        The pieces of the two seals that stand in cells which both seals share.
    empty_cells : tuple of str
        Such as "none x white ash".
    """

    reason: str
    pieces: tuple[str, ...]
    empty_cells: tuple[str, ...] = ()


def comparable(pieces: pd.DataFrame, seal: str, reference: str) -> Comparable:
    """Whether `seal` can be told from `reference` by these pieces.

    Parameters
    ----------
    pieces : DataFrame
        piece, seal, species, wall_mm, log, and place; one row for each piece with an outcome.

    Examples
    --------
    >>> pieces = pd.DataFrame({"piece": list("abcd"), "seal": ["none", "none", "wax", "wax"],
    ...                        "species": ["ash", "ash", "oak", "oak"], "wall_mm": 25.0,
    ...                        "log": list("ABCD"), "place": None})
    >>> got = comparable(pieces, "wax", "none")
    >>> got.empty_cells
    ('wax x ash', 'none x oak')
    """
    pair = pieces[pieces["seal"].isin([seal, reference])]
    counts = {name: int((pair["seal"] == name).sum()) for name in (reference, seal)}
    for name, count in counts.items():
        if count < LEAST_PIECES:
            return Comparable(too_few(name, count), ())
    shared = pair
    for factor in ("species", "place"):
        shared, empty = _shared(shared, factor, seal, reference)
        if any((shared["seal"] == name).sum() < LEAST_PIECES for name in counts):
            return Comparable(_disjoint(factor, empty, seal, reference, len(shared)), (), empty)
    walls = _walls_apart(shared, seal, reference)
    if walls:
        return Comparable(*walls)
    logs = _logs_apart(shared, seal, reference)
    if logs:
        return Comparable(logs, ())
    return Comparable("", tuple(shared["piece"]))


def too_few(name: str, count: int) -> str:
    """Why so few pieces cannot be compared, in words."""
    what = "no piece" if count == 0 else "one piece" if count == 1 else f"{count} pieces"
    return (
        f"{what} under {name!r} shows no scatter, so nothing can be said of how sure a difference "
        f"is; at least {LEAST_PIECES} of each, better 6, are wanted"
    )


def _shared(
    pair: pd.DataFrame, factor: str, seal: str, reference: str
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """The rows whose level of the factor holds both seals, and the cells that are empty."""
    if factor not in pair or pair[factor].isna().all():
        return pair, ()
    level = pair[factor].astype(object).where(pair[factor].notna(), "(not noted)")
    counts = pd.crosstab(level, pair["seal"]).reindex(columns=[reference, seal], fill_value=0)
    both = counts.index[(counts > 0).all(axis=1)]
    empty = tuple(
        f"{name} x {where}"
        for where, row in counts.iterrows()
        for name in (reference, seal)
        if row[name] == 0
    )
    return pair[level.isin(both)], empty


def _disjoint(factor: str, empty: tuple[str, ...], seal: str, reference: str, left: int) -> str:
    few = "no" if left == 0 else "not enough"
    cells = ", ".join(empty[:MOST_CELLS]) or "none"
    more = f" and {len(empty) - MOST_CELLS} more" if len(empty) > MOST_CELLS else ""
    return (
        f"cannot tell {seal!r} from the {factor}: {few} pieces of {seal!r} and {reference!r} share "
        f"one. Empty cells: {cells}{more}"
    )


def _walls_apart(
    shared: pd.DataFrame, seal: str, reference: str
) -> tuple[str, tuple[str, ...], tuple[str, ...]] | None:
    wall = np.log(shared["wall_mm"].to_numpy(dtype=float))
    sealed = (shared["seal"] == seal).to_numpy()
    one, two = wall[sealed], wall[~sealed]
    apart = max(one.min() - two.max(), two.min() - one.max())
    if apart > np.log1p(ALIKE):
        thick, thin = (seal, reference) if one.min() > two.max() else (reference, seal)
        low = np.exp(min(one.max(), two.max()))
        high = np.exp(max(one.min(), two.min()))
        empty = (f"{thick} x up to {low:.0f} mm", f"{thin} x {high:.0f} mm and above")
        return (
            f"cannot tell {seal!r} from the wall: every piece under {thick!r} is thicker "
            f"({high:.0f} mm and above) than every piece under {thin!r} (up to {low:.0f} mm). "
            f"Empty cells: {', '.join(empty)}",
            (), empty,
        )  # fmt: skip
    inflation = _inflation(shared, wall, sealed)
    if inflation > MOST_INFLATION:
        return (
            f"cannot tell {seal!r} from the wall: inside each species the two go together so "
            f"closely (variance inflation {inflation:.0f}) that a number would rest on "
            "extrapolation",
            (), (),
        )  # fmt: skip
    return None


def _inflation(shared: pd.DataFrame, wall: np.ndarray, sealed: np.ndarray) -> float:
    """How much of the seal is left once species and wall are taken out."""
    species = pd.get_dummies(shared["species"].astype(str)).to_numpy(dtype=float)
    matrix = np.column_stack([species, sealed.astype(float), wall])
    own = list(range(species.shape[1] + 1))
    weights = np.zeros(matrix.shape[1])
    weights[species.shape[1]] = 1.0
    if not is_estimable(matrix, weights):
        return np.inf
    return inflation(matrix, weights, own)


def _logs_apart(shared: pd.DataFrame, seal: str, reference: str) -> str:
    """Where no log holds both seals, each needs two logs at least."""
    logs = shared["log"]
    if logs.isna().all():
        return ""
    named = shared[logs.notna()]
    held = named.groupby("log")["seal"].nunique()
    if (held == 2).any() or logs.isna().any():
        return ""
    for name in (seal, reference):
        own = named.loc[named["seal"] == name, "log"].unique()
        if len(own) < 2:
            return (
                f"cannot tell {seal!r} from the log: every piece under {name!r} is from log "
                f"{own[0]!r}, which has none under the other. Empty cells: "
                f"{reference if name == seal else seal} x log {own[0]}"
            )
    return ""


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
    for other in [name for name in others if name != kind]:
        if set(a[other].dropna().astype(str)) & set(b[other].dropna().astype(str)):
            continue
        head = {"species": "no species is under both seals", "seal": "no seal is on both"}
        return (
            f"{head.get(other, f'no {other} has both')}: {level} has only {_names(a[other])}, "
            f"{reference} only {_names(b[other])}; the records cannot tell {kind} from {other}"
        )
    return (
        f"{level} has walls of {_span(a['wall_mm'])}, {reference} of {_span(b['wall_mm'])}, and "
        f"few or no pieces of one {' and '.join(o for o in others if o != kind) or 'kind'} compare "
        f"like with like; the records cannot tell the {kind} from the wall and the rest"
    )


LEAST_WALLS_MM = 0.5


def _names(values: pd.Series) -> str:
    names = sorted(map(str, values.dropna().unique()))
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)


def _span(walls: pd.Series) -> str:
    low, high = f"{walls.min():.0f}", f"{walls.max():.0f}"
    return f"{low} mm" if low == high else f"{low} to {high} mm"
