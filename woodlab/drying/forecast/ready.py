"""When will each piece be dry enough, and how sure is that: moisture now, chance, dates."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.drying.fit.results import DryingFits, words_of_laws
from woodlab.drying.forecast.cracks import crack_states, ended
from woodlab.drying.forecast.passage import (
    WITHIN_PCT,
    Passages,
    calendar,
    check_request,
    passages,
)
from woodlab.wood.humidity import equilibrium_moisture


def forecast_ready(
    fits: DryingFits,
    as_of: str | pd.Timestamp | None = None,
    target_moisture_pct: float | None = None,
    level: float = 0.90,
    *,
    within_pct: float = WITHIN_PCT,
) -> pd.DataFrame:
    """Moisture now, the chance of being ready, the dates and the cracks, for every piece.

    Parameters
    ----------
    fits : DryingFits
        From `fit_drying(book)`. Every number here is read from its draws.
    as_of : date, optional
        Nothing after this day is used; where it is before that of the fits, the book is fitted
        again up to it. The default is the day of the fits.
    target_moisture_pct : float, optional
        Ready means mean moisture at or below this [% of oven-dry mass]. The default is
        `within_pct` points above the mean equilibrium moisture at the piece over the year to
        come, in each draw its own.
    level : float
        Chance that `earliest_on` to `latest_on` holds the true date, and that
        `moisture_now_lower_pct` to `moisture_now_upper_pct` holds the moisture now.
    within_pct : float
        Points of moisture [%], for the default of the target.

    Returns
    -------
    DataFrame
        A row a piece: `piece`, `moisture_now_pct` [%], `p_ready_now`, `ready_on` (median date),
        `earliest_on`, `latest_on`, `crack` (`none seen`, `not looked at`, or what is known of it:
        a cracked piece is to be looked at before anything else), `reason`, `target_moisture_pct`;
        the limits of the moisture now; `p_ready_ever`; `oven_dry_g` with its limits;
        `drier_air_rh_pct` [%], which a piece would need that will not get there; what the piece
        is; what the answer is based on (`last_weighed_on`, `n_weighings`, `status`, `basis`,
        `laws`, `air`); `level`, `as_of`. A date is NaT where that share of the futures does not
        get there within 800 days. A piece that has ended (finished, scrapped, given away) keeps
        its row, without chances and dates.

    Raises
    ------
    WoodlabError
        If the fits, the date, the target or the level are not usable.

    Notes
    -----
    How futures are drawn, with sources: `woodlab.drying.future_air` and
    `woodlab.drying.estimator.courses`. The usual target is common practice, no source.

    Examples
    --------
    Two bare pieces of 22 and 31 mm and one waxed all over (A1), at the beginning of June:

    >>> import woodlab as wl
    >>> book = wl.demo_book().only(pieces=["A1", "A3", "B2"])
    >>> fits = wl.fit_drying(book, law="slab", as_of="2025-06-01")
    >>> ready = wl.forecast_ready(fits, target_moisture_pct=14)
    >>> ready.sort_values("ready_on")["piece"].tolist()
    ['A3', 'B2', 'A1']
    >>> ready.set_index("piece")["p_ready_now"].round().to_dict()
    {'A1': 0.0, 'A3': 1.0, 'B2': 0.0}
    """
    check_request(target_moisture_pct, level, within_pct)
    return ready_frame(passages(fits, as_of, target_moisture_pct, within_pct), level)


def ready_frame(found: Passages, level: float) -> pd.DataFrame:
    """The frame of `forecast_ready` from draws."""
    fits = found.fits
    n = fits.records.n_pieces
    book = fits.book.until(pd.Timestamp(found.day))
    pieces = fits.book.pieces.reset_index(drop=True)
    tail = (1 - level) / 2
    three = (tail, 0.5, 1 - tail)
    low, middle, high = np.quantile(  # infinity among them: no line between two draws
        found.passage_days, three, axis=1, method="inverted_cdf"
    )
    now_low, now, now_high = np.quantile(found.moisture_now_pct, three, axis=1)
    dry_low, dry, dry_high = np.quantile(np.exp(fits.ln_dry(np.arange(n))), three, axis=1)
    turned = pieces["turned_on"]
    weighed = book.weighings.groupby("piece")["on"].agg(["max", "size"]).reindex(pieces["piece"])
    states = crack_states(book).set_index("piece")["crack"].reindex(pieces["piece"])
    frame = pd.DataFrame({
        "piece": pieces["piece"], "moisture_now_pct": now,
        "p_ready_now": (found.moisture_now_pct <= found.target_pct).mean(axis=1),
        "ready_on": calendar(turned, middle, "near"),
        "earliest_on": calendar(turned, low, "down"), "latest_on": calendar(turned, high, "up"),
        "crack": states.fillna("not looked at").to_numpy(), "reason": "",
        "target_moisture_pct": found.target_pct.mean(axis=1),
        "moisture_now_lower_pct": now_low, "moisture_now_upper_pct": now_high,
        "p_ready_ever": np.isfinite(found.passage_days).mean(axis=1),
        "oven_dry_g": dry, "oven_dry_lower_g": dry_low, "oven_dry_upper_g": dry_high,
        "drier_air_rh_pct": np.nan, "species": pieces["species"], "seal": pieces["seal"],
        "wall_mm": pieces["wall_mm"], "place": pieces["place"], "turned_on": turned,
        "last_weighed_on": weighed["max"].astype("datetime64[ns]").to_numpy(),
        "n_weighings": weighed["size"].fillna(0).astype(int).to_numpy(),
        "status": fits.pieces["status"], "basis": fits.pieces["oven_dry_from"],
        "laws": words_of_laws(fits.laws), "air": fits.air.rests_on, "level": level,
        "as_of": pd.Timestamp(found.day),
    })  # fmt: skip
    short = np.flatnonzero(frame["p_ready_ever"].to_numpy() < 0.5)
    if short.size:
        frame.loc[short, "drier_air_rh_pct"] = _drier_air(found, short)
    frame["reason"] = [_reason(row) for row in frame.itertuples()]
    return _without_ended(frame, ended(book.pieces, book.looks))


def _without_ended(frame: pd.DataFrame, gone: pd.DataFrame) -> pd.DataFrame:
    """Ended pieces keep their rows, without a forecast."""
    mine = frame["piece"].isin(gone.index)
    frame.loc[mine, ["p_ready_now", "p_ready_ever", "drier_air_rh_pct"]] = np.nan
    frame.loc[mine, ["ready_on", "earliest_on", "latest_on"]] = pd.NaT
    said = gone["outcome"].astype(str) + gone["on"].dt.strftime(" on %Y-%m-%d").fillna("")
    frame.loc[mine, "reason"] = frame.loc[mine, "piece"].map(said + ": no forecast")
    return frame


def _drier_air(found: Passages, short: np.ndarray) -> np.ndarray:
    """Relative humidity [%] at 20 C whose constant air brings a piece to its target: that in which
    wood rests a point below it, since the last point takes for ever."""
    humid = np.arange(5.0, 96.0, 1.0)
    curve = np.asarray(equilibrium_moisture(20.0, humid), dtype=float)
    offset = np.concatenate([p.shift_pct()[short] for p in found.fits.parts], axis=1).mean(axis=1)
    count = np.searchsorted(curve, found.target_pct[short].mean(axis=1) - 1.0 - offset, "right")
    return np.append(np.nan, humid)[count]


def _reason(row: Any) -> str:
    """What a maker reads: cracks first, then how dry it is and why so."""
    text = _dryness(row)
    if row.crack.startswith("open") or row.crack.startswith("glued"):
        text = f"CRACKED ({row.crack}): look before anything else; {text}"
    return text if row.status in ("ok", "bounded") else f"{text} (fit: {row.status})"


def _dryness(row: Any) -> str:
    target = words.target(row.target_moisture_pct)
    n = row.n_weighings
    seen = "one weighing" if n == 1 else f"{n} weighings"
    based = (
        f"about {row.moisture_now_pct:.1f} % now ({row.moisture_now_lower_pct:.1f} to "
        f"{row.moisture_now_upper_pct:.1f})"
    ) + (f", from {seen}" if n else ": not weighed yet, its group's curve")
    if row.p_ready_ever < 0.5:
        text = f"will probably not reach {target} in the air it is in; {based}"
        drier = f"; it would need air of at most {row.drier_air_rh_pct:.0f} % relative humidity"
        return text + (f"{drier} at 20 C" if np.isfinite(row.drier_air_rh_pct) else "")
    open_end = ""
    if pd.isna(row.latest_on) and row.p_ready_ever < 0.995:
        open_end = (
            f"; it may not reach {target} in the air it is in "
            f"(chance of reaching it {row.p_ready_ever:.2f})"
        )
    if row.p_ready_now >= 0.95:
        return f"dry enough: at or below {target} with a chance of {row.p_ready_now:.2f}; {based}"
    if pd.notna(row.ready_on) and row.ready_on <= row.as_of and row.p_ready_now < 0.5:
        return f"was at {target} and has probably taken up water since; {based}"
    if row.p_ready_now >= 0.5:
        return f"probably dry enough, chance {row.p_ready_now:.2f} for {target}; {based}{open_end}"
    return f"chance of being dry enough {row.p_ready_now:.2f}; {based}{open_end}"
