"""The window between a wall too thin to true up and one too thick not to crack."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np
import pandas as pd

from woodlab.errors import WoodlabError, as_kind, as_list, as_number
from woodlab.studies.movement.rough_wall import WallMargin, rough_wall

_COLUMNS = [
    "species", "rim_mm", "rough_rim_mm", "thinnest_mm", "thinnest_mean_mm", "tenth_mm", "seal",
    "thickest_mm", "thickest_lower_mm", "thickest_upper_mm", "window", "reason",
]  # fmt: skip
_OF_CRACKS = {
    "wall_mm": "thickest_mm", "ci_lower": "thickest_lower_mm", "ci_upper": "thickest_upper_mm",
    "reason": "why",
}  # fmt: skip


def wall_window(
    species: str | Sequence[str],
    rims_mm: float | Sequence[float],
    *,
    wall_mm: float = 8.0,
    height_share: float = 0.4,
    rim_faces: str = "pith",
    thickest: pd.DataFrame | None = None,
    margin: WallMargin | None = None,
) -> pd.DataFrame:
    """Between too thin to true up and too thick not to crack, by species and finished size.

    Parameters
    ----------
    species : str or sequence of str
        As makers write them.
    rims_mm : float or sequence of float
        Finished rims, outside diameter [mm].
    height_share : float
        Height of the finished bowl, as a part of its rim.
    wall_mm, rim_faces, margin
        As in `rough_wall`.
    thickest : DataFrame, optional
        `thickest_wall` of a crack study: `species`, `seal`, `wall_mm` (the thickest for which the
        study can say that few crack), `ci_lower`, `ci_upper` (of the wall where the best estimate
        crosses that level), `reason`.

    Returns
    -------
    DataFrame
        One row a species, size and seal: `species`, `rim_mm`, `rough_rim_mm`, `thinnest_mm`
        (margin included), `thinnest_mean_mm`, `tenth_mm`, `seal`, `thickest_mm`,
        `thickest_lower_mm`, `thickest_upper_mm`, `window` (`open`: the thinnest wall is one for
        which we can say that few crack; `doubtful`: it may be; `shut`; `one side only`; `not
        known`), `reason`.

    Notes
    -----
    Both walls are estimates of our own: see `rough_wall` and docs/cracks.md.

    Examples
    --------
    >>> frame = wall_window(["black walnut"], [200, 300])
    >>> frame["thinnest_mm"].round().tolist(), frame["window"].unique().tolist()
    ([14.0, 17.0], ['one side only'])
    """
    as_kind(margin, WallMargin, "margin", "wl.WallMargin(share=0.95)")
    as_kind(thickest, pd.DataFrame, "thickest", "wl.crack_study(book).thickest_wall()")
    height_share = as_number(height_share, "height_share")
    names = as_list(species, "species")
    rims = [as_number(rim, "rims_mm") for rim in as_list(rims_mm, "rims_mm")]
    thin = pd.DataFrame(
        [_thinnest(name, rim, wall_mm, height_share, rim_faces, margin)
         for name, rim in product(names, rims)],
        columns=["species", "rim_mm", "rough_rim_mm", "thinnest_mm", "thinnest_mean_mm",
                 "tenth_mm", "reason"],
    )  # fmt: skip
    known = thickest if thickest is not None else pd.DataFrame(columns=["species", "seal"])
    cracks = known.rename(columns=_OF_CRACKS).reindex(columns=["seal", *_OF_CRACKS.values()])
    cracks = cracks.assign(key=known["species"].astype(object).str.casefold())
    out = thin.assign(key=thin["species"].str.casefold()).merge(cracks, how="left", on="key")
    silent = "no crack study given" if thickest is None else "the crack study has no " + out.species
    why = out["why"].where(out["seal"].notna(), silent).fillna("")
    least, most = out["thinnest_mm"].astype(float), out[list(_OF_CRACKS.values())[:3]].astype(float)
    out["window"] = np.select(
        [least.isna(), least <= most["thickest_mm"], least > most["thickest_upper_mm"],
         most.notna().any(axis=1)],
        ["not known", "open", "shut", "doubtful"], "one side only",
    )  # fmt: skip
    out["reason"] = (out["reason"] + "; " + why).str.strip("; ")
    return out.assign(**most, seal=out["seal"].fillna(""))[_COLUMNS]


def _thinnest(
    name: str, rim: float, wall: float, share: float, faces: str, margin: WallMargin | None
) -> list[object]:
    try:
        answer = rough_wall(name, rim, share * rim, wall, rim_faces=faces, margin=margin)
    except WoodlabError as error:
        return [name, float(rim), *[np.nan] * 4, str(error)]
    return [name, float(rim), answer.rough.rim_mm, answer.wall_mm, answer.mean_wall_mm,
            answer.tenth_mm, answer.reason]  # fmt: skip
