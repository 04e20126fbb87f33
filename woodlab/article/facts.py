"""Everything an article may say of a season, asked of the kit once; no words here.

The studies decide how sure a comparison is (their column `certainty`); nothing here or later
decides it again.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

import woodlab as wl
from woodlab.book.record_book import RecordBook, expect_book
from woodlab.drying.fit.results import DryingFits
from woodlab.errors import WoodlabError
from woodlab.pages.facts import walls_to_leave
from woodlab.pages.findings import THICK_MM
from woodlab.week.bowls import PROBABLY, READY, bowls_of

BARE = "none"
THIS = "this season"
ACROSS = "across the grain, measured/expected"
MAX_RISK, BY_DAY = 0.1, 120.0
FINISHED_WALL_MM = 8.0
FEW_WEIGHINGS = 4  # a bowl; with fewer, no date is given
STUDIES = ("ready", "seals", "cracks", "movement", "walls", "thickest")


@dataclass(frozen=True)
class Facts:
    """One season as an article sees it.

    Attributes
    ----------
    book : RecordBook
    bowls : DataFrame
        A row a bowl: `forecast_ready` with the front page's `group` and cracks, and `log`.
    seals, cracks, movement : results of the studies, or None where a fault kept one out
    walls, thickest : DataFrame
        Wall to leave by species; thickest bare wall that seldom cracks.
    failed : tuple of str
        Studies that a fault of the kit has kept out.
    """

    book: RecordBook
    bowls: pd.DataFrame
    seals: Any
    cracks: Any
    movement: Any
    walls: pd.DataFrame
    thickest: pd.DataFrame
    failed: tuple[str, ...] = ()

    @cached_property
    def day(self) -> pd.Timestamp | None:
        """The last day on record."""
        days = [t["on"].max() for t in (self.book.weighings, self.book.looks) if len(t)]
        return max(days) if days else None

    @cached_property
    def reference(self) -> str:
        """The seal that the others are held against."""
        return str(self.seals.reference) if self.seals is not None else BARE

    @cached_property
    def by_seal(self) -> pd.DataFrame:
        """A row a seal, the reference first: `n_pieces`, `weeks`, `n_looked`, `n_cracked`."""
        seals = [s for s in self.book.pieces["seal"].dropna().unique()]
        counts = self.book.pieces["seal"].value_counts()
        frame = pd.DataFrame({"seal": seals, "n_pieces": [int(counts[s]) for s in seals]})
        weeks = pd.Series(dtype=float)
        if self.seals is not None and len(self.seals.by_seal):
            weeks = self.seals.by_seal.set_index("seal")["weeks"]
        frame["weeks"] = frame["seal"].map(weeks).astype(float)
        for name in ("n_pieces", "n_cracked"):
            looked = self.rates("seal").get(name, pd.Series(dtype=float))
            column = "n_looked" if name == "n_pieces" else name
            frame[column] = frame["seal"].map(looked).fillna(0).astype(int)
        first = frame["seal"] != self.reference
        order = frame.assign(first=first).sort_values(["first", "weeks", "seal"])
        return order.drop(columns="first").set_index("seal")

    def rates(self, by: str) -> pd.DataFrame:
        """Counts of the crack study by `all`, `seal` or `species`; a row a group looked at."""
        if self.cracks is None or not len(self.cracks.rates):
            return pd.DataFrame()
        rates = self.cracks.rates
        return rates[(rates["by"] == by) & (rates["n_pieces"] > 0)].set_index("group")

    @cached_property
    def looked(self) -> tuple[int, int]:
        """How many bowls cracked, of how many looked over."""
        every = self.rates("all")
        if not len(every):
            return 0, 0
        return int(every["n_cracked"].iloc[0]), int(every["n_pieces"].iloc[0])

    def effect(self, outcome: str, seal: str) -> dict[str, Any]:
        """The sealing study's row, or an empty one."""
        if self.seals is None or not len(self.seals.effects):
            return {}
        rows = self.seals.effects
        rows = rows[(rows["outcome"] == outcome) & (rows["seal"] == seal)]
        rows = rows[rows["scope"] == THIS] if "scope" in rows else rows
        return {str(k): v for k, v in rows.iloc[0].items()} if len(rows) else {}

    def crack_effects(self, kind: str) -> list[dict[str, Any]]:
        """The crack study's rows of one kind: `seal`, `species`, `wall`."""
        if self.cracks is None or not len(self.cracks.effects):
            return []
        rows = self.cracks.effects
        return list(rows[rows["kind"] == kind].to_dict("records"))

    @cached_property
    def first(self) -> pd.DataFrame:
        """First cracks: `piece`, `seal`, `log`, `after_days`, `by_days` of the cracked ones."""
        if self.cracks is None:
            return pd.DataFrame()
        used = self.cracks.first.used
        return used[used["cracked"].astype(bool)]

    @cached_property
    def walls_cracked(self) -> dict[bool, tuple[int, int]]:
        """Cracked and looked over, of walls of 30 mm and more (True) and of thinner ones."""
        if self.cracks is None:
            return {}
        used = self.cracks.first.used.dropna(subset=["wall_mm"])
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
        return int(self.book.pieces["log"].nunique())

    @cached_property
    def by_lot(self) -> bool:
        """Whether every bowl's seal was drawn by lot, and its log is known: then a seal "made"."""
        pieces = self.book.pieces
        lot = (pieces["allotted"] == "random").all() if "allotted" in pieces else False
        return bool(lot and pieces["log"].notna().all() and len(pieces))

    @cached_property
    def ready(self) -> dict[str, pd.DataFrame]:
        """Bowls still here with a chance of being dry: `dry`, `probably`, `rest`."""
        here = self.bowls[(self.bowls["group"] != "gone") & self.bowls["p_ready_now"].notna()]
        p = here["p_ready_now"]
        return {
            "all": here,
            "dry": here[p >= READY],
            "probably": here[(p < READY) & (p >= PROBABLY)],
            "rest": here[p < PROBABLY],
        }

    @cached_property
    def target_pct(self) -> float:
        """Moisture at which a bowl counts as dry; NaN where the bowls' targets differ."""
        own = self.bowls.get("target_moisture_pct", pd.Series(dtype=float)).dropna()
        return float(own.iloc[0]) if len(own) and np.ptp(own) < 0.5 else np.nan

    @cached_property
    def weighings(self) -> float:
        """Weighings a bowl, on average."""
        return len(self.book.weighings) / max(len(self.book.pieces), 1)

    @cached_property
    def early(self) -> bool:
        """Too few weighings for dates and ratios of drying."""
        return self.weighings < FEW_WEIGHINGS


def gather(fits_or_book: DryingFits | RecordBook, **given: Any) -> Facts:
    """Fit a book once, or take its fits, and ask each study; `given` are answers already had."""
    if isinstance(fits_or_book, DryingFits):
        fits, book = fits_or_book, fits_or_book.book
    else:
        fits, book = None, expect_book(fits_or_book, "write_article")
        needed = {"ready", "seals", "movement"} - set(given)
        if needed and len(book.weighings) and len(book.pieces):
            fits, _ = _attempt("the drying curves", lambda: wl.fit_drying(book))
    failed: list[str] = []

    def ask(name: str, question: Callable[[], Any], needs: Any = True) -> Any:
        if name in given:
            return given[name]
        if needs is None or not len(book.pieces):
            return None
        answer, fault = _attempt(name, question)
        failed.extend([name] if fault else [])
        return answer

    ready = ask("ready", lambda: wl.forecast_ready(fits), fits)
    cracks = ask("cracks", lambda: wl.crack_study(book))
    thickest = ask("thickest", lambda: cracks.thickest_wall(MAX_RISK, BY_DAY), _model(cracks))
    return Facts(
        book=book,
        bowls=_bowls(ready, book),
        seals=ask("seals", lambda: wl.seal_study(fits), fits),
        cracks=cracks,
        movement=ask("movement", lambda: wl.movement_study(fits), fits if len(book.rims) else None),
        walls=_frame(ask("walls", lambda: walls_to_leave(book))),
        thickest=_frame(thickest),
        failed=tuple(failed),
    )


def _model(cracks: Any) -> Any:
    return getattr(cracks, "model", None)


def _frame(found: Any) -> pd.DataFrame:
    return found if found is not None else pd.DataFrame()


def _bowls(ready: pd.DataFrame | None, book: RecordBook) -> pd.DataFrame:
    pieces = book.pieces.reset_index(drop=True)
    if ready is None:
        ready = pieces[["piece", "species", "seal", "wall_mm", "place"]].assign(
            p_ready_now=np.nan, ready_on=pd.NaT, earliest_on=pd.NaT, latest_on=pd.NaT
        )
    day = book.weighings["on"].max() if len(book.weighings) else pd.Timestamp.max
    frame = bowls_of(ready, book, day)
    return frame.assign(log=frame["piece"].map(pieces.set_index("piece")["log"]))


def _attempt(what: str, question: Callable[[], Any]) -> tuple[Any, bool]:
    """An answer; None where the book cannot give one, or (True) where the kit is at fault.

    An article about a season should not be lost to one study, nor should the fault go unsaid.
    """
    try:
        return question(), False
    except WoodlabError:
        return None, False
    except Exception as error:  # noqa: BLE001
        fault = f"{type(error).__name__}: {error}"
        warnings.warn(f"the article goes without {what!r}: {fault}", RuntimeWarning, stacklevel=3)
        return None, True
