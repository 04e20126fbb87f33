"""Rates first: pieces, cracked, crude rate, by species, seal and class of wall."""

from __future__ import annotations

import numpy as np
import pandas as pd

from woodlab.studies.first_cracks import FirstCracks
from woodlab.studies.whole_fraction import whole_by_day, wilson_interval

RATE_COLUMNS = [
    "by", "group", "n_pieces", "n_cracked", "rate", "ci_lower", "ci_upper", "n_no_looks",
    "n_too_few_looks", "reason",
]  # fmt: skip

# A piece without a crack says little when it was looked at fewer times than this ...
LEAST_LOOKS = 2
# ... or not since the day by which this share of the season's cracks had been found.
LATE_SHARE = 0.8
# ... and in any case not for so long: few cracks, or none, say nothing of when they open. Common
# practice, no source.
WATCH_DAYS = 60.0


def wall_class(wall_mm: pd.Series) -> pd.Series:
    """Classes of 10 mm (of 5 mm where the walls span less than 20 mm), in words.

    Examples
    --------
    >>> wall_class(pd.Series([18.0, 41.0])).tolist()
    ['10 to under 20 mm', '40 to under 50 mm']
    """
    width = 10.0 if wall_mm.max() - wall_mm.min() >= 20 else 5.0
    low = np.floor(wall_mm / width) * width
    return pd.Series(
        [f"{a:g} to under {a + width:g} mm" if a == a else "not given" for a in low], wall_mm.index
    )


def too_few_looks(first: FirstCracks) -> pd.DataFrame:
    """Pieces without a crack that were looked at too little to count as whole.

    Returns
    -------
    DataFrame
        `piece`, `n_looks`, `last_look_days`, `reason`. They stay in the hazard, which takes each
        for as long as it was looked at; in the crude rates they count, and are named.
    """
    used = first.used
    found = used.loc[used["cracked"], "by_days"]
    late = float(found.quantile(LATE_SHARE)) if len(found) else 0.0
    rows: list[list[object]] = []
    for piece in first.pieces[~first.pieces["cracked"]].itertuples():
        reason = ""
        if piece.status != "used":
            reason = piece.reason
        elif piece.n_looks < LEAST_LOOKS:
            reason = "looked at once only"
        elif piece.after_days < late:
            reason = (
                f"last looked at on day {piece.after_days:.0f}; by day {late:.0f} four in five "
                "of the cracks had been found"
            )
        elif piece.after_days < WATCH_DAYS:
            reason = (
                f"last looked at on day {piece.after_days:.0f}; wood goes on cracking for "
                f"{WATCH_DAYS:.0f} days and more (common practice, no source)"
            )
        if reason:
            rows.append([piece.piece, piece.n_looks, piece.after_days, reason])
    return pd.DataFrame(rows, columns=["piece", "n_looks", "last_look_days", "reason"])


def _groupings(frame: pd.DataFrame) -> list[tuple[str, pd.Series]]:
    everyone = pd.Series(["all pieces"] * len(frame), frame.index)
    return [
        ("all", everyone),
        ("species", frame["species"]),
        ("seal", frame["seal"]),
        ("wall", wall_class(frame["wall_mm"])),
    ]


def crack_rates(first: FirstCracks, few: pd.DataFrame) -> pd.DataFrame:
    """Crude rates of cracking with Wilson intervals, a row a group.

    Returns
    -------
    DataFrame
        `by` (`all`, `species`, `seal`, `wall`), `group`, `n_pieces` (that were looked at),
        `n_cracked`, `rate` (a share), `ci_lower`, `ci_upper` (95 %), `n_no_looks`,
        `n_too_few_looks`, `reason`.
    """
    frame = first.pieces
    idle = frame["status"] != "used"
    short = frame["piece"].isin(few["piece"]) & ~idle
    rows: list[list[object]] = []
    for by, groups in _groupings(frame):
        for group in sorted(groups.dropna().unique()):
            mine = groups == group
            count = int((mine & ~idle).sum())
            cracked = int(frame.loc[mine & ~idle, "cracked"].sum())
            missing, little = int((mine & idle).sum()), int((mine & short).sum())
            lower, upper = wilson_interval(cracked, count)
            rate = cracked / count if count else np.nan
            reason = "" if count else "no piece of it was looked at"
            if count and little:
                whose = "piece" if little == 1 else "pieces"
                reason = f"{little} {whose} without a crack had too few looks: the rate may be low"
            rows.append([by, group, count, cracked, rate, lower, upper, missing, little, reason])
    return pd.DataFrame(rows, columns=RATE_COLUMNS)


def whole_fractions(first: FirstCracks) -> pd.DataFrame:
    """The share still whole against days since turning, by group; see `whole_by_day`."""
    used = first.used
    frames = [
        whole_by_day(used[groups == group], by, group)
        for by, groups in _groupings(used)
        for group in sorted(groups.dropna().unique())
    ]
    return pd.concat(frames, ignore_index=True)
