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

KILLS = 20


@pytest.mark.parametrize("victim", list(victims.VICTIMS))
def test_killed_at_random_moments(tmp_path, victim):
    rng = random.Random(7)
    for _ in range(KILLS):
        victims.VICTIMS[victim](tmp_path / "target", rng, 0.25)


@pytest.mark.parametrize("victim", ["saving", "adding"])
def test_a_workbook_killed_at_random_moments(tmp_path, victim):
    rng = random.Random(8)
    for _ in range(5):
        victims.VICTIMS[victim](tmp_path / "target.xlsx", rng, 0.4)


def test_a_season_killed_at_random_moments_is_the_old_one_or_the_new():
    """In a process of its own: the chart's engine, once started here, does not survive a fork."""
    script = Path(__file__).with_name("victims.py")
    done = subprocess.run(
        [sys.executable, str(script), str(KILLS), "9"], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr[-3000:]
    found = json.loads(done.stdout)
    assert sum(found.values()) == KILLS
    assert len(found) == 2, f"every kill came before the first swap, or after none: {found}"


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
