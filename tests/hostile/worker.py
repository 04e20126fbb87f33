"""A child process that tries hostile books under limits, and prints what came of each as JSON.

`python worker.py cases FOLDER` or `python worker.py fuzz FOLDER FIRST COUNT`.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import cases

SECONDS, GIGABYTES = 300, 4.0


def report(name: str, wanted: str, work: object) -> None:
    start = time.process_time()
    try:
        outcome, message = work()  # type: ignore[operator]
    except BaseException as error:  # noqa: BLE001 - whatever it is, the parent shall hear of it
        outcome, message = "broken", f"{type(error).__name__}: {error}"[:2000]
    seconds = round(time.process_time() - start, 3)
    print(json.dumps([name, wanted, outcome, message[:2000], seconds]), flush=True)


def all_cases(folder: Path) -> None:
    for number, (name, (wanted, files)) in enumerate(cases.csv_cases().items()):
        book = cases.write_folder(folder / f"csv{number}", files)
        scratch = folder / f"scratch{number}"
        scratch.mkdir()
        report(name, wanted, lambda b=book, s=scratch: cases.judge(b, s))
    for number, (name, (wanted, ending, data)) in enumerate(cases.workbook_cases().items()):
        path = folder / f"book{number}{ending}"
        path.write_bytes(data)
        scratch = folder / f"scratch_book{number}"
        scratch.mkdir()
        report(name, wanted, lambda p=path, s=scratch: cases.judge(p, s))


def fuzz(folder: Path, first: int, count: int) -> None:
    for seed in range(first, first + count):
        report(f"fuzz {seed}", "either", lambda s=seed: cases.fuzz_one(s, folder))


if __name__ == "__main__":
    target = Path(sys.argv[2])
    if sys.argv[1] == "cases":
        cases.in_bounds(lambda: all_cases(target), SECONDS, GIGABYTES)
    else:
        first, count = int(sys.argv[3]), int(sys.argv[4])
        cases.in_bounds(lambda: fuzz(target, first, count), SECONDS, GIGABYTES)
