"""What a drying law is: its parameters with bounds and priors, and how it runs.

A law is one object in one file. Whoever asks for moisture (a fit, a season, the simulation, a
forecast, a chart) asks this object, and no other part of the kit knows a law by its name.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from woodlab.drying import kernel
from woodlab.drying.modes import SECONDS_PER_DAY, Air, DailyAir
from woodlab.errors import WoodlabError

if TYPE_CHECKING:
    from woodlab.drying.kernel import SlabCurves

Params = Mapping[str, ArrayLike]
START = "start_moisture_pct"


@dataclass(frozen=True)
class Scatter:
    """Standard deviation of ln of a parameter between logs or pieces: a prior for it.

    `median` and `spread` (of its logarithm) of a lognormal; `most` the largest that is believed.
    """

    median: float
    spread: float
    most: float


@dataclass(frozen=True)
class Prior:
    """What is known of a parameter before anything is weighed, and by what it varies.

    Attributes
    ----------
    centre, sd : float
        Of ln for a parameter above zero (`centre` is then the median itself), else of the
        parameter.
    sealed : float or None
        The centre behind a seal; each seal then has a value of its own, with `sd` about it.
    species_sd : float
        Between species.
    log, piece : Scatter or None
        Between logs and between pieces of a log; None: the parameter is one for the season.
    wall_power : float
        The parameter grows with this power of the wall (about 25 mm).
    source : str
        Where the numbers are from.
    """

    centre: float
    sd: float
    sealed: float | None = None
    species_sd: float = 0.0
    log: Scatter | None = None
    piece: Scatter | None = None
    wall_power: float = 0.0
    source: str = "estimate of our own"


@dataclass(frozen=True)
class Parameter:
    """A parameter of a law: `lower` and `upper` are physical bounds, in `unit`.

    `usual` is its value where it is not estimated; `plain` means that it is estimated as it is and
    not as its logarithm; `step` is that of the slopes of a fit.
    """

    name: str
    unit: str
    lower: float
    upper: float
    meaning: str
    usual: float | None = None
    prior: Prior | None = None
    plain: bool = False
    step: float = 1e-3

    @property
    def by_piece(self) -> bool:
        """Whether each piece has a value of its own."""
        return self.prior is not None and self.prior.piece is not None

    @property
    def by_season(self) -> bool:
        """Whether a season estimates one value for all its pieces."""
        return self.prior is not None and self.prior.piece is None

    def working(self, value: ArrayLike) -> np.ndarray:
        """Natural logarithm, or the value itself where it is estimated as it is."""
        return np.asarray(value, float) if self.plain else np.log(np.asarray(value, float))

    def natural(self, working: np.ndarray) -> np.ndarray:
        """The parameter in its unit, within its bounds, from the working value."""
        low, high = self.working([max(self.lower, 1e-300), self.upper])
        if self.plain:
            low = self.lower
        value = np.clip(working, low, high)
        return value if self.plain else np.exp(value)


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
    shift_pct: float | np.ndarray = 0.0
    wear: np.ndarray | None = None
    pace: dict[str, np.ndarray] | None = None
    grid: tuple[float, ...] = kernel.FINE


@dataclass(frozen=True)
class Law:
    """A drying law.

    Attributes
    ----------
    name : str
    parameters : tuple of Parameter
        Without the start moisture, which every law has as `start_moisture_pct`.
    moisture : callable
        `moisture(days, params, wall_mm, air)` -> (n, k) mean moisture [%]. `params` maps names to
        a number or one value a piece, `start_moisture_pct` among them.
    kernel_columns : callable or None
        `kernel_columns(values, half_m)` -> columns of the compiled kernel by their number, for
        laws that are a slab with something switched off. Without it seasons are fitted through
        `moisture`, more slowly.
    describes_only : bool
        True for laws that fit a curve but have no wall, wood or seal in them: they are fitted to
        single pieces, and a season is not pooled or forecast by them.
    candidate : bool
        True for laws that a season weighs against one another unless told otherwise.
    changing_air : bool
        False where only constant air is allowed.
    response : callable or None
        For laws linear in the start moisture, `response(days, params, wall_mm, air)` -> decay,
        forced with moisture = start_moisture_pct * decay + forced.
    """

    name: str
    parameters: tuple[Parameter, ...]
    moisture: Callable[[ArrayLike, Params, ArrayLike, Air], np.ndarray]
    kernel_columns: Callable[[dict, np.ndarray], dict[int, ArrayLike]] | None = None
    describes_only: bool = False
    candidate: bool = False
    changing_air: bool = True
    response: Callable[..., tuple[np.ndarray, np.ndarray]] | None = None

    @property
    def free(self) -> tuple[Parameter, ...]:
        """The parameters that a fit of one piece estimates unless told otherwise."""
        return tuple(p for p in self.parameters if p.usual is None)

    @property
    def linear(self) -> bool:
        return self.response is not None

    @property
    def of_piece(self) -> tuple[Parameter, ...]:
        """The parameters of which each piece has its own value."""
        return tuple(p for p in self.parameters if p.by_piece)

    @property
    def of_season(self) -> tuple[Parameter, ...]:
        """The parameters that a season estimates once."""
        return tuple(p for p in self.parameters if p.by_season)

    def filled(self, params: Params) -> dict[str, ArrayLike]:
        """The parameters with usual values where absent.

        Raises
        ------
        WoodlabError
            If a parameter is missing, unknown, or outside what is physical.
        """
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

    def curves(self, rows: Rows) -> np.ndarray:
        """Mean moisture of many rows, (R, k) [%]."""
        if self.kernel_columns is not None:
            return self.inside(rows).mean
        # Behind a piece's last day its last one again: a law wants days that do not decrease.
        at = np.minimum(np.arange(rows.days.shape[1]), np.maximum(rows.counts[:, None] - 1, 0))
        days = np.take_along_axis(rows.days, at, axis=1)[rows.of]
        which = rows.which
        if not self.changing_air:  # the mean of each row's own days
            first = rows.start[rows.of].astype(int)
            last = np.ceil(rows.start[rows.of] + np.maximum(days.max(axis=1), 1.0)).astype(int)
            last = np.minimum(last, rows.sums.shape[2] - 1)
            total = rows.sums[which, 0, last] - rows.sums[which, 0, first]
            mean = total / np.maximum(last - first, 1) + rows.shift_pct
            return self.moisture(days, rows.values, 2000 * rows.half_m[rows.of], mean)
        level = np.diff(rows.sums[:, 0], axis=1)
        if np.any(rows.shift_pct):
            level, which = level[which] + np.reshape(rows.shift_pct, (-1, 1)), np.arange(len(days))
        air = DailyAir(level, rows.start[rows.of], which)
        return self.moisture(days, rows.values, 2000 * rows.half_m[rows.of], air)

    def inside(self, rows: Rows, *, cells: bool = False) -> SlabCurves:
        """Mean, surface and core moisture of many rows, and the profile where it is asked for.

        Raises
        ------
        WoodlabError
            If the law has no inside of the wall.
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
        air = rows.sums, rows.which, rows.start
        return kernel.run(
            base, rows.of, rows.days, rows.counts, air, rows.half_m, pace=pace, grid=rows.grid,
            cells=cells,
        )  # fmt: skip

    def _kernel_rows(self, values: dict[str, np.ndarray], half_m: np.ndarray) -> np.ndarray:
        assert self.kernel_columns is not None
        out = np.zeros((len(half_m), kernel.WIDE))
        out[:, kernel.RATIO], out[:, kernel.SATURATION] = 1.0, 30.0
        out[:, kernel.LN_D], out[:, kernel.LN_S] = FREE_LN_D, FREE_LN_S
        out[:, kernel.CAP] = kernel.NO_CAP
        out[:, kernel.LN_START] = np.log(np.clip(values[START], 0.5, 400.0))
        for column, value in self.kernel_columns(values, half_m).items():
            out[:, column] = value
        return out


FREE_LN_D, FREE_LN_S = float(np.log(1e-6)), float(np.log(1e-4))  # no resistance to speak of


def broadcast(
    days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air
) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Times (n, k), walls (n,) and parameters (n,) of one common number of pieces.

    Raises
    ------
    WoodlabError
        If their shapes differ, or the days are negative or decrease.
    """
    times = np.atleast_2d(np.asarray(days, dtype=float))
    parts = [np.asarray(value, dtype=float) for value in params.values()]
    parts.append(np.asarray(wall_mm, dtype=float))
    if isinstance(air, DailyAir):
        parts += [np.asarray(air.start, dtype=float), np.asarray(air.course, dtype=float)]
    else:
        parts.append(np.asarray(air, dtype=float))
    try:
        (pieces,) = np.broadcast_shapes((times.shape[0],), *(np.atleast_1d(p).shape for p in parts))
    except ValueError as error:
        raise WoodlabError(
            "days, parameters, wall_mm and air must have one row or one value a piece, "
            f"found {[p.shape for p in (times, *parts)]}."
        ) from error
    times = np.ascontiguousarray(np.broadcast_to(times, (pieces, times.shape[1])))
    if times.size and (not np.isfinite(times).all() or times.min() < 0):
        raise WoodlabError("days must be finite and not negative: 0 is the day of turning.")
    if (np.diff(times, axis=1) < 0).any():
        raise WoodlabError("days must not decrease along a row. Sort them first.")

    def each(value: ArrayLike) -> np.ndarray:
        return np.ascontiguousarray(np.broadcast_to(np.asarray(value, dtype=float), (pieces,)))

    return times, each(wall_mm), {name: each(value) for name, value in params.items()}


def as_daily(air: Air, times: np.ndarray) -> DailyAir:
    """Air as daily courses; constant air becomes as many courses as there are values."""
    if isinstance(air, DailyAir):
        return air
    level = np.asarray(air, dtype=float)
    length = int(np.ceil(times.max(initial=0.0))) + 1
    if level.ndim == 0:
        return DailyAir(np.full((1, length), float(level)))
    different, which = np.unique(level, return_inverse=True)
    return DailyAir(np.repeat(different[:, None], length, axis=1), 0.0, which)


def kernel_run(
    law: Law, days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air, *,
    temp_c: ArrayLike | None = None, cells: bool = False,
    grid: tuple[float, ...] = kernel.FINEST,
) -> SlabCurves:  # fmt: skip
    """Run a law of the slab family on its own, one row a piece, on the finest grid.

    `temp_c` is the temperature of each day of the air, in its shape, where the law's rates follow
    it (`activation_kj_mol`).

    Examples
    --------
    >>> from woodlab.drying.laws import LAWS
    >>> wet = {"start_moisture_pct": 60, "diffusivity_m2_s": 5e-11, "surface_m_s": 1e-8}
    >>> inside = kernel_run(LAWS["slab"], [0, 30, 365], wet, 25.0, 12.0)
    >>> inside.mean[0].round(0).tolist()[::2]
    [60.0, 12.0]
    """
    from woodlab.drying.warmth import warmth

    times, walls, values = broadcast(days, law.filled(params), wall_mm, air)
    daily = as_daily(air, times)
    courses, which, start = daily.of(len(times), times.max(axis=1, initial=0.0))
    warm = 0.0 if temp_c is None else np.broadcast_to(warmth(temp_c), courses.shape)
    rows = Rows(
        values, np.arange(len(times)), times, np.full(len(times), times.shape[1]), walls / 2000,
        kernel.running_sums(courses, np.asarray(warm)), which, start, grid=grid,
    )  # fmt: skip
    return law.inside(rows, cells=cells)


def lumped_moisture(
    law: Callable[[], Law],
) -> Callable[[ArrayLike, Params, ArrayLike, Air], np.ndarray]:
    """`moisture` of a law that has a `response`."""

    def moisture(days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air) -> np.ndarray:
        response = law().response
        assert response is not None
        decay, forced = response(days, params, wall_mm, air)
        return np.asarray(params[START], dtype=float).reshape(-1, 1) * decay + forced

    return moisture


def constant_air(air: Air, remaining: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """decay and forced where the air does not change."""
    level = np.asarray(air, dtype=float).reshape(-1, 1)
    return remaining, level * (1 - remaining)


def ln_surface_of(tau_days: np.ndarray, half_m: np.ndarray) -> np.ndarray:
    """Ln of the surface coefficient [m/s] that empties the wall with the time constant."""
    return np.log(half_m / (tau_days * SECONDS_PER_DAY))
