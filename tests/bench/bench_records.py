"""Random books in three formats, every kept value compared with what was written.

Run by hand: `python tests/bench/bench_records.py [books] [first seed]`. Writes the counts into
docs/hostile.md.
"""

from __future__ import annotations

import multiprocessing
import re
import sys
import tempfile
import traceback
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "book"))

from results import result
from written_books import check

ROOT = Path(__file__).resolve().parents[2]
FORMS = ("csv", "csv", "xlsx", "ods")


def one(seed: int) -> tuple[int, str, list[str], int]:
    form = FORMS[seed % len(FORMS)]
    with tempfile.TemporaryDirectory() as folder:
        try:
            wrong, compared = check(seed, form, Path(folder))
        except Exception:
            wrong, compared = [traceback.format_exc()[-900:]], 0
    return seed, form, wrong, compared


def main(books: int, first: int) -> None:
    values, misread, done = 0, 0, dict.fromkeys(FORMS, 0)
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        for seed, form, wrong, compared in pool.imap_unordered(
            one, range(first, first + books), chunksize=25
        ):
            values, misread = values + compared, misread + bool(wrong)
            done[form] += 1
            if wrong:
                print(f"  seed {seed}, {form}: {wrong[0]}", flush=True)
            if sum(done.values()) % 1000 == 0:
                print(f"  {sum(done.values())} books, {misread} misread", flush=True)
    result("random books read", books, ", ".join(f"{n} {form}" for form, n in done.items()))
    result("values compared with what was written", values, "")
    result("books with a value misread or a row lost", misread, "", "0")
    page = ROOT / "docs" / "hostile.md"
    line = (
        f"Read as written: {books:,} random books ({values:,} values compared with what was "
        f"written), {misread} misread."
    )
    text = page.read_text("utf-8")
    page.write_text(re.sub(r"Read as written: .*", line, text), "utf-8")


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:3]]
    main(*given, *(20_000, 1_000_000)[len(given) :])
