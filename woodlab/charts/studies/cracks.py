"""Charts of the crack study: frame in, chart out, nothing computed."""

from __future__ import annotations

from typing import Any

import altair
import pandas as pd

from woodlab import words
from woodlab.charts.axes import band, need, tip
from woodlab.charts.colours import order_of_seals
from woodlab.charts.intervals import interval_chart
from woodlab.charts.theme import (
    BAND_OPACITY,
    COLOURS,
    FAINT_INK,
    Size,
    counted,
    panel_px,
    series_encoding,
    themed,
)
from woodlab.charts.titles import certainties, fitting

_PERCENT = altair.Axis(format="%")


def crack_rate_chart(rates: pd.DataFrame, by: str = "species", *, size: Size = "column") -> Any:
    """Crude rates of cracking of the groups of one kind, with Wilson intervals.

    Parameters
    ----------
    rates : DataFrame
        `study.rates`: `by`, `group`, `n_pieces`, `n_cracked`, and `share`, `ci_lower`,
        `ci_upper` as shares.
    by : str
        "species", "seal", "wall" or "all".
    size : as for `themed`

    Returns
    -------
    LayerChart: a row a group: pieces that cracked [%], with 95 % interval and numbers.

    Examples
    --------
    >>> rates = pd.DataFrame({"by": "seal", "group": ["none", "wax"], "n_pieces": 10,
    ...                       "n_cracked": [5, 1], "share": [0.5, 0.1], "ci_lower": [0.237, 0.018],
    ...                       "ci_upper": [0.763, 0.404]})
    >>> crack_rate_chart(rates, by="seal").description
    'Pieces that cracked [%] with 95 % intervals: bare bowls: 50 (23.7 to 76.3); bowls under ...'
    >>> crack_rate_chart(rates, by="species")
    Traceback (most recent call last):
        ...
    woodlab.errors.WoodlabError: no group of 'species' was looked at, so there are no rates to draw.
    """
    frame = rates[(rates["by"] == by) & rates["share"].notna()]
    need(frame, why=f"no group of {by!r} was looked at, so there are no rates to draw.")
    most, least = frame.loc[frame["share"].idxmax()], frame.loc[frame["share"].idxmin()]
    named = words.bowls if by == "seal" else str
    says = fitting(
        f"{most['n_cracked']} of {most['n_pieces']} {named(most['group'])} cracked, "
        f"{least['n_cracked']} of {least['n_pieces']} {named(least['group'])}",
        f"{frame['n_cracked'].sum()} of {frame['n_pieces'].sum()} bowls cracked",
    )
    frame = pd.DataFrame(
        {
            "label": [named(group) for group in frame["group"]],
            "estimate": 100 * frame["share"],
            "ci_lower": 100 * frame["ci_lower"],
            "ci_upper": 100 * frame["ci_upper"],
            "text": frame["n_cracked"].astype(str) + " of " + frame["n_pieces"].astype(str),
        }
    )
    return interval_chart(
        frame, title="Pieces that cracked [%]", says=says, in_order=by == "wall", size=size
    )


def crack_ratios(effects: pd.DataFrame, *, size: Size = "page") -> Any:
    """A forest of hazard ratios; a term without a number is left out, its reason is in the table.

    Parameters
    ----------
    effects : DataFrame
        `study.effects`: `term`, `hazard_ratio`, `ci_lower`, `ci_upper`, `p_value`, `n_cracks`,
        `n_pieces`.
    size : as for `themed`

    Returns
    -------
    LayerChart: a row a term: ratio, logarithmic, with 95 % interval; an upright mark at 1.

    Examples
    --------
    >>> effects = pd.DataFrame({"term": ["seal: wax against none", "wall: per 10 mm thicker"],
    ...                         "hazard_ratio": [0.4, 2.1], "ci_lower": [0.2, 1.3],
    ...                         "ci_upper": [0.9, 3.4], "n_cracks": 12, "n_pieces": 40,
    ...                         "p_value": [0.03, 0.01]})
    >>> chart = crack_ratios(effects)
    >>> print(chart.description)
    Hazard of cracking against the other [ratio] with 95 % intervals: wall: per 10 mm thicker:
    2.1 (1.3 to 3.4); seal: wax against none: 0.4 (0.2 to 0.9).
    >>> chart.title.text
    ['2 of 2 influences on cracking are clear']
    >>> chart.to_dict()["layer"][1]["encoding"]["x"]["scale"]["type"]
    'log'
    """
    told = effects[effects["hazard_ratio"].notna()]
    need(told, why="no effect could be told, so there are no ratios to draw.")
    frame = told.rename(columns={"term": "label", "hazard_ratio": "estimate"})
    frame = frame.assign(
        text=frame["n_cracks"].astype(str) + " of " + frame["n_pieces"].astype(str) + " cracked"
    )
    sure = int((certainties(told) == "clear").sum())
    return interval_chart(
        frame[["label", "estimate", "ci_lower", "ci_upper", "text"]],
        title="Hazard of cracking against the other [ratio]",
        says=f"{sure or 'None'} of {len(frame)} influences on cracking "
        f"{'is' if sure == 1 else 'are'} clear",
        reference=1.0,
        log=True,
        size=size,
    )


def whole_fraction_chart(whole: pd.DataFrame, by: str = "seal", *, size: Size = "page") -> Any:
    """The share still whole against days since turning, a panel a group.

    Level stretches are lines, with their 95 % band; between them the looks leave open when it
    fell: a gap, crossed by a thin dotted line.

    Parameters
    ----------
    whole : DataFrame
        `study.whole`: `by`, `group`, `kind` ("known", "gap"), `from_days`, `to_days`, the shares
        `whole_from`, `whole_to`, `ci_lower`, `ci_upper`, and `n_pieces`.
    by : str
        "all", "species", "seal" or "wall".
    size : as for `themed`

    Returns
    -------
    FacetChart: share still whole [%] against days since turning.

    Examples
    --------
    >>> whole = pd.DataFrame({"by": "seal", "group": "none", "kind": ["known", "gap", "known"],
    ...                       "from_days": [0, 20, 30], "to_days": [20, 30, 90],
    ...                       "whole_from": [1.0, 1.0, 0.6], "whole_to": [1.0, 0.6, 0.6],
    ...                       "ci_lower": [0.72, None, 0.31], "ci_upper": [1.0, None, 0.83],
    ...                       "n_pieces": 10})
    >>> chart = whole_fraction_chart(whole)
    >>> chart.description
    'Share of pieces still whole ... none (10 pieces): 60% by day 90.'
    >>> [layer["mark"]["type"] for layer in chart.to_dict()["spec"]["layer"]]  # band, level, gap
    ['rect', 'rule', 'rule']
    """
    frame = whole[whole["by"] == by]
    need(frame, why=f"there are no groups of {by!r} to draw.")
    count = frame["group"].nunique()
    columns = 2 if count == 4 else min(3, count)
    x = altair.X("from_days:Q", title="Days since turning [d]")
    y: dict[str, Any] = {"scale": altair.Scale(domain=[0, 1])}
    base = altair.Chart(frame).encode(x=x, x2="to_days:Q")
    known, gaps = (base.transform_filter(f"datum.kind == '{k}'") for k in ("known", "gap"))
    tips = [
        tip("from_days:Q", "from day", ".0f"), tip("to_days:Q", "to day", ".0f"),
        tip("whole_from:Q", "still whole", ".0%"), tip("ci_lower:Q", "lower end (95 %)", ".0%"),
        tip("ci_upper:Q", "upper end (95 %)", ".0%"),
    ]  # fmt: skip
    whole_y = altair.Y("whole_from:Q", **y)
    layers = [
        known.mark_rect(opacity=BAND_OPACITY, color=COLOURS[4]).encode(
            y=altair.Y("ci_lower:Q", title="Still whole, 95 % band", axis=_PERCENT, **y),
            y2="ci_upper:Q"),
        known.mark_rule(strokeWidth=2.5, color=COLOURS[0]).encode(y=whole_y, tooltip=tips),
        gaps.mark_rule(strokeWidth=1, strokeDash=[2, 2], color=FAINT_INK)
        .encode(y=whole_y, y2="whole_to:Q"),
    ]  # fmt: skip
    ends = "; ".join(
        f"{name} ({counted(part['n_pieces'].iloc[0], 'piece')}): {part['whole_to'].iloc[-1]:.0%} "
        f"by day {part['to_days'].iloc[-1]:.0f}"
        for name, part in frame.groupby("group", sort=False)
    )
    panel = altair.layer(*layers).properties(width=panel_px(size, columns), height=170)
    names = list(frame["group"].unique())
    names = order_of_seals(names) if by == "seal" else names
    chart = panel.facet(altair.Facet("group:N", title=None, sort=names), columns=columns)
    alt = (
        "Share of pieces still whole against days since turning, with 95 % bands and gaps where "
        f"the looks leave open when it fell. {ends}."
    )
    last = frame.groupby("group", sort=False).tail(1).sort_values("whole_to")
    low, high = last.iloc[0], last.iloc[-1]
    named = words.bowls if by == "seal" else str
    says = fitting(
        f"{100 * low['whole_to']:.0f} % of {named(low['group'])} still whole, "
        f"{100 * high['whole_to']:.0f} % of {named(high['group'])}",
        f"{100 * low['whole_to']:.0f} to {100 * high['whole_to']:.0f} % of the bowls still whole",
    )
    sub = (
        "Share of bowls without a crack [%] against days since turning, with 95 % band; dotted: "
        "fell between two looks."
    )
    return themed(chart, alt=alt, says=says, sub=sub, size=size)


def risk_by_wall_chart(
    risk: pd.DataFrame, pieces: pd.DataFrame, *, seal: str = "none", size: Size = "page"
) -> Any:
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
    size : as for `themed`

    Returns
    -------
    FacetChart: chance of a crack [%] against the wall [mm].

    Examples
    --------
    >>> risk = pd.DataFrame({"species": "white ash", "wall_mm": [20.0, 40.0], "risk": [0.1, 0.4],
    ...                      "ci_lower": [0.03, 0.2], "ci_upper": [0.25, 0.6], "by_day": 120})
    >>> pieces = pd.DataFrame({"piece": ["A1", "A2"], "species": "white ash",
    ...                        "seal": ["none", "wax"], "wall_mm": [22.0, 36.0],
    ...                        "cracked": [False, True]})
    >>> risk_by_wall_chart(risk, pieces).description
    'Chance of a crack by day 120 under none, ... white ash: 10% at 20 mm, 40% at 40 mm.'
    """
    curve = risk[risk["risk"].notna()]
    need(curve, why="no risk could be told, so there is nothing to draw.")
    species = sorted(curve["species"].unique())
    columns = min(3, len(species))
    frame = curve.assign(row="curve")
    marks = pieces[pieces["species"].isin(species)].assign(row="piece")
    marks["height"] = [1.06 if cracked else -0.06 for cracked in marks["cracked"]]
    marks["state"] = ["cracked" if cracked else "whole" for cracked in marks["cracked"]]
    marks["under"] = [name if name == seal else "another seal" for name in marks["seal"]]
    both = pd.concat([frame, marks], ignore_index=True)
    x = altair.X("wall_mm:Q", title="Wall [mm]", scale=altair.Scale(zero=False))
    scale = altair.Scale(domain=[-0.1, 1.1])
    axis = altair.Axis(format="%", values=[0, 0.25, 0.5, 0.75, 1])
    base = altair.Chart(both).encode(x=x)
    curves = base.transform_filter("datum.row == 'curve'")
    look = series_encoding(
        "under", "Pieces (top: cracked)", mark="point", domain=[seal, "another seal"], size=size
    )
    tips = ["piece:N", "seal:N", "state:N", tip("wall_mm:Q", "wall [mm]", ".0f")]
    panel = altair.layer(
        band(curves, "ci_lower", "ci_upper", colour=COLOURS[4], title="Chance of a crack",
             axis=axis, scale=scale),
        curves.mark_line(color=COLOURS[0]).encode(y=altair.Y("risk:Q", scale=scale)),
        base.transform_filter("datum.row == 'piece'").mark_point(size=34, opacity=0.8)
        .encode(y=altair.Y("height:Q", scale=scale), tooltip=tips, **look),
    ).properties(width=panel_px(size, columns), height=170)  # fmt: skip
    chart = panel.facet(altair.Facet("species:N", title=None), columns=columns)
    day = curve["by_day"].iloc[0]
    told = "; ".join(
        f"{name}: {part['risk'].iloc[0]:.0%} at {part['wall_mm'].iloc[0]:.0f} mm, "
        f"{part['risk'].iloc[-1]:.0%} at {part['wall_mm'].iloc[-1]:.0f} mm"
        for name, part in curve.groupby("species", sort=False)
    )
    alt = f"Chance of a crack by day {day:.0f} under {seal}, with 95 % bands. {told}."
    low, high = curve["wall_mm"].min(), curve["wall_mm"].max()
    ends = [curve.loc[curve["wall_mm"] == wall, "risk"].mean() for wall in (low, high)]
    says = (
        f"Estimated crack chance: {100 * ends[0]:.0f} % at {low:.0f} mm, "
        f"{100 * ends[1]:.0f} % at {high:.0f}"
    )
    sub = (
        f"Chance of a crack by day {day:.0f} [%] against the wall [mm], {words.bowls(seal)}; mean "
        "of the species in the title, 95 % bands. Marks: bowls, at the top those that cracked."
    )
    return themed(chart, alt=alt, says=says, sub=sub, size=size)
