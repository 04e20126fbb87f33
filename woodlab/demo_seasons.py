"""Two more books of the invented club: last season finished, and this season in mid June.

Made up like the rest of the demo (see `woodlab.demo`); what makers do at the end of a season here
(a finishing day every second week, thin walls, firewood) is invented, too.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.demo import PLACE, YEAR, book_of_season, demo_season
from woodlab.drying.simulate import SimulatedSeason
from woodlab.wood.humidity import equilibrium_moisture

MIDDLE = f"{YEAR}-06-10"
TURN_AT_PCT = 13.0  # the invented club finishes what its scales put below this
FIREWOOD_MM = 25.0  # and burns what has a crack longer than this
SCALES = (("bench scale", 2000.0), ("platform scale", np.inf))  # up to which mass [g]
BLOCKS = {"W1": 61.4, "W2": 58.9}  # oven-dry mass [g]
BLOCK_DAYS = 8.0  # in which a witness block follows the air


def finished_book(seed: int) -> RecordBook:
    """Last season to its end: each bowl finished, given away, or firewood."""
    season = demo_season(seed + 1000, YEAR - 1)
    book = book_of_season(season, seed + 1000)
    rng = np.random.default_rng(seed + 1003)
    tables = book.tables()
    pieces = _with_ends(tables["pieces"], season, book.looks, rng)
    ended = pieces.set_index("piece")["ended_on"]
    for name in ("weighings", "looks", "rims"):
        frame = tables[name]
        tables[name] = frame[frame["on"] <= frame["piece"].map(ended)].reset_index(drop=True)
    shavings = _shavings(pieces, season, rng)
    tables["offcuts"] = pd.concat([tables["offcuts"], shavings], ignore_index=True)
    tables["pieces"] = pieces
    name = "last season of the Brindle Mill, invented"
    return replace(RecordBook.from_frames(**tables), name=name)


def _with_ends(
    pieces: pd.DataFrame, season: SimulatedSeason, looks: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    last = season.moisture.index[-1]
    days = pd.date_range(f"{YEAR - 1}-05-04", last, freq="14D")
    dry = season.ready_on(TURN_AT_PCT)
    long = looks[looks["crack_mm"] > FIREWOOD_MM].groupby("piece")["on"].min()
    rows = []
    for piece in pieces.itertuples():
        ready, split = dry[piece.piece], long.get(piece.piece, pd.NaT)
        later = days[days >= (ready if pd.notna(ready) else last)]
        on = later[min(int(rng.integers(0, 3)), len(later) - 1)] if len(later) else last
        if pd.notna(split) and split <= on:
            rows.append((split, "scrapped", np.nan))
        elif pd.isna(ready) or rng.random() < 0.08:
            rows.append((on, "given away", np.nan))
        else:
            wall = float(np.clip(np.round(rng.normal(7.0, 1.2)), 5, 11))
            rows.append((on, "finished", wall))
    ends = pd.DataFrame(rows, columns=["ended_on", "outcome", "finished_wall_mm"])
    return pieces.drop(columns=ends.columns, errors="ignore").join(ends)


def _shavings(
    pieces: pd.DataFrame, season: SimulatedSeason, rng: np.random.Generator
) -> pd.DataFrame:
    """Shavings of some finished bowls, dried in an oven on the day."""
    done = pieces[pieces["outcome"] == "finished"]
    rows = []
    for piece in done[rng.random(len(done)) < 0.25].itertuples():
        moisture = season.moisture.loc[piece.ended_on, piece.piece] + rng.normal(0, 0.2)
        dry = round(float(rng.uniform(20, 50)), 1)
        wet = round(dry * (1 + moisture / 100), 1)
        rows.append((piece.piece, piece.ended_on, wet, dry, "shavings at finishing"))
    return pd.DataFrame(rows, columns=["piece", "on", "wet_g", "oven_dry_g", "note"])


def drying_book(seed: int) -> RecordBook:
    """This season in the middle of June, with two scales and two witness blocks."""
    book = book_of_season(demo_season(seed), seed).until(MIDDLE)
    rng = np.random.default_rng(seed + 2003)
    tables = book.tables()
    ends = [limit for _, limit in SCALES]
    heavy = tables["weighings"].groupby("piece")["mass_g"].transform("median")
    names = np.array([name for name, _ in SCALES], dtype=object)
    which = np.searchsorted(ends, heavy.to_numpy())
    tables["weighings"] = tables["weighings"].assign(scale=names[which])
    tables["witnesses"] = _witnesses(book.air, rng)
    name = "this season of the Brindle Mill, invented"
    return replace(RecordBook.from_frames(**tables), name=name)


def _witnesses(air: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Blocks that follow the air with a lag, weighed once a week to a tenth of a gram."""
    rest = np.asarray(equilibrium_moisture(air["temp_c"].to_numpy(), air["rh_pct"].to_numpy()))
    moisture = pd.Series(rest, air["on"]).ewm(alpha=1 - np.exp(-1 / BLOCK_DAYS)).mean()
    rows = []
    for mark, dry in BLOCKS.items():
        for k, (on, now) in enumerate(moisture.iloc[28::7].items()):
            mass = round(float(dry * (1 + now / 100) + rng.normal(0, 0.05)), 1)
            rows.append((mark, on, mass, dry if k == 0 else np.nan, PLACE))
    return pd.DataFrame(rows, columns=["witness", "on", "mass_g", "oven_dry_g", "place"])


SEASONS = {"finished": finished_book, "drying": drying_book}
