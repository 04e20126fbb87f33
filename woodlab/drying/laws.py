"""The drying laws by name: each a pure function of time, named parameters and the air.

`LAWS["film"].moisture(days, params, wall_mm, air)` gives the mean moisture, (pieces, times); the
conventions of time, moisture and air stand in `woodlab.drying.modes`, each law's equation,
symbols, range, source and limits in its docstring here and on its page in `docs/laws/`.

Examples
--------
A wall of 25 mm from 60 %, in air that holds wood at 12 %: bare, and behind a seal that lets a
tenth as much through.

>>> import woodlab as wl
>>> film = wl.laws.law_named("film")
>>> wood = {"start_moisture_pct": 60.0, "diffusivity_m2_s": 2e-11, "surface_m_s": [4e-8, 4e-9]}
>>> film.moisture([0, 30, 90], wood, wall_mm=25, air=12).round(1)
array([[60. , 30.9, 16.2],
       [60. , 41.7, 24.5]])
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from woodlab.drying import modes as _modes
from woodlab.drying.modes import Air, DailyAir, biot_number, fo_per_day
from woodlab.drying.slab import RISE_PER_PCT, SATURATION_PCT, as_daily, broadcast, run_slab
from woodlab.drying.two_period import CRITICAL_PCT, two_period_moisture
from woodlab.errors import WoodlabError

Params = Mapping[str, ArrayLike]


@dataclass(frozen=True)
class Parameter:
    """A parameter of a law: `lower` and `upper` are physical bounds, in `unit`.

    One with a `usual` value is held at it by the fits unless it is asked for.
    """

    name: str
    unit: str
    lower: float
    upper: float
    meaning: str
    usual: float | None = None


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
    response : callable or None
        For the linear laws, `response(days, params, wall_mm, air)` -> decay, forced with
        moisture = start_moisture_pct * decay + forced. None for `two_period` and `slab`.
    modes : callable or None
        `modes(params, wall_mm)` -> rates [1/day], weights, where the law is a sum of modes.
    changing_air : bool
        False where only constant air is allowed.
    """

    name: str
    parameters: tuple[Parameter, ...]
    moisture: Callable[[ArrayLike, Params, ArrayLike, Air], np.ndarray]
    response: Callable[..., tuple[np.ndarray, np.ndarray]] | None = None
    modes: Callable[..., tuple[np.ndarray, np.ndarray]] | None = None
    changing_air: bool = True

    @property
    def free(self) -> tuple[Parameter, ...]:
        """The parameters that a fit estimates unless told otherwise."""
        return tuple(p for p in self.parameters if p.usual is None)

    @property
    def linear(self) -> bool:
        return self.response is not None


def _filled(law: str, params: Params) -> dict[str, ArrayLike]:
    """The law's parameters with usual values where absent; faults named."""
    known = {p.name: p for p in LAWS[law].parameters}
    unknown = set(params) - set(known) - {"start_moisture_pct"}
    missing = [p.name for p in LAWS[law].free if p.name not in params]
    if unknown or missing:
        raise WoodlabError(
            f"The law {law!r} has the parameters {', '.join(known)}; "
            + (f"missing: {', '.join(missing)}. " if missing else "")
            + (f"unknown: {', '.join(sorted(unknown))}." if unknown else "")
        )
    values: dict[str, ArrayLike] = {
        p.name: params.get(p.name, p.usual if p.usual is not None else np.nan)
        for p in known.values()
    }
    for name, value in values.items():
        array = np.asarray(value, dtype=float)
        if np.isnan(array).any() or (name != "fast_share" and (array <= 0).any()):
            if name == "rise_per_pct" and not np.isnan(array).any() and (array >= 0).all():
                continue
            raise WoodlabError(f"{name} must be above zero (found {array.min():g}).")
    return values


def _from_response(law: str) -> Callable[[ArrayLike, Params, ArrayLike, Air], np.ndarray]:
    def moisture(days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air) -> np.ndarray:
        if "start_moisture_pct" not in params:
            raise WoodlabError("params needs start_moisture_pct [%].")
        response = LAWS[law].response
        assert response is not None
        decay, forced = response(days, params, wall_mm, air)
        start = np.asarray(params["start_moisture_pct"], dtype=float)
        return start.reshape(-1, 1) * decay + forced

    return moisture


def _constant(air: Air, remaining: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    level = np.asarray(air, dtype=float).reshape(-1, 1)
    return remaining, level * (1 - remaining)


def exponential_modes(params: Params, wall_mm: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """One mode of rate 1/tau_days."""
    tau = np.atleast_1d(np.asarray(params["tau_days"], dtype=float))
    return 1 / tau[:, None], np.ones((tau.size, 1))


def two_term_modes(params: Params, wall_mm: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """A mode of rate 1/tau_fast_days and weight fast_share, and one of rate 1/tau_slow_days."""
    fast, slow, share = np.broadcast_arrays(
        *(
            np.atleast_1d(np.asarray(params[name], dtype=float))
            for name in ("tau_fast_days", "tau_slow_days", "fast_share")
        )
    )
    return np.stack([1 / fast, 1 / slow], axis=1), np.stack([share, 1 - share], axis=1)


def diffusion_modes(
    params: Params, wall_mm: ArrayLike, count: int = 40
) -> tuple[np.ndarray, np.ndarray]:
    """Modes of a plane sheet with its surfaces at equilibrium."""
    return _modes.plane_sheet_modes(fo_per_day(params["diffusivity_m2_s"], wall_mm), np.inf, count)


def film_modes(
    params: Params, wall_mm: ArrayLike, count: int = 40
) -> tuple[np.ndarray, np.ndarray]:
    """Modes of a plane sheet with a film."""
    biot = biot_number(params["surface_m_s"], params["diffusivity_m2_s"], wall_mm)
    return _modes.plane_sheet_modes(fo_per_day(params["diffusivity_m2_s"], wall_mm), biot, count)


def _lumped(law: str) -> Callable[..., tuple[np.ndarray, np.ndarray]]:
    def response(
        days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air
    ) -> tuple[np.ndarray, np.ndarray]:
        times, walls, values = broadcast(days, _filled(law, params), wall_mm, air)
        modes = LAWS[law].modes
        assert modes is not None
        rates, weights = modes(values, walls)
        if isinstance(air, DailyAir):
            return _modes.drive_modes(times, rates, weights, air)
        remaining = np.einsum("nj,njk->nk", weights, np.exp(-rates[:, :, None] * times[:, None, :]))
        return _constant(air, remaining)

    return response


def _sheet(law: str) -> Callable[..., tuple[np.ndarray, np.ndarray]]:
    def response(
        days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air
    ) -> tuple[np.ndarray, np.ndarray]:
        times, walls, values = broadcast(days, _filled(law, params), wall_mm, air)
        fo = fo_per_day(values["diffusivity_m2_s"], walls)
        if law == "film":
            biot = biot_number(values["surface_m_s"], values["diffusivity_m2_s"], walls)
        else:
            biot = np.full(fo.shape, np.inf)
        if isinstance(air, DailyAir):
            return _modes.drive_sheet(times, fo, biot, air)
        return _constant(air, _modes.sheet_remaining(fo[:, None] * times, biot[:, None]))

    return response


def _stretched_response(
    days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air
) -> tuple[np.ndarray, np.ndarray]:
    if isinstance(air, DailyAir):
        raise WoodlabError(
            "The stretched law is no sum of modes and holds in constant air only. Give one "
            "equilibrium moisture, or take two_term or film, which follow the air."
        )
    times, _, values = broadcast(days, _filled("stretched", params), wall_mm, air)
    remaining = np.exp(-((times / values["tau_days"][:, None]) ** values["shape"][:, None]))
    return _constant(air, remaining)


def _two_period(days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air) -> np.ndarray:
    values = {**_filled("two_period", params), "start": params["start_moisture_pct"]}
    times, _, each = broadcast(days, values, wall_mm, air)
    return two_period_moisture(times, each["start"], each["tau_days"], air, each["critical_pct"])


def _slab(days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air) -> np.ndarray:
    values = _filled("slab", params)
    values["start_moisture_pct"] = params["start_moisture_pct"]
    return run_slab(days, values, wall_mm, air).moisture_pct


_TAU = Parameter("tau_days", "days", 0.05, 20000.0, "time in which 63 % of the change is made")
_DIFFUSIVITY = Parameter(
    "diffusivity_m2_s", "m2/s", 1e-13, 1e-7, "moisture diffusivity across the wall"
)
_SURFACE = Parameter(
    "surface_m_s", "m/s", 1e-12, 1e-4, "surface coefficient: flux per difference of moisture"
)

LAWS: dict[str, Law] = {
    "exponential": Law(
        "exponential", (_TAU,), _from_response("exponential"), _lumped("exponential"),
        exponential_modes,
    ),
    "two_term": Law(
        "two_term",
        (
            Parameter("tau_fast_days", "days", 0.05, 20000.0, "time constant of the fast mode"),
            Parameter("tau_slow_days", "days", 0.05, 20000.0, "time constant of the slow mode"),
            Parameter("fast_share", "1", 0.0, 1.0, "share of the change in the fast mode"),
        ),
        _from_response("two_term"), _lumped("two_term"), two_term_modes,
    ),
    "stretched": Law(
        "stretched",
        (_TAU, Parameter("shape", "1", 0.2, 5.0, "exponent: below 1 a long tail")),
        _from_response("stretched"), _stretched_response, None, False,
    ),
    "diffusion": Law(
        "diffusion", (_DIFFUSIVITY,), _from_response("diffusion"), _sheet("diffusion"),
        diffusion_modes,
    ),
    "film": Law(
        "film", (_DIFFUSIVITY, _SURFACE), _from_response("film"), _sheet("film"), film_modes
    ),
    "two_period": Law(
        "two_period",
        (
            _TAU,
            Parameter(
                "critical_pct", "%", 10.0, 200.0,
                "mean moisture at which the constant rate ends", CRITICAL_PCT,
            ),
        ),
        _two_period,
    ),
    "slab": Law(
        "slab",
        (
            Parameter("diffusivity_m2_s", "m2/s", 1e-13, 1e-7, "diffusivity at 15 % moisture"),
            _SURFACE,
            Parameter(
                "rise_per_pct", "1/%", 0.0, 0.5, "growth of ln diffusivity per point of moisture",
                RISE_PER_PCT,
            ),
            Parameter(
                "fibre_saturation_pct", "%", 20.0, 45.0, "fibre saturation", SATURATION_PCT
            ),
        ),
        _slab,
    ),
}  # fmt: skip


def law_named(name: str) -> Law:
    """The law of this name.

    Raises
    ------
    WoodlabError
        If there is none; the message lists them.

    Examples
    --------
    >>> [p.name for p in law_named("film").parameters]
    ['diffusivity_m2_s', 'surface_m_s']
    """
    if name not in LAWS:
        raise WoodlabError(f"There is no drying law {name!r}. Choose from: {', '.join(LAWS)}.")
    return LAWS[name]


def law_response(
    law: str, days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air
) -> tuple[np.ndarray, np.ndarray]:
    """decay and forced of a linear law: moisture = start_moisture_pct * decay + forced.

    Raises
    ------
    WoodlabError
        If the law is not linear in the start moisture.

    Examples
    --------
    >>> decay, forced = law_response("exponential", [0, 20], {"tau_days": 20}, 25, 12.0)
    >>> decay.round(3).tolist(), forced.round(2).tolist()
    ([[1.0, 0.368]], [[0.0, 7.59]])
    """
    response = law_named(law).response
    if response is None:
        raise WoodlabError(f"The law {law!r} is not linear in the start moisture.")
    return response(days, params, wall_mm, air)


def daily(air: Air, days: ArrayLike) -> DailyAir:
    """Air as `DailyAir`: a constant level becomes a course that reaches the last of `days`.

    Examples
    --------
    >>> daily(12.0, [0, 2.5]).equilibrium_pct.shape
    (1, 4)
    """
    return as_daily(air, np.atleast_2d(np.asarray(days, dtype=float)))
