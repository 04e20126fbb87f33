"""The species table: specific gravity, shrinkage and green moisture, a source for each figure."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from importlib.resources import files

import pandas as pd

FIGURES = [
    "basic_sg", "radial_pct", "tangential_pct", "volumetric_pct", "green_moisture_pct",
    "green_heartwood_pct", "green_sapwood_pct", "radial_change_per_pct",
    "tangential_change_per_pct",
]  # fmt: skip


@dataclass(frozen=True)
class SpeciesFacts:
    """What the table says of one name as a maker writes it.

    members : the table's species that it stands for, none where the table does not know it;
    note : how the name was read, in words, empty when the table has this very name; figures : the
    mean over the members that have one (see `FIGURES`), NaN where none has; spread : half the range
    of each over the members.
    """

    name: str
    members: tuple[str, ...]
    note: str
    figures: dict[str, float]
    spread: dict[str, float]

    @property
    def known(self) -> bool:
        return bool(self.members)


@cache
def _table() -> pd.DataFrame:
    with files("woodlab.wood").joinpath("data/species.csv").open(encoding="utf-8") as handle:
        return pd.read_csv(handle)


@cache
def _other_names() -> dict[str, tuple[tuple[str, ...], str]]:
    """Trade names, names of groups, German and French names: the woods meant, and what to ask.

    Common practice, no source. `ask` is filled in where one name is used for unlike woods.
    """
    with files("woodlab.wood").joinpath("data/names.csv").open(encoding="utf-8") as handle:
        frame = pd.read_csv(handle, keep_default_na=False)
    return {
        row.name: (tuple(row.woods.split(";")), row.ask) for row in frame.itertuples(index=False)
    }


def species() -> pd.DataFrame:
    """The species table, one row a species, a source and a status for each figure.

    Returns
    -------
    DataFrame
        `species`, `handbook_name`, `scientific_name`, `basic_sg` [oven-dry mass over green
        volume, water = 1], `radial_pct`, `tangential_pct`, `volumetric_pct` [shrinkage green to
        oven-dry, % of the green size], `green_moisture_pct` [average of a living tree, % of
        oven-dry mass], `green_heartwood_pct`, `green_sapwood_pct`, `radial_change_per_pct`,
        `tangential_change_per_pct` [change of size per point of moisture, 6 to 14 %, as a share
        of the size: 0.0023], and for each group of figures a `*_source` and a `*_status`:
        `seen_source` (read in the named publication), `seen_secondary` (read in a work that
        quotes it), `from_memory` (not seen).

    Examples
    --------
    >>> import woodlab as wl
    >>> table = wl.species().set_index("species")
    >>> table.loc["sugar maple", ["radial_pct", "tangential_pct"]].tolist()
    [4.8, 9.9]
    """
    return _table().copy()


def _plain(name: str) -> str:
    """Without case, accents and commas: `Hêtre` -> `hetre`, `Nußbaum` -> `nussbaum`."""
    letters = unicodedata.normalize("NFKD", str(name).casefold().replace(",", " "))
    return " ".join("".join(c for c in letters if not unicodedata.combining(c)).split())


@cache
def _names() -> tuple[dict[str, str], dict[frozenset[str], str]]:
    """Each name of the table in plain letters, and by its words in any order: the species."""
    table = _table()
    exact: dict[str, str] = {}
    for column in ("species", "scientific_name", "handbook_name"):
        for name, other in table[["species", column]].dropna().to_numpy():
            exact.setdefault(_plain(other), name)
    return exact, {frozenset(plain.split()): name for plain, name in exact.items()}


def _members(plain: str) -> tuple[str, ...]:
    exact, by_words = _names()
    found = exact.get(plain) or by_words.get(frozenset(plain.split()))
    if found:
        return (found,)
    if plain in _other_names():
        return _other_names()[plain][0]
    return tuple(name for name in _table()["species"] if _plain(name).split()[-1] == plain)


def near_names(name: str) -> list[str]:
    """Up to three names that the table can read and that a misspelt one may mean.

    Examples
    --------
    >>> near_names("sugar mapel")[0], near_names("wallnut"), near_names("osage")
    ('sugar maple', ['walnut'], ['Osage-orange'])
    >>> near_names("teak")
    []
    """
    table = {_plain(known): known for known in _table()["species"]}
    full = [*table, *_other_names()]
    plain = _plain(name)
    if " " in plain:
        near = get_close_matches(plain, full)
    else:  # the last word of a full name is a group that the table reads
        near = get_close_matches(plain, sorted({known.split()[-1] for known in table}), cutoff=0.75)
        near = near or [known for known in table if plain in known.replace("-", " ").split()][:3]
        near = near or get_close_matches(plain, full, cutoff=0.8)
    return [table.get(known, known) for known in near]


@cache
def species_facts(name: str) -> SpeciesFacts:
    """Look up a species as makers write it: `Sugar Maple`, `maple, sugar`, `Acer saccharum`, `oak`.

    A group (`oak`, `hard maple`) gives the mean of its members and says so in `note`, and so does
    a name that is used for unlike woods (`sycamore`), with the question which it is. German and
    French names are read. A name that the table does not know gives NaN figures and a note,
    never a guess.

    Examples
    --------
    >>> species_facts("maple, sugar").members
    ('sugar maple',)
    >>> species_facts("hard maple").note
    "'hard maple' is read as the mean of sugar maple, black maple"
    >>> species_facts("Rotbuche").members, species_facts("hêtre").members
    (('European beech',), ('European beech',))
    >>> species_facts("Sycamore").note
    "'Sycamore' is read as the mean of American sycamore, sycamore maple; but in America it is ..."
    >>> species_facts("teak").known
    False
    """
    plain = _plain(name)
    members, note = _members(plain), ""
    if not members:
        note = f"the species table does not know {name!r}"
    elif frozenset(plain.split()) not in _names()[1]:
        mean = "the mean of " if len(members) > 1 else ""
        note = f"{name!r} is read as {mean}{', '.join(members)}"
    if ask := _other_names().get(plain, ((), ""))[1]:
        note += f"; but {ask}: write which one it is"
    rows = _table().set_index("species").reindex(list(members))[FIGURES]
    figures = rows.astype(float).mean().to_dict()
    spread = ((rows.max() - rows.min()).astype(float) / 2).to_dict()
    return SpeciesFacts(str(name), members, note, figures, spread)
