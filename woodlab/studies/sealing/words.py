"""The sealing study in plain words: counts first, then weeks, then how sure that is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.book.record_book import RecordBook
from woodlab.show import listed
from woodlab.studies import cautions as shop
from woodlab.studies.confounding import ALONE
from woodlab.studies.sealing.effects import NEXT, THIS

if TYPE_CHECKING:
    from woodlab.studies.sealing.study import SealStudy

_TOLD = ["clear", "likely"]
SURE = {"clear": "clear", "likely": "likely", "open": "not clear", "nothing": "not clear"}
_QUESTIONS = {
    "drying_time": "whether drying takes longer",
    "surface_coefficient": "how much less moisture passes through the surface",
    "core_to_surface": "whether the wall stays more evenly moist",
    "crack_hazard": "whether cracks are rarer",
}


def under(seal: str) -> str:
    return "bare" if seal == "none" else f"under {seal}"


def weeks(value: float) -> str:
    """Whole weeks from four on, else to a half: '2.5', '14'."""
    return f"{value:.0f}" if value >= 4 else f"{round(2 * value) / 2:g}"


def sentences(study: SealStudy) -> tuple[str, ...]:
    """Weeks and cracks of each seal; the mechanism; what cannot be said, and what would settle."""
    alone = single(study.effects)
    seals = study.by_seal.loc[~study.by_seal["seal"].isin([study.reference, *alone]), "seal"]
    effects = study.effects[~study.effects["seal"].isin(alone)]
    said = [*(_seal_sentence(study, seal) for seal in seals), _mechanism(study)]
    said += [*_books(study), *_terms(study.terms), *_untold(effects)]
    time = effects.query("outcome == 'drying_time' and scope == @THIS")
    unclear = time.loc[~time["certainty"].isin(_TOLD), "seal"]
    if len(unclear):
        said.append(
            f"What would settle {listed(unclear)}: at least six pieces of each seal and six "
            f"{under(study.reference)}, from the same logs and with like walls, the seals drawn by "
            "lot."
        )
    if alone:
        have = "has a single bowl" if len(alone) == 1 else "have a single bowl each"
        said.append(f"{words.opened(words.count(len(alone), 'seal'))} {have} ({listed(alone)}): "
                    f"{ALONE}.")  # fmt: skip
    return tuple(filter(None, said))


def single(effects: pd.DataFrame) -> list[str]:
    """The seals that one bowl alone had."""
    return list(effects.loc[effects["reason"] == ALONE, "seal"].unique())


def _books(study: SealStudy) -> list[str]:
    """What differed between the books that were joined: counts, then weeks of their own pieces."""
    rows = study.by_group[study.by_group["by"] == "book"]
    if study.compared is None or not len(rows):
        return []
    told, bare = rows.groupby("group")["weeks_reference"].first(), under(study.reference)
    each = []
    for name, own in study.pieces.groupby(study.compared.fits.book.pieces["book"].to_numpy()):
        wall, cracked = own["wall_mm"].median(), own["cracked"].dropna()
        parts = [f"{name}: {words.tally(len(own), 'bowl')}"]
        parts += [f"walls of {wall:.0f} mm (median)"] if wall > 0 else []
        parts += [f"{weeks(told[name])} weeks {bare} on average"] if told[name] > 0 else []
        parts += [f"{cracked.sum():.0f} of {len(cracked)} cracked"] if len(cracked) else []
        each.append(", ".join(parts))
    return [f"By book: {'; '.join(each)}."]


def _terms(terms: pd.DataFrame) -> list[str]:
    """The columns asked for: how much moisture passes through the surface, and how sure."""
    said = []
    for name, rows in terms.groupby("term", sort=False):
        against = f" against {rows['reference'].iloc[0]}" if rows["reference"].iloc[0] else ""
        each = listed(
            f"{row.level} {words.two(row.ratio)} times as fast "
            f"({words.between(row.ci_lower, row.ci_upper)}; {SURE[row.certainty]})"
            for row in rows[rows["ratio"].notna()].itertuples()
        )
        if each:
            said.append(f"Moisture passed through the surface by {name}{against}: {each}.")
        for reason, own in rows[rows["ratio"].isna()].groupby("reason", sort=False):
            what = " ".join(filter(None, (name, listed(filter(None, own["level"])))))
            said.append(f"What {what} does we cannot say: {reason}.")
    return said


def _row_of(effects: pd.DataFrame, outcome: str, seal: str, scope: str = THIS) -> dict[str, Any]:
    rows = effects.query("outcome == @outcome and seal == @seal and scope == @scope")
    return rows.iloc[0].to_dict()


def _seal_sentence(study: SealStudy, seal: str) -> str:
    """'23 painted bowls against 21 bare: drying took about half as long again (times ...'"""
    table = study.by_seal.set_index("seal")
    mine, other, bare = table.loc[seal], table.loc[study.reference], under(study.reference)
    parts, time = [], _row_of(study.effects, "drying_time", seal)
    if np.isfinite(time["ratio"]):
        probably = "probably " if time["certainty"] == "likely" else ""
        claim = f"drying {probably}took {words.longer(time['ratio'])}"
        if time["certainty"] not in _TOLD:
            claim = (
                f"whether drying took longer is not clear: about {weeks(mine['weeks'])} weeks on "
                f"average, {weeks(other['weeks'])} {bare}"
            )
        coming = _row_of(study.effects, "drying_time", seal, NEXT)
        now, then = (words.between(row["ci_lower"], row["ci_upper"]) for row in (time, coming))
        parts.append(f"{claim} (times {now} for these pieces, {then} in another year)")
    if mine["n_looked"] and other["n_looked"]:
        cracked = [f"{int(row['n_cracked'])} of {int(row['n_looked'])}" for row in (mine, other)]
        doubt = _crack_words(_row_of(study.effects, "crack_hazard", seal))
        parts.append(f"{cracked[0]} cracked, {cracked[1]} {bare} ({doubt})")
    if not parts:
        return ""
    head = words.opened(words.bowls(seal, int(mine["n_pieces"])))
    against = words.bowls(study.reference, int(other["n_pieces"]))
    one = ", all of one log, and another log may differ" if time["n_logs"] == 1 else ""
    return f"{head} against {against}{one}: {'; '.join(parts)}."


def _crack_words(row: dict[str, Any]) -> str:
    """What may be said of the counts beside it."""
    if row["certainty"] not in _TOLD:
        return "whether the seal made the difference we cannot tell"
    ratio = row["ratio"] if np.isfinite(row["ratio"]) else row["ci_upper"]
    probably = "probably " if row["certainty"] == "likely" else ""
    return f"{probably}{'less' if ratio < 1 else 'more'} often"


def _mechanism(study: SealStudy) -> str:
    """Core and surface: the reason for sealing, in points of moisture."""
    told = study.effects.query("outcome == 'core_to_surface' and certainty in @_TOLD")
    table = study.by_seal.set_index("seal")["core_to_surface_pct"]
    if not len(told) or not np.isfinite(table.get(study.reference, np.nan)):
        return ""
    each = listed(f"{table[s]:.0f} {under(s)}" for s in words.order_of_seals(told["seal"]))
    return (
        "By the fit, the middle of the wall was wetter than its surface by at most "
        f"{table[study.reference]:.0f} points {under(study.reference)}, {each} (averages, not "
        "measured)."
    )


def _untold(effects: pd.DataFrame) -> list[str]:
    """Rows without a number: one sentence for each reason."""
    silent = effects[effects[["ci_lower", "ci_upper"]].isna().any(axis=1)]
    out = []
    for reason, rows in silent.groupby(silent["reason"].str.rstrip("."), sort=False):
        asked = listed(_QUESTIONS[name] for name in rows["outcome"].unique())
        whom = listed(under(seal) for seal in rows["seal"].unique())
        out.append(words.opened(f"we cannot say {asked} {whom}: {reason}."))
    return out


def cautions(book: RecordBook, reference: str) -> tuple[str, ...]:
    """What to bear in mind of this book, and the shop's cautions about wax and cracked wood."""
    said, pieces = [], book.pieces
    lot = pieces["allotted"] == "random"
    if not lot.all():
        said.append(
            f"The book does not say that the seals of {words.count(int((~lot).sum()), 'piece')} "
            "were drawn by lot. If the maker chose (the wet ones, the good ones), the difference "
            "is partly the choice. Draw by lot, and write `random` in the column `allotted`."
        )
    if nameless := int(pieces["log"].isna().sum()):
        said.append(
            f"{words.opened(words.count(nameless, 'piece'))} without a named log: each counts as a "
            "log of its own. If some are from one tree, the intervals are too narrow."
        )
    middle = pieces.groupby("seal")["turned_on"].median()
    apart = (middle - middle.get(reference, middle.median())).dt.days
    said += [
        f"Pieces under {name} were turned {abs(days)} days {'later' if days > 0 else 'earlier'} "
        f"than those under {reference} (medians)."
        for name, days in apart.items()
        if abs(days) > 30 and name != reference
    ]
    again = {*book.weighings.loc[book.weighings["event"] == "resealed", "piece"],
             *book.looks.loc[book.looks["action"] == "resealed", "piece"]}  # fmt: skip
    if again:
        said.append(
            f"{words.opened(words.count(len(again), 'piece'))} resealed later "
            f"({listed(words.in_order(again), most=5)}): each counts under the seal written in "
            "the table `pieces`."
        )
    return (
        *said,
        "In thick walls a seal slows drying less, since there the wood itself holds the moisture "
        "back: averages are over the walls of this season.",
        "A season to come is taken to be in the same store, with the seal put on in the same way.",
        shop.HOT_WAX, shop.CRACKED_WOOD, shop.FINISH, shop.ADVICE,
    )  # fmt: skip
