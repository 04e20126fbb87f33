"""What `fit_drying` gives back: one estimate of a season, that every answer is read from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.book.record_book import RecordBook
from woodlab.drying.estimator.courses import courses_to
from woodlab.drying.estimator.posterior import Posterior
from woodlab.drying.fit.checks import check_frame
from woodlab.drying.fit.frames import (
    fitted_g,
    group_frame,
    param_frame,
    piece_frame,
    residual_frame,
    rmse_g,
    step_frame,
)
from woodlab.drying.fit.records import Records
from woodlab.errors import WoodlabError
from woodlab.show import Card, Column, Shown, card, listed

if TYPE_CHECKING:
    from woodlab.drying.future_air import FutureAir

_DAY = np.timedelta64(1, "D")
MOST_SHOWN = 25  # pieces in what fits show of themselves


@dataclass(frozen=True, eq=False, repr=False)
class DryingFits(Shown):
    """One estimate of a season. Made by `fit_drying`; never altered.

    Attributes
    ----------
    book : RecordBook
        What was fitted, up to `as_of`.
    as_of : Timestamp
        The last day that is known.
    law : str
        The law, or `mixture` where several were weighted.
    pool : bool
        Whether pieces told of one another.
    laws : DataFrame
        `law`, `weight`, `score` (log density of the weighings held back), `error_pct` (their mean
        error, points of moisture), `n_held`, `converged`, `slip_g`, `drift_pct`.
    pieces : DataFrame
        One row a piece, in the book's order: `piece`, `law` (of most weight), `status` (see
        `woodlab.drying.fit.checks`), `reason`, `n_used`, `n_set_aside`, the law's parameters,
        `oven_dry_g`, `start_moisture_pct`, `moisture_now_pct` with `moisture_now_lower_pct` and
        `moisture_now_upper_pct` (90 %), `rmse_g`, `error_g`, `oven_dry_from`, `air_from`.
    params : DataFrame
        Long: `piece`, `parameter`, `law`, `estimate`, `stderr`, `ci_lower`, `ci_upper` (95 %),
        `unit`. Of one law an interval says: given this law.
    groups : DataFrame
        Of species, seals, the season, spreads between logs and pieces: `kind`, `group`,
        `parameter`, `law`, `estimate`, `ci_lower`, `ci_upper`, `unit`.
    checks : DataFrame
        `piece`, `check`, `statistic`, `operator`, `threshold`, `passed`.
    residuals : DataFrame
        Each weighing: `piece`, `on`, `days`, `mass_g`, `fitted_g`, `residual_g`, `used`.
    steps : DataFrame
        Events: `piece`, `on`, `event`, `step_g`, `ci_lower`, `ci_upper`.
    parts : tuple of Posterior
        Draws under each law, in proportion to the weights.
    air : FutureAir
        The draws of the air after the log, one for each draw.
    options : dict
        What `fit_drying` was asked for, so that it can be asked again.
    stored : DataFrame or None
        `pieces`, where they were made before and saved.

    Examples
    --------
    A piece waxed all over, and two bare ones of 22 and 31 mm:

    >>> import woodlab as wl
    >>> fits: wl.DryingFits = wl.fit_drying(
    ...     wl.demo_book().only(pieces=["A1", "A3", "B2"]).until("2025-06-01"), law="slab")
    >>> fits.pieces[["piece", "status", "n_used"]]
      piece status  n_used
    0    A1     ok      12
    1    A3     ok      12
    2    B2     ok      12
    >>> 20 < fits.predict(on="2025-06-01", pieces=["A1"])["moisture_pct"].item() < 30
    True
    """

    book: RecordBook
    as_of: pd.Timestamp
    law: str
    pool: bool
    laws: pd.DataFrame
    parts: tuple[Posterior, ...]
    air: FutureAir
    options: dict[str, Any]
    stored: pd.DataFrame | None = field(default=None, repr=False)

    # ---- frames, made when they are asked for

    @cached_property
    def pieces(self) -> pd.DataFrame:
        return piece_frame(self) if self.stored is None else self.stored

    @cached_property
    def params(self) -> pd.DataFrame:
        return param_frame(self.parts)

    @cached_property
    def groups(self) -> pd.DataFrame:
        return group_frame(self.parts)

    @cached_property
    def checks(self) -> pd.DataFrame:
        return check_frame(self.parts[0], rmse_g(self))

    @cached_property
    def fitted_g(self) -> np.ndarray:
        """Mass at the weighings under the law of most weight, as `records` has them, (n, k)."""
        return fitted_g(self)

    @cached_property
    def residuals(self) -> pd.DataFrame:
        return residual_frame(self)

    @cached_property
    def steps(self) -> pd.DataFrame:
        return step_frame(self)

    # ---- draws

    @property
    def records(self) -> Records:
        """The book as arrays."""
        return self.parts[0].season.d

    @property
    def n_draws(self) -> int:
        """Draws in all, of all laws."""
        return sum(part.count for part in self.parts)

    @property
    def slices(self) -> list[tuple[Posterior, slice]]:
        """Each part, and which of the draws are its own."""
        ends = np.cumsum([part.count for part in self.parts])
        return [(part, slice(e - part.count, e)) for part, e in zip(self.parts, ends, strict=True)]

    @property
    def scale_step(self) -> str:
        """What is to be said of a day from which all weights jump together; empty without one."""
        day, part = self.records.step_on, self.parts[0]
        if day is None:
            return ""
        mean = dict(zip(part.season.effects, part.beta.mean(axis=0), strict=True))
        usual_g = self.book.weighings["mass_g"].median()
        earlier, later = (100 * (mean["scale", name] + mean["scale zero", name] / usual_g)
                          for name in self.records.scales)  # fmt: skip
        gain = later - earlier
        return (
            f"From {words.day(pd.Timestamp(day))} on all weights are {abs(gain):.1f} % "
            f"{'higher' if gain > 0 else 'lower'} than those before"
        )

    def numbers(self, pieces: Sequence[str] | str | None) -> np.ndarray:
        """Row numbers of pieces by their marks."""
        names = self.book.pieces["piece"].tolist()
        if pieces is None:
            return np.arange(len(names))
        wanted = [pieces] if isinstance(pieces, str) else list(pieces)
        at = {name: i for i, name in enumerate(names)}
        for name in wanted:
            if name not in at:
                raise WoodlabError(
                    f"No piece named {name!r} in the book. See fits.pieces for the names."
                )
        return np.array([at[name] for name in wanted], dtype=int)

    def ln_dry(self, pick: np.ndarray) -> np.ndarray:
        """Ln of the oven-dry mass [g], (p, draws); NaN of a piece that was never weighed."""
        out = np.concatenate([part.ln_dry[pick] for part in self.parts], axis=1)
        return np.where(self.records.weighed[pick, None], out, np.nan)

    def moisture_draws(
        self, days: np.ndarray, pick: np.ndarray | None = None, **options: Any
    ) -> np.ndarray:
        """Moisture [%] of every draw, (p, draws, k), on days since turning (p, k), not decreasing.

        In the air of each draw: as logged, less the bias drawn for the hygrometer, then as drawn.
        """
        pick = np.arange(self.records.n_pieces) if pick is None else pick
        starts = self.records.shelf.start[pick]
        last = int(np.ceil((starts[:, None] + days).max(initial=0.0))) - 1
        sums = courses_to(self, self.records.shelf.first_day + last * _DAY)
        return np.concatenate(
            [
                part.curves(days, air, pick=pick, **options)
                for part, air in zip(self.parts, sums, strict=True)
            ],
            axis=1,
        )

    def predict(
        self,
        days: Iterable[float] | float | None = None,
        on: Iterable[Any] | str | pd.Timestamp | None = None,
        *,
        pieces: Sequence[str] | str | None = None,
        level: float = 0.95,
    ) -> pd.DataFrame:
        """Mass and moisture of each piece on given days or dates, with their bands.

        Parameters
        ----------
        days : float or sequence of float
            Days since each piece was turned; or
        on : date or sequence of dates
            Calendar dates; those before a piece was turned are left out for it. A date without a
            time is as many whole days after the day of turning, or, where the book has the hour
            of turning, its noon.
        pieces : str or sequence of str
            Only these pieces.
        level : float
            Of the bands: `ci_*` for the curve, `pi_*` for one more weighing.

        Returns
        -------
        DataFrame
            `piece`, `on`, `days`, `mass_g`, `moisture_pct`, and `ci_lower_*`, `ci_upper_*`,
            `pi_lower_*`, `pi_upper_*` of both. Mass includes sealer and steps.

        Raises
        ------
        WoodlabError
            If neither or both of `days` and `on` are given, or a piece is not in the book.

        The example of `DryingFits` shows it.
        """
        from woodlab.drying.fit.predict import predict_frame

        return predict_frame(self, days, on, pieces, level)

    def save(self, path: str | Path) -> None:
        """Write the fits, and the book that they are of, into one file; see `load_fits`."""
        from woodlab.drying.fit.saving import save_fits

        save_fits(self, path)

    def card(self) -> Card:
        good = self.pieces["status"].isin(["ok", "bounded"])
        n = len(self.pieces)
        best = self.laws.iloc[int(self.laws["weight"].to_numpy().argmax())]
        weights = words_of_laws(self.laws)
        says = [
            words.of_all(int(good.sum()), n, "have a curve that passes every check", "pieces")
            + ".",
            f"Drying law: {weights}." if self.law == "mixture" else f"Drying law: {best.law}.",
        ]
        if np.isfinite(best.error_pct):
            says.append(
                f"Weighings of the last weeks, held back, were predicted to within "
                f"{best.error_pct:.1f} points of moisture on average."
            )
        if not self.laws.loc[self.laws["weight"] > 0, "converged"].all():
            says.append("The search did not settle for every law; see fits.laws.")
        if self.scale_step:
            says.append(
                f"{self.scale_step}: another scale, or one set anew? They are read as those of two "
                "scales; name them in the column scale."
            )
        columns = [
            Column("piece", lambda r: r.piece, False),
            Column("moisture now [%]", lambda r: f"{r.moisture_now_pct:.1f}"),
            Column("90 % range", lambda r: f"{r.moisture_now_lower_pct:.1f} to "
                   f"{r.moisture_now_upper_pct:.1f}"),
            Column("oven-dry [g]", lambda r: f"{r.oven_dry_g:.0f}" if r.oven_dry_g > 0 else ""),
            Column("weighings", lambda r: f"{r.n_used}"),
            Column("status", lambda r: r.status + (f": {r.reason}" if r.reason else ""), False),
        ]  # fmt: skip
        remarked = self.pieces.sort_values("reason", key=lambda r: r.eq(""), kind="stable")
        caption = f"Pieces as of {words.day(self.as_of)}, those with a remark first"
        return card(
            says, remarked, columns, caption=caption, needs=["moisture_now_pct"], name="piece",
            most=MOST_SHOWN,
            more=("fits.pieces", "fits.params", "fits.groups", "fits.laws", "fits.checks"),
        )  # fmt: skip


def checked_fits(fits: Any) -> DryingFits:
    """The fits, or one sentence that says what to pass."""
    if not isinstance(fits, DryingFits):
        raise WoodlabError(
            f"fits is {type(fits).__name__}, not fits of a season. Pass wl.fit_drying(book)."
        )
    return fits


def day_of(fits: DryingFits, as_of: Any = None) -> np.datetime64:
    """The day asked for, or that of the fits."""
    from woodlab.drying.fit.fitting import as_of_day

    return as_of_day(fits.book, fits.as_of if as_of is None else as_of)


def words_of_laws(laws: pd.DataFrame) -> str:
    """'slab (80 %) and film (20 %)', by weight."""
    kept = laws[laws["weight"] > 0].sort_values("weight", ascending=False)
    return listed([f"{row.law} ({100 * row.weight:.0f} %)" for row in kept.itertuples()])
