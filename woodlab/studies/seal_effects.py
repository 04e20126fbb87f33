"""From one outcome, piece by piece, to its ratio for each seal against the reference.

Everything is done on logarithms. Pieces of a log are compared inside the log; species, place and
the logarithm of the wall are held; the ratio is that at the mean wall.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.errors import WoodlabError
from woodlab.studies.comparison import Comparison, paired, together, welch
from woodlab.studies.confounding import Comparable, comparable
from woodlab.studies.mixed import blocked_fit
from woodlab.studies.randomisation import randomisation_test

EFFECT_COLUMNS = [
    "outcome", "seal", "reference", "ratio", "ci_lower", "ci_upper", "p_value", "n_pieces",
    "n_logs", "method", "p_holm", "p_randomisation", "df", "reason",
]  # fmt: skip
WIDEST = 1000.0  # an interval wider than this factor says nothing
TWINS = 0.05  # walls of twins differ by no more than this
# From so many pieces of a seal on, and with so much freedom left inside the logs, the seal may have
# its own slope on the wall.
_SLOPES_FROM, _FREE_WITH_SLOPES = 5, 5
_WALLS_VARY = 0.15  # range of ln wall that a slope needs


@dataclass(frozen=True)
class Outcome:
    """One outcome, one row a piece.

    Attributes
    ----------
    name : str
        `drying_time`, ...
    frame : DataFrame
        piece, seal, species, log, place, wall_mm, allotted; `lower`, `upper`: natural logarithms
        between which the outcome lies, equal where it is known; `free`: a number that needed
        neither law nor seal, for the randomisation test.
    sets : ndarray, (sets, n), optional
        Draws of the outcome of each piece, where it comes from a fit and not from the scale.
    basis : str
        What stands behind the draws, for the name of the method.
    slopes : bool
        Whether what a seal does depends on the wall: where the wood itself holds the moisture
        back, the surface matters less.
    """

    name: str
    frame: pd.DataFrame
    sets: np.ndarray | None = None
    basis: str = ""
    slopes: bool = False


def effect_rows(outcome: Outcome, reference: str, seals: list[str], seed: int) -> pd.DataFrame:
    """One row for each of `seals` against `reference`; see `EFFECT_COLUMNS`."""
    rows = []
    for seal in seals:
        row = _blank(outcome.name, seal, reference)
        told = comparable(outcome.frame, seal, reference)
        if told.reason:
            row["reason"] = told.reason
        else:
            row |= _one(outcome, told, seal, reference, seed)
        rows.append(row)
    table = pd.DataFrame(rows, columns=EFFECT_COLUMNS)
    table["p_holm"] = words.holm(table["p_value"].to_numpy(dtype=float))
    return table


def _blank(outcome: str, seal: str, reference: str) -> dict[str, object]:
    row: dict[str, object] = dict.fromkeys(EFFECT_COLUMNS, np.nan)
    return row | {
        "outcome": outcome, "seal": seal, "reference": reference, "n_pieces": 0, "n_logs": 0,
        "method": "", "reason": "",
    }  # fmt: skip


def _one(
    outcome: Outcome, told: Comparable, seal: str, reference: str, seed: int
) -> dict[str, object]:
    frame = outcome.frame
    pair = frame[frame["piece"].isin(told.pieces)]
    row: dict[str, object] = {"n_pieces": len(pair), "n_logs": int(blocks(pair).nunique())}
    known = pair["lower"] == pair["upper"]
    groups = {name: pair["seal"] == name for name in (reference, seal)}
    known = pair["lower"] == pair["upper"]
    if not all((known & group).any() for group in groups.values()):
        return row | _one_sided(pair, known, groups, seal, reference)
    try:
        got = _compare(outcome, pair, seal, reference, seed)
    except WoodlabError as error:
        return row | {"reason": f"too few pieces for an interval: {error}"}
    if got.ci_upper - got.ci_lower > np.log(WIDEST):
        return row | {"reason": "too few pieces: the interval spans more than a thousandfold"}
    row |= {
        "ratio": np.exp(got.estimate), "ci_lower": np.exp(got.ci_lower),
        "ci_upper": np.exp(got.ci_upper), "p_value": got.p_value, "method": got.method,
        "df": got.df,
    }  # fmt: skip
    return row | randomised(pair, seal, seed)


def blocks(frame: pd.DataFrame) -> pd.Series:
    """The log of each piece; a piece with no log named is a block of its own."""
    alone = "piece " + frame["piece"].astype(object)
    return frame["log"].astype(object).where(frame["log"].notna(), alone)


def _compare(
    outcome: Outcome, pair: pd.DataFrame, seal: str, reference: str, seed: int
) -> Comparison:
    used = _connected(outcome.frame, pair, seal, reference)
    x, line = design(used, seal, reference, slopes=outcome.slopes)
    if outcome.sets is not None:
        sets, tail = outcome.sets[:, used.index.to_numpy()], f", {outcome.basis}"
    else:
        sets, tail = used["lower"].to_numpy()[None, :], ""
    if outcome.name == "drying_time":
        late = int((used["lower"] != used["upper"]).sum())
        tail = f", {late} of {len(used)} times drawn from the pooled curves" if late else ""
        sets = sets if late else sets[:1]
    single = len(sets) == 1
    parts = []
    for values in sets:
        simple = _simple(used.assign(value=values), seal, reference, outcome.slopes)
        parts.append(simple or _known(values, used, x, line, seal, reference, single))
    names = [part.method for part in parts]
    return together(parts, max(names, key=names.count) + tail)


def _known(
    values: np.ndarray, used: pd.DataFrame, x: np.ndarray, line: np.ndarray, seal: str,
    reference: str, single: bool,
) -> Comparison:  # fmt: skip
    """Compare known numbers, in the way that their design asks for."""
    numbers = used.assign(value=values)
    block = blocks(used)
    if _told_inside(x, line, block):
        by: Literal["statsmodels", "profile"] = "statsmodels" if single else "profile"
        return blocked_fit(values, x, block.to_numpy(), by=by).contrast(line)
    return _between_logs(numbers[numbers["seal"].isin([seal, reference])], seal, reference)


def _simple(numbers: pd.DataFrame, seal: str, reference: str, slopes: bool) -> Comparison | None:
    """Twins, or two plain groups with nothing to adjust for, where there are but two seals."""
    if numbers["seal"].nunique() > 2:
        return None
    both = numbers.assign(block=blocks(numbers), wall=np.log(numbers["wall_mm"]))
    one = both[both["seal"] == seal].set_index("block")
    two = both[both["seal"] == reference].set_index("block")
    if one.index.is_unique and two.index.is_unique and set(one.index) == set(two.index):
        two = two.loc[one.index]
        if (one["wall"] - two["wall"]).abs().max() <= TWINS:
            return _twins(one, two, slopes)
    plain = both["block"].nunique() == len(both) and both["species"].nunique() == 1
    if plain and np.ptp(both["wall"]) <= TWINS and both["place"].nunique(dropna=False) == 1:
        return welch(one["value"], two["value"])
    return None


def _twins(one: pd.DataFrame, two: pd.DataFrame, slopes: bool) -> Comparison:
    """Student's paired t; where the gain may follow the wall, that at the mean wall."""
    wall = ((one["wall"] + two["wall"]) / 2).to_numpy()
    if not slopes or len(one) < _SLOPES_FROM or np.ptp(wall) < _WALLS_VARY:
        return paired(one["value"], two["value"])
    gain = (one["value"] - two["value"]).to_numpy()
    x = np.column_stack([np.ones(len(gain)), wall - wall.mean()])
    got = blocked_fit(gain, x, np.arange(len(gain))).contrast([1.0, 0.0])
    return replace(got, method="paired t, wall held")


def _connected(frame: pd.DataFrame, pair: pd.DataFrame, seal: str, reference: str) -> pd.DataFrame:
    """The pair's pieces, and those of other seals that help with walls, species and logs."""
    other = frame[~frame["seal"].isin([seal, reference])]
    species = set(pair["species"])
    return pd.concat([pair, other[other["species"].isin(species)]])


def design(
    used: pd.DataFrame, seal: str, reference: str, *, slopes: bool = False
) -> tuple[np.ndarray, np.ndarray]:
    """Fixed effects, and the line that picks `seal` against `reference` at the mean wall.

    Ones, a column for each other seal, species and place, and the centred logarithm of the wall,
    with `slopes` one for each seal that has pieces enough. Columns that add nothing are left.
    """
    wall = np.log(used["wall_mm"].to_numpy(dtype=float))
    pair = used["seal"].isin([seal, reference]).to_numpy()
    wall = wall - wall[pair].mean()
    seals = [name for name in dict.fromkeys(used["seal"]) if name not in (reference, seal)]
    indicators = [(used["seal"] == name).to_numpy(dtype=float) for name in [seal, *seals]]
    columns = [np.ones(len(used)), *indicators]
    for factor in ("species", "place"):
        levels = used[factor].astype(object).where(used[factor].notna(), "")
        columns += [
            (levels == level).to_numpy(dtype=float) for level in sorted(map(str, set(levels)))[1:]
        ]
    if np.ptp(wall) > 0.02:
        columns.append(wall)
        if slopes:
            columns += _slopes(used, wall, indicators, len(columns))
    kept: list[np.ndarray] = []
    for column in columns:
        trial = np.column_stack([*kept, column])
        if np.linalg.matrix_rank(trial) == trial.shape[1]:
            kept.append(column)
    line = np.zeros(len(kept))
    line[1] = 1.0
    return np.column_stack(kept), line


def _slopes(
    used: pd.DataFrame, wall: np.ndarray, indicators: list[np.ndarray], others: int
) -> list[np.ndarray]:
    rows = [indicator > 0 for indicator in indicators]
    rows.append(~np.any(rows, axis=0))  # the reference
    enough = [own.sum() >= _SLOPES_FROM and np.ptp(wall[own]) > _WALLS_VARY for own in rows]
    logs = blocks(used).nunique()
    taken = logs if logs < len(used) else 0
    free = len(used) - taken - others - sum(enough[:-1])
    if not enough[-1] or free < _FREE_WITH_SLOPES:
        return []
    return [own * wall for own, can in zip(indicators, enough[:-1], strict=True) if can]


def _told_inside(x: np.ndarray, line: np.ndarray, block: pd.Series) -> bool:
    """Whether the difference can be told inside the blocks, or no block has two pieces."""
    codes = pd.factorize(block)[0]
    count = int(codes.max()) + 1
    if count == len(codes):
        return True
    full = np.column_stack([x, np.eye(count)[codes]])
    wide = np.concatenate([line, np.zeros(count)])
    rank = np.linalg.matrix_rank(full)
    return bool(np.linalg.matrix_rank(np.vstack([full, wide])) == rank)


def _between_logs(numbers: pd.DataFrame, seal: str, reference: str) -> Comparison:
    """No log holds both seals: the logs' means are the numbers, as many as there are logs."""
    means = (
        numbers.assign(block=blocks(numbers), wall_mm=np.log(numbers["wall_mm"]))
        .groupby(["block", "seal"], as_index=False)
        .agg({"value": "mean", "wall_mm": "mean", "species": "first", "place": "first"})
    )
    means["wall_mm"] = np.exp(means["wall_mm"])
    x, line = design(means, seal, reference)
    got = blocked_fit(means["value"], x, np.arange(len(means))).contrast(line)
    return replace(got, method="means of logs")


def _one_sided(
    pair: pd.DataFrame, known: pd.Series, groups: dict[str, pd.Series], seal: str, reference: str
) -> dict[str, object]:
    """A seal with no known outcome at all: a bound on one side, by the known bounds' own values."""
    if not any((known & group).any() for group in groups.values()):
        if _unclear(pair):
            return {
                "reason": f"of no piece can the day be told on which it reached the target; {_DRY}"
            }
        return {"reason": "neither seal has a piece that has reached the target yet"}
    late = seal if not (known & groups[seal]).any() else reference
    if not np.isfinite(pair.loc[groups[late], "lower"]).all():
        return {"reason": f"no piece under {late!r} was weighed before it had reached the target"}
    # Taken at their bounds the unknown times are too short: what they show, they at least have.
    at_bound = pair.assign(upper=pair["lower"])
    at_bound = at_bound[np.isfinite(at_bound["lower"])]
    try:
        whole = Outcome("", at_bound.reset_index(drop=True))
        got = _compare(whole, whole.frame, seal, reference, 0)
    except WoodlabError as error:
        return {"reason": f"{_not_yet(pair[groups[late]], late)}; {error}"}
    side = "at least" if late == seal else "at most"
    bound = np.exp(got.ci_lower if late == seal else got.ci_upper)
    ends = (bound, np.inf) if late == seal else (0.0, bound)
    return {
        "ci_lower": ends[0], "ci_upper": ends[1], "method": f"{got.method}, times at their bound",
        "df": got.df,
        "reason": f"{_not_yet(pair[groups[late]], late)}: the ratio is {side} {bound:.2g}, its "
        "other end is open",
    }  # fmt: skip


_DRY = (
    "what they weigh dry is not known closely enough (an offcut of each log, dried in an oven, "
    "would tell)"
)


def _unclear(rows: pd.DataFrame) -> bool:
    return "day_unclear" in rows and bool(rows["day_unclear"].any())


def _not_yet(rows: pd.DataFrame, seal: str) -> str:
    if _unclear(rows):
        return f"of no piece under {seal!r} can the day be told on which it reached the target"
    return f"no piece under {seal!r} has reached the target yet"


def randomised(pair: pd.DataFrame, seal: str, seed: int) -> dict[str, float]:
    """p of the randomisation test inside the logs, where the seals were allotted by lot.

    The wall is taken out first, by its slope inside the logs found without regard to the seal,
    so that under the hypothesis the values stay as they are whoever is sealed.
    """
    if not (pair["allotted"] == "random").all():
        return {"p_randomisation": np.nan}
    values = pair["free"].to_numpy(dtype=float)
    if not np.isfinite(values).all():
        pair, values = pair[np.isfinite(values)], values[np.isfinite(values)]
    if len(pair) < 2:
        return {"p_randomisation": np.nan}
    block = np.zeros(len(pair)) if pair["log"].isna().all() else pd.factorize(blocks(pair))[0]
    wall = np.log(pair["wall_mm"].to_numpy(dtype=float))
    inside = pd.DataFrame({"y": values, "w": wall})
    inside = inside - inside.groupby(block).transform("mean")
    power = float((inside["w"] ** 2).sum())
    free = len(pair) - len(np.unique(block))
    if power > 1e-4 and free > 2:
        values = values - wall * float((inside["w"] * inside["y"]).sum()) / power
    try:
        test = randomisation_test(values, pair["seal"] == seal, block, seed=seed)
    except WoodlabError:
        return {"p_randomisation": np.nan}
    return {"p_randomisation": test.p_value}
