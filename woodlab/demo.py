"""The invented season: a club that does not exist, in a place that does not exist, from a seed.

Everything in it is made up: the people, the place, the weather and the wood. The course of each
piece comes from the physics of the `slab` law (diffusivity rising with moisture, capped surface
flux, a film for the seal), in invented weather, and not from the formulas that are fitted to it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.book.tables import INVENTED
from woodlab.drying.simulate import SeasonTruth, SimulatedSeason, simulate_season
from woodlab.drying.weather import Climate, invented_air
from woodlab.errors import WoodlabError, as_seed
from woodlab.studies.movement.rim_geometry import dried_rim
from woodlab.wood.shrinkage import shrinkage

DEMO_SEED = 20260109
YEAR = 2025
PLACE = f"loft over the Brindle Mill {INVENTED}"
MAKERS = ("Odrin", "Tavi", "Mirelle", "Ansgard")
SEALS = ("none", "wax on end grain", "paint all over", "wax all over")

# A loft over a workshop that is warmed by day: drier than an open shed, milder in winter.
_CLIMATE = Climate(mean_c=13.0, swing_c=7.5, mean_rh_pct=63.0, swing_rh_pct=5.0)

# What is true of each species.
_WOODS = pd.DataFrame(
    [("sugar maple", 6, 1.7e-11, 1.0), ("black cherry", 5, 2.2e-11, 1.3),
     ("white ash", 5, 2.6e-11, 0.7), ("black walnut", 4, 1.9e-11, 0.5),
     ("American beech", 4, 1.6e-11, 2.2)],
    columns=["species", "logs", "diffusivity_m2_s", "crack_proneness"],
).set_index("species")  # fmt: skip
_TRUTH = SeasonTruth(
    diffusivity_m2_s=_WOODS["diffusivity_m2_s"].to_dict(),
    crack_proneness=_WOODS["crack_proneness"].to_dict(),
)
_WAX_G_PER_RIM_MM = {"none": 0.0, "wax on end grain": 0.05, "paint all over": 0.09,
                     "wax all over": 0.16}  # fmt: skip


def demo_season(seed: int = DEMO_SEED, year: int = YEAR) -> SimulatedSeason:
    """The invented season with the truth behind it, before anyone made a mistake in the book."""
    rng = np.random.default_rng(as_seed(seed))
    air = invented_air(f"{year}-01-09", 369, seed=seed + 1, place=PLACE, climate=_CLIMATE)
    return simulate_season(_pieces(rng, year), air, seed=seed + 2, truth=_TRUTH)


def demo_book(seed: int = DEMO_SEED, season: str | None = None) -> RecordBook:
    """The invented club's record book for one season.

    About 90 pieces from 24 logs of five species, bare and under three seals allotted by lot
    inside each log, a year of daily air, and a few honest mistakes of the kind that makers make.

    Parameters
    ----------
    seed : int
        The same seed gives the same book.
    season : {"finished", "drying"}, optional
        `finished`: the season before, to its end: what became of each bowl, its final wall,
        shavings dried at finishing. `drying`: this season in the middle of June, with witness
        blocks and two scales. Without it, the whole of this season, with neither.

    Returns
    -------
    RecordBook
        Six tables at least. Its truth is that of the law `slab` (docs/laws/slab.md), with
        coefficients that are estimates of our own.

    Raises
    ------
    WoodlabError
        If there is no such season.

    Examples
    --------
    >>> import woodlab as wl
    >>> book = wl.demo_book()
    >>> len(book.pieces), book.pieces["log"].nunique(), len(book.air)
    (92, 24, 369)
    >>> sorted(book.pieces["seal"].unique())
    ['none', 'paint all over', 'wax all over', 'wax on end grain']
    >>> set(book.doubts["table"])  # slips that were put in on purpose
    {'weighings'}
    """
    if season is not None:
        from woodlab.demo_seasons import SEASONS  # they are made from this one

        if season not in SEASONS:
            raise WoodlabError(f"season = {season!r} is not one of {', '.join(SEASONS)}.")
        return SEASONS[season](seed)
    return book_of_season(demo_season(seed), seed)


def book_of_season(season: SimulatedSeason, seed: int) -> RecordBook:
    """A season as makers wrote it down, slips included."""
    book = season.book
    rng = np.random.default_rng(seed + 3)
    tables = {name: frame.copy() for name, frame in book.tables().items()}
    tables["rims"] = _rims(season, rng)
    tables["weighings"] = _with_mistakes(tables["weighings"], tables["pieces"], rng)
    tables["pieces"].loc[3, "note"] = "inclusion near the rim, kept an eye on it"
    return replace(RecordBook.from_frames(**tables), name="invented season of the Brindle Mill")


def _pieces(rng: np.random.Generator, year: int) -> pd.DataFrame:
    rows = []
    woods = np.repeat(_WOODS.index, _WOODS["logs"])
    for log, species in zip("ABCDEFGHJKLMNPQRSTUVWXYZ", woods, strict=True):  # no I, no O
        # Green wood is turned in the cold months, a log in one or two days.
        felled = pd.Timestamp(f"{year}-01-10") + pd.Timedelta(days=int(rng.integers(0, 75)))
        count = int(rng.integers(3, 6))
        seals = list(rng.permutation(SEALS))[: min(count, 4)]
        seals += list(rng.choice(SEALS, count - len(seals)))
        for number, seal in enumerate(seals, start=1):
            rows.append(_one_piece(f"{log}{number}", log, species, str(seal), felled, rng))
    return pd.DataFrame(rows)


def _one_piece(
    piece: str, log: str, species: str, seal: str, felled: pd.Timestamp, rng: np.random.Generator
) -> dict[str, object]:
    wall = float(rng.integers(18, 41))
    rim = float(np.round(np.clip(wall * 9.5 + rng.normal(0, 35), 150, 400) / 5) * 5)
    wax = _WAX_G_PER_RIM_MM[seal] * rim
    height = float(np.round(rim * rng.uniform(0.34, 0.46)))
    faces = str(rng.choice(["pith", "bark"], p=[0.4, 0.6]))
    # The wood is free of the pith: a rim that looks to the bark has the whole bowl below it.
    pith = rng.uniform(15, 45) + (height if faces == "bark" else 0.0)
    return {
        "piece": piece, "species": species,
        "turned_on": felled + pd.Timedelta(days=int(rng.integers(0, 3))),
        "wall_mm": wall, "seal": seal, "log": log, "rim_mm": rim, "height_mm": height,
        "foot_mm": float(np.round(rim * rng.uniform(0.32, 0.42))), "rim_faces": faces,
        "pith_mm": float(np.round(pith)),
        "seal_g": float(np.round(wax * rng.uniform(0.8, 1.2))) if wax else np.nan,
        "place": PLACE, "maker": str(rng.choice(MAKERS)), "allotted": "random", "note": None,
    }  # fmt: skip


def _rims(season: SimulatedSeason, rng: np.random.Generator) -> pd.DataFrame:
    """Rims measured at turning and three times later, on three pieces of five."""
    rows = []
    last = season.moisture.index[-1]
    for piece in season.book.pieces.itertuples():
        if rng.random() > 0.6:
            continue
        tree = rng.normal(1.0, 0.10)  # shrinkage varies from tree to tree
        for days in (0, 45, 100, 180, 330):
            on = piece.turned_on + pd.Timedelta(days=days + (days > 0) * int(rng.integers(0, 9)))
            if on > last:
                continue
            moisture = min(float(season.moisture.loc[on, piece.piece]), 30.0)
            strain = shrinkage(piece.species, moisture)
            rim = dried_rim(
                piece.rim_mm, piece.pith_mm, piece.rim_faces,
                float(strain.radial_pct) * tree, float(strain.tangential_pct) * tree,
            )  # fmt: skip
            read = [
                round(float(getattr(rim, name)) + rng.normal(0, sd), 1)
                for name, sd in (("along_mm", 0.4), ("across_mm", 0.4), ("rise_mm", 0.3))
            ]
            rows.append((piece.piece, on, *read))
    return pd.DataFrame(rows, columns=["piece", "on", "along_mm", "across_mm", "rise_mm"])


def _with_mistakes(
    weighings: pd.DataFrame, pieces: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Six slips that the book can only doubt, not know."""
    table = weighings.copy()
    late = table[table["on"] > table["on"].min() + pd.Timedelta(days=60)].index
    tenfold, gain, missing_zero = rng.choice(late, 3, replace=False)
    table.loc[tenfold, "mass_g"] *= 10
    table.loc[gain, "mass_g"] = round(float(table.loc[gain, "mass_g"]) * 1.06)
    table.loc[missing_zero, "mass_g"] = round(float(table.loc[missing_zero, "mass_g"]) / 10)
    twice = table.loc[[rng.choice(late)]]
    early = table.groupby("piece").head(1).sample(1, random_state=int(rng.integers(2**31)))
    table.loc[early.index, "on"] -= pd.Timedelta(days=31)  # the month before, by habit
    swapped = table[table["on"] == table.loc[late[0], "on"]].index[:2]
    table.loc[swapped, "mass_g"] = table.loc[swapped[::-1], "mass_g"].to_numpy()
    table = pd.concat([table, twice])
    return table.sort_values(["on", "piece"], kind="stable", ignore_index=True)
