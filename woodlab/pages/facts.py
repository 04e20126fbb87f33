"""What the pages and the article say, asked of the kit once; no words and no drawing here."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

import woodlab as wl
from woodlab.drying.fit.saving import season_fits
from woodlab.drying.forecast.cracks import ended
from woodlab.errors import WoodlabError
from woodlab.pages.profiles import law_of_most_weight, wall_profiles
from woodlab.studies.cracks.intervals import GREW_MM
from woodlab.week.bowls import PROBABLY, READY, bowls_of, club_of, last_day
from woodlab.week.shop_round import due_by_age

if TYPE_CHECKING:
    from woodlab.book.record_book import RecordBook
    from woodlab.drying.fit.results import DryingFits

LIFE_DAYS = 420
RIM_MM = 250.0  # of the wall to leave, where the book notes no rims


@dataclass(frozen=True)
class Season:
    """What the front page and the article both speak of.

    Attributes
    ----------
    book : RecordBook
        Until the day.
    fits : DryingFits
        The season's fit; None for a book that no curve can be fitted to.
    bowls : DataFrame
        Of `bowls_of`, a row a bowl, with `log`, `base_mm` (its crack when glued, else when found),
        `grew` since, `looked` (at, after turning) and `dry` (enough, or finished already).
    seals, cracks, movement : studies, or None where the book cannot answer
    walls : DataFrame
        Rough wall to leave, by species, for bowls of the usual rim.
    """

    book: RecordBook
    fits: DryingFits
    bowls: pd.DataFrame
    seals: Any
    cracks: Any
    movement: Any
    walls: pd.DataFrame


def season_of(
    book: RecordBook, fits: DryingFits | None, ready: pd.DataFrame | None, day: pd.Timestamp
) -> dict[str, Any]:
    """The fields of a `Season`: each study asked once, None where the book cannot answer."""
    if ready is None:
        ready = book.pieces[["piece", "species", "seal", "wall_mm", "place"]].assign(
            p_ready_now=np.nan, ready_on=pd.NaT, earliest_on=pd.NaT, latest_on=pd.NaT
        )
    # the longest last: notebooks that run meanwhile find the others answered
    cracks = asked(lambda: wl.crack_study(book))
    movement = asked(lambda: wl.movement_study(fits)) if fits is not None else None
    seals = asked(lambda: wl.seal_study(fits)) if fits is not None else None
    return {
        "book": book, "fits": fits, "bowls": told_of(bowls_of(ready, book, day), book),
        "seals": None if seals is None or seals.why else seals, "cracks": cracks,
        "movement": movement, "walls": walls_to_leave(book),
    }  # fmt: skip


@dataclass(frozen=True)
class Facts(Season):
    """One season as of one day, as the front page sees it.

    Attributes
    ----------
    day
        The day of the page.
    club : str
        Whose season it is, as the page names it.
    curves : DataFrame
        Moisture of every bowl so far; of the bowl `life` with its forecast.
    air : DataFrame
        `on`, `moisture_pct`: what each day's air would bring the wood to, by the fits.
    round : DataFrame
        `piece`, `do`: what to weigh and look at this week.
    profiles : DataFrame
        Of `wall_profiles`.
    life : str
        The bowl whose life is drawn.
    """

    day: pd.Timestamp
    club: str
    curves: pd.DataFrame
    air: pd.DataFrame
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
    as_of = as_of or last_day(book)
    fits = season_fits(book if fits is None else fits, as_of=as_of)
    day = fits.as_of if as_of is None else pd.Timestamp(as_of)
    book = book.until(day)
    of = season_of(book, fits, wl.forecast_ready(fits, as_of=day), day)
    bowls, air = of["bowls"], _air(fits, book)
    life = _life(bowls)
    return Facts(
        **of,
        day=day,
        club=club or club_of(book),
        curves=_curves(fits, bowls, life, day),
        air=air,
        round=due_by_age(book, day),
        profiles=wall_profiles(fits, bowls, air),
        life=life,
    )


def asked(question: Callable[[], Any]) -> Any:
    """An answer, or None where the book cannot give one."""
    try:
        return question()
    except WoodlabError:
        return None


def told_of(bowls: pd.DataFrame, book: RecordBook) -> pd.DataFrame:
    """The bowls with what the page tells beside their group: whether one was looked at after its
    day of turning (and so counts among those that cracked or did not), a crack grew, or it is dry.
    """
    own = book.pieces.set_index("piece").reindex(bowls["piece"])
    next_day = own["turned_on"].dt.normalize().to_numpy() + np.timedelta64(1, "D")
    looked = (pd.to_datetime(bowls["last_look_on"]) >= next_day) | bowls["crack_on"].notna()
    base = bowls["glued_mm"].combine_first(bowls["first_mm"])
    left = ended(book.pieces, book.looks)["outcome"].reindex(bowls["piece"]).to_numpy()
    return bowls.assign(
        log=own["log"].to_numpy(), looked=looked,
        base_mm=base, grew=bowls["last_mm"] > base + GREW_MM,
        dry=(bowls["p_ready_now"] >= READY) | (left == "finished"),
    )  # fmt: skip


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


def walls_to_leave(book: RecordBook) -> pd.DataFrame:
    """Rough wall to leave by species, for bowls of the usual rim: here and in the article."""
    rims = book.pieces["rim_mm"].dropna() if "rim_mm" in book.pieces else pd.Series(dtype=float)
    rim = book.units.size(float(rims.median()) if len(rims) else RIM_MM)
    answers = (asked(functools.partial(wl.wall_window, [name], [rim]))
             for name in sorted(book.pieces["species"].dropna().unique()))  # fmt: skip
    found = [one for one in answers if one is not None]
    if not found:
        return pd.DataFrame(columns=["species", "rim_mm", "thinnest_mm", "tenth_mm"])
    frame = pd.concat(found, ignore_index=True).drop_duplicates("species")
    return frame.sort_values("thinnest_mm", ignore_index=True)
