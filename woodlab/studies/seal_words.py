"""The findings of a seal study in plain words, each hedged by its interval, and what would settle
what is still open.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from woodlab.book.record_book import RecordBook
from woodlab.studies import cautions as shop

# A difference worth knowing of, as a ratio: what more pieces are reckoned for.
WORTH = {
    "drying_time": 1.25, "surface_coefficient": 1.5, "core_to_surface": 1.25, "crack_hazard": 0.5,
}  # fmt: skip
POWER = 0.8
_SURE = 0.05


def number(value: float) -> str:
    """Two figures, as a maker would say them; a ratio is not rounded onto 1, "no difference".

    Examples
    --------
    >>> number(3.1234), number(0.2512), number(41.7), number(1.04), number(0.998)
    ('3.1', '0.25', '42', '1.04', '0.998')
    """
    if not math.isfinite(value):
        return "not known"
    if value != 1 and 0.995 <= value < 1.05:
        return f"{value:.3f}" if 0.995 <= value < 1.005 else f"{value:.2f}"
    if value >= 10:
        return f"{value:.0f}"
    return f"{value:.1f}" if value >= 1 else f"{value:.2g}"


def sentences(
    effects: pd.DataFrame, pieces: pd.DataFrame, by_seal: pd.DataFrame, reference: str,
    target_pct: float,
) -> tuple[str, ...]:  # fmt: skip
    """One sentence a row of effects, then what would settle the open ones.

    Rows without a number that have one reason share a sentence.
    """
    rows = effects.to_dict("records")
    silent = [row for row in rows if _has_no_number(row)]
    outcomes: dict[tuple, tuple[str, ...]] = {}
    for row in silent:
        of_seal = (row["reason"], row["reference"], row["seal"])
        outcomes[of_seal] = (*outcomes.get(of_seal, ()), row["outcome"])
    untold: dict[tuple, list[dict[str, Any]]] = {}
    for row in silent:  # seals share a sentence where it is true of the same outcomes
        key = (row["reason"], row["reference"])
        untold.setdefault((*key, outcomes[*key, row["seal"]]), []).append(row)
    said = []
    for row in rows:
        if not _has_no_number(row):
            said.append(_sentence(row, target_pct))
            continue
        key = (row["reason"], row["reference"])
        said.append(_untold(untold.pop((*key, outcomes[*key, row["seal"]]), [])))
    return (*filter(None, said), *_to_settle(effects, pieces, by_seal, reference))


def _has_no_number(row: dict[str, Any]) -> bool:
    return math.isnan(float(row["ci_lower"])) or math.isnan(float(row["ci_upper"]))


def _untold(rows: list[dict[str, Any]]) -> str:
    """What cannot be said for one reason: of which outcomes, under which seals."""
    if not rows:
        return ""
    seals = _listed([row["seal"] for row in rows], "or")
    outcomes = dict.fromkeys(row["outcome"] for row in rows)
    other = _under(rows[0]["reference"])
    questions = [_open_question(outcome, f"under {seals}", other) for outcome in outcomes]
    return _capital(f"we cannot say {_listed(questions, 'or')}: {_reason(rows[0])}.")


def _reason(row: dict[str, Any]) -> str:
    return str(row["reason"]).rstrip(".")


def _listed(names: list[str], last: str) -> str:
    unique = list(dict.fromkeys(names))
    head = ", ".join(unique[:-1])
    return f"{head} {last} {unique[-1]}" if head else unique[-1]


def _open_question(outcome: str, seal: str, other: str) -> str:
    return {
        "drying_time": f"whether drying {seal} takes longer than {other}",
        "surface_coefficient": f"how much less moisture passes through the surface {seal} than "
        f"{other}",
        "core_to_surface": f"whether the wall stays more evenly moist {seal} than {other}",
        "crack_hazard": f"whether cracks are rarer {seal} than {other}",
    }[outcome]


def _under(seal: str) -> str:
    return "without a seal" if seal == "none" else f"under {seal}"


def _sentence(row: dict[str, Any], target_pct: float) -> str:
    seal, other = _under(row["seal"]), _under(row["reference"])
    claim = {
        "drying_time": f"pieces {seal} took {{}} times as long to dry to {target_pct:g} % as "
        f"pieces {other}",
        "surface_coefficient": f"moisture passed through the surface {seal} {{}} times as easily "
        f"as {other} (surface coefficient)",
        "core_to_surface": f"the largest difference between core and surface {seal} was {{}} "
        f"times that {other}",
        "crack_hazard": f"cracks {seal} were {{}} times as frequent as {other}",
    }[row["outcome"]]
    open_question = _open_question(row["outcome"], seal, other)
    lower, upper, ratio = float(row["ci_lower"]), float(row["ci_upper"]), float(row["ratio"])
    basis = f"{_count(row['n_pieces'], 'piece')} from {_count(row['n_logs'], 'log')}"
    if math.isnan(ratio):
        end = f"at most {number(upper)}" if math.isfinite(upper) else f"at least {number(lower)}"
        if upper > 1 and not lower > 1:  # a bound on the wrong side of 1 answers nothing
            return _capital(f"with {basis} we cannot say {open_question}: the ratio is {end} "
                            f"(95 %), since {_reason(row)}.")  # fmt: skip
        return _capital(f"{claim.format(end)} (95 %; {basis}): {_reason(row)}.")
    span = f"{number(lower)} to {number(upper)}; {basis}"
    span += ", and another log may differ" if row["n_logs"] == 1 else ""
    if lower <= 1 <= upper:
        return _capital(f"with {basis} we cannot say {open_question}: the ratio is about "
                        f"{number(ratio)} ({number(lower)} to {number(upper)}).")  # fmt: skip
    hedge = ""
    if float(row["p_holm"]) >= _SURE:
        hedge = (
            f"; among several comparisons this may be chance (p {row['p_value']:.2g}, "
            f"{row['p_holm']:.2g} after Holm)"
        )
    return _capital(f"{claim.format('about ' + number(ratio))} ({span}){hedge}.")


def _to_settle(
    effects: pd.DataFrame, pieces: pd.DataFrame, by_seal: pd.DataFrame, reference: str
) -> list[str]:
    said = []
    for row in effects.to_dict("records"):
        lower, upper = float(row["ci_lower"]), float(row["ci_upper"])
        settled = math.isfinite(lower) and math.isfinite(upper) and not lower <= 1 <= upper
        if settled and float(row["p_holm"]) < _SURE:
            continue
        if row["outcome"] == "surface_coefficient" and _told(effects, row["seal"], "drying_time"):
            continue
        text = _settle_one(row, pieces, by_seal, reference)
        if text and text not in said:
            said.append(text)
    return said


def _told(effects: pd.DataFrame, seal: str, outcome: str) -> bool:
    """Whether another outcome's sentence already says what this seal needs."""
    return bool(((effects["seal"] == seal) & (effects["outcome"] == outcome)).any())


def _settle_one(
    row: dict[str, Any], pieces: pd.DataFrame, by_seal: pd.DataFrame, reference: str
) -> str:
    seal = row["seal"]
    names = f"{seal} and {reference}"
    if str(row["reason"]).startswith("cannot tell"):
        return (
            f"What would settle {names}: both on pieces of the same log, species, place and wall, "
            "at least six of each, allotted by lot."
        )
    counts = [int((pieces["seal"] == name).sum()) for name in (seal, reference)]
    have = stats.hmean(counts) if min(counts) > 0 else 0.0
    if row["outcome"] == "crack_hazard":
        need, what = _cracks_needed(by_seal, reference), "to see cracks made half as frequent"
    else:
        need = _pieces_needed(row, have)
        worth = WORTH[row["outcome"]]
        noun = {
            "drying_time": "drying time", "core_to_surface": "core-to-surface difference",
            "surface_coefficient": "surface coefficient",
        }[row["outcome"]]  # fmt: skip
        what = f"to see a {noun} changed by a factor of {worth:g}"
    if not math.isfinite(need):
        short = [max(6 - count, 0) for count in counts]
        if not any(short):
            return ""
        wanted = " and ".join(
            f"{count} more {_under(name)}"
            for count, name in zip(short, (seal, reference), strict=True)
            if count
        )
        return (
            f"What would settle {names}: at least six pieces of each, so {wanted}, twins from the "
            "same logs."
        )
    more = max(math.ceil(need - min(counts)), 0)
    reached = "" if more else ", which you have: the difference is then smaller than that"
    extra = f", {more} more than now" if more else ""
    return (
        f"What would settle {names}: {what} four times out of five takes about "
        f"{_count(max(math.ceil(need), 2), 'piece')} of each{extra}{reached}."
    )


def _pieces_needed(row: dict[str, Any], have: float) -> float:
    """Pieces of each seal at which a worthwhile ratio would be seen four times out of five."""
    lower, upper, df = (float(row[name]) for name in ("ci_lower", "ci_upper", "df"))
    if not (math.isfinite(upper) and lower > 0 and df > 0 and have > 0):
        return math.nan
    stderr = math.log(upper / lower) / 2 / float(stats.t.ppf(0.975, df))
    reach = float(stats.norm.ppf(0.975) + stats.norm.ppf(POWER))
    return float(have * (reach * stderr / math.log(WORTH[row["outcome"]])) ** 2)


def _cracks_needed(by_seal: pd.DataFrame, reference: str) -> float:
    """Pieces of each seal to see the reference's share of cracked pieces halved."""
    base = by_seal[by_seal["seal"] == reference].iloc[0]
    if not base["n_looked"] or not base["n_cracked"]:
        return math.nan
    p0 = min(float(base["n_cracked"]) / float(base["n_looked"]), 0.98)
    p1 = p0 * WORTH["crack_hazard"]
    mean = (p0 + p1) / 2
    reach = stats.norm.ppf(0.975) * math.sqrt(2 * mean * (1 - mean)) + stats.norm.ppf(
        POWER
    ) * math.sqrt(p0 * (1 - p0) + p1 * (1 - p1))
    return float((reach / (p0 - p1)) ** 2)


def cautions(
    book: RecordBook, pieces: pd.DataFrame, reference: str, target_pct: float
) -> tuple[str, ...]:
    """What to bear in mind of this book, and the shop's cautions about wax and cracked wood."""
    said = []
    lot = pieces["allotted"] == "random"
    if not lot.all():
        said.append(
            f"The book does not say that the seals of {_count(int((~lot).sum()), 'piece')} were "
            "allotted by lot. If the maker chose (the wet ones, the good ones), the difference is "
            "partly the choice. Allot by lot, and write `random` in the column `allotted`."
        )
    nameless = int(pieces["log"].isna().sum())
    if nameless:
        said.append(
            f"{_count(nameless, 'piece')} {'has' if nameless == 1 else 'have'} no log named and "
            "count as logs of their own. If some are from one tree, the intervals are too narrow."
        )
    silent = pieces[pieces["reason"] != ""]
    if len(silent):
        why = ", ".join(f"{row.piece} ({row.reason})" for row in silent.head(5).itertuples())
        more = f" and {len(silent) - 5} more" if len(silent) > 5 else ""
        said.append(f"Without a drying time: {_count(len(silent), 'piece')}, namely {why}{more}.")
    unclear = pieces["day_unclear"]
    if unclear.any():
        said.append(
            f"Whether and when {_count(int(unclear.sum()), 'piece')} reached {target_pct:g} % is "
            "not told by the weighings, since what a piece weighs dry is not known closely enough: "
            "each counts as a span of days. An offcut of each log, dried in an oven, would tell."
        )
    late = np.isinf(pieces["at_most_days"]) & pieces["at_least_days"].notna() & ~unclear
    if late.any():
        said.append(
            f"{_count(int(late.sum()), 'piece')} had not reached {target_pct:g} % at the last "
            "weighing: each counts as taking at least so long."
        )
    said += _dates_apart(book, reference)
    said += _treated_again(book)
    said.append(
        "Ratios are those of a piece with the mean wall; in thick walls a seal slows less, since "
        "there the wood itself holds the moisture back."
    )
    said.append(
        "All is from the air of these records: another year or another shed may give another "
        "ratio of drying times, and the intervals do not cover that."
    )
    return (*said, shop.HOT_WAX, shop.CRACKED_WOOD, shop.FINISH, shop.ADVICE)


def _dates_apart(book: RecordBook, reference: str) -> list[str]:
    middle = book.pieces.groupby("seal")["turned_on"].median()
    apart = (middle - middle[reference]).dt.days.drop(reference)
    return [
        f"Pieces under {name} were turned {abs(days)} days {'later' if days > 0 else 'earlier'} "
        f"than those under {reference} (medians): the season's air is part of their difference."
        for name, days in apart.items()
        if abs(days) > 30
    ]


def _treated_again(book: RecordBook) -> list[str]:
    names = set(book.weighings.loc[book.weighings["event"] == "resealed", "piece"])
    if len(book.looks):
        names |= set(book.looks.loc[book.looks["action"] == "resealed", "piece"])
    if not names:
        return []
    return [
        f"{_count(len(names), 'piece')} resealed later ({', '.join(sorted(names)[:5])}): each "
        "counts under the seal written in the table `pieces`."
    ]


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
