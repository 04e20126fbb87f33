"""How cracks fared after they were first seen: those glued at first sight, and those left."""

from __future__ import annotations

import numpy as np
import pandas as pd
from statsmodels.stats.proportion import confint_proportions_2indep

from woodlab.studies.first_cracks import FirstCracks
from woodlab.studies.whole_fraction import wilson_interval

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
        cracked = mine[mine["crack_mm"] >= piece.first_crack_mm]
        day = float(cracked["days"].iloc[0])
        at = mine["crack_mm"].to_numpy()
        days = mine["days"].to_numpy()
        position = int(np.flatnonzero(days == day)[0])
        later = at[position + 1 :]
        action = mine["action"].iloc[position]
        longest = float(later.max()) if len(later) else np.nan
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
