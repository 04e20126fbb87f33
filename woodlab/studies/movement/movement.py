"""How far rims moved, against what the tables say, and when they stopped."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from woodlab import words
from woodlab.book.record_book import expect_book
from woodlab.drying.asked import asked_once
from woodlab.drying.estimator.courses import yearly_level
from woodlab.drying.fit.saving import season_fits
from woodlab.show import Card, Column, card, listed
from woodlab.studies.cautions import CRACKED_WOOD, DUST
from woodlab.studies.columns import log_names
from woodlab.studies.export import Study
from woodlab.studies.movement.rim_rows import (
    GREEN_DAYS,
    LEVEL,
    ROW_COLUMNS,
    mean_course,
    movement_course,
    rim_rows,
    settled_after,
    t_reach,
)
from woodlab.studies.movement.walls import finished_walls, wall_sentences
from woodlab.wood.shrinkage import LONGITUDINAL_PCT, SCATTER_SOURCE, green_to_dry
from woodlab.words import percent, tally

# A rim counts for a species' shrinkage when its piece is below this mean moisture: then the core
# is below fibre saturation too, and the straight line from green to dry holds on average (ours).
DRY_ENOUGH_PCT = 20.0
# A rim whose moisture is so ill known that its shrinkage could be out by this much says nothing.
MOST_MOISTURE_ERROR_PCT = 30.0

FAMILY = "woods, movement"
ACROSS = "across the grain, measured/expected"
VERDICTS = {"clear": "clearly", "likely": "probably", "open": "cannot tell", "nothing": ""}
_FIGURES = {  # figure -> (column of the rows, unit)
    "radial shrinkage": ("radial_pct", "%"),
    "tangential shrinkage": ("tangential_pct", "%"),
    "longitudinal shrinkage": ("longitudinal_pct", "%"),
    ACROSS: ("across_ratio", "ratio"),
    "rise, measured/expected": ("rise_ratio", "ratio"),
}
ESTIMATE_COLUMNS = [
    "species", "figure", "table", "estimate", "ci_lower", "ci_upper", "unit", "n_pieces",
    "n_logs", "p_value", "family", "p_holm", "certainty", "method", "reason",
]  # fmt: skip
NO_RIMS = "No rim was measured, so nothing can be said of movement."
MEASURE = (
    "Measure a rim along and across the grain, and how far the pith line stands above the sides, "
    "at turning and every month or two: table rims."
)
CAUTIONS = (
    f"The table's figures are means of a species: {SCATTER_SOURCE}.",
    "The geometry takes the bowl for a wedge of log free of the pith, evenly moist, without "
    "cracks, knots or reaction wood.",
    CRACKED_WOOD,
    DUST,
)


@dataclass(frozen=True, eq=False, repr=False)
class MovementStudy(Study):
    """Measured against expected movement of a book's rims. Made by `movement_study`.

    Every column with its unit: docs/glossary.md.

    Attributes
    ----------
    measured : DataFrame
        One row a measured rim: how far it moved, the same by the table, and the shrinkage green
        to oven-dry that it implies by itself.
    estimates : DataFrame
        One row a species and figure. Whether a wood moves as the tables say is decided once, on
        `across the grain, measured/expected`, with Holm's correction over the woods.
    course, mean_course : DataFrame
        The `share` of the whole movement done, a row a rim after the first; its mean by day.
    settled : DataFrame
        When nine tenths were done: median day of all pieces and by species.
    walls : DataFrame
        Pieces that have ended: did the rough wall suffice?
    end_moisture_pct : float
        The moisture that the whole movement is counted to.
    why, would_help, notes, cautions
        As of every study.
    """

    measured: pd.DataFrame
    estimates: pd.DataFrame
    course: pd.DataFrame
    mean_course: pd.DataFrame
    settled: pd.DataFrame
    walls: pd.DataFrame
    end_moisture_pct: float
    why: str = ""
    would_help: str = ""
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS
    invented: bool = False

    @property
    def sentences(self) -> tuple[str, ...]:
        """The findings in sentences, each with its counts or range."""
        return self.card().says

    def findings(self) -> Card:
        """Which woods moved otherwise than the tables say, when they settled, the walls left."""
        rows, parts = self.estimates, ("radial shrinkage", "tangential shrinkage")
        for name in ("estimate", "table"):
            wide = self.estimates.pivot(index="species", columns="figure", values=name)
            own = wide[[*parts]].add_suffix(f" {name}")
            rows = rows.join(own, on="species")

        def told(row: Any, part: str) -> str:
            mean, table = (getattr(row, f"{part} {name}") for name in ("estimate", "table"))
            text = f"{mean:.1f}" if np.isfinite(mean) else "–"
            return text + (f" ({table:.1f})" if np.isfinite(table) else "")

        columns = [
            Column("wood", lambda r: r.species, False),
            Column("across, measured/expected", lambda r: words.two(r.estimate)),
            Column("95 % range", lambda r: words.between(r.ci_lower, r.ci_upper)),
            *(Column(f"{part.split()[0]} [%] (table)", partial(told, part=part)) for part in parts),
            Column("pieces, logs", lambda r: f"{r.n_pieces}, {r.n_logs}"),
            Column("departs from the table", lambda r: VERDICTS[r.certainty], False),
        ]  # fmt: skip
        return card(
            [*verdict_sentences(self.estimates), *self.notes, *self.made_up],
            rows[rows["figure"] == ACROSS], columns, name="species",
            needs=["estimate", *(f"{part} estimate" for part in parts)],
            caption="Movement of rims against the species table",
            more=("study.measured", "study.estimates", "study.course", "study.settled",
                  "study.walls", "study.cautions"),
        )  # fmt: skip

    def own_totals(self, species: str) -> tuple[float, float] | None:
        """Radial and tangential shrinkage green to oven-dry [%] by the book's own rims, of a wood
        that departs from the table clearly or likely; else None, and the table's hold."""
        rows = self.estimates[self.estimates["species"].str.casefold() == species.casefold()]
        rows = rows.set_index("figure")
        if not len(rows) or rows.loc[ACROSS, "certainty"] not in ("clear", "likely"):
            return None
        radial, tangential = rows.loc[["radial shrinkage", "tangential shrinkage"], "estimate"]
        known = np.isfinite([radial, tangential]).all()
        return (float(radial), float(tangential)) if known else None


@asked_once
def movement_study(fits_or_book: Any) -> MovementStudy:
    """Shrinkage from a book's own rims, compared with the table's, and the course of movement.

    Parameters
    ----------
    fits_or_book : DryingFits or RecordBook
        With the table `rims`. A book is fitted by `fit_drying`; the moisture of each piece at
        its rims is read from the fits.

    Returns
    -------
    MovementStudy
        Shows itself; `estimates` (a row a species and figure), the courses and `walls` as frames.
        A book without rims gives a result that says so.

    Raises
    ------
    WoodlabError
        If neither a book nor fits are given.

    Notes
    -----
    The last rim of each piece below 20 % moisture counts (a choice of ours): its two measures give
    its two strains, these and the two moistures the shrinkage green to oven-dry. Logs (pieces where
    no log is named) are the units of a t interval, widened by the moistures' own. The table's
    figures are the Wood Handbook's (`woodlab.shrinkage`); the method: docs/movement.md.

    Examples
    --------
    >>> import pandas as pd, woodlab as wl
    >>> book = wl.demo_book().only(pieces=["A1", "A3", "B2"])
    >>> fits = wl.fit_drying(book, law="exponential")
    >>> wl.movement_study(fits).measured[["piece", "days"]].round().head(2)
      piece  days
    0    A1   0.0
    1    A1  49.0
    >>> bare = wl.RecordBook.from_frames(pieces=book.pieces, weighings=book.weighings)
    >>> wl.movement_study(bare).why
    'No rim was measured, so nothing can be said of movement.'
    """
    book = expect_book(fits_or_book, "movement_study")
    measured = len(book.rims) > 0
    fits = None
    if measured or book.pieces["outcome"].notna().any():
        fits = season_fits(fits_or_book)
    rows = rim_rows(book, fits) if measured else pd.DataFrame(columns=ROW_COLUMNS)
    end_pct = resting_pct(fits) if measured else np.nan
    estimates, walls = _estimates(rows), finished_walls(book, fits)
    ratios = estimates[estimates["figure"] == ACROSS].set_index("species")["estimate"]
    course = movement_course(rows, ratios, end_pct)
    means, settled = mean_course(course), settled_after(course)
    notes = course_sentences(means, settled, end_pct) if measured else []
    weak = int((rows["moisture_from"] != "drying curve").sum())
    notes += [*wall_sentences(walls), *([
        f"For {weak} of {len(rows)} rims the moisture does not come from a good curve of the "
        "piece's own; the column moisture_from says why."] if weak else [])]  # fmt: skip
    why, would_help = ("", "") if measured else (NO_RIMS, MEASURE)
    return MovementStudy(
        rows, estimates, course, means, settled, walls, end_pct, why, would_help,
        tuple(notes), invented=book.invented,
    )  # fmt: skip


def resting_pct(fits: Any) -> float:
    """Mean equilibrium moisture at the pieces over the year to come [%], over all draws."""
    return float(yearly_level(fits, np.datetime64(fits.as_of, "D")).mean())


def _estimates(rows: pd.DataFrame) -> pd.DataFrame:
    """A row a species and figure, from the last dry rim of each piece (the one of least moisture
    would pick the moistures that are too low by error)."""
    dry = rows[(rows["moisture_pct"] <= DRY_ENOUGH_PCT) & (rows["days"] > GREEN_DAYS)]
    dry = dry[~(dry["moisture_error_pct"] > MOST_MOISTURE_ERROR_PCT)].sort_values("on")
    dry = dry.drop_duplicates("piece", keep="last").sort_index()
    for name, measured, by_table in (
        ("across_ratio", "across_shrink_pct", "expected_across_pct"),
        ("rise_ratio", "rise_change_mm", "expected_rise_mm"),
    ):  # of a movement of next to nothing a ratio says nothing
        dry[name] = dry[measured] / dry[by_table].where(dry[by_table].abs() > 1.0)
    out: list[dict[str, Any]] = []
    for species in sorted(rows["species"].unique()):
        table, mine = green_to_dry(species), dry[dry["species"] == species]
        tables = (float(table.radial_pct), float(table.tangential_pct), LONGITUDINAL_PCT, 1.0, 1.0)
        for (figure, (column, unit)), expected in zip(_FIGURES.items(), tables, strict=True):
            head = {"species": species, "figure": figure, "table": expected, "unit": unit}
            out.append(head | _one_estimate(mine, column, expected))
    frame = pd.DataFrame(out, columns=ESTIMATE_COLUMNS)
    if not out:
        return frame
    asked = frame["figure"] == ACROSS
    judged = words.judged(frame.assign(family=np.where(asked, FAMILY, "")))
    return judged.assign(
        p_holm=judged["p_holm"].where(asked), certainty=judged["certainty"].where(asked, "")
    )


def _one_estimate(rows: pd.DataFrame, column: str, table: float = np.nan) -> dict[str, Any]:
    """Mean of a figure over logs, its interval, and the two-sided p of the table's figure by the
    same t; NaN and a reason where it cannot be told."""
    good = rows[rows[column].notna()]
    pieces = good.groupby("piece")[[column, "moisture_error_pct"]].mean()
    logs = pieces[column].groupby(log_names(good).groupby(good["piece"]).first()).mean()
    n, mean = len(logs), float(logs.mean())
    shared = abs(mean) * float(pieces["moisture_error_pct"].mean()) / 100
    reach = float(np.hypot(t_reach(logs), np.nan_to_num(shared)))
    off, p_value = abs(mean - table), np.nan
    if reach < 1e-9 and np.isfinite(table):  # rims all alike, moistures known: made-up records
        p_value = 1.0 if off < 1e-6 * max(abs(table), 1.0) else 0.0
    elif n >= 2:
        p_value = 2 * stats.t.sf(off / reach * stats.t.ppf(0.5 + LEVEL / 2, n - 1), n - 1)
    reasons = {
        "one log (or one piece) only: nothing to take an interval from": n == 1,
        f"no rim of well known moisture below {DRY_ENOUGH_PCT:g} % yet": not len(rows),
        "needs rises, pith_mm, rim_faces and a table figure, which are missing": n == 0,
    }
    reason = next((why for why, holds in reasons.items() if holds), "")
    return {
        "estimate": mean, "ci_lower": mean - reach, "ci_upper": mean + reach, "p_value": p_value,
        "n_pieces": len(pieces), "n_logs": n, "reason": reason,
        "method": "t over logs, widened by the moisture's interval" if n >= 2 else "",
    }  # fmt: skip


def verdict_sentences(estimates: pd.DataFrame) -> list[str]:
    """What the certainty of each wood's movement says, woods of one verdict together."""
    rows = estimates[estimates["figure"] == ACROSS]
    more, sure = rows["estimate"] > 1, rows["certainty"]
    said = {
        "moved more than the tables say": more & (sure == "clear"),
        "moved less than the tables say": ~more & (sure == "clear"),
        "probably moved more than the tables say": more & (sure == "likely"),
        "probably moved less than the tables say": ~more & (sure == "likely"),
        "showed no clear departure from the tables": sure == "open",
    }
    out = [f"Across the grain, rims of {listed(rows['species'][own])} {did}."
           for did, own in said.items() if own.any()]  # fmt: skip
    return out or ["Whether the rims moved as the tables say is not known yet."]


def course_sentences(means: pd.DataFrame, settled: pd.DataFrame, end_pct: float) -> list[str]:
    """When nine tenths of the movement were done, and how much by three to four months."""
    found = settled.iloc[0]
    lower, upper = found["ci_lower"], found["ci_upper"]
    pieces = f"{tally(found['n_pieces'])}, {found['n_not_yet']} of them not yet there"
    if np.isfinite(found["days"]):
        until = f"{upper:.0f}" if np.isfinite(upper) else "an end not seen yet"
        between = f"95 % range {lower:.0f} to {until}; " if np.isfinite(lower) else ""
        said = (
            f"Half of the pieces had done nine tenths of their movement by day "
            f"{found['days']:.0f} ({between}{pieces}), counted to {end_pct:.1f} % moisture, "
            "where the store leads to."
        )
    elif found["n_pieces"]:
        more = f"; more than {lower:.0f} days" if np.isfinite(lower) else ""
        said = f"When the wood stops moving is not seen yet ({pieces}{more})."
    else:
        said = f"When the wood stops moving is not known: {found['reason']}."
    out = [said]
    quarter = means[means["days"].between(90, 120)]
    if np.isfinite(quarter["share"]).any():
        row = quarter.iloc[-1]
        limits = f"{percent(row['ci_lower'])} to {percent(row['ci_upper'])}"
        interval = f" (95 % interval {limits})" if np.isfinite(row["ci_lower"]) else ""
        out.append(
            f"By day {row['days']:.0f}, {percent(row['share'])} of the movement was done"
            f"{interval}, {tally(int(row['n_pieces']))}. (Common practice, no source: most "
            "within three to four months.)"
        )
    return out
