"""What pooling is told: a season's records as arrays, the laws it can pool, and the priors.

One kernel serves all pooled laws, since each is a slab with something switched off:

    slab         diffusivity rising with moisture (the rise is estimated), surface flux capped
    open_slab    the same without the cap
    film         no rise, no cap
    diffusion    film with its surface at equilibrium
    two_period   slab without inner resistance: tau = (wall/2)/surface coefficient
    exponential  film without inner resistance

Priors are estimates of our own, wide enough that a season of a dozen pieces overrules them.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying.air_course import air_course
from woodlab.drying.green import start_moisture_information
from woodlab.errors import WoodlabError

_DAY = np.timedelta64(1, "D")
UNKNOWN_AIR_PCT = 12.0  # where a book has no air log: a store indoors, wide open (see below)


@dataclass(frozen=True)
class PooledLaw:
    """A law as pooling sees it: what is free and what is held.

    `inner` and `surface` say whether diffusivity and surface coefficient are estimated (else the
    piece has no resistance there), `rise` whether the diffusivity may rise with moisture.
    """

    name: str
    capped: bool
    inner: bool = True
    surface: bool = True
    rise: bool = False


POOLED_LAWS = {
    law.name: law
    for law in (
        PooledLaw("slab", capped=True, rise=True),
        PooledLaw("open_slab", capped=False, rise=True),
        PooledLaw("film", capped=False),
        PooledLaw("diffusion", capped=False, surface=False),
        PooledLaw("two_period", capped=True, inner=False),
        PooledLaw("exponential", capped=False, inner=False),
    )
}


@dataclass(frozen=True)
class Priors:
    """Means and standard deviations; of logarithms unless a unit is named."""

    ln_diffusivity: float = float(np.log(3e-11))
    ln_diffusivity_sd: float = 1.0
    species_sd: float = 0.35
    ln_surface_bare: float = float(np.log(3e-8))
    ln_surface_sealed: float = float(np.log(8e-9))
    ln_surface_sd: float = 1.2
    rise_per_pct: float = 0.09
    rise_sd_per_pct: float = 0.06
    saturation_pct: float = 30.0
    saturation_sd_pct: float = 1.0
    air_shift_sd_pct: float = 0.2  # between the air at the log and the air at the pieces
    unknown_air_sd_pct: float = 2.5
    # variance components: median, and the spread of their logarithm
    components: tuple[tuple[str, float, float], ...] = (
        ("log, ln diffusivity", 0.12, 0.6),
        ("piece, ln diffusivity", 0.10, 0.6),
        ("log, ln surface", 0.05, 0.7),
        ("piece, ln surface", 0.12, 0.6),
        ("log, ln start moisture", 0.10, 0.6),
        ("piece, ln start moisture", 0.04, 0.6),
        ("offcut, ln start moisture", 0.05, 0.5),
    )


@dataclass(frozen=True, eq=False)
class PoolData:
    """A season as arrays; n pieces, at most k weighings each, ragged rows padded behind."""

    pieces: pd.DataFrame
    species: tuple[str, ...]
    seals: tuple[str, ...]
    logs: tuple[str, ...]
    of_species: np.ndarray
    of_seal: np.ndarray
    of_log: np.ndarray
    half_m: np.ndarray
    days: np.ndarray  # (n, k) since turning
    net_g: np.ndarray  # (n, k) weighed mass less sealer
    counts: np.ndarray
    scale_g: np.ndarray  # (n, k)
    suspect: np.ndarray  # (n, k) weights that no neighbour agrees with
    steps: tuple[tuple[int, int, np.ndarray], ...]  # piece, first weighing after, its shape
    start_ln: np.ndarray  # (species,) prior of ln green moisture
    start_sd: np.ndarray
    log_offcuts: tuple[np.ndarray, np.ndarray]  # log index, ln moisture
    own_offcuts: tuple[np.ndarray, np.ndarray]  # piece index, ln moisture
    own_species: np.ndarray
    first_day: np.datetime64
    place: np.ndarray  # course of each piece
    sums: np.ndarray  # (courses, days + 1) running sums of the air
    start: np.ndarray  # course time of turning
    has_air: bool
    log_end: np.datetime64  # last day with a reading

    @property
    def n(self) -> int:
        return len(self.half_m)


def in_threads(work: Callable[[int, int], None], n: int) -> None:
    """Run work(first, last) over n pieces in chunks, on all cores (the kernels free the lock)."""
    workers = max(1, min(os.cpu_count() or 1, n))
    if workers == 1:
        work(0, n)
        return
    edges = np.linspace(0, n, 4 * workers + 1).astype(int)
    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(lambda pair: work(*pair), zip(edges[:-1], edges[1:], strict=True)))


def pack(book: RecordBook, until: np.datetime64 | None = None) -> PoolData:
    """The season as arrays, with no weighing and no air after `until`.

    Raises
    ------
    WoodlabError
        If the book has no pieces.
    """
    pieces = book.pieces.reset_index(drop=True)
    if len(pieces) == 0:
        raise WoodlabError("The book has no pieces. Enter some in the table `pieces` first.")
    n = len(pieces)
    of_species, species = pd.factorize(pieces["species"].astype(object).fillna("unknown"))
    seal = pieces["seal"].astype(object).fillna("none")
    of_seal, seals = pd.factorize(seal)
    log = pieces["log"].astype(object)
    alone = "piece " + pieces["piece"].astype(object)
    of_log, logs = pd.factorize(log.where(log.notna(), alone))
    weighed = _weighings(book, pieces, until)
    air = _air(book, pieces, weighed["last"], until)
    start_ln, start_sd = _start_of_species(book, pieces, list(species))
    return PoolData(
        pieces=pieces, species=tuple(map(str, species)), seals=tuple(map(str, seals)),
        logs=tuple(map(str, logs)), of_species=of_species, of_seal=of_seal, of_log=of_log,
        half_m=pieces["wall_mm"].to_numpy(dtype=float) / 2000,
        days=weighed["days"], net_g=weighed["net"], counts=weighed["counts"],
        scale_g=weighed["scale"], suspect=weighed["suspect"], steps=tuple(weighed["steps"]),
        start_ln=start_ln, start_sd=start_sd,
        own_species=np.array([of_species[of_log == i][0] for i in range(len(logs))]),
        **_offcuts(book, pieces, of_log, list(logs)), **air,
    )  # fmt: skip


def _weighings(book: RecordBook, pieces: pd.DataFrame, until: np.datetime64 | None) -> dict:
    rows = book.weighings[["piece", "on", "mass_g", "event", "scale_g"]]
    index = pd.Series(np.arange(len(pieces)), pieces["piece"].to_numpy())
    row = rows["piece"].map(index)
    day = (rows["on"] - rows["piece"].map(pieces.set_index("piece")["turned_on"])) / _DAY
    keep = row.notna() & (day >= 0) & (rows["mass_g"] > 0)
    if until is not None:
        keep &= rows["on"] < until + _DAY
    rows, row, day = rows[keep], row[keep].to_numpy(dtype=int), day[keep].to_numpy(dtype=float)
    order = np.lexsort((day, row))
    row, day = row[order], day[order]
    mass = rows["mass_g"].to_numpy(dtype=float)[order]
    event = rows["event"].astype(object).to_numpy()[order]
    step = rows["scale_g"].to_numpy(dtype=float)[order]
    n = len(pieces)
    counts = np.bincount(row, minlength=n)
    k = max(int(counts.max(initial=0)), 1)
    at = np.arange(row.size) - np.repeat(np.cumsum(counts) - counts, counts)
    days, net = np.zeros((n, k)), np.zeros((n, k))
    scale, suspect = np.ones((n, k)), np.zeros((n, k), dtype=bool)
    sealer = pieces["seal_g"].to_numpy(dtype=float)
    sealer = np.where(np.isfinite(sealer), sealer, 0.0)
    days[row, at] = day
    net[row, at] = mass - sealer[row]
    steps = []
    for p in range(n):
        mine = np.flatnonzero(row == p) if row.size < 20000 else np.arange(
            counts[:p].sum(), counts[: p + 1].sum()
        )  # fmt: skip
        if mine.size == 0:
            continue
        scale[p, : mine.size] = np.where(np.isfinite(step[mine]), step[mine], guess_scale(mass[mine]))
        jumps = [j for j in range(1, mine.size) if isinstance(event[mine[j]], str)]
        suspect[p, : mine.size] = _gross(net[p, : mine.size], jumps)
        for j in jumps:
            after = net[p, : mine.size].copy()
            cut = event[mine[j]] in ("trimmed", "glued")
            shape = after / after[j] if cut else np.ones(mine.size)
            steps.append((p, j, np.where(np.arange(mine.size) < j, 0.0, shape)))
    last = rows["on"].max() if len(rows) else pieces["turned_on"].max()
    return {
        "days": days, "net": net, "counts": counts, "scale": scale, "suspect": suspect,
        "steps": steps, "last": last,
    }  # fmt: skip


def guess_scale(mass_g: np.ndarray) -> float:
    """The resolution of a scale [g] from what was read off it: the coarsest step that fits all.

    Examples
    --------
    >>> guess_scale(np.array([905.0, 870, 845]))
    5.0
    """
    for step in (50.0, 20.0, 10.0, 5.0, 2.0, 1.0, 0.5, 0.2, 0.1):
        if mass_g.size >= 3 and np.abs(mass_g / step - np.round(mass_g / step)).max() < 1e-6:
            return step
    return 1.0 if mass_g.size < 3 else 0.1


def _gross(net: np.ndarray, jumps: list[int]) -> np.ndarray:
    """Weights far from the line through their neighbours: a tenfold slip, a swapped piece."""
    out = np.zeros(net.size, dtype=bool)
    if net.size < 4:
        return out
    ln = np.log(np.maximum(net, 1e-3))
    for j in range(net.size):
        near = [i for i in (j - 2, j - 1, j + 1, j + 2) if 0 <= i < net.size]
        if any(min(near + [j]) < jump <= max(near + [j]) for jump in jumps):
            continue
        middle = float(np.median(ln[near]))
        spread = float(np.median(np.abs(ln[near] - middle)))
        out[j] = abs(ln[j] - middle) > 0.35 + 2 * spread
    return out


def _air(
    book: RecordBook, pieces: pd.DataFrame, last: pd.Timestamp, until: np.datetime64 | None
) -> dict:
    first = np.datetime64(pieces["turned_on"].min(), "D")
    end = max(np.datetime64(last, "D"), np.datetime64(pieces["turned_on"].max(), "D"))
    if until is not None:
        end = max(end, until)
    air = book.air
    if until is not None and len(air):
        air = air[air["on"] < until + _DAY]
    course = air_course(air) if len(air) else None
    start = (pieces["turned_on"] - pd.Timestamp(first)).to_numpy() / _DAY
    if course is None:
        length = int((end - first) / _DAY) + 2
        values = np.full((1, length), UNKNOWN_AIR_PCT)
        place = np.zeros(len(pieces), dtype=int)
        log_end = first
    else:
        values, _ = course.days(pd.Timestamp(first), pd.Timestamp(end) + pd.Timedelta(days=1))
        place = course.which(pieces["place"])
        log_end = np.datetime64(course.logged["on"].max(), "D")
    sums = np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)
    return {
        "first_day": first, "place": place, "sums": sums, "start": start.astype(float),
        "has_air": course is not None, "log_end": log_end,
    }  # fmt: skip


def _start_of_species(
    book: RecordBook, pieces: pd.DataFrame, species: list[str]
) -> tuple[np.ndarray, np.ndarray]:
    """Prior of ln green moisture by species; without a figure 75 %, give or take half of it."""
    bare = RecordBook(
        book.pieces, book.weighings, book.looks, book.air, book.offcuts.iloc[:0], book.rims
    )
    table = start_moisture_information(bare).set_index("piece")
    mean, sd = np.full(len(species), np.log(75.0)), np.full(len(species), 0.5)
    for i, name in enumerate(species):
        mine = table.loc[pieces.loc[pieces["species"] == name, "piece"]]
        if len(mine) and np.isfinite(mine["mean_pct"].iloc[0]):
            level = float(mine["mean_pct"].iloc[0])
            mean[i], sd[i] = np.log(level), max(float(mine["sd_pct"].iloc[0]) / level, 0.1)
    return mean, sd


def _offcuts(book: RecordBook, pieces: pd.DataFrame, of_log: np.ndarray, logs: list[str]) -> dict:
    table = book.offcuts
    empty = (np.empty(0, dtype=int), np.empty(0))
    if len(table) == 0:
        return {"log_offcuts": empty, "own_offcuts": empty}
    moisture = 100 * (table["wet_g"] / table["oven_dry_g"] - 1)
    good = (moisture > 1).to_numpy()
    ln = np.log(moisture.where(moisture > 1, 1.0).to_numpy(dtype=float))
    by_piece = table["piece"].map(pd.Series(np.arange(len(pieces)), pieces["piece"].to_numpy()))
    by_log = table["log"].map(pd.Series(np.arange(len(logs)), logs))
    own = by_piece.notna().to_numpy() & good
    other = by_log.notna().to_numpy() & ~own & good
    return {
        "own_offcuts": (by_piece[own].to_numpy(dtype=int), ln[own]),
        "log_offcuts": (by_log[other].to_numpy(dtype=int), ln[other]),
    }
