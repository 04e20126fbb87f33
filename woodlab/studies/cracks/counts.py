"""Counts first: shares that cracked, by seal, wall or any column; cracks after the find."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from statsmodels.stats.proportion import confint_proportions_2indep

from woodlab.studies.cracks.intervals import FirstCracks
from woodlab.studies.cracks.whole import (
    WHOLE_COLUMNS,
    between_logs,
    whole_by_day,
    wilson_interval,
)

RATE_COLUMNS = [
    "by", "group", "n_pieces", "n_cracked", "share", "ci_lower", "ci_upper", "n_no_looks",
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


def _groupings(frame: pd.DataFrame, by: Sequence[str]) -> list[tuple[str, pd.Series]]:
    everyone = pd.Series(["all pieces"] * len(frame), frame.index)
    made = [
        ("all", everyone),
        ("species", frame["species"]),
        ("seal", frame["seal"]),
        ("wall", wall_class(frame["wall_mm"])),
    ]
    return made + [(name, groups_of(frame[name])) for name in by]


def groups_of(values: pd.Series) -> pd.Series:
    """The values as names; numbers of more than six different values as thirds of them.

    Examples
    --------
    >>> groups_of(pd.Series([1.0, 2, 3, 4, 5, 6, 7, 8, 9])).unique().tolist()
    ['1 to 3', '4 to 6', '7 to 9']
    """
    numeric = pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)
    if not numeric or values.nunique() <= 6:
        return values.astype(object).where(values.notna()).map(str, na_action="ignore")
    third = pd.qcut(values, 3, labels=False, duplicates="drop")
    ends = values.groupby(third).agg(["min", "max"])
    return third.map({k: f"{a:g} to {b:g}" for k, (a, b) in ends.T.items()})


def crack_rates(first: FirstCracks, few: pd.DataFrame, by: Sequence[str] = ()) -> pd.DataFrame:
    """Shares that cracked, per piece looked at, with Wilson intervals; a row a group.

    Returns
    -------
    DataFrame
        `by` (`all`, `species`, `seal`, `wall`, and the columns asked for), `group`, `n_pieces`
        (that were looked at), `n_cracked`, `share`, `ci_lower`, `ci_upper` (95 %), `n_no_looks`,
        `n_too_few_looks`, `reason`.
    """
    frame = first.pieces
    idle = frame["status"] != "used"
    short = frame["piece"].isin(few["piece"]) & ~idle
    rows: list[list[object]] = []
    for name, groups in _groupings(frame, by):
        for group in sorted(groups.dropna().unique()):
            mine = groups == group
            count = int((mine & ~idle).sum())
            cracked = int(frame.loc[mine & ~idle, "cracked"].sum())
            missing, little = int((mine & idle).sum()), int((mine & short).sum())
            lower, upper = wilson_interval(cracked, count)
            share = cracked / count if count else np.nan
            reason = "" if count else "no piece of it was looked at"
            if count and little:
                whose = "piece" if little == 1 else "pieces"
                reason = f"{little} {whose} without a crack had too few looks: the share may be low"
            rows.append([name, group, count, cracked, share, lower, upper, missing, little, reason])
    return pd.DataFrame(rows, columns=RATE_COLUMNS)


def whole_fractions(first: FirstCracks, by: Sequence[str] = ()) -> pd.DataFrame:
    """The share still whole against days since turning, by group; see `whole_by_day`."""
    used = first.used
    if not len(used):
        return pd.DataFrame(columns=WHOLE_COLUMNS)
    between = between_logs(used)
    frames = [
        whole_by_day(used[groups == group], name, group, between)
        for name, groups in _groupings(used, by)
        for group in sorted(groups.dropna().unique())
    ]
    return pd.concat(frames, ignore_index=True)


NOT_A_TRIAL = (
    "The makers chose which cracks to glue, and glue hides a crack that goes on below it: this is "
    "what was seen, not a trial of gluing."
)
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


def growth_by_action(growth: pd.DataFrame) -> pd.DataFrame:
    """Cracks by what was done at first sight: how many grew, with Wilson's interval.

    Returns
    -------
    DataFrame
        `action`, `n_cracks`, `n_followed` (looked at again), `n_grew`, `share_grew`, `ci_lower`,
        `ci_upper`, `median_first_mm`, `median_growth_mm`, `n_closed`.
    """
    rows: list[list[object]] = []
    for action, group in growth.groupby("action", sort=True):
        followed = group[group["n_later_looks"] > 0]
        count, grew = len(followed), int(followed["grew"].sum())
        lower, upper = wilson_interval(grew, count)
        rows.append(
            [action, len(group), count, grew, grew / count if count else np.nan, lower, upper,
             group["first_mm"].median(), followed["growth_mm"].median() if count else np.nan,
             int(followed["closed"].sum())]
        )  # fmt: skip
    columns = [
        "action", "n_cracks", "n_followed", "n_grew", "share_grew", "ci_lower", "ci_upper",
        "median_first_mm", "median_growth_mm", "n_closed",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def growth_sentences(by_action: pd.DataFrame) -> tuple[str, ...]:
    """Glued against left, as what it is."""
    if not len(by_action):
        return ()
    table = by_action.set_index("action")
    said = []
    for action, words in (("glued", "glued at first sight"), ("none", "left as they were")):
        if action in table.index and table.loc[action, "n_followed"] > 0:
            row = table.loc[action]
            said.append(
                f"Of {row['n_followed']:.0f} cracks {words} and looked at again, "
                f"{row['n_grew']:.0f} grew by more than {GREW_MM:g} mm (95 % interval of that "
                f"share: {100 * row['ci_lower']:.0f} to {100 * row['ci_upper']:.0f} %)."
            )
    if len(said) == 2:
        glued, left = table.loc["glued"], table.loc["none"]
        lower, upper = confint_proportions_2indep(
            glued["n_grew"], glued["n_followed"], left["n_grew"], left["n_followed"],
            method="newcomb",
        )  # fmt: skip
        gap = 100 * (glued["share_grew"] - left["share_grew"])
        said.append(
            f"Glued less left, the share that grew differs by {gap:.0f} points (95 % interval "
            f"{100 * lower:.0f} to {100 * upper:.0f}). {NOT_A_TRIAL}"
        )
    elif said:
        said.append(
            "The other way has no cracks that were looked at again, so nothing can be compared. "
            + NOT_A_TRIAL
        )
    return tuple(said)
