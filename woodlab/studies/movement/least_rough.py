"""The least rough bowl that still holds a finished one after drying: surfaces carried back."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd

from woodlab.errors import as_number
from woodlab.studies.movement.bowl_shape import Bowl, DriedBowl
from woodlab.studies.movement.rim_geometry import facing

# Wood cut away beside the pith where no distance is given (common practice, no source).
CLEAR_OF_PITH_MM = 10.0
SPARE_MM = 0.05  # added before rounding up to 0.1 mm: more than sampling the surfaces can miss

Points = tuple[np.ndarray, np.ndarray]  # radius from the axis, depth below the rough rim plane


def least_rough(
    finished: Bowl, strains: pd.DataFrame, rim_faces: str, pith_mm: float | None
) -> Bowl:
    """The least rough bowl that holds `finished` for every mixture of the rows of `strains` [%].
    Its own `rim_faces` and `pith_mm` do not count; those given are as in `rough_wall`."""
    to_bark = facing(rim_faces) < 0 and pith_mm is None
    clear = finished.height_mm * 1.2 + CLEAR_OF_PITH_MM if to_bark else CLEAR_OF_PITH_MM
    pith = clear if pith_mm is None else as_number(pith_mm, "pith_mm")
    placed = replace(finished, rim_faces=rim_faces, pith_mm=pith)
    for _ in range(4 if to_bark else 0):  # the height to clear hardly depends on the place
        (_, depth), _ = _green_points(placed, strains)
        placed = replace(placed, pith_mm=_up(depth.max()) + CLEAR_OF_PITH_MM)
    return _wrapped(_green_points(placed, strains), placed)


def _green_points(placed: Bowl, strains: pd.DataFrame) -> tuple[Points, Points]:
    """Where the finished outside (and foot) and inside lie in the green wood, over all trees."""
    down = np.sin(np.linspace(0, np.pi / 2, 72))  # coarser ones were seen to miss 0.1 mm
    # Over the flat foot and floor, close together: on the floor the wall needed can be greatest
    # a little inside its edge, where the side and the foot are equally far.
    spread = np.linspace(0, 1, 60)
    turn = np.linspace(0, np.pi / 2, 9)
    trees = [DriedBowl(placed, *tree) for tree in _trees(strains)]
    levels = [_flat_level(tree) for tree in trees]

    def carried_back(side: np.ndarray, deepest: float, edge: float, along_pct: float) -> Points:
        radius = np.append(side, edge * spread)[:, None]
        depth = np.append(deepest * down, np.full(60, deepest))[:, None]
        x, z, depth = np.concatenate([
            replace(tree, longitudinal_pct=along_pct).carried(
                radius * np.cos(turn), radius * np.sin(turn), level + depth, way=-1)
            for tree, level in zip(trees, levels, strict=True)
        ], axis=1)  # fmt: skip
        return np.hypot(x, z).ravel(), depth.ravel()

    # Along the grain the outside must hold in the tree that shrinks most, the hollow in the least.
    along = strains["longitudinal_pct"]
    high, hollow = placed.height_mm, placed.height_mm - placed.wall_mm
    inner = placed.inner_radius(hollow * down)
    return (
        carried_back(placed.outer_radius(high * down), high, placed.foot_mm / 2, along.max()),
        carried_back(inner, hollow, inner[-1], along.min()),
    )


def _trees(strains: pd.DataFrame) -> list[tuple[float, float]]:
    """The corners of what the two shrinkages may be, their middle, and where they meet: there the
    rim stays flat, and which part of it is lowest changes over."""
    radial, tangential = strains["radial_pct"], strains["tangential_pct"]
    sides = [(part.min(), part.max()) for part in (radial, tangential)]
    meet = [(end, end) for part, other in (sides, sides[::-1]) for end in part
            if other[0] < end < other[1]]  # fmt: skip
    middle = (radial.median(), tangential.median())
    return list(dict.fromkeys([*product(*sides), middle, *meet]))


def _flat_level(tree: DriedBowl) -> float:
    """Depth (from the green rim plane) at which the finished rim lies just within dried wood."""
    x = tree.bowl.rim_mm / 2 * np.linspace(0, 1, 25)
    level = 0.0
    for _ in range(40):
        above = float(tree.carried(x, 0 * x, np.full(25, level), way=-1)[2].min())
        level -= above * (1 - tree.radial_pct / 100)
        if abs(above) < 1e-9:
            break
    return level


def _wrapped(points: tuple[Points, Points], placed: Bowl) -> Bowl:
    """The bowl of our family with the thinnest wall around the points."""
    (radius, depth), (inner_radius, inner_depth) = points
    height = _up(depth.max())
    below = depth > 1e-9
    # of the hollow, the points that no other one lies both within and above count
    inner_depth = np.maximum(inner_depth, 0)
    order = np.lexsort((inner_radius, inner_depth))
    inner_radius, inner_depth = inner_radius[order], inner_depth[order]
    foremost = np.append(True, inner_radius[1:] < np.minimum.accumulate(inner_radius)[:-1])
    inner_radius, inner_depth = inner_radius[foremost], inner_depth[foremost]

    def around(half: float) -> Bowl:
        """The rough bowl of this half rim, its foot as narrow as may be, its wall as thin."""
        bend = np.min((1 - (radius[below] / half) ** 2) / depth[below] ** 2)
        share = np.sqrt(np.clip(1 - max(bend, 0.0) * height**2, 0, 1))
        rim = _up(2 * half)
        foot = min(_up(max(rim * share, placed.foot_mm)), rim)
        bowl = replace(placed, rim_mm=rim, height_mm=height, foot_mm=foot)
        return replace(bowl, wall_mm=float(bowl.cover(inner_radius, inner_depth).max()))

    def wall(half: float) -> float:
        return around(half).wall_mm

    # A wider rim lets the outside lean in more below: too narrow and too wide both cost wall.
    halves = float(radius.max()) * (1 + np.concatenate([[0], np.geomspace(2e-4, 0.08, 14)]))
    best = int(np.argmin([wall(half) for half in halves]))
    half = min(np.linspace(halves[max(best - 1, 0)], halves[min(best + 1, 14)], 9), key=wall)
    rough = around(half)
    return replace(rough, wall_mm=_up(rough.wall_mm))


def _up(size: float) -> float:
    """Rounded up, with something to spare."""
    return round(float(np.ceil(round((size + SPARE_MM) * 10, 6))) / 10, 1)
