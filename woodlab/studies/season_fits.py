"""Whatever takes a book also takes the fits made from it: a season is fitted once."""

from __future__ import annotations

from typing import Any

import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.drying.fit.results import DryingFits
from woodlab.errors import WoodlabError


def book_of(fits_or_book: Any) -> RecordBook:
    """The book, given itself or its fits.

    Raises
    ------
    WoodlabError
        If it is neither.
    """
    if isinstance(fits_or_book, RecordBook):
        return fits_or_book
    book = getattr(fits_or_book, "book", None)
    if not isinstance(book, RecordBook):
        raise WoodlabError(
            f"{type(fits_or_book).__name__} {str(fits_or_book)[:60]!r} is neither a record book "
            "nor fits of one. Pass wl.open_book(path) or wl.fit_drying(book)."
        )
    return book


def season_fits(fits_or_book: Any, as_of: Any = None) -> DryingFits:
    """The fits as given, or those of the book, that know nothing after `as_of`.

    Raises
    ------
    WoodlabError
        If the book cannot be fitted.
    """
    from woodlab.drying.fit.fitting import fit_drying  # its compiled code takes a while to load

    book = book_of(fits_or_book)
    if book is fits_or_book:
        return fit_drying(book, as_of=as_of)
    if as_of is None or fits_or_book.as_of.normalize() <= pd.Timestamp(as_of):
        return fits_or_book
    return fit_drying(book, as_of=as_of, **fits_or_book.options)
