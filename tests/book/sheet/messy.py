"""Eight messy sheets of invented makers, and what a careful reader makes of each, value by value.

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


def workbook(path: Path, rows: list[list[object]]) -> openpyxl.worksheet.worksheet.Worksheet:
    page = openpyxl.Workbook().active
    for row in rows:
        page.append(row)
    return page


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


def garage(path: Path) -> Messy:
    """A log with a column of pounds and one of ounces, days with weekdays, walls in fractions."""
    rows = [
        ["Bowl weights - garage scale"],
        [],
        ["Weighed", "Bowl no.", "lbs", "oz", "Timber", "Wall thickness", "Comments"],
        ["Sat 7 Mar 2026", 1, 4, 2.5, "Cherry", '1"', "rough turned today"],
        [None, 2, 3, 15, "Sycamore", '1 1/4"', "ends waxed"],
        [None, "3a", 6, 0.5, "black walnut", '7/8"', None],
        [None, "3b", 2, 8, "black walnut", "1\u00bd in", None],
        ["Sat 14 Mar 2026", 1, 3, 14, None, None, "hairline at rim"],
        [None, 2, 3, 9.5, None, None, None],
        [None, "3a", 5, 6, None, None, None],
        [None, "3b", 2, "?", None, None, "scale battery flat"],
        ["21 March 2026", 1, 3, 9, None, None, 'crack now 1/2"'],
        [None, 2, 3, 5, None, None, "no cracks"],
        [None, "3a", 5, 0, None, None, "split in two - firewood"],
        [None, "3b", 2, 3.5, None, None, None],
        [None, "Total", 14, 1.5, None, None, None],
        ["28 March 2026", 1, 3, 6.5, None, None, "CA glue in crack"],
        [None, 2, 3, 2, None, None, None],
        [None, "3b", 2, 2, None, None, "given to Odrin"],
    ]
    workbook(path, rows).parent.save(path)
    pounds = {
        ("1", "2026-03-07"): (4, 2.5), ("2", "2026-03-07"): (3, 15), ("3a", "2026-03-07"): (6, 0.5),
        ("3b", "2026-03-07"): (2, 8), ("1", "2026-03-14"): (3, 14), ("2", "2026-03-14"): (3, 9.5),
        ("3a", "2026-03-14"): (5, 6), ("1", "2026-03-21"): (3, 9), ("2", "2026-03-21"): (3, 5),
        ("3a", "2026-03-21"): (5, 0), ("3b", "2026-03-21"): (2, 3.5), ("1", "2026-03-28"): (3, 6.5),
        ("2", "2026-03-28"): (3, 2), ("3b", "2026-03-28"): (2, 2),
    }  # fmt: skip
    return Messy(
        weights={key: (lb + oz / 16) * LB for key, (lb, oz) in pounds.items()},
        looks={("1", "2026-03-14", "yes"), ("1", "2026-03-21", "yes"), ("2", "2026-03-21", "no"),
               ("3a", "2026-03-21", "yes"), ("1", "2026-03-28", "yes")},
        facts={
            "1": {"species": "Cherry", "wall_mm": 25.4},
            "2": {"species": "Sycamore", "wall_mm": 31.75},
            "3a": {"species": "black walnut", "wall_mm": 22.225},
            "3b": {"species": "black walnut", "wall_mm": 38.1},
        },
        ends={"3a": ("2026-03-21", "scrapped"), "3b": ("2026-03-28", "given away")},
        lost={"A1", "C11", "D11", "B16", "C16", "D16"},
    )  # fmt: skip


def spring(path: Path) -> Messy:
    """Dates down without a year, a column a piece, pounds as decimals, inches in every writing."""
    path.write_text(
        "Spring bowls\t\t\t\t\n"
        "\tB-1\tB-2\tB-3\tB-4\n"
        "Species\tsugar maple\tWhite Ash\tash\tbeech\n"
        "wall in inches\t1 1/8\t1\t.875\t1 3/8\n"
        "Diameter\t11\t9 1/2\t10\t12.25\n"
        "Turned\tMar 7\tMar 7\tMar 8\tMar 8\n"
        "Sealer\twax emulsion\tnone\tno\tlatex paint\n"
        "Mar 8\t5.42 lb\t3.10\t4.2\t7.05\n"
        "Mar 15\t4.98\t2.71\t3.77\t6.6\n"
        "Mar 22\t4.61\t2.48\tcracked thru, tossed\t6.31\n"
        'Mar 29\t4.4 split on rim 3/4"\t2.3\t\t6.02\n'
        "Apr 5\t4.21\tturned & finished\t\t5,81\n"
        "avg\t4.72\t2.65\t\t\n",
        encoding="utf-16",
    )
    pounds = {
        "B-1": (5.42, 4.98, 4.61, 4.4, 4.21), "B-2": (3.1, 2.71, 2.48, 2.3),
        "B-3": (4.2, 3.77), "B-4": (7.05, 6.6, 6.31, 6.02, 5.81),
    }  # fmt: skip
    days = ("2026-03-08", "2026-03-15", "2026-03-22", "2026-03-29", "2026-04-05")
    weights = {(m, d): lb * LB for m, all_ in pounds.items() for d, lb in zip(days, all_)}  # noqa: B905
    inches = {"B-1": (1.125, 11), "B-2": (1, 9.5), "B-3": (0.875, 10), "B-4": (1.375, 12.25)}
    facts = {m: {"wall_mm": 25.4 * wall, "rim_mm": 25.4 * rim} for m, (wall, rim) in inches.items()}
    facts["B-1"] |= {"species": "sugar maple", "seal": "wax emulsion"}
    facts["B-3"] |= {"species": "ash", "seal": "none"}
    return Messy(
        weights,
        looks={("B-3", "2026-03-22", "yes"), ("B-1", "2026-03-29", "yes")},
        facts=facts,
        ends={"B-3": ("2026-03-22", "scrapped"), "B-2": ("2026-04-05", "finished")},
        lost={"A1", "A13", "B13", "C13"},
    )


def keller(path: Path) -> Messy:
    """German, pieces down: real dates beside a written one, kilograms as numbers and as text."""
    day = dt.datetime
    rows = [
        ["Schalentrocknung Keller 2026"],
        ["Bez.", "Holz", "Datum gedreht", "\u00d8", "Wandst.", "Wachs?", day(2026, 2, 7),
         day(2026, 2, 14), day(2026, 2, 28), "14.3.26", "Anmerkung"],
        ["E1", "Esche", day(2026, 2, 6), "28 cm", "25mm", "Stirnholz", 2.845, 2.61, 2.377, "2,201"],
        ["E2", "Esche", day(2026, 2, 6), "27 cm", "25 mm", "nein", 2.7, "2,455 kg",
         "2.21 Risse am Rand", "Riss geleimt 2,10"],
        ["B1", "Rotbuche", day(2026, 2, 7), "31 cm", "30 mm", "ganz", "4,12 (nass)", 3.8, 3.5, 3.31,
         "schief geworden"],
        ["N1", "Nuss", day(2026, 2, 7), "24 cm", "20 mm", "nein", "1950 g", 1.77, "fertig gedreht"],
        ["K1", "Kirsche", day(2026, 2, 8), "26 cm", "2,2 cm", "Ja", None, 2.3, 2.05,
         "im Ofen gelandet"],
        ["A1", "Ahorn", day(2026, 2, 8), "26 cm", "22 mm", None, "n.g.", 2.222, 2.0,
         "zu nass, 1,93"],
        ["Summe", None, None, None, None, None, 11.615],
    ]  # fmt: skip
    page = workbook(path, rows)
    for cell in ("G2", "H2", "I2"):
        page[cell].number_format = "dd.mm."
    page.parent.save(path)
    grams = {
        "E1": (2845, 2610, 2377, 2201), "E2": (2700, 2455, 2210), "B1": (4120, 3800, 3500, 3310),
        "N1": (1950, 1770), "K1": (None, 2300, 2050), "A1": (None, 2222, 2000),
    }  # fmt: skip
    days = ("2026-02-07", "2026-02-14", "2026-02-28", "2026-03-14")
    return Messy(
        {(m, d): g for m, all_ in grams.items() for d, g in zip(days, all_) if g},  # noqa: B905
        looks={("E2", "2026-02-28", "yes"), ("E2", "2026-03-14", "yes")},
        facts={
            "E1": {"species": "Esche", "wall_mm": 25, "rim_mm": 280, "seal": "Stirnholz"},
            "E2": {"wall_mm": 25, "rim_mm": 270, "seal": "none"},
            "B1": {"species": "Rotbuche", "wall_mm": 30, "rim_mm": 310, "seal": "ganz"},
            "N1": {"species": "Nuss", "wall_mm": 20, "seal": "none"},
            "K1": {"species": "Kirsche", "wall_mm": 22, "rim_mm": 260, "seal": "sealed"},
            "A1": {"species": "Ahorn", "wall_mm": 22, "seal": "not said"},
        },
        ends={"N1": ("2026-02-28", "finished"), "K1": ("2026-03-14", "scrapped")},
        lost={"A1", "G8", "J8", "A9", "G9"},
    )


def atelier(path: Path) -> Messy:
    """French, pieces down: dates in words, thin blanks and points for thousands, walls in cm."""
    path.write_bytes(
        "\u00c9bauches de l'atelier;;;;;;;;;\n"
        "N\u00b0;essence;tourn\u00e9e le;\u00e9paisseur (cm);diam. (cm);enduit;7 f\u00e9vrier 2026;"
        "21 f\u00e9vrier 2026;7 mars 2026;observations\n"
        "01;fr\u00eane;6/2/2026;2,5;28;non;2 845;2 410;2 190;\n"
        "02;H\u00eatre;6/2/2026;3;31;paraffine;4 120;3 760 fissure 6 mm;3 540;\n"
        "03;noyer;7/2/2026;2;24;oui;1 950 g;1,77 kg;fendu au coeur, br\u00fbl\u00e9;\n"
        "04;merisier;7/2/2026;2,2;26;non;2 300;2 050;termin\u00e9;\n"
        "05;\u00e9rable sycomore;7/2/2026;2,4;27;cire sur bois de bout;2.410;2.130;"
        "1.990 pas de fissure;bois \u00e9chauff\u00e9\n"
        "moyenne;;;;;;2 725;;;\n".encode("cp1252")
    )
    grams = {
        "01": (2845, 2410, 2190), "02": (4120, 3760, 3540), "03": (1950, 1770), "04": (2300, 2050),
        "05": (2410, 2130, 1990),
    }  # fmt: skip
    days = ("2026-02-07", "2026-02-21", "2026-03-07")
    return Messy(
        {(m, d): g for m, all_ in grams.items() for d, g in zip(days, all_)},  # noqa: B905
        looks={
            ("02", "2026-02-21", "yes"), ("03", "2026-03-07", "yes"), ("05", "2026-03-07", "no"),
        },
        facts={
            "01": {"species": "fr\u00eane", "wall_mm": 25, "rim_mm": 280, "seal": "none"},
            "02": {"species": "H\u00eatre", "wall_mm": 30, "rim_mm": 310, "seal": "paraffine"},
            "03": {"wall_mm": 20, "rim_mm": 240, "seal": "sealed"},
            "04": {"wall_mm": 22, "rim_mm": 260},
            "05": {"wall_mm": 24, "rim_mm": 270, "seal": "cire sur bois de bout"},
        },
        ends={"03": ("2026-03-07", "scrapped"), "04": ("2026-03-07", "finished")},
        lost={"A1", "A8", "G8"},
    )  # fmt: skip


# How each is built and called, the layout that is to be found, and what its maker must answer.
SHEETS = {
    "german": (german, "schalen.csv", "pieces-down", {}),
    "french": (french, "bols.csv", "log", {}),
    "tall": (tall, "log.xlsx", "log", {}),
    "transposed": (transposed, "shelf.xlsx", "dates-down", {}),
    "garage": (garage, "garage.xlsx", "log", {}),
    "spring": (spring, "spring.txt", "dates-down",
               {"year": 2026, "mass_unit": "lb", "length_unit": "in"}),
    "keller": (keller, "keller.xlsx", "pieces-down", {"decimal": ",", "mass_unit": "kg"}),
    "atelier": (atelier, "atelier.csv", "pieces-down", {"dates": "day-first"}),
}  # fmt: skip
