"""Charts of the crack study: how many, what made the difference, when, and how often to look."""

from __future__ import annotations

from functools import partial
from typing import Any

import pandas as pd

from woodlab import words
from woodlab.charts.blocks import (
    DAYS,
    across,
    band,
    each,
    level,
    need,
    panels,
    spans,
    tip,
    upward,
)
from woodlab.charts.intervals import interval_chart
from woodlab.charts.theme import COLOURS, FAINT_INK, themed
from woodlab.charts.titles import certainties, fitting
from woodlab.charts.units import drawing


def crack_rate_chart(rates: pd.DataFrame, by: str = "species") -> Any:
    """Crude rates of cracking of the groups of one kind, with Wilson intervals.

    Parameters
    ----------
    rates : DataFrame
        `study.rates`: `by`, `group`, `n_pieces`, `n_cracked`, and `share`, `ci_lower`,
        `ci_upper` as shares.
    by : str
        "species", "seal", "wall" or "all".

    Returns
    -------
    LayerChart: a row a group: pieces that cracked [%], with 95 % interval and numbers.

    Examples
    --------
    >>> rates = pd.DataFrame({"by": "seal", "group": ["none", "wax"], "n_pieces": 10,
    ...                       "n_cracked": [5, 1], "share": [0.5, 0.1], "ci_lower": [0.237, 0.018],
    ...                       "ci_upper": [0.763, 0.404]})
    >>> print(crack_rate_chart(rates, by="seal").description)
    Cracked: 5 of 10 bare, 1 of 10 under wax. Bowls that cracked [%] with 95 % intervals:
    bare bowls: 50 (23.7 to 76.3); bowls under wax: 10 (1.8 to 40.4).
    """
    frame = rates[(rates["by"] == by) & rates["share"].notna()]
    need(frame, why=f"no group of {by!r} was looked at, so there are no rates to draw.")
    named = words.bowls if by == "seal" else str
    frame = frame.assign(
        label=frame["group"].map(named),
        text=each(frame, "{n_cracked} of {n_pieces}"),
        **{name: 100 * frame[name] for name in ("share", "ci_lower", "ci_upper")},
    )
    most, least = frame.loc[frame["share"].idxmax()], frame.loc[frame["share"].idxmin()]
    short: dict[str, Any] = {
        "seal": words.sealed,
        "species": partial(words.wood, among=frame["group"]),
    }
    ends = [f"{r['text']} {short.get(by, str)(r['group'])}"
            for r in ([most, least] if len(frame) > 1 else [most])]  # fmt: skip
    every = f"{frame['n_cracked'].sum()} of {frame['n_pieces'].sum()} bowls cracked"
    says = fitting(f"Cracked: {', '.join(ends)}", every)
    return interval_chart(
        frame, title="Bowls that cracked [%]", says=says, estimate="share",
        in_order=by == "wall"
    )  # fmt: skip


def crack_ratios(effects: pd.DataFrame) -> Any:
    """A forest of hazard ratios; a term without a number is left out, its reason is in the table.

    Parameters
    ----------
    effects : DataFrame
        `study.effects`: `term`, `hazard_ratio`, `ci_lower`, `ci_upper`, `p_value`, `n_cracks`,
        `n_pieces`.

    Returns
    -------
    LayerChart: a row a term: ratio, logarithmic, with 95 % interval; an upright mark at 1.

    Examples
    --------
    >>> effects = pd.DataFrame({"term": ["seal: wax against none", "wall: per 10 mm thicker"],
    ...                         "hazard_ratio": [0.4, 2.1], "ci_lower": [0.2, 1.3],
    ...                         "ci_upper": [0.9, 3.4], "n_cracks": 12, "n_pieces": 40,
    ...                         "p_value": [0.03, 0.01]})
    >>> print(crack_ratios(effects).description)
    2 of 2 influences on cracking are clear. Hazard of cracking against the other [ratio] with 95 %
    intervals: wall: per 10 mm thicker: 2.1 (1.3 to 3.4); seal: wax against none: 0.4 (0.2 to 0.9).
    """
    frame = effects[effects["hazard_ratio"].notna()]
    need(frame, why="no effect could be told, so there are no ratios to draw.")
    sure = int((certainties(frame) == "clear").sum())
    text = each(frame, "{n_cracks} cracks in {n_pieces} bowls")
    frame = frame.assign(label=frame["term"], text=text)
    return interval_chart(
        frame, title="Hazard of cracking against the other [ratio]", estimate="hazard_ratio",
        says=f"{sure or 'None'} of {len(frame)} influences on cracking "
        f"{'is' if sure == 1 else 'are'} clear",
        reference=1.0, log=True,
    )  # fmt: skip


def whole_fraction_chart(whole: pd.DataFrame, by: str = "seal") -> Any:
    """The share still whole against days since turning, a panel a group.

    Level stretches have their 95 % band; where the looks leave open when it fell, it is dotted.

    Parameters
    ----------
    whole : DataFrame
        `study.whole`: `by`, `group`, `kind` ("known", "gap"), `from_days`, `to_days`, the shares
        `whole_from`, `whole_to`, `ci_lower`, `ci_upper`, and `n_pieces`.
    by : str
        "all", "species", "seal" or "wall".

    Returns
    -------
    ConcatChart: share still whole [%] against days since turning.

    Examples
    --------
    >>> whole = pd.DataFrame({"by": "seal", "group": "none", "kind": ["known", "gap", "known"],
    ...                       "from_days": [0, 20, 30], "to_days": [20, 30, 90],
    ...                       "whole_from": [1.0, 1.0, 0.6], "whole_to": [1.0, 0.6, 0.6],
    ...                       "ci_lower": [0.72, None, 0.31], "ci_upper": [1.0, None, 0.83],
    ...                       "n_pieces": 10})
    >>> whole_fraction_chart(whole).description
    '60 % of bare bowls still whole. 10 bare bowls: 60% by day 90.'
    """
    frame = whole[whole["by"] == by]
    need(frame, why=f"there are no groups of {by!r} to draw.")
    names = list(dict.fromkeys(frame["group"]))
    names = words.order_of_seals(names) if by == "seal" else names
    x = across("from_days:Q", DAYS, (0, frame["to_days"].max()), tickCount=6)
    y = partial(upward, title="Still whole", ends=(0, 1), format="%")
    tooltip = [tip("from_days:Q", "from day", ".0f"), tip("to_days:Q", "to day", ".0f"),
               tip("whole_from:Q", "still whole", ".0%"), tip("ci_lower:Q", "from", ".0%"),
               tip("ci_upper:Q", "to (95 %)", ".0%")]  # fmt: skip
    layers, last = {}, {}
    for name in names:
        own = frame[frame["group"] == name]
        known, gaps = (drawing(own[own["kind"] == kind]).encode(x=x, x2="to_days:Q")
                       for kind in ("known", "gap"))  # fmt: skip
        n = int(own["n_pieces"].iloc[0])
        named = words.bowls(name, n) if by == "seal" else f"{name} ({words.tally(n)})"
        layers[words.opened(named)] = [
            known.mark_rect(opacity=0.18, color=COLOURS[4])
            .encode(y=y("ci_lower:Q"), y2="ci_upper:Q"),
            known.mark_rule(strokeWidth=2.5, color=COLOURS[0])
            .encode(y=y("whole_from:Q"), tooltip=tooltip),
            gaps.mark_rule(strokeWidth=1, strokeDash=[2, 2], color=FAINT_INK)
            .encode(y=y("whole_from:Q"), y2="whole_to:Q"),
        ]  # fmt: skip
        last[name] = own.iloc[-1]["whole_to"], f"{named}: {own.iloc[-1]['whole_to']:.0%} by day " \
            f"{own.iloc[-1]['to_days']:.0f}"  # fmt: skip
    low, high = (kind(last, key=lambda name: last[name][0]) for kind in (min, max))
    about = words.bowls if by == "seal" else str
    says = f"{100 * last[low][0]:.0f} % of {about(low)} still whole"
    if low != high:
        says += f", {100 * last[high][0]:.0f} % of {about(high)}"
    return themed(
        panels(layers, axis_px=66),
        alt=f"{'; '.join(said for _, said in last.values())}.",
        says=fitting(says, f"{100 * last[low][0]:.0f} to {100 * last[high][0]:.0f} % of the bowls "
                     "still whole"),
        sub="Share of bowls without a crack [%] against days since turning, with 95 % band; "
        "dotted: fell between two looks.",
    )  # fmt: skip


def risk_by_wall_chart(risk: pd.DataFrame, pieces: pd.DataFrame, *, seal: str = "none") -> Any:
    """The chance of a crack against the wall, a panel a species, with band and pieces.

    Parameters
    ----------
    risk : DataFrame
        `study.risk_by_wall(seal=...)`: `species`, `wall_mm` [mm], `by_day`, and the chances
        `risk`, `ci_lower`, `ci_upper` as shares.
    pieces : DataFrame
        `study.first.used`: each piece a mark at its wall, at the top where it cracked and at the
        foot where it did not; those under `seal` filled.
    seal : str
        The seal that the curve is for.

    Returns
    -------
    ConcatChart: chance of a crack [%] against the wall [mm].

    Examples
    --------
    >>> risk = pd.DataFrame({"species": "white ash", "wall_mm": [20.0, 40.0], "risk": [0.1, 0.4],
    ...                      "ci_lower": [0.03, 0.2], "ci_upper": [0.25, 0.6], "by_day": 120})
    >>> pieces = pd.DataFrame({"piece": ["A1", "A2"], "species": "white ash",
    ...                        "seal": ["none", "wax"], "wall_mm": [22.0, 36.0],
    ...                        "cracked": [False, True]})
    >>> print(risk_by_wall_chart(risk, pieces).description)
    Crack chance: 10 % at 20 mm, 40 % at 40 mm. By day 120, bare bowls: white ash: 10% at
    20 mm, 40% at 40 mm.
    """
    curve = risk[risk["risk"].notna()]
    need(curve, why="no risk could be told, so there is nothing to draw.")
    marks = pieces.assign(
        height=[1.06 if cracked else -0.06 for cracked in pieces["cracked"]],
        state=["cracked" if cracked else "whole" for cracked in pieces["cracked"]],
        own=pieces["seal"] == seal,
    )[["piece", "species", "seal", "wall_mm", "height", "state", "own"]]
    walls = pd.concat([curve["wall_mm"], marks["wall_mm"]])
    x = across("wall_mm:Q", "Wall [mm]", (walls.min() - 1, walls.max() + 1), tickCount=5)
    y = partial(upward, title="Chance of a crack", ends=(-0.1, 1.1), format="%",
                values=[0, 0.25, 0.5, 0.75, 1])  # fmt: skip
    tooltip = ["piece:N", "seal:N", "state:N", tip("wall_mm:Q", "wall [mm]", ".0f")]
    layers, told = {}, []
    for name, own in curve.sort_values("wall_mm").groupby("species"):
        base = drawing(own).encode(x=x)
        dots = marks[marks["species"] == name]
        layers[str(name)] = [
            band(base, y, "ci_lower:Q", "ci_upper:Q", colour=COLOURS[4]),
            base.mark_line(color=COLOURS[0]).encode(y=y("risk:Q")),
            *(drawing(dots[dots["own"] == here])
              .mark_point(size=34, filled=here, color=colour, strokeWidth=1.5)
              .encode(x=x, y=y("height:Q"), tooltip=tooltip)
              for here, colour in ((True, COLOURS[0]), (False, FAINT_INK))),
        ]  # fmt: skip
        first, last = own.iloc[0], own.iloc[-1]
        told.append(f"{name}: {first['risk']:.0%} at {first['wall_mm']:.0f} mm, "
                    f"{last['risk']:.0%} at {last['wall_mm']:.0f} mm")  # fmt: skip
    low, high = curve["wall_mm"].min(), curve["wall_mm"].max()
    ends = [curve.loc[curve["wall_mm"] == wall, "risk"].mean() for wall in (low, high)]
    day, bowls = curve["by_day"].iloc[0], words.bowls(seal)
    return themed(
        panels(layers, axis_px=66),
        alt=f"By day {day:.0f}, {bowls}: {'; '.join(told)}.",
        says=f"Crack chance: {100 * ends[0]:.0f} % at {low:.0f} mm, "
        f"{100 * ends[1]:.0f} % at {high:.0f} mm",
        sub=f"Chance of a crack by day {day:.0f} [%] against the wall [mm], {bowls}, with 95 % "
        "bands; the title gives the mean of the woods. Marks: bowls, at the top those that "
        "cracked; hollow: under another seal.",
    )  # fmt: skip


def looks_calendar(gaps: pd.DataFrame) -> Any:
    """How the chance of a first crack runs week by week, and how often to look.

    Parameters
    ----------
    gaps : DataFrame
        `study.look_gaps()`: `week`, `chance`, `ci_lower`, `ci_upper` (shares), `even_gap_days`,
        `even_gap_lower_days`, `even_gap_upper_days`, `longest_gap_days` [d].

    Returns
    -------
    ConcatChart: chance of a first crack by week [%]; longest gap between looks [days].

    Examples
    --------
    >>> gaps = pd.DataFrame({"week": [1, 2], "chance": [0.05, 0.01], "ci_lower": [0.02, 0.0],
    ...                      "ci_upper": [0.1, 0.03], "even_gap_days": [4, 10],
    ...                      "even_gap_lower_days": [3, 7], "even_gap_upper_days": [6, 14],
    ...                      "longest_gap_days": 6})
    >>> print(looks_calendar(gaps).description)
    The likeliest week for a first crack is week 1. Chance of a first crack: 5.0% in week 1, 1.0% in
    week 2. Longest gap between looks that keeps 100 pieces within the accepted unseen days: 4 days
    in week 1, 10 in week 2; dashed, the gap that keeps the run of one crack short (6 days).
    """
    need(gaps, why="no crack was found, so there is no calendar of looks to draw.")
    base = drawing(gaps).encode(
        x=across("week:Q", "Week since turning", tickMinStep=1),
        tooltip=["week:Q", tip("chance:Q", "chance", ".1%"), tip("even_gap_days:Q", "gap [days]")],
    )
    chance, gap = partial(upward, format=".1%"), upward
    short = gaps["longest_gap_days"].iloc[0]
    layers = {
        "Chance of a first crack in that week": spans(
            base, chance, "ci_lower:Q", "chance:Q", "ci_upper:Q"),
        "Longest gap between looks [days]": [
            *spans(base, gap, "even_gap_lower_days:Q", "even_gap_days:Q", "even_gap_upper_days:Q"),
            *level(short, gap, "longest_gap_days", "for a short run of each crack",
                   align="right", dx=-2),
        ],
    }  # fmt: skip
    first, last = gaps.iloc[0], gaps.iloc[-1]
    return themed(
        panels(layers, columns=1, height=140),
        says=f"The likeliest week for a first crack is week "
        f"{gaps.loc[gaps['chance'].idxmax(), 'week']:.0f}",
        sub="Above: chance of a first crack, by week since turning [%]. Below: longest gap between "
        "looks [days]. Bars: 95 % intervals.",
        alt=f"Chance of a first crack: {first['chance']:.1%} in week 1, {last['chance']:.1%} in "
        f"week {last['week']:.0f}. Longest gap between looks that keeps 100 pieces within the "
        f"accepted unseen days: {first['even_gap_days']:.0f} days in week 1, "
        f"{last['even_gap_days']:.0f} in week {last['week']:.0f}; dashed, the gap that keeps the "
        f"run of one crack short ({short:.0f} days).",
    )  # fmt: skip
