"""Seasons for the pages, made up here so that each is asked in a moment: facts without a fit."""

from types import SimpleNamespace

import numpy as np
import pandas as pd

import woodlab as wl
from woodlab.pages.facts import Facts, told_of
from woodlab.week.bowls import bowls_of

DAY = pd.Timestamp("2026-06-10")
SEALS = ("none", "wax on end grain", "paint all over", "wax all over")
NO_WEIGHTS = pd.DataFrame(
    {"piece": [], "on": pd.to_datetime([]), "mass_g": [], "fitted_g": [], "used": []}
)
HOSTILE = '<b onmouseover="x()">Gran & co</b>'


def season(
    n=40, *, cracked=6, seals=SEALS, shelves=("loft",), air=True, hostile=False,
    species=("ash", "oak"),
):  # fmt: skip
    """Facts of `n` bowls, of which `cracked` cracked and the first of those was glued."""
    rng = np.random.default_rng(1)
    marks = [f"{HOSTILE if hostile and k == 0 else 'A'}{k}" for k in range(n)]
    pieces = pd.DataFrame(
        {"piece": marks, "species": [species[k % len(species)] for k in range(n)],
         "turned_on": DAY - pd.to_timedelta(rng.integers(60, 150, n), "D"),
         "wall_mm": rng.integers(18, 42, n).astype(float),
         "seal": [seals[k % len(seals)] for k in range(n)], "log": "L",
         "place": [shelves[k % len(shelves)] for k in range(n)]}
    )  # fmt: skip
    steps = pd.DataFrame({"k": np.repeat(np.arange(n), 4), "week": np.tile(np.arange(4), n)})
    on = pieces["turned_on"].to_numpy()[steps["k"]] + pd.to_timedelta(14 * steps["week"], "D")
    weighings = pd.DataFrame(
        {
            "piece": pieces["piece"].to_numpy()[steps["k"]],
            "on": on,
            "mass_g": 1500 - 90 * steps["week"],
        }
    )
    looks = pd.DataFrame({"piece": marks, "on": DAY - pd.Timedelta(days=9), "crack_mm": 0.0,
                          "action": "none"})  # fmt: skip
    cracked = min(cracked, n)
    looks.loc[looks.index < cracked, "crack_mm"] = np.arange(cracked) + 3.0
    if cracked:
        looks.loc[0, "action"] = "glued"
    days = pd.date_range(pieces["turned_on"].min(), DAY)
    book = wl.RecordBook.from_frames(
        pieces=pieces, weighings=weighings, looks=looks,
        **({"air": pd.DataFrame({"on": days, "temp_c": 12.0, "rh_pct": 65.0})} if air else {}),
    )  # fmt: skip
    chance = np.clip(rng.normal(0.5, 0.6, n), 0, 1)
    median = DAY + pd.to_timedelta(np.where(chance > 0.9, -20, rng.integers(3, 200, n)), "D")
    ready = book.pieces.assign(
        p_ready_now=chance, moisture_now_pct=18.0, ready_on=median, as_of=DAY, level=0.9,
        earliest_on=median - pd.Timedelta(days=8), latest_on=median + pd.Timedelta(days=40),
        target_moisture_pct=14.0, oven_dry_g=900.0,
    )  # fmt: skip
    ready.loc[ready.index[-1], ["ready_on", "earliest_on", "latest_on"]] = pd.NaT
    bowls = told_of(bowls_of(ready, book, DAY), book)
    steps = np.linspace(0, 1, 20)
    curves = pd.concat(
        pd.DataFrame({"piece": r.piece, "on": r.turned_on + (DAY - r.turned_on) * steps,
                      "part": "so far", "moisture_pct": 15 + 60 * np.exp(-4 * steps)})
        for r in bowls.itertuples()
    )  # fmt: skip
    life = bowls["piece"].iloc[0]
    ahead = pd.DataFrame(
        {"piece": life, "on": pd.date_range(DAY, periods=60, freq="3D"), "part": "to come",
         "moisture_pct": np.linspace(16, 12, 60), "lower_pct": 11.0, "upper_pct": 17.0}
    )  # fmt: skip
    none = pd.DataFrame()
    return Facts(
        book=book, fits=SimpleNamespace(residuals=NO_WEIGHTS, scale_step=""), day=DAY,
        club="the Elm Row turners",
        bowls=bowls, curves=pd.concat([curves, ahead], ignore_index=True),
        air=pd.DataFrame({"on": days, "moisture_pct": 12.0}) if air else
        pd.DataFrame({"on": pd.to_datetime([]), "moisture_pct": []}),
        seals=_seals(bowls) if len(seals) > 1 else None, cracks=None, movement=None,
        walls=pd.DataFrame({"species": list(species), "rim_mm": 250.0, "thinnest_mm": [15.2, 17.9],
                            "tenth_mm": 26.0}),
        round=pd.DataFrame({"piece": marks[5:20], "do": "weigh and look"}),
        profiles=none, life=life,
    )  # fmt: skip


def _seals(bowls):
    """A seal study's frames: the last seal slow and with fewer cracks, not surely."""
    names = [s for s in bowls["seal"].unique() if s != "none"]
    rows = [("drying_time", s, 1.9, 1.7, 2.1, 0.0001) for s in names]
    rows += [("crack_hazard", s, 0.3, 0.05, 1.4, 0.1) for s in names]
    effects = pd.DataFrame(
        rows, columns=["outcome", "seal", "ratio", "ci_lower", "ci_upper", "p_value"]
    )
    effects = effects.assign(reference="none", n_pieces=20, certainty=["clear", "likely"][0])
    effects.loc[effects["outcome"] == "crack_hazard", "certainty"] = "likely"
    by = bowls.groupby("seal", as_index=False).agg(
        n_looked=("piece", "size"), n_cracked=("crack_on", lambda on: int(on.notna().sum()))
    )
    by = by.assign(weeks=[8.0 + 6 * k for k in range(len(by))], ci_lower=2.0, ci_upper=40.0)
    return SimpleNamespace(
        effects=effects, by_seal=by.assign(crack_pct=100 * by["n_cracked"] / by["n_looked"])
    )


SEASONS = {
    "usual": {},
    "nothing cracked": {"cracked": 0},
    "one seal, no air": {"seals": ("none",), "air": False},
    "many shelves and bowls": {"n": 130, "cracked": 20,
                               "shelves": ("loft", "cellar under the stairs", "shed", "spare")},
    "long and hostile names": {"hostile": True, "n": 12, "cracked": 3,
                               "seals": ("none", "three coats of grandmother's floor polish"),
                               "species": ("Common Hornbeam from the far hedge", "oak")},
    "three bowls": {"n": 3, "cracked": 1},
}  # fmt: skip
