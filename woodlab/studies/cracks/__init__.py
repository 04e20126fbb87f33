"""What cracks: looks become intervals, intervals a hazard, and its draws every risk."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from woodlab.book.record_book import RecordBook, expect_book
from woodlab.drying.asked import asked_once
from woodlab.errors import WoodlabError, as_kind, as_number
from woodlab.studies.columns import asked_columns, asked_seal, with_numbers
from woodlab.studies.cracks import counts, risk
from woodlab.studies.cracks.design import Design, crack_design
from woodlab.studies.cracks.hazard import effects_table, fit_hazard
from woodlab.studies.cracks.intervals import NO_MISSES, crack_growth, estimate_misses, first_cracks
from woodlab.studies.cracks.study import USUAL_DAY, CrackStudy

__all__ = ["CrackStudy", "crack_study"]
CORE_COLUMN = "core_to_surface_pct"
NO_LOOKS = "Nobody noted looking for cracks, so nothing can be said of them."
NEVER_AFTER = (
    "No piece was looked at after the day of its turning, so nothing can be said of cracks."
)
NOTE_LOOKS = (
    "Note every look for cracks, also when there is none: add rows to the table `looks`: piece, "
    "on, crack_mm (0 = looked and found none)."
)


@asked_once
def crack_study(
    book: RecordBook,
    *,
    reference: str = "none",
    smallest_mm: float = 0.0,
    core_to_surface: pd.DataFrame | None = None,
    terms: Sequence[str] = (),
    by: Sequence[str] = (),
) -> CrackStudy:
    """What cracks: counts, the risk by a day, the thickest walls that can be told, looks.

    Parameters
    ----------
    book : RecordBook
        With the table `looks`.
    reference : str
        The seal that the others are compared with; where no piece of it was looked at, the seal
        with the most pieces.
    smallest_mm : float
        The threshold of detection: a crack counts when it is longer than this [mm].
    core_to_surface : DataFrame, optional
        `piece` and `difference_pct`, as `wl.core_to_surface` gives them: the largest difference
        of moisture between core and surface [points], a term beside wall and seal. If it carries
        what those two do, their ratios move towards 1.
    terms : sequence of str
        More columns of `pieces` that cracking may depend on: names are a factor, numbers a
        number. Where several books are joined, `book` is a term without being asked for.
    by : sequence of str
        More columns of `pieces` to count by, outside the model.

    Returns
    -------
    CrackStudy
        `rates`, `standardised` and `effects` as frames, `risk(...)` and walls as methods. A book
        that cannot answer gives a study whose `summary()` says why and what would help.

    Raises
    ------
    WoodlabError
        If the reference or a column is not in the book.

    Notes
    -----
    A crack found at a look began since the look before it (interval-censored), or was overlooked
    there. The method, its limits and how well its intervals hold: docs/cracks.md. Sources: Wilson
    (1927), Turnbull (1976), Robins (1986), Firth (1993), Heinze and Schemper (2002).

    Examples
    --------
    >>> import woodlab as wl
    >>> study = wl.crack_study(wl.demo_book())
    >>> study.rates.query("by == 'species'")[["group", "n_pieces", "n_cracked"]].head(2)
                group  n_pieces  n_cracked
    1  American beech        12          6
    2    black cherry        19          4
    >>> wall = study.effects.query("term.str.startswith('wall')").iloc[0]
    >>> wall["term"], float(round(wall["hazard_ratio"], 1)), int(wall["n_cracks"])
    ('wall: per 10 mm thicker', 2.1, 15)
    """
    book = expect_book(book, "crack_study")
    smallest_mm = as_number(smallest_mm, "smallest_mm")
    reference = asked_seal(book.pieces, reference)
    terms, by = asked_columns(book.pieces, terms, by)
    pieces = with_numbers(book.pieces, [*terms, *by])
    if core_to_surface is not None:
        pieces, terms = _with_core(pieces, core_to_surface), [*terms, CORE_COLUMN]
    carried = [name for name in dict.fromkeys([*terms, *by]) if name not in ("species", "seal")]
    terms = [name for name in terms if name not in ("species", "seal", "wall_mm")]
    first = first_cracks(pieces, book.looks, smallest_mm, terms, carried)
    used, few, growth = first.used, counts.too_few_looks(first), crack_growth(first)
    design, misses, model = Design(), NO_MISSES, None
    notes: list[str] = []
    if len(used):
        design, notes = crack_design(used, reference, terms)
        misses, reference = estimate_misses(first), design.levels["seal"][0]
    if used["cracked"].any():
        model = fit_hazard(first, design, misses)
    effects = effects_table(used, design, model)
    day, alike = USUAL_DAY, pd.DataFrame(columns=risk.STANDARD_COLUMNS)
    if model is not None:
        day = float(min(USUAL_DAY, model.last_days))
        silent = effects[effects["hazard_ratio"].isna()].set_index("level")
        reasons = {kind: rows["reason"].to_dict() for kind, rows in silent.groupby("kind")}
        tables = [risk.standardised(model, name, levels, day, reasons.get(name))
                  for name, levels in design.levels.items()]  # fmt: skip
        alike = pd.concat(tables, ignore_index=True)
    no_answer = NEVER_AFTER if len(book.looks) else NO_LOOKS
    return CrackStudy(
        rates=counts.crack_rates(first, few, carried),
        standardised=alike,
        effects=effects,
        whole=counts.whole_fractions(first, carried),
        missed=misses.frame() if len(used) else misses.frame().head(0),
        first=first,
        too_few=few,
        growth=growth,
        growth_by_action=counts.growth_by_action(growth),
        model=model,
        reference=reference,
        by_day=day,
        invented=book.invented,
        why="" if len(used) else no_answer,
        would_help="" if len(used) else NOTE_LOOKS,
        notes=tuple(notes),
    )


def _with_core(pieces: pd.DataFrame, core_to_surface: pd.DataFrame) -> pd.DataFrame:
    """The pieces with the largest difference of core and surface as one of their columns."""
    as_kind(core_to_surface, pd.DataFrame, "core_to_surface", "what wl.core_to_surface returns")
    missing = {"piece", "difference_pct"} - set(core_to_surface)
    if missing:
        raise WoodlabError(
            f"core_to_surface needs the columns piece and difference_pct; missing: "
            f"{', '.join(sorted(missing))}. Give what wl.core_to_surface returns."
        )
    core = core_to_surface.drop_duplicates("piece").set_index("piece")["difference_pct"]
    return pieces.assign(**{CORE_COLUMN: pieces["piece"].map(core)})
