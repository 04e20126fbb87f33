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
    seen = looks["crack_mm"].fillna(0) > 0
    if "crack" in looks:
        seen |= looks["crack"].eq("yes").fillna(False).astype(bool)
    last_day = looks["on"].max()
    rows = []
    by_piece = dict(tuple(looks.assign(seen=seen).groupby("piece", sort=False)))
    for piece in book.pieces["piece"]:
        mine = by_piece.get(piece)
        if mine is None:
            rows.append((piece, NOT_LOOKED, "unknown", pd.NaT, float("nan")))
            continue
        cracked = mine[mine["seen"]]
        if not len(cracked):
            rows.append((piece, NONE_SEEN, "none", pd.NaT, float("nan")))
            continue
        glued = mine[mine["action"] == "glued"]
        last = cracked.iloc[-1]
        # glued and not seen longer since: a glued crack; seen again after the glue it is open
        after = cracked[cracked["on"] > glued["on"].iloc[-1]] if len(glued) else cracked
        grown = len(glued) and len(after) and (
            after["crack_mm"].max() > cracked.loc[cracked["on"] <= glued["on"].iloc[-1],
                                                  "crack_mm"].max()
        )  # fmt: skip
        length = float(last["crack_mm"]) if pd.notna(last["crack_mm"]) else float("nan")
        size = f"{length:.0f} mm" if length > 0 else "length not measured"
        on = words.day(last["on"], last_day)
        if len(glued) and not grown:
            text, state = f"glued on {words.day(glued['on'].iloc[-1], last_day)}", "glued"
        elif len(glued):
            text = f"glued, and longer since: {size} on {on}"
            state = "open"
        else:
            text, state = f"open, {size} on {on}", "open"
        rows.append((piece, text, state, cracked["on"].iloc[0], length))
    return pd.DataFrame(rows, columns=["piece", "crack", "state", "since", "length_mm"])


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
