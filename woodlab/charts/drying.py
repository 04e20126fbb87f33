"""Charts of drying curves: fitted, forecast, and what they leave."""

from __future__ import annotations

from functools import partial
from typing import Any

import altair
import pandas as pd

from woodlab import words
from woodlab.charts.blocks import (
    BAND_OPACITY,
    DAYS,
    MOISTURE,
    across,
    band,
    columns_of,
    each,
    level,
    need,
    panels,
    tips,
    upward,
)
from woodlab.charts.theme import COLOURS, FAINT_INK, Size, themed
from woodlab.errors import WoodlabError
from woodlab.show import listed

QUANTITIES = {"mass_g": "Mass [g]", "moisture_pct": MOISTURE}


def drying_curves(
    predicted: pd.DataFrame,
    weighed: pd.DataFrame | None = None,
    *,
    quantity: str = "mass_g",
    size: Size = "page",
) -> Any:
    """Fitted curves, their bands (confidence, prediction) and the weighings, a panel a piece.

    Parameters
    ----------
    predicted : DataFrame
        From `fits.predict`: `piece`, `on`, `mass_g` [g] or `moisture_pct` [%], and the bands
        `ci_lower_*`, `ci_upper_*`, `pi_lower_*`, `pi_upper_*` as far as there are any.
    weighed : DataFrame, optional
        `piece`, `on` and the same quantity: drawn as points.
    quantity : {"mass_g", "moisture_pct"}
        What is drawn upward.
    size : as for `themed`

    Returns
    -------
    ConcatChart: bands, curve and weighings against the date; the pieces follow as given.

    Raises
    ------
    WoodlabError
        When `quantity` is not one of the two.

    Examples
    --------
    >>> on = pd.to_datetime(["2026-03-01", "2026-04-30"])
    >>> curve = pd.DataFrame({"piece": "A1", "on": on, "moisture_pct": [60.0, 21.0],
    ...                       "ci_lower_moisture_pct": [57.0, 19.0],
    ...                       "ci_upper_moisture_pct": [63.0, 23.0]})
    >>> drying_curves(curve, quantity="moisture_pct").description
    '1 bowl dried to 21 % moisture. With the 95 % confidence band: A1 from 60 to 21 % in 60 days.'
    """
    if quantity not in QUANTITIES:
        raise WoodlabError(f"quantity is one of {', '.join(QUANTITIES)}; found {quantity!r}.")
    moist = quantity == "moisture_pct"
    why = f"there is no curve of {quantity} to draw. Use fits.predict, and weigh the pieces."
    need(predicted, "on", quantity, why=why)
    left_out = predicted.loc[predicted[quantity].isna(), "piece"].unique()
    predicted = predicted.dropna(subset=[quantity])
    need(predicted, why=why)
    points = predicted.head(0) if weighed is None or quantity not in weighed else weighed
    ends = {"prediction": "pi", "confidence": "ci"}
    bands = {name: (f"{end}_lower_{quantity}", f"{end}_upper_{quantity}")
             for name, end in ends.items() if f"{end}_upper_{quantity}" in predicted}  # fmt: skip
    x = across("on:T", tickCount=4)
    both = pd.concat([predicted[quantity], points[quantity]])
    # small multiples share their axes; bowls of different weights cannot share one of grams
    fixed = (min(0.0, both.min()), both.max() * 1.03) if moist else None
    y = partial(upward, title=QUANTITIES[quantity], ends=fixed, scale={"zero": False})
    layers, told = {}, []
    for piece, own in predicted.groupby("piece", sort=False):
        curve, dots = altair.Chart(own).encode(x=x), points[points["piece"] == piece]
        layers[str(piece)] = [
            *(band(curve, y, f"{low}:Q", f"{high}:Q", colour=COLOURS[4])
              for low, high in bands.values()),
            curve.mark_line(color=COLOURS[0]).encode(y=y(f"{quantity}:Q")),
            altair.Chart(dots).mark_point(color=COLOURS[2], size=26)
            .encode(x=x, y=y(f"{quantity}:Q"), tooltip=tips(dots, quantity)),
        ]  # fmt: skip
        first, last = (own.sort_values("on").iloc[k] for k in (0, -1))
        told.append(
            f"{piece} from {first[quantity]:.0f} to {last[quantity]:.0f} {'%' if moist else 'g'} "
            f"in {(last['on'] - first['on']).days} days"
        )
    ends_of = predicted.groupby("piece", sort=False)[quantity].agg(["first", "last"])
    number = ends_of["last"] if moist else 100 * (1 - ends_of["last"] / ends_of["first"])
    number = _range(number)
    did = f"dried to {number} % moisture" if moist else f"lost {number} % of their weight"
    named = f"{' and '.join(reversed(bands))} band{'s' if len(bands) > 1 else ''}" if bands else ""
    sub = f"{QUANTITIES[quantity]} against time. Points: weighings; line: fitted curve"
    if len(left_out):
        sub = f"Not drawn, never weighed: {listed(left_out)}. {sub}"
    chart = panels(layers, columns=columns_of(len(layers)), height=150, size=size, axis_px=48)
    if not moist:
        chart = chart.resolve_scale(y="independent")
    return themed(
        chart, says=f"{words.tally(len(layers), 'bowl')} {did}", size=size,
        alt=f"{f'With the 95 % {named}: ' if named else ''}{'; '.join(told)}.",
        sub=f"{sub}, with the 95 % {named}." if named else f"{sub}.",
    )  # fmt: skip


def _range(values: pd.Series) -> str:
    low, high = f"{values.min():.0f}", f"{values.max():.0f}"
    return low if low == high else f"{low} to {high}"


def residuals(frame: pd.DataFrame, *, size: Size = "page") -> Any:
    """Weighed minus fitted mass against time: a good law leaves no pattern about zero.

    Parameters
    ----------
    frame : DataFrame
        `piece`, `days` (since turning), `residual_g` [g]; of `fits.residuals`.
    size : as for `themed`

    Returns
    -------
    LayerChart: points about a rule at zero [g].

    Examples
    --------
    >>> left = pd.DataFrame({"piece": "A1", "days": [0, 30, 60], "residual_g": [-1.0, 1.0, -1.0]})
    >>> residuals(left).description
    '95 % of weighings lie within 1.0 g of the curves. Residuals of 3 weighings of 1 piece.'
    """
    need(frame, "residual_g", why="there are no residuals to draw. The column is `residual_g`.")
    most = float(frame["residual_g"].abs().max()) * 1.05 or 1.0
    y = upward("residual_g:Q", "Weighed minus fitted [g]", (-most, most))
    dots = altair.Chart(frame).mark_point(size=16, opacity=0.5)
    zero = altair.Chart(pd.DataFrame({"residual_g": [0.0]})).mark_rule(color=FAINT_INK)
    spread = frame["residual_g"].abs().quantile(0.95)
    return themed(
        zero.encode(y=y)
        + dots.encode(x=across("days:Q", DAYS), y=y, tooltip=tips(frame, "residual_g")),
        says=f"95 % of weighings lie within {spread:.1f} g of the curves",
        sub="Weighed minus fitted mass [g], a point a weighing, against time.",
        alt=f"Residuals of {len(frame)} weighings of {words.tally(frame['piece'].nunique())}.",
        size=size,
    )  # fmt: skip


def ready_curves(curves: pd.DataFrame, *, size: Size = "page") -> Any:
    """Moisture of a few pieces: weighings, the curve so far and to come with its band, the target.

    Parameters
    ----------
    curves : DataFrame
        From `forecast_curves`.
    size : as for `themed`

    Returns
    -------
    ConcatChart: a panel a piece: moisture [% of oven-dry mass] against the date.

    Examples
    --------
    >>> curves = pd.DataFrame({
    ...     "piece": "A1", "on": pd.to_datetime(["2026-03-01", "2026-05-01", "2026-07-01"]),
    ...     "part": ["weighed", "so far", "to come"], "moisture_pct": [60.0, 25.0, 14.0],
    ...     "lower_pct": [None, 24.0, 11.0], "upper_pct": [None, 26.0, 17.0],
    ...     "target_moisture_pct": 14.0})
    >>> ready_curves(curves).description
    '1 of 1 bowls reaches 14 % by 1 July 2026. A1 ends at 14 % (11 to 17) on 1 July 2026.'
    """
    need(curves, why="no bowl is waiting, so there is no curve to draw.")
    top = float(curves["moisture_pct"].max())
    upper = curves["upper_pct"].max()
    if pd.notna(upper):  # room for the band, but not so much that curves lie flat
        top = max(top, min(float(upper), 1.5 * top))
    x = across("on:T", tickCount=4)
    y = partial(upward, title=MOISTURE, ends=(0, top))
    layers = {}
    for name, own in curves.groupby("piece", sort=False):
        part = {kind: altair.Chart(own[own["part"] == kind]).encode(x=x, y=y("moisture_pct:Q"))
                for kind in ("so far", "to come", "weighed")}  # fmt: skip
        curve = altair.Chart(own[own["part"] != "weighed"]).encode(x=x)
        layers[f"Bowl {name}"] = [
            band(curve, y, "lower_pct:Q", "upper_pct:Q", shade=BAND_OPACITY),
            part["so far"].mark_line(color=COLOURS[0]),
            part["to come"].mark_line(color=COLOURS[0], strokeDash=[6, 3]),
            part["weighed"].mark_point(color=COLOURS[2], size=22),
            *level(own["target_moisture_pct"].iloc[0], y, "moisture_pct"),
        ]
    last = curves[curves["part"] == "to come"].groupby("piece", sort=False).tail(1)
    last = last.assign(by=last["on"].map(words.day))
    form = "{piece} ends at {moisture_pct:.0f} % ({lower_pct:.0f} to {upper_pct:.0f}) on {by}"
    told = each(last, form)
    there = int((last["moisture_pct"] <= last["target_moisture_pct"]).sum())
    goal = words.target(curves["target_moisture_pct"].median())
    says = (
        f"{there} of {len(layers)} bowls reach{'es' if there == 1 else ''} {goal} by "
        f"{words.day(curves['on'].max())}"
    )
    sub = (
        f"{MOISTURE}. Dots: weighings; line: so far; dashed: to come, with its band; level: dry "
        "enough."
    )
    chart = panels(layers, columns=3, height=210, size=size, axis_px=46)
    return themed(chart, alt=f"{'; '.join(told)}.", says=says, sub=sub, size=size)
