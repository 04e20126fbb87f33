"""Writers to be killed at random moments, and what must hold of the book or the folder after.

Each works in a forked child, so that a kill costs milliseconds and not the start of a program.
Shared by the tests beside this file and by `tests/bench/bench_faults.py`.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pandas as pd

import woodlab as wl
from woodlab.safe_write import whole_folder
from woodlab.season import SeasonOptions, run_season


def season_of(pieces: int, weighings: int, grams: float) -> wl.RecordBook:
    marks = [f"P{number}" for number in range(pieces)]
    days = pd.date_range("2026-03-01", periods=weighings)
    return wl.RecordBook.from_frames(
        pieces=pd.DataFrame(
            {"piece": marks, "species": "sugar maple", "turned_on": "2026-03-01", "wall_mm": 25.0,
             "seal": "none"}
        ),
        weighings=pd.DataFrame(
            [[mark, day, grams - number] for mark in marks for number, day in enumerate(days)],
            columns=["piece", "on", "mass_g"],
        ),
    )  # fmt: skip


def killed(
    work: Callable[[Callable[[], None]], None],
    seconds: float,
    first: Callable[[], object] = lambda: None,
) -> int:
    """Fork, do `first`, let `work` go on for so long, kill it; how often it said `done`."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(read)
            first()
            os.write(write, b".")  # started
            work(lambda: os.write(write, b"."))
        finally:
            os._exit(1)
    os.close(write)
    os.read(read, 1)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    said = 0
    while piece := os.read(read, 4096):
        said += len(piece)
    os.close(read)
    return said


def kill_saving(path: Path, rng: random.Random, longest: float) -> str:
    """Kill `book.save` over an existing book: it is the one or the other, whole."""
    one, other = season_of(5, 4, 1500), season_of(3, 9, 1200)
    if not path.exists():
        one.save(path)

    def work(done: Callable[[], None]) -> None:
        while True:
            other.save(path)
            one.save(path)

    killed(work, rng.uniform(0, longest))
    found = wl.open_book(path).hash
    assert found in (one.hash, other.hash), "the book is neither the old one nor the new one"
    return "old" if found == one.hash else "new"


def kill_adding(path: Path, rng: random.Random, longest: float) -> str:
    """Kill `add_weighings`: what it said was done is there, once, and nothing by half."""
    if path.exists():
        for file in path.iterdir() if path.is_dir() else [path]:
            file.unlink()
    season_of(2, 1, 1500).save(path)
    began = time.perf_counter()
    wl.add_weighings(path, [{"piece": "P1", "on": "2026-03-02", "mass_g": 1499}])
    # as long as a few additions take here and now: else all kills might come before the first
    longest = max(longest, 4 * (time.perf_counter() - began))
    base = len(wl.open_book(path).weighings)

    def work(done: Callable[[], None]) -> None:
        for number in range(1, 1000):
            day = pd.Timestamp("2026-03-01") + pd.Timedelta(days=number)
            wl.add_weighings(path, [{"piece": "P0", "on": day, "mass_g": 1500.0 - number}])
            done()

    said = killed(work, rng.uniform(0, longest))
    masses = wl.open_book(path).weighings["mass_g"].tolist()[base:]
    assert len(masses) in (said, said + 1), f"{said} rows were said to be added, {len(masses)} are"
    assert masses == [1500.0 - number for number in range(1, len(masses) + 1)]
    wl.add_weighings(path, [{"piece": "P1", "on": "2026-03-20", "mass_g": 1490}])
    beside = [f.name for f in path.parent.rglob("*") if "woodlab-" in f.name]
    assert not beside, f"the next writer left {beside}"
    return f"{min(len(masses), 9)} added"


def kill_swapping(target: Path, rng: random.Random, longest: float) -> str:
    """Kill the swap of a season's folder: the old output or the new, and no leftovers after."""

    def fill(number: int) -> None:
        with whole_folder(target, "season.json") as partial:
            for name in ("a.html", "b.html", "season.json"):
                (partial / name).write_text(f'["woodlab", {number}]')

    def work(done: Callable[[], None]) -> None:
        for number in range(1, 100_000):
            fill(number)
            done()

    said = killed(work, rng.uniform(0, longest))
    stood = target.exists()
    if stood:
        contents = {(target / n).read_text() for n in ("a.html", "b.html", "season.json")}
        assert len(contents) == 1, "two outputs mixed"
        assert json.loads(contents.pop())[1] in (said, said + 1)
    else:
        assert said == 0
    fill(0)
    left = [f.name for f in target.parent.iterdir() if f.name.startswith(".")]
    assert not left, f"the next run left {left}"
    shutil.rmtree(target)
    return "old or new" if stood else "none yet"


def kill_season(folder: Path, rng: random.Random) -> str:
    """Kill `run_season`, less its notebooks, over an earlier output: one season, whole.

    For a process that has drawn no chart: the threads of the chart's engine do not survive a fork.
    """
    target, seen = folder / "season", folder / "seen.json"
    books = {}
    for name, book in (("one", season_of(2, 6, 1500)), ("other", season_of(3, 7, 1200))):
        books[name] = folder / name
        if not books[name].exists():
            book.save(books[name])

    def write(name: str) -> dict[str, str]:
        run_season(books[name], target, SeasonOptions(notebooks=(), progress=False))
        return contents(target)

    def both() -> None:
        """What the two seasons look like, and how long one takes once all is loaded."""
        known = {name: write(name) for name in books}
        began = time.perf_counter()
        write("one")
        seen.write_text(json.dumps([time.perf_counter() - began, known]))

    if not seen.exists():
        for path in books.values():  # once here, and not in every child
            warm_up(wl.open_book(path))
        in_child(both)
    seconds, known = json.loads(seen.read_text())

    def work(done: Callable[[], None]) -> None:
        while True:
            for name in ("other", "one"):
                write(name)

    killed(work, rng.uniform(0, 3 * seconds), first=lambda: (write("other"), write("one")))
    found = contents(target)
    name = json.loads((target / "season.json").read_text())["book"]
    assert set(found) == set(known[name]), "files are missing, or of two seasons"
    for file in ("article/article.md", "index.html", "season.json"):
        assert found[file] == known[name][file], f"{file} is not of the book {name}"
    for _ in range(50):  # a converter that the season had started may outlive it by a moment
        settle(target)
        left = [f.name for f in folder.iterdir() if f.name.startswith(".")]
        if not left:
            break
        time.sleep(0.1)
    assert not left, f"the next run left {left}"
    assert contents(target) == found, "a run that failed changed the season that stood there"
    return f"the season of book {name}"


def settle(target: Path) -> None:
    """A run that fails: it clears away what a killed one left, and changes nothing else."""
    with contextlib.suppress(ZeroDivisionError), whole_folder(target, "season.json"):
        raise ZeroDivisionError


def warm_up(book: wl.RecordBook) -> None:
    """Load and compile what an article of the book asks for, all but the charts."""
    fits = wl.fit_drying(book)
    for ask in (
        lambda: wl.forecast_ready(fits), lambda: wl.seal_study(fits),
        lambda: wl.crack_study(book),
    ):  # fmt: skip
        with contextlib.suppress(wl.WoodlabError):
            ask()


def contents(folder: Path) -> dict[str, str]:
    """Each file under a folder, as a digest."""
    return {
        str(file.relative_to(folder)): hashlib.sha256(file.read_bytes()).hexdigest()
        for file in folder.rglob("*")
        if file.is_file()
    }


VICTIMS = {"saving": kill_saving, "adding": kill_adding, "swapping": kill_swapping}


def in_child(work: Callable[[], object]) -> str:
    """Run `work` in a forked child; what it returned or raised, as text."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(read)
        try:
            text = f"returned {work()}"
        except wl.WoodlabError as error:
            text = f"{type(error).__name__}: {error}"
        except BaseException as error:  # noqa: BLE001 - the parent shall hear of it
            text = f"broken: {type(error).__name__}: {error}"
        os.write(write, text.encode()[:60_000])
        os._exit(0)
    os.close(write)
    text = b""
    while piece := os.read(read, 65536):
        text += piece
    os.close(read)
    os.waitpid(child, 0)
    return text.decode()


def main(kills: int, seed: int) -> None:
    """Kill a season so many times, in a process of its own; what stood there after, counted."""
    rng, found = random.Random(seed), Counter()
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(kills):
            found[kill_season(Path(folder), rng)] += 1
    print(json.dumps(found))


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
