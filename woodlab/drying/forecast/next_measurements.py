"""Which single measurement would narrow the dates most, before it is made.

Each draw of the season says when a piece will be ready (T) and what a measurement would read (y).
To the best line through the draws, reading y takes from the variance of T the share

    corr(T, y)^2 var(y) / (var(y) + error of the reading squared),

whatever it will read: so the gain is known before. Source of the rule: the conditional variance of
jointly normal variables, as in Raiffa and Schlaifer, Applied Statistical Decision Theory (1961),
where it is the value of sample information.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import rankdata

from woodlab import words
from woodlab.drying.estimator.courses import drawn_levels
from woodlab.drying.estimator.model import CHECKED_SD
from woodlab.drying.estimator.weighing_error import WITNESS_PCT
from woodlab.drying.fit.frames import weighing_sd_g
from woodlab.drying.fit.records import SHAVINGS_SD
from woodlab.drying.fit.results import DryingFits
from woodlab.drying.forecast.cracks import ended
from woodlab.drying.forecast.passage import (
    HORIZON_DAYS,
    WITHIN_PCT,
    Passages,
    check_request,
    passages,
)
from woodlab.show import Card, Column, Shown, card

COLUMNS = (
    "kind", "of", "narrower_pct", "width_days", "width_after_days", "n_waiting", "error", "how",
)  # fmt: skip
BLOCK_G = 150.0  # a witness block on a kitchen scale of 1 g
READY = 0.95  # a piece as sure as this waits no more
LEAST_PCT = 5.0  # of the width: less is not worth the walk
HOW = {
    "witness": "dry a small block of wood to its oven-dry mass, lay it among the pieces, and note "
    "its weighings in the table witnesses",
    "hygrometer": "leave it a day in a closed jar over wet table salt (docs/calibration.md), "
    "correct its log, and type `over salt` under `checked` in the table `air`",
    "shavings": "drill or turn some shavings from the middle of the wall, weigh them at once and "
    "oven-dry, and note both in the table `offcuts` with the day",
    "weighing": "weigh it on this day",
}
OVEN = "Dry shavings and blocks in an oven meant for it, low and watched; they can scorch and burn."


@dataclass(frozen=True, eq=False, repr=False)
class NextMeasurements(Shown):
    """Made by `next_measurements`; never altered.

    Attributes
    ----------
    table : DataFrame
        A row a measurement, the most telling first: `kind` (`witness`, `hygrometer`, `shavings`,
        `weighing`), `of` (the piece or place), `narrower_pct` (by how much the 90 % ranges of all
        waiting pieces would narrow on average), `width_days`, `width_after_days` (mean width now,
        and expected after it), `n_waiting`, `error` (of the reading, in its unit), `how`.
    as_of : Timestamp
    """

    table: pd.DataFrame
    as_of: pd.Timestamp

    def card(self) -> Card:
        if not len(self.table):
            return Card(("No piece is waiting, so no measurement would move a date.",))
        worth = self.table[self.table["narrower_pct"] >= LEAST_PCT]
        best = self.table.iloc[0]
        waiting = words.count(int(best.n_waiting), "bowl")
        if not len(worth):
            return Card((
                f"No single measurement would narrow the dates of the {waiting} that wait by more "
                f"than {LEAST_PCT:g} %: go on weighing.",
            ))  # fmt: skip
        says = [
            f"What would tell most now: {named(best)}. It would narrow the date ranges of the "
            f"{waiting} that wait by about {best.narrower_pct:.0f} %, from {best.width_days:.0f} "
            f"to {best.width_after_days:.0f} days on average.",
            f"How: {best.how}.",
        ]
        if {"witness", "shavings"} & set(worth["kind"].head(8)):
            says.append(OVEN)
        return card(
            says, worth.head(8),
            [Column("measurement", named, False),
             Column("ranges narrower by", lambda r: f"{r.narrower_pct:.0f} %"),
             Column("days after", lambda r: f"{r.width_after_days:.0f}")],
            caption=f"Each alone, as of {words.day(self.as_of)}", needs=["narrower_pct"], name="of",
            more=("found.table",),
        )  # fmt: skip


def named(row: pd.Series) -> str:
    """What to do, in three or four words."""
    there = f" in {row.of}" if row.of else ""
    return {
        "witness": f"a witness block{there}", "hygrometer": f"a check of the hygrometer{there}",
        "shavings": f"shavings of {row.of}, dried", "weighing": f"a weighing of {row.of}",
    }[row.kind]  # fmt: skip


def next_measurements(
    fits: DryingFits,
    as_of: str | pd.Timestamp | None = None,
    target_moisture_pct: float | None = None,
    *,
    within_pct: float = WITHIN_PCT,
) -> NextMeasurements:
    """Rank what could be measured next by how much it would narrow the ready dates.

    Candidates are a witness block in each place, a check of each hygrometer over salt, and for
    each piece that waits its shavings dried and one more weighing.

    Parameters
    ----------
    fits, as_of, target_moisture_pct, within_pct
        As for `forecast_ready`.

    Returns
    -------
    NextMeasurements

    Raises
    ------
    WoodlabError
        As `forecast_ready` does.

    Examples
    --------
    >>> import woodlab as wl
    >>> book = wl.demo_book().only(pieces=["A1", "A3", "B2"])
    >>> found = wl.next_measurements(wl.fit_drying(book, law="slab", as_of="2025-06-01"))
    >>> sorted(found.table["kind"].unique())
    ['hygrometer', 'shavings', 'weighing', 'witness']
    >>> bool(found.table["narrower_pct"].between(0, 100).all())
    True
    """
    check_request(target_moisture_pct, 0.9, within_pct)
    found = passages(fits, as_of, target_moisture_pct, within_pct)
    fits = found.fits
    names = fits.pieces["piece"].astype(str).to_numpy()
    sure = (found.moisture_now_pct <= found.target_pct).mean(axis=1) >= READY
    gone = ended(fits.book.pieces, fits.book.looks)["outcome"].reindex(names).notna().to_numpy()
    waits = np.flatnonzero(~sure & ~gone & (found.now > 0))
    if not waits.size:
        return NextMeasurements(pd.DataFrame(columns=COLUMNS), pd.Timestamp(found.day))
    days = np.minimum(found.passage_days[waits], HORIZON_DAYS)
    width = np.diff(np.quantile(days, [0.05, 0.95], axis=1), axis=0)[0]
    rows = []
    for kind, of, reads, error in _candidates(found, waits, names):
        after = float((width * np.sqrt(1 - _share_told(days, reads, error))).mean())
        less = 100 * (1 - after / width.mean())
        rows.append((kind, of, less, width.mean(), after, waits.size, error, HOW[kind]))
    table = pd.DataFrame(rows, columns=COLUMNS)
    table = table.sort_values("narrower_pct", ascending=False, kind="stable", ignore_index=True)
    return NextMeasurements(table, pd.Timestamp(found.day))


def _share_told(days: np.ndarray, reads: np.ndarray, error: float) -> np.ndarray:
    """Share of the variance of each row of `days` (p, d) that a reading of `reads` (d,) takes."""
    order = rankdata(days, axis=1)  # dates are skew: a bowl that misses a summer waits for the next
    apart, y = order - order.mean(axis=1, keepdims=True), reads - reads.mean()
    spread = (apart**2).sum(axis=1) * (y**2).sum()
    square = np.divide((apart @ y) ** 2, spread, out=np.zeros(len(days)), where=spread > 0)
    chance = 2 / y.size  # of independent pairs of draws without any relation
    square = np.clip((square - chance) / (1 - chance), 0, 1)
    known: np.ndarray = square * y.var(ddof=1) / (y.var(ddof=1) + error**2)
    return known


def _candidates(
    found: Passages, waits: np.ndarray, names: np.ndarray
) -> list[tuple[str, str, np.ndarray, float]]:
    """Kind, of what, what each draw says that it would read (d,), and its error."""
    fits = found.fits
    shelf, out = fits.records.shelf, []
    today = int((found.day - shelf.first_day) / np.timedelta64(1, "D"))
    month = slice(max(today - 14, 0), today + 15)  # a block follows the air by weeks
    # equilibrium and bias by the draws (d, places), offset of each piece (n, d)
    level = np.concatenate([drawn_levels(fits, p)[0][..., month].mean(axis=2) for p in fits.parts])
    bias = np.concatenate([part.bias() for part in fits.parts])
    shift = np.concatenate([part.shift_pct() for part in fits.parts], axis=1)
    heaviest = max(fits.parts, key=lambda part: part.count)
    place_of = shelf.place_of[shelf.history, -1]
    block = float(np.hypot(WITNESS_PCT, 100 / BLOCK_G / np.sqrt(12)))
    for place in sorted(set(place_of[waits])):
        there = waits[place_of[waits] == place]
        name = shelf.places[place]
        out.append(("witness", name, level[:, place] + shift[there].mean(axis=0), block))
        known = shelf.checked | shelf.witnessed
        if shelf.has_air and name not in known and not shelf.unlogged[there].any():
            out.append(("hygrometer", name, bias[:, place], CHECKED_SD))
    for p in waits:
        moisture = found.moisture_now_pct[p]
        out.append(("shavings", names[p], moisture, SHAVINGS_SD * max(moisture.mean(), 5.0)))
        if not fits.records.weighed[p]:  # a first weight tells what is there, and not how dry it is
            continue
        mass = np.exp(fits.ln_dry(np.array([p]))[0]) * (1 + moisture / 100)
        error = float(weighing_sd_g(heaviest, np.array([p]))[0])
        out.append(("weighing", names[p], mass, error))
    return out
