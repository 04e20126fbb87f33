"""The wall to leave on a rough bowl, so that a round finished one still fits after drying."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.stats import norm

from woodlab import words
from woodlab.errors import WoodlabError, as_kind, as_number, as_numbers
from woodlab.show import Card, Shown
from woodlab.studies.cautions import CRACKED_WOOD, DUST, in_short
from woodlab.studies.movement.bowl_shape import FOOT_SHARE, Bowl, DriedBowl
from woodlab.studies.movement.least_rough import least_rough
from woodlab.studies.movement.rim_geometry import PARTS
from woodlab.wood.moisture import FIBRE_SATURATION_PCT
from woodlab.wood.shrinkage import (
    LONGITUDINAL_PCT,
    SCATTER_CV_PCT,
    SCATTER_SOURCE,
    green_to_dry,
    strain_between,
)

if TYPE_CHECKING:
    from woodlab.studies.movement.movement import MovementStudy


@dataclass(frozen=True)
class WallMargin:
    """How dry the finished bowl gets, and how far a tree may differ from the table.

    Attributes
    ----------
    dry_moisture_pct : float
        Moisture at finishing [%]; 8 suits heated rooms (common practice, no source).
    share : float
        Share of trees whose radial shrinkage lies under the upper limit allowed for (the same
        share lies above the lower limit); likewise the tangential.
    scatter_cv_pct, scatter_source : float, str
        Coefficient of variation of shrinkage between trees of one species [%]; where it is from.
    totals_pct : tuple of float, optional
        Your own radial and tangential shrinkage green to oven-dry [%], instead of the table's.

    Raises
    ------
    WoodlabError
        If `share` is not from 0.5 to below 1, or `scatter_cv_pct` not from 0 to below 60.

    Examples
    --------
    A tree of one in twenty shrinks a quarter more than the table says, or more than that:

    >>> [round(factor, 2) for factor in WallMargin().factors]
    [0.75, 1.25]
    >>> just_as_the_table = WallMargin(scatter_cv_pct=0)
    >>> round(rough_wall("sugar maple", 250, 100, 8, margin=just_as_the_table).wall_mm)
    14
    """

    dry_moisture_pct: float = 8.0
    share: float = 0.95
    scatter_cv_pct: float = SCATTER_CV_PCT
    scatter_source: str = SCATTER_SOURCE
    totals_pct: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        for name in ("dry_moisture_pct", "share", "scatter_cv_pct"):
            as_number(getattr(self, name), name)
        own = self.totals_pct
        if own is not None and as_numbers(own, "totals_pct").shape != (2,):
            raise WoodlabError(
                f"totals_pct is {own!r}. Give two numbers, radial and tangential: (4.8, 9.9)."
            )
        if not 0.5 <= self.share < 1:
            raise WoodlabError(
                f"share must be at least 0.5 and below 1 (found {self.share!r}). Type 0.95 for "
                "nineteen trees in twenty."
            )
        if not 0 <= self.scatter_cv_pct < 60:
            raise WoodlabError(
                f"scatter_cv_pct must be between 0 and 60 (found {self.scatter_cv_pct!r}). "
                "Type it in percent: 15 for 15 %."
            )

    @property
    def factors(self) -> tuple[float, float]:
        """Lower and upper limit of a tree's shrinkage, as parts of the species' mean."""
        reach = float(norm.ppf(self.share)) * self.scatter_cv_pct / 100
        return max(1 - reach, 0.0), 1 + reach

    def strains(
        self, totals_pct: tuple[float, float], wet_pct: float, dry_pct: float
    ) -> pd.DataFrame:
        """Shrinkages between two moistures [%] of trees at the two limits and at the mean."""
        lower, upper = self.factors
        totals = [[lower * t for t in totals_pct], totals_pct, [upper * t for t in totals_pct]]
        whole = np.column_stack([totals, np.full(3, LONGITUDINAL_PCT)])
        strains = np.asarray(strain_between(whole, dry_pct, wet_pct), dtype=float)
        return pd.DataFrame(strains, index=["lower", "mean", "upper"], columns=list(PARTS))


@dataclass(frozen=True, eq=False, repr=False)
class RoughWall(Shown):
    """What to turn, and what that is based on. Made by `rough_wall`.

    Attributes
    ----------
    wall_mm, mean_wall_mm, tenth_mm : float
        Smallest rough wall, margin included; the same for a tree that shrinks just as the table
        says; a tenth of the rough rim (common practice, no source) [mm].
    rough, finished : Bowl
        The bowl to turn now, and the one to be had from it.
    strains : DataFrame
        Shrinkages between the two moistures [%]: rows `lower`, `mean`, `upper`.
    species, source, status, reason : str
        Of the shrinkage; `reason` says how a name was read.
    moisture_pct, margin, learnt
        As given to `rough_wall`.
    cautions : tuple of str
    """

    wall_mm: float
    mean_wall_mm: float
    tenth_mm: float
    rough: Bowl
    finished: Bowl
    strains: pd.DataFrame
    species: str
    source: str
    status: str
    reason: str
    margin: WallMargin
    moisture_pct: float
    learnt: MovementStudy | None = None
    cautions: tuple[str, ...] = (CRACKED_WOOD, DUST)

    @property
    def sentences(self) -> tuple[str, ...]:
        """The wall, its margin, and what was learnt from the book's own rims and bowls."""
        return tuple(_sentences(self))

    def card(self) -> Card:
        """The wall to leave, what margin is in it, and what was finished here before."""
        rows = tuple((str(tree), f"{radial:.1f}", f"{tangential:.1f}")
                     for tree, radial, tangential, _ in self.strains.itertuples())  # fmt: skip
        return Card(
            (*self.sentences, in_short(self.cautions[0])),
            ("tree", "radial [%]", "tangential [%]"), (False, True, True), rows,
            "Shrinkage allowed for, between the two moistures",
            ("answer.rough", "answer.dried()", "answer.strains", "answer.cautions"),
        )  # fmt: skip

    def dried(self, tree: str = "mean") -> DriedBowl:
        """The rough bowl after drying, of a `lower`, `mean` or `upper` tree."""
        return DriedBowl(self.rough, *self.strains.loc[tree])


def rough_wall(
    species: str,
    rim_mm: float,
    height_mm: float,
    wall_mm: float,
    *,
    rim_faces: str = "pith",
    pith_mm: float | None = None,
    foot_mm: float | None = None,
    moisture_pct: float = FIBRE_SATURATION_PCT,
    margin: WallMargin | None = None,
    learnt: MovementStudy | None = None,
) -> RoughWall:
    """The smallest rough wall from which a round finished bowl can be had after drying.

    Parameters
    ----------
    species : str
        As makers write it.
    rim_mm, height_mm, wall_mm : float
        The finished bowl: outside diameter of its rim, height, wall [mm].
    rim_faces : {"pith", "bark"}
        Which way the rim looks.
    pith_mm : float, optional
        Distance of the rough rim plane from the pith [mm]. Without it the pith lies 10 mm outside
        the wood: before the rim, or below the foot.
    foot_mm : float, optional
        Diameter of the finished foot [mm]; 0.4 of the rim unless given.
    moisture_pct : float
        Moisture at turning [%]; green from fibre saturation up.
    margin : WallMargin, optional
        Moisture at finishing, scatter between trees, own shrinkages.
    learnt : MovementStudy, optional
        Of your own book. Where its rims show that the wood departs from the table, clearly or
        likely, their shrinkage is taken; what walls sufficed in its finished bowls is said.

    Returns
    -------
    RoughWall

    Raises
    ------
    WoodlabError
        If the species is not known (and `margin.totals_pct` not given), the measures make no
        bowl, the pith would lie in the wood, or the wood would not dry.

    Notes
    -----
    The finished bowl is carried back through the map of `woodlab.dried_rim`, for five trees at once
    (the mean, and both shrinkages at their limits), and the least rough bowl laid around it: ours,
    see docs/movement.md. Drying stress, cracks, knots and a pith that wanders are not in it.

    Examples
    --------
    >>> import woodlab as wl
    >>> answer = wl.rough_wall("sugar maple", 250, 100, 8, rim_faces="pith")
    >>> round(answer.wall_mm), round(answer.mean_wall_mm), round(answer.tenth_mm)
    (17, 14, 27)
    """
    from woodlab.studies.movement.movement import MovementStudy  # which finishes walls by this

    margin = as_kind(margin, WallMargin, "margin", "wl.WallMargin(share=0.95)") or WallMargin()
    as_kind(learnt, MovementStudy, "learnt", "wl.movement_study(fits)")
    asked = {"rim_mm": rim_mm, "height_mm": height_mm, "wall_mm": wall_mm,
             "moisture_pct": moisture_pct}  # fmt: skip
    rim, height, wall, wet = (as_number(value, name) for name, value in asked.items())
    finished = Bowl(rim, height, wall, FOOT_SHARE * rim if foot_mm is None else foot_mm)
    if wall >= min(rim / 2, height):
        raise WoodlabError(
            f"a wall of {wall:g} mm leaves no hollow in a bowl {rim:g} mm across and {height:g} mm "
            "high. Type the finished wall, in mm."
        )
    table = green_to_dry(species)
    if learnt is not None and margin.totals_pct is None:
        margin = replace(margin, totals_pct=learnt.own_totals(species))
    own = margin.totals_pct is not None
    totals = margin.totals_pct or (float(table.radial_pct), float(table.tangential_pct))
    if not np.all(np.isfinite(totals)):
        raise WoodlabError(
            f"{table.reason}. Your own go in as WallMargin(totals_pct=(radial, tangential))."
        )
    if not margin.dry_moisture_pct < min(wet, FIBRE_SATURATION_PCT):
        raise WoodlabError(
            f"the wood would not dry from {wet:g} % at turning to {margin.dry_moisture_pct:g} % at "
            "finishing. Type moistures of oven-dry mass, the first above the second."
        )
    strains = margin.strains(totals, wet, margin.dry_moisture_pct)
    faces = str(rim_faces).strip().casefold()
    rough = least_rough(finished, strains, faces, pith_mm)
    mean = least_rough(finished, strains.loc[["mean"]], faces, pith_mm)
    source, status, reason = ("own figures", "", "") if own else \
        (table.source, table.status, table.reason)  # fmt: skip
    return RoughWall(
        rough.wall_mm, mean.wall_mm, rough.rim_mm / 10, rough,
        replace(finished, rim_faces=faces, pith_mm=rough.pith_mm), strains, species, source,
        status, reason, margin, wet, learnt,
    )  # fmt: skip


def _sentences(answer: RoughWall) -> Iterator[str]:
    """The wall and its margin; of a book's own rims and bowls, what was learnt from them."""
    rough, finished, margin, wood = answer.rough, answer.finished, answer.margin, answer.species
    own, (lower, upper), wall = margin.totals_pct, margin.factors, finished.wall_mm
    dry = answer.moisture_pct < FIBRE_SATURATION_PCT
    start = f"at {answer.moisture_pct:g} % moisture" if dry else "green"
    yield (
        f"For a finished bowl of {wood} {finished.rim_mm:g} mm across, {finished.height_mm:g} mm "
        f"high, wall {wall:g} mm, turned {start} with the rim to the {rough.rim_faces}: leave a "
        f"wall of at least {answer.wall_mm:.1f} mm on a rough bowl {rough.rim_mm:.0f} mm across "
        f"and {rough.height_mm:.0f} mm high."
    )
    yield (
        f"By the mean of {'your own shrinkage' if own else 'the table'} alone it would be "
        f"{answer.mean_wall_mm:.1f} mm; the margin lets each shrinkage be {100 * lower:.0f} to "
        f"{100 * upper:.0f} % of that ({100 * margin.share:.0f} % of trees under the upper limit; "
        f"{margin.scatter_source})."
    )
    against = "more" if answer.wall_mm > answer.tenth_mm else "less"
    yield (
        f"A tenth of the rough rim (common practice, no source) is {answer.tenth_mm:.1f} mm: "
        f"the geometry asks for {against}."
    )
    if answer.learnt is None:
        return
    done = answer.learnt.walls
    if answer.learnt.estimates["species"].str.casefold().eq(wood.casefold()).any():
        said = "no clear departure from the table, so the table's shrinkage is taken"
        if own:
            said = f"radial {own[0]:.1f} %, tangential {own[1]:.1f} % green to oven-dry"
        yield f"Your own rims of {wood}: {said}."
    done = done[(done["species"].str.casefold() == wood.casefold())
                & (done["outcome"] == "finished") & (done["finished_wall_mm"] >= wall)]  # fmt: skip
    if len(done):
        least = done.sort_values("wall_mm").iloc[0]
        yield (
            f"{words.opened(words.count(len(done)))} of {wood} in your book "
            f"{'was' if len(done) == 1 else 'were'} finished with {wall:g} mm or more; the "
            f"thinnest rough wall that sufficed was {least['wall_mm']:.0f} mm "
            f"({least['rim_mm']:.0f} mm across)."
        )
