"""Seasons of worlds that are not the model (`worlds`), judged through the public functions only.

    python tests/bench/bench_worlds.py --worlds singles --seasons 3 --pieces 30 --seed-set tune

Asks for dates on several days of each season, for a target two points above the store's own
equilibrium and for the same moisture given as a number, and prints a table (`--out` writes it, with
every figure, as .json and .md). `--seed-set judge` is for the end, once. `--experience` asks the
second and the third season of each shop twice: alone, and with the fits of those before.
"""

from __future__ import annotations

import argparse
import inspect
import json
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

import woodlab as wl

sys.path.insert(0, str(Path(__file__).parent))
from worlds import ABOVE_PCT, SEEDS, Season, World, draw_season, worlds_named  # noqa: E402
from worlds.score import COLUMNS, as_markdown, summary  # noqa: E402

DAY = pd.Timedelta(days=1)
FUTURES = 11


def answers(book: wl.RecordBook, on: pd.Timestamp, target: float | None, draws: int | None,
            experience: object = None) -> tuple[pd.DataFrame, object]:  # fmt: skip
    """The forecast as of `on` from what the book knew then, by piece, and the fits it came from."""
    more = {} if experience is None else {"experience": experience}
    fits = wl.fit_drying(book.until(on), **more)
    frame = ask(fits, on, target, draws)
    return frame, fits


def ask(fits: object, on: pd.Timestamp, target: float | None, draws: int | None) -> pd.DataFrame:
    able = inspect.signature(wl.forecast_ready).parameters
    more = {"draws": draws} if draws and "draws" in able else {}
    if target is None and "within_pct" in able:
        more["within_pct"] = ABOVE_PCT
    frame = wl.forecast_ready(fits, as_of=on, target_moisture_pct=target, **more)
    renamed = {"now_lower_pct": "moisture_now_lower_pct", "now_upper_pct": "moisture_now_upper_pct"}
    return frame.rename(columns=renamed).set_index("piece")


def predicted(fits: object, on: pd.Timestamp) -> pd.DataFrame:
    """`fits.predict` on a day, by piece."""
    frame = fits.predict(on=[on])  # type: ignore[attr-defined]
    return frame.set_index("piece")[["moisture_pct", "ci_lower_moisture_pct",
                                     "ci_upper_moisture_pct"]]  # fmt: skip


def rows_of(season: Season, book: wl.RecordBook, day: int, seed: int, draws: int | None,
            floor: bool, experience: object = None) -> list[dict[str, object]]:  # fmt: skip
    """A row for each piece and kind of target, asked `day` days after the first turning."""
    on, truth, start = season.first + DAY * day, season.truth, season.bowls["day"].to_numpy()
    own = truth.relative_target(day)
    given = round(float(own.mean()), 1)
    targets = {"relative": (None, own), "absolute": (given, np.full(len(own), given))}
    ahead = season.futures(day, FUTURES, seed) if floor else []
    clock = time.process_time()
    first, fits = answers(book, on, None, draws, experience)
    spent = time.process_time() - clock
    curve = predicted(fits, on)
    rows: list[dict[str, object]] = []
    for kind, (number, goal) in targets.items():
        clock = time.process_time()
        frame = first if number is None else ask(fits, on, number, draws)
        spent = time.process_time() - clock + (spent if number is None else 0.0)
        passage = truth.passage(goal, start)
        best = np.full(len(goal), np.nan)
        if ahead:
            best = np.median([
                one.passage(one.relative_target(day) if number is None else goal, start)
                for one in ahead
            ], axis=0)  # fmt: skip
        for i, piece in enumerate(season.bowls["piece"]):
            if piece not in frame.index:
                continue
            row, seen = frame.loc[piece], curve.loc[piece] if piece in curve.index else None
            rows.append({
                "world": season.world.name, "seed": seed, "asked": day - season.last_turned,
                "target": kind, "piece": piece, "goal": goal[i], "day": day, "true": passage[i],
                "floor": best[i], "now": truth.moisture_pct[i, day], "seconds": spent,
                "ready": _days(row["ready_on"], season.first),
                "early": _days(row["earliest_on"], season.first),
                "late": _days(row["latest_on"], season.first),
                "p": row["p_ready_now"], "said": row["moisture_now_pct"],
                "low": row["moisture_now_lower_pct"], "high": row["moisture_now_upper_pct"],
                "curve": np.nan if seen is None else seen["moisture_pct"],
                "curve_low": np.nan if seen is None else seen["ci_lower_moisture_pct"],
                "curve_high": np.nan if seen is None else seen["ci_upper_moisture_pct"],
            })  # fmt: skip
    return rows


def _days(on: object, first: pd.Timestamp) -> float:
    """Days from the first turning; infinity where no date was given."""
    return np.inf if pd.isna(on) else (pd.Timestamp(on) - first) / DAY


def book_of(season: Season) -> wl.RecordBook | None:
    """The book of a season; None where this version does not know one of its tables or columns."""
    try:
        return wl.RecordBook.from_frames(**season.tables)
    except wl.WoodlabError as error:
        if season.world.extras & {"witness", "named"}:
            print(f"  {season.world.name}: left out, the book refuses it: "
                  f"{str(error).splitlines()[0][:110]}", flush=True)  # fmt: skip
            return None
        raise


def run_world(world: World, seeds: tuple[int, ...], args: argparse.Namespace) -> pd.DataFrame:
    parts: list[pd.DataFrame] = []
    for seed in seeds:
        season = draw_season(world, seed, args.pieces)
        book = book_of(season)
        if book is None:
            break
        for asked in args.days:
            clock = time.perf_counter()
            day = season.last_turned + asked
            rows = pd.DataFrame(rows_of(season, book, day, seed, args.draws, not args.no_floor))
            parts.append(rows)
            still = rows[(rows["target"] == "relative") & (rows["true"] > day)]
            print(f"  {world.name}, seed {seed}, {asked} days after the last turning: "
                  f"{len(still)} of {args.pieces} open, {time.perf_counter() - clock:.0f} s",
                  flush=True)  # fmt: skip
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def run_experience(world: World, seeds: tuple[int, ...], args: argparse.Namespace) -> pd.DataFrame:
    """The second and the third season of each shop: alone, and with the fits of those before."""
    parts = []
    for seed in seeds:
        learnt: list[wl.DryingFits] = []
        for year, name in enumerate(("first", "second", "third")):
            season = draw_season(world, seed, args.pieces, year)
            book = book_of(season)
            for asked in args.days if learnt else ():
                day = season.last_turned + asked
                for told, known in (("alone", None), ("with those before", list(learnt))):
                    rows = pd.DataFrame(
                        rows_of(season, book, day, seed, args.draws, not args.no_floor, known)
                    )
                    parts.append(rows.assign(world=f"{world.name}, {name} season, {told}"))
                print(f"  {world.name}, shop {seed}, {name} season, asked on day {asked}",
                      flush=True)  # fmt: skip
            learnt.append(wl.fit_drying(book))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--worlds", default="singles", help="names with +, or singles, pairs, "
                        "helped, all; comma between")  # fmt: skip
    parser.add_argument("--seasons", type=int, default=1)
    parser.add_argument("--skip", type=int, default=0, help="seeds of the set that were used up")
    parser.add_argument("--pieces", type=int, default=20)
    parser.add_argument("--seed-set", choices=tuple(SEEDS), default="tune")
    parser.add_argument("--days", type=int, nargs="+", default=[20, 45, 90],
                        help="days after the last turning on which dates are asked")  # fmt: skip
    parser.add_argument("--draws", type=int, help="futures drawn, if this version lets one choose")
    parser.add_argument("--no-floor", action="store_true")
    parser.add_argument("--experience", action="store_true")
    parser.add_argument("--out", type=Path, help="path without suffix for .json and .md")
    parser.add_argument("--rows", type=Path, help="write every piece's row to this CSV")
    args = parser.parse_args()
    seeds = SEEDS[args.seed_set][args.skip : args.skip + args.seasons]
    if args.seasons > len(seeds):
        parser.error(f"the set {args.seed_set} has {len(seeds)} seeds left")
    found: list[dict[str, object]] = []
    every: list[pd.DataFrame] = []
    for world in worlds_named(args.worlds):
        rows = (run_experience if args.experience else run_world)(world, seeds, args)
        if rows.empty:
            continue
        every.append(rows)
        found += summary(rows)
        print(as_markdown(found[-2 * len(args.days) :]), flush=True)
        if args.out:
            settings = {"seed_set": args.seed_set, "seeds": list(seeds), "pieces": args.pieces,
                        "days": args.days, "futures": FUTURES, "above_pct": ABOVE_PCT,
                        "columns": COLUMNS}  # fmt: skip
            kept = {"settings": settings, "rows": found}
            args.out.with_suffix(".json").write_text(json.dumps(kept, indent=1) + "\n")
            args.out.with_suffix(".md").write_text(as_markdown(found))
        if args.rows:
            pd.concat(every).to_csv(args.rows, index=False)
    print(as_markdown(found))


if __name__ == "__main__":
    main()
