"""`seal_study`: does sealing pay? Sealed against bare, and one way of sealing against another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.errors import WoodlabError
from woodlab.studies.seal_cracks import crack_rows
from woodlab.studies.seal_curves import SealCurves, difference_sets, seal_curves, surface_sets
from woodlab.studies.seal_effects import EFFECT_COLUMNS, Outcome, effect_rows
from woodlab.studies.seal_frames import pair_frame, piece_frame, seal_frame, typical_frame
from woodlab.studies.seal_words import cautions, sentences

OUTCOMES = ("drying_time", "surface_coefficient", "core_to_surface", "crack_hazard")


@dataclass(frozen=True, eq=False)
class SealStudy:
    """What sealing did. Made by `seal_study`; never altered.

    Attributes
    ----------
    effects : DataFrame
        One row for each outcome and seal: `outcome`, `seal`, `reference`, `ratio` (NaN where it
        cannot be told), `ci_lower`, `ci_upper` (95 %), `p_value`, `n_pieces`, `n_logs`,
        `method`, `p_holm` (adjusted for the number of seals compared), `p_randomisation` (where
        the seals were allotted by lot), `df`, `reason` (why there is no number, or only a bound).
    pieces : DataFrame
        One row a piece: `piece`, `seal`, `species`, `log`, `wall_mm`, `place`, `allotted`,
        `drying_days` (NaN where only bounds are known), `at_least_days`, `at_most_days`,
        `day_unclear` (it may have reached the target, but on which day is not known),
        `surface_m_s`, `core_to_surface_pct` (of the pooled fit), `cracked` (NaN: never looked
        at), `reason`.
    course : DataFrame
        `piece`, `seal`, `days`, `moisture_pct`: for the curves.
    typical : DataFrame
        `seal`, `days`, `moisture_pct` (median of the pieces), `n_pieces`: while at least half of
        the seal's pieces are on record.
    pairs : DataFrame
        `log`, `seal`, `days` (geometric mean of the pieces), `at_least` (true where a piece had
        not reached the target), `n_pieces`: logs that hold more than one seal.
    by_seal : DataFrame
        One row a seal: `seal`, `n_pieces`, `n_reached`, `median_days` (NaN where fewer than
        half have reached the target), `n_looked`, `n_cracked`, `crack_pct`, `ci_lower`,
        `ci_upper` (exact, 95 %).
    target_moisture_pct : float
    law : str
        The law of the pooled fit.
    reference : str
    sentences, cautions : tuple of str
    """

    effects: pd.DataFrame
    pieces: pd.DataFrame
    course: pd.DataFrame
    typical: pd.DataFrame
    pairs: pd.DataFrame
    by_seal: pd.DataFrame
    target_moisture_pct: float
    law: str
    reference: str
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]


def seal_study(
    book: RecordBook,
    reference: str = "none",
    *,
    target_moisture_pct: float | None = None,
    seed: int = 1,
) -> SealStudy:
    """Compare each seal of a book with a reference, inside logs, species and walls held.

    Every outcome is a ratio to the reference with a 95 % interval. Where seal and species, place
    or wall cannot be told apart, or a seal has one piece, the row says so and has no number.

    Parameters
    ----------
    book : RecordBook
    reference : str
        The seal compared against: `none`, or the name of another method.
    target_moisture_pct : float, optional
        Moisture [%] to which drying is timed; by default four points above the mean of the air
        log, where the day is sharp; 16 without an air log.
    seed : int
        For the draws of the pooled fit, of unknown times and of the randomisation test.

    Returns
    -------
    SealStudy
        `effects` (a row an outcome and seal), the frames that its charts draw, `sentences`.

    Raises
    ------
    WoodlabError
        If no piece has the reference, the target is not usable, or nothing was weighed.

    Notes
    -----
    Sources: Kenward and Roger (1997) for the intervals of blocked comparisons, Fisher (1935) for
    the randomisation test; see the modules `mixed` and `randomisation`, docs/cracks.md for the
    hazard of cracks, and docs/sealing.md for the rest.

    Examples
    --------
    The white ash of the invented season, bare and waxed all over: nearly three times the time to
    dry, through a surface that lets a tenth as much out.

    >>> import woodlab as wl
    >>> demo = wl.demo_book()
    >>> ash = demo.pieces.query("species == 'white ash' and seal in ['none', 'wax all over']")
    >>> book = wl.RecordBook.from_frames(
    ...     pieces=ash, air=demo.air, looks=demo.looks[demo.looks["piece"].isin(ash["piece"])],
    ...     weighings=demo.weighings[demo.weighings["piece"].isin(ash["piece"])])
    >>> study = wl.seal_study(book)
    >>> ratio = study.effects.set_index("outcome")["ratio"]
    >>> round(ratio["drying_time"]), float(round(ratio["surface_coefficient"], 1))
    (3, 0.1)
    >>> study.effects["reason"].iloc[-1]
    "no crack in 5 pieces under 'wax all over' nor in 5 under 'none', so nothing compares"
    """
    _check(book, reference, target_moisture_pct)
    curves = seal_curves(book, target_moisture_pct, seed)
    facts = _facts(book)
    seals = [name for name in _in_order(facts["seal"], reference) if name != reference]
    timed = facts.merge(curves.times, on="piece", how="left", validate="one_to_one")
    fitted = {
        "surface_coefficient": surface_sets(curves.posterior),
        "core_to_surface": difference_sets(curves.posterior),
    }
    parts = [effect_rows(_timed(timed, curves), reference, seals, seed)]
    for name, sets in fitted.items():
        outcome = _fitted(name, timed, sets, curves)
        parts.append(effect_rows(outcome, reference, seals, seed))
    parts.append(crack_rows(book, facts, reference, seals, seed))
    effects = pd.concat(parts, ignore_index=True)[EFFECT_COLUMNS]
    pieces = piece_frame(timed, fitted, book)
    by_seal = seal_frame(pieces, [reference, *seals])
    course = curves.course.merge(facts[["piece", "seal"]], on="piece")
    course = course[["piece", "seal", "days", "moisture_pct"]]
    target = curves.target_pct
    return SealStudy(
        effects, pieces, course, typical_frame(course), pair_frame(pieces), by_seal, target,
        curves.posterior.law.name, reference,
        sentences(effects, pieces, by_seal, reference, target),
        cautions(book, pieces, reference, target),
    )  # fmt: skip


def _check(book: RecordBook, reference: str, target: float | None) -> None:
    seals = sorted(book.pieces["seal"].dropna().unique())
    if reference not in seals:
        raise WoodlabError(
            f"No piece has the seal {reference!r} to compare with. The book has: "
            f"{', '.join(map(str, seals)) or 'none at all'}. Type one of them as `reference`."
        )
    if len(seals) < 2:
        count = len(book.pieces)
        whom = "The one piece has" if count == 1 else f"All {count} pieces have"
        raise WoodlabError(
            f"{whom} the seal {reference!r}, so there is nothing to compare. Seal some and leave "
            "some of the next log bare."
        )
    if target is not None and not 2 <= target <= 60:
        raise WoodlabError(
            f"target_moisture_pct = {target:g} is not usable. Give percent of oven-dry mass, "
            "between 2 and 60, such as 16."
        )


def _facts(book: RecordBook) -> pd.DataFrame:
    columns = ["piece", "seal", "species", "log", "place", "wall_mm", "allotted"]
    return book.pieces[columns].reset_index(drop=True)


def _in_order(seals: pd.Series, reference: str) -> list[str]:
    return [reference, *sorted(name for name in seals.unique() if name != reference)]


def _timed(timed: pd.DataFrame, curves: SealCurves) -> Outcome:
    told = timed["lower"].notna().to_numpy()
    frame = timed[told].reset_index(drop=True)
    known = frame["lower"].where(np.isfinite(frame["lower"]), frame["upper"])
    return Outcome("drying_time", frame.assign(free=known), curves.time_sets[:, told], slopes=True)


def _fitted(name: str, timed: pd.DataFrame, sets: np.ndarray, curves: SealCurves) -> Outcome:
    told = (timed["reason"] == "").to_numpy()
    frame = timed[told].reset_index(drop=True).assign(lower=0.0, upper=0.0)
    basis = f"pooled {curves.posterior.law.name} fit"
    free = frame["early_loss"]
    slopes = name == "core_to_surface"
    return Outcome(name, frame.assign(free=free), sets[:, told], basis, slopes)
