"""The parameters of drying laws: unit, physical bounds, and what is known of them beforehand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from woodlab.drying.modes import Air, DailyAir
from woodlab.errors import WoodlabError

Params = Mapping[str, ArrayLike]


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


def broadcast(
    days: ArrayLike, params: Params, wall_mm: ArrayLike, air: Air
) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Times (n, k), walls (n,) and parameters (n,) of one common number of pieces."""
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
