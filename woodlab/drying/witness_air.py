"""The air of a store by its log, and where there is no log, by its witness blocks.

A block of known oven-dry mass that has come to rest holds the store's own equilibrium moisture, a
few days late. So where a place has blocks and no log, each day between their weighings becomes a
reading: the humidity that would give the block's moisture at 12 degrees. The warmth that a block
knows nothing of is then the same on every day, and no law is driven by it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying.warmth import REFERENCE_C
from woodlab.wood.humidity import equilibrium_moisture

WITNESS = "witness"
SETTLED_PCT = 0.6  # from one weighing to the next: until then it still comes from the oven
_HUMIDITY = np.linspace(0.5, 98.5, 197)


def store_air(book: RecordBook) -> pd.DataFrame:
    """The book's `air`, and below it the days that only witness blocks tell of (`by`: `witness`).

    Examples
    --------
    >>> import woodlab as wl
    >>> pieces = pd.DataFrame({"piece": ["A"], "turned_on": ["2026-03-01"], "wall_mm": [25.0],
    ...                        "species": ["sugar maple"], "seal": ["none"]})
    >>> weighed = pd.DataFrame({"piece": ["A"], "on": ["2026-03-01"], "mass_g": [900.0]})
    >>> blocks = pd.DataFrame({"witness": "W", "on": ["2026-03-01", "2026-03-03"],
    ...                        "mass_g": [112.0, 112.2], "oven_dry_g": [100.0, None]})
    >>> book = wl.RecordBook.from_frames(pieces=pieces, weighings=weighed, witnesses=blocks)
    >>> air = store_air(book)
    >>> equilibrium_moisture(air["temp_c"], air["rh_pct"]).round(1).tolist()
    [12.0, 12.1, 12.2]
    """
    if not len(book.witnesses):
        return book.air
    blocks = book.witnesses.dropna(subset=["on", "mass_g"])
    everywhere = len(book.air) > 0 and bool(book.air["place"].isna().any())
    named = set(book.air["place"].dropna()) if len(book.air) else set()
    parts = [book.air] if len(book.air) else []
    for place, mine in blocks.groupby(blocks["place"].fillna(""), sort=True):
        logged = everywhere or place in named or (not place and bool(named))
        days = [] if logged else [_days_of(rows) for _, rows in mine.groupby("witness")]
        level = pd.concat(days).groupby(level=0).mean() if days else pd.Series(dtype=float)
        if len(level):
            parts.append(_as_readings(level, place or None))
    return pd.concat(parts, ignore_index=True) if parts else book.air


def _days_of(rows: pd.DataFrame) -> pd.Series:
    """Moisture of a block on each day from its first weighing at rest to its last."""
    rows = rows.sort_values("on", kind="stable")
    dry = rows["oven_dry_g"].dropna()
    if not len(dry):
        return pd.Series(dtype=float)
    moisture = 100 * (rows["mass_g"].to_numpy(dtype=float) / float(dry.iloc[0]) - 1)
    steps = np.diff(moisture)
    rests = (np.abs(steps) < SETTLED_PCT) | (steps * steps[:1] < 0)
    first = int(rests.argmax()) if rests.any() else len(moisture) - 1
    at_rest = pd.Series(moisture[first:], rows["on"].dt.floor("D").to_numpy()[first:])
    at_rest = at_rest.groupby(level=0).mean()
    days = pd.date_range(at_rest.index[0], at_rest.index[-1], freq="D")
    return at_rest.reindex(days).interpolate()


def _as_readings(level: pd.Series, place: str | None) -> pd.DataFrame:
    """Days of moisture as the humidity that would give it."""
    curve = np.asarray(equilibrium_moisture(REFERENCE_C, _HUMIDITY))
    humidity = np.interp(level.to_numpy(), curve, _HUMIDITY)
    return pd.DataFrame(
        {"on": level.index, "temp_c": REFERENCE_C, "rh_pct": humidity, "place": place,
         "by": WITNESS}
    )  # fmt: skip
