"""How much wood shrinks between two moistures, by species, from the published tables."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from woodlab.errors import WoodlabError, as_numbers
from woodlab.wood.moisture import FIBRE_SATURATION_PCT
from woodlab.wood.species import SpeciesFacts, near_names, species, species_facts

# Green to oven-dry along the grain: 0.1 to 0.2 % in normal wood (Wood Handbook ch. 4, read in
# works that quote it); the middle of that range stands for every species.
LONGITUDINAL_PCT = 0.15

# Shrinkage varies between trees of one species. The Wood Handbook gives a coefficient of
# variation of about 15 %: from memory, no page seen. It sets margins and bands, no estimate.
SCATTER_CV_PCT = 15.0
SCATTER_SOURCE = (
    "coefficient of variation of 15 % between trees of one species (from memory of the Wood "
    "Handbook, page not seen)"
)

_STATUSES = ("seen_source", "seen_secondary", "from_memory")


@dataclass(frozen=True)
class Shrinkage:
    """Shrinkage of a species between two moistures, in percent of the size at the first.

    Attributes
    ----------
    species : str
        The name that was asked for.
    moisture_pct, from_moisture_pct : float or ndarray
        As they were given [% of oven-dry mass].
    radial_pct, tangential_pct, volumetric_pct, longitudinal_pct : float or ndarray
        Shrinkage [%]; negative where the wood swells; NaN where the table has no figure.
    source, status : str
        Where the radial and tangential figures are from, and how far that was checked.
    volumetric_status : str
        The same for the volumetric figure.
    reason : str
        What to know about the answer, in words: a species that the table does not know, a
        moisture above fibre saturation, a name read as a group. Empty when all is plain.
    """

    species: str
    moisture_pct: np.ndarray | float
    from_moisture_pct: np.ndarray | float
    radial_pct: np.ndarray | float
    tangential_pct: np.ndarray | float
    volumetric_pct: np.ndarray | float
    longitudinal_pct: np.ndarray | float
    source: str
    status: str
    volumetric_status: str
    reason: str

    @property
    def frame(self) -> pd.DataFrame:
        """The same as a frame, one row a moisture."""
        fields = {name: getattr(self, name) for name in self.__dataclass_fields__}
        size = np.broadcast(*map(np.asarray, fields.values())).size
        return pd.DataFrame(
            {name: np.broadcast_to(np.ravel(value), (size,)) for name, value in fields.items()}
        )


def strain_between(
    total_pct: ArrayLike,
    moisture_pct: ArrayLike,
    from_moisture_pct: ArrayLike = FIBRE_SATURATION_PCT,
    fibre_saturation_pct: float = FIBRE_SATURATION_PCT,
) -> np.ndarray | float:
    """Shrinkage from one moisture to another, of wood that shrinks `total_pct` green to oven-dry.

    S_x = S_0 (1 - x/30) of the green size (Wood Handbook FPL-GTR-282 eq. 4-9), so that between
    two moistures 1 - S = (1 - S_x)/(1 - S_from). Above fibre saturation the size is the green one.

    Parameters
    ----------
    total_pct : array_like
        Shrinkage green to oven-dry [% of the green size].
    moisture_pct, from_moisture_pct : array_like
        The moisture reached and the one it started from [% of oven-dry mass].
    fibre_saturation_pct : float
        The moisture at which shrinkage begins [%]; species vary by several points about 30.

    Returns
    -------
    float or ndarray
        Percent of the size at `from_moisture_pct`; negative where the wood swells.

    Raises
    ------
    WoodlabError
        If a moisture is below zero or the fibre saturation is not above zero.

    Examples
    --------
    >>> round(strain_between(9.9, 8), 2)
    7.26
    >>> round(strain_between(9.9, 45), 2)
    0.0
    """
    if not fibre_saturation_pct > 0:
        raise WoodlabError(
            f"fibre_saturation_pct must be above zero (found {fibre_saturation_pct!r}). "
            "About 30 serves most species."
        )
    sizes = []
    for name, given in (("moisture_pct", moisture_pct), ("from_moisture_pct", from_moisture_pct)):
        moisture = np.asarray(given, dtype=float)
        if np.any(moisture < 0):
            raise WoodlabError(
                f"{name} must be zero or more (found {moisture[moisture < 0].flat[0]:g}). "
                "Type the moisture in percent of oven-dry mass."
            )
        below = 1 - np.minimum(moisture, fibre_saturation_pct) / fibre_saturation_pct
        sizes.append(1 - np.asarray(total_pct, dtype=float) / 100 * below)
    strain = 100 * (1 - sizes[0] / sizes[1])
    return float(strain) if strain.ndim == 0 else strain


def total_from_strain(
    strain_pct: ArrayLike,
    moisture_pct: ArrayLike,
    from_moisture_pct: ArrayLike = FIBRE_SATURATION_PCT,
    fibre_saturation_pct: float = FIBRE_SATURATION_PCT,
) -> np.ndarray | float:
    """Shrinkage green to oven-dry [%] of wood that shrank `strain_pct` between two moistures.

    The inverse of `strain_between` in its first argument: S_0 = e/(g - (1 - e) g_from) with
    g = 1 - x/30. NaN where the two moistures allow no shrinkage.

    Examples
    --------
    >>> round(total_from_strain(7.26, 8), 2)
    9.9
    """
    strain = np.asarray(strain_pct, dtype=float) / 100
    reached, start = (
        1 - np.minimum(np.asarray(m, dtype=float), fibre_saturation_pct) / fibre_saturation_pct
        for m in (moisture_pct, from_moisture_pct)
    )
    span = reached - (1 - strain) * start
    with np.errstate(divide="ignore", invalid="ignore"):
        total = np.where(np.abs(reached - start) > 1e-9, 100 * strain / span, np.nan)
    return float(total) if total.ndim == 0 else total


def shrinkage(
    species: str,
    moisture_pct: ArrayLike,
    from_moisture_pct: ArrayLike = FIBRE_SATURATION_PCT,
    *,
    fibre_saturation_pct: float = FIBRE_SATURATION_PCT,
) -> Shrinkage:
    """Shrinkage of a species from one moisture to another, from the published table.

    Parameters
    ----------
    species : str
        As makers write it; see `woodlab.species`.
    moisture_pct : array_like
        The moisture reached [% of oven-dry mass].
    from_moisture_pct : array_like
        The moisture it started from; green when at or above fibre saturation.
    fibre_saturation_pct : float
        The moisture at which shrinkage begins [%].

    Returns
    -------
    Shrinkage
        With sources and statuses. A species that the table does not know gives NaN and a reason,
        never a guess; so does a figure that the table lacks.

    Raises
    ------
    WoodlabError
        If a moisture is below zero.

    Notes
    -----
    S_x = S_0 (1 - x/30). Source: Wood Handbook FPL-GTR-282 eq. 4-9, with S_0 from its Table 4-3.
    The longitudinal figure is 0.15 %, the middle of the published 0.1 to 0.2 % of normal wood. The
    figures are means of a species: single trees scatter about them (see `SCATTER_SOURCE`).

    Examples
    --------
    >>> import woodlab as wl
    >>> maple = wl.shrinkage("sugar maple", 8)
    >>> round(maple.radial_pct, 2), round(maple.tangential_pct, 2)
    (3.52, 7.26)
    >>> wl.shrinkage("sugar maple", 45).reason
    'at 45 % moisture, above fibre saturation (30 %), wood has its green size'
    >>> wl.shrinkage("walnutt", 8).reason
    "the species table does not know 'walnutt'; near it: walnut. Give the English..."
    """
    as_numbers(moisture_pct, "moisture_pct")
    total = green_to_dry(species)
    words = _moisture_words(moisture_pct, from_moisture_pct, fibre_saturation_pct)

    def between(figure: ArrayLike) -> np.ndarray | float:
        return strain_between(figure, moisture_pct, from_moisture_pct, fibre_saturation_pct)

    return replace(
        total,
        moisture_pct=_scalar(moisture_pct),
        from_moisture_pct=_scalar(from_moisture_pct),
        radial_pct=between(total.radial_pct),
        tangential_pct=between(total.tangential_pct),
        volumetric_pct=between(total.volumetric_pct),
        longitudinal_pct=between(total.longitudinal_pct),
        reason="; ".join(filter(None, [total.reason, *words])),
    )


def green_to_dry(name: str) -> Shrinkage:
    """Total shrinkage of a species, green to oven-dry, as the tables have it.

    Where Table 4-3 has no figure but Table 13-5 has the change per point of moisture C, the total
    is its inverse, S = 3000 C/(1 + 20 C); the source says so.

    Examples
    --------
    >>> round(green_to_dry("apple").tangential_pct, 1), green_to_dry("apple").source
    (10.5, 'Wood Handbook GTR-190 Table 13-5, by S = 3000 C/(1 + 20 C)')
    >>> green_to_dry("gray birch").reason
    'the species table has no tangential figure for gray birch'
    """
    if not isinstance(name, str):
        raise WoodlabError("species is one name, such as 'sugar maple'; ask for each by itself.")
    facts = species_facts(name)
    source, status, volumetric = _standing(facts)
    totals = {part: facts.figures[f"{part}_pct"] for part in ("radial", "tangential")}
    if np.isnan(list(totals.values())).all():
        changes = [facts.figures[f"{part}_change_per_pct"] for part in totals]
        if not np.isnan(changes).any():
            totals = {
                part: 3000 * change / (1 + 20 * change)
                for part, change in zip(totals, changes, strict=True)
            }
            rows = species().set_index("species").loc[list(facts.members)]
            source = f"{rows['change_source'].dropna().iloc[0]}, by S = 3000 C/(1 + 20 C)"
            status = _weakest(rows["change_status"])
    return Shrinkage(
        species=facts.name,
        moisture_pct=0.0,
        from_moisture_pct=FIBRE_SATURATION_PCT,
        radial_pct=totals["radial"],
        tangential_pct=totals["tangential"],
        volumetric_pct=facts.figures["volumetric_pct"],
        longitudinal_pct=LONGITUDINAL_PCT,
        source=source,
        status=status,
        volumetric_status=volumetric,
        reason=_name_words(facts, totals),
    )


def _name_words(facts: SpeciesFacts, totals: dict[str, float]) -> str:
    """What stands in the way of a species' shrinkage, or how its name was read; else empty."""
    if not facts.known:
        near = near_names(facts.name)
        hint = f"; near it: {', '.join(near)}" if near else ""
        return (
            f"{facts.note}{hint}. Give the English or scientific name of a species in the table "
            "(it holds North American ones), or shrinkage figures from a source of your own"
        )
    words = [facts.note] if facts.note else []
    for part, total in totals.items():
        if np.isnan(total):
            words.append(f"the species table has no {part} figure for {facts.name}")
    return "; ".join(words)


def _standing(facts: SpeciesFacts) -> tuple[str, str, str]:
    """Source, status and volumetric status over a name's members: the weakest counts."""
    if not facts.known:
        return "", "", ""
    rows = species().set_index("species").loc[list(facts.members)]
    sources = " / ".join(dict.fromkeys(rows["shrinkage_source"].dropna()))
    return sources, _weakest(rows["shrinkage_status"]), _weakest(rows["volumetric_status"])


def _weakest(statuses: pd.Series) -> str:
    found = statuses.dropna()
    return max(found, key=_STATUSES.index) if len(found) else ""


def _moisture_words(reached: ArrayLike, start: ArrayLike, saturation: float) -> list[str]:
    reached_pct, start_pct = np.asarray(reached, float), np.asarray(start, float)
    words = []
    if np.any(reached_pct > saturation):
        highest = np.nanmax(reached_pct)
        words.append(
            f"at {highest:g} % moisture, above fibre saturation ({saturation:g} %), wood has its "
            "green size"
        )
    if np.any(np.minimum(reached_pct, saturation) > np.minimum(start_pct, saturation)):
        words.append("negative figures are swelling: the moisture rises")
    return words


def _scalar(value: ArrayLike) -> np.ndarray | float:
    array = np.array(value, dtype=float)
    return float(array) if array.ndim == 0 else array
