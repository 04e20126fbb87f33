"""What the front page and its pictures say, asked of the kit once; no words and no drawing here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

import woodlab as wl
from woodlab.errors import WoodlabError

if TYPE_CHECKING:
    from woodlab.book.record_book import RecordBook

READY, PROBABLY = 0.95, 0.5  # chance of being dry enough: turn now; weigh once more first
GROUPS = ("gone", "cracked", "ready", "probably", "waiting")
GREW_MM = 2.0  # a crack this much longer has grown, not been measured otherwise
LIFE_DAYS = 420
RIM_MM = 250.0  # of the wall to leave, where the book notes no rims
PROFILE_DAYS = (7, 28, 56, 84)


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
        `forecast_ready` with a row a bowl and `group` (exactly one of `GROUPS`), `crack_on`,
        `first_mm`, `last_mm`, `glued_on`, `glued_mm`, `last_look_on`, `shelf`.
    curves : DataFrame
        Moisture of every bowl so far; of the bowl `life` with its forecast.
    air : DataFrame
        `on`, `moisture_pct`: what each day's air would bring the wood to.
    seals, cracks, movement : studies, or None where the book cannot answer
    walls : DataFrame
        Rough wall to leave, by species, for bowls of the usual rim.
    round : DataFrame
        What to weigh and look at this week.
    profiles : DataFrame
        Moisture inside the wall by the model; empty where there is none.
    life : str
        The bowl whose life is drawn.
    """

    book: RecordBook
    fits: Any
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
    book: RecordBook, as_of: str | None = None, *, fits: Any = None, club: str | None = None
) -> Facts:
    """Ask the kit everything that the pages say.

    Parameters
    ----------
    book : RecordBook
    as_of : str, optional
        The day of the page; the last day on record unless given.
    fits : DryingFits, optional
        The season's fit; made here unless given.
    club : str, optional
        Whose season it is; the one place of all pieces, else the book's name, unless given.
    """
    if as_of is None:
        days = [table["on"].max() for table in (book.weighings, book.looks) if len(table)]
        as_of = f"{max(days):%Y-%m-%d}" if days else None
    book = book.until(as_of) if as_of else book
    if fits is None:
        fits = wl.fit_drying(book)
    ready = wl.forecast_ready(fits, as_of=as_of)
    day = pd.Timestamp(ready["as_of"].iloc[0])
    bowls = bowls_of(ready, book, day)
    life = _life(bowls)
    seals, cracks = _asked(lambda: wl.seal_study(fits)), _asked(lambda: wl.crack_study(book))
    seals = None if seals is None or seals.why else seals
    due = _asked(lambda: wl.shop_round(fits, on=f"{day:%Y-%m-%d}").due)
    return Facts(
        book=book, fits=fits, day=day, club=club or _club(book), bowls=bowls,
        curves=_curves(fits, bowls, life, as_of), air=_air(book), seals=seals, cracks=cracks,
        movement=_asked(lambda: wl.movement_study(fits)), walls=_walls(book),
        round=due if due is not None else pd.DataFrame(columns=["piece", "do"]),
        profiles=_profiles(fits, book, bowls), life=life,
    )  # fmt: skip


def _asked(question: Callable[[], Any]) -> Any:
    """An answer, or None where the book cannot give one."""
    try:
        return question()
    except WoodlabError:
        return None


def bowls_of(ready: pd.DataFrame, book: RecordBook, day: pd.Timestamp) -> pd.DataFrame:
    """A row a bowl, in exactly one group: gone before cracked before ready before probably.

    Examples
    --------
    >>> book = wl.demo_book().until("2025-05-01")
    >>> ready = pd.DataFrame({"piece": ["A1", "A2", "C1"], "p_ready_now": [0.99, 0.6, 0.99],
    ...                       "place": "loft"})
    >>> bowls_of(ready, book, pd.Timestamp("2025-05-01"))["group"].tolist()
    ['ready', 'probably', 'cracked']
    """
    looks = book.looks.sort_values("on", kind="stable")
    frame = ready.reset_index(drop=True)
    frame["shelf"] = [_shelf(place) for place in frame["place"]]
    for name in ("seal", "species"):
        if name in frame:  # a book may leave them out
            frame[name] = frame[name].astype(object).fillna("not noted")
    last = looks.groupby("piece").tail(1).set_index("piece")
    seen = looks[crack_seen(looks)].groupby("piece")
    glued = looks[looks["action"] == "glued"].groupby("piece")
    measured = looks[looks["crack_mm"].notna()].groupby("piece")["crack_mm"].last()
    found = {
        "last_look_on": last["on"], "crack_on": seen["on"].first(), "last_mm": measured,
        "first_mm": seen["crack_mm"].first(), "glued_on": glued["on"].max(),
        "glued_mm": glued["crack_mm"].last(),
    }  # fmt: skip
    for name, column in found.items():
        frame[name] = column.reindex(frame["piece"]).to_numpy()
    frame["group"] = np.select(
        [
            frame["piece"].isin(_gone(book, looks, day)),
            frame["crack_on"].notna(),
            frame["p_ready_now"] >= READY,
            frame["p_ready_now"] >= PROBABLY,
        ],
        ["gone", "cracked", "ready", "probably"],
        "waiting",
    )
    return frame


def crack_seen(looks: pd.DataFrame) -> pd.Series:
    """Which looks found a crack; one may be seen without being measured."""
    seen = looks["crack_mm"] > 0
    if "crack" in looks:
        seen = seen | looks["crack"].astype(str).str.lower().isin(["yes", "true", "open", "glued"])
    return seen


def _gone(book: RecordBook, looks: pd.DataFrame, day: pd.Timestamp) -> set[str]:
    """Bowls that are on no shelf any more: scrapped, finished, given away."""
    gone = set(looks.loc[looks["action"] == "scrapped", "piece"])
    if "ended_on" in book.pieces:
        gone |= set(book.pieces.loc[book.pieces["ended_on"] <= day, "piece"])
    return gone


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


def _curves(fits: Any, bowls: pd.DataFrame, life: str, as_of: str | None) -> pd.DataFrame:
    """So far for every bowl (a few days ahead cost little), with the forecast for one."""
    short = wl.forecast_curves(fits, list(bowls["piece"]), as_of=as_of, days_ahead=3)
    long = wl.forecast_curves(fits, [life], as_of=as_of, days_ahead=LIFE_DAYS)
    return pd.concat([short[short["piece"] != life], long], ignore_index=True)


def _air(book: RecordBook) -> pd.DataFrame:
    air = book.air.dropna(subset=["temp_c", "rh_pct"])
    if not len(air):
        return pd.DataFrame({"on": pd.to_datetime([]), "moisture_pct": []})
    moisture = wl.equilibrium_moisture(air["temp_c"].to_numpy(), air["rh_pct"].to_numpy())
    daily = air.assign(on=air["on"].dt.normalize(), moisture_pct=np.asarray(moisture, float))
    return daily.groupby("on", as_index=False)["moisture_pct"].mean()


def _walls(book: RecordBook) -> pd.DataFrame:
    rims = book.pieces["rim_mm"].dropna() if "rim_mm" in book.pieces else pd.Series(dtype=float)
    rim = 10 * round(float(rims.median()) / 10) if len(rims) else RIM_MM
    found = _asked(lambda: wl.wall_window(sorted(book.pieces["species"].unique()), [rim]))
    if found is None:
        return pd.DataFrame(columns=["species", "rim_mm", "thinnest_mm", "tenth_mm"])
    return found.drop_duplicates("species").sort_values("thinnest_mm", ignore_index=True)


def _profiles(fits: Any, book: RecordBook, bowls: pd.DataFrame) -> pd.DataFrame:
    """Moisture inside the wall of the commonest wood, bare and under the tightest seal.

    A season's fit that holds no figures of the one law with a profile by seal has it fitted here.
    """
    from woodlab.pages.profiles import wall_profiles

    found = wall_profiles(fits, book, bowls, PROFILE_DAYS)
    if len(found):
        return found
    slab = _asked(lambda: wl.fit_drying(book, law="slab", pool=True))
    return found if slab is None else wall_profiles(slab, book, bowls, PROFILE_DAYS)
