"""A book of a million weighings, its doubts, a season as large, and many clubs' books as one.

Run by hand: `python tests/bench/bench_scale.py`.
"""

from __future__ import annotations

import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))

from results import ratio, result

import woodlab as wl
from woodlab.book.tables import TABLES


def write_book(folder: Path, pieces: int, weighings: int, seed: int = 1) -> None:
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True)
    marks = np.array([f"A{number}" for number in range(pieces)])
    each = weighings // pieces
    days = pd.date_range("2026-01-01", periods=each).strftime("%Y-%m-%d")
    mass = 1500 * np.exp(-np.arange(each) / 100) * (1 + 0.001 * rng.normal(size=(pieces, each)))
    pd.DataFrame(
        {"piece": marks, "species": "sugar maple", "turned_on": "2026-01-01", "wall_mm": 25,
         "seal": "none"}
    ).to_csv(folder / "pieces.csv", index=False)  # fmt: skip
    pd.DataFrame(
        {
            "piece": np.repeat(marks, each),
            "on": np.tile(days, pieces),
            "mass_g": mass.round(1).ravel(),
        }
    ).to_csv(folder / "weighings.csv", index=False)


def pandas_alone(file: Path) -> pd.DataFrame:
    return pd.read_csv(file, dtype={"piece": "str", "mass_g": "float64"}, parse_dates=["on"])


def opening(folder: Path) -> None:
    book = folder / "million"
    write_book(book, 2000, 1_000_000)
    assert len(wl.open_book(book).weighings) == 1_000_000
    share = ratio(lambda: wl.open_book(book), lambda: pandas_alone(book / "weighings.csv"))
    result("opening a million weighings", share, "times pandas.read_csv", "at most 2")


def doubting(folder: Path) -> None:
    book = wl.open_book(folder / "million")
    rng = np.random.default_rng(2)
    weighings = book.weighings.iloc[:, :3].assign(
        mass_g=rng.uniform(100, 1500, len(book.weighings)).round(1)
    )
    mixed = wl.RecordBook.from_frames(pieces=book.pieces.iloc[:, :5], weighings=weighings)
    doubts = len(mixed.doubts)

    def find() -> None:
        mixed.__dict__.pop("doubts", None)
        mixed.doubts  # noqa: B018

    share = ratio(find, lambda: pandas_alone(folder / "million" / "weighings.csv"), times=3)
    result(f"finding {doubts:,} doubts in a million weighings", share, "times pandas.read_csv")


def faulty(folder: Path) -> None:
    book = folder / "faulty"
    write_book(book, 2000, 200_000)
    rows = pd.read_csv(book / "weighings.csv", dtype=str)
    rows.loc[::2, "mass_g"] = "12 g"
    rows.loc[1::4, "piece"] = "strange"
    rows.to_csv(book / "weighings.csv", index=False)
    kept = wl.open_book(book, set_aside=True)
    share = ratio(
        lambda: wl.open_book(book, set_aside=True), lambda: pd.read_csv(book / "weighings.csv"), 2
    )
    result(
        f"setting {len(kept.set_aside):,} rows of 200,000 aside, each with its reason", share,
        "times pandas.read_csv",
    )  # fmt: skip


def clubs(folder: Path) -> None:
    paths = [folder / "clubs" / f"club{number}" for number in range(50)]
    for number, path in enumerate(paths):
        write_book(path, 40, 1000, seed=number)
    alone = wl.open_books(paths)

    def same(other: wl.RecordBook) -> str:
        for name in TABLES:
            pd.testing.assert_frame_equal(getattr(alone, name), getattr(other, name))
        return "the same" if other.hash == alone.hash else "not the same"

    with ThreadPoolExecutor(2) as pool:
        result(
            "50 clubs' books in threads", same(wl.open_books(paths, executor=pool)), "as one by one"
        )
    try:
        from dask.distributed import Client, LocalCluster
    except ImportError:
        result("50 clubs' books on a Dask cluster", "not run", "dask is not installed")
        return
    with LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None
    ) as cluster, Client(cluster) as client, client.get_executor() as pool:  # fmt: skip
        result(
            "50 clubs' books on a Dask cluster of two", same(wl.open_books(paths, executor=pool)),
            "as one by one",
        )  # fmt: skip


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        for bench in (opening, doubting, faulty, clubs):
            bench(Path(name))
