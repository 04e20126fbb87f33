"""The pictures of the laws: frames of `law_data` in, a chart out, nothing computed on the way.

One function a law, `NAME_chart`. The alt text takes its numbers from the frames.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import altair as alt
import pandas as pd

from woodlab.charts.theme import FAINT_INK, INK, heading, panel_px, series_encoding, themed

Frames = Mapping[str, pd.DataFrame]
Look = Mapping[str, alt.SchemaBase]

MEAN = "Mean moisture [% of oven-dry mass]"
INSIDE = "Moisture [% of oven-dry mass]"
LOSS = "Loss [% points a day]"
AIR = (12.0, "the air, 12 %")
HALF = {20.0: "half of the way"}


def panel(
    frame: pd.DataFrame,
    x: alt.X,
    y: alt.Y,
    look: Look,
    title: str,
    *,
    air: bool = True,
    levels: Mapping[float, str] | None = None,
    upright: tuple[float, str] | None = None,
    dots: pd.DataFrame | None = None,
    under: alt.Chart | None = None,
    columns: int = 2,
    words: str = "right",
) -> alt.LayerChart:
    """Lines of a frame; dotted: the air, its word below it, and levels, their words above.

    The words stand at the `right` or, where a curve runs there, in the `center`.
    """
    width = panel_px("page", columns, axis_px=52)
    layers = [] if under is None else [under.encode(x=x, y=y)]
    at_px = width if words == "right" else width / 2
    for at, said in {**({AIR[0]: AIR[1]} if air else {}), **(levels or {})}.items():
        layers += _level(at, said, y, align=words, at_px=at_px, dy=10 if said == AIR[1] else -7)
    if upright is not None:
        layers += _upright(*upright, x)
    layers.append(alt.Chart(frame).mark_line(clip=True).encode(x=x, y=y, **look))
    if dots is not None:
        layers.append(alt.Chart(dots).mark_point(color=INK, size=45).encode(x=x, y=y))
    return alt.layer(*layers).properties(width=width, height=220, title=heading(title))


def _level(
    at: float, words: str, y: alt.Y, *, align: str, at_px: float, dy: int
) -> list[alt.Chart]:
    # the panel's own field and scale: a second field would stretch the axis
    base = alt.Chart(pd.DataFrame({_field(y): [at], "says": [words]})).encode(y=y)
    text = base.mark_text(align=align, dy=dy)
    return [
        base.mark_rule(strokeDash=[2, 2], color=INK),
        text.encode(x=alt.value(at_px), text="says:N"),
    ]


def _upright(at: float, words: str, x: alt.X) -> list[alt.Chart]:
    base = alt.Chart(pd.DataFrame({_field(x): [at], "says": [words]})).encode(x=x)
    text = base.mark_text(align="left", dx=5)
    return [
        base.mark_rule(strokeDash=[2, 2], color=INK),
        text.encode(y=alt.value(8), text="says:N"),
    ]


def _field(channel: alt.X | alt.Y) -> str:
    return str(channel.to_dict()["field"])


def look_of(frame: pd.DataFrame, title: str, columns: int = 4) -> Look:
    cases = list(dict.fromkeys(frame["case"]))
    look = series_encoding("case", title, mark="line", domain=cases, size="page")
    look["color"]["legend"].columns = columns
    return look


def one_legend(*panels: alt.LayerChart) -> alt.HConcatChart:
    return alt.hconcat(*panels).resolve_scale(color="shared", strokeDash="shared")


def each_its_legend(*panels: alt.LayerChart | alt.HConcatChart) -> alt.HConcatChart:
    return alt.hconcat(*panels).resolve_scale(color="independent", strokeDash="independent")


def finished(chart: alt.HConcatChart, said: str) -> alt.HConcatChart:
    """Legends below the panels, their lines long enough to show the dashes."""
    chart = chart.configure_legend(
        orient="bottom", symbolSize=700, rowPadding=0, titlePadding=0, columnPadding=16
    )
    return themed(chart, alt=said, size="page")


def moisture(title: str | None, lower: float, upper: float) -> alt.Y:
    scale = alt.Scale(domain=[lower, upper], nice=False)
    return alt.Y("moisture_pct:Q", title=title, scale=scale)


def loss(upper: float) -> alt.Y:
    scale = alt.Scale(domain=[0, upper], nice=False)
    return alt.Y("loss_pct_a_day:Q", title=LOSS, scale=scale)


def until(last: float, ticks: int = 6) -> alt.X:
    scale = alt.Scale(domain=[0, last], nice=False)
    axis = alt.Axis(tickCount=ticks)
    return alt.X("days:Q", title="Days since turning [d]", scale=scale, axis=axis)


def across(wall_mm: float) -> alt.X:
    scale = alt.Scale(domain=[0, wall_mm], nice=False)
    axis = alt.Axis(tickCount=5)
    return alt.X("across_mm:Q", title="From face to face [mm]", scale=scale, axis=axis)


def listed(frame: pd.DataFrame, field: str, form: str) -> str:
    """What each case comes to, for an alt text."""
    pairs = zip(frame["case"], frame[field], strict=True)
    return and_last(f"{form.format(value)} ({case})" for case, value in pairs)


def and_last(parts: Iterable[str]) -> str:
    *first, last = parts
    return f"{', '.join(first)} and {last}" if first else last


def middle_and_face(profile: pd.DataFrame) -> str:
    inside = profile["moisture_pct"]
    return f"{inside.max():.0f} % in the middle and {inside.min():.0f} % at the faces"


def exponential_chart(data: Frames) -> alt.HConcatChart:
    curves, in_air, made = data["curves"], data["in_air"], data["made"]
    look, y = look_of(curves, "Time constant tau"), moisture(MEAN, 8, 30)
    way = float(made["moisture_pct"].iloc[0])
    steady = panel(
        curves, until(180, 4), y, look, "In air that does not change",
        levels={way: "63 % of the way"}, dots=made,
    )  # fmt: skip
    weather = alt.Chart(data["air"]).mark_line(color=FAINT_INK, strokeWidth=0.7)
    driven = panel(
        in_air, until(365, 4), y, look, "In the air of a shed (thin line)", air=False, under=weather
    )
    later = in_air[in_air["days"] >= 180].groupby("case", sort=False)["moisture_pct"]
    swings = (later.max() - later.min()).rename("swing").reset_index()
    said = (
        f"Three curves fall from 28 % to air of 12 %. Each crosses {way:.1f} %, 63 % of the way, "
        "on the day of its time constant: 10, 30 and 90. In the restless air of a shed the "
        "shortest follows the weather, the longest only the season: over the second half of the "
        f"year they swing by {listed(swings, 'swing', '{:.1f}')} points."
    )
    return finished(one_legend(steady, driven), said)


def two_term_chart(data: Frames) -> alt.HConcatChart:
    curves, parts = data["curves"], data["parts"]
    shares = panel(
        curves, until(150), moisture(MEAN, 0, 65), look_of(curves, "Share of the fast part", 3),
        "The mean of the wall",
    )  # fmt: skip
    y = alt.Y(
        "above_air_pct:Q", title="Above the air [% points], log scale",
        scale=alt.Scale(type="log", domain=[1, 70], nice=False),
        axis=alt.Axis(values=[1, 2, 5, 10, 20, 50]),
    )  # fmt: skip
    apart = panel(
        parts, until(150), y, look_of(parts, "At a share of 50 %", 2), "Its two parts", air=False
    )
    on = curves[curves["days"] == 20]
    said = (
        "Mean moisture from 60 % in air of 12 %, of a fast part of 6 days and a slow one of 60. "
        f"After 20 days it is {listed(on, 'moisture_pct', '{:.0f} %')}: in brackets the share "
        "of the fast part. On a logarithmic scale each part is a straight line, and their sum "
        "bends from the steep one onto the flat one within the first month."
    )
    return finished(each_its_legend(shares, apart), said)


def stretched_chart(data: Frames) -> alt.HConcatChart:
    curves, losses, made = data["curves"], data["losses"], data["made"]
    look = look_of(curves, "Shape")
    way, tau = float(made["moisture_pct"].iloc[0]), float(curves["tau_days"].iloc[0])
    mean = panel(
        curves, until(120), moisture(MEAN, 0, 65), look, "The mean of the wall",
        upright=(tau, "tau"), dots=made.head(1),
    )  # fmt: skip
    pace = panel(
        losses, until(120), loss(6.5), look, "What it loses each day",
        air=False, upright=(tau, "tau"),
    )  # fmt: skip
    first = losses.groupby("case", sort=False).head(1)
    said = (
        f"Three curves from 60 % in air of 12 % meet at {way:.0f} % on day {tau:.0f}, tau, "
        "whatever their shape. On the first day they lose "
        f"{and_last(f'{row.loss_pct_a_day:.1f}' for row in first.itertuples())} points, by shapes "
        f"of {and_last(f'{row.shape:g}' for row in first.itertuples())}; at the last of these the "
        "loss grows for weeks before it falls."
    )
    return finished(one_legend(mean, pace), said)


def diffusion_chart(data: Frames) -> alt.HConcatChart:
    profiles, curves, half = data["profiles"], data["curves"], data["half"]
    inside = panel(
        profiles, across(40), moisture(INSIDE, 10, 30), look_of(profiles, "Profile", 2),
        "Across a wall of 40 mm",
    )  # fmt: skip
    x = alt.X(
        "days:Q", title="Days since turning [d], square-root scale",
        scale=alt.Scale(type="sqrt", domain=[0, 81], nice=False),
        axis=alt.Axis(values=[0, 4, 16, 36, 64]),
    )  # fmt: skip
    mean = panel(
        curves, x, moisture(MEAN, 10, 30), look_of(curves, "Wall and diffusivity", 2),
        "The mean of three walls", levels=HALF, dots=half,
    )  # fmt: skip
    middle = profiles.groupby("case", sort=False)["moisture_pct"].max().reset_index()
    said = (
        "Moisture across a wall of 40 mm, from 28 % in air of 12 %: the faces are at 12 % from the "
        f"first day, the middle is at {listed(middle, 'moisture_pct', '{:.0f} %')}. Over the "
        "square root of time the mean falls on a straight line until half of the way, reached "
        f"after {listed(half, 'days', '{:.1f} days')}."
    )
    return finished(each_its_legend(inside, mean), said)


def film_chart(data: Frames) -> alt.HConcatChart:
    profiles, curves, half = data["profiles"], data["curves"], data["half"]
    look = look_of(curves, "Face and Biot number")
    mean = panel(
        curves, until(180, 4), moisture(MEAN, 10, 30), look, "The mean of the wall",
        levels=HALF, dots=half,
    )  # fmt: skip
    inside = panel(
        profiles, across(25), moisture(INSIDE, 10, 30), look, "Across the wall, half of the way"
    )
    ends = [
        f"{middle_and_face(part)} ({case})" for case, part in profiles.groupby("case", sort=False)
    ]
    said = (
        "Three walls of 25 mm fall from 28 % to air of 12 %. They are half of the way after "
        f"{listed(half, 'days', '{:.0f} days')}; their profiles at that moment have "
        f"{and_last(ends)}."
    )
    return finished(one_legend(mean, inside), said)


def two_period_chart(data: Frames) -> alt.HConcatChart:
    curves = data["curves"]
    look = look_of(curves, "Law and parameters", 2)
    mean = panel(
        curves, until(480), moisture(MEAN, 0, 75), look, "The mean of the wall",
        levels={30.0: "critical, 30 %"},
    )  # fmt: skip
    x = alt.X(
        "moisture_pct:Q", title=MEAN, scale=alt.Scale(domain=[70, 10], nice=False),
        axis=alt.Axis(values=[70, 60, 50, 40, 30, 20, 10]),
    )  # fmt: skip
    pace = panel(
        data["losses"], x, loss(0.9), look, "What it loses, as it dries",
        air=False, upright=(30.0, "30 %"),
    )  # fmt: skip
    said = (
        "Pieces from 70 % in air of 12 % lose the same every day down to the critical moisture, "
        "then less in proportion to what is left. They reach 14 % after "
        f"{listed(data['at_14'], 'days', '{:.0f} days')}. The exponential sets out at the pace of "
        "the first and slows from the first day."
    )
    return finished(one_legend(mean, pace), said)


def slab_chart(data: Frames) -> alt.HConcatChart:
    curves, walls = data["curves"], {case: data[case] for case in ("bare", "sealed")}
    mean = panel(
        curves, until(180, 4), moisture(MEAN, 0, 75), look_of(curves, "Wall", 1), "The mean",
        dots=data["moments"], columns=3,
    )  # fmt: skip
    inside = [
        panel(
            profile, across(25), moisture(title, 0, 75), look_of(profile, "When the mean is"),
            f"Across the {case} wall", levels={30.0: "saturation, 30 %"}, columns=3,
            words="center",
        )
        for (case, profile), title in zip(walls.items(), (INSIDE, None), strict=True)
    ]  # fmt: skip
    on = curves[curves["days"] == 60]
    ends = [
        f"{middle_and_face(profile[profile['case'] == '40 %'])} ({case})"
        for case, profile in walls.items()
    ]
    said = (
        "Walls of 25 mm from 70 % in air of 12 %: the bare ones fall steeply and slow down, the "
        f"sealed ones begin on a straight line. On day 60 they are at "
        f"{listed(on, 'moisture_pct', '{:.0f} %')}. When the mean is 40 %, the profiles have "
        f"{and_last(ends)}."
    )
    return finished(each_its_legend(mean, one_legend(*inside)), said)
