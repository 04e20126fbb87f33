"""Charts of a seal study: frame in, chart out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair
import numpy as np
import pandas as pd

from woodlab.charts.theme import (
    COLOURS,
    FAINT_INK,
    INK,
    PAPER,
    WIDTH_PX,
    Size,
    counted,
    series_encoding,
    themed,
)
from woodlab.errors import WoodlabError

_OUTCOMES = {
    "drying_time": "drying time",
    "surface_coefficient": "surface coefficient",
    "core_to_surface": "core-to-surface difference",
    "crack_hazard": "cracks",
}
_AT_LEAST = "not reached, or not known when: at least so long"
_MOST_NAMED = 8  # logs; more names would overlap
_HALO: dict[str, Any] = {"stroke": PAPER, "strokeWidth": 4, "strokeJoin": "round"}


def curves_by_seal(
    course: pd.DataFrame,
    typical: pd.DataFrame,
    *,
    target_moisture_pct: float | None = None,
    size: Size = "page",
) -> Any:
    """Moisture against days: a thin line a piece, a thick line the median of each seal.

    Parameters
    ----------
    course, typical : DataFrame
        Of a `SealStudy`: `seal`, `days`, `moisture_pct` [% of oven-dry mass], and in `course`
        the `piece`.
    target_moisture_pct : float, optional
        A rule at this moisture [%].
    size : as for `themed`

    Returns
    -------
    LayerChart: moisture [% of oven-dry mass] against days since turning.

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
    >>> print(curves_by_seal(course, typical, target_moisture_pct=16).description)
    Moisture against days by seal, medians. none: from 60 % to 15 % in 60 days; wax: from 60 % to
    34 % in 60 days. The dashed line is the target, 16 %.
    """
    if not len(course) or not len(typical):
        raise WoodlabError("there is no drying curve to draw: no piece has weighings enough.")
    seals = list(dict.fromkeys(typical["seal"]))
    x = altair.X("days:Q", title="Days since turning [d]")
    y = altair.Y("moisture_pct:Q", title="Moisture [% of oven-dry mass]")
    tips = [
        altair.Tooltip("seal:N", title="Seal"),
        altair.Tooltip("days:Q", title="Days", format=".0f"),
        altair.Tooltip("moisture_pct:Q", title="Moisture [%]", format=".1f"),
    ]
    look = series_encoding("seal", "Seal (thick: median)", mark="line", domain=seals, size=size)
    quiet = series_encoding("seal", "Seal", mark="line", domain=seals, legend=False, size=size)
    thick = altair.Chart(typical).mark_line(strokeWidth=3.5).encode(x=x, y=y, tooltip=tips, **look)
    thin = (
        altair.Chart(_thinned(course))
        .mark_line(strokeWidth=0.8, opacity=0.45)
        .encode(x=x, y=y, detail="piece:N", tooltip=[altair.Tooltip("piece:N"), *tips], **quiet)
    )
    layers: list[Any] = [thick, thin]
    aim = ""
    if target_moisture_pct is not None:
        aim = f" The dashed line is the target, {target_moisture_pct:g} %."
        rule = altair.Chart(pd.DataFrame({"moisture_pct": [target_moisture_pct], "t": ["target"]}))
        layers.append(rule.mark_rule(strokeDash=[4, 3], color=FAINT_INK).encode(y="moisture_pct:Q"))
        layers.append(
            rule.mark_text(align="right", baseline="bottom", dy=-3, **_HALO).encode(
                y="moisture_pct:Q", x=altair.value("width"), text="t:N"
            )
        )
        layers.append(
            rule.mark_text(align="right", baseline="bottom", dy=-3, color=INK).encode(
                y="moisture_pct:Q", x=altair.value("width"), text="t:N"
            )
        )
    ends = "; ".join(
        f"{seal}: from {part['moisture_pct'].iloc[0]:.0f} % to {part['moisture_pct'].iloc[-1]:.0f}"
        f" % in {part['days'].iloc[-1]:.0f} days"
        for seal, part in typical.groupby("seal", sort=False)
    )
    alt = f"Moisture against days by seal, medians. {ends}.{aim}"
    return themed(altair.layer(*layers), alt=alt, size=size)


def _thinned(course: pd.DataFrame, most: int = 20_000) -> pd.DataFrame:
    """Every so many days of a large season, so that the page stays light."""
    step = max(int(np.ceil(len(course) / most)), 1)
    return course[course["days"] % step == 0] if step > 1 else course


def seal_ratios(
    effects: pd.DataFrame, *, outcomes: Sequence[str] | None = None, size: Size = "page"
) -> Any:
    """Each ratio to the reference with its 95 % interval, on one logarithmic axis.

    An end that is open has an arrow. Rows without an interval are left out; their reasons stand
    in the table.

    Parameters
    ----------
    effects : DataFrame
        Of a `SealStudy`: `outcome`, `seal`, `reference`, `ratio`, `ci_lower`, `ci_upper`,
        `n_pieces`, `method`.
    outcomes : sequence of str, optional
        Which outcomes, in their order; all unless given.
    size : as for `themed`

    Returns
    -------
    LayerChart: a row an outcome and seal; a dashed rule at 1, no difference.

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
    ...                         "method": ["mixed model", "exact"]})
    >>> print(seal_ratios(effects).description)
    Ratios to 'none' with 95 % intervals: drying time, wax: 1.6 (1.3 to 2; 12 pieces); cracks,
    wax: at most 0.6 (12 pieces).
    """
    wanted = list(outcomes) if outcomes is not None else list(_OUTCOMES)
    frame = effects[effects["outcome"].isin(wanted)]
    frame = frame[frame["ci_lower"].notna() & frame["ci_upper"].notna()]
    if not len(frame):
        raise WoodlabError(
            "no ratio has an interval yet, so there is nothing to draw; the reasons are in the "
            "column `reason`."
        )
    frame = frame.assign(rank=frame["outcome"].map({name: i for i, name in enumerate(wanted)}))
    frame = frame.sort_values("rank", kind="stable").reset_index(drop=True)
    ends = pd.concat([frame["ratio"], frame["ci_lower"], frame["ci_upper"], pd.Series([1.0])])
    ends = ends[np.isfinite(ends) & (ends > 0)]
    low, high = 0.7 * float(ends.min()), 1.4 * float(ends.max())
    frame = frame.assign(
        label=[f"{_OUTCOMES.get(r.outcome, r.outcome)}, {r.seal}" for r in frame.itertuples()],
        shown_lower=frame["ci_lower"].clip(lower=low),
        shown_upper=frame["ci_upper"].clip(upper=high),
        open_low=frame["ci_lower"] <= 0,
        open_high=~np.isfinite(frame["ci_upper"]),
    )
    frame["words"] = [_words(row) for row in frame.itertuples()]
    against = str(frame["reference"].iloc[0])
    scale = altair.Scale(type="log", domain=[low, high], nice=False, padding=8)
    title = [f"Ratio to {against!r} (logarithmic)", "with 95 % interval; dashed: no difference"]
    base = altair.Chart(frame).encode(
        y=altair.Y("label:N", title=None, sort=frame["label"].tolist(), axis=None),
        tooltip=[
            altair.Tooltip("label:N", title="what"),
            altair.Tooltip("ratio:Q", title="ratio", format=".3g"),
            altair.Tooltip("ci_lower:Q", title="lower end (95 %)", format=".3g"),
            altair.Tooltip("ci_upper:Q", title="upper end (95 %)", format=".3g"),
            altair.Tooltip("n_pieces:Q", title="pieces"),
            altair.Tooltip("method:N", title="method"),
        ],
    )
    bars = base.mark_rule(strokeWidth=3, color=COLOURS[4]).encode(
        x=altair.X("shown_lower:Q", title=title, scale=scale, axis=altair.Axis(tickCount=6)),
        x2="shown_upper:Q",
    )
    arrow: dict[str, Any] = {"filled": True, "size": 90, "color": COLOURS[4], "opacity": 1}
    left = base.transform_filter("datum.open_low").mark_point(shape="triangle-left", **arrow)
    right = base.transform_filter("datum.open_high").mark_point(shape="triangle-right", **arrow)
    points = base.transform_filter("isValid(datum.ratio)").mark_point(size=85, color=COLOURS[0])
    place: dict[str, Any] = {"align": "left", "baseline": "bottom", "dy": -6}
    named = base.encode(x=altair.value(0), text="words:N")
    rule = altair.Chart(pd.DataFrame({"at": [1.0]})).mark_rule(strokeDash=[4, 3], color=FAINT_INK)
    layers = [
        rule.encode(x=altair.X("at:Q", scale=scale)),
        bars,
        left.encode(x=altair.X("shown_lower:Q", scale=scale)),
        right.encode(x=altair.X("shown_upper:Q", scale=scale)),
        points.encode(x=altair.X("ratio:Q", scale=scale)),
        named.mark_text(**place, **_HALO),
        named.mark_text(**place, color=INK),
    ]
    chart = altair.layer(*layers).properties(height=altair.Step(40))
    alt = f"Ratios to {against!r} with 95 % intervals: {'; '.join(frame['words'])}."
    return themed(chart, alt=alt, size=size)


def _words(row: Any) -> str:
    basis = counted(row.n_pieces, "piece")
    if not np.isfinite(row.ratio):
        bound = f"at least {row.ci_lower:.2g}" if row.open_high else f"at most {row.ci_upper:.2g}"
        return f"{row.label}: {bound} ({basis})"
    return f"{row.label}: {row.ratio:.2g} ({row.ci_lower:.2g} to {row.ci_upper:.2g}; {basis})"


def days_against_cracks(by_seal: pd.DataFrame, *, size: Size = "column") -> Any:
    """What slower drying buys: days to the target against the share of pieces that cracked.

    Parameters
    ----------
    by_seal : DataFrame
        Of a `SealStudy`: `seal`, `median_days` [d], `crack_pct`, `ci_lower`, `ci_upper` [%],
        `n_cracked`, `n_looked`.
    size : as for `themed`

    Returns
    -------
    LayerChart: a point a seal with its exact 95 % interval upward.

    Raises
    ------
    WoodlabError
        When no seal has both.

    Examples
    --------
    >>> import pandas as pd
    >>> by_seal = pd.DataFrame({"seal": ["none", "wax"], "median_days": [60.0, 140.0],
    ...                         "crack_pct": [50.0, 10.0], "ci_lower": [18.7, 0.3],
    ...                         "ci_upper": [81.3, 44.5], "n_cracked": [5, 1], "n_looked": 10})
    >>> print(days_against_cracks(by_seal).description)
    Days to the target against cracks, by seal. none: 60 days, 5 of 10 cracked (19 to 81 %); wax:
    140 days, 1 of 10 cracked (0 to 44 %).
    """
    frame = by_seal[by_seal["median_days"].notna() & by_seal["crack_pct"].notna()]
    if not len(frame):
        raise WoodlabError(
            "no seal has both a time to the target and looks for cracks, so there is no trade-off "
            "to draw."
        )
    frame = frame.assign(
        words=[f"{r.seal}: {r.n_cracked} of {r.n_looked}" for r in frame.itertuples()]
    )
    domain = frame["words"].tolist()
    look = {"domain": domain, "size": size}
    scale = altair.Scale(domain=[0, 1.1 * float(frame["median_days"].max())], nice=False)
    base = altair.Chart(frame).encode(
        x=altair.X("median_days:Q", title="Days to the target, median of pieces", scale=scale)
    )
    title = ["Pieces cracked [%]", "with exact 95 % interval"]
    y_scale = altair.Scale(domain=[0, 100])
    points = base.mark_point(size=110).encode(
        y=altair.Y("crack_pct:Q", title=title, scale=y_scale),
        tooltip=["seal:N", "median_days:Q", "n_cracked:Q", "n_looked:Q"],
        **series_encoding("words", "Seal: cracked of looked at", mark="point", **look),
    )
    bars = base.mark_rule(strokeWidth=2).encode(
        y="ci_lower:Q",
        y2="ci_upper:Q",
        color=series_encoding("words", "", mark="area", legend=False, **look)["color"],
    )
    chart = altair.layer(points, bars).properties(height=330)
    said = "; ".join(
        f"{r.seal}: {r.median_days:.0f} days, {r.n_cracked} of {r.n_looked} cracked "
        f"({r.ci_lower:.0f} to {r.ci_upper:.0f} %)"
        for r in frame.itertuples()
    )
    return themed(chart, alt=f"Days to the target against cracks, by seal. {said}.", size=size)


def pairs_by_log(pairs: pd.DataFrame, reference: str = "none", *, size: Size = "column") -> Any:
    """Days to the target under each seal, the pieces of a log joined by a line.

    Parameters
    ----------
    pairs : DataFrame
        Of a `SealStudy`: `log`, `seal`, `days` [d], `at_least` (True where that day is not
        reached, or not known: a triangle).
    reference : str
        The seal that stands first.
    size : as for `themed`

    Returns
    -------
    LayerChart: seals side by side, days on a logarithmic axis; up to eight logs are named.

    Raises
    ------
    WoodlabError
        When no log holds two seals.

    Examples
    --------
    >>> import pandas as pd
    >>> pairs = pd.DataFrame({"log": ["A", "A", "B", "B"], "seal": ["oil", "none", "oil", "none"],
    ...                       "days": [100.0, 60.0, 150.0, 80.0],
    ...                       "at_least": [False, False, True, False]})
    >>> chart = pairs_by_log(pairs, reference="none")
    >>> chart.to_dict()["layer"][0]["encoding"]["x"]["sort"]
    ['none', 'oil']
    >>> chart.description
    'Days to the target by seal, 2 logs each a line. Medians: none: 70 days; oil: 125 days.'
    """
    if not len(pairs):
        raise WoodlabError(
            "no log holds two seals, so nothing can be joined. Seal pieces of one log differently."
        )
    order = [reference, *sorted(set(pairs["seal"]) - {reference})]
    order = [name for name in order if (pairs["seal"] == name).any()]
    frame = pairs.assign(kind=np.where(pairs["at_least"], _AT_LEAST, "reached"))
    x = altair.X(
        "seal:N", title=None, sort=order,
        axis=altair.Axis(
            labelAngle=0,
            labelOverlap=False,
            labelLimit=WIDTH_PX[size] // len(order),
            labelExpr="split(datum.label, ' ')",  # a word a line
        ),
        scale=altair.Scale(padding=0.25, type="point"),
    )  # fmt: skip
    y = altair.Y(
        "days:Q", title="Days to the target (logarithmic)",
        scale=altair.Scale(type="log", nice=False, padding=12, zero=False),
        axis=altair.Axis(tickCount=5, format="d"),
    )  # fmt: skip
    base = altair.Chart(frame).encode(x=x, y=y)
    lines = base.mark_line(strokeWidth=1.2, color=COLOURS[4], opacity=0.8).encode(
        detail="log:N", order="seal:N", tooltip=["log:N"]
    )
    points = base.mark_point(size=60, color=COLOURS[0], opacity=1).encode(
        shape=altair.Shape(
            "kind:N",
            scale=altair.Scale(
                domain=["reached", _AT_LEAST],
                range=["circle", "triangle-up"],
            ),
            legend=altair.Legend(title=None, labelLimit=260),
        ),
        tooltip=["log:N", "seal:N", altair.Tooltip("days:Q", format=".0f"), "kind:N"],
    )
    named = (
        altair.Chart(_names_at_the_end(frame, order))
        .mark_text(align="left", dx=8, color=INK)
        .encode(x=x, y=y, text="log:N")
    )
    logs = frame["log"].nunique()
    longer = "; ".join(
        f"{name}: {frame.loc[frame['seal'] == name, 'days'].median():.0f} days" for name in order
    )
    alt = f"Days to the target by seal, {logs} logs each a line. Medians: {longer}."
    layers = [lines, points, named] if logs <= _MOST_NAMED else [lines, points]
    return themed(altair.layer(*layers), alt=alt, size=size)


def _names_at_the_end(frame: pd.DataFrame, order: list[str]) -> pd.DataFrame:
    """Each log's name where its line ends; names that would lie upon each other share a place."""
    place = frame["seal"].map({name: position for position, name in enumerate(order)})
    ends = frame.assign(place=place).sort_values("place").groupby("log").tail(1)
    ends = ends.sort_values(["place", "days"], ignore_index=True)
    whole = np.log(frame["days"].max() / frame["days"].min())
    apart = (ends["place"].diff() != 0) | (np.log(ends["days"]).diff() > 0.06 * whole)
    rows = ends.groupby(apart.cumsum()).agg(
        seal=("seal", "first"),
        days=("days", "median"),
        log=("log", lambda names: ", ".join(map(str, names))),
    )
    return rows.reset_index(drop=True)
