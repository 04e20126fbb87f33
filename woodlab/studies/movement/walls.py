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

_OF_PIECES = [
    "piece", "species", "wall_mm", "rim_mm", "height_mm", "foot_mm", "rim_faces", "pith_mm",
    "ended_on", "outcome", "finished_wall_mm",
]  # fmt: skip
_LEFT = ["left_mm", "left_lower_mm", "left_upper_mm"]
HEIGHT_SHARE = 0.4  # of the rim, where no height was noted; ours
COLUMNS = [
    "piece", "species", "wall_mm", "rim_mm", "ended_on", "outcome", "moisture_pct",
    "finished_wall_mm", "left_mm", "left_lower_mm", "left_upper_mm", "spare_mm", "expected",
    "reason",
]  # fmt: skip


def finished_walls(book: RecordBook, fits: Any) -> pd.DataFrame:
    """Each piece that has ended, beside the round wall that its dried rough bowl should hold.

    `left_mm` is the thickest round wall that the geometry leaves in a tree that shrinks as the
    table says, `left_lower_mm` and `left_upper_mm` in trees at the ends of `WallMargin`;
    `expected` is `enough`, `not enough`, or `either way`: it depends on the tree.
    """
    rows = book.pieces[book.pieces["outcome"].notna()].reset_index(drop=True)[_OF_PIECES]
    if not len(rows):
        return pd.DataFrame(columns=COLUMNS)
    asked = rows.assign(on=rows["ended_on"])[["piece", "on"]]
    rows["moisture_pct"] = moisture_on(fits, asked)["moisture_pct"]
    rows = rows.join(pd.DataFrame([_left(row) for row in rows.to_dict("records")]))
    had = rows["finished_wall_mm"]
    rows["spare_mm"] = rows["left_mm"] - had
    rows["expected"] = np.select(
        [rows["spare_mm"].isna(), had <= rows["left_lower_mm"], had > rows["left_upper_mm"]],
        ["", "enough", "not enough"], "either way",
    )  # fmt: skip
    return rows[COLUMNS]


def _left(row: dict[str, Any]) -> dict[str, object]:
    """The round wall left by the geometry, for trees at the mean and at both ends."""
    table = green_to_dry(row["species"])
    totals = (float(table.radial_pct), float(table.tangential_pct))
    missing = {
        "wall_mm at turning was not noted": row["wall_mm"],
        "rim_mm at turning was not noted": row["rim_mm"],
        "the day on which it ended was not noted": row["moisture_pct"],
        table.reason: sum(totals),
    }
    why = next((reason for reason, value in missing.items() if not np.isfinite(value)), "")
    left = dict.fromkeys(_LEFT, np.nan)
    if why:
        return left | {"reason": why}
    height = row["height_mm"] if row["height_mm"] > 0 else HEIGHT_SHARE * row["rim_mm"]
    foot = row["foot_mm"] if row["foot_mm"] > 0 else FOOT_SHARE * row["rim_mm"]
    faces = row["rim_faces"] if row["rim_faces"] in ("pith", "bark") else "pith"
    usual = CLEAR_OF_PITH_MM + (height if faces == "bark" else 0.0)
    pith = row["pith_mm"] if row["pith_mm"] >= 0 else usual
    trees = WallMargin().strains(totals, FIBRE_SATURATION_PCT, row["moisture_pct"])
    try:
        bowl = Bowl(row["rim_mm"], height, row["wall_mm"], foot, faces, pith)
    except WoodlabError as error:
        return left | {"reason": str(error)}
    # a tree that shrinks more leaves less
    for name, tree in zip(_LEFT, ("mean", "upper", "lower"), strict=True):
        left[name] = DriedBowl(bowl, *trees.loc[tree]).round_wall_mm()
    return left | {"reason": ""}


def _span(lengths_mm: pd.Series) -> str:
    """'25 to 32 mm', '9 mm'; empty where none is given."""
    if lengths_mm.isna().all():
        return ""
    low, high = round(lengths_mm.min()), round(lengths_mm.max())
    return f"{low} mm" if low == high else f"{low} to {high} mm"


def wall_sentences(walls: pd.DataFrame) -> list[str]:
    """'Did my wall suffice?' in counts."""
    done = walls[(walls["outcome"] == "finished") & walls["finished_wall_mm"].notna()]
    if not len(done):
        return []
    finished, rough = (_span(done[name]) for name in ("finished_wall_mm", "wall_mm"))
    n = len(done)
    out = [
        f"{words.opened(words.count(n))} {'was' if n == 1 else 'were'} finished with a wall of "
        f"{finished}, from {f'a rough wall of {rough}' if rough else 'rough walls not noted'}: "
        "there it sufficed."
    ]
    told = done[done["expected"] != ""]
    if len(told):
        kinds = {"enough": "it had expected that", "either way": "it depended on the tree",
                 "not enough": "it had expected too little wood"}  # fmt: skip
        counts = told["expected"].value_counts()
        each = ", for ".join(
            f"{words.NUMBERS[counts[name]] if counts[name] < 10 else counts[name]} {said}"
            for name, said in kinds.items() if name in counts
        )  # fmt: skip
        spare = told["spare_mm"].median()
        out.append(
            f"Of {words.count(len(told))} the geometry can say how much wall was left: for {each}; "
            f"at the median {abs(spare):.0f} mm {'more' if spare >= 0 else 'less'} than was used."
        )
    return out


WINDOW_COLUMNS = [
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
    return out.assign(**most, seal=out["seal"].fillna(""))[WINDOW_COLUMNS]


def _thinnest(
    name: str, rim: float, wall: float, share: float, faces: str, margin: WallMargin | None
) -> list[object]:
    try:
        answer = rough_wall(name, rim, share * rim, wall, rim_faces=faces, margin=margin)
    except WoodlabError as error:
        return [name, float(rim), *[np.nan] * 4, str(error)]
    return [name, float(rim), answer.rough.rim_mm, answer.wall_mm, answer.mean_wall_mm,
            answer.tenth_mm, answer.reason]  # fmt: skip
