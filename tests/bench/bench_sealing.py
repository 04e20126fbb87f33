"""How often the intervals of `seal_study` hold the truth, on seasons that its fit did not draw.

    python tests/bench/bench_sealing.py [SEASONS] [--pieces 30 120] [--kinds film slab vapour]
                                        [--first SEED] [--null] [--csv FILE]

Truths: `seal_truths` (film and slab by a second solver, `vapour` by a law that the kit does not
have). Prints, by truth, size, outcome and scope: the share of rows with a number (`told`), the
share of 95 % intervals that hold the truth (wanted: 92 to 98 %), seasons in which all but one of
them do (`seasons`), mean error and spread of ln ratio, the spread of error over standard error
(wanted: 1), the median width of the intervals in ln, and the share with p < 0.05.

True drying time `this season` is that of the season's own pieces, dried under both seals; that of
`a season to come` is that of other pieces of the same shop in another year.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import pandas as pd

import woodlab as wl

sys.path.insert(0, str(Path(__file__).parent))
from seal_truths import KINDS, SealSeason, draw  # noqa: E402


def truths(made: SealSeason, later: SealSeason, seal: str) -> dict[tuple[str, str], float]:
    return {
        ("drying_time", "this season"): made.ln_time(seal),
        ("drying_time", "a season to come"): later.ln_time(seal),
        ("surface_coefficient", "this season"): made.ln_surface[seal],
    }


def one(kind: str, seed: int, pieces: int, null: bool) -> list[dict[str, object]]:
    made = draw(kind, seed, pieces, null=null)
    later = draw(kind, seed, pieces, year=1, null=null)
    began = time.process_time()
    fits = wl.fit_drying(wl.RecordBook.from_frames(**made.tables))
    fitted = time.process_time() - began
    study = wl.seal_study(fits, target_moisture_pct=made.target_pct)
    spent = time.process_time() - began - fitted
    weights = fits.laws.set_index("law")["weight"]
    rows = []
    for seal in [name for name in made.ln_surface if name != "none"]:
        for (outcome, scope), true in truths(made, later, seal).items():
            found = study.effects.query("outcome == @outcome and scope == @scope and seal == @seal")
            row = found.iloc[0]
            ln = np.log(row[["ratio", "ci_lower", "ci_upper"]].astype(float))
            rows.append({
                "kind": kind, "pieces": pieces, "seed": seed, "outcome": outcome, "scope": scope,
                "seal": seal, "told": bool(np.isfinite(ln["ratio"])), "ln_ratio": ln["ratio"],
                "ln_lower": ln["ci_lower"], "ln_upper": ln["ci_upper"], "ln_true": true,
                "p_value": row["p_value"], "n_pieces": row["n_pieces"], "df": row["df"],
                "slab": weights.get("slab", 0.0), "converged": bool(fits.laws["converged"].fillna(
                    True).all()), "fit_s": fitted, "study_s": spent,
            })  # fmt: skip
    return rows


def summary(rows: pd.DataFrame) -> pd.DataFrame:
    from scipy import stats

    table = rows.copy()
    inside = (table["ln_lower"] <= table["ln_true"]) & (table["ln_true"] <= table["ln_upper"])
    table["holds"] = inside.astype(float).where(table["told"])
    table["error"] = table["ln_ratio"] - table["ln_true"]
    width = table["ln_upper"] - table["ln_lower"]
    table["z"] = table["error"] / (width / 2 / stats.t.ppf(0.975, table["df"].astype(float)))
    table["width"], table["small_p"] = width, (table["p_value"] < 0.05).where(table["told"])
    by = ["kind", "pieces", "outcome", "scope"]
    out = table.groupby(by).agg(
        rows=("told", "size"), told=("told", "mean"), holds=("holds", "mean"),
        error=("error", "mean"), rmse=("error", lambda e: float(np.sqrt(np.nanmean(e**2)))),
        z_sd=("z", lambda z: float(np.sqrt(np.nanmean(z**2)))), width=("width", "median"),
        small_p=("small_p", "mean"),
    )  # fmt: skip
    missed = (table["told"] & ~inside).groupby([table[name] for name in [*by, "seed"]]).sum()
    out["seasons"] = (missed <= 1).groupby(level=by).mean()
    return out


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("seasons", nargs="?", type=int, default=20)
    parser.add_argument("--pieces", type=int, nargs="+", default=[30, 120])
    parser.add_argument("--kinds", nargs="+", default=list(KINDS), choices=KINDS)
    parser.add_argument("--first", type=int, default=4000)
    parser.add_argument("--null", action="store_true")
    parser.add_argument("--csv", help="keep the rows here")
    given = parser.parse_args()
    began = time.time()
    rows: list[dict[str, object]] = []
    for k in range(given.seasons):
        for pieces in given.pieces:
            for kind in given.kinds:
                rows += one(kind, given.first + k, pieces, given.null)
                if given.csv:
                    pd.DataFrame(rows).to_csv(given.csv, index=False)
    print(summary(pd.DataFrame(rows)).astype(float).round(3).to_string(), "\n")
    print(f"{given.seasons} seasons, {'no' if given.null else 'a'} difference, "
          f"{time.time() - began:.0f} s")  # fmt: skip


if __name__ == "__main__":
    main()
