"""Seasons of known truth for the calibration of forecasts, by a solver that shares no code with
the package: plain finite volumes, many cells, explicit steps.

The nuisances differ from truth to truth, so that nothing is tuned to one: how diffusivity grows
with moisture, where it stops, what drives the surface flux and where it is capped, how strong the
seals are, how much logs and pieces vary, the climate, and how far back the air log reaches.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numba import njit

import woodlab as wl

SPECIES = {"sugar maple": 68.0, "black cherry": 58.0, "white ash": 45.0, "black walnut": 85.0}
CELLS = 16


@dataclass(frozen=True)
class Truth:
    """`form` of the growth with moisture: `constant`, `exponential`, `linear` or `power`."""

    name: str
    form: str = "exponential"
    rise: float = 0.12
    stops_pct: float = 30.0
    cap_pct: float = 30.0
    level: float = 2e-11
    film: float = 1.0
    log_sd: float = 0.15
    piece_sd: float = 0.12
    air_back_days: int = 365
    air_bias_pct: float = 0.0
    spells: float = 1.0  # how large damp spells and one year's departure from another are


FILM = Truth("film", "constant", cap_pct=np.inf, level=6e-11)
SLAB = Truth("slab")
TRUTHS = (
    FILM,
    SLAB,
    Truth("slab, steep", rise=0.17, level=1.2e-11),
    Truth("slab, gentle, cap at 27 %", rise=0.06, cap_pct=27.0, stops_pct=27.0, level=3e-11),
    Truth("slab, no cap", cap_pct=np.inf),
    Truth("film, capped", "constant", level=6e-11),
    Truth("linear growth, capped", "linear", level=2.5e-11),
    Truth("power growth, stops at 35 %", "power", rise=1.5, stops_pct=35.0, level=2.5e-11),
    Truth("slab, air log from the first turning", air_back_days=0),
    Truth("film, air log from the first turning", "constant", cap_pct=np.inf, level=6e-11,
          air_back_days=0),
    Truth("slab, air half a point off", air_bias_pct=0.5),
    Truth("film, every year alike", "constant", cap_pct=np.inf, level=6e-11, spells=0.0),
    Truth("slab, every year alike", spells=0.0),
)  # fmt: skip


FORMS = ("constant", "exponential", "linear", "power")


@njit
def _growth(m, form, rise, stops):
    held = min(m, stops)
    if form == 0:
        return 1.0
    if form == 1:
        return math.exp(rise * (held - 15.0))
    if form == 2:
        return 0.15 + 0.85 * max(held, 1.0) / 15.0
    return (max(held, 2.0) / 15.0) ** rise


@njit
def _run(start, scale, film, air, begin, form, rise, stops, cap):
    """Mean moisture at the end of each day, (n, days); NaN before a piece's day."""
    n, days = start.size, air.size
    width = 1.0 / CELLS
    out = np.full((n, days), np.nan)
    g = np.empty(CELLS)
    for p in range(n):
        m = np.full(CELLS, start[p])
        for day in range(begin[p], days):
            top = 0.0
            for j in range(CELLS):
                top = max(top, scale[p] * _growth(m[j], form, rise, stops))
            parts = int(math.ceil(top / (0.2 * width * width))) + 1
            h = 1.0 / parts
            for _ in range(parts):
                for j in range(CELLS):
                    g[j] = scale[p] * _growth(m[j], form, rise, stops)
                inside = 2.0 * g[CELLS - 1] / width
                # film and half a cell in a row; the cap is on the surface's own moisture
                surface = (inside * m[CELLS - 1] + film[p] * air[day]) / (inside + film[p])
                flux = film[p] * (min(surface, cap) - air[day])
                before = 0.0
                for j in range(CELLS - 1):
                    out_of = 0.5 * (g[j] + g[j + 1]) * (m[j] - m[j + 1]) / width
                    m[j] += h * (before - out_of) / width
                    before = out_of
                m[CELLS - 1] += h * (before - flux) / width
            out[p, day] = m.mean()
    return out


@dataclass(frozen=True)
class Weather:
    """A climate and the chances that made its days; `again` draws another future to one past."""

    first: pd.Timestamp
    warmest: float
    temp: tuple[float, float]
    humid: tuple[float, float]
    memory: float
    spells: float
    years: np.ndarray
    chance: np.ndarray  # (3, days): fast, slow, temperature

    @classmethod
    def drawn(
        cls, rng: np.random.Generator, days: int, first: pd.Timestamp, spells: float
    ) -> Weather:
        return cls(
            first, rng.uniform(190, 220), (rng.uniform(9, 14), rng.uniform(6, 10)),
            (rng.uniform(62, 72), rng.uniform(4, 10)), np.exp(-1 / rng.uniform(20, 60)), spells,
            rng.normal(0, 1.5, 5), rng.normal(size=(3, days)),
        )  # fmt: skip

    def again(self, rng: np.random.Generator, known_days: int) -> Weather:
        """Another future after `known_days`: nobody who knows the climate could know more."""
        chance = self.chance.copy()
        chance[:, known_days:] = rng.normal(size=chance[:, known_days:].shape)
        years = rng.normal(0, 1.5, self.years.size)
        this = (self.first + pd.Timedelta(days=known_days)).year - self.first.year
        years[: this + 1] = self.years[: this + 1]
        return replace(self, chance=chance, years=years)

    def table(self) -> pd.DataFrame:
        on = pd.date_range(self.first, periods=self.chance.shape[1], freq="D")
        year = np.cos(2 * np.pi * (on.day_of_year.to_numpy() - self.warmest) / 365.25)
        temp = self.temp[0] + self.temp[1] * year
        humid = self.humid[0] - self.humid[1] * year
        humid = humid + self.spells * self.years[on.year - on.year[0]]
        fast, slow = 0.0, 0.0
        for i in range(on.size):
            fast = 0.7 * fast + 4.0 * self.chance[0, i]
            slow = self.memory * slow + 2.5 * self.chance[1, i] * np.sqrt(1 - self.memory**2)
            humid[i] += fast + self.spells * slow
            temp[i] += 0.4 * fast * self.chance[2, i]
        return pd.DataFrame(
            {"on": on, "temp_c": temp.round(1), "rh_pct": np.clip(humid, 25, 95).round()}
        )


@dataclass(frozen=True)
class Season:
    """A book, the day to ask (45 days after the last turning), true moisture by day and piece, the
    yearly mean of the air, `run`, which gives the course under another weather (None where there
    is none), and over how many other futures the floor is taken."""

    book: wl.RecordBook
    as_of: pd.Timestamp
    course: pd.DataFrame
    level_pct: float
    weather: Weather | None
    run: Callable[[Weather], np.ndarray] | None
    futures: int = 40

    def floor(self, target_pct: float, seed: int) -> dict[str, float]:
        """Median day of passage (days after asking) of each piece over futures drawn from the true
        climate, its state today and the piece's true parameters: the weather alone unknown."""
        rng = np.random.default_rng(seed)
        known = (self.as_of - self.weather.first).days + 1
        now = self.course.index.get_loc(self.as_of)
        days = []
        for _ in range(self.futures):
            below = self.run(self.weather.again(rng, known))[:, now:] <= target_pct
            days.append(np.where(below.any(axis=1), below.argmax(axis=1), np.inf))
        return dict(zip(self.course.columns, np.median(days, axis=0), strict=True))


def draw(truth: Truth, seed: int, pieces: int = 30, after: int = 420) -> Season:
    """A season of `pieces` under `truth`."""
    rng = np.random.default_rng(seed)
    first = pd.Timestamp("2025-01-05") + pd.Timedelta(days=int(rng.integers(0, 60)))
    spread = int(rng.integers(25, 95))
    weather = Weather.drawn(rng, 366 + spread + 45 + after, first - pd.Timedelta(days=366),
                            truth.spells)  # fmt: skip
    air = weather.table()
    names = list(SPECIES)
    logs = [f"L{i}" for i in range(max(pieces // 4, 2))]
    of_log = rng.integers(0, len(logs), pieces)
    species = np.array(names)[np.arange(len(logs)) % len(names)][of_log]
    felled = rng.integers(0, spread, len(logs))
    begin = np.minimum(felled[of_log] + rng.integers(0, 4, pieces), spread)
    seals = {
        "none": 3.2e-8, "end grain waxed": 1.3e-8, "two coats of paint": 6e-9, "all waxed": 3.5e-9,
    }  # fmt: skip
    seals = {
        name: value * truth.film * np.exp(rng.normal(0, 0.25)) for name, value in seals.items()
    }
    seal = rng.choice(list(seals), pieces)
    wall = rng.uniform(18, 40, pieces).round()
    level = {name: truth.level * np.exp(rng.normal(0, 0.25)) for name in names}
    log_d = rng.normal(0, truth.log_sd, len(logs))
    d = np.array([level[s] for s in species]) * np.exp(
        log_d[of_log] + rng.normal(0, truth.piece_sd, pieces)
    )
    s = np.array([seals[x] for x in seal]) * np.exp(rng.normal(0, truth.piece_sd, pieces))
    log_green = rng.normal(0, 0.12, len(logs))
    green = np.array([SPECIES[x] for x in species]) * np.exp(
        log_green[of_log] + rng.normal(0, 0.04, pieces)
    )
    half = wall / 2000

    def run(one: Weather) -> np.ndarray:
        table = one.table()
        level = np.asarray(wl.equilibrium_moisture(table["temp_c"], table["rh_pct"]), dtype=float)
        return _run(
            green, d * 86400 / half**2, s * 86400 / half, level[366:] + truth.air_bias_pct,
            begin, FORMS.index(truth.form), truth.rise, truth.stops_pct, truth.cap_pct,
        )  # fmt: skip

    moisture = run(weather)
    dry = 25.0 * wall * np.exp(rng.normal(0, 0.3, pieces))
    step = rng.choice([1.0, 2.0])
    rows = []
    for p in range(pieces):
        for day in [*range(0, 84, 7), *range(84, moisture.shape[1], 21)]:
            at = int(begin[p] + day + (rng.integers(-1, 2) if day else 0))
            if at >= moisture.shape[1]:
                break
            now = green[p] if day == 0 else moisture[p, at - 1]
            mass = dry[p] * (1 + now / 100) + rng.normal(0, 0.6)
            rows.append((f"P{p}", first + pd.Timedelta(days=at), round(mass / step) * step, step))
    cuts = []
    for i, log in enumerate(logs):
        if rng.random() < 0.7:
            for _ in range(2):
                wet = 100 + SPECIES[names[i % len(names)]] * np.exp(
                    log_green[i] + rng.normal(0, 0.05)
                )
                cuts.append((log, round(wet, 1), 100.0))
    table = pd.DataFrame(
        {
            "piece": [f"P{p}" for p in range(pieces)], "species": species,
            "turned_on": first + pd.to_timedelta(begin, unit="D"), "wall_mm": wall, "seal": seal,
            "log": np.array(logs)[of_log], "seal_g": 0.0,
        }
    )  # fmt: skip
    logged = air[air["on"] >= first - pd.Timedelta(days=truth.air_back_days)]
    tables = {
        "pieces": table, "air": logged,
        "weighings": pd.DataFrame(rows, columns=["piece", "on", "mass_g", "scale_g"]),
    }  # fmt: skip
    cuts = [cut for cut in cuts if cut[0] in set(table["log"])]  # a log may have no piece
    if cuts:
        tables["offcuts"] = pd.DataFrame(cuts, columns=["log", "wet_g", "oven_dry_g"])
    book = wl.RecordBook.from_frames(**tables)
    # moisture at the end of day j stands under the next date's morning
    on = first + pd.to_timedelta(np.arange(1, moisture.shape[1] + 1), unit="D")
    course = pd.DataFrame(moisture.T, index=on, columns=table["piece"])
    level_air = np.asarray(wl.equilibrium_moisture(air["temp_c"], air["rh_pct"]), dtype=float)
    as_of = table["turned_on"].max() + pd.Timedelta(days=45)
    return Season(book, as_of, course, level_air[:731].mean(), weather, run)
