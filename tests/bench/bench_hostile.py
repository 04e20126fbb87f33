"""Every named hostile case, and many fuzzed books, counted by what came of them.

Run by hand: `python tests/bench/bench_hostile.py [fuzzed]`. Writes the counts into docs/hostile.md.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from results import result

ROOT = Path(__file__).resolve().parents[2]
WORKER = ROOT / "tests" / "hostile" / "worker.py"
BATCH = 500


def run(*arguments: object) -> list[list]:
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, str(WORKER), arguments[0], folder, *arguments[1:]]
        done = subprocess.run([*map(str, command)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-2000:]
    return [json.loads(line) for line in done.stdout.splitlines()]


def main(fuzzed: int) -> None:
    named = run("cases")
    wrong = [row for row in named if row[2] == "broken" or row[1] not in ("either", row[2])]
    fuzz = [row for first in range(10_000, 10_000 + fuzzed, BATCH)
            for row in run("fuzz", first, min(BATCH, fuzzed + 10_000 - first))]  # fmt: skip
    broken = [row for row in fuzz if row[2] == "broken"]
    for row in wrong + broken:
        print(f"  {row[0]}: wanted {row[1]}, got {row[2]}: {row[3][:300]}")
    for what, rows, bad in (("named cases", named, wrong), ("fuzzed books", fuzz, broken)):
        count = Counter(row[2] for row in rows)
        states = f"{count['answer']} answers, {count['fault']} faults"
        result(what, len(rows), states)
        result(f"{what}: not as they should be", len(bad), "", "0")
        result(f"{what}: the slowest", float(max(row[4] for row in rows)), "s of CPU", "at most 60")
    page = ROOT / "docs" / "hostile.md"
    if page.exists():
        line = (
            f"Counted: {len(named)} named cases ({len(wrong)} not as they should be) and "
            f"{len(fuzz)} fuzzed books ({len(broken)} not as they should be)."
        )
        page.write_text(re.sub(r"Counted: .*", line, page.read_text("utf-8")), "utf-8")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
