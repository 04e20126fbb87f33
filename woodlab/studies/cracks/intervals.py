"""From looks to first cracks: between which two days each piece began to crack.

A crack is found at a look; it began since the last look that found none, or, with a small
chance, in an earlier span whose looks overlooked it. Turning is day 0. What comes after the first
find (the crack closes, is glued, grows) is no part of it. A piece that is scrapped, finished or
given away before it cracked leaves the study on that day: a competing end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from woodlab.words import tally

# Dates are whole days: a crack found on the day of turning began within that day.
LEAST_INTERVAL_DAYS = 1.0

FIRST_COLUMNS = [
    "piece", "species", "seal", "wall_mm", "log", "cracked", "after_days", "by_days",
    "first_crack_mm", "n_looks", "ended_days", "outcome", "status", "reason",
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
        (days with a look, from turning on), `ended_days` and `outcome` (where the piece left
        before a crack was found: scrapped, finished, given away), `status` (`used`, `no looks`,
        `no time at risk`, `facts missing`), `reason`; and the columns asked for as terms.
    intervals : DataFrame
        One row for each look at a piece still whole: `piece`, `from_days`, `to_days`, `cracked`.
    looks : DataFrame
        The looks themselves, by piece and day: `piece`, `days`, `crack` (seen or not),
        `crack_mm`, `action`.
    notes : tuple of str
        What was met with in the looks and how it was taken.
    smallest_mm : float
        The threshold of detection: a crack counts, and is looked for, above this length.
    """

    pieces: pd.DataFrame
    intervals: pd.DataFrame
    looks: pd.DataFrame
    notes: tuple[str, ...]
    smallest_mm: float = 0.0

    @property
    def used(self) -> pd.DataFrame:
        """The pieces that the rates and the hazard rest on."""
        return self.pieces[self.pieces["status"] == "used"].reset_index(drop=True)


def first_cracks(
    pieces: pd.DataFrame, looks: pd.DataFrame, smallest_mm: float = 0.0, terms: Sequence[str] = ()
) -> FirstCracks:
    """The interval in which each piece first cracked, or the day until which it stayed whole.

    Parameters
    ----------
    pieces, looks : DataFrame
        The book's tables.
    smallest_mm : float
        A crack counts when it is longer than this [mm].
    terms : sequence of str
        More columns of `pieces` to carry along; a piece without a value is not used.

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
    frame["ended_days"], frame["outcome"] = _endings(pieces, table, frame)
    for name in terms:
        frame[name] = pieces[name].to_numpy()
    frame["status"], frame["reason"] = _status(frame, before, terms)
    intervals = _intervals(frame, earlier)
    notes = _notes(table, first, before)
    kept = table[["piece", "days", "crack", "crack_mm", "action"]].reset_index(drop=True)
    own = [name for name in terms if name not in FIRST_COLUMNS]
    return FirstCracks(frame[[*FIRST_COLUMNS, *own]], intervals, kept, notes, smallest_mm)


def _endings(
    pieces: pd.DataFrame, table: pd.DataFrame, frame: pd.DataFrame
) -> tuple[np.ndarray, np.ndarray]:
    """Day and manner in which a piece left the study before a crack was found; NaN and empty.

    From the columns `ended_on` and `outcome`, else from a look that says `scrapped`.
    """
    scrapped = table[table["action"] == "scrapped"].groupby("piece")["days"].min()
    days = frame["piece"].map(scrapped).to_numpy(float)
    outcome = np.where(np.isfinite(days), "scrapped", "").astype(object)
    if "ended_on" in pieces:
        ended = pd.to_datetime(pieces["ended_on"]) - pieces["turned_on"].dt.normalize()
        told = (ended.dt.total_seconds() / 86400).to_numpy(float)
        days = np.where(np.isfinite(told), told, days)
        if "outcome" in pieces:
            named = pieces["outcome"].fillna("").astype(str).to_numpy(object)
            outcome = np.where(np.isfinite(told) & (named != ""), named, outcome)
        outcome = np.where(np.isfinite(days) & (outcome == ""), "not said", outcome)
    gone = np.isfinite(days) & ~frame["cracked"].to_numpy(bool)
    return np.where(gone, days, np.nan), np.where(gone, outcome, "")


def _least(by: pd.Series) -> pd.Series:
    return pd.Series(np.where(by <= 0, LEAST_INTERVAL_DAYS, 1e-3), by.index)


def _daily_looks(
    pieces: pd.DataFrame, looks: pd.DataFrame, smallest_mm: float
) -> tuple[pd.DataFrame, pd.Series]:
    """Looks with days since turning, one row a piece and moment; and counts of those before it."""
    columns = ["piece", "on", "crack_mm"]
    table = looks[columns].copy()
    table["action"] = looks.get("action", "none")
    # A crack may be seen without its length being measured; then it counts.
    unmeasured = looks["crack"].eq("yes") & looks["crack_mm"].isna() if "crack" in looks else False
    table["crack"] = (table["crack_mm"] > smallest_mm) | unmeasured
    turned = pieces.set_index("piece")["turned_on"].reindex(table["piece"]).set_axis(table.index)
    table["days"] = (table["on"] - turned.dt.normalize()).dt.total_seconds() / 86400
    # A look on the day of turning counts as day 0 whatever the hour of either.
    table = table[table["days"].notna() & (table["crack_mm"].notna() | table["crack"])]
    early = table["days"] < 0
    before = table[early].groupby("piece").size()
    table = table[~early].sort_values(["piece", "days", "crack", "crack_mm"], kind="stable")
    table = table.drop_duplicates(["piece", "days"], keep="last")
    return table.reset_index(drop=True), before


def _status(
    frame: pd.DataFrame, before: pd.Series, terms: Sequence[str] = ()
) -> tuple[np.ndarray, np.ndarray]:
    status = np.full(len(frame), "used", dtype=object)
    reason = np.full(len(frame), "", dtype=object)
    facts = frame["species"].isna() | frame["seal"].isna() | frame["wall_mm"].isna()
    status[facts], reason[facts] = "facts missing", "its species, seal or wall is not given"
    for name in terms:
        gap = frame[name].isna().to_numpy() & ~facts.to_numpy()
        status[gap], reason[gap] = "facts missing", f"its {name} is not given"
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
            f"In {tally(closed)} a crack that had been found could not be seen at a later look; "
            "the first find stands."
        )
    at_once = int((first["days"] <= 0).sum())
    if at_once:
        notes.append(
            f"{tally(at_once).capitalize()} had cracked on the day of turning; such a crack is "
            "taken to have begun within that day."
        )
    if len(before):
        notes.append(
            f"{tally(int(before.sum()), 'look')} dated before turning "
            f"{'was' if before.sum() == 1 else 'were'} left out."
        )
    return tuple(notes)


GREW_MM = 2.0  # a ruler on a rough bowl is not read closer (common practice, no source)


def crack_growth(first: FirstCracks) -> pd.DataFrame:
    """One row a cracked piece: length at first sight, what was done, what came of it.

    Returns
    -------
    DataFrame
        `piece`, `species`, `seal`, `found_days` [days since turning], `first_mm`, `action` (at
        the look that found it), `n_later_looks`, `followed_days`, `longest_mm`, `last_mm`,
        `growth_mm` (longest later less first; NaN where it was not looked at again), `grew`
        (by more than 2 mm), `closed` (a later look found none).
    """
    used = first.used
    found = used[used["cracked"]]
    looks = first.looks[first.looks["piece"].isin(found["piece"])]
    rows: list[list[object]] = []
    by_piece = dict(tuple(looks.groupby("piece", sort=False)))
    for piece in found.itertuples():
        mine = by_piece[piece.piece]
        day = float(mine.loc[mine["crack"], "days"].iloc[0])
        at = mine["crack_mm"].to_numpy(float)
        days = mine["days"].to_numpy()
        position = int(np.flatnonzero(days == day)[0])
        later = at[position + 1 :]
        action = mine["action"].iloc[position]
        measured = later[np.isfinite(later)]
        longest = float(measured.max()) if len(measured) else np.nan
        growth = longest - piece.first_crack_mm
        rows.append(
            [piece.piece, piece.species, piece.seal, day, piece.first_crack_mm,
             action if isinstance(action, str) else "none", len(later),
             float(days[-1] - day), longest, float(later[-1]) if len(later) else np.nan, growth,
             bool(growth > GREW_MM), bool((later == 0).any())]
        )  # fmt: skip
    columns = [
        "piece", "species", "seal", "found_days", "first_mm", "action", "n_later_looks",
        "followed_days", "longest_mm", "last_mm", "growth_mm", "grew", "closed",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


@dataclass(frozen=True)
class Misses:
    """How often a look overlooks a crack, by its length: exp(-(length - smallest) / scale_mm).

    A crack at the threshold of detection is always overlooked, one three scales longer in one
    look of twenty. Prior, said aloud: the scale is 3 mm, between 0.8 and 12 mm in nineteen books
    of twenty (our own guess: a look then overlooks 19 % of cracks of 5 mm, 4 % of 10 mm). Looks
    between two finds of one crack that was not glued sharpen it: each either saw it or did not.

    Attributes
    ----------
    scale_mm, lower_mm, upper_mm : float
        Posterior mean and 95 % limits of the scale.
    n_seen, n_missed : int
        Looks at a crack known to be there, and those of them that overlooked it.
    typical_mm : float
        The middle length at first find in this book.
    """

    scale_mm: float
    lower_mm: float
    upper_mm: float
    n_seen: int
    n_missed: int
    typical_mm: float
    smallest_mm: float = 0.0

    def chance(self, length_mm: np.ndarray | float) -> np.ndarray:
        """That one look overlooks a crack of that length."""
        over = np.maximum(np.asarray(length_mm, dtype=float) - self.smallest_mm, 0.0)
        return np.minimum(np.exp(-over / max(self.scale_mm, 1e-9)), MOST_MISSED)

    def frame(self, lengths_mm: Sequence[float] = (2, 5, 10, 20, 40)) -> pd.DataFrame:
        """`length_mm`, `missed` (a share of looks), its limits, `n_seen`, `n_missed`."""
        frame = pd.DataFrame({"length_mm": np.asarray(lengths_mm, dtype=float)})
        over = (frame["length_mm"] - self.smallest_mm).clip(lower=0)
        for name, scale in (
            ("missed", self.scale_mm), ("ci_lower", self.lower_mm), ("ci_upper", self.upper_mm)
        ):  # fmt: skip
            frame[name] = np.exp(-over / scale)
        return frame.assign(n_seen=self.n_seen, n_missed=self.n_missed)


PRIOR_SCALE_MM, PRIOR_LN_SD = 3.0, 0.7
MOST_MISSED = 0.9
# A crack at an earlier look was shorter than when it was found: half as long (our own guess).
EARLIER_SHARE = 0.5
# With a chance smaller than this that a crack began there, a span is left out of the sum.
LEAST_WEIGHT = 1e-3


def estimate_misses(first: FirstCracks) -> Misses:
    """The scale of `Misses` from this book's looks at cracks known to be there, and the prior."""
    lengths, missed = _trials(first)
    ln_scale = np.linspace(-3.5, 3.5, 141) * PRIOR_LN_SD + np.log(PRIOR_SCALE_MM)
    over = np.maximum(lengths - first.smallest_mm, 0.1)
    chance = np.clip(np.exp(-over[None, :] / np.exp(ln_scale)[:, None]), 1e-12, 1 - 1e-12)
    log = -0.5 * ((ln_scale - np.log(PRIOR_SCALE_MM)) / PRIOR_LN_SD) ** 2
    log = log + np.where(missed[None, :], np.log(chance), np.log1p(-chance)).sum(axis=1)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    ends = np.interp([0.025, 0.975], np.cumsum(weight), np.exp(ln_scale))
    found = first.used.loc[first.used["cracked"], "first_crack_mm"].dropna()
    typical = float(found.median()) if len(found) else 10.0 + first.smallest_mm
    return Misses(
        float(weight @ np.exp(ln_scale)), float(ends[0]), float(ends[1]),
        int((~missed).sum()), int(missed.sum()), typical, first.smallest_mm,
    )  # fmt: skip


NO_MISSES = Misses(1e-9, 1e-9, 1e-9, 0, 0, 10.0)


def _trials(first: FirstCracks) -> tuple[np.ndarray, np.ndarray]:
    """Looks strictly between two finds of one crack left open: its length then, and if missed."""
    lengths: list[float] = []
    missed: list[bool] = []
    cracked = first.used.loc[first.used["cracked"], "piece"]
    for _, mine in first.looks[first.looks["piece"].isin(cracked)].groupby("piece", sort=False):
        glued = np.flatnonzero((mine["action"] == "glued").to_numpy())
        until = glued[0] if len(glued) else None
        mm, hit = mine["crack_mm"].to_numpy(float)[:until], mine["crack"].to_numpy(bool)[:until]
        seen = np.flatnonzero(hit)
        for at in range(seen[0] + 1, seen[-1]) if len(seen) > 1 else ():
            ends = mm[seen[seen < at][-1]], mm[seen[seen > at][0]]
            length = float(mm[at] if hit[at] else np.fmin(*ends))
            if np.isfinite(length):
                lengths.append(length)
                missed.append(not hit[at])
    return np.array(lengths, dtype=float), np.array(missed, dtype=bool)


def spans_of(first: FirstCracks, misses: Misses) -> pd.DataFrame:
    """Where each piece's first crack may have begun, with the weight of what was overlooked.

    Returns
    -------
    DataFrame
        `piece`, `from_days`, `to_days` (infinite: after the last look, or never), `weight` (the
        chance that each look from the end of the span on overlooked it). The piece's likelihood
        is the sum of weight times the chance that it began there.
    """
    used = first.used.set_index("piece")
    rows: list[tuple[object, float, float, float]] = []
    for piece, mine in first.intervals.groupby("piece", sort=False):
        start, end = mine["from_days"].to_numpy(float), mine["to_days"].to_numpy(float)
        cracked = bool(mine["cracked"].iloc[-1])
        length = used.at[piece, "first_crack_mm"] if cracked else misses.typical_mm
        length = misses.typical_mm if not np.isfinite(length) else length
        missed = float(misses.chance(first.smallest_mm + EARLIER_SHARE
                                     * (length - first.smallest_mm)))  # fmt: skip
        # The look that found it ends the last span; without a find, all looks missed it.
        looks_after = np.arange(len(start))[::-1] + (0 if cracked else 1)
        weight = missed ** looks_after.astype(float)
        keep = weight >= LEAST_WEIGHT
        rows += [(piece, a, b, w) for a, b, w in
                 zip(start[keep], end[keep], weight[keep], strict=True)]  # fmt: skip
        if not cracked:
            rows.append((piece, float(end[-1]), np.inf, 1.0))
    return pd.DataFrame(rows, columns=["piece", "from_days", "to_days", "weight"])
