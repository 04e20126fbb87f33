"""How often the intervals of `seal_study` hold the truth: seasons of known truth, run by hand.

    python tests/bench/bench_sealing.py [SEASONS] [--null] [--first SEED]

Prints, by outcome and design, the share of 95 % intervals that hold the true ratio (wanted: 92 to
98 %), the mean error of ln ratio, and the share with p < 0.05 (with `--null`, where all seals are
the same: wanted at most 6 %). The true ratio of drying time and of the core-to-surface difference
in one season is that of its own pieces dried twice, once under each seal (`holds_own`: what the
interval claims). It differs from season to season with weather, wetness and turning dates; how
often the interval holds its mean over the seasons of a design stands beside it (`holds`).
"""

from __future__ import annotations

import argparse
import os
import time

os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import pandas as pd

from woodlab.drying.simulate import SURFACE_M_S, SeasonTruth, SimulatedSeason, simulate_season
from woodlab.drying.simulate import _true_course as true_course
from woodlab.drying.weather import invented_air
from woodlab.studies.seal_curves import difference_sets, passage, seal_curves, surface_sets
from woodlab.studies.seal_effects import effect_rows
from woodlab.studies.sealing import _facts as facts_of
from woodlab.studies.sealing import _fitted, _timed

SEALS = ("none", "wax on end grain", "wax all over")
TARGET_PCT = 17.0
DESIGNS = ("six logs, a year", "six logs, 150 days", "six pairs of twins", "eighteen logs")


def season(design: str, seed: int, null: bool) -> tuple[SimulatedSeason, SeasonTruth, pd.DataFrame]:
    rng = np.random.default_rng(seed)
    rows: list[dict[str, object]] = []
    seals = ("none", "wax all over") if design == "six pairs of twins" else SEALS
    logs = 18 if design == "eighteen logs" else 6
    for log in range(logs):
        day = pd.Timestamp("2026-01-05") + pd.Timedelta(days=int(rng.integers(0, 75)))
        mine = [str(rng.choice(seals))] if logs == 18 else list(rng.permutation(seals))
        wall = float(rng.integers(18, 40))
        for seal in mine:
            if design != "six pairs of twins":
                wall = float(rng.integers(18, 40))
            rows.append(
                {
                    "piece": f"{chr(65 + log)}{len(rows)}", "log": chr(65 + log),
                    "species": ("sugar maple", "black cherry")[log % 2], "turned_on": day,
                    "wall_mm": wall, "seal": seal, "rim_mm": float(rng.integers(200, 330)),
                    "allotted": "random",
                }
            )  # fmt: skip
    pieces = pd.DataFrame(rows)
    if logs == 18:  # a lottery over logs, six of each
        pieces["seal"] = rng.permutation(np.repeat(seals, 6))
    air = invented_air("2026-01-01", 230 if "150" in design else 440, seed=seed + 1)
    surface = dict.fromkeys(SURFACE_M_S, 1.2e-8) if null else dict(SURFACE_M_S)
    truth = SeasonTruth(surface_m_s=surface)
    return simulate_season(pieces, air, seed=seed + 2, truth=truth), truth, air


def true_ratios(
    made: SimulatedSeason, truth: SeasonTruth, seal: str, target: float, pair: pd.Series
) -> dict[str, float]:
    long_air = invented_air("2026-01-01", 800, seed=0)
    air = made.book.air[["on", "temp_c", "rh_pct"]]
    air = pd.concat([air, long_air[long_air["on"] > air["on"].max()]], ignore_index=True)
    ln = {}
    for name in (seal, "none"):
        drawn = made.truth.copy()
        factor = truth.surface_m_s[name] / drawn["seal"].map(truth.surface_m_s)
        drawn["surface_m_s"] *= factor
        moisture, difference = true_course(drawn, air, truth)
        days = []
        for column in moisture.loc[:, pair.to_numpy()]:
            one = moisture[column].dropna().to_numpy()
            days.append(passage(np.arange(len(one), dtype=float), one, target, 0.0)[0])
        here = moisture.index <= made.book.air["on"].max()
        largest = np.nanmax(difference[here][:, pair.to_numpy()], axis=0)
        ln[name] = float(np.mean(days)), float(np.mean(np.log(largest)))
    return {
        "drying_time": ln[seal][0] - ln["none"][0],
        "core_to_surface": ln[seal][1] - ln["none"][1],
        "surface_coefficient": float(np.log(truth.surface_m_s[seal] / truth.surface_m_s["none"])),
    }


def one(design: str, seed: int, null: bool) -> list[dict[str, object]]:
    made, truth, _ = season(design, seed, null)
    curves = seal_curves(made.book, TARGET_PCT, seed)
    timed = facts_of(made.book).merge(curves.times, on="piece")
    seals = [name for name in SEALS[1:] if (timed["seal"] == name).any()]
    tables = [effect_rows(_timed(timed, curves), "none", seals, seed)]
    for name, sets in (
        ("surface_coefficient", surface_sets(curves.posterior)),
        ("core_to_surface", difference_sets(curves.posterior)),
    ):
        tables.append(effect_rows(_fitted(name, timed, sets, curves), "none", seals, seed))
    rows = []
    for seal in seals:
        pair = timed["seal"].isin([seal, "none"])
        real = true_ratios(made, truth, seal, curves.target_pct, pair)
        for row in pd.concat(tables).query("seal == @seal").to_dict("records"):
            want = real[row["outcome"]]
            told = np.isfinite(row["ratio"])
            rows.append(
                {
                    "design": design, "outcome": row["outcome"], "told": told,
                    "ln_lower": np.log(row["ci_lower"]), "ln_upper": np.log(row["ci_upper"]),
                    "ln_ratio": np.log(row["ratio"]), "ln_true": want,
                    "width": np.log(row["ci_upper"] / row["ci_lower"]) if told else np.nan,
                    "small_p": row["p_value"] < 0.05 if told else np.nan,
                    "small_p_lot": row["p_randomisation"] <= 0.05,
                    "seed": seed, "seal": seal, "method": row["method"],
                }
            )  # fmt: skip
    return rows


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("seasons", nargs="?", type=int, default=200)
    parser.add_argument("--null", action="store_true")
    parser.add_argument("--first", type=int, default=7000)
    parser.add_argument("--csv", help="keep the rows here")
    given = parser.parse_args()
    began = time.time()
    rows: list[dict[str, object]] = []
    for k in range(given.seasons):
        rows += one(DESIGNS[k % len(DESIGNS)], given.first + 10 * k, given.null)
        if given.csv:
            pd.DataFrame(rows).to_csv(given.csv, index=False)
    table = pd.DataFrame(rows)
    meant = table.groupby(["design", "outcome", "seal"])["ln_true"].transform("mean")
    for name, true in (("holds", meant), ("holds_own", table["ln_true"])):
        held = (table["ln_lower"] <= true) & (true <= table["ln_upper"])
        table[name] = held.astype(float).where(table["told"])
    table["error"] = table["ln_ratio"] - meant
    for by in (["outcome"], ["outcome", "design"]):
        shares = table.groupby(by).agg(
            rows=("told", "size"), told=("told", "mean"), holds=("holds", "mean"),
            holds_own=("holds_own", "mean"),
            error=("error", "mean"), rmse=("error", lambda e: np.sqrt(np.nanmean(e**2))),
            width=("width", "median"), small_p=("small_p", "mean"),
            small_p_lot=("small_p_lot", "mean"),
        )  # fmt: skip
        print(shares.astype(float).round(3).to_string(), "\n")
    print(f"{given.seasons} seasons, {'no' if given.null else 'a'} difference, "
          f"{time.time() - began:.0f} s")  # fmt: skip


if __name__ == "__main__":
    main()
