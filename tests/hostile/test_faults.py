"""Faults in the middle: killed writers, a full disk, a folder that may not be written."""

from __future__ import annotations

import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

import woodlab as wl

sys.path.insert(0, str(Path(__file__).parent))

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")

import victims  # noqa: E402

KILLS = 6  # hundreds in tests/bench/bench_faults.py


@pytest.mark.parametrize("victim", list(victims.VICTIMS))
def test_killed_at_random_moments(tmp_path, victim):
    rng = random.Random(7)
    for _ in range(KILLS):
        victims.VICTIMS[victim](tmp_path / "target", rng, 0.15)


@pytest.mark.parametrize("victim", ["saving", "adding"])
def test_a_workbook_killed_at_random_moments(tmp_path, victim):
    rng = random.Random(8)
    for _ in range(3):
        victims.VICTIMS[victim](tmp_path / "target.xlsx", rng, 0.3)


SEASON = """
import os, signal, sys
import woodlab.safe_write as safe
from woodlab.season import SeasonOptions, run_season
book, out, when = sys.argv[1:]
swap = safe._swap_in
def killed(partial, target):
    last = when != "never" and str(target) == out  # and not the article in it
    if not last or when == "after":
        swap(partial, target)
    if last:
        os.kill(os.getpid(), signal.SIGKILL)
safe._swap_in = killed
run_season(book, out, SeasonOptions(notebooks=(), progress=False))
"""


def test_a_season_killed_at_its_swap_is_the_old_one_or_the_new(tmp_path):
    """At the two moments that differ; at random ones in tests/bench/bench_faults.py."""
    out = tmp_path / "season"
    for name, book in (("one", (2, 6, 1500)), ("other", (3, 7, 1200))):
        victims.season_of(*book).save(tmp_path / name)

    def run(name, when):
        command = [sys.executable, "-c", SEASON, str(tmp_path / name), str(out), when]
        done = subprocess.run(command, capture_output=True, text=True)
        assert done.returncode == (0 if when == "never" else -9), done.stderr[-3000:]
        victims.settle(out)  # a run that fails clears away what the killed one left
        assert not [path.name for path in tmp_path.iterdir() if path.name.startswith(".")]
        return victims.contents(out)

    old = run("one", "never")
    assert run("other", "before") == old
    new = run("other", "after")
    assert json.loads((out / "season.json").read_text())["book"] == "other"
    assert {"index.html", "article/article.md"} <= set(new)
    assert all(new[file] != old[file] for file in ("index.html", "article/article.md"))


def smallest_disk():
    """A file may have no more than 64 bytes, as on a disk that is all but full."""
    import resource
    import signal

    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (64, 64))


@pytest.mark.parametrize("name", ["book", "book.xlsx"])
def test_a_full_disk_leaves_the_book_as_it_was(tmp_path, name):
    path = tmp_path / name
    old = victims.season_of(5, 4, 1500)
    old.save(path)
    before = old.hash

    def save():
        smallest_disk()
        victims.season_of(50, 4, 1200).save(path)

    def add():
        smallest_disk()
        wl.add_weighings(path, [{"piece": "P0", "on": "2026-03-20", "mass_g": 1490}])

    for work in (save, add):
        said = victims.in_child(work)
        assert said.startswith("WorkError"), said
        assert "cannot be written" in said
        assert "Free some space" in said
        assert wl.open_book(path).hash == before
    old.save(path)  # and there is room again
    assert wl.open_book(path).hash == before


def test_a_folder_that_may_not_be_written_says_so():
    folder = Path(tempfile.mkdtemp())
    try:
        os.chmod(folder, 0o755)
        old = victims.season_of(2, 2, 1500)
        old.save(folder / "book")
        os.chmod(folder / "book", 0o555)

        def unprivileged(work):
            def run():
                if os.getuid() == 0:
                    os.setuid(65534)
                return work()

            return run

        for work in (
            lambda: victims.season_of(3, 2, 1200).save(folder / "book"),
            lambda: victims.season_of(3, 2, 1200).save(folder / "new"),
            lambda: victims.season_of(3, 2, 1200).save(folder / "new.xlsx"),
        ):
            said = victims.in_child(unprivileged(work))
            if os.getuid() != 0 and said.startswith("returned"):
                continue  # the folder above is the user's own
            assert said.startswith("WorkError"), said
            assert "no permission" in said
            assert "Choose another folder" in said
        assert wl.open_book(folder / "book").hash == old.hash
    finally:
        os.chmod(folder / "book", 0o755)
        shutil.rmtree(folder)
