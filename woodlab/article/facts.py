"""What an article asks of a season, once; no words here.

The studies decide how sure a comparison is (their column `certainty`); nothing here or later
decides it again.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

import woodlab as wl
from woodlab.book.record_book import RecordBook, expect_book
from woodlab.drying.fit.results import DryingFits
from woodlab.pages.facts import Season, asked, season_of
from woodlab.pages.findings import THICK_MM
from woodlab.week.bowls import PROBABLY, READY, last_day

BARE = "none"
THIS = "this season"
MAX_RISK, BY_DAY = 0.1, 120.0
FEW_WEIGHINGS = 4  # a bowl; with fewer, no date is given
Row = dict[str, Any]


@dataclass(frozen=True)
class Facts(Season):
    """One season as an article sees it; `thickest` is the thickest bare wall that seldom cracks."""

    thickest: pd.DataFrame = field(default_factory=pd.DataFrame)

    @cached_property
    def pieces(self) -> pd.DataFrame:
        """The table of bowls."""
        return self.book.pieces

    @cached_property
    def day(self) -> pd.Timestamp:
        """The last day on record."""
        return pd.Timestamp(last_day(self.book))

    @cached_property
    def reference(self) -> str:
        """The seal that the others are held against."""
        return str(self.seals.reference) if self.seals is not None else BARE

    @cached_property
    def by_seal(self) -> pd.DataFrame:
        """A row a seal, the reference first: `n_pieces`, `weeks`, `n_looked`, `n_cracked`."""
        counts = self.pieces["seal"].value_counts()
        weeks = None if self.seals is None else self.seals.by_seal.set_index("seal")["weeks"]
        looked = self.rates("seal").reindex(columns=["n_pieces", "n_cracked"])
        frame = looked.reindex(counts.index).fillna(0).astype(int)
        frame = frame.rename(columns={"n_pieces": "n_looked"}).assign(
            n_pieces=counts, weeks=np.nan if weeks is None else weeks.reindex(counts.index),
            others=counts.index != self.reference, name=counts.index,
        )  # fmt: skip
        return frame.sort_values(["others", "weeks", "name"]).drop(columns=["others", "name"])

    def pair(self, seal: str) -> tuple[int, int]:
        """How many bowls of a seal cracked, of how many looked over."""
        return int(self.by_seal.at[seal, "n_cracked"]), int(self.by_seal.at[seal, "n_looked"])

    def rates(self, by: str) -> pd.DataFrame:
        """Counts of the crack study by `all`, `seal` or `species`; a row a group looked at."""
        if self.cracks is None or not len(self.cracks.rates):
            return pd.DataFrame(columns=["n_pieces", "n_cracked", "share"])
        rates = self.cracks.rates
        return rates[(rates["by"] == by) & (rates["n_pieces"] > 0)].set_index("group")

    @cached_property
    def looked(self) -> tuple[int, int]:
        """How many bowls cracked, of how many looked over."""
        every = self.rates("all")
        return int(every["n_cracked"].sum()), int(every["n_pieces"].sum())

    def effects(self, outcome: str, *sure: str) -> list[Row]:
        """Rows of the sealing study for this season, of these certainties or of all."""
        return _rows(self.seals, sure, outcome=outcome, scope=THIS)

    def effect(self, outcome: str, seal: str) -> Row:
        """The row of one seal, or an empty one."""
        return next((r for r in self.effects(outcome) if r["seal"] == seal), {})

    def crack_effects(self, kind: str, *sure: str) -> list[Row]:
        """The crack study's rows of one kind: `seal`, `species`, `wall`."""
        return _rows(self.cracks, sure, kind=kind)

    @cached_property
    def used(self) -> pd.DataFrame:
        """A row a bowl that was looked over: `piece`, `seal`, `log`, `wall_mm`, `cracked`, days."""
        if self.cracks is None:
            return pd.DataFrame(columns=["piece", "seal", "log", "wall_mm", "cracked"])
        return self.cracks.first.used.astype({"cracked": bool})

    @cached_property
    def first(self) -> pd.DataFrame:
        """Of `used` the bowls that cracked."""
        return self.used[self.used["cracked"]]

    @cached_property
    def walls_cracked(self) -> dict[bool, tuple[int, int]]:
        """Cracked and looked over, of walls of 30 mm and more (True) and of thinner ones."""
        used = self.used.dropna(subset=["wall_mm"])
        parts = used.groupby(used["wall_mm"] >= THICK_MM)["cracked"]
        return {bool(thick): (int(own.sum()), len(own)) for thick, own in parts}

    @cached_property
    def watched(self) -> int:
        """Bowls with a look; none where looks were noted only of cracks."""
        looks = self.book.looks
        return int(looks["piece"].nunique()) if (looks["crack_mm"].fillna(1) == 0).any() else 0

    @cached_property
    def logs(self) -> int:
        """How many logs are named."""
        return int(self.pieces["log"].nunique())

    @cached_property
    def woods(self) -> list[str]:
        """The book's woods."""
        return [str(wood) for wood in self.pieces["species"].dropna().unique()]

    @cached_property
    def by_lot(self) -> bool:
        """Whether every bowl's seal was drawn by lot, and its log is known: then a seal "made"."""
        lot = self.pieces["allotted"].eq("random").fillna(False).all()
        return bool(lot and self.pieces["log"].notna().all() and len(self.pieces))

    @cached_property
    def here(self) -> pd.DataFrame:
        """Bowls still on a shelf with a chance of being dry."""
        return self.bowls[(self.bowls["group"] != "gone") & self.bowls["p_ready_now"].notna()]

    @cached_property
    def dry(self) -> pd.DataFrame:
        """Those of them that are."""
        return self.here[self.here["p_ready_now"] >= READY]

    @cached_property
    def rest(self) -> pd.DataFrame:
        """And those that are not, or only `probably`."""
        rest = self.here[self.here["p_ready_now"] < READY]
        return rest.assign(probably=rest["p_ready_now"] >= PROBABLY)

    @cached_property
    def target_pct(self) -> float:
        """Moisture at which a bowl counts as dry; NaN where the bowls' targets differ."""
        own = self.bowls.get("target_moisture_pct", pd.Series(dtype=float)).dropna()
        return float(own.iloc[0]) if len(own) and np.ptp(own) < 0.5 else np.nan

    @cached_property
    def weighings(self) -> float:
        """Weighings a bowl, on average."""
        return len(self.book.weighings) / max(len(self.pieces), 1)

    @cached_property
    def early(self) -> bool:
        """Too few weighings for dates and ratios of drying."""
        return self.weighings < FEW_WEIGHINGS


def _rows(study: Any, sure: tuple[str, ...], **where: str) -> list[Row]:
    """Rows of a study's effects; none where the book could not answer."""
    rows = getattr(study, "effects", None)
    if rows is None or not len(rows):
        return []
    for column, value in where.items():
        rows = rows[rows[column] == value]
    rows = rows[rows["certainty"].isin(sure)] if sure else rows
    return [{str(k): v for k, v in row.items()} for row in rows.to_dict("records")]


def gather(fits_or_book: DryingFits | RecordBook) -> Facts:
    """Fit a book once, or take its fits, and ask each study."""
    book = expect_book(fits_or_book, "write_article")
    fits = fits_or_book if isinstance(fits_or_book, DryingFits) else None
    if fits is None and len(book.weighings) and len(book.pieces):
        fits = asked(lambda: wl.fit_drying(book))
    ready = None if fits is None else asked(lambda: wl.forecast_ready(fits))
    day = pd.Timestamp(last_day(book) or pd.Timestamp.max)
    of = season_of(book, fits, ready, day)
    wall = getattr(of["cracks"], "model", None) and of["cracks"].thickest_wall(MAX_RISK, BY_DAY)
    return Facts(**of, thickest=pd.DataFrame() if wall is None else wall)
