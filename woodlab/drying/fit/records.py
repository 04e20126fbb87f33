"""A season's records as arrays: one padded table for every fit.

n pieces, at most k weighings each. Witness blocks come behind the pieces: they are bare pieces of
known oven-dry mass, in no list of bowls. Shavings taken later than turning are rows of the same
table that hold a moisture instead of a mass.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying.fit.known import (
    LATER_DAYS,
    STEPS_G,
    gross_errors,
    known_green,
    known_offcuts,
    sealed_at,
    witnesses,
)
from woodlab.drying.fit.shelf import Shelf, read_shelf
from woodlab.errors import WoodlabError

MOST_ROWS = 160  # weighings of a piece that count: more lie closer than the drift's memory can use
SHAVINGS_SD = 0.05  # of the moisture of shavings against the wall's mean; our own estimate
MOST_STEPS = 5  # events that change the mass of one piece
WITNESS_WALL_MM = 20.0
UNKNOWN_WALL_SD = 0.25  # of ln wall where none is written down
_DAY = np.timedelta64(1, "D")

POUND_G, OUNCE_G = 453.59237, 28.349523125
# a book in pounds or ounces: no whole number of these is one of tenths of a gram, save by chance
IMPERIAL_STEPS_G = (POUND_G / 10, OUNCE_G, OUNCE_G / 2, POUND_G / 100, OUNCE_G / 10, POUND_G / 1000)


@dataclass(frozen=True, eq=False)
class Records:
    """The arrays of a season; rows behind a piece's last weighing are padding.

    Attributes
    ----------
    book : RecordBook
        Up to the day asked for.
    names : ndarray of str, (n,)
        Marks of pieces, then of witness blocks.
    n_pieces : int
        How many of the n are pieces; the rest are blocks.
    species, seals, logs, books : tuple of str
    of_species, of_seal, of_log, of_book : ndarray, (n,)
    half_m, wall_sd : ndarray, (n,)
        Half of the wall [m], and the sd of ln wall where it is not written down (else 0).
    foot_ratio : ndarray, (n,)
        Thickness of the foot over that of the wall; 1 where the foot was not measured.
    days, mass_g : ndarray, (n, k)
        Since turning; mass less known sealer, or moisture [%] where `is_moisture`.
    counts, n_early, n_thinned, too_many : ndarray, (n,)
    source : ndarray, (n, k)
        Row in `book.weighings`, -1 where there is none.
    scale_g, scale_of, suspect, is_moisture : ndarray, (n, k)
        Resolution, number of the named scale (-1: not named), weights that no neighbour agrees
        with, rows that hold a moisture.
    scales : tuple of str
    sealer_g : ndarray, (n, k)
        Known sealer that was taken off.
    steps : tuple of (piece, first row after, wood cut off, row in the book)
        Events that changed the mass.
    dry_ln : ndarray, (n,)
        Ln of the oven-dry mass where it is known (witness blocks), else NaN.
    green_ln, green_sd : ndarray, (species,)
        Prior of ln green moisture.
    own_offcuts, log_offcuts : tuple of ndarray
        Piece or log, and ln moisture.
    sealed_at : ndarray, (n,)
        Days from turning to the last sealing (0: at turning).
    shelf : Shelf
        The air.
    step_on : datetime64 or None
        The day from which all weights are those of another scale, though nobody noted it.
    """

    book: RecordBook
    names: np.ndarray
    n_pieces: int
    species: tuple[str, ...]
    seals: tuple[str, ...]
    logs: tuple[str, ...]
    books: tuple[str, ...]
    of_species: np.ndarray
    of_seal: np.ndarray
    of_log: np.ndarray
    of_book: np.ndarray
    half_m: np.ndarray
    wall_sd: np.ndarray
    foot_ratio: np.ndarray
    days: np.ndarray
    mass_g: np.ndarray
    counts: np.ndarray
    n_early: np.ndarray
    n_thinned: np.ndarray
    too_many: np.ndarray
    source: np.ndarray
    scale_g: np.ndarray
    scale_of: np.ndarray
    suspect: np.ndarray
    is_moisture: np.ndarray
    scales: tuple[str, ...]
    sealer_g: np.ndarray
    steps: tuple[tuple[int, int, bool, int], ...]
    dry_ln: np.ndarray
    green_ln: np.ndarray
    green_sd: np.ndarray
    own_offcuts: tuple[np.ndarray, np.ndarray]
    log_offcuts: tuple[np.ndarray, np.ndarray]
    sealed_at: np.ndarray
    shelf: Shelf
    step_on: np.datetime64 | None = None

    @property
    def n(self) -> int:
        return len(self.half_m)

    @cached_property
    def here(self) -> np.ndarray:
        """Which cells of the table are weighings, (n, k)."""
        return np.arange(self.days.shape[1]) < self.counts[:, None]

    @cached_property
    def weighed(self) -> np.ndarray:
        """Which pieces have a weight, (n,)."""
        return (self.here & ~self.is_moisture).any(axis=1)

    @cached_property
    def sealed(self) -> np.ndarray:
        """Which pieces have a seal, (n,)."""
        return np.array([seal not in BARE for seal in self.seals])[self.of_seal]

    def take(self, pick: np.ndarray) -> Records:
        """The records of some pieces."""
        pick = np.asarray(pick)
        where = {int(p): i for i, p in enumerate(pick)}
        own = np.isin(self.own_offcuts[0], pick)
        by_piece = (
            "names", "of_species", "of_seal", "of_log", "of_book", "half_m", "wall_sd",
            "foot_ratio", "days", "mass_g", "counts", "n_early", "n_thinned", "too_many", "source",
            "scale_g", "scale_of", "suspect", "is_moisture", "sealer_g", "dry_ln", "sealed_at",
        )  # fmt: skip
        width = max(int(self.counts[pick].max(initial=1)), 1)
        parts = {}
        for name in by_piece:
            value = getattr(self, name)[pick]
            parts[name] = value[:, :width] if value.ndim == 2 else value
        return replace(
            self, **parts, n_pieces=int((pick < self.n_pieces).sum()),
            steps=tuple((where[s[0]], s[1], s[2], s[3]) for s in self.steps if s[0] in where),
            own_offcuts=(
                np.array([where[int(p)] for p in self.own_offcuts[0][own]], dtype=int),
                self.own_offcuts[1][own],
            ),
            shelf=self.shelf.take(pick),
        )  # fmt: skip


BARE = ("none", "not said")


def read_records(book: RecordBook, until: object = None) -> Records:
    """The book as arrays, with no weighing and no air after the day `until`."""
    if until is not None:
        book = book.until(pd.Timestamp(until))
    pieces = book.pieces.reset_index(drop=True)
    if len(pieces) == 0:
        raise WoodlabError("The book has no pieces. Enter some in the table `pieces` first.")
    blocks = witnesses(book)
    table = _table(book, pieces, blocks)
    names = np.array([*pieces["piece"].to_numpy(dtype=object), *blocks], dtype=object)
    extra = len(blocks)
    of_species, species = _codes(pieces["species"], "not said", ["witness block"] * extra)
    of_seal, seals = _codes(pieces["seal"], "none", ["none"] * extra)
    alone = pd.Series("piece " + pieces["piece"].astype(str), pieces.index)
    log = pieces["log"].astype(object)
    of_log, logs = _codes(log.where(log.notna(), alone), "", [f"witness {w}" for w in blocks])
    whole = pd.Series("", pieces.index)  # a book that is not joined of several
    behind = [str(b["book"].iloc[0]) for b in blocks.values()]
    of_book, books = _codes(pieces["book"] if book.joined else whole, "", behind)
    wall = pieces["wall_mm"].to_numpy(dtype=float)
    usual = float(np.nanmedian(wall)) if np.isfinite(wall).any() else 25.0
    by_wood = pieces.groupby("species")["wall_mm"].transform("median").fillna(usual)
    half = np.where(np.isfinite(wall), wall, by_wood.to_numpy()) / 2000
    here = np.arange(table["days"].shape[1]) < table["counts"][:, None]
    green_ln, green_sd = known_green(list(species))
    turned = pieces["turned_on"]
    first_block = [pd.Timestamp(b["first"].iloc[0]) for b in blocks.values()]
    return Records(
        book=book, names=names,
        n_pieces=len(pieces), species=species,
        seals=seals, logs=logs, books=books, of_species=of_species, of_seal=of_seal,
        of_log=of_log, of_book=of_book,
        half_m=np.r_[half, np.full(extra, WITNESS_WALL_MM / 2000)],
        wall_sd=np.r_[np.where(np.isfinite(wall), 0.0, UNKNOWN_WALL_SD), np.full(extra, 0.3)],
        foot_ratio=np.r_[_foot_ratio(pieces, half), np.ones(extra)], **table, scales=_scales(book),
        suspect=gross_errors(table["mass_g"], here & ~table["is_moisture"], table["steps"]),
        dry_ln=np.r_[
            np.full(len(pieces), np.nan), [np.log(b["dry"].iloc[0]) for b in blocks.values()]
        ].astype(float),
        green_ln=green_ln, green_sd=green_sd,
        **known_offcuts(book, pieces, of_log, list(logs)),
        sealed_at=np.r_[sealed_at(book, pieces), np.zeros(extra)],
        shelf=read_shelf(
            book, pd.concat([turned, pd.Series(first_block, dtype=turned.dtype)]),
            [*pieces["place"], *(b["place"].iloc[0] for b in blocks.values())], until,
        ),
    )  # fmt: skip


def _foot_ratio(pieces: pd.DataFrame, half_m: np.ndarray) -> np.ndarray:
    foot = pieces["foot_wall_mm"].to_numpy(dtype=float)
    ratio = np.where(np.isfinite(foot), foot / (2000 * half_m), 1.0)
    return np.where(np.abs(ratio - 1) < 0.01, 1.0, ratio)


# what a cell without a weighing holds; its type is that of the column
_CELLS = {
    "days": 0.0, "mass_g": 0.0, "source": np.int32(-1), "scale_g": 1.0, "scale_of": np.int16(-1),
    "is_moisture": np.bool_(False), "sealer_g": 0.0,
}  # fmt: skip
SEALED, TRIMMED, OTHER = 1, 2, 3  # events


def days_between(turned: np.ndarray, on: np.ndarray) -> np.ndarray:
    """Days from turning to dates: whole days between two dates without a time, as the weighings of
    a book count them; a date beside a time of day is its noon."""
    turned, on = turned.astype("datetime64[us]"), on.astype("datetime64[us]")
    dated = on == on.astype("datetime64[D]")
    whole = dated & (turned == turned.astype("datetime64[D]"))
    return (on - turned) / _DAY + np.where(dated & ~whole, 0.5, 0.0)


def _codes(
    column: pd.Series, default: str, behind: list[str]
) -> tuple[np.ndarray, tuple[str, ...]]:
    values = np.where(column.notna(), column.to_numpy(dtype=object), default)
    codes, labels = pd.factorize(np.append(values, np.array(behind, dtype=object)))
    return codes, tuple(map(str, labels))


def _scales(book: RecordBook) -> tuple[str, ...]:
    return tuple(sorted(map(str, book.weighings["scale"].dropna().unique())))


def _table(
    book: RecordBook, pieces: pd.DataFrame, blocks: dict[str, pd.DataFrame]
) -> dict[str, Any]:
    """Weighings since turning and later shavings by piece and day, padded; blocks behind. The
    fields of `Records` that hold them, by name."""
    n = len(pieces)
    flat = _flat(book, pieces)
    early = (flat["code"] >= 0) & (flat["days"] < 0)
    n_early = np.bincount(flat["code"][early], minlength=n)
    flat = _rows(flat, np.flatnonzero((flat["code"] >= 0) & (flat["days"] >= 0)))
    apart = np.diff(flat["code"])
    if (apart < 0).any() or ((np.diff(flat["days"]) < 0) & (apart == 0)).any():
        flat = _rows(flat, np.lexsort((flat["days"], flat["code"])))
    code = flat["code"]
    counts = np.bincount(code, minlength=n)
    ptr = np.r_[0, np.cumsum(counts)]
    flat["scale_g"] = np.where(flat["is_moisture"], 0.0, _resolution(flat, ptr)[code] if n else 0.0)
    flat["sealer_g"] = _sealer(flat, pieces, ptr)
    flat["mass_g"] = flat["mass_g"] - flat["sealer_g"]
    step = flat["event"] > 0
    step[ptr[:-1][counts > 0]] = False  # before the first weighing nothing changed its mass
    step &= ~((flat["event"] == SEALED) & (flat["sealer_g"] > 0))
    too_many = np.bincount(code[step], minlength=n) > MOST_STEPS
    step &= ~too_many[code]
    take = _thinned(flat["days"], step, ptr)
    kept = np.bincount(code[take], minlength=n)
    width = max(int(kept.max(initial=1)), *(len(b) for b in blocks.values()), 1)
    all_counts = np.r_[kept, [len(b) for b in blocks.values()]].astype(int)
    flat = _rows(flat, take)
    owner = flat["code"]
    at = np.arange(owner.size) - np.r_[0, np.cumsum(kept)][owner]
    cell = owner * width + at
    cells = {}
    for name, nothing in _CELLS.items():
        cells[name] = np.full((len(all_counts), width), nothing)
        cells[name].ravel()[cell] = flat[name]
        for j, rows in enumerate(blocks.values()):
            cells[name][n + j, : len(rows)] = rows[name]
    steps = tuple(
        (int(owner[i]), int(at[i]), bool(flat["event"][i] == TRIMMED), int(flat["source"][i]))
        for i in np.flatnonzero(step[take])
    )
    none = np.zeros(len(blocks), dtype=int)
    return {
        **cells, "counts": all_counts, "steps": steps, "n_early": np.r_[n_early, none],
        "n_thinned": np.r_[counts - kept, none], "too_many": np.r_[too_many, none.astype(bool)],
    }  # fmt: skip


def _rows(flat: dict[str, np.ndarray], order: np.ndarray) -> dict[str, np.ndarray]:
    """The rows in this order; as they are where that is theirs already."""
    if order.size == len(flat["code"]) and (np.diff(order) == 1).all():
        return flat
    return {name: value[order] for name, value in flat.items()}


def _flat(book: RecordBook, pieces: pd.DataFrame) -> dict[str, np.ndarray]:
    """All rows of all pieces, one behind the other, in the book's order."""
    weighings = book.weighings
    code = pd.Index(pieces["piece"]).get_indexer(weighings["piece"])
    turned = pieces["turned_on"].to_numpy().astype("datetime64[us]")
    days = (weighings["on"].to_numpy().astype("datetime64[us]") - turned[code]) / _DAY
    scales = {name: i for i, name in enumerate(_scales(book))}
    count = len(weighings)
    scale = np.full(count, -1, dtype=np.int16)
    if scales:
        scale = weighings["scale"].map(scales).fillna(-1).to_numpy(dtype=np.int16)
    event = np.zeros(count, dtype=np.int8)
    told = np.flatnonzero(weighings["event"].notna())
    said = weighings["event"].iloc[told]
    event[told] = np.select([said == "sealed", said == "trimmed"], [SEALED, TRIMMED], OTHER)
    out = {
        "code": code, "days": days, "mass_g": weighings["mass_g"].to_numpy(dtype=float),
        "source": np.arange(count), "given_g": weighings["scale_g"].to_numpy(dtype=float),
        "event": event, "scale_of": scale, "is_moisture": np.zeros(count, dtype=bool),
    }  # fmt: skip
    shavings = _shavings(book, pieces)
    if len(shavings["code"]):
        out = {name: np.concatenate([value, shavings[name]]) for name, value in out.items()}
    return out


def _resolution(flat: dict[str, np.ndarray], ptr: np.ndarray) -> np.ndarray:
    """Smallest step of the scale by piece: as recorded, else read from the figures' last digit."""
    out = np.full(ptr.size - 1, 0.001)
    filled = np.flatnonzero(ptr[1:] > ptr[:-1])
    if not filled.size:
        return out
    mass = np.where(flat["is_moisture"], 0.0, flat["mass_g"])  # moisture has no scale

    def odd(value: np.ndarray, step: float) -> np.ndarray:
        scaled = value / step
        return np.abs(scaled - np.rint(scaled)) > (1e-6 if step in STEPS_G else 1e-4)

    undecided = np.ones(out.size, dtype=bool)
    for step in (*STEPS_G, *IMPERIAL_STEPS_G):
        # most steps are ruled out by a piece's first weight or its last; if not, all are asked
        can = undecided[filled] & ~odd(mass[ptr[filled]], step)
        can &= ~odd(mass[ptr[filled + 1] - 1], step)
        if can.any():
            can &= ~np.logical_or.reduceat(odd(mass, step), ptr[filled])
            out[filled[can]] = step
            undecided[filled[can]] = False
    coarsest = np.full(out.size, np.nan)
    coarsest[filled] = np.fmax.reduceat(flat["given_g"], ptr[filled])
    return np.where(np.isfinite(coarsest), coarsest, out)


def _sealer(flat: dict[str, np.ndarray], pieces: pd.DataFrame, ptr: np.ndarray) -> np.ndarray:
    """Known sealer of each row [g]; put on at a weighing, it weighs from that row on."""
    known = np.nan_to_num(pieces["seal_g"].to_numpy(dtype=float))
    code = flat["code"]
    out = np.where(flat["is_moisture"], 0.0, known[code])
    for row in np.flatnonzero((flat["event"] == SEALED) & (out > 0)):
        out[ptr[code[row]] : row] = 0.0
    return out


def _thinned(days: np.ndarray, step: np.ndarray, ptr: np.ndarray) -> np.ndarray:
    """The rows that count: all, or of a logger's piece some evenly over its days and all events."""
    take = np.ones(days.size, dtype=bool)
    for p in np.flatnonzero(np.diff(ptr) > MOST_ROWS):
        mine = slice(ptr[p], ptr[p + 1])
        day = days[mine]
        want = np.linspace(day[0], day[-1], MOST_ROWS - MOST_STEPS - 1)
        take[mine] = step[mine]
        take[ptr[p] + np.searchsorted(day, want)] = True
    return np.flatnonzero(take)


def _shavings(book: RecordBook, pieces: pd.DataFrame) -> dict[str, np.ndarray]:
    """Offcuts later than turning: rows that hold the moisture of their day."""
    cuts = book.offcuts
    code = pd.Index(pieces["piece"]).get_indexer(cuts["piece"])
    turned = pieces["turned_on"].to_numpy().astype("datetime64[us]")
    days = (cuts["on"].to_numpy().astype("datetime64[us]") - turned[code]) / _DAY
    pick = (code >= 0) & (np.nan_to_num(days, nan=-1.0) > LATER_DAYS)
    moisture = 100 * (cuts["wet_g"] / cuts["oven_dry_g"] - 1).to_numpy(dtype=float)
    count = int(pick.sum())
    return {
        "code": code[pick], "days": days[pick], "mass_g": moisture[pick],
        "source": np.full(count, -1), "given_g": np.full(count, np.nan),
        "event": np.zeros(count, np.int8), "scale_of": np.full(count, -1, np.int16),
        "is_moisture": np.ones(count, dtype=bool),
    }  # fmt: skip
