"""The week's round: which pieces to look at and weigh, most urgent first, and what to expect."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.book.cells import as_day
from woodlab.book.doubts import GAIN_FRACTION
from woodlab.book.record_book import RecordBook, expect_book
from woodlab.drying.forecast.cracks import crack_states, ended
from woodlab.errors import WoodlabError
from woodlab.show import Card, Column, Shown, card
from woodlab.studies.cautions import CRACKED_WOOD, in_short
from woodlab.studies.next_season.printing import Sheet, print_sheet, shown
from woodlab.studies.next_season.round_words import (
    last_weight,
    risk,
    sheet_columns,
    sheet_rows,
    worded,
)
from woodlab.studies.season_fits import season_fits
from woodlab.words import METRIC, Units

# How often, by age: weekly for twelve weeks, then every third; looks weekly for four months, then
# every other week. Common practice, no source.
WEIGH_EVERY = ((84, 7), (np.inf, 21))
LOOK_EVERY = ((120, 7), (np.inf, 14))
WEEK_DAYS = 7
BAND_LEVEL = 0.99  # one good weighing in a hundred lies outside
LEAST_STEPS = 2  # steps of the scale that a band reaches to either side, at least
USUAL_STEP_G = 1.0
# A band wider than this share of the expected weight finds no wrong piece: words stand for it.
WIDEST_BAND = 0.25

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
        look: `piece`, `place`, `species`, `seal`, `do` (`look`, `weigh`, `look, weigh`), `crack`
        (what is known of it in words; `glued on ...` is remembered), `crack_risk` (chance that a
        first crack opened since the last look, a share) with its 95 % `crack_risk_lower`,
        `crack_risk_upper`, `days_since_look`, `last_crack_mm`, `days_since_weighing`, `last_on`,
        `last_g`, `expected_g` on the day of the round, `lower_g`, `upper_g` (99 % band for one
        weighing: outside it look for a wrong piece, a wrong scale, fallen wax), `expect` (the
        band in words, or why there is none), `overdue_days`, `why`, `expected_from`. What is not
        known is NaN.
    on : Timestamp
        The day of the round.
    book_name : str
    n_pieces, n_open : int
        Pieces on the shelf that day, due or not, and open cracks among them.
    notes : tuple of str
        What holds for the round as a whole, said once.
    """

    due: pd.DataFrame
    on: pd.Timestamp
    book_name: str
    n_pieces: int
    n_open: int
    notes: tuple[str, ...]

    def __getitem__(self, name: Any) -> Any:
        """Columns of `due`, as in a frame."""
        return self.due[name]

    def __len__(self) -> int:
        return len(self.due)

    def card(self) -> Card:
        """How many are due, open cracks first; a row a piece."""
        columns = [
            Column("piece", lambda r: r.piece, False),
            Column("do", lambda r: r.do, False),
            Column("crack", lambda r: r.crack if r.crack != "none seen" else risk(r), False),
            Column("last weight", lambda r: last_weight(r, METRIC)),
            Column("expect [g]", lambda r: r.expect),
            Column("why", lambda r: r.why, False),
            Column("place", lambda r: r.place if isinstance(r.place, str) else "", False),
        ]
        says = [self._headline(), *self.notes]
        if len(self.due):
            says.append(in_short(CRACKED_WOOD))
        return card(says, self.due, columns, caption=f"Round of {words.day(self.on)}",
                    more=("round.due", 'round.sheet("round.pdf")'))  # fmt: skip

    def _headline(self) -> str:
        if not self.n_pieces:
            return f"No piece is on the shelf on {words.day(self.on)}."
        if not len(self.due):
            return f"Nothing is due in the week from {words.day(self.on)}."
        look, weigh = (self.due["do"].str.contains(name).sum() for name in ("look", "weigh"))
        first = f"; {words.count(self.n_open, 'open crack')} first" if self.n_open else ""
        return (
            f"In the week from {words.day(self.on)}: {words.count(look)} to look at, "
            f"{words.count(weigh)} to weigh{first}."
        )

    def in_units(self, units: Units) -> pd.DataFrame:
        """`due` in words of these units: `last weight`, `expect` and `crack` beside the rest."""
        return worded(self.due, units)

    def sheet(self, path: str | Path, *, paper: str = "a4", units: Units = METRIC) -> Path:
        """Print the round as a PDF, 25 pieces to a page, with room to write.

        Raises
        ------
        WoodlabError
            If `path` does not end in .pdf, or nothing is due.
        """
        if not len(self.due):
            raise WoodlabError("Nothing is due this week, so there is no sheet to print.")
        sheet = Sheet(
            title=f"Round of the week from {self.on:%Y-%m-%d}",
            above=(
                "Most urgent first. Weigh and look; write 0 where you find no crack. If a weight "
                "is out of its band, check the mark, the scale and whether wax fell off; weigh "
                "again.",
                *self.notes,
            ),
            columns=sheet_columns(units),
            rows=sheet_rows(self.due, units),
            below=(shown(CRACKED_WOOD, 400),),
            footer=f"{shown(self.book_name, 60)}   bands hold 99 of 100 good weighings",
            paper=paper,
        )
        return print_sheet(sheet, path)


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
    frame = _standing(past, day)
    n = len(frame)
    frame = _due(frame)
    frame = frame[frame["do"] != ""]
    if frame.empty:
        return ShopRound(pd.DataFrame(columns=COLUMNS), day, book.name, n, 0, ())
    study, reason = _crack_study(past, cracks)
    model = None if study is None else study.model
    frame = _with_risk(_with_expected(frame, fits_or_book, past, day), model)
    order = frame.assign(
        _closed=~frame["_open"], _risk=-frame["crack_risk"].fillna(-1.0),
        _days=-frame["days_since_look"],
    ).sort_values(["_closed", "_risk", "_days", "piece"], kind="stable").index  # fmt: skip
    due = frame.loc[order, COLUMNS].reset_index(drop=True)
    notes = [text for text in (_overdue(due), reason or _silence(frame, model)) if text]
    return ShopRound(due, day, book.name, n, int(frame["_open"].sum()), tuple(notes))


def due_by_age(book: RecordBook, day: pd.Timestamp) -> pd.DataFrame:
    """What falls due in the week from a day, without risks and expected weights: `piece`, `do`.

    Needs no fit; `shop_round` has the same rows.
    """
    frame = _due(_standing(book.until(day), day.normalize()))
    return frame.loc[frame["do"] != "", ["piece", "do"]].reset_index(drop=True)


def _standing(book: RecordBook, day: pd.Timestamp) -> pd.DataFrame:
    """Pieces still on the shelf, with their last look, crack and weighing."""
    gone = ended(book)
    left = gone[gone["on"].isna() | (pd.to_datetime(gone["on"]) <= day + pd.Timedelta(days=1))]
    pieces = book.pieces
    frame = pieces.loc[~pieces["piece"].isin(left.index)].copy()
    frame["piece"] = frame["piece"].astype(object)
    name = frame["piece"]
    looks = book.looks.sort_values("on", kind="stable")
    last = looks.groupby("piece").tail(1).set_index("piece")
    weighed = book.weighings.sort_values("on", kind="stable").groupby("piece").tail(1)
    weighed = weighed.set_index("piece")
    turned = frame["turned_on"].dt.normalize()
    frame["_age"] = (day - turned).dt.days.astype(float)
    looked_on = _dates_of(name, last["on"]).dt.normalize()
    frame["_looked"] = looked_on.notna()
    frame["days_since_look"] = (day - looked_on.fillna(turned)).dt.days.astype(float)
    frame["last_crack_mm"] = last["crack_mm"].reindex(name).to_numpy(dtype=float)
    states = crack_states(book).set_index("piece").reindex(name)
    frame["crack"] = states["crack"].to_numpy(object)
    frame["_state"] = states["state"].to_numpy(object)
    frame["_open"] = frame["_state"] == "open"
    frame["last_on"] = _dates_of(name, weighed["on"])
    frame["last_g"] = weighed["mass_g"].reindex(name).to_numpy(dtype=float)
    steps = weighed["scale_g"].reindex(name).to_numpy(dtype=float)
    frame["_step_g"] = np.where(np.isfinite(steps), steps, USUAL_STEP_G)
    frame["days_since_weighing"] = (day - frame["last_on"].dt.normalize()).dt.days.astype(float)
    return frame


def _dates_of(pieces: pd.Series, dates: pd.Series) -> pd.Series:
    return pd.Series(dates.reindex(pieces).to_numpy("datetime64[us]"), index=pieces.index)


def _gap(age: pd.Series, rule: tuple[tuple[float, int], ...]) -> np.ndarray:
    return np.select([age < until for until, _ in rule], [gap for _, gap in rule])


def _due(frame: pd.DataFrame) -> pd.DataFrame:
    """What falls due before the week is over, and why; an open crack always is."""
    ahead = WEEK_DAYS - 1
    look_late = frame["days_since_look"].to_numpy() - _gap(frame["_age"], LOOK_EVERY)
    weigh_late = frame["days_since_weighing"].to_numpy() - _gap(frame["_age"], WEIGH_EVERY)
    never = frame["last_on"].isna().to_numpy()
    look = (look_late + ahead >= 0) | frame["_open"].to_numpy()
    weigh = never | (np.nan_to_num(weigh_late, nan=-np.inf) + ahead >= 0)
    do = np.select([look & weigh, look, weigh], ["look, weigh", "look", "weigh"], "")
    late = np.fmax(np.where(look, look_late, np.nan), np.where(weigh & ~never, weigh_late, np.nan))
    why = []
    for row, looks, weighs in zip(frame.to_dict("records"), look, weigh, strict=True):
        said = []
        if row["_state"] == "open":
            said.append("has the crack grown?")
        elif row["_state"] == "glued" and looks:
            said.append("does the glue hold?")
        if looks and not row["_looked"]:
            said.append("never looked at")
        if weighs and pd.isna(row["last_on"]):
            said.append("never weighed")
        why.append("; ".join(said) or ("as its age asks" if looks or weighs else ""))
    return frame.assign(do=do, why=why, overdue_days=np.maximum(np.nan_to_num(late), 0.0))


def _overdue(due: pd.DataFrame) -> str:
    """Said once, for the round as a whole."""
    late = due.loc[due["overdue_days"] > WEEK_DAYS, "overdue_days"]
    if not len(late):
        return ""
    who = words.of_all(len(late), len(due), "are overdue" if len(late) > 1 else "is overdue")
    return f"{who} by more than a week, {late.max():.0f} days at most."


def _with_expected(
    frame: pd.DataFrame, asked: Any, past: RecordBook, day: pd.Timestamp
) -> pd.DataFrame:
    """What each piece should weigh at noon of the day, with the band of one weighing."""
    blank = dict.fromkeys(["expected_g", "lower_g", "upper_g"], np.nan)
    frame = frame.assign(**blank, expect="", expected_from="never weighed")
    weighed = frame["last_g"].notna()
    if weighed.any():
        fits = season_fits(past if isinstance(asked, RecordBook) else asked, as_of=day)
        rows = fits.predict(on=[day], pieces=frame.loc[weighed, "piece"].tolist(), level=BAND_LEVEL)
        rows = rows.set_index("piece").reindex(frame["piece"])
        fitted = fits.pieces.set_index("piece")["status"].reindex(frame["piece"])
        good = fitted.isin(["ok", "bounded"]).to_numpy()
        middle, low, high = (
            rows[name].to_numpy(float) for name in ("mass_g", "pi_lower_mass_g", "pi_upper_mass_g")
        )
        least = LEAST_STEPS * frame["_step_g"].to_numpy(float)
        # Drying wood does not gain more than the book itself would doubt.
        most = np.maximum(frame["last_g"].to_numpy(float) * (1 + GAIN_FRACTION), middle + least)
        frame["expected_g"] = middle
        frame["lower_g"] = np.minimum(low, middle - least)
        frame["upper_g"] = np.minimum(np.maximum(high, middle + least), most)
        frame["expected_from"] = np.where(
            good, "drying curve", "drying curve (fit: " + fitted.astype(str).to_numpy(object) + ")"
        )
        frame.loc[~weighed, ["expected_g", "lower_g", "upper_g"]] = np.nan
        frame.loc[~weighed, "expected_from"] = "never weighed"
    frame["expect"] = [_band(row) for row in frame.to_dict("records")]
    return frame


def _band(row: dict[str, Any]) -> str:
    """The band, or words where it would say nothing."""
    low, high, middle = row["lower_g"], row["upper_g"], row["expected_g"]
    if pd.isna(row["last_g"]):
        return "not weighed yet"
    if not np.isfinite(middle):
        return "no curve yet"
    if high - low > WIDEST_BAND * middle:
        return f"at most {high:.0f}: too little is known for a band"
    return f"{middle:.0f} ({low:.0f} to {high:.0f})"


def _crack_study(book: RecordBook, given: Any) -> tuple[Any, str]:
    from woodlab.studies.cracks import crack_study

    study = crack_study(book) if given is None else given
    return (None, f"No crack risk is known: {study.why}") if study.why else (study, "")


def _with_risk(frame: pd.DataFrame, model: Any) -> pd.DataFrame:
    """The chance of a first crack between the last look and the day of the round, with limits."""
    from woodlab.studies.cracks.risk import span_risk

    found = pd.DataFrame(np.nan, frame.index, ["risk", "ci_lower", "ci_upper"])
    if model is not None:
        start = (frame["_age"] - frame["days_since_look"]).to_numpy(float)
        end, last = frame["_age"].to_numpy(float), model.last_days
        whole = frame["_state"].isin(["none", "unknown"]).to_numpy()
        # A week past the last look of the book is still told; further on no piece was looked at.
        told = whole & (((end <= last + WEEK_DAYS) & (start < last)) | (end <= start))
        risk = span_risk(model, frame[told], start[told], np.minimum(end, last)[told])
        found.loc[risk.index] = risk
    return frame.assign(
        crack_risk=found["risk"], crack_risk_lower=found["ci_lower"],
        crack_risk_upper=found["ci_upper"],
    )  # fmt: skip


def _silence(frame: pd.DataFrame, model: Any) -> str:
    """Why no piece of the round has a risk, where none has."""
    if model is None:
        return "No crack was found in this book yet, so no risk is known."
    whole = frame[frame["_state"].isin(["none", "unknown"])]
    if len(whole) and whole["crack_risk"].isna().all():
        return (
            "No crack risk is known: the pieces still whole are older now than any was at a look "
            f"(day {model.last_days:.0f}), or of a kind that was not looked at."
        )
    return ""
