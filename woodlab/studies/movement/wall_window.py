"""The window between a wall too thin to true up and one too thick not to crack."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np
import pandas as pd

from woodlab.errors import WoodlabError, as_list
from woodlab.studies.movement.rough_wall import WallMargin, rough_wall


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
    rows = []
    for name, rim in product(as_list(species, "species"), as_list(rims_mm, "rims_mm")):
        row: dict[str, object] = {"species": name, "rim_mm": float(rim)}
        try:
            answer = rough_wall(
                name, rim, height_share * rim, wall_mm, rim_faces=rim_faces, margin=margin
            )
        except WoodlabError as error:
            thin, why = np.nan, str(error)
        else:
            thin, why = answer.wall_mm, answer.reason
            row |= {
                "rough_rim_mm": answer.rough.rim_mm,
                "thinnest_mean_mm": answer.mean_wall_mm,
                "tenth_mm": answer.tenth_mm,
            }
        row["thinnest_mm"] = thin
        for upper in _uppers(name, thickest):
            window, words = _window(thin, upper)
            reason = "; ".join(filter(None, [why, words]))
            rows.append(row | upper | {"window": window, "reason": reason})
    columns = [
        "species", "rim_mm", "rough_rim_mm", "thinnest_mm", "thinnest_mean_mm", "tenth_mm", "seal",
        "thickest_mm", "thickest_lower_mm", "thickest_upper_mm", "window", "reason",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _uppers(name: str, thickest: pd.DataFrame | None) -> list[dict[str, object]]:
    """The crack study's rows of a species, in this frame's words; one empty row where none."""
    parts = ["seal", "thickest_mm", "thickest_lower_mm", "thickest_upper_mm", "why"]
    nan = float("nan")
    if thickest is None:
        return [dict(zip(parts, ("", nan, nan, nan, "no crack study given"), strict=True))]
    mine = thickest[thickest["species"].str.casefold() == name.casefold()]
    cells = mine[["seal", "wall_mm", "ci_lower", "ci_upper", "reason"]].to_numpy(object).tolist()
    if not cells:
        cells = [["", nan, nan, nan, f"the crack study has no {name}"]]
    return [dict(zip(parts, row, strict=True)) for row in cells]


def _window(thin: float, upper: dict[str, object]) -> tuple[str, str]:
    """How the two limits stand to each other, and why one is missing."""
    why = upper.pop("why")
    words = why if isinstance(why, str) else ""
    thick, low, high = (
        float(str(upper[f"thickest{part}_mm"])) for part in ("", "_lower", "_upper")
    )
    if not np.isfinite(thin):
        return "not known", words
    if np.isfinite(thick) and thin <= thick:
        return "open", words
    if np.isfinite(high) and thin > high:
        return "shut", words
    known = np.isfinite([thick, low, high]).any()
    return ("doubtful" if known else "one side only"), words
