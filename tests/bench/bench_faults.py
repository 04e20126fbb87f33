"""Kill writers at random moments, many times; fill a small disk.

Run by hand: `python tests/bench/bench_faults.py [kills]`. The disk is a tmpfs of 1 MB where the
system lets us mount one, else the part is said not to have run.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "hostile"))

import victims
from results import result

import woodlab as wl

ROOT = Path(__file__).resolve().parents[2]


def kill(kills: int) -> None:
    rng = random.Random(99)
    for ending, times in (("", kills), (".xlsx", kills // 10)):
        for name, victim in victims.VICTIMS.items():
            if name == "swapping" and ending:
                continue
            found: Counter[str] = Counter()
            with tempfile.TemporaryDirectory() as folder:
                for _ in range(times):
                    found[victim(Path(folder) / f"target{ending}", rng, 0.2)] += 1
            states = ", ".join(f"{state} {count}" for state, count in sorted(found.items()))
            what = f"{name} {'a workbook' if ending else 'a folder'}, killed and found whole"
            result(what, sum(found.values()), f"times ({states})", "" if ending else "at least 200")


def kill_seasons(kills: int) -> None:
    """Seasons less their notebooks, killed about the moment of the swap; see `victims`."""
    done = subprocess.run(
        [sys.executable, victims.__file__, str(kills), "99"], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    states = ", ".join(f"{state} {count}" for state, count in sorted(found.items()))
    what = "writing a season over another, killed and found whole"
    result(what, sum(found.values()), f"times ({states})", "at least 200")


def kill_the_command(kills: int) -> None:
    """The true command on the demo, killed after up to 20 s: the earlier output stands whole."""
    rng = random.Random(5)
    whole = 0
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "season"
        out.mkdir()
        (out / "season.json").write_text('"woodlab, the earlier output"')
        (out / "index.html").write_text('"woodlab, the earlier output"')
        for _ in range(kills):
            run = subprocess.Popen(
                [sys.executable, "-m", "woodlab.app", "season", str(ROOT / "data_demo"),
                 "--out", str(out)],
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
            time.sleep(rng.uniform(0.5, 20))
            run.send_signal(signal.SIGKILL)
            run.wait()
            assert {file.read_text() for file in out.iterdir()} == {'"woodlab, the earlier output"'}
            whole += 1
        time.sleep(3)  # a kernel sees within a second that its parent is gone
        victims.settle(out)
        left = [file.name for file in Path(folder).iterdir() if file.name != "season"]
        assert not left, left
    result("the season command killed, the earlier output found whole", whole, "times")


def fill_a_disk() -> None:
    with tempfile.TemporaryDirectory() as name:
        mounted = (
            os.name == "posix"
            and not subprocess.run(
                ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", name], capture_output=True
            ).returncode
        )
        if not mounted:
            result("a disk of 1 MB filled", "not run", "no leave to mount one")
            return
        try:
            folder = Path(name)
            small, large = victims.season_of(5, 4, 1500), victims.season_of(500, 100, 1500)
            for book in (folder / "book", folder / "book.xlsx"):
                small.save(book)
                (folder / "ballast").write_bytes(bytes(700_000))
                for work in (lambda b=book: large.save(b), lambda b=book: large.save(b)):
                    try:
                        work()
                    except wl.WoodlabError as error:
                        assert "No space left on device" in str(error), error  # noqa: PT017
                        assert "Free some space" in str(error), error  # noqa: PT017
                    else:
                        raise AssertionError("the book fitted onto the full disk")
                    assert wl.open_book(book).hash == small.hash
                (folder / "ballast").unlink()
                small.save(book)
                assert wl.open_book(book).hash == small.hash
            result("a disk of 1 MB filled while saving, the old book found whole", 4, "times")
        finally:
            subprocess.run(["umount", name], check=True)


if __name__ == "__main__":
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    fill_a_disk()
    kill(kills)
    kill_seasons(kills)
    kill_the_command(max(1, kills // 20))
