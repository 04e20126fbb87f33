"""The season at a glance: a row a bowl, grouped by seal, from wet to dry in one hue."""

from __future__ import annotations

from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab import words
from woodlab.charts.blocks import across, need, upward
from woodlab.charts.colours import MOISTURE, MOISTURE_EDGES, role
from woodlab.charts.pictures.marks import cracked, dry_mark, months
from woodlab.charts.theme import WIDTH_PX, heading, themed
from woodlab.charts.titles import slower
from woodlab.charts.units import drawing

READY = 0.95  # chance of being dry enough from which a bowl is drawn as such
_AHEAD = pd.Timedelta(days=400)  # forecasts are drawn this far
_COLOURS = [role("paper"), *(pair[0] for pair in MOISTURE)]
_COLUMNS = (
    "piece", "seal", "turned_on", "as_of", "p_ready_now", "ready_on", "earliest_on", "latest_on",
    "group", "crack_on", "glued_on", "target_moisture_pct",
)  # fmt: skip
# one scale for all panels: what is concatenated shares its colours
_CLASS = altair.Color("step:O", legend=None, scale=altair.Scale(
    domain=list(range(len(_COLOURS))), range=_COLOURS))  # fmt: skip


def season_at_a_glance(
    bowls: pd.DataFrame,
    curves: pd.DataFrame,
    effects: pd.DataFrame | None = None,
) -> Any:
    """The season: each bowl's moisture so far, its cracks, and when it is dry enough.

    Parameters
    ----------
    bowls : DataFrame
        A row a bowl: `piece`, `seal`, `turned_on`, `p_ready_now`, `ready_on`, `earliest_on`,
        `latest_on`, `as_of`, `target_moisture_pct` as in `forecast_ready`, `group`, `crack_on`,
        `glued_on` as in `woodlab.pages.facts`.
    curves : DataFrame
        Of `forecast_curves`: `piece`, `on`, `part` (`so far` is drawn), `moisture_pct`.
    effects : DataFrame, optional
        Of a seal study; the title says whether bare bowls dry sooner.

    Returns
    -------
    VConcatChart: rows of moisture in classes against the date, one group a seal.

    Examples
    --------
    >>> day = pd.Timestamp("2026-05-01")
    >>> bowls = pd.DataFrame({
    ...     "piece": ["A1"], "seal": "none", "turned_on": day - pd.Timedelta(days=90), "as_of": day,
    ...     "p_ready_now": 0.2, "ready_on": day + pd.Timedelta(days=9), "group": "waiting",
    ...     "earliest_on": day, "latest_on": day + pd.Timedelta(days=30), "crack_on": pd.NaT,
    ...     "glued_on": pd.NaT, "target_moisture_pct": 14.0})
    >>> curves = pd.DataFrame({"piece": "A1", "part": "so far", "moisture_pct": [60.0, 16.0],
    ...                        "on": [day - pd.Timedelta(days=90), day]})
    >>> season_at_a_glance(bowls, curves).description
    '0 of 1 bowls are dry enough. A row a bowl, by seal, as of 1 May 2026. Bare: 0 of 1 dry ...'
    """
    need(bowls, *_COLUMNS)
    bowls = bowls[list(_COLUMNS)]  # each layer carries its frame along
    width = WIDTH_PX["column"] - 16
    step = min(14.0, max(8.0, 880 / len(bowls)))  # ninety bowls fill a page
    day, target = bowls["as_of"].iloc[0], float(bowls["target_moisture_pct"].median())
    start, end = bowls["turned_on"].min() - pd.Timedelta(days=26), _end(bowls)
    edges = [target, *(edge for edge in MOISTURE_EDGES if edge > target)]
    bars, seals = _runs(curves, edges), words.order_of_seals(bowls["seal"])
    panels, told = [_key(width, edges)], []
    for seal in seals:
        own = bowls[bowls["seal"] == seal].sort_values(["ready_on", "turned_on"])
        dry, broke = int((own["p_ready_now"] >= READY).sum()), int(own["crack_on"].notna().sum())
        said = words.sealed(seal)
        told.append(words.opened(f"{said}: {dry} of {len(own)} dry enough, {broke} cracked"))
        x = months("at:T", (start, end), shown=seal == seals[-1])
        panels.append(altair.layer(*_rows(own, bars, x, step, end)).properties(
            width=width, height=step * len(own), title=heading(told[-1])))  # fmt: skip
    dry = int((bowls["p_ready_now"] >= READY).sum())
    title = slower(effects, seals) or f"{dry} of {len(bowls)} bowls are dry enough"
    return themed(
        altair.vconcat(*panels, spacing=7), says=title, size="column",
        alt=f"A row a bowl, by seal, as of {words.day(day)}. {'; '.join(told)}.",
        sub=f"{len(bowls)} bowls, one a row, as of {words.day(day)}, by the day each is or will be "
        f"dry enough ({words.target(target)} moisture, estimated from the weights).",
    )  # fmt: skip


def _end(bowls: pd.DataFrame) -> pd.Timestamp:
    """Behind the last forecast; far ahead where one has no end."""
    day, coming = bowls["as_of"].iloc[0], bowls[bowls["ready_on"] > bowls["as_of"]]
    if coming["latest_on"].isna().any():
        return day + _AHEAD
    last = max([day + pd.Timedelta(days=45), *coming["latest_on"]])
    return min(last + pd.Timedelta(days=20), day + _AHEAD)


def _rows(own: pd.DataFrame, bars: pd.DataFrame, x: Any, step: float, end: pd.Timestamp) -> list:
    """The layers of one seal's rows; a row's name stands before its bar."""
    day = own["as_of"].iloc[0]
    y = altair.Y("piece:N", sort=list(own["piece"]), axis=None,
                 scale=altair.Scale(paddingInner=0.28, paddingOuter=0.1))  # fmt: skip
    ahead = own[(own["group"] != "gone") & (own["ready_on"] > day)].assign(at=day)
    ahead = ahead.assign(first=ahead["earliest_on"].clip(lower=day, upper=end),
                         last=ahead["latest_on"].fillna(end).clip(upper=end))  # fmt: skip
    mine = bars[bars["piece"].isin(own["piece"])]
    whole = mine.groupby("piece", as_index=False).agg(at=("at", "min"), to=("to", "max"))
    there = own[own["ready_on"].notna()].assign(at=own["ready_on"].clip(upper=end))
    done = there["p_ready_now"] >= READY
    glued = own["glued_on"] + pd.Timedelta(days=8)  # beside its crack
    ground = drawing(whole).encode(x=x)
    rule, span = drawing(ahead), drawing(ahead.assign(at=ahead["first"]))
    layers = [
        rule.mark_rule(strokeDash=[2.5, 2], strokeWidth=1, color=role("line")).encode(x2="first:T"),
        span.mark_bar(height=step * 0.34, color=role("hair"), stroke=role("line"), strokeWidth=0.6)
        .encode(x2="last:T"),
        ground.mark_bar(color=role("line"), height=step * 0.8).encode(x2="to:T"),
        drawing(mine).mark_bar(height=step * 0.8 - 1.2).encode(x2="to:T", color=_CLASS),
        *(dry_mark(there[part], 34, filled=full)
          for part, full in ((done, True), (~done, False)) if part.any()),
        *cracked(own[own["crack_on"].notna()].assign(at=own["crack_on"]), 54),
        *cracked(own[glued.notna()].assign(at=glued), 36, glued=True),
        ground.mark_text(align="right", dx=-4, fontSize=9.4, color=role("ink"))
        .encode(text="piece:N"),
    ]  # fmt: skip
    today = drawing(pd.DataFrame({"at": [day]})).mark_rule(color=role("ink"), strokeWidth=1.2)
    return [*(layer.encode(x=x, y=y) for layer in layers), today.encode(x=x)]


def _runs(curves: pd.DataFrame, edges: list[float]) -> pd.DataFrame:
    """Runs of one class of moisture: a few bars a bowl; a damp day does not make one flicker."""
    rows = []
    for piece, course in curves[curves["part"] == "so far"].groupby("piece", sort=False):
        course = course.sort_values("on")
        level = np.searchsorted(edges, course["moisture_pct"].to_numpy())
        level = np.minimum.accumulate(level)
        cut = np.flatnonzero(np.diff(level)) + 1
        on = course["on"].to_numpy()
        for a, b in zip(np.r_[0, cut], np.r_[cut, len(on) - 1], strict=True):
            rows.append((piece, on[a], on[b], int(level[a])))
    return pd.DataFrame(rows, columns=["piece", "at", "to", "step"])


def _key(width: int, edges: list[float]) -> Any:
    """How to read a row: one made-up row, larger, with its words at its marks."""
    high, cell, left, n = 74, 20, 34, len(edges) + 1
    end, crack = left + n * cell, left + 2.4 * cell
    today = end + 6
    first, middle, last = today + 24, today + 48, today + 94
    x = across("x:Q", None, (0, width)).axis(None)
    y = upward("y:Q", None, (high, 0)).axis(None)
    box = {"x2": "x2", "y2": "y2"}

    def at(*points: tuple) -> Any:
        columns = ["x", "y", "x2", "y2", "step"][: len(points[0])]
        return drawing(pd.DataFrame(points, columns=columns)).encode(x=x, y=y)

    def point(at_x: float) -> pd.DataFrame:
        return pd.DataFrame({"x": [at_x], "y": [35.5]})

    def said(*points: tuple, **how: Any) -> Any:
        frame = pd.DataFrame(points, columns=["x", "y", "says"])
        how = {"align": "left", "fontSize": 11, "color": role("ink"), **how}
        return drawing(frame).mark_text(**how).encode(x=x, y=y, text="says:N")

    cells = [(left + k * cell, 30, left + (k + 1) * cell, 41, n - 1 - k) for k in range(n)]
    marks = [
        *cracked(point(crack), 124), *cracked(point(crack + 13), 78, glued=True),
        dry_mark(point(middle), 70, filled=False),
    ]  # fmt: skip
    layers = [
        at((left - 0.6, 29.2, end + 0.6, 41.8)).mark_rect(color=role("line")).encode(**box),
        at(*cells).mark_rect().encode(color=_CLASS, **box),
        at((end, 35.5, first)).mark_rule(strokeDash=[2.5, 2], color=role("line")).encode(x2="x2"),
        at((first, 33, last, 38)).mark_rect(
            color=role("hair"), stroke=role("line"), strokeWidth=0.8).encode(**box),
        at((today, 16, 0, 52)).mark_rule(color=role("ink"), strokeWidth=1.4).encode(y2="y2"),
        *(mark.encode(x=x, y=y) for mark in marks),
        said(*((left + k * cell, 50, f"{edges[n - 1 - k]:.0f}") for k in range(1, n)),
             align="center", fontSize=10, color=role("quiet")),
        said((left - 5, 35.5, "mark"), align="right", fontSize=10),
        said((crack - 4, 20, "crack, then glued"), (left, 66, "moisture [%], wet to dry enough"),
             (today + 4, 10, "today"), (first, 24, "dry enough; full: since then"),
             (first, 51, "9 chances in 10")),
    ]  # fmt: skip
    return altair.layer(*layers).properties(width=width, height=high)
