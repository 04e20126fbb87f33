"""Seasons of known truth: for the demo, for trial planning, and to see whether intervals hold.

The true course of each piece comes from a drying law driven by the air, with effects of its log
and of its own; the records are what a maker would have written down: rounded weights, looks every
few days, offcuts of some logs.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying.laws import law_named
from woodlab.drying.laws.law import kernel_run
from woodlab.drying.laws.slab import RISE_PER_PCT
from woodlab.drying.modes import DailyAir
from woodlab.errors import WoodlabError, as_seed
from woodlab.wood.humidity import equilibrium_moisture
from woodlab.wood.species import species_facts

# Diffusivity at 15 % moisture and surface coefficients: estimates of our own, of the order that
# makes bare pieces dry in weeks to months and sealed ones in months to a year.
DIFFUSIVITY_M2_S = 2.0e-11
SURFACE_M_S = {"none": 3.5e-8, "wax on end grain": 1.2e-8, "paint all over": 6.5e-9,
               "wax all over": 3.6e-9}  # fmt: skip


@dataclass(frozen=True)
class SeasonTruth:
    """What is true in a simulated season.

    Attributes
    ----------
    law : {"slab", "film"}
        Of the true course.
    diffusivity_m2_s, surface_m_s : dict
        By species (else `DIFFUSIVITY_M2_S`) and by seal.
    log_sd, piece_sd : float
        Scatter of ln diffusivity between logs and pieces (of these of ln surface coefficient, too).
    green_sd_pct : float
        Scatter of the green moisture between logs [% of its species' value].
    scale_g, slip_g : float
        Resolution of the scale, and the further scatter of a weighing.
    crack_rate, crack_power : float
        Cracks per 1000 days at a core-to-surface difference of 20 points, and the power of that
        difference with which they rise.
    crack_proneness, crack_log_sd : dict, float
        Factors by species, and the scatter of ln rate between logs.
    """

    law: str = "slab"
    diffusivity_m2_s: dict[str, float] = field(default_factory=dict)
    surface_m_s: dict[str, float] = field(default_factory=lambda: dict(SURFACE_M_S))
    log_sd: float = 0.15
    piece_sd: float = 0.10
    green_sd_pct: float = 10.0
    scale_g: float = 1.0
    slip_g: float = 0.8
    crack_rate: float = 9.0
    crack_power: float = 2.0
    crack_proneness: dict[str, float] = field(default_factory=dict)
    crack_log_sd: float = 0.4


@dataclass(frozen=True)
class Schedule:
    """When a maker weighs and looks, in days since turning; common practice, no source.

    Weighed every `weigh_every` days at first, then every `weigh_later`; looked at every
    `look_every` days through `look_until`, then every `look_later`. A visit falls on a whole
    day, some days early or late (`jitter_days`).
    """

    weigh_every: int = 7
    weigh_until: int = 84
    weigh_later: int = 21
    look_every: int = 3
    look_until: int = 120
    look_later: int = 14
    jitter_days: int = 1
    last_day: int = 365


@dataclass(frozen=True, eq=False)
class SimulatedSeason:
    """A book and the truth behind it.

    Attributes
    ----------
    book : RecordBook
        What was written down.
    truth : DataFrame
        One row a piece: what the book says of it, the law's parameters, `oven_dry_g`,
        `start_moisture_pct`, `sealer_g`, `crack_on` (NaT: none), `core_to_surface_pct` (largest
        difference).
    moisture : DataFrame
        True mean moisture [%], index: date, one column a piece, from its turning on.
    """

    book: RecordBook
    truth: pd.DataFrame
    moisture: pd.DataFrame

    def ready_on(self, target_moisture_pct: float) -> pd.Series:
        """The true first day at or below the target, by piece; NaT where it is not reached."""
        below = self.moisture <= target_moisture_pct
        return pd.to_datetime(below.idxmax().where(below.any()))


def simulate_season(
    pieces: pd.DataFrame,
    air: pd.DataFrame,
    *,
    seed: int,
    truth: SeasonTruth | None = None,
    schedule: Schedule | None = None,
    offcuts_per_log: int = 2,
) -> SimulatedSeason:
    """Draw a season's records from known truth.

    Parameters
    ----------
    pieces : DataFrame
        As the table `pieces`: piece, species, turned_on, wall_mm, seal, and log; `rim_mm` sets
        how heavy a piece is. Other columns are carried.
    air : DataFrame
        Daily `on`, `temp_c`, `rh_pct` from the first turning on; records end with it.
    seed : int
        The same seed gives the same season.
    truth, schedule : optional
        See `SeasonTruth` and `Schedule`.
    offcuts_per_log : int
        Oven-dried offcuts for each log that has a name.

    Returns
    -------
    SimulatedSeason
        `book`, `truth` (a row a piece), `moisture` (a row a day, a column a piece [%]).

    Raises
    ------
    WoodlabError
        If a piece is turned outside the air log, or a seal has no surface coefficient.

    Notes
    -----
    The laws' sources stand in `docs/laws/`; coefficients, scatters and the rate of cracking are
    estimates of our own, visits common practice without a source.

    Examples
    --------
    >>> import pandas as pd
    >>> from woodlab.drying.weather import invented_air
    >>> pieces = pd.DataFrame({"piece": ["A1", "A2"], "species": "sugar maple", "log": "A",
    ...                        "turned_on": pd.Timestamp("2026-01-10"), "wall_mm": [22.0, 30.0],
    ...                        "seal": ["none", "wax all over"], "rim_mm": 240.0})
    >>> season = simulate_season(pieces, invented_air("2026-01-01", 200, seed=1), seed=2)
    >>> bool(season.moisture["A1"].iloc[-1] < season.moisture["A2"].iloc[-1])
    True
    """
    truth, schedule = truth or SeasonTruth(), schedule or Schedule()
    _check(pieces, air, truth)
    rng = np.random.default_rng(as_seed(seed))
    drawn = _draw_pieces(pieces, truth, rng)
    moisture, difference = _true_course(drawn, air, truth)
    drawn["core_to_surface_pct"] = np.nanmax(difference, axis=0)
    drawn["crack_on"] = _crack_days(drawn, moisture, difference, truth, rng)
    book = RecordBook.from_frames(
        name="simulated season", pieces=pieces, air=air,
        weighings=_weighings(drawn, moisture, truth, schedule, rng),
        looks=_looks(drawn, moisture, schedule, rng),
        offcuts=_offcuts(drawn, offcuts_per_log, rng),
    )  # fmt: skip
    return SimulatedSeason(book, drawn.reset_index(drop=True), moisture)


def _check(pieces: pd.DataFrame, air: pd.DataFrame, truth: SeasonTruth) -> None:
    strange = set(pieces["seal"]) - set(truth.surface_m_s)
    if strange:
        raise WoodlabError(
            f"No true surface coefficient for the seal {sorted(strange)[0]!r}. Give it in "
            "SeasonTruth(surface_m_s=...)."
        )
    first, last = air["on"].min(), air["on"].max()
    outside = pieces[(pieces["turned_on"] < first) | (pieces["turned_on"] >= last)]
    if len(outside):
        raise WoodlabError(
            f"Piece {outside['piece'].iloc[0]!r} is turned outside the air log "
            f"({first.date()} to {last.date()}). Give air that covers the season."
        )


def _logs(pieces: pd.DataFrame) -> pd.Series:
    """The log of each piece; one that names none is a log of its own."""
    own = pieces["piece"]
    return pieces["log"].fillna(own) if "log" in pieces else own


def _effects(names: pd.Series, sd: float, rng: np.random.Generator) -> np.ndarray:
    codes, unique = pd.factorize(names)
    return rng.normal(0, sd, max(len(unique), 1))[codes]


def _draw_pieces(
    pieces: pd.DataFrame, truth: SeasonTruth, rng: np.random.Generator
) -> pd.DataFrame:
    drawn = pieces.copy()
    count = len(drawn)
    log = _logs(drawn)
    base = drawn["species"].map(lambda s: truth.diffusivity_m2_s.get(s, DIFFUSIVITY_M2_S))
    ln = _effects(log, truth.log_sd, rng) + rng.normal(0, truth.piece_sd, count)
    drawn["diffusivity_m2_s"] = base * np.exp(ln)
    ln = rng.normal(0, truth.piece_sd, count)
    drawn["surface_m_s"] = drawn["seal"].map(truth.surface_m_s) * np.exp(ln)
    facts = {name: species_facts(name).figures for name in drawn["species"].unique()}
    green = drawn["species"].map(lambda s: facts[s]["green_moisture_pct"]).fillna(70.0)
    green *= 1 + _effects(log, truth.green_sd_pct / 100, rng)
    drawn["start_moisture_pct"] = green * (1 + rng.normal(0, 0.03, count))
    gravity = drawn["species"].map(lambda s: facts[s]["basic_sg"]).fillna(0.5)
    rim = drawn["rim_mm"].fillna(240.0) if "rim_mm" in drawn else pd.Series(240.0, drawn.index)
    # A rough bowl is about a half ball with a flattened foot: its skin is 1.3 rim discs.
    volume_ml = 1.3 * np.pi / 4 * rim**2 * drawn["wall_mm"] / 1000
    drawn["oven_dry_g"] = gravity * volume_ml * np.exp(rng.normal(0, 0.05, count))
    sealer = drawn["seal_g"] if "seal_g" in drawn else pd.Series(0.0, drawn.index)
    drawn["sealer_g"] = sealer.astype(float).fillna(0.0)
    return drawn


def _true_course(
    drawn: pd.DataFrame, air: pd.DataFrame, truth: SeasonTruth
) -> tuple[pd.DataFrame, np.ndarray]:
    """Mean moisture and core-to-surface difference by day (rows) and piece; NaN before turning."""
    daily = air.groupby(air["on"].dt.normalize())[["temp_c", "rh_pct"]].mean()
    daily = daily.resample("D").mean().interpolate()
    equilibrium = np.asarray(equilibrium_moisture(daily["temp_c"], daily["rh_pct"]))
    start = (drawn["turned_on"].dt.normalize() - daily.index[0]).dt.days.to_numpy()
    count = len(daily)
    names = ["start_moisture_pct", "diffusivity_m2_s", "surface_m_s"]
    params: dict[str, Any] = {name: drawn[name].to_numpy() for name in names}
    if truth.law == "slab":
        params["rise_per_pct"] = RISE_PER_PCT
    # The times stop at the log's end; the padding only satisfies the check of the course.
    padded = np.pad(equilibrium, (0, int(start.max())), mode="edge")
    days = np.minimum(np.arange(count), count - 1 - start[:, None])
    walls = drawn["wall_mm"].to_numpy()
    run = kernel_run(law_named(truth.law), days, params, walls, DailyAir(padded, start))
    # Row d of the run is day d since turning; put it on the calendar.
    day = np.arange(count)[:, None] - start[None, :]
    piece, since = np.arange(len(drawn))[None, :], np.maximum(day, 0)
    moisture = np.where(day < 0, np.nan, run.mean[piece, since])
    difference = np.where(day < 0, np.nan, (run.core - run.surface)[piece, since])
    return pd.DataFrame(moisture, index=daily.index, columns=list(drawn["piece"])), difference


def _visits(
    every: int, until: int, later: int, schedule: Schedule, rng: np.random.Generator
) -> np.ndarray:
    days = np.array([*range(0, until, every), *range(until, schedule.last_day + 1, later)])
    days += rng.integers(-schedule.jitter_days, schedule.jitter_days + 1, len(days))
    days[0] = 0
    return np.unique(np.clip(days, 0, None))


def _crack_days(
    drawn: pd.DataFrame, moisture: pd.DataFrame, difference: np.ndarray, truth: SeasonTruth,
    rng: np.random.Generator,
) -> pd.Series:  # fmt: skip
    factor = drawn["species"].map(lambda s: truth.crack_proneness.get(s, 1.0)).to_numpy()
    factor = factor * np.exp(_effects(_logs(drawn), truth.crack_log_sd, rng))
    strain = np.nan_to_num(difference).clip(min=0) / 20.0
    hazard = truth.crack_rate / 1000 * factor * strain**truth.crack_power
    opened = np.cumsum(hazard, axis=0) >= rng.exponential(size=len(drawn))
    first = moisture.index[opened.argmax(axis=0)]
    return pd.Series(first, index=drawn.index).where(opened.any(axis=0))


def _weighings(
    drawn: pd.DataFrame, moisture: pd.DataFrame, truth: SeasonTruth, schedule: Schedule,
    rng: np.random.Generator,
) -> pd.DataFrame:  # fmt: skip
    s, rows = schedule, []
    for piece in drawn.itertuples():
        course = moisture[piece.piece].dropna()
        days = _visits(s.weigh_every, s.weigh_until, s.weigh_later, s, rng)
        course = course.iloc[days[days < len(course)]]
        mass = piece.oven_dry_g * (1 + course.to_numpy() / 100) + piece.sealer_g
        mass = mass + rng.normal(0, truth.slip_g, len(mass))
        mass = np.maximum(np.round(mass / truth.scale_g) * truth.scale_g, truth.scale_g)
        rows.append(pd.DataFrame({"piece": piece.piece, "on": course.index, "mass_g": mass}))
    return _written(rows).assign(scale_g=truth.scale_g)


def _looks(
    drawn: pd.DataFrame, moisture: pd.DataFrame, schedule: Schedule, rng: np.random.Generator
) -> pd.DataFrame:
    s, rows = schedule, []
    for piece in drawn.itertuples():
        course = moisture[piece.piece].dropna()
        days = _visits(s.look_every, s.look_until, s.look_later, s, rng)
        on = course.index[days[(days > 0) & (days < len(course))]]
        look = pd.DataFrame({"piece": piece.piece, "on": on, "crack_mm": 0.0, "action": "none"})
        if pd.notna(piece.crack_on):
            found = on >= piece.crack_on
            size = rng.gamma(2.0, 9.0) + 3
            age = (on[found] - piece.crack_on).days.to_numpy()
            grown = np.round(size * (1 - np.exp(-(age + 2) / 8.0))).clip(min=1)
            look.loc[found, "crack_mm"] = grown
            if found.any() and rng.random() < 0.7:
                look.loc[found.argmax(), "action"] = "glued"
        rows.append(look)
    return _written(rows)


def _written(rows: list[pd.DataFrame]) -> pd.DataFrame:
    """A table in the order in which a maker writes."""
    return pd.concat(rows).sort_values(["on", "piece"], kind="stable", ignore_index=True)


def _offcuts(drawn: pd.DataFrame, per_log: int, rng: np.random.Generator) -> pd.DataFrame:
    rows = []
    for log, group in drawn.groupby("log", sort=False) if "log" in drawn else ():
        for _ in range(per_log):
            moisture = group["start_moisture_pct"].mean() * (1 + rng.normal(0, 0.05))
            dry = round(float(rng.uniform(40, 120)), 1)
            wet = round(dry * (1 + moisture / 100), 1)
            rows.append([log, group["turned_on"].min(), wet, dry])
    return pd.DataFrame(rows, columns=["log", "on", "wet_g", "oven_dry_g"])
