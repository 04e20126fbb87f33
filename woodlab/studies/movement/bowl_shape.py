"""A turned bowl as a solid, and the same solid after drying: surfaces, walls, sections.

The shape is one family, stated so that others can check it. Outside: a quarter of an ellipse,
upright at the rim, from the rim's diameter down to the foot's, and a flat foot. Wall: every point
of the wood lies within `wall_mm` of the outside or the foot (one thickness everywhere). Depth is
counted from the rim plane down to the foot.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from woodlab.errors import WoodlabError, as_number
from woodlab.studies.movement.rim_geometry import DriedRim, carry, carry_back, dried_rim, facing

# Foot of a bowl as a part of its rim where none is given (common practice, no source).
FOOT_SHARE = 0.4

Leaves = Callable[[np.ndarray, np.ndarray], np.ndarray]  # (radius, depth) -> outside a region

_HALVINGS = 30  # bisection steps: a span of 1 m down to 1e-6 mm
_INWARD_STEPS = 30
_NEWTON_STEPS = 100  # mostly fewer than ten are needed; more close to the long axis


@dataclass(frozen=True)
class Bowl:
    """A round bowl of one wall thickness, and where it stood in the log.

    Attributes
    ----------
    rim_mm, height_mm, wall_mm, foot_mm : float
        Outside diameter of the rim, height, wall, diameter of the foot [mm].
    rim_faces : str
        "pith" or "bark".
    pith_mm : float
        Distance of the rim plane from the pith [mm].

    Raises
    ------
    WoodlabError
        If the measures cannot make a bowl, or the pith would lie in its wood.

    Notes
    -----
    The shape is one of our own: see the head of this module.

    Examples
    --------
    >>> bowl = Bowl(300, 120, 30, 120, "pith", 10)
    >>> bool(bowl.holds(140, 0, 5)), bool(bowl.holds(0, 0, 5))   # wall, hollow
    (True, False)
    """

    rim_mm: float
    height_mm: float
    wall_mm: float
    foot_mm: float
    rim_faces: str = "pith"
    pith_mm: float = 0.0

    def __post_init__(self) -> None:
        sizes = {
            "rim_mm": self.rim_mm,
            "height_mm": self.height_mm,
            "wall_mm": self.wall_mm,
            "foot_mm": self.foot_mm,
        }
        for name, size in sizes.items():
            as_number(size, name)
            if isinstance(size, str) or not (np.isfinite(size) and size > 0):
                raise WoodlabError(f"{name} must be above zero (found {size!r}). Type it in mm.")
        if self.foot_mm > self.rim_mm:
            raise WoodlabError(
                f"foot_mm ({self.foot_mm:g}) is wider than rim_mm ({self.rim_mm:g}): the shapes "
                "here widen from the foot to the rim. Type the two diameters again."
            )
        if not (np.isfinite(self.pith_mm) and self.pith_mm >= 0):
            raise WoodlabError(
                f"pith_mm must be zero or more (found {self.pith_mm!r}): beyond the rim plane the "
                "pith would lie in the wood. Type the distance of the rim plane from the pith."
            )
        if self.faces < 0 and self.pith_mm < self.height_mm:
            raise WoodlabError(
                f"the rim faces the bark and stands {self.pith_mm:g} mm from the pith, but the "
                f"bowl is {self.height_mm:g} mm high: the pith would lie in the wood. Make the "
                "bowl lower, or turn it farther out in the log."
            )

    @property
    def faces(self) -> float:
        """+1 when the rim faces the pith, -1 when it faces the bark."""
        return float(facing(self.rim_faces))

    @property
    def drop_mm(self) -> float:
        """Half-axis of the outside ellipse along the bowl's axis [mm]."""
        return ellipse_drop(self.rim_mm, self.height_mm, self.foot_mm)

    def outer_radius(self, depth_mm: ArrayLike) -> np.ndarray:
        """Outside radius at a depth below the rim plane [mm]."""
        part = np.asarray(depth_mm, dtype=float) / self.drop_mm
        return self.rim_mm / 2 * np.sqrt(np.clip(1 - part**2, 0, None))

    def cover(self, radius_mm: ArrayLike, depth_mm: ArrayLike) -> np.ndarray:
        """Distance from points inside the outside shape to the outside or the foot [mm]."""
        depth = np.asarray(depth_mm, dtype=float)
        side = ellipse_distance(radius_mm, depth, self.rim_mm / 2, self.drop_mm)
        return np.minimum(side, self.height_mm - depth)

    def holds(self, x_mm: ArrayLike, z_mm: ArrayLike, depth_mm: ArrayLike) -> np.ndarray:
        """Whether green points are in the wood of the bowl."""
        radius, depth = np.hypot(x_mm, z_mm), np.asarray(depth_mm, dtype=float)
        within = (depth >= 0) & (depth <= self.height_mm) & (radius <= self.outer_radius(depth))
        return within & (self.cover(radius, np.clip(depth, 0, self.height_mm)) <= self.wall_mm)

    def inner_radius(self, depth_mm: ArrayLike) -> np.ndarray:
        """Radius of the hollow at a depth [mm], its flat floor included; 0 below it."""
        depth = np.asarray(depth_mm, dtype=float)
        radius = self.outer_radius(depth)
        hollow = self.cover(np.zeros(depth.shape), depth) > self.wall_mm - 1e-9
        # The distance to a convex outside is concave: Newton's steps from outside stay outside.
        for _ in range(_INWARD_STEPS):
            near_r, near_u = _nearest(radius, depth, self.rim_mm / 2, self.drop_mm)
            cover = np.hypot(near_r - radius, near_u - depth)
            normal_r, normal_u = near_r / (self.rim_mm / 2) ** 2, near_u / self.drop_mm**2
            slope = np.maximum(normal_r / np.hypot(normal_r, normal_u), 1e-9)
            step = np.where(hollow, (self.wall_mm - cover) / slope, 0.0)
            radius = np.clip(radius - step, 0, None)
            if np.all(np.abs(step) < 1e-9):
                break
        return np.where(hollow, radius, 0.0)

    def from_pith(self, depth_mm: ArrayLike) -> np.ndarray:
        """Coordinate y in the log (see `rim_geometry`) of a depth below the rim plane [mm]."""
        return self.pith_mm + self.faces * np.asarray(depth_mm, dtype=float)


def ellipse_drop(rim_mm: float, height_mm: float, foot_mm: float) -> float:
    """Half-axis down of the ellipse that is rim wide at the top and foot wide at this height.

    A foot as wide as the rim (a cylinder) is taken as very nearly so.
    """
    share = min(foot_mm / rim_mm, 1 - 1e-9)
    return float(height_mm / np.sqrt(1 - share**2))


def ellipse_distance(
    radius_mm: ArrayLike, depth_mm: ArrayLike, half_width_mm: float, half_drop_mm: float
) -> np.ndarray:
    """Distance from points inside an ellipse to it.

    The nearest point is (a^2 x/(t + a^2), b^2 y/(t + b^2)) with t the one root that puts it on
    the ellipse. One over the size of (a x/(t + a^2), b y/(t + b^2)) is concave and nearly straight
    in t: Newton's steps on it, from where one of the two terms is 1, climb to the root without
    passing it.

    Parameters
    ----------
    radius_mm, depth_mm : array_like
        Points of the first quadrant, inside.
    half_width_mm, half_drop_mm : float
        Half-axes a, b.

    Examples
    --------
    >>> round(float(ellipse_distance(3.0, 0.0, 10.0, 10.0)), 9)   # a circle
    7.0
    """
    near_x, near_y = _nearest(radius_mm, depth_mm, half_width_mm, half_drop_mm)
    return np.hypot(near_x - radius_mm, near_y - depth_mm)


def _nearest(
    radius_mm: ArrayLike, depth_mm: ArrayLike, half_width_mm: float, half_drop_mm: float
) -> tuple[np.ndarray, np.ndarray]:
    """The point of an ellipse nearest to points inside it; see `ellipse_distance`."""
    x = np.maximum(np.asarray(radius_mm, dtype=float), 1e-9 * half_width_mm)
    y = np.maximum(np.asarray(depth_mm, dtype=float), 1e-9 * half_drop_mm)
    a, b = half_width_mm**2, half_drop_mm**2
    # t is counted from -min(a, b), so that no figures cancel near the long axis
    more_a, more_b = a - min(a, b), b - min(a, b)
    t = np.maximum(half_width_mm * x - more_a, half_drop_mm * y - more_b)
    for _ in range(_NEWTON_STEPS):
        term_x = (half_width_mm * x / (t + more_a)) ** 2
        term_y = (half_drop_mm * y / (t + more_b)) ** 2
        size = term_x + term_y
        step = size * (np.sqrt(size) - 1) / (term_x / (t + more_a) + term_y / (t + more_b))
        t = t + step
        if np.all(step <= 1e-10 * t):
            break
    return a * x / (t + more_a), b * y / (t + more_b)


@dataclass(frozen=True)
class DriedBowl:
    """A bowl after drying. Heights are above the bench, the bowl standing on its foot.

    Attributes
    ----------
    bowl : Bowl
        As it was turned.
    radial_pct, tangential_pct, longitudinal_pct : float
        Shrinkages between the two moistures [%].
    rim : DriedRim
        Along and across the grain, rise, ovality.
    walls : DataFrame
        Wall left: `around_deg` (0 across the grain, 90 along it), `depth_mm` (of the point of
        the outside, green), `green_mm`, `wall_mm` (between the same two points after drying).
    """

    bowl: Bowl
    radial_pct: float
    tangential_pct: float
    longitudinal_pct: float
    rim: DriedRim
    walls: pd.DataFrame

    def outline(self, exaggerate: float = 1.0) -> pd.DataFrame:
        """The outer edge of the rim from above: `state`, `order`, `across_mm`, `along_mm`.

        States: "green" (as turned) and "dried", the dried one's movement times `exaggerate`.

        Examples
        --------
        >>> dry = dried_bowl(Bowl(300, 120, 30, 120, "pith", 10), 3.5, 7.3)
        >>> rim = dry.outline().groupby("state")["across_mm"].max()
        >>> round(2 * rim["green"]), round(2 * rim["dried"])
        (300, 288)
        """
        turn = np.linspace(0, 2 * np.pi, 145)
        x, z = self.bowl.rim_mm / 2 * np.cos(turn), self.bowl.rim_mm / 2 * np.sin(turn)
        moved_x, moved_z, _ = self._carried(x, z, np.zeros_like(x))
        frames = [
            pd.DataFrame({"state": state, "across_mm": a, "along_mm": b})
            for state, a, b in (
                ("green", x, z),
                ("dried", x + exaggerate * (moved_x - x), z + exaggerate * (moved_z - z)),
            )
        ]
        return _ordered(frames)

    def section(self, exaggerate: float = 1.0) -> pd.DataFrame:
        """Cut through the axis: `cut` (across, along), `state`, `order`, `side_mm`, `height_mm`.

        Closed outlines of the wood, on the bench; the dried one's movement times `exaggerate`.
        """
        depth, side = self._half_section()
        frames = []
        for cut in ("across the grain", "along the grain"):
            across = cut.startswith("across")
            x, z = (side, 0 * side) if across else (0 * side, side)
            moved_x, moved_z, moved_depth = self._carried(x, z, depth)
            moved = moved_x if across else moved_z
            for state, horizontal, down in (
                ("green", side, depth),
                (
                    "dried",
                    side + exaggerate * (moved - side),
                    depth + exaggerate * (moved_depth - depth),
                ),
            ):
                height = self._bench(state, exaggerate) - down
                frames.append(
                    pd.DataFrame(
                        {"cut": cut, "state": state, "side_mm": horizontal, "height_mm": height}
                    )
                )
        return _ordered(frames)

    def round_wall_mm(self) -> float:
        """Thickest wall of a round rim that the dried one still holds, trued flat and round.

        At the level where the whole rim has just become flat: the largest circle inside the
        dried outside less the smallest circle around the dried hollow. Negative when the hollow
        has grown too oval for any round rim.
        """
        b = self.bowl
        turn = np.linspace(0, np.pi / 2, 91)
        x = b.rim_mm / 2 * np.cos(turn)
        level = self._carried(x, b.rim_mm / 2 * np.sin(turn), 0 * x)[2].max()

        def beyond(radius: np.ndarray, depth: np.ndarray) -> np.ndarray:
            return radius > b.outer_radius(np.maximum(depth, 0))

        def in_wall(radius: np.ndarray, depth: np.ndarray) -> np.ndarray:
            depth = np.maximum(depth, 0)
            return b.cover(np.minimum(radius, b.outer_radius(depth)), depth) <= b.wall_mm

        outside, inside = (self._radius_at(turn, level, left) for left in (beyond, in_wall))
        return float(outside.min() - inside.max())

    def _radius_at(self, turn: np.ndarray, level: float, left: Leaves) -> np.ndarray:
        """Dried radius at which a ray at this level first leaves a green region."""
        low, high = np.zeros_like(turn), np.full_like(turn, 0.75 * self.bowl.rim_mm)
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            x, z, depth = self.carried_back(middle * np.cos(turn), middle * np.sin(turn), level)
            gone = left(np.hypot(x, z), depth)
            low, high = np.where(gone, low, middle), np.where(gone, middle, high)
        return (low + high) / 2

    def _carried(
        self, x: np.ndarray, z: np.ndarray, depth: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Green point -> dried point, its depth counted from the green rim plane."""
        b = self.bowl
        moved_x, moved_y = carry(x, b.from_pith(depth), self.radial_pct, self.tangential_pct)
        return moved_x, z * (1 - self.longitudinal_pct / 100), b.faces * (moved_y - b.pith_mm)

    def carried_back(
        self, x_mm: ArrayLike, z_mm: ArrayLike, depth_mm: ArrayLike
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Dried point (depth from where the green rim plane was) -> the green point it was."""
        b = self.bowl
        x, y = carry_back(x_mm, b.from_pith(depth_mm), self.radial_pct, self.tangential_pct)
        z = np.asarray(z_mm, dtype=float) / (1 - self.longitudinal_pct / 100)
        return x, z, b.faces * (y - b.pith_mm)

    def holds(self, x_mm: ArrayLike, z_mm: ArrayLike, depth_mm: ArrayLike) -> np.ndarray:
        """Whether dried points (depth from where the green rim plane was) are in the wood."""
        return self.bowl.holds(*self.carried_back(x_mm, z_mm, depth_mm))

    def _half_section(self) -> tuple[np.ndarray, np.ndarray]:
        """One closed outline of the section: outside from left rim to right, inside back."""
        b = self.bowl
        down = b.height_mm * np.sin(np.linspace(0, np.pi / 2, 60))
        inside = max(b.height_mm - b.wall_mm, 0.0)
        up = inside * np.sin(np.linspace(0, np.pi / 2, 60))
        floor = np.linspace(1, -1, 61)
        outer, hollow = b.outer_radius(down), b.inner_radius(up)
        depth = [down, np.full(61, b.height_mm), down[::-1], up, np.full(61, inside), up[::-1]]
        side = [-outer, -outer[-1] * floor, outer[::-1], hollow, hollow[-1] * floor, -hollow[::-1]]
        depth.append(down[:1])
        side.append(-outer[:1])
        return np.concatenate(depth), np.concatenate(side)

    def _bench(self, state: str, exaggerate: float) -> float:
        """Depth of the bench below the green rim plane: where the lowest part of the foot is."""
        b = self.bowl
        if state == "green":
            return b.height_mm
        x = np.linspace(0, b.foot_mm / 2, 50)
        depth = self._carried(x, 0 * x, np.full(50, b.height_mm))[2]
        return float((b.height_mm + exaggerate * (depth - b.height_mm)).max())


def dried_bowl(
    bowl: Bowl, radial_pct: float, tangential_pct: float, longitudinal_pct: float = 0.0
) -> DriedBowl:
    """A turned bowl carried through the exact map of `rim_geometry`.

    Parameters
    ----------
    bowl : Bowl
        As it was turned.
    radial_pct, tangential_pct, longitudinal_pct : float
        Shrinkages between the two moistures [%].

    Returns
    -------
    DriedBowl
        `rim` and `walls` [mm], and `outline()` and `section()` to draw. The map is derived in
        `rim_geometry`.

    Examples
    --------
    >>> dry = dried_bowl(Bowl(300, 120, 30, 120, "pith", 10), 3.5, 7.3)
    >>> round(dry.rim.across_mm, 1), round(dry.rim.rise_mm, 1)
    (287.8, 8.6)
    >>> round(dry.round_wall_mm(), 1)    # of the 30 mm, at the rim
    24.4
    """
    rim = dried_rim(
        bowl.rim_mm, bowl.pith_mm, bowl.rim_faces, radial_pct, tangential_pct, longitudinal_pct
    )
    empty = pd.DataFrame()
    dried = DriedBowl(bowl, radial_pct, tangential_pct, longitudinal_pct, rim, empty)
    turn, depth = np.meshgrid(
        np.radians([0, 15, 30, 45, 60, 75, 90]), bowl.height_mm * np.linspace(0, 1, 9)
    )
    # From a point of the outside straight in (along the normal of the ellipse) by the wall.
    out = bowl.outer_radius(depth)
    normal_r, normal_u = out / (bowl.rim_mm / 2) ** 2, depth / bowl.drop_mm**2
    length = np.hypot(normal_r, normal_u)
    ends = []
    for step in (0.0, bowl.wall_mm):
        radius, at = out - step * normal_r / length, depth - step * normal_u / length
        ends.append(np.stack(dried._carried(radius * np.cos(turn), radius * np.sin(turn), at)))
    walls = pd.DataFrame(
        {
            "around_deg": np.degrees(turn).ravel().round(6),
            "depth_mm": depth.ravel(),
            "green_mm": bowl.wall_mm,
            "wall_mm": np.sqrt(((ends[0] - ends[1]) ** 2).sum(axis=0)).ravel(),
        }
    )
    return DriedBowl(bowl, radial_pct, tangential_pct, longitudinal_pct, rim, walls)


def _ordered(frames: list[pd.DataFrame]) -> pd.DataFrame:
    for frame in frames:
        frame.insert(len(frame.columns) - 2, "order", np.arange(len(frame)))
    return pd.concat(frames, ignore_index=True)
