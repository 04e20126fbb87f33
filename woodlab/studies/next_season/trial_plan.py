"""A plan for next season's trial: seals allotted by lot inside each log, walls and sizes balanced.

Many allotments are drawn, each as even inside each log as its pieces allow; one is taken at random
among the few that balance wall and rim best. It stays a lottery, and a test that knows it may only
be sharper than one that does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.errors import WoodlabError, as_list, as_number, as_seed
from woodlab.show import Card, Column, card
from woodlab.studies.cautions import CRACKED_WOOD, DUST, HOT_WAX, in_short
from woodlab.studies.export import Study
from woodlab.studies.next_season.printing import Sheet, SheetColumn, print_sheet

CAUTIONS = (CRACKED_WOOD, DUST, HOT_WAX)
SIZES = ("wall_mm", "rim_mm")
# Kept of the allotments drawn; the fewer, the better the balance and the less chance.
BEST_SHARE = 0.05
NOTED_IMBALANCE = 0.25  # of a standard deviation, told from here on (common practice, no source)


@dataclass(frozen=True, eq=False, repr=False)
class TrialPlan(Study):
    """Which piece gets which seal. Made by `trial_plan`; the same seed gives the same plan.

    Attributes
    ----------
    plan : DataFrame
        One row a piece: `piece`, `log`, `species`, `wall_mm`, `rim_mm`, `seal`, `allotted`
        (`random`), then the other columns of the blanks.
    balance : DataFrame
        One row a seal: `seal`, `n_pieces`, `n_logs`, and for each size `mean_*`, `off_*` (the
        mean's distance from that of all, in standard deviations between pieces).
    imbalance : float
        The largest `off_*`, without its sign; NaN where no size is given.
    seed, draws : int
    sentences, cautions : tuple of str
    """

    plan: pd.DataFrame
    balance: pd.DataFrame
    imbalance: float
    seed: int
    draws: int
    sentences: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS

    def findings(self) -> Card:
        """How the seals were allotted and balanced; a row a piece."""
        columns = [
            Column("piece", lambda r: r.piece, False),
            Column("log", lambda r: _text(r.log), False),
            Column("wood", lambda r: r.species, False),
            Column("wall [mm]", lambda r: _text(r.wall_mm)),
            Column("rim [mm]", lambda r: _text(r.rim_mm)),
            Column("seal", lambda r: r.seal, False),
        ]
        return card(
            [*self.sentences, in_short(self.cautions[0])], self.plan, columns,
            caption="Which piece gets which seal",
            more=("plan.plan", "plan.balance", 'plan.sheet("plan.pdf")',
                  'plan.pieces("2027-01-10")', "plan.cautions"),
        )  # fmt: skip

    def pieces(self, turned_on: str | pd.Timestamp) -> pd.DataFrame:
        """Rows for `wl.blank_book(path, pieces=...)`; mend `turned_on`, `wall_mm` as you turn."""
        day = pd.Timestamp(turned_on)
        if pd.isna(day):
            raise WoodlabError("turned_on is no date. Type it as 2026-11-20.")
        rows = self.plan.drop(columns=[c for c in SIZES if self.plan[c].isna().all()])
        if "wall_mm" not in rows:
            raise WoodlabError(
                "The plan has no walls, which the table pieces needs. Give wall_mm in the blanks."
            )
        return rows.assign(turned_on=day)

    def sheet(self, path: str | Path, *, paper: str = "a4") -> Path:
        """Print the plan as a PDF, to tick off at the bench; `path` ends in .pdf."""
        columns = (
            SheetColumn("log", 1.0, longest=14), SheetColumn("mark", 1.0, longest=14),
            SheetColumn("wood", 1.8, longest=26), SheetColumn("wall (mm)", 0.8, "right"),
            SheetColumn("rim (mm)", 0.8, "right"), SheetColumn("SEAL", 2.0, longest=36),
            SheetColumn("turned on", 1.3), SheetColumn("sealed", 0.8), SheetColumn("note", 2.2),
        )  # fmt: skip
        rows = [
            [_text(r.log), r.piece, r.species, _text(r.wall_mm), _text(r.rim_mm), r.seal, "", "",
             ""] for r in self.plan.itertuples()
        ]  # fmt: skip
        return print_sheet(path, Sheet(
            title="Trial plan: which piece gets which seal",
            above=("The lot decided, not the looks of the wood: keep to it, and where a piece must "
                   "be left out, write so. Seal all pieces of a log on one day.",),
            columns=columns, rows=rows, below=(*self.sentences, *self.cautions[-1:]),
            footer=f"seed {self.seed}, best of {self.draws} draws", row_mm=7.0, paper=paper,
        ))  # fmt: skip


def _text(value: object) -> str:
    """A size in whole millimetres, a name, or nothing."""
    return value if isinstance(value, str) else "" if pd.isna(value) else f"{value:.0f}"


def trial_plan(
    blanks: pd.DataFrame, seals: Sequence[str], *, seed: int, draws: int = 2000
) -> TrialPlan:
    """Allot seals to blanks by lot, inside each log, balanced on wall and rim.

    Parameters
    ----------
    blanks : DataFrame
        A row a blank: `species`, and if known `log`, `piece` (the mark; made from the log where
        absent), `wall_mm`, `rim_mm` [mm]. Other columns are carried. Blanks of no log are a
        group by species.
    seals : sequence of str
        The seals to compare, `none` among them if bare pieces are.
    seed : int
        The same seed gives the same plan.
    draws : int
        Allotments drawn; one is taken at random among the best twentieth.

    Returns
    -------
    TrialPlan

    Raises
    ------
    WoodlabError
        If there are fewer than two seals, one is named twice, or a mark stands twice.

    Notes
    -----
    Source: rerandomisation, Morgan and Rubin (2012), Annals of Statistics 40(2), 1263-1282; the
    twentieth is ours.

    Examples
    --------
    >>> import pandas as pd
    >>> blanks = pd.DataFrame({"log": list("AAAABBBB"), "species": "white ash",
    ...                        "wall_mm": [20, 22, 28, 30, 21, 24, 26, 33]})
    >>> plan = trial_plan(blanks, ["none", "wax"], seed=1)
    >>> plan.plan.groupby(["log", "seal"]).size().unique().tolist(), plan.plan["piece"].iloc[0]
    ([2], 'A1')
    """
    names = [str(seal).strip() for seal in ([] if seals is None else as_list(seals, "seals"))]
    if len(names) < 2:
        raise WoodlabError(f"A trial compares two seals or more (found {seals!r}).")
    if len(set(map(str.casefold, names))) < len(names) or not all(names):
        raise WoodlabError(f"A seal is empty or stands twice in {names}. Name each once.")
    frame = _checked_blanks(blanks)
    if as_number(draws, "draws") < 1:
        raise WoodlabError(f"draws must be 1 or more (found {draws}).")
    block = pd.factorize(frame["log"].fillna("\0" + frame["species"].astype("str")))[0]
    rng = np.random.default_rng(as_seed(seed))
    lots = np.array([_one_lot(block, len(names), rng) for _ in range(draws)])
    # Wall and rim, centred and scaled; a size not given, or all alike, counts for nothing.
    sizes = frame[[*SIZES]]
    spread = sizes.std(ddof=0).replace(0, np.nan)
    scaled = ((sizes - sizes.mean()) / spread).fillna(0).to_numpy()
    # Sum over seals of n times the squared distance of the mean sizes from those of all.
    given = (lots[..., None] == np.arange(len(names))).astype(float)
    sums = np.einsum("dps,pk->dsk", given, scaled)
    scores = (sums**2 / np.maximum(given.sum(axis=1), 1)[..., None]).sum(axis=(1, 2))
    best = np.argsort(scores, kind="stable")[: max(1, int(np.ceil(BEST_SHARE * draws)))]
    lot = lots[rng.choice(best)]
    plan = frame.assign(seal=np.array(names, dtype=object)[lot], allotted="random")
    first = ["piece", "log", "species", *SIZES, "seal", "allotted"]
    plan = plan[[*first, *(c for c in plan.columns if c not in first)]]

    groups = plan.groupby("seal")
    counts = groups.agg(n_pieces=("piece", "size"), n_logs=("log", "nunique"))
    balance = counts.reindex(names, fill_value=0)
    for name in SIZES:
        balance[f"mean_{name}"] = groups[name].mean()
        off = (balance[f"mean_{name}"] - sizes[name].mean()) / spread[name]
        balance[f"off_{name.removesuffix('_mm')}_sd"] = off
    balance = balance.rename_axis("seal").reset_index()
    imbalance = float(balance.filter(like="off_").abs().max(axis=None))
    said = _sentences(plan, balance, imbalance, draws)
    return TrialPlan(plan, balance, imbalance, seed, draws, said)


def _checked_blanks(blanks: pd.DataFrame) -> pd.DataFrame:
    if not isinstance(blanks, pd.DataFrame) or "species" not in blanks:
        raise WoodlabError(
            "The blanks are a table (DataFrame): a row a blank, with the column species (and log, "
            "wall_mm, rim_mm if known)."
        )
    if not len(blanks):
        raise WoodlabError("There are no blanks to plan for. Give a row a blank.")
    frame = blanks.reset_index(drop=True).drop(columns=["seal", "allotted"], errors="ignore")
    for name in SIZES:
        frame[name] = pd.to_numeric(frame[name]) if name in frame else np.nan
        if (frame[name] <= 0).any():
            raise WoodlabError(f"{name} must be above 0; row {int((frame[name] <= 0).idxmax())}.")
    log = frame["log"] if "log" in frame else pd.Series(None, frame.index, dtype=object)
    frame["log"] = log.astype("str").where(log.notna())
    if "piece" not in frame:
        stem = frame["log"].fillna("P")
        frame["piece"] = stem + (frame.groupby(stem).cumcount() + 1).astype("str")
    frame["piece"] = frame["piece"].astype("str")
    twice = frame.loc[frame["piece"].duplicated(), "piece"]
    if len(twice):
        raise WoodlabError(f"The mark {twice.iloc[0]!r} stands twice. Give each blank its own.")
    return frame


def _one_lot(block: np.ndarray, n_seals: int, rng: np.random.Generator) -> np.ndarray:
    """One allotment: inside each log as even as can be; what is left over goes round in turn."""
    lot = np.empty(block.size, dtype=int)
    extra = np.zeros(n_seals)
    for b in rng.permutation(block.max() + 1):
        at = np.flatnonzero(block == b)
        whole, left = divmod(at.size, n_seals)
        order = np.lexsort((rng.random(n_seals), extra))[:left]
        extra[order] += 1
        lot[at] = rng.permutation(np.concatenate([np.tile(np.arange(n_seals), whole), order]))
    return lot


def _sentences(
    plan: pd.DataFrame, balance: pd.DataFrame, imbalance: float, draws: int
) -> tuple[str, ...]:
    logs, k = plan["log"].dropna(), len(balance)
    groups = ", ".join(f"{row.n_pieces} {row.seal}" for row in balance.itertuples())
    loose, n = len(plan) - logs.size, logs.nunique()
    whole = int((plan.groupby("log")["seal"].nunique() == k).sum())

    def are(count: int, of: str = "") -> str:
        return f"{words.count(count, 'piece')}{of} {'is' if count == 1 else 'are'} allotted"

    head = f"{are(loose)} by lot"
    if n:
        inside = f"by lot inside {'it' if n == 1 else 'each log'}"
        head = f"{are(logs.size, ' of ' + words.count(n, 'log'))} {inside}"
        head += f", with {loose} of no log" if loose else ""
    size = f"{imbalance:.2f} standard"
    rows = [
        (True, f"{head}: {groups}."),
        (0 < whole < n, f"Only {whole} of the {n} logs have a piece for every one of the {k} "
         "seals; the others compare some of them."),
        (whole == 0 < n, f"No log has a piece for every one of the {k} seals, so each compares "
         "some of them, or none."),
        (loose, f"{are(loose, ' of no log')} within the species: differences between trees weaken "
         "the comparison."),
        (pd.isna(imbalance),
         "No sizes were given, or all are alike, so nothing was balanced on them."),
        (imbalance > NOTED_IMBALANCE, f"Walls or rims stay out of balance: a group's mean is "
         f"{size} deviations from that of all. Let the comparison allow for wall and rim."),
        (imbalance <= NOTED_IMBALANCE, "Walls and rims are balanced: no group's mean is further "
         f"than {size} deviations from that of all (one of the best twentieth of {draws} draws)."),
        (balance["n_pieces"].min() < 2,
         "A seal has fewer than two pieces, so nothing can be learnt of its scatter."),
    ]  # fmt: skip
    return tuple(words.opened(text) for holds, text in rows if holds)
