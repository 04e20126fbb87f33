"""What cracks, and how thick a wall may be: the crack study."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from woodlab import words
from woodlab.errors import WoodlabError, as_list
from woodlab.show import Card, Column, card, listed
from woodlab.studies import cautions
from woodlab.studies.cracks import risk as risks
from woodlab.studies.cracks import words as said
from woodlab.studies.cracks.hazard import HazardModel, told
from woodlab.studies.cracks.intervals import FirstCracks
from woodlab.studies.export import Study

CAUTIONS = (cautions.CRACKED_WOOD, cautions.GLUE, cautions.ADVICE)
USUAL_DAY = 120.0
PARTIAL_COLUMNS = [
    "column", "value", "by_day", "risk", "ci_lower", "ci_upper", "risk_crude", "n_standard",
]  # fmt: skip
EVERY_COLUMNS = [
    "gap_days", "n_looks", "missed", "unseen_days", "ci_lower", "ci_upper", "longest_unseen_days",
    "unseen_days_per_100", "per_100_ci_lower", "per_100_ci_upper",
]  # fmt: skip
GAP_COLUMNS = [
    "week", "from_day", "to_day", "chance", "ci_lower", "ci_upper", "longest_gap_days",
    "even_gap_days", "even_gap_lower_days", "even_gap_upper_days",
]  # fmt: skip
LONGEST_GAP_DAYS = 60
_GRID = 24


@dataclass(frozen=True, eq=False, repr=False)
class CrackStudy(Study):
    """The findings of a crack study. Made by `crack_study`. Every column: docs/glossary.md."""

    rates: pd.DataFrame  # shares that cracked, per piece looked at, with Wilson intervals
    standardised: pd.DataFrame  # the risk had all pieces been of one level, net and crude
    effects: pd.DataFrame  # a row a term; `certainty` is decided here and nowhere else
    whole: pd.DataFrame  # the share still whole against days since turning (Turnbull)
    missed: pd.DataFrame  # how often a look is taken to overlook a crack, by its length
    first: FirstCracks  # the looks as the study took them
    too_few: pd.DataFrame  # pieces without a crack that were looked at too little
    growth: pd.DataFrame  # cracks after they were seen; not a trial of gluing
    growth_by_action: pd.DataFrame
    model: HazardModel | None  # None where no crack was found
    reference: str
    by_day: float = USUAL_DAY  # of the standardised risks
    invented: bool = False
    why: str = ""  # why the book cannot answer, and what would help
    would_help: str = ""
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS

    def findings(self) -> Card:
        """Counts, the risk under each seal, what is not known; a row a seal."""
        n, k = (int(self.rates[name].iloc[0]) for name in ("n_pieces", "n_cracked"))
        lines = [words.of_all(k, n, "looked over cracked" if k < 10 else "cracked")
                 + "." if k else f"No crack was found in {n} pieces."]  # fmt: skip
        lines += [*self._told(), cautions.in_short(cautions.CRACKED_WOOD), *self.made_up]
        rows = self.standardised[self.standardised["by"] == "seal"]
        order = sorted(words.order_of_seals(rows["level"]), key=lambda seal: seal != self.reference)
        rows = rows.set_index("level", drop=False).loc[order]
        sure = self.effects[self.effects["kind"] == "seal"].set_index("level")["certainty"]
        return card(
            lines, rows.assign(sure=sure.reindex(order).fillna("")),
            [Column("seal", lambda r: str(r.level), number=False),
             Column("cracked", lambda r: f"{r.n_cracked} of {r.n_pieces}"),
             Column(f"of 100 like these, by day {self.by_day:.0f}",
                    lambda r: said.in_100(r.risk).removeprefix("about ")),
             Column("95 % range", lambda r: said.span_100(r.ci_lower, r.ci_upper)),
             Column("against the first", lambda r: r.sure, number=False)],
            caption="Cracks by seal: counts, and the risk over the season's own pieces",
            needs=["risk"], name="level",
            more=("study.rates", "study.effects", "study.standardised", "study.risk(frame)",
                  "study.thickest_wall()", "study.look_every()", "study.sentences",
                  "study.save_tables(path)"),
        )  # fmt: skip

    def _told(self) -> list[str]:
        """Clear and likely differences, counts first; then what is open, together."""
        if self.model is None:
            return []
        sure = self.effects["certainty"].isin(["clear", "likely"])
        still = self.effects["certainty"] == "open"
        books = self.effects["kind"] == "book"
        lines = said.effect_sentences(self, self.effects[sure])
        lines = lines or ["No difference between seals, species or walls is clear."]
        lines += said.effect_sentences(self, self.effects[still & books])
        names = [row["level"] or said.sides(row)[0].lower()
                 for row in self.effects[still & ~books].to_dict("records")]  # fmt: skip
        lines += [f"Too few cracks to tell: {listed(names)}."] if names else []
        return [said.standing_out(self.effects), *lines]

    @property
    def sentences(self) -> tuple[str, ...]:
        """The findings in plain words, each with its counts or interval."""
        told = (self.why, self.would_help) if self.why else said.sentences(self)
        return tuple(filter(None, told))

    def risk(self, frame: pd.DataFrame, by_day: float = USUAL_DAY) -> pd.DataFrame:
        """The chance that planned pieces, of logs not yet known, crack by a day since turning.

        `frame` has `species`, `seal` and `wall_mm` [mm], a row a piece; a term of the study that is
        not given takes its reference or mean. It comes back with `risk` (net: if nothing else ended
        the piece), `risk_crude` (that a crack comes before it is scrapped, finished or given away,
        as in this book), their 95 % limits, and `reason`: outside what was tried the numbers are
        NaN. Of a book without a crack `ci_upper` is Wilson's for all pieces looked at until then.
        """
        if self.model is None:
            return risks.risk_without_cracks(self.first.used, frame, by_day, self.why)
        return risks.planned_risk(self.model, frame, by_day)

    def partial_dependence(
        self, column: str, values: Sequence[float] | None = None, by_day: float = USUAL_DAY
    ) -> pd.DataFrame:
        """The risk of the season's own pieces, had all of them one value of a number.

        `column` is `wall_mm` or a number among the study's terms; `values` seven steps over what
        was tried, unless given. No rows where no crack was found.
        """
        if self.model is None:
            return pd.DataFrame(columns=PARTIAL_COLUMNS)
        numbers = [term.column for term in self.model.design.terms if not term.level]
        if column not in numbers:
            raise WoodlabError(
                f"{column!r} is not a number in this study (numbers: {', '.join(numbers)}). Add "
                f"it: wl.crack_study(book, terms=[{column!r}])."
            )
        own = self.model.used[column]
        steps = [*(np.linspace(own.min(), own.max(), 7) if values is None else values)]
        table = risks.standardised(self.model, column, steps, by_day)
        table = table.rename(columns={"level": "value"}).assign(column=column)
        return table[PARTIAL_COLUMNS].astype({"value": float})

    def thickest_wall(self, max_risk: float = 0.1, by_day: float = USUAL_DAY) -> pd.DataFrame:
        """The thickest wall for which we can say that the risk of a crack by a day, in days since
        turning, is below a level, the chance that you accept; a row a species and seal.

        Up to `wall_mm` the upper 95 % limit of the risk is below the level (NaN: not yet known);
        at `crossing_mm` (`ci_lower`, `ci_upper`) the best estimate crosses it; `n_more_pieces`
        would tell. Only walls that were tried are given. It says nothing of one blank, and nothing
        makes a cracked one fit to turn.
        """
        if self.model is not None:
            return risks.thickest_walls(self.model, max_risk, by_day)
        cells = self.first.used.groupby(["species", "seal"]).size().rename("n_pieces").reset_index()
        return cells.reindex(columns=risks.WALL_COLUMNS).assign(
            max_risk=max_risk, by_day=float(by_day), n_cracked=0,
            reason=f"not yet known: {said.NO_CRACKS}",
        )  # fmt: skip

    def look_every(
        self, gaps_days: Sequence[float] = (3, 4, 7, 14), until_day: float = USUAL_DAY
    ) -> pd.DataFrame:
        """What looking every so many days would have meant for a typical piece, a row a gap.

        `unseen_days` is how long a crack is expected to run unseen, looks that overlook it counted
        in; 19 cracks of 20 are found within `longest_unseen_days`; `unseen_days_per_100` is of 100
        pieces in all, until `until_day`. Intervals are of 95 %.
        """
        if self.model is None:
            return pd.DataFrame(columns=EVERY_COLUMNS)
        until = min(risks.days_of(until_day, "until_day"), self.model.last_days)
        missed, rows = self.model.misses.typical, []
        for gap in as_list(gaps_days, "gaps_days"):
            gap = risks.days_of(gap, "gaps_days")
            still, found, lost = (np.array(x) for x in (1.0, 0.0, 0.0))
            for start in np.arange(0, until - 1e-9, gap):
                days, chance = _unseen(self.model, start, min(gap, until - start))
                found, lost = found + still * chance, lost + still * chance * days
                still = still * (1 - chance)
            # The number of looks after which nineteen cracks of twenty have been found.
            looks = max(np.ceil(np.log(0.05) / np.log(max(missed, 1e-6))), 1.0)
            rows.append([gap, int(np.ceil(until / gap)), missed,
                         *told(lost / np.maximum(found, 1e-300)), gap * looks,
                         *told(100 * lost)])  # fmt: skip
        return pd.DataFrame(rows, columns=EVERY_COLUMNS)

    def look_gaps(
        self, unseen_days: float = 2.0, piece_days: float = 7.0, until_day: float = USUAL_DAY
    ) -> pd.DataFrame:
        """How the hazard runs, and the longest gap between looks, week by week since turning.

        `chance` is that of a first crack in that week, of a typical piece still whole. Gaps in
        whole days, 1 to 60: `longest_gap_days` keeps a crack's expected run below `unseen_days`,
        `even_gap_days` the unseen days of 100 pieces in a week below `piece_days`.
        """
        unseen_days = risks.days_of(unseen_days, "unseen_days")
        piece_days = risks.days_of(piece_days, "piece_days")
        if self.model is None:
            return pd.DataFrame(columns=GAP_COLUMNS)
        model, rows = self.model, []
        until = min(risks.days_of(until_day, "until_day"), model.last_days)
        for week, start in enumerate(np.arange(0.0, until, 7.0), start=1):
            end = float(min(start + 7.0, model.last_days))
            if week > 1 and end - start < 3.5:
                break  # the last days are no week
            total = model.typical[:, 0] + model.course.log_integral(start, end, model.gamma)
            chance = told(-np.expm1(-np.exp(total)))
            gaps = np.arange(1.0, LONGEST_GAP_DAYS + 1)
            unseen = np.array([_unseen(model, start, float(gap), first=1)[0][0] for gap in gaps])
            most = [unseen_days, *(piece_days / (100 * chance[i] * 7 / (end - start))
                                   for i in (0, 2, 1))]  # fmt: skip
            # the longest in whole days, one at least, that keeps the unseen days at the limit
            longest = [float(gaps[unseen <= limit].max(initial=1)) for limit in most]
            rows.append([week, start, end, *chance, *longest])
        return pd.DataFrame(rows, columns=GAP_COLUMNS)

    def risk_by_wall(self, by_day: float = USUAL_DAY, seal: str | None = None) -> pd.DataFrame:
        """`risk` over the walls tried of each species, under one seal (the reference unless given):
        what the chart of risks draws."""
        ends = self.first.used.groupby("species")["wall_mm"].agg(["min", "max"])
        rows = [
            (species, self.reference if seal is None else seal, wall)
            for species, low, high in ends.itertuples()
            for wall in np.linspace(low, high, 7 if high - low >= 1 else 1)
        ]
        return self.risk(pd.DataFrame(rows, columns=["species", "seal", "wall_mm"]), by_day)

    def more_tables(self) -> dict[str, pd.DataFrame]:
        return {
            "thickest_wall": self.thickest_wall(), "look_every": self.look_every(),
            "look_gaps": self.look_gaps(), "risk_by_wall": self.risk_by_wall(by_day=self.by_day),
        }  # fmt: skip


def _unseen(
    model: HazardModel, start: float, gap: float, first: int | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Expected days from opening to the look that finds it (a gap more for each look that overlooks
    it), and the chance of opening, of a typical piece; of estimate and draws, or `first` few."""
    edges = np.linspace(start, start + gap, _GRID + 1)
    middle = (edges[1:] + edges[:-1]) / 2
    rate = model.typical[:first] + model.gamma[:first] @ model.course.basis(middle).T
    total = np.cumsum(np.exp(rate) * np.diff(edges), axis=1)
    opened = -np.diff(np.exp(-total), axis=1, prepend=1.0)
    chance = opened.sum(axis=1)
    days = (opened @ (edges[-1] - middle)) / np.maximum(chance, 1e-300)
    missed = model.misses.typical
    return np.where(chance > 0, days, gap / 2) + gap * missed / (1 - missed), chance
