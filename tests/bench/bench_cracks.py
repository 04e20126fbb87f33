"""How well the crack study's intervals hold: seasons of known truth, by hand, not by pytest.

    python tests/bench/bench_cracks.py [seasons] [seed] [scenario ...]

Prints, for each scenario, one row a quantity: bias of ln(estimate), share of seasons whose 95 %
interval holds the truth, share below and above; and how many intervals were infinite or of no
width. The hazards are not those that the study fits: they fall exponentially or rise and fall.
Ratios are made of the first `RATIOS_OF` seasons only, since their profiles take most of the time.
Each scenario draws its own seasons. Seeds 20260601 and 20261128 were used to tune the risks'
intervals, 20261130 and 20270115 to judge them; judge what is changed on another.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from woodlab.book.record_book import RecordBook
from woodlab.studies.cracks.counts import whole_fractions
from woodlab.studies.cracks.design import crack_design
from woodlab.studies.cracks.hazard import effects_table, fit_hazard
from woodlab.studies.cracks.intervals import estimate_misses, first_cracks
from woodlab.studies.cracks.risk import planned_risk, standardised

RATIOS_OF = 40

SPECIES = ("red oak", "sugar maple", "white ash")
SEALS = ("none", "wax all over")


@dataclass(frozen=True)
class Truth:
    """Ln rates against bare red oak of 28 mm, the spread between logs, and the looks."""

    species: tuple[float, ...] = (0.0, 0.5, -0.4)
    seals: tuple[float, ...] = (0.0, -0.8)
    wall: float = 0.4
    log_sd: float = 0.5
    rate: float = 0.012
    course: str = "falling"
    look_every: int = 4
    look_later: int = 14
    crack_free: str = ""
    n_logs: int = 30
    per_log: int = 4
    names: tuple[str, ...] = SPECIES
    species_sd: float = 0.0  # above 0: the species' ln rates are drawn anew each season
    missed: float = 0.0  # chance that a look overlooks a crack
    length_mm: float = 12.0
    ended_per_day: float = 0.0  # above 0: pieces are scrapped at this rate, crack or no crack


SCENARIOS = {
    "as most": Truth(),
    "few cracks": Truth(rate=0.003),
    "logs differ much": Truth(log_sd=0.9),
    "logs alike": Truth(log_sd=0.0),
    "seldom looked at": Truth(look_every=14, look_later=40),
    "rising, then falling": Truth(course="rising", rate=0.02),
    "no crack under wax": Truth(crack_free="wax all over"),
    "a fifth of the pieces": Truth(n_logs=8, per_log=3),
    "ten species of six pieces": Truth(
        n_logs=20, per_log=3, names=tuple("abcdefghij"), species_sd=0.6
    ),
    "looks overlook one crack in five": Truth(missed=0.2, length_mm=6.0),
    "pieces are scrapped early": Truth(ended_per_day=0.006),
}


def summed_rate(days: np.ndarray, course: str) -> np.ndarray:
    """The course's integral, to be multiplied by rate and effects."""
    if course == "falling":
        return 60 * -np.expm1(-days / 60)
    return np.e * 20 * (1 - (1 + days / 20) * np.exp(-days / 20))


def season(truth: Truth, seed: list[int]) -> RecordBook:
    rng = np.random.default_rng(seed)
    grid = np.linspace(0, 400, 8001)
    course = summed_rate(grid, truth.course)
    turned = pd.Timestamp("2026-01-10")
    pieces, looks = [], []
    for g in range(truth.n_logs):
        s = g % len(truth.names)
        log_effect = rng.normal(0, truth.log_sd)
        seals = rng.permutation(np.resize(np.arange(len(SEALS)), truth.per_log))
        for j, i in enumerate(seals):
            wall = rng.uniform(18, 40)
            ln_rate = truth.species[s] + truth.seals[i] + truth.wall * (wall - 28) / 10 + log_effect
            need = rng.exponential() / (truth.rate * np.exp(ln_rate))
            opened = float(np.interp(need, course, grid)) if need < course[-1] else np.inf
            if SEALS[i] == truth.crack_free:
                opened = np.inf
            name = f"{g + 1}-{j + 1}"
            ended = np.inf
            if truth.ended_per_day:
                ended = np.ceil(rng.exponential() / truth.ended_per_day)
            left = turned + pd.Timedelta(days=ended) if ended < 300 else pd.NaT
            pieces.append([name, truth.names[s], SEALS[i], wall, f"log {g + 1}", turned, left])
            early = np.arange(truth.look_every, 120, truth.look_every)
            early = early + rng.integers(-1, 2, len(early))
            for day in np.unique(np.r_[early, np.arange(120, 300, truth.look_later)]):
                if day > ended:
                    break
                found = day >= opened and not (truth.missed and rng.random() < truth.missed)
                looks.append([name, turned + pd.Timedelta(days=int(day)), truth.length_mm * found])
                if found:
                    break
    columns = ["piece", "species", "seal", "wall_mm", "log", "turned_on", "ended_on"]
    frame = pd.DataFrame(pieces, columns=columns)
    frame["outcome"] = np.where(frame["ended_on"].notna(), "scrapped", None)
    weighings = pd.DataFrame({"piece": frame["piece"], "on": turned, "mass_g": 1000.0})
    seen = pd.DataFrame(looks, columns=["piece", "on", "crack_mm"])
    return RecordBook.from_frames(pieces=frame, weighings=weighings, looks=seen)


def true_effects(truth: Truth, reference_species: str) -> dict[str, float]:
    base = truth.species[truth.names.index(reference_species)]
    out = {
        f"seal: {SEALS[1]} against {SEALS[0]}": truth.seals[1],
        "wall: per 10 mm thicker": truth.wall,
    }
    for name, value in zip(truth.names, truth.species, strict=True):
        out[f"species: {name} against {reference_species}"] = value - base
    return out


PLANNED = pd.DataFrame(
    {"species": SPECIES, "seal": [SEALS[0], SEALS[1], SEALS[0]], "wall_mm": [22.0, 28.0, 36.0]}
)


_Z, _WEIGHT = np.polynomial.hermite_e.hermegauss(41)
_WEIGHT = _WEIGHT / _WEIGHT.sum()


def true_risk(truth: Truth, pieces: pd.DataFrame, by_day: float) -> tuple[np.ndarray, np.ndarray]:
    """Net and crude risk of pieces of logs not yet known."""
    ln_rate = pieces["species"].map(dict(zip(truth.names, truth.species, strict=True)))
    ln_rate = ln_rate + pieces["seal"].map(dict(zip(SEALS, truth.seals, strict=True)))
    rate = truth.rate * np.exp(ln_rate + truth.wall * (pieces["wall_mm"] - 28) / 10).to_numpy()
    days = np.linspace(0, by_day, 201)
    total = rate[:, None, None] * summed_rate(days, truth.course)[:, None]
    cracked = -np.expm1(-total * np.exp(truth.log_sd * _Z)) @ _WEIGHT
    there = np.exp(-truth.ended_per_day * (days[1:] + days[:-1]) / 2)
    return cracked[:, -1], np.diff(cracked, axis=1) @ there


def true_whole(truth: Truth, seal: int, by_day: float) -> float:
    """Share still whole under a seal, over the species, walls and logs of the season."""
    z, w = np.polynomial.hermite_e.hermegauss(21)
    walls = np.linspace(18, 40, 45)
    eta = np.array(truth.species)[:, None, None] + truth.seals[seal]
    eta = eta + (truth.wall * (walls - 28) / 10)[None, :, None] + truth.log_sd * z
    total = truth.rate * summed_rate(np.array(by_day), truth.course) * np.exp(eta)
    return float((np.exp(-total) @ (w / w.sum())).mean())


COLUMNS = ["what", "bias", "truth_below", "truth_above"]


def one_season(truth: Truth, seed: list[int], ratios: bool) -> tuple[list[list[object]], int, int]:
    """A row a quantity, the number of cracks, and of intervals infinite or without width."""
    if truth.species_sd:
        drawn = np.random.default_rng([77, *seed]).normal(0, truth.species_sd, len(truth.names))
        truth = replace(truth, species=tuple(drawn))
    book = season(truth, seed)
    first = first_cracks(book.pieces, book.looks)
    used, n_cracked = first.used, int(first.used["cracked"].sum())
    design, _ = crack_design(used, "none")
    model = fit_hazard(first, design, estimate_misses(first))
    rows: list[list[object]] = []
    bad = 0
    if ratios:
        known = true_effects(truth, design.levels["species"][0])
        for row in effects_table(used, design, model).itertuples():
            ends = np.array([row.ci_lower, row.ci_upper])
            told = bool(np.isfinite(row.hazard_ratio))
            bad += told and not (np.isfinite(ends).all() and ends[0] < ends[1] and ends[0] > 0)
            if told and not (truth.crack_free and row.kind == "seal"):
                real = np.exp(known[row.term])
                many = truth.species_sd and row.kind == "species"
                what = "any species against another" if many else row.term
                rows.append([what, np.log(row.hazard_ratio / real), real < ends[0], real > ends[1]])
    if truth.crack_free or truth.names != SPECIES:
        return rows, n_cracked, bad
    whole = whole_fractions(first)
    for i, seal in enumerate(SEALS):
        mine = whole[(whole["group"] == seal) & (whole["kind"] == "known")]
        mine = mine[(mine["from_days"] <= 60) & (mine["to_days"] >= 60)]
        if len(mine) and not truth.missed:
            real, row = true_whole(truth, i, 60), mine.iloc[0]
            miss = [real < row["ci_lower"], real > row["ci_upper"]]
            rows.append([f"share whole on day 60: {seal}", np.log(row["whole_from"] / real), *miss])
    risks = planned_risk(model, PLANNED, 100)
    for real, row in zip(true_risk(truth, PLANNED, 100)[0], risks.itertuples(), strict=True):
        if np.isfinite(row.risk):
            what = f"risk by day 100: {row.species}, {row.seal}, {row.wall_mm:g} mm"
            rows.append([what, np.log(row.risk / real), real < row.ci_lower, real > row.ci_upper])
    for row in standardised(model, "seal", SEALS, 100).itertuples():
        net, crude = true_risk(truth, used.assign(seal=row.level), 100)
        ends = (net.mean() < row.ci_lower, net.mean() > row.ci_upper)
        name = f"of the season's own pieces: {row.level}"
        rows.append([f"risk by day 100 {name}", np.log(row.risk / net.mean()), *ends])
        if truth.ended_per_day:
            real = crude.mean()
            ends = (real < row.crude_lower, real > row.crude_upper)
            rows.append([f"crude risk {name}", np.log(row.risk_crude / real), *ends])
    return rows, n_cracked, bad


def run(name: str, count: int, seed: int) -> None:
    truth, place = SCENARIOS[name], list(SCENARIOS).index(name)
    report(name, [one_season(truth, [seed, place, k], k < RATIOS_OF) for k in range(count)])


def report(name: str, seasons: list[tuple[list[list[object]], int, int]]) -> None:
    truth = SCENARIOS[name]
    rows = [row for found, _, _ in seasons for row in found]
    cracks, bad = np.mean([n for _, n, _ in seasons]), sum(n for _, _, n in seasons)
    frame = pd.DataFrame(rows, columns=COLUMNS)
    table = (
        frame.groupby("what", sort=False)
        .agg(
            bias=("bias", "mean"),
            bias_se=("bias", lambda x: x.std() / np.sqrt(len(x))),
            truth_below=("truth_below", "mean"),
            truth_above=("truth_above", "mean"),
            seasons=("bias", "size"),
        )
        .reset_index()
    )
    table.insert(3, "holds", 1 - table["truth_below"] - table["truth_above"])
    print(
        f"\n## {name}: {len(seasons)} seasons of {truth.n_logs * truth.per_log} pieces, "
        f"{cracks:.0f} cracked on average; {bad} intervals infinite or without width\n"
    )
    print("| " + " | ".join(table.columns) + " |\n|" + "---|" * table.shape[1])
    for row in table.itertuples(index=False):
        cells = [f"{cell:.3f}" if isinstance(cell, float) else str(cell) for cell in row]
        print("| " + " | ".join(cells) + " |")
    sys.stdout.flush()


if __name__ == "__main__":
    seasons = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    base = int(sys.argv[2]) if len(sys.argv) > 2 else 20261130
    for scenario in sys.argv[3:] or SCENARIOS:
        began = time.process_time()
        run(scenario, seasons, base)
        print(f"\n{(time.process_time() - began) / seasons:.2f} s of CPU a season")
