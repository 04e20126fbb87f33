"""Charts of drying curves and of what they leave."""

from __future__ import annotations

from typing import Any

import altair
import pandas as pd

from woodlab.charts.axes import QUANTITIES, date_axis, need, series_names, tooltip
from woodlab.charts.theme import BAND_OPACITY, COLOURS, FAINT_INK, Size, counted, panel_px, themed
from woodlab.errors import WoodlabError


def drying_curves(
    predicted: pd.DataFrame,
    weighed: pd.DataFrame | None = None,
    *,
    quantity: str = "mass_g",
    columns: int = 3,
    size: Size = "page",
) -> Any:
    """Fitted curves with their bands and the weighings, a panel a piece.

    The inner band is the 95 % confidence interval of the curve, the outer one the 95 %
    prediction interval of a single weighing.

    Parameters
    ----------
    predicted : DataFrame
        From `fits.predict`: `piece`, `on` (or `days`), `mass_g` [g] or `moisture_pct` [%], and
        the bands `ci_lower_*`, `ci_upper_*`, `pi_lower_*`, `pi_upper_*` as far as there are any.
    weighed : DataFrame, optional
        `piece`, `on` (or `days`) and the same quantity: drawn as points.
    quantity : {"mass_g", "moisture_pct"}
        What is drawn upward.
    columns : int
        Panels in a row; the pieces follow as they do in `predicted`.
    size : as for `themed`

    Returns
    -------
    FacetChart: bands, curve and weighings against the date or days since turning [d].

    Examples
    --------
    >>> curve = pd.DataFrame({"piece": "A1", "days": [0, 60], "moisture_pct": [60.0, 21.0],
    ...                       "ci_lower_moisture_pct": [57.0, 19.0],
    ...                       "ci_upper_moisture_pct": [63.0, 23.0]})
    >>> drying_curves(curve, quantity="moisture_pct").description
    'Fitted drying curves, with the 95 % confidence bands, ...: A1 from 60 to 21 % in 60 days.'
    """
    _check_quantity(quantity)
    when = _time_column(predicted, weighed)
    need(predicted, quantity, why=f"there is no curve of {quantity} to draw. Use fits.predict.")
    bands = {
        "prediction": (f"pi_lower_{quantity}", f"pi_upper_{quantity}"),
        "confidence": (f"ci_lower_{quantity}", f"ci_upper_{quantity}"),
    }
    bands = {name: pair for name, pair in bands.items() if set(pair) <= set(predicted)}
    frame = predicted.assign(kind="curve")
    if weighed is not None and quantity in weighed:
        points = weighed[weighed["piece"].isin(predicted["piece"])].assign(kind="weighing")
        frame = pd.concat([frame, points], ignore_index=True)
    keep = ["piece", when, quantity, "kind", *(c for pair in bands.values() for c in pair)]
    frame = frame[[column for column in keep if column in frame]]
    x = (
        altair.X("on:T", title="Date", axis=date_axis(4))
        if when == "on"
        else altair.X("days:Q", title="Days since turning [d]", axis=altair.Axis(tickCount=5))
    )
    y = altair.Y(f"{quantity}:Q", title=QUANTITIES[quantity], scale=altair.Scale(zero=False))
    base = altair.Chart(frame).encode(x=x)
    curve = base.transform_filter("datum.kind == 'curve'")
    layers = [
        curve.mark_area(color=COLOURS[4], opacity=BAND_OPACITY).encode(
            y=altair.Y(f"{low}:Q", title=QUANTITIES[quantity], scale=altair.Scale(zero=False)),
            y2=f"{high}:Q",
        )
        for low, high in bands.values()
    ]
    layers.append(curve.mark_line(color=COLOURS[0]).encode(y=y))
    layers.append(
        base.transform_filter("datum.kind == 'weighing'")
        .mark_point(color=COLOURS[2], size=26)
        .encode(y=y, tooltip=tooltip(frame, quantity))
    )
    pieces = [str(name) for name in predicted["piece"].unique()]
    columns = min(columns, len(pieces))
    chart = (
        altair.layer(*layers)
        .properties(width=panel_px(size, columns, axis_px=48), height=150)
        .facet(facet=altair.Facet("piece:N", title=None, sort=pieces), columns=columns)
        # small multiples share their axes; bowls of different weights cannot share one of grams
        .resolve_scale(x="shared", y="shared" if quantity == "moisture_pct" else "independent")
    )
    named = f", with the 95 % {' and '.join(reversed(bands))} bands" if bands else ""
    alt = (
        f"Fitted drying curves{named}, of {counted(len(pieces), 'piece')}: "
        + "; ".join(
            _curve_words(part, when, quantity) for _, part in predicted.groupby("piece", sort=False)
        )
        + "."
    )
    ends = predicted.groupby("piece", sort=False)[quantity].agg(["first", "last"])
    if quantity == "moisture_pct":
        told, ends = "dried to {} % moisture", ends["last"]
    else:
        told, ends = "lost {} % of their weight", 100 * (1 - ends["last"] / ends["first"])
    low, high = f"{ends.min():.0f}", f"{ends.max():.0f}"
    says = (
        f"{counted(len(pieces), 'bowl')} {told.format(low if low == high else f'{low} to {high}')}"
    )
    sub = f"{QUANTITIES[quantity]} against time. Points: weighings; line: fitted curve{named}."
    return themed(chart, alt=alt, says=says, sub=sub, size=size)


def residuals(frame: pd.DataFrame, *, by: str | None = None, size: Size = "page") -> Any:
    """Weighed minus fitted mass against time: a good law leaves no pattern about zero.

    Parameters
    ----------
    frame : DataFrame
        `piece`, `days` (since turning) or `on`, `residual_g` [g]; of `fits.residuals`.
    by : str, optional
        A column to make panels of, such as `law` or `seal`.
    size : as for `themed`

    Returns
    -------
    LayerChart or FacetChart: points about a rule at zero [g].

    Examples
    --------
    >>> left = pd.DataFrame({"piece": "A1", "days": [0, 30, 60, 0, 30, 60],
    ...                      "law": ["film"] * 3 + ["exponential"] * 3,
    ...                      "residual_g": [-1.0, 1.0, -1.0, -9.0, 12.0, -9.0]})
    >>> residuals(left[left["law"] == "film"]).description
    'Residuals of 3 weighings of 1 piece against time; 95 % of them lie within 1.0 g of the curves.'
    >>> residuals(left, by="law").description
    'Residuals of 6 weighings ... in panels by law: exponential, film.'
    """
    need(frame, "residual_g", why="there are no residuals to draw. The column is `residual_g`.")
    when = _time_column(frame, None)
    x = (
        altair.X("on:T", title="Date", axis=date_axis(4))
        if when == "on"
        else altair.X("days:Q", title="Days since turning [d]")
    )
    base = altair.Chart(frame)
    points = base.mark_point(size=16, opacity=0.5).encode(
        x=x,
        y=altair.Y("residual_g:Q", title="Weighed minus fitted [g]"),
        tooltip=tooltip(frame, "residual_g"),
    )
    zero = base.mark_rule(color=FAINT_INK).encode(y=altair.datum(0))
    chart = zero + points
    spread = frame["residual_g"].abs().quantile(0.95)
    alt = (
        f"Residuals of {len(frame)} weighings of {counted(frame['piece'].nunique(), 'piece')} "
        f"against time; 95 % of them lie within {spread:.1f} g of the curves"
    )
    says = f"95 % of weighings lie within {spread:.1f} g of the curves"
    sub = "Weighed minus fitted mass [g], a point a weighing, against time."
    if by is None:
        return themed(chart, alt=alt + ".", says=says, sub=sub, size=size)
    names = series_names(frame[by])
    columns = min(3, len(names))
    panels = chart.properties(width=panel_px(size, columns), height=150).facet(
        facet=altair.Facet(f"{by}:N", title=None, sort=names), columns=columns
    )
    alt += f", in panels by {by}: {', '.join(names)}."
    return themed(panels, alt=alt, says=says, sub=sub, size=size)


def _check_quantity(quantity: str) -> None:
    if quantity not in QUANTITIES:
        raise WoodlabError(f"quantity is one of {', '.join(QUANTITIES)}; found {quantity!r}.")


def _time_column(predicted: pd.DataFrame, weighed: pd.DataFrame | None) -> str:
    frames = [predicted] if weighed is None else [predicted, weighed]
    for column in ("days", "on"):
        if all(column in frame for frame in frames):
            return column
    raise WoodlabError("the frames need a column `days` or `on`, the same one in both.")


def _curve_words(part: pd.DataFrame, when: str, quantity: str) -> str:
    part = part.sort_values(when)
    first, last = part.iloc[0], part.iloc[-1]
    span = (
        f"{(last[when] - first[when]).days if when == 'on' else last[when] - first[when]:.0f} days"
    )
    unit = "g" if quantity == "mass_g" else "%"
    return f"{first['piece']} from {first[quantity]:.0f} to {last[quantity]:.0f} {unit} in {span}"
