"""Next season: the plan's balance, the power of a trial, what the round should find."""

from __future__ import annotations

from functools import partial
from typing import Any

import altair
import pandas as pd

from woodlab import words
from woodlab.charts.blocks import across, level, lines, need, rows, upward
from woodlab.charts.theme import COLOURS, series_encoding, themed
from woodlab.charts.titles import fitting

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

    Examples
    --------
    >>> import woodlab as wl
    >>> blanks = pd.DataFrame({"log": list("AAAABBBB"), "species": "white ash",
    ...                        "wall_mm": [20, 22, 28, 30, 21, 24, 26, 33]})
    >>> plan = wl.trial_plan(blanks, ["none", "wax"], seed=1).plan
    >>> plan_chart(plan).description
    '8 bowls from 2 logs under 2 seals. Planned: 4 none, 4 wax.'
    """
    frame = plan.dropna(subset=["wall_mm"]).assign(log=lambda rows: rows["log"].fillna("no log"))
    need(frame, why="The plan has no walls to draw. Give wall_mm in the blanks.")
    seals = words.order_of_seals(frame["seal"])
    counts = frame["seal"].value_counts().reindex(seals)
    dots = altair.Chart(frame[["piece", "log", "wall_mm", "seal"]]).mark_point(size=90)
    chart = dots.encode(
        x=across("wall_mm:Q", "Wall [mm]", scale={"zero": False, "padding": 12}),
        y=altair.Y("log:N", title="Log"), tooltip=["piece:N", "log:N", "wall_mm:Q", "seal:N"],
        **series_encoding("seal", "Seal", mark="point", domain=seals, size="page"),
    )  # fmt: skip
    under = f" under {len(seals)} seals" if len(seals) > 1 else ""
    return themed(
        chart.properties(height=altair.Step(20)), size="page",
        alt=f"Planned: {', '.join(f'{n} {seal}' for seal, n in counts.items())}.",
        says=f"{words.tally(len(frame), 'bowl')} from "
        f"{words.tally(frame['log'].nunique(), 'log')}{under}",
        sub="Each bowl at its wall [mm], a row a log.",
    )  # fmt: skip


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
    >>> power = pd.DataFrame({"outcome": "drying_time", "ratio": 1.25, "n_logs": [4, 12],
    ...                       "power": [0.40, 0.85], "mc_error": 0.01})
    >>> power_chart(power).description
    '12 logs: 85 % chance to see drying time x 1.25. drying time x 1.25: 85 % with 12 logs.'
    """
    need(power, "outcome", "ratio", "n_logs", "power", "mc_error")
    frame = power[["n_logs"]].assign(
        effect=[f"{_SPOKEN.get(r.outcome, r.outcome)} x {r.ratio:.3g}" for r in power.itertuples()],
        percent=100 * power["power"],
        low=100 * (power["power"] - 1.96 * power["mc_error"]).clip(0, 1),
        high=100 * (power["power"] + 1.96 * power["mc_error"]).clip(0, 1),
    )
    effects = list(dict.fromkeys(frame["effect"]))
    first, most = frame["n_logs"].min(), frame["n_logs"].max()
    room = 0.6 if len(effects) > 1 else 0.05  # for the names at the lines' ends
    x = across("n_logs:Q", "Logs in the trial", (first, most + room * (most - first)),
               values=sorted(frame["n_logs"].unique()))  # fmt: skip
    y = partial(upward, title="Chance to see the effect [%]", ends=(0, 100))
    look = series_encoding("effect", "", mark="point", domain=effects, legend=False)
    base = altair.Chart(frame).encode(x=x)
    layers = [
        *level(80, y, "percent"),
        base.mark_rule(strokeWidth=2).encode(y=y("low:Q"), y2="high:Q", color=look["color"]),
        *lines(frame, x, y("percent:Q"), "effect", names=effects),
        base.mark_point(size=60).encode(y=y("percent:Q"), **look),
    ]
    last = frame.sort_values("n_logs").groupby("effect", sort=False).tail(1)
    told = [f"{r.effect}: {r.percent:.0f} % with {words.tally(r.n_logs, 'log')}"
            for r in last.itertuples()]  # fmt: skip
    one = frame[frame["effect"] == effects[0]].sort_values("n_logs")
    enough = one[one["percent"] >= 80]
    best, only = (enough.iloc[0], "") if len(enough) else (one.iloc[-1], "only ")
    chance = f"{words.tally(int(best['n_logs']), 'log')}: {only}{best['percent']:.0f} % chance"
    return themed(
        altair.layer(*layers), alt=f"{'; '.join(told)}.",
        says=fitting(f"{chance} to see {effects[0]}", chance),
        sub="Chance to see an effect of this size [%], by logs. Upright bars: simulation error, "
        "95 %.",
    )  # fmt: skip


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

    Examples
    --------
    >>> due = pd.DataFrame({"piece": ["A1", "B2"], "last_g": [1000.0, 2000.0],
    ...                     "expected_g": [980.0, 1980.0], "lower_g": [960.0, 1960.0],
    ...                     "upper_g": [1000.0, 2000.0]})
    >>> print(round_chart(due).description)
    A1 first; the middle bowl should lose 1.5 %. Expected change in weight of 2 pieces, most
    urgent first, bands from -4 to 0 %.
    """
    frame = getattr(frame, "due", frame)
    due = frame.dropna(subset=["expected_g", "last_g"]).head(most)
    need(due, why="No piece of the round has an expected weight to draw.")
    part = pd.DataFrame({"piece": due["piece"].astype(str)})
    for name in ("expected", "lower", "upper"):
        part[name] = 100 * (due[f"{name}_g"] / due["last_g"] - 1)
    low, high = min(part["lower"].min(), 0.0), max(part["upper"].max(), 0.0)
    x = partial(across, title="Expected change since the last weighing [%]",
                ends=(low - 0.12 * (high - low), high + 0.03 * (high - low)))  # fmt: skip
    zero = altair.Chart(pd.DataFrame({"expected": [0]})).mark_rule(strokeDash=[4, 3])
    layers = [
        zero.encode(x=x("expected:Q")),
        *rows(part, x, "lower:Q", "expected:Q", "upper:Q", color=altair.value(COLOURS[0])),
    ]
    middle = round(part["expected"].median(), 1)
    due = f"{'lose' if middle < 0 else 'gain'} {abs(middle):.1f} %" if middle else "weigh as before"
    return themed(
        altair.layer(*layers).properties(height=altair.Step(16)),
        says=f"{part['piece'].iloc[0]} first; the middle bowl should {due}",
        sub="Expected change since the last weighing [%], with the band for one weighing, 99 %.",
        alt=f"Expected change in weight of {words.tally(len(part))}, most urgent first, bands from "
        f"{part['lower'].min():.0f} to {part['upper'].max():.0f} %.",
    )  # fmt: skip
