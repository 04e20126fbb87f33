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

from woodlab.drying.forecast.cracks import ended
from woodlab.words import tally

# Dates are whole days: a crack found on the day of turning began within that day.
LEAST_INTERVAL_DAYS = 1.0


@dataclass(frozen=True, eq=False)
class FirstCracks:
    """Looks as a study of first cracks takes them. Every column: docs/glossary.md."""

    # between which days each piece first cracked (infinite: it stayed whole), how it ended before
    # that, `status` (`used`, or why not)
    pieces: pd.DataFrame
    intervals: pd.DataFrame  # a row for each look at a piece still whole
    looks: pd.DataFrame  # by piece and day
    notes: tuple[str, ...]  # what was met with in the looks and how it was taken
    smallest_mm: float = 0.0  # a crack counts, and is looked for, above this length

    @property
    def used(self) -> pd.DataFrame:
        """The pieces that the rates and the hazard rest on."""
        return self.pieces[self.pieces["status"] == "used"].reset_index(drop=True)


def first_cracks(
    pieces: pd.DataFrame, looks: pd.DataFrame, smallest_mm: float = 0.0,
    terms: Sequence[str] = (), by: Sequence[str] = (),
) -> FirstCracks:  # fmt: skip
    """The interval in which each piece first cracked, or the day until which it stayed whole.
    `terms` and `by` are more columns of `pieces` to carry along; a piece without a value of a term
    is not used."""
    turned = pieces.set_index("piece")["turned_on"].dt.normalize()
    table, before = _daily_looks(turned, looks, smallest_mm)
    first = table[table["crack"]].drop_duplicates("piece").set_index("piece")
    names = ["piece", "species", "seal", "wall_mm", "log"]
    frame = pieces.reindex(columns=names).reset_index(drop=True)
    own = {name: pieces[name].to_numpy() for name in dict.fromkeys([*terms, *by])}
    piece, found = frame["piece"], frame["piece"].map(first["days"])
    frame["cracked"] = found.notna()
    clean = table[~table["crack"]]
    clean = clean[clean["days"] < clean["piece"].map(first["days"]).fillna(np.inf)]
    frame["after_days"] = piece.map(clean.groupby("piece")["days"].max()).fillna(0.0)
    least = np.where(found <= 0, LEAST_INTERVAL_DAYS, 1e-3)
    frame["by_days"] = np.maximum(found, frame["after_days"] + least).fillna(np.inf)
    frame["first_crack_mm"] = piece.map(first["crack_mm"])
    frame["n_looks"] = piece.map(table["piece"].value_counts()).fillna(0).astype(int)
    left = ended(pieces, looks)
    days = piece.map((left["on"] - turned.reindex(left.index)) / pd.Timedelta(days=1))
    frame["ended_days"] = days.astype(float).where(~frame["cracked"])
    frame["outcome"] = piece.map(left["outcome"]).where(frame["ended_days"].notna(), "")
    missing = {name: pd.isna(own[name]) for name in terms}
    frame["status"], frame["reason"] = _status(frame, before, missing)
    return FirstCracks(
        frame.assign(**{name: own[name] for name in own if name not in frame}),
        _intervals(frame, clean),
        table[["piece", "days", "crack", "crack_mm", "action"]], _notes(table, first, before),
        smallest_mm,
    )  # fmt: skip


def _daily_looks(
    turned: pd.Series, looks: pd.DataFrame, smallest_mm: float
) -> tuple[pd.DataFrame, pd.Series]:
    """Looks with days since turning, one row a piece and moment; and counts of those before it."""
    table = looks[["piece", "on", "crack_mm", "action"]].copy()
    # A crack may be seen without its length being measured; then it counts.
    unmeasured = looks["crack"].eq("yes") & looks["crack_mm"].isna() if "crack" in looks else False
    table["crack"] = (table["crack_mm"] > smallest_mm) | unmeasured
    # A look on the day of turning counts as day 0 whatever the hour of either.
    since = turned.reindex(table["piece"]).set_axis(table.index)
    table["days"] = (table["on"] - since) / pd.Timedelta(days=1)
    table = table[table["days"].notna() & (table["crack_mm"].notna() | table["crack"])]
    early = table["days"] < 0
    ordered = table[~early].sort_values(["piece", "days", "crack", "crack_mm"], kind="stable")
    ordered = ordered.drop_duplicates(["piece", "days"], keep="last").reset_index(drop=True)
    return ordered, table[early].groupby("piece").size()


def _status(
    frame: pd.DataFrame, before: pd.Series, missing: dict[str, np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """The first that holds says why a piece is not used."""
    none = frame["n_looks"] == 0
    holds, status, reason = zip(
        (none & frame["piece"].isin(before.index), "no looks",
         "its looks are dated before its turning"),
        (none, "no looks", "no look is written down"),
        (~frame["cracked"] & (frame["after_days"] <= 0), "no time at risk",
         "looked at only on the day of turning"),
        (frame[["species", "seal", "wall_mm"]].isna().any(axis=1), "facts missing",
         "its species, seal or wall is not given"),
        *((no, "facts missing", f"its {name} is not given") for name, no in missing.items()),
        strict=True,
    )  # fmt: skip
    found = [np.array(one, bool) for one in holds]
    return (np.select(found, status, "used").astype(object),
            np.select(found, reason, "").astype(object))  # fmt: skip


def _intervals(frame: pd.DataFrame, clean: pd.DataFrame) -> pd.DataFrame:
    """Spans between looks of pieces still whole, the one that ended in a crack included."""
    used = frame[frame["status"] == "used"]
    whole = clean.loc[(clean["days"] > 0) & clean["piece"].isin(used["piece"]), ["piece", "days"]]
    found = used.loc[used["cracked"], ["piece", "by_days"]].set_axis(["piece", "days"], axis=1)
    table = pd.concat([whole.assign(cracked=False), found.assign(cracked=True)])
    table = table.rename(columns={"days": "to_days"})
    table = table.sort_values(["piece", "to_days"], kind="stable", ignore_index=True)
    table["from_days"] = table.groupby("piece")["to_days"].shift().fillna(0.0)
    return table[["piece", "from_days", "to_days", "cracked"]]


def _notes(table: pd.DataFrame, first: pd.DataFrame, before: pd.Series) -> tuple[str, ...]:
    since = table["piece"].map(first["days"]).fillna(np.inf)
    closed = table[(table["days"] > since) & ~table["crack"]]["piece"].nunique()
    at_once, early = int((first["days"] <= 0).sum()), int(before.sum())
    notes = {
        f"In {tally(closed)} a crack that had been found could not be seen at a later look; "
        "the first find stands.": closed,
        f"{tally(at_once).capitalize()} had cracked on the day of turning; such a crack is "
        "taken to have begun within that day.": at_once,
        f"{tally(early, 'look')} dated before turning {'was' if early == 1 else 'were'} left "
        "out.": early,
    }  # fmt: skip
    return tuple(note for note, count in notes.items() if count)


GREW_MM = 2.0  # a ruler on a rough bowl is not read closer (common practice, no source)


def crack_growth(first: FirstCracks) -> pd.DataFrame:
    """One row a cracked piece: length at first sight, what was done, what came of it."""
    looks, used = first.looks, first.used
    found = looks[looks["crack"]].drop_duplicates("piece").set_index("piece")
    later = looks[looks["days"] > looks["piece"].map(found["days"])]
    out = used.loc[used["cracked"], ["piece", "species", "seal"]].set_index("piece")
    out["found_days"], out["first_mm"] = found["days"], found["crack_mm"]
    out["action"] = found["action"].fillna("none")
    after = later.groupby("piece").agg(
        n_later_looks=("days", "size"), followed_days=("days", "max"),
        longest_mm=("crack_mm", "max"), last_mm=("crack_mm", lambda mm: mm.iloc[-1]),
    )  # fmt: skip
    out = out.join(after)
    out["n_later_looks"] = out["n_later_looks"].fillna(0).astype(int)
    out["followed_days"] = (out["followed_days"] - out["found_days"]).fillna(0.0)
    out["growth_mm"] = out["longest_mm"] - out["first_mm"]
    out["grew"] = out["growth_mm"] > GREW_MM
    out["closed"] = out.index.isin(later.loc[later["crack_mm"] == 0, "piece"])
    return out.reset_index()


# A look overlooks a crack with the chance exp(-(length - smallest) / scale): at the threshold of
# detection always, three scales above it in one look of twenty. Prior, said aloud: the scale is 3
# mm, between 0.8 and 12 mm in nineteen books of twenty (our own guess: a look then overlooks 19 %
# of cracks of 5 mm, 4 % of 10 mm).
PRIOR_SCALE_MM, PRIOR_LN_SD = 3.0, 0.7
MOST_MISSED = 0.9
# A crack at an earlier look was shorter than when it was found: half as long (our own guess).
EARLIER_SHARE = 0.5
# With a chance smaller than this that a crack began there, a span is left out of the sum.
LEAST_WEIGHT = 1e-3


@dataclass(frozen=True)
class Misses:
    """How often a look overlooks a crack: the posterior mean of the scale, with 95 % limits, from
    looks at cracks known to be there, of which `n_seen` saw it and `n_missed` did not.
    `typical_mm` is the middle length at first find in this book."""

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
        scales = {"missed": self.scale_mm, "ci_lower": self.lower_mm, "ci_upper": self.upper_mm}
        shares = {name: np.exp(-over / scale) for name, scale in scales.items()}
        return pd.DataFrame(
            {"length_mm": length, **shares, "n_seen": self.n_seen, "n_missed": self.n_missed}
        )


NO_MISSES = Misses(1e-9, 1e-9, 1e-9, 0, 0, 10.0)


def estimate_misses(first: FirstCracks) -> Misses:
    """The scale of `Misses` from the prior and this book's looks strictly between two finds of one
    crack left open; where one missed it, its length is the shorter of the finds around."""
    cracked = first.used.loc[first.used["cracked"], ["piece", "first_crack_mm"]]
    glued = (first.looks["action"] == "glued").groupby(first.looks["piece"]).cummax()
    looks = first.looks[first.looks["piece"].isin(cracked["piece"]) & ~glued]
    looks = looks.dropna(subset="crack_mm")
    piece, mm = looks["piece"], looks["crack_mm"].where(looks["crack"])
    before = mm.groupby(piece).ffill().groupby(piece).shift()
    after = mm.groupby(piece).bfill().groupby(piece).shift(-1)
    length = mm.fillna(np.fmin(before, after))[before.notna() & after.notna()]
    missed = ~looks["crack"][length.index].to_numpy(bool)
    ln_scale = np.linspace(-3.5, 3.5, 141) * PRIOR_LN_SD + np.log(PRIOR_SCALE_MM)
    over = np.maximum(length.to_numpy(float) - first.smallest_mm, 0.1)
    chance = np.clip(np.exp(-over[None, :] / np.exp(ln_scale)[:, None]), 1e-12, 1 - 1e-12)
    log = norm.logpdf(ln_scale, np.log(PRIOR_SCALE_MM), PRIOR_LN_SD)
    log = log + np.where(missed[None, :], np.log(chance), np.log1p(-chance)).sum(axis=1)
    weight = softmax(log)
    ends = np.interp([0.025, 0.975], np.cumsum(weight), np.exp(ln_scale))
    typical = cracked["first_crack_mm"].median()
    return Misses(
        float(weight @ np.exp(ln_scale)), float(ends[0]), float(ends[1]),
        int((~missed).sum()), int(missed.sum()),
        float(typical) if typical > 0 else 10.0 + first.smallest_mm, first.smallest_mm,
    )  # fmt: skip


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
