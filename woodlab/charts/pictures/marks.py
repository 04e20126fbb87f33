"""What the pictures of a season share: marks that colour need not explain, the axis of months."""

from __future__ import annotations

from typing import Any

import altair
import pandas as pd

from woodlab.charts.colours import role

# Paths in a unit square: a crack, a plaster over it, the gap that sets a mark off, a bowl.
CRACK = (
    "M-0.05,-1.25 L0.45,-1.25 L0.12,-0.5 L0.6,-0.05 L0.08,0.5 L0.3,1.25 L-0.2,1.25 L-0.5,0.42 "
    "L-0.02,-0.02 L-0.45,-0.5 Z"
)
GLUED = (
    "M-0.35,-1 L0.35,-1 L0.35,-0.35 L1,-0.35 L1,0.35 L0.35,0.35 L0.35,1 L-0.35,1 L-0.35,0.35 "
    "L-1,0.35 L-1,-0.35 L-0.35,-0.35 Z"
)
GAP = "M-0.85,-1.2 L0.85,-1.2 L0.85,1.2 L-0.85,1.2 Z"
BOWL = "M-1,-0.55 L1,-0.55 C1,0.35 0.45,0.75 0.4,0.75 L-0.4,0.75 C-0.45,0.75 -1,0.35 -1,-0.55 Z"


def marked(frame: pd.DataFrame, shape: str, size: float, colour: str) -> Any:
    """Points of one shape, filled with the colour of a role."""
    return altair.Chart(frame).mark_point(
        shape=shape, size=size, fill=role(colour), strokeWidth=0, opacity=1
    )


def dry_mark(frame: pd.DataFrame, size: float, *, filled: bool) -> Any:
    """Bowls that stand for 'dry enough': full ones are, hollow ones will be."""
    return altair.Chart(frame).mark_point(
        shape=BOWL, size=size, opacity=1, strokeWidth=1.3, stroke=role("ready"),
        fill=role("ready" if filled else "paper"),
    )  # fmt: skip


def months(*, narrow: bool) -> Any:
    """Each month by its name, January with its year; on a phone every third."""
    short = "month(datum.value)==1 ? '' : timeFormat(datum.value,'%b')"
    if narrow:
        short = "month(datum.value)%3==0 ? timeFormat(datum.value,'%b') : ''"
    return altair.Axis(
        title=None, grid=False, tickCount="month", labelFontSize=11, labelAlign="left",
        labelOffset=0, labelPadding=4, labelOverlap=False,
        labelExpr=f"month(datum.value)==0 ? timeFormat(datum.value,'%b %Y') : {short}",
    )  # fmt: skip


def days(start: Any, end: Any) -> Any:
    """A scale of dates from one day to another, as given."""
    return altair.Scale(
        domain=[pd.Timestamp(day).isoformat() for day in (start, end)], type="time", nice=False
    )
