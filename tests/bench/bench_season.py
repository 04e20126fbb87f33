"""The season command on 100 and on 1,000 pieces: how the time grows.

Run by hand: `python tests/bench/bench_season.py [pieces ...]`.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))

from results import result

import woodlab as wl
from woodlab.book.tables import TABLES


def larger(book: wl.RecordBook, pieces: int) -> wl.RecordBook:
    """The demo season several times over, its pieces and logs renamed, cut at `pieces`."""
    copies = -(-pieces // len(book.pieces))
    tables: dict[str, pd.DataFrame] = {}
    for name in TABLES:
        frame = getattr(book, name)
        parts = [
            frame.assign(**{c: frame[c] + f"-{n}" for c in ("piece", "log") if c in frame.columns})
            for n in range(copies)
        ]
        tables[name] = parts[0] if name == "air" else pd.concat(parts, ignore_index=True)
    chosen = tables["pieces"].head(pieces)
    tables["pieces"] = chosen
    for name in ("weighings", "looks", "rims"):
        tables[name] = tables[name][tables[name]["piece"].isin(chosen["piece"])]
    cuts = tables["offcuts"]
    tables["offcuts"] = cuts[cuts["piece"].isin(chosen["piece"]) | cuts["log"].isin(chosen["log"])]
    return wl.RecordBook.from_frames(**tables, set_aside=True)


def main(sizes: list[int]) -> None:
    demo = wl.open_book(Path(__file__).resolve().parents[2] / "data_demo")
    seconds = {}
    with tempfile.TemporaryDirectory() as folder:
        for size in sizes:
            book = Path(folder) / f"book{size}"
            larger(demo, size).save(book)
            start = time.perf_counter()
            command = [
                sys.executable,
                "-m",
                "woodlab.app",
                "season",
                str(book),
                "--out",
                f"{book}-out",
            ]
            done = subprocess.run(command, capture_output=True, text=True)
            seconds[size] = time.perf_counter() - start
            if done.returncode:
                result(
                    f"season command, {size} pieces", "failed", done.stderr.splitlines()[-1][:200]
                )
                return
            result(f"season command, {size} pieces", seconds[size] / size, "s a piece")
    if len(seconds) > 1:
        first, last = min(seconds), max(seconds)
        result(
            f"season command, {last} against {first} pieces", seconds[last] / seconds[first],
            f"times the time, for {last / first:g} times the pieces",
        )  # fmt: skip


if __name__ == "__main__":
    main([int(size) for size in sys.argv[1:]] or [100, 1000])
