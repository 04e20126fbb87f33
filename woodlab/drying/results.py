"""What `fit_drying` gives back: frames, and curves with their bands on any day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying.air_course import AirCourse
from woodlab.drying.batch import Rows, student
from woodlab.drying.checks import check_frame
from woodlab.drying.laws import law_named
from woodlab.drying.modes import DailyAir
from woodlab.drying.predict import predict_frame

UNITS = {
    "tau_days": "days", "tau_fast_days": "days", "tau_slow_days": "days", "fast_share": "1",
    "shape": "1", "diffusivity_m2_s": "m2/s", "surface_m_s": "m/s", "biot": "1",
    "oven_dry_g": "g", "start_moisture_pct": "%",
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class DryingFits:
    """Fits of one law to all pieces of a book. Made by `fit_drying`; never altered.

    Attributes
    ----------
    law : str
    pieces : DataFrame
        One row a piece, in the book's order: `piece`, `law`, `status` (`ok`, `bounded`,
        `too_few`, `failed`), `reason` (plain words), `n_used`, `n_set_aside`, the law's
        parameters, `oven_dry_g`, `start_moisture_pct` (NaN where known only as a bound),
        `rmse_g`, `error_g` (of one weighing), `aicc`, `oven_dry_from`, `air_from`.
    names : tuple of str
        What `mean` and `cov` hold, in order: the law's free parameters (natural logs;
        `fast_share` plain), `oven_dry_g` (natural log), `start_moisture_pct`, `equilibrium_pct`
        (of the assumed or given air; its variance is 0 where the air is known).
    mean, cov : ndarray, (n, p), (n, p, p)
        Normal approximation of what is known of each piece; NaN where there is no fit. A
        parameter that the data leave open has a standard deviation of at most e^2 here: its
        honest statement is the bound in `params` and `pieces.reason`.
    groups : DataFrame
        Estimates by species, seal and so on, when pooled; else empty.
    draws : ndarray (n, draws, p), or None
        Posterior draws of the same quantities where the pooling gives them.
    book : RecordBook
    course : AirCourse or None
        The air log by day; None where the air is one number, `equilibrium_pct` by piece.
    fixed : dict
        Parameters that were held.
    equilibrium_pct : ndarray, (n,)
        Mean equilibrium moisture of each piece's air [% of oven-dry mass].
    rows : Rows
        The weighings as flat arrays, piece after piece.
    used : ndarray of bool
        Which of those weighings count.
    sigma_g, dof : ndarray, (n,)
        Error of one weighing [g] and its degrees of freedom.
    step_g : ndarray, (events, 2)
        Steps in mass and their standard errors [g], as in `steps`.
    intervals : dict
        What `params` lays out: by parameter `estimate`, `stderr`, `ci_lower`, `ci_upper`.

    Examples
    --------
    A piece waxed all over, and two bare ones of 22 and 31 mm:

    >>> import woodlab as wl
    >>> demo, few = wl.demo_book(), "piece in ['A1', 'A3', 'B2']"
    >>> book = wl.RecordBook.from_frames(pieces=demo.pieces.query(few), air=demo.air,
    ...                                  weighings=demo.weighings.query(few))
    >>> fits: wl.DryingFits = wl.fit_drying(book)
    >>> fits.pieces[["piece", "status", "n_used", "tau_days"]].round(0)
      piece status  n_used  tau_days
    0    A1     ok      23      62.0
    1    A3     ok      23       9.0
    2    B2     ok      23      16.0
    >>> fits.predict(days=[0, 60], pieces=["A1"])[["days", "mass_g"]].round(-1).values.tolist()
    [[0.0, 1720.0], [60.0, 1400.0]]
    """

    law: str
    pieces: pd.DataFrame
    names: tuple[str, ...]
    mean: np.ndarray
    cov: np.ndarray
    book: RecordBook
    rows: Rows
    used: np.ndarray
    sigma_g: np.ndarray
    dof: np.ndarray
    fixed: dict[str, float]
    course: AirCourse | None
    equilibrium_pct: np.ndarray
    step_g: np.ndarray
    intervals: dict[str, dict[str, np.ndarray]] = field(repr=False, default_factory=dict)
    groups: pd.DataFrame = field(default_factory=pd.DataFrame)
    draws: np.ndarray | None = None

    @cached_property
    def params(self) -> pd.DataFrame:
        """Long: `piece`, `parameter`, `estimate`, `stderr`, `ci_lower`, `ci_upper`, `unit`.

        95 % limits, by profile likelihood where the sum of squares is not quadratic. Where the
        data give a bound only, `estimate` and `stderr` are NaN and one limit is infinite or 0.
        """
        names, count = list(self.intervals), len(self.pieces)
        columns = {
            part: np.column_stack([self.intervals[name][part] for name in names]).ravel()
            for part in ("estimate", "stderr", "ci_lower", "ci_upper")
        }
        units = np.array([UNITS.get(name, "") for name in names], dtype=object)
        return pd.DataFrame(
            {
                "piece": np.repeat(self.pieces["piece"].to_numpy(dtype=object), len(names)),
                "parameter": np.tile(np.array(names, dtype=object), count),
                **columns,
                "unit": np.tile(units, count),
            }
        )

    @cached_property
    def fitted(self) -> np.ndarray:
        """Which pieces have a curve, (n,)."""
        return np.isfinite(self.mean).all(axis=1)

    @cached_property
    def residuals(self) -> pd.DataFrame:
        """Each weighing: `piece`, `on`, `days`, `mass_g`, `fitted_g`, `residual_g`, `used`."""
        rows = self.rows
        owner = np.repeat(np.arange(len(self.pieces)), rows.counts)
        fitted = np.full(rows.days.size, np.nan)
        for part, table, mask in _by_length(rows, self.fitted):
            mass, _ = self._curve(part, table, self.mean[part])
            at = rows.ptr[part][:, None] + np.arange(table.shape[1])
            fitted[at[mask]] = mass[mask]
        fitted += self._added(owner, np.arange(rows.days.size), rows.days, fitted)
        measured = self.book.weighings["mass_g"].to_numpy(dtype=float)[rows.source]
        return pd.DataFrame(
            {
                "piece": self.pieces["piece"].to_numpy(dtype=object)[owner],
                "on": self.book.weighings["on"].to_numpy()[rows.source],
                "days": rows.days,
                "mass_g": measured,
                "fitted_g": fitted,
                "residual_g": measured - fitted,
                "used": self.used,
            }
        )

    @cached_property
    def set_aside(self) -> pd.DataFrame:
        """Weighings of fitted pieces that stood alone: as `residuals`, those not used."""
        rest = self.residuals
        owner = np.repeat(self.fitted, self.rows.counts)
        return rest[owner & ~self.used].drop(columns="used").reset_index(drop=True)

    @cached_property
    def steps(self) -> pd.DataFrame:
        """Events as steps in mass: `piece`, `on`, `event`, `step_g`, `stderr`, limits."""
        rows = self.rows
        owner = np.repeat(np.arange(len(self.pieces)), np.diff(rows.step_ptr))
        reach = student(self.dof)[owner] * self.step_g[:, 1]
        weighings = self.book.weighings
        return pd.DataFrame(
            {
                "piece": self.pieces["piece"].to_numpy(dtype=object)[owner],
                "on": weighings["on"].to_numpy()[rows.step_source],
                "event": weighings["event"].to_numpy(dtype=object)[rows.step_source],
                "step_g": self.step_g[:, 0],
                "stderr": self.step_g[:, 1],
                "ci_lower": self.step_g[:, 0] - reach,
                "ci_upper": self.step_g[:, 0] + reach,
            }
        )

    @cached_property
    def checks(self) -> pd.DataFrame:
        """`piece`, `check`, `statistic`, `operator`, `threshold`, `passed`, of fitted pieces."""
        return check_frame(self)

    def predict(
        self,
        days: Sequence[float] | np.ndarray | None = None,
        on: Sequence[str] | pd.DatetimeIndex | pd.Series | None = None,
        *,
        pieces: Sequence[str] | None = None,
        level: float = 0.95,
    ) -> pd.DataFrame:
        """Mass and moisture of each piece on given days or dates, with their bands.

        Parameters
        ----------
        days : sequence of float
            Days since each piece was turned; or
        on : sequence of dates
            Calendar dates; those before a piece was turned are left out for it.
        pieces : sequence of str
            Only these pieces.
        level : float
            Of the bands: `ci_*` for the curve, `pi_*` for one more weighing.

        Returns
        -------
        DataFrame
            `piece`, `on`, `days`, `mass_g`, `moisture_pct`, and `ci_lower_*`, `ci_upper_*`,
            `pi_lower_*`, `pi_upper_*` of both. Mass includes sealer and steps. NaN for pieces
            without a fit.

        Raises
        ------
        WoodlabError
            If neither or both of `days` and `on` are given, or a piece is not in the book.

        The example of `DryingFits` shows it.
        """
        return predict_frame(self, days, on, pieces, level)

    def air_of(self, part: np.ndarray, last_days: np.ndarray) -> DailyAir | np.ndarray:
        """The air of the pieces numbered `part`, reaching `last_days` after turning."""
        if self.course is None or not law_named(self.law).changing_air:
            return self.equilibrium_pct[part]
        pieces = self.book.pieces.iloc[part]
        last = (pieces["turned_on"] + pd.to_timedelta(np.ceil(last_days) + 1, unit="D")).max()
        return self.course.for_pieces(pieces["turned_on"], pieces["place"], last)

    def parameters(self, working: np.ndarray) -> dict[str, np.ndarray]:
        """Parameters of the law, in their units, from working values (..., p) like `mean`."""
        own = len(self.names) - 3
        out = {}
        for i, name in enumerate(self.names[:own]):
            value = working[..., i]
            out[name] = value if name == "fast_share" else np.exp(value)
        out.update({name: np.full(working.shape[:-1], v) for name, v in self.fixed.items()})
        out["start_moisture_pct"] = working[..., own + 1]
        return out

    def _curve(
        self, part: np.ndarray, days: np.ndarray, working: np.ndarray,
        air: DailyAir | np.ndarray | None = None,
    ) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
        """Mass of the wood [g] and moisture [%], (n, k), without sealer and steps."""
        law = law_named(self.law)
        own = len(self.names) - 3
        if air is None:
            air = self.air_of(part, days.max(axis=1, initial=0.0))
        if not isinstance(air, DailyAir):
            air = working[:, own + 2]
        walls = self.book.pieces["wall_mm"].to_numpy(dtype=float)[part]
        moisture = law.moisture(days, self.parameters(working), walls, air)
        return np.exp(working[:, own])[:, None] * (1 + moisture / 100), moisture

    def _added(
        self, owner: np.ndarray, at: np.ndarray | None, days: np.ndarray, wood: np.ndarray
    ) -> np.ndarray:
        """Sealer and steps [g] at weighings (`at` their rows) or at days after turning."""
        rows = self.rows
        out = np.zeros(owner.size)
        if rows.sealer_g.size:
            if at is not None:
                out += rows.sealer_g[at]
            else:
                place = np.full(owner.size, -1)
                for p in np.unique(owner):
                    mine = owner == p
                    inside = rows.days[rows.ptr[p] : rows.ptr[p + 1]]
                    place[mine] = rows.ptr[p] + np.maximum(
                        np.searchsorted(inside, days[mine], side="right") - 1, 0
                    )
                some = rows.counts[owner] > 0
                out[some] += rows.sealer_g[place[some]]
        for p in np.flatnonzero(np.diff(rows.step_ptr)):
            mine = np.flatnonzero(owner == p)
            if not mine.size:
                continue
            for s in range(rows.step_ptr[p], rows.step_ptr[p + 1]):
                first = rows.ptr[p] + rows.steps[s, 0]
                after = mine[(at[mine] >= first) if at is not None else
                             (days[mine] >= rows.days[first])]  # fmt: skip
                shape = 1.0
                if rows.steps[s, 1] == 1:  # wood cut off would have dried, too
                    then, _ = self._curve(
                        np.array([p]), rows.days[first : first + 1][None], self.mean[[p]]
                    )
                    shape = wood[after] / then[0, 0]
                out[after] += self.step_g[s, 0] * shape
        return out

    def draw(self, count: int, seed: int) -> np.ndarray:
        """Draws of the working values, (n, count, p): from `draws`, else the normal `mean`, `cov`.

        Examples
        --------
        See `woodlab.drying.core_surface`.
        """
        rng = np.random.default_rng(seed)
        n, p = self.mean.shape
        if self.draws is not None:
            return self.draws[:, rng.integers(0, self.draws.shape[1], count)]
        out = np.full((n, count, p), np.nan)
        ok = np.flatnonzero(self.fitted)
        values, vectors = np.linalg.eigh(self.cov[ok])
        root = vectors * np.sqrt(np.maximum(values, 0))[:, None, :]
        out[ok] = self.mean[ok][:, None, :] + rng.normal(size=(ok.size, count, p)) @ np.swapaxes(
            root, 1, 2
        )
        return out


def _by_length(rows: Rows, fitted: np.ndarray):  # type: ignore[no-untyped-def]
    """Pieces in padded tables of like length: numbers, days (n, k), mask of real rows."""
    counts = rows.counts
    order = np.flatnonzero(fitted & (counts > 0))
    order = order[np.argsort(counts[order], kind="stable")]
    for first in range(0, order.size, 2000):
        part = order[first : first + 2000]
        width = int(counts[part].max())
        mask = np.arange(width)[None, :] < counts[part][:, None]
        at = np.minimum(rows.ptr[part][:, None] + np.arange(width), rows.ptr[part + 1][:, None] - 1)
        yield part, rows.days[at], mask
