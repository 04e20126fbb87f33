"""Estimates with their intervals, a row each: the forest chart that several studies share."""

from __future__ import annotations

from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab.charts.axes import need
from woodlab.charts.theme import COLOURS, FAINT_INK, INK, Size, themed
from woodlab.charts.titles import fitting

MOST_FOLD = 1000.0  # a ratio beyond it is drawn to the edge
_LINEAR_FOLD = 6.0  # ratios that span no more than this are drawn on a linear axis
_STEP_PX = 38
_TICKS = (1, 2, 5)  # of a logarithmic axis, in each power of ten


def interval_chart(
    frame: pd.DataFrame,
    *,
    title: str,
    says: str = "",
    estimate: str = "estimate",
    reference: float | None = None,
    log: bool = False,
    in_order: bool = False,
    level: str = "95 %",
    size: Size = "column",
) -> Any:
    """One row a label: estimate as a point, interval as a bar, the label written above them.

    Parameters
    ----------
    frame : DataFrame
        `label`, the column named by `estimate`, `ci_lower`, `ci_upper`; the largest estimate is
        on top. A row without an estimate is drawn as its interval alone, an end that is open (0
        or infinite ratio, or cut off) as an arrow. `text` (optional) is written after the label.
    title : str
        Of the axis, with its unit in brackets.
    says : str
        The chart's title; which rows stand apart, unless given.
    estimate : str
        The column that holds the estimates.
    reference : float, optional
        Where "no difference" is: a mark in each row.
    log : bool
        A logarithmic axis where the ends span more than sixfold, as ratios may; cut at a
        thousandfold.
    in_order : bool
        Rows keep the frame's order, where they have one of their own.
    level : str
        Of the intervals, as it is to be read: "95 %".
    size : as for `themed`

    Returns
    -------
    LayerChart: the numbers along x, in the unit of `title`.

    Examples
    --------
    >>> frame = pd.DataFrame({"label": ["ash", "oak"], "estimate": [1.4, float("nan")],
    ...                       "ci_lower": [0.9, 0.2], "ci_upper": [2.2, 8.0]})
    >>> interval_chart(frame, title="Rate [ratio]", reference=1.0, log=True).description
    'Rate [ratio] with 95 % intervals: ash: 1.4 (0.9 to 2.2); oak: not known (0.2 to 8).'
    >>> interval_chart(frame.drop(columns="ci_upper"), title="Rate [ratio]")
    Traceback (most recent call last):
        ...
    woodlab.errors.WoodlabError: this chart needs rows with ... missing: ci_upper.
    """
    need(frame, "label", estimate, "ci_lower", "ci_upper")
    frame = frame.assign(
        label=frame["label"].astype(str),
        words=frame["label"].astype(str) + (": " + frame["text"] if "text" in frame else ""),
    )
    if not in_order:
        frame = frame.sort_values(estimate, ascending=False, na_position="last", kind="stable")
    ends = frame[["ci_lower", "ci_upper", estimate]]
    log = log and not (ends.min().min() * _LINEAR_FOLD > ends.max().max())
    scale, axis, cut = _scale(frame, estimate, reference, log=log, title=title)
    low, high = scale["domain"]
    frame = frame.assign(
        from_=frame["ci_lower"].clip(low, high), to_=frame["ci_upper"].clip(low, high),
        open_low=(frame["ci_lower"] < low) | (log & (frame["ci_lower"] <= 0)),
        open_high=frame["ci_upper"] > high,
    )  # fmt: skip
    tips = [
        altair.Tooltip("label:N", title="what"),
        altair.Tooltip(f"{estimate}:Q", title="estimate", format=".3g"),
        altair.Tooltip("ci_lower:Q", title=f"lower end ({level})", format=".3g"),
        altair.Tooltip("ci_upper:Q", title=f"upper end ({level})", format=".3g"),
    ]
    x: dict[str, Any] = {"scale": scale, "axis": axis}
    base = altair.Chart(frame).encode(
        y=altair.Y("label:N", title=None, sort=frame["label"].tolist(), axis=None), tooltip=tips
    )
    arrow: dict[str, Any] = {"filled": True, "size": 90, "color": COLOURS[4], "opacity": 1}
    left, right = (base.transform_filter(f"datum.{end}") for end in ("open_low", "open_high"))
    layers = [
        base.mark_rule(strokeWidth=3, color=COLOURS[4]).encode(
            x=altair.X("from_:Q", **x), x2="to_:Q"
        ),
        left.mark_point(shape="triangle-left", **arrow).encode(x=altair.X("from_:Q", **x)),
        right.mark_point(shape="triangle-right", **arrow).encode(x=altair.X("to_:Q", **x)),
        base.transform_filter(f"isValid(datum.{estimate})")
        .mark_point(size=80, color=COLOURS[0])
        .encode(x=altair.X(f"{estimate}:Q", **x)),
        base.mark_text(align="left", baseline="bottom", dy=-8, color=INK).encode(
            x=altair.value(0), text="words:N"
        ),
    ]
    sub = f"{title}, with {level} intervals{cut}"
    if reference is not None:
        at = base.transform_calculate(at=str(reference))
        mark = at.mark_tick(orient="vertical", size=14, thickness=2, color=FAINT_INK)
        layers.insert(0, mark.encode(x=altair.X("at:Q", **x)))
        sub += f"; upright mark: {'no difference' if reference in (0, 1) else f'{reference:g}'}"
    rows = "; ".join(
        f"{r['label']}: {_number(r[estimate])} ({_number(r['ci_lower'])} to "
        f"{_number(r['ci_upper'])})"
        for _, r in frame.iterrows()
    )
    chart = altair.layer(*layers).properties(height=altair.Step(_STEP_PX))
    alt = f"{title} with {level} intervals: {rows}."
    says = says or _apart(frame, estimate, reference)
    return themed(chart, alt=alt, says=says, sub=f"{sub}.", size=size)


def _apart(frame: pd.DataFrame, estimate: str, reference: float | None) -> str:
    """Which rows stand apart by their intervals: from no difference, or top and bottom row."""
    n = len(frame)
    if reference is not None:
        off = int(((frame["ci_lower"] > reference) | (frame["ci_upper"] < reference)).sum())
        return fitting(f"{off} of {n} intervals exclude no difference")
    known = frame[frame[estimate].notna()].sort_values(estimate)
    if len(known) < 2:
        row = frame.iloc[0]
        return fitting(f"{row['label']}: {_number(row[estimate])}", f"{n} estimate so far")
    most, least = known.iloc[-1], known.iloc[0]
    if most["ci_lower"] > least["ci_upper"]:
        return fitting(f"{most['label']} highest, {least['label']} lowest", "The groups differ")
    return "The intervals overlap: too few to tell the groups apart"


def _scale(
    frame: pd.DataFrame, estimate: str, reference: float | None, *, log: bool, title: str
) -> tuple[Any, Any, str]:
    """The axis, whose last ticks stand beyond every end, and words for where it cuts bars off."""
    values = frame[[estimate, "ci_lower", "ci_upper"]].to_numpy(dtype=float).ravel()
    values = np.append(values[np.isfinite(values)], [] if reference is None else [reference])
    if log:
        values = values[values > 0] if (values > 0).any() else np.array([1.0])
        low, high = max(values.min(), 1 / MOST_FOLD), min(values.max(), MOST_FOLD)
        decades = range(int(np.floor(np.log10(low))) - 1, int(np.ceil(np.log10(high))) + 2)
        ticks = np.array([k * 10.0**d for d in decades for k in _TICKS])
        first = max(int(np.searchsorted(ticks, low * 1.0001)) - 1, 0)
        last = int(np.searchsorted(ticks, high * 0.9999))
        ticks = ticks[first : last + 1]
        shown = ticks[:: max(1, len(ticks) // 8)]
        cut = values.min() < 1 / MOST_FOLD or values.max() > MOST_FOLD
        told = f"; cut at {1 / MOST_FOLD:g} and {MOST_FOLD:g}" if cut else ""
        scale = altair.Scale(type="log", domain=[float(ticks[0]), float(ticks[-1])], nice=False,
                             clamp=True)  # fmt: skip
        axis = altair.Axis(title=title, values=[float(tick) for tick in shown], format="~g")
        return scale, axis, told
    low, high = (values.min(), values.max()) if values.size else (0.0, 1.0)
    axis = altair.Axis(title=title, tickCount=6)
    if "[%]" in title and low >= 0 and 50 < high <= 100:
        return altair.Scale(domain=[0, 100], nice=False), axis, ""
    low = 0.0 if 0 <= low < 0.4 * high else low
    step = _nice((high - low or abs(high) or 1.0) / 5)
    ends = [float(np.floor(low / step) * step), float(np.ceil(high / step) * step)]
    if ends[0] == ends[1]:
        ends[1] += step
    axis = altair.Axis(title=title, values=np.arange(ends[0], ends[1] + step / 2, step).tolist())
    return altair.Scale(domain=ends, nice=False), axis, ""


def _nice(step: float) -> float:
    """The next larger of 1, 2, 5 in its power of ten."""
    power = 10.0 ** np.floor(np.log10(step))
    return float(next(k * power for k in (1, 2, 5, 10) if k * power >= step * 0.9999))


def _number(value: float) -> str:
    return "not known" if pd.isna(value) else f"{value:.3g}"
