"""What a fit rests on: records as arrays, the air, what is known of the start, where to search."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from woodlab.book.record_book import RecordBook
from woodlab.drying.air_course import AirCourse, air_course
from woodlab.drying.batch import Rows, gather
from woodlab.drying.green import most_moisture_pct, start_moisture_information
from woodlab.drying.laws import Law
from woodlab.drying.modes import DailyAir
from woodlab.errors import WoodlabError

# Where no air is known: the equilibrium moisture of an unheated shed in a temperate place and its
# uncertainty, an estimate of our own. It splits the mass at the end into wood and water; it does
# not touch the time constants.
ASSUMED_EQUILIBRIUM_PCT = 12.0
ASSUMED_EQUILIBRIUM_SD_PCT = 3.0

LAW_NUMBER = {
    name: number
    for number, name in enumerate(
        ["exponential", "two_term", "stretched", "diffusion", "film", "two_period", "slab"]
    )
}
# How a fit is laid out: along the book's air, with a free end, or with the start searched for
AIR, FREE, START = 0, 1, 2


@dataclass(frozen=True)
class Setup:
    """What a fit rests on, by piece; see `prepare`."""

    law: Law
    fixed: dict[str, float]
    rows: Rows
    known: pd.DataFrame
    course: AirCourse | None
    air: DailyAir
    equilibrium_pct: np.ndarray
    equilibrium_sd_pct: np.ndarray
    design: int
    driven: bool
    task: dict[str, Any]


def working_names(setup: Setup) -> tuple[str, ...]:
    """The quantities that `DryingFits.mean` and `.cov` hold, in order; see `DryingFits`."""
    own = [p.name for p in setup.law.parameters if p.usual is None]
    return (*own, "oven_dry_g", "start_moisture_pct", "equilibrium_pct")


def prepare(book: RecordBook, law: Law, air: float | str | None, fixed: dict[str, float]) -> Setup:
    """Arrays, air, what is known of the start, bounds and starting grid."""
    held = {p.name: float(p.usual) for p in law.parameters if p.usual is not None}
    wrong = set(fixed) - set(held)
    if wrong:
        raise WoodlabError(
            f"{', '.join(sorted(wrong))} cannot be held in the law {law.name!r}. "
            f"Can be held: {', '.join(held) or 'nothing'}."
        )
    held.update({name: float(value) for name, value in fixed.items()})
    rows = gather(book)
    pieces = book.pieces
    known = start_moisture_information(book)
    course = air_course(book.air) if air == "book" else None
    level, level_sd, daily = _air_of_pieces(book, rows, course, air)
    free = course is None and not isinstance(air, int | float)
    design = START if not law.linear else FREE if free else AIR
    driven = (course is not None and law.changing_air) or design == START
    if course is not None and not law.changing_air:
        courses, which = level[:, None], np.arange(len(pieces))
        start = np.zeros(len(pieces))
        daily = DailyAir(level[:, None], 0.0, which) if len(pieces) else daily
    else:
        courses, which, start = daily.of(len(pieces))
    options = _options(book, law, held, rows, known, level, design)
    k, grid, lower, upper, from_span = _search_space(law.name, rows)
    task = {
        "law": LAW_NUMBER[law.name], "design": design, "grid": grid, "from_span": from_span,
        "lower": lower, "upper": upper, "options": options, "ptr": rows.ptr, "days": rows.days,
        "mass_g": rows.mass_g, "courses": np.ascontiguousarray(courses), "which": which,
        "start": start, "driven": driven, "step_ptr": rows.step_ptr, "steps": rows.steps,
        "most_spikes": 6, "profile": True,
    }  # fmt: skip
    return Setup(
        law, held, rows, known, course, daily, level, level_sd, design, driven, task
    )  # fmt: skip


def _air_of_pieces(
    book: RecordBook, rows: Rows, course: AirCourse | None, air: float | str | None
) -> tuple[np.ndarray, np.ndarray, DailyAir]:
    """Level and its uncertainty where the air is one number, and the air itself."""
    count = len(book.pieces)
    if course is not None:
        last = book.pieces["turned_on"].max()
        if len(book.weighings):
            last = max(last, book.weighings["on"].max())
        daily = course.for_pieces(book.pieces["turned_on"], book.pieces["place"], last)
        return _mean_air(rows, daily), np.zeros(count), daily
    if isinstance(air, int | float) and not isinstance(air, bool):
        if not 0 <= air <= 35:
            raise WoodlabError(
                f"air = {air:g} is no equilibrium moisture in percent. Type one between 0 and 35, "
                "such as 12."
            )
        level, sd = float(air), 0.0
    elif air in ("book", None):
        level, sd = ASSUMED_EQUILIBRIUM_PCT, ASSUMED_EQUILIBRIUM_SD_PCT
    else:
        raise WoodlabError(f"air = {air!r} is not known. Give 'book', a number, or None.")
    return np.full(count, level), np.full(count, sd), DailyAir(np.full((1, 1), level))


def _mean_air(rows: Rows, daily: DailyAir) -> np.ndarray:
    """Mean equilibrium moisture of each piece's own record, for laws of constant air only."""
    pieces = rows.ptr.size - 1
    last = np.zeros(pieces)
    some = rows.counts > 0
    last[some] = rows.days[rows.ptr[1:][some] - 1]
    courses, which, start = daily.of(pieces)
    total = np.concatenate([np.zeros((len(courses), 1)), courses.cumsum(axis=1)], axis=1)
    first = np.floor(start).astype(int)
    end = np.minimum(np.ceil(start + np.maximum(last, 1.0)).astype(int), courses.shape[1])
    return (total[which, end] - total[which, first]) / np.maximum(end - first, 1)


def _first_mass(rows: Rows) -> np.ndarray:
    out = np.full(rows.ptr.size - 1, np.nan)
    some = rows.counts > 0
    out[some] = rows.mass_g[rows.ptr[:-1][some]]
    return out


def lightest(rows: Rows) -> np.ndarray:
    """Lightest believable mass: far below half of the usual one is a slip, not a weight."""
    out = np.full(rows.ptr.size - 1, np.inf)
    some = rows.counts > 0
    first = _first_mass(rows)
    believable = np.where(rows.mass_g > 0.2 * np.repeat(first, rows.counts), rows.mass_g, np.inf)
    if some.any():
        out[some] = np.minimum.reduceat(believable, rows.ptr[:-1][some])
    return out


def free_prior(known: pd.DataFrame, rows: Rows, level: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What is known of the start as a ratio of still-to-go to the mass at the end, and its sd."""
    mean, sd = known["mean_pct"].to_numpy(), known["sd_pct"].to_numpy()
    dry = _first_mass(rows) / (1 + mean / 100)
    return (mean - level) / (100 + level), sd / 100 * dry


def _options(
    book: RecordBook,
    law: Law,
    held: dict[str, float],
    rows: Rows,
    known: pd.DataFrame,
    level: np.ndarray,
    design: int,
) -> np.ndarray:
    """The row of options of each piece; see `fit_kernels` for the positions."""
    mean, sd = known["mean_pct"].to_numpy(), known["sd_pct"].to_numpy()
    offcut = known["n_offcuts"].to_numpy() > 0
    most = most_moisture_pct(book)
    most = np.where(offcut, np.minimum(most, mean + 4 * sd), most)
    first = _first_mass(rows)
    trimmed = np.zeros(len(most), dtype=bool)
    if len(rows.steps):
        owner = np.repeat(np.arange(len(most)), np.diff(rows.step_ptr))
        trimmed[owner[rows.steps[:, 1] == 1]] = True
    options = np.zeros((len(most), 9))
    options[:, 0] = book.pieces["wall_mm"].to_numpy(dtype=float) / 2000
    options[:, 1] = np.nan_to_num(first / (1 + most / 100))
    options[:, 2] = np.inf if design == FREE else np.where(trimmed, np.inf, lightest(rows))
    if design == FREE:
        ratio, ratio_sd = free_prior(known, rows, level)
        use = offcut
    elif design == AIR:
        ratio, ratio_sd = mean / 100, sd / 100 * first / (1 + mean / 100)
        use = np.isfinite(sd)
    else:
        ratio, ratio_sd = mean, sd / mean
        use = np.isfinite(sd)
    options[:, 3] = np.where(use, ratio, 0.0)
    options[:, 4] = np.where(use, np.nan_to_num(ratio_sd), 0.0)
    options[:, 5] = rows.resolution_g / np.sqrt(12)
    options[:, 6] = held.get("critical_pct", 30.0)
    options[:, 7] = held.get("rise_per_pct", 0.0)
    options[:, 8] = held.get("fibre_saturation_pct", 30.0)
    return options


def _search_space(law: str, rows: Rows) -> tuple[int, np.ndarray, np.ndarray, np.ndarray, bool]:
    """Starting grid (first column relative to ln of the record's length), lower and upper u."""
    times = np.arange(-3.5, 2.0, 1.0)
    starts = np.log([45.0, 90.0])
    every: dict[str, list[ArrayLike]] = {
        "exponential": [np.arange(-4.0, 2.1, 1.0)],
        "two_term": [np.arange(-2.5, 1.0, 1.0), [0.7, 1.8, 3.2], [0.2, 0.5, 0.8]],
        "stretched": [times, [-0.5, 0.0, 0.35]],
        "diffusion": [np.arange(-4.0, 2.1, 1.0)],
        "film": [times, [-2.0, 0.5, 3.0]],
        "two_period": [times, starts],
        "slab": [np.arange(-2.5, 1.0, 1.0), [-1.5, 1.5], starts],
    }
    axes = [np.asarray(axis, dtype=float) for axis in every[law]]
    grid = np.array(np.meshgrid(*axes, indexing="ij")).reshape(len(axes), -1).T.copy()
    ln = np.log
    low = {
        "exponential": [ln(0.05)],
        "two_term": [ln(0.05), ln(1.2), 0.0],
        "stretched": [ln(0.05), ln(0.2)],
        "diffusion": [ln(1e-13)],
        "film": [ln(0.05), ln(0.01)],
        "two_period": [ln(0.05), ln(3.0)],
        "slab": [ln(0.05), ln(0.01), ln(3.0)],
    }[law]
    span = np.full(rows.ptr.size - 1, 10.0)
    some = rows.counts > 0
    span[some] = np.maximum(rows.days[rows.ptr[1:][some] - 1], 10.0)
    longest = ln(np.minimum(50.0 * span, 20000.0))
    high = {
        "exponential": [longest],
        "two_term": [longest, ln(200.0), 1.0],
        "stretched": [longest, ln(5.0)],
        "diffusion": [ln(1e-7)],
        "film": [longest, ln(500.0)],
        "two_period": [longest, ln(400.0)],
        "slab": [longest, ln(500.0), ln(400.0)],
    }[law]
    upper = np.column_stack([np.broadcast_to(value, span.shape) for value in high])
    return grid.shape[1], grid, np.array(low), np.ascontiguousarray(upper), True
