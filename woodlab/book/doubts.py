"""Entries that are possible but odd: kept, listed, left to the maker.

The limits are common practice, no source.
"""

from __future__ import annotations

import unicodedata

import numpy as np
import pandas as pd

from woodlab.book.sheet.words import read_words, yes_or_no
from woodlab.book.tables import NOT_SAID, TABLES
from woodlab.book.units import scale_to
from woodlab.wood.species import near_names, species_facts

DOUBT_COLUMNS = ["table", "row", "piece", "column", "value", "doubt"]

# Wood in a shed takes up some water in a damp week; more than this between two weighings wants
# an event.
GAIN_FRACTION = 0.02
STEP_OF_TEN = (8.0, 12.5)
LEAST_COPIED = 3  # so many equal weights on equal days are no chance
# The least and the most that is usual of a rough bowl, and how near to the others of its piece a
# weight must lie to be believed in another unit.
USUAL = {c.name: c.commonly for columns in TABLES.values() for c in columns if c.commonly}
NEAR = (0.4, 1.4)
UNKNOWN_WOOD = (
    ". Its green moisture and its shrinkage are then not known: dry an offcut in an oven, or "
    "write a wood of wl.species() that is like it"
)
_NO_EVENT = "than the weighing before, with no event that says why"
Doubts = list[tuple]  # rows of DOUBT_COLUMNS, `row` that of the table's index


def find_doubts(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """One row a doubt: table, row (of the table's index), piece, column, value, doubt."""
    few = [
        *_pieces(tables["pieces"]),
        *_names(tables),
        *implausible(tables),
        *_witnesses(tables["witnesses"]),
        *_looks(tables),
        *_air(tables),
    ]
    outside = [(name, "turned_on", "before the piece was turned") for name in
               ("weighings", "looks", "rims")]  # fmt: skip
    outside += [(name, "ended_on", "after the piece had ended") for name in ("weighings", "looks")]
    found = [
        pd.DataFrame(few, columns=DOUBT_COLUMNS),
        *_weighings(tables["weighings"]),
        *(_dates_outside(tables, *bound) for bound in outside),
    ]
    return _all(found)


def _all(found: list[pd.DataFrame]) -> pd.DataFrame:
    return pd.concat([part for part in found if len(part)] or found[:1], ignore_index=True)


def doubts_of_several(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Doubts of joined books: of each by itself, and of names that differ between them only."""
    books = dict.fromkeys(name for frame in tables.values() for name in frame["book"].unique())
    found = [
        find_doubts({name: frame[frame["book"] == book] for name, frame in tables.items()})
        for book in books
    ]
    alone = {value for one in found for value in one["value"]}
    across = [row for row in _names(tables) if row[4] not in alone]
    return _all([*found, pd.DataFrame(across, columns=DOUBT_COLUMNS)])


def _rows(table: str, frame: pd.DataFrame, odd: pd.Series, column: str, said: str) -> Doubts:
    """A doubt for each row of a mask; `said` may name other cells of the row."""
    return [
        (table, row.Index, row.piece, column, shown(getattr(row, column)),
         said.format(**row._asdict()))
        for row in frame[odd].itertuples()
    ]  # fmt: skip


def shown(value: object) -> str:
    """A cell in a few letters; nothing if it is empty."""
    if isinstance(value, str):
        return value
    if value is pd.NaT or value != value:
        return ""
    return f"{value:%Y-%m-%d}" if isinstance(value, pd.Timestamp) else f"{value:g}"


def _pieces(pieces: pd.DataFrame) -> Doubts:
    rows: Doubts = []
    for name, group in pieces[pieces["species"] != NOT_SAID].groupby("species", sort=False):
        facts = species_facts(name)
        if note := facts.note:
            near = [] if facts.known else near_names(name)
            note += f". Is it {' or '.join(near)}?" if near else "" if facts.known else UNKNOWN_WOOD
            rows.append(("pieces", group.index[0], group["piece"].iloc[0], "species", name, note))
    for name, group in pieces.groupby("seal", sort=False):
        plain = " ".join(str(name).casefold().split())
        if plain != "none" and (yes_or_no(name) == "no" or plain in ("natural", "no seal", "-")):
            said = f"{name!r} would be taken for a way of sealing: write `none` for a bare piece"
            rows.append(("pieces", group.index[0], group["piece"].iloc[0], "seal", name, said))
    ended, wall = pieces["ended_on"], pieces["finished_wall_mm"]
    early = ended < pieces["turned_on"].dt.normalize()
    undated = ended.isna() & (pieces["outcome"].notna() | wall.notna())
    odd = {
        ("wall_mm", "the wall is thicker than half the rim ({rim_mm:g} mm)"):
            pieces["wall_mm"] > pieces["rim_mm"] / 2,
        ("seal_g", "a piece without a seal has a mass of sealer"):
            (pieces["seal"].str.casefold() == "none") & (pieces["seal_g"] > 0),
        ("ended_on", "before the piece was turned ({turned_on:%Y-%m-%d})"): early,
        ("ended_on", "the piece has ended and the day is not given"): undated,
        ("finished_wall_mm", "thicker than the rough wall ({wall_mm:g} mm)"):
            ~early & ~undated & (wall > pieces["wall_mm"]),
    }  # fmt: skip
    return rows + [
        one for said, mask in odd.items() for one in _rows("pieces", pieces, mask, *said)
    ]


# Where names of one kind are written down, and what twins among them would do.
_TWINS = "one {} is spelled in several ways and would be taken for several"
_NAMED_IN = {
    "piece": (
        ("pieces",),
        "marks that look alike or differ in capitals and blanks only: is it one piece?",
    ),
    "species": (
        ("pieces",),
        "one wood under several names, which would be counted as several woods: write one of them "
        "in all rows",
    ),
    "seal": (("pieces",), _TWINS),
    "log": (("pieces",), _TWINS),
    "maker": (("pieces",), _TWINS),
    "place": (("pieces", "weighings", "air", "witnesses"), _TWINS),
    "scale": (("weighings",), _TWINS),
    "witness": (("witnesses",), _TWINS),
}


def _names(tables: dict[str, pd.DataFrame]) -> Doubts:
    """Names that mean one thing and would be counted as several."""
    rows: Doubts = []
    for column, (homes, said) in _NAMED_IN.items():
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
            piece = twins[-1] if column == "piece" else None
            value = " / ".join(map(with_hidden, twins))
            rows.append((table, at[0], piece, column, value, said.format(column)))
    return rows


def implausible(tables: dict[str, pd.DataFrame]) -> Doubts:
    """Numbers that no bowl has in the unit of their column: whole columns, and single rows."""
    rows: Doubts = []
    for name, (least, most) in USUAL.items():
        table = "weighings" if name == "mass_g" else "pieces"
        if name not in tables[table]:
            continue
        values = tables[table][name].dropna()
        if values.empty:
            continue
        if values.median() < least:
            stem, unit = name.rsplit("_", 1)
            others, short = {"mm": ("inches", "in"), "g": ("pounds", "lb")}[unit]
            said = f"half of the column is below {least:g} {unit}: are these {others}? Then head "
            said += f"it {stem}_{short}"
            rows.append((table, values.index[0], None, name, f"{values.median():g}", said))
            continue
        odd = values[~values.between(least, most)]
        single = len(values) == 1 and name != "mass_g"
        if not (2 * len(odd) < len(values) or (len(values) == 2 and len(odd) == 1) or single):
            continue  # single rows are odd among good ones
        of_piece = tables[table]["piece"]
        usual = values[values >= least].groupby(of_piece).median().to_dict()
        for row, value, piece in zip(odd.index, odd.tolist(), of_piece.loc[odd.index], strict=True):
            if name != "mass_g":
                fits = [v for v in (value * 10, value / 10) if least <= v <= most]
                hint = f"is it {fits[0]:g} mm?" if fits else "is it another measure?"
                what = name.removesuffix("_mm").replace("_", " ")
                said = f"{value:g} mm is no {what} of a rough bowl: {hint}"
            else:
                said = f"{value:g} g is no bowl{_other_unit(value, usual.get(piece))}"
            rows.append((table, row, piece, name, f"{value:g}", said))
    return rows


def _other_unit(value: float, usual: float | None) -> str:
    """The unit in which a weight lies near the others of its piece."""
    for unit in ("kg", "lb", "oz"):
        grams = value * scale_to("g", unit)
        if usual and NEAR[0] < grams / usual < NEAR[1]:
            return f", and in {unit} it would be {grams:.4g} g: type it in the unit of the heading"
    return ": is a digit or the unit missing?"


def folded(name: object) -> str:
    """A name without capitals, blanks and characters that cannot be seen, in one composition."""
    plain = unicodedata.normalize("NFKC", str(name)).casefold()
    shown = "".join(c for c in plain if unicodedata.category(c) not in _HIDDEN and not c.isspace())
    return unicodedata.normalize("NFC", shown)


_HIDDEN = ("Cf", "Cc", "Zl", "Zp")


def with_hidden(name: str) -> str:
    """A name with what cannot be seen in it written out: `A<U+200B>1`."""
    hidden = (*_HIDDEN, "Mn", "Zs")
    return "".join(
        f"<U+{ord(c):04X}>" if c != " " and unicodedata.category(c) in hidden else c for c in name
    )


def _witnesses(witnesses: pd.DataFrame) -> Doubts:
    known = witnesses.loc[witnesses["oven_dry_g"].notna(), "witness"]
    unknown = witnesses[~witnesses["witness"].isin(known)].drop_duplicates("witness")
    said = "no row of this block gives its oven-dry mass, so its moisture is not known"
    return [
        ("witnesses", row, None, "oven_dry_g", str(name), said)
        for row, name in unknown["witness"].items()
    ]


def _looks(tables: dict[str, pd.DataFrame]) -> Doubts:
    """Cracks that stand in a note only, and looks that were written down for cracks only."""
    looks, pieces = tables["looks"], tables["pieces"]
    cracked = set(looks.loc[looks["crack"] == "yes", "piece"])
    said = ("speaks of a crack, and the table looks has none of this piece: only looks are counted "
            "(piece, on, crack_mm)")  # fmt: skip
    rows: Doubts = [
        (table, row, piece, "note", note[:80], said)
        for table in ("pieces", "weighings")
        for row, piece, note in tables[table][["piece", "note"]].dropna().itertuples()
        if piece not in cracked and read_words(note).crack == "yes"
    ]
    unseen = int((~pieces["piece"].isin(looks["piece"])).sum())
    found = int(looks["piece"].nunique())
    if found >= 3 and len(cracked) > 0.8 * found and unseen > found:
        said = (f"nearly every piece with a look has a crack, and {unseen} pieces have no look: if "
                "those were looked over and found whole, write 0 for them, or the share of cracked "
                "pieces comes out too high")  # fmt: skip
        value = f"{len(cracked)} of {found}"
        rows.append(("looks", looks.index[0], None, "crack_mm", value, said))
    return rows


def _weighings(weighings: pd.DataFrame) -> list[pd.DataFrame]:
    """Weights that do not follow from the one before, and courses of weights that were copied."""
    if weighings.empty:
        return []
    of = weighings.assign(code=pd.factorize(weighings["piece"])[0])
    of = of.sort_values(["code", "on"], kind="stable")
    before = of.groupby("code")[["on", "mass_g"]].shift()
    ratio = (of["mass_g"] / before["mass_g"]).fillna(1.0)
    same_time = of["on"] == before["on"]
    tenfold = pd.concat([ratio, 1 / ratio], axis=1)
    tenfold = ((tenfold > STEP_OF_TEN[0]) & (tenfold < STEP_OF_TEN[1])).any(axis=1)
    quiet = of["event"].isna() & ~tenfold
    kinds = [
        (same_time & (ratio == 1.0), "the same weight stands twice for this day"),
        (same_time & (ratio != 1.0), "two different weights stand for the same time"),
        (tenfold, "ten times or a tenth of the weighing before: a slip of the decimal point?"),
        ((ratio > 1 + GAIN_FRACTION) & quiet, f"heavier {_NO_EVENT}"),
        ((ratio < 0.5) & quiet, f"less than half {_NO_EVENT.replace('than', 'of')}"),
    ]
    parts = []
    for mask, doubt in kinds:
        pairs = zip(before.loc[mask, "mass_g"], of.loc[mask, "mass_g"], strict=True)
        value = [f"{last:g} then {now:g}" for last, now in pairs]
        parts.append(_part("weighings", of[mask], "mass_g", value, doubt))
    return [*parts, _copies(of)]


def _copies(of: pd.DataFrame) -> pd.DataFrame:
    """Pieces with the very weights of another on the very days: rows that were copied."""
    code, on, mass = (of[name].to_numpy() for name in ("code", "on", "mass_g"))
    starts = np.flatnonzero(np.diff(code, prepend=-1)).tolist()
    first: dict[bytes, int] = {}
    again, value, said = [], [], []
    for start, stop in zip(starts, [*starts[1:], len(code)], strict=True):
        course = on[start:stop].tobytes() + mass[start:stop].tobytes()
        if stop - start >= LEAST_COPIED and (like := first.setdefault(course, start)) != start:
            again.append(start)
            value.append(f"{stop - start} weights")
            piece = of["piece"].iloc[like]
            said.append(f"the same weights on the same days as piece {piece}: copied rows?")
    return _part("weighings", of.iloc[again], "mass_g", value, said)


def _part(table: str, rows: pd.DataFrame, column: str, value: list, doubt: object) -> pd.DataFrame:
    cells = [table, rows.index, rows["piece"].array, column, pd.Series(value, dtype=object), doubt]
    return pd.DataFrame(dict(zip(DOUBT_COLUMNS, cells, strict=True)))


def _dates_outside(
    tables: dict[str, pd.DataFrame], name: str, bound: str, said: str
) -> pd.DataFrame:
    """Days of a table that come before (`turned_on`) or after (`ended_on`) those of the piece."""
    table = tables[name]
    days = tables["pieces"].set_index("piece")[bound].dt.normalize()
    day = days.reindex(table["piece"]).set_axis(table.index)
    on = table["on"].dt.normalize()
    odd = on < day if bound == "turned_on" else on > day
    doubt = [f"{said} ({one})" for one in day[odd].dt.strftime("%Y-%m-%d")]
    return _part(name, table[odd], "on", on[odd].dt.strftime("%Y-%m-%d").tolist(), doubt)


def _air(tables: dict[str, pd.DataFrame]) -> Doubts:
    air = tables["air"]
    again = "a second reading for this time"
    rows: Doubts = [
        ("air", row, None, "on", str(on), again)
        for row, on in air.loc[air.duplicated(["on", "place"]), "on"].items()
    ]
    if len(air) and (most := air["rh_pct"].max()) <= 1.0:
        said = "all humidities are 1 or less: fractions typed for percent?"
        rows.append(("air", air.index[0], None, "rh_pct", f"{most:g}", said))
    days, turned = air["on"].dropna(), tables["pieces"]["turned_on"].min()
    last = tables["weighings"]["on"].max()
    if (
        len(days)
        and last > turned
        and not days.between(turned.normalize(), last.normalize() + pd.Timedelta(days=1)).any()
    ):
        said = (
            f"no reading of the air falls between the first turning ({turned:%Y-%m-%d}) and the "
            f"last weighing ({last:%Y-%m-%d}), so the log says little of how these pieces dried: "
            "is a year mistyped?"
        )
        value = f"{days.min():%Y-%m-%d} to {days.max():%Y-%m-%d}"
        rows.append(("air", air.index[0], None, "on", value, said))
    return rows
