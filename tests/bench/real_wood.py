"""Published measurements of real wood against the public functions: where they agree, where not.

    python tests/bench/real_wood.py

Prints a Markdown table; a disagreement is a finding, not a failure. What must hold is kept by
`tests/drying/ahead/test_real_wood.py`. Data and sources: `tests/drying/data/published/README.md`.
The air of the boards is not that of their place: it is the nearest station year at hand (Chicago,
outdoors, 2016 to 2017, `worlds/data`).
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

import woodlab as wl

HERE = Path(__file__).resolve().parent
PUBLISHED = HERE.parent / "drying" / "data" / "published"
DAY = pd.Timedelta(days=1)
BOARD_MM = 25.4
GRAMS = 2000.0  # any mass will do: with one weighing it is the start moisture that counts
LB_G = 453.59237
# 68 % of pairs of segments of one tree agree within this share: Martius et al. 2024
SAME_TREE = 0.126


@dataclass(frozen=True)
class Finding:
    """A published range, ours, and whether they agree."""

    what: str
    published: str
    ours: str
    agrees: bool
    source: str


def outdoor_air() -> pd.DataFrame:
    return pd.read_csv(HERE / "worlds" / "data" / "chicago_2016_2017.csv", parse_dates=["on"])


def steady_air(temp_c: float = 18.0, rh_pct: float = 65.0) -> pd.DataFrame:
    on = pd.date_range("2015-12-01", "2017-01-01", freq="D")
    return pd.DataFrame({"on": on, "temp_c": temp_c, "rh_pct": rh_pct})


def boards(start: str, air: pd.DataFrame, which: list[tuple[str, float]], target: float = 20.0,
           level: float = 0.90) -> pd.DataFrame:  # fmt: skip
    """Days from green to `target` for bare boards (wood, mm) of which nothing is known but one
    weighing on the day they were sawn: `early`, `median`, `late`."""
    on = pd.Timestamp(start)
    names = [f"B{i}" for i in range(len(which))]
    pieces = pd.DataFrame({
        "piece": names, "species": [wood for wood, _ in which], "turned_on": on, "seal": "none",
        "wall_mm": [mm for _, mm in which],
    })  # fmt: skip
    weighings = pd.DataFrame({"piece": names, "on": on, "mass_g": GRAMS})
    book = wl.RecordBook.from_frames(
        pieces=pieces, weighings=weighings, air=air[air["on"] <= on].reset_index(drop=True)
    )
    ready = wl.forecast_ready(
        wl.fit_drying(book), as_of=on, target_moisture_pct=target, level=level
    )
    ready = ready.set_index("piece").loc[names]
    out = pd.DataFrame({
        name: (ready[column] - on) / DAY
        for name, column in (("early", "earliest_on"), ("median", "ready_on"),
                             ("late", "latest_on"))
    })  # fmt: skip
    return out.fillna(np.inf).reset_index(drop=True)


def exponent(days: pd.DataFrame, mm: tuple[float, float]) -> float:
    """n of time ~ thickness^n, from the medians of two boards."""
    return float(np.log(days["median"][1] / days["median"][0]) / np.log(mm[1] / mm[0]))


def held_out(name: str, keep: int, wall_mm: float) -> pd.DataFrame:
    """A split's later weighings against what the first `keep` of them predict: `days`, `mass_g`,
    `predicted_g`, `low_g`, `high_g` (90 % for a weighing). Its thickness is not published."""
    table = pd.read_csv(PUBLISHED / "split_weighings.csv")
    mine = table[table["set"] == name].reset_index(drop=True)
    first = pd.Timestamp("2015-09-19")
    wood = {"black_oak": "black oak", "red_oak_dead": "northern red oak"}[name]
    pieces = pd.DataFrame({"piece": ["S"], "species": [wood], "turned_on": [first],
                           "wall_mm": [wall_mm], "seal": ["none"]})  # fmt: skip
    on = first + pd.to_timedelta(mine["days_since_first"], unit="D")
    grams = mine["mass"] * LB_G
    step = (0.2 if name == "black_oak" else 0.5) * LB_G  # as the posted figures are rounded
    weighings = pd.DataFrame({"piece": "S", "on": on, "mass_g": grams,
                              "scale_g": step})  # fmt: skip
    book = wl.RecordBook.from_frames(pieces=pieces, weighings=weighings[:keep])
    said = wl.fit_drying(book).predict(on=list(on[keep:]), level=0.90)
    return pd.DataFrame({
        "days": mine["days_since_first"][keep:].to_numpy(), "mass_g": grams[keep:].to_numpy(),
        "predicted_g": said["mass_g"].to_numpy(), "low_g": said["pi_lower_mass_g"].to_numpy(),
        "high_g": said["pi_upper_mass_g"].to_numpy(),
    })  # fmt: skip


def fuel_sticks() -> pd.DataFrame:
    """Each dry spell of the fuel stick: fitted on its first half, judged on its second.

    A row each: `spell`, `hours`, `weighed` (share of hourly weights in the 90 % band for a
    weighing), `held` (of moistures, for which the stick's oven-dry mass must be right, too),
    `curve_held` (in the band of the curve), `width_pct` of the band for a moisture, `error_pct`
    (median).
    """
    table = pd.read_csv(PUBLISHED / "fuel_stick_spells.csv", parse_dates=["date"])
    rows = []
    for spell, part in table.groupby("spell"):
        half = len(part) // 2
        start = part["date"].iloc[0]
        mass = 100 * (1 + part["moisture_pct"] / 100)
        book = wl.RecordBook.from_frames(
            pieces=pd.DataFrame({"piece": ["stick"], "species": ["ponderosa pine"],
                                 "turned_on": [start], "wall_mm": [6.5], "seal": ["none"]}),
            weighings=pd.DataFrame({"piece": "stick", "on": part["date"][:half],
                                    "mass_g": mass[:half], "scale_g": 0.1}),
            offcuts=pd.DataFrame({"piece": ["stick"], "wet_g": [mass.iloc[0]],
                                  "oven_dry_g": [100.0]}),
            air=part[["date", "temp_c", "rh_pct"]].rename(columns={"date": "on"}),
        )  # fmt: skip
        said = wl.fit_drying(book).predict(on=list(part["date"][half:]), level=0.90)
        measured = part["moisture_pct"][half:].to_numpy()
        held = {
            kind: (said[f"{kind}_lower_moisture_pct"].to_numpy() <= measured)
            & (measured <= said[f"{kind}_upper_moisture_pct"].to_numpy())
            for kind in ("ci", "pi")
        }
        width = said["pi_upper_moisture_pct"] - said["pi_lower_moisture_pct"]
        grams = mass[half:].to_numpy()
        weighed = (said["pi_lower_mass_g"] <= grams) & (grams <= said["pi_upper_mass_g"])
        rows.append({
            "spell": spell, "hours": len(measured), "weighed": weighed.mean(),
            "held": held["pi"].mean(),
            "curve_held": held["ci"].mean(), "width_pct": float(width.median()),
            "error_pct": float(np.median(np.abs(said["moisture_pct"].to_numpy() - measured))),
        })  # fmt: skip
    return pd.DataFrame(rows)


def same_tree() -> float:
    """Half of the 68 % interval of a piece's green moisture, as a share of it, where all that is
    known is one offcut of its log: what the fits allow between two parts of one tree."""
    on = pd.Timestamp("2016-03-01")
    book = wl.RecordBook.from_frames(
        pieces=pd.DataFrame({"piece": ["A"], "species": ["sugar maple"], "turned_on": [on],
                             "wall_mm": [30.0], "seal": ["none"], "log": ["L"]}),
        weighings=pd.DataFrame({"piece": ["A"], "on": [on], "mass_g": [1600.0]}),
        offcuts=pd.DataFrame({"log": ["L"], "wet_g": [160.0], "oven_dry_g": [100.0]}),
    )  # fmt: skip
    ready = wl.forecast_ready(wl.fit_drying(book), as_of=on, level=0.68).iloc[0]
    low, high = (1600.0 / ready[name] - 1 for name in ("oven_dry_upper_g", "oven_dry_lower_g"))
    return float(np.log(high / low) / 2)


def findings() -> list[Finding]:
    out: list[Finding] = []
    times = pd.read_csv(PUBLISHED / "air_drying_times.csv")
    maple, oak_january, oak_june = (times.iloc[i] for i in range(3))
    both = [("sugar maple", BOARD_MM), ("northern red oak", BOARD_MM)]
    days = {month: boards(f"2017-{month:02d}-02", outdoor_air(), both) for month in (1, 4, 6, 9)}
    medians = np.array([frame["median"][0] for frame in days.values()])
    low, high = (f(frame[c][0] for frame in days.values())
                 for f, c in ((min, "early"), (max, "late")))  # fmt: skip
    out.append(Finding(
        "25.4 mm sugar maple, green to 20 %: mean of the medians for boards sawn in January, "
        "April, June and September [days]",
        f"mean {maple['days_mean']:.0f}, {maple['days_low']:.0f} to {maple['days_high']:.0f}, "
        "in piles (a lone board may be quicker)",
        f"{medians.mean():.0f}, medians {medians.min():.0f} to {medians.max():.0f}, 90 % intervals "
        f"{low:.0f} to {high:.0f}",
        bool(maple["days_low"] <= medians.mean() <= maple["days_high"]), "peck1957",
    ))  # fmt: skip
    for row, month, name in ((oak_january, 1, "January"), (oak_june, 6, "June")):
        mine = days[month].iloc[1]
        out.append(Finding(
            f"25.4 mm oak, green to 20 %, stacked in {name} [days]", f"{row['days_mean']:.0f}",
            f"{mine['median']:.0f} ({mine['early']:.0f} to {mine['late']:.0f})",
            bool(mine["early"] <= row["days_mean"] <= mine["late"]), str(row["source"]),
        ))  # fmt: skip
    ratio = float(days[1]["median"][1] / days[6]["median"][1])
    theirs = float(oak_january["days_mean"] / oak_june["days_mean"])
    out.append(Finding(
        "the same, January over June", f"{theirs:.1f}", f"{ratio:.1f}",
        bool(abs(np.log(ratio / theirs)) < np.log(1.5)), str(oak_june["source"]),
    ))  # fmt: skip
    rules = pd.read_csv(PUBLISHED / "thickness_exponents.csv")["implied_exponent"]
    thick = (BOARD_MM, 2 * BOARD_MM)
    n = exponent(
        boards("2017-01-01", steady_air(), [("northern red oak", mm) for mm in thick]), thick
    )
    out.append(Finding(
        "exponent of thickness, bare red oak of 25.4 and 50.8 mm at 18 C and 65 %",
        f"{rules.min():.2f} to {rules.max():.2f} (red oak rule 1.52)", f"{n:.2f}",
        bool(rules.min() <= n <= rules.max()), "thickness_exponents.csv",
    ))  # fmt: skip
    for name, keep in (("black_oak", 3), ("black_oak", 4), ("red_oak_dead", 3)):
        later = held_out(name, keep, 120.0 if name == "black_oak" else 80.0)
        inside = (later["low_g"] <= later["mass_g"]) & (later["mass_g"] <= later["high_g"])
        out.append(Finding(
            f"{name.replace('_', ' ')} split, from its first {keep} weighings, without an air log: "
            f"day {', '.join(str(int(d)) for d in later['days'])} [g]",
            ", ".join(f"{m:.0f}" for m in later["mass_g"]),
            ", ".join(f"{r.predicted_g:.0f} ({r.low_g:.0f} to {r.high_g:.0f})"
                      for r in later.itertuples()),
            bool(inside.all()), "fhc_23036" if name == "black_oak" else "fhc_1503373",
        ))  # fmt: skip
    for row in fuel_sticks().itertuples():
        out.append(Finding(
            f"fuel stick, dry spell {row.spell}, {row.hours} hours ahead: hourly weighings in the "
            "90 % band", "0.80 at least",
            f"{row.weighed:.2f} (as moistures, for which the oven-dry mass must be right, too, "
            f"{row.held:.2f}; width {row.width_pct:.1f} points; band of the curve "
            f"{row.curve_held:.2f}; median error {row.error_pct:.1f})",
            bool(row.weighed >= 0.80), "fuel_stick_spells.csv",
        ))  # fmt: skip
    share = same_tree()
    out.append(Finding(
        "an offcut against another part of its log: 68 % of pairs within", f"{SAME_TREE:.1%}",
        f"{share:.1%}", bool(0.6 * SAME_TREE <= share <= 1.7 * SAME_TREE), "Martius et al. 2024",
    ))  # fmt: skip
    return out


def as_markdown(found: list[Finding]) -> str:
    lines = ["| what | published | ours | agrees | source |", "|---|---|---|---|---|"]
    lines += [
        f"| {one.what} | {one.published} | {one.ours} | {'yes' if one.agrees else 'NO'} | "
        f"{one.source} |" for one in found
    ]  # fmt: skip
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.stdout.write(as_markdown(findings()))
