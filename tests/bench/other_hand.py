"""Seasons of known truth by a second simulator, written by somebody who had seen neither the first
one (`season_truths`) nor the fits: implicit finite volumes, a weather and a maker of its own.

Its odd worlds hold what the laws do not know: rates that follow the temperature of the shed, a foot
thicker than the rim, wood that comes to rest wetter than the air's curve says, a hygrometer that
reads too high.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numba import njit
from season_truths import Season

import woodlab as wl

# green moisture [%] and diffusivity [mm2/day] at low moisture, of the simulator's own choice
WOODS = {
    "sugar maple": (66, 2.2), "black cherry": (60, 2.6), "white ash": (46, 2.3),
    "black walnut": (85, 2.4), "yellow birch": (73, 2.3), "northern red oak": (76, 1.7),
    "American beech": (62, 2.0), "yellow-poplar": (95, 3.6),
}  # fmt: skip
SEALS = {"end grain wax": 0.30, "wax all over": 0.10, "paint": 0.16, "two coats": 0.22}
SATURATION_PCT, CELLS, STEPS_A_DAY = 29.0, 24, 4
UNEVEN = ((0.45, 0.85), (0.35, 1.0), (0.20, 1.45))  # share of the bowl, its wall over the mean wall


@dataclass(frozen=True)
class OtherHand:
    """A world. `warmth_kj_mol` is the activation energy of diffusivity and surface coefficient."""

    name: str
    rising: bool = True
    warmth_kj_mol: float = 0.0
    uneven: bool = False
    wetter_pct: float = 0.0
    reads_high_pct: float = 0.0
    scale_g: float = 1.0
    offcuts: bool = True


OTHERS = (
    OtherHand("other hand, film", rising=False),
    OtherHand("other hand, slab"),
    OtherHand("other hand, rates follow the warmth", warmth_kj_mol=35.0),
    OtherHand("other hand, uneven walls", uneven=True),
    OtherHand("other hand, wood 1.5 points wetter than the curve", wetter_pct=1.5),
    OtherHand("other hand, hygrometer 4 % high", reads_high_pct=4.0),
    OtherHand("other hand, no offcuts, 5 g scale", offcuts=False, scale_g=5.0),
)


@njit
def _run(m, half, base, rise, film, capped, air, pace):
    """Mean moisture at the end of each day; `m` (cells), centre first, is changed in place."""
    n = m.size
    dx, dt = half / n, 1.0 / STEPS_A_DAY
    low, mid, up, right, d = np.empty(n), np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    out = np.empty(air.size)
    for day in range(air.size):
        s = film * pace[day]
        for _ in range(STEPS_A_DAY):
            for i in range(n):
                d[i] = pace[day] * base * np.exp(rise * (min(m[i], SATURATION_PCT) - 12.0))
            through = 1.0 / (1.0 / s + dx / (2 * d[n - 1]))
            surface = m[n - 1] - through * (m[n - 1] - air[day]) * dx / (2 * d[n - 1])
            for i in range(n):
                low[i], up[i], right[i] = 0.0, 0.0, m[i]
                if i > 0:
                    low[i] = -dt / dx**2 * 2 * d[i] * d[i - 1] / (d[i] + d[i - 1])
                if i < n - 1:
                    up[i] = -dt / dx**2 * 2 * d[i] * d[i + 1] / (d[i] + d[i + 1])
                mid[i] = 1.0 - low[i] - up[i]
            if capped and surface > SATURATION_PCT:
                right[n - 1] -= dt / dx * s * (SATURATION_PCT - air[day])
            else:
                mid[n - 1] += dt / dx * through
                right[n - 1] += dt / dx * through * air[day]
            for i in range(1, n):
                share = low[i] / mid[i - 1]
                mid[i] -= share * up[i - 1]
                right[i] -= share * right[i - 1]
            m[n - 1] = right[n - 1] / mid[n - 1]
            for i in range(n - 2, -1, -1):
                m[i] = (right[i] - up[i] * m[i + 1]) / mid[i]
        out[day] = m.mean()
    return out


def _weather(rng: np.random.Generator, first: pd.Timestamp, days: int) -> pd.DataFrame:
    """Yearly waves, daily scatter with memory in both, a slow departure of the humidity."""
    day = (first + pd.to_timedelta(np.arange(days), unit="D")).day_of_year.to_numpy()
    sd = np.array([rng.uniform(2, 3.2), rng.uniform(5, 8), rng.uniform(1, 3)])
    memory = np.array([rng.uniform(0.7, 0.85), rng.uniform(0.6, 0.8), 0.95])
    state, gone = rng.normal(0, sd), np.empty((days, 3))
    for i in range(days):
        chance = rng.normal(size=3)
        chance[1] = -0.3 * chance[0] + np.sqrt(1 - 0.09) * chance[1]
        state = memory * state + sd * np.sqrt(1 - memory**2) * chance
        gone[i] = state
    warm = rng.uniform(8, 13) + rng.uniform(6, 10) * np.cos(2 * np.pi * (day - 200) / 365.25)
    damp = rng.uniform(67, 78) - rng.uniform(3, 9) * np.cos(
        2 * np.pi * (day - 180 - rng.uniform(-20, 20)) / 365.25
    )
    humid = np.clip(damp + gone[:, 1] + gone[:, 2], 20, 97)
    return pd.DataFrame({"temp_c": warm + gone[:, 0], "rh_pct": humid})


def _weighings(rng, piece, moisture, asked_on, scale_g):  # type: ignore[no-untyped-def]
    """Weekly for five weeks, then every two or three, up to a month past the day of asking."""
    day, rows = 0, []
    while piece["turned"] + day <= asked_on + 30:
        mass = piece["dry"] * (1 + moisture[day] / 100) + rng.normal(0, 2.0 if scale_g > 1 else 1.0)
        rows.append((piece["piece"], piece["turned"] + day, round(mass / scale_g) * scale_g))
        day += int(rng.integers(6, 9)) if day < 35 else int(rng.integers(14, 22))
    return rows


def _on(first, days):  # type: ignore[no-untyped-def]
    return first + pd.to_timedelta(days, unit="D")


def draw_other(world: OtherHand, seed: int, pieces: int = 30) -> Season:
    """A season of `world`: its book, the day of asking, the true courses."""
    rng = np.random.default_rng(seed)
    first = pd.Timestamp("2024-02-01") + pd.Timedelta(days=int(rng.integers(0, 45)))
    span = int(rng.integers(30, 90))
    woods = list(rng.choice(list(WOODS), size=int(rng.integers(3, 5)), replace=False))
    logs = []
    for j in range(int(rng.integers(6, 10))):
        wood = woods[j % len(woods)]
        logs.append({"log": f"L{j + 1}", "species": wood, "turned": int(rng.integers(0, span)),
                     "green": WOODS[wood][0] * np.exp(rng.normal(0, 0.10)),
                     "pace": np.exp(rng.normal(0, 0.12))})  # fmt: skip
    logs[0]["turned"], logs[1]["turned"] = 0, span
    bare = rng.uniform(0.7, 1.3)  # mm a day
    film = {"none": bare}
    for seal in rng.choice(list(SEALS), size=int(rng.integers(1, 4)), replace=False):
        film[str(seal)] = (
            bare * SEALS[str(seal)] * (2.1 if world.rising else 1.4) * np.exp(rng.normal(0, 0.2))
        )
    rise = rng.uniform(0.05, 0.10) if world.rising else 0.0
    level = {wood: WOODS[wood][1] * np.exp(rng.normal(0, 0.12)) for wood in woods}
    made = []
    for p in range(pieces):
        log = logs[p] if p < len(logs) else logs[int(rng.integers(len(logs)))]
        seal = list(film)[p % len(film)]
        made.append({
            "piece": f"P{p + 1:02d}", "species": log["species"], "log": log["log"], "seal": seal,
            "wall": rng.uniform(18, 40),
            "dry": float(np.clip(np.exp(rng.normal(np.log(800), 0.35)), 400, 1500)),
            "green": log["green"] * np.exp(rng.normal(0, 0.05)),
            "base": 1.15 * level[log["species"]] * log["pace"] * np.exp(rng.normal(0, 0.08))
            * (1.0 if world.rising else 2.1),
            "film": film[seal] * np.exp(rng.normal(0, 0.08 if seal == "none" else 0.15)),
            "turned": min(span, log["turned"] + int(rng.integers(0, 4))),
        })  # fmt: skip
    asked = max(one["turned"] for one in made) + 45
    days = 365 + asked + 460
    weather = _weather(rng, first - pd.Timedelta(days=365), days)
    air = np.asarray(wl.equilibrium_moisture(weather["temp_c"], weather["rh_pct"]), dtype=float)
    air = air + world.wetter_pct
    kelvin = weather["temp_c"].to_numpy() + 273.15
    pace = np.exp(world.warmth_kj_mol / 8.314e-3 * (1 / 283.15 - 1 / kelvin))
    parts = UNEVEN if world.uneven else ((1.0, 1.0),)
    courses, rows = {}, []
    for one in made:
        start = 365 + one["turned"]
        total = sum(share * wall for share, wall in parts)
        after = np.zeros(days - start)
        for share, wall in parts:
            after += share * wall / total * _run(
                np.full(CELLS, one["green"]), one["wall"] * wall / 2, one["base"], rise,
                one["film"], world.rising, air[start:], pace[start:],
            )  # fmt: skip
        moisture = np.concatenate([[one["green"]], after])  # at the start of each day
        on = first + pd.to_timedelta(one["turned"] + np.arange(moisture.size), unit="D")
        courses[one["piece"]] = pd.Series(moisture, on)
        rows += _weighings(rng, one, moisture, asked, world.scale_g)
    table = pd.DataFrame(made)
    weighed = pd.DataFrame(rows, columns=["piece", "on", "mass_g"])
    logged = pd.DataFrame({
        "on": _on(first, np.arange(days) - 365), "temp_c": weather["temp_c"].round(1),
        "rh_pct": np.clip(weather["rh_pct"] + world.reads_high_pct, 0, 99).round(),
    })  # fmt: skip
    tables = {
        "pieces": table[["piece", "species", "log", "seal"]].assign(
            turned_on=_on(first, table["turned"]),
            wall_mm=(table["wall"] + rng.normal(0, 0.5, pieces)).round(),
        ),
        "weighings": weighed.assign(on=_on(first, weighed["on"]), scale_g=world.scale_g),
        "air": logged,
    }
    cuts = [
        (log["log"], round(wet, 1), round(wet / (1 + log["green"] * rng.normal(1, 0.035) / 100), 1))
        for log in logs if rng.random() < 0.8 for wet in rng.uniform(80, 200, 2)
        if (table["log"] == log["log"]).any()
    ]  # fmt: skip
    if world.offcuts:
        tables["offcuts"] = pd.DataFrame(cuts, columns=["log", "wet_g", "oven_dry_g"])
    book = wl.RecordBook.from_frames(**tables)
    course = pd.DataFrame(courses)
    return Season(
        book, first + pd.Timedelta(days=asked), course, float(air[:365].mean()), None, None
    )
