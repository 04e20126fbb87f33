"""`SealStudy`: what sealing did, and the frames behind its charts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.drying import kernel
from woodlab.drying.fit.results import DryingFits
from woodlab.show import Card, Column, card, listed
from woodlab.studies.columns import groups_of
from woodlab.studies.cracks.counts import wilson_interval
from woodlab.studies.export import Study
from woodlab.studies.sealing import swap
from woodlab.studies.sealing import words as said
from woodlab.studies.sealing.effects import (
    EFFECT_COLUMNS,
    NEXT,
    PARTIAL_COLUMNS,
    TERM_COLUMNS,
    THIS,
    Compared,
    average,
    weeks_by_number,
)

FACTS = ["piece", "seal", "species", "log", "wall_mm", "place", "allotted"]
PIECE_COLUMNS = [
    *FACTS, "weeks", "weeks_lower", "weeks_upper", "reached", "surface_m_s", "cracked", "status",
    "reason",
]  # fmt: skip
SEAL_COLUMNS = [
    "seal", "n_pieces", "n_reached", "weeks", "weeks_lower", "weeks_upper", "weeks_to_come",
    "core_to_surface_pct", "n_looked", "n_cracked", "crack_pct", "ci_lower", "ci_upper",
]  # fmt: skip
COURSE_COLUMNS = ["piece", "seal", "days", "moisture_pct"]
TYPICAL_COLUMNS = ["seal", "days", "moisture_pct", "n_pieces"]
PAIR_COLUMNS = ["log", "seal", "weeks", "predicted", "n_pieces"]
GROUP_COLUMNS = [
    "by", "group", "seal", "reference", "n_pieces", "n_reference", "ratio", "ci_lower", "ci_upper",
    "weeks", "weeks_reference", "n_looked", "n_cracked", "reason",
]  # fmt: skip
STEP_DAYS, OWN_DRAWS = 7, 60


def _empty(columns: list[str]) -> Any:
    """A field that has no rows where the study cannot answer."""
    return field(default_factory=partial(pd.DataFrame, columns=columns))


@dataclass(frozen=True, eq=False, repr=False)
class SealStudy(Study):
    """What sealing did. Made by `seal_study`. Every column with its unit: docs/glossary.md."""

    reference: str
    # a row an outcome, seal and scope; `certainty` is decided here and nowhere else
    effects: pd.DataFrame = _empty(EFFECT_COLUMNS)
    # had all of the season's pieces had the seal: weeks, core and surface; cracks counted
    by_seal: pd.DataFrame = _empty(SEAL_COLUMNS)
    pieces: pd.DataFrame = _empty(PIECE_COLUMNS)  # under their own seals, with 90 % limits
    course: pd.DataFrame = _empty(COURSE_COLUMNS)  # moisture of the fit by day
    typical: pd.DataFrame = _empty(TYPICAL_COLUMNS)  # its median by seal
    pairs: pd.DataFrame = _empty(PAIR_COLUMNS)  # weeks of logs that hold more than one seal
    by_group: pd.DataFrame = _empty(GROUP_COLUMNS)  # of the columns asked for in `by`
    terms: pd.DataFrame = _empty(TERM_COLUMNS)  # ratios of the surface coefficient, of `terms`
    target_moisture_pct: float = np.nan  # mean of the pieces' targets
    laws: str = ""
    why: str = ""  # why the book cannot answer, and what would help
    would_help: str = ""
    cautions: tuple[str, ...] = ()
    compared: Compared | None = None  # the runs that the frames are made of
    invented: bool = False

    @property
    def sentences(self) -> tuple[str, ...]:
        """Every finding in plain words."""
        return (self.why, self.would_help) if self.why else said.sentences(self)

    def findings(self) -> Card:
        """Counts and weeks under each seal, then how sure; a row a seal."""
        time = self.effects.query("outcome == 'drying_time' and scope == @THIS").set_index("seal")
        crack = self.effects.query("outcome == 'crack_hazard'").set_index("seal")
        of = self.by_seal["seal"]
        rows = self.by_seal.assign(
            ratio=of.map(time["ratio"]), reason=of.map(time["reason"]).fillna(""),
            sure=of.map(time["certainty"]), crack_sure=of.map(crack["certainty"]).fillna(""),
        )  # fmt: skip
        return card(
            [self._headline(time), *self.sentences, *self.made_up],
            rows[~rows["seal"].isin(said.single(self.effects))],
            [Column("seal", lambda r: r.seal, False),
             Column("bowls", lambda r: f"{r.n_pieces}"),
             Column(f"weeks to {words.target(self.target_moisture_pct)}",
                    lambda r: said.weeks(r.weeks)),
             Column("95 % range", lambda r: f"{said.weeks(r.weeks_lower)} to "
                    f"{said.weeks(r.weeks_upper)}"),
             Column("drying", lambda r: "" if not np.isfinite(r.ratio) else
                    words.longer(r.ratio) + f" ({r.sure})", False),
             Column("cracked", lambda r: f"{r.n_cracked} of {r.n_looked}" if r.n_looked else ""),
             Column("cracks", lambda r: r.crack_sure, False)],
            caption="Each seal on all of the season's pieces; against "
            + words.bowls(self.reference),
            needs=["weeks"], name="seal",
            more=("study.effects", "study.by_seal", "study.pieces", "study.terms",
                  "study.by_group", 'study.partial_dependence("wall_mm")', "study.sentences",
                  "study.to_bear_in_mind", "study.save_tables(path)"),
        )  # fmt: skip

    def _headline(self, time: pd.DataFrame) -> str:
        sure, n = time[time["certainty"].isin(["clear", "likely"])], words.count(len(self.pieces))
        if not len(sure):
            return f"Among {n}, no seal clearly changed how long drying takes."
        weeks = self.by_seal.set_index("seal")["weeks"].dropna().map(said.weeks)
        each = listed(f"{weeks[s]} {said.under(s)}" for s in words.order_of_seals(sure.index))
        verb = "slowed drying" if (sure["ratio"] > 1).all() else "changed how long drying takes"
        probably = "" if (sure["certainty"] == "clear").any() else " probably"
        return (
            f"Sealing{probably} {verb}: on average {weeks[self.reference]} weeks "
            f"{said.under(self.reference)} to {words.target(self.target_moisture_pct)}, {each} "
            f"({n})."
        )

    def partial_dependence(
        self, column: str, values: Sequence[float] | None = None
    ) -> pd.DataFrame:
        """Weeks to the target of the season's own pieces, had all of them one value of a number.

        `column` is `wall_mm`, which the fit's law has in it, or a number among the study's terms,
        which works by the surface coefficient; `values` seven steps over what there was, unless
        given. `weeks` is a geometric mean with 95 % limits; no rows where there is no answer.
        """
        if self.compared is None:
            return pd.DataFrame(columns=PARTIAL_COLUMNS)
        return weeks_by_number(self.compared, self.terms, column, values)


def piece_frame(
    fits: DryingFits, target_pct: float | None, cracked: pd.Series
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """`SealStudy.pieces` and `SealStudy.course`, from fewer draws of every piece."""
    every = np.arange(fits.records.n_pieces)
    few = swap.fewer(fits, every, OWN_DRAWS)
    runs = swap.this_season(few, target_pct)
    low, middle, high = np.quantile(runs.days("own") / 7, [0.05, 0.5, 0.95], axis=1)
    shelf = few.records.shelf
    day = float((np.datetime64(fits.as_of, "D") - shelf.first_day) / np.timedelta64(1, "D"))
    now = np.maximum(day - shelf.start + 0.5, 0)[: len(every)]
    pieces = fits.book.pieces.reset_index(drop=True)
    frame = pieces[FACTS].assign(
        weeks=middle, weeks_lower=low, weeks_upper=high, reached=7 * middle <= now,
        surface_m_s=fits.pieces.get("surface_m_s", np.nan),
        cracked=pieces["piece"].map(cracked).astype(float),
        status=fits.pieces["status"].to_numpy(), reason=fits.pieces["reason"].to_numpy(),
    )  # fmt: skip
    days = np.arange(0.0, now.max(initial=0.0) + 1, STEP_DAYS)
    weekly = np.repeat(days[None], len(every), axis=0)
    level = np.median(few.moisture_draws(weekly, grid=kernel.COARSE), axis=1)
    row, step = np.nonzero(days[None] <= now[:, None])
    course = frame[["piece", "seal"]].iloc[row].reset_index(drop=True)
    return frame, course.assign(days=days[step], moisture_pct=level[row, step])


def typical_frame(course: pd.DataFrame) -> pd.DataFrame:
    """Median moisture of each seal's pieces by day, while half of them are on record."""
    whole = course.groupby("seal")["piece"].nunique()
    table = course.groupby(["seal", "days"], as_index=False).agg(
        moisture_pct=("moisture_pct", "median"), n_pieces=("piece", "nunique")
    )
    return table[2 * table["n_pieces"] >= table["seal"].map(whole)].reset_index(drop=True)


def pair_frame(pieces: pd.DataFrame) -> pd.DataFrame:
    """Weeks by log and seal, of the logs that hold more than one seal."""
    known = pieces[pieces["log"].notna() & pieces["seal"].notna()]
    both = known[known.groupby("log")["seal"].transform("nunique") > 1]
    both = both.assign(weeks=np.log(both["weeks"]), predicted=~both["reached"].astype(bool))
    table = both.groupby(["log", "seal"], as_index=False).agg(
        weeks=("weeks", "mean"), predicted=("predicted", "any"), n_pieces=("piece", "size")
    )
    return table.assign(weeks=np.exp(table["weeks"]))


def seal_frame(of: Compared, pieces: pd.DataFrame) -> pd.DataFrame:
    """`SealStudy.by_seal`."""
    rows = []
    for seal in [of.reference, *words.order_of_seals(of.seals)]:
        own = pieces[pieces["seal"] == seal]
        hits, looked = int(own["cracked"].sum()), int(own["cracked"].notna().sum())
        low, high = wilson_interval(hits, looked)
        row: dict[str, object] = {
            "seal": seal, "n_pieces": len(own), "n_reached": int(own["reached"].sum()),
            "n_looked": looked, "n_cracked": hits,
            "crack_pct": 100 * hits / looked if looked else np.nan, "ci_lower": 100 * low,
            "ci_upper": 100 * high,
        }  # fmt: skip
        if seal in of.core:
            row["core_to_surface_pct"] = np.exp(np.log(of.core[seal]).mean())
        if seal in of.days[THIS]:
            ln = of.ln_weeks(seal)
            for name, k in (("weeks_lower", -1), ("weeks", 0), ("weeks_upper", 1)):
                row[name] = np.exp(ln.mean() + k * 1.96 * ln.std(ddof=1))
            row["weeks_to_come"] = np.exp(of.ln_weeks(seal, NEXT).mean())
        rows.append(row)
    return pd.DataFrame(rows, columns=SEAL_COLUMNS)


def group_frame(
    of: Compared, pieces: pd.DataFrame, book: pd.DataFrame, by: list[str]
) -> pd.DataFrame:
    """`SealStudy.by_group`: the group's own pieces run under both seals, and counted."""
    rows = []
    for name in by:
        groups = groups_of(book[name].reset_index(drop=True))
        for group, seal in product(sorted(groups.dropna().unique()), of.seals):
            here = pieces[(groups == group).to_numpy()]
            mine, inside = here[here["seal"] == seal], (groups.iloc[of.pick] == group).to_numpy()
            row: dict[str, object] = {
                "by": name, "group": group, "seal": seal, "reference": of.reference,
                "n_pieces": len(mine), "n_reference": int((here["seal"] == of.reference).sum()),
                "n_looked": int(mine["cracked"].notna().sum()),
                "n_cracked": int(mine["cracked"].sum()), "reason": of.told[seal][0],
            }  # fmt: skip
            if not row["reason"] and inside.any():
                ln, other = (of.ln_weeks(s, THIS, inside) for s in (seal, of.reference))
                row |= average(ln - other, of.df(seal))
                row |= {"weeks": np.exp(ln.mean()), "weeks_reference": np.exp(other.mean())}
            rows.append(row)
    return pd.DataFrame(rows, columns=GROUP_COLUMNS)
