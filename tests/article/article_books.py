"""Invented books, and what the slow studies would say of them, so that prose is tested alone.

The records are real books, read and checked as any, and their cracks go through the real crack
study. Drying times, dates and rims are written down here: the article takes them as they come.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd

import woodlab as wl
from woodlab.article.facts import THIS, Facts
from woodlab.article.parts.walls import ACROSS
from woodlab.pages.facts import Season, told_of, walls_to_leave
from woodlab.week.bowls import bowls_of, last_day

PAINT, WAX, GRAIN, BARE = "paint all over", "wax all over", "wax on end grain", "none"


@dataclass
class Book:
    """A book by its rules: which bowls, how often weighed and looked at, what cracked when."""

    bowls: list[dict[str, Any]]
    cracked: dict[str, int] = field(default_factory=dict)  # piece: day of the look that found it
    glued: tuple[str, ...] = ()
    weighed: tuple[int, ...] = tuple(range(0, 200, 14))  # days since turning
    looked: tuple[int, ...] = tuple(range(7, 200, 7))
    ratios: dict[str, tuple[float, float, float, str]] = field(default_factory=dict)
    bare_weeks: float = 9.0
    dry: float = 1.0  # this share of the bowls, in the order given
    late: str = "2026-10-20"
    rims: dict[str, tuple[float, int, str]] = field(default_factory=dict)  # wood: ratio, n, sure
    air: bool = True
    offcuts: bool = True


def bowl(piece, species, seal, wall=25.0, log=None, day="2026-01-10", lot="random", **more):
    return {"piece": piece, "species": species, "seal": seal, "wall_mm": wall, "log": log,
            "turned_on": day, "allotted": lot, "rim_mm": 260.0, **more}  # fmt: skip


def logs(woods, seals, *, each=1, first="A", walls=(25.0,), **more):
    """A bowl a seal (or `each`) from every log; `woods` has a wood a log."""
    out = []
    for k, wood in enumerate(woods):
        log = chr(ord(first) + k)
        for j, seal in enumerate(s for s in seals for _ in range(each)):
            wall = walls[(k + j) % len(walls)]
            out.append(bowl(f"{log}{j + 1}", wood, seal, wall, log, **more))
    return out


def record_book(made: Book) -> wl.RecordBook:
    pieces = pd.DataFrame(made.bowls).assign(place="barn (invented)")
    turned = pd.to_datetime(pieces.set_index("piece")["turned_on"])
    rows, looks = [], []
    for row in made.bowls:
        piece, day0 = row["piece"], turned[row["piece"]]
        rate = 0.5 if row["seal"] == BARE else 0.3
        for day in made.weighed:
            mass = 1000 + 7 * made.bowls.index(row) + 600 * np.exp(-rate * day / 14)
            rows.append((piece, day0 + pd.Timedelta(days=day), round(mass)))
        at = made.cracked.get(piece)
        for day in made.looked:
            size = 0 if at is None or day < at else 12 if day == at else 20
            glue = "glued" if piece in made.glued and day == at else None
            looks.append((piece, day0 + pd.Timedelta(days=day), size, glue))
    tables = {
        "pieces": pieces,
        "weighings": pd.DataFrame(rows, columns=["piece", "on", "mass_g"]),
    }
    if looks:
        tables["looks"] = pd.DataFrame(looks, columns=["piece", "on", "crack_mm", "action"])
    if made.air:
        days = pd.date_range(turned.min(), periods=30)
        tables["air"] = pd.DataFrame({"on": days, "temp_c": 12.0, "rh_pct": 65.0})
    if made.offcuts:
        tables["offcuts"] = pd.DataFrame(
            {"piece": [made.bowls[0]["piece"]], "wet_g": [100.0], "oven_dry_g": [60.0]}
        )
    return wl.RecordBook.from_frames(**tables)


def ready(made: Book, book: wl.RecordBook) -> pd.DataFrame:
    pieces = book.pieces.reset_index(drop=True)
    n = round(made.dry * len(pieces))
    p = np.where(np.arange(len(pieces)) < n, 0.99, 0.1)
    ended = (
        pieces["ended_on"].notna().to_numpy() if "ended_on" in pieces else np.zeros(len(p), bool)
    )
    late = pd.Timestamp(made.late)
    return pieces[["piece", "species", "seal", "wall_mm", "place"]].assign(
        p_ready_now=np.where(ended, np.nan, p), ready_on=late - pd.Timedelta(days=20),
        earliest_on=late - pd.Timedelta(days=40), latest_on=late, target_moisture_pct=14.2,
    )  # fmt: skip


def seal_study(made: Book, book: wl.RecordBook, cracks: Any) -> Any:
    seals = list(book.pieces["seal"].unique())
    if BARE not in seals or len(seals) < 2:
        return SimpleNamespace(why="one seal")
    rows = [
        {"outcome": "drying_time", "seal": seal, "ratio": r, "ci_lower": lo, "ci_upper": hi,
         "certainty": sure, "n_logs": book.pieces["log"].nunique(), "p_value": 0.01}
        for seal, (r, lo, hi, sure) in made.ratios.items()
    ]  # fmt: skip
    effects, n_logs = cracks.effects, book.pieces["log"].nunique()
    for row in effects[effects["kind"] == "seal"].to_dict("records") if len(effects) else []:
        rows.append({"outcome": "crack_hazard", "seal": row["level"], "ratio": row["hazard_ratio"],
                     "ci_lower": row["ci_lower"], "ci_upper": row["ci_upper"],
                     "certainty": row["certainty"], "n_logs": n_logs,
                     "p_value": row["p_value"]})  # fmt: skip
    weeks = {BARE: made.bare_weeks} | {s: made.bare_weeks * r[0] for s, r in made.ratios.items()}
    counts = book.pieces["seal"].value_counts()
    rates = cracks.rates[cracks.rates["by"] == "seal"].set_index("group")
    by_seal = pd.DataFrame(
        [{"seal": s, "n_pieces": counts[s], "weeks": weeks.get(s, np.nan),
          "n_looked": rates["n_pieces"].get(s, 0), "n_cracked": rates["n_cracked"].get(s, 0),
          "crack_pct": 100 * rates["share"].get(s, np.nan),
          "ci_lower": 100 * rates["ci_lower"].get(s, np.nan),
          "ci_upper": 100 * rates["ci_upper"].get(s, np.nan)} for s in seals]
    )  # fmt: skip
    logs_ = [x for x in book.pieces["log"].dropna().unique()]
    pairs = pd.DataFrame(
        [(log, s, weeks[s] + k % 2) for k, log in enumerate(logs_) for s in weeks],
        columns=["log", "seal", "weeks"],
    )
    effects_ = pd.DataFrame(rows).assign(scope=THIS, reference=BARE, reason="")
    return SimpleNamespace(effects=effects_, by_seal=by_seal, pairs=pairs, reference=BARE, why="")


def movement(made: Book) -> Any:
    if not made.rims:
        return None
    rows = [{"species": wood, "figure": ACROSS, "estimate": r, "n_pieces": n, "n_logs": n // 2,
             "certainty": sure} for wood, (r, n, sure) in made.rims.items()]  # fmt: skip
    return SimpleNamespace(why="", estimates=pd.DataFrame(rows))


def facts(made: Book) -> Facts:
    book = record_book(made)
    cracks = wl.crack_study(book)
    seals = seal_study(made, book, cracks)
    bowls = told_of(bowls_of(ready(made, book), book, pd.Timestamp(last_day(book))), book)
    season = Season(
        book=book, fits=None, bowls=bowls, seals=None if seals.why else seals, cracks=cracks,
        movement=movement(made), walls=walls_to_leave(book),
    )  # fmt: skip
    return Facts(season, cracks.thickest_wall(0.1, 120.0) if cracks.model else pd.DataFrame())


def _two_seasons():
    one = logs(["red oak", "white ash"] * 6, [BARE, PAINT, GRAIN], walls=(22.0, 33.0), lot="chosen",
               day="2025-02-01")  # fmt: skip
    two = logs(["red oak", "white ash"] * 6, [BARE, PAINT, GRAIN], first="M", walls=(22.0, 33.0),
               day="2026-02-01")  # fmt: skip
    bare = [b["piece"] for b in one + two if b["seal"] == BARE]
    grain = [b["piece"] for b in one + two if b["seal"] == GRAIN]
    cracked = dict.fromkeys(bare[::2], 28) | dict.fromkeys(grain[::6], 63)
    return Book(one + two, cracked, dry=0.8, bare_weeks=10.5, glued=tuple(bare[::4]),
                ratios={PAINT: (1.7, 1.5, 1.9, "clear"),
                        GRAIN: (1.15, 1.05, 1.25, "clear")})  # fmt: skip


def _oak():
    bowls = logs(["red oak"] * 8 + ["white ash"] * 8, [BARE, PAINT], walls=(24.0, 26.0), lot=None)
    oak = [b["piece"] for b in bowls if b["species"] == "red oak"]
    return Book(bowls, {p: 21 + 7 * (k % 3) for k, p in enumerate(oak[:12])},
                ratios={PAINT: (1.1, 0.9, 1.4, "open")},
                rims={"red oak": (1.25, 8, "clear")})  # fmt: skip


BOOKS = {
    "nothing_cracked": lambda: Book(
        logs(["white ash", "black cherry", "sugar maple"] * 3, [BARE, PAINT], each=2,
             walls=(20.0, 25.0, 30.0))[:34],
        ratios={PAINT: (1.6, 1.4, 1.9, "clear")}, bare_weeks=8.0),
    "one_seal_one_log": lambda: Book(
        [bowl(f"R{k}", "red oak", GRAIN, 22 + k, "R", "2026-04-04", None) for k in range(1, 9)],
        {"R2": 14, "R8": 35}, dry=0.6, rims={"red oak": (1.02, 4, "open")}, late="2026-12-28"),
    "three_weighings": lambda: Book(
        logs(["black walnut", "black cherry"] * 3, [BARE, PAINT])
        + logs(["black walnut"] * 3, [BARE, PAINT], first="G"),
        {"A1": 28}, weighed=(0, 14, 28), looked=(14, 28), offcuts=False),
    "no_air": lambda: Book(
        logs(["white ash"] * 6, [BARE, WAX]), {"A1": 21, "C1": 28}, air=False, dry=0.9,
        ratios={WAX: (2.2, 1.6, 3.0, "clear")}, bare_weeks=10.0, late="2027-12-01"),
    "two_seasons": _two_seasons,
    "no_looks": lambda: Book(
        logs(["white ash"] * 5, [BARE, WAX]), looked=(),
        ratios={WAX: (1.4, 1.1, 1.8, "likely")}),
    "no_walls": lambda: Book(
        logs(["sugar maple"] * 6, [BARE, PAINT], walls=(None,)), {"B1": 14}, dry=0.5,
        ratios={PAINT: (1.5, 1.2, 1.8, "clear")}),
    "one_bowl": lambda: Book([bowl("P", "wild plum", BARE, 25.0, None, lot=None)]),
    "first_week": lambda: Book(
        logs(["white ash"] * 3, [BARE, PAINT]), weighed=(0,), looked=(), air=False, offcuts=False),
    "finished": lambda: Book(
        [b | {"ended_on": "2026-07-20", "outcome": "finished"}
         for b in logs(["white ash"] * 5, [BARE, PAINT])],
        ratios={PAINT: (1.05, 0.98, 1.09, "open")}),
    "harm_by_a_mix": lambda: Book(
        logs(["white ash", "sugar maple"] * 6, [BARE, "Gran's mix no. 2"], each=2,
             walls=(22.0, 28.0)),
        {f"{chr(65 + k)}{j}": 21 + 7 * (k % 2) for k in range(12) for j in (3, 4)} | {"A1": 14},
        ratios={"Gran's mix no. 2": (0.7, 0.6, 0.8, "clear")}),
    "a_wood_leads": _oak,
    "six_seals": lambda: Book(
        logs(["white ash"] * 6, [BARE, "shellac", "oil", GRAIN, PAINT, WAX]),
        {"A1": 14, "B1": 21, "C1": 21, "D2": 35, "E3": 35},
        ratios={"shellac": (1.26, 1.1, 1.4, "clear"), "oil": (1.1, 0.95, 1.3, "open"),
                GRAIN: (1.4, 1.2, 1.6, "clear"), PAINT: (1.8, 1.6, 2.0, "clear"),
                WAX: (2.7, 2.4, 3.0, "clear")}),
}  # fmt: skip
