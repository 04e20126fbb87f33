"""Entries that are possible but odd: kept, listed, left to the maker."""

from __future__ import annotations

import numpy as np
import pandas as pd

from woodlab.wood.species import species_facts

DOUBT_COLUMNS = ["table", "row", "piece", "column", "value", "doubt"]

# Wood in a shed takes up some water in a damp week; more than this between two weighings wants
# an event. Common practice, no source.
GAIN_FRACTION = 0.02
STEP_OF_TEN = (8.0, 12.5)


def find_doubts(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """One row a doubt: table, row (as the spreadsheet numbers it), piece, column, value, doubt.

    `tables` have the spreadsheet's row numbers as index.
    """
    found = [
        *_doubts_of_pieces(tables["pieces"]),
        *_doubts_of_weighings(tables["pieces"], tables["weighings"]),
        *_dates_before_turning(tables["pieces"], tables["looks"], "looks"),
        *_dates_before_turning(tables["pieces"], tables["rims"], "rims"),
        *_doubts_of_air(tables["air"]),
    ]
    frame = pd.DataFrame(found, columns=DOUBT_COLUMNS)
    return frame.sort_values(["table", "row"], kind="stable", ignore_index=True)


def _doubts_of_pieces(pieces: pd.DataFrame) -> list[list[object]]:
    rows: list[list[object]] = []
    for name, group in pieces.groupby("species", sort=False):
        note = species_facts(name).note
        if note:
            row = group.index[0]
            rows.append(["pieces", row, group["piece"].iloc[0], "species", name, note])
    thick = pieces[pieces["wall_mm"] > pieces["rim_mm"] / 2]
    for row, piece in thick.iterrows():
        rows.append(
            ["pieces", row, piece["piece"], "wall_mm", f"{piece['wall_mm']:g}",
             f"the wall is thicker than half the rim ({piece['rim_mm']:g} mm)"]
        )  # fmt: skip
    bare = pieces[(pieces["seal"].str.casefold() == "none") & (pieces["seal_g"] > 0)]
    for row, piece in bare.iterrows():
        rows.append(
            ["pieces", row, piece["piece"], "seal_g", f"{piece['seal_g']:g}",
             "a piece without a seal has a mass of sealer"]
        )  # fmt: skip
    weighed = pieces.groupby(pieces["seal"].str.casefold())["seal"].unique()
    for spellings in weighed[weighed.map(len) > 1]:
        rows.append(
            ["pieces", pieces.index[0], None, "seal", " / ".join(spellings),
             "one seal is spelled in several ways and would be taken for several seals"]
        )  # fmt: skip
    return rows


def _doubts_of_weighings(pieces: pd.DataFrame, weighings: pd.DataFrame) -> list[list[object]]:
    if weighings.empty:
        return []
    rows: list[list[object]] = []
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
    for mask, doubt in kinds:
        for i in np.flatnonzero(mask):
            value = f"{mass[i - 1]:g} then {mass[i]:g}"
            rows.append(["weighings", row[i], names[code[i]], "mass_g", value, doubt])
    rows += _dates_before_turning(pieces, weighings, "weighings")
    return rows


def _dates_before_turning(
    pieces: pd.DataFrame, table: pd.DataFrame, name: str
) -> list[list[object]]:
    if table.empty:
        return []
    turned = pieces.set_index("piece")["turned_on"]
    codes, names = pd.factorize(table["piece"])
    day = turned.reindex(names).dt.normalize().to_numpy()[codes]
    early = np.flatnonzero(table["on"].to_numpy() < day)
    return [
        [name, table.index[i], names[codes[i]], "on", str(table["on"].iloc[i].date()),
         f"before the piece was turned ({pd.Timestamp(day[i]).date()})"]
        for i in early
    ]  # fmt: skip


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
