"""What the pictures of a season share: marks that colour need not explain, the axis of months."""

from __future__ import annotations

from typing import Any

import altair
import pandas as pd

from woodlab.charts.colours import role
from woodlab.charts.units import drawing

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


def cracked(frame: pd.DataFrame, size: float, *, glued: bool = False) -> list[Any]:
    """A crack, or the plaster of a glued one, on a gap that sets it off from what is under it."""
    shape, colour = (GLUED, "ink") if glued else (CRACK, "cracked")
    return [
        drawing(frame).mark_point(shape=path, size=area, fill=role(fill), strokeWidth=0)
        for path, area, fill in ((GAP, 0.9 * size, "paper"), (shape, size, colour))
    ]


def dry_mark(frame: pd.DataFrame, size: float, *, filled: bool) -> Any:
    """Bowls that stand for 'dry enough': full ones are, hollow ones will be."""
    return drawing(frame).mark_point(
        shape=BOWL, size=size, strokeWidth=1.3, stroke=role("ready"),
        fill=role("ready" if filled else "paper"),
    )  # fmt: skip


def months(field: str, ends: tuple[Any, Any], *, shown: bool = True) -> Any:
    """The axis of days: each month by its name, or every third of a long span, and the years."""
    begin, end = map(pd.Timestamp, ends)
    every, january = (3, "%Y") if (end - begin).days > 300 else (1, "%b %Y")
    axis = altair.Axis(
        title=None, grid=False, tickCount="month", labelFontSize=11, labelAlign="left",
        labelOffset=0, labelPadding=4, labelOverlap=False,
        labelExpr=f"month(datum.value)%{every} ? '' : timeFormat(datum.value, "
        f"month(datum.value) ? '%b' : '{january}')",
    )  # fmt: skip
    scale = altair.Scale(domain=[begin.isoformat(), end.isoformat()], type="time", nice=False)
    return altair.X(field, scale=scale, axis=axis if shown else None)
