"""What a set of pieces can and cannot tell apart: empty cells, walls that do not overlap.

A difference between two seals is a difference of the seals only where other things are alike. A
seal that was put on one species only, or on thick walls only, cannot be told from the species or
the wall, and no model mends that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

# Walls within a tenth of each other count as alike; above this variance inflation a number would
# rest on the model's extrapolation rather than on pieces.
ALIKE = 0.10
MOST_CELLS = 6  # a sentence with more of them is not read to its end; `empty_cells` has all
MOST_INFLATION = 10.0
LEAST_PIECES = 2
_FACTORS = {"species": "species", "place": "place"}


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
            return Comparable(_too_few(name, count), ())
    shared = pair
    for factor, word in _FACTORS.items():
        shared, empty = _shared(shared, factor, seal, reference)
        if any((shared["seal"] == name).sum() < LEAST_PIECES for name in counts):
            return Comparable(_disjoint(word, empty, seal, reference, len(shared)), (), empty)
    walls = _walls_apart(shared, seal, reference)
    if walls:
        return Comparable(*walls)
    logs = _logs_apart(shared, seal, reference)
    if logs:
        return Comparable(logs, ())
    return Comparable("", tuple(shared["piece"]))


def _too_few(name: str, count: int) -> str:
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


def _disjoint(word: str, empty: tuple[str, ...], seal: str, reference: str, left: int) -> str:
    few = "no" if left == 0 else "not enough"
    cells = ", ".join(empty[:MOST_CELLS]) or "none"
    more = f" and {len(empty) - MOST_CELLS} more" if len(empty) > MOST_CELLS else ""
    return (
        f"cannot tell {seal!r} from the {word}: {few} pieces of {seal!r} and {reference!r} share "
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
    base = sealed - species @ np.linalg.lstsq(species, sealed.astype(float), rcond=None)[0]
    other = np.column_stack([species, wall])
    rest = sealed - other @ np.linalg.lstsq(other, sealed.astype(float), rcond=None)[0]
    left = float(rest @ rest)
    return float(base @ base) / left if left > 1e-12 else np.inf


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
