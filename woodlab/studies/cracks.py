"""What cracks, and how thick is safe: the crack study."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.errors import WoodlabError
from woodlab.studies import cautions, crack_words, looks
from woodlab.studies.crack_design import CrackDesign
from woodlab.studies.crack_effects import effects_table
from woodlab.studies.crack_growth import crack_growth, growth_by_action, growth_sentences
from woodlab.studies.crack_physics import with_core
from woodlab.studies.crack_rates import crack_rates, too_few_looks, whole_fractions
from woodlab.studies.crack_risk import planned_risk, thickest_walls
from woodlab.studies.first_cracks import FirstCracks, first_cracks
from woodlab.studies.hazard import HazardModel, fit_hazard
from woodlab.studies.whole_fraction import wilson_interval

NO_CRACKS = "no crack was found in this book, so there is no hazard to fit"
CAUTIONS = (cautions.CRACKED_WOOD, cautions.GLUE, cautions.ADVICE)

# Species are partly pooled from this many on, when the middling one has fewer pieces than that.
POOL_FROM_SPECIES = 5
POOL_BELOW_PIECES = 10


@dataclass(frozen=True, eq=False)
class CrackStudy:
    """The findings of a crack study. Made by `crack_study`.

    Attributes
    ----------
    rates : DataFrame
        Crude rates with Wilson intervals, a row a group: `by` (`all`, `species`, `seal`,
        `wall`), `group`, `n_pieces`, `n_cracked`, `rate` (a share), `ci_lower`, `ci_upper`,
        `n_no_looks`, `n_too_few_looks`, `reason`.
    whole : DataFrame
        The share still whole against days since turning, by group (Turnbull): `by`, `group`,
        `kind` (`known` stretches and `gap`s), `from_days`, `to_days`, `whole_from`, `whole_to`,
        `ci_lower`, `ci_upper`, `n_pieces`.
    effects : DataFrame
        `term` (in words), `hazard_ratio`, `ci_lower`, `ci_upper` (95 %, profile), `p_value`,
        `n_pieces`, `n_cracked` (of the two groups compared), `method`, `reason` (why there is
        no number, or what to know of it), `kind`, `level`, `reference`.
    first : FirstCracks
        The looks as the study took them: `first.pieces`, `first.intervals`.
    too_few : DataFrame
        Pieces without a crack that were looked at too little: `piece`, `n_looks`,
        `last_look_days`, `reason`.
    growth, growth_by_action : DataFrame
        Cracks after they were seen, a row a crack and a row an action. Not a trial of gluing.
    physics : DataFrame
        The core-to-surface difference in place of wall and seal, where it was given: `question`,
        `estimate`, `ci_lower`, `ci_upper`, `p_value`, `n_pieces`, `n_cracked`, `reason`.
    model : HazardModel or None
        None where no crack was found.
    notes, cautions : tuple of str
    """

    rates: pd.DataFrame
    whole: pd.DataFrame
    effects: pd.DataFrame
    first: FirstCracks
    too_few: pd.DataFrame
    growth: pd.DataFrame
    growth_by_action: pd.DataFrame
    physics: pd.DataFrame
    model: HazardModel | None
    reference: str
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = CAUTIONS
    _walls: dict[tuple[float, float], pd.DataFrame] = field(default_factory=dict, repr=False)

    @cached_property
    def sentences(self) -> tuple[str, ...]:
        """The findings in plain words, each with its interval and number of pieces."""
        return _sentences(self)

    @property
    def log_effect(self) -> pd.DataFrame:
        """Spread of ln rate between logs: `n_logs`, `log_sd`, `factor` (its exp), `reason`."""
        sd = self.model.log_sd if self.model is not None else np.nan
        count = int(self.first.used["log"].nunique())
        why = "" if np.isfinite(sd) else "no log has two pieces, or no crack was found"
        return pd.DataFrame(
            {"n_logs": [count], "log_sd": [sd], "factor": [np.exp(sd)], "reason": [why]}
        )

    def risk(self, frame: pd.DataFrame, by_day: float = 120) -> pd.DataFrame:
        """The chance that planned pieces, of logs not yet known, crack by a day.

        Parameters
        ----------
        frame : DataFrame
            `species`, `seal`, `wall_mm` [mm], a row a piece; other columns are carried.
        by_day : float
            Days since turning.

        Returns
        -------
        DataFrame
            The frame with `by_day`, `risk` (a share), `ci_lower`, `ci_upper` (95 %, profile
            likelihood) and `reason`. Outside what was tried (species, seal, wall, day) the
            numbers are NaN, and `reason` says what was. Where the book has no crack at all,
            `ci_upper` is Wilson's for the pieces looked at until that day, whatever they are.

        Raises
        ------
        WoodlabError
            If a column is missing or `by_day` is not above 0.
        """
        if self.model is not None:
            return planned_risk(self.model, frame, by_day)
        used = self.first.used
        long = int((used["after_days"] >= by_day).sum())
        _, upper = wilson_interval(0, long)
        words = (
            f"no crack was found; {crack_words.pieces(long)} in all, looked at until "
            f"day {by_day:g} or longer: only an upper limit, the same for every piece"
        )
        refuse = "the data cannot say: no crack was found, and no piece was looked at that long"
        known = frame["species"].isin(used["species"]) & frame["seal"].isin(used["seal"])
        known &= frame["wall_mm"].between(used["wall_mm"].min(), used["wall_mm"].max())
        strange = "the data cannot say: this species, seal or wall was never tried"
        out = frame.assign(by_day=float(by_day), risk=np.nan, ci_lower=np.nan, ci_upper=upper)
        out["ci_lower"] = np.where(known & (long > 0), 0.0, np.nan)
        out["ci_upper"] = np.where(known & (long > 0), upper, np.nan)
        out["reason"] = np.where(known, words if long else refuse, strange)
        return out

    def thickest_wall(self, max_risk: float = 0.1, by_day: float = 120) -> pd.DataFrame:
        """The thickest wall at which the chance of a crack stays at or below a level.

        Parameters
        ----------
        max_risk : float
            The chance that you accept, between 0 and 1.
        by_day : float
            Days since turning.

        Returns
        -------
        DataFrame
            A row a species and seal: `species`, `seal`, `wall_mm`, `ci_lower`, `ci_upper` [mm],
            `max_risk`, `by_day`, `n_pieces`, `n_cracked` (of just these), `reason`. Only walls
            that were tried are given; NaN and `the data cannot say` where the level is not
            crossed among them. An end of the interval that lies beyond them is NaN.

        Raises
        ------
        WoodlabError
            If `max_risk` is not between 0 and 1, or `by_day` is not above 0.
        """
        if self.model is not None:
            key = (float(max_risk), float(by_day))
            if key not in self._walls:
                self._walls[key] = thickest_walls(self.model, max_risk, by_day)
            return self._walls[key].copy()
        used = self.first.used
        cells = used.groupby(["species", "seal"]).size().rename("n_pieces").reset_index()
        nan = {name: np.nan for name in ("wall_mm", "ci_lower", "ci_upper")}
        out = cells.assign(**nan, max_risk=max_risk, by_day=float(by_day), n_cracked=0,
                           reason=f"the data cannot say: {NO_CRACKS}")  # fmt: skip
        order = ["species", "seal", "wall_mm", "ci_lower", "ci_upper", "max_risk", "by_day",
                 "n_pieces", "n_cracked", "reason"]  # fmt: skip
        return out[order]

    def look_every(
        self, gaps_days: Sequence[float] = (3, 4, 7, 14), until_day: float = 120
    ) -> pd.DataFrame:
        """What looking every so many days would have meant for a typical piece.

        Returns
        -------
        DataFrame
            A row a gap: `gap_days`, `n_looks`, `unseen_days` (how long a crack is expected to
            run unseen) with `ci_lower`, `ci_upper`, `longest_unseen_days`,
            `unseen_days_per_100` (expected unseen days of 100 pieces in all, until
            `until_day`), `per_100_ci_lower`, `per_100_ci_upper` (95 %, delta method on the
            logarithm). Empty where no crack was found.
        """
        if self.model is None:
            return pd.DataFrame(columns=looks.EVERY_COLUMNS)
        return looks.look_every(self.model, gaps_days, until_day)

    def look_gaps(
        self, unseen_days: float = 2.0, piece_days: float = 7.0, until_day: float = 120
    ) -> pd.DataFrame:
        """How the hazard runs, and the longest gap between looks, week by week since turning.

        Parameters
        ----------
        unseen_days : float
            How long a crack may be expected to run unseen [days].
        piece_days : float
            Or: how many unseen days 100 pieces together may have in a week.
        until_day : float
            Where to stop; the last look at the latest.

        Returns
        -------
        DataFrame
            A row a week: `week`, `from_day`, `to_day`, `chance` (of a first crack in that week,
            of a typical piece still whole) with `ci_lower`, `ci_upper`, `longest_gap_days` (keeps
            the run below `unseen_days`), `even_gap_days` (keeps 100 pieces below `piece_days`)
            with `even_gap_lower_days`, `even_gap_upper_days`; gaps in whole days, 1 to 60.
            Empty where no crack was found.
        """
        if self.model is None:
            return pd.DataFrame(columns=looks.GAP_COLUMNS)
        return looks.look_gaps(self.model, unseen_days, piece_days, until_day)

    def risk_by_wall(
        self, by_day: float = 120, seal: str | None = None, n_walls: int = 7
    ) -> pd.DataFrame:
        """The chance against the wall, over the walls tried: what the chart of risks draws.

        Parameters
        ----------
        seal : str, optional
            The seal that all pieces are planned with; the reference unless given.
        n_walls : int
            Points along the walls of each species.

        Returns
        -------
        DataFrame
            A row a species and wall: as `risk` gives it.
        """
        rows = []
        seal = self.reference if seal is None else seal
        for species, group in self.first.used.groupby("species"):
            low, high = group["wall_mm"].min(), group["wall_mm"].max()
            walls = np.linspace(low, high, n_walls if high - low >= 1 else 1)
            rows.append(pd.DataFrame({"species": species, "seal": seal, "wall_mm": walls}))
        return self.risk(pd.concat(rows, ignore_index=True), by_day)


def crack_study(
    book: RecordBook,
    *,
    reference: str = "none",
    reference_species: str | None = None,
    smallest_mm: float = 0.0,
    core_to_surface: pd.DataFrame | None = None,
) -> CrackStudy:
    """What cracks: rates, the hazard of a first crack, safe walls, how often to look.

    Parameters
    ----------
    book : RecordBook
        With the table `looks`.
    reference : str
        The seal that the others are set against; where no piece of it was looked at, the seal
        with the most pieces.
    reference_species : str, optional
        The species that the others are set against; the one with the most pieces unless given.
    smallest_mm : float
        A crack counts when it is longer than this [mm].
    core_to_surface : DataFrame, optional
        `piece` and `difference_pct`, as `wl.core_to_surface` gives them: the largest difference
        of moisture between core and surface [points]. Asks whether it explains the cracks in
        place of wall and seal.

    Returns
    -------
    CrackStudy
        `rates` and `effects` as frames, `risk(...)` and walls as methods, `sentences`.

    Raises
    ------
    MissingTableError
        If the book has no looks.
    WoodlabError
        If no piece was looked at after turning, or a reference is not in the book.

    Notes
    -----
    A crack found at a look began since the look before it (interval-censored). The method, its
    limits and how well its intervals hold: docs/cracks.md. Sources: Wilson (1927), Turnbull
    (1976), Firth (1993), Heinze and Schemper (2002).

    Examples
    --------
    >>> import woodlab as wl
    >>> study = wl.crack_study(wl.demo_book())
    >>> study.rates.query("by == 'species'")[["group", "n_pieces", "n_cracked"]].head(2)
                group  n_pieces  n_cracked
    1  American beech        12          6
    2    black cherry        19          4
    >>> wall = study.effects.query("term.str.startswith('wall')").iloc[0]
    >>> wall["term"], float(round(wall["hazard_ratio"], 1)), int(wall["n_cracked"])
    ('wall: per 10 mm thicker', 2.1, 15)
    """
    table = book.need("looks", "to see when cracks opened")
    first = first_cracks(book.pieces, table, smallest_mm)
    used = first.used
    if not len(used):
        raise WoodlabError(
            "no piece was looked at after the day of its turning, so nothing can be said of "
            "cracks. Add rows to the table `looks`: piece, on, crack_mm (0 = none found)."
        )
    design, notes = _design(book, used, reference, reference_species)
    n_cracked = int(used["cracked"].sum())
    model = fit_hazard(used, first.intervals, design) if n_cracked else None
    few = too_few_looks(first)
    growth = crack_growth(first)
    return CrackStudy(
        rates=crack_rates(first, few),
        whole=whole_fractions(first),
        effects=effects_table(used, design, model),
        first=first,
        too_few=few,
        growth=growth,
        growth_by_action=growth_by_action(growth),
        physics=with_core(first, design, core_to_surface),
        model=model,
        reference=design.seals[0],
        notes=tuple(notes),
    )


def _design(
    book: RecordBook, used: pd.DataFrame, reference: str, reference_species: str | None
) -> tuple[CrackDesign, list[str]]:
    seals, note = _levels(used["seal"], reference, book.pieces["seal"], "seal")
    species, other = _levels(used["species"], reference_species, book.pieces["species"], "species")
    counts = used["species"].value_counts()
    pooled = len(counts) >= POOL_FROM_SPECIES and float(counts.median()) < POOL_BELOW_PIECES
    notes = [words for words in (note, other) if words]
    if pooled:
        notes.append(
            f"There are {len(counts)} species with few pieces each, so each is drawn towards the "
            "mean of all by as much as its own records leave open."
        )
    design = CrackDesign(
        wall_centre_mm=float(used["wall_mm"].mean()),
        species=species,
        seals=seals,
        pooled=pooled,
    )
    return design, notes


def _levels(
    column: pd.Series, reference: str | None, whole: pd.Series, kind: str
) -> tuple[tuple[str, ...], str]:
    """The levels, the reference first, and what to say where it had to be another."""
    counts = column.value_counts()
    most = min(counts[counts == counts.max()].index)
    note = ""
    if reference is None:
        first = most
    else:
        same = [name for name in counts.index if name.casefold() == reference.strip().casefold()]
        inside = whole.dropna().str.casefold().eq(reference.strip().casefold()).any()
        if same:
            first = same[0]
        elif reference == "none" or inside:
            first = most
            note = (
                f"No piece of {kind} {reference!r} was looked at, so the others are set against "
                f"{first}."
            )
        else:
            raise WoodlabError(
                f"{reference!r} is no {kind} of this book. Type one of: "
                f"{', '.join(sorted(counts.index))}."
            )
    return (first, *sorted(name for name in counts.index if name != first)), note


def _sentences(study: CrackStudy) -> tuple[str, ...]:
    said = crack_words.rate_sentences(study.rates, study.first, study.too_few)
    said += study.notes
    if study.model is None:
        said.append(f"{NO_CRACKS.capitalize()}; only upper limits of the rates can be given.")
        return tuple(said)
    used = study.first.used
    n_cracked = int(used["cracked"].sum())
    if used["species"].nunique() == 1:
        said.append(f"All pieces are {used['species'].iloc[0]}: species cannot be compared.")
    if used["seal"].nunique() == 1:
        said.append("All pieces were sealed alike, so the seal cannot be judged.")
    said += crack_words.effect_sentences(study.effects)
    said += crack_words.log_sentence(study.model, int(used["log"].nunique()))
    if study.model.course.df:
        said += crack_words.course_sentence(study.look_gaps(), n_cracked, _first_look_day(used))
    else:
        said.append(
            "How the rate runs over the days the records do not tell (few cracks, or too few "
            "days with looks): it is taken as the same on every day."
        )
    day = min(120.0, study.model.last_days)
    said += crack_words.wall_sentences(study.thickest_wall(by_day=day))
    said += growth_sentences(study.growth_by_action)
    return tuple(said)


def _first_look_day(used: pd.DataFrame) -> float:
    """Days from turning to the earliest look at any piece, as its interval tells."""
    ends = used[["after_days", "by_days"]].to_numpy(dtype=float)
    return float(np.min(ends[np.isfinite(ends) & (ends > 0)], initial=np.inf))
