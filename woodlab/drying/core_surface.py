"""How much wetter the middle of the wall was than its surface: the quantity that cracks wood."""

from __future__ import annotations

import numpy as np
import pandas as pd

from woodlab.drying.asked import asked_once
from woodlab.drying.estimator.courses import courses_to
from woodlab.drying.fit.results import DryingFits, checked_fits
from woodlab.drying.kernel import FINE
from woodlab.errors import WoodlabError, as_number

MOST_DRAWS = 60
_DAY = np.timedelta64(1, "D")


@asked_once
def core_to_surface(
    fits: DryingFits, *, days: float | None = None, level: float = 0.95
) -> pd.DataFrame:
    """Largest difference of core and surface moisture of each piece, with an interval.

    A seal works by keeping this small: the surface shrinks only as fast as the core follows.

    Parameters
    ----------
    fits : DryingFits
        Under laws that have an inside of the wall.
    days : float
        Up to this many days after turning; by default to the last weighing of each piece.
    level : float
        Of the interval.

    Returns
    -------
    DataFrame
        `piece`, `difference_pct` (points of moisture), `ci_lower`, `ci_upper`, `reason`.

    Raises
    ------
    WoodlabError
        If no law of the fits has an inside of the wall.

    Notes
    -----
    The profile is that of the law (docs/laws/film.md, docs/laws/slab.md, with their sources). That
    it is this difference which cracks wood is common practice, no source.

    Examples
    --------
    A piece waxed all over (A1) hardly has a difference; in the two bare ones it is large:

    >>> import woodlab as wl
    >>> book = wl.demo_book().only(pieces=["A1", "A3", "B2"])
    >>> found = wl.core_to_surface(wl.fit_drying(book, law="slab", as_of="2025-06-01"))
    >>> found.sort_values("difference_pct")["piece"].tolist()
    ['A1', 'A3', 'B2']
    """
    values = difference_draws(fits, days)
    tail = (1 - level) / 2
    low, middle, high = np.quantile(values, [tail, 0.5, 1 - tail], axis=1)
    return pd.DataFrame({
        "piece": fits.pieces["piece"].to_numpy(), "difference_pct": middle, "ci_lower": low,
        "ci_upper": high, "reason": fits.pieces["reason"].to_numpy(),
    })  # fmt: skip


def difference_draws(
    fits: DryingFits, days: float | None = None, most: int = MOST_DRAWS
) -> np.ndarray:
    """Largest difference of each piece in some of the draws, (n, draws) [points]."""
    inner = [p for p in checked_fits(fits).parts if p.season.law.kernel_columns is not None]
    if not inner:
        raise WoodlabError(
            f"The law {fits.law!r} has no inside of the wall. "
            "Fit with law='film' or law='slab' first."
        )
    d, n = fits.records, fits.records.n_pieces
    last = d.days[:n].max(axis=1) if days is None else np.full(n, as_number(days, "days"))
    last = np.maximum(last, 1.0)
    end = d.shelf.first_day + int(np.ceil((d.shelf.start[:n] + last).max()) + 1) * _DAY
    sums = courses_to(fits, end)
    out = []
    for part, air in zip(fits.parts, sums, strict=True):
        if part in inner:
            keep = np.linspace(0, part.count - 1, min(part.count, most)).round().astype(int)
            how = {"pick": np.arange(n), "grid": FINE}  # COARSE misses 3 % of a sealed wall's peak
            out.append(part.keep(keep).largest_differences(last[:, None], air[keep], **how))
    return np.concatenate(out, axis=1)
