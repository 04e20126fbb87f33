"""Each study asked once, whichever parts of the article use its answer."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import pandas as pd

import woodlab as wl
from woodlab.book.record_book import RecordBook
from woodlab.errors import WoodlabError

if TYPE_CHECKING:
    from woodlab.drying.fit.results import DryingFits
    from woodlab.studies.cracks import CrackStudy
    from woodlab.studies.movement.movement import MovementStudy
    from woodlab.studies.sealing import SealStudy

BARE = "none"


@dataclass(frozen=True)
class Asked:
    """A book's studies, each worked out on first use; their errors are raised then."""

    book: RecordBook

    @cached_property
    def fits(self) -> DryingFits:
        """The season's one fit."""
        return wl.fit_drying(self.book)

    @cached_property
    def sealing(self) -> SealStudy:
        """Sealed against bare pieces."""
        study = wl.seal_study(self.book, reference=BARE)
        if study.why:
            raise WoodlabError(f"{study.why} {study.would_help}")
        return study

    @cached_property
    def cracks(self) -> CrackStudy:
        """Counts, risks and ratios of cracking."""
        study = wl.crack_study(self.book)
        if study.why:
            raise WoodlabError(f"{study.why} {study.would_help}")
        return study

    @cached_property
    def movement(self) -> MovementStudy:
        """Rims against the table."""
        study = wl.movement_study(self.fits)
        if study.why:
            raise WoodlabError(study.why)
        return study

    @cached_property
    def ready(self) -> pd.DataFrame:
        """The forecast as of the last weighing."""
        return wl.forecast_ready(self.fits)
