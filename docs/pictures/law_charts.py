"""The pictures of the laws: frames of `law_data` in, a chart out, nothing computed on the way.

One function a law, `NAME_chart`. The alt text takes its numbers from the frames.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

import altair as alt
import pandas as pd

from woodlab.charts.theme import FAINT_INK, INK, heading, panel_px, series_encoding, themed

Frames = Mapping[str, pd.DataFrame]


class Axis(NamedTuple):
    """A field, its title and the ends of its scale."""

    field: str
    title: str | None
    ends: tuple[float, float]
    scale: str = "linear"
    ticks: int | list[int] = 6


def days(last: float, ticks: int = 6) -> Axis:
    return Axis("days", "Days since turning [d]", (0, last), ticks=ticks)


def moisture(low: float, high: float, what: str | None = "Mean moisture") -> Axis:
    return Axis("moisture_pct", what and f"{what} [% of oven-dry mass]", (low, high))


def across(wall_mm: float) -> Axis:
    return Axis("across_mm", "From face to face [mm]", (0, wall_mm), ticks=5)


def loss(most: float) -> Axis:
    return Axis("loss_pct_a_day", "Loss [% points a day]", (0, most))


AIR = {12.0: "the air, 12 %"}
HALF = {**AIR, 20.0: "half of the way"}


def panel(
    frame: pd.DataFrame, axes: tuple[Axis, Axis], titles: tuple[str, str], n: int = 4, *,
    level: Mapping[float, str] = AIR, upright: Mapping[float, str] | None = None,
    dots: pd.DataFrame | None = None, under: alt.Chart | None = None, three: bool = False,
) -> alt.LayerChart:  # fmt: skip
    """Lines of a frame, by case; dotted lines with their words, the air's below its own.

    titles : of the panel and of its legend, which has `n` columns. Words stand at the right, or in
    the middle of one of three profiles.
    """
    width = panel_px("page", 3 if three else 2, axis_px=52)
    x, y = (
        kind(f"{a.field}:Q", title=a.title,
             scale=alt.Scale(type=a.scale, domain=list(a.ends), nice=False),
             axis=alt.Axis(values=a.ticks) if isinstance(a.ticks, list)
             else alt.Axis(tickCount=a.ticks))
        for kind, a in zip((alt.X, alt.Y), axes, strict=True)
    )  # fmt: skip
    layers = [] if under is None else [under.encode(x=x, y=y)]
    middle = three and axes[0].field == "across_mm"

    def dotted(at: float, said: str, which: int, place: dict[str, Any], **text: Any) -> None:
        # the panel's own field and scale: a second field would stretch the axis
        base = alt.Chart(pd.DataFrame({axes[which].field: [at], "says": [said]}))
        base = base.encode(y=y) if which else base.encode(x=x)
        layers.append(base.mark_rule(strokeDash=[2, 2], color=INK))
        layers.append(base.mark_text(**text).encode(text="says:N", **place))

    for at, said in level.items():
        dotted(at, said, 1, {"x": alt.value(width / 2 if middle else width)},
               align="center" if middle else "right", dy=10 if at in AIR else -7)  # fmt: skip
    for at, said in (upright or {}).items():
        dotted(at, said, 0, {"y": alt.value(8)}, align="left", dx=5)
    cases = list(dict.fromkeys(frame["case"]))
    look = series_encoding("case", titles[1], mark="line", domain=cases, size="page")
    look["color"]["legend"].columns = n
    layers.append(alt.Chart(frame).mark_line(clip=True).encode(x=x, y=y, **look))
    if dots is not None:
        layers.append(alt.Chart(dots).mark_point(color=INK, size=45).encode(x=x, y=y))
    return alt.layer(*layers).properties(width=width, height=220, title=heading(titles[0]))


def side_by_side(*panels: alt.LayerChart, legend: str = "shared") -> alt.HConcatChart:
    return alt.hconcat(*panels).resolve_scale(color=legend, strokeDash=legend)


def finished(chart: alt.HConcatChart, said: str) -> alt.HConcatChart:
    """Legends below the panels, their lines long enough to show the dashes."""
    chart = chart.configure_legend(
        orient="bottom", symbolSize=700, rowPadding=0, titlePadding=0, columnPadding=16
    )
    return themed(chart, alt=said, size="page")


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
    in_air, y, legend = data["in_air"], moisture(8, 30), "Time constant tau"
    way = float(data["made"]["moisture_pct"].iloc[0])
    steady = panel(
        data["curves"], (days(180, 4), y), ("In air that does not change", legend),
        level={**AIR, way: "63 % of the way"}, dots=data["made"],
    )  # fmt: skip
    weather = alt.Chart(data["air"]).mark_line(color=FAINT_INK, strokeWidth=0.7)
    driven = panel(in_air, (days(365, 4), y), ("In the air of a shed (thin line)", legend),
                   level={}, under=weather)  # fmt: skip
    later = in_air[in_air["days"] >= 180].groupby("case", sort=False)["moisture_pct"]
    swings = (later.max() - later.min()).rename("swing").reset_index()
    return finished(
        side_by_side(steady, driven),
        f"Three curves fall from 28 % to air of 12 %. Each crosses {way:.1f} %, 63 % of the way, "
        "on the day of its time constant: 10, 30 and 90. In the restless air of a shed the "
        "shortest follows the weather, the longest only the season: over the second half of the "
        f"year they swing by {listed(swings, 'swing', '{:.1f}')} points.",
    )


def two_term_chart(data: Frames) -> alt.HConcatChart:
    curves = data["curves"]
    shares = panel(curves, (days(150), moisture(0, 65)),
                   ("The mean of the wall", "Share of the fast part"), 3)  # fmt: skip
    above = Axis("above_air_pct", "Above the air [% points], log scale", (1, 70), "log",
                 [1, 2, 5, 10, 20, 50])  # fmt: skip
    apart = panel(data["parts"], (days(150), above), ("Its two parts", "At a share of 50 %"), 2,
                  level={})  # fmt: skip
    on = curves[curves["days"] == 20]
    return finished(
        side_by_side(shares, apart, legend="independent"),
        "Mean moisture from 60 % in air of 12 %, of a fast part of 6 days and a slow one of 60. "
        f"After 20 days it is {listed(on, 'moisture_pct', '{:.0f} %')}: in brackets the share "
        "of the fast part. On a logarithmic scale each part is a straight line, and their sum "
        "bends from the steep one onto the flat one within the first month.",
    )


def stretched_chart(data: Frames) -> alt.HConcatChart:
    curves, losses, made = data["curves"], data["losses"], data["made"]
    way, tau = float(made["moisture_pct"].iloc[0]), float(curves["tau_days"].iloc[0])
    mean = panel(curves, (days(120), moisture(0, 65)), ("The mean of the wall", "Shape"),
                 upright={tau: "tau"}, dots=made.head(1))  # fmt: skip
    pace = panel(losses, (days(120), loss(6.5)), ("What it loses each day", "Shape"), level={},
                 upright={tau: "tau"})  # fmt: skip
    first = losses.groupby("case", sort=False).head(1)
    return finished(
        side_by_side(mean, pace),
        f"Three curves from 60 % in air of 12 % meet at {way:.0f} % on day {tau:.0f}, tau, "
        "whatever their shape. On the first day they lose "
        f"{and_last(f'{row.loss_pct_a_day:.1f}' for row in first.itertuples())} points, by shapes "
        f"of {and_last(f'{row.shape:g}' for row in first.itertuples())}; at the last of these the "
        "loss grows for weeks before it falls.",
    )


def diffusion_chart(data: Frames) -> alt.HConcatChart:
    profiles, half = data["profiles"], data["half"]
    inside = panel(profiles, (across(40), moisture(10, 30, "Moisture")),
                   ("Across a wall of 40 mm", "Profile"), 2)  # fmt: skip
    root = Axis("days", "Days since turning [d], square-root scale", (0, 81), "sqrt",
                [0, 4, 16, 36, 64])  # fmt: skip
    mean = panel(data["curves"], (root, moisture(10, 30)),
                 ("The mean of three walls", "Wall and diffusivity"), 2,
                 level=HALF, dots=half)  # fmt: skip
    middle = profiles.groupby("case", sort=False)["moisture_pct"].max().reset_index()
    return finished(
        side_by_side(inside, mean, legend="independent"),
        "Moisture across a wall of 40 mm, from 28 % in air of 12 %: the faces are at 12 % from the "
        f"first day, the middle is at {listed(middle, 'moisture_pct', '{:.0f} %')}. Over the "
        "square root of time the mean falls on a straight line until half of the way, reached "
        f"after {listed(half, 'days', '{:.1f} days')}.",
    )


def film_chart(data: Frames) -> alt.HConcatChart:
    profiles, half, legend = data["profiles"], data["half"], "Face and Biot number"
    mean = panel(data["curves"], (days(180, 4), moisture(10, 30)),
                 ("The mean of the wall", legend), level=HALF, dots=half)  # fmt: skip
    inside = panel(profiles, (across(25), moisture(10, 30, "Moisture")),
                   ("Across the wall, half of the way", legend))  # fmt: skip
    ends = [
        f"{middle_and_face(part)} ({case})" for case, part in profiles.groupby("case", sort=False)
    ]
    return finished(
        side_by_side(mean, inside),
        "Three walls of 25 mm fall from 28 % to air of 12 %. They are half of the way after "
        f"{listed(half, 'days', '{:.0f} days')}; their profiles at that moment have "
        f"{and_last(ends)}.",
    )


def two_period_chart(data: Frames) -> alt.HConcatChart:
    legend = "Law and parameters"
    mean = panel(data["curves"], (days(480), moisture(0, 75)), ("The mean of the wall", legend), 2,
                 level={**AIR, 30.0: "critical, 30 %"})  # fmt: skip
    drying = moisture(70, 10)._replace(ticks=[70, 60, 50, 40, 30, 20, 10])
    pace = panel(data["losses"], (drying, loss(0.9)), ("What it loses, as it dries", legend), 2,
                 level={}, upright={30.0: "30 %"})  # fmt: skip
    return finished(
        side_by_side(mean, pace),
        "Pieces from 70 % in air of 12 % lose the same every day down to the critical moisture, "
        "then less in proportion to what is left. They reach 14 % after "
        f"{listed(data['at_14'], 'days', '{:.0f} days')}. The exponential sets out at the pace of "
        "the first and slows from the first day.",
    )


def slab_chart(data: Frames) -> alt.HConcatChart:
    curves, walls = data["curves"], {case: data[case] for case in ("bare", "sealed")}
    mean = panel(curves, (days(180, 4), moisture(0, 75)), ("The mean", "Wall"), 1,
                 dots=data["moments"], three=True)  # fmt: skip
    inside = [
        panel(profile, (across(25), moisture(0, 75, "Moisture" if case == "bare" else None)),
              (f"Across the {case} wall", "When the mean is"),
              level={**AIR, 30.0: "saturation, 30 %"}, three=True)
        for case, profile in walls.items()
    ]  # fmt: skip
    on = curves[curves["days"] == 60]
    ends = [
        f"{middle_and_face(profile[profile['case'] == '40 %'])} ({case})"
        for case, profile in walls.items()
    ]
    return finished(
        side_by_side(mean, side_by_side(*inside), legend="independent"),
        "Walls of 25 mm from 70 % in air of 12 %: the bare ones fall steeply and slow down, the "
        f"sealed ones begin on a straight line. On day 60 they are at "
        f"{listed(on, 'moisture_pct', '{:.0f} %')}. When the mean is 40 %, the profiles have "
        f"{and_last(ends)}.",
    )
