"""Four messy sheets of invented makers, and what a careful reader makes of each, value by value.

Each is a builder that writes the sheet, and the values that stand in it: weights in grams by mark
and day, looks, facts of pieces, ends. The values were written down by hand beside the sheet.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path

import openpyxl

LB = 453.59237  # by definition


@dataclass(frozen=True)
class Messy:
    """What stands in a sheet; `lost` are cells without a value that the ledger must name."""

    weights: dict[tuple[str, str], float]
    looks: set[tuple[str, str, str]] = field(default_factory=set)  # piece, day, yes or no
    facts: dict[str, dict[str, object]] = field(default_factory=dict)
    ends: dict[str, tuple[str | None, str | None]] = field(default_factory=dict)
    lost: set[str] = field(default_factory=set)


def german(path: Path) -> Messy:
    """Pieces down, a row of dates, comma decimals, `nein`, cracks and firewood among weights."""
    path.write_bytes(
        "Winterschalen, Werkstatt\n"
        "\n"
        "Nr.;Holzart;gedreht am;Wandstärke (cm);Ø cm;Versiegelung;2.11.2026;16.11.2026;"
        "30. November 2026;Bemerkungen\n"
        "1;Buche;1.11.2026;2,5;28;nein;3.380;3.105,5;2.920;\n"
        "2;Eiche;1.11.2026;3;30;Wachs;4.120;4.010 Riss am Rand;gerissen 5 mm;schöne Maserung\n"
        "03;Nußbaum;1.11.2026;2,8;26;ja;2.650;2.250 g;Brennholz;\n"
        "4;Bergahorn;2.11.2026;2,2;31;;1,98 kg;1,71 kg;kein Riss;\n"
        "5;Esche;2.11.2026;;;nein;-;?;verkauft;\n"
        "Summe;;;;;;;11.075,5;2.920;\n".encode("cp1252", errors="replace").replace(
            b"?cm", b"\xd8 cm"
        )
    )
    return Messy(
        weights={
            ("1", "2026-11-02"): 3380, ("1", "2026-11-16"): 3105.5, ("1", "2026-11-30"): 2920,
            ("2", "2026-11-02"): 4120, ("2", "2026-11-16"): 4010,
            ("03", "2026-11-02"): 2650, ("03", "2026-11-16"): 2250,
            ("4", "2026-11-02"): 1980, ("4", "2026-11-16"): 1710,
        },
        looks={("2", "2026-11-16", "yes"), ("2", "2026-11-30", "yes"), ("4", "2026-11-30", "no")},
        facts={
            "1": {"species": "Buche", "wall_mm": 25, "rim_mm": 280, "seal": "none"},
            "2": {"species": "Eiche", "wall_mm": 30, "rim_mm": 300, "seal": "Wachs"},
            "03": {"species": "Nußbaum", "wall_mm": 28, "rim_mm": 260, "seal": "sealed"},
            "4": {"species": "Bergahorn", "wall_mm": 22, "rim_mm": 310, "seal": "not said"},
            "5": {"species": "Esche", "seal": "none"},
        },
        ends={"03": ("2026-11-30", "scrapped"), "5": ("2026-11-30", "given away")},
        lost={"G8", "H8"},
    )  # fmt: skip


def french(path: Path) -> Messy:
    """A row a weighing in French: kilograms with a comma, days left out, words in the remarks."""
    path.write_text(
        "Séchage des ébauches;;;;\n"
        "date de pesée;bol;poids (kg);essence;remarque\n"
        "9/3/2026;A1;1,480;frêne;\n"
        ";A2;1,390;hêtre;ciré\n"
        ";01;2,105;merisier;\n"
        "23/3/2026;A1;1,31;;fente au bord 8 mm\n"
        ";A2;1,25;;pas de fente\n"
        ";01;1,96;;balance neuve\n"
        "6/4/2026;A1;;;vendu\n"
        ";A2;1,19;;\n"
        ";01;brûlé;;\n"
        "total;;10,675;;\n",
        encoding="utf-8",
    )
    return Messy(
        weights={
            ("A1", "2026-03-09"): 1480, ("A2", "2026-03-09"): 1390, ("01", "2026-03-09"): 2105,
            ("A1", "2026-03-23"): 1310, ("A2", "2026-03-23"): 1250, ("01", "2026-03-23"): 1960,
            ("A2", "2026-04-06"): 1190,
        },
        looks={("A1", "2026-03-23", "yes"), ("A2", "2026-03-23", "no")},
        facts={
            "A1": {"species": "frêne"}, "A2": {"species": "hêtre"}, "01": {"species": "merisier"},
        },
        ends={"A1": ("2026-04-06", "given away"), "01": ("2026-04-06", "scrapped")},
        lost={"A12", "C12"},
    )  # fmt: skip


def tall(path: Path) -> Messy:
    """A beginner's log in a workbook: columns in odd order, a hidden row, an error, a formula."""
    book = openpyxl.Workbook()
    page = book.active
    page.title = "log"
    rows = [
        ["remarks", "Wieght", "BOWL", "when weighed"],
        ["new scale", "3 lb 4 oz", "B1", dt.datetime(2026, 3, 9)],
        [None, "2.9 lb", "B2", dt.datetime(2026, 3, 9)],
        [None, "3 lb 1 oz cracked", "B1", "16 March 2026"],
        [None, "2.7 lb", "B2", "2026-03-16"],
        ["sealed", "2.6 lb", "B2", dt.datetime(2026, 3, 23)],
        [None, "#REF!", "B1", dt.datetime(2026, 3, 23)],
        [None, "=B5*2", "B3", dt.datetime(2026, 3, 23)],
        ["gone", None, "B1", dt.datetime(2026, 3, 30)],
    ]
    for row in rows:
        page.append(row)
    page["B7"].data_type = "e"
    page.row_dimensions[5].hidden = True
    book.save(path)
    return Messy(
        weights={
            ("B1", "2026-03-09"): 3.25 * LB, ("B2", "2026-03-09"): 2.9 * LB,
            ("B1", "2026-03-16"): (3 + 1 / 16) * LB, ("B2", "2026-03-16"): 2.7 * LB,
            ("B2", "2026-03-23"): 2.6 * LB,
        },
        looks={("B1", "2026-03-16", "yes")},
        ends={"B1": ("2026-03-30", None)},
        lost={"B7", "B8"},
    )  # fmt: skip


def transposed(path: Path) -> Messy:
    """Dates down, pieces across, facts of the pieces above the dates, two kinds of dates."""
    book = openpyxl.Workbook()
    page = book.active
    rows = [
        ["Bowls on the top shelf", None, None, None, None],
        ["Bowl", "A1", "A2", 7, "Mean"],
        ["Wood", "Sycamore", "yew", "oak", None],
        ["Wall (in)", "1 1/8", 1, '7/8"', None],
        ["Sealed?", "no", "wax", "paint", None],
        [dt.datetime(2026, 3, 9), 1480, 1390, 2100, 1656.7],
        ["3/16/26", 1410, "1310 (new scale)", "2010, hairline in the foot", None],
        ["3/23/26", 1365, "cracked!", 1950, None],
        [dt.datetime(2026, 3, 30), 1331, "1240 glued", "sold", None],
    ]
    for row in rows:
        page.append(row)
    page["D2"].number_format = "00"
    book.save(path)
    return Messy(
        weights={
            ("A1", "2026-03-09"): 1480, ("A1", "2026-03-16"): 1410, ("A1", "2026-03-23"): 1365,
            ("A1", "2026-03-30"): 1331, ("A2", "2026-03-09"): 1390, ("A2", "2026-03-16"): 1310,
            ("A2", "2026-03-30"): 1240, ("07", "2026-03-09"): 2100, ("07", "2026-03-16"): 2010,
            ("07", "2026-03-23"): 1950,
        },
        looks={("A2", "2026-03-23", "yes"), ("07", "2026-03-16", "yes")},
        facts={
            "A1": {"species": "Sycamore", "wall_mm": 28.575, "seal": "none"},
            "A2": {"species": "yew", "wall_mm": 25.4, "seal": "wax"},
            "07": {"species": "oak", "wall_mm": 22.225, "seal": "paint"},
        },
        ends={"07": ("2026-03-30", "given away")},
        lost={"E2", "E6"},
    )  # fmt: skip


SHEETS = {
    "german": (german, "schalen.csv", "pieces-down"),
    "french": (french, "bols.csv", "log"),
    "tall": (tall, "log.xlsx", "log"),
    "transposed": (transposed, "shelf.xlsx", "dates-down"),
}
