"""Small books for the tests of the drying room: of given masses, or simulated from known truth."""

from __future__ import annotations

import numpy as np
import pandas as pd

import woodlab as wl
from woodlab.drying.laws import LAWS
from woodlab.drying.modes import DailyAir
from woodlab.drying.simulate import Schedule, SeasonTruth, simulate_season
from woodlab.drying.weather import invented_air

TURNED = pd.Timestamp("2026-01-10")
DAYS = np.r_[0:42:4, 42:150:12].astype(float)
TRUTH = {
    "exponential": {"tau_days": 30.0},
    "two_term": {"tau_fast_days": 6.0, "tau_slow_days": 45.0, "fast_share": 0.35},
    "stretched": {"tau_days": 28.0, "shape": 0.8},
    "diffusion": {"diffusivity_m2_s": 4e-11},
    "film": {"diffusivity_m2_s": 4e-11, "surface_m_s": 2e-8},
    "two_period": {"tau_days": 25.0},
    "slab": {"diffusivity_m2_s": 3e-11, "surface_m_s": 2.5e-8},
}
SEALS = ("none", "wax all over")


def weather(days: int = 200, seed: int = 4, temp_c: float = 15.0) -> pd.DataFrame:
    """A log of one temperature and a humidity that scatters from day to day."""
    rng = np.random.default_rng(seed)
    on = pd.date_range(TURNED, periods=days, freq="D")
    humidity = np.clip(66 + 6 * rng.normal(size=days), 30, 95).round(1)
    return pd.DataFrame({"on": on, "temp_c": temp_c, "rh_pct": humidity})


def equilibrium(air: pd.DataFrame) -> np.ndarray:
    return np.asarray(wl.equilibrium_moisture(air["temp_c"], air["rh_pct"]), dtype=float)


def book_of(masses, days=DAYS, *, weighings=None, tables=None, **pieces) -> wl.RecordBook:
    """A book of pieces A0, A1, ... from masses (n, k) on common days since `TURNED`.

    `weighings` are further columns of that table, `pieces` of the pieces, `tables` further tables.
    """
    masses = np.atleast_2d(masses)
    names = [f"A{i}" for i in range(len(masses))]
    on = TURNED + pd.to_timedelta(np.asarray(days, dtype=float), unit="D")
    rows = {"piece": np.repeat(names, len(days)), "on": np.tile(on, len(names)),
            "mass_g": masses.ravel(), **(weighings or {})}  # fmt: skip
    about = {"piece": names, "species": "sugar maple", "turned_on": TURNED, "wall_mm": 25.0,
             "seal": "none", **pieces}  # fmt: skip
    return wl.RecordBook.from_frames(
        pieces=pd.DataFrame(about), weighings=pd.DataFrame(rows), **(tables or {})
    )


def curve(law: str, days=DAYS, *, start=65.0, wall=25.0, air=None, offset=0.0, **params):
    """True moisture under a law (n, k): in the equilibrium of `air` and an offset, else in 12 %."""
    level = 12.0 + offset if air is None else DailyAir(equilibrium(air) + offset)
    given = {**TRUTH[law], "start_moisture_pct": start, **params}
    return LAWS[law].moisture(days, given, wall, level)


def masses(
    law: str, n: int = 6, *, dry=800.0, sd=0.7, seed=1, air=None, days=DAYS, wall_mm=25.0, **options
):  # fmt: skip
    """Masses of n pieces whose rates and starts differ a little, with an error of `sd` grams."""
    rng = np.random.default_rng(seed)
    rates = {name: value * np.exp(0.1 * rng.normal(size=n)) if not name.endswith("share") else value
             for name, value in TRUTH[law].items()}  # fmt: skip
    options.setdefault("start", 65.0 * np.exp(0.04 * rng.normal(size=n)))
    moisture = curve(law, days, air=air, wall=np.full(n, wall_mm), **{**rates, **options})
    return dry * (1 + moisture / 100) + sd * rng.normal(size=moisture.shape)


def season(law: str = "slab", n: int = 14, *, seed: int = 3, days: int = 170, **truth):
    """A simulated season: two species, two seals, a log for four pieces, air from a year before."""
    rng = np.random.default_rng(seed)
    number = np.arange(n)
    pieces = pd.DataFrame(
        {
            "piece": [f"P{i}" for i in number],
            "species": np.where(number // 4 % 2, "sugar maple", "black cherry"),
            "turned_on": TURNED + pd.to_timedelta(rng.integers(0, 25, n), unit="D"),
            "wall_mm": rng.integers(18, 38, n).astype(float),
            "seal": [SEALS[i % 2] for i in number],
            "log": [f"L{i // 4}" for i in number],
        }
    )
    air = invented_air(TURNED - pd.Timedelta(days=365), 365 + days, seed=seed)
    return simulate_season(
        pieces, air, seed=seed, truth=SeasonTruth(law=law, **truth),
        schedule=Schedule(last_day=days, look_until=30),
    )  # fmt: skip


def with_tables(book: wl.RecordBook, **tables) -> wl.RecordBook:
    """The book with some of its tables replaced; None leaves one out."""
    every = {**book.tables(), **tables}
    return wl.RecordBook.from_frames(**{k: v for k, v in every.items() if v is not None})
