"""The glossary keeps its promise: every column of every public frame, and no other, by frame."""

import inspect
import re
import shutil
from collections import defaultdict
from pathlib import Path

import pandas as pd
import pytest

import woodlab as wl
from woodlab.book.tables import TABLES, book_glossary
from woodlab.drying.laws import LAWS
from woodlab.drying.weather import invented_air

ROOT = Path(__file__).resolve().parents[2]
FOR_ALL = "many"  # in the third cell: the row holds for every frame that has the column
# As the page calls what these give.
SHORT_NAMES = {
    "fit_drying": "fits", "load_fits": "fits", "season_fits": "fits", "demo_book": "book",
    "open_book": "book", "open_books": "book",
}  # fmt: skip
UNITS = {
    "_mm": "mm", "_g": "g", "_c": "deg C", "_pct": "%", "_days": "days", "_m2_s": "m2/s",
    "_m_s": "m/s", "_deg": "degrees", "_per_pct": "1/%",
}  # fmt: skip
# What gives words, or a result whose frames are another's.
NO_FRAMES = {"add_round", "answer_in", "book_overview", "read_article", "table"}
NOT_OF_THE_KIT: dict[str, str] = {}  # columns of frames that the kit does not name


class Columns(defaultdict):
    """Columns by frame, as the page names the frames; those of several calls are put together."""

    def __init__(self):
        super().__init__(set)

    def add(self, name, thing):
        """A frame, or an object with frames for attributes."""
        if isinstance(thing, pd.DataFrame):
            self[name] |= set(thing.columns)
            return
        for part in dir(thing):
            if not part.startswith("_") and isinstance(getattr(thing, part), pd.DataFrame):
                self[f"{name}.{part}"] |= set(getattr(thing, part).columns)


def of_pieces(book, marks):
    """A book of a few pieces, so that a season is fitted in a moment."""
    tables = {
        name: table[table["piece"].isin(marks)] if name not in ("air", "offcuts") else table
        for name, table in book.tables().items()
    }
    logs = tables["pieces"]["log"]
    tables["offcuts"] = book.offcuts[book.offcuts["log"].isin(logs)]
    return wl.RecordBook.from_frames(**tables)


def records(found, folder):
    pieces = pd.DataFrame(
        {"piece": ["A1"], "species": "white ash", "seal": "none", "wall_mm": 22,
         "turned_on": "2026-03-01", "log": "A"}
    )  # fmt: skip
    path = wl.blank_book(folder / "book", pieces=pieces)
    weighing, look = {"piece": "A1", "on": "2026-03-02"}, {"piece": "A1", "on": "2026-03-03"}
    found.add("add_weighings", wl.add_weighings(path, [weighing | {"mass_g": 1480}]))
    found.add("add_looks", wl.add_looks(path, [look | {"crack_mm": 0}]))
    with pytest.raises(wl.RecordError) as refused:
        wl.add_weighings(path, [weighing | {"mass_g": -3}])
    found.add("error.frame", refused.value.frame)
    sheet = folder / "sheet.csv"
    sheet.write_text("bowl;Wood;2026-03-09;2026-03-23\nA1;white ash;1480;1310\nTotal;;1;2\n")
    made = wl.read_sheet(sheet)
    found.add("read_sheet()", made)
    found.add("read_sheet().save", made.save(folder / "made"))


def drying(found, book):
    found.add("book", book)
    fits = wl.fit_drying(book, "film", draws=20)
    found.add("fits", fits)
    for law in LAWS:
        found.add("fits", wl.fit_drying(book, law, pool=False, draws=20))
    found.add("core_to_surface", wl.core_to_surface(fits))
    found.add("fits.predict", fits.predict(days=[0, 60]))
    found.add("rank_laws", wl.rank_laws(book, ["exponential", "film"]))
    ready = wl.forecast_ready(fits, target_moisture_pct=14)
    found.add("forecast_ready", ready)
    found.add("forecast_curves", wl.forecast_curves(fits, ["A1"], target_moisture_pct=14))
    found.add("next_measurements().table", wl.next_measurements(fits, None, 14).table)
    found.add("ready_by_week", wl.ready_by_week(fits, weeks=2))
    # as of the last day nothing is left to judge
    last = book.weighings["on"].max()
    found.add("past_forecasts", wl.past_forecasts(fits, [last], target_moisture_pct=14))
    found.add("steady_weight", wl.steady_weight(book, ready))
    found.add("ready_list()", wl.ready_list(fits))


def studies(found, few, book):
    seals = wl.seal_study(few)
    found.add("seal_study()", seals)
    found.add("seal_study().partial_dependence", seals.partial_dependence("wall_mm", [20]))
    found.add("movement_study()", wl.movement_study(few))
    cracks = wl.crack_study(book)
    found.add("crack_study()", cracks)
    found.add("crack_study().first", cracks.first)
    planned = few.pieces[["species", "seal", "wall_mm"]]
    found.add("crack_study().risk", cracks.risk(planned))
    found.add("crack_study().risk_by_wall", cracks.risk_by_wall())
    found.add("crack_study().partial_dependence", cracks.partial_dependence("wall_mm"))
    found.add("crack_study().thickest_wall", cracks.thickest_wall())
    found.add("crack_study().look_every", cracks.look_every([7], until_day=21))
    found.add("crack_study().look_gaps", cracks.look_gaps(until_day=14))
    found.add("shop_round()", wl.shop_round(few, on="2025-06-01", cracks=cracks))
    found.add(
        "wall_window", wl.wall_window(["sugar maple"], [200], thickest=cracks.thickest_wall())
    )


def wood_and_plans(found):
    found.add("species", wl.species())
    found.add("shrinkage()", wl.shrinkage("sugar maple", 8))
    found.add("dried_rim()", wl.dried_rim(250, 10, "pith", 4.8, 9.9))
    bowl = wl.dried_bowl(wl.Bowl(300, 120, 30, 120, "pith", 10), 3.5, 7.3)
    found.add("dried_bowl()", bowl)
    found.add("dried_bowl().outline", bowl.outline())
    found.add("dried_bowl().section", bowl.section())
    found.add("rough_wall()", wl.rough_wall("sugar maple", 250, 100, 8))
    blanks = pd.DataFrame({"log": list("AABB"), "species": "white ash"})
    plan = wl.trial_plan(blanks.assign(wall_mm=[20, 22, 24, 26]), ["none", "wax"], seed=1)
    found.add("trial_plan()", plan)
    found.add("trial_plan().pieces", plan.pieces("2026-11-20"))
    found.add("trial_power()", wl.trial_power({"drying_time": 2}, [4], n_trials=100, seed=1))
    pieces = plan.pieces("2026-01-10").assign(seal="none")
    season = wl.simulate_season(pieces, invented_air("2026-01-01", 60, seed=1), seed=2)
    found.add("simulate_season().truth", season.truth)


def checks(found, folder):
    """One file of the outside checks, without the plugins that pytest would load first."""
    folder.mkdir()
    for name in ("conftest.py", "wood/test_moisture.py"):
        shutil.copy(ROOT / "tests" / name, folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTEST_DISABLE_PLUGIN_AUTOLOAD", "1")
        found.add("outside_checks", wl.outside_checks(folder))


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Columns of every public frame, made as a reader makes them, on a few pieces."""
    found, book = Columns(), wl.demo_book()
    few = of_pieces(book, ["A1", "A3"])
    records(found, tmp_path_factory.mktemp("glossary"))
    drying(found, few.until("2025-06-01"))
    studies(found, few, book)
    wood_and_plans(found)
    checks(found, tmp_path_factory.mktemp("checks") / "tests")
    return dict(found)


def rows_of_the_page():
    """Of each row of the second part: the columns, the units and the frames that it names."""
    part = (ROOT / "docs" / "glossary.md").read_text(encoding="utf-8").partition(book_glossary())[2]
    for line in part.splitlines():
        if line.startswith("| `"):
            names, units, where, meaning = (cell.strip() for cell in line.strip("|").split("|"))
            assert meaning
            yield re.findall(r"`([^`]+)`", names), units, where


def of_the_book():
    return {column.name for columns in TABLES.values() for column in columns}


def test_every_column_of_every_frame_has_a_row(made):
    everywhere, by_frame = of_the_book() | set(NOT_OF_THE_KIT), defaultdict(set)
    for names, _, where in rows_of_the_page():
        if where == FOR_ALL:
            everywhere |= set(names)
        for frame in re.findall(r"`([^`]+)`", where):
            by_frame[frame] |= set(names)
    left_out = {
        frame: sorted(columns - everywhere - by_frame[frame])
        for frame, columns in made.items()
        if columns - everywhere - by_frame[frame]
    }
    assert left_out == {}


def test_every_row_is_of_a_column_that_is_there(made):
    anywhere = set().union(*made.values())
    assert set(NOT_OF_THE_KIT) <= anywhere
    invented = []
    for names, _, where in rows_of_the_page():
        frames = re.findall(r"`([^`]+)`", where)
        assert frames or where == FOR_ALL, f"{names}: the third cell names no frame"
        for name in names:
            invented += [(name, frame) for frame in frames if name not in made.get(frame, ())]
            if name not in anywhere:
                invented.append((name, where))
    assert invented == []


def test_a_unit_is_that_of_the_suffix():
    for names, units, _ in rows_of_the_page():
        for name in names:
            suffix = max((end for end in UNITS if name.endswith(end)), key=len, default=None)
            assert suffix is None or UNITS[suffix] in units, name


def test_no_public_function_gives_a_frame_that_is_not_made_here(made):
    heads = {re.split(r"[.(]", frame)[0] for frame in made}
    for name in wl.__all__:
        thing = getattr(wl, name)
        gives = inspect.signature(thing).return_annotation if inspect.isfunction(thing) else "Path"
        if name not in NO_FRAMES and not re.search(r"Path|ndarray", str(gives)):
            assert SHORT_NAMES.get(name, name) in heads, name
