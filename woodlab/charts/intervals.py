"""Estimates with their intervals, a row each: the forest chart that several studies share."""

from __future__ import annotations

from functools import partial
from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab.charts.blocks import across, need, spans, tip, written
from woodlab.charts.theme import COLOURS, FAINT_INK, Size, themed
from woodlab.charts.titles import fitting
from woodlab.charts.units import drawing, measure, said

ENDS = ["ci_lower", "ci_upper"]
MOST_FOLD = 1000.0  # a ratio beyond it is drawn to the edge
_LINEAR_FOLD = 6.0  # ratios that span no more than this are drawn on a linear axis
_STEP_PX = 38
_LONG = 64  # letters of a label that a column holds


def interval_chart(
    frame: pd.DataFrame,
    *,
    title: str,
    says: str = "",
    estimate: str = "estimate",
    reference: float | str | None = None,
    log: bool = False,
    in_order: bool = False,
) -> Any:
    """One row a label: estimate as a point, interval as a bar, the label written above them.

    Parameters
    ----------
    frame : DataFrame
        `label`, the column named by `estimate`, `ci_lower`, `ci_upper`, and `text` (optional) to
        write after the label. An end that is open (0 or infinite ratio, or cut off) is an arrow.
    title : str
        Of the axis, with its unit in brackets.
    says : str
        The chart's title; which rows stand apart, unless given.
    estimate : str
        The column that holds the estimates.
    reference : float or str, optional
        Where "no difference" is: a mark in each row; or the column that holds each row's own mark.
    log : bool
        A logarithmic axis where the ends span more than sixfold, as ratios may; cut at a
        thousandfold.
    in_order : bool
        Rows keep the frame's order; else the largest estimate is on top.

    Returns
    -------
    LayerChart: the numbers along x, in the unit of `title`.

    Examples
    --------
    >>> frame = pd.DataFrame({"label": ["ash", "oak"], "estimate": [1.4, float("nan")],
    ...                       "ci_lower": [0.9, 0.2], "ci_upper": [2.2, 8.0]})
    >>> interval_chart(frame, title="Rate [ratio]", reference=1.0, log=True).description
    '0 of 2 intervals exclude no difference. Rate [ratio] ...: ash: 1.4 (0.9 to 2.2); oak: not ...'
    >>> interval_chart(frame.drop(columns="ci_upper"), title="Rate [ratio]")
    Traceback (most recent call last):
        ...
    woodlab.errors.WoodlabError: this chart needs rows with ... missing: ci_upper.
    """
    need(frame, "label", estimate, "ci_lower", "ci_upper")
    mark = frame[reference] if isinstance(reference, str) else reference
    frame = frame[["label", estimate, *ENDS, *(["text"] if "text" in frame else [])]].assign(
        label=frame["label"].astype(str).map(said), mark=np.nan if mark is None else mark
    )
    times = next((measure(f"_{unit}")[0] for unit in ("mm", "g") if f"[{unit}]" in title), 1.0)
    frame[[estimate, *ENDS, "mark"]] = frame[[estimate, *ENDS, "mark"]].astype(float) / times
    title = said(title)
    frame["words"] = frame["label"] + (": " + frame["text"] if "text" in frame else "")
    if not in_order:
        frame = frame.sort_values(estimate, ascending=False, na_position="last", kind="stable")
    values = frame[[estimate, *ENDS]].to_numpy(float)
    log = log and not np.nanmin(values) * _LINEAR_FOLD > np.nanmax(values)
    values = np.append(values, frame["mark"])
    axis, (low, high), cut = _axis(values[np.isfinite(values)], log=log, percent="[%]" in title)
    frame = frame.assign(
        from_=frame["ci_lower"].clip(low, high), to_=frame["ci_upper"].clip(low, high),
        open_low=(frame["ci_lower"] < low) | (log & (frame["ci_lower"] <= 0)),
        open_high=frame["ci_upper"] > high,
    )  # fmt: skip
    x: Any = partial(across, title=title, **axis)
    base = drawing(frame).encode(
        y=altair.Y("label:N", title=None, sort=frame["label"].tolist(), axis=None),
        tooltip=[tip("label:N", "what"), tip(f"{estimate}:Q", "estimate", ".3g"),
                 tip("ci_lower:Q", "lower end (95 %)", ".3g"),
                 tip("ci_upper:Q", "upper end (95 %)", ".3g")],
    )  # fmt: skip
    arrow: dict[str, Any] = {"size": 90, "color": COLOURS[4]}
    left, right = (base.transform_filter(f"datum.{end}") for end in ("open_low", "open_high"))
    bars, _ = spans(base, x, "from_:Q", f"{estimate}:Q", "to_:Q")
    known = base.transform_filter(f"isValid(datum.{estimate})")
    layers = [
        base.mark_tick(orient="vertical", size=16, thickness=2, color=FAINT_INK)
        .encode(x=x("mark:Q")),
        bars,
        left.mark_point(shape="triangle-left", **arrow).encode(x=x("from_:Q")),
        right.mark_point(shape="triangle-right", **arrow).encode(x=x("to_:Q")),
        known.mark_point(size=80, color=COLOURS[0]).encode(x=x(f"{estimate}:Q")),
        *written(base.encode(x=altair.value(0), text="words:N"), align="left", baseline="bottom",
                 dy=-8),
    ][reference is None :]  # fmt: skip
    sub = f"{title}, with 95 % intervals{cut}"
    if reference is not None:
        named = "no difference" if reference in (0, 1) else reference
        sub += f"; upright mark: {named}"
    told = "; ".join(
        f"{r['label']}: {_number(r[estimate])} ({_number(r['ci_lower'])} to "
        f"{_number(r['ci_upper'])})"
        for _, r in frame.iterrows()
    )
    chart = altair.layer(*layers).properties(height=altair.Step(_STEP_PX))
    alt = f"{title} with 95 % intervals: {told}."
    says = says or _apart(frame, estimate, named=reference is not None)
    size: Size = "page" if frame["words"].str.len().max() > _LONG else "column"
    return themed(chart, alt=alt, says=says, sub=f"{sub}.", size=size)


def _apart(frame: pd.DataFrame, estimate: str, *, named: bool) -> str:
    """Which rows stand apart by their intervals: from no difference, or top and bottom row."""
    n = len(frame)
    if named:
        off = int(((frame["ci_lower"] > frame["mark"]) | (frame["ci_upper"] < frame["mark"])).sum())
        return fitting(f"{off} of {n} intervals exclude no difference")
    known = frame[frame[estimate].notna()].sort_values(estimate)
    if len(known) < 2:
        row = frame.iloc[0]
        return fitting(f"{row['label']}: {_number(row[estimate])}", f"{n} estimate so far")
    most, least = known.iloc[-1], known.iloc[0]
    if most["ci_lower"] > least["ci_upper"]:
        return fitting(f"{most['label']} highest, {least['label']} lowest", "The groups differ")
    return "The intervals overlap: too few to tell the groups apart"


def _axis(
    values: np.ndarray, *, log: bool, percent: bool
) -> tuple[dict[str, Any], tuple[float, float], str]:
    """An axis that ends beyond every end, where it cuts them off, and words for that."""
    if not log:
        low, high = (values.min(), values.max()) if values.size else (0.0, 1.0)
        zero = bool(0 <= low < 0.4 * high)
        whole = {"ends": (0, 100)} if percent and low >= 0 and 50 < high <= 100 else {}
        return whole or {"scale": {"zero": zero, "nice": True}}, (low, high), ""
    values = values[values > 0] if (values > 0).any() else np.array([1.0])
    low, high = max(values.min(), 1 / MOST_FOLD), min(values.max(), MOST_FOLD)
    decades = range(int(np.floor(np.log10(low))) - 1, int(np.ceil(np.log10(high))) + 2)
    ticks = np.array([k * 10.0**d for d in decades for k in (1, 2, 5)])
    first = max(int(np.searchsorted(ticks, low * 1.0001)) - 1, 0)
    ticks = ticks[first : int(np.searchsorted(ticks, high * 0.9999)) + 1]
    cut = values.min() < 1 / MOST_FOLD or values.max() > MOST_FOLD
    told = f"; cut at {1 / MOST_FOLD:g} and {MOST_FOLD:g}" if cut else ""
    shown = ticks[:: max(1, len(ticks) // 8)].tolist()
    scale = {"type": "log", "clamp": True}
    ends = (float(ticks[0]), float(ticks[-1]))
    return {"ends": ends, "values": shown, "scale": scale, "format": "~g"}, ends, told


def _number(value: float) -> str:
    return "not known" if pd.isna(value) else f"{value:.3g}"
