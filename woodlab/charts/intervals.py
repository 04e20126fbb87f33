"""Estimates with their intervals, a row each: the forest chart that several studies share."""

from __future__ import annotations

from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab.charts.theme import COLOURS, FAINT_INK, INK, PAPER, Size, themed
from woodlab.errors import WoodlabError

MOST_FOLD = 1000.0  # a ratio beyond it is drawn to the edge


def interval_chart(
    frame: pd.DataFrame,
    *,
    title: str,
    estimate: str = "estimate",
    reference: float | None = None,
    log: bool = False,
    level: str = "95 %",
    size: Size = "column",
) -> Any:
    """One row a label: estimate as a point, interval as a bar, the label written above them.

    Parameters
    ----------
    frame : DataFrame
        `label`, the column named by `estimate`, `ci_lower`, `ci_upper`; rows are drawn in
        their order. A row without an estimate is drawn as its interval alone. `text`
        (optional) is written after the label.
    title : str
        Of the axis, with its unit in brackets.
    estimate : str
        The column that holds the estimates.
    reference : float, optional
        Where "no difference" is: a rule.
    log : bool
        A logarithmic axis, as ratios want; cut at a thousandfold.
    level : str
        Of the intervals, as it is to be read: "95 %".
    size : as for `themed`

    Returns
    -------
    LayerChart: the numbers along x, in the unit of `title`.

    Raises
    ------
    WoodlabError
        When a column is missing or there is no row.

    Examples
    --------
    >>> import pandas as pd
    >>> frame = pd.DataFrame({"label": ["ash", "oak"], "estimate": [1.4, float("nan")],
    ...                       "ci_lower": [0.9, 0.2], "ci_upper": [2.2, 8.0]})
    >>> interval_chart(frame, title="Rate [ratio]", reference=1.0, log=True).description
    'Rate [ratio] with 95 % intervals: ash: 1.4 (0.9 to 2.2); oak: not known (0.2 to 8).'
    >>> interval_chart(frame.drop(columns="ci_upper"), title="Rate [ratio]")
    Traceback (most recent call last):
        ...
    woodlab.errors.WoodlabError: an interval chart needs rows with ci_lower, ci_upper, estimate,
    label; missing: ci_upper.
    """
    need = {"label", estimate, "ci_lower", "ci_upper"}
    if need - set(frame) or not len(frame):
        raise WoodlabError(
            f"an interval chart needs rows with {', '.join(sorted(need))}; "
            f"missing: {', '.join(sorted(need - set(frame))) or 'rows'}."
        )
    frame = frame.assign(
        words=frame["label"].astype(str) + (": " + frame["text"] if "text" in frame else "")
    )
    order = frame["label"].astype(str).tolist()
    scale, cut = _scale(frame[[estimate, "ci_lower", "ci_upper"]], log=log, title=title)
    axis_title = [title, f"with {level} interval{cut}"]
    tips = [
        altair.Tooltip("label:N", title="what"),
        altair.Tooltip(f"{estimate}:Q", title="estimate", format=".3g"),
        altair.Tooltip("ci_lower:Q", title=f"lower end ({level})", format=".3g"),
        altair.Tooltip("ci_upper:Q", title=f"upper end ({level})", format=".3g"),
    ]
    base = altair.Chart(frame).encode(
        y=altair.Y("label:N", title=None, sort=order, axis=None), tooltip=tips
    )
    bars = base.mark_rule(strokeWidth=3, color=COLOURS[4]).encode(
        x=altair.X("ci_lower:Q", title=axis_title, scale=scale), x2="ci_upper:Q"
    )
    points = base.mark_point(size=80, color=COLOURS[0]).encode(x=f"{estimate}:Q")
    named = base.encode(x=altair.value(0), text="words:N")
    place: dict[str, Any] = {"align": "left", "baseline": "bottom", "dy": -7}
    halo = named.mark_text(**place, stroke=PAPER, strokeWidth=4, strokeJoin="round")
    layers: list[Any] = [bars, points, halo, named.mark_text(**place, color=INK)]
    if reference is not None:
        rule = altair.Chart(pd.DataFrame({"at": [reference]}))
        layers.insert(0, rule.mark_rule(strokeDash=[4, 3], color=FAINT_INK).encode(x="at:Q"))
    rows = "; ".join(
        f"{row['label']}: {_number(row[estimate])} ({_number(row['ci_lower'])} to "
        f"{_number(row['ci_upper'])})"
        for _, row in frame.iterrows()
    )
    chart = altair.layer(*layers).properties(height=altair.Step(36))
    return themed(chart, alt=f"{title} with {level} intervals: {rows}.", size=size)


def _scale(ends: pd.DataFrame, *, log: bool, title: str) -> tuple[Any, str]:
    """The axis, and words for where it cuts bars off: what never is below 0 has no axis below 0."""
    values = ends.to_numpy(dtype=float)
    values = values[np.isfinite(values)]
    low, high = (values.min(), values.max()) if values.size else (0.0, 1.0)
    if log:
        kept = (max(low, 1 / MOST_FOLD), min(high, MOST_FOLD))
        if kept == (low, high) or low <= 0:
            return altair.Scale(type="log", zero=False, nice=False, padding=14), ""
        scale = altair.Scale(type="log", domain=kept, clamp=True, nice=False, padding=14)
        return scale, f"; cut at {1 / MOST_FOLD:g} and {MOST_FOLD:g}"
    if "[%]" in title and low >= 0 and 50 < high <= 100:
        return altair.Scale(domain=[0, 100], nice=False), ""
    if 0 <= low < 0.2 * high:
        return altair.Scale(domainMin=0, nice=True), ""
    return altair.Scale(zero=False, nice=True, padding=14), ""


def _number(value: float) -> str:
    return "not known" if pd.isna(value) else f"{value:.3g}"
