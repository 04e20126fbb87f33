"""Seals compared within a log: the pieces of each log joined by a line."""

from __future__ import annotations

from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab.charts.colours import order_of_seals
from woodlab.charts.theme import COLOURS, INK, WIDTH_PX, Size, themed
from woodlab.charts.titles import fitting
from woodlab.errors import WoodlabError

_AT_LEAST = "not there yet: as predicted"
_MOST_NAMED = 8  # logs; more names would overlap


def pairs_by_log(pairs: pd.DataFrame, reference: str = "none", *, size: Size = "column") -> Any:
    """Weeks to the target under each seal, the pieces of a log joined by a line.

    Parameters
    ----------
    pairs : DataFrame
        Of a `SealStudy`: `log`, `seal`, `weeks`, `predicted` (True where a piece is not
        there yet: a triangle).
    reference : str
        The seal that stands first.
    size : as for `themed`

    Returns
    -------
    LayerChart: seals side by side, weeks on a logarithmic axis; up to eight logs are named.

    Raises
    ------
    WoodlabError
        When no log holds two seals.

    Examples
    --------
    >>> import pandas as pd
    >>> pairs = pd.DataFrame({"log": ["A", "A", "B", "B"], "seal": ["oil", "none", "oil", "none"],
    ...                       "weeks": [14.0, 8.0, 22.0, 12.0],
    ...                       "predicted": [False, False, True, False]})
    >>> chart = pairs_by_log(pairs, reference="none")
    >>> chart.to_dict()["layer"][0]["encoding"]["x"]["sort"]
    ['none', 'oil']
    >>> chart.description
    'Weeks to the target by seal, 2 logs each a line. Medians: none: 10 weeks; oil: 18 weeks.'
    """
    if not len(pairs):
        raise WoodlabError(
            "no log holds two seals, so nothing can be joined. Seal pieces of one log differently."
        )
    order = order_of_seals({reference, *pairs["seal"]})
    order = [reference, *(seal for seal in order if seal != reference)]
    order = [name for name in order if (pairs["seal"] == name).any()]
    frame = pairs.assign(kind=np.where(pairs["predicted"], _AT_LEAST, "reached"))
    x = altair.X(
        "seal:N", title=None, sort=order,
        axis=altair.Axis(
            labelAngle=0,
            labelOverlap=False,
            labelLimit=WIDTH_PX[size] // len(order),
            labelExpr="split(datum.label, ' ')",  # a word a line
        ),
        scale=altair.Scale(padding=0.25, type="point"),
    )  # fmt: skip
    y = altair.Y(
        "weeks:Q", title="Weeks to the target (logarithmic)",
        scale=altair.Scale(type="log", nice=False, padding=12, zero=False),
        axis=altair.Axis(tickCount=5, format="d"),
    )  # fmt: skip
    base = altair.Chart(frame).encode(x=x, y=y)
    lines = base.mark_line(strokeWidth=1.2, color=COLOURS[4], opacity=0.8).encode(
        detail="log:N", order="seal:N", tooltip=["log:N"]
    )
    points = base.mark_point(size=60, color=COLOURS[0], opacity=1).encode(
        shape=altair.Shape(
            "kind:N",
            scale=altair.Scale(
                domain=["reached", _AT_LEAST],
                range=["circle", "triangle-up"],
            ),
            legend=altair.Legend(title=None, labelLimit=260),
        ),
        tooltip=["log:N", "seal:N", altair.Tooltip("weeks:Q", format=".0f"), "kind:N"],
    )
    named = (
        altair.Chart(_names_at_the_end(frame, order))
        .mark_text(align="left", dx=8, color=INK)
        .encode(x=x, y=y, text="log:N")
    )
    logs = frame["log"].nunique()
    longer = "; ".join(
        f"{name}: {frame.loc[frame['seal'] == name, 'weeks'].median():.0f} weeks" for name in order
    )
    alt = f"Weeks to the target by seal, {logs} logs each a line. Medians: {longer}."
    layers = [lines, points, named] if logs <= _MOST_NAMED else [lines, points]
    medians = frame.groupby("seal")["weeks"].median()
    says = fitting(
        f"Within a log: {order[0]} {medians[order[0]]:.0f} weeks, "
        f"{order[-1]} {medians[order[-1]]:.0f}",
        f"{logs} logs held two seals or more",
    )
    sub = "Weeks to the target by seal; a line joins the bowls of one log."
    return themed(altair.layer(*layers), alt=alt, says=says, sub=sub, size=size)


def _names_at_the_end(frame: pd.DataFrame, order: list[str]) -> pd.DataFrame:
    """Each log's name where its line ends; names that would lie upon each other share a place."""
    place = frame["seal"].map({name: position for position, name in enumerate(order)})
    ends = frame.assign(place=place).sort_values("place").groupby("log").tail(1)
    ends = ends.sort_values(["place", "weeks"], ignore_index=True)
    whole = np.log(frame["weeks"].max() / frame["weeks"].min())
    apart = (ends["place"].diff() != 0) | (np.log(ends["weeks"]).diff() > 0.06 * whole)
    rows = ends.groupby(apart.cumsum()).agg(
        seal=("seal", "first"),
        weeks=("weeks", "median"),
        log=("log", lambda names: ", ".join(map(str, names))),
    )
    return rows.reset_index(drop=True)
