"""Random books saved and opened again in every format, and books opened while another saves.

Run by hand: `python tests/bench/bench_round_trip.py [trips] [opens] [seed]`. Writes the counts into
docs/hostile.md.
"""

from __future__ import annotations

import json
import os
import random
import re
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "book"))
sys.path.insert(0, str(Path(__file__).parents[1] / "hostile"))

import round_trips
import victims
from results import result

import woodlab as wl

ROOT = Path(__file__).resolve().parents[2]


def trips(count: int, seed: int) -> Counter[str]:
    """So many round trips, each book through every format."""
    found: Counter[str] = Counter()
    for number in range(-(-count // len(round_trips.FORMS))):
        book = round_trips.random_book(random.Random(seed + number))
        found["weighings"] += len(book.weighings)
        with tempfile.TemporaryDirectory() as folder:
            for form in round_trips.FORMS:
                came = round_trips.came_back(book, Path(folder) / form)
                found["same" if came == "same" else "different"] += 1
                if came != "same":
                    print(f"  seed {seed + number}, {form}: {came[:300]}")
    return found


def opens_while_saving(count: int, form: str) -> Counter[str]:
    """Open a book in a tight loop while another process saves one of two over it, on and on."""
    one, other = victims.season_of(5, 40, 1500), victims.season_of(3, 70, 1200)
    known = {one.hash: "one", other.hash: "other"}
    found: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / form
        one.save(path)
        child = os.fork()
        if child == 0:
            saves = 0
            signal.signal(signal.SIGTERM, lambda *_: ended.append(1))
            ended: list[int] = []
            while not ended:
                (other if saves % 2 == 0 else one).save(path)
                saves += 1
            (Path(folder) / "saves.json").write_text(json.dumps(saves))
            os._exit(0)
        try:
            for _ in range(count):
                try:
                    found[known.get(wl.open_book(path).hash, "wrong")] += 1
                except wl.WoodlabError as error:
                    found["wrong"] += 1
                    print(f"  {error}")
        finally:
            os.kill(child, signal.SIGTERM)
            os.waitpid(child, 0)
        found["saves"] = json.loads((Path(folder) / "saves.json").read_text())
    return found


def main(count: int, opens: int, seed: int) -> None:
    began = time.perf_counter()
    came = trips(count, seed)
    done = came["same"] + came["different"]
    minutes = (time.perf_counter() - began) / 60
    result("round trips of random books (CSV, .xlsx, .ods)", done, f"in {minutes:.0f} min")
    result("round trips: another book, or refused", came["different"], "", "0")
    lines = [
        f"{done} round trips of {done // len(round_trips.FORMS)} random books through CSV, .xlsx "
        f"and .ods: {came['different']} different or refused."
    ]
    for form in round_trips.FORMS[:2]:
        found = opens_while_saving(opens, form)
        states = f"(old {found['one']}, new {found['other']}; {found['saves']} saves meanwhile)"
        what = "a folder" if form == "book" else "a workbook"
        result(f"opens of {what} while another process saves", opens, f"times {states}")
        result(f"opens of {what} while another process saves: wrong", found["wrong"], "", "0")
        lines.append(
            f"{opens} opens of {what} in a tight loop while another process saved it "
            f"{found['saves']} times: {found['wrong']} wrong."
        )
    page = ROOT / "docs" / "hostile.md"
    text = re.sub(r"Kept: .*", lambda _: "Kept: " + " ".join(lines), page.read_text("utf-8"))
    page.write_text(text, "utf-8")


if __name__ == "__main__":
    given = [int(one) for one in sys.argv[1:]]
    main(*(given + [5000, 2000, 0][len(given) :]))
