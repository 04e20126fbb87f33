"""Finished bowls of a book: did the rough wall suffice, and did the geometry say so?"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.book.record_book import RecordBook
from woodlab.errors import WoodlabError
from woodlab.studies.movement.bowl_shape import FOOT_SHARE, Bowl, DriedBowl
from woodlab.studies.movement.least_rough import CLEAR_OF_PITH_MM
from woodlab.studies.movement.rim_rows import moisture_on
from woodlab.studies.movement.rough_wall import WallMargin
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
