"""Entries that are possible but odd: kept, listed, left to the maker."""

from __future__ import annotations

import unicodedata

import numpy as np
import pandas as pd

from woodlab.book.plausible import implausible
from woodlab.book.tables import NOT_SAID
from woodlab.wood.species import near_names, species_facts

DOUBT_COLUMNS = ["table", "row", "piece", "column", "value", "doubt"]

# Wood in a shed takes up some water in a damp week; more than this between two weighings wants
# an event. Common practice, no source.
GAIN_FRACTION = 0.02
STEP_OF_TEN = (8.0, 12.5)

# So many equal weights on equal days are no chance.
LEAST_COPIED = 3
UNKNOWN_WOOD = (
    ". Its green moisture and its shrinkage are then not known: dry an offcut in an oven, or "
    "write a wood of wl.species() that is like it"
)

# What makers write for a piece left bare; the book's own word is `none`.
_BARE = (
    "no", "n", "nil", "bare", "unsealed", "not sealed", "nothing", "natural", "0", "-", "no seal",
)  # fmt: skip
# `check` is a small crack, and also what is done with a scale: only with a place or size behind it.
_CRACK_WORDS = r"(?i)\b(?:crack|split|fissure|checks?\W+(?:\d|at\b|in\b|near\b|along\b|rim|end))"
_NO_CRACK_WORDS = r"(?i)\b(?:no|not|without|free of)\W+(?:\w+\W+)?(?:crack|split|check)"


def find_doubts(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """One row a doubt: table, row (of the table's index), piece, column, value, doubt."""
    few = [
        *_doubts_of_pieces(tables["pieces"]),
        *_doubts_of_names(tables),
        *implausible(tables),
        *_doubts_of_ends(tables["pieces"]),
        *_doubts_of_witnesses(tables["witnesses"]),
        *_doubts_of_looks(tables),
        *_doubts_of_air(tables["air"]),
        *_air_of_another_time(tables),
    ]
    found = [
        pd.DataFrame(few, columns=DOUBT_COLUMNS),
        *_doubts_of_weighings(tables["weighings"]),
        *(
            _dates_outside(tables, name, "turned_on", "before the piece was turned")
            for name in ("weighings", "looks", "rims")
        ),
        *(
            _dates_outside(tables, name, "ended_on", "after the piece had ended")
            for name in ("weighings", "looks")
        ),
    ]
    found = [part for part in found if len(part)] or found[:1]
    return pd.concat(found, ignore_index=True)


def doubts_of_several(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Doubts of joined books: of each by itself, and of names that differ between them only."""
    books = dict.fromkeys(name for frame in tables.values() for name in frame["book"].unique())
    found = [
        find_doubts({name: frame[frame["book"] == book] for name, frame in tables.items()})
        for book in books
    ]
    alone = {doubt["value"] for one in found for doubt in one.to_dict("records")}
    across = [row for row in _doubts_of_names(tables) if row[4] not in alone]
    found.append(pd.DataFrame(across, columns=DOUBT_COLUMNS))
    return pd.concat([part for part in found if len(part)] or found[:1], ignore_index=True)


def _doubts_of_pieces(pieces: pd.DataFrame) -> list[list[object]]:
    rows: list[list[object]] = []
    for name, group in pieces[pieces["species"] != NOT_SAID].groupby("species", sort=False):
        note = species_facts(name).note
        if note:
            known = species_facts(name).known
            near = [] if known else near_names(name)
            note += f". Is it {' or '.join(near)}?" if near else "" if known else UNKNOWN_WOOD
            row = group.index[0]
            rows.append(["pieces", row, group["piece"].iloc[0], "species", name, note])
    thick = pieces[pieces["wall_mm"] > pieces["rim_mm"] / 2]
    for row, piece, wall, rim in thick[["piece", "wall_mm", "rim_mm"]].itertuples():
        said = f"the wall is thicker than half the rim ({rim:g} mm)"
        rows.append(["pieces", row, piece, "wall_mm", f"{wall:g}", said])
    bare = pieces[(pieces["seal"].str.casefold() == "none") & (pieces["seal_g"] > 0)]
    for row, piece, mass in bare[["piece", "seal_g"]].itertuples():
        said = "a piece without a seal has a mass of sealer"
        rows.append(["pieces", row, piece, "seal_g", f"{mass:g}", said])
    return rows


# Where names of one kind are written down.
_NAMED_IN = {
    "piece": ("pieces",),
    "species": ("pieces",),
    "seal": ("pieces",),
    "log": ("pieces",),
    "maker": ("pieces",),
    "place": ("pieces", "weighings", "air", "witnesses"),
    "scale": ("weighings",),
    "witness": ("witnesses",),
}
_TWINS = {
    "piece": "marks that look alike or differ in capitals and blanks only: is it one piece?",
    "species": "one wood under several names, which would be counted as several woods: write one "
    "of them in all rows",
}


def _doubts_of_names(tables: dict[str, pd.DataFrame]) -> list[list[object]]:
    """Names that mean one thing and would be counted as several, and names of bare pieces."""
    rows: list[list[object]] = []
    for column, homes in _NAMED_IN.items():
        names = pd.concat([tables[table][column].dropna().drop_duplicates() for table in homes])
        alike: dict[object, list[str]] = {}
        for name in names.drop_duplicates():
            wood = species_facts(name).members if column == "species" else ()
            alike.setdefault(wood or folded(name), []).append(name)
        for pair in [key for key in alike if isinstance(key, tuple) and len(key) == 2]:
            for one in pair:  # `cherry` may be European or black cherry: beside the latter, it is
                if (one,) in alike and pair in alike:
                    alike[(one,)] = alike.pop(pair) + alike[(one,)]
        for twins in [group for group in alike.values() if len(group) > 1]:
            table = next(one for one in homes if (tables[one][column] == twins[-1]).any())
            at = tables[table].index[tables[table][column] == twins[-1]]
            said = f"one {column} is spelled in several ways and would be taken for several"
            value = " / ".join(map(with_hidden, twins))
            piece = twins[-1] if column == "piece" else None
            rows.append([table, at[0], piece, column, value, _TWINS.get(column, said)])
    pieces = tables["pieces"]
    bare = pieces[pieces["seal"].map(_plain, na_action="ignore").isin(_BARE)]
    for name, group in bare.groupby("seal", sort=False):
        rows.append(
            ["pieces", group.index[0], group["piece"].iloc[0], "seal", name,
             f"{name!r} would be taken for a way of sealing: write `none` for a bare piece"]
        )  # fmt: skip
    return rows


def _plain(name: object) -> str:
    return " ".join(str(name).casefold().split())


def folded(name: object) -> str:
    """A name without capitals, blanks and characters that cannot be seen, in one composition."""
    plain = unicodedata.normalize("NFKC", str(name)).casefold()
    shown = "".join(c for c in plain if unicodedata.category(c) not in _HIDDEN and not c.isspace())
    return unicodedata.normalize("NFC", shown)


_HIDDEN = ("Cf", "Cc", "Zl", "Zp")


def with_hidden(name: str) -> str:
    """A name with what cannot be seen in it written out.

    Examples
    --------
    >>> with_hidden("A\\u200b1"), with_hidden("wax\\u00a0all over"), with_hidden("A1 rim")
    ('A<U+200B>1', 'wax<U+00A0>all over', 'A1 rim')
    """
    hidden = (*_HIDDEN, "Mn", "Zs")
    return "".join(
        f"<U+{ord(c):04X}>" if c != " " and unicodedata.category(c) in hidden else c for c in name
    )


def _doubts_of_ends(pieces: pd.DataFrame) -> list[list[object]]:
    """Ends before the turning, ends without a day, finished walls thicker than the rough ones."""
    rows: list[list[object]] = []
    told = pieces[["ended_on", "outcome", "finished_wall_mm"]].notna().any(axis=1)
    for row, piece in pieces[told].iterrows():
        ended, wall = piece["ended_on"], piece["finished_wall_mm"]
        said: tuple[str, object, str] | None = None
        if ended < piece["turned_on"].normalize():
            turned = f"{piece['turned_on']:%Y-%m-%d}"
            said = ("ended_on", f"{ended:%Y-%m-%d}", f"before the piece was turned ({turned})")
        elif pd.isna(ended) and (pd.notna(piece["outcome"]) or pd.notna(wall)):
            said = ("ended_on", "", "the piece has ended and the day is not given")
        elif wall > piece["wall_mm"]:
            rough = f"{piece['wall_mm']:g} mm"
            said = ("finished_wall_mm", f"{wall:g}", f"thicker than the rough wall ({rough})")
        if said:
            rows.append(["pieces", row, piece["piece"], *said])
    return rows


def _doubts_of_witnesses(witnesses: pd.DataFrame) -> list[list[object]]:
    known = witnesses.loc[witnesses["oven_dry_g"].notna(), "witness"]
    unknown = witnesses[~witnesses["witness"].isin(known)].drop_duplicates("witness")
    return [
        ["witnesses", row, None, "oven_dry_g", str(name),
         "no row of this block gives its oven-dry mass, so its moisture is not known"]
        for row, name in unknown["witness"].items()
    ]  # fmt: skip


def _doubts_of_looks(tables: dict[str, pd.DataFrame]) -> list[list[object]]:
    """Cracks that stand in a note only, and looks that were written down for cracks only."""
    looks, pieces = tables["looks"], tables["pieces"]
    cracked = set(looks.loc[looks["crack"] == "yes", "piece"])
    rows: list[list[object]] = []
    for table in ("pieces", "weighings"):
        notes = tables[table]["note"].dropna()
        said = notes[notes.str.contains(_CRACK_WORDS) & ~notes.str.contains(_NO_CRACK_WORDS)]
        for row, note in said.items():
            piece = tables[table].at[row, "piece"]
            if piece not in cracked:
                rows.append(
                    [table, row, piece, "note", str(note)[:80],
                     "speaks of a crack, and the table looks has none of this piece: only looks "
                     "are counted (piece, on, crack_mm)"]
                )  # fmt: skip
    unseen = int((~pieces["piece"].isin(looks["piece"])).sum())
    found = int(looks["piece"].nunique())
    if found >= 3 and len(cracked) > 0.8 * found and unseen > found:
        rows.append(
            ["looks", looks.index[0], None, "crack_mm", f"{len(cracked)} of {found}",
             f"nearly every piece with a look has a crack, and {unseen} pieces have no look: if "
             "those were looked over and found whole, write 0 for them, or the share of cracked "
             "pieces comes out too high"]
        )  # fmt: skip
    return rows


def _doubts_of_weighings(weighings: pd.DataFrame) -> list[pd.DataFrame]:
    if weighings.empty:
        return []
    codes, names = pd.factorize(weighings["piece"])
    order = np.lexsort((np.arange(len(weighings)), weighings["on"].to_numpy(), codes))
    code, mass = codes[order], weighings["mass_g"].to_numpy()[order]
    on, row = weighings["on"].to_numpy()[order], weighings.index.to_numpy()[order]
    event = weighings["event"].notna().to_numpy()[order]
    follows = np.r_[False, code[1:] == code[:-1]]
    ratio = np.ones(len(mass))
    ratio[1:] = mass[1:] / mass[:-1]
    ratio[~follows] = 1.0
    same_time = np.r_[False, on[1:] == on[:-1]] & follows
    repeated = same_time & (ratio == 1.0)
    low, high = STEP_OF_TEN
    tenfold = ((ratio > low) & (ratio < high)) | ((1 / ratio > low) & (1 / ratio < high))
    gain = (ratio > 1 + GAIN_FRACTION) & ~event & ~tenfold
    big_drop = (ratio < 0.5) & ~event & ~tenfold
    kinds = [
        (repeated, "the same weight stands twice for this day"),
        (same_time & ~repeated, "two different weights stand for the same time"),
        (tenfold, "ten times or a tenth of the weighing before: a slip of the decimal point?"),
        (gain, "heavier than the weighing before, with no event that says why"),
        (big_drop, "less than half of the weighing before, with no event that says why"),
    ]
    parts = []
    for mask, doubt in kinds:
        at = np.flatnonzero(mask)
        pairs = zip(_in_words(mass[at - 1]), _in_words(mass[at]), strict=True)
        value = [f"{before} then {now}" for before, now in pairs]
        parts.append(_part("weighings", row[at], names.take(code[at]), "mass_g", value, doubt))
    return [*parts, *_copies(code, on, mass, row, names)]


def _copies(
    code: np.ndarray, on: np.ndarray, mass: np.ndarray, row: np.ndarray, names: pd.Index
) -> list[pd.DataFrame]:
    """Pieces with the very weights of another on the very days: rows that were copied."""
    starts = np.flatnonzero(np.r_[True, code[1:] != code[:-1]])
    count = np.diff(np.r_[starts, len(code)])
    # A sum of mixed bits tells courses apart without holding them side by side.
    bits = on.astype("datetime64[ns]").view("u8") * np.uint64(0x9E3779B97F4A7C15)
    bits ^= mass.astype(float).view("u8") * np.uint64(0xC2B2AE3D27D4EB4F)
    course = np.add.reduceat(bits ^ (bits >> np.uint64(29)), starts)
    pieces = pd.DataFrame({"course": course, "count": count, "at": starts})
    pieces = pieces[pieces["count"] >= LEAST_COPIED]
    again = pieces[pieces.duplicated(["course", "count"])]
    if again.empty:
        return []
    first = pieces.drop_duplicates(["course", "count"]).set_index(["course", "count"])["at"]
    model = names.take(code[first.loc[list(zip(again["course"], again["count"], strict=True))]])
    value = [f"{number} weights" for number in again["count"]]
    said = [f"the same weights on the same days as piece {name}: copied rows?" for name in model]
    at = again["at"].to_numpy()
    return [_part("weighings", row[at], names.take(code[at]), "mass_g", value, said)]


def _in_words(masses: np.ndarray) -> list[str]:
    """A scale shows few different masses: each is put into words once, not at each doubt."""
    codes, distinct = pd.factorize(masses)
    return np.array([f"{mass:g}" for mass in distinct.tolist()], dtype=object)[codes].tolist()


def _part(
    table: str, row: np.ndarray, piece: object, column: str, value: object, doubt: object
) -> pd.DataFrame:
    cells = [table, row, piece, column, value, doubt]
    return pd.DataFrame(dict(zip(DOUBT_COLUMNS, cells, strict=True)))


def _dates_outside(
    tables: dict[str, pd.DataFrame], name: str, bound: str, said: str
) -> pd.DataFrame:
    """Days of a table that come before (`turned_on`) or after (`ended_on`) those of the piece."""
    table = tables[name]
    codes, names = pd.factorize(table["piece"])
    day = tables["pieces"].set_index("piece")[bound].reindex(names).dt.normalize()
    of_row, days = table["on"].dt.normalize().to_numpy(), day.to_numpy().take(codes)
    at = np.flatnonzero(of_row < days if bound == "turned_on" else of_row > days)
    doubt = (f"{said} (" + day.dt.strftime("%Y-%m-%d") + ")").array
    dates, distinct = pd.factorize(table["on"].iloc[at])
    value = distinct.strftime("%Y-%m-%d").take(dates)
    row, code = table.index.to_numpy()[at], codes[at]
    return _part(name, row, names.take(code), "on", value, doubt.take(code))


def _doubts_of_air(air: pd.DataFrame) -> list[list[object]]:
    rows: list[list[object]] = []
    repeated = air[air.duplicated(["on", "place"])]
    for row, reading in repeated.iterrows():
        rows.append(["air", row, None, "on", str(reading["on"]), "a second reading for this time"])
    fraction = air["rh_pct"]
    if len(fraction) and fraction.max() <= 1.0:
        rows.append(
            ["air", air.index[0], None, "rh_pct", f"{fraction.max():g}",
             "all humidities are 1 or less: fractions typed for percent?"]
        )  # fmt: skip
    return rows


def _air_of_another_time(tables: dict[str, pd.DataFrame]) -> list[list[object]]:
    """An air log of which no reading falls among the weighings: a slip of the year, or too late."""
    air, turned = tables["air"]["on"].dropna(), tables["pieces"]["turned_on"].min()
    last = tables["weighings"]["on"].max()
    if air.empty or pd.isna(turned) or pd.isna(last) or last <= turned:
        return []
    if air.between(turned.normalize(), last.normalize() + pd.Timedelta(days=1)).any():
        return []
    return [
        ["air", air.index[0], None, "on", f"{air.min():%Y-%m-%d} to {air.max():%Y-%m-%d}",
         f"no reading of the air falls between the first turning ({turned:%Y-%m-%d}) and the last "
         f"weighing ({last:%Y-%m-%d}), so the log says little of how these pieces dried: is a "
         "year mistyped?"]
    ]  # fmt: skip
