"""What a book says beside its weighings: green moisture, offcuts, seals, witness blocks, slips."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.wood.species import species_facts

LATER_DAYS = 2.0  # an offcut so much later than turning tells the moisture of its day
STEPS_G = (1.0, 0.5, 0.1, 0.01)
FAR = 0.3  # of ln mass
SPECIES_PCT = 25.0  # scatter of a piece about the table's mean [% of it]; an estimate of our own
UNKNOWN_GREEN = (75.0, 0.5)  # median [%] and sd of ln, where the species table has no figure

_DAY = np.timedelta64(1, "D")


def witnesses(book: RecordBook) -> dict[str, pd.DataFrame]:
    """Rows of each witness block whose oven-dry mass is known, by its mark."""
    table = book.witnesses
    out = {}
    for mark, rows in table.groupby("witness", sort=False):
        dry = rows["oven_dry_g"].dropna()
        rows = rows.dropna(subset=["on", "mass_g"]).sort_values("on", kind="stable")
        if not len(dry) or not len(rows):
            continue
        place = rows["place"].dropna()
        out[str(mark)] = pd.DataFrame(
            {
                "days": (rows["on"] - rows["on"].iloc[0]) / pd.Timedelta(days=1),
                "mass_g": rows["mass_g"], "source": -1, "scale_of": -1, "is_moisture": False,
                "scale_g": last_digit(rows["mass_g"].to_numpy(dtype=float)), "sealer_g": 0.0,
                "dry": float(dry.iloc[0]), "first": rows["on"].iloc[0],
                "place": place.iloc[0] if len(place) else None,
                "book": rows["book"].iloc[0] if "book" in rows else "",
            }
        )  # fmt: skip
    return out


def last_digit(mass: np.ndarray) -> float:
    for step in STEPS_G:
        if (np.abs(mass / step - np.rint(mass / step)) < 1e-6).all():
            return step
    return 0.001


def sealed_at(book: RecordBook, pieces: pd.DataFrame) -> np.ndarray:
    """Days from turning to the last `sealed` or `resealed`, 0 where there is none."""
    rows = book.weighings[book.weighings["event"].notna()]
    rows = rows[rows["event"].isin(["sealed", "resealed"])]
    last = rows.groupby("piece")["on"].max().reindex(pieces["piece"]).to_numpy()
    days = (last - pieces["turned_on"].to_numpy()) / _DAY
    return np.where(np.isfinite(days), np.maximum(days, 0.0), 0.0)


def known_green(species: list[str]) -> tuple[np.ndarray, np.ndarray]:
    """Prior of ln green moisture by species; without a figure a wide one."""
    mean, sd = (
        np.full(len(species), value) for value in (np.log(UNKNOWN_GREEN[0]), UNKNOWN_GREEN[1])
    )
    for i, name in enumerate(species):
        if name == "witness block":  # dry wood, so that it does not pull at the green moisture
            mean[i], sd[i] = np.log(12.0), 0.6
            continue
        level, scatter = green_of_species(name)
        if np.isfinite(level):
            mean[i], sd[i] = np.log(level), max(scatter / level, 0.1)
    return mean, sd


def green_of_species(name: str) -> tuple[float, float]:
    """Mean and scatter of the green moisture [%] by the species table; NaN where it is silent."""
    figures = species_facts(name).figures
    mean, heart, sap = (
        figures[key] for key in ("green_moisture_pct", "green_heartwood_pct", "green_sapwood_pct")
    )
    parts = [value for value in (heart, sap) if np.isfinite(value)]
    if not np.isfinite(mean):
        if not parts:
            return np.nan, np.nan
        mean = float(np.mean(parts))
    # heartwood or sapwood is not known: anywhere between them is as likely
    apart = (max(parts) - min(parts)) / np.sqrt(12) if len(parts) == 2 else 0.0
    return float(mean), float(np.hypot(SPECIES_PCT / 100 * mean, apart))


def known_offcuts(
    book: RecordBook, pieces: pd.DataFrame, of_log: np.ndarray, logs: list[str]
) -> dict[str, Any]:
    """Offcuts cut at turning, of a piece or of a log: fields of `Records`, by name."""
    table = book.offcuts
    if len(table) == 0:
        empty = (np.empty(0, dtype=int), np.empty(0))
        return {"log_offcuts": empty, "own_offcuts": empty}
    moisture = 100 * (table["wet_g"] / table["oven_dry_g"] - 1)
    ln = np.log(moisture.where(moisture > 1, 1.0).to_numpy(dtype=float))
    by_piece = table["piece"].map(pd.Series(np.arange(len(pieces)), pieces["piece"].to_numpy()))
    by_log = table["log"].map(pd.Series(np.arange(len(logs)), logs))
    turned = table["piece"].map(pd.Series(pieces["turned_on"].to_numpy(), pieces["piece"]))
    later = ((table["on"] - turned) / pd.Timedelta(days=1) > LATER_DAYS).to_numpy()
    good = (moisture > 1).to_numpy() & ~later
    own = by_piece.notna().to_numpy() & good
    other = by_log.notna().to_numpy() & ~own & good & by_piece.isna().to_numpy()
    return {
        "own_offcuts": (by_piece[own].to_numpy(dtype=int), ln[own]),
        "log_offcuts": (by_log[other].to_numpy(dtype=int), ln[other]),
    }


def gross_errors(
    mass: np.ndarray, here: np.ndarray, steps: tuple[tuple[int, int, bool, int], ...]
) -> np.ndarray:
    """Weights far from all of their neighbours: a tenfold slip, the wrong piece. (n, k) of bool.

    Compared with the median of the two before and the two after; across an event that changed
    the mass nothing is compared.
    """
    out = np.zeros(mass.shape, dtype=bool)
    ln = np.log(np.where(here, np.maximum(mass, 1e-3), 1.0))
    jumps = (np.abs(np.diff(ln, axis=1)) > FAR / 2) & here[:, 1:] & here[:, :-1]
    at = np.flatnonzero(jumps.any(axis=1) | (here[:, 1:] & ~here[:, :-1]).any(axis=1))
    if not at.size:  # nothing can be far from its neighbours' neighbours
        return out
    padded = np.pad(np.where(here, ln, np.nan)[at], ((0, 0), (2, 2)), constant_values=np.nan)
    near = np.sort(np.lib.stride_tricks.sliding_window_view(padded, 5, 1)[..., [0, 1, 3, 4]])
    count = np.isfinite(near).sum(axis=-1)
    middle = _median(near, count)
    away = np.abs(near - middle[..., None])
    spread = np.nan_to_num(_median(np.sort(away), count))
    far = np.abs(ln[at] - middle) > FAR + 2 * spread
    out[at] = here[at] & (count >= 2) & far & (here[at].sum(axis=1) >= 4)[:, None]
    for p, first, _, _ in steps:
        out[p, max(first - 2, 0) : first + 2] = False
    return out


def _median(ranked: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Median of the first `count` along the last axis; NaN where there is none."""
    both = np.stack([np.maximum(count - 1, 0) // 2, np.minimum(count // 2, 3)], axis=-1)
    middle: np.ndarray = np.take_along_axis(ranked, both, axis=-1).mean(axis=-1)
    return middle
