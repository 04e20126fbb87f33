"""What `fit_drying` gives back: one estimate of a season, that every answer is read from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.book.record_book import RecordBook
from woodlab.drying.estimator.courses import courses_to
from woodlab.drying.estimator.posterior import Posterior
from woodlab.drying.fit.records import Records
from woodlab.drying.laws.law import START
from woodlab.errors import WoodlabError
from woodlab.show import Card, Column, Shown, card, listed

if TYPE_CHECKING:
    from woodlab.drying.future_air import FutureAir

_DAY = np.timedelta64(1, "D")


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
    pieces: pd.DataFrame
    params: pd.DataFrame
    groups: pd.DataFrame
    checks: pd.DataFrame
    residuals: pd.DataFrame
    steps: pd.DataFrame
    parts: tuple[Posterior, ...]
    air: FutureAir
    options: dict[str, Any]

    # ---- draws

    @property
    def records(self) -> Records:
        """The book as arrays."""
        return self.parts[0].season.d

    @property
    def n_draws(self) -> int:
        """Draws in all, of all laws."""
        return sum(part.count for part in self.parts)

    def numbers(self, pieces: Sequence[str] | str | None) -> np.ndarray:
        """Row numbers of pieces by their marks.

        Raises
        ------
        WoodlabError
            If one is not in the book.
        """
        names = self.pieces["piece"].tolist()
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
        """Ln of the oven-dry mass [g], (p, draws)."""
        return np.concatenate([part.ln_dry[pick] for part in self.parts], axis=1)

    def moisture_draws(
        self, days: np.ndarray, pick: np.ndarray | None = None, **options: Any
    ) -> np.ndarray:
        """Moisture [%] of every draw, (p, draws, k), on days since turning (p, k), not decreasing.

        In the air of each draw: as logged, less the bias drawn for the hygrometer, then as drawn.
        """
        pick = np.arange(self.records.n_pieces) if pick is None else pick
        starts = self.records.shelf.start[pick]
        last = int(np.ceil((starts[:, None] + days).max(initial=0.0))) + 1
        sums = courses_to(self, self.records.shelf.first_day + last * _DAY)
        return np.concatenate(
            [
                np.asarray(part.curves(days, air, pick=pick, **options))
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
            Calendar dates (noon of a date without a time); those before a piece was turned are
            left out for it.
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
            words.of_all(int(good.sum()), n, "have a curve that passes every check", "pieces"),
            f"Drying law: {weights}." if self.law == "mixture" else f"Drying law: {best.law}.",
        ]
        if np.isfinite(best.error_pct):
            says.append(
                f"Weighings of the last weeks, held back, were predicted to within "
                f"{best.error_pct:.1f} points of moisture on average."
            )
        if not self.laws.loc[self.laws["weight"] > 0, "converged"].all():
            says.append("The search did not settle for every law; see fits.laws.")
        columns = [
            Column("piece", lambda r: r.piece, False),
            Column("moisture now [%]", lambda r: f"{r.moisture_now_pct:.1f}"),
            Column("90 % range", lambda r: f"{r.moisture_now_lower_pct:.1f} to "
                   f"{r.moisture_now_upper_pct:.1f}"),
            Column("oven-dry [g]", lambda r: f"{r.oven_dry_g:.0f}"),
            Column("weighings", lambda r: f"{r.n_used}"),
            Column("status", lambda r: r.status + (f": {r.reason}" if r.reason else ""), False),
        ]  # fmt: skip
        return card(
            says, self.pieces, columns, caption=f"Pieces as of {words.day(self.as_of)}",
            needs=["moisture_now_pct"], name="piece",
            more=("fits.pieces", "fits.params", "fits.groups", "fits.laws", "fits.checks"),
        )  # fmt: skip


def checked_fits(fits: Any) -> DryingFits:
    """The fits, or one sentence that says what to pass."""
    if not isinstance(fits, DryingFits):
        raise WoodlabError(
            f"fits is {type(fits).__name__}, not fits of a season. Pass wl.fit_drying(book)."
        )
    return fits


def words_of_laws(laws: pd.DataFrame) -> str:
    """'slab (80 %) and film (20 %)', by weight."""
    kept = laws[laws["weight"] > 0].sort_values("weight", ascending=False)
    return listed([f"{row.law} ({100 * row.weight:.0f} %)" for row in kept.itertuples()])


# ---- frames of a fit


def quantiles(values: np.ndarray, shares: Sequence[float], axis: int = -1) -> np.ndarray:
    """Quantiles of draws, infinity allowed among them."""
    return np.quantile(values, shares, axis=axis, method="inverted_cdf")


def param_frame(parts: Sequence[Posterior]) -> pd.DataFrame:
    """`DryingFits.params` from draws: medians, standard deviations, 95 % limits."""
    out = []
    for part in parts:
        s = part.season
        n = s.d.n_pieces
        marks = s.d.names[:n]
        named: list[tuple[str, str, np.ndarray]] = [
            (p.name, p.unit, p.natural(part.u[:n, :, j])) for j, p in enumerate(s.own)
        ]
        named.append(("oven_dry_g", "g", np.exp(part.ln_dry[:n])))
        named.append((START, "%", np.exp(np.minimum(part.u[:n, :, s.start_at], np.log(400.0)))))
        for name, unit, values in named:
            low, middle, high = np.quantile(values, [0.025, 0.5, 0.975], axis=1)
            out.append(
                pd.DataFrame(
                    {
                        "piece": marks,
                        "parameter": name,
                        "law": s.law.name,
                        "estimate": middle,
                        "stderr": values.std(axis=1),
                        "ci_lower": low,
                        "ci_upper": high,
                        "unit": unit,
                    }
                )  # fmt: skip
            )
    return pd.concat(out, ignore_index=True)


def group_frame(parts: Sequence[Posterior]) -> pd.DataFrame:
    """`DryingFits.groups` from draws of the effects and components."""
    rows = []
    for part in parts:
        s = part.season
        units = {p.name: p for p in s.law.parameters}
        for i, (what, label) in enumerate(s.effects):
            kind, _, name = what.partition(", ")
            p = units.get(name)
            value = part.beta[:, i]
            if name == START:
                value, unit = np.exp(value), "%"
            elif p is not None and kind in ("seal", "season"):
                value, unit = p.natural(value), p.unit
            elif p is not None and not p.plain:
                value, unit = np.exp(value), "1"  # a factor on the season's value
            else:
                unit = (
                    "1/%" if name == "rise_per_pct" else {"hygrometer": "% RH"}.get(kind, "points")
                )
                unit = "1" if kind in ("wear", "scale") else unit
            rows.append((kind, label, name or kind, s.law.name, *_three(value), unit))
        parts_of = ["log", "piece"]
        for i, component in enumerate(s.system.components.all):
            if component is None:
                continue
            q = s.system.q
            name = s.local[i % q] if i < 2 * q else START
            group = parts_of[i // q] if i < 2 * q else ("offcut of a log", "own offcut")[i - 2 * q]
            rows.append(("spread", group, name, s.law.name, *_three(part.sds[:, i]), "ln"))
    columns = ["kind", "group", "parameter", "law", "estimate", "ci_lower", "ci_upper", "unit"]
    return pd.DataFrame(rows, columns=columns)


def _three(values: np.ndarray) -> tuple[float, float, float]:
    low, middle, high = np.quantile(values, [0.025, 0.5, 0.975])
    return float(middle), float(low), float(high)


def residual_frame(book: RecordBook, part: Posterior, step_g: np.ndarray) -> pd.DataFrame:
    """`DryingFits.residuals` at the mode; rows in the order of the pieces."""
    s, mode = part.season, part.mode
    d = s.d
    n = d.n_pieces
    kappa = s.kappa(mode.beta)
    moisture = s.moisture(mode.u, kappa) + mode.defect
    mass = np.exp(mode.ln_dry)[:, None] * (1 + moisture / 100) * s.gain(kappa) + d.sealer_g
    mass = mass + added_steps(d, step_g, mass)
    pick = (d.here & ~d.is_moisture)[:n]
    owner, at = np.nonzero(pick)
    source = d.source[owner, at]
    measured = book.weighings["mass_g"].to_numpy(dtype=float)[source]
    fitted = mass[owner, at]
    return pd.DataFrame(
        {
            "piece": d.names[owner], "on": book.weighings["on"].to_numpy()[source],
            "days": d.days[owner, at], "mass_g": measured, "fitted_g": fitted,
            "residual_g": measured - fitted, "used": mode.weight[owner, at] > 0.1,
        }
    )  # fmt: skip


def step_draws(part: Posterior, curves: np.ndarray) -> np.ndarray:
    """Step of each event [g], (events, draws): the mean of what the weighings after it, up to the
    next event, are off the curve by. `curves` (n, draws, k) is moisture at the weighings."""
    d = part.season.d
    out = np.zeros((len(d.steps), part.count))
    for e, (p, first, _, _) in enumerate(d.steps):
        later = [f for q, f, *_ in d.steps if q == p and f > first]
        end = min(later) if later else d.counts[p]
        rows = [j for j in range(first, end) if not d.is_moisture[p, j]]
        mass = np.exp(part.ln_dry[p])[:, None] * (1 + curves[p][:, rows] / 100)
        before = sum(out[o] for o, (q, f, *_) in enumerate(d.steps) if q == p and f < first)
        out[e] = (d.mass_g[p, rows] - mass).mean(axis=1) - before
    return out


def added_steps(d: Records, step_g: np.ndarray, like: np.ndarray) -> np.ndarray:
    """Mass [g] that events have added by each weighing, (n, k)."""
    out = np.zeros(like.shape)
    for (p, first, _, _), step in zip(d.steps, step_g, strict=True):
        out[p, first:] += step
    return out


def step_frame(book: RecordBook, d: Records, draws: np.ndarray) -> pd.DataFrame:
    """`DryingFits.steps`."""
    rows = [
        (d.names[p], book.weighings["on"].iloc[row], book.weighings["event"].iloc[row])
        for p, _, _, row in d.steps
    ]
    frame = pd.DataFrame(rows, columns=["piece", "on", "event"])
    three = np.quantile(draws, [0.5, 0.025, 0.975], axis=1) if len(draws) else np.zeros((3, 0))
    return frame.assign(step_g=three[0], ci_lower=three[1], ci_upper=three[2])


def weighing_sd_g(part: Posterior, pick: np.ndarray) -> np.ndarray:
    """Standard deviation of one more weighing about the curve, by piece [g]; see `season`."""
    s, mode = part.season, part.mode
    scale = s.d.scale_g[pick].max(axis=1, initial=0.0)
    drift = mode.drift_pct / 100 * np.exp(mode.ln_dry[pick])
    return np.sqrt(scale**2 / 12 + mode.slip_g**2 + drift**2)
