"""From a book to arrays for the compiled fit, in chunks, on any executor."""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import Executor, ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.errors import WoodlabError

MOST_STEPS = 5
_DAY_US = 86_400_000_000.0


@dataclass(frozen=True)
class Rows:
    """Weighings of all pieces, by piece and date: rows ptr[p]:ptr[p + 1] belong to piece p.

    `days` since turning, `mass_g` less known sealer, `resolution_g` of the scale by piece,
    `source` the row in `book.weighings`; `step_ptr`, `steps` the events that changed the mass
    (row within the piece, 1 if wood was cut off), `step_source` their rows in the book;
    `sealer_g` the known sealer by row.
    """

    ptr: np.ndarray
    days: np.ndarray
    mass_g: np.ndarray
    resolution_g: np.ndarray
    source: np.ndarray
    sealer_g: np.ndarray
    step_ptr: np.ndarray
    steps: np.ndarray
    step_source: np.ndarray
    too_many_steps: np.ndarray
    n_early: np.ndarray

    @property
    def counts(self) -> np.ndarray:
        return np.diff(self.ptr)


def gather(book: RecordBook) -> Rows:
    """Sort the weighings, count days from turning, take off known sealer, find the steps."""
    pieces, weighings = book.pieces, book.weighings
    count = len(pieces)
    code = pd.Index(pieces["piece"]).get_indexer(weighings["piece"])
    on = _microseconds(weighings["on"])
    turned = _microseconds(pieces["turned_on"])
    days = (on - turned[code]) / _DAY_US
    keep = (code >= 0) & (days >= 0)
    n_early = np.bincount(code[(code >= 0) & ~keep], minlength=count)
    source = np.arange(len(code))
    if not keep.all():
        code, days, source = code[keep], days[keep], source[keep]
    ahead = (code[1:] > code[:-1]) | ((code[1:] == code[:-1]) & (days[1:] >= days[:-1]))
    if not ahead.all():
        order = np.lexsort((days, code))
        code, days, source = code[order], days[order], source[order]
    ptr = np.zeros(count + 1, dtype=np.int64)
    np.cumsum(np.bincount(code, minlength=count), out=ptr[1:])
    mass = weighings["mass_g"].to_numpy(dtype=float)[source]
    resolution = _resolution(weighings, source, mass, ptr)
    sealer, steps = _sealer_and_steps(book, code, source, ptr)
    step_ptr, step_rows, step_source, too_many = steps
    if sealer is not None:
        mass = mass - sealer
    else:
        sealer = np.zeros(0)
    return Rows(
        ptr, np.ascontiguousarray(days), mass, resolution, source, sealer,
        step_ptr, step_rows, step_source, too_many, n_early,
    )  # fmt: skip


def _microseconds(dates: pd.Series) -> np.ndarray:
    return dates.to_numpy().astype("datetime64[us]").astype(np.int64).astype(float)


STEPS_G = (1.0, 0.5, 0.1, 0.01)
POUND_G, OUNCE_G = 453.59237, 28.349523125
# a book in pounds or ounces: no whole number of these is one of tenths of a gram, save by chance
IMPERIAL_STEPS_G = (POUND_G / 10, OUNCE_G, OUNCE_G / 2, POUND_G / 100, OUNCE_G / 10, POUND_G / 1000)


def _resolution(
    weighings: pd.DataFrame, source: np.ndarray, mass: np.ndarray, ptr: np.ndarray
) -> np.ndarray:
    """Smallest step of the scale by piece: as recorded, else read from the figures' last digit."""
    count = ptr.size - 1
    out = np.full(count, 0.001)
    filled = ptr[1:] > ptr[:-1]
    starts = ptr[:-1][filled]
    if not starts.size:
        return out
    undecided = np.ones(count, dtype=bool)
    for step in (*STEPS_G, *IMPERIAL_STEPS_G):
        scaled = mass / step
        odd = np.abs(scaled - np.rint(scaled)) > (1e-6 if step in STEPS_G else 1e-4)
        whole = np.zeros(count, dtype=bool)
        whole[filled] = ~np.logical_or.reduceat(odd, starts)
        out[undecided & whole] = step
        undecided &= ~whole
        if not undecided.any():
            break
    given = weighings["scale_g"].to_numpy(dtype=float)
    if np.isfinite(given).any():
        coarsest = np.full(count, np.nan)
        coarsest[filled] = np.fmax.reduceat(given[source], starts)
        out = np.where(np.isfinite(coarsest), coarsest, out)
    return out


def _sealer_and_steps(
    book: RecordBook, code: np.ndarray, source: np.ndarray, ptr: np.ndarray
) -> tuple[np.ndarray | None, tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]]:
    count = ptr.size - 1
    seal_g = book.pieces["seal_g"].to_numpy(dtype=float)
    known = np.nan_to_num(seal_g)
    event = book.weighings["event"]
    has = event.notna().to_numpy()[source]
    none = np.zeros((0, 2), dtype=np.int64)
    nothing = (np.zeros(count + 1, dtype=np.int64), none, none[:, 0], np.zeros(count, dtype=bool))
    if not has.any():
        return (known[code] if known.any() else None), nothing
    rows = np.flatnonzero(has)
    kind = event.to_numpy()[source[rows]]
    piece = code[rows]
    within = rows - ptr[piece]
    sealer = known[code] if known.any() else None
    if sealer is not None:
        # known sealer, put on at a weighing: it weighs from that row on
        for row, p in zip(rows[kind == "sealed"], piece[kind == "sealed"], strict=True):
            sealer[ptr[p] : row] = 0.0
    free = (within > 0) & ~((kind == "sealed") & (known[piece] > 0))
    rows, kind, piece, within = rows[free], kind[free], piece[free], within[free]
    per_piece = np.bincount(piece, minlength=count)
    too_many = per_piece > MOST_STEPS
    fits = ~too_many[piece]
    rows, kind, piece, within = rows[fits], kind[fits], piece[fits], within[fits]
    step_ptr = np.zeros(count + 1, dtype=np.int64)
    np.cumsum(np.bincount(piece, minlength=count), out=step_ptr[1:])
    steps = np.column_stack([within, (kind == "trimmed").astype(np.int64)]).astype(np.int64)
    return sealer, (step_ptr, steps, source[rows], too_many)


@cache
def t_quantiles(level: float = 0.95) -> np.ndarray:
    """Two-sided Student quantiles by degrees of freedom, 1 to 400 (index 0 is not used)."""
    from scipy.stats import t

    return np.r_[np.inf, t.ppf(0.5 + level / 2, np.arange(1, 401))]


def fit_chunk(task: dict[str, Any]) -> dict[str, np.ndarray]:
    """Fit one chunk of pieces; plain arrays in and out, so that any executor can carry it."""
    from woodlab.drying import fit_kernels as names
    from woodlab.drying import piece_kernels

    # A read-only or strided array would be another type, and compiled for anew.
    task = {
        name: np.require(value, requirements=["C", "W"]) if isinstance(value, np.ndarray) else value
        for name, value in task.items()
    }
    k = task["grid"].shape[1]
    n = task["ptr"].size - 1
    size = k + names.MOST_C
    out = {
        "u": np.zeros((n, k)),
        "c": np.zeros((n, names.MOST_C)),
        "cov": np.zeros((n, size, size)),
        "result": np.zeros((n, names.RESULTS)),
        "w": np.ones(task["days"].size),
        "ends": np.zeros((n, k, 3)),
        "derived": np.zeros((n, 3, piece_kernels.DERIVED)),
    }
    piece_kernels.fit_many(
        task["law"], task["design"], task["grid"], task["from_span"], task["lower"],
        task["upper"], task["options"], task["ptr"], task["days"], task["mass_g"],
        task["courses"], task["which"], task["start"], task["driven"], task["step_ptr"],
        task["steps"], task["most_spikes"], task["profile"], t_quantiles(), out["u"], out["c"],
        out["cov"], out["result"], out["w"], out["ends"], out["derived"],
    )  # fmt: skip
    return out


_BY_PIECE = ("upper", "options", "which", "start")


def split(task: dict[str, Any], wanted: np.ndarray, size: int) -> Iterator[tuple[np.ndarray, dict]]:
    """Chunks of at most `size` of the wanted pieces, each a task of its own."""
    for first in range(0, wanted.size, size):
        chosen = wanted[first : first + size]
        part = dict(task)
        for name in _BY_PIECE:
            part[name] = np.ascontiguousarray(task[name][chosen])
        part["ptr"], rows = _picked(task["ptr"], chosen)
        part["days"], part["mass_g"] = task["days"][rows], task["mass_g"][rows]
        part["step_ptr"], step_rows = _picked(task["step_ptr"], chosen)
        part["steps"] = task["steps"][step_rows]
        yield chosen, part


def _picked(ptr: np.ndarray, chosen: np.ndarray) -> tuple[np.ndarray, np.ndarray | slice]:
    counts = ptr[chosen + 1] - ptr[chosen]
    new = np.zeros(chosen.size + 1, dtype=np.int64)
    np.cumsum(counts, out=new[1:])
    if chosen.size and (np.diff(chosen) == 1).all():
        return new, slice(int(ptr[chosen[0]]), int(ptr[chosen[-1] + 1]))
    rows = np.repeat(ptr[chosen] - new[:-1], counts) + np.arange(new[-1])
    return new, rows


def run(
    task: dict[str, Any],
    wanted: np.ndarray,
    executor: Executor | None,
    progress: bool | None,
    slow: bool,
) -> dict[str, np.ndarray]:
    """Fit the wanted pieces; arrays over all pieces (NaN where not wanted), `w` over all rows."""
    pieces, rows = task["ptr"].size - 1, task["days"].size
    workers = getattr(executor, "_max_workers", None) or min(os.cpu_count() or 1, 8)
    size = max(4 if slow else 64, -(-wanted.size // (4 * workers)))
    size = min(size, 64 if slow else 20000)
    chunks = list(split(task, wanted, size)) if wanted.size <= size else None
    out: dict[str, np.ndarray] = {}

    def put(chosen: np.ndarray, part: dict[str, np.ndarray]) -> None:
        for name, values in part.items():
            if name == "w":
                if "w" not in out:
                    out["w"] = np.zeros(rows)
                _, at = _picked(task["ptr"], chosen)
                out["w"][at] = values
                continue
            if name not in out:
                out[name] = np.full((pieces, *values.shape[1:]), np.nan)
            out[name][chosen] = values

    show = progress if progress is not None else (wanted.size > 20000 or (slow and wanted.size > 8))
    bar = None
    if show and wanted.size:
        from tqdm.auto import tqdm

        bar = tqdm(total=int(wanted.size), unit="piece", desc="fitting", leave=False)
    try:
        if chunks is not None and executor is None:
            for chosen, part in chunks:
                put(chosen, fit_chunk(part))
            return out or _nothing(task, pieces, rows)
        own = ThreadPoolExecutor(workers) if executor is None else None
        pool = executor if own is None else own
        assert pool is not None
        try:
            pending = {pool.submit(fit_chunk, part): chosen
                       for chosen, part in split(task, wanted, size)}  # fmt: skip
            for future in _finished(pending, executor):
                put(pending[future], future.result())
                if bar is not None:
                    bar.update(pending[future].size)
        finally:
            if own is not None:
                own.shutdown()
    finally:
        if bar is not None:
            bar.close()
    return out or _nothing(task, pieces, rows)


def _finished(pending: dict, executor: Executor | None) -> Iterator[Any]:
    """Futures as they finish; another library's own kind of future in order of submission."""
    from concurrent.futures import Future

    if all(isinstance(future, Future) for future in pending):
        yield from as_completed(pending)
        return
    yield from pending


def _nothing(task: dict[str, Any], pieces: int, rows: int) -> dict[str, np.ndarray]:
    from woodlab.drying import fit_kernels as names
    from woodlab.drying import piece_kernels

    k = task["grid"].shape[1]
    size = k + names.MOST_C
    return {
        "u": np.full((pieces, k), np.nan),
        "c": np.full((pieces, names.MOST_C), np.nan),
        "cov": np.full((pieces, size, size), np.nan),
        "result": np.full((pieces, names.RESULTS), np.nan),
        "w": np.zeros(rows),
        "ends": np.full((pieces, k, 3), np.nan),
        "derived": np.full((pieces, 3, piece_kernels.DERIVED), np.nan),
    }


def check_executor(executor: object) -> None:
    """Raise WoodlabError if this is no executor."""
    if executor is not None and not hasattr(executor, "submit"):
        raise WoodlabError(
            "executor must be a concurrent.futures executor, such as "
            "ProcessPoolExecutor(4) or a Dask client's get_executor()."
        )


def student(dof: np.ndarray, level: float = 0.95) -> np.ndarray:
    """Two-sided Student quantile by degrees of freedom (at least 1)."""
    table = t_quantiles(level)
    safe = np.clip(np.nan_to_num(dof, nan=1.0), 1, table.size - 1).astype(int)
    return table[safe]
