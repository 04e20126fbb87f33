"""Oven-dry mass without an oven: from offcuts, from the species table, or from weights gone flat.

Every way that a piece allows is tried, and the one with the narrowest interval is given, by name.
A season pooled (`fit_drying(book, pool=True)`) knows more: it adds the shape of the curves.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying.air_course import air_course
from woodlab.drying.batch import Rows, gather
from woodlab.drying.green import start_moisture_information

# Estimates of our own.
LATEST_FIRST_DAYS = 10.0  # a first weighing later than this says little of the green mass
LOSS_PCT_PER_DAY = 0.5  # what may have gone before the first weighing
FLAT_DAYS = 21.0  # weights are flat when they change little over so long
FLAT_PCT = 0.5
FLAT_MOISTURE_SD_PCT = 1.5  # between the wood and the air's equilibrium when the weights are flat
UNKNOWN_AIR_PCT, UNKNOWN_AIR_SD_PCT = 12.0, 3.0
UNKNOWN_SEALER_PCT = 1.5
FLAT = "weights that have gone flat"
NOTHING = "nothing"
_Z = 1.959964


def oven_dry_mass(book: RecordBook) -> pd.DataFrame:
    """Oven-dry mass of each piece, with an interval and the name of what it rests on.

    Parameters
    ----------
    book : RecordBook

    Returns
    -------
    DataFrame
        A row a piece: `piece`, `oven_dry_g`, `ci_lower`, `ci_upper` [g] (95 %), `rests_on` (`own
        offcuts`, `offcuts of the log`, `species table`, `weights that have gone flat`,
        `nothing`), `start_moisture_pct` (where that is what it rests on), `reason`. Sealer is
        not wood: its known mass is taken off; unknown, it widens the interval.

    Notes
    -----
    From the green state: oven-dry = mass of the wood at turning / (1 + start moisture/100), the
    start moisture and its scatter from `woodlab.drying.green`. From the end: mass / (1 +
    equilibrium moisture/100), once at least three weighings over three weeks stay within half a
    percent. Source: ASTM D4442 for the definition; scatters and the half percent are estimates
    of our own.

    Examples
    --------
    >>> import pandas as pd, woodlab as wl
    >>> book = wl.RecordBook.from_frames(
    ...     pieces=pd.DataFrame({"piece": ["A"], "species": ["red oak"], "seal": ["none"],
    ...                          "turned_on": ["2026-03-01"], "wall_mm": [25]}),
    ...     weighings=pd.DataFrame({"piece": ["A"], "on": ["2026-03-01"], "mass_g": [1360]}),
    ...     offcuts=pd.DataFrame({"piece": ["A"], "wet_g": [136.0], "oven_dry_g": [100.0]}))
    >>> frame = oven_dry_mass(book)
    >>> round(frame.loc[0, "oven_dry_g"]), frame.loc[0, "rests_on"]
    (1000, 'own offcuts')
    """
    rows = gather(book)
    known = start_moisture_information(book)
    sealed = book.pieces["seal"].fillna("none").ne("none").to_numpy()
    blind = sealed & ~np.isfinite(book.pieces["seal_g"].to_numpy(dtype=float))
    green = _from_green(rows, known)
    flat = _from_flat(book, rows)
    out = []
    for p, piece in enumerate(book.pieces["piece"]):
        ways = [way for way in (green[p], flat[p]) if np.isfinite(way[1])]
        if not ways:
            said = "; ".join(way[3] for way in (green[p], flat[p]) if way[3])
            out.append((piece, np.nan, np.nan, np.nan, NOTHING, np.nan, said))
            continue
        ln, sd, name, reason, start = min(ways, key=lambda way: way[1])
        if blind[p]:
            sd = float(np.hypot(sd, UNKNOWN_SEALER_PCT / 100))
            ln -= UNKNOWN_SEALER_PCT / 200
            reason = f"{reason}; the mass of the sealer is not recorded, some was allowed for"
        out.append(
            (piece, np.exp(ln), np.exp(ln - _Z * sd), np.exp(ln + _Z * sd), name, start, reason)
        )
    return pd.DataFrame(
        out,
        columns=["piece", "oven_dry_g", "ci_lower", "ci_upper", "rests_on", "start_moisture_pct",
                 "reason"],
    )  # fmt: skip


Way = tuple[float, float, str, str, float]


def _from_green(rows: Rows, known: pd.DataFrame) -> list[Way]:
    """ln oven-dry mass, its sd, name, reason and start moisture, from the first weighing."""
    out: list[Way] = []
    counts = rows.counts
    for p in range(counts.size):
        mean, sd = known["mean_pct"].iloc[p], known["sd_pct"].iloc[p]
        source = str(known["rests_on"].iloc[p])
        if counts[p] == 0:
            out.append((np.nan, np.nan, source, "not weighed since it was turned", np.nan))
            continue
        first, mass = rows.days[rows.ptr[p]], rows.mass_g[rows.ptr[p]]
        if not np.isfinite(mean):
            said = "no offcut, and the species table does not know its green moisture"
            out.append((np.nan, np.nan, source, said, np.nan))
        elif first > LATEST_FIRST_DAYS:
            said = f"first weighed {first:.0f} days after turning: its green mass is not known"
            out.append((np.nan, np.nan, source, said, np.nan))
        else:
            lost = LOSS_PCT_PER_DAY / 100 * first
            spread = float(np.hypot(sd / (100 + mean), lost / 2))
            said = f"start moisture {mean:.0f} +- {sd:.0f} % from {source}"
            if first > 0.5:
                said += f", first weighed {first:.0f} days after turning"
            ln = float(np.log(mass) + lost / 2 - np.log1p(mean / 100))
            out.append((ln, spread, source, said, float(mean)))
    return out


def _from_flat(book: RecordBook, rows: Rows) -> list[Way]:
    """The same from the last weighings, where they are flat."""
    course = air_course(book.air) if len(book.air) else None
    out: list[Way] = []
    turned = book.pieces["turned_on"]
    which = course.which(book.pieces["place"]) if course is not None else None
    for p in range(rows.counts.size):
        part = slice(rows.ptr[p], rows.ptr[p + 1])
        days, mass = rows.days[part], rows.mass_g[part]
        late = days >= (days[-1] - FLAT_DAYS - 1e-9) if days.size else np.zeros(0, dtype=bool)
        if days.size and late.sum() < 3:
            late = np.arange(days.size) >= days.size - 3
        if days.size < 4 or np.ptp(days[late]) < FLAT_DAYS * 0.8:
            out.append((np.nan, np.nan, FLAT, "too few weighings to see whether they are flat",
                        np.nan))  # fmt: skip
            continue
        level = float(mass[late].mean())
        change = 100 * float(np.ptp(mass[late])) / level
        if change > FLAT_PCT:
            said = f"the weights still change ({change:.1f} % over the last weeks)"
            out.append((np.nan, np.nan, FLAT, said, np.nan))
            continue
        moisture, sd, air = UNKNOWN_AIR_PCT, UNKNOWN_AIR_SD_PCT, "an assumed"
        if course is not None and which is not None:
            end = turned.iloc[p] + pd.Timedelta(days=float(days[-1]))
            start = max(end - pd.Timedelta(days=30), turned.iloc[p])
            values, _ = course.days(start, end)
            moisture, sd = float(values[which[p]].mean()), FLAT_MOISTURE_SD_PCT
            air = "the air's"
        said = (
            f"weights within {change:.1f} % over {np.ptp(days[late]):.0f} days, at {air} "
            f"equilibrium of {moisture:.1f} +- {sd:.1f} %"
        )
        ln = float(np.log(level) - np.log1p(moisture / 100))
        out.append((ln, sd / (100 + moisture), FLAT, said, np.nan))
    return out
