"""The pictures of the laws: invented examples, computed by the laws themselves, and their charts.

One function a law: its frames by name, each with the parameters of every row, so that a test can
come to the same numbers by another way, and the chart, whose alt text takes its numbers from them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

import altair as alt
import numpy as np
import pandas as pd

import woodlab as wl
from woodlab.charts.theme import FAINT_INK, INK, heading, panel_px, series_encoding, themed
from woodlab.drying.kernel import FINEST, NO_CAP, cell_depths
from woodlab.drying.laws import law_named
from woodlab.drying.laws.law import kernel_run
from woodlab.drying.modes import Air, DailyAir, biot_number
from woodlab.drying.weather import invented_air

AIR_PCT = 12.0
WALL_MM = 25.0
DIFFUSIVITY_M2_S = 4e-11  # constant, as diffusion and film have it; an estimate of our own
Picture = tuple[dict[str, pd.DataFrame], alt.HConcatChart]


def courses(
    law: str, cases: Mapping[str, Mapping[str, float]], days: Iterable[float], air: Air = AIR_PCT
) -> pd.DataFrame:
    """Mean moisture by day of each case, which names its parameters (and `wall_mm`)."""
    frames = []
    for case, given in cases.items():
        params = {"wall_mm": WALL_MM, **given}
        own = {name: value for name, value in params.items() if name != "wall_mm"}
        moisture = law_named(law).moisture(days, own, params["wall_mm"], air)[0]
        frame = pd.DataFrame({"case": case, "days": days, "moisture_pct": moisture, "law": law})
        frames.append(frame.assign(**params))
    return pd.concat(frames, ignore_index=True)


def reached(curves: pd.DataFrame, moisture_pct: float) -> pd.DataFrame:
    """The day on which each case comes down to a moisture; NaN when it never does."""
    days = {
        case: np.interp(-moisture_pct, -part["moisture_pct"], part["days"], np.nan, np.nan)
        for case, part in curves.groupby("case", sort=False)
    }
    return pd.DataFrame({"case": [*days], "days": days.values(), "moisture_pct": moisture_pct})


def loss_by_day(curves: pd.DataFrame) -> pd.DataFrame:
    """Points of moisture lost a day, between neighbouring days of each case."""
    by_case = curves.groupby("case", sort=False)
    step = by_case["days"].diff()
    return curves.assign(
        loss_pct_a_day=-by_case["moisture_pct"].diff() / step,
        days=curves["days"] - step / 2,
        moisture_pct=curves["moisture_pct"] - by_case["moisture_pct"].diff() / 2,
    ).dropna(subset="loss_pct_a_day")


def profile_of(
    params: Mapping[str, float], named: Mapping[str, float], wall_mm: float, *, cap: bool = False
) -> pd.DataFrame:
    """Moisture from face to face on the days named.

    With the rise 0 and no cap the slab is the sheet of `film` and, its surface coefficient
    infinite, of `diffusion`, neither of which has profiles of its own.
    """
    named = dict(sorted(named.items(), key=lambda pair: pair[1]))
    known = {p.name for p in law_named("slab").parameters} | {"start_moisture_pct"}
    values = {name: value for name, value in params.items() if name in known}
    values["surface_m_s"] = np.minimum(values["surface_m_s"], 1e-4)  # no resistance to speak of
    if not cap:
        values["flux_cap_pct"] = NO_CAP
    run = kernel_run(law_named("slab"), [*named.values()], values, wall_mm, AIR_PCT, cells=True)
    depth = cell_depths(wall_mm / 2000, int(FINEST[0]))
    frame = pd.DataFrame({
        "case": [*named], "days": named.values(), "mean_pct": run.mean[0],
        "across_mm": [np.concatenate([depth[::-1], wall_mm - depth])] * len(named),
        "moisture_pct": [np.concatenate([inside[::-1], inside]) for inside in run.cells[0]],
    })  # fmt: skip
    frame = frame.explode(["across_mm", "moisture_pct"], ignore_index=True)
    return frame.astype({"across_mm": float, "moisture_pct": float})


class Axis(NamedTuple):
    """A field, its title and the ends of its scale."""

    field: str
    title: str | None
    ends: tuple[float, float]
    scale: str = "linear"
    ticks: int | list[int] = 6


def until(last: float, ticks: int = 6) -> Axis:
    return Axis("days", "Days since turning [d]", (0, last), ticks=ticks)


def moisture(low: float, high: float, what: str | None = "Mean moisture") -> Axis:
    return Axis("moisture_pct", what and f"{what} [% of oven-dry mass]", (low, high))


def from_face(wall_mm: float) -> Axis:
    return Axis("across_mm", "From face to face [mm]", (0, wall_mm), ticks=5)


def loss(most: float) -> Axis:
    return Axis("loss_pct_a_day", "Loss [% points a day]", (0, most))


AIR = {AIR_PCT: "the air, 12 %"}
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


def exponential() -> Picture:
    cases = {
        f"{tau} days": {"start_moisture_pct": 28.0, "tau_days": float(tau)} for tau in (10, 30, 90)
    }
    curves = courses("exponential", cases, np.arange(0, 181.0))
    made = curves[curves["days"] == curves["tau_days"]]
    log = invented_air("2026-01-01", 366, seed=4)
    level = wl.equilibrium_moisture(log["temp_c"], log["rh_pct"])
    air = pd.DataFrame({"days": np.arange(366.0), "moisture_pct": np.asarray(level, dtype=float)})
    daily = DailyAir(air["moisture_pct"].to_numpy())
    in_air = courses("exponential", cases, air["days"].to_numpy(), daily)
    y, legend = moisture(8, 30), "Time constant tau"
    way = float(made["moisture_pct"].iloc[0])
    steady = panel(
        curves, (until(180, 4), y), ("In air that does not change", legend),
        level={**AIR, way: "63 % of the way"}, dots=made,
    )  # fmt: skip
    weather = alt.Chart(air).mark_line(color=FAINT_INK, strokeWidth=0.7)
    driven = panel(in_air, (until(365, 4), y), ("In the air of a shed (thin line)", legend),
                   level={}, under=weather)  # fmt: skip
    later = in_air[in_air["days"] >= 180].groupby("case", sort=False)["moisture_pct"]
    swings = (later.max() - later.min()).rename("swing").reset_index()
    chart = finished(
        side_by_side(steady, driven),
        f"Three curves fall from 28 % to air of 12 %. Each crosses {way:.1f} %, 63 % of the way, "
        "on the day of its time constant: 10, 30 and 90. In the restless air of a shed the "
        "shortest follows the weather, the longest only the season: over the second half of the "
        f"year they swing by {listed(swings, 'swing', '{:.1f}')} points.",
    )
    return {"curves": curves, "made": made, "in_air": in_air, "air": air}, chart


def two_term() -> Picture:
    pace = {"start_moisture_pct": 60.0, "tau_fast_days": 6.0, "tau_slow_days": 60.0}
    days = np.arange(0, 151.0)
    shares = {f"{100 * share:.0f} %": share for share in (0.2, 0.5, 0.8)}
    curves = courses(
        "two_term", {name: {**pace, "fast_share": s} for name, s in shares.items()}, days
    )
    half = {"the sum": (1.0, 0.5), "fast, 6 days": (0.5, 1.0), "slow, 60 days": (0.5, 0.0)}
    parts = courses(
        "two_term", {name: {**pace, "fast_share": s} for name, (_, s) in half.items()}, days
    )
    weight = parts["case"].map({name: weight for name, (weight, _) in half.items()})
    parts["above_air_pct"] = weight * (parts["moisture_pct"] - AIR_PCT)
    shares = panel(curves, (until(150), moisture(0, 65)),
                   ("The mean of the wall", "Share of the fast part"), 3)  # fmt: skip
    above = Axis("above_air_pct", "Above the air [% points], log scale", (1, 70), "log",
                 [1, 2, 5, 10, 20, 50])  # fmt: skip
    apart = panel(parts, (until(150), above), ("Its two parts", "At a share of 50 %"), 2,
                  level={})  # fmt: skip
    on = curves[curves["days"] == 20]
    chart = finished(
        side_by_side(shares, apart, legend="independent"),
        "Mean moisture from 60 % in air of 12 %, of a fast part of 6 days and a slow one of 60. "
        f"After 20 days it is {listed(on, 'moisture_pct', '{:.0f} %')}: in brackets the share "
        "of the fast part. On a logarithmic scale each part is a straight line, and their sum "
        "bends from the steep one onto the flat one within the first month.",
    )
    return {"curves": curves, "parts": parts}, chart


def stretched() -> Picture:
    shapes = {"0.6: fast start, long tail": 0.6, "1: the exponential": 1.0, "1.8: slow start": 1.8}
    same = {"start_moisture_pct": 60.0, "tau_days": 30.0}
    cases = {words: {**same, "shape": shape} for words, shape in shapes.items()}
    curves = courses("stretched", cases, np.arange(0, 121.0))
    made = curves[curves["days"] == curves["tau_days"]]
    losses = loss_by_day(curves)
    way, tau = float(made["moisture_pct"].iloc[0]), float(curves["tau_days"].iloc[0])
    mean = panel(curves, (until(120), moisture(0, 65)), ("The mean of the wall", "Shape"),
                 upright={tau: "tau"}, dots=made.head(1))  # fmt: skip
    pace = panel(losses, (until(120), loss(6.5)), ("What it loses each day", "Shape"), level={},
                 upright={tau: "tau"})  # fmt: skip
    first = losses.groupby("case", sort=False).head(1)
    chart = finished(
        side_by_side(mean, pace),
        f"Three curves from 60 % in air of 12 % meet at {way:.0f} % on day {tau:.0f}, tau, "
        "whatever their shape. On the first day they lose "
        f"{and_last(f'{row.loss_pct_a_day:.1f}' for row in first.itertuples())} points, by shapes "
        f"of {and_last(f'{row.shape:g}' for row in first.itertuples())}; at the last of these the "
        "loss grows for weeks before it falls.",
    )
    return {"curves": curves, "made": made, "losses": losses}, chart


def diffusion() -> Picture:
    sheet = {"start_moisture_pct": 28.0, "diffusivity_m2_s": DIFFUSIVITY_M2_S}
    cases = {
        name: {**sheet, "diffusivity_m2_s": times * DIFFUSIVITY_M2_S, "wall_mm": wall_mm}
        for name, times, wall_mm in
        (("40 mm", 1, 40.0), ("40 mm, twice the D", 2, 40.0), ("20 mm", 1, 20.0))
    }  # fmt: skip
    curves = courses("diffusion", cases, np.linspace(0, np.sqrt(81), 181) ** 2)
    named = {f"day {day}": float(day) for day in (1, 5, 20, 60)}
    open_faces = {**sheet, "surface_m_s": np.inf, "rise_per_pct": 0.0}
    profiles = profile_of(open_faces, named, 40.0)
    half = reached(curves, 20.0)
    inside = panel(profiles, (from_face(40), moisture(10, 30, "Moisture")),
                   ("Across a wall of 40 mm", "Profile"), 2)  # fmt: skip
    root = Axis("days", "Days since turning [d], square-root scale", (0, 81), "sqrt",
                [0, 4, 16, 36, 64])  # fmt: skip
    mean = panel(curves, (root, moisture(10, 30)),
                 ("The mean of three walls", "Wall and diffusivity"), 2,
                 level=HALF, dots=half)  # fmt: skip
    middle = profiles.groupby("case", sort=False)["moisture_pct"].max().reset_index()
    chart = finished(
        side_by_side(inside, mean, legend="independent"),
        "Moisture across a wall of 40 mm, from 28 % in air of 12 %: the faces are at 12 % from the "
        f"first day, the middle is at {listed(middle, 'moisture_pct', '{:.0f} %')}. Over the "
        "square root of time the mean falls on a straight line until half of the way, reached "
        f"after {listed(half, 'days', '{:.1f} days')}.",
    )
    return {"curves": curves, "half": half, "profiles": profiles}, chart


def film() -> Picture:
    sheet = {"start_moisture_pct": 28.0, "diffusivity_m2_s": DIFFUSIVITY_M2_S}
    cases = {}
    for words, surface in {"bare": 8e-8, "thin seal": 8e-9, "thick seal": 1.6e-9}.items():
        biot = float(biot_number(surface, DIFFUSIVITY_M2_S, WALL_MM / 2000))
        cases[f"{words}: Biot {biot:.3g}"] = {**sheet, "surface_m_s": surface}
    curves = courses("film", cases, np.arange(0, 241.0) * 0.75)
    half = reached(curves, 20.0)
    across = [
        profile_of({**cases[row.case], "rise_per_pct": 0.0}, {row.case: row.days}, WALL_MM)
        for row in half.itertuples()
    ]
    profiles, legend = pd.concat(across, ignore_index=True), "Face and Biot number"
    mean = panel(curves, (until(180, 4), moisture(10, 30)),
                 ("The mean of the wall", legend), level=HALF, dots=half)  # fmt: skip
    inside = panel(profiles, (from_face(25), moisture(10, 30, "Moisture")),
                   ("Across the wall, half of the way", legend))  # fmt: skip
    ends = [
        f"{middle_and_face(part)} ({case})" for case, part in profiles.groupby("case", sort=False)
    ]
    chart = finished(
        side_by_side(mean, inside),
        "Three walls of 25 mm fall from 28 % to air of 12 %. They are half of the way after "
        f"{listed(half, 'days', '{:.0f} days')}; their profiles at that moment have "
        f"{and_last(ends)}.",
    )
    return {"curves": curves, "half": half, "profiles": profiles}, chart


def two_period() -> Picture:
    start = {"start_moisture_pct": 70.0}
    cases = {
        f"tau {tau:.0f} d, critical {at:.0f} %": {**start, "tau_days": tau, "critical_pct": at}
        for tau, at in ((40.0, 30.0), (40.0, 45.0), (80.0, 30.0))
    }
    days = np.arange(0, 480.1, 0.25)
    # The exponential that sets out at the pace of the first case, (critical - air)/tau.
    tau = 40.0 * (70.0 - AIR_PCT) / (30.0 - AIR_PCT)
    alike = {f"exponential, tau {tau:.0f} d": {**start, "tau_days": tau}}
    curves = pd.concat([courses("two_period", cases, days), courses("exponential", alike, days)])
    losses, at_14 = loss_by_day(curves), reached(curves, 14.0)
    legend = "Law and parameters"
    mean = panel(curves, (until(480), moisture(0, 75)), ("The mean of the wall", legend), 2,
                 level={**AIR, 30.0: "critical, 30 %"})  # fmt: skip
    drying = moisture(70, 10)._replace(ticks=[70, 60, 50, 40, 30, 20, 10])
    pace = panel(losses, (drying, loss(0.9)), ("What it loses, as it dries", legend), 2,
                 level={}, upright={30.0: "30 %"})  # fmt: skip
    chart = finished(
        side_by_side(mean, pace),
        "Pieces from 70 % in air of 12 % lose the same every day down to the critical moisture, "
        "then less in proportion to what is left. They reach 14 % after "
        f"{listed(at_14, 'days', '{:.0f} days')}. The exponential sets out at the pace of "
        "the first and slows from the first day.",
    )
    return {"curves": curves, "losses": losses, "at_14": at_14}, chart


def slab() -> Picture:
    cases = {
        f"{wall}{half}": {"start_moisture_pct": 70.0, "diffusivity_m2_s": d, "surface_m_s": surface}
        for wall, surface in (("bare", 3.5e-8), ("sealed", 3.6e-9))
        for half, d in (("", 2e-11), (", half the D", 1e-11))
    }
    curves = courses("slab", cases, np.arange(0, 181.0))
    walls = {}
    for case in ("bare", "sealed"):
        mine = curves[curves["case"] == case]
        named = {
            f"{mean} %": float(reached(mine, mean)["days"].iloc[0]) for mean in (60, 40, 25, 16)
        }
        walls[case] = profile_of(cases[case], named, WALL_MM, cap=True)
    both = pd.concat(walls.values())
    moments = both.drop_duplicates(["days", "case"])[["case", "days", "mean_pct"]]
    moments = moments.rename(columns={"mean_pct": "moisture_pct"})
    mean = panel(curves, (until(180, 4), moisture(0, 75)), ("The mean", "Wall"), 1,
                 dots=moments, three=True)  # fmt: skip
    inside = [
        panel(profile, (from_face(25), moisture(0, 75, "Moisture" if case == "bare" else None)),
              (f"Across the {case} wall", "When the mean is"),
              level={**AIR, 30.0: "saturation, 30 %"}, three=True)
        for case, profile in walls.items()
    ]  # fmt: skip
    on = curves[curves["days"] == 60]
    ends = [
        f"{middle_and_face(profile[profile['case'] == '40 %'])} ({case})"
        for case, profile in walls.items()
    ]
    chart = finished(
        side_by_side(mean, side_by_side(*inside), legend="independent"),
        "Walls of 25 mm from 70 % in air of 12 %: the bare ones fall steeply and slow down, the "
        f"sealed ones begin on a straight line. On day 60 they are at "
        f"{listed(on, 'moisture_pct', '{:.0f} %')}. When the mean is 40 %, the profiles have "
        f"{and_last(ends)}.",
    )
    return {"curves": curves, **walls, "moments": moments}, chart
