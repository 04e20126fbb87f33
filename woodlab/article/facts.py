"""What an article asks of a season, once; no words here.

The studies decide how sure a comparison is (their column `certainty`); nothing here or later
decides it again.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

import woodlab as wl
from woodlab import words
from woodlab.article.subject import Subject, leading
from woodlab.book.record_book import RecordBook, expect_book
from woodlab.drying.fit.results import DryingFits
from woodlab.pages.facts import Season, asked, season_of
from woodlab.pages.findings import THICK_MM
from woodlab.week.bowls import PROBABLY, READY, last_day

THIS = "this season"
MAX_RISK, BY_DAY = 0.1, 120.0
FEW_WEIGHINGS = 4  # a bowl; with fewer, no date is given
Row = dict[str, Any]


class Facts:
    """One season as an article sees it: what the front page knows of it, and what follows.

    Attributes
    ----------
    reference : str
        The seal that the others are held against.
    used, first : DataFrame
        A row a bowl that was looked over, and of these the bowls that cracked.
    looked, walls_cracked
        How many bowls cracked, of how many looked over: of all, and of walls of 30 mm and more
        (True) and of thinner ones.
    watched : int
        Bowls with a look; none where looks were noted only of cracks.
    by_lot : bool
        Whether every bowl's seal was drawn by lot, and its log is known: then a seal "made".
    here, dry, rest : DataFrame
        Bowls on a shelf with a chance of being dry; those that are; those that are not, or only
        `probably`.
    target_pct : float
        Moisture at which a bowl counts as dry; NaN where the bowls' targets differ.
    weighings, early
        Weighings a bowl, on average; whether these are too few for dates and ratios.
    """

    def __init__(self, season: Season, thickest: pd.DataFrame) -> None:
        self.season, self.thickest, self.book = season, thickest, season.book
        self.seals, self.cracks, self.movement = season.seals, season.cracks, season.movement
        self.bowls, self.walls = season.bowls, season.walls
        pieces, looks = self.book.pieces, self.book.looks
        self.pieces, self.logs = pieces, int(pieces["log"].nunique())
        self.woods = [str(wood) for wood in pieces["species"].dropna().unique()]
        self.day = pd.Timestamp(last_day(self.book))
        self.reference = str(self.seals.reference) if self.seals is not None else "none"
        self.used = pd.DataFrame(columns=["piece", "seal", "log", "wall_mm", "cracked"])
        if self.cracks is not None:
            self.used = self.cracks.first.used.astype({"cracked": bool})
        self.first = self.used[self.used["cracked"].astype(bool)]
        every, known = self.rates("all"), self.used.dropna(subset=["wall_mm"])
        self.looked = int(every["n_cracked"].sum()), int(every["n_pieces"].sum())
        parts = known.groupby(known["wall_mm"] >= THICK_MM)["cracked"]
        self.walls_cracked = {bool(thick): (int(own.sum()), len(own)) for thick, own in parts}
        noted = (looks["crack_mm"].fillna(1) == 0).any()
        self.watched = int(looks["piece"].nunique()) if noted else 0
        lot = pieces["allotted"].eq("random").fillna(False).all() and pieces["log"].notna().all()
        self.by_lot = bool(lot and len(pieces))
        self.here = self.bowls[(self.bowls["group"] != "gone") & self.bowls["p_ready_now"].notna()]
        self.dry = self.here[self.here["p_ready_now"] >= READY]
        rest = self.here.drop(self.dry.index)
        self.rest = rest.assign(probably=rest["p_ready_now"] >= PROBABLY)
        targets = self.bowls.get("target_moisture_pct", pd.Series(dtype=float)).dropna()
        alike = len(targets) and np.ptp(targets) < 0.5
        self.target_pct = float(targets.median()) if alike else np.nan
        self.weighings = len(self.book.weighings) / max(len(pieces), 1)
        self.early = self.weighings < FEW_WEIGHINGS

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

    @cached_property
    def lead(self) -> Subject | None:
        """The subject that the article begins with; None where nothing is clear."""
        return None if self.early else leading(self)

    @property
    def led(self) -> Subject | None:
        """The leading subject, where it is a seal."""
        return self.lead if self.lead is not None and self.lead.kind == "seal" else None

    @cached_property
    def bare_early(self) -> tuple[float, int, int] | None:
        """The day by which all bare ones had cracked, the sealed ones since, of all sealed ones;
        None where most sealed ones did not crack later, or either are fewer than five."""
        bare, sealed = (self.first[(self.first["seal"] == "none") == own] for own in (True, False))
        if min(len(bare), len(sealed)) < 5:
            return None
        day = float(bare["by_days"].max())
        late = int((sealed["after_days"] >= day).sum())
        return (day, late, len(sealed)) if late > len(sealed) / 2 else None

    def rates(self, by: str) -> pd.DataFrame:
        """Counts of the crack study by `all`, `seal` or `species`; a row a group looked at."""
        if self.cracks is None or not len(self.cracks.rates):
            return pd.DataFrame(columns=["n_pieces", "n_cracked", "share"])
        rates = self.cracks.rates
        return rates[(rates["by"] == by) & (rates["n_pieces"] > 0)].set_index("group")

    def pair(self, group: str, by: str = "seal") -> tuple[int, int]:
        """How many bowls of a seal or a wood cracked, of how many looked over."""
        counts = self.rates(by)[["n_cracked", "n_pieces"]].reindex([group]).fillna(0).iloc[0]
        return int(counts["n_cracked"]), int(counts["n_pieces"])

    def effects(self, outcome: str, *sure: str) -> list[Row]:
        """Rows of the sealing study for this season, of these certainties or of all."""
        return _rows(self.seals, sure, outcome=outcome, scope=THIS)

    def effect(self, outcome: str, seal: str) -> Row:
        """The row of one seal, or an empty one."""
        return next((r for r in self.effects(outcome) if r["seal"] == seal), {})

    def crack_effects(self, kind: str, *sure: str) -> list[Row]:
        """The crack study's rows of one kind: `seal`, `species`, `wall`."""
        return _rows(self.cracks, sure, kind=kind)


def alike(row: Row) -> bool:
    """Whether the whole range of a ratio lies within a tenth of no difference."""
    return words.alike(row["ci_lower"], row["ci_upper"])


def _rows(study: Any, sure: tuple[str, ...], **where: str) -> list[Row]:
    """Rows of a study's effects; none where the book could not answer."""
    rows = getattr(study, "effects", None)
    if rows is None or not len(rows):
        return []
    for column, value in where.items():
        rows = rows[rows[column] == value]
    rows = rows[rows["certainty"].isin(sure)] if sure else rows
    return [{str(k): v for k, v in row.items()} for row in rows.to_dict("records")]


def gather(fits_or_book: DryingFits | RecordBook | Season) -> Facts:
    """Fit a book once, or take its fits, and ask each study; or take what was asked already."""
    season = fits_or_book
    if not isinstance(season, Season):
        book = expect_book(fits_or_book, "write_article")
        fits = fits_or_book if isinstance(fits_or_book, DryingFits) else None
        if fits is None and len(book.weighings) and len(book.pieces):
            fits = asked(lambda: wl.fit_drying(book))
        ready = None if fits is None else asked(lambda: wl.forecast_ready(fits))
        day = pd.Timestamp(last_day(book) or "2100-01-01")
        season = Season(**season_of(book, fits, ready, day))
    cracks = season.cracks
    wall = getattr(cracks, "model", None) and cracks.thickest_wall(MAX_RISK, BY_DAY)
    return Facts(season, pd.DataFrame() if wall is None else wall)
