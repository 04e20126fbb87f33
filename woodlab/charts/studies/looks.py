"""Charts of looking for cracks: when they come, and how long they run unseen."""

from __future__ import annotations

from typing import Any

import altair
import pandas as pd

from woodlab.charts.axes import need, spans, tip
from woodlab.charts.intervals import interval_chart
from woodlab.charts.theme import INK, Size, panel_px, themed


def looks_calendar(gaps: pd.DataFrame, *, size: Size = "page") -> Any:
    """How the chance of a first crack runs week by week, and how often to look.

    Parameters
    ----------
    gaps : DataFrame
        `study.look_gaps()`: `week`, `chance`, `ci_lower`, `ci_upper` (shares), `even_gap_days`,
        `even_gap_lower_days`, `even_gap_upper_days`, `longest_gap_days` [d].
    size : as for `themed`

    Returns
    -------
    VConcatChart: chance of a first crack by week [%]; longest gap between looks [days].

    Examples
    --------
    >>> gaps = pd.DataFrame({"week": [1, 2], "chance": [0.05, 0.01], "ci_lower": [0.02, 0.0],
    ...                      "ci_upper": [0.1, 0.03], "even_gap_days": [4, 10],
    ...                      "even_gap_lower_days": [3, 7], "even_gap_upper_days": [6, 14],
    ...                      "longest_gap_days": 6})
    >>> looks_calendar(gaps).description
    'Chance of a first crack, week by week: 5.0% in week 1, ...: 4 days in week 1, 10 in ...'
    >>> looks_calendar(gaps.head(0))
    Traceback (most recent call last):
        ...
    woodlab.errors.WoodlabError: no crack was found, so there is no calendar of looks to draw.
    """
    need(gaps, why="no crack was found, so there is no calendar of looks to draw.")
    x = altair.X("week:Q", title="Week since turning", axis=altair.Axis(tickMinStep=1))
    base = altair.Chart(gaps).encode(x=x)
    chance = spans(
        base, "y", "ci_lower", "ci_upper", "chance", title=["First crack in that week",
        "with 95 % interval"], axis=altair.Axis(format=".1%"),
        tips=["week:Q", tip("chance:Q", "chance", ".1%"), tip("ci_lower:Q", "lower end (95 %)",
              ".1%"), tip("ci_upper:Q", "upper end (95 %)", ".1%")],
    )  # fmt: skip
    looks = spans(
        base, "y", "even_gap_lower_days", "even_gap_upper_days", "even_gap_days",
        title=["Longest gap", "between looks [days]"],
        tips=["week:Q", tip("even_gap_days:Q", "gap [days]")],
    )  # fmt: skip
    looks += [
        base.mark_line(color=INK, strokeDash=[4, 3], strokeWidth=1.5).encode(y="longest_gap_days"),
        altair.Chart(gaps.tail(1))
        .mark_text(align="right", baseline="bottom", dy=-3, color=INK)
        .encode(x=x, y="longest_gap_days", text=altair.value("for a short run of each crack")),
    ]
    width = panel_px(size, 1)
    chart = altair.vconcat(
        *(altair.layer(*part).properties(width=width, height=140) for part in (chance, looks))
    )
    first, last = gaps.iloc[0], gaps.iloc[-1]
    alt = (
        f"Chance of a first crack, week by week: {first['chance']:.1%} in week 1, "
        f"{last['chance']:.1%} in week {last['week']:.0f}; below, the longest gap between looks "
        f"that keeps 100 pieces within the accepted unseen days: {first['even_gap_days']:.0f} days "
        f"in week 1, {last['even_gap_days']:.0f} in week {last['week']:.0f}; dashed, the gap that "
        f"keeps the run of one crack short ({first['longest_gap_days']:.0f} days)."
    )
    worst = gaps.loc[gaps["chance"].idxmax()]
    says = f"The likeliest week for a first crack is week {worst['week']:.0f}"
    sub = (
        "Above: chance of a first crack, by week since turning [%]. Below: longest gap between "
        "looks [days]."
    )
    return themed(chart, alt=alt, says=says, sub=sub, size=size)


def looking_every(every: pd.DataFrame, *, size: Size = "column") -> Any:
    """How long a crack runs unseen under each gap between looks.

    Parameters
    ----------
    every : DataFrame
        `study.look_every()`: `gap_days`, `unseen_days`, `ci_lower`, `ci_upper` [d], `n_looks`.
    size : as for `themed`

    Returns
    -------
    LayerChart: a row a gap: days unseen, 95 % interval, how many looks it costs.

    Examples
    --------
    >>> every = pd.DataFrame({"gap_days": [3, 14], "unseen_days": [1.4, 6.2], "n_looks": [60, 13],
    ...                       "ci_lower": [1.3, 5.0], "ci_upper": [1.5, 6.8]})
    >>> print(looking_every(every).description)
    A crack runs unseen for [days] with 95 % intervals: every 3 days: 1.4 (1.3 to 1.5);
    every 14 days: 6.2 (5 to 6.8).
    """
    need(every, why="no crack was found, so there is nothing to draw.")
    frame = pd.DataFrame(
        {
            "label": [f"every {gap:g} days" for gap in every["gap_days"]],
            "estimate": every["unseen_days"],
            "ci_lower": every["ci_lower"],
            "ci_upper": every["ci_upper"],
            "text": [f"{n} looks" for n in every["n_looks"]],
        }
    )
    a, b = every.iloc[0], every.iloc[-1]
    says = (
        f"Looks every {a['gap_days']:g} days: cracks unseen for {a['unseen_days']:.0f}, not "
        f"{b['unseen_days']:.0f}"
    )
    return interval_chart(
        frame, title="A crack runs unseen for [days]", says=says, in_order=True, size=size
    )
