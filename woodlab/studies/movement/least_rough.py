"""The least rough bowl that still holds a finished one after drying: surfaces carried back."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd

from woodlab.errors import as_number
from woodlab.studies.movement.bowl_shape import Bowl
from woodlab.studies.movement.rim_geometry import carry, facing

# Wood cut away beside the pith where no distance is given (common practice, no source).
CLEAR_OF_PITH_MM = 10.0
SPARE_MM = 0.05  # added before rounding up to 0.1 mm: more than sampling the surfaces can miss

Points = tuple[np.ndarray, np.ndarray]  # radius from the axis, depth below the rough rim plane


def least_rough(
    finished: Bowl, strains: pd.DataFrame, rim_faces: str, pith_mm: float | None
) -> Bowl:
    """The least rough bowl that holds `finished` for every mixture of the rows of `strains` [%].
    Its own `rim_faces` and `pith_mm` do not count; those given are as in `rough_wall`."""
    if pith_mm is not None:
        replace(finished, rim_faces=rim_faces, pith_mm=as_number(pith_mm, "pith_mm"))  # or an error
    faces = float(facing(rim_faces))
    pith = CLEAR_OF_PITH_MM if pith_mm is None else float(pith_mm)
    if faces < 0 and pith_mm is None:
        pith = finished.height_mm * 1.2 + CLEAR_OF_PITH_MM
        for _ in range(4):  # the height to clear hardly depends on the place in the log
            outside, _ = _green_points(finished, strains, faces, pith)
            pith = _up(outside[1].max()) + CLEAR_OF_PITH_MM
    points = _green_points(finished, strains, faces, pith)
    return _wrapped(points, finished, rim_faces, pith)


def _green_points(
    finished: Bowl, strains: pd.DataFrame, faces: float, pith: float
) -> tuple[Points, Points]:
    """Where the finished outside (and foot) and inside lie in the green wood, over all trees."""
    down = np.sin(np.linspace(0, np.pi / 2, 72))  # coarser ones were seen to miss 0.1 mm
    # Over the flat foot and floor, close together: on the floor the wall needed can be greatest
    # a little inside its edge, where the side and the foot are equally far.
    spread = np.linspace(0, 1, 60)
    turn = np.linspace(0, np.pi / 2, 9)
    trees = [(*tree, _flat_level(finished.rim_mm, faces, pith, *tree)) for tree in _trees(strains)]

    def carried_back(side: np.ndarray, deepest: float, edge: float, shrunk: float) -> Points:
        radius = np.append(side, edge * spread)[:, None]
        depth = np.append(deepest * down, np.full(60, deepest))[:, None]
        z = radius * np.sin(turn) / shrunk
        found = []
        for radial, tangential, level in trees:
            y = pith + faces * (level + depth)
            x, y = carry(radius * np.cos(turn), y, radial, tangential, way=-1)
            found.append((np.hypot(x, z).ravel(), (faces * (y - pith)).ravel()))
        radii, depths = zip(*found, strict=True)
        return np.concatenate(radii), np.concatenate(depths)

    # Along the grain the outside must hold in the tree that shrinks most, the hollow in the least.
    along = 1 - strains["longitudinal_pct"].to_numpy() / 100
    high, hollow = finished.height_mm, finished.height_mm - finished.wall_mm
    inner = finished.inner_radius(hollow * down)
    return (
        carried_back(finished.outer_radius(high * down), high, finished.foot_mm / 2, along.min()),
        carried_back(inner, hollow, inner[-1], along.max()),
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


def _flat_level(
    rim_mm: float, faces: float, pith: float, radial: float, tangential: float
) -> float:
    """Depth (from the green rim plane) at which the finished rim lies just within dried wood."""
    x = rim_mm / 2 * np.linspace(0, 1, 25)
    level = 0.0
    for _ in range(40):
        _, y = carry(x, pith + faces * level, radial, tangential, way=-1)
        above = float((faces * (y - pith)).min())
        level -= above * (1 - radial / 100)
        if abs(above) < 1e-9:
            break
    return level


def _wrapped(points: tuple[Points, Points], finished: Bowl, rim_faces: str, pith: float) -> Bowl:
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
        foot = min(_up(max(rim * share, finished.foot_mm)), rim)
        bowl = Bowl(rim, height, 1.0, foot, rim_faces, pith)
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
