"""What a drying law is: its parameters with bounds and priors, and how it runs.

A law is one object in one file. Whoever asks for moisture (a fit of one piece or of a season, the
simulation, a forecast, a chart) asks this object, and no other part of the kit knows a law by its
name.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from woodlab.drying import kernel
from woodlab.drying.kernel import SlabCurves
from woodlab.drying.laws.parameter import Parameter, Params, Prior, Scatter, broadcast
from woodlab.drying.modes import (
    Air,
    Courses,
    DailyAir,
    as_daily,
    mode_decay,
    mode_forced,
    sheet_decay,
    sheet_modes,
)
from woodlab.errors import WoodlabError

__all__ = ["Law", "Parameter", "Prior", "Rows", "Scatter", "Search", "kernel_run"]

Values = dict[str, np.ndarray]
START = "start_moisture_pct"


@dataclass(frozen=True)
class Rows:
    """Many runs of one law: R rows of parameters, each for one of n pieces.

    Attributes
    ----------
    values : dict of ndarray, (R,)
        The law's parameters by name, in their units, and `start_moisture_pct`.
    of : ndarray, (R,)
        The piece of each row.
    days, counts : ndarray, (n, k), (n,)
        Days since turning, not decreasing, and how many of them count.
    half_m : ndarray, (n,)
        Half of the wall [m].
    sums, which, start : ndarray
        Running sums of the air (courses, 2, days + 1), the course of each row (R,), the course
        time of each piece's day 0 (n,).
    foot_ratio : ndarray, (n,)
        Thickness of the foot over that of the wall; 1 where they are alike.
    shift_pct : float or ndarray, (R,)
        Added to the equilibrium moisture.
    wear : ndarray, (R, KNOTS), or None
        Ln of the surface coefficient over its first value, at the ages of the kernel's knots.
    pace : dict or None
        As `values`: the rows whose rates set the time steps, where slopes are wanted.
    grid : tuple
        Fineness, see `woodlab.drying.kernel`.
    """

    values: dict[str, np.ndarray]
    of: np.ndarray
    days: np.ndarray
    counts: np.ndarray
    half_m: np.ndarray
    sums: np.ndarray
    which: np.ndarray
    start: np.ndarray
    foot_ratio: np.ndarray
    shift_pct: float | np.ndarray = 0.0
    wear: np.ndarray | None = None
    pace: dict[str, np.ndarray] | None = None
    grid: tuple[float, ...] = kernel.FINE

    def take(self, pick: np.ndarray) -> Rows:
        """Some of the rows, (R,) of bool."""

        def some(values: Values) -> Values:
            return {name: value[pick] for name, value in values.items()}

        return replace(
            self, values=some(self.values), of=self.of[pick], which=self.which[pick],
            shift_pct=np.broadcast_to(self.shift_pct, self.of.shape)[pick],
            wear=None if self.wear is None else self.wear[pick],
            pace=None if self.pace is None else some(self.pace),
        )  # fmt: skip


@dataclass(frozen=True)
class Search:
    """How the fit of single pieces, all at once, looks for the parameters of a linear law.

    Attributes
    ----------
    values : callable
        `values(u, half_m)` -> the parameters by name, in their units, of what is searched for,
        u (..., P); `half_m` is half of the wall [m]. The first of u is ln of a time [days], that of
        the slowest mode; the others make the least squares a round bowl and not a bent valley.
    starts : tuple of tuple of float
        Starting values of each u; of the first, relative to ln of the record's length.
    lower, upper : tuple of float
        Bounds of u.
    several : int
        From how many starting values the fit descends (more than one where the least squares have
        several minima).
    """

    values: Callable[[np.ndarray, np.ndarray], Values]
    starts: tuple[tuple[float, ...], ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    several: int = 1


@dataclass(frozen=True)
class Law:
    """A drying law: what it estimates, and one of five ways in which it runs.

    A law whose moisture is linear in the start moisture is a sum of first-order `modes`, a plane
    `sheet`, or what of the change is `remaining` in constant air. A slab with something switched
    off has `kernel_columns`, and runs in compiled code. Any other has a `curve`.

    Attributes
    ----------
    name : str
    parameters : tuple of Parameter
        Without the start moisture, which every law has as `start_moisture_pct`.
    modes : callable or None
        `modes(values, half_m)` -> rates [1/day] and weights of its modes, each (modes, n);
        `values` has the parameters by name, (n,).
    sheet : callable or None
        `sheet(values, half_m)` -> Fo per day, Biot number, each (n,).
    remaining : callable or None
        `remaining(values, days)` -> the share of the change still to come, (n, k).
    kernel_columns : callable or None
        `kernel_columns(values, half_m)` -> columns of the compiled kernel by their number. A season
        is fitted through them where they are given.
    curve : callable or None
        `curve(values, half_m, days, air)` -> moisture (n, k); `air` is a `DailyAir`.
    search : Search or None
        For linear laws: single pieces are then fitted all at once.
    describes_only : bool
        True for laws that fit a curve but have no wall, wood or seal in them: they are fitted to
        single pieces, and a season is not pooled or forecast by them.
    candidate : bool
        True for laws that a season weighs against one another unless told otherwise.
    """

    name: str
    parameters: tuple[Parameter, ...]
    modes: Callable[[Values, np.ndarray], tuple[np.ndarray, np.ndarray]] | None = None
    sheet: Callable[[Values, np.ndarray], tuple[np.ndarray, np.ndarray]] | None = None
    remaining: Callable[[Values, np.ndarray], np.ndarray] | None = None
    kernel_columns: Callable[[Values, np.ndarray], dict[int, ArrayLike]] | None = None
    curve: Callable[[Values, np.ndarray, np.ndarray, DailyAir], np.ndarray] | None = None
    search: Search | None = None
    describes_only: bool = False
    candidate: bool = False

    @property
    def changing_air(self) -> bool:
        """False where only constant air is allowed."""
        return self.remaining is None

    @property
    def free(self) -> tuple[Parameter, ...]:
        """The parameters that a fit of one piece estimates unless told otherwise."""
        return tuple(p for p in self.parameters if p.usual is None)

    @property
    def of_piece(self) -> tuple[Parameter, ...]:
        """The parameters of which each piece has its own value."""
        return tuple(p for p in self.parameters if p.by_piece)

    @property
    def of_season(self) -> tuple[Parameter, ...]:
        """The parameters that a season estimates once."""
        return tuple(p for p in self.parameters if p.by_season)

    def filled(self, params: Params) -> dict[str, ArrayLike]:
        """The parameters with usual values where absent."""
        known = {p.name: p for p in self.parameters}
        unknown = set(params) - set(known) - {START}
        missing = [p.name for p in self.free if p.name not in params]
        if unknown or missing or START not in params:
            missing += [START] if START not in params else []
            raise WoodlabError(
                f"The law {self.name!r} has the parameters {START}, {', '.join(known)}; "
                + (f"missing: {', '.join(missing)}. " if missing else "")
                + (f"unknown: {', '.join(sorted(unknown))}." if unknown else "")
            )
        out: dict[str, ArrayLike] = {START: params[START]}
        for name, parameter in known.items():
            value = np.asarray(params.get(name, parameter.usual), dtype=float)
            low = parameter.lower
            bad = np.isnan(value) & (name in params) | (value < 0) | ((value == 0) & (low > 0))
            if bad.any():
                wrong = value[bad] if value.ndim else value
                raise WoodlabError(f"{name} must be above zero (found {float(np.min(wrong)):g}).")
            out[name] = value
        return out

    # ---- curves

    def moisture(self, days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air) -> np.ndarray:
        """Mean moisture (n, k) [%] on days since turning.

        `params` maps names to a number or one value a piece, `start_moisture_pct` among them;
        `wall_mm` is a number or one value a piece.
        """
        times, walls, values = broadcast(days, self.filled(params), wall_mm, air)
        if not isinstance(air, DailyAir):
            air = np.broadcast_to(np.asarray(air, dtype=float), (len(times),))
        return self._run(times, values, walls / 2000, air)

    def _run(self, times: np.ndarray, values: Values, half_m: np.ndarray, air: Air) -> np.ndarray:
        if self.curve is not None:
            return self.curve(values, half_m, times, as_daily(air, times))
        if not (self.modes or self.sheet or self.remaining):
            return self.inside(_one_each(times, values, half_m, air)).mean

        def of(u: np.ndarray) -> Values:
            return values

        none = np.empty((len(times), 0))  # no slopes are asked for
        decay = self.decay(of, none, half_m, times)
        if isinstance(air, DailyAir):
            courses = air.of(len(times), times.max(axis=1, initial=0.0))
            forced = self.forced(of, none, half_m, times, courses, decay)[0]
        else:
            forced = np.reshape(air, (-1, 1)) * (1 - decay[0])
        return values[START][:, None] * decay[0] + forced

    def decay(
        self, of: Callable[[np.ndarray], Values], u: np.ndarray, half_m: np.ndarray,
        days: np.ndarray,
    ) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
        """E of a linear law, (n, k), and its slopes in u, (P, n, k); `of(u)` gives the parameters.

        Of the modes, or of the sheet's two numbers, the slopes are central differences: those are
        small arrays, one value a piece, and the large ones have their slopes in closed form.
        """
        if self.remaining is not None:
            remaining = self.remaining
            return remaining(of(u), days), _slopes(lambda x: remaining(of(x), days), u)
        if self.sheet is None:
            return mode_decay(days, self._modes(of, half_m)(u), _slopes(self._modes(of, half_m), u))
        sheet = self.sheet
        fo, biot = sheet(of(u), half_m)
        decay, by_fo, by_biot = sheet_decay(fo[:, None] * days, biot)
        d_fo, d_biot = _slopes(lambda x: np.stack(sheet(of(x), half_m)), u).transpose(1, 0, 2)
        d_biot = np.nan_to_num(d_biot)  # of faces at equilibrium there is none
        return decay, d_fo[..., None] * (days * by_fo) + d_biot[..., None] * by_biot

    def forced(
        self, of: Callable[[np.ndarray], Values], u: np.ndarray, half_m: np.ndarray,
        days: np.ndarray, air: Courses, decay: tuple[np.ndarray, np.ndarray],
    ) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
        """What daily air has brought, (n, k) [%], and its slopes in u; `decay` as `decay` gave it.

        The modes of a sheet go on without end and are cut into groups. The groups answer a change
        of air well, but the step from nothing to the first day's air is ten times larger than any
        change: that step is taken from E itself, air (1 - E).
        """
        if self.remaining is not None:
            raise WoodlabError(
                f"The law {self.name!r} is no sum of modes and holds in constant air only. Give "
                "one equilibrium moisture, or take two_term or film, which follow the air."
            )
        modes = self._modes(of, half_m)
        sheet = self.sheet is not None
        out, slopes = mode_forced(days, modes(u), _slopes(modes, u), air, past_first=sheet)
        if sheet:
            courses, which, start = air
            first = courses[which, np.minimum(start.astype(int), courses.shape[1] - 1), None]
            out += first * (1 - decay[0])
            slopes -= first * decay[1]
        return out, slopes

    def _modes(
        self, of: Callable[[np.ndarray], Values], half_m: np.ndarray
    ) -> Callable[[np.ndarray], np.ndarray]:
        sheet, modes = self.sheet, self.modes
        if sheet is not None:
            return lambda u: sheet_modes(*sheet(of(u), half_m))
        assert modes is not None
        return lambda u: np.stack(modes(of(u), half_m))

    def curves(self, rows: Rows) -> np.ndarray:
        """Mean moisture of many rows, (R, k) [%]."""
        if self.kernel_columns is not None:
            return self.inside(rows).mean
        # Behind a piece's last day its last one again: a law wants days that do not decrease.
        at = np.minimum(np.arange(rows.days.shape[1]), np.maximum(rows.counts[:, None] - 1, 0))
        days = np.take_along_axis(rows.days, at, axis=1)[rows.of]
        half, which, start = rows.half_m[rows.of], rows.which, rows.start[rows.of]
        level = np.diff(rows.sums[:, 0], axis=1)
        if not self.changing_air:  # the mean of each row's own days
            first = start.astype(int)
            last = np.ceil(start + np.maximum(days.max(axis=1), 1.0)).astype(int)
            last = np.minimum(last, rows.sums.shape[2] - 1)
            total = rows.sums[which, 0, last] - rows.sums[which, 0, first]
            return self._run(
                days, rows.values, half, total / np.maximum(last - first, 1) + rows.shift_pct
            )
        if (np.ptp(level, axis=1) < 1e-9).all():
            return self._run(days, rows.values, half, level[which, 0] + rows.shift_pct)
        if self.curve is not None and np.any(rows.shift_pct):
            level, which = level[which] + np.reshape(rows.shift_pct, (-1, 1)), np.arange(len(days))
        elif np.any(rows.shift_pct):  # linear: air and start moisture may be counted from the shift
            shift = np.broadcast_to(rows.shift_pct, (len(days),))
            values = {**rows.values, START: rows.values[START] - shift}
            air = DailyAir(level, start, which)
            return self._run(days, values, half, air) + shift[:, None]
        return self._run(days, rows.values, half, DailyAir(level, start, which))

    def inside(self, rows: Rows, *, cells: bool = False) -> SlabCurves:
        """Mean, surface and core moisture of many rows, and the profile where it is asked for.

        A bowl with a thicker foot is two slabs side by side: the mean is that of both, the largest
        difference that of either, and the rest is the wall's.
        """
        if self.kernel_columns is None:
            raise WoodlabError(
                f"The law {self.name!r} has no inside of the wall. Use law='film' or law='slab'."
            )
        half = rows.half_m[rows.of]
        base = self._kernel_rows(rows.values, half)
        pace = base if rows.pace is None else self._kernel_rows(rows.pace, half)
        base[:, kernel.AIR_SHIFT] = rows.shift_pct
        if rows.wear is not None:
            base[:, kernel.WEAR :] = rows.wear

        def dried(some: np.ndarray | slice, cells: bool = False) -> SlabCurves:
            air = rows.sums, rows.which[some], rows.start
            return kernel.run(
                base[some], rows.of[some], rows.days, rows.counts, air, rows.half_m,
                pace=pace[some], grid=rows.grid, cells=cells,
            )  # fmt: skip

        out = dried(slice(None), cells)
        ratio = rows.foot_ratio[rows.of]
        thick = np.flatnonzero(ratio != 1.0)
        if thick.size:
            base[thick, kernel.RATIO] = pace[thick, kernel.RATIO] = ratio[thick]
            foot, most = dried(thick), out.largest_difference
            out.mean[thick] += FOOT_SHARE * (foot.mean - out.mean[thick])
            most[thick] = np.maximum(most[thick], foot.largest_difference)
        return out

    def _kernel_rows(self, values: Values, half_m: np.ndarray) -> np.ndarray:
        assert self.kernel_columns is not None
        out = np.zeros((len(half_m), kernel.WIDE))
        out[:, kernel.RATIO], out[:, kernel.SATURATION] = 1.0, 30.0
        out[:, kernel.LN_D], out[:, kernel.LN_S] = FREE_LN_D, FREE_LN_S
        out[:, kernel.CAP] = kernel.NO_CAP
        out[:, kernel.LN_START] = np.log(np.clip(values[START], 0.5, 400.0))
        for column, value in self.kernel_columns(values, half_m).items():
            out[:, column] = value
        return out


FOOT_SHARE = 0.25  # of a bowl's wood that is as thick as its foot; estimate of our own
FREE_LN_D, FREE_LN_S = float(np.log(1e-6)), float(np.log(1e-4))  # no resistance to speak of
_STEP = 1e-4  # of a central difference in u: its error is about the square


def _slopes(make: Callable[[np.ndarray], np.ndarray], u: np.ndarray) -> np.ndarray:
    """Slopes of what `make(u)` gives in each column of u, (P, ...)."""
    out = []
    for a in range(u.shape[1]):
        step = np.zeros(u.shape[1])
        step[a] = _STEP
        with np.errstate(invalid="ignore"):
            out.append((make(u + step) - make(u - step)) / (2 * _STEP))
    return np.stack(out) if out else np.empty((0, *make(u).shape))


def _one_each(
    times: np.ndarray, values: Values, half_m: np.ndarray, air: Air
) -> Rows:  # fmt: skip
    """One row a piece, on the finest grid."""
    courses, which, start = as_daily(air, times).of(len(times), times.max(axis=1, initial=0.0))
    return Rows(
        values, np.arange(len(times)), times, np.full(len(times), times.shape[1]), half_m,
        kernel.running_sums(courses, np.zeros(1)), which, start, np.ones(len(times)),
        grid=kernel.FINEST,
    )  # fmt: skip


def kernel_run(
    law: Law, days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air, *, cells: bool = False
) -> SlabCurves:
    """Run a law of the slab family on its own, one row a piece, on the finest grid."""
    times, walls, values = broadcast(days, law.filled(params), wall_mm, air)
    return law.inside(_one_each(times, values, walls / 2000, air), cells=cells)
