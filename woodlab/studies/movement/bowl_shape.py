"""A turned bowl as a solid, and the same solid after drying: surfaces, sections.

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

from woodlab.errors import WoodlabError, as_kind, as_number
from woodlab.studies.movement.rim_geometry import PARTS, DriedRim, carry, dried_rim, facing

FOOT_SHARE = 0.4  # foot as a part of the rim where none is given (common practice, no source)
_HALVINGS = 40  # bisection steps: a span of 1 m down to 1e-9 mm
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
        for name in ("rim_mm", "height_mm", "wall_mm", "foot_mm", "pith_mm"):
            size, least = getattr(self, name), "zero or more" if name == "pith_mm" else "above zero"
            as_number(size, name)
            enough = not isinstance(size, str) and np.isfinite(size) and size >= 0
            if not enough or (size == 0 and name != "pith_mm"):
                raise WoodlabError(f"{name} must be {least} (found {size!r}). Type it in mm.")
        if self.foot_mm > self.rim_mm:
            raise WoodlabError(
                f"foot_mm ({self.foot_mm:g}) is wider than rim_mm ({self.rim_mm:g}): the shapes "
                "here widen from the foot to the rim. Type the two diameters again."
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
        """Half-axis down of the outside ellipse [mm]; a cylinder is taken as very nearly so."""
        share = min(self.foot_mm / self.rim_mm, 1 - 1e-9)
        return float(self.height_mm / np.sqrt(1 - share**2))

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
        at = _crossing(
            self.outer_radius(depth), lambda radius: self.cover(radius, depth) <= self.wall_mm
        )
        return np.where(self.cover(0 * depth, depth) > self.wall_mm - 1e-9, at, 0.0)

    def from_pith(self, depth_mm: ArrayLike) -> np.ndarray:
        """Coordinate y in the log (see `rim_geometry`) of a depth below the rim plane [mm]."""
        return self.pith_mm + self.faces * np.asarray(depth_mm, dtype=float)


def _crossing(farthest: np.ndarray, beyond: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    """Radii, from 0 to the farthest, at which a condition begins to hold; by bisection."""
    low, high = np.zeros(farthest.shape), farthest
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        gone = beyond(middle)
        low, high = np.where(gone, low, middle), np.where(gone, middle, high)
    return (low + high) / 2


def ellipse_distance(
    radius_mm: ArrayLike, depth_mm: ArrayLike, half_width_mm: float, half_drop_mm: float
) -> np.ndarray:
    """Distance from points inside an ellipse (half-axes a, b), in its first quadrant, to it.

    The nearest point is (a^2 x/(t + a^2), b^2 y/(t + b^2)) with t the one root that puts it on
    the ellipse. One over the size of (a x/(t + a^2), b y/(t + b^2)) is concave and nearly straight
    in t: Newton's steps on it, from where one of the two terms is 1, climb to the root without
    passing it.
    """
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
    return np.hypot(a * x / (t + more_a) - radius_mm, b * y / (t + more_b) - depth_mm)


@dataclass(frozen=True)
class DriedBowl:
    """A turned bowl carried through the exact map of `rim_geometry`: its `rim` [mm], the thickest
    `round_wall_mm()`, and `outline()` and `section()` to draw. Made as `wl.dried_bowl`.

    Attributes
    ----------
    bowl : Bowl
        As it was turned.
    radial_pct, tangential_pct, longitudinal_pct : float
        Shrinkages between the two moistures [%].

    Examples
    --------
    >>> dry = dried_bowl(Bowl(300, 120, 30, 120, "pith", 10), 3.5, 7.3)
    >>> round(dry.rim.across_mm, 1), round(dry.rim.rise_mm, 1), round(dry.round_wall_mm(), 1)
    (287.8, 8.6, 24.4)
    """

    bowl: Bowl
    radial_pct: float
    tangential_pct: float
    longitudinal_pct: float = 0.0

    def __post_init__(self) -> None:
        as_kind(self.bowl, Bowl, "bowl", "wl.Bowl(300, 120, 30, 120)")

    @property
    def rim(self) -> DriedRim:
        """Along and across the grain, rise, ovality."""
        strains = (getattr(self, part) for part in PARTS)
        return dried_rim(self.bowl.rim_mm, self.bowl.pith_mm, self.bowl.rim_faces, *strains)

    def outline(self, exaggerate: float = 1.0) -> pd.DataFrame:
        """The outer edge of the rim from above: `state`, `order`, `across_mm`, `along_mm`.

        States: "green" (as turned) and "dried", the dried one's movement times `exaggerate`.
        """
        turn = np.linspace(0, 2 * np.pi, 145)
        edge = self.bowl.rim_mm / 2 * np.array([np.cos(turn), np.sin(turn), 0 * turn])
        return pd.concat([
            pd.DataFrame({"state": state, "order": np.arange(len(turn)), "across_mm": x,
                          "along_mm": z})
            for state, (x, z, _) in self._states(edge, exaggerate)
        ], ignore_index=True)  # fmt: skip

    def section(self, exaggerate: float = 1.0) -> pd.DataFrame:
        """Cut through the axis: `cut` (across, along), `state`, `order`, `side_mm`, `height_mm`.

        Closed outlines of the wood, heights above the bench it stands on; the dried one's movement
        times `exaggerate`.
        """
        b = self.bowl
        # outside from left rim to right over the foot, then inside back over the floor
        quarter, floor = np.sin(np.linspace(0, np.pi / 2, 60)), np.linspace(1, -1, 61)
        down, inside = b.height_mm * quarter, max(b.height_mm - b.wall_mm, 0.0)
        up = inside * quarter
        outer, hollow = b.outer_radius(down), b.inner_radius(up)
        depth = np.concatenate([down, np.full(61, b.height_mm), down[::-1], up,
                                np.full(61, inside), up[::-1], down[:1]])  # fmt: skip
        side = np.concatenate([-outer, -outer[-1] * floor, outer[::-1], hollow,
                               hollow[-1] * floor, -hollow[::-1], -outer[:1]])  # fmt: skip
        foot = np.linspace(0, b.foot_mm / 2, 50)
        feet = self._states(np.array([foot, 0 * foot, np.full(50, b.height_mm)]), exaggerate)
        bench = {state: depth.max() for state, (_, _, depth) in feet}
        return pd.concat([
            pd.DataFrame({"cut": cut, "state": state, "order": np.arange(len(side)),
                          "side_mm": moved[way], "height_mm": bench[state] - moved[2]})
            for way, cut in enumerate(("across the grain", "along the grain"))
            for state, moved in self._states(
                np.array([side * (way == 0), side * (way == 1), depth]), exaggerate)
        ], ignore_index=True)  # fmt: skip

    def _states(self, green: np.ndarray, exaggerate: float) -> list[tuple[str, np.ndarray]]:
        """Points (x, z, depth) as turned, and dried with their movement so many times."""
        return [("green", green),
                ("dried", green + exaggerate * (self.carried(*green) - green))]  # fmt: skip

    def round_wall_mm(self) -> float:
        """Thickest wall of a round rim that the dried one still holds, trued flat and round.

        At the level where the whole rim has just become flat: the largest circle inside the
        dried outside less the smallest circle around the dried hollow. Negative when the hollow
        has grown too oval for any round rim.
        """
        b, rim = self.bowl, self.bowl.rim_mm / 2
        turn = np.linspace(0, np.pi / 2, 91)
        cos, sin = np.cos(turn), np.sin(turn)
        level = self.carried(rim * cos, rim * sin, 0 * turn)[2].max()

        def green(radius: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            x, z, depth = self.carried(radius * cos, radius * sin, np.full(91, level), way=-1)
            return np.hypot(x, z), np.maximum(depth, 0)

        def beyond(at: np.ndarray) -> np.ndarray:
            radius, depth = green(at)
            return radius > b.outer_radius(depth)

        def in_wall(at: np.ndarray) -> np.ndarray:
            radius, depth = green(at)
            return b.cover(np.minimum(radius, b.outer_radius(depth)), depth) <= b.wall_mm

        farthest = np.full_like(turn, 1.5 * rim)
        return float(_crossing(farthest, beyond).min() - _crossing(farthest, in_wall).max())

    def carried(self, x: np.ndarray, z: np.ndarray, depth: np.ndarray, way: int = 1) -> np.ndarray:
        """Green points to dried ones, or back (`way` -1); depths from the green rim plane."""
        b = self.bowl
        x, y = carry(x, b.from_pith(depth), self.radial_pct, self.tangential_pct, way)
        return np.array(
            [x, z * (1 - self.longitudinal_pct / 100) ** way, b.faces * (y - b.pith_mm)]
        )


dried_bowl = DriedBowl  # the public name: one makes it, and it is what one gets
