"""A shop: its woods, seals, store and place, which stay the same from season to season; and the
logs and bowls of one season.

All figures here are our own choices, without a source, but for green moisture: averages of the
kit's species table (USDA Forest Inventory and Analysis).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from worlds.names import World
from worlds.sorption import FAR, NEAR
from worlds.weather import STATIONS, Room

GREEN_PCT = {
    "sugar maple": 57.4, "black cherry": 53.4, "white ash": 45.7, "black walnut": 79.1,
    "northern red oak": 83.1, "American beech": 54.5, "yellow birch": 71.9,
}  # fmt: skip
SEALS = {"wax on end grain": (1.5, 2.5), "paper bag": (1.8, 3.5), "wax all over": (3.0, 6.0)}


@dataclass(frozen=True, eq=False)
class Shop:
    """Woods: a row each with `d15`, `rise`, `fsp`, `offset_pct`. Seals: film [m/s] by name."""

    woods: pd.DataFrame
    films: dict[str, float]
    curve: str
    hysteresis_pct: float
    free: float
    energy_k: float
    room: Room
    place: str

    @classmethod
    def drawn(cls, rng: np.random.Generator, world: World) -> Shop:
        names = list(rng.choice(list(GREEN_PCT), 4, replace=False))
        n = len(names)
        far = bool({"hygrometer", "curve"} & world.breaks)
        near_one, far_one = str(rng.choice(NEAR)), str(rng.choice(FAR))
        small, large = rng.uniform(0.0, 1.0), rng.uniform(1.0, 3.0)
        woods = pd.DataFrame({
            "species": [str(name) for name in names],
            "green_pct": [GREEN_PCT[str(name)] * np.exp(rng.normal(0, 0.10)) for name in names],
            "d15": np.exp(rng.normal(np.log(6e-11), 0.35, n)),
            "rise": np.exp(rng.normal(np.log(0.07), 0.3, n)),
            "fsp": rng.normal(29.0, 1.5, n),
            "offset_pct": rng.normal(0.0, 0.3, n),
        })  # fmt: skip
        bare = np.exp(rng.uniform(np.log(1.2e-8), np.log(4e-8)))
        films = {"none": bare}
        for seal in sorted(rng.choice(list(SEALS), 2, replace=False)):
            low, high = SEALS[str(seal)]
            films[str(seal)] = bare / np.exp(rng.uniform(np.log(low), np.log(high)))
        place = str(rng.choice(list(STATIONS)))
        return cls(
            woods, films, far_one if far else near_one, large if far else small,
            free=rng.uniform(0.5, 3.0), energy_k=rng.uniform(1500.0, 4500.0),
            room=Room.drawn(rng, place), place=place,
        )  # fmt: skip

    def bowls(
        self, rng: np.random.Generator, world: World, pieces: int, first: pd.Timestamp
    ) -> tuple[pd.DataFrame, pd.DataFrame]:
        """The bowls of a season with all that is true of them, and its logs.

        Six to nine logs within 35 to 60 days; logarithms scatter between the logs of a wood by 0.08
        (green moisture), 0.12 (diffusivity), between bowls of a log by 0.05, 0.10 and, of the film,
        0.15. Three in ten are bare.
        """
        n_logs, span = int(rng.integers(6, 10)), int(rng.integers(35, 61))
        kind = rng.integers(0, len(self.woods), n_logs)
        day = np.sort(rng.integers(0, span + 1, n_logs))
        day[0], day[-1] = 0, span
        logs = pd.DataFrame({
            "log": [f"L{i + 1}" for i in range(n_logs)], "wood": kind, "day": day,
            "green_pct": self.woods["green_pct"].to_numpy()[kind]
            * np.exp(rng.normal(0, 0.08, n_logs)),
            "d15": self.woods["d15"].to_numpy()[kind] * np.exp(rng.normal(0, 0.12, n_logs)),
        })  # fmt: skip
        of_log = np.sort(np.concatenate([
            np.arange(n_logs), rng.integers(0, n_logs, max(pieces - n_logs, 0))
        ]))[:pieces]  # fmt: skip
        mine = logs.iloc[of_log].reset_index(drop=True)
        others = list(self.films)[1:]
        seal = rng.choice(["none", *others], pieces, p=[0.3, 0.35, 0.35])
        film = np.array([self.films[str(one)] for one in seal])
        bowls = pd.DataFrame({
            "piece": [f"P{i + 1:02d}" for i in range(pieces)],
            "species": self.woods["species"].to_numpy()[mine["wood"]],
            "turned_on": first + pd.to_timedelta(mine["day"], unit="D"),
            "wall_mm": rng.uniform(18, 40, pieces).round(),
            "seal": [str(one) for one in seal],
            "log": mine["log"],
            "wood": mine["wood"],
            "day": mine["day"],
            "m0_pct": mine["green_pct"] * np.exp(rng.normal(0, 0.05, pieces)),
            "d15": mine["d15"] * np.exp(rng.normal(0, 0.10, pieces)),
            "film": film * np.exp(rng.normal(0, 0.15, pieces)),
            "dry_g": np.exp(rng.uniform(np.log(300), np.log(1800), pieces)),
            "thick": rng.uniform(1.4, 1.8, pieces) if "walls" in world.breaks else 1.0,
            "share": rng.uniform(0.20, 0.33, pieces) if "walls" in world.breaks else 0.0,
        })  # fmt: skip
        return bowls, logs
