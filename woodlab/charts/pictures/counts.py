"""Cracks as counts: species by wall, "3 of 5" in tiles."""

from __future__ import annotations

from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab import words
from woodlab.charts.blocks import each, need
from woodlab.charts.colours import TILES, role
from woodlab.charts.theme import Size, themed
from woodlab.charts.titles import Claim, certainties

_WALLS = ("under 20 mm", "20 to 29", "30 to 39", "40 and over")
_EDGES = (0, 20, 30, 40, np.inf)
_EVERY, _ALL = "every wall", "every species"
_FEW = 5  # of fewer bowls a share says nothing: such a tile stays pale
THICK = Claim(
    more="Thick walls cracked more often than thin ones",
    less="Thin walls cracked more often than thick ones",
    likely_more="Thick walls probably cracked more often than thin ones",
    likely_less="Thin walls probably cracked more often than thick ones",
    open="Do thick walls crack more? Too few cracks to tell",
    alike="Thick and thin walls cracked equally often",
)


def cracks_as_counts(
    bowls: pd.DataFrame, effects: pd.DataFrame | None = None, *, size: Size = "page"
) -> Any:
    """How many bowls cracked of how many, species by wall, the bare and the sealed ones apart.

    Parameters
    ----------
    bowls : DataFrame
        A row a bowl: `species`, `wall_mm` [mm], `seal`, `crack_on` (empty where none was found).
        Bowls without a wall are counted under "every wall" alone.
    effects : DataFrame, optional
        Of a crack study; the title says whether thick walls crack more often.
    size : as for `themed`

    Returns
    -------
    LayerChart: tiles of counts, the species with the largest share on top.

    Examples
    --------
    >>> bowls = pd.DataFrame({"species": "ash", "wall_mm": [22.0, 24.0, 33.0], "seal": "none",
    ...                       "crack_on": [pd.NaT, pd.NaT, pd.Timestamp("2026-03-01")]})
    >>> print(cracks_as_counts(bowls).description)
    One of the 3 bowls cracked. Cracked: ash, 20 to 29: 0 of 2; ash, 30 to 39: 1 of 1; ash, every
    wall: 1 of 3.
    """
    need(bowls, "species", "wall_mm", "seal", "crack_on")
    narrow = size == "column"
    tiles = _tiles(bowls)
    kinds = [w for w in _WALLS if (tiles.loc[tiles["wall"] == w, "n"] > 0).any()]
    species = tiles[(tiles["wall"] == _EVERY) & (tiles["species"] != _ALL)]
    order = species.sort_values("share", ascending=False, kind="stable")["species"].tolist()
    order, along = [*order, *([_ALL] if len(order) > 1 else [])], [*kinds, _EVERY]
    tiles = tiles[tiles["species"].isin(order) & tiles["wall"].isin(along)]
    says = words.of_all(int(bowls["crack_on"].notna().sum()), len(bowls), "cracked")
    sub = "In each tile: bowls that cracked, of bowls looked at; deeper where the share is " \
        f"larger, pale below {_FEW} bowls."  # fmt: skip
    row = wall_effect(effects)
    if row is not None and not narrow:
        says = THICK.of(row, "hazard_ratio")
        if np.isfinite(row["hazard_ratio"]):
            ratio, ends = words.two(row["hazard_ratio"]), (row["ci_lower"], row["ci_upper"])
            sub = f"Each 10 mm more of wall: {ratio} times the rate of cracks " \
                f"({words.between(*ends)}, 95 % interval). {sub}"  # fmt: skip
    font, left = (10, 52) if narrow else (12, 112)
    axis: dict[str, Any] = {"domain": False, "ticks": False, "labelOverlap": False,
                            "labelFontSize": font}  # fmt: skip
    short = "replace(replace(datum.label, ' mm', ''), ' and over', ' +')"
    x = altair.X(
        "wall:N", sort=along, scale=altair.Scale(paddingInner=0.06, paddingOuter=0),
        axis=altair.Axis(title="Rough wall [mm]", orient="top", labelAngle=0,
                         labelExpr=short if narrow else "datum.label", **axis),
    )  # fmt: skip
    y = altair.Y(
        "species:N", sort=order, scale=altair.Scale(paddingInner=0.12, paddingOuter=0),
        axis=altair.Axis(title=None, labelLimit=left, minExtent=left,
                         labelExpr="split(datum.label, ' ')" if narrow else "datum.label", **axis),
    )  # fmt: skip
    some, none = (altair.Chart(tiles[part]).encode(x=x, y=y)
                  for part in (tiles["n"] > 0, tiles["n"] == 0))  # fmt: skip
    tints = altair.Scale(domain=list(range(len(TILES))), range=[pair[0] for pair in TILES])
    layers = [
        some.mark_rect(stroke=role("line"), strokeWidth=1)
        .encode(color=altair.Color("tint:O", legend=None, scale=tints)),
        some.mark_text(fontSize=font + 3, fontWeight="bold", dy=-1 if narrow else -14)
        .encode(text="big"),
        none.mark_text(fontSize=font, color=role("quiet")).encode(text=altair.value("none")),
    ]  # fmt: skip
    if not narrow:
        small = some.mark_text(fontSize=11, dy=6, lineBreak="|", lineHeight=13)
        layers.append(small.encode(text="small"))
    told = "; ".join(each(tiles[tiles["n"] > 0], "{species}, {wall}: {big}"))
    chart = altair.layer(*layers).properties(height=altair.Step(54 if narrow else 62))
    return themed(chart, alt=f"Cracked: {told}.", says=says, sub=sub, size=size)


def wall_effect(effects: pd.DataFrame | None) -> pd.Series | None:
    """The row of a crack study's effects that is about walls, with how `sure` it is."""
    wall = effects[effects["term"].str.startswith("wall")] if effects is not None else None
    if wall is None or not len(wall):
        return None
    return wall.assign(sure=certainties(wall)).iloc[0]


def _tiles(bowls: pd.DataFrame) -> pd.DataFrame:
    """One row a tile: its counts, the words on it and its tint."""
    frame = bowls.assign(
        wall=pd.cut(bowls["wall_mm"], _EDGES, right=False, labels=_WALLS).astype(object),
        cracked=bowls["crack_on"].notna(),
        bare=bowls["seal"] == "none",
    )
    both = pd.concat([frame, frame.assign(species=_ALL)])
    both = pd.concat([both, both.assign(wall=_EVERY)])
    counted = both.groupby(["species", "wall"]).apply(_words_of, include_groups=False).reset_index()
    grid = pd.MultiIndex.from_product([both["species"].unique(), [*_WALLS, _EVERY]])
    tiles = counted.set_index(["species", "wall"]).reindex(grid.set_names(["species", "wall"]))
    tiles = tiles.fillna({"n": 0, "k": 0}).reset_index()
    pale = (tiles["n"] < _FEW) | (tiles["share"] <= 0.15)
    tiles["tint"] = np.select(
        [tiles["k"] == 0, pale, tiles["share"] <= 0.34, tiles["share"] <= 0.6], [0, 1, 2, 3], 4
    )
    return tiles


def _words_of(part: pd.DataFrame) -> pd.Series:
    split = [("bare", part[part["bare"]]), ("sealed", part[~part["bare"]])]
    small = [f"{name} {int(p['cracked'].sum())} of {len(p)}" for name, p in split if len(p)]
    k, n = int(part["cracked"].sum()), len(part)
    return pd.Series(
        {"n": n, "k": k, "share": k / n, "big": f"{k} of {n}", "small": "|".join(small)}
    )
