"""Do the dates keep their word? Seasons of known truth, asked 45 days after the last turning.

Run by hand: `python tests/bench/bench_calibration.py --seasons 12 --pieces 30`.
Prints a row for each truth of `season_truths`, `other_hand` and `third_hand`;
`docs/calibration.md` holds the table.
`--knowing climate` and `--knowing weather` tell the forecast what nobody can know, to see what
each costs: the true climate (futures drawn from it), or the very days to come.
"""

from __future__ import annotations

import argparse
import contextlib
import re
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd
from scipy.optimize import curve_fit

import woodlab as wl
from woodlab.drying.future_air import FutureAir
from woodlab.drying.simulate import Schedule, SeasonTruth, simulate_season
from woodlab.drying.weather import invented_air
from woodlab.wood.humidity import equilibrium_moisture

sys.path.insert(0, str(Path(__file__).parent))
from other_hand import OTHERS, OtherHand, draw_other  # noqa: E402
from season_truths import TRUTHS, Season, draw  # noqa: E402
from third_hand import THIRDS, ThirdHand, draw_third  # noqa: E402


def usual_way(book, as_of, target):
    """One exponential to each piece, free end and the oven-dry mass from its lightest believed end.

    The end is taken for the mass at the air's equilibrium: what a maker with a spreadsheet does.
    """
    out = {}
    known = book.until(as_of)
    level = 12.0
    if len(known.air):
        from woodlab.drying.air_course import air_course

        level = float(air_course(known.air).logged["equilibrium_pct"].mean())
    for piece in known.pieces.itertuples():
        mine = known.weighings[known.weighings["piece"] == piece.piece].sort_values("on")
        days = (mine["on"] - piece.turned_on).dt.days.to_numpy(dtype=float)
        mass = mine["mass_g"].to_numpy()
        out[piece.piece] = np.inf
        if days.size < 4:
            continue
        try:
            (end, more, tau), _ = curve_fit(
                lambda t, a, b, c: a + b * np.exp(-t / c), days, mass,
                p0=(mass[-1], mass[0] - mass[-1] + 1, 40.0), maxfev=4000,
            )  # fmt: skip
        except RuntimeError:
            continue
        goal = end / (1 + level / 100) * (1 + target / 100)
        if more > 0 and tau > 0 and goal > end:
            out[piece.piece] = max(tau * np.log(more / (goal - end)), 0.0)
    return out


@dataclass(frozen=True)
class Simulated:
    """A truth by `simulate_season`, which shares the solver of the laws but not the fit."""

    name: str
    law: str


SIMULATED = (Simulated("simulate_season, slab", "slab"), Simulated("simulate_season, film", "film"))


def draw_simulated(truth, seed, pieces):
    """As `season_truths.draw`, without a floor."""
    rng = np.random.default_rng(seed)
    start = pd.Timestamp("2026-01-05") + pd.Timedelta(days=int(rng.integers(0, 60)))
    table = pd.DataFrame(
        {
            "piece": [f"P{i}" for i in range(pieces)], "log": [f"L{i // 4}" for i in range(pieces)],
            "turned_on": start + pd.to_timedelta(rng.integers(0, 60, pieces), unit="D"),
            "wall_mm": rng.integers(18, 41, pieces).astype(float),
            "seal": rng.choice(["none", "wax on end grain", "wax all over"], pieces),
        }
    )  # fmt: skip
    table["species"] = np.array(["sugar maple", "black cherry", "white ash"])[
        np.arange(pieces) // 4 % 3
    ]
    air = invented_air(start - pd.Timedelta(days=365), 965, seed=seed + 1)
    made = simulate_season(
        table, air, seed=seed + 2, truth=SeasonTruth(law=truth.law),
        schedule=Schedule(last_day=500),
    )  # fmt: skip
    level = float(np.mean(equilibrium_moisture(air["temp_c"], air["rh_pct"])))
    as_of = table["turned_on"].max() + pd.Timedelta(days=45)
    return Season(made.book, as_of, made.moisture, level, None, None)


def told_air(weather, knowing):
    """What is used instead of `future_air` when the true climate or the very future is told."""

    def told(air, after, days, *, draws, seed, monthly=None):
        known = (pd.Timestamp(after) - weather.first).days + 1
        rng = np.random.default_rng(seed)
        rows = []
        for _ in range(draws):
            table = (weather if knowing == "weather" else weather.again(rng, known)).table()
            level = np.asarray(equilibrium_moisture(table["temp_c"], table["rh_pct"]), dtype=float)
            both = np.stack([level, table["temp_c"].to_numpy()])
            both = np.pad(both, ((0, 0), (0, known + days)), mode="wrap")
            rows.append(both[:, known : known + days])
        drawn, temp = np.array(rows)[:, :, None, :].transpose(1, 0, 2, 3)
        mean = drawn[:, :, :365].mean(axis=(0, 2))
        return FutureAir(after + np.timedelta64(1, "D"), drawn, temp, mean, f"told the {knowing}")

    return told


def one_season(truth, seed, pieces, draws, above=2.0, floor=True, knowing=None, relative=False):
    makers = {Simulated: draw_simulated, OtherHand: draw_other, ThirdHand: draw_third}
    season = makers.get(type(truth), draw)(truth, seed, pieces)
    floor = floor and season.run is not None
    book, as_of, course = season.book, season.as_of, season.course
    target = round(season.level_pct + above, 1)
    best = season.floor(target, seed) if floor else dict.fromkeys(course.columns, np.nan)
    clock = time.process_time()
    with contextlib.ExitStack() as told:
        if knowing:
            where = "woodlab.drying.fit.fitting.future_air"
            told.enter_context(mock.patch(where, told_air(season.weather, knowing)))
        fits = wl.fit_drying(book, as_of=as_of, draws=draws, seed=seed)
        frame = wl.forecast_ready(
            fits, target_moisture_pct=None if relative else target, within_pct=above
        )
    spent = time.process_time() - clock
    usual = usual_way(book, as_of, target)
    rows = []
    for row in frame.itertuples():
        below = course.index[(course[row.piece] <= target).to_numpy()]
        true = below[0] if len(below) else pd.NaT
        rows.append(
            {
                "truth": truth.name, "seed": seed, "piece": row.piece, "true": true,
                "asked": as_of, "ready": row.ready_on, "early": row.earliest_on,
                "late": row.latest_on, "now": float(course.loc[as_of, row.piece]),
                "said": row.moisture_now_pct, "p": row.p_ready_now, "target": target,
                "usual": (row.turned_on + pd.Timedelta(days=min(usual[row.piece], 3000))),
                "best": row.as_of + pd.Timedelta(days=min(best[row.piece], 3000.0))
                if floor else pd.NaT,
                "seconds": spent, "laws": row.laws,
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def summary(rows):
    """One row: coverage over pieces still open, over seasons, median errors, false alarms."""
    day = pd.Timedelta(days=1)
    far = pd.Timestamp("2100-01-01")
    known = rows[rows["true"].notna()]
    still = known[known["true"] > known["asked"]]
    late = still["late"].fillna(far)
    held = (still["early"] - day / 2 <= still["true"]) & (still["true"] <= late + day / 2)
    error = (still["ready"].fillna(far) - still["true"]) / day
    usual = (still["usual"] - still["true"]) / day
    best = (still["best"] - still["true"]) / day
    by_season = held.groupby(still["seed"]).mean()
    return {
        "seasons": rows["seed"].nunique(), "pieces": len(rows), "still_open": len(still),
        "held": held.mean(), "worst_season": by_season.min(),
        "early": (still["true"] < still["early"] - day / 2).mean(),
        "late": (still["true"] > late + day / 2).mean(),
        "bias_days": error.median(),
        "error_days": error.abs().median(), "floor_days": best.abs().median(),
        "usual_days": usual.abs().median(),
        "width_days": (
            (late.clip(upper=still["asked"] + 800 * day) - still["early"]) / day
        ).median(),
        "false_ready": int(((rows["p"] >= 0.95) & (rows["now"] > rows["target"] + 3)).sum()),
        "seconds": rows.groupby("seed")["seconds"].first().mean(),
    }  # fmt: skip


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seasons", type=int, default=12)
    parser.add_argument("--pieces", type=int, default=30)
    parser.add_argument("--draws", type=int, default=200)
    parser.add_argument("--first-seed", type=int, default=100)
    parser.add_argument("--truth", help="only truths whose name matches (re.match)")
    parser.add_argument("--above", type=float, default=2.0, help="target over the air's mean")
    parser.add_argument("--knowing", choices=("climate", "weather"))
    parser.add_argument("--relative", action="store_true", help="the target as points above the "
                        "store's air as the log has it, not as a moisture")  # fmt: skip
    parser.add_argument("--rows", type=Path, help="write every piece's row to this CSV")
    args = parser.parse_args()
    for truth in TRUTHS if args.knowing else (*TRUTHS, *SIMULATED, *OTHERS, *THIRDS):
        if args.truth and not re.match(args.truth, truth.name):
            continue
        rows = pd.concat(
            one_season(
                truth, args.first_seed + i, args.pieces, args.draws, args.above,
                knowing=args.knowing, relative=args.relative,
            )
            for i in range(args.seasons)
        )  # fmt: skip
        if args.rows:
            rows.to_csv(args.rows, mode="a", header=not args.rows.exists(), index=False)
        found = summary(rows)
        print(
            f"| {truth.name} | {found['seasons']} | {found['pieces']} | {found['still_open']} | "
            f"{found['held']:.2f} | {found['early']:.2f} | {found['late']:.2f} | "
            f"{found['worst_season']:.2f} | {found['error_days']:.1f} | "
            f"{found['bias_days']:+.1f} | {found['floor_days']:.1f} | "
            f"{found['usual_days']:.1f} | {found['width_days']:.0f} | "
            f"{found['false_ready']} | {found['seconds']:.1f} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
