"""Next season: the plan's balance, the power of a trial, what the round should find."""

from __future__ import annotations

from functools import partial
from typing import Any

import altair
import pandas as pd

from woodlab import words
from woodlab.charts.blocks import across, level, lines, need, upward
from woodlab.charts.theme import series_encoding, themed
from woodlab.charts.titles import fitting
from woodlab.charts.units import drawing

_SPOKEN = {
    "drying_time": "drying time", "surface_coefficient": "surface coefficient",
    "crack_hazard": "cracks",
}  # fmt: skip


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
    base = drawing(frame).encode(x=x)
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
