"""This week's round: who is to be looked at and weighed, most urgent first, and on one sheet."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from woodlab.book.cells import as_day
from woodlab.book.record_book import RecordBook, expect_book
from woodlab.errors import WoodlabError
from woodlab.studies.cautions import CRACKED_WOOD
from woodlab.studies.cracks.risk import span_risk
from woodlab.studies.expected_weight import USUAL_STEP_G, with_expected
from woodlab.studies.printing import Sheet, SheetColumn, print_sheet, shown

# How often, by age: weekly for twelve weeks, then every third; looks weekly for four months, then
# every other week. Common practice, no source.
WEIGH_EVERY = ((84, 7), (np.inf, 21))
LOOK_EVERY = ((120, 7), (np.inf, 14))
WEEK_DAYS = 7

COLUMNS = [
    "piece", "place", "species", "seal", "do", "crack_risk", "crack_risk_lower",
    "crack_risk_upper", "days_since_look", "last_crack_mm", "days_since_weighing", "last_on",
    "last_g", "expected_g", "lower_g", "upper_g", "why", "expected_from",
]  # fmt: skip


def shop_round(
    book: RecordBook, on: str | pd.Timestamp, *, fits: Any = None, cracks: Any = None
) -> pd.DataFrame:
    """Who is to be looked at and weighed in the week from a day on, most urgent first.

    Parameters
    ----------
    book : RecordBook
        Any book; tables that it lacks leave their columns empty.
    on : date
        The day of the round; the book is taken as it stood at the end of that day.
    fits : DryingFits, optional
        Curves to expect weights from; made here (`exponential`) unless given.
    cracks : CrackStudy, optional
        For the risk since the last look; made here unless given.

    Returns
    -------
    DataFrame
        One row a piece: `piece`, `place`, `species`, `seal`, `do` (`look`, `weigh`, `look,
        weigh`), `crack_risk` (chance that a first crack opened since the last look, a share)
        with its 95 % `crack_risk_lower`, `crack_risk_upper`, `days_since_look`,
        `last_crack_mm`, `days_since_weighing`, `last_on`, `last_g`, `expected_g` on the day of
        the round, `lower_g`, `upper_g` (99 % band for one weighing: outside it look for a wrong
        piece, a wrong scale, fallen wax), `why` (it is due), `expected_from`. Pieces already
        cracked and not glued come first, then by risk, then by days since the last look.
        What cannot be told is NaN, with the reason in `expected_from`, or for the risks of the
        whole book in `.attrs["risk_reason"]`.

    Raises
    ------
    WoodlabError
        If `on` is no date.

    Notes
    -----
    How often to look and weigh by age is common practice, no source.

    Examples
    --------
    >>> import pandas as pd, woodlab as wl
    >>> pieces = pd.DataFrame({"piece": ["A1", "A2"], "species": "white ash", "seal": "none",
    ...                        "turned_on": "2026-03-01", "wall_mm": [22, 30]})
    >>> weighings = pd.DataFrame({"piece": ["A1", "A2"], "on": ["2026-03-01", "2026-03-09"],
    ...                           "mass_g": [1480, 1900]})
    >>> book = wl.RecordBook.from_frames(pieces=pieces, weighings=weighings)
    >>> wl.shop_round(book, on="2026-03-09")[["piece", "do", "days_since_weighing"]]
      piece           do  days_since_weighing
    0    A1  look, weigh                  8.0
    1    A2         look                  0.0
    """
    day = as_day(on, "on").normalize()
    past = expect_book(book, "shop_round").until(day)
    frame = _standing(past, day)
    if frame.empty:
        return pd.DataFrame(columns=COLUMNS)
    study, reason = _crack_study(past, cracks)
    model = None if study is None else study.model
    frame = with_expected(_due(frame), past, day, fits)
    frame = _with_risk(frame[frame["do"] != ""], model)
    order = frame.assign(_risk=-frame["crack_risk"].fillna(-1.0), _days=-frame["days_since_look"])
    order = order.assign(_open=~frame["_open"])
    order = order.sort_values(["_open", "_risk", "_days", "piece"], kind="stable")
    frame = frame.loc[order.index]
    done = frame[COLUMNS].reset_index(drop=True)
    done.attrs["risk_reason"] = reason or _silence(frame, model)
    return done


def _silence(frame: pd.DataFrame, model: Any) -> str:
    """Why no piece of the round has a risk, where none has."""
    if model is None:
        return "no crack was found in this book yet"
    whole = frame[frame["last_crack_mm"].isna() | (frame["last_crack_mm"] <= 0)]
    if len(whole) and whole["crack_risk"].isna().all():
        return (
            "no risk can be told: the pieces still whole are older now than any was at a look "
            f"(day {model.last_days:.0f}), or of a kind that was not looked at"
        )
    return ""


def _standing(book: RecordBook, day: pd.Timestamp) -> pd.DataFrame:
    """Pieces that are still there, with their last look and last weighing."""
    pieces = book.pieces
    looks = book.looks.sort_values("on", kind="stable")
    gone = set(looks.loc[looks["action"] == "scrapped", "piece"])
    frame = pieces.loc[~pieces["piece"].isin(gone)].copy()
    last = looks.groupby("piece").tail(1).set_index("piece")
    weighed = book.weighings.sort_values("on", kind="stable").groupby("piece").tail(1)
    weighed = weighed.set_index("piece")
    turned = frame["turned_on"].dt.normalize()
    frame["_age"] = (day - turned).dt.days.astype(float)
    looked_on = _dates_of(frame["piece"], last["on"]).dt.normalize()
    frame["_looked"] = looked_on.notna()
    frame["days_since_look"] = (day - looked_on.fillna(turned)).dt.days.astype(float)
    frame["last_crack_mm"] = last["crack_mm"].reindex(frame["piece"]).to_numpy(dtype=float)
    glued = last.index[last["action"] == "glued"]
    frame["_open"] = (frame["last_crack_mm"] > 0) & ~frame["piece"].isin(glued)
    frame["last_on"] = _dates_of(frame["piece"], weighed["on"])
    frame["last_g"] = weighed["mass_g"].reindex(frame["piece"]).to_numpy(dtype=float)
    steps = weighed["scale_g"].reindex(frame["piece"]).to_numpy(dtype=float)
    frame["_step_g"] = np.where(np.isfinite(steps), steps, USUAL_STEP_G)
    frame["days_since_weighing"] = (day - frame["last_on"].dt.normalize()).dt.days.astype(float)
    return frame


def _dates_of(pieces: pd.Series, dates: pd.Series) -> pd.Series:
    return pd.Series(dates.reindex(pieces).to_numpy("datetime64[us]"), index=pieces.index)


def _gap(age: pd.Series, rule: tuple[tuple[float, int], ...]) -> np.ndarray:
    return np.select([age < until for until, _ in rule], [gap for _, gap in rule])


def _due(frame: pd.DataFrame) -> pd.DataFrame:
    """What falls due before the week is over, and why."""
    look_gap, weigh_gap = _gap(frame["_age"], LOOK_EVERY), _gap(frame["_age"], WEIGH_EVERY)
    ahead = WEEK_DAYS - 1
    never = frame["last_on"].isna()
    look = frame["days_since_look"] + ahead >= look_gap
    weigh = never | (frame["days_since_weighing"] + ahead >= weigh_gap)
    why = []
    for looks, weighs, every, scale, unweighed in zip(
        look, weigh, look_gap, weigh_gap, never, strict=True
    ):
        said = [f"looks every {every} days at its age"] if looks else []
        if weighs:
            said.append("never weighed" if unweighed else f"weights every {scale} days at its age")
        why.append("; ".join(said))
    do = np.select([look & weigh, look, weigh], ["look, weigh", "look", "weigh"], "")
    frame = frame.assign(do=do, why=why)
    cracked = frame["_open"]
    seen = frame["last_crack_mm"].map("{:g} mm".format)
    told = "cracked " + seen.astype(object) + ": has it grown? " + frame["why"].astype(object)
    frame["why"] = frame["why"].astype(object).where(~cracked, told)
    unseen = ~frame["_looked"]
    frame.loc[unseen, "why"] = "never looked at; " + frame.loc[unseen, "why"]
    return frame


def _with_risk(frame: pd.DataFrame, model: Any) -> pd.DataFrame:
    """The chance of a first crack between the last look and the day of the round, with limits."""
    nothing = pd.DataFrame(np.nan, frame.index, ["risk", "ci_lower", "ci_upper"])
    if model is not None and len(frame):
        start = (frame["_age"] - frame["days_since_look"]).to_numpy(float)
        end, last = frame["_age"].to_numpy(float), model.last_days
        # A week past the last look of the book is still told; further on no piece was looked at.
        told = ~(frame["last_crack_mm"] > 0).to_numpy() & (end <= last + WEEK_DAYS) & (start < last)
        told |= (end <= start) & ~(frame["last_crack_mm"] > 0).to_numpy()
        found = span_risk(model, frame[told], start[told], np.minimum(end, last)[told])
        nothing.loc[found.index] = found
    return frame.assign(
        crack_risk=nothing["risk"], crack_risk_lower=nothing["ci_lower"],
        crack_risk_upper=nothing["ci_upper"],
    )  # fmt: skip


def _crack_study(book: RecordBook, given: Any) -> tuple[Any, str]:
    from woodlab.studies.cracks import crack_study

    if given is not None:
        return given, ""
    study = crack_study(book)
    return (None, f"{study.why} {study.would_help}") if study.why else (study, "")


_SHEET = (
    SheetColumn("mark", 1.25, longest=14), SheetColumn("where", 1.9, longest=22),
    SheetColumn("wood; seal", 2.5, longest=36), SheetColumn("do", 1.3, longest=14),
    SheetColumn("crack risk since look", 1.25, "right", 22),
    SheetColumn("last weight (g), on", 1.5, "right", 20),
    SheetColumn("expect (g), band", 1.5, "right", 26),
    SheetColumn("weight today", 1.7), SheetColumn("crack (mm)", 1.2), SheetColumn("note", 2.0),
)  # fmt: skip


def round_sheet(
    book: RecordBook, on: str | pd.Timestamp, out: str | Path, *, paper: str = "a4"
) -> Path:
    """Print the round as a PDF, 25 pieces to a page, with room to write.

    Raises
    ------
    WoodlabError
        If `out` does not end in .pdf, `on` is no date, or nothing is due.

    Examples
    --------
    >>> import woodlab as wl
    >>> from woodlab.studies.shop_round import round_sheet
    >>> round_sheet(wl.demo_book(), on="2025-04-15", out="round.pdf")  # doctest: +SKIP
    """
    return print_round(shop_round(book, on), on, out, name=book.name, paper=paper)


def print_round(
    frame: pd.DataFrame, on: str | pd.Timestamp, out: str | Path, *, name: str = "",
    paper: str = "a4",
) -> Path:  # fmt: skip
    """Print a frame made by `shop_round`; see `round_sheet`."""
    if frame.empty:
        raise WoodlabError("Nothing is due this week, so there is no sheet to print.")
    day = pd.Timestamp(on).date()
    sheet = Sheet(
        title=f"Round of the week from {day}",
        above=(
            "Most urgent first. Weigh and look; write 0 where you find no crack. If a weight is "
            "out of its band, check the mark, the scale and whether wax fell off; weigh again.",
        ),
        columns=_SHEET,
        rows=[_line(row) for row in frame.to_dict("records")],
        below=(shown(CRACKED_WOOD, 400),),
        footer=f"{shown(name, 60)}   bands hold 99 of 100 good weighings where a piece has a curve",
        paper=paper,
    )
    return print_sheet(sheet, out)


def _line(row: dict) -> list[str]:
    risk = row["crack_risk"]
    if row["last_crack_mm"] > 0:
        risk_text = f"cracked {row['last_crack_mm']:g} mm"
    elif pd.isna(risk):
        days = row["days_since_look"]
        risk_text = f"not known; {days:g} days"
    else:
        risk_text = "below 0.1 %" if risk < 0.001 else f"{100 * risk:.2g} %"
    last = "" if pd.isna(row["last_g"]) else f"{row['last_g']:.0f}, {row['last_on']:%d %b}"
    if pd.notna(row["expected_g"]):
        expect = f"{row['expected_g']:.0f} {row['lower_g']:.0f}–{row['upper_g']:.0f}"
    elif pd.notna(row["upper_g"]):
        expect = f"up to {row['upper_g']:.0f}"
    else:
        expect = "not known"
    where = row["place"] if isinstance(row["place"], str) else ""
    kind = f"{row['species']}; {row['seal']}"
    return [row["piece"], where, kind, row["do"], risk_text, last, expect, "", "", ""]
