"""Seasons of known truth by a third simulator, written by somebody who had seen neither the other
two nor the package, and who fixed every choice before anything was run on it.

Its solver stands in `third_hand_solver`. Its figures for woods, seals, climate and habits are the
author's own, without a source. Besides a film it has a slab whose diffusivity grows in one of three
shapes, and a slab between two plateaus of diffusivity with a rounded cap and a surface that shuts
as it dries: a form that no law of the package has.

Conventions:

- A date stands for the midnight at which it begins. `course` holds the moisture of that moment; the
  air of a date acts from it to the next, so that the moisture on the day of asking rests on the air
  of the days before it.
- A weighing on a date is made at its beginning, the first on the day of turning, green. The mass is
  the oven-dry mass times (1 + moisture/100) with a scatter of 0.6 g, to the gram. Seals weigh
  nothing.
- The air in the book is the air that acts: rounded to 0.1 degrees and 1 %.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from season_truths import Season
from third_hand_solver import FILM, PLATEAUS, SLAB, Form, dry, make_wall, pace

import woodlab as wl

DAY = pd.Timedelta(days=1)
BACK_DAYS, AFTER_DAYS = 400, 600  # air before the first turning and after the last
ASK_AFTER_DAYS, WEIGH_ON_DAYS = 45, 60

# green moisture [%] and diffusivity [m2/s]
WOODS = {
    "sugar maple": (68.0, 1.2e-10), "black cherry": (57.0, 1.6e-10), "white ash": (48.0, 1.3e-10),
    "black walnut": (88.0, 1.4e-10), "red oak": (78.0, 0.7e-10), "beech": (75.0, 1.1e-10),
    "birch": (72.0, 1.5e-10), "sycamore": (100.0, 1.8e-10),
}  # fmt: skip
# how many times smaller than that of bare wood the surface coefficient is, least and most
SEALS = {"paper bag": (2.0, 4.0), "shavings tub": (3.0, 6.0), "brushed wax": (5.0, 10.0)}
# departures of the air: memory from day to day and standard deviation
DEPARTURES = ((0.75, 2.8), (0.97, 1.2), (0.70, 7.5), (0.97, 2.5))


@dataclass(frozen=True)
class ThirdHand:
    """A world: `film`, `slab` or `slab2`, the slab between two plateaus."""

    name: str
    world: str


THIRDS = (
    ThirdHand("third hand, film", "film"),
    ThirdHand("third hand, slab", "slab"),
    ThirdHand("third hand, two plateaus", "slab2"),
)
WORLDS = {"film": FILM, "slab": SLAB, "slab2": PLATEAUS}  # also the first number of each seed


def _departures(
    rng: np.random.Generator, days: int, before: np.ndarray | None = None
) -> np.ndarray:
    """Fast and slow departure of the temperature [deg C], then of the humidity [%]: (4, days).

    x[i] = memory x[i-1] + sd sqrt(1 - memory^2) e[i], going on from `before` if that is given.
    """
    out = np.empty((len(DEPARTURES), days))
    for row, (memory, sd) in enumerate(DEPARTURES):
        chance = rng.standard_normal(days)
        last = rng.standard_normal() * sd if before is None else before[row]
        fresh = sd * np.sqrt(1 - memory * memory)
        for i in range(days):
            last = memory * last + fresh * chance[i]
            out[row, i] = last
    return out


@dataclass(frozen=True)
class ThirdWeather:
    """A climate and the departures of its days; `again` draws another future to one past.

    With w = 2 pi (day of year - hottest)/365.25:
    temperature = mean + swing cos w + both its departures [deg C];
    humidity = mean - swing cos(w - 0.3) + both its departures - half the fast one of the
    temperature, kept between 25 and 97 [%].
    """

    first: pd.Timestamp
    temp: tuple[float, float]
    humid: tuple[float, float]
    hottest: float
    gone: np.ndarray

    @classmethod
    def drawn(cls, rng: np.random.Generator, first: pd.Timestamp, gone: np.ndarray) -> ThirdWeather:
        temp = (rng.uniform(8, 13), rng.uniform(7.5, 11))
        humid = (rng.uniform(60, 75), rng.uniform(3, 9))
        return cls(first, temp, humid, rng.uniform(198, 212), gone)

    def again(self, rng: np.random.Generator, known_days: int) -> ThirdWeather:
        """Another future after `known_days`, from the state of the air on the last of them."""
        gone = self.gone.copy()
        to_come = gone.shape[1] - known_days
        gone[:, known_days:] = _departures(rng, to_come, self.gone[:, known_days - 1])
        return replace(self, gone=gone)

    def table(self) -> pd.DataFrame:
        on = pd.date_range(self.first, periods=self.gone.shape[1], freq="D")
        wave = 2 * np.pi * (on.day_of_year.to_numpy() - self.hottest) / 365.25
        temp = self.temp[0] + self.temp[1] * np.cos(wave) + self.gone[0] + self.gone[1]
        humid = self.humid[0] - self.humid[1] * np.cos(wave - 0.3) + self.gone[2] + self.gone[3]
        humid = np.clip(humid - 0.5 * self.gone[0], 25.0, 97.0)
        return pd.DataFrame({"on": on, "temp_c": temp.round(1), "rh_pct": humid.round()})


def _equilibrium(air: pd.DataFrame) -> np.ndarray:
    return np.asarray(wl.equilibrium_moisture(air["temp_c"], air["rh_pct"]), dtype=float)


def _logs(rng: np.random.Generator) -> tuple[pd.DataFrame, pd.Timestamp, int]:
    """Four to eight logs of three to five woods, the first date of turning, and how many days later
    the last one is: 20 to 90. `day` is when the first bowl may be turned from a log.

    Logarithms scatter by 0.05 (green moisture) and 0.25 (diffusivity) between the season's woods
    and those of the table, by 0.08 and 0.12 between logs of a wood.
    """
    n_woods = int(rng.integers(3, 6))
    n = int(rng.integers(max(4, n_woods), 9))
    woods = list(rng.choice(list(WOODS), n_woods, replace=False))
    of_log = woods + [woods[i] for i in rng.integers(0, n_woods, n - n_woods)]
    rng.shuffle(of_log)
    span = int(rng.integers(20, 91))
    first = pd.Timestamp("2019-01-01") + DAY * int(rng.integers(0, 730))
    day = np.sort(rng.integers(0, span - 1, n))
    day[0] = 0
    day[-1] = span - 2
    green = {wood: WOODS[wood][0] * np.exp(0.05 * rng.standard_normal()) for wood in woods}
    level = {wood: WOODS[wood][1] * np.exp(0.25 * rng.standard_normal()) for wood in woods}
    logs = pd.DataFrame({
        "log": [f"L{i + 1}" for i in range(n)],
        "species": [str(wood) for wood in of_log],
        "day": day,
        "green_pct": [green[wood] * np.exp(0.08 * rng.standard_normal()) for wood in of_log],
        "m2_s": [level[wood] * np.exp(0.12 * rng.standard_normal()) for wood in of_log],
    })  # fmt: skip
    return logs, first, span


def _log_uniform(rng: np.random.Generator, least: float, most: float, n: int | None = None):  # type: ignore[no-untyped-def]
    return np.exp(rng.uniform(np.log(least), np.log(most), n))


def _films(rng: np.random.Generator) -> dict[str, float]:
    """Surface coefficient [m/s] of bare wood, 2.5e-8 to 8e-8, and of the two or three seals of this
    shop, each smaller by a factor drawn once, all even in the logarithm."""
    used = list(rng.choice(list(SEALS), int(rng.integers(2, 4)), replace=False))
    smaller = {str(seal): _log_uniform(rng, *SEALS[seal]) for seal in used}
    bare = _log_uniform(rng, 2.5e-8, 8e-8)
    return {"none": bare, **{seal: bare / by for seal, by in smaller.items()}}


def _form(rng: np.random.Generator, world: str) -> Form:
    """The form of one season, whatever its pieces: a cap at 28 to 30 % and what the world adds."""
    cap = rng.uniform(28, 30)
    if world == "film":
        return Form(FILM, cap)
    if world == "slab":
        return Form(
            SLAB,
            cap,
            shape=int(rng.integers(0, 3)),
            rise=rng.uniform(2.0, 6.0),
            stops_pct=rng.uniform(30, 50),
        )
    return Form(
        PLATEAUS,
        cap,
        rise=rng.uniform(3.0, 8.0),
        middle_pct=rng.uniform(22, 36),
        width_pct=rng.uniform(3, 7),
        shut=rng.uniform(0.4, 0.8),
        rounding_pct=rng.uniform(1.5, 3.5),
    )


def _bowls(
    rng: np.random.Generator, logs: pd.DataFrame, span: int, world: str, n: int
) -> tuple[pd.DataFrame, Form]:
    """`n` bowls, one from each log and the others by chance, and the form of their season.

    Each is turned within two days of its log's `day`, the first on day 0 and the last on `span`;
    walls of 15 to 45 mm, 300 to 1800 g oven-dry, three in ten left bare. Logarithms scatter between
    bowls of a log by 0.04 (green moisture, kept within 42 to 115 %), 0.10 (diffusivity, kept within
    0.5e-10 to 3e-10 m2/s) and 0.15 (surface coefficient).
    """
    films = _films(rng)
    form = _form(rng, world)
    more = rng.integers(0, len(logs), max(0, n - len(logs)))
    of_log = np.sort(np.concatenate([np.arange(len(logs)), more]))[:n]
    log = logs.iloc[of_log].reset_index(drop=True)
    green = log["green_pct"].to_numpy() * np.exp(0.04 * rng.standard_normal(n))
    m2_s = log["m2_s"].to_numpy() * np.exp(0.10 * rng.standard_normal(n))
    m2_s = np.clip(m2_s, 0.5e-10, 3e-10)
    if world == "slab2":  # the wood's value is meant near 20 %, the pace is over the lower plateau
        m2_s = m2_s / pace(20.0, form)
    wall = rng.uniform(15, 45, n).round()
    n_seals = len(films) - 1
    seal = rng.choice(list(films), n, p=[0.3] + [0.7 / n_seals] * n_seals)
    film = np.array([films[one] for one in seal]) * np.exp(0.15 * rng.standard_normal(n))
    day = log["day"].to_numpy() + rng.integers(0, 3, n)
    day[0] = 0
    day[-1] = span
    bowls = pd.DataFrame({
        "piece": [f"P{i + 1:02d}" for i in range(n)],
        "species": log["species"],
        "wall_mm": wall,
        "seal": seal,
        "log": log["log"],
        "day": day,
        "green_pct": np.clip(green, 42, 115),
        "m2_s": m2_s,
        "film_m_s": film,
        "dry_g": _log_uniform(rng, 300, 1800, n),
    })  # fmt: skip
    return bowls, form


def _weighings(
    rng: np.random.Generator, bowls: pd.DataFrame, course: pd.DataFrame, end: pd.Timestamp
) -> pd.DataFrame:
    """Weekly for six weeks, then every 14 or every 30 days (a habit of the shop), a day early or
    late, one in twelve forgotten, to `end`."""
    rows = []
    monthly = rng.random() < 0.5
    for bowl in bowls.itertuples():
        day = 0
        while bowl.turned_on + DAY * day <= end:
            if day == 0 or rng.random() > 0.08:
                on = bowl.turned_on + DAY * day
                true_g = bowl.dry_g * (1 + course.at[on, bowl.piece] / 100)
                rows.append((bowl.piece, on, np.round(true_g + 0.6 * rng.standard_normal()), 1.0))
            step = 7 if day < 42 else (30 if monthly else 14)
            day += step + int(rng.integers(-1, 2))
    table = pd.DataFrame(rows, columns=["piece", "on", "mass_g", "scale_g"])
    return table.sort_values(["on", "piece"]).reset_index(drop=True)


def _offcuts(rng: np.random.Generator, logs: pd.DataFrame) -> pd.DataFrame:
    """One to three offcuts of 40 to 160 g oven-dry, to the gram, from four to eight logs in ten;
    the logarithm of their moisture scatters by 0.04 about the log's."""
    rows = []
    n = max(1, int(round(len(logs) * rng.uniform(0.4, 0.8))))
    for i in sorted(rng.choice(len(logs), n, replace=False)):
        for _ in range(int(rng.integers(1, 4))):
            dry_g = rng.uniform(40, 160)
            green = logs["green_pct"][i] * np.exp(0.04 * rng.standard_normal())
            rows.append((logs["log"][i], np.round(dry_g * (1 + green / 100)), np.round(dry_g)))
    return pd.DataFrame(rows, columns=["log", "wet_g", "oven_dry_g"])


def draw_third(world: ThirdHand, seed: int, pieces: int = 30) -> Season:
    """A season of `world`: its book, the day of asking, the true courses, and `run`.

    The shop, its wood and its climate, the departures of the air, and what is weighed have a
    generator each, so that a change in one leaves the others as they are.
    """
    number = WORLDS[world.world]
    rng = np.random.default_rng([number, seed, 20])
    logs, first, span = _logs(rng)
    bowls, form = _bowls(rng, logs, span, world.world, pieces)
    bowls["turned_on"] = first + pd.to_timedelta(bowls["day"], unit="D")
    days = BACK_DAYS + span + AFTER_DAYS + 1
    gone = _departures(np.random.default_rng([number, seed, 21]), days)
    weather = ThirdWeather.drawn(rng, first - DAY * BACK_DAYS, gone)

    def run(one: ThirdWeather) -> np.ndarray:
        """Moisture at the beginning of each day from the first turning on, (pieces, days)."""
        air = _equilibrium(one.table())[BACK_DAYS:]
        out = np.full((pieces, air.size), np.nan)
        for j, bowl in enumerate(bowls.itertuples()):
            wall = make_wall(bowl.wall_mm, bowl.m2_s, bowl.film_m_s, form)
            out[j, bowl.day] = bowl.green_pct
            out[j, bowl.day + 1 :] = dry(bowl.green_pct, air[bowl.day : -1], wall)[0]
        return out

    on = pd.date_range(first, periods=days - BACK_DAYS, freq="D")
    course = pd.DataFrame(run(weather).T, index=on, columns=bowls["piece"])
    as_of = bowls["turned_on"].max() + DAY * ASK_AFTER_DAYS
    by_hand = np.random.default_rng([number, seed, 23])
    weighings = _weighings(by_hand, bowls, course, as_of + DAY * WEIGH_ON_DAYS)
    offcuts = _offcuts(by_hand, logs)
    air = weather.table()
    book = wl.RecordBook.from_frames(
        pieces=bowls[["piece", "species", "turned_on", "wall_mm", "seal", "log"]],
        weighings=weighings,
        air=air,
        offcuts=offcuts[offcuts["log"].isin(bowls["log"])],  # with few bowls a log may have none
    )
    past = (air["on"] < as_of) & (air["on"] >= as_of - DAY * 365)
    level = float(_equilibrium(air)[past].mean())
    return Season(book, as_of, course, level, weather, run, futures=25)
