"""One season of a world: the book that a maker would have, and what is true of its pieces."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from worlds.names import World
from worlds.shop import Shop
from worlds.sorption import STEP_PCT, activity_table, course_pct
from worlds.wall import CELLS, cell_faces, dry
from worlds.weather import Weather

DAY = pd.Timedelta(days=1)
BACK_DAYS, AFTER_DAYS, LATEST_ASK = 400, 760, 150
ABOVE_PCT = 2.0  # the relative target: points above the store's own equilibrium
NEVER = 1e9
FLOOR_DAYS = 700  # how far the other futures are run


@dataclass(frozen=True, eq=False)
class Truth:
    """Courses of the mean moisture from the first turning on, (pieces, days), and where each
    piece's wood rests in the store on the same days."""

    first: pd.Timestamp
    moisture_pct: np.ndarray
    rest_pct: np.ndarray

    def relative_target(self, day: int) -> np.ndarray:
        """Two points above the mean of the year after `day`, of each piece's own wood."""
        return ABOVE_PCT + self.rest_pct[:, day + 1 : day + 366].mean(axis=1)

    def passage(self, target: np.ndarray, start: np.ndarray) -> np.ndarray:
        """First day on which a piece is at or below its target; infinity if not in sight."""
        days = np.arange(self.moisture_pct.shape[1])
        below = (self.moisture_pct <= target[:, None]) & (days >= start[:, None])
        return np.where(below.any(axis=1), below.argmax(axis=1), np.inf)


@dataclass(frozen=True, eq=False)
class Season:
    """Tables of the book, the bowls, the weather, and the truth."""

    world: World
    tables: dict[str, pd.DataFrame]
    bowls: pd.DataFrame
    first: pd.Timestamp
    weather: Weather
    shop: Shop
    truth: Truth

    @property
    def last_turned(self) -> int:
        return int(self.bowls["day"].max())

    def futures(self, day: int, count: int, seed: int) -> list[Truth]:
        """What might have come after `day` with all else as it was: for the floor.

        Their courses begin on `day`; the days before it are not a number.
        """
        rng = np.random.default_rng([seed, 97])
        known = BACK_DAYS + day + 1
        outdoor = [self.weather.again(rng, known).outdoor() for _ in range(count)]
        air = self.shop.room.air(np.stack(outdoor))[:, : known + FLOOR_DAYS]
        rest = _rest(self.shop, air)[:, :, BACK_DAYS:]
        air = air[:, BACK_DAYS:]
        moisture = 0.0
        for walls, share in _walls(self.bowls, self.world):
            wall = _Walls(self.shop, walls)
            _, state = wall.run(air[:1, : day + 1], rest[:, :1, : day + 1])
            later, _ = wall.run(air, rest, state, day)
            moisture = moisture + share[:, None, None] * later
        own = self.bowls["wood"].to_numpy()
        return [Truth(self.first, moisture[:, f], rest[own, f]) for f in range(count)]


def _rest(shop: Shop, air: np.ndarray) -> np.ndarray:
    """Where each wood of the shop rests on each day of each future, (woods, futures, days)."""
    offset = shop.woods["offset_pct"].to_numpy()[:, None, None]
    return course_pct(shop.curve, offset, shop.hysteresis_pct, air[None], BACK_DAYS)


def _walls(bowls: pd.DataFrame, world: World) -> list[tuple[pd.DataFrame, np.ndarray]]:
    """The walls of the bowls, and their feet where these are thick, each with its share."""
    wears = (bowls["seal"] != "none") & ("wax" in world.breaks)
    walls = bowls.assign(
        half_m=bowls["wall_mm"] / 2000, wear_at=60.0, wear=np.where(wears, 2.0, 1.0)
    )
    share = bowls["share"].to_numpy()
    if "walls" not in world.breaks:
        return [(walls, 1 - share)]
    return [(walls, 1 - share), (walls.assign(half_m=walls["half_m"] * walls["thick"]), share)]


class _Walls:
    """Walls of one kind, ready to be run through the days of several futures at once."""

    def __init__(self, shop: Shop, table: pd.DataFrame) -> None:
        self.tables = np.stack([activity_table(shop.curve, x) for x in shop.woods["offset_pct"]])
        self.wood = table["wood"].to_numpy(dtype=np.int64)
        self.start = table["day"].to_numpy(dtype=np.int64)
        same = np.full(len(table), 1.0)
        self.rows = np.column_stack([
            table["half_m"], table["d15"], shop.woods["rise"].to_numpy()[self.wood],
            shop.woods["fsp"].to_numpy()[self.wood], same * shop.free, table["film"],
            same * shop.energy_k, table["wear_at"], table["wear"],
        ]).astype(float)  # fmt: skip
        green = table["m0_pct"].to_numpy(dtype=float)
        self.green = np.repeat(green[:, None], CELLS + 1, axis=1)

    def run(
        self, air: np.ndarray, rest: np.ndarray, state: np.ndarray | None = None, first: int = 0
    ) -> tuple[np.ndarray, np.ndarray]:
        """Mean moisture at the beginning of each day, (walls, futures, days), and the last state.

        `air` (futures, days, 2), `rest` (woods, futures, days); from day `first` on, in `state`.
        """
        n, (futures, days, _) = len(self.rows), air.shape
        grid = STEP_PCT * np.arange(self.tables.shape[1])
        drive = np.stack([
            np.interp(one, grid, row) for one, row in zip(rest, self.tables, strict=True)
        ])  # fmt: skip
        woods = len(self.tables)
        kind = (self.wood[:, None] * futures + np.arange(futures)).ravel()
        state = np.repeat(self.green if state is None else state, futures, axis=0)
        out = np.full((n * futures, days), np.nan)
        dry(
            state, np.repeat(self.rows, futures, axis=0), kind, np.repeat(self.start, futures),
            np.repeat(self.tables, futures, axis=0), drive.reshape(woods * futures, days),
            np.tile(air[:, :, 0], (woods, 1)), first, days - 1, cell_faces(), out,
        )  # fmt: skip
        return out.reshape(n, futures, days), state


def _truth(
    shop: Shop, bowls: pd.DataFrame, weather: Weather, first: pd.Timestamp, world: World
) -> Truth:
    air = shop.room.air(weather.outdoor())[None]
    rest = _rest(shop, air)[:, :, BACK_DAYS:]
    moisture = 0.0
    for walls, share in _walls(bowls, world):
        course, _ = _Walls(shop, walls).run(air[:, BACK_DAYS:], rest)
        moisture = moisture + share[:, None] * course[:, 0]
    return Truth(first, moisture, rest[bowls["wood"].to_numpy(), 0])


def draw_season(world: World, seed: int, pieces: int = 30, year: int = 0) -> Season:
    """The season of a shop (`seed`) in a `year`: a second year of the same shop has the same woods,
    seals, store and place, and other logs, bowls and weather."""
    shop = Shop.drawn(np.random.default_rng([seed, 1]), world)
    rng = np.random.default_rng([seed, 2, year])
    first = pd.Timestamp("2023-01-10") + DAY * int(rng.integers(0, 120)) + DAY * 365 * year
    bowls, logs = shop.bowls(rng, world, pieces, first)
    days = BACK_DAYS + int(bowls["day"].max()) + LATEST_ASK + AFTER_DAYS
    weather = Weather.drawn(
        np.random.default_rng([seed, 3, year]), shop.place, first - DAY * BACK_DAYS, days
    )
    truth = _truth(shop, bowls, weather, first, world)
    tables = _tables(np.random.default_rng([seed, 4, year]), world, shop, bowls, logs, weather,
                     truth)  # fmt: skip
    return Season(world, tables, bowls, first, weather, shop, truth)


def _tables(rng, world, shop, bowls, logs, weather, truth) -> dict[str, pd.DataFrame]:  # type: ignore[no-untyped-def]
    columns = ["piece", "species", "turned_on", "wall_mm", "seal", "log"]
    if "foot" in world.extras:
        bowls = bowls.assign(foot_wall_mm=(bowls["wall_mm"] * bowls["thick"]).round())
        columns.append("foot_wall_mm")
    end = int(bowls["day"].max()) + LATEST_ASK
    tables = {
        "pieces": bowls[columns].reset_index(drop=True),
        "weighings": _weighings(rng, world, bowls, truth, end),
        "offcuts": _offcuts(rng, world, bowls, logs),
    }
    air = shop.room.air(weather.outdoor())[: BACK_DAYS + end + 1]
    logged = pd.DataFrame({
        "on": pd.date_range(weather.first, periods=len(air), freq="D"), "temp_c": air[:, 0].round(1)
    })  # fmt: skip
    wrong = 4.0 if "hygrometer" in world.breaks else 0.0
    slope = 4.0 / 365 if "drift" in world.breaks else 0.0
    rh = air[:, 1] + wrong + slope * np.arange(len(air)) + rng.normal(0, 0.5, len(air))
    logged["rh_pct"] = np.clip(rh, 1, 100).round()
    if "nolog" not in world.extras:
        tables["air"] = logged
    if "witness" in world.extras:
        tables["witnesses"] = _witness(rng, shop, weather, end)
    return tables


def _weighings(rng, world, bowls, truth, end) -> pd.DataFrame:  # type: ignore[no-untyped-def]
    """Weekly for eight weeks, then every other week, a day early or late, one in twelve forgotten;
    to 1 g with a scatter of 0.5 g. All of a day go on the scale of that day."""
    rows = []
    for i, bowl in enumerate(bowls.itertuples()):
        age = 0
        while bowl.day + age <= end:
            if age == 0 or rng.random() > 1 / 12:
                day = bowl.day + age
                mass = bowl.dry_g * (1 + truth.moisture_pct[i, day] / 100)
                second = "scale" in world.breaks and day >= 40
                mass = mass * (1.006 if second else 1.0) + rng.normal(0, 0.5)
                rows.append((bowl.piece, truth.first + DAY * day, round(mass), 1.0,
                             "second" if second else "first"))  # fmt: skip
            age += (7 if age < 56 else 14) + int(rng.integers(-1, 2))
    table = pd.DataFrame(rows, columns=["piece", "on", "mass_g", "scale_g", "scale"])
    table = table.sort_values(["on", "piece"]).reset_index(drop=True)
    return table if "named" in world.extras else table.drop(columns="scale")


def _offcuts(rng, world, bowls, logs) -> pd.DataFrame:  # type: ignore[no-untyped-def]
    """One of every other log, within 6 % of the log's green moisture (a tenth of them 20 %); with
    the extra `offcuts` also one of each piece, within 3 % of its own."""
    rows = []
    for i, log in enumerate(logs.itertuples()):
        if i % 2 == 0 and log.log in set(bowls["log"]):
            wide = 0.20 if rng.random() < 0.1 else 0.06
            rows.append((None, log.log, log.green_pct * np.exp(rng.normal(0, wide))))
    if "offcuts" in world.extras:
        for bowl in bowls.itertuples():
            rows.append((bowl.piece, None, bowl.m0_pct * np.exp(rng.normal(0, 0.03))))
    table = pd.DataFrame(rows, columns=["piece", "log", "green"])
    dry_g = rng.uniform(40, 120, len(table)).round(1)
    table["wet_g"] = (dry_g * (1 + table["green"] / 100)).round(1)
    table["oven_dry_g"] = dry_g
    return table.drop(columns="green")


def _witness(rng, shop, weather, end) -> pd.DataFrame:  # type: ignore[no-untyped-def]
    """A block of the first wood of the shop, 20 mm thick, its oven-dry mass known to 0.2 %.

    It came out of the oven and is at 8 % again 100 days before the first turning, so that its
    memory begins on the wetting curve; its own wood lies 0.3 points from its kind's.
    """
    early = 100
    woods = shop.woods.iloc[[0]].copy()
    woods["offset_pct"] += rng.normal(0, 0.3)
    one = Shop(woods.reset_index(drop=True), shop.films, shop.curve, shop.hysteresis_pct,
               shop.free, shop.energy_k, shop.room, shop.place)  # fmt: skip
    days = early + end + 1
    air = shop.room.air(weather.outdoor())[None]
    here = slice(BACK_DAYS - early, BACK_DAYS - early + days)
    table = pd.DataFrame({
        "wood": [0], "half_m": 0.010, "d15": woods["d15"].to_numpy(), "film": shop.films["none"],
        "wear_at": NEVER, "wear": 1.0, "m0_pct": 8.0, "day": 0,
    })  # fmt: skip
    offset = one.woods["offset_pct"].to_numpy()[:, None, None]
    rest = course_pct(
        shop.curve, offset, shop.hysteresis_pct, air[None], BACK_DAYS - early, dries=False
    )
    course, _ = _Walls(one, table).run(air[:, here], rest[:, :, here])
    moisture = course[0, 0]
    dry_g = rng.uniform(150, 300)
    on = np.arange(early, days, 7)
    mass = dry_g * (1 + moisture[on] / 100) + rng.normal(0, 0.05, on.size)
    first = weather.first + DAY * (BACK_DAYS - early)
    known = [round(dry_g * np.exp(rng.normal(0, 0.002)), 1)] + [np.nan] * (on.size - 1)
    return pd.DataFrame({
        "witness": "block 1", "on": first + pd.to_timedelta(on, unit="D"), "mass_g": mass.round(1),
        "oven_dry_g": known,
    })  # fmt: skip
