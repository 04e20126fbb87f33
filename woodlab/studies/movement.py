"""How far rims moved, against what the tables say, and when they stopped."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from woodlab.book.record_book import RecordBook, expect_book
from woodlab.errors import WoodlabError
from woodlab.studies.cautions import CRACKED_WOOD, DUST
from woodlab.studies.rim_course import mean_course, movement_course, settled_after
from woodlab.studies.rim_moisture import GREEN_DAYS, equilibrium_pct, rim_moisture
from woodlab.studies.rim_rows import rim_rows
from woodlab.studies.wall_window import wall_window
from woodlab.wood.shrinkage import LONGITUDINAL_PCT, SCATTER_SOURCE, green_to_dry

# A rim counts for a species' shrinkage when its piece is below this mean moisture: then the core
# is below fibre saturation too, and the straight line from green to dry holds on average (ours).
DRY_ENOUGH_PCT = 20.0
# A rim whose moisture is so ill known that its shrinkage could be out by this much says nothing.
MOST_MOISTURE_ERROR_PCT = 30.0

_FIGURES = {  # figure -> (column of the rows, unit)
    "radial shrinkage": ("radial_pct", "%"),
    "tangential shrinkage": ("tangential_pct", "%"),
    "longitudinal shrinkage": ("longitudinal_pct", "%"),
    "across the grain, measured/expected": ("across_ratio", "ratio"),
    "rise, measured/expected": ("rise_ratio", "ratio"),
}


@dataclass(frozen=True)
class MovementStudy:
    """Measured against expected movement of a book's rims.

    Attributes
    ----------
    measured : DataFrame
        One row a measured rim: `piece`, `species`, `log`, `on`, `days` since turning,
        `moisture_pct` with its interval and `moisture_from`; `round_mm`, `round_moisture_pct`
        (the rim it is counted from); `along_mm`, `across_mm`, `rise_mm`; `along_shrink_pct`,
        `across_shrink_pct`, `rise_change_mm` since then; the same by the table, with the ends
        for 95 % of trees (`expected_*`); `radial_pct`, `tangential_pct`, `longitudinal_pct`
        (shrinkage green to oven-dry that this rim tells of), `moisture_error_pct` (half the
        width that the moisture's interval gives them, in percent of them), `reason`.
    estimates : DataFrame
        One row a species and figure: `species`, `figure`, `table`, `estimate`, `ci_lower`,
        `ci_upper`, `unit`, `n_pieces`, `n_logs`, `table_inside` (is the table's figure within
        the interval), `method`, `reason`. A figure that cannot be told is NaN with a reason.
    course : DataFrame
        One row a rim after the first: `piece`, `species`, `on`, `days`, `moisture_pct`, `share`
        of the whole movement done, `share_lower`, `share_upper` (reading error), `whole_from`,
        `reason`.
    mean_course : DataFrame
        `days`, mean `share` over pieces, `ci_lower`, `ci_upper`, `n_pieces`.
    settled : DataFrame
        When nine tenths were done: `species` ("all" first), `days` (median), `ci_lower`,
        `ci_upper`, `n_pieces`, `n_not_yet`, `reason`.
    end_moisture_pct : float
        The moisture that the whole movement is counted to.
    level : float
        Of the intervals.
    sentences, cautions : tuple of str
    """

    measured: pd.DataFrame
    estimates: pd.DataFrame
    course: pd.DataFrame
    mean_course: pd.DataFrame
    settled: pd.DataFrame
    end_moisture_pct: float
    level: float
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]

    def window(
        self, rims_mm: list[float], *, thickest: pd.DataFrame | None = None, wall_mm: float = 8.0
    ) -> pd.DataFrame:
        """`wall_window` for the species measured here.

        Parameters
        ----------
        rims_mm, thickest, wall_mm
            As in `woodlab.studies.wall_window.wall_window`.
        """
        names = sorted(self.measured["species"].unique())
        return wall_window(names, rims_mm, thickest=thickest, wall_mm=wall_mm)


def movement_study(
    book: RecordBook, fits: Any | None = None, *, level: float = 0.95
) -> MovementStudy:
    """Shrinkage from a book's own rims, compared with the table's, and the course of movement.

    Parameters
    ----------
    book : RecordBook
        With the table `rims`.
    fits : DryingFits, optional
        Moisture of the pieces at the dates of the rims; the exponential law is fitted unless
        given. Where a piece has no curve, moisture is assumed, and the row says so.
    level : float
        Of the intervals.

    Returns
    -------
    MovementStudy
        `estimates` (a row a species and figure), the courses as frames, `sentences`.

    Raises
    ------
    MissingTableError
        If the book has no rims.
    WoodlabError
        If `level` is not between 0.5 and 1.

    Notes
    -----
    A rim's two measures across and up give its two strains (`strains_from_rim`), these and the
    two moistures the shrinkage green to oven-dry. The last rim of each piece counts, if below
    20 % moisture, where the core is below fibre saturation too: the drier, the less an error of
    the moisture matters. Pieces of one log are averaged; logs (pieces where no log is named) are
    the units of a t interval, which is widened by the mean half-width that the moistures' own
    intervals give. The map is derived in `rim_geometry`; the table's figures are the Wood
    Handbook's (`woodlab.shrinkage`); the 20 % is a choice of ours.

    Examples
    --------
    >>> import woodlab as wl
    >>> study = wl.movement_study(wl.demo_book())
    >>> cherry = study.estimates.query("species == 'black cherry'").set_index("figure")
    >>> own = cherry.loc["tangential shrinkage", ["table", "estimate", "ci_lower", "ci_upper"]]
    >>> own.astype(float).round(1).tolist()
    [7.1, 7.1, 6.4, 7.7]
    """
    if not 0.5 < level < 1:
        raise WoodlabError(f"level must be between 0.5 and 1 (found {level!r}). Type 0.95.")
    book = expect_book(book, "movement_study")
    book.need("rims", "to see how the rims moved")
    moisture, notes = rim_moisture(book, fits)
    end_pct, end_words = equilibrium_pct(book)
    rows = rim_rows(book, moisture)
    estimates = _estimates(rows, level)
    course = movement_course(rows, estimates, end_pct)
    means = mean_course(course, level)
    settled = settled_after(course, level)
    sentences = (
        *_shrinkage_sentences(estimates, level),
        *_course_sentences(means, settled, end_pct, end_words, level),
        *notes,
        *_moisture_sentences(rows),
    )
    cautions = (
        f"The table's figures are means of a species: {SCATTER_SOURCE}.",
        "The reckoning takes the bowl for a wedge of log free of the pith, evenly moist, without "
        "cracks, knots or reaction wood.",
        CRACKED_WOOD,
        DUST,
    )
    return MovementStudy(
        rows, estimates, course, means, settled, end_pct, level, sentences, cautions
    )


def _estimates(rows: pd.DataFrame, level: float) -> pd.DataFrame:
    dry = _last_dry(rows)
    for part, measured in (("across", "across_shrink_pct"), ("rise", "rise_change_mm")):
        expected = dry[f"expected_{part}_{'pct' if part == 'across' else 'mm'}"]
        sure = expected.abs() > (1.0 if part == "across" else 1.0)  # else a ratio says nothing
        dry[f"{part}_ratio"] = (dry[measured] / expected).where(sure)
    out = []
    for species in sorted(rows["species"].unique()):
        table = green_to_dry(species)
        mine = dry[dry["species"] == species]
        known = {
            "radial shrinkage": float(table.radial_pct),
            "tangential shrinkage": float(table.tangential_pct),
            "longitudinal shrinkage": LONGITUDINAL_PCT,
        }
        for figure, (column, unit) in _FIGURES.items():
            row = _one_estimate(mine, column, level)
            expected_value = known.get(figure, 1.0)
            inside = (
                bool(row["ci_lower"] <= expected_value <= row["ci_upper"])
                if np.isfinite([row["ci_lower"], expected_value]).all()
                else None
            )
            head = {"species": species, "figure": figure, "table": expected_value}
            out.append(head | row | {"unit": unit, "table_inside": inside})
    columns = [
        "species", "figure", "table", "estimate", "ci_lower", "ci_upper", "unit", "n_pieces",
        "n_logs", "table_inside", "method", "reason",
    ]  # fmt: skip
    return pd.DataFrame(out, columns=columns)


def _last_dry(rows: pd.DataFrame) -> pd.DataFrame:
    """The last rim of each piece, where it is dry enough and its moisture well enough known.

    The last, not the one of least moisture: that would pick the moistures that are too low by
    error.
    """
    dry = rows[(rows["moisture_pct"] <= DRY_ENOUGH_PCT) & (rows["days"] > GREEN_DAYS)]
    dry = dry[~(dry["moisture_error_pct"] > MOST_MOISTURE_ERROR_PCT)]
    return dry.sort_values("on").drop_duplicates("piece", keep="last").sort_index().copy()


def _one_estimate(rows: pd.DataFrame, column: str, level: float) -> dict[str, Any]:
    """Mean of a figure over logs with its interval; NaN and a reason where it cannot be told."""
    good = rows[rows[column].notna()]
    pieces = good.groupby("piece")[[column, "moisture_error_pct"]].mean()
    log = good.drop_duplicates("piece").set_index("piece")["log"].reindex(pieces.index)
    unit = log.astype(object).where(log.notna(), pieces.index.to_series()).to_numpy()
    logs = pieces[column].groupby(unit).mean()
    n = len(logs)
    out: dict[str, Any] = {
        "estimate": float(logs.mean()) if n else np.nan,
        "ci_lower": np.nan,
        "ci_upper": np.nan,
        "n_pieces": len(pieces),
        "n_logs": n,
        "method": "",
        "reason": "",
    }
    if n >= 2:
        spread = stats.t.ppf(0.5 + level / 2, n - 1) * logs.std(ddof=1) / np.sqrt(n)
        shared = abs(float(logs.mean())) * float(pieces["moisture_error_pct"].mean()) / 100
        reach = float(np.hypot(spread, 0.0 if np.isnan(shared) else shared))
        out["ci_lower"], out["ci_upper"] = out["estimate"] - reach, out["estimate"] + reach
        out["method"] = "t over logs, widened by the moisture's interval"
    elif n == 1:
        out["reason"] = "one log (or one piece) only: nothing to take an interval from"
    elif not len(rows):
        out["reason"] = f"no rim of well known moisture below {DRY_ENOUGH_PCT:g} % yet"
    else:
        out["reason"] = "needs rises, pith_mm, rim_faces and a table figure, which are missing"
    return out


def _shrinkage_sentences(estimates: pd.DataFrame, level: float) -> list[str]:
    out = []
    for species, rows in estimates.groupby("species"):
        known = rows.set_index("figure")
        told = []
        for part in ("radial", "tangential"):
            row = known.loc[f"{part} shrinkage"]
            if np.isfinite(row["ci_lower"]):
                table = (
                    f"the table's {row['table']:.1f} % is {'' if row['table_inside'] else 'not '}"
                    "within it"
                    if np.isfinite(row["table"])
                    else "the table has no figure"
                )
                told.append(
                    f"{part} {row['estimate']:.1f} % ({_percent(level)} interval "
                    f"{row['ci_lower']:.1f} to {row['ci_upper']:.1f} %; {table})"
                )
        row = known.loc["across the grain, measured/expected"]
        if told:
            count = known.loc["radial shrinkage"]
            out.append(
                f"{species}: shrinkage green to oven-dry by its own rims is {', '.join(told)}, "
                f"from {count['n_pieces']} pieces of {count['n_logs']} logs."
            )
        elif np.isfinite(row["ci_lower"]):
            out.append(
                f"{species}: across the grain the rims shrank {row['estimate']:.2f} times what "
                f"the table leads to expect ({_percent(level)} interval {row['ci_lower']:.2f} to "
                f"{row['ci_upper']:.2f}), from {row['n_pieces']} pieces of {row['n_logs']} logs."
            )
        else:
            out.append(f"{species}: shrinkage cannot be told yet: {row['reason']}.")
    return out


def _course_sentences(
    means: pd.DataFrame, settled: pd.DataFrame, end_pct: float, end_words: str, level: float
) -> list[str]:
    out = []
    all_of_them = settled.iloc[0]
    pieces = f"{all_of_them['n_pieces']} pieces, {all_of_them['n_not_yet']} of them not yet there"
    if np.isfinite(all_of_them["days"]):
        upper = all_of_them["ci_upper"]
        until = f"{upper:.0f}" if np.isfinite(upper) else "an end not seen yet"
        out.append(
            f"Half of the pieces had done nine tenths of their movement by day "
            f"{all_of_them['days']:.0f} ({_percent(level)} interval "
            f"{all_of_them['ci_lower']:.0f} to {until}; {pieces}), counted to {end_pct:.1f} % "
            f"moisture ({end_words})."
        )
    elif all_of_them["n_pieces"]:
        bound = all_of_them["ci_lower"]
        more = f"; more than {bound:.0f} days" if np.isfinite(bound) else ""
        out.append(f"When the wood stops moving is not seen yet ({pieces}{more}).")
    else:
        out.append(f"When the wood stops moving cannot be told: {all_of_them['reason']}.")
    quarter = means[means["days"].between(90, 120)]
    if len(quarter) and np.isfinite(quarter["share"]).any():
        row = quarter.iloc[-1]
        interval = (
            f" ({_percent(level)} interval {_percent(row['ci_lower'])} to "
            f"{_percent(row['ci_upper'])})"
            if np.isfinite(row["ci_lower"])
            else ""
        )
        out.append(
            f"By day {row['days']:.0f}, {_percent(row['share'])} of the movement was done"
            f"{interval}, {row['n_pieces']:.0f} pieces. (Common practice, no source: most "
            "within three to four months.)"
        )
    return out


def _moisture_sentences(rows: pd.DataFrame) -> list[str]:
    assumed = rows["moisture_from"].str.startswith("assumed")
    unknown = rows["moisture_pct"].isna()
    out = []
    if assumed.any():
        out.append(
            f"For {int(assumed.sum())} of {len(rows)} rims the moisture was assumed, not known "
            "from a drying curve."
        )
    if unknown.any():
        out.append(
            f"For {int(unknown.sum())} of {len(rows)} rims the moisture is not known; they are "
            "listed with the reason and count for nothing."
        )
    return out


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"
