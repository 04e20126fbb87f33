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
import warnings
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying.air_course import air_course
from woodlab.drying.batch import Rows, gather
from woodlab.drying.green import start_moisture_information
from woodlab.drying.warmth import warmth
from woodlab.errors import WoodlabError

_DAY = np.timedelta64(1, "D")
DRIFT_DAYS = 30.0  # how long a wall that departs from the law goes on doing so
UNKNOWN_GREEN_SD = 0.5  # of ln green moisture, where the species table has no figure
UNKNOWN_AIR_PCT = 12.0  # where a book has no air log: a store indoors, wide open (see below)


@dataclass(frozen=True)
class PooledLaw:
    """A law as pooling sees it: what is free and what is held.

    `inner` and `surface` say whether diffusivity and surface coefficient are estimated (else the
    piece has no resistance there), `rise` whether the diffusivity may rise with moisture, `warm`
    whether both may grow with the warmth of the air.
    """

    name: str
    capped: bool
    inner: bool = True
    surface: bool = True
    rise: bool = False
    warm: bool = False


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
    air_shift_sd_pct: float = 0.12  # between the air at the log and the air at the pieces
    unknown_air_sd_pct: float = 2.5
    warmth_kj_mol: float = 15.0  # activation energy, see `warmth`
    warmth_sd_kj_mol: float = 15.0
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
    rows: Rows  # as gathered, ragged
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
    sums: np.ndarray  # (courses, 2, days + 1), see `running_sums`
    start: np.ndarray  # course time of turning
    has_air: bool
    air_unread: float  # share of the pieces' drying days with no reading near
    log_end: np.datetime64  # last day with a reading

    @property
    def n(self) -> int:
        return len(self.half_m)

    @cached_property
    def memory(self) -> np.ndarray:
        """Correlation of the drift between a piece's weighings, (n, k, k); zero where there is
        none."""
        here = np.arange(self.days.shape[1])[None, :] < self.counts[:, None]
        gap = np.abs(self.days[:, :, None] - self.days[:, None, :])
        return np.where(here[:, :, None] & here[:, None, :], np.exp(-gap / DRIFT_DAYS), 0.0)


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
    of_species, species = pd.factorize(pieces["species"].astype(object).fillna("unknown"))
    seal = pieces["seal"].astype(object).fillna("none")
    of_seal, seals = pd.factorize(seal)
    log = pieces["log"].astype(object)
    alone = "piece " + pieces["piece"].astype(object)
    of_log, logs = pd.factorize(log.where(log.notna(), alone))
    weighed = _weighings(book, until)
    air = _air(book, pieces, weighed["last"], until)
    start_ln, start_sd = _start_of_species(book, pieces, list(species))
    return PoolData(
        pieces=pieces, species=tuple(map(str, species)), seals=tuple(map(str, seals)),
        logs=tuple(map(str, logs)), of_species=of_species, of_seal=of_seal, of_log=of_log,
        half_m=pieces["wall_mm"].to_numpy(dtype=float) / 2000,
        rows=weighed["rows"], days=weighed["days"], net_g=weighed["net"], counts=weighed["counts"],
        scale_g=weighed["scale"], suspect=weighed["suspect"], steps=tuple(weighed["steps"]),
        start_ln=start_ln, start_sd=start_sd,
        own_species=np.array([of_species[of_log == i][0] for i in range(len(logs))]),
        **_offcuts(book, pieces, of_log, list(logs)), **air,
    )  # fmt: skip


def _weighings(book: RecordBook, until: np.datetime64 | None) -> dict[str, Any]:
    """Ragged rows of `batch.gather` as padded tables."""
    if until is not None:
        book = replace(book, weighings=book.weighings[book.weighings["on"] < until + _DAY])
    rows = gather(book)
    counts, n = rows.counts, len(rows.counts)
    k = max(int(counts.max(initial=0)), 1)
    owner = np.repeat(np.arange(n), counts)
    at = np.arange(owner.size) - rows.ptr[owner]
    days, net, scale = np.zeros((n, k)), np.zeros((n, k)), np.ones((n, k))
    days[owner, at], net[owner, at] = rows.days, rows.mass_g
    scale[owner, at] = rows.resolution_g[owner]
    steps = []
    for p in np.flatnonzero(np.diff(rows.step_ptr)):
        for s in range(rows.step_ptr[p], rows.step_ptr[p + 1]):
            first, cut = rows.steps[s]
            shape = np.zeros(counts[p])
            shape[first:] = net[p, first : counts[p]] / net[p, first] if cut else 1.0
            steps.append((int(p), int(first), shape))
    here = np.arange(k)[None, :] < counts[:, None]
    suspect = gross_errors(net, here, steps)
    if len(book.weighings):
        last = max(book.weighings["on"].max(), book.pieces["turned_on"].max())
    else:
        last = book.pieces["turned_on"].max()
    return {
        "rows": rows, "days": days, "net": net, "counts": counts, "scale": scale,
        "suspect": suspect, "steps": steps, "last": last,
    }  # fmt: skip


def gross_errors(
    net: np.ndarray, here: np.ndarray, steps: list[tuple[int, int, np.ndarray]]
) -> np.ndarray:
    """Weights far from all of their neighbours: a tenfold slip, the wrong piece. (n, k) of bool.

    Compared with the median of the two before and the two after; across an event that changed
    the mass nothing is compared.
    """
    n, k = net.shape
    ln = np.where(here, np.log(np.maximum(net, 1e-3)), np.nan)
    near = np.full((4, n, k), np.nan)
    for j, shift in enumerate((-2, -1, 1, 2)):
        if abs(shift) < k:
            if shift < 0:
                near[j, :, -shift:] = ln[:, :shift]
            else:
                near[j, :, :-shift] = ln[:, shift:]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # all-NaN behind the last weighing
        middle = np.nanmedian(near, axis=0)
        spread = np.nanmedian(np.abs(near - middle), axis=0)
    enough = np.isfinite(near).sum(axis=0) >= 2
    out = here & enough & (np.abs(ln - middle) > 0.3 + 2 * np.nan_to_num(spread))
    out &= here.sum(axis=1)[:, None] >= 4
    for p, first, _ in steps:
        out[p, max(first - 2, 0) : first + 2] = False
    return out


def _air(
    book: RecordBook, pieces: pd.DataFrame, last: pd.Timestamp, until: np.datetime64 | None
) -> dict[str, Any]:
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
        values, warm = np.full((1, length), UNKNOWN_AIR_PCT), np.zeros((1, length))
        place = np.zeros(len(pieces), dtype=int)
        log_end, unread = first, 1.0
    else:
        span = pd.Timestamp(first), pd.Timestamp(end) + pd.Timedelta(days=1)
        values, _ = course.days(*span)
        warm = warmth(course.days(*span, "temp_c")[0])
        day = pd.Timestamp(last if until is None else min(until, np.datetime64(last, "D")))
        unread = float(course.unread(pieces["turned_on"], pieces["place"], day).mean())
        place = course.which(pieces["place"])
        log_end = np.datetime64(course.logged["on"].max(), "D")
    return {
        "first_day": first, "place": place, "sums": running_sums(values, warm),
        "start": start.astype(float), "has_air": course is not None, "log_end": log_end,
        "air_unread": unread,
    }  # fmt: skip


def running_sums(equilibrium_pct: np.ndarray, warm: np.ndarray) -> np.ndarray:
    """Sums up to the beginning of each day, (..., 2, days + 1), of the equilibrium moisture [%] and
    of the warmth [mol/kJ], both (..., days)."""
    both = np.stack([equilibrium_pct, warm], axis=-2)
    out = np.zeros((*both.shape[:-1], both.shape[-1] + 1))
    np.cumsum(both, axis=-1, out=out[..., 1:])
    return out


def _start_of_species(
    book: RecordBook, pieces: pd.DataFrame, species: list[str]
) -> tuple[np.ndarray, np.ndarray]:
    """Prior of ln green moisture by species; without a figure 75 %, give or take half of it."""
    bare = RecordBook(
        book.pieces, book.weighings, book.looks, book.air, book.offcuts.iloc[:0], book.rims
    )
    table = start_moisture_information(bare).set_index("piece")
    mean, sd = np.full(len(species), np.log(75.0)), np.full(len(species), UNKNOWN_GREEN_SD)
    for i, name in enumerate(species):
        mine = table.loc[pieces.loc[pieces["species"] == name, "piece"]]
        if len(mine) and np.isfinite(mine["mean_pct"].iloc[0]):
            level = float(mine["mean_pct"].iloc[0])
            mean[i], sd[i] = np.log(level), max(float(mine["sd_pct"].iloc[0]) / level, 0.1)
    return mean, sd


def _offcuts(
    book: RecordBook, pieces: pd.DataFrame, of_log: np.ndarray, logs: list[str]
) -> dict[str, Any]:
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
