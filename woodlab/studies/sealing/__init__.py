"""`seal_study`: does sealing pay? Sealed against bare, and one way of sealing against another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook, expect_book
from woodlab.drying.asked import asked_once
from woodlab.drying.fit.results import DryingFits
from woodlab.drying.fit.saving import season_fits
from woodlab.errors import WoodlabError, as_number, as_seed
from woodlab.show import listed
from woodlab.studies.columns import asked_columns, asked_seal, with_numbers
from woodlab.studies.cracks import crack_study
from woodlab.studies.sealing import study as frames
from woodlab.studies.sealing import words as said
from woodlab.studies.sealing.effects import Compared, crack_rows, decided, fitted_rows, term_rows
from woodlab.studies.sealing.study import SealStudy

__all__ = ["SealStudy", "seal_study"]
WEIGH = "Weigh every piece each week for its first two months, then every fortnight."


@asked_once
def seal_study(
    fits_or_book: DryingFits | RecordBook,
    reference: str = "none",
    *,
    target_moisture_pct: float | None = None,
    by: Sequence[str] = (),
    terms: Sequence[str] = (),
    seed: int = 1,
) -> SealStudy:
    """Compare each seal of a season with a reference, by the season's one fit.

    Every draw of the fit is run under both seals, piece by piece, in the same air. Where seal and
    species, place, wall or log cannot be told apart, or a seal has one piece, the row says so and
    has no number.

    Parameters
    ----------
    fits_or_book : DryingFits or RecordBook
        Fits from `fit_drying(book)`; a book is fitted first.
    reference : str
        The seal compared against: `none`, or the name of another.
    target_moisture_pct : float, optional
        Moisture [%] to which drying is timed; by default that of the ready list, two points above
        the equilibrium moisture of the year to come, for each piece its own.
    by : sequence of str
        Columns of `pieces` to answer for group by group: `study.by_group`. The seal's effect is
        that of the season; what differs are the group's walls, woods and air.
    terms : sequence of str
        Columns of `pieces` that the surface coefficient may depend on: `study.terms`. Of joined
        books, `book` is in both without being asked for.
    seed : int
        For the season to come.

    Returns
    -------
    SealStudy
        A book that cannot answer gives a study whose `summary()` says why and what would help.

    Raises
    ------
    WoodlabError
        If the reference or a column is not in the book, or the target is not usable.

    Notes
    -----
    The method, its limits and how well its intervals hold: docs/sealing.md.

    Examples
    --------
    White ash of the invented season, bare and waxed all over:

    >>> import woodlab as wl
    >>> demo = wl.demo_book()
    >>> ash = demo.pieces.query("species == 'white ash' and seal in ['none', 'wax all over']")
    >>> fits = wl.fit_drying(demo.only(pieces=ash["piece"].tolist()), law="slab")
    >>> effects = wl.seal_study(fits).effects
    >>> ratio = effects.query("scope == 'this season'").set_index("outcome")["ratio"]
    >>> bool(ratio["drying_time"] > 1.5), bool(ratio["surface_coefficient"] < 0.2)
    (True, True)
    """
    book, target = expect_book(fits_or_book, "seal_study"), target_moisture_pct
    reference = asked_seal(book.pieces, reference)
    if target is not None and not 2 <= as_number(target, "target_moisture_pct") <= 60:
        raise WoodlabError(
            f"target_moisture_pct = {target:g} is not usable. Give percent of oven-dry mass, "
            "between 2 and 60, such as 16."
        )
    terms, by = asked_columns(book.pieces, terms, by)
    seed = as_seed(seed)
    study = SealStudy(reference, cautions=said.cautions(book, reference), invented=book.invented)
    if why := _cannot(fits_or_book, book, reference):
        return replace(study, why=why[0], would_help=why[1])
    fits = season_fits(fits_or_book)
    book = fits.book
    facts = _facts(fits, [*by, *terms])
    seals = sorted(name for name in facts["seal"].unique() if name != reference)
    if reference not in set(facts["seal"]) or not seals:
        few = "Too few pieces were weighed twice, so no two seals can be compared."
        return replace(study, why=few, would_help=WEIGH)
    of = Compared(fits, facts, reference, seals, target, seed)
    cracks = crack_study(book, reference=reference)
    rows = [*fitted_rows(of), *crack_rows(cracks, _facts(fits, [], 0), reference, seals)]
    cracked = cracks.first.used.set_index("piece")["cracked"].astype(float)
    pieces, course = frames.piece_frame(fits, target, cracked)
    return replace(
        study,
        effects=decided(rows),
        by_seal=frames.seal_frame(of, pieces),
        pieces=pieces,
        course=course,
        typical=frames.typical_frame(course),
        pairs=frames.pair_frame(pieces),
        by_group=frames.group_frame(of, pieces, with_numbers(book.pieces, by), by),
        terms=term_rows(fits, facts, terms),
        target_moisture_pct=of.target_pct,
        laws=of.laws,
        compared=of,
    )


def _cannot(
    fits_or_book: DryingFits | RecordBook, book: RecordBook, reference: str
) -> tuple[str, str] | None:
    """Why the book cannot answer, and what would help; None where it may."""
    known = sorted(book.pieces["seal"].dropna().astype(str).unique())
    if not known:
        how = "Write it in the column `seal` of the table `pieces` (`none`: left bare)."
        return "The book does not say how any piece was sealed.", how
    if len(known) == 1:
        return (f"Every piece has the seal {known[0]!r}, so there is nothing to compare.",
                "Seal some pieces of the next log and leave some bare, by lot.")  # fmt: skip
    if reference not in known:
        return ("No piece was left bare, so no seal can be compared with bare wood.",
                f"Compare seals with one another: type reference={known[0]!r} (the book has "
                f"{listed(known)}).")  # fmt: skip
    if not len(book.weighings):
        return "Nothing was weighed, so nothing can be said of drying.", WEIGH
    if isinstance(fits_or_book, DryingFits) and not fits_or_book.pool:
        return ("These fits are of single pieces, each by itself: they hold no effect of a seal.",
                "Pass wl.fit_drying(book), which pools the season.")  # fmt: skip
    return None


def _facts(fits: DryingFits, columns: Sequence[str], weighed: int = 2) -> pd.DataFrame:
    """The pieces weighed at least so often, with their row numbers in the fits."""
    d = fits.records
    names = dict.fromkeys(["piece", "seal", "species", "log", "place", "wall_mm", *columns])
    table = with_numbers(fits.book.pieces.reset_index(drop=True)[[*names]], columns)
    count = (d.here & ~d.is_moisture)[: d.n_pieces].sum(axis=1)
    keep = (count >= weighed) & table["seal"].notna().to_numpy()
    return table.assign(
        row=np.arange(len(table)), wall_mm=table["wall_mm"].fillna(table["wall_mm"].median())
    )[keep].reset_index(drop=True)
