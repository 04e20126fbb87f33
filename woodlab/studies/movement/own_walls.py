"""Finished bowls of a book: did the rough wall suffice, and did the geometry say so?"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.book.record_book import RecordBook
from woodlab.errors import WoodlabError
from woodlab.studies.movement.bowl_shape import FOOT_SHARE, Bowl, dried_bowl
from woodlab.studies.movement.least_rough import CLEAR_OF_PITH_MM
from woodlab.studies.movement.rim_rows import moisture_on
from woodlab.studies.movement.rough_wall import WallMargin
from woodlab.wood.moisture import FIBRE_SATURATION_PCT
from woodlab.wood.shrinkage import LONGITUDINAL_PCT, green_to_dry, strain_between

HEIGHT_SHARE = 0.4  # of the rim, where no height was noted; ours
COLUMNS = [
    "piece", "species", "wall_mm", "rim_mm", "ended_on", "outcome", "moisture_pct",
    "finished_wall_mm", "left_mm", "left_lower_mm", "left_upper_mm", "spare_mm", "expected",
    "reason",
]  # fmt: skip


def finished_walls(book: RecordBook, fits: Any) -> pd.DataFrame:
    """Each piece that has ended, beside the round wall that its dried rough bowl should hold.

    Returns
    -------
    DataFrame
        `piece`, `species`, `wall_mm`, `rim_mm`, `ended_on`, `outcome`, `moisture_pct` (then),
        `finished_wall_mm` (as turned), `left_mm` (thickest round wall that the geometry leaves in
        a tree that shrinks as the table says), `left_lower_mm`, `left_upper_mm` (trees at the
        ends of `WallMargin`), `spare_mm` (left less finished), `expected` (`enough`, `not
        enough`, or `either way`: it depends on the tree), `reason`.
    """
    pieces = book.pieces
    if "outcome" not in pieces or not pieces["outcome"].notna().any():
        return pd.DataFrame(columns=COLUMNS)
    gone = pieces[pieces["outcome"].notna()].reset_index(drop=True)
    day = gone["ended_on"] if "ended_on" in gone else pd.Series(pd.NaT, gone.index)
    asked = pd.DataFrame({"piece": gone["piece"], "on": pd.to_datetime(day)})
    rows = gone.assign(ended_on=day, moisture_pct=moisture_on(fits, asked)["moisture_pct"])
    rows["finished_wall_mm"] = gone.get("finished_wall_mm", pd.Series(np.nan, gone.index))
    left = pd.DataFrame([_left(row) for row in rows.to_dict("records")], index=rows.index)
    rows = rows.join(left)
    rows["spare_mm"] = rows["left_mm"] - rows["finished_wall_mm"]
    had = rows["finished_wall_mm"]
    rows["expected"] = np.select(
        [rows["left_mm"].isna() | had.isna(), had <= rows["left_lower_mm"],
         had > rows["left_upper_mm"]],
        ["", "enough", "not enough"], "either way",
    )  # fmt: skip
    return rows[COLUMNS]


def _left(row: dict[str, Any]) -> dict[str, object]:
    """The round wall left by the geometry, for trees at the mean and at both ends."""
    names = ["left_mm", "left_lower_mm", "left_upper_mm"]
    nothing: dict[str, object] = dict.fromkeys(names, np.nan)
    for name in ("wall_mm", "rim_mm"):
        if not np.isfinite(row[name]):
            return nothing | {"reason": f"{name} at turning was not noted"}
    if not np.isfinite(row["moisture_pct"]):
        return nothing | {"reason": "the day on which it ended was not noted"}
    table = green_to_dry(row["species"])
    totals = (float(table.radial_pct), float(table.tangential_pct))
    if not np.isfinite(totals).all():
        return nothing | {"reason": table.reason}
    height = row["height_mm"] if row["height_mm"] > 0 else HEIGHT_SHARE * row["rim_mm"]
    foot = row["foot_mm"] if row["foot_mm"] > 0 else FOOT_SHARE * row["rim_mm"]
    faces = row["rim_faces"] if row["rim_faces"] in ("pith", "bark") else "pith"
    usual = CLEAR_OF_PITH_MM + (height if faces == "bark" else 0.0)
    pith = row["pith_mm"] if row["pith_mm"] >= 0 else usual
    lower, upper = WallMargin().factors
    found = []
    try:
        bowl = Bowl(row["rim_mm"], height, row["wall_mm"], foot, faces, pith)
        for factor in (1.0, upper, lower):  # a tree that shrinks more leaves less
            shrunk = [
                float(strain_between(total, row["moisture_pct"], FIBRE_SATURATION_PCT))
                for total in (totals[0] * factor, totals[1] * factor, LONGITUDINAL_PCT)
            ]
            found.append(dried_bowl(bowl, *shrunk).round_wall_mm())
    except WoodlabError as error:
        return nothing | {"reason": str(error)}
    return dict(zip(names, found, strict=True)) | {"reason": ""}


def wall_sentences(walls: pd.DataFrame) -> list[str]:
    """'Did my wall suffice?' in counts."""
    done = walls[(walls["outcome"] == "finished") & walls["finished_wall_mm"].notna()]
    if not len(done):
        return []
    thin, thick = done["finished_wall_mm"].min(), done["finished_wall_mm"].max()
    walls_said = (
        f"{thin:.0f} mm" if round(thin) == round(thick) else f"{thin:.0f} to {thick:.0f} mm"
    )
    n = len(done)
    out = [
        f"{words.opened(words.count(n))} {'was' if n == 1 else 'were'} finished with a wall of "
        f"{walls_said}, from a rough wall of {done['wall_mm'].min():.0f} to "
        f"{done['wall_mm'].max():.0f} mm: there it sufficed."
    ]
    told = done[done["expected"] != ""]
    if len(told):
        kinds = [
            f"{words.NUMBERS[k] if k < 10 else k} {said}"
            for name, said in (
                ("enough", "it had expected that"), ("either way", "it depended on the tree"),
                ("not enough", "it had expected too little wood"),
            )
            if (k := int((told["expected"] == name).sum()))
        ]  # fmt: skip
        spare = told["spare_mm"].median()
        out.append(
            f"Of {words.count(len(told))} the geometry can say how much wall was left: for "
            f"{', for '.join(kinds)}; at the median {abs(spare):.0f} mm "
            f"{'more' if spare >= 0 else 'less'} than was used."
        )
    return out
