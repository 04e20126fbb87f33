"""Which law foretells the weighings that it has not seen."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import replace

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying.fit import fit_drying
from woodlab.drying.laws import LAWS, law_named
from woodlab.drying.results import DryingFits
from woodlab.errors import WoodlabError

LAST_SHARE = 0.2
LATER_SHARE = 0.6


def rank_laws(
    book: RecordBook,
    laws: Sequence[str] | None = None,
    *,
    executor: Executor | None = None,
    progress: bool | None = None,
) -> pd.DataFrame:
    """Rank the drying laws by how well they foretell weighings that were held back.

    Twice each law is fitted to a part and asked for the rest: without the last fifth of each
    piece's weighings (two at least), and without all that was weighed in the last two fifths of
    the book's days. The score is the mean absolute error in percent of oven-dry mass, that is, in
    points of moisture, over the pieces that every law could fit; a law that fits less than half as
    many as another is not compared.

    Parameters
    ----------
    book : RecordBook
    laws : sequence of str
        All laws by default.
    executor, progress
        As for `fit_drying`.

    Returns
    -------
    DataFrame
        One row a law, best first: `law`, `score_pct` (mean of the two), `last_pct`, `later_pct`,
        `aicc_sum` (over pieces that every law could fit; the less the better), `aicc_above_best`,
        `best_share` (share of those pieces for which the law's AICc is the least), `n_pieces`
        (compared), `n_fitted`, `n_held_back`. NaN where nothing could be compared.

    Raises
    ------
    WoodlabError
        If a law is not known, or none is given.

    Notes
    -----
    Both ways of holding back, and the score, are ours.

    Examples
    --------
    >>> import woodlab as wl
    >>> demo, few = wl.demo_book(), "piece in ['A1', 'A3', 'B2']"
    >>> book = wl.RecordBook.from_frames(pieces=demo.pieces.query(few), air=demo.air,
    ...                                  weighings=demo.weighings.query(few))
    >>> ranked = wl.rank_laws(book, ["exponential", "film", "two_period"])
    >>> ranked[["law", "score_pct", "n_held_back"]].round(1)
               law  score_pct  n_held_back
    0         film        2.4           18
    1  exponential        2.6           18
    2   two_period        3.1           18
    """
    names = list(LAWS) if laws is None else list(laws)
    if not names:
        raise WoodlabError("Name at least one law to rank.")
    for name in names:
        law_named(name)
    owner, held_last, held_later = _held_back(book)
    whole: dict[str, DryingFits] = {}
    last: dict[str, np.ndarray] = {}
    later: dict[str, np.ndarray] = {}
    for name in names:
        options = {"intervals": False, "executor": executor, "progress": progress}
        whole[name] = fit_drying(book, name, **options)  # type: ignore[arg-type]
        for held, into in ((held_last, last), (held_later, later)):
            part = _without(book, held)
            into[name] = _errors(fit_drying(part, name, **options), book, owner, held)  # type: ignore[arg-type]
    aicc = np.column_stack([whole[name].pieces["aicc"].to_numpy() for name in names])
    able = _able(np.isfinite(aicc))
    all_fit = np.isfinite(aicc[:, able]).all(axis=1) & able.any()
    least = aicc[all_fit][:, able].min(axis=1, keepdims=True) if all_fit.any() else np.zeros((0, 1))
    rows = []
    for i, name in enumerate(names):
        scores = [_mean_over_pieces(part, name, owner) for part in (last, later)]
        judged = all_fit.any() and able[i]
        total = aicc[all_fit, i].sum() if judged else np.nan
        best = float((aicc[all_fit, i : i + 1] <= least).mean()) if judged else np.nan
        known = [score for score in scores if np.isfinite(score)]
        rows.append(
            [name, np.mean(known) if known else np.nan, *scores, total, best,
             int(all_fit.sum()), int(whole[name].fitted.sum()), int((held_last | held_later).sum())]
        )  # fmt: skip
    frame = pd.DataFrame(
        rows,
        columns=[
            "law", "score_pct", "last_pct", "later_pct", "aicc_sum", "best_share", "n_pieces",
            "n_fitted", "n_held_back",
        ],
    )  # fmt: skip
    frame.insert(5, "aicc_above_best", frame["aicc_sum"] - frame["aicc_sum"].min())
    return frame.sort_values("score_pct", kind="stable").reset_index(drop=True)


def _held_back(book: RecordBook) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Piece number of each weighing, and which are held back by the two rules."""
    weighings = book.weighings
    owner = pd.Index(book.pieces["piece"]).get_indexer(weighings["piece"])
    rank = weighings.groupby("piece")["on"].rank(method="first", ascending=False).to_numpy()
    count = weighings.groupby("piece")["on"].transform("size").to_numpy()
    last = rank <= np.maximum(2, np.floor(LAST_SHARE * count))
    if not len(weighings):
        return owner, np.zeros(0, dtype=bool), np.zeros(0, dtype=bool)
    on = weighings["on"]
    cut = on.min() + LATER_SHARE * (on.max() - on.min())
    return owner, last, (on > cut).to_numpy()


def _without(book: RecordBook, held: np.ndarray) -> RecordBook:
    return replace(book, weighings=book.weighings[~held].reset_index(drop=True), _rows={})


def _errors(fits: DryingFits, book: RecordBook, owner: np.ndarray, held: np.ndarray) -> np.ndarray:
    """Absolute error of each weighing held back, in percent of oven-dry mass; else NaN."""
    out = np.full(held.size, np.nan)
    ask = np.flatnonzero(held & (owner >= 0))
    ask = ask[fits.fitted[owner[ask]]]
    if not ask.size:
        return out
    turned = book.pieces["turned_on"].to_numpy()[owner[ask]]
    days = (book.weighings["on"].to_numpy()[ask] - turned) / np.timedelta64(1, "D")
    days = days.astype(float)
    ask, days = ask[days >= 0], days[days >= 0]
    order = np.lexsort((days, owner[ask]))
    ask, days = ask[order], days[order]
    part, first, count = np.unique(owner[ask], return_index=True, return_counts=True)
    width = int(count.max())
    at = np.minimum(first[:, None] + np.arange(width), (first + count - 1)[:, None])
    mass, _ = fits._curve(part, days[at], fits.mean[part])
    real = np.arange(width)[None, :] < count[:, None]
    flat = mass[real]
    flat = flat + fits._added(np.repeat(part, count), None, days[at][real], flat)
    dry = np.exp(fits.mean[part, len(fits.names) - 3])
    measured = book.weighings["mass_g"].to_numpy(dtype=float)[ask]
    out[ask] = 100 * np.abs(flat - measured) / np.repeat(dry, count)
    return out


def _able(told: np.ndarray) -> np.ndarray:
    """Laws (columns) that told at least half of what the ablest did: with few weighings the laws
    of more parameters fit nothing, and must not keep the others from being compared."""
    count = told.sum(axis=0)
    return (count > 0) & (count >= 0.5 * count.max(initial=0))


def _mean_over_pieces(errors: dict[str, np.ndarray], name: str, owner: np.ndarray) -> float:
    """Mean over pieces of the mean error, of weighings that every law able to foretell did."""
    told = np.isfinite(np.column_stack(list(errors.values())))
    able = _able(told)
    every = told[:, able].all(axis=1)
    if not every.any() or not able[list(errors).index(name)]:
        return float("nan")
    return float(pd.Series(errors[name][every]).groupby(owner[every]).mean().mean())
