"""Cracks as counts: species by wall, "3 of 5" in tiles."""

from __future__ import annotations

from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab import words
from woodlab.charts.blocks import each, need
from woodlab.charts.colours import TILES, role
from woodlab.charts.theme import themed
from woodlab.charts.titles import Claim, certainties
from woodlab.charts.units import drawing, said
from woodlab.show import answers
from woodlab.words import MM_PER_INCH

_EVERY, _ALL = "every|wall", "every species"
_INCHES = tuple(MM_PER_INCH * edge for edge in (0.75, 1.125, 1.5))  # classes of walls [mm]
_LEFT_PX = 84  # room for the names of the woods
_FEW = 5  # of fewer bowls a share says nothing: such a tile stays pale
THICK = Claim(
    more="Thick walls cracked more often than thin ones",
    less="Thin walls cracked more often than thick ones",
    likely_more="Thick walls probably cracked more often than thin ones",
    likely_less="Thin walls probably cracked more often than thick ones",
    open="Do thick walls crack more? Too few cracks to tell",
    alike="Thick and thin walls cracked equally often",
)


def cracks_as_counts(bowls: pd.DataFrame, effects: pd.DataFrame | None = None) -> Any:
    """How many bowls cracked of how many, species by wall, the bare and the sealed ones apart.

    Parameters
    ----------
    bowls : DataFrame
        A row a bowl: `species`, `wall_mm` [mm], `seal`, `crack_on` (empty where none was found).
        Bowls without a wall are counted under "every wall" alone.
    effects : DataFrame, optional
        Of a crack study; the title says whether thick walls crack more often.

    Returns
    -------
    LayerChart: tiles of counts, the species with the largest share on top.

    Examples
    --------
    >>> bowls = pd.DataFrame({"species": "ash", "wall_mm": [22.0, 24.0, 33.0], "seal": "none",
    ...                       "crack_on": [pd.NaT, pd.NaT, pd.Timestamp("2026-03-01")]})
    >>> print(cracks_as_counts(bowls).description)
    One of the 3 bowls cracked. Cracked: ash, 20 to 29 mm: 0 of 2; ash, 30 to 39 mm: 1 of 1; ash,
    every wall: 1 of 3.
    """
    need(bowls, "species", "wall_mm", "seal", "crack_on")
    tiles, walls = _tiles(bowls)
    along = [wall for wall in walls if (tiles.loc[tiles["wall"] == wall, "n"] > 0).any()]
    species = tiles[(tiles["wall"] == _EVERY) & (tiles["species"] != _ALL)]
    order = species.sort_values("share", ascending=False, kind="stable")["species"].tolist()
    order += [_ALL] if len(order) > 1 else []
    tiles = tiles[tiles["species"].isin(order) & tiles["wall"].isin(along)]
    says = words.of_all(int(bowls["crack_on"].notna().sum()), len(bowls), "cracked")
    sub = (
        "In each tile: bowls that cracked, of bowls looked at; deeper where the share is larger, "
        f"pale below {_FEW} bowls."
    )
    row = wall_effect(effects)
    if row is not None:
        says = THICK.of(row, "hazard_ratio")
        if np.isfinite(row["hazard_ratio"]):
            ratio, ends = words.two(row["hazard_ratio"]), (row["ci_lower"], row["ci_upper"])
            sub = f"The rate of cracks per 10 mm more of wall: {ratio} times as high " \
                f"({words.between(*ends)}, 95 % interval). {sub}"  # fmt: skip
    axis: dict[str, Any] = {"domain": False, "ticks": False, "labelOverlap": False,
                            "labelFontSize": 11}  # fmt: skip
    x = altair.X(
        "wall:N", sort=along, scale=altair.Scale(paddingInner=0.06, paddingOuter=0),
        axis=altair.Axis(title=said("Rough wall [mm]"), orient="top", labelAngle=0, **axis,
                         labelPadding=19, labelLineHeight=13,
                         labelExpr="split(datum.label, '|')"),
    )  # fmt: skip
    y = altair.Y(
        "species:N", sort=order, scale=altair.Scale(paddingInner=0.12, paddingOuter=0),
        axis=altair.Axis(title=None, labelLimit=_LEFT_PX, minExtent=_LEFT_PX, **axis,
                         labelExpr="split(datum.label, ' ')"),
    )  # fmt: skip
    some, none = (drawing(tiles[part]).encode(x=x, y=y)
                  for part in (tiles["n"] > 0, tiles["n"] == 0))  # fmt: skip
    tints = altair.Scale(domain=list(range(len(TILES))), range=[pair[0] for pair in TILES])
    layers = [
        some.mark_rect(stroke=role("line"), strokeWidth=1)
        .encode(color=altair.Color("tint:O", legend=None, scale=tints)),
        some.mark_text(fontSize=15, fontWeight="bold", dy=-13).encode(text="big"),
        some.mark_text(fontSize=11, dy=6, lineBreak="|", lineHeight=13).encode(text="small"),
        none.mark_text(fontSize=11, color=role("quiet")).encode(text=altair.value("none")),
    ]  # fmt: skip
    told = "; ".join(each(tiles[tiles["n"] > 0], "{species}, {wall}: {big}")).replace("|", " ")
    chart = altair.layer(*layers).properties(height=altair.Step(58))
    return themed(chart, alt=f"Cracked: {told}.", says=says, sub=sub)


def wall_effect(effects: pd.DataFrame | None) -> pd.Series | None:
    """The row of a crack study's effects that is about walls, with how `sure` it is."""
    wall = effects[effects["term"].str.startswith("wall")] if effects is not None else None
    if wall is None or not len(wall):
        return None
    return wall.assign(sure=certainties(wall)).iloc[0]


def _tiles(bowls: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """One row a tile, its counts, the words on it and its tint; the walls' names in order."""
    units = answers()
    edges, step = ((20, 30, 40), 1.0) if units.length == "mm" else (_INCHES, MM_PER_INCH / 16)
    ends = [(units.length_of(low), units.length_of(high - step))
            for low, high in zip(edges, edges[1:], strict=False)]  # fmt: skip
    names = [
        f"under|{units.length_of(edges[0])}",
        *(f"{low.removesuffix(f' {units.length}')}|to {high}" for low, high in ends),
        f"{units.length_of(edges[-1])}|and over",
    ]
    frame = bowls.assign(
        wall=pd.cut(bowls["wall_mm"], [0, *edges, np.inf], right=False, labels=names)
        .astype(object),
        cracked=bowls["crack_on"].notna(),
        bare=bowls["seal"] == "none",
    )  # fmt: skip
    names.append(_EVERY)
    both = pd.concat([frame, frame.assign(species=_ALL)])
    both = pd.concat([both, both.assign(wall=_EVERY)])
    counted = both.groupby(["species", "wall"]).apply(_words_of, include_groups=False).reset_index()
    grid = pd.MultiIndex.from_product([both["species"].unique(), names])
    tiles = counted.set_index(["species", "wall"]).reindex(grid.set_names(["species", "wall"]))
    tiles = tiles.fillna({"n": 0, "k": 0}).reset_index()
    pale = (tiles["n"] < _FEW) | (tiles["share"] <= 0.15)
    tiles["tint"] = np.select(
        [tiles["k"] == 0, pale, tiles["share"] <= 0.34, tiles["share"] <= 0.6], [0, 1, 2, 3], 4
    )
    return tiles, names


def _words_of(part: pd.DataFrame) -> pd.Series:
    split = [("bare", part[part["bare"]]), ("sealed", part[~part["bare"]])]
    small = [f"{name} {int(p['cracked'].sum())}/{len(p)}" for name, p in split if len(p)]
    k, n = int(part["cracked"].sum()), len(part)
    return pd.Series(
        {"n": n, "k": k, "share": k / n, "big": f"{k} of {n}", "small": "|".join(small)}
    )
