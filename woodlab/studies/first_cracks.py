"""From looks to first cracks: between which two days each piece began to crack.

A crack is found at a look; it began since the last look that found none. Turning is day 0. What
comes after the first find (the crack closes, is glued, grows) is no part of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

# Dates are whole days: a crack found on the day of turning began within that day.
LEAST_INTERVAL_DAYS = 1.0

FIRST_COLUMNS = [
    "piece", "species", "seal", "wall_mm", "log", "cracked", "after_days", "by_days",
    "first_crack_mm", "n_looks", "status", "reason",
]  # fmt: skip
INTERVAL_COLUMNS = ["piece", "from_days", "to_days", "cracked"]


@dataclass(frozen=True, eq=False)
class FirstCracks:
    """Looks as a study of first cracks takes them.

    Attributes
    ----------
    pieces : DataFrame
        One row a piece: `piece`, `species`, `seal`, `wall_mm` [mm], `log`, `cracked`,
        `after_days`, `by_days` (the first crack began after the one and by the other; without a
        crack: whole until `after_days`, and `by_days` infinite), `first_crack_mm`, `n_looks`
        (days with a look, from turning on), `status` (`used`, `no looks`, `no time at risk`,
        `facts missing`), `reason`.
    intervals : DataFrame
        One row for each look at a piece still whole: `piece`, `from_days`, `to_days`, `cracked`.
    looks : DataFrame
        The looks themselves, by piece and day: `piece`, `days`, `crack_mm`, `action`.
    notes : tuple of str
        What was met with in the looks and how it was taken.
    """

    pieces: pd.DataFrame
    intervals: pd.DataFrame
    looks: pd.DataFrame
    notes: tuple[str, ...]

    @property
    def used(self) -> pd.DataFrame:
        """The pieces that the rates and the hazard rest on."""
        return self.pieces[self.pieces["status"] == "used"].reset_index(drop=True)


def first_cracks(
    pieces: pd.DataFrame, looks: pd.DataFrame, smallest_mm: float = 0.0
) -> FirstCracks:
    """The interval in which each piece first cracked, or the day until which it stayed whole.

    Parameters
    ----------
    pieces, looks : DataFrame
        The book's tables.
    smallest_mm : float
        A crack counts when it is longer than this [mm].

    Returns
    -------
    FirstCracks

    Examples
    --------
    >>> pieces = pd.DataFrame({"piece": ["A1"], "species": ["ash"], "seal": ["none"],
    ...                        "wall_mm": [25.0], "turned_on": [pd.Timestamp("2026-03-01")]})
    >>> looks = pd.DataFrame({"piece": "A1", "crack_mm": [0.0, 12.0, 0.0],
    ...                       "on": pd.to_datetime(["2026-03-05", "2026-03-09", "2026-03-20"])})
    >>> first_cracks(pieces, looks).pieces[["after_days", "by_days"]].values.tolist()
    [[4.0, 8.0]]
    """
    table, before = _daily_looks(pieces, looks, smallest_mm)
    counts = table.groupby("piece").size()
    clean, found = table[~table["crack"]], table[table["crack"]]
    first = found.drop_duplicates("piece").set_index("piece")
    frame = pieces[["piece", "species", "seal", "wall_mm"]].reset_index(drop=True)
    frame["log"] = pieces["log"].to_numpy() if "log" in pieces else None
    by = frame["piece"].map(first["days"])
    frame["cracked"] = by.notna()
    earlier = clean[clean["days"] < clean["piece"].map(first["days"]).fillna(np.inf)]
    frame["after_days"] = frame["piece"].map(earlier.groupby("piece")["days"].max()).fillna(0.0)
    frame["by_days"] = np.maximum(by, frame["after_days"] + _least(by)).fillna(np.inf)
    frame["first_crack_mm"] = frame["piece"].map(first["crack_mm"])
    frame["n_looks"] = frame["piece"].map(counts).fillna(0).astype(int)
    frame["status"], frame["reason"] = _status(frame, before)
    intervals = _intervals(frame, earlier)
    notes = _notes(table, first, before)
    kept = table[["piece", "days", "crack_mm", "action"]]
    return FirstCracks(frame[FIRST_COLUMNS], intervals, kept.reset_index(drop=True), notes)


def _least(by: pd.Series) -> pd.Series:
    return pd.Series(np.where(by <= 0, LEAST_INTERVAL_DAYS, 1e-3), by.index)


def _daily_looks(
    pieces: pd.DataFrame, looks: pd.DataFrame, smallest_mm: float
) -> tuple[pd.DataFrame, pd.Series]:
    """Looks with days since turning, one row a piece and moment; and counts of those before it."""
    columns = ["piece", "on", "crack_mm"]
    table = looks[columns].copy()
    table["action"] = looks.get("action", "none")
    turned = table["piece"].map(pieces.set_index("piece")["turned_on"])
    table["days"] = (table["on"] - turned.dt.normalize()).dt.total_seconds() / 86400
    # A look on the day of turning counts as day 0 whatever the hour of either.
    table = table.dropna(subset=["days", "crack_mm"])
    early = table["days"] < 0
    before = table[early].groupby("piece").size()
    table = table[~early].sort_values(["piece", "days", "crack_mm"], kind="stable")
    table = table.drop_duplicates(["piece", "days"], keep="last")
    table["crack"] = table["crack_mm"] > smallest_mm
    return table.reset_index(drop=True), before


def _status(frame: pd.DataFrame, before: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    status = np.full(len(frame), "used", dtype=object)
    reason = np.full(len(frame), "", dtype=object)
    facts = frame["species"].isna() | frame["seal"].isna() | frame["wall_mm"].isna()
    status[facts], reason[facts] = "facts missing", "its species, seal or wall is not given"
    idle = ~frame["cracked"].to_numpy() & (frame["after_days"].to_numpy() <= 0)
    status[idle], reason[idle] = "no time at risk", "looked at only on the day of turning"
    none = frame["n_looks"].to_numpy() == 0
    status[none], reason[none] = "no looks", "no look is written down"
    dated = none & frame["piece"].isin(before.index).to_numpy()
    reason[dated] = "its looks are dated before its turning"
    return status, reason


def _intervals(frame: pd.DataFrame, earlier: pd.DataFrame) -> pd.DataFrame:
    """Spans between looks of pieces still whole, the one that ended in a crack included."""
    used = frame[frame["status"] == "used"]
    ends = earlier[(earlier["days"] > 0) & earlier["piece"].isin(used["piece"])]
    clean = pd.DataFrame({"piece": ends["piece"], "to_days": ends["days"], "cracked": False})
    found = used[used["cracked"]]
    opened = pd.DataFrame({"piece": found["piece"], "to_days": found["by_days"], "cracked": True})
    table = pd.concat([clean, opened], ignore_index=True) if len(opened) else clean
    table = table.sort_values(["piece", "to_days"], kind="stable", ignore_index=True)
    table["from_days"] = table.groupby("piece")["to_days"].shift().fillna(0.0)
    return table[INTERVAL_COLUMNS]


def _notes(table: pd.DataFrame, first: pd.DataFrame, before: pd.Series) -> tuple[str, ...]:
    notes = []
    since = table["piece"].map(first["days"]).fillna(np.inf)
    closed = table[(table["days"] > since) & ~table["crack"]]["piece"].nunique()
    if closed:
        notes.append(
            f"In {_count(closed)} a crack that had been found could not be seen at a later look; "
            "the first find stands."
        )
    at_once = int((first["days"] <= 0).sum())
    if at_once:
        notes.append(
            f"{_count(at_once).capitalize()} had cracked on the day of turning; such a crack is "
            "taken to have begun within that day."
        )
    if len(before):
        notes.append(
            f"{_count(int(before.sum()), 'look')} dated before turning "
            f"{'was' if before.sum() == 1 else 'were'} left out."
        )
    return tuple(notes)


def _count(number: int, noun: str = "piece") -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"
