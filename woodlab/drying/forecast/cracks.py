"""What is known of each piece's cracks and of its end: said wherever readiness is said."""

from __future__ import annotations

import pandas as pd

from woodlab import words
from woodlab.book.record_book import RecordBook

NOT_LOOKED, NONE_SEEN = "not looked at", "none seen"
GONE = "gone"  # the outcome of a piece that has ended, nobody wrote how


def crack_states(book: RecordBook) -> pd.DataFrame:
    """One row a piece, in the book's order.

    Returns
    -------
    DataFrame
        `piece`, `crack` (`none seen`, `not looked at`, or in words `open, 5 mm on 18 June`,
        `glued on 3 March`), `state` (`none`, `open`, `glued`, `unknown`), `since` (day of the first
        look that found it), `length_mm` (at the last look; NaN: not measured).

    Examples
    --------
    >>> import woodlab as wl
    >>> states = crack_states(wl.demo_book())
    >>> sorted(states["state"].unique())
    ['none', 'open']
    """
    looks = book.looks.sort_values("on", kind="stable")
    seen = (looks["crack_mm"].fillna(0) > 0) | looks["crack"].eq("yes").fillna(False).astype(bool)
    last_day = looks["on"].max()
    found = {
        piece: _state(mine, last_day)
        for piece, mine in looks.assign(seen=seen).groupby("piece", sort=False)
    }
    nothing = (NOT_LOOKED, "unknown", pd.NaT, float("nan"))
    return pd.DataFrame(
        [(piece, *found.get(piece, nothing)) for piece in book.pieces["piece"]],
        columns=["piece", "crack", "state", "since", "length_mm"],
    )


def _state(looks: pd.DataFrame, last_day: pd.Timestamp) -> tuple[str, str, pd.Timestamp, float]:
    """The columns of one piece, from its looks in order."""
    cracked = looks[looks["seen"]]
    if not len(cracked):
        return NONE_SEEN, "none", pd.NaT, float("nan")
    since, length = cracked["on"].iloc[0], float(cracked["crack_mm"].iloc[-1])
    size = f"{length:.0f} mm" if length > 0 else "length not measured"
    seen = f"{size} on {words.day(cracked['on'].iloc[-1], last_day)}"
    glued = looks.loc[looks["action"] == "glued", "on"].max()
    if pd.isna(glued):
        return f"open, {seen}", "open", since, length
    # glued and not seen longer since: a glued crack; longer after the glue it is open
    after = cracked["on"] > glued
    if cracked.loc[after, "crack_mm"].max() > cracked.loc[~after, "crack_mm"].max():
        return f"glued, and longer since: {seen}", "open", since, length
    return f"glued on {words.day(glued, last_day)}", "glued", since, length


def ended(pieces: pd.DataFrame, looks: pd.DataFrame) -> pd.DataFrame:
    """Pieces that have left the shelf, whatever the reason: those with an `ended_on` or an
    `outcome`, or with a look whose action is `scrapped`.

    By `piece` (index): `on` (empty where nobody noted the day), `outcome` (`gone` where only the
    day is known).
    """
    told = pieces.reindex(columns=["piece", "ended_on", "outcome"]).set_index("piece")
    scrapped = looks[looks["action"] == "scrapped"].groupby("piece")["on"].min()
    scrapped = scrapped.reindex(told.index)
    on = pd.to_datetime(told["ended_on"]).fillna(scrapped)
    how = told["outcome"].astype(object)
    how = how.where(how.notna() | scrapped.isna(), "scrapped")
    out = pd.DataFrame({"on": on, "outcome": how})
    return out[out.notna().any(axis=1)].fillna({"outcome": GONE})
