"""How much wood shrinks between two moistures, by species, from the published tables."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from woodlab.errors import WoodlabError, as_numbers, refuse
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
    moisture_pct, from_moisture_pct : float or ndarray
        As they were given [% of oven-dry mass].
    radial_pct, tangential_pct, volumetric_pct, longitudinal_pct : float or ndarray
        Shrinkage [%]; negative where the wood swells; NaN where the table has no figure.
    source, status, volumetric_status : str
        Where the radial and tangential figures are from, how far that was checked, and the
        volumetric figure.
    reason : str
        What to know about the answer, in words; empty when all is plain.
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
    Moistures [% of oven-dry mass]; percent of the size at `from_moisture_pct`, negative where the
    wood swells. Raises WoodlabError if a moisture is below zero or the fibre saturation not above.

    Examples
    --------
    >>> round(strain_between(9.9, 8), 2), round(strain_between(9.9, 45), 2)
    (7.26, 0.0)
    """
    if not fibre_saturation_pct > 0:
        raise WoodlabError(
            f"fibre_saturation_pct must be above zero (found {fibre_saturation_pct!r}). "
            "About 30 serves most species."
        )
    for name, given in (("moisture_pct", moisture_pct), ("from_moisture_pct", from_moisture_pct)):
        moisture = np.asarray(given, dtype=float)
        refuse(moisture, moisture < 0, f"{name} must be zero or more",
               "Type the moisture in percent of oven-dry mass.")  # fmt: skip
    total = np.asarray(total_pct, dtype=float) / 100
    reached, start = (
        1 - total * _dried(m, fibre_saturation_pct) for m in (moisture_pct, from_moisture_pct)
    )
    return _scalar(100 * (1 - reached / start))


def total_from_strain(
    strain_pct: ArrayLike,
    moisture_pct: ArrayLike,
    from_moisture_pct: ArrayLike = FIBRE_SATURATION_PCT,
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
    reached, start = _dried(moisture_pct), _dried(from_moisture_pct)
    with np.errstate(divide="ignore", invalid="ignore"):
        total = 100 * strain / (reached - (1 - strain) * start)
        return _scalar(np.where(np.abs(reached - start) > 1e-9, total, np.nan))


def _dried(moisture_pct: ArrayLike, saturation: float = FIBRE_SATURATION_PCT) -> np.ndarray:
    """The share of its total that wood has shrunk at a moisture: 1 - x/30."""
    return 1 - np.minimum(np.asarray(moisture_pct, dtype=float), saturation) / saturation


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
        NaN and a reason, never a guess, where the table has no such species or figure.

    Raises
    ------
    WoodlabError
        If a moisture is below zero.

    Notes
    -----
    S_x = S_0 (1 - x/30): Wood Handbook FPL-GTR-282 eq. 4-9, with S_0 from its Table 4-3.
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
    given = (moisture_pct, from_moisture_pct, fibre_saturation_pct)
    parts = ("radial_pct", "tangential_pct", "volumetric_pct", "longitudinal_pct")
    figures = [strain_between(getattr(total, part), *given) for part in parts]
    reached, start = (np.asarray(m, float) for m in given[:2])
    reasons = [total.reason]
    if np.any(reached > fibre_saturation_pct):
        reasons.append(
            f"at {np.nanmax(reached):g} % moisture, above fibre saturation "
            f"({fibre_saturation_pct:g} %), wood has its green size"
        )
    if np.any(np.minimum(reached, fibre_saturation_pct) > np.minimum(start, fibre_saturation_pct)):
        reasons.append("negative figures are swelling: the moisture rises")
    return replace(
        total, moisture_pct=_scalar(moisture_pct), from_moisture_pct=_scalar(from_moisture_pct),
        reason="; ".join(filter(None, reasons)),
        radial_pct=figures[0], tangential_pct=figures[1], volumetric_pct=figures[2],
        longitudinal_pct=figures[3],
    )  # fmt: skip


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
    parts = ("radial", "tangential")
    rows = species().set_index("species").loc[list(facts.members)]
    totals = [facts.figures[f"{part}_pct"] for part in parts]
    changes = [facts.figures[f"{part}_change_per_pct"] for part in parts]
    source = " / ".join(dict.fromkeys(rows["shrinkage_source"].dropna()))
    statuses = rows["shrinkage_status"]
    if np.isnan(totals).all() and not np.isnan(changes).any():
        totals = [3000 * change / (1 + 20 * change) for change in changes]
        source = f"{rows['change_source'].dropna().iloc[0]}, by S = 3000 C/(1 + 20 C)"
        statuses = rows["change_status"]
    return Shrinkage(
        species=facts.name,
        moisture_pct=0.0,
        from_moisture_pct=FIBRE_SATURATION_PCT,
        radial_pct=totals[0],
        tangential_pct=totals[1],
        volumetric_pct=facts.figures["volumetric_pct"],
        longitudinal_pct=LONGITUDINAL_PCT,
        source=source,
        status=_weakest(statuses),
        volumetric_status=_weakest(rows["volumetric_status"]),
        reason=_name_words(facts, dict(zip(parts, totals, strict=True))),
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
    missing = [
        f"the species table has no {part} figure for {facts.name}"
        for part, total in totals.items() if np.isnan(total)
    ]  # fmt: skip
    return "; ".join(filter(None, [facts.note, *missing]))


def _weakest(statuses: pd.Series) -> str:
    return max(statuses.dropna(), key=_STATUSES.index, default="")


def _scalar(value: ArrayLike) -> np.ndarray | float:
    array = np.array(value, dtype=float)
    return float(array) if array.ndim == 0 else array
