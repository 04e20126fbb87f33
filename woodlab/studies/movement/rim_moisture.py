"""How moist each piece was when its rim was measured: from its drying curve, or assumed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying.air_course import air_course
from woodlab.errors import WoodlabError
from woodlab.wood.moisture import FIBRE_SATURATION_PCT

GREEN_DAYS = 7  # a rim measured this soon after turning is the green one
DRY_DAYS = 240  # with no curve, a piece this old is taken to be as dry as its air
# Where no air is logged: an unheated shed in a temperate place, an estimate of our own.
ASSUMED_EQUILIBRIUM_PCT = 12.0
ASSUMED_HALF_WIDTH_PCT = 4.0  # half the interval of an assumed moisture, ours too

_AT_ONCE = 50

MOISTURE_COLUMNS = [
    "moisture_pct",
    "ci_lower_moisture_pct",
    "ci_upper_moisture_pct",
    "moisture_from",
]


def equilibrium_pct(book: RecordBook, last: pd.Timestamp | None = None) -> tuple[float, str]:
    """The moisture that the air of the book leads to, and what it rests on.

    The mean equilibrium moisture over the last year of the log (up to `last`), or 12 % with no
    log.
    """
    course = air_course(book.air) if len(book.air) else None
    if course is None:
        words = f"no air logged: {ASSUMED_EQUILIBRIUM_PCT:g} % assumed"
        return ASSUMED_EQUILIBRIUM_PCT, words
    logged = course.logged
    end = logged["on"].max() if last is None else last
    year = logged[(logged["on"] <= end) & (logged["on"] > end - pd.Timedelta(days=365))]
    year = year if len(year) else logged
    return float(year["equilibrium_pct"].mean()), "mean of the logged air"


def rim_moisture(book: RecordBook, fits: Any | None) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Moisture of the piece at each row of the table `rims`.

    Parameters
    ----------
    book : RecordBook
    fits : DryingFits or None
        None: the exponential law is fitted here.

    Returns
    -------
    frame : DataFrame
        `moisture_pct`, its 95 % interval, and `moisture_from`: "drying curve", or what was
        assumed and why; NaN where nothing can be said. Rows as in `book.rims`.
    notes : tuple of str
        What stood in the way of the curves, if anything did.
    """
    rims = book.rims[["piece", "on"]].copy()
    turned = rims["piece"].map(book.pieces.set_index("piece")["turned_on"])
    days = (rims["on"] - turned).dt.total_seconds().to_numpy() / 86400
    fits, notes = _fits(book, fits)
    frame = _from_curves(fits, rims)
    last, words = equilibrium_pct(book)
    unknown = frame["moisture_pct"].isna().to_numpy()
    green = unknown & (days <= GREEN_DAYS)
    dry = unknown & (days >= DRY_DAYS)
    frame.loc[green, MOISTURE_COLUMNS[:3]] = [
        FIBRE_SATURATION_PCT, FIBRE_SATURATION_PCT, 2 * FIBRE_SATURATION_PCT,
    ]  # fmt: skip
    frame.loc[green, "moisture_from"] = "assumed green at turning"
    frame.loc[dry, MOISTURE_COLUMNS[:3]] = [
        last, max(last - ASSUMED_HALF_WIDTH_PCT, 0.0), last + ASSUMED_HALF_WIDTH_PCT,
    ]  # fmt: skip
    frame.loc[dry, "moisture_from"] = f"assumed as dry as the air after {DRY_DAYS} days ({words})"
    frame.loc[unknown & ~green & ~dry, "moisture_from"] = "not known: no drying curve"
    return frame, notes


def _fits(book: RecordBook, fits: Any | None) -> tuple[Any | None, tuple[str, ...]]:
    if fits is not None:
        return fits, ()
    from woodlab.drying.fit import fit_drying  # only here: its compiled code takes a while to load

    try:
        return fit_drying(book), ()
    except WoodlabError as error:
        return None, (f"No drying curves for these rims: {error}",)


def _from_curves(fits: Any | None, rims: pd.DataFrame) -> pd.DataFrame:
    empty = pd.DataFrame({name: np.nan for name in MOISTURE_COLUMNS[:3]}, index=rims.index)
    empty["moisture_from"] = ""
    if fits is None or not len(rims):
        return empty
    names = MOISTURE_COLUMNS[:3]
    parts = []
    order = rims["piece"].drop_duplicates().to_numpy()
    for start in range(0, len(order), _AT_ONCE):  # pieces times dates: keep each table small
        some = rims[rims["piece"].isin(order[start : start + _AT_ONCE])]
        on = sorted(some["on"].dropna().unique())
        at = fits.predict(on=on, pieces=some["piece"].unique().tolist())
        parts.append(at[["piece", "on", *[name for name in names if name in at]]])
    at = pd.concat(parts, ignore_index=True)
    found = rims.merge(at.drop_duplicates(["piece", "on"]), on=["piece", "on"], how="left")
    found = found.reindex(columns=names).astype(float).set_axis(rims.index, axis=0)
    for name in names[1:]:  # a curve with no interval of its own: say as little as an assumption
        side = -ASSUMED_HALF_WIDTH_PCT if "lower" in name else ASSUMED_HALF_WIDTH_PCT
        found[name] = found[name].fillna((found["moisture_pct"] + side).clip(lower=0))
    found["moisture_from"] = np.where(found["moisture_pct"].notna(), "drying curve", "")
    return found
