"""Next season: the plan's balance, the power of a trial, what the round should find."""

from __future__ import annotations

from typing import Any

import altair
import pandas as pd

from woodlab.charts.theme import (
    BAND_OPACITY,
    COLOURS,
    FAINT_INK,
    INK,
    counted,
    series_encoding,
    themed,
)
from woodlab.charts.titles import fitting
from woodlab.errors import WoodlabError

_SPOKEN = {
    "drying_time": "drying time", "surface_coefficient": "surface coefficient",
    "crack_hazard": "cracks",
}  # fmt: skip


def plan_chart(plan: pd.DataFrame) -> Any:
    """A planned trial: each piece at its wall, a line a log, its seal by colour and shape.

    Parameters
    ----------
    plan : DataFrame
        `piece`, `log`, `wall_mm` [mm], `seal`, as `TrialPlan.plan`.

    Returns
    -------
    altair.Chart: A point a piece.

    Raises
    ------
    WoodlabError
        When there is no wall to draw.

    Examples
    --------
    >>> import pandas as pd, woodlab as wl
    >>> blanks = pd.DataFrame({"log": list("AAAABBBB"), "species": "white ash",
    ...                        "wall_mm": [20, 22, 28, 30, 21, 24, 26, 33]})
    >>> plan = wl.trial_plan(blanks, ["none", "wax"], seed=1).plan
    >>> plan_chart(plan).description
    'Planned pieces by log and wall: 4 ..., 4 ..., in 2 logs.'
    >>> plan_chart(plan).to_dict()["encoding"]["x"]["title"]
    'Wall [mm]'
    """
    frame = plan.dropna(subset=["wall_mm"]).assign(log=lambda rows: rows["log"].fillna("no log"))
    if frame.empty:
        raise WoodlabError("The plan has no walls to draw. Give wall_mm in the blanks.")
    seals = list(dict.fromkeys(frame["seal"]))
    counts = ", ".join(f"{n} {seal}" for seal, n in frame["seal"].value_counts().items())
    chart = (
        altair.Chart(frame[["piece", "log", "wall_mm", "seal"]])
        .mark_point(size=90)
        .encode(
            x=altair.X("wall_mm:Q", title="Wall [mm]", scale=altair.Scale(zero=False, padding=12)),
            y=altair.Y("log:N", title="Log"),
            tooltip=["piece:N", "log:N", "wall_mm:Q", "seal:N"],
            **series_encoding("seal", "Seal", mark="point", domain=seals, size="page"),
        )
        .properties(height=altair.Step(20))
    )
    alt = f"Planned pieces by log and wall: {counts}, in {counted(frame['log'].nunique(), 'log')}."
    seals_ = f" under {len(seals)} seals" if len(seals) > 1 else ""
    says = f"{counted(len(frame), 'bowl')} from {counted(frame['log'].nunique(), 'log')}{seals_}"
    return themed(
        chart, alt=alt, says=says, sub="Each bowl at its wall [mm], a row a log.", size="page"
    )


def power_chart(power: pd.DataFrame) -> Any:
    """The chance to see an effect against the number of logs, a line an outcome.

    Parameters
    ----------
    power : DataFrame
        `outcome`, `ratio`, `n_logs`, `power`, `mc_error` (shares), as `TrialPower.power`.

    Returns
    -------
    LayerChart: chance [%] against logs, a dashed rule at 80 %.

    Examples
    --------
    >>> import pandas as pd
    >>> power = pd.DataFrame({"outcome": "drying_time", "ratio": 1.25, "n_logs": [4, 12],
    ...                       "power": [0.40, 0.85], "mc_error": 0.01})
    >>> power_chart(power).description
    'Chance to see an effect by number of logs. drying time x 1.25: 85 % with 12 logs.'
    """
    frame = power.assign(
        effect=[
            f"{_SPOKEN.get(row.outcome, row.outcome)} x {row.ratio:.3g}"
            for row in power.itertuples()
        ],
        percent=100 * power["power"],
        low=100 * (power["power"] - 1.96 * power["mc_error"]).clip(0, 1),
        high=100 * (power["power"] + 1.96 * power["mc_error"]).clip(0, 1),
    )
    effects = list(dict.fromkeys(frame["effect"]))
    x = altair.X("n_logs:Q", title="Logs in the trial", scale=altair.Scale(nice=False))
    base = altair.Chart(frame[["effect", "n_logs", "percent", "low", "high"]]).encode(x=x)
    y_title = ["Chance to see the effect [%]", "bars: simulation error, 95 %"]
    y = altair.Y("percent:Q", title=y_title, scale=altair.Scale(domain=[0, 100]))
    points = base.mark_point(size=60).encode(
        y=y, **series_encoding("effect", "Effect", mark="both", domain=effects)
    )
    line_look = series_encoding("effect", "Effect", mark="line", domain=effects, legend=False)
    lines = base.mark_line().encode(y=y, **line_look)
    bars = base.mark_rule(strokeWidth=2).encode(y="low:Q", y2="high:Q", color=line_look["color"])
    wanted = altair.Chart(pd.DataFrame({"at": [80], "said": ["80 %"]}))
    rule = wanted.mark_rule(strokeDash=[4, 3], color=FAINT_INK).encode(y="at:Q")
    said = wanted.mark_text(align="left", dx=4, dy=-7, color=INK).encode(
        y="at:Q", x=altair.value(0), text="said:N"
    )
    last = frame.sort_values("n_logs").groupby("effect", sort=False).tail(1)
    words = "; ".join(
        f"{row.effect}: {row.percent:.0f} % with {counted(row.n_logs, 'log')}"
        for row in last.itertuples()
    )
    chart = altair.layer(points, lines, bars, rule, said)
    best = last.iloc[0]
    says = fitting(
        f"{best['effect']}: {best['percent']:.0f} % chance with {counted(best['n_logs'], 'log')}",
        f"{best['percent']:.0f} % chance with {counted(best['n_logs'], 'log')}",
    )
    alt = f"Chance to see an effect by number of logs. {words}."
    return themed(chart, alt=alt, says=says, sub="Chance to see an effect of this size [%].")


def round_chart(frame: pd.DataFrame, most: int = 25) -> Any:
    """The most urgent pieces of a round: expected change since the last weighing, with its band.

    Parameters
    ----------
    frame : DataFrame
        `due` of a `shop_round`, or the round itself: `piece`, `last_g`, `expected_g`, `lower_g`,
        `upper_g` [g].
    most : int
        How many pieces at most, from the top of the frame.

    Returns
    -------
    LayerChart: a row a piece: change [% of the last weight], 99 % band of one weighing.

    Raises
    ------
    WoodlabError
        When no piece has an expected weight.

    Examples
    --------
    >>> import pandas as pd
    >>> due = pd.DataFrame({"piece": ["A1", "B2"], "last_g": [1000.0, 2000.0],
    ...                     "expected_g": [980.0, 1980.0], "lower_g": [960.0, 1960.0],
    ...                     "upper_g": [1000.0, 2000.0]})
    >>> print(round_chart(due).description)
    Expected change in weight of 2 pieces, most urgent first; the middle piece -1.5 %, bands from
    -4 to 0 %.
    """
    frame = getattr(frame, "due", frame)
    rows = frame.dropna(subset=["expected_g", "last_g"]).head(most)
    if rows.empty:
        raise WoodlabError("No piece of the round has an expected weight to draw.")
    part = pd.DataFrame({"piece": rows["piece"]})
    for name, column in (("expect", "expected_g"), ("low", "lower_g"), ("high", "upper_g")):
        part[name] = 100 * (rows[column] / rows["last_g"] - 1)
    order = part["piece"].tolist()
    title = ["Expected change since the last weighing [%]", "with the band for one weighing, 99 %"]
    base = altair.Chart(part).encode(
        y=altair.Y("piece:N", title="Piece", sort=order, axis=altair.Axis(labelOverlap=False))
    )
    bars = base.mark_bar(opacity=2 * BAND_OPACITY, color=COLOURS[4], height=9).encode(
        x=altair.X("low:Q", title=title), x2="high:Q"
    )
    points = base.mark_point(size=45, color=COLOURS[0]).encode(x="expect:Q")
    zero = altair.Chart(pd.DataFrame({"at": [0]})).mark_rule(strokeDash=[4, 3])
    chart = altair.layer(bars, zero.encode(x="at:Q"), points).properties(height=altair.Step(16))
    alt = (
        f"Expected change in weight of {counted(len(part), 'piece')}, most urgent first; the "
        f"middle piece {part['expect'].median():.1f} %, bands from {part['low'].min():.0f} to "
        f"{part['high'].max():.0f} %."
    )
    says = f"{order[0]} first; the middle bowl should change {part['expect'].median():.1f} %"
    sub = "Expected change since the last weighing [%], with the band for one weighing, 99 %."
    return themed(chart, alt=alt, says=says, sub=sub)
