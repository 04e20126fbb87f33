"""How a rim that was turned round looks after drying: the exact map of a wedge of log.

Axes. The cross-section of the log is the plane (x, y) with the pith at its origin; z runs along
the grain. The axis of the bowl is the line x = 0, z = 0: along a radius of the log and square to
the grain. The rim plane is y = pith_mm. A rim that faces the pith has its foot farther out
(y > pith_mm), one that faces the bark has its foot nearer to the pith (y < pith_mm).

The map. Wood shrinks by e_r along the radius and e_t around it. For a wedge of log free of the
pith, r -> r (1 - e_r), angle -> angle (1 - e_t)/(1 - e_r), with the angle counted from the
bowl's axis, strains every element by just that: no stress, no small-strain approximation.
Along the grain z -> z (1 - e_l).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from woodlab.errors import WoodlabError, as_numbers

Number = np.ndarray | float
MOST_STRAIN_PCT = 50.0  # no wood shrinks half its size: a larger figure is a slip of the pen
PARTS = ("radial_pct", "tangential_pct", "longitudinal_pct")  # of a shrinkage, everywhere in order


@dataclass(frozen=True)
class DriedRim:
    """A rim after drying; each field has the broadcast shape of the inputs.

    Attributes
    ----------
    along_mm, across_mm : float or ndarray
        Diameter along the grain (between the two points in line with the pith), and across it.
    rise_mm : float or ndarray
        How far the pith line (the two points along the grain) stands above the sides, bowl on
        its foot; negative where the sides stand higher.
    ovality_pct : float or ndarray
        100 (along - across)/along.
    """

    along_mm: Number
    across_mm: Number
    rise_mm: Number
    ovality_pct: Number

    def __getitem__(self, name: str) -> Number:
        """A field by its column name, as in a frame."""
        return vars(self)[name]

    @property
    def frame(self) -> pd.DataFrame:
        """One row a rim."""
        return pd.DataFrame({name: np.ravel(value) for name, value in vars(self).items()})


def carry(
    x_mm: ArrayLike, y_mm: ArrayLike, radial_pct: ArrayLike, tangential_pct: ArrayLike,
    way: int = 1,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Where points of the log's cross-section come to lie after drying; way -1 is the inverse."""
    x, y = np.asarray(x_mm, dtype=float), np.asarray(y_mm, dtype=float)
    radial = (1 - np.asarray(radial_pct, dtype=float) / 100) ** way
    around = (1 - np.asarray(tangential_pct, dtype=float) / 100) ** way
    radius = np.hypot(x, y) * radial
    angle = np.arctan2(x, y) * around / radial
    return radius * np.sin(angle), radius * np.cos(angle)


def dried_rim(
    rim_mm: ArrayLike,
    pith_mm: ArrayLike,
    rim_faces: str | ArrayLike,
    radial_pct: ArrayLike,
    tangential_pct: ArrayLike,
    longitudinal_pct: ArrayLike = 0.0,
) -> DriedRim:
    """The rim of a bowl that was turned round and then dried.

    Parameters
    ----------
    rim_mm : array_like
        Diameter of the round rim [mm].
    pith_mm : array_like
        Distance of the rim plane from the pith [mm]. 0 is a log halved through the pith, the pith
        on the face of the wood; it goes only with a rim that faces the pith.
    rim_faces : {"pith", "bark"} or array_like of them
        Which way the rim looks. "pith": the rim is nearer to the pith than the foot.
    radial_pct, tangential_pct, longitudinal_pct : array_like
        Total shrinkages between the two moistures [%]; see `woodlab.shrinkage`. Along the grain
        there is hardly any.

    Returns
    -------
    DriedRim
        `along_mm`, `across_mm`, `rise_mm`, `ovality_pct`; all inputs are broadcast, NaN gives
        NaN.

    Raises
    ------
    WoodlabError
        If the pith would lie in the wood, `rim_faces` is neither word, a diameter is not above
        zero, or a shrinkage is not between -50 and 50 %.

    Notes
    -----
    With R = rim_mm/2, r = hypot(R, pith_mm), a = arctan(R/pith_mm) (1 - e_t)/(1 - e_r):
    along = 2 R (1 - e_l), across = 2 r (1 - e_r) sin a, rise = +-(1 - e_r) (r cos a - pith_mm), +
    for a rim that faces the pith. Derived here from the map at the head of this module; limits of
    small strains and checks: docs/movement.md.

    Examples
    --------
    >>> import woodlab as wl
    >>> rim = wl.dried_rim(300, 40, "pith", 3.52, 7.26)
    >>> round(rim.along_mm, 1), round(rim.across_mm, 1), round(rim.rise_mm, 1)
    (300.0, 285.1, 7.3)
    >>> round(wl.dried_rim(300, 160, "bark", 3.52, 7.26).rise_mm, 1)   # the sides stand higher
    -4.2
    """
    rim, pith, faces = _placed(rim_mm, pith_mm, rim_faces)
    given = zip((radial_pct, tangential_pct, longitudinal_pct), PARTS, strict=True)
    radial, tangential, longitudinal = strains = [as_numbers(value, name) for value, name in given]
    for name, strain in zip(PARTS, strains, strict=True):
        if np.any(wrong := np.abs(strain) >= MOST_STRAIN_PCT):
            raise WoodlabError(
                f"{name} must be between -50 and 50 (found {strain[wrong].flat[0]:g}). Type the "
                "shrinkage in percent: 7.3 for 7.3 %."
            )
    side_x, side_y = carry(rim / 2, pith, radial, tangential)
    along, across, rise = np.broadcast_arrays(
        rim * (1 - longitudinal / 100), 2 * side_x, faces * (side_y - pith * (1 - radial / 100))
    )
    ovality = 100 * (along - across) / along
    return DriedRim(*map(_plain, (along, across, rise, ovality)))


def strains_from_rim(
    rim_mm: ArrayLike, pith_mm: ArrayLike, rim_faces: str | ArrayLike, across_mm: ArrayLike,
    rise_mm: ArrayLike,
) -> tuple[Number, Number]:  # fmt: skip
    """Radial and tangential shrinkage [%] that turned a round rim into the one measured [mm].

    The inverse of `dried_rim`: two measures, two unknowns. With q = 1 - e_r and X = across/2, the
    side's radius gives q^2 (R^2 + p^2) = X^2 + (p q +- rise)^2, a quadratic in q; its angle then
    gives 1 - e_t. NaN where an input is NaN.
    """
    rim, pith, faces = _placed(rim_mm, pith_mm, rim_faces)
    radius, side = rim / 2, np.asarray(across_mm, dtype=float) / 2
    lift = faces * np.asarray(rise_mm, dtype=float)
    root = np.sqrt((pith * lift) ** 2 + radius**2 * (side**2 + lift**2))
    radial = (pith * lift + root) / radius**2
    around = radial * np.arctan2(side, pith * radial + lift) / np.arctan2(radius, pith)
    return _plain(100 * (1 - radial)), _plain(100 * (1 - around))


def facing(rim_faces: str | ArrayLike) -> np.ndarray:
    """+1 where the rim faces the pith, -1 where it faces the bark; another word is an error."""
    given = np.asarray(rim_faces, dtype=object)
    plain = np.char.lower(np.char.strip(given.astype(str)))
    known = (plain == "pith") | (plain == "bark")
    if not np.all(known):
        raise WoodlabError(
            f"rim_faces must be 'pith' or 'bark' (found {given[~known].flat[0]!r}). Type which way "
            "the rim looked while the bowl was still in the log."
        )
    return np.where(plain == "pith", 1.0, -1.0)


def _placed(
    rim_mm: ArrayLike, pith_mm: ArrayLike, rim_faces: str | ArrayLike
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rims, their distances from the pith and which way they look, or what is wrong with them."""
    rim, pith = as_numbers(rim_mm, "rim_mm"), as_numbers(pith_mm, "pith_mm")
    faces = facing(rim_faces)
    if np.any(rim <= 0):
        raise WoodlabError(
            f"rim_mm must be above zero (found {rim[rim <= 0].flat[0]:g}). Type the diameter of "
            "the rim in millimetres."
        )
    if np.any(wrong := (pith < 0) | ((pith == 0) & (faces < 0))):
        found = np.broadcast_to(pith, wrong.shape)[wrong][0]
        raise WoodlabError(
            f"pith_mm must be zero or more (found {found:g}), and above zero where the rim faces "
            "the bark: the pith would lie in the wood. Type the distance of the rim plane from it."
        )
    return rim, pith, faces


def _plain(value: np.ndarray) -> Number:
    return float(value) if np.ndim(value) == 0 else np.array(value)
