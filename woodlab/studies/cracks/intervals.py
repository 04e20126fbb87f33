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
from scipy.special import softmax
from scipy.stats import norm

from woodlab.words import tally

# Dates are whole days: a crack found on the day of turning began within that day.
LEAST_INTERVAL_DAYS = 1.0

FIRST_COLUMNS = [
    "piece", "species", "seal", "wall_mm", "log", "cracked", "after_days", "by_days",
    "first_crack_mm", "n_looks", "ended_days", "outcome", "status", "reason",
]  # fmt: skip


@dataclass(frozen=True, eq=False)
class FirstCracks:
    """Looks as a study of first cracks takes them. Every column: docs/glossary.md.

    Attributes
    ----------
    pieces : DataFrame
        One row a piece: between which days it first cracked (`after_days`, `by_days`; infinite
        where it stayed whole), how it ended before that, `status` (`used`, or why not), `reason`.
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

    A crack counts when it is longer than `smallest_mm`. `terms` are more columns of `pieces` to
    carry along; a piece without a value is not used.
    """
    table, before = _daily_looks(pieces, looks, smallest_mm)
    first = table[table["crack"]].drop_duplicates("piece").set_index("piece")
    clean = table[~table["crack"]]
    own = [name for name in terms if name not in FIRST_COLUMNS]
    frame = pieces[["piece", "species", "seal", "wall_mm", *own]].reset_index(drop=True)
    frame["log"] = pieces["log"].to_numpy() if "log" in pieces else None
    by = frame["piece"].map(first["days"])
    frame["cracked"] = by.notna()
    earlier = clean[clean["days"] < clean["piece"].map(first["days"]).fillna(np.inf)]
    frame["after_days"] = frame["piece"].map(earlier.groupby("piece")["days"].max()).fillna(0.0)
    least = np.where(by <= 0, LEAST_INTERVAL_DAYS, 1e-3)
    frame["by_days"] = np.maximum(by, frame["after_days"] + least).fillna(np.inf)
    frame["first_crack_mm"] = frame["piece"].map(first["crack_mm"])
    frame["n_looks"] = frame["piece"].map(table["piece"].value_counts()).fillna(0).astype(int)
    frame["ended_days"], frame["outcome"] = _endings(pieces, table, frame)
    frame["status"], frame["reason"] = _status(frame, before, terms)
    return FirstCracks(
        frame[[*FIRST_COLUMNS, *own]], _intervals(frame, earlier),
        table[["piece", "days", "crack", "crack_mm", "action"]], _notes(table, first, before),
        smallest_mm,
    )  # fmt: skip


def _daily_looks(
    pieces: pd.DataFrame, looks: pd.DataFrame, smallest_mm: float
) -> tuple[pd.DataFrame, pd.Series]:
    """Looks with days since turning, one row a piece and moment; and counts of those before it."""
    table = looks[["piece", "on", "crack_mm"]].assign(action=looks.get("action", "none"))
    # A crack may be seen without its length being measured; then it counts.
    unmeasured = looks["crack"].eq("yes") & looks["crack_mm"].isna() if "crack" in looks else False
    table["crack"] = (table["crack_mm"] > smallest_mm) | unmeasured
    turned = pieces.set_index("piece")["turned_on"].reindex(table["piece"]).set_axis(table.index)
    table["days"] = (table["on"] - turned.dt.normalize()) / pd.Timedelta(days=1)
    # A look on the day of turning counts as day 0 whatever the hour of either.
    table = table[table["days"].notna() & (table["crack_mm"].notna() | table["crack"])]
    early = table["days"] < 0
    before = table[early].groupby("piece").size()
    table = table[~early].sort_values(["piece", "days", "crack", "crack_mm"], kind="stable")
    return table.drop_duplicates(["piece", "days"], keep="last").reset_index(drop=True), before


def _endings(
    pieces: pd.DataFrame, table: pd.DataFrame, frame: pd.DataFrame
) -> tuple[np.ndarray, np.ndarray]:
    """Day and manner in which a piece left before a crack was found, NaN and empty where it did
    not: from `ended_on` and `outcome`, else from a look that says `scrapped`."""
    scrapped = table[table["action"] == "scrapped"].groupby("piece")["days"].min()
    days = frame["piece"].map(scrapped).to_numpy(float)
    outcome = np.where(np.isfinite(days), "scrapped", "").astype(object)
    if "ended_on" in pieces:
        ended = pd.to_datetime(pieces["ended_on"]) - pieces["turned_on"].dt.normalize()
        said = (ended / pd.Timedelta(days=1)).to_numpy(float)
        how = pieces["outcome"].fillna("").astype(str) if "outcome" in pieces else ""
        days = np.where(np.isfinite(said), said, days)
        outcome = np.where(np.isfinite(said) & (how != ""), how, outcome)
        outcome = np.where(np.isfinite(days) & (outcome == ""), "not said", outcome)
    gone = np.isfinite(days) & ~frame["cracked"].to_numpy(bool)
    return np.where(gone, days, np.nan), np.where(gone, outcome, "")


def _status(
    frame: pd.DataFrame, before: pd.Series, terms: Sequence[str]
) -> tuple[np.ndarray, np.ndarray]:
    """The first that holds says why a piece is not used."""
    none = frame["n_looks"] == 0
    why = [
        (none & frame["piece"].isin(before.index), "no looks",
         "its looks are dated before its turning"),
        (none, "no looks", "no look is written down"),
        (~frame["cracked"] & (frame["after_days"] <= 0), "no time at risk",
         "looked at only on the day of turning"),
        (frame[["species", "seal", "wall_mm"]].isna().any(axis=1), "facts missing",
         "its species, seal or wall is not given"),
        *((frame[name].isna(), "facts missing", f"its {name} is not given") for name in terms),
    ]  # fmt: skip
    holds = [one[0].to_numpy(bool) for one in why]
    return (
        np.select(holds, [one[1] for one in why], "used").astype(object),
        np.select(holds, [one[2] for one in why], "").astype(object),
    )


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
    return table[["piece", "from_days", "to_days", "cracked"]]


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
GROWTH_COLUMNS = [
    "piece", "species", "seal", "found_days", "first_mm", "action", "n_later_looks",
    "followed_days", "longest_mm", "last_mm", "growth_mm", "grew", "closed",
]  # fmt: skip


def crack_growth(first: FirstCracks) -> pd.DataFrame:
    """One row a cracked piece: length at first sight, what was done, what came of it."""
    looks = first.looks
    found = looks[looks["crack"]].drop_duplicates("piece").set_index("piece")
    later = looks[looks["days"] > looks["piece"].map(found["days"])]
    after = later.groupby("piece")
    used = first.used
    out = used.loc[used["cracked"], ["piece", "species", "seal"]].set_index("piece")
    out["found_days"], out["first_mm"] = found["days"], found["crack_mm"]
    out["action"] = found["action"].fillna("none")
    out["n_later_looks"] = after.size()
    out["n_later_looks"] = out["n_later_looks"].fillna(0).astype(int)
    out["followed_days"] = (after["days"].max() - out["found_days"]).fillna(0.0)
    out["longest_mm"] = after["crack_mm"].max()
    out["last_mm"] = after.tail(1).set_index("piece")["crack_mm"]
    out["growth_mm"] = out["longest_mm"] - out["first_mm"]
    out["grew"] = out["growth_mm"] > GREW_MM
    out["closed"] = out.index.isin(later.loc[later["crack_mm"] == 0, "piece"])
    return out.reset_index()[GROWTH_COLUMNS]


@dataclass(frozen=True)
class Misses:
    """How often a look overlooks a crack, by its length: exp(-(length - smallest) / scale_mm).

    A crack at the threshold of detection is always overlooked, one three scales longer in one
    look of twenty. Prior, said aloud: the scale is 3 mm, between 0.8 and 12 mm in nineteen books
    of twenty (our own guess: a look then overlooks 19 % of cracks of 5 mm, 4 % of 10 mm). Looks
    between two finds of one crack that was not glued sharpen it: `n_seen` saw it, `n_missed` did
    not. `scale_mm` is the posterior mean, with 95 % limits; `typical_mm` the middle length at
    first find in this book.
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
        return np.minimum(np.exp(-over / self.scale_mm), MOST_MISSED)

    @property
    def typical(self) -> float:
        """That one look overlooks a crack as long as the middle one at first find."""
        return float(self.chance(self.typical_mm))

    def frame(self) -> pd.DataFrame:
        """`length_mm`, `missed` (a share of looks), its limits, `n_seen`, `n_missed`."""
        length = np.array([2.0, 5, 10, 20, 40])
        over = np.maximum(length - self.smallest_mm, 0)
        return pd.DataFrame(
            {"length_mm": length, "missed": np.exp(-over / self.scale_mm),
             "ci_lower": np.exp(-over / self.lower_mm), "ci_upper": np.exp(-over / self.upper_mm),
             "n_seen": self.n_seen, "n_missed": self.n_missed}
        )  # fmt: skip


PRIOR_SCALE_MM, PRIOR_LN_SD = 3.0, 0.7
MOST_MISSED = 0.9
# A crack at an earlier look was shorter than when it was found: half as long (our own guess).
EARLIER_SHARE = 0.5
# With a chance smaller than this that a crack began there, a span is left out of the sum.
LEAST_WEIGHT = 1e-3
NO_MISSES = Misses(1e-9, 1e-9, 1e-9, 0, 0, 10.0)


def estimate_misses(first: FirstCracks) -> Misses:
    """The scale of `Misses` from this book's looks at cracks known to be there, and the prior."""
    lengths, missed = _trials(first)
    ln_scale = np.linspace(-3.5, 3.5, 141) * PRIOR_LN_SD + np.log(PRIOR_SCALE_MM)
    over = np.maximum(lengths - first.smallest_mm, 0.1)
    chance = np.clip(np.exp(-over[None, :] / np.exp(ln_scale)[:, None]), 1e-12, 1 - 1e-12)
    log = norm.logpdf(ln_scale, np.log(PRIOR_SCALE_MM), PRIOR_LN_SD)
    log = log + np.where(missed[None, :], np.log(chance), np.log1p(-chance)).sum(axis=1)
    weight = softmax(log)
    ends = np.interp([0.025, 0.975], np.cumsum(weight), np.exp(ln_scale))
    found = first.used.loc[first.used["cracked"], "first_crack_mm"].dropna()
    typical = float(found.median()) if len(found) else 10.0 + first.smallest_mm
    return Misses(
        float(weight @ np.exp(ln_scale)), float(ends[0]), float(ends[1]),
        int((~missed).sum()), int(missed.sum()), typical, first.smallest_mm,
    )  # fmt: skip


def _trials(first: FirstCracks) -> tuple[np.ndarray, np.ndarray]:
    """Looks strictly between two finds of one crack left open: its length then (where missed, the
    shorter of the finds around), and if missed."""
    looks = first.looks
    cracked = first.used.loc[first.used["cracked"], "piece"]
    glued = (looks["action"] == "glued").groupby(looks["piece"]).cummax()
    looks = looks[looks["piece"].isin(cracked) & ~glued].reset_index(drop=True)
    mm = looks["crack_mm"].where(looks["crack"])
    seen = looks["crack"].groupby(looks["piece"])
    before = seen.cumsum() - looks["crack"]
    after = seen.transform("sum") - seen.cumsum()
    around = [mm.groupby(looks["piece"]).shift(by).groupby(looks["piece"]) for by in (1, -1)]
    ends = np.fmin(around[0].ffill(), around[1].bfill())
    length = mm.where(looks["crack"], ends)
    between = (before > 0) & (after > 0) & length.notna()
    return length[between].to_numpy(float), ~looks["crack"][between].to_numpy(bool)


def spans_of(first: FirstCracks, misses: Misses) -> pd.DataFrame:
    """Where each piece's first crack may have begun: `piece`, `from_days`, `to_days` (infinite:
    after the last look, or never), `weight`: the chance that each look from the end of the span on
    overlooked it. The likelihood is the sum of weight times the chance that it began there."""
    used, spans = first.used.set_index("piece"), first.intervals
    length = used["first_crack_mm"].where(used["cracked"]).fillna(misses.typical_mm)
    half = first.smallest_mm + EARLIER_SHARE * (length - first.smallest_mm)
    missed = pd.Series(misses.chance(half.to_numpy()), used.index)
    whole = spans["piece"].map(~used["cracked"]).astype(bool)
    # The look that found it ends the last span; without a find, all looks missed it.
    looks_after = spans.groupby("piece").cumcount(ascending=False) + whole
    spans = spans.assign(weight=spans["piece"].map(missed) ** looks_after)
    last = spans[whole].drop_duplicates("piece", keep="last")
    never = last.assign(from_days=last["to_days"], to_days=np.inf, weight=1.0)
    spans = pd.concat([spans[spans["weight"] >= LEAST_WEIGHT], never])
    spans = spans.sort_values(["piece", "from_days"], kind="stable", ignore_index=True)
    return spans[["piece", "from_days", "to_days", "weight"]]
