"""The week's round: which pieces to look at and weigh, most urgent first, and what to expect."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.book.cells import as_day
from woodlab.book.doubts import GAIN_FRACTION
from woodlab.book.record_book import RecordBook, expect_book
from woodlab.drying.fit.results import DryingFits
from woodlab.drying.fit.saving import season_fits
from woodlab.drying.forecast.cracks import NONE_SEEN, NOT_LOOKED, ended
from woodlab.drying.forecast.next_measurements import next_measurements
from woodlab.errors import WoodlabError
from woodlab.show import Card, Column, Shown, card
from woodlab.studies.cautions import CRACKED_WOOD, in_short
from woodlab.studies.next_season.printing import Sheet, SheetColumn, print_sheet
from woodlab.week.bowls import last_known, shelf_name
from woodlab.words import METRIC, Units

WEEK_DAYS = 7
BY_AGE, GROWN = "as its age asks", "has the crack grown?"
BAND_LEVEL = 0.99  # one good weighing in a hundred lies outside
LEAST_STEPS = 2  # steps of the scale that a band reaches to either side, at least
USUAL_STEP_G = 1.0
# A band wider than this share of the expected weight finds no wrong piece: words stand for it.
WIDEST_BAND = 0.25
WORTH_SAYING_PCT = 3.0  # by which a measurement would narrow the ready dates
MOST_COURSES = 20_000  # pieces times draws: about two seconds

COLUMNS = [
    "piece", "place", "species", "seal", "do", "crack", "crack_risk", "crack_risk_lower",
    "crack_risk_upper", "days_since_look", "last_crack_mm", "days_since_weighing", "last_on",
    "last_g", "expected_g", "lower_g", "upper_g", "expect", "overdue_days", "why",
    "expected_from",
]  # fmt: skip


@dataclass(frozen=True, eq=False, repr=False)
class ShopRound(Shown):
    """The round of a week. Made by `shop_round`; `tour["piece"]` is the column of `due`.

    Attributes
    ----------
    due : DataFrame
        One row a piece that is due, open cracks first, then by risk, then by days since the last
        look: what to `do`, what is known of its crack, the chance that a first one opened since
        the last look (`crack_risk`, 95 % limits), the weight `expected_g` on the day and the 99 %
        band for one weighing (outside it look for a wrong piece, a wrong scale, fallen wax), in
        words `expect`. What is not known is NaN. Every column: docs/glossary.md.
    on : Timestamp
        The day of the round.
    book_name : str
    n_pieces, n_open : int
        Pieces on the shelf that day, due or not, and open cracks among them.
    units : Units
        In which the book is kept.
    notes : tuple of str
        What holds for the round as a whole, said once.
    """

    due: pd.DataFrame
    on: pd.Timestamp
    book_name: str
    n_pieces: int
    n_open: int
    notes: tuple[str, ...]
    units: Units = METRIC

    def __getitem__(self, name: Any) -> Any:
        """Columns of `due`, as in a frame."""
        return self.due[name]

    def __len__(self) -> int:
        return len(self.due)

    def card(self) -> Card:
        """How many are due, open cracks first; a row a piece."""
        columns = [
            Column("piece", lambda r: r.piece, False),
            Column(
                "do", lambda r: r.do + ("" if r.why in (BY_AGE, GROWN) else f": {r.why}"), False
            ),
            Column("crack", lambda r: _crack(r, METRIC), False),
            Column("last weight", lambda r: _last_weight(r, METRIC.weight, self.on)),
            Column("expect", lambda r: _band(r, METRIC.weight)),
        ]
        if self.due["place"].nunique(dropna=False) > 1:
            columns.append(Column("place", lambda r: "" if pd.isna(r.place) else r.place, False))
        says = [self._headline(), *self.notes]
        if len(self.due):
            says.append(in_short(CRACKED_WOOD))
        more = ("round.due", 'round.sheet("round.pdf")') if len(self.due) else ()
        caption = f"Round of {words.day(self.on)}"
        return card(says, self.due, columns, caption=caption, most=500, more=more)

    def _headline(self) -> str:
        if not self.n_pieces:
            return f"No piece is on the shelf on {words.day(self.on)}."
        if not len(self.due):
            return f"Nothing is due in the week from {words.day(self.on)}."
        look, weigh = (self.due["do"].str.contains(name).sum() for name in ("look", "weigh"))
        first = f"; {words.count(self.n_open, 'open crack')} first" if self.n_open else ""
        return (
            f"Due by age in the week from {words.day(self.on)}: {words.count(look)} to look at, "
            f"{words.count(weigh)} to weigh{first}."
        )

    def sheet(self, path: str | Path, *, paper: str = "a4", units: Units | None = None) -> Path:
        """Print the round as a PDF, 25 pieces to a page, with room to write.

        Raises
        ------
        WoodlabError
            If `path` does not end in .pdf, or nothing is due.
        """
        if not len(self.due):
            raise WoodlabError("Nothing is due this week, so there is no sheet to print.")
        units = units or self.units
        mass = {"lboz": "lb oz"}.get(units.mass, units.mass)

        def weight(grams: float) -> str:  # the unit stands at the head of the column
            return units.weight(grams).removesuffix(f" {units.mass}")

        places = self.due["place"].fillna("").astype(str)
        several, at = places.nunique() > 1, shelf_name(places.iloc[0])
        columns = (
            SheetColumn("mark", 1.25, longest=14),
            *([SheetColumn("where", 1.9, longest=40)] if several else []),
            SheetColumn("wood; seal", 2.3, longest=36), SheetColumn("do", 1.1, longest=14),
            SheetColumn("crack, or risk since look", 2.6, "left", 60),
            SheetColumn(f"last weight ({mass}), on", 1.9, "right", 30),
            SheetColumn(f"expect ({mass}), band", 1.7, "right", 34),
            SheetColumn("weight today", 1.5), SheetColumn(f"crack ({units.length})", 1.0),
            SheetColumn("note", 1.5),
        )  # fmt: skip
        rows = [
            [r.piece, *([place] if several else []), f"{r.species}; {r.seal}", r.do,
             _crack(r, units), _last_weight(r, weight, self.on), _band(r, weight).split(":")[0],
             "", "", ""]
            for r, place in zip(self.due.itertuples(), places, strict=True)
        ]  # fmt: skip
        return print_sheet(path, Sheet(
            title=f"Round of the week from {words.day(self.on)}"
            + (f", {at}" if at and not several else ""),
            above=(
                "Most urgent first. Weigh and look; write 0 where you find no crack. If a weight "
                "is out of its band, check the mark, the scale and whether wax fell off; weigh "
                "again.",
                *self.notes,
            ),
            columns=columns, rows=rows, below=(CRACKED_WOOD,),
            footer=f"{words.one_line(self.book_name, 60)}   bands hold 99 of 100 good weighings",
            paper=paper,
        ))  # fmt: skip


def _crack(row: Any, units: Units) -> str:
    """What is known of its crack, or the chance of a first one since the last look."""
    if row.crack not in (NONE_SEEN, NOT_LOOKED):
        return units.told(row.crack)
    if pd.isna(row.crack_risk):
        since = "it was turned" if row.crack == NOT_LOOKED else "the look"
        return f"risk not known; {row.days_since_look:g} days since {since}"
    return "risk below 0.1 %" if row.crack_risk < 0.001 else f"risk {100 * row.crack_risk:.2g} %"


def _last_weight(row: Any, weight: Callable[[float], str], on: pd.Timestamp) -> str:
    return "" if pd.isna(row.last_g) else f"{weight(row.last_g)}, {words.day(row.last_on, on)}"


def _band(row: Any, weight: Callable[[float], str]) -> str:
    """The band, or words where it would say nothing."""
    if pd.isna(row.last_g):
        return "not weighed yet"
    if pd.isna(row.expected_g):
        return "no curve yet"
    if row.upper_g - row.lower_g > WIDEST_BAND * row.expected_g:
        return f"at most {weight(row.upper_g)}: too little is known for a band"
    return f"{weight(row.expected_g)} ({weight(row.lower_g)} to {weight(row.upper_g)})"


def shop_round(fits_or_book: Any, on: str | pd.Timestamp, *, cracks: Any = None) -> ShopRound:
    """Which pieces to look at and weigh in the week from a day on, most urgent first.

    Parameters
    ----------
    fits_or_book : DryingFits or RecordBook
        A book is fitted by `fit_drying` as it stood at the end of the day; expected weights are
        read from the fits.
    on : date
        The day of the round. Nothing after it is used.
    cracks : CrackStudy, optional
        For the risk since the last look; made here unless given.

    Returns
    -------
    ShopRound
        Shows itself; `due` has a row a piece. Every piece with an open crack is due; pieces that
        have ended (finished, scrapped, given away) are not on the round.

    Raises
    ------
    WoodlabError
        If `on` is no date, or neither a book nor fits are given.

    Notes
    -----
    How often to look and weigh by age is common practice, no source.

    Examples
    --------
    >>> import woodlab as wl
    >>> book = wl.demo_book().only(pieces=["A1", "A3", "B2"])
    >>> fits = wl.fit_drying(book, law="slab", as_of="2025-06-01")
    >>> wl.shop_round(fits, on="2025-06-04")[["piece", "do"]].sort_values("piece")["do"].tolist()
    ['look, weigh', 'look, weigh', 'look']
    """
    book = expect_book(fits_or_book, "shop_round")
    day = as_day(on, "on").normalize()
    past = book.until(day)
    here = _standing(past, day)
    frame = here[here["do"] != ""]
    if frame.empty:
        return ShopRound(pd.DataFrame(columns=COLUMNS), day, book.name, len(here), 0, (),
                         book.units)  # fmt: skip
    from woodlab.studies.cracks import crack_study

    study = crack_study(past) if cracks is None else cracks
    frame = frame.assign(**_expected(frame, fits_or_book, past, day), **_risks(frame, study))
    frame["expect"] = [_band(row, "{:.0f}".format) for row in frame.itertuples()]
    order = frame.assign(shut=frame["state"] != "open", risk=frame["crack_risk"].fillna(-1.0))
    order = order.sort_values(
        ["shut", "risk", "days_since_look", "piece"],
        ascending=[True, False, False, True], kind="stable",
    )  # fmt: skip
    due = order[COLUMNS].reset_index(drop=True)
    told = "" if fits_or_book is book else _worth_measuring(fits_or_book, day)
    notes = [text for text in (_overdue(due), _silence(frame, study), told) if text]
    n_open = int((frame["state"] == "open").sum())
    return ShopRound(due, day, book.name, len(here), n_open, tuple(notes), book.units)


def due_by_age(book: RecordBook, day: pd.Timestamp) -> pd.DataFrame:
    """What falls due in the week from a day (`piece`, `do`), as in `shop_round`, without a fit."""
    frame = _standing(book.until(day), day.normalize())
    return frame.loc[frame["do"] != "", ["piece", "do"]].reset_index(drop=True)


def _standing(book: RecordBook, day: pd.Timestamp) -> pd.DataFrame:
    """Pieces still on the shelf, what was last seen of them, and what falls due before the week is
    over, and why; an open crack always is.

    Weights weekly for twelve weeks, then every third; looks weekly for four months, then every
    other week. Common practice, no source.
    """
    here = book.pieces[~book.pieces["piece"].isin(ended(book.pieces, book.looks).index)]
    known = last_known(book)
    # a maker's own column may have one of these names
    here = here.drop(columns=here.columns.intersection(known.columns))
    frame = here.astype({"piece": object}).join(known, on="piece")
    turned = frame["turned_on"].dt.normalize()
    age = (day - turned).dt.days.astype(float)
    looked = frame["last_look_on"].dt.normalize().fillna(turned)
    frame["days_since_look"] = (day - looked).dt.days.astype(float)
    frame["days_since_weighing"] = (day - frame["last_on"].dt.normalize()).dt.days.astype(float)
    look_late = frame["days_since_look"] - np.where(age < 120, 7, 14)
    weigh_late = frame["days_since_weighing"] - np.where(age < 84, 7, 21)
    opened, never = frame["state"] == "open", frame["last_on"].isna()
    look = opened | (look_late > -WEEK_DAYS)
    weigh = never | (weigh_late > -WEEK_DAYS)
    frame["do"] = np.select([look & weigh, look, weigh], ["look, weigh", "look", "weigh"], "")
    late = np.fmax(look_late.where(look), weigh_late.where(weigh))
    said = {
        GROWN: opened,
        "does the glue hold?": look & (frame["state"] == "glued"),
        "never looked at": look & frame["last_look_on"].isna(),
        "never weighed": never,
    }
    why = ["; ".join(text for text, of in said.items() if of[i]) for i in frame.index]
    frame["why"] = np.where([not text for text in why], np.where(frame["do"], BY_AGE, ""), why)
    return frame.assign(age=age, overdue_days=late.fillna(0.0).clip(lower=0.0))


def _overdue(due: pd.DataFrame) -> str:
    late = due.loc[due["overdue_days"] > WEEK_DAYS, "overdue_days"]
    if not len(late):
        return ""
    who = words.of_all(len(late), len(due), "are overdue" if len(late) > 1 else "is overdue")
    return f"{who} by more than a week, {late.max():.0f} days at most."


def _expected(
    frame: pd.DataFrame, asked: Any, past: RecordBook, day: pd.Timestamp
) -> dict[str, Any]:
    """What each piece should weigh at noon of the day, with the band of one weighing."""
    weighed = frame["last_g"].notna().to_numpy()
    columns = ["expected_g", "lower_g", "upper_g"]
    if not weighed.any():
        return {**dict.fromkeys(columns, np.nan), "expected_from": "never weighed"}
    fits = season_fits(past if isinstance(asked, RecordBook) else asked, as_of=day)
    rows = fits.predict(on=[day], pieces=frame.loc[weighed, "piece"].tolist(), level=BAND_LEVEL)
    rows = rows.set_index("piece").reindex(frame["piece"]).set_index(frame.index)
    middle = rows["mass_g"]
    least = LEAST_STEPS * frame["scale_g"].fillna(USUAL_STEP_G).astype(float)
    # Drying wood does not gain more than the book itself would doubt.
    most = np.maximum(frame["last_g"] * (1 + GAIN_FRACTION), middle + least)
    upper = np.minimum(np.maximum(rows["pi_upper_mass_g"], middle + least), most)
    lower = np.minimum(rows["pi_lower_mass_g"], middle - least)
    status = frame["piece"].map(fits.pieces.set_index("piece")["status"]).astype(str)
    source = ("drying curve (fit: " + status + ")").mask(
        status.isin(["ok", "bounded"]), "drying curve"
    )
    found = dict(zip(columns, (middle, lower, upper), strict=True))
    return {**found, "expected_from": source.where(weighed, "never weighed")}


def _risks(frame: pd.DataFrame, study: Any) -> dict[str, pd.Series]:
    """The chance of a first crack between the last look and the day of the round, with limits."""
    from woodlab.studies.cracks.risk import span_risk

    names = ["crack_risk", "crack_risk_lower", "crack_risk_upper"]
    found = pd.DataFrame(np.nan, frame.index, names)
    if study.model is not None and not study.why:
        start, end = frame["age"] - frame["days_since_look"], frame["age"]
        last = study.model.last_days
        # A week past the last look of the book is still told; further on no piece was looked at.
        told = ((end <= last + WEEK_DAYS) & (start < last)) | (end <= start)
        told &= frame["state"].isin(["none", "unknown"])
        risk = span_risk(study.model, frame[told], start[told].to_numpy(),
                         end[told].clip(upper=last).to_numpy())  # fmt: skip
        found.loc[risk.index] = risk[["risk", "ci_lower", "ci_upper"]].to_numpy()
    return dict(found.items())


def _worth_measuring(fits: DryingFits, day: pd.Timestamp) -> str:
    """The one measurement that would tell most, where fits are at hand and it is worth the walk."""
    if fits.as_of.normalize() > day or len(fits.pieces) * fits.n_draws > MOST_COURSES:
        return ""
    found = next_measurements(fits)
    worth = len(found.table) and found.table["narrower_pct"].iloc[0] >= WORTH_SAYING_PCT
    return found.card().says[0] if worth else ""


def _silence(frame: pd.DataFrame, study: Any) -> str:
    """Why no piece of the round has a risk, where none has."""
    if study.why:
        return f"No crack risk is known. {study.why}"
    if study.model is None:
        return "No crack was found in this book yet, so no risk is known."
    whole = frame[frame["state"].isin(["none", "unknown"])]
    if len(whole) and whole["crack_risk"].isna().all():
        return (
            "No crack risk is known: the pieces still whole are older now than any was at a look "
            f"(day {study.model.last_days:.0f}), or of a kind that was not looked at."
        )
    return ""
