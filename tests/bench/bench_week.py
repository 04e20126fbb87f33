"""The weekly loop, played for some weeks by a script that types only what a maker would.

Every Saturday: `woodlab ready`, `woodlab round --out round.xlsx`; the sheet is filled in (a weight
a bowl; a crack where there is a new one; one yes for having looked; "finished" for what the list
said to turn and was not cracked), and `woodlab add` takes it back. Counted: cells typed. Compared:
each typed value with the book, and the list of what to turn with the moisture that is true.

Run: python tests/bench/bench_week.py [bowls] [weeks] [g or lb]: the book and the scale in grams, or
the book in pounds and inches and the scale in pounds and ounces.
"""

from __future__ import annotations

import contextlib
import io
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
from openpyxl import load_workbook

import woodlab as wl
from woodlab.app import main
from woodlab.book.record_book import RecordBook
from woodlab.drying.simulate import simulate_season
from woodlab.drying.weather import Climate, invented_air
from woodlab.week.ready import ready_list

LB = 453.59237  # by definition
SEALS = ("none", "wax on end grain", "paint all over", "wax all over")
TURNED = pd.Timestamp("2025-03-22")
DRY = Climate(mean_c=16.0, mean_rh_pct=52.0)  # so dry that thin bowls are ready within the weeks


def season(bowls: int, weeks: int, seed: int = 7):
    """The truth: bowls turned on one day by two members, in two places."""
    rng = np.random.default_rng(seed)
    k = np.arange(bowls)
    pieces = pd.DataFrame({
        "piece": [f"{chr(65 + i // 4)}{i % 4 + 1}" for i in k],
        "species": np.where(k % 8 < 4, "white ash", "sugar maple"),
        "log": [chr(65 + i // 4) for i in k], "turned_on": TURNED,
        "wall_mm": rng.integers(16, 30, bowls).astype(float), "seal": np.take(SEALS, k % 4),
        "rim_mm": 5.0 * rng.integers(36, 60, bowls), "maker": np.where(k % 2, "Tavi", "Odrin"),
        "place": np.where(k % 3, "loft (invented)", "cellar (invented)"),
    })  # fmt: skip
    air = invented_air(TURNED, 7 * weeks + 40, seed=seed + 1, climate=DRY)
    return simulate_season(pieces, air, seed=seed + 2)


def first_book(made, folder: Path, unit: str) -> None:
    """What is known on the first evening: the bowls, and their weights off the lathe."""
    book = made.book.until(TURNED)
    tables = {"pieces": book.pieces, "weighings": book.weighings, "offcuts": book.offcuts}
    RecordBook.from_frames(**tables).save(folder)
    for table, old, new, scale in (("weighings", "mass_g", "mass (lb)", LB),
                                   ("pieces", "wall_mm", "wall (in)", 25.4)):  # fmt: skip
        frame = pd.read_csv(folder / f"{table}.csv", dtype={"piece": str})
        frame[old] /= scale
        if unit == "lb":
            frame.rename(columns={old: new}).to_csv(folder / f"{table}.csv", index=False)


def weight(made, piece: str, day: pd.Timestamp, unit: str) -> list[float]:
    """What is read off the scale: grams, or pounds and tenths of an ounce."""
    true = made.truth.set_index("piece").loc[piece]
    grams = float(true.oven_dry_g * (1 + made.moisture.loc[day, piece] / 100) + true.sealer_g)
    ounces = round(grams / LB * 16, 1)
    return [round(grams)] if unit == "g" else [ounces // 16, round(ounces % 16, 1)]


def fill(
    path: Path, made, day: pd.Timestamp, turned: set[str], unit: str
) -> tuple[int, dict[str, float]]:
    """Type into the sheet what a maker would; the number of cells, and the weights."""
    book = load_workbook(path)
    sheet = book["round"]
    at = {cell.value: cell.column for cell in sheet[4] if cell.value}
    sheet.cell(2, at["crack"], "yes")
    cells, typed = 1, {}
    opened = made.truth.set_index("piece")["crack_on"]
    for row in range(5, sheet.max_row + 1):
        mark = sheet.cell(row, 1).value
        if not mark:
            continue
        read = weight(made, mark, day, unit)
        for head, value in zip(["today g"] if unit == "g" else ["lb", "oz"], read, strict=True):
            sheet.cell(row, at[head], value)
            cells += 1
        typed[mark] = read[0] if unit == "g" else (read[0] + read[1] / 16) * LB
        known = "; crack" in str(sheet.cell(row, at["wood; seal"]).value)
        if pd.notna(opened[mark]) and opened[mark] <= day:
            sheet.cell(row, at["crack"], "still" if known else "new")
            cells += 1
            if not known:
                length, head = (8, "crack mm") if unit == "g" else ("5/16", "crack in")
                sheet.cell(row, at[head], length)
                cells += 1
        if mark in turned:
            sheet.cell(row, at["done"], "finished")
            cells += 1
    book.save(path)
    return cells, typed


def run(*words: str) -> str:
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        code = main([str(word) for word in words])
    if code:
        raise AssertionError(
            f"woodlab {' '.join(map(str, words))} ended with {code}:\n{said.getvalue()}"
        )
    return said.getvalue()


def play(bowls: int, weeks: int, home: Path, unit: str = "g") -> pd.DataFrame:
    """A row a week: bowls on the round, cells typed, what the list said, seconds of computing."""
    made = season(bowls, weeks)
    folder, fits, sheet = home / "bowls", home / "season.fits", home / "round.xlsx"
    first_book(made, folder, unit)
    rows, ended, turn = [], set(), set()
    for k in range(1, weeks + 1):
        day, began = TURNED + pd.Timedelta(days=7 * k), time.process_time()
        # the logger's file goes into the book as it is: nothing is typed of it
        air = made.book.air[made.book.air["on"] <= day]
        (folder / "air.csv").write_text(air.to_csv(index=False))
        run("round", folder, "--on", f"{day:%Y-%m-%d}", "--out", sheet)
        cells, typed = fill(sheet, made, day, turn, unit)
        said = run("add", folder, sheet, "--yes", "--odd", "keep")
        book = wl.open_book(folder)
        today = book.weighings[book.weighings["on"] == day].set_index("piece")["mass_g"]
        assert set(today.index) == set(typed), "a typed weight is not in the book"
        assert all(abs(today[m] - typed[m]) < 1e-6 for m in typed), "a weight is another now"
        assert not ended & set(typed), "a finished bowl is on the round"
        ended |= turn & set(typed)
        ready = ready_list(wl.season_fits(book, fits, renew=True))
        assert len(ready.bowls) == bowls
        assert set(ready.group("gone")["piece"]) == ended
        turn = set(ready.group("ready")["piece"])
        true = made.moisture.loc[day]
        limit = ready.bowls.set_index("piece")["target_moisture_pct"]
        rows.append({
            "week": k, "on_the_round": len(typed), "cells": cells, "turn_now": len(turn),
            "truly_dry": sum(bool(true[m] <= limit[m] + 0.5) for m in turn),
            "cracked": len(ready.group("cracked")), "left": len(ended), "odd": len(ready.odd),
            "asked": said.count("expected "), "cpu_s": round(time.process_time() - began, 1),
        })  # fmt: skip
        print(rows[-1], flush=True)
    return pd.DataFrame(rows)


if __name__ == "__main__":
    given = [*sys.argv[1:4], *("40", "12", "g")[len(sys.argv) - 1 :]]
    bowls, weeks, unit = int(given[0]), int(given[1]), given[2]
    with tempfile.TemporaryDirectory() as home:
        found = play(bowls, weeks, Path(home), unit)
    print(found.to_string(index=False))
    total = found.sum()
    print(
        f"{total['cells']} cells in {weeks} weeks for {bowls} bowls; "
        f"of {total['turn_now']} told to "
        f"be turned {total['truly_dry']} were dry."
    )
