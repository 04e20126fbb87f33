"""Cracks as counts: species by wall, "3 of 5" in tiles."""

from __future__ import annotations

from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab import words
from woodlab.charts.axes import need
from woodlab.charts.colours import TILES, role
from woodlab.charts.theme import Size, themed
from woodlab.charts.titles import Claim, certainties, fitting

_WALLS = ("under 20 mm", "20 to 29", "30 to 39", "40 and over")
_EDGES = (0, 20, 30, 40, np.inf)
_EVERY, _ALL = "every wall", "every species"
_FEW = 5  # of fewer bowls a share says nothing: such a tile stays pale
THICK = Claim(
    more="Thick walls cracked more often than thin ones",
    less="Thin walls cracked more often than thick ones",
    likely_more="Thick walls probably crack more often than thin ones",
    likely_less="Thin walls probably crack more often than thick ones",
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
    >>> chart = cracks_as_counts(bowls)
    >>> chart.description
    'Bowls that cracked: ash, 20 to 29: 0 of 2; ash, 30 to 39: 1 of 1; ash, every wall: 1 of 3.'
    >>> chart.title.text
    ['One of the 3 bowls cracked']
    """
    need(bowls, "species", "wall_mm", "seal", "crack_on")
    narrow = size == "column"
    tiles = _tiles(bowls)
    kinds = [w for w in _WALLS if (tiles.loc[tiles["wall"] == w, "n"] > 0).any()]
    species = tiles[(tiles["wall"] == _EVERY) & (tiles["species"] != _ALL)]
    order = species.sort_values("share", ascending=False, kind="stable")["species"].tolist()
    order, across = [*order, *([_ALL] if len(order) > 1 else [])], [*kinds, _EVERY]
    tiles = tiles[tiles["species"].isin(order) & tiles["wall"].isin(across)]
    left, high = (52, 54) if narrow else (112, 62)
    title = fitting(words.of_all(int(bowls["crack_on"].notna().sum()), len(bowls), "cracked"))
    told = ""
    r = None if narrow else wall_effect(effects)
    if r is not None:
        title = THICK.said(r["hazard_ratio"], r["sure"], r["ci_lower"], r["ci_upper"])
        if np.isfinite(r["hazard_ratio"]):
            told = (
                f"Each 10 mm more of wall: {words.two(r['hazard_ratio'])} times the rate of cracks "
                f"({words.between(r['ci_lower'], r['ci_upper'])}, 95 % interval). "
            )
    sub = (
        told
        + "In each tile: bowls that cracked, of bowls turned"
        + ("." if narrow else f"; deeper where the share is larger, pale below {_FEW} bowls.")
    )
    x = altair.X(
        "wall:N", sort=across, scale=altair.Scale(paddingInner=0.06, paddingOuter=0),
        axis=altair.Axis(
            title="Rough wall [mm]" if narrow else "Thickness of the rough wall", orient="top",
            domain=False,
            ticks=False, labelAngle=0, labelOverlap=False, labelLimit=150,
            labelExpr="replace(replace(datum.label, ' mm', ''), ' and over', ' +')" if narrow
            else "datum.label",
            labelFontSize=10 if narrow else 12, labelColor=role("ink"),
        ),
    )  # fmt: skip
    y = altair.Y(
        "species:N", sort=order, scale=altair.Scale(paddingInner=0.12, paddingOuter=0),
        axis=altair.Axis(
            title=None, domain=False, ticks=False, labelLimit=left, labelOverlap=False,
            labelExpr="split(datum.label, ' ')" if narrow else "datum.label",
            labelFontSize=10 if narrow else 12, labelColor=role("ink"), minExtent=left,
        ),
    )  # fmt: skip
    some, none = tiles[tiles["n"] > 0], tiles[tiles["n"] == 0]
    base = altair.Chart(some).encode(x=x, y=y)
    tints = [pair[0] for pair in TILES]
    colour = altair.Color(
        "tint:O", legend=None, scale=altair.Scale(domain=list(range(len(tints))), range=tints)
    )
    layers = [
        base.mark_rect(stroke=role("line"), strokeWidth=1).encode(color=colour),
        base.mark_text(
            fontSize=12 if narrow else 16, fontWeight="bold", dy=-1 if narrow else -14,
            color=role("ink"),
        ).encode(text="big"),
    ]  # fmt: skip
    if len(none):
        layers.append(
            altair.Chart(none).mark_text(fontSize=10 if narrow else 11, color=role("quiet"))
            .encode(x=x, y=y, text=altair.value("none"))
        )  # fmt: skip
    if not narrow:
        layers.append(
            base.mark_text(fontSize=11, dy=6, lineBreak="|", lineHeight=13, color=role("ink"))
            .encode(text="small")
        )  # fmt: skip
    chart = altair.layer(*layers).properties(height=altair.Step(high))
    told = "; ".join(f"{r.species}, {r.wall}: {r.big}" for r in some.itertuples())
    return themed(chart, alt=f"Bowls that cracked: {told}.", says=title, sub=sub, size=size)


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
