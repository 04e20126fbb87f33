"""The seven tables of a record book: columns, kinds, units and rules, in one place.

A column's kind says how its cells are read; its unit is the suffix of its name. A heading may
carry another unit of the same quantity (`wall_in`, `mass_lb`, `temp_f`): see `units.py`.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Column:
    """One column: kind is `text`, `date`, `number` or `choice`; bounds are in its own unit."""

    name: str
    kind: str
    required: bool = False
    usual: bool = False  # may be empty or absent, but the table is kept for it
    gaps: bool = False  # the column is needed, and a cell of it may be empty
    above: float | None = None  # strictly above
    least: float | None = None
    most: float | None = None
    choices: tuple[str, ...] = ()
    default: str | None = None
    meaning: str = ""

    @property
    def unit(self) -> str:
        """The unit of a column of numbers; empty of other kinds."""
        return self.name.rpartition("_")[2] if self.kind == "number" else ""

    @property
    def limits(self) -> list[str]:
        """Its bounds in words: `above 0`, `at most 300`."""
        bounds = {"above": self.above, "at least": self.least, "at most": self.most}
        return [f"{word} {bound:g}" for word, bound in bounds.items() if bound is not None]


_PIECE = Column("piece", "text", required=True, meaning="the pencil mark on the piece")
_ON = Column("on", "date", required=True, meaning="the day it was done")
_NOTE = Column("note", "text", meaning="anything else, in your own words")

EVENTS = ("sealed", "trimmed", "glued", "resealed")
ACTIONS = ("none", "glued", "resealed", "scrapped")
CHECKED = ("over salt",)
OUTCOMES = ("finished", "scrapped", "given away")
NOT_SAID = "not said"  # what an empty species or seal is called
INVENTED = "(invented)"  # ends the name of every place in a book that is made up

TABLES: dict[str, tuple[Column, ...]] = {
    "pieces": (
        _PIECE,
        Column(
            "species",
            "text",
            usual=True,
            default=NOT_SAID,
            meaning="kind of wood; empty = not said",
        ),
        Column("turned_on", "date", required=True, meaning="the day it was rough-turned"),
        Column("wall_mm", "number", usual=True, above=0, most=300, meaning="thickness of the wall"),
        Column(
            "seal",
            "text",
            usual=True,
            default=NOT_SAID,
            meaning="`none`, or the name of the sealing method; empty = not said",
        ),
        Column("log", "text", meaning="which log or tree it came from: the block of a trial"),
        Column("rim_mm", "number", above=0, most=2000, meaning="diameter of the rim at turning"),
        Column("height_mm", "number", above=0, most=2000, meaning="height of the rough bowl"),
        Column("foot_mm", "number", above=0, most=2000, meaning="diameter of the foot"),
        Column("rim_faces", "choice", choices=("pith", "bark"), meaning="where the rim looked"),
        Column(
            "pith_mm", "number", least=0, most=2000, meaning="distance of the rim plane from pith"
        ),
        Column("seal_g", "number", least=0, most=20000, meaning="mass of the sealer"),
        Column("place", "text", meaning="where it stands"),
        Column("maker", "text", meaning="who turned it"),
        Column(
            "allotted",
            "choice",
            choices=("random", "chosen"),
            meaning="how the seal was chosen for it: by lot, or by the maker",
        ),
        Column("ended_on", "date", meaning="the day it was finished, scrapped or given away"),
        Column("outcome", "choice", choices=OUTCOMES, meaning="what became of it that day"),
        Column(
            "finished_wall_mm", "number", above=0, most=300, meaning="wall after finish-turning"
        ),
        _NOTE,
    ),
    "weighings": (
        _PIECE,
        _ON,
        Column("mass_g", "number", required=True, above=0, most=200000, meaning="mass weighed"),
        Column(
            "event",
            "choice",
            choices=EVENTS,
            meaning="why the mass changed other than by drying, since the weighing before",
        ),
        Column("scale_g", "number", above=0, most=1000, meaning="smallest step of the scale"),
        Column("scale", "text", meaning="name of the scale"),
        Column("place", "text", meaning="where the piece stands from then on, if it moved"),
        _NOTE,
    ),
    "looks": (
        _PIECE,
        _ON,
        Column(
            "crack_mm",
            "number",
            usual=True,
            least=0,
            most=2000,
            meaning="longest crack; 0 = looked and found none; empty = not measured",
        ),
        Column(
            "crack",
            "choice",
            choices=("yes", "no"),
            meaning="whether a crack was seen; needed only where crack_mm is empty",
        ),
        Column("where", "text", meaning="rim, side, foot, pith, ..."),
        Column("action", "choice", choices=ACTIONS, default="none", meaning="what was done"),
        _NOTE,
    ),
    "air": (
        _ON,
        Column(
            "temp_c",
            "number",
            required=True,
            gaps=True,
            least=-60,
            most=120,
            meaning="temperature; empty = not read",
        ),  # fmt: skip
        Column(
            "rh_pct",
            "number",
            required=True,
            gaps=True,
            least=0,
            most=100,
            meaning="relative humidity; empty = not read",
        ),  # fmt: skip
        Column("place", "text", meaning="where it was measured"),
        Column(
            "checked",
            "choice",
            choices=CHECKED,
            meaning="the hygrometer was checked over salt, and the log corrected",
        ),
    ),  # fmt: skip
    "offcuts": (
        Column("wet_g", "number", required=True, above=0, most=20000, meaning="mass when cut"),
        Column("oven_dry_g", "number", required=True, above=0, most=20000, meaning="oven-dry mass"),
        Column("piece", "text", meaning="the piece it was cut from"),
        Column("log", "text", meaning="or the log it was cut from"),
        Column(
            "on",
            "date",
            meaning="the day of wet_g: turning, or later for shavings taken at finishing",
        ),
        _NOTE,
    ),
    "rims": (
        _PIECE,
        _ON,
        Column(
            "along_mm", "number", required=True, above=0, most=2000, meaning="rim along the grain"
        ),
        Column(
            "across_mm", "number", required=True, above=0, most=2000, meaning="rim across the grain"
        ),
        Column(
            "rise_mm", "number", least=-500, most=500, meaning="pith line of the rim above sides"
        ),
        _NOTE,
    ),
    "witnesses": (
        Column("witness", "text", required=True, meaning="the mark on the block"),
        _ON,
        Column("mass_g", "number", required=True, above=0, most=20000, meaning="mass weighed"),
        Column(
            "oven_dry_g",
            "number",
            usual=True,
            above=0,
            most=20000,
            meaning="oven-dry mass of the block, in one of its rows",
        ),
        Column("place", "text", meaning="where it lies among the pieces"),
        _NOTE,
    ),
}

# What a row of each is, in words.
A_ROW = {
    "pieces": "a piece, when it is rough-turned",
    "weighings": "a piece on the scale",
    "looks": "a piece looked over for cracks, also when there are none",
    "air": "a reading of temperature and humidity where the pieces stand",
    "offcuts": "an offcut weighed wet and again dried in an oven",
    "rims": "a rim measured along and across the grain",
    "witnesses": "a small block of known oven-dry mass, weighed with the pieces",
}
REQUIRED_TABLES = ("pieces", "weighings")


def would_hold(table: str) -> str:
    """The columns that a table is kept for, in words."""
    return ", ".join(column.name for column in TABLES[table] if column.required or column.usual)


def column_names(table: str) -> list[str]:
    """The known columns of a table, in their usual order."""
    return [column.name for column in TABLES[table]]
