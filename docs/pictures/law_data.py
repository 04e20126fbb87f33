"""The numbers in the pictures of the laws: invented examples, computed by the laws themselves.

One function a law, `NAME_data`: frames by name, each with the parameters of every row, so that a
test can come to the same numbers by another way.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

import woodlab as wl
from woodlab.drying.kernel import FINEST, NO_CAP, cell_depths
from woodlab.drying.laws import law_named
from woodlab.drying.laws.law import kernel_run
from woodlab.drying.modes import Air, DailyAir, biot_number
from woodlab.drying.weather import invented_air

AIR_PCT = 12.0
WALL_MM = 25.0
DIFFUSIVITY_M2_S = 4e-11  # constant, as diffusion and film have it; an estimate of our own
Frames = dict[str, pd.DataFrame]


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


def losses(curves: pd.DataFrame) -> pd.DataFrame:
    """Points of moisture lost a day, between neighbouring days of each case."""
    by_case = curves.groupby("case", sort=False)
    step = by_case["days"].diff()
    return curves.assign(
        loss_pct_a_day=-by_case["moisture_pct"].diff() / step,
        days=curves["days"] - step / 2,
        moisture_pct=curves["moisture_pct"] - by_case["moisture_pct"].diff() / 2,
    ).dropna(subset="loss_pct_a_day")


def profiles(
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


def exponential_data() -> Frames:
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
    return {"curves": curves, "made": made, "in_air": in_air, "air": air}


def two_term_data() -> Frames:
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
    return {"curves": curves, "parts": parts}


def stretched_data() -> Frames:
    shapes = {"0.6: fast start, long tail": 0.6, "1: the exponential": 1.0, "1.8: slow start": 1.8}
    same = {"start_moisture_pct": 60.0, "tau_days": 30.0}
    cases = {words: {**same, "shape": shape} for words, shape in shapes.items()}
    curves = courses("stretched", cases, np.arange(0, 121.0))
    made = curves[curves["days"] == curves["tau_days"]]
    return {"curves": curves, "made": made, "losses": losses(curves)}


def diffusion_data() -> Frames:
    sheet = {"start_moisture_pct": 28.0, "diffusivity_m2_s": DIFFUSIVITY_M2_S}
    cases = {
        name: {**sheet, "diffusivity_m2_s": times * DIFFUSIVITY_M2_S, "wall_mm": wall_mm}
        for name, times, wall_mm in
        (("40 mm", 1, 40.0), ("40 mm, twice the D", 2, 40.0), ("20 mm", 1, 20.0))
    }  # fmt: skip
    curves = courses("diffusion", cases, np.linspace(0, np.sqrt(81), 181) ** 2)
    named = {f"day {day}": float(day) for day in (1, 5, 20, 60)}
    open_faces = {**sheet, "surface_m_s": np.inf, "rise_per_pct": 0.0}
    across = profiles(open_faces, named, 40.0)
    return {"curves": curves, "half": reached(curves, 20.0), "profiles": across}


def film_data() -> Frames:
    sheet = {"start_moisture_pct": 28.0, "diffusivity_m2_s": DIFFUSIVITY_M2_S}
    cases = {}
    for words, surface in {"bare": 8e-8, "thin seal": 8e-9, "thick seal": 1.6e-9}.items():
        biot = float(biot_number(surface, DIFFUSIVITY_M2_S, WALL_MM / 2000))
        cases[f"{words}: Biot {biot:.3g}"] = {**sheet, "surface_m_s": surface}
    curves = courses("film", cases, np.arange(0, 241.0) * 0.75)
    half = reached(curves, 20.0)
    across = [
        profiles({**cases[row.case], "rise_per_pct": 0.0}, {row.case: row.days}, WALL_MM)
        for row in half.itertuples()
    ]
    return {"curves": curves, "half": half, "profiles": pd.concat(across, ignore_index=True)}


def two_period_data() -> Frames:
    start = {"start_moisture_pct": 70.0}
    cases = {
        f"tau {tau:.0f} d, critical {at:.0f} %": {**start, "tau_days": tau, "critical_pct": at}
        for tau, at in ((40.0, 30.0), (40.0, 45.0), (80.0, 30.0))
    }
    days = np.arange(0, 480.1, 0.25)
    # The exponential that sets out at the pace of the first case, (critical - air)/tau.
    tau = 40.0 * (70.0 - AIR_PCT) / (30.0 - AIR_PCT)
    alike = {f"exponential, tau {tau:.0f} d": {**start, "tau_days": tau}}
    curves = pd.concat(
        [courses("two_period", cases, days), courses("exponential", alike, days)],
        ignore_index=True,
    )
    return {"curves": curves, "losses": losses(curves), "at_14": reached(curves, 14.0)}


def slab_data() -> Frames:
    cases = {
        f"{wall}{half}": {"start_moisture_pct": 70.0, "diffusivity_m2_s": d, "surface_m_s": surface}
        for wall, surface in (("bare", 3.5e-8), ("sealed", 3.6e-9))
        for half, d in (("", 2e-11), (", half the D", 1e-11))
    }
    curves = courses("slab", cases, np.arange(0, 181.0))
    frames = {"curves": curves}
    for case in ("bare", "sealed"):
        mine = curves[curves["case"] == case]
        named = {
            f"{mean} %": float(reached(mine, mean)["days"].iloc[0]) for mean in (60, 40, 25, 16)
        }
        frames[case] = profiles(cases[case], named, WALL_MM, cap=True)
    both = pd.concat([frames["bare"], frames["sealed"]])
    moments = both.drop_duplicates(["days", "case"])[["case", "days", "mean_pct"]]
    frames["moments"] = moments.rename(columns={"mean_pct": "moisture_pct"})
    return frames
