"""Whatever takes a book also takes the fits made from it: a season is fitted once."""

from __future__ import annotations

from typing import Any

import pandas as pd

from woodlab.book.record_book import expect_book
from woodlab.drying.fit.results import DryingFits


def season_fits(fits_or_book: Any, as_of: Any = None) -> DryingFits:
    """The fits as given, or those of the book, that know nothing after `as_of`.

    Raises
    ------
    WoodlabError
        If the book cannot be fitted.
    """
    from woodlab.drying.fit.fitting import fit_drying  # its compiled code takes a while to load

    book = expect_book(fits_or_book, "fit_drying")
    if book is fits_or_book:
        return fit_drying(book, as_of=as_of)
    if as_of is None or fits_or_book.as_of.normalize() <= pd.Timestamp(as_of):
        return fits_or_book
    return fit_drying(book, as_of=as_of, **fits_or_book.options)
