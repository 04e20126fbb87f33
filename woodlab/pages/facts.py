"""What the front page and its pictures say, asked of the kit once; no words and no drawing here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

import woodlab as wl
from woodlab.drying.forecast.cracks import crack_states, ended
from woodlab.drying.forecast.passage import fits_as_of
from woodlab.errors import WoodlabError
from woodlab.pages.profiles import law_of_most_weight, wall_profiles
from woodlab.studies.cracks.intervals import GREW_MM

if TYPE_CHECKING:
    from woodlab.book.record_book import RecordBook
    from woodlab.drying.fit.results import DryingFits

READY, PROBABLY = 0.95, 0.5  # chance of being dry enough: turn now; weigh once more first
GROUPS = ("gone", "cracked", "ready", "probably", "waiting")
LIFE_DAYS = 420
ROUND = ("piece", "do")
RIM_MM = 250.0  # of the wall to leave, where the book notes no rims


@dataclass(frozen=True)
class Facts:
    """One season as of one day.

    Attributes
    ----------
    book, fits, day
        The book until the day, the season's fit, the day.
    club : str
        Whose season it is, as the page names it.
    bowls : DataFrame
        `forecast_ready` with a row a bowl and `group` (exactly one of `GROUPS`), `shelf`, `dry`
        (enough, or finished already), and of its crack `state`, `crack_on`, `first_mm` (when found,
        or when glued), `last_mm`, `grew`, `glued_on`; `last_look_on`.
    curves : DataFrame
        Moisture of every bowl so far; of the bowl `life` with its forecast.
    air : DataFrame
        `on`, `moisture_pct`: what each day's air would bring the wood to, by the fits.
    seals, cracks, movement : studies, or None where the book cannot answer
    walls : DataFrame
        Rough wall to leave, by species, for bowls of the usual rim.
    round : DataFrame
        `piece`, `do`: what to weigh and look at this week.
    profiles : DataFrame
        Of `wall_profiles`.
    life : str
        The bowl whose life is drawn.
    """

    book: RecordBook
    fits: DryingFits
    day: pd.Timestamp
    club: str
    bowls: pd.DataFrame
    curves: pd.DataFrame
    air: pd.DataFrame
    seals: Any
    cracks: Any
    movement: Any
    walls: pd.DataFrame
    round: pd.DataFrame
    profiles: pd.DataFrame
    life: str


def gather(
    book: RecordBook, as_of: str | None = None, *, fits: DryingFits | None = None,
    club: str | None = None,
) -> Facts:  # fmt: skip
    """Ask the kit everything that the pages say, of one fit of the season.

    Parameters
    ----------
    book : RecordBook
    as_of : str, optional
        The day of the page; that of the last weighing or look unless given.
    fits : DryingFits, optional
        The season's fit; made here unless given.
    club : str, optional
        Whose season it is; the one place of all pieces, else the book's name, unless given.
    """
    if as_of is None:
        days = [table["on"].max() for table in (book.weighings, book.looks) if len(table)]
        as_of = f"{max(days):%Y-%m-%d}" if days else None
    # once, where the fits know more than the day does
    fits = wl.fit_drying(book, as_of=as_of) if fits is None else fits_as_of(fits, as_of)[0]
    day = fits.as_of if as_of is None else pd.Timestamp(as_of)
    book = book.until(day)
    bowls = bowls_of(wl.forecast_ready(fits, as_of=day), book)
    life = _life(bowls)
    seals = _asked(lambda: wl.seal_study(fits))
    cracks, air = _asked(lambda: wl.crack_study(book)), _air(fits, book)
    return Facts(
        book=book, fits=fits, day=day, club=club or _club(book), bowls=bowls,
        curves=_curves(fits, bowls, life, day), air=air,
        seals=None if seals is None or seals.why else seals, cracks=cracks,
        movement=_asked(lambda: wl.movement_study(fits)), walls=_walls(book),
        round=_round(fits, cracks, day), profiles=wall_profiles(fits, bowls, air), life=life,
    )  # fmt: skip


def _asked(question: Callable[[], Any]) -> Any:
    """An answer, or None where the book cannot give one."""
    try:
        return question()
    except WoodlabError:
        return None


def _round(fits: DryingFits, cracks: Any, day: pd.Timestamp) -> pd.DataFrame:
    due = _asked(lambda: wl.shop_round(fits, day, cracks=cracks))
    return pd.DataFrame({"piece": [], "do": []} if due is None else {c: due[c] for c in ROUND})


def bowls_of(ready: pd.DataFrame, book: RecordBook) -> pd.DataFrame:
    """A row a bowl, in exactly one group: gone before cracked before ready before probably.

    Examples
    --------
    >>> book = wl.demo_book().until("2025-05-01")
    >>> ready = pd.DataFrame({"piece": ["A1", "A2", "C1"], "p_ready_now": [0.99, 0.6, 0.99],
    ...                       "place": "loft"})
    >>> bowls_of(ready, book)["group"].tolist()
    ['ready', 'probably', 'cracked']
    """
    frame = ready.reset_index(drop=True)
    frame["shelf"] = [_shelf(place) for place in frame["place"]]
    for name in ("seal", "species"):
        if name in frame:  # a book may leave them out
            frame[name] = frame[name].astype(object).fillna("not noted")
    looks = book.looks.sort_values("on", kind="stable")
    measured = looks[looks["crack_mm"] > 0].groupby("piece")["crack_mm"].first()
    glued = looks[looks["action"] == "glued"].groupby("piece")
    states = crack_states(book).set_index("piece")
    found = {
        "state": states["state"], "crack_on": states["since"], "last_mm": states["length_mm"],
        "glued_on": glued["on"].max(), "last_look_on": looks.groupby("piece")["on"].max(),
        "first_mm": glued["crack_mm"].last().combine_first(measured),
    }  # fmt: skip
    for name, column in found.items():
        frame[name] = column.reindex(frame["piece"]).to_numpy()
    frame["grew"] = frame["last_mm"] > frame["first_mm"] + GREW_MM
    left = ended(book)["outcome"].reindex(frame["piece"]).to_numpy()
    frame["dry"] = (frame["p_ready_now"] >= READY) | (left == "finished")
    frame["group"] = np.select(
        [
            pd.notna(left),
            frame["crack_on"].notna(),
            frame["p_ready_now"] >= READY,
            frame["p_ready_now"] >= PROBABLY,
        ],
        ["gone", "cracked", "ready", "probably"],
        "waiting",
    )
    return frame


def _shelf(place: Any) -> str:
    return place.removesuffix(" (invented)") if isinstance(place, str) else "no place noted"


def _club(book: RecordBook) -> str:
    places = book.pieces["place"].dropna().unique()
    return _shelf(places[0]) if len(places) == 1 else book.name


def _life(bowls: pd.DataFrame) -> str:
    """The bowl with most to tell: cracked and still drying, glued if there is one."""
    here = bowls[bowls["ready_on"].notna()]
    chosen = here[(here["group"] == "cracked") & (here["p_ready_now"] < PROBABLY)]
    chosen = chosen if len(chosen) else here[here["group"] == "waiting"]
    chosen = chosen if len(chosen) else here if len(here) else bowls
    chosen = chosen.assign(glued=chosen["glued_on"].notna())
    return str(chosen.sort_values(["glued", "last_mm"], ascending=False)["piece"].iloc[0])


def _curves(fits: DryingFits, bowls: pd.DataFrame, life: str, day: pd.Timestamp) -> pd.DataFrame:
    """So far for every bowl (a few days ahead cost little), with the forecast for one."""
    short = wl.forecast_curves(fits, list(bowls["piece"]), as_of=day, days_ahead=3)
    long = wl.forecast_curves(fits, [life], as_of=day, days_ahead=LIFE_DAYS)
    return pd.concat([short[short["piece"] != life], long], ignore_index=True)


def _air(fits: DryingFits, book: RecordBook) -> pd.DataFrame:
    """The log, less what the hygrometers read too high, and the wood's offset from the tables."""
    air = book.air.dropna(subset=["temp_c", "rh_pct"])
    if not len(air):
        return pd.DataFrame({"on": pd.to_datetime([]), "moisture_pct": []})
    groups = fits.groups[fits.groups["law"] == law_of_most_weight(fits)]
    bias = groups.loc[groups["kind"] == "hygrometer", "estimate"].mean()
    offset = groups.loc[(groups["kind"] == "air offset") & (groups["group"] == "all"), "estimate"]
    humid = np.clip(air["rh_pct"] - np.nan_to_num(bias), 1, 99)
    moisture = wl.equilibrium_moisture(air["temp_c"].to_numpy(), humid.to_numpy())
    daily = air.assign(on=air["on"].dt.normalize(), moisture_pct=moisture + offset.sum())
    return daily.groupby("on", as_index=False)["moisture_pct"].mean()


def _walls(book: RecordBook) -> pd.DataFrame:
    rims = book.pieces["rim_mm"].dropna() if "rim_mm" in book.pieces else pd.Series(dtype=float)
    rim = 10 * round(float(rims.median()) / 10) if len(rims) else RIM_MM
    found = _asked(lambda: wl.wall_window(sorted(book.pieces["species"].unique()), [rim]))
    if found is None:
        return pd.DataFrame(columns=["species", "rim_mm", "thinnest_mm", "tenth_mm"])
    return found.drop_duplicates("species").sort_values("thinnest_mm", ignore_index=True)
