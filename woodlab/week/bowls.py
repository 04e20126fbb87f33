"""A row a bowl in exactly one group, and this week's work: the front page and the ready list share
what is decided here."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.book.record_book import RecordBook
from woodlab.drying.forecast.cracks import crack_states, ended

READY, PROBABLY = 0.95, 0.5  # chance of being dry enough: turn now; weigh once more first
GROUPS = ("gone", "cracked", "ready", "probably", "waiting")
SOON_DAYS = 7


def last_day(book: RecordBook) -> str | None:
    """The last day on record, of a weight or a look; None where there is neither."""
    days = [table["on"].max() for table in (book.weighings, book.looks) if len(table)]
    return f"{max(days):%Y-%m-%d}" if days else None


def bowls_of(ready: pd.DataFrame, book: RecordBook, day: pd.Timestamp) -> pd.DataFrame:
    """A row a bowl, in exactly one group: gone before cracked before ready before probably.

    `ready` is from `forecast_ready`, `book` as it stood on `day`. Added are `group` (one of
    `GROUPS`), `state` of its crack (`none`, `open`, `glued`, `unknown`), `crack_on`, `first_mm`,
    `last_mm`, `glued_on`, `glued_mm`, `last_look_on`, and `shelf`: where its last weighing or its
    own row puts it.
    """
    frame = ready.reset_index(drop=True)
    known = last_known(book).reindex(frame["piece"])
    now, before = known["shelf"].to_numpy(object), frame["place"]
    frame["shelf"] = [shelf_name(a if isinstance(a, str) else b)
                      for a, b in zip(now, before, strict=True)]  # fmt: skip
    for name in ("seal", "species"):
        if name in frame:  # a book may leave them out
            frame[name] = frame[name].astype(object).fillna("not noted")
    frame["state"], frame["last_look_on"] = known["state"].array, known["last_look_on"].array
    frame["crack_on"] = known["since"].array
    looks = book.looks.sort_values("on", kind="stable")
    seen = looks[(looks["crack_mm"] > 0) | looks["crack"].eq("yes").fillna(False).astype(bool)]
    glued = looks[looks["action"] == "glued"].groupby("piece")
    found = {
        "last_mm": looks.dropna(subset=["crack_mm"]).groupby("piece")["crack_mm"].last(),
        "first_mm": seen.groupby("piece")["crack_mm"].first(), "glued_on": glued["on"].max(),
        "glued_mm": glued["crack_mm"].last(),
    }  # fmt: skip
    for name, column in found.items():
        frame[name] = column.reindex(frame["piece"]).to_numpy()
    frame["group"] = np.select(
        [
            frame["piece"].isin(ended(book.until(day)).index),
            frame["crack_on"].notna(),
            frame["p_ready_now"] >= READY,
            frame["p_ready_now"] >= PROBABLY,
        ],
        ["gone", "cracked", "ready", "probably"],
        "waiting",
    )
    return frame


def last_known(book: RecordBook) -> pd.DataFrame:
    """What was last seen of each piece (the index): its crack in words, `state`, `since`, the last
    look and weighing, and the `shelf` that its weighings name."""
    looks = book.looks.sort_values("on", kind="stable").groupby("piece").tail(1)
    weighed = book.weighings.sort_values("on", kind="stable")
    last = weighed.groupby("piece").tail(1).set_index("piece")
    out = (
        crack_states(book)
        .set_index("piece")
        .join(
            looks.set_index("piece")[["on", "crack_mm"]].set_axis(
                ["last_look_on", "last_crack_mm"], axis=1
            )
        )
        .join(last[["on", "mass_g", "scale_g"]].set_axis(["last_on", "last_g", "scale_g"], axis=1))
    )
    return out.assign(shelf=weighed.dropna(subset=["place"]).groupby("piece")["place"].last())


def shelf_name(place: Any) -> str:
    return place.removesuffix(" (invented)") if isinstance(place, str) else "no place noted"


def club_of(book: RecordBook) -> str:
    """Whose book it is: the one place of all its pieces, else its own name."""
    places = book.pieces["place"].dropna().unique()
    return shelf_name(places[0]) if len(places) == 1 else book.name


def by_shelf(pieces: Iterable[str], bowls: pd.DataFrame) -> list[tuple[str, list[str]]]:
    """Marks by place, both in reading order."""
    shelf = bowls.set_index("piece")["shelf"]
    found: dict[str, list[str]] = {}
    for piece in words.in_order(pieces):
        found.setdefault(str(shelf[piece]), []).append(piece)
    return sorted(found.items())


def this_week(bowls: pd.DataFrame, due: pd.DataFrame, day: pd.Timestamp) -> dict[str, list[str]]:
    """Marks to `weigh_first` (may be dry), `look_first` (cracked open), `weigh` and `look` at.

    `bowls` is from `bowls_of`, `due` (`piece`, `do`) what falls due by age, from `due_by_age`.
    """
    coming = bowls.sort_values("ready_on", na_position="last")
    soon = (coming["group"] == "waiting") & (
        coming["ready_on"] <= day + pd.Timedelta(days=SOON_DAYS)
    )
    opened = (bowls["group"] == "cracked") & (bowls["state"] == "open")
    first = {
        "weigh": [*bowls.loc[bowls["group"] == "probably", "piece"], *coming.loc[soon, "piece"]],
        "look": list(bowls.loc[opened, "piece"]),
    }
    gone = set(bowls.loc[bowls["group"] == "gone", "piece"])
    out: dict[str, list[str]] = {}
    for what, urgent in first.items():
        asked = due.loc[due["do"].astype(str).str.contains(what), "piece"]
        known = asked[asked.isin(set(bowls["piece"]) - gone - set(urgent))]
        out |= {f"{what}_first": words.in_order(urgent), what: words.in_order(known)}
    return out
