"""Run every bench beside this file and write docs/performance.md: `python tests/bench/run_all.py`.

A bench prints lines `RESULT | name | value | unit | target` (see `results.py`); all else it
prints is kept below the table. `--only NAME ...` runs some of them and keeps the rest of the page.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
PAGE = HERE.parents[1] / "docs" / "performance.md"
KEPT = HERE / "performance.json"
HEAD = """# Performance

Made by `python tests/bench/run_all.py`; do not edit. Figures are ratios within one run wherever
that can be, so that they mean the same on another machine. Repeat one with
`python tests/bench/run_all.py --only NAME`, or all without `--only`.
"""


def run(script: Path) -> dict:
    start = time.perf_counter()
    environment = os.environ | {"OMP_NUM_THREADS": "1"}
    done = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, env=environment
    )
    lines = done.stdout.splitlines()
    rows = [[part.strip() for part in line.split(" | ")[1:]]
            for line in lines if line.startswith("RESULT |")]  # fmt: skip
    other = [line for line in lines if not line.startswith("RESULT |")]
    if done.returncode:
        other += ["FAILED", *done.stderr.splitlines()[-5:]]
    doc = script.read_text(encoding="utf-8").split('"""')[1].splitlines()[0]
    return {
        "about": doc, "rows": rows, "other": other, "minutes": (time.perf_counter() - start) / 60,
        "load": os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan"),
        "on": f"{platform.system()}, Python {platform.python_version()}, {os.cpu_count()} cores",
        "day": time.strftime("%Y-%m-%d"),
    }  # fmt: skip


def page(kept: dict[str, dict]) -> str:
    parts = [HEAD]
    for name, one in sorted(kept.items()):
        parts.append(f"\n## {name}\n\n{one['about']}\n")
        parts.append(
            f"\n{one['day']}, {one['on']}, load {one['load']:.1f}, {one['minutes']:.1f} minutes.\n"
        )
        if one["rows"]:
            parts.append("\n| what | value | unit | asked |\n|---|---|---|---|\n")
            parts += ["| " + " | ".join((row + [""] * 4)[:4]) + " |\n" for row in one["rows"]]
        if any(line.strip() for line in one["other"]):
            parts.append("\n```text\n" + "\n".join(one["other"]).strip("\n") + "\n```\n")
    return "".join(parts)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", nargs="+", metavar="NAME", help="scale, import, faults, ...")
    chosen = parser.parse_args().only
    kept = json.loads(KEPT.read_text(encoding="utf-8")) if KEPT.exists() else {}
    for script in sorted(HERE.glob("bench_*.py")):
        name = script.stem.removeprefix("bench_")
        if chosen and name not in chosen:
            continue
        print(f"{name} ...", flush=True)
        kept[name] = run(script)
        KEPT.write_text(json.dumps(kept, indent=1, ensure_ascii=False), encoding="utf-8")
        PAGE.write_text(page(kept), encoding="utf-8")
    print(f"Written: {PAGE.name}")


if __name__ == "__main__":
    main()
