"""Walls left and to leave: finished bowls, and the window between too thin and too thick."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.book.record_book import RecordBook
from woodlab.errors import WoodlabError, as_kind, as_list, as_number
from woodlab.studies.movement.bowl_shape import FOOT_SHARE, Bowl, DriedBowl
from woodlab.studies.movement.least_rough import CLEAR_OF_PITH_MM
from woodlab.studies.movement.rim_rows import moisture_on
from woodlab.studies.movement.rough_wall import WallMargin, rough_wall
from woodlab.wood.moisture import FIBRE_SATURATION_PCT
from woodlab.wood.shrinkage import green_to_dry

LEFT = ["left_mm", "left_lower_mm", "left_upper_mm"]
COLUMNS = [
    "piece", "species", "wall_mm", "rim_mm", "ended_on", "outcome", "moisture_pct",
    "finished_wall_mm", *LEFT, "spare_mm", "expected", "reason",
]  # fmt: skip
EXPECTED = {"enough": "it had expected that", "either way": "it depended on the tree",
            "not enough": "it had expected too little wood"}  # fmt: skip
HEIGHT_SHARE = 0.4  # of the rim, where no height is given; ours


def finished_walls(book: RecordBook, fits: Any) -> pd.DataFrame:
    """Each piece that has ended, beside the round wall that its dried rough bowl should hold.

    `left_mm` is the thickest round wall that the geometry leaves in a tree that shrinks as the
    table says, `left_lower_mm` and `left_upper_mm` in trees at the ends of `WallMargin`;
    `expected` is `enough`, `not enough`, or `either way`: it depends on the tree.
    """
    rows = book.pieces[book.pieces["outcome"].notna()].reset_index(drop=True)
    if not len(rows):
        return pd.DataFrame(columns=COLUMNS)
    asked = rows.assign(on=rows["ended_on"])[["piece", "on"]]
    rows["moisture_pct"] = moisture_on(fits, asked)["moisture_pct"]
    found = [_left(row) for row in rows.to_dict("records")]
    rows[[*LEFT, "reason"]] = pd.DataFrame(found, index=rows.index)
    had = rows["finished_wall_mm"]
    rows["spare_mm"] = rows["left_mm"] - had
    rows["expected"] = np.select(
        [rows["spare_mm"].isna(), had <= rows["left_lower_mm"], had > rows["left_upper_mm"]],
        ["", "enough", "not enough"], "either way",
    )  # fmt: skip
    return rows[COLUMNS]


def _left(row: dict[str, Any]) -> tuple[float, float, float, str]:
    """The round wall left by the geometry, for trees at the mean and at both ends; or why not."""
    table = green_to_dry(row["species"])
    totals = (float(table.radial_pct), float(table.tangential_pct))
    rim, height, foot, pith = (row[f"{name}_mm"] for name in ("rim", "height", "foot", "pith"))
    missing = {
        "wall_mm at turning was not noted": row["wall_mm"],
        "rim_mm at turning was not noted": rim,
        "the day on which it ended was not noted": row["moisture_pct"],
        table.reason: sum(totals),
    }
    for reason, value in missing.items():
        if not np.isfinite(value):
            return np.nan, np.nan, np.nan, reason
    height = height if height > 0 else HEIGHT_SHARE * rim
    faces = row["rim_faces"] if row["rim_faces"] in ("pith", "bark") else "pith"
    if not pith >= 0:
        pith = CLEAR_OF_PITH_MM + (height if faces == "bark" else 0.0)
    try:
        bowl = Bowl(
            rim, height, row["wall_mm"], foot if foot > 0 else FOOT_SHARE * rim, faces, pith
        )
    except WoodlabError as error:
        return np.nan, np.nan, np.nan, str(error)
    trees = WallMargin().strains(totals, FIBRE_SATURATION_PCT, row["moisture_pct"])
    # a tree that shrinks more leaves less
    mean, lower, upper = (DriedBowl(bowl, *trees.loc[tree]).round_wall_mm()
                          for tree in ("mean", "upper", "lower"))  # fmt: skip
    return mean, lower, upper, ""


def wall_sentences(walls: pd.DataFrame) -> list[str]:
    """'Did my wall suffice?' in counts."""
    done = walls[(walls["outcome"] == "finished") & walls["finished_wall_mm"].notna()]
    if not len(done):
        return []
    finished, rough = (
        words.METRIC.between(*done[name].agg(["min", "max"]))
        for name in ("finished_wall_mm", "wall_mm")
    )
    n, told = len(done), done[done["expected"] != ""]
    out = [
        f"{words.opened(words.count(n))} {'was' if n == 1 else 'were'} finished with a wall of "
        f"{finished}, from {f'a rough wall of {rough}' if rough else 'rough walls not noted'}: "
        "there it sufficed."
    ]
    if len(told):
        counts = told["expected"].value_counts()
        each = [f"{words.NUMBERS[counts[kind]] if counts[kind] < 10 else counts[kind]} {said}"
                for kind, said in EXPECTED.items() if kind in counts]  # fmt: skip
        spare = told["spare_mm"].median()
        out.append(
            f"Of {words.count(len(told))} the geometry can say how much wall was left: for "
            f"{', for '.join(each)}; at the median {abs(spare):.0f} mm "
            f"{'more' if spare >= 0 else 'less'} than was used."
        )
    return out


_THIN = ["rough_rim_mm", "thinnest_mm", "thinnest_mean_mm", "tenth_mm"]
_THICK = {"wall_mm": "thickest_mm", "ci_lower": "thickest_lower_mm",
          "ci_upper": "thickest_upper_mm"}  # fmt: skip


def wall_window(
    species: str | Sequence[str],
    rims_mm: float | Sequence[float],
    *,
    wall_mm: float = 8.0,
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
        Finished rims, outside diameter [mm]; the bowls are 0.4 of that high.
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
        known`), `reason`. Both walls are estimates of our own: see `rough_wall` and docs/cracks.md.

    Examples
    --------
    >>> frame = wall_window(["black walnut"], [200, 300])
    >>> frame["thinnest_mm"].round().tolist(), frame["window"].unique().tolist()
    ([14.0, 17.0], ['one side only'])
    """
    as_kind(margin, WallMargin, "margin", "wl.WallMargin(share=0.95)")
    as_kind(thickest, pd.DataFrame, "thickest", "wl.crack_study(book).thickest_wall()")
    rims = [as_number(rim, "rims_mm") for rim in as_list(rims_mm, "rims_mm")]
    found: list[dict[str, Any]] = []
    for name, rim in product(as_list(species, "species"), rims):
        row: dict[str, Any] = {"species": name, "rim_mm": rim, **dict.fromkeys(_THIN, np.nan)}
        try:
            one = rough_wall(
                name, rim, HEIGHT_SHARE * rim, wall_mm, rim_faces=rim_faces, margin=margin
            )
            sizes = (one.rough.rim_mm, one.wall_mm, one.mean_wall_mm, one.tenth_mm)
            row |= dict(zip(_THIN, sizes, strict=True), reason=one.reason)
        except WoodlabError as error:
            row["reason"] = str(error)
        found.append(row)
    out = pd.DataFrame(found, columns=["species", "rim_mm", *_THIN, "reason"])
    known = thickest if thickest is not None else pd.DataFrame(columns=["species", "seal"])
    cracks = known.rename(columns={**_THICK, "reason": "why"}).assign(
        key=known["species"].astype(object).str.casefold())  # fmt: skip
    cracks = cracks.reindex(columns=["key", "seal", *_THICK.values(), "why"])
    out = out.assign(key=out["species"].str.casefold()).merge(cracks, how="left", on="key")
    silent = "no crack study given" if thickest is None else "the crack study has no " + out.species
    why = out["why"].where(out["seal"].notna(), silent).fillna("")
    least, most = out["thinnest_mm"].astype(float), out[[*_THICK.values()]].astype(float)
    window = np.select(
        [least.isna(), least <= most["thickest_mm"], least > most["thickest_upper_mm"],
         most.notna().any(axis=1)],
        ["not known", "open", "shut", "doubtful"], "one side only",
    )  # fmt: skip
    reason = (out["reason"] + "; " + why).str.strip("; ")
    out = out.assign(**most, seal=out["seal"].fillna(""), window=window, reason=reason)
    return out[["species", "rim_mm", *_THIN, "seal", *_THICK.values(), "window", "reason"]]
