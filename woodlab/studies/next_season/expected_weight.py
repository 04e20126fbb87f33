"""What a piece should weigh on the day of a round: from its own curve, or from its neighbours."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from woodlab.book.doubts import GAIN_FRACTION
from woodlab.book.record_book import RecordBook

# A weight outside this band happens to one good weighing in a hundred.
BAND_LEVEL = 0.99
# ... and no band is narrower than so many steps of the scale to either side.
LEAST_STEPS = 2
USUAL_STEP_G = 1.0
LEAST_NEIGHBOURS = 5


def with_expected(
    frame: pd.DataFrame, book: RecordBook, day: pd.Timestamp, fits: Any
) -> pd.DataFrame:
    """What each piece should weigh on the day, from its curve or from its neighbours."""
    nan = dict.fromkeys(["expected_g", "lower_g", "upper_g"], np.nan)
    frame = frame.assign(**nan, expected_from="")
    curves = _curves(book, day, fits)
    course = _courses(book)
    for at, row in frame.iterrows():
        if pd.isna(row["last_g"]):
            frame.loc[at, "expected_from"] = "never weighed"
            continue
        found = curves.get(row["piece"])
        if found is None:
            found = _from_neighbours(row, frame, course)
        found = _plausible(*found, last_g=row["last_g"], step_g=row["_step_g"])
        frame.loc[at, ["expected_g", "lower_g", "upper_g", "expected_from"]] = found
    return frame


def _plausible(
    expected: float, lower: float, upper: float, words: str, *, last_g: float, step_g: float
) -> tuple[float, float, float, str]:
    """A band no narrower than the scale reads, and no higher than drying wood can weigh.

    Examples
    --------
    >>> _plausible(1647.0, 1423.0, 1872.0, "its own curve", last_g=1677.0, step_g=1.0)
    (1647.0, 1423.0, 1710.54, 'its own curve')
    >>> _plausible(1804.0, 1804.0, 1804.0, "", last_g=1804.0, step_g=0.5)[:3]
    (1804.0, 1803.0, 1805.0)
    """
    if not np.isfinite(expected):
        return expected, lower, upper, words
    least = LEAST_STEPS * step_g
    highest = max(last_g * (1 + GAIN_FRACTION), expected + least)
    return (
        expected,
        float(min(lower, expected - least)),
        float(min(max(upper, expected + least), highest)),
        words,
    )


def _curves(book: RecordBook, day: pd.Timestamp, fits: Any) -> dict[str, tuple]:
    """Expected mass and band of the pieces that have a curve."""
    from woodlab.drying.fit import fit_drying

    if not len(book.weighings):
        return {}
    fits = fit_drying(book, progress=False) if fits is None else fits
    good = fits.pieces[fits.pieces["status"].isin(["ok", "bounded"])]
    rows = fits.predict(on=[day + pd.Timedelta(hours=12)], level=BAND_LEVEL)
    rows = rows[rows["piece"].isin(good["piece"]) & rows["pi_upper_mass_g"].notna()]
    names = ["mass_g", "pi_lower_mass_g", "pi_upper_mass_g"]
    return {
        row["piece"]: (*(float(row[name]) for name in names), "its own curve")
        for row in rows.to_dict("records")
        if np.isfinite(row["mass_g"])
    }


def _courses(book: RecordBook) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Age [days] and ln mass of every piece weighed at least twice, without events."""
    table = book.weighings.merge(book.pieces[["piece", "turned_on"]], on="piece")
    table["age"] = (table["on"] - table["turned_on"].dt.normalize()) / pd.Timedelta(days=1)
    courses = {}
    for piece, group in table.sort_values("age").groupby("piece"):
        if len(group) >= 2 and group["event"].iloc[1:].isna().all():
            courses[piece] = (group["age"].to_numpy(), np.log(group["mass_g"].to_numpy()))
    return courses


def _from_neighbours(
    row: pd.Series, frame: pd.DataFrame, courses: dict[str, tuple[np.ndarray, np.ndarray]]
) -> tuple[float, float, float, str]:
    """What other pieces lost over the same days of age; one seal first, then all.

    The band is the range of `n` neighbours, which one more piece leaves with a chance of
    2/(n + 1) (order statistics), widened by a tenth; so it wants several.
    """
    now, then = row["_age"] + 0.5, row["_age"] - row["days_since_weighing"]
    seal = frame.set_index("piece")["seal"]
    for group, words in (("seal", "under the same seal"), ("all", "of all kinds")):
        changes = [
            _ln_mass_at(now, age, ln_mass) - _ln_mass_at(then, age, ln_mass)
            for piece, (age, ln_mass) in courses.items()
            if piece != row["piece"] and age[0] <= then + 3 and age[-1] >= now - 3
            and (group == "all" or seal.get(piece) == row["seal"])
        ]  # fmt: skip
        if len(changes) >= LEAST_NEIGHBOURS:
            low, middle, high = np.quantile(changes, [0, 0.5, 1])
            reach = 0.1 * (high - low)
            factors = np.exp([middle, low - reach, high + reach])
            middle, low, high = (float(row["last_g"] * factor) for factor in factors)
            return middle, low, high, f"{len(changes)} pieces {words} at this age"
    upper = row["last_g"] * (1 + GAIN_FRACTION)
    return np.nan, np.nan, float(upper), "too few weights: only that it should not be heavier"


def _ln_mass_at(when: float, age: np.ndarray, ln_mass: np.ndarray) -> float:
    """Between two weighings by proportion; a few days beyond the last, on as between the last two.

    Examples
    --------
    >>> age, ln_mass = np.array([0.0, 3.0]), np.array([7.0, 6.97])
    >>> round(_ln_mass_at(3.5, age, ln_mass), 4), round(_ln_mass_at(1.5, age, ln_mass), 4)
    (6.965, 6.985)
    """
    one = int(np.clip(np.searchsorted(age, when) - 1, 0, len(age) - 2))
    days = age[one + 1] - age[one]
    part = (when - age[one]) / days if days > 0 else 0.0
    return float(ln_mass[one] + part * (ln_mass[one + 1] - ln_mass[one]))
