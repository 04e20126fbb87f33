"""What is known of a piece's start moisture before its weights are looked at.

In this order: offcuts of the piece, offcuts of its log, the species table, nothing. Always with a
scatter, and the name of what it rests on.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.wood.species import species_facts

# Scatter in percent of the moisture itself; estimates of our own.
OWN_OFFCUT_PCT = 4.0  # between an offcut and the piece it came from
LOG_OFFCUT_PCT = 8.0  # between an offcut and another piece of its log
SPECIES_PCT = 25.0  # between a piece and the table's mean: heartwood or sapwood is not known
UNKNOWN_GREEN = (75.0, 0.5)  # median [%] and sd of ln, where the species table has no figure
SOURCES = ("own offcuts", "offcuts of the log", "species table", "none")


def start_moisture_information(book: RecordBook) -> pd.DataFrame:
    """One row a piece of `book.pieces`, in its order.

    Returns
    -------
    DataFrame
        `piece`, `mean_pct` [% of oven-dry mass], `sd_pct` [points], `rests_on` (one of `SOURCES`),
        `n_offcuts`. NaN mean and sd where nothing is known.

    Examples
    --------
    >>> import pandas as pd
    >>> book = RecordBook.from_frames(
    ...     pieces=pd.DataFrame({"piece": ["A"], "species": ["oak"], "turned_on": ["2026-03-01"],
    ...                          "wall_mm": [25], "seal": ["none"], "log": ["L1"]}),
    ...     weighings=pd.DataFrame({"piece": ["A"], "on": ["2026-03-01"], "mass_g": [900]}),
    ...     offcuts=pd.DataFrame({"wet_g": [180.0, 172], "oven_dry_g": [100.0, 100],
    ...                           "log": ["L1", "L1"]}))
    >>> start_moisture_information(book)[["mean_pct", "rests_on"]].values.tolist()
    [[76.0, 'offcuts of the log']]
    """
    pieces = book.pieces
    count = len(pieces)
    mean, sd = np.full(count, np.nan), np.full(count, np.nan)
    source, used = np.full(count, 3), np.zeros(count, dtype=int)
    table = {}
    for name in pieces["species"].unique():
        table[name] = green_of_species(str(name))
    by_species = pieces["species"].map(table)
    found = by_species.map(lambda pair: pair[0]).to_numpy(dtype=float)
    scatter = by_species.map(lambda pair: pair[1]).to_numpy(dtype=float)
    known = np.isfinite(found)
    mean[known], sd[known], source[known] = found[known], scatter[known], 2
    offcuts = book.offcuts
    if len(offcuts):
        moisture = 100 * (offcuts["wet_g"] / offcuts["oven_dry_g"] - 1)
        for column, key, own, rank in (
            ("log", pieces["log"], LOG_OFFCUT_PCT, 1),
            ("piece", pieces["piece"], OWN_OFFCUT_PCT, 0),
        ):
            label = offcuts[column]
            if column == "log":  # an offcut of a piece tells of that piece's log, too
                logs = pieces.set_index("piece")["log"]
                label = label.where(label.notna(), offcuts["piece"].map(logs))
            groups = moisture.groupby(label).agg(["mean", "std", "count"])
            row = groups.reindex(key)
            here = row["count"].to_numpy(dtype=float) > 0
            level = row["mean"].to_numpy(dtype=float)
            among = np.where(row["count"] > 1, row["std"], own / 100 * level)
            total = np.sqrt(
                np.square(among) / row["count"].to_numpy(dtype=float) + np.square(own / 100 * level)
            )
            mean[here], sd[here], source[here] = level[here], total[here], rank
            used[here] = row["count"].to_numpy()[here].astype(int)
    return pd.DataFrame(
        {
            "piece": pieces["piece"].to_numpy(),
            "mean_pct": mean,
            "sd_pct": sd,
            "rests_on": np.array(SOURCES, dtype=object)[source],
            "n_offcuts": used,
        }
    )


def green_of_species(name: str) -> tuple[float, float]:
    """Mean and scatter of the green moisture by the species table; NaN where it is silent."""
    figures = species_facts(name).figures
    mean, heart, sap = (
        figures[key] for key in ("green_moisture_pct", "green_heartwood_pct", "green_sapwood_pct")
    )
    parts = [value for value in (heart, sap) if np.isfinite(value)]
    if not np.isfinite(mean):
        if not parts:
            return np.nan, np.nan
        mean = float(np.mean(parts))
    # heartwood or sapwood is not known: anywhere between them is as likely
    apart = (max(parts) - min(parts)) / np.sqrt(12) if len(parts) == 2 else 0.0
    return float(mean), float(np.hypot(SPECIES_PCT / 100 * mean, apart))


def most_moisture_pct(book: RecordBook) -> np.ndarray:
    """The most moisture that physics lets each piece hold [%], a wide guard, (n_pieces,).

    All pores filled, in wood half as heavy as the species table says; 300 % (specific gravity
    0.27) where the table is silent. An oven-dry mass that asks for more is not believed.
    """
    from woodlab.wood.moisture import saturated_moisture_pct

    most = {}
    for name in book.pieces["species"].unique():
        gravity = species_facts(str(name)).figures["basic_sg"]
        most[name] = float(saturated_moisture_pct(gravity / 2)) if np.isfinite(gravity) else 300.0
    return book.pieces["species"].map(most).to_numpy(dtype=float)
