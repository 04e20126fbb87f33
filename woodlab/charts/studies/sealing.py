"""Charts of a seal study: frame in, chart out."""

from __future__ import annotations

import json
import textwrap
from functools import partial
from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab import words
from woodlab.charts.blocks import (
    DAYS,
    across,
    apart,
    each,
    level,
    need,
    panels,
    tip,
    upward,
    written,
)
from woodlab.charts.colours import role, seal_colours
from woodlab.charts.intervals import interval_chart
from woodlab.charts.theme import COLOURS, PAPER, SHAPES, WIDTH_PX, themed
from woodlab.charts.titles import Claim, certainties, fitting, slower, surest
from woodlab.charts.units import drawing

_OUTCOMES = {
    "drying_time": "drying time",
    "surface_coefficient": "surface coefficient",
    "core_to_surface": "core to surface",
    "crack_hazard": "cracks",
}
_SAVED = Claim(
    more="Slower drying went with more cracks",
    less="Slower drying saved bowls from cracking",
    likely_more="Slower drying probably went with more cracks",
    likely_less="Slower drying probably saved bowls from cracking",
    open="Did slower drying save bowls? Too few cracks to tell",
)
_MOST_NAMED = 8  # logs; more names would overlap


def curves_by_seal(
    course: pd.DataFrame,
    typical: pd.DataFrame,
    effects: pd.DataFrame | None = None,
    *,
    target_moisture_pct: float | None = None,
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

    Returns
    -------
    ConcatChart: moisture [% of oven-dry mass] against days since turning.

    Examples
    --------
    >>> typical = pd.DataFrame({"seal": ["none", "none", "wax", "wax"], "days": [0, 60, 0, 60],
    ...                         "moisture_pct": [60.0, 15.0, 60.0, 34.0]})
    >>> course = typical.assign(piece=["A1", "A1", "A2", "A2"])
    >>> print(curves_by_seal(course, typical, target_moisture_pct=16).description)
    After 60 days: bare 15 %, under wax 34 %. Medians: bare: from 60 % to 15 % in 60 days; under
    wax: from 60 % to 34 % in 60 days. The dashed line is the target, 16 %.
    """
    for frame in (course, typical):
        need(frame, why="there is no drying curve to draw: no piece has weighings enough.")
    seals = words.order_of_seals(typical["seal"])
    most_days, most_pct = course["days"].max(), 1.05 * course["moisture_pct"].max()
    x = across("days:Q", DAYS, (0, most_days))
    y = partial(upward, title="Moisture [%]", ends=(0, most_pct))
    # every so many days of a large season, so that the page stays light
    course = course[course["days"] % max(int(np.ceil(len(course) / 20_000)), 1) == 0]
    tooltip = ["piece:N", tip("days:Q", "days", ".0f"), tip("moisture_pct:Q", "moisture", ".1f")]
    layers, told = {}, []
    for seal, colour in zip(seals, seal_colours(seals), strict=True):
        own, middle = (frame[frame["seal"] == seal] for frame in (course, typical))
        bowl, median = (drawing(frame).encode(x=x, y=y("moisture_pct:Q"))
                        for frame in (own, middle))  # fmt: skip
        layers[words.opened(words.bowls(seal, own["piece"].nunique()))] = [
            bowl.mark_line(strokeWidth=1, color=role("line"), opacity=0.7)
            .encode(detail="piece:N", tooltip=tooltip),
            median.mark_line(strokeWidth=3.5, color=colour),
            *(level(target_moisture_pct, y, "moisture_pct") if target_moisture_pct else []),
        ]  # fmt: skip
        first, last = middle.iloc[0], middle.iloc[-1]
        told.append(
            f"{words.sealed(seal)}: from {first['moisture_pct']:.0f} % to "
            f"{last['moisture_pct']:.0f} % in {last['days']:.0f} days"
        )
    aim = "" if not target_moisture_pct else (
        f" The dashed line is the target, {words.target(target_moisture_pct)}."
    )  # fmt: skip
    day = typical.groupby("seal")["days"].max().min()
    near = typical[typical["days"] <= day].groupby("seal")["moisture_pct"].last()
    named = [f"{words.sealed(s)} {near[s]:.0f} %" for s in dict.fromkeys((seals[0], seals[-1]))]
    medians = fitting(f"After {day:.0f} days: {', '.join(named)}",
                      f"Moisture by seal over {day:.0f} days")  # fmt: skip
    return themed(
        panels(layers, height=150, axis_px=50),
        alt=f"Medians: {'; '.join(told)}.{aim}", says=slower(effects, seals) or medians,
        sub=f"Moisture [% of oven-dry mass] against days. Thin: each bowl; thick: median.{aim}",
    )  # fmt: skip


def seal_ratios(effects: pd.DataFrame) -> Any:
    """Each ratio to the reference with its 95 % interval; rows without one are left out.

    Parameters
    ----------
    effects : DataFrame
        Of a `SealStudy`: `outcome`, `seal`, `reference`, `ratio`, `ci_lower`, `ci_upper`,
        `p_value`, `n_pieces`.

    Returns
    -------
    LayerChart: a row an outcome and seal; an upright mark at 1, no difference.

    Examples
    --------
    >>> effects = pd.DataFrame({"outcome": ["drying_time", "crack_hazard"], "seal": "wax",
    ...                         "reference": "none", "ratio": [1.6, float("nan")],
    ...                         "ci_lower": [1.3, 0.0], "ci_upper": [2.0, 0.6], "n_pieces": 12,
    ...                         "p_value": [0.001, 0.02]})
    >>> print(seal_ratios(effects).description)
    2 of 2 differences from bare bowls are clear. Times that of bare bowls [ratio] with 95 %
    intervals: drying time, wax: 1.6 (1.3 to 2); cracks, wax: not known (0 to 0.6).
    """
    frame = effects[effects["outcome"].isin(_OUTCOMES)]
    frame = frame.assign(sure=certainties(frame) if len(frame) else "")
    frame = frame[frame["ci_lower"].notna() & frame["ci_upper"].notna()]
    need(
        frame,
        why="no ratio has an interval yet, so there is nothing to draw; the reasons are in the "
        "column `reason`.",
    )
    seals = words.order_of_seals(frame["seal"])
    later = frame["scope"] != "this season" if "scope" in frame else False
    place = frame["outcome"].map(list(_OUTCOMES).index) * 1000 + frame["seal"].map(seals.index)
    frame = frame.assign(later=later, place=place).sort_values(["place", "later"])
    frame["label"] = [
        f"{_OUTCOMES[r.outcome]}{' next season' if r.later else ''}, {r.seal}"
        for r in frame.itertuples()
    ]
    frame["text"] = [f"{_times(r)} times ({r.n_pieces} bowls)" for r in frame.itertuples()]
    other = words.bowls(str(frame["reference"].iloc[0]))
    sure = int((frame["sure"] == "clear").sum())
    says = fitting(f"{sure} of {len(frame)} differences from {other} are clear",
                   f"{sure} of {len(frame)} differences are clear")  # fmt: skip
    return interval_chart(
        frame, title=f"Times that of {other} [ratio]", says=says, estimate="ratio", reference=1.0,
        log=True, in_order=True,
    )  # fmt: skip


def _times(row: Any) -> str:
    if np.isfinite(row.ratio):
        return words.two(row.ratio)
    if np.isfinite(row.ci_upper):
        return f"at most {words.two(row.ci_upper)}"
    return f"at least {words.two(row.ci_lower)}"


def weeks_against_cracks(by_seal: pd.DataFrame, effects: pd.DataFrame | None = None) -> Any:
    """Sealing's bargain: weeks to the target against the share of bowls that cracked.

    Parameters
    ----------
    by_seal : DataFrame
        Of a `SealStudy`: `seal`, `weeks` (average to the target), `crack_pct`, `ci_lower`,
        `ci_upper` [%], `n_cracked`, `n_looked`.
    effects : DataFrame, optional
        Of the same study; the title says whether slower drying saved bowls.

    Returns
    -------
    LayerChart: a point a seal, its name beside it, with the 95 % interval of its share.

    Examples
    --------
    >>> by_seal = pd.DataFrame({"seal": ["none", "wax"], "weeks": [8.0, 20.0],
    ...                         "crack_pct": [50.0, 10.0], "ci_lower": [18.7, 0.3],
    ...                         "ci_upper": [81.3, 44.5], "n_cracked": [5, 1], "n_looked": 10})
    >>> print(weeks_against_cracks(by_seal).description)
    1 of 10 slowest bowls cracked, 5 of 10 fastest. By seal: bare: 8 weeks, 5 of 10 cracked (19 to
    81 %); under wax: 20 weeks, 1 of 10 cracked (0 to 44 %).
    """
    need(by_seal, "seal", "weeks", "crack_pct", "ci_lower", "ci_upper", "n_cracked")
    looked = by_seal[by_seal["crack_pct"].notna()]
    frame = looked[looked["weeks"].notna()]
    need(
        frame,
        why="no seal has both a time to the target and looks for cracks, so there is no trade-off "
        "to draw.",
    )
    most = 1.1 * float(frame["weeks"].max())
    top = min(100.0, 10 * np.ceil(float(frame["ci_upper"].max()) / 10) + 20)
    x = across("weeks:Q", "Weeks to the target, average", (0, most), tickCount=7)
    y = partial(upward, title="Bowls that cracked [%]", ends=(0, top))
    seals, layers = words.order_of_seals(frame["seal"]), []
    look = dict(zip(seals, zip(seal_colours(seals), SHAPES * 9, strict=False), strict=True))
    before = -np.inf
    for row in frame.sort_values("weeks").to_dict("records"):
        colour, shape = look[str(row["seal"])]
        one, at = drawing(pd.DataFrame([row])).encode(x=x), row["weeks"] / most
        # beside a near neighbour its words would lie upon that one's bar
        side = "right" if at > 0.75 else "left" if at < 0.2 or at - before < 0.16 else "center"
        before = at
        said = textwrap.wrap(words.opened(words.sealed(row["seal"])), 12)
        said.append(f"{row['n_cracked']} of {row['n_looked']}")
        layers += [
            one.mark_rule(strokeWidth=3, color=colour).encode(y=y("ci_lower:Q"), y2="ci_upper:Q"),
            one.mark_point(size=120, shape=shape, color=colour).encode(y=y("crack_pct:Q")),
            *written(one.encode(y=y("ci_upper:Q")), align=side, text=said, baseline="bottom",
                     lineHeight=14, dy=-6 - 14 * (len(said) - 1)),
        ]  # fmt: skip
    told = each(frame.assign(seal=frame["seal"].map(words.sealed)),
                "{seal}: {weeks:.0f} weeks, {n_cracked} of {n_looked} cracked "
                "({ci_lower:.0f} to {ci_upper:.0f} %)")  # fmt: skip
    sub = "Bowls that cracked [%], with 95 % interval, against average weeks to the target."
    if len(looked) > len(frame):
        rest = looked[looked["weeks"].isna()].assign(seal=looked["seal"].map(words.bowls))
        told_of = "; ".join(each(rest, "{seal}, {n_cracked} of {n_looked} cracked"))
        sub += f" Not drawn, time not known: {told_of}."
    if effects is None:
        slow = frame.sort_values("weeks")
        a, b = slow.iloc[0], slow.iloc[-1]
        says = (f"{b['n_cracked']} of {b['n_looked']} slowest bowls cracked, "
                f"{a['n_cracked']} of {a['n_looked']} fastest")  # fmt: skip
    else:
        says = _SAVED.of(surest(effects[effects["outcome"] == "crack_hazard"]))
    return themed(
        altair.layer(*layers).properties(height=240), alt=f"By seal: {'; '.join(told)}.", says=says,
        sub=sub
    )  # fmt: skip


def pairs_by_log(pairs: pd.DataFrame, reference: str = "none") -> Any:
    """Weeks to the target under each seal, the pieces of a log joined by a line.

    Parameters
    ----------
    pairs : DataFrame
        Of a `SealStudy`: `log`, `seal`, `weeks`, `predicted` (True where a piece is not
        there yet: a hollow mark).
    reference : str
        The seal that stands first.

    Returns
    -------
    LayerChart: seals side by side, weeks on a logarithmic axis; up to eight logs are named.

    Examples
    --------
    >>> pairs = pd.DataFrame({"log": ["A", "A", "B", "B"], "seal": ["oil", "none", "oil", "none"],
    ...                       "weeks": [14.0, 8.0, 22.0, 12.0],
    ...                       "predicted": [False, False, True, False]})
    >>> print(pairs_by_log(pairs, reference="none").description)
    Oil was slower in 2 of 2 logs. 2 logs, averages: bare: 10 weeks; under oil: 18
    weeks.
    """
    need(
        pairs,
        why="no log holds two seals, so nothing can be joined. Seal pieces of one log differently.",
    )
    order = words.order_of_seals(pairs["seal"])
    order.sort(key=lambda seal: seal != reference)
    said = json.dumps({seal: words.sealed(seal) for seal in order})
    scale = altair.Scale(domain=order, range=seal_colours(order))
    own: dict[str, Any] = {"scale": scale, "legend": None}
    x = altair.X(
        "seal:N", title=None, sort=order, scale=altair.Scale(padding=0.25, type="point"),
        axis=altair.Axis(labelAngle=0, labelOverlap=False,
                         labelLimit=WIDTH_PX["column"] // len(order),
                         labelExpr=f"split({said}[datum.label], ' ')"),
    )  # fmt: skip
    y = upward("weeks:Q", "Weeks to the target (logarithmic)", tickCount=5, format="d",
               scale={"type": "log", "nice": False, "padding": 12, "zero": False})  # fmt: skip
    pairs = pairs.assign(place=pairs["seal"].map(order.index))
    base = drawing(pairs).encode(x=x, y=y)
    layers = [
        base.mark_line(strokeWidth=1.2, color=COLOURS[4], opacity=0.8)
        .encode(detail="log:N", order="place:Q", tooltip=["log:N"]),
        base.mark_point(size=60, strokeWidth=1.5).encode(
            stroke=altair.Stroke("seal:N", **own),
            fill=altair.condition("datum.predicted", altair.value(PAPER),
                                  altair.Fill("seal:N", **own)),
            tooltip=["log:N", "seal:N", tip("weeks:Q", "weeks", ".0f"), "predicted:N"]),
    ]  # fmt: skip
    logs = pairs["log"].nunique()
    if logs <= _MOST_NAMED:
        ends = pairs.sort_values("place").groupby("log").tail(1)
        ends = ends.assign(weeks=np.exp(ends.groupby("seal")["weeks"].transform(
            lambda at: apart(np.log(at), np.log(pairs["weeks"])))))  # fmt: skip
        layers += written(drawing(ends).encode(x=x, y=y, text="log:N"), align="left", dx=8)
    average = pairs.groupby("seal")["weeks"].mean()
    told = "; ".join(f"{words.sealed(seal)}: {average[seal]:.0f} weeks" for seal in order)
    both = pairs.pivot_table(index="log", columns="seal", values="weeks")[[order[0], order[-1]]]
    both = both.dropna()
    longer = int((both[order[-1]] > both[order[0]]).sum())
    return themed(
        altair.layer(*layers), alt=f"{logs} logs, averages: {told}.",
        says=fitting(f"{words.seal_noun(order[-1])} was slower in {longer} of {len(both)} logs"
                     if len(both) else "", f"{logs} logs held two seals or more"),
        sub="Weeks to the target by seal; a line joins the bowls of one log. Hollow: not there "
        "yet, as predicted.",
    )  # fmt: skip
