"""Seasons with seals of known effect, by solvers that are not the kit's.

`film` (constant diffusivity) and `slab` (diffusivity that grows half as fast as in the kit's prior,
another fibre saturation) run on the finite volumes of `other_hand`; `vapour` is a law that the kit
does not have, the wall of `worlds` (flux driven by vapour pressure, free water that moves more
easily, rates that follow the warmth, hysteresis). Each can be run again: the same pieces under
another seal, and other pieces of the same shop in another year.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
import other_hand  # noqa: E402
from worlds import World, draw_season  # noqa: E402
from worlds.season import _truth  # noqa: E402

import woodlab as wl  # noqa: E402

# Its implicit steps are of first order: six hours make a bare surface 3 % too slow.
other_hand.STEPS_A_DAY = 24

KINDS = ("film", "slab", "vapour")
DAY = pd.Timedelta(days=1)
ABOVE_PCT, WEIGHED_DAYS, RUN_DAYS = 3.0, 150, 900
# green moisture [%] and diffusivity [mm2/day] of `film`, of `slab` at 12 %: our own choices
WOODS = {"sugar maple": (60, 4.0, 2.1), "black cherry": (55, 5.0, 2.6), "white ash": (46, 4.4, 1.8)}
SEALS = {"wax on end grain": (1.8, 3.0), "paint all over": (3.5, 6.0), "wax all over": (6.0, 11.0)}


@dataclass(frozen=True, eq=False)
class SealSeason:
    """Tables of the book, the target, ln true ratio of the surface coefficient by seal (and that of
    the season's own pieces, which scatter about it), and the season run again: `courses[seal]`
    (pieces, days since turning) of its own pieces."""

    kind: str
    tables: dict[str, pd.DataFrame]
    target_pct: float
    ln_surface: dict[str, float]
    ln_own: dict[str, float]
    courses: dict[str, np.ndarray]

    def ln_time(self, seal: str, reference: str = "none") -> float:
        """ln of the ratio of the geometric means of the days to the target, of all pieces."""
        days = [passage(self.courses[name], self.target_pct) for name in (seal, reference)]
        return float(np.mean(np.log(days[0]) - np.log(days[1])))


def passage(courses: np.ndarray, target: float) -> np.ndarray:
    """Days to the first moisture at or below the target, on straight lines between days."""
    below = courses <= target
    at = np.where(below.any(axis=1), below.argmax(axis=1), courses.shape[1] - 1)
    row = np.arange(len(courses))
    before = np.maximum(at - 1, 0)
    high, low = courses[row, before], courses[row, at]
    share = np.where(high > low, (high - target) / np.maximum(high - low, 1e-9), 1.0)
    return np.maximum(before + np.clip(share, 0, 1), 1.0)


def draw(kind: str, seed: int, pieces: int, year: int = 0, null: bool = False) -> SealSeason:
    """Another `year` of a seed: the same shop, woods, seals and place; other bowls and weather.

    `null`: seals of `film` and `slab` that do nothing.
    """
    if kind == "vapour":
        return _vapour(seed, pieces, year)
    return _own(kind, seed, pieces, year, null)


def _own(kind: str, seed: int, pieces: int, year: int, null: bool) -> SealSeason:
    shop, rng = np.random.default_rng([seed, 1]), np.random.default_rng([seed, 2, year])
    bare = shop.uniform(2.0, 4.0)
    films = {"none": bare} | {s: bare / shop.uniform(*span) for s, span in SEALS.items()}
    if null:
        films = dict.fromkeys(films, bare / 2)
    woods = {s: (g * np.exp(shop.normal(0, 0.08)), (a if kind == "film" else b)
                 * np.exp(shop.normal(0, 0.25))) for s, (g, a, b) in WOODS.items()}  # fmt: skip
    climate = shop.uniform([8, 6, 66, 3, 150], [13, 10, 76, 9, 210])
    first = pd.Timestamp("2024-01-15") + DAY * int(rng.integers(0, 75))
    n_logs = 8 if pieces <= 40 else 20
    days = np.sort(rng.integers(0, 46, n_logs))
    wood = rng.choice(list(woods), n_logs)
    ln_green, ln_d = rng.normal(0, 0.08, n_logs), rng.normal(0, 0.12, n_logs)
    log = np.sort(np.r_[np.arange(n_logs), rng.integers(0, n_logs, pieces - n_logs)])
    seal = np.array([rng.permutation(list(films))[i % 4] for i in range(pieces)])
    frame = pd.DataFrame({
        "piece": [f"P{i + 1}" for i in range(pieces)], "species": wood[log],
        "turned_on": first + pd.to_timedelta(days[log], unit="D"),
        "wall_mm": rng.uniform(18, 40, pieces).round(), "seal": seal,
        "log": [f"L{i + 1}" for i in log], "allotted": "random",
    })  # fmt: skip
    start = np.array([woods[s][0] for s in wood])[log] * np.exp(
        ln_green[log] + rng.normal(0, 0.04, pieces)
    )
    d = np.array([woods[s][1] for s in wood])[log] * np.exp(ln_d[log] + rng.normal(0, 0.1, pieces))
    own = np.exp(rng.normal(0, 0.10, pieces))
    dry = np.exp(rng.uniform(np.log(300), np.log(1500), pieces))
    air = _weather(rng, climate, first, RUN_DAYS + 60)
    level = np.asarray(wl.equilibrium_moisture(air["temp_c"], air["rh_pct"])) + shop.normal(0, 0.3)
    rise, still = (0.0 if kind == "film" else 0.05), np.ones(RUN_DAYS)
    courses = {
        name: np.array([
            np.r_[start[i], other_hand._run(
                np.full(24, start[i]), frame["wall_mm"][i] / 2, d[i], rise, film * own[i],
                kind == "slab", level[days[log[i]] : days[log[i]] + RUN_DAYS], still,
            )]
            for i in range(pieces)
        ])
        for name, film in films.items()
    }  # fmt: skip
    end, rows = int(days.max()) + WEIGHED_DAYS, []
    for i in range(pieces):
        age = 0
        while days[log[i]] + age <= end:
            mass = dry[i] * (1 + courses[seal[i]][i, age] / 100) + rng.normal(0, 0.8)
            rows.append((frame["piece"][i], frame["turned_on"][i] + DAY * age, round(mass), 1.0))
            age += 7 if age < 84 else 14
    cut = rng.uniform(40, 120, n_logs).round(1)
    green = np.array([woods[s][0] for s in wood]) * np.exp(ln_green + rng.normal(0, 0.05, n_logs))
    tables = {
        "pieces": frame,
        "weighings": pd.DataFrame(rows, columns=["piece", "on", "mass_g", "scale_g"]),
        "air": air.iloc[: end + 1].round({"temp_c": 1, "rh_pct": 0}),
        "offcuts": pd.DataFrame({
            "log": [f"L{i + 1}" for i in range(n_logs)],
            "wet_g": (cut * (1 + green / 100)).round(1), "oven_dry_g": cut,
        }).iloc[::2],
    }  # fmt: skip
    target = round(float(level[:365].mean()) + ABOVE_PCT, 1)
    ln = {name: float(np.log(film / films["none"])) for name, film in films.items()}
    return SealSeason(kind, tables, target, ln, _of_own(np.log(own), seal, ln), courses)


def _of_own(own: np.ndarray, seal: np.ndarray, ln: dict[str, float]) -> dict[str, float]:
    """ln ratio of the season's own pieces, of what each scatters about its seal."""
    bare = own[seal == "none"].mean() if (seal == "none").any() else np.nan
    return {name: ln[name] + float(own[seal == name].mean() - bare) if (seal == name).any()
            else np.nan for name in ln}  # fmt: skip


def _weather(
    rng: np.random.Generator, climate: np.ndarray, first: pd.Timestamp, days: int
) -> pd.DataFrame:
    """Yearly waves, a level of the year, daily and slow departures with memory."""
    warm, swing, damp, wave, damp_day = climate
    on = first + pd.to_timedelta(np.arange(days), unit="D")
    turn = 2 * np.pi / 365.25 * on.day_of_year.to_numpy()
    sd, memory = np.array([2.5, 6.5, 2.0]), np.array([0.8, 0.7, 0.96])
    state, gone = rng.normal(0, sd), np.empty((days, 3))
    for i in range(days):
        state = memory * state + sd * np.sqrt(1 - memory**2) * rng.normal(size=3)
        gone[i] = state
    temp = warm + swing * np.cos(turn - 2 * np.pi * 200 / 365.25) + gone[:, 0]
    humid = damp - wave * np.cos(turn - 2 * np.pi * damp_day / 365.25) + gone[:, 1] + gone[:, 2]
    humid = humid + rng.normal(0, 1.0)
    return pd.DataFrame({"on": on, "temp_c": temp, "rh_pct": np.clip(humid, 20, 97)})


def _vapour(seed: int, pieces: int, year: int) -> SealSeason:
    world = World.named("plain")
    made = draw_season(world, seed, pieces, year)
    bowls, films = made.bowls, made.shop.films
    factor = bowls["seal"].map(films)
    start, courses = bowls["day"].to_numpy(), {}
    for name, film in films.items():
        moved = bowls.assign(film=bowls["film"] / factor * film, seal=name)
        run = replace(made, bowls=moved)
        course = _truth(run.shop, moved, made.weather, made.first, world).moisture_pct
        length = course.shape[1] - start.max()
        courses[name] = np.stack([c[s : s + length] for c, s in zip(course, start, strict=True)])
    rest = made.truth.rest_pct[:, :365].mean()
    ln = {name: float(np.log(film / films["none"])) for name, film in films.items()}
    own = np.log(bowls["film"] / factor).to_numpy()
    real = _of_own(own, bowls["seal"].to_numpy(), ln)
    target = round(float(rest) + ABOVE_PCT, 1)
    return SealSeason("vapour", made.tables, target, ln, real, courses)
