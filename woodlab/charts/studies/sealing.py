"""Charts of a seal study: frame in, chart out."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab import words
from woodlab.charts.axes import need
from woodlab.charts.colours import order_of_seals, role, seal_colours
from woodlab.charts.intervals import interval_chart
from woodlab.charts.theme import (
    INK,
    SHAPES,
    Size,
    heading,
    panel_px,
    themed,
)
from woodlab.charts.titles import Claim, certainties, fitting, this_season
from woodlab.errors import WoodlabError

_OUTCOMES = {
    "drying_time": "drying time",
    "surface_coefficient": "surface coefficient",
    "core_to_surface": "core-to-surface difference",
    "crack_hazard": "cracks",
}
NEXT_SEASON = "next season"
_SAVED = Claim(
    more="Slower drying went with more cracks",
    less="Slower drying saved bowls from cracking",
    likely_more="Slower drying probably went with more cracks",
    likely_less="Slower drying probably saved bowls from cracking",
    open="Did slower drying save bowls? Too few cracks to tell",
)


def curves_by_seal(
    course: pd.DataFrame,
    typical: pd.DataFrame,
    effects: pd.DataFrame | None = None,
    *,
    target_moisture_pct: float | None = None,
    size: Size = "page",
) -> Any:
    """Moisture against days, a panel a seal on the same axes: each piece, and their median.

    Parameters
    ----------
    course, typical : DataFrame
        Of a `SealStudy`: `seal`, `days`, `moisture_pct` [% of oven-dry mass], and in `course`
        the `piece`.
    effects : DataFrame, optional
        Of the same study; the title says what a seal cost in time.
    target_moisture_pct : float, optional
        A rule at this moisture [%].
    size : as for `themed`

    Returns
    -------
    ConcatChart: moisture [% of oven-dry mass] against days since turning.

    Raises
    ------
    WoodlabError
        When there is no curve to draw.

    Examples
    --------
    >>> import pandas as pd
    >>> typical = pd.DataFrame({"seal": ["none", "none", "wax", "wax"], "days": [0, 60, 0, 60],
    ...                         "moisture_pct": [60.0, 15.0, 60.0, 34.0]})
    >>> course = typical.assign(piece=["A1", "A1", "A2", "A2"])
    >>> chart = curves_by_seal(course, typical, target_moisture_pct=16)
    >>> print(chart.description)
    Moisture against days by seal, medians. none: from 60 % to 15 % in 60 days; wax: from 60 % to
    34 % in 60 days. The dashed line is the target, 16 %.
    >>> chart.title.text
    ['After 60 days: bare 15 %, under wax 34 %']
    """
    if not len(course) or not len(typical):
        raise WoodlabError("there is no drying curve to draw: no piece has weighings enough.")
    seals = order_of_seals(typical["seal"])
    columns = 1 if size == "column" else min(2 if len(seals) in (2, 4) else 3, max(2, len(seals)))
    scales: dict[str, Any] = {
        "x": altair.Scale(domain=[0, float(course["days"].max())], nice=False),
        "y": altair.Scale(domain=[0, float(course["moisture_pct"].max()) * 1.05], nice=False),
    }
    width = panel_px(size, columns, axis_px=50)
    panels = []
    for seal, colour in zip(seals, seal_colours(seals), strict=True):
        own, middle = (frame[frame["seal"] == seal] for frame in (_thinned(course), typical))
        x = altair.X("days:Q", title="Days since turning [d]", scale=scales["x"])
        y = altair.Y("moisture_pct:Q", title="Moisture [%]", scale=scales["y"])
        tips = ["piece:N", altair.Tooltip("days:Q", format=".0f"),
                altair.Tooltip("moisture_pct:Q", format=".1f")]  # fmt: skip
        layers = [
            altair.Chart(own).mark_line(strokeWidth=1, color=role("line"), opacity=0.7)
            .encode(x=x, y=y, detail="piece:N", tooltip=tips),
            altair.Chart(middle).mark_line(strokeWidth=3.5, color=colour).encode(x=x, y=y),
        ]  # fmt: skip
        if target_moisture_pct is not None:
            rule = altair.Chart(pd.DataFrame({"moisture_pct": [target_moisture_pct]}))
            layers.append(rule.mark_rule(strokeDash=[4, 3], color=INK).encode(y=y))
        n = own["piece"].nunique()
        panels.append(
            altair.layer(*layers).properties(
                width=width, height=150, title=heading(words.opened(words.bowls(seal, n)))
            )
        )
    ends = "; ".join(
        f"{seal}: from {part['moisture_pct'].iloc[0]:.0f} % to {part['moisture_pct'].iloc[-1]:.0f}"
        f" % in {part['days'].iloc[-1]:.0f} days"
        for seal, part in typical.groupby("seal", sort=False)
    )
    aim = (
        f"The dashed line is the target, {target_moisture_pct:.3g} %."
        if target_moisture_pct
        else ""
    )
    alt = f"Moisture against days by seal, medians. {ends}. {aim}".strip()
    sub = f"Moisture [% of oven-dry mass] against days. Thin: each bowl; thick: their median. {aim}"
    chart = altair.concat(*panels, columns=columns)
    return themed(chart, alt=alt, says=_slower(effects, typical, seals), sub=sub.strip(), size=size)


def _slower(effects: pd.DataFrame | None, typical: pd.DataFrame, seals: list[str]) -> str:
    """What the surest seal cost in time; without a study, the medians of first and last seal."""
    if effects is not None:
        slow = this_season(effects)
        slow = slow[(slow["outcome"] == "drying_time") & slow["ratio"].notna()]
        slow = slow.assign(sure=certainties(slow)).sort_values("ratio", ascending=False)
        for row in slow.itertuples():
            name, longer = words.bowls(row.seal), words.longer(row.ratio)
            claim = Claim(
                more=fitting(f"{name} took {longer} to dry",
                             "Sealed bowls took longer than bare ones"),
                less="Sealed bowls dried sooner than bare ones",
                likely_more="Sealed bowls probably took longer than bare ones",
                likely_less="Sealed bowls probably dried sooner than bare ones",
                open="Does sealing slow drying? Too few bowls to tell",
                alike="Sealed and bare bowls dried equally fast",
            )  # fmt: skip
            said = claim.said(row.ratio, row.sure, row.ci_lower, row.ci_upper)
            if longer in said or row.seal == slow["seal"].iloc[-1]:
                return said
    day = typical.groupby("seal")["days"].max().min()
    near = typical[typical["days"] <= day].groupby("seal")["moisture_pct"].last()
    named = [
        f"{' '.join(p for p in words.SEALS.get(s, ('', f'under {s}')) if p)} {near[s]:.0f} %"
        for s in (seals[0], seals[-1])
    ]
    return fitting(f"After {day:.0f} days: {', '.join(named[: len(seals)])}",
                   f"Moisture by seal over {day:.0f} days")  # fmt: skip


def _thinned(course: pd.DataFrame, most: int = 20_000) -> pd.DataFrame:
    """Every so many days of a large season, so that the page stays light."""
    step = max(int(np.ceil(len(course) / most)), 1)
    return course[course["days"] % step == 0] if step > 1 else course


def seal_ratios(
    effects: pd.DataFrame, *, outcomes: Sequence[str] | None = None, size: Size = "page"
) -> Any:
    """Each ratio to the reference with its 95 % interval, on one logarithmic axis.

    An end that is open has an arrow. Rows without an interval are left out; their reasons are in
    the table.

    Parameters
    ----------
    effects : DataFrame
        Of a `SealStudy`: `outcome`, `seal`, `reference`, `ratio`, `ci_lower`, `ci_upper`,
        `p_value`, `n_pieces`.
    outcomes : sequence of str, optional
        Which outcomes, in their order; all unless given.
    size : as for `themed`

    Returns
    -------
    LayerChart: a row an outcome and seal; an upright mark at 1, no difference.

    Raises
    ------
    WoodlabError
        When no row has an interval.

    Examples
    --------
    No crack under wax sets a bound on one side, and is told as one:

    >>> import pandas as pd
    >>> effects = pd.DataFrame({"outcome": ["drying_time", "crack_hazard"], "seal": "wax",
    ...                         "reference": "none", "ratio": [1.6, float("nan")],
    ...                         "ci_lower": [1.3, 0.0], "ci_upper": [2.0, 0.6], "n_pieces": 12,
    ...                         "p_value": [0.001, 0.02]})
    >>> chart = seal_ratios(effects)
    >>> print(chart.description)
    Times that of bare bowls [ratio] with 95 % intervals: drying time, wax: 1.6 (1.3 to 2); cracks,
    wax: not known (0 to 0.6).
    >>> chart.title.text
    ['2 of 2 differences from bare bowls are clear']
    """
    wanted = list(outcomes) if outcomes is not None else list(_OUTCOMES)
    frame = effects[effects["outcome"].isin(wanted)]
    frame = frame.assign(sure=certainties(frame) if len(frame) else "")
    frame = frame[frame["ci_lower"].notna() & frame["ci_upper"].notna()]
    if not len(frame):
        raise WoodlabError(
            "no ratio has an interval yet, so there is nothing to draw; the reasons are in the "
            "column `reason`."
        )
    place = {seal: k for k, seal in enumerate(order_of_seals(frame["seal"]))}
    rank = frame["outcome"].map({name: i for i, name in enumerate(wanted)}) * len(place)
    frame = frame.assign(rank=rank + frame["seal"].map(place)).sort_values("rank", kind="stable")
    frame = frame.assign(
        label=[
            f"{_OUTCOMES.get(r.outcome, r.outcome)}{_when(r)}, {r.seal}" for r in frame.itertuples()
        ],
        text=[_ratio_words(r) for r in frame.itertuples()],
    )
    other = words.bowls(str(frame["reference"].iloc[0]))
    sure = int((frame["sure"] == "clear").sum())
    says = fitting(f"{sure} of {len(frame)} differences from {other} are clear",
                   f"{sure} of {len(frame)} differences are clear")  # fmt: skip
    return interval_chart(
        frame, title=f"Times that of {other} [ratio]", says=says, estimate="ratio", reference=1.0,
        log=True, in_order=True, size=size,
    )  # fmt: skip


def _when(row: Any) -> str:
    return "" if getattr(row, "scope", "this season") == "this season" else f" {NEXT_SEASON}"


def _ratio_words(row: Any) -> str:
    if np.isfinite(row.ratio):
        return f"{words.two(row.ratio)} times ({row.n_pieces} bowls)"
    open_end = not np.isfinite(row.ci_upper)
    bound = (
        f"at least {words.two(row.ci_lower)}" if open_end else f"at most {words.two(row.ci_upper)}"
    )
    return f"{bound} times ({row.n_pieces} bowls)"


def weeks_against_cracks(
    by_seal: pd.DataFrame, effects: pd.DataFrame | None = None, *, size: Size = "column"
) -> Any:
    """Sealing's bargain: weeks to the target against the share of bowls that cracked.

    Parameters
    ----------
    by_seal : DataFrame
        Of a `SealStudy`: `seal`, `weeks` (average to the target), `crack_pct`, `ci_lower`,
        `ci_upper` [%],
        `n_cracked`, `n_looked`.
    effects : DataFrame, optional
        Of the same study; the title says whether slower drying saved bowls.
    size : as for `themed`

    Returns
    -------
    LayerChart: a point a seal, its name beside it, with the 95 % interval of its share.

    Raises
    ------
    WoodlabError
        When no seal has both.

    Examples
    --------
    >>> import pandas as pd
    >>> by_seal = pd.DataFrame({"seal": ["none", "wax"], "weeks": [8.0, 20.0],
    ...                         "crack_pct": [50.0, 10.0], "ci_lower": [18.7, 0.3],
    ...                         "ci_upper": [81.3, 44.5], "n_cracked": [5, 1], "n_looked": 10})
    >>> print(weeks_against_cracks(by_seal).description)
    Weeks to the target against cracks, by seal. none: 8 weeks, 5 of 10 cracked (19 to 81 %); wax:
    20 weeks, 1 of 10 cracked (0 to 44 %).
    """
    need(by_seal, "seal", "weeks", "crack_pct", "ci_lower", "ci_upper", "n_cracked")
    frame = by_seal[by_seal["weeks"].notna() & by_seal["crack_pct"].notna()]
    if not len(frame):
        raise WoodlabError(
            "no seal has both a time to the target and looks for cracks, so there is no trade-off "
            "to draw."
        )
    seals = order_of_seals(frame["seal"])
    looks = {s: (c, SHAPES[k % len(SHAPES)]) for k, (s, c) in
             enumerate(zip(seals, seal_colours(seals), strict=True))}  # fmt: skip
    most = 1.1 * float(frame["weeks"].max())
    x = altair.X(
        "weeks:Q", title="Weeks to the target, average", axis=altair.Axis(tickCount=7),
        scale=altair.Scale(domain=[0, most], nice=False),
    )  # fmt: skip
    top = min(100.0, 10 * np.ceil(float(frame["ci_upper"].max()) / 10) + 20)
    y: dict[str, Any] = {
        "title": "Bowls that cracked [%]",
        "scale": altair.Scale(domain=[0, top], nice=False),
    }
    layers = []
    for row in frame.to_dict("records"):
        colour, shape = looks[str(row["seal"])]
        one, at = altair.Chart(pd.DataFrame([row])).encode(x=x), row["weeks"] / most
        side: Any = "right" if at > 0.75 else "left" if at < 0.2 else "center"
        said = [*textwrap.wrap(words.opened(words.bowls(row["seal"])), 28),
                f"{row['n_cracked']} of {row['n_looked']}"]  # fmt: skip
        layers += [
            one.mark_rule(strokeWidth=3, color=colour).encode(
                y=altair.Y("ci_lower:Q", **y), y2="ci_upper:Q"),
            one.mark_point(size=120, shape=shape, color=colour, opacity=1, clip=False).encode(
                y=altair.Y("crack_pct:Q", **y)),
            one.mark_text(align=side, text=said, baseline="bottom", lineHeight=14, color=INK,
                          dy=-6 - 14 * (len(said) - 1))
            .encode(y=altair.Y("ci_upper:Q", **y)),
        ]  # fmt: skip
    told = "; ".join(
        f"{r.seal}: {r.weeks:.0f} weeks, {r.n_cracked} of {r.n_looked} cracked "
        f"({r.ci_lower:.0f} to {r.ci_upper:.0f} %)"
        for r in frame.itertuples()
    )
    slow = frame.sort_values("weeks")
    a, b = slow.iloc[0], slow.iloc[-1]
    says = fitting(f"{b['n_cracked']} of {b['n_looked']} slowest bowls cracked, "
                   f"{a['n_cracked']} of {a['n_looked']} fastest")  # fmt: skip
    if effects is not None:
        cracks = effects[effects["outcome"] == "crack_hazard"]
        cracks = cracks.assign(sure=certainties(cracks)) if len(cracks) else cracks
        ranked = [cracks[cracks["sure"] == s] for s in ("clear", "likely")] if len(cracks) else []
        best = next((rows.iloc[0] for rows in ranked if len(rows)), None)
        says = fitting(_SAVED.open)
        if best is not None:
            says = _SAVED.said(best["ratio"], best["sure"], best["ci_lower"], best["ci_upper"])
    return themed(
        altair.layer(*layers).properties(height=240),
        alt=f"Weeks to the target against cracks, by seal. {told}.", says=says,
        sub="Bowls that cracked [%], with 95 % interval, against average weeks to the target."
        + _without(by_seal),
        size=size,
    )  # fmt: skip


def _without(by_seal: pd.DataFrame) -> str:
    """The seals without a number of weeks, which the picture leaves out."""
    rows = by_seal[by_seal["weeks"].isna() & by_seal["crack_pct"].notna()]
    told = "; ".join(
        f"{words.bowls(r.seal)}, {r.n_cracked} of {r.n_looked} cracked" for r in rows.itertuples()
    )
    return f" Not drawn, time not known: {told}." if told else ""
