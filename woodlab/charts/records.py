"""Charts of a season's records: weighings, doubts, the air."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.charts.blocks import across, lines, need, panels, tip, tips, upward, written
from woodlab.charts.colours import role, seal_colours
from woodlab.charts.theme import themed
from woodlab.charts.units import drawing

_NO_SERIES = "unknown"
_AIR = {
    "temp_c": "Temperature [°C]", "rh_pct": "Relative humidity [%]",
    "moisture_pct": "Equilibrium moisture [%]",
}  # fmt: skip


def weighings_overview(
    weighings: pd.DataFrame, pieces: pd.DataFrame, doubts: pd.DataFrame | None = None
) -> Any:
    """Every weighing of the season, a line a piece, a panel a seal; doubted ones ringed and named.

    Parameters
    ----------
    weighings : DataFrame
        `piece`, `on`, `mass_g` [g]: the book's table.
    pieces : DataFrame
        `piece`, `species`, `seal`: the book's table.
    doubts : DataFrame, optional
        `book.doubts`; those of the weighings are ringed (by piece and mass).

    Returns
    -------
    ConcatChart: weight [% of each piece's first] against the date, the panels on the same axes.

    Examples
    --------
    >>> import woodlab as wl
    >>> book = wl.RecordBook.from_frames(
    ...     pieces=pd.DataFrame({"piece": ["A1"], "species": ["white ash"], "seal": ["none"],
    ...                          "turned_on": ["2026-03-01"], "wall_mm": [22]}),
    ...     weighings=pd.DataFrame({"piece": "A1", "on": ["2026-03-01", "2026-03-08", "2026-03-15"],
    ...                             "mass_g": [1480, 1390, 13100]}))  # a slip: ringed
    >>> print(weighings_overview(book.weighings, book.pieces, book.doubts).description)
    1 of 3 weights looks odd. 3 weighings of 1 white ash, 1 to 15 March 2026, of 1390 to
    13100 g, by seal: none. 1 of them is ringed as doubtful.
    """
    need(weighings, why="there are no weighings to draw. Add rows to the table `weighings`.")
    frame = weighings[["piece", "on", "mass_g"]].merge(
        pieces[["piece", "species", "seal"]], on="piece", how="left"
    )
    frame = frame.fillna({"species": _NO_SERIES, "seal": _NO_SERIES}).sort_values(
        "on", kind="stable"
    )
    frame["odd"] = _doubted(frame, doubts)
    by_piece = frame.groupby("piece")["mass_g"].transform("first")
    good = frame[~frame["odd"]].groupby("piece")["mass_g"].first()
    frame["part_pct"] = 100 * frame["mass_g"] / frame["piece"].map(good).fillna(by_piece)
    # what is in doubt may be far off: it is drawn at the edge of what the others need
    sure = frame.loc[~frame["odd"], "part_pct"] if not frame["odd"].all() else frame["part_pct"]
    low = 10 * float(np.floor(sure.min() / 10)) - 10
    top = 10 * float(np.ceil(sure.max() / 10)) + 10
    frame["shown_pct"] = frame["part_pct"].clip(low, top)
    seals = words.order_of_seals(frame["seal"])
    x = across("on:T", tickCount=4 if len(seals) > 1 else 7)
    y = upward("shown_pct:Q", "Weight [% of the first]", (low, top))
    layers = {}
    for seal, colour in zip(seals, seal_colours(seals), strict=True):
        own = frame[frame["seal"] == seal]
        base = drawing(own).encode(x=x, y=y, tooltip=tips(own, "mass_g"))
        ringed = own[own["odd"]]
        odd = drawing(ringed).encode(x=x, y=y)
        name = drawing(ringed.drop_duplicates("piece")).encode(x=x, y=y, text="piece:N")
        n = own["piece"].nunique()
        named = words.opened(words.bowls(seal, n))
        layers[named if seal != _NO_SERIES else f"{n} without a seal noted"] = [
            base.mark_line(strokeWidth=1, color=colour, opacity=0.7).encode(detail="piece:N"),
            base.mark_point(size=9, color=colour),
            odd.mark_point(filled=False, size=120, strokeWidth=2, color=role("cracked")),
            *written(name, align="left", dx=9, fontWeight="bold", color=role("cracked")),
        ]  # fmt: skip
    n, total = int(frame["odd"].sum()), len(frame)
    woods = ", ".join(
        f"{count} {wood}"
        for wood, count in frame.drop_duplicates("piece")["species"].value_counts().items()
    )
    told = (
        f"{words.tally(total, 'weighing')} of {woods}, "
        f"{words.dates(frame['on'].min(), frame['on'].max(), None)}, of "
        f"{frame['mass_g'].min():.0f} to {frame['mass_g'].max():.0f} g, by seal: "
        f"{', '.join(seals)}. {n} of them {'is' if n == 1 else 'are'} ringed as doubtful."
    )
    says = f"{n or 'None'} of {total:,} weights {'look' if n > 1 else 'looks'} odd"
    sub = (
        f"Weight [% of each bowl's first] against the date, a line a bowl: {woods}. Ringed and "
        "named: compare with the paper."
    )
    if not frame["part_pct"].between(low, top).all():
        sub += " Weights beyond an edge are drawn at it."
    chart = panels(layers, axis_px=52)
    return themed(chart, alt=told, says=says, sub=sub)


def _doubted(frame: pd.DataFrame, doubts: pd.DataFrame | None) -> pd.Series:
    """The weighings in doubt: a doubt says `before then now`, as short as numbers are shown."""
    if doubts is None or not len(doubts):
        return pd.Series(False, index=frame.index)
    ours = doubts[(doubts["table"] == "weighings") & (doubts["column"] == "mass_g")]
    said = {
        (
            str(piece),
            *(f"{pd.to_numeric(n, errors='coerce'):g}" for n in str(value).split(" then ")),
        )
        for piece, value in zip(ours["piece"], ours["value"], strict=True)
    }
    now = frame["mass_g"].map("{:g}".format)
    before = now.groupby(frame["piece"]).shift()
    return pd.Series(
        [
            (str(piece), b, n) in said or (str(piece), n) in said
            for piece, b, n in zip(frame["piece"], before, now, strict=True)
        ],
        index=frame.index,
    )


def season_air(air: pd.DataFrame) -> Any:
    """The air of the season in panels: temperature, humidity, and the moisture it leads to.

    Parameters
    ----------
    air : DataFrame
        `on`, with one or more of `temp_c` [degrees C], `rh_pct` [%] and `moisture_pct`
        (equilibrium moisture [% of oven-dry mass]); `place` if there are several.

    Returns
    -------
    ConcatChart: a panel a quantity against the date.

    Examples
    --------
    >>> air = pd.DataFrame({"on": pd.to_datetime(["2026-01-10", "2026-07-10"]),
    ...                     "temp_c": [2.0, 21.0], "rh_pct": [84.0, 58.0]})
    >>> season_air(air).description
    'The air ran from 2 to 21 °C. 10 January to 10 July 2026: Temperature [°C] 2 to 21; ...'
    """
    present = [column for column in _AIR if column in air and air[column].notna().any()]
    need(
        air if present else air.head(0), why="there is no air to draw. Add rows to the table `air`."
    )
    placed = "place" in air and air["place"].notna().any()
    frame = air.assign(place=air["place"].fillna("(no place)") if placed else "all places")
    frame = frame[["on", "place", *present]]
    x = across("on:T", tickCount=7, scale={"nice": False})
    layers = {}
    for column in present:
        y = upward(f"{column}:Q", None, scale={"zero": False}, tickCount=5)
        tooltip = [tip("on:T", "date", "%d %b %Y"), f"{column}:Q"]
        layers[_AIR[column]] = lines(frame, x, y, "place", strokeWidth=1.6, tooltip=tooltip)
    ends = {column: f"{frame[column].min():.0f} to {frame[column].max():.0f}" for column in present}
    told = "; ".join(f"{_AIR[column]} {ends[column]}" for column in present)
    if "moisture_pct" in present:
        says = f"The air would bring wood to {ends['moisture_pct']} %"
    else:
        unit = "°C" if present[0] == "temp_c" else "% humidity"
        says = f"The air ran from {ends[present[0]]} {unit}"
    return themed(
        panels(layers, columns=1, height=110, axis_px=120 if frame["place"].nunique() > 1 else 42),
        alt=f"{words.dates(frame['on'].min(), frame['on'].max(), None)}: {told}.", says=says,
        sub=f"{'; '.join(_AIR[column] for column in present)}, against the date.",
    )  # fmt: skip
